"""Photos into the log and what they say out of it: taking, measuring, showing.

In: an open `Log`, photos as they arrive, and the time. Out: measurements appended to the log, and pictures for
people. Called by `app.actions` and `app.rescoring`. Nothing here decodes a photo: worker programs do.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from app import config, workers
from app.access import Right, needs, touches_no_log
from app.crew import TaskFailed, shared_crew
from app.errors import AlreadyInLog, GraderMissing, PhotoRefused, PictureUnavailable
from app.events import note
from app.records import Pool
from app.store.cards import calibrations, card_history
from app.store.log import Log
from app.store.pictures import kept_picture
from app.store.rows import Row, from_json
from app.store.strips import kind as strip_kind
from app.store.strips import shot as strip_shot
from app.words import said
from app.workers import (
    CERTAIN,
    CheckPicture,
    Job,
    Measure,
    Measurer,
    NormalisedPicture,
    Outcome,
    PlainPicture,
    make_picture,
)
from vision.drift import card_drift
from vision.errors import PhotoUnreadable
from vision.flags import BY_NAME
from vision.results import PhotoResult, problem, to_json

Watch = Callable[[int, int], None]
"""Told how many photos are measured, of how many."""

NO_CARD = (
    "This photo has no card whose colours can be used, so its own cannot be set right.",
    "Retake it with the whole card beside the water.",
)
"""What is said where a normalised picture is asked for and cannot be made."""


@dataclass(frozen=True)
class PhotoIn:
    """A photo as it arrives: its own name, its bytes, and what it shows ("water", "strip", "disc" or "other")."""

    name: str
    content: bytes
    kind: str = "water"


@dataclass(frozen=True)
class Measured:
    """A photo that was read: the measurement kept of it, usable or not."""

    name: str
    sha256: str
    measurement_id: str
    result: PhotoResult


@dataclass(frozen=True)
class Refused:
    """A photo that was not taken or not read, and why; unpacks as (name, sentence)."""

    name: str
    sentence: str

    def __iter__(self) -> Iterator[str]:
        """Give the name, then the sentence."""
        return iter((self.name, self.sentence))


@needs(Right.VISIT)
def receive_photo(log: Log, photo: PhotoIn, *, received_at: datetime, by: str = "") -> str:
    """Take a photo into the log, as yet without a visit, and return its sha256; it is on disk when we return.

    Raises
    ------
    PhotoRefused
        If it is empty or larger than `config.MAX_PHOTO_MB`.
    """
    size_mb = len(photo.content) / 1e6
    if not photo.content:
        raise PhotoRefused(said("The file {name} is empty.", name=photo.name), "Send the photo again.")
    if size_mb > config.MAX_PHOTO_MB:
        raise PhotoRefused(
            said(
                "The file {name} is too large ({size} MB; at most {most} MB).",
                name=photo.name,
                size=f"{size_mb:.0f}",
                most=config.MAX_PHOTO_MB,
            ),
            "Send the picture straight from the phone.",
        )
    return log.add_photo(photo.content, name=photo.name, received_at=received_at, kind=photo.kind, who=by)


def take_photos(
    log: Log, photos: Sequence[PhotoIn], *, received_at: datetime, by: str
) -> tuple[dict[str, str], tuple[Refused, ...]]:
    """Take photos into the log; return the names by sha256, and those refused."""
    taken: dict[str, str] = {}
    refused = []
    for photo in photos:
        try:
            taken.setdefault(receive_photo(log, photo, received_at=received_at, by=by), photo.name)
        except PhotoRefused as error:
            refused.append(Refused(photo.name, error.text))
    return taken, tuple(refused)


def give_photos(
    log: Log, visit_id: str, taken: dict[str, str], *, at: datetime, by: str
) -> tuple[dict[str, str], tuple[Refused, ...]]:
    """Give photos to a visit; return those given, and those that belong to another visit."""
    given: dict[str, str] = {}
    refused = []
    for sha256, name in taken.items():
        try:
            log.give_photo(sha256, visit_id, at=at, who=by)
            given[sha256] = name
        except AlreadyInLog as error:
            refused.append(Refused(name, error.text))
    return given, tuple(refused)


def measure_photos(
    log: Log, given: dict[str, str], pool: Pool, *, at: datetime, measure: Measure | None, progress: Watch | None
) -> tuple[tuple[Measured, ...], tuple[Refused, ...]]:
    """Measure photos of the log and append what they say; those that cannot be read are refused by a sentence."""
    rows = [row for sha256 in given if (row := log.photo(sha256)) is not None]
    jobs = [job_of(log, row, pool) for row in rows]
    measured: list[Measured] = []
    refused: list[Refused] = []
    if not jobs:
        return (), ()
    how = measure or own_measurer(log) or shipped_measurer()
    outcomes = workers.measure_all(jobs, measure=how, with_crew=shared_crew())
    for done, (row, outcome) in enumerate(zip(rows, outcomes, strict=True), start=1):
        name = given[row["sha256"]]
        result = say_if_faded(log, result_of(row, outcome, versions_of(how)))
        note("photo_measured", photo=row["sha256"][:12], code=outcome.code or "ok", usable=result and result.usable)
        if result is not None:
            measurement_id = append(log, row["sha256"], result, outcome.job, at)
        if outcome.result is None:
            refused.append(Refused(name, outcome.sentence))
        else:
            measured.append(Measured(name, row["sha256"], measurement_id, outcome.result))
        if progress is not None:
            progress(done, len(jobs))
    return tuple(measured), tuple(refused)


def say_if_faded(log: Log, result: PhotoResult | None, known: dict[int, bool] | None = None) -> PhotoResult | None:
    """Return a result with a doubt added where its card's earlier photos show that it has faded.

    `known` keeps what was found of each card, so that of many photos each card's history is read once.
    """
    if result is None or result.card is None or result.card.card_id is None:
        return result
    number, known = result.card.card_id, {} if known is None else known
    if number not in known:
        known[number] = card_drift(card_history(log, number)).faded
    if not known[number]:
        return result
    return replace(result, problems=(*result.problems, problem("card_faded")))


def versions_of(measure: Measure) -> Mapping[str, str] | None:
    """Return the versions that a measurer's results carry, None for one that does not say them."""
    say = getattr(measure, "versions", None)
    return None if say is None else say()


def job_of(log: Log, row: Row, pool: Pool | None) -> Job:
    """Return the job of measuring one photo of the log."""
    known = None if pool is None else known_pool(pool.depth_shallow_m, pool.depth_deep_m)
    sha256 = row["sha256"]
    sighted = log.sighted(row["visit_id"])
    return Job(
        log.photo_path(sha256),
        row["original_name"],
        known=known,
        address=log.photos_kept.address(sha256),
        calibrations=calibrations(log),
        disc=asked_disc(sighted.disc_depth_m, sighted.disc_lost),
        strip=_strip_of(log, row),
    )


def _strip_of(log: Log, row: Row) -> Any:
    """Return what is known of a strip's photo as `vision` takes it; None where the photo shows the water."""
    shot = strip_shot(log, row["sha256"]) if row["kind"] == "strip" else None
    if shot is None:
        return None
    from vision.strip import StripAsked

    return StripAsked(
        strip_kind(log, shot.kind_id).kind,
        dipped_at=None if shot.dipped_at is None else shot.dipped_at.isoformat(),
        today=str(row["received_at"])[:10],
        dilution=shot.dilution,
    )


@touches_no_log
def known_pool(depth_shallow_m: float | None, depth_deep_m: float | None) -> Any:
    """Return a pool's depths [m] as `vision` takes them, None where neither is known."""
    if depth_shallow_m is None and depth_deep_m is None:
        return None
    from vision.features import KnownPool

    return KnownPool(depth_shallow_m=depth_shallow_m, depth_deep_m=depth_deep_m)


@touches_no_log
def asked_disc(depth_m: float | None, lost: bool | None = False) -> Any:
    """Return the sighting disc's depth [m] as `vision` takes it, None where none was held in."""
    if depth_m is None:
        return None
    from vision.disc import DiscAsked

    return DiscAsked(depth_m, bool(lost))


def shipped_measurer() -> Measurer:
    """Return what measures with the shipped grader."""
    return Measurer(config.grader_path())


def own_measurer(log: Log) -> Measurer | None:
    """Return what measures with the company's own grader, None where none was taken into use.

    One made by another version of the program counts as none, until it is fitted anew.
    """
    own = own_grader_path(log)
    if not own.is_file():
        return None
    try:
        workers.load_grader(own)
    except GraderMissing:
        return None
    return Measurer(own)


def own_grader_path(log: Log) -> Path:
    """Return where a company's own grader lies, if it has one."""
    return log.folder / "models" / config.GRADER_FILE


def result_of(row: Row, outcome: Outcome, versions: Mapping[str, str] | None) -> PhotoResult | None:
    """Return what is kept of an outcome: its result, or one that says why the photo gives none.

    A photo that brings its worker down again and again is set aside: it is kept, and neither measured nor shown
    until a new version of the program or the model tries it. None where the failure says nothing of the photo.
    """
    if outcome.result is not None:
        return outcome.result
    code = "set_aside" if outcome.code in CERTAIN else outcome.code
    if code not in BY_NAME:
        return None
    return PhotoResult(
        photo=row["original_name"],
        sha256=row["sha256"],
        taken_at=None,
        usable=False,
        problems=(problem(code, outcome.sentence),),
        card=None,
        water=None,
        disc=None,
        strip=None,
        versions=versions or {"turnblue": config.version()},
    )


def inputs_of(job: Job) -> str:
    """Return what a measurement is keyed by besides photo and versions: what was known, as JSON; empty for nothing."""
    inputs = {"known": to_json(job.known), "outline_px": to_json(job.outline_px), "disc": to_json(job.disc)}
    inputs["strip"] = None if job.strip is None else [job.strip.kind.name, job.strip.dipped_at]
    inputs["calibrations"] = [each.id for each in job.calibrations] or None
    present = {name: value for name, value in inputs.items() if value is not None}
    return json.dumps(present, sort_keys=True) if present else ""


def append(log: Log, sha256: str, result: PhotoResult, job: Job, at: datetime) -> str:
    """Append a measurement, keyed by what made it."""
    return log.append_measurement(
        sha256,
        result,
        pipeline=result.versions.get("turnblue", ""),
        model=result.versions.get("grader", ""),
        inputs=inputs_of(job),
        measured_at=at,
    )


def _newest(log: Log, sha256: str) -> tuple[str, PhotoResult]:
    """Return the newest measurement's id and result."""
    row = next(iter(log.measurements_of(sha256)), None)
    if row is None:
        raise PictureUnavailable("This photo has not been measured yet.", "Measure it with: turnblue rescore --write")
    return row["id"], kept_result(row)


def kept_result(row: Row) -> PhotoResult:
    """Return a kept measurement's result."""
    return from_json(PhotoResult, json.loads(row["result"]))


@needs(Right.LOOK)
def plain_picture(log: Log, sha256: str, *, width_px: int) -> bytes:
    """Return a photo as taken, upright, as a JPEG of at most `width_px`, without position or other EXIF.

    Raises
    ------
    PhotoUnreadable
        If it is no photo.
    PictureUnavailable
        If it was set aside because it brings the program that reads it down.
    """
    newest = next(iter(log.measurements_of(sha256)), None)
    if newest is not None:
        _refuse_set_aside(kept_result(newest))
    name = f"{sha256}-plain-{width_px}.jpg"
    return _picture(log, name, lambda: PlainPicture(log.photo_bytes(sha256), width_px))


@needs(Right.LOOK)
def check_picture(log: Log, sha256: str, *, width_px: int | None = None) -> bytes:
    """Return the photo with what was found drawn on it (JPEG), made on first demand.

    Raises
    ------
    PictureUnavailable
        If the photo was not measured yet.
    """
    measurement, result = _newest(log, sha256)
    _refuse_set_aside(result)
    name = f"{measurement}-check-{width_px or 'full'}.jpg"
    return _picture(log, name, lambda: CheckPicture(log.photo_bytes(sha256), result, width_px))


@needs(Right.LOOK)
def normalised_picture(log: Log, sha256: str, *, width_px: int) -> bytes:
    """Return the photo in the card's colours, at most `width_px` wide (JPEG), its EXIF gone.

    Raises
    ------
    PictureUnavailable
        If the photo was not measured, or no card was found whose colours could be used.
    """
    measurement, result = _newest(log, sha256)
    if result.card is None:
        raise PictureUnavailable(*NO_CARD)

    name = f"{measurement}-normalised-{width_px}.jpg"
    runs = tuple(each for each in calibrations(log) if each.id == result.card.calibration)
    return _picture(log, name, lambda: NormalisedPicture(log.photo_bytes(sha256), width_px, runs))


def _refuse_set_aside(result: PhotoResult) -> None:
    """Return unless the photo was set aside."""
    for each in result.problems:
        if each.code == "set_aside":
            raise PictureUnavailable("This photo was set aside: it cannot be shown.", each.say)


def _picture(log: Log, name: str, task: Callable[[], Callable[[], bytes | None]]) -> bytes:
    """Return a kept picture, made by a worker where it is not kept yet.

    That it cannot be made is kept too, so that a page which shows the photo does not try each time.
    """
    failed = log.cache_folder / f"{name}.failed"
    if failed.is_file():
        raise PhotoUnreadable("This photo cannot be shown.", "Retake it, or send it straight from the phone.")

    def make() -> bytes:
        try:
            picture = make_picture(task())
        except TaskFailed as error:
            if error.code in CERTAIN:
                kept_picture(log.cache_folder, failed.name, error.code.encode)
            raise PhotoUnreadable("This photo cannot be shown.", error.sentence) from error
        if picture is None:
            raise PictureUnavailable(*NO_CARD)
        return picture

    return kept_picture(log.cache_folder, name, make)
