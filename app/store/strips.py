"""The kinds of test strip in the log, and what is known of each strip's photo.

In: an open `Log`. Out: `KeptKind`s and `StripShot`s. A kind is appended; one taught anew under the same name takes the
older one's place in lists, and the older stays for the photos read by it.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import datetime

from app.errors import NotInLog
from app.store.log import Log, new_id
from app.store.rows import Row, clean_text, time_text
from vision.strip_kind import StripKind, from_entry, to_entry


@dataclass(frozen=True)
class KeptKind:
    """A kind of strip as kept: its id in the log, the kind, who taught it when."""

    id: str
    kind: StripKind
    made_at: datetime
    made_by: str
    withdrawn_at: datetime | None = None


@dataclass(frozen=True)
class StripShot:
    """What is known of a strip's photo: which kind, when it was dipped, how much its sample was diluted."""

    sha256: str
    kind_id: str
    dipped_at: datetime | None
    dilution: float


def append_kind(log: Log, kind: StripKind, *, at: datetime, who: str) -> str:
    """Append a kind and return its id."""
    row = {
        "id": new_id("k"),
        "name": clean_text(kind.name),
        "made_at": time_text(at),
        "made_by": clean_text(who),
        "content": json.dumps(to_entry(kind)),
        "withdrawn_at": None,
    }
    with log.atomic():
        log._db.table("strip_kinds").insert(row)
    return str(row["id"])


def withdraw_kind(log: Log, kind_id: str, *, at: datetime) -> None:
    """Use a kind no longer.

    Raises
    ------
    NotInLog
        If there is none of that id in use.
    """
    if not log._withdraw("strip_kinds", kind_id, at=at):
        raise NotInLog(f"There is no strip kind {kind_id} in use.", "See: turnblue strip kinds")


def kinds(log: Log) -> tuple[KeptKind, ...]:
    """Return all kinds, oldest first, those withdrawn too."""
    return tuple(_kept(row) for row in log._rows("select * from strip_kinds order by seq"))


def kind(log: Log, kind_id: str) -> KeptKind:
    """Return one kind.

    Raises
    ------
    NotInLog
        If there is none of that id.
    """
    found = log._rows("select * from strip_kinds where id = ?", kind_id)
    if not found:
        raise NotInLog(f"There is no strip kind {kind_id} in the log.", "See: turnblue strip kinds")
    return _kept(found[0])


def _kept(row: Row) -> KeptKind:
    return KeptKind(
        id=row["id"],
        kind=from_entry(json.loads(row["content"])),
        made_at=datetime.fromisoformat(row["made_at"]),
        made_by=row["made_by"],
        withdrawn_at=None if row["withdrawn_at"] is None else datetime.fromisoformat(row["withdrawn_at"]),
    )


def save_shot(log: Log, shot: StripShot) -> None:
    """Keep what is known of a strip's photo; said anew, the last word counts."""
    row = {
        "sha256": shot.sha256,
        "kind_id": shot.kind_id,
        "dipped_at": None if shot.dipped_at is None else time_text(shot.dipped_at),
        "dilution": shot.dilution,
    }
    with log.atomic():
        log._db.table("strip_photos").upsert(row, pk="sha256")


def shot(log: Log, sha256: str) -> StripShot | None:
    """Return what is known of a strip's photo, None where it is none."""
    for row in log._rows("select * from strip_photos where sha256 = ?", sha256):
        dipped = row["dipped_at"]
        return StripShot(
            sha256=row["sha256"],
            kind_id=row["kind_id"],
            dipped_at=None if dipped is None else datetime.fromisoformat(dipped),
            dilution=float(row["dilution"]),
        )
    return None
