"""Photos into the log and what they say out of it: taking, measuring, measuring anew, showing.

In: an open `Log`, photos as they arrive, and the time. Out: measurements appended to the log, and pictures for
people. Called by `app.actions` alone, which says it all again by its names.
"""

from __future__ import annotations

import io
import json
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import TYPE_CHECKING, Any

from app import config, workers
from app.access import Right, needs, touches_no_log
from app.errors import AlreadyInLog, PhotoRefused, PictureUnavailable
from app.records import Assessment, Pool
from app.store.log import Log
from app.store.pictures import kept_picture
from app.store.rows import Row, assessment_of_result, from_json
from app.workers import Job, Measure, Measurer, Outcome
from vision.flags import BY_NAME
from vision.results import PhotoResult, problem, to_json

if TYPE_CHECKING:
    from PIL.Image import Image

Watch = Callable[[int, int], None]
"""Told how many photos are measured, of how many."""

JPEG_QUALITY = 88
"""Quality of the pictures made for people [0-100]: no blocks seen at phone size (our own judgement)."""

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


@dataclass(frozen=True)
class Rescored:
    """One photo measured anew: what was said of its water before and what is said now."""

    photo_sha256: str
    name: str
    before: Assessment | None
    after: Assessment | None
    changed: bool
    written: bool
    sentence: str = ""


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
        raise PhotoRefused(f"The file {photo.name} is empty.", "Send the photo again.")
    if size_mb > config.MAX_PHOTO_MB:
        raise PhotoRefused(
            f"The file {photo.name} is too large ({size_mb:.0f} MB; at most {config.MAX_PHOTO_MB} MB).",
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
            refused.append(Refused(photo.name, str(error)))
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
            refused.append(Refused(name, str(error)))
    return given, tuple(refused)


def measure_photos(
    log: Log, given: dict[str, str], pool: Pool, *, at: datetime, measure: Measure | None, progress: Watch | None
) -> tuple[tuple[Measured, ...], tuple[Refused, ...]]:
    """Measure photos of the log and append what they say; those that cannot be read are refused by a sentence."""
    rows = [row for sha256 in given if (row := log.photo(sha256)) is not None]
    jobs = [_job(log, row, pool) for row in rows]
    measured: list[Measured] = []
    refused: list[Refused] = []
    if not jobs:
        return (), ()
    for done, (row, outcome) in enumerate(
        zip(rows, workers.measure_all(jobs, measure=measure or shipped_measurer()), strict=True), start=1
    ):
        name = given[row["sha256"]]
        result = outcome.result or _unread_result(row, outcome)
        if result is not None:
            measurement_id = _append(log, row["sha256"], result, outcome.job, at)
        if outcome.result is None:
            refused.append(Refused(name, outcome.sentence))
        else:
            measured.append(Measured(name, row["sha256"], measurement_id, outcome.result))
        if progress is not None:
            progress(done, len(jobs))
    return tuple(measured), tuple(refused)


def _job(log: Log, row: Row, pool: Pool | None) -> Job:
    """Return the job of measuring one photo of the log."""
    known = None if pool is None else known_pool(pool.depth_shallow_m, pool.depth_deep_m)
    return Job(log.photo_path(row["sha256"]), row["original_name"], known=known)


@touches_no_log
def known_pool(depth_shallow_m: float | None, depth_deep_m: float | None) -> Any:
    """Return a pool's depths [m] as `vision` takes them, None where neither is known."""
    if depth_shallow_m is None and depth_deep_m is None:
        return None
    from vision.features import KnownPool

    return KnownPool(depth_shallow_m=depth_shallow_m, depth_deep_m=depth_deep_m)


def shipped_measurer() -> Measurer:
    """Return what measures with the shipped grader."""
    return Measurer(config.grader_path())


def _unread_result(row: Row, outcome: Outcome) -> PhotoResult | None:
    """Return a result that says a photo cannot be read; None where only its worker died, which proves nothing."""
    if outcome.code not in BY_NAME:
        return None
    return PhotoResult(
        photo=row["original_name"],
        sha256=row["sha256"],
        taken_at=None,
        usable=False,
        problems=(problem(outcome.code, outcome.sentence),),
        card=None,
        water=None,
        disc=None,
        strip=None,
        versions={"turnblue": config.version()},
    )


def _append(log: Log, sha256: str, result: PhotoResult, job: Job, at: datetime) -> str:
    """Append a measurement, keyed by what made it."""
    inputs = {"known": to_json(job.known), "outline_px": to_json(job.outline_px)}
    present = {name: value for name, value in inputs.items() if value is not None}
    return log.append_measurement(
        sha256,
        result,
        pipeline=result.versions.get("turnblue", ""),
        model=result.versions.get("grader", ""),
        inputs=json.dumps(present, sort_keys=True) if present else "",
        measured_at=at,
    )


def _newest(log: Log, sha256: str) -> tuple[str, PhotoResult]:
    """Return the newest measurement's id and result."""
    row = next(iter(log.measurements_of(sha256)), None)
    if row is None:
        raise PictureUnavailable("This photo has not been measured yet.", "Measure it with: turnblue rescore --write")
    return row["id"], _result(row)


def _result(row: Row) -> PhotoResult:
    """Return a kept measurement's result."""
    return from_json(PhotoResult, json.loads(row["result"]))


@needs(Right.ARCHIVE)
def rescore(
    log: Log, *, write: bool, at: datetime, progress: Watch | None = None, measure: Measure | None = None
) -> tuple[Rescored, ...]:
    """Measure every photo of the log with the present program and model, and say what changes.

    Nothing is written unless `write` is true, and then only appended: the old measurements stay. Done twice, the
    second time appends nothing.
    """
    by_pool = {pool.id: pool for pool in log.pools()}
    rows = log.photos()
    jobs = [_job(log, row, by_pool.get(row["pool_id"])) for row in rows]
    told = []
    outcomes = workers.measure_all(jobs, measure=measure or shipped_measurer())
    for row, outcome in zip(rows, outcomes, strict=True):
        known = log.measurements_of(row["sha256"])
        before = assessment_of_result(known[0]["id"], _result(known[0])) if known else None
        result = outcome.result or _unread_result(row, outcome)
        after = None if result is None else assessment_of_result("", result)
        written = False
        if write and result is not None:
            written = _append(log, row["sha256"], result, outcome.job, at) not in {each["id"] for each in known}
        told.append(
            Rescored(
                photo_sha256=row["sha256"],
                name=row["original_name"],
                before=before,
                after=after,
                changed=result is not None and _says(before) != _says(after),
                written=written,
                sentence=outcome.sentence,
            )
        )
        if progress is not None:
            progress(len(told), len(rows))
    return tuple(told)


def _says(assessment: Assessment | None) -> Assessment | None:
    """Return an assessment without the measurement's own id, to compare two."""
    return None if assessment is None else replace(assessment, measurement_id="")


@needs(Right.LOOK)
def plain_picture(log: Log, sha256: str, *, width_px: int) -> bytes:
    """Return a photo as taken, upright, as a JPEG of at most `width_px`, without position or other EXIF.

    Raises
    ------
    PhotoUnreadable
        If it is no photo.
    """

    def make() -> bytes:
        from PIL import Image

        from vision.photo import open_photo

        # Twice the size asked for: reduced decoding is coarse, the last step is not.
        return _jpeg(Image.fromarray(open_photo(log.photo_bytes(sha256)).read(2 * width_px).rgb), width_px)

    return kept_picture(log.cache_folder, f"{sha256}-plain-{width_px}.jpg", make)


@needs(Right.LOOK)
def check_picture(log: Log, sha256: str, *, width_px: int | None = None) -> bytes:
    """Return the photo with what was found drawn on it (JPEG), made on first demand.

    Raises
    ------
    PictureUnavailable
        If the photo was not measured yet.
    """
    measurement, result = _newest(log, sha256)

    def make() -> bytes:
        from vision.overlay import draw_check

        return _jpeg(draw_check(log.photo_path(sha256), result), width_px)

    return kept_picture(log.cache_folder, f"{measurement}-check-{width_px or 'full'}.jpg", make)


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

    def make() -> bytes:
        from vision.measure import normalised_image

        # Twice the size asked for: reduced decoding is coarse, the last step is not.
        picture = normalised_image(log.photo_path(sha256), long_side_px=2 * width_px)
        if picture is None:
            raise PictureUnavailable(*NO_CARD)
        return _jpeg(picture, width_px)

    return kept_picture(log.cache_folder, f"{measurement}-normalised-{width_px}.jpg", make)


def _jpeg(image: Image, width_px: int | None) -> bytes:
    """Return an image as JPEG without EXIF, made smaller where it is wider than asked."""
    from PIL import Image as Pictures

    image = image.convert("RGB")
    if width_px is not None and image.width > width_px:
        size = (width_px, max(1, round(image.height * width_px / image.width)))
        image = image.resize(size, Pictures.Resampling.LANCZOS)
    kept = io.BytesIO()
    image.save(kept, "JPEG", quality=JPEG_QUALITY, exif=b"")
    return kept.getvalue()
