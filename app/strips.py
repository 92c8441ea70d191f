"""Test strips: teach a kind, list kinds, read a strip's photo at a visit, type a diluted sample.

In: an open `Log`, photos and what a person typed, the time. Out: kinds as kept, and readings with their method,
interval and doubts.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from pathlib import Path
from typing import Any

from app.access import Right, needs, touches_no_log
from app.crew import FULL_PICTURES, TaskFailed, shared_crew
from app.errors import CannotWrite, NotInLog, StripRefused
from app.measuring import Measured, PhotoIn, Refused, give_photos, measure_photos, take_photos
from app.records import Method, Reading, Recovery, Visit
from app.store import strips as kept
from app.store.log import Log
from app.store.strips import KeptKind, StripShot
from app.treatment.products import chlorine_poured_mg_l
from app.treatment.strip_sense import LateDose, closed, diluted, judged
from app.workers import Measure
from vision.results import PhotoResult, StripReading
from vision.strip_key import KeyProposal, Swatch, TypedScale, kind_from_key
from vision.strip_kind import Pad, StripKind, load_generic, read_kind, write_kind

__all__ = [
    "KeptKind",
    "StripRefused",
    "StripTaken",
    "find_kind",
    "generic_kind",
    "judged_readings",
    "kind_file",
    "kinds",
    "propose_key",
    "read_at_visit",
    "readings_of",
    "row_of",
    "save_kind",
    "shown_srgb8",
    "teach_from_key",
    "teach_from_strips",
    "typed_scale",
    "withdraw_kind",
    "write_kind_file",
]

PAD_PITCH_MM, PAD_MM, FIRST_PAD_MM = 8.0, 5.0, 4.0
"""Pads are put so where nothing else is said [mm]: strips have about this (common practice, no source); a photo of a
fresh strip in the card's slot says it truly."""


@dataclass(frozen=True)
class StripTaken:
    """A strip's photo as taken into a visit: its measurement, its readings, and what was refused."""

    visit: Visit
    measured: Measured | None
    readings: tuple[Reading, ...]
    refused: tuple[Refused, ...]


@dataclass(frozen=True)
class _ProposeKey:
    """The worker's task of finding a key's swatches."""

    name: str
    content: bytes
    counts: tuple[int, ...] | None

    def __call__(self) -> KeyProposal:
        """Return the proposal."""
        from vision import strip_key
        from vision.photo import open_photo

        return strip_key.propose_key(open_photo(self.content, self.name), self.counts)


@dataclass(frozen=True)
class _Recolour:
    """The worker's task of taking the colours of swatches that a person moved."""

    name: str
    content: bytes
    quads_px: tuple[tuple[Any, ...], ...]

    def __call__(self) -> KeyProposal:
        """Return the swatches, a row each as given."""
        import numpy as np

        from vision.photo import open_photo
        from vision.strip_key import swatch_at
        from vision.strip_light import strip_light

        photo = open_photo(self.content, self.name)
        light = strip_light(photo)
        rows = tuple(tuple(swatch_at(photo, light, np.array(quad)) for quad in row) for row in self.quads_px)
        return KeyProposal(rows, light.kind)


@dataclass(frozen=True)
class _TeachStrips:
    """The worker's task of teaching from strips of known values."""

    photos: tuple[tuple[str, bytes], ...]
    name: str
    said: TypedScale
    lot: str
    expires_on: str | None

    def __call__(self) -> StripKind:
        """Return the kind."""
        from vision.photo import open_photo
        from vision.strip_series import kind_from_strips

        opened = [open_photo(content, name) for name, content in self.photos]
        return _checked(kind_from_strips(self.name, opened, self.said, lot=self.lot, expires_on=self.expires_on))


@dataclass(frozen=True)
class _FreshStrip:
    """The worker's task of taking pads' places and dry colours from a fresh strip."""

    name: str
    content: bytes
    kind: StripKind

    def __call__(self) -> StripKind:
        """Return the kind with them."""
        from vision.photo import open_photo
        from vision.strip_series import with_dry_colours

        return _checked(with_dry_colours(self.kind, open_photo(self.content, self.name)))


def _run(task: Any) -> Any:
    """Have a worker do a task; say in a sentence where it fails."""
    try:
        return shared_crew().run(task, FULL_PICTURES)
    except TaskFailed as failed:
        raise StripRefused("This photo could not be taught from.", failed.sentence) from failed


@touches_no_log
def propose_key(name: str, content: bytes, *, counts: Sequence[int] | None = None) -> KeyProposal:
    """Return the swatches of a printed key as found in its photo, row by row.

    Raises
    ------
    PhotoUnreadable, NoCardFound, NoStripSeen
        If there is none to be seen.
    StripRefused
        If the photo brings the program that reads it down.
    """
    found: KeyProposal = _run(_ProposeKey(name, content, None if counts is None else tuple(counts)))
    return found


@touches_no_log
def row_of(name: str, content: bytes, quads_px: Sequence[Sequence[Any]]) -> tuple[tuple[Swatch, ...], ...]:
    """Return the swatches at corners that a person set, row by row, with their colours."""
    found: KeyProposal = _run(_Recolour(name, content, tuple(tuple(row) for row in quads_px)))
    return found.rows


@touches_no_log
def shown_srgb8(swatch: Swatch) -> tuple[int, int, int]:
    """Return a swatch's colour for a screen, 8-bit sRGB."""
    from vision.colour import encode_srgb, lab_to_linear_rgb

    red, green, blue = (round(255 * min(max(float(v), 0.0), 1.0)) for v in encode_srgb(lab_to_linear_rgb(swatch.lab)))
    return red, green, blue


@touches_no_log
def typed_scale(text: str) -> TypedScale:
    """Return one row as typed: "free_chlorine mg/L: 0 0.5 1 3 5 10 @15-30".

    Before the colon the analyte and its unit (none for pH), after it the numbers under the swatches, and after @ from
    when to when it is read [s].

    Raises
    ------
    StripRefused
        If it is not of this form.

    Examples
    --------
    >>> typed_scale("ph: 6.2 6.8 7.2 7.8 8.4 @15-30").read_until_s
    30.0
    """
    head, colon, rest = text.partition(":")
    names = head.split()
    numbers, _, when = rest.partition("@")
    try:
        values = tuple(float(each) for each in numbers.replace(",", " ").split())
        start, _, end = when.partition("-")
        read_from, read_until = (float(start), float(end or start)) if when.strip() else (None, None)
    except ValueError:
        values, read_from, read_until = (), None, None
    if not colon or not 1 <= len(names) <= 2 or len(values) < 2:
        raise StripRefused(
            f"{text!r} is no row of a key.",
            "Write the analyte, its unit, a colon and the numbers: free_chlorine mg/L: 0 0.5 1 3 5 10 @15-30",
        )
    analyte = names[0].lower()
    unit = names[1] if len(names) == 2 else "" if analyte == "ph" else "mg/L"
    return TypedScale(analyte, "mg/L" if unit.lower() in ("ppm", "mg/l") else unit, values, read_from, read_until)


def _even_pads(count: int) -> tuple[Pad, ...]:
    return tuple(Pad(FIRST_PAD_MM + PAD_PITCH_MM * n, PAD_MM, PAD_MM) for n in range(count))


@touches_no_log
def teach_from_key(
    name: str,
    key: tuple[str, bytes],
    rows: Sequence[TypedScale],
    *,
    proposal: KeyProposal | None = None,
    fresh: tuple[str, bytes] | None = None,
    pitch_mm: float | None = None,
    lot: str = "",
    expires_on: str | None = None,
) -> StripKind:
    """Return a kind taught from a photo of its printed key.

    Parameters
    ----------
    name : str
        What the tech calls the strip; no brand is asked for.
    key : (str, bytes)
        The key's photo, name and content.
    rows : sequence of TypedScale
        What is printed, row by row from the top; row n is the strip's pad n from its tip.
    proposal : KeyProposal, optional
        The swatches as corrected by hand; by default as found.
    fresh : (str, bytes), optional
        A photo of a fresh, dry strip in the card's slot: gives the pads' true places and dry colours.
    pitch_mm : float, optional
        From pad to pad [mm], where no fresh strip is given.
    lot, expires_on : str, optional
        Of the bottle; the expiry as 2027-05-31.

    Raises
    ------
    PhotoUnreadable, NoCardFound, NoStripSeen, DesignInvalid, StripRefused
        If it cannot be taught so; the sentence says why.
    """
    found = proposal or propose_key(*key, counts=[len(row.values) for row in rows])
    pads = _even_pads(len(rows))
    if pitch_mm is not None:
        pads = tuple(replace(pad, centre_mm=FIRST_PAD_MM + pitch_mm * n) for n, pad in enumerate(pads))
    kind = kind_from_key(
        name, found, rows, pads, width_mm=PAD_MM, true_size=False, lot=lot, expires_on=_day(expires_on)
    )
    taught: StripKind = _checked(kind) if fresh is None else _run(_FreshStrip(*fresh, kind))
    return taught


@touches_no_log
def teach_from_strips(
    name: str,
    photos: Sequence[tuple[str, bytes]],
    said: TypedScale,
    *,
    lot: str = "",
    expires_on: str | None = None,
) -> StripKind:
    """Return a kind taught from photos of strips of known values, one value a photo.

    Raises
    ------
    PhotoUnreadable, NoCardFound, NoStripSeen, StripRefused
        If it cannot be taught so; the sentence says why.
    """
    if len(photos) != len(said.values):
        raise StripRefused(
            f"{len(photos)} photos were given, but {len(said.values)} values.", "Give one value for each photo."
        )
    taught: StripKind = _run(_TeachStrips(tuple(photos), name, said, lot, _day(expires_on)))
    return taught


def _day(text: str | None) -> str | None:
    """Return an expiry date as ISO text, or say that it is none."""
    if not text:
        return None
    try:
        return date.fromisoformat(text).isoformat()
    except ValueError as error:
        raise StripRefused(f"{text!r} is no day.", "Write the expiry as year-month-day, such as 2027-05-31.") from error


def _checked(kind: StripKind) -> StripKind:
    """Return the kind as its file's form allows it, in plain numbers."""
    from vision.strip_kind import from_entry, to_entry

    return from_entry(to_entry(kind))


@touches_no_log
def kind_file(path: Path) -> StripKind:
    """Return the kind of a file.

    Raises
    ------
    DesignInvalid
        If it is none.
    """
    return read_kind(path)


@touches_no_log
def write_kind_file(kind: StripKind, path: Path) -> None:
    """Write a kind into a file that `turnblue score --strip` reads.

    Raises
    ------
    CannotWrite
        If it cannot be written.
    """
    try:
        write_kind(kind, path)
    except OSError as error:
        raise CannotWrite(
            f"The file {path} could not be written ({error.strerror or error}).", "Name another folder."
        ) from error


@needs(Right.VISIT)
def save_kind(log: Log, kind: StripKind, *, at: datetime, by: str = "") -> KeptKind:
    """Keep a kind; one of the same name in use is withdrawn, and stays for what was read by it."""
    with log.atomic():
        for each in kept.kinds(log):
            if each.withdrawn_at is None and each.kind.name.casefold() == kind.name.casefold():
                kept.withdraw_kind(log, each.id, at=at)
        kind_id = kept.append_kind(log, kind, at=at, who=by)
    return kept.kind(log, kind_id)


@needs(Right.LOOK)
def kinds(log: Log) -> tuple[KeptKind, ...]:
    """Return the kinds in use, by name."""
    return tuple(
        sorted((each for each in kept.kinds(log) if each.withdrawn_at is None), key=lambda e: e.kind.name.casefold())
    )


@needs(Right.VISIT)
def withdraw_kind(log: Log, kind_id: str, *, at: datetime) -> None:
    """Use a kind no longer.

    Raises
    ------
    NotInLog
        If there is none of that id in use.
    """
    kept.withdraw_kind(log, kind_id, at=at)


@needs(Right.LOOK)
def find_kind(log: Log, words: str) -> KeptKind:
    """Return the kind in use that a person means by its id, its name or the beginning of it.

    Raises
    ------
    NotInLog
        If nothing or more than one fits.
    """
    wanted = words.strip().casefold()
    inside = kinds(log)
    whole = [each for each in inside if wanted in (each.id.casefold(), each.kind.name.casefold())]
    found = whole or [each for each in inside if wanted and each.kind.name.casefold().startswith(wanted)]
    if len(found) == 1:
        return found[0]
    sentence = "More than one strip kind fits" if found else "No strip kind fits"
    raise NotInLog(f"{sentence} {words!r}.", "See the kinds with: turnblue strip kinds")


@touches_no_log
def generic_kind() -> StripKind:
    """Return the invented kind that is shipped for the demo's rendered strips."""
    return load_generic()


@needs(Right.VISIT)
def read_at_visit(
    log: Log,
    visit_id: str,
    photo: PhotoIn,
    kind_id: str,
    *,
    at: datetime,
    by: str,
    dipped_at: datetime | None = None,
    dilution: float = 1.0,
    measure: Measure | None = None,
) -> StripTaken:
    """Take a strip's photo into a visit, measure it, and return its readings; the photo stays whatever comes out.

    Parameters
    ----------
    kind_id : str
        Which kind of strip it is.
    dipped_at : datetime, optional
        When the timer was started at the dip; the photo's own time tells how late the pads were read.
    dilution : float
        10 where the sample was one part in ten of chlorine-free water.
    """
    visit = log.visit(visit_id)
    recovery = log.recovery(visit.recovery_id)
    kept.kind(log, kind_id)
    taken, refused = take_photos(log, [replace(photo, kind="strip")], received_at=at, by=by)
    with log.atomic():
        given, not_given = give_photos(log, visit_id, taken, at=at, by=by)
        for sha256 in given:
            kept.save_shot(log, StripShot(sha256, kind_id, dipped_at, dilution))
    measured, unread = measure_photos(log, given, recovery.pool, at=at, measure=measure, progress=None)
    one = measured[0] if measured else None
    readings = () if one is None else readings_of(one.result, dilution=dilution)
    return StripTaken(log.visit(visit_id), one, readings, (*refused, *not_given, *unread))


@touches_no_log
def readings_of(result: PhotoResult, *, dilution: float = 1.0) -> tuple[Reading, ...]:
    """Return what a strip's photo says as readings; none where it was not read.

    Doubts of the whole photo (read too early, an expired lot) go with each of its readings.
    """
    if result.strip is None:
        return ()
    shared = tuple(each.code for each in result.problems if each.code in ("strip_early", "strip_expired"))
    return tuple(_reading(each, shared, dilution) for each in result.strip.readings)


def _reading(said: StripReading, shared: tuple[str, ...], dilution: float) -> Reading:
    low, high = closed(said.analyte, said.value, said.low, said.high)
    plain = Reading(said.analyte, said.value, low, high, said.unit, Method.STRIP_PHOTO, (*said.flags, *shared))
    return diluted(plain, dilution) if said.unit == "mg/L" else plain


@touches_no_log
def judged_readings(recovery: Recovery, readings: Sequence[Reading], *, at: datetime) -> tuple[Reading, ...]:
    """Return readings with the doubts that follow from each other and from the last dose logged before `at`."""
    doses = [
        LateDose(raised, (at - visit.at).total_seconds() / 3600)
        for visit in recovery.visits
        if visit.at < at and (raised := _poured_mg_l(visit, recovery.pool.volume_l)) > 0
    ]
    return judged(readings, dose=doses[-1] if doses else None)


def _poured_mg_l(visit: Visit, volume_l: float) -> float:
    """Return the free chlorine that a visit's pours add [mg/L]; 0 where the pool's volume is not known."""
    if volume_l <= 0:
        return 0.0
    return sum(chlorine_poured_mg_l(each, volume_l) for each in visit.treatments)
