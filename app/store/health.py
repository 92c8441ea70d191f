"""A look at a log from outside: its schema, size and last change, without bringing it up to date.

In: the log's folder. Out: `Look`.
"""

from __future__ import annotations

import sqlite3
from contextlib import closing
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from app.errors import LogUnusable
from app.store.log import LOG_FILE
from app.store.migrations import APPLICATION_ID, MIGRATIONS


@dataclass(frozen=True)
class Look:
    """What a log is: its schema's number and the newest known here, its photos, its size, its last change.

    `print_runs` are the printed cards' runs whose colours were measured.
    """

    schema: int
    newest_schema: int
    photos: int
    size_bytes: int
    last_change: datetime | None
    print_runs: int = 0


def sqlite_version() -> str:
    """Return SQLite's version."""
    return sqlite3.sqlite_version


def look_at(folder: Path) -> Look:
    """Return what the log in `folder` is.

    Raises
    ------
    LogUnusable
        If it cannot be read or is no log.
    """
    path = folder / LOG_FILE
    try:
        with closing(sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True, timeout=5)) as file:

            def one(query: str) -> int | str | None:
                value: int | str | None = file.execute(query).fetchone()[0]
                return value

            if one("pragma application_id") != APPLICATION_ID:
                raise LogUnusable(f"{path} is not a log of Turnblue.", "Name another folder.")
            last = one("select max(recorded_at) from history")
            has_runs = one("select count(*) from sqlite_master where name = 'print_runs'")
            runs = one("select count(*) from print_runs where withdrawn_at is null") if has_runs else 0
            return Look(
                print_runs=int(runs or 0),
                schema=int(one("pragma user_version") or 0),
                newest_schema=len(MIGRATIONS),
                photos=int(one("select count(*) from photos") or 0),
                size_bytes=path.stat().st_size,
                last_change=None if last is None else datetime.fromisoformat(str(last)),
            )
    except (sqlite3.Error, OSError) as error:
        raise LogUnusable(f"The log in {folder} cannot be read ({error}).", "Restore it from a backup.") from error
