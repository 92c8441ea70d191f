"""Photos that wait to be sorted into visits, visits begun and not saved, and what was typed at them.

In: an open `Log`. Out: `Arrival`s and `Draft`s. Both are on disk before anything is made of them, so that sorting and
filling in go on after a break, on any device. A narrow tech sees the arrivals they sent, the others all.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any

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
    """A visit that was begun and not saved; before its first photo it has no id, only a sheet of what was typed."""

    recovery_id: str
    visit_id: str
    sheet_id: str
    begun_at: datetime
    begun_by: str

    @property
    def changes(self) -> bool:
        """Whether it changes a visit that was saved before: it is taken up where that visit is changed."""
        return bool(self.visit_id and self.sheet_id)


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
    """Note a visit as saved; what was typed at it stands in the visit now."""
    with log.atomic():
        log._connection.execute("delete from drafts where visit_id = ?", (visit_id,))
        log._connection.execute("delete from typed where visit_id = ?", (visit_id,))


def drafts(log: Log) -> tuple[Draft, ...]:
    """Return the visits begun and not saved at open recoveries of pools that the actor sees, newest first."""
    query = (
        "select recovery_id, visit_id, sheet_id, begun_at, begun_by from ("
        "select visits.recovery_id, visit_id, '' as sheet_id, begun_at, begun_by from drafts "
        "join visits on visits.id = visit_id "
        "union all select recovery_id, coalesce(visit_id, ''), id, begun_at, begun_by from typed "
        "where visit_id is null or visit_id not in (select visit_id from drafts)"
        ") join recoveries on recoveries.id = recovery_id "
        "where closed_at is null and is_mine(pool_id) order by julianday(begun_at) desc"
    )
    return tuple(
        Draft(
            row["recovery_id"],
            row["visit_id"],
            row["sheet_id"],
            datetime.fromisoformat(row["begun_at"]),
            row["begun_by"],
        )
        for row in log._rows(query)
    )


# What is typed and not saved yet


def keep_typed(
    log: Log,
    sheet_id: str,
    changed: Mapping[str, Any],
    *,
    recovery_id: str,
    visit_id: str | None,
    at: datetime,
    who: str,
) -> None:
    """Keep what was typed on a sheet, beside what was typed on it before."""
    with log.atomic():
        found = log._rows("select typed from typed where id = ? and recovery_id = ?", sheet_id, recovery_id)
        typed = json.dumps({**(json.loads(found[0]["typed"]) if found else {}), **changed})
        if found:
            query = "update typed set typed = ?, visit_id = coalesce(?, visit_id) where id = ?"
            log._connection.execute(query, (typed, visit_id, sheet_id))
            return
        row = {
            "id": clean_text(sheet_id),
            "recovery_id": recovery_id,
            "visit_id": visit_id,
            "typed": typed,
            "begun_at": time_text(at),
            "begun_by": clean_text(log.actor.name or who),
        }
        log._db.table("typed").insert(row)


def typed_on(log: Log, recovery_id: str, *, sheet_id: str, visit_id: str | None) -> dict[str, Any]:
    """Return what was typed on a sheet, or, where a visit is named, on all sheets of it, the newest counting."""
    query = (
        "select typed from typed where recovery_id = ?1 and (id = ?2 or visit_id = ?3) "
        "order by id = ?2, julianday(begun_at)"
    )
    found: dict[str, Any] = {}
    for row in log._rows(query, recovery_id, sheet_id, visit_id):
        found.update(json.loads(row["typed"]))
    return found


def give_sheet(log: Log, sheet_id: str, visit_id: str) -> None:
    """Give a sheet to a visit of its recovery."""
    with log.atomic():
        query = (
            "update typed set visit_id = ?1 where id = ?2 "
            "and recovery_id = (select recovery_id from visits where id = ?1)"
        )
        log._connection.execute(query, (visit_id, sheet_id))


def throw_sheet(log: Log, recovery_id: str, sheet_id: str) -> None:
    """Throw a sheet of a recovery away."""
    with log.atomic():
        log._connection.execute("delete from typed where id = ? and recovery_id = ?", (sheet_id, recovery_id))
