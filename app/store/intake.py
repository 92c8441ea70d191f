"""Photos that wait to be sorted into visits, and visits that were begun and not saved.

In: an open `Log`. Out: `Arrival`s and `Draft`s. Both are on disk before anything is made of them, so that sorting and
filling in go on after a break, on any device. A narrow tech sees the arrivals they sent, the others all.
"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from datetime import datetime

from app.store.log import Log
from app.store.rows import Row, clean_text, from_json, time_text
from vision.tag import PhotoClues


@dataclass(frozen=True)
class Arrival:
    """One photo that waits: what it tells of where it belongs, or why it cannot be read; a person's answer."""

    sha256: str
    name: str
    arrived_at: datetime
    clues: PhotoClues | None
    unread: str
    answer: str | None


@dataclass(frozen=True)
class Draft:
    """A visit that was begun and not saved."""

    visit_id: str
    begun_at: datetime
    begun_by: str


def add_arrival(log: Log, sha256: str, name: str, *, at: datetime) -> bool:
    """Note a photo of the log as waiting; False where it waits or was sorted already."""
    with log.atomic():
        if log._rows("select seq from arrivals where sha256 = ?", sha256):
            return False
        row = {
            "sha256": sha256,
            "name": clean_text(name),
            "sent_by": log.actor.account_id,
            "arrived_at": time_text(at),
            "unread": "",
        }
        log._db.table("arrivals").insert(row)
    return True


def keep_clues(log: Log, sha256: str, clues: PhotoClues | None, *, unread: str = "") -> None:
    """Keep what a waiting photo tells, or why it cannot be read."""
    told = None if clues is None else json.dumps(asdict(clues))
    with log.atomic():
        query = "update arrivals set clues = ?, unread = ? where sha256 = ?"
        log._connection.execute(query, (told, clean_text(unread), sha256))


def keep_answer(log: Log, sha256: str, answer: str | None) -> None:
    """Keep to which pool a person says a waiting photo belongs; None takes the answer back."""
    with log.atomic():
        log._connection.execute("update arrivals set answer = ? where sha256 = ?", (answer, sha256))


def finish_arrival(log: Log, sha256: str, visit_id: str | None, *, at: datetime) -> None:
    """Note that a photo waits no longer: it is with a visit, or with none as a person said."""
    with log.atomic():
        query = "update arrivals set visit_id = ?, done_at = ? where sha256 = ?"
        log._connection.execute(query, (visit_id, time_text(at), sha256))


def waiting(log: Log) -> tuple[Arrival, ...]:
    """Return the photos that wait and that the actor sees, in the order they arrived."""
    # One that a visit has was sorted, even where the program was stopped before it could note so.
    query = (
        "select arrivals.* from arrivals join photos using (sha256) "
        "where done_at is null and photos.visit_id is null and (?1 or sent_by = ?2) order by seq"
    )
    return tuple(_arrival(row) for row in log._rows(query, int(log.actor.pool_ids is None), log.actor.account_id))


def _arrival(row: Row) -> Arrival:
    """Return a row as an arrival."""
    return Arrival(
        sha256=row["sha256"],
        name=row["name"],
        arrived_at=datetime.fromisoformat(row["arrived_at"]),
        clues=None if row["clues"] is None else from_json(PhotoClues, json.loads(row["clues"])),
        unread=row["unread"],
        answer=row["answer"],
    )


def name_kind(log: Log, sha256: str, kind: str, *, at: datetime, who: str) -> None:
    """Say what a photo of the log shows ("water", "strip", "other"); what was said before stays in the history."""
    log._put("photos", {"sha256": sha256}, {"kind": kind}, at=at, who=who)


def begin_draft(log: Log, visit_id: str, *, at: datetime, who: str) -> None:
    """Note a visit as begun and not saved."""
    with log.atomic():
        row = {"visit_id": visit_id, "begun_at": time_text(at), "begun_by": clean_text(log.actor.name or who)}
        log._db.table("drafts").upsert(row, pk="visit_id")


def end_draft(log: Log, visit_id: str) -> None:
    """Note a visit as saved."""
    with log.atomic():
        log._connection.execute("delete from drafts where visit_id = ?", (visit_id,))


def drafts(log: Log) -> tuple[Draft, ...]:
    """Return the visits begun and not saved at open recoveries of pools that the actor sees, newest first."""
    query = (
        "select drafts.* from drafts join visits on visits.id = drafts.visit_id "
        "join recoveries on recoveries.id = visits.recovery_id "
        "where closed_at is null and is_mine(pool_id) order by julianday(begun_at) desc"
    )
    return tuple(
        Draft(row["visit_id"], datetime.fromisoformat(row["begun_at"]), row["begun_by"]) for row in log._rows(query)
    )
