"""The printed cards: measure a print run, see which cards there are, and whether one has faded.

In: an open `Log`, files or photos, the time. Out: print runs as kept, and each card's drift.
"""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from app.access import Right, needs, touches_no_log
from app.crew import FULL_PICTURES, TaskFailed, shared_crew
from app.errors import CalibrationRefused, CannotWrite
from app.store import cards as kept
from app.store.cards import PrintRun
from app.store.log import Log
from app.words import mark, said
from vision.calibration import Calibration, read_calibration
from vision.drift import FADED_DELTA_E00, CardDrift, card_drift
from vision.specs import load_card

__all__ = [
    "FADED_DELTA_E00",
    "CardStanding",
    "PrintRun",
    "calibrate",
    "calibration_of",
    "calibration_say",
    "cards",
    "drift_say",
    "print_runs",
    "read_calibration_file",
    "read_file",
    "save_print_run",
    "standing_json",
    "withdraw_print_run",
    "write_calibration",
]

PICTURES = (b"\xff\xd8\xff", b"\x89PNG", b"RIFF")
"""How JPEG, PNG and WebP files begin; HEIC has its mark from the fifth byte on."""


@dataclass(frozen=True)
class CardStanding:
    """One card by its number: how many photos show it, whether its print was measured, how it has changed."""

    number: int
    photos: int
    calibrated: bool
    drift: CardDrift


@dataclass(frozen=True)
class _FromPhotos:
    """The worker's task of measuring a print in photos of the card beside the chart."""

    photos: tuple[tuple[str, bytes], ...]
    first_number: int | None
    last_number: int | None

    def __call__(self) -> Calibration:
        """Return the measurement."""
        from vision.beside_chart import calibrate_from_photos
        from vision.photo import open_photo

        opened = [open_photo(content, name) for name, content in self.photos]
        return calibrate_from_photos(opened, first_number=self.first_number, last_number=self.last_number)


def _is_picture(content: bytes) -> bool:
    return content.startswith(PICTURES) or content[4:8] == b"ftyp"


@touches_no_log
def calibration_of(
    files: Sequence[tuple[str, bytes]], *, first_number: int | None = None, last_number: int | None = None
) -> Calibration:
    """Return the print's colours from one measured file, or from photos of the card beside the 24-patch chart.

    Parameters
    ----------
    files : sequence of (str, bytes)
        Name and content of each: one CGATS text or Turnblue's own JSON, or one photo or more.
    first_number, last_number : int, optional
        Card numbers of the print run; by default all cards.

    Raises
    ------
    CalibrationInvalid, PhotoUnreadable
        If they do not give this card's colours.
    CalibrationRefused
        If files and photos are mixed, or the numbers are the wrong way round.
    """
    if first_number is not None and last_number is not None and last_number < first_number:
        raise CalibrationRefused(
            f"The print run ends at card {last_number}, before it begins at {first_number}.",
            "Give the lower one first.",
        )
    pictures = [_is_picture(content) for _, content in files]
    if all(pictures) and files:
        try:
            found: Calibration = shared_crew().run(_FromPhotos(tuple(files), first_number, last_number), FULL_PICTURES)
        except TaskFailed as failed:
            raise CalibrationRefused("These photos could not be measured.", failed.sentence) from failed
        return found
    if len(files) != 1:
        raise CalibrationRefused(
            "A print run is measured by one file, or by photos alone.", "Give one CGATS text file, or only photos."
        )
    read = read_calibration(files[0][1])
    if first_number is None and last_number is None:
        return read
    return replace(read, first_number=first_number, last_number=last_number)


@touches_no_log
def read_calibration_file(path: Path) -> Calibration:
    """Return the calibration of a file.

    Raises
    ------
    CalibrationInvalid
        If it is none of this card.
    CalibrationRefused
        If it cannot be opened.
    """
    return read_calibration(read_file(path))


@touches_no_log
def read_file(path: Path) -> bytes:
    """Return a file's bytes, or say that it cannot be opened."""
    try:
        return path.read_bytes()
    except OSError as error:
        raise CalibrationRefused(
            f"The file {path.name} could not be opened ({error.strerror or error}).", "Check its name and folder."
        ) from error


@needs(Right.COMPANY)
def save_print_run(log: Log, calibration: Calibration, *, at: datetime, by: str = "", note: str = "") -> PrintRun:
    """Keep a print run's measurement: from now on it is used for its cards."""
    run_id = kept.append_print_run(log, calibration, at=at, who=by, note=note)
    return next(run for run in kept.print_runs(log) if run.id == run_id)


@needs(Right.COMPANY)
def calibrate(
    log: Log,
    files: Sequence[tuple[str, bytes]],
    *,
    at: datetime,
    by: str = "",
    note: str = "",
    first_number: int | None = None,
    last_number: int | None = None,
) -> PrintRun:
    """Measure a print run and keep it; see `calibration_of`."""
    found = calibration_of(files, first_number=first_number, last_number=last_number)
    return save_print_run(log, found, at=at, by=by, note=note)


@needs(Right.LOOK)
def print_runs(log: Log) -> tuple[PrintRun, ...]:
    """Return all measured print runs, oldest first."""
    return kept.print_runs(log)


@needs(Right.COMPANY)
def withdraw_print_run(log: Log, run_id: str, *, at: datetime) -> None:
    """Use a print run's measurement no longer; what was measured with it stays.

    Raises
    ------
    NotInLog
        If there is none of that id in use.
    """
    kept.withdraw_print_run(log, run_id, at=at)


@needs(Right.LOOK)
def cards(log: Log, *, number: int | None = None) -> tuple[CardStanding, ...]:
    """Return every card in the log, or the one of that number, with its drift."""
    runs = kept.calibrations(log)
    return tuple(
        CardStanding(each, photos, any(run.holds_for(each) for run in runs), card_drift(kept.card_history(log, each)))
        for each, photos in kept.card_numbers(log)
        if number is None or each == number
    )


@touches_no_log
def standing_json(standing: CardStanding) -> dict[str, Any]:
    """Return a card's standing as JSON."""
    from vision.results import to_json

    entry: dict[str, Any] = to_json(standing)
    return entry


@touches_no_log
def write_calibration(path: Path, calibration: Calibration) -> None:
    """Write a calibration into a file that `turnblue score --calibration` reads.

    Raises
    ------
    CannotWrite
        If it cannot be written.
    """
    try:
        path.write_text(json.dumps(calibration.to_json(), indent=1) + "\n", encoding="utf-8")
    except OSError as error:
        raise CannotWrite(
            f"The file {path} could not be written ({error.strerror or error}).", "Name another folder."
        ) from error


@touches_no_log
def calibration_say(calibration: Calibration) -> str:
    """Return a measured print run in a sentence."""
    first, last = calibration.first_number, calibration.last_number
    which: str = mark("all cards")
    if first is not None or last is not None:
        which = said("cards {first} to {last}", first=first or 0, last="..." if last is None else last)
    by_instrument = calibration.method == "instrument"
    how = mark("with an instrument") if by_instrument else mark("in photos beside the chart")
    off = sorted(calibration.off_design(load_card()).values())
    return said(
        "{which}, {count} patches measured {how}; the print is {middle} CIEDE2000 off its design in the middle, {most} "
        "at most; known to {known}",
        which=which,
        count=len(off),
        how=how,
        middle=f"{off[len(off) // 2]:.1f}",
        most=f"{off[-1]:.1f}",
        known=f"{calibration.sd_delta_e00:.1f}",
    )


@touches_no_log
def drift_say(drift: CardDrift) -> str:
    """Return a card's drift in a sentence that says what to do."""
    if drift.faded:
        return said("This card has faded ({amount} CIEDE2000): print a new one.", amount=f"{drift.drift_delta_e00:.1f}")
    if not math.isfinite(drift.drift_delta_e00):
        return mark("Too few photos over too few days to tell yet whether it fades.")
    return said(
        "No fading that matters ({amount} CIEDE2000 in {days} days).",
        amount=f"{drift.drift_delta_e00:.1f}",
        days=f"{drift.days:.0f}",
    )
