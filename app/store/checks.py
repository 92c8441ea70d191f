"""What can be wrong inside the log's database: damaged pages, broken references, rows that their history denies.

In: an open `Log`. Out: one sentence a fault. Nothing is changed here but by `rebuild_indexes`.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

from app.store.log import Log

ROWS = {"company": "id", "price_list": "id", "pools": "id", "recoveries": "id", "visits": "id", "photos": "sha256"} | {
    "equipment": "visit_id"
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


def denied_rows(log: Log) -> Iterator[tuple[str, str]]:
    """Give table and id of rows that are not what their history last said: they were changed around the program."""
    for table, key in ROWS.items():
        for row in log._db.query(f"select * from {table} order by {key}"):
            if not _same(row, _last(log, table, str(row[key]))):
                yield table, str(row[key])
    for table in LISTS:
        held: dict[str, list[Any]] = {}
        for row in log._db.query(f"select * from {table} order by visit_id, position"):
            held.setdefault(row["visit_id"], []).append(row)
        for visit_id, rows in held.items():
            last = _last(log, table, visit_id)
            if last is None or len(last) != len(rows) or not all(map(_same, rows, last)):
                yield table, visit_id


def _last(log: Log, table: str, row_id: str) -> Any:
    """Return what the history last said of a row, None where it says nothing."""
    query = "select after from history where table_name = ? and row_id = ? order by seq desc limit 1"
    found = log._rows(query, table, row_id)
    return json.loads(found[0]["after"]) if found and found[0]["after"] is not None else None


def _same(row: Any, said: Any) -> bool:
    """Tell whether a row is what was said of it; columns that came later are passed over.

    A photo's `taken_at` was once noted without history.
    """
    if said is None:
        return False
    return all(row.get(name) == value or (name == "taken_at" and value is None) for name, value in said.items())
