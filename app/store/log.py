"""The log: pools, recoveries, visits, photos and measurements in one SQLite file; the only SQL of the program.

In: a folder. Out: records of `app.records`. A `Log` is opened per run and per thread. Whatever `atomic()` returned
from is on disk (write-ahead log with full synchronous); every change of a row goes with its history, who, when,
before and after, in the same transaction.

The file is long because all SQL stands in it, one short method a question.
"""

from __future__ import annotations

import json
import secrets
import sqlite3
import time
import unicodedata
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Any

from sqlite_utils import Database

from app.access import AT_THIS_MACHINE, Actor
from app.errors import AlreadyInLog, LogBusy, LogNewer, LogUnusable, NotInLog
from app.records import (
    Company,
    Equipment,
    Pool,
    PriceList,
    Reading,
    Recovery,
    Sighted,
    Sighting,
    Treatment,
    Visit,
    Work,
)
from app.store import photos
from app.store.migrations import APPLICATION_ID, MIGRATIONS
from app.store.rows import Row, assessment_of, clean_text, from_json, speak_for_water, time_text, to_row, with_sighting
from app.store.snapshot import copy_database
from app.words import mark, said
from vision.results import PhotoResult, to_json

LOG_FILE = "log.sqlite3"
"""The database in the log's folder."""

BEFORE_MIGRATION = "before-migration"
"""Folder for copies of the database as it was before a newer program changed its tables."""

BUSY_TIMEOUT_S = 30.0
"""How long a writer waits for another [s]; a save takes milliseconds, so this is a queue of thousands."""

ID_LETTERS = "0123456789abcdefghjkmnpqrstvwxyz"
"""Letters of an id: 32, without those read for another (i, l, o, u)."""


THERE_IS_NO = {
    "pool": mark("There is no pool {id} in the log."),
    "recovery": mark("There is no recovery {id} in the log."),
    "visit": mark("There is no visit {id} in the log."),
    "photo": mark("There is no photo {id} in the log."),
}
"""What is said of what is not there, or not seen by who asks."""


def new_id(prefix: str) -> str:
    """Return a new id, `prefix` and twelve random letters (60 bits), so that two devices never make the same."""
    return f"{prefix}-" + "".join(secrets.choice(ID_LETTERS) for _ in range(12))


def folded(text: str | None) -> str:
    """Return text as it is searched: without case and accents.

    Examples
    --------
    >>> folded("Peña 3"), folded(None)
    ('pena 3', '')
    """
    if not text:
        return ""
    if text.isascii():
        return text.lower()
    plain = unicodedata.normalize("NFKD", text.casefold())
    return "".join(each for each in plain if not unicodedata.combining(each))


class Log:
    """The log in one folder; a context manager.

    Parameters
    ----------
    folder : Path
        Made where it is missing. It holds `log.sqlite3`, `photos/` (originals) and `cache/` (pictures that can be
        made again).
    actor : Actor
        Who acts; the one at this machine unless told otherwise. Their name stands in the history, and pools they do
        not see are as if they were not there. In SQL of other files, `is_mine(pool_id)` says whether they see it.

    Raises
    ------
    LogUnusable
        If the folder or file cannot be read or written, or the file is no log.
    LogNewer
        If a newer version of the program wrote it.
    """

    def __init__(self, folder: Path, actor: Actor = AT_THIS_MACHINE) -> None:
        self.folder = folder
        self.actor = actor
        self.photo_folder = folder / "photos"
        self.photos_kept = photos.open_photos(folder)
        self.cache_folder = folder / "cache"
        try:
            folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        except OSError as error:
            raise LogUnusable(
                f"The folder {folder} cannot be used ({error.strerror or error}).",
                "Name another with TURNBLUE_HOME, or mend its permissions.",
            ) from error
        with self._told():
            self._connection = sqlite3.connect(folder / LOG_FILE, timeout=BUSY_TIMEOUT_S, isolation_level=None)
        try:
            with self._told():
                self._db = Database(self._connection, execute_plugins=False)
                self._set_up()
        except BaseException:
            self._connection.close()
            raise

    @classmethod
    @contextmanager
    def read_only(cls, database: Path) -> Iterator[Log]:
        """Give a log out of one file, a snapshot for instance, which stays byte for byte as it is."""
        frozen = cls.__new__(cls)
        frozen.folder, frozen.actor = database.parent, AT_THIS_MACHINE
        with frozen._told():
            frozen._connection = sqlite3.connect(f"{database.resolve().as_uri()}?mode=ro&immutable=1", uri=True)
            frozen._db = Database(frozen._connection, execute_plugins=False)
            frozen._connection.create_function("is_mine", 1, lambda _pool_id: True)
            frozen._connection.create_function("folded", 1, folded, deterministic=True)
        try:
            yield frozen
        finally:
            frozen._connection.close()

    def copy_to(self, target: Path) -> None:
        """Copy the database as it is now into one file, while others write."""
        with self._told():
            copy_database(self._connection, target)

    def __enter__(self) -> Log:
        """Return the log itself."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Close the log."""
        self.close()

    def close(self) -> None:
        """Close the log's file."""
        self._connection.close()

    @contextmanager
    def atomic(self) -> Iterator[None]:
        """Make all changes inside this block or none; on disk when it ends.

        The write lock is taken at once (`begin immediate`): a transaction that began by reading could otherwise be
        refused at its first write, without waiting. A block inside a block is a part of it.
        """
        with self._told():
            if self._connection.in_transaction:
                with self._db.atomic():
                    yield
                return
            self._connection.execute("begin immediate")
            try:
                yield
                self._connection.execute("commit")
            except BaseException:
                if self._connection.in_transaction:
                    self._connection.execute("rollback")
                raise

    @contextmanager
    def acting_as(self, actor: Actor) -> Iterator[None]:
        """Act as someone else inside this block."""
        before, self.actor = self.actor, actor
        try:
            yield
        finally:
            self.actor = before

    def check_seen(self, named: Mapping[str, Any]) -> None:
        """Return where the actor sees every pool, recovery, visit and photo named; None names nothing.

        Parameters
        ----------
        named : mapping
            A use case's arguments by name: `pool_id`, `recovery_id`, `visit_id`, `sha256`, and `changed` or `pool`
            where they are records; others are passed over.

        Raises
        ------
        NotInLog
            If one is not seen, in the words of one that is not there.
        """
        for name, value in named.items():
            if isinstance(value, Pool):
                name, value = "pool_id", value.id
            elif isinstance(value, Visit):
                name, value = "visit_id", value.id
            if name in _POOL_OF and isinstance(value, str):
                noun, query = _POOL_OF[name]
                # A photo without a visit is seen by who has its sha256, which only its own bytes give.
                if not any(
                    row["pool_id"] is None or self.actor.sees(row["pool_id"]) for row in self._rows(query, value)
                ):
                    raise NotInLog(said(THERE_IS_NO[noun], id=value[:14]), "See what there is with: turnblue pools")

    # Company and pools

    def company(self) -> Company | None:
        """Return the company, None before it was saved."""
        return next((from_json(Company, row) for row in self._rows("select * from company")), None)

    def save_company(self, company: Company, *, at: datetime | None, who: str) -> None:
        """Save the company's settings."""
        self._put("company", {"id": 1}, to_row(company), at=at, who=who)

    def price_list(self) -> PriceList:
        """Return the company's prices; an empty list before they were saved."""
        return next((from_json(PriceList, row) for row in self._rows("select * from price_list")), PriceList())

    def save_price_list(self, prices: PriceList, *, at: datetime | None, who: str) -> None:
        """Save the company's prices; the old ones stay in the history."""
        row = {"currency": clean_text(prices.currency), "prices": json.dumps(to_json(prices)["prices"])}
        self._put("price_list", {"id": 1}, row, at=at, who=who)

    def pools(self) -> tuple[Pool, ...]:
        """Return all pools by name."""
        rows = self._rows("select * from pools where is_mine(id) order by name collate nocase, id")
        return tuple(from_json(Pool, row) for row in rows)

    def add_pool(self, pool: Pool, *, at: datetime | None, who: str) -> None:
        """Add a pool.

        Raises
        ------
        AlreadyInLog
            If a pool of that id is there.
        """
        with self.atomic():
            if self._rows("select id from pools where id = ?", pool.id):
                raise AlreadyInLog(f"There is a pool {pool.id} already.", "Choose another short name for it.")
            self._put("pools", {"id": pool.id}, to_row(pool, leave_out=("id",)), at=at, who=who)

    def update_pool(self, pool: Pool, *, at: datetime | None, who: str) -> None:
        """Change a pool; the old values stay in the history."""
        with self.atomic():
            self._one("pools", pool.id, "pool")
            self._put("pools", {"id": pool.id}, to_row(pool, leave_out=("id",)), at=at, who=who)

    # Recoveries

    def open_recovery(self, pool_id: str, *, at: datetime, who: str) -> str:
        """Open a recovery of a pool and return its id.

        Raises
        ------
        AlreadyInLog
            If the pool has an open recovery.
        """
        with self.atomic():
            pool = self._one("pools", pool_id, "pool")
            if self._rows("select id from recoveries where pool_id = ? and closed_at is null", pool_id):
                raise AlreadyInLog(
                    said("{pool} has an open recovery already.", pool=pool["name"]),
                    "Add the visit to it, or close it first.",
                )
            recovery_id = new_id("r")
            row = {"pool_id": pool_id, "opened_at": time_text(at), "closed_at": None}
            self._put("recoveries", {"id": recovery_id}, row, at=at, who=who)
        return recovery_id

    def close_recovery(self, recovery_id: str, *, at: datetime, who: str) -> None:
        """Close a recovery; closing a closed one changes nothing."""
        with self.atomic():
            if self._one("recoveries", recovery_id, "recovery")["closed_at"] is None:
                self._put("recoveries", {"id": recovery_id}, {"closed_at": time_text(at)}, at=at, who=who)

    def reopen_recovery(self, recovery_id: str, *, at: datetime, who: str) -> None:
        """Take a closing back; that of an open one changes nothing.

        Raises
        ------
        AlreadyInLog
            If the pool has another open recovery by now.
        """
        with self.atomic():
            found = self._one("recoveries", recovery_id, "recovery")
            if found["closed_at"] is None:
                return
            pool = self._one("pools", found["pool_id"], "pool")
            if self._rows("select id from recoveries where pool_id = ? and closed_at is null", pool["id"]):
                raise AlreadyInLog(
                    said("{pool} has an open recovery already.", pool=pool["name"]),
                    "Add the visit to it, or close it first.",
                )
            self._put("recoveries", {"id": recovery_id}, {"closed_at": None}, at=at, who=who)

    def recovery(self, recovery_id: str) -> Recovery:
        """Return one recovery with its visits.

        Raises
        ------
        NotInLog
            If there is none of that id.
        """
        found = self._recoveries("id = ?", recovery_id)
        if not found:
            raise NotInLog(said(THERE_IS_NO["recovery"], id=recovery_id), "See them with: turnblue pools")
        return found[0]

    def recovery_ids(self, start: str) -> list[str]:
        """Return the ids of recoveries that begin with `start`, its "r-" given or not."""
        query = "select id from recoveries where (substr(id, 1, length(?1)) = ?1 or substr(id, 3, length(?1)) = ?1)"
        return [row["id"] for row in self._rows(query + " and is_mine(pool_id) order by id", start)]

    def recoveries_of(self, pool_id: str) -> tuple[Recovery, ...]:
        """Return a pool's recoveries, newest first."""
        self._one("pools", pool_id, "pool")
        return tuple(reversed(self._recoveries("pool_id = ?", pool_id)))

    def open_recoveries(self) -> tuple[Recovery, ...]:
        """Return all recoveries that are not closed, oldest first."""
        return self._recoveries("closed_at is null")

    def _recoveries(self, condition: str, *arguments: Any) -> tuple[Recovery, ...]:
        """Return the recoveries that fulfil `condition`, oldest first, by one query a table however many they are."""
        condition = f"({condition}) and is_mine(pool_id)"
        chosen = f"select id from recoveries where {condition}"
        visits_chosen = f"select id from visits where recovery_id in ({chosen})"
        with self._snapshot():
            pools = {
                row["id"]: from_json(Pool, row)
                for row in self._rows(
                    f"select * from pools where id in (select pool_id from recoveries where {condition})", *arguments
                )
            }
            visits: dict[str, list[Visit]] = {}
            for visit in self._visits(visits_chosen, *arguments):
                visits.setdefault(visit.recovery_id, []).append(visit)
            rows = self._rows(
                f"select * from recoveries where {condition} order by julianday(opened_at), id", *arguments
            )
        return tuple(
            Recovery(
                id=row["id"],
                pool=pools[row["pool_id"]],
                opened_at=datetime.fromisoformat(row["opened_at"]),
                closed_at=None if row["closed_at"] is None else datetime.fromisoformat(row["closed_at"]),
                visits=tuple(sorted(visits.get(row["id"], ()), key=lambda visit: (visit.at, visit.id))),
            )
            for row in rows
        )

    # Visits

    def visit(self, visit_id: str) -> Visit:
        """Return one visit.

        Raises
        ------
        NotInLog
            If there is none of that id.
        """
        self._one("visits", visit_id, "visit")
        self.check_seen({"visit_id": visit_id})
        return self._visits("select id from visits where id = ?", visit_id)[0]

    def save_visit(self, visit: Visit, *, at: datetime, who: str) -> None:
        """Save a visit, new or changed, with all that hangs on it but its photos and measurements.

        Raises
        ------
        NotInLog
            If its recovery is not in the log.
        """
        own = to_row(visit, leave_out=("id", "assessment", "equipment", "sighted", *_LISTS, "photo_sha256s"))
        lists = {
            "readings": [to_row(each) for each in visit.readings],
            "treatments": [to_row(each) for each in visit.treatments],
            "work": [{"work": each.value} for each in visit.work],
            "sightings": [{"sighting": each.value} for each in visit.sightings],
        }
        with self.atomic():
            self._one("recoveries", visit.recovery_id, "recovery")
            self._put("visits", {"id": visit.id}, own, at=at, who=who)
            self._put("equipment", {"visit_id": visit.id}, to_row(visit.equipment), at=at, who=who)
            if visit.sighted != Sighted() or self.sighted(visit.id) != Sighted():
                self._put("sighted", {"visit_id": visit.id}, to_row(visit.sighted), at=at, who=who)
            for table, rows in lists.items():
                self._put_list(table, visit.id, rows, at=at, who=who)

    def sighted(self, visit_id: str | None) -> Sighted:
        """Return how far a person saw into the water at a visit; nothing known where nobody noted it."""
        rows = self._rows("select * from sighted where visit_id = ?", visit_id)
        return next((from_json(Sighted, row) for row in rows), Sighted())

    def _visits(self, chosen: str, *arguments: Any) -> list[Visit]:
        """Return the visits whose id `chosen` selects."""

        def grouped(query: str) -> dict[str, list[Row]]:
            groups: dict[str, list[Row]] = {}
            for row in self._rows(query, *arguments):
                groups.setdefault(row["visit_id"], []).append(row)
            return groups

        equipment = grouped(f"select * from equipment where visit_id in ({chosen})")
        sighted = {
            visit_id: from_json(Sighted, rows[0])
            for visit_id, rows in grouped(f"select * from sighted where visit_id in ({chosen})").items()
        }
        listed = {
            table: grouped(f"select * from {table} where visit_id in ({chosen}) order by position") for table in _LISTS
        }
        pictures = grouped(
            "select visit_id, sha256 from photos "
            f"where visit_id in ({chosen}) and coalesce(kind, 'water') <> 'strip' "
            "order by julianday(coalesce(taken_at, received_at)), rowid"
        )
        measured = grouped(_ASSESSMENTS.format(chosen=chosen))
        return [
            Visit(
                id=row["id"],
                recovery_id=row["recovery_id"],
                at=datetime.fromisoformat(row["at"]),
                by=row["by"],
                assessment=with_sighting(
                    speak_for_water([assessment_of(each) for each in measured.get(row["id"], ())]),
                    sighted.get(row["id"], Sighted()),
                ),
                sighted=sighted.get(row["id"], Sighted()),
                equipment=next((from_json(Equipment, each) for each in equipment.get(row["id"], ())), Equipment()),
                readings=tuple(from_json(Reading, each) for each in listed["readings"].get(row["id"], ())),
                treatments=tuple(from_json(Treatment, each) for each in listed["treatments"].get(row["id"], ())),
                work=tuple(Work(each["work"]) for each in listed["work"].get(row["id"], ())),
                sightings=tuple(Sighting(each["sighting"]) for each in listed["sightings"].get(row["id"], ())),
                floor_seen=from_json(bool | None, row["floor_seen"]),  # type: ignore[arg-type]
                debris_on_floor=from_json(bool | None, row["debris_on_floor"]),  # type: ignore[arg-type]
                sludge_depth_m=row["sludge_depth_m"],
                photo_sha256s=tuple(each["sha256"] for each in pictures.get(row["id"], ())),
                note=row["note"],
            )
            for row in self._rows(f"select * from visits where id in ({chosen})", *arguments)
        ]

    # Photos and measurements

    def add_photo(self, content: bytes, *, name: str, received_at: datetime, kind: str | None, who: str) -> str:
        """Keep a photo and note it in the log, as yet without a visit; return its sha256.

        The bytes are on disk before the row is written. A photo that the log has already is not written again.
        """
        sha256 = self.photos_kept.keep(content)
        with self.atomic():
            if self.photo(sha256) is None:
                row = {
                    "original_name": clean_text(name),
                    "size_bytes": len(content),
                    "taken_at": None,
                    "received_at": time_text(received_at, "received_at"),
                    "visit_id": None,
                    "kind": kind,
                }
                self._put("photos", {"sha256": sha256}, row, at=received_at, who=who)
        return sha256

    def give_photo(self, sha256: str, visit_id: str, *, at: datetime, who: str) -> None:
        """Give a photo of the log to a visit; one that has it already keeps it.

        Raises
        ------
        AlreadyInLog
            If the photo belongs to another visit.
        NotInLog
            If the log has no such photo.
        """
        with self.atomic():
            row = self.photo(sha256)
            if row is None:
                raise NotInLog(said(THERE_IS_NO["photo"], id=sha256[:12]), "Send the photo itself again.")
            if row["visit_id"] not in (None, visit_id):
                raise AlreadyInLog(
                    said("The photo {name} is in the log already, with another visit.", name=row["original_name"]),
                    "Take a new photo: one photo speaks for one visit.",
                )
            self._put("photos", {"sha256": sha256}, {"visit_id": visit_id}, at=at, who=who)

    def photo(self, sha256: str) -> Row | None:
        """Return a photo's row (sha256, original_name, size_bytes, taken_at, received_at, visit_id, kind)."""
        return next(iter(self._rows("select * from photos where sha256 = ?", sha256)), None)

    def photos(self, *, after: int = 0, most: int | None = None) -> list[Row]:
        """Return the rows of photos in the order received, each with its pool's id (null without a visit).

        `place` is a row's place in that order; those behind place `after` are given, at most `most` of them.
        """
        return self._rows(
            "select photos.rowid as place, photos.*, recoveries.pool_id from photos "
            "left join visits on visits.id = photos.visit_id "
            "left join recoveries on recoveries.id = visits.recovery_id "
            "where photos.rowid > ? and is_mine(pool_id) order by photos.rowid limit ?",
            after,
            -1 if most is None else most,
        )

    def photo_count(self) -> int:
        """Return how many photos the log has."""
        return int(self._rows("select count(*) as n from photos")[0]["n"])

    def photo_path(self, sha256: str) -> Path:
        """Return where an original lies, for reading only; nothing lies there where the photos' store is no folder."""
        return photos.photo_path(self.photo_folder, sha256)

    def photo_bytes(self, sha256: str) -> bytes:
        """Return an original's bytes, checked against its sha256.

        Raises
        ------
        NotInLog
            If the log has no such photo.
        """
        if self.photo(sha256) is None:
            raise NotInLog(said(THERE_IS_NO["photo"], id=sha256[:12]), "Send the photo itself again.")
        return self.photos_kept.read(sha256)

    def append_measurement(
        self, sha256: str, result: PhotoResult, *, pipeline: str, model: str, inputs: str, measured_at: datetime
    ) -> str:
        """Append what a photo says and return the measurement's id.

        A measurement of the same photo by the same pipeline and model from the same inputs (what was known of the
        pool, a drawn region) is there once only: then the id of that one is returned and nothing is written.
        """
        key = (sha256, pipeline, model, inputs)
        with self.atomic():
            known = self._rows(
                "select id from measurements where sha256 = ? and pipeline_version = ? and model_id = ? and inputs = ?",
                *key,
            )
            if known:
                return str(known[0]["id"])
            measurement_id = new_id("m")
            row = {
                "id": measurement_id,
                "sha256": sha256,
                "pipeline_version": pipeline,
                "model_id": model,
                "inputs": inputs,
                "measured_at": time_text(measured_at, "measured_at"),
                "result": json.dumps(to_json(result), allow_nan=False),
            }
            self._db.table("measurements").insert(row)
            if result.taken_at is not None:
                row = self.photo(sha256)
                if row is not None and row["taken_at"] is None:
                    taken_at = {"taken_at": clean_text(result.taken_at)}
                    self._put("photos", {"sha256": sha256}, taken_at, at=measured_at, who="")
        return measurement_id

    def measurements_of(self, sha256: str) -> list[Row]:
        """Return a photo's measurements, newest first."""
        return self._rows("select * from measurements where sha256 = ? order by seq desc", sha256)

    def has_measurement(self, sha256: str, *, pipeline: str, model: str, inputs: str) -> bool:
        """Tell whether a photo was measured by that pipeline and model from those inputs."""
        query = "select 1 from measurements where sha256 = ? and pipeline_version = ? and model_id = ? and inputs = ?"
        return bool(self._rows(query, sha256, pipeline, model, inputs))

    def history_of(self, table: str, row_id: str) -> list[Row]:
        """Return who changed a row when, before and after (JSON text), oldest first."""
        return self._rows("select * from history where table_name = ? and row_id = ? order by seq", table, row_id)

    # Inside

    def _set_up(self) -> None:
        """Set the connection's rules, check that the file is ours, and bring its schema up to date."""
        run = self._connection.execute
        run(f"pragma busy_timeout = {int(BUSY_TIMEOUT_S * 1000)}")
        self._connection.create_function("is_mine", 1, lambda pool_id: self.actor.sees(pool_id))
        self._connection.create_function("folded", 1, folded, deterministic=True)
        version = run("pragma user_version").fetchone()[0]
        ours = run("pragma application_id").fetchone()[0] == APPLICATION_ID
        if not ours and run("select count(*) from sqlite_master").fetchone()[0]:
            raise LogUnusable(f"{self.folder / LOG_FILE} is not a log of Turnblue.", "Name another folder.")
        if version > len(MIGRATIONS):
            raise LogNewer(
                f"The log in {self.folder} was written by a newer Turnblue (its version {version}; this one knows "
                f"{len(MIGRATIONS)}).",
                "Update Turnblue and try again; nothing was changed.",
            )
        self._use_write_ahead_log()
        run("pragma synchronous = full")
        run("pragma foreign_keys = on")
        if 0 < version < len(MIGRATIONS):
            self._keep_as_it_was(version)
        while version < len(MIGRATIONS):
            with self.atomic():
                # Read again under the lock: another process may have been first.
                version = run("pragma user_version").fetchone()[0]
                if version < len(MIGRATIONS):
                    MIGRATIONS[version](self._db)
                    version += 1
                    run(f"pragma application_id = {APPLICATION_ID}")
                    run(f"pragma user_version = {version}")

    def _keep_as_it_was(self, version: int) -> None:
        """Copy the database before its schema changes; where that is not possible, nothing is changed."""
        kept = photos.free_name(self.folder / BEFORE_MIGRATION, f"log-schema-{version}.sqlite3")
        try:
            copy_database(self._connection, kept)
        except OSError as error:
            raise LogUnusable(
                f"The log was not brought up to date: no copy of it could be made first ({error.strerror or error}).",
                "Free some space on its disk and try again; nothing was changed.",
            ) from error

    def _use_write_ahead_log(self) -> None:
        """Switch to the write-ahead log; the switch does not wait for others by itself, so we try again."""
        deadline = time.monotonic() + BUSY_TIMEOUT_S
        while self._connection.execute("pragma journal_mode").fetchone()[0] != "wal":
            try:
                self._connection.execute("pragma journal_mode = wal")
            except sqlite3.OperationalError:
                if time.monotonic() > deadline:
                    raise
                time.sleep(0.02)

    def _rows(self, query: str, *arguments: Any) -> list[Row]:
        """Return a query's rows as dictionaries."""
        with self._told():
            return list(self._db.query(query, arguments))

    @contextmanager
    def _snapshot(self) -> Iterator[None]:
        """Read several tables as they were at one moment."""
        if self._connection.in_transaction:
            yield
            return
        with self._told():
            self._connection.execute("begin")
            try:
                yield
            finally:
                self._connection.execute("rollback")

    def _one(self, table: str, row_id: str, noun: str) -> Row:
        """Return the row of that id, or say that there is none."""
        found = self._rows(f"select * from {table} where id = ?", row_id)
        if not found:
            raise NotInLog(said(THERE_IS_NO[noun], id=row_id), "See what there is with: turnblue pools")
        return found[0]

    def _put(self, table: str, key: dict[str, Any], columns: dict[str, Any], *, at: datetime | None, who: str) -> None:
        """Insert or change one row, with its history; a row that stays as it was leaves none."""
        name, value = next(iter(key.items()))
        with self.atomic():
            found = self._rows(f"select * from {table} where {name} = ?", value)
            before = dict(found[0]) if found else None
            after = {**(before or {}), **key, **columns}
            if before == after:
                return
            if before is None:
                self._db.table(table).insert(after)
            else:
                self._db.table(table).update(value, columns)
            self._note(table, str(value), before, after, at=at, who=who)

    def _put_list(
        self, table: str, visit_id: str, rows: Sequence[dict[str, Any]], *, at: datetime | None, who: str
    ) -> None:
        """Make a visit's rows of one table these, with the history of the whole list."""
        after = [{"visit_id": visit_id, "position": place, **row} for place, row in enumerate(rows)]
        before = [
            dict(row) for row in self._rows(f"select * from {table} where visit_id = ? order by position", visit_id)
        ]
        if before == after:
            return
        self._connection.execute(f"delete from {table} where visit_id = ?", (visit_id,))
        self._db.table(table).insert_all(after)
        self._note(table, visit_id, before or None, after or None, at=at, who=who)

    def _withdraw(self, table: str, row_id: str, *, at: datetime) -> bool:
        """Use a row no longer, with its history; return whether there was one of that id in use."""
        with self.atomic():
            query = f"update {table} set withdrawn_at = ? where id = ? and withdrawn_at is null"
            if self._connection.execute(query, (time_text(at), row_id)).rowcount != 1:
                return False
            self._note(table, row_id, {"withdrawn_at": None}, {"withdrawn_at": time_text(at)}, at=at, who="")
        return True

    def _note(self, table: str, row_id: str, before: Any, after: Any, *, at: datetime | None, who: str) -> None:
        """Append one change to the history, by who is signed in, else by the name given."""
        entry = {
            "at": None if at is None else time_text(at),
            "who": clean_text(self.actor.name or who),
            "table_name": table,
            "row_id": row_id,
            "before": None if before is None else json.dumps(before),
            "after": None if after is None else json.dumps(after),
        }
        self._db.table("history").insert(entry)

    @contextmanager
    def _told(self) -> Iterator[None]:
        """Turn what SQLite says of the disk, of others and of a damaged file into a sentence."""
        try:
            yield
        except sqlite3.OperationalError as error:
            code = getattr(error, "sqlite_errorcode", 0) & 0xFF
            if code in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
                raise LogBusy("The log is busy with other changes.", "Wait a moment and try again.") from error
            if code in _DISK_CODES:
                raise LogUnusable(
                    f"The log in {self.folder} cannot be read or written ({error}).",
                    "Check that its disk is not full, and that the folder can be written to.",
                ) from error
            raise
        except sqlite3.DatabaseError as error:
            if getattr(error, "sqlite_errorcode", 0) & 0xFF in (sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_CORRUPT):
                raise LogUnusable(
                    f"{self.folder / LOG_FILE} is damaged or is not a log of Turnblue.", "Restore it from a backup."
                ) from error
            raise


_LISTS = ("readings", "treatments", "work", "sightings")
"""Tables of which a visit has a list, named as the fields of `Visit`."""

_POOL_OF = {
    "pool_id": ("pool", "select id as pool_id from pools where id = ?"),
    "recovery_id": ("recovery", "select pool_id from recoveries where id = ?"),
    "visit_id": (
        "visit",
        "select pool_id from recoveries join visits on visits.recovery_id = recoveries.id where visits.id = ?",
    ),
    "sha256": (
        "photo",
        "select pool_id from photos left join visits on visits.id = photos.visit_id "
        "left join recoveries on recoveries.id = visits.recovery_id where photos.sha256 = ?",
    ),
}
"""What an argument of a use case names, and how its pool is found."""

_DISK_CODES = (
    sqlite3.SQLITE_FULL,
    sqlite3.SQLITE_IOERR,
    sqlite3.SQLITE_READONLY,
    sqlite3.SQLITE_CANTOPEN,
    sqlite3.SQLITE_PERM,
)
"""SQLite's primary codes for a disk that does not read or write; see sqlite.org/rescode.html."""

_ASSESSMENTS = """
select photos.visit_id, newest.id, newest.sha256, json_extract(newest.result, '$.usable') as usable,
    json_extract(newest.result, '$.problems') as problems,
    json_extract(newest.result, '$.water.clarity') as clarity,
    json_extract(newest.result, '$.water.severity') as severity,
    json_extract(newest.result, '$.water.visible_depth_m') as visible_depth_m,
    json_extract(newest.result, '$.water.chlorophyll_ug_l') as chlorophyll_ug_l,
    json_extract(newest.result, '$.disc.depth_m') as disc
from newest_measurements as newest join photos on photos.sha256 = newest.sha256
where photos.visit_id in ({chosen}) and coalesce(photos.kind, 'water') = 'water'
"""
"""What the newest measurement of each water photo says; the patches' long list stays in the database."""
