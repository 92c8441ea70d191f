"""The cards in the log: which print runs were measured, and every photo's patches by card number.

In: an open `Log`. Out: calibrations, and what `vision.drift` reads. A calibration is appended; the last that holds for
a card counts, and one that was withdrawn counts no more but stays.
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from app.errors import NotInLog
from app.store.log import Log, new_id
from app.store.rows import clean_text, time_text
from vision.calibration import Calibration, calibration_of_json
from vision.drift import CardSeen
from vision.results import PatchResult
from vision.tuples import Triple

MOST_PHOTOS = 60
"""Photos of one card that are read, the first half and the last: enough for its drift, however long it is used."""

DAY_S = 86400.0


@dataclass(frozen=True)
class PrintRun:
    """A measured print run as kept: its id in the log, the measurement, and who made it when."""

    id: str
    calibration: Calibration
    made_at: datetime
    made_by: str
    note: str
    withdrawn_at: datetime | None = None


def append_print_run(log: Log, calibration: Calibration, *, at: datetime, who: str, note: str) -> str:
    """Append a print run's measurement and return its id."""
    row = {
        "id": new_id("c"),
        "made_at": time_text(at),
        "made_by": clean_text(who),
        "note": clean_text(note),
        "first_number": calibration.first_number,
        "last_number": calibration.last_number,
        "content": json.dumps(calibration.to_json()),
        "withdrawn_at": None,
    }
    with log.atomic():
        log._db.table("print_runs").insert(row)
    return str(row["id"])


def withdraw_print_run(log: Log, run_id: str, *, at: datetime) -> None:
    """Withdraw a print run's measurement.

    Raises
    ------
    NotInLog
        If there is none of that id, or it was withdrawn before.
    """
    if not log._withdraw("print_runs", run_id, at=at):
        raise NotInLog(f"There is no measured print run {run_id} in use.", "See: turnblue card runs")


def print_runs(log: Log) -> tuple[PrintRun, ...]:
    """Return all measured print runs, oldest first, withdrawn ones too."""
    return tuple(
        PrintRun(
            id=row["id"],
            calibration=calibration_of_json(json.loads(row["content"])),
            made_at=datetime.fromisoformat(row["made_at"]),
            made_by=row["made_by"],
            note=row["note"],
            withdrawn_at=None if row["withdrawn_at"] is None else datetime.fromisoformat(row["withdrawn_at"]),
        )
        for row in log._rows("select * from print_runs order by seq")
    )


def calibrations(log: Log) -> tuple[Calibration, ...]:
    """Return the measurements in use, oldest first: the last that holds for a card counts."""
    return tuple(run.calibration for run in print_runs(log) if run.withdrawn_at is None)


def card_numbers(log: Log) -> tuple[tuple[int, int], ...]:
    """Return each card number in the log with how many photos show it, by number."""
    rows = log._rows(
        "select json_extract(result, '$.card.card_id') as number, count(distinct sha256) as photos from measurements "
        "where json_extract(result, '$.card.card_id') is not null group by number order by number"
    )
    return tuple((int(row["number"]), int(row["photos"])) for row in rows)


def card_history(log: Log, number: int) -> tuple[CardSeen, ...]:
    """Return a card's photos as their newest measurements have them, oldest first; at most `MOST_PHOTOS`."""
    ranked = (
        "select coalesce(photos.taken_at, photos.received_at) as at, m.result as result, "
        "row_number() over (order by julianday(coalesce(photos.taken_at, photos.received_at))) as place, "
        "count(*) over () as photos from measurements as m join photos on photos.sha256 = m.sha256 "
        "where json_extract(m.result, '$.card.card_id') = ? "
        "and m.seq = (select max(seq) from measurements where sha256 = m.sha256)"
    )
    rows = log._rows(
        "select at, json_extract(result, '$.card.patches') as patches "
        f"from ({ranked}) where place <= ? or place > photos - ? order by place",
        number,
        MOST_PHOTOS // 2,
        MOST_PHOTOS // 2,
    )
    return tuple(
        CardSeen(
            # A camera's clock without a zone is good to a day, which is all that fading needs.
            datetime.fromisoformat(row["at"]).timestamp() / DAY_S,
            tuple(_patch(each) for each in json.loads(row["patches"])),
        )
        for row in rows
    )


def _patch(entry: dict[str, Any]) -> PatchResult:
    """Return a kept patch; by hand, because thousands are read for one card."""
    shown, reference = _triple(entry["normalised_srgb"]), _triple(entry["reference_srgb"])
    used, clipped = entry.get("used", True), entry.get("clipped_share", 0.0)
    return PatchResult(entry["name"], shown, shown, reference, 0.0, used, clipped)


def _triple(values: list[float | None]) -> Triple:
    r, g, b = (math.nan if value is None else value for value in values)
    return r, g, b
