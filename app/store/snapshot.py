"""A copy of the log's database as it was at one moment, taken while others write.

In: an open connection. Out: a single file, whole and synced, or nothing. SQLite's own online backup makes it: one read
transaction is held over all its steps, so writers go on and the copy does not begin anew for them.
"""

from __future__ import annotations

import os
import sqlite3
import tempfile
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

from app.store.photos import ARRIVING, make_folder, sync_folder

PAGES_A_STEP = 256
"""Pages copied between two words to who waits: 1 MB at SQLite's usual 4096 bytes (our choice)."""


def copy_database(
    source: sqlite3.Connection, target: Path, *, progress: Callable[[int, int], None] | None = None
) -> None:
    """Copy a database to `target`, which is there whole when this returns.

    Parameters
    ----------
    source : Connection
        In no transaction.
    target : Path
        Replaced where it is there.
    progress : callable, optional
        Told how many pages are copied, of how many.

    Raises
    ------
    OSError, sqlite3.Error
        If the disk does not take it; then nothing is left.
    """
    make_folder(target.parent)
    handle, name = tempfile.mkstemp(prefix=ARRIVING, dir=target.parent)
    os.close(handle)
    aside = Path(name)

    def tell(_status: int, left: int, of: int) -> None:
        if progress is not None:
            progress(of - left, of)

    try:
        with closing(sqlite3.connect(aside, isolation_level=None)) as copy:
            source.execute("begin")
            try:
                # The transaction begins with the first read: from here on we see one moment.
                source.execute("select count(*) from sqlite_master").fetchone()
                source.backup(copy, pages=PAGES_A_STEP, progress=tell)
            finally:
                source.execute("rollback")
            # One file, without a write-ahead log beside it.
            copy.execute("pragma journal_mode = delete")
        with aside.open("rb+") as file:
            os.fsync(file.fileno())
        os.replace(aside, target)
    except BaseException:
        aside.unlink(missing_ok=True)
        raise
    sync_folder(target.parent)
