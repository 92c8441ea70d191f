"""What can be wrong inside the log's database: damaged pages, broken references, rows that their history denies.

In: an open `Log`. Out: one sentence a fault. Nothing is changed here but by `rebuild_indexes`.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

from app.store.log import Log

ROWS = {"company": "id", "price_list": "id", "pools": "id", "recoveries": "id", "visits": "id", "photos": "sha256"} | {
    "equipment": "visit_id",
    "sighted": "visit_id",
}
"""Tables whose every row has its history under the value of this column."""

LISTS = ("readings", "treatments", "work", "sightings")
"""Tables whose rows have their history together, under their visit's id."""


def damaged_pages(log: Log) -> list[str]:
    """Return what SQLite's own check finds, nothing where all is well."""
    found = [str(row["integrity_check"]) for row in log._rows("pragma integrity_check")]
    return [] if found == ["ok"] else found


def rebuild_indexes(log: Log) -> None:
    """Make all indexes anew from their tables."""
    with log.atomic():
        log._connection.execute("reindex")


def broken_references(log: Log) -> list[str]:
    """Return the rows that name another which is not there."""
    rows = log._rows("pragma foreign_key_check")
    return [f"a row of {row['table']} names one of {row['parent']} that is not there" for row in rows]


def foreign_measurements(log: Log) -> list[str]:
    """Return the ids of measurements whose result is of another photo than their row says."""
    query = "select id from measurements where json_extract(result, '$.sha256') is not sha256"
    return [str(row["id"]) for row in log._rows(query)]


def denied_rows(log: Log) -> list[tuple[str, str]]:
    """Return table and id of rows that are not what their history last said: they were changed around the program."""
    # One moment for both: people may be working.
    with log._snapshot():
        return list(_denied(log))


def _denied(log: Log) -> Iterator[tuple[str, str]]:
    """Give them one by one."""
    newest = "select max(seq) from history group by table_name, row_id"
    last = f"select table_name, row_id, after from history where seq in ({newest}) order by table_name, row_id"
    for entry in log._db.query(last):
        table, row_id = str(entry["table_name"]), str(entry["row_id"])
        if table in ROWS or table in LISTS:
            said = None if entry["after"] is None else json.loads(entry["after"])
            order = " order by position" if table in LISTS else ""
            rows = log._rows(f"select * from {table} where {_key(table)} = ?{order}", row_id)
            expected = [] if said is None else said if table in LISTS else [said]
            if len(rows) != len(expected) or not all(map(_same, rows, expected)):
                yield table, row_id
    for table in (*ROWS, *LISTS):
        key = _key(table)
        unsaid = f"select distinct {key} as row_id from {table} where not exists (select 1 from history "
        for row in log._rows(f"{unsaid} where table_name = ? and history.row_id = cast({key} as text))", table):
            yield table, str(row["row_id"])


def _key(table: str) -> str:
    """Return the column under whose value a table's rows have their history."""
    return ROWS.get(table, "visit_id")


def _same(row: Any, said: Any) -> bool:
    """Tell whether a row is what was said of it; columns that came later are passed over.

    A photo's `taken_at` was once noted without history.
    """
    return all(row.get(name) == value or (name == "taken_at" and value is None) for name, value in said.items())
