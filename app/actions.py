"""The use cases: what the command line and the dashboard ask for; the only place where all rooms meet.

In: an open `Log`, records, bytes, and the time (never read from the clock here). Out: records of `app.records` and
small frozen results. What depends on the present is an argument: `at` (when it happened), `now`.
"""

from __future__ import annotations

import io
import json
import tempfile
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from app import config, workers
from app.errors import AlreadyInLog, NotInLog, PhotoRefused, PictureUnavailable, RecoveryClosed
from app.records import (
    Assessment,
    Company,
    Equipment,
    Pool,
    Progress,
    Reading,
    Recovery,
    Standing,
    Step,
    Treatment,
    Visit,
    Work,
)
from app.store.log import Log, new_id
from app.store.pictures import kept_picture
from app.store.rows import Row, assessment_of_result, from_json
from app.workers import Job, Measure, Measurer, Outcome
from vision import flags
from vision.results import PhotoResult, problem, to_json

if TYPE_CHECKING:
    from PIL.Image import Image

Watch = Callable[[int, int], None]
"""Told how many photos are measured, of how many."""

JPEG_QUALITY = 88
"""Quality of the pictures made for people [0-100]: no blocks seen at phone size (our own judgement)."""


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
class VisitLogged:
    """A visit as saved, with what its photos said."""

    visit: Visit
    measured: tuple[Measured, ...]
    refused: tuple[Refused, ...]


@dataclass(frozen=True)
class BoardRow:
    """One open recovery on the board; `assessment` is of the last visit whose photos were measured."""

    recovery: Recovery
    last_visit: Visit | None
    assessment: Assessment | None
    progress: Progress
    step: Step
    thumbnail_sha256: str | None


@dataclass(frozen=True)
class MeasurementRow:
    """One measurement as kept; `result` is the JSON that `turnblue score` prints."""

    id: str
    photo_sha256: str
    pipeline_version: str
    model_id: str
    measured_at: datetime
    result: dict[str, Any]


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


def open_log(folder: Path | None = None) -> Log:
    """Open the log in `folder`, by default the one `app.config` names; use it as a context manager.

    Raises
    ------
    LogUnusable, LogNewer
        If it cannot be opened.
    """
    return Log(config.home_folder(folder))


def company(log: Log) -> Company:
    """Return the company; one without a name before it was saved."""
    return log.company() or Company(name="")


def save_company(log: Log, changed: Company, *, at: datetime | None = None, by: str = "") -> None:
    """Save the company's name, phone and units."""
    log.save_company(changed, at=at, who=by)


def pools(log: Log) -> tuple[Pool, ...]:
    """Return all pools by name."""
    return log.pools()


def add_pool(log: Log, pool: Pool, *, at: datetime | None = None, by: str = "") -> Pool:
    """Add a pool and return it as kept; an empty id is replaced by a new one.

    Raises
    ------
    AlreadyInLog
        If a pool of that id is there.
    """
    pool = replace(pool, id=pool.id.strip() or new_id("p"))
    log.add_pool(pool, at=at, who=by)
    return pool


def update_pool(log: Log, pool: Pool, *, at: datetime | None = None, by: str = "") -> None:
    """Change a pool; what it was stays in the history."""
    log.update_pool(pool, at=at, who=by)


def open_recovery(log: Log, pool_id: str, *, at: datetime, by: str = "") -> Recovery:
    """Open a pool's recovery.

    Raises
    ------
    AlreadyInLog
        If the pool has an open one.
    NotInLog
        If there is no such pool.
    """
    return log.recovery(log.open_recovery(pool_id, at=at, who=by))


def close_recovery(log: Log, recovery_id: str, *, at: datetime, by: str = "") -> Recovery:
    """Close a recovery; closing a closed one changes nothing."""
    log.close_recovery(recovery_id, at=at, who=by)
    return log.recovery(recovery_id)


def recovery(log: Log, recovery_id: str) -> Recovery:
    """Return one recovery with its visits, oldest first.

    Raises
    ------
    NotInLog
        If there is none of that id.
    """
    return log.recovery(recovery_id)


def open_recoveries(log: Log) -> tuple[Recovery, ...]:
    """Return all open recoveries, oldest first."""
    return log.open_recoveries()


def recoveries_of(log: Log, pool_id: str) -> tuple[Recovery, ...]:
    """Return a pool's recoveries, newest first."""
    return log.recoveries_of(pool_id)


def find_recovery(log: Log, words: str) -> Recovery:
    """Return the recovery a person means by an id, the start of one, or a pool's id or name.

    A pool stands for its open recovery, else its newest.

    Raises
    ------
    NotInLog
        If nothing or more than one fits.
    """
    wanted = words.strip().casefold()
    of_pools = [
        found[0]
        for pool in log.pools()
        if wanted in (pool.id.casefold(), pool.name.casefold()) and (found := _open_first(log, pool.id))
    ]
    if len(of_pools) == 1:
        return of_pools[0]
    by_id = log.recovery_ids(wanted) if wanted else []
    if not of_pools and len(by_id) == 1:
        return log.recovery(by_id[0])
    if of_pools or by_id:
        raise NotInLog(f"More than one recovery fits {words!r}.", "Give the recovery's id: turnblue pools lists them.")
    raise NotInLog(f"No recovery fits {words!r}.", "See pools and recoveries with: turnblue pools")


def _open_first(log: Log, pool_id: str) -> list[Recovery]:
    """Return a pool's recoveries, the open one first, then newest first."""
    return sorted(log.recoveries_of(pool_id), key=lambda each: each.closed_at is not None)


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


def log_visit(
    log: Log,
    recovery_id: str,
    *,
    at: datetime,
    by: str,
    photos: Sequence[PhotoIn] = (),
    equipment: Equipment | None = None,
    readings: Sequence[Reading] = (),
    treatments: Sequence[Treatment] = (),
    work: Sequence[Work] = (),
    floor_seen: bool | None = None,
    debris_on_floor: bool | None = None,
    note: str = "",
    progress: Watch | None = None,
    received_at: datetime | None = None,
    measure: Measure | None = None,
) -> VisitLogged:
    """Save a visit with its photos, measure them, and return what they said.

    First the photos' bytes are on disk, then the visit with all that was noted, then each photo is measured and
    its measurement appended: whatever happens while measuring, the visit and its photos stay.

    Parameters
    ----------
    at : datetime
        When the visit was, with its zone.
    by : str
        Who made it.
    photos : sequence of PhotoIn
        The same photo twice is taken once; a photo of another visit is refused.
    progress : callable, optional
        Told how many photos are measured, of how many.
    received_at : datetime, optional
        When the photos arrived; by default `at`.
    measure : callable, optional
        Measures one job; by default `vision` with the shipped grader.

    Raises
    ------
    RecoveryClosed
        If the recovery is closed.
    NotInLog
        If there is no such recovery.
    """
    into = _still_open(log, recovery_id)
    visit = Visit(
        id=new_id("v"),
        recovery_id=recovery_id,
        at=at,
        by=by.strip(),
        equipment=equipment or Equipment(),
        readings=tuple(readings),
        treatments=tuple(treatments),
        work=tuple(work),
        floor_seen=floor_seen,
        debris_on_floor=debris_on_floor,
        note=note.strip(),
    )
    arrived = received_at or at
    taken, refused = _take(log, photos, received_at=arrived, by=by)
    with log.atomic():
        log.save_visit(visit, at=at, who=by)
        given, not_given = _give(log, visit.id, taken, at=arrived, by=by)
    measured, unread = _measure_into(log, given, into.pool, at=arrived, measure=measure, progress=progress)
    return VisitLogged(log.visit(visit.id), measured, (*refused, *not_given, *unread))


def add_photos(
    log: Log,
    visit_id: str,
    photos: Sequence[PhotoIn],
    *,
    at: datetime,
    by: str,
    progress: Watch | None = None,
    measure: Measure | None = None,
) -> VisitLogged:
    """Add photos to a visit that is in the log, a retake for instance, and measure them; as `log_visit`."""
    into = _still_open(log, log.visit(visit_id).recovery_id)
    taken, refused = _take(log, photos, received_at=at, by=by)
    with log.atomic():
        given, not_given = _give(log, visit_id, taken, at=at, by=by)
    measured, unread = _measure_into(log, given, into.pool, at=at, measure=measure, progress=progress)
    return VisitLogged(log.visit(visit_id), measured, (*refused, *not_given, *unread))


def update_visit(log: Log, changed: Visit, *, at: datetime, by: str) -> Visit:
    """Correct a visit: save `changed` (a `dataclasses.replace` of the visit); what it was stays in the history.

    The assessment follows from the photos and is not changed by hand; photos are added by `add_photos`.

    Raises
    ------
    NotInLog
        If there is no such visit.
    ValueError
        If the visit would move to another recovery.
    """
    before = log.visit(changed.id)
    if changed.recovery_id != before.recovery_id:
        raise ValueError(f"recovery_id must stay {before.recovery_id!r}, got {changed.recovery_id!r}")
    log.save_visit(changed, at=at, who=by)
    return log.visit(changed.id)


def next_step(log: Log, recovery_id: str, *, now: datetime) -> Step:
    """Return the recommended next step of a recovery, in the company's units."""
    return _step(log.recovery(recovery_id), now, company(log).units)


def progress(log: Log, recovery_id: str, *, now: datetime) -> Progress:
    """Return how far a recovery has come and when it is expected to be clear."""
    return _progress(log.recovery(recovery_id), now)


def board(log: Log, *, now: datetime) -> tuple[BoardRow, ...]:
    """Return all open recoveries, those first that need someone most.

    First stalled ones, then overdue visits, then failed photos, equipment waited on, ready for hand-over, not
    started, and the rest; within each by when the next visit is due, then by the pool's name.
    """
    units = company(log).units
    rows = []
    for each in log.open_recoveries():
        last_measured = next((visit for visit in reversed(each.visits) if visit.assessment is not None), None)
        rows.append(
            BoardRow(
                recovery=each,
                last_visit=each.visits[-1] if each.visits else None,
                assessment=None if last_measured is None else last_measured.assessment,
                progress=_progress(each, now),
                step=_step(each, now, units),
                thumbnail_sha256=_thumbnail(each),
            )
        )
    return tuple(sorted(rows, key=lambda row: _urgency(row, now)))


def _thumbnail(of: Recovery) -> str | None:
    """Return the photo that shows a recovery: of the newest usable assessment, else of the newest at all."""
    assessments = [visit.assessment for visit in reversed(of.visits) if visit.assessment is not None]
    chosen = next((each for each in assessments if each.usable), assessments[0] if assessments else None)
    return None if chosen is None else chosen.photo_sha256


def _urgency(row: BoardRow, now: datetime) -> tuple[int, datetime, str]:
    """Return what the board is sorted by."""
    standing = row.progress.standing
    photo_failed = (
        row.last_visit is not None and row.last_visit.assessment is not None and not row.last_visit.assessment.usable
    )
    reasons = (
        standing is Standing.STALLED,
        row.progress.overdue,
        photo_failed,
        standing is Standing.WAITING_ON_EQUIPMENT,
        standing is Standing.READY,
        standing is Standing.NOT_STARTED,
    )
    place = reasons.index(True) if True in reasons else len(reasons)
    return place, row.progress.next_visit_due or now, row.recovery.pool.name.casefold()


def photo_bytes(log: Log, sha256: str) -> bytes:
    """Return an original byte for byte, checked against its sha256.

    Raises
    ------
    NotInLog, PhotoDamaged
        If the log has no such photo, or its file is missing or altered.
    """
    return log.photo_bytes(sha256)


def measurements_of(log: Log, sha256: str) -> tuple[MeasurementRow, ...]:
    """Return all measurements of a photo, newest first."""
    return tuple(
        MeasurementRow(
            id=row["id"],
            photo_sha256=sha256,
            pipeline_version=row["pipeline_version"],
            model_id=row["model_id"],
            measured_at=datetime.fromisoformat(row["measured_at"]),
            result=json.loads(row["result"]),
        )
        for row in log.measurements_of(sha256)
    )


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
        return _jpeg(Image.fromarray(open_photo(photo_bytes(log, sha256)).read(2 * width_px).rgb), width_px)

    return kept_picture(log.cache_folder, f"{sha256}-plain-{width_px}.jpg", make)


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


def normalised_picture(log: Log, sha256: str, *, width_px: int) -> bytes:
    """Return the photo in the card's colours, at most `width_px` wide (JPEG), its EXIF gone.

    Raises
    ------
    PictureUnavailable
        If the photo was not measured, or no card was found whose colours could be used.
    """
    measurement, result = _newest(log, sha256)
    if result.card is None:
        raise PictureUnavailable(
            "This photo has no card, so its colours cannot be set right.", "Retake it with the card beside the water."
        )

    def make() -> bytes:
        from PIL import Image
        from vision.measure import write_normalised

        with tempfile.TemporaryDirectory() as aside:
            write_normalised(log.photo_path(sha256), result, Path(aside))
            with Image.open(next(Path(aside).iterdir())) as whole:
                return _jpeg(whole, width_px)

    return kept_picture(log.cache_folder, f"{measurement}-normalised-{width_px}.jpg", make)


def score(
    paths: Sequence[Path],
    *,
    known: Any = None,
    normalised_folder: Path | None = None,
    check_folder: Path | None = None,
    workers_asked: int | None = None,
    measure: Measure | None = None,
) -> Iterator[Outcome]:
    """Measure photos that need not be in any log, on all cores, in the order given.

    Parameters
    ----------
    known : vision.measure.KnownPool, optional
        What is known of the pool that all these photos show.
    normalised_folder, check_folder : Path, optional
        Where to write each photo colour-normalised, and its check picture.
    workers_asked : int, optional
        How many worker programs; by default one a core.
    """
    jobs = [Job(path, path.name, known, None, normalised_folder, check_folder) for path in paths]
    return workers.measure_all(jobs, measure=measure or _measurer(), workers=workers_asked)


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
    outcomes = workers.measure_all(jobs, measure=measure or _measurer())
    for row, outcome in zip(rows, outcomes, strict=True):
        newest = next(iter(log.measurements_of(row["sha256"])), None)
        before = None if newest is None else assessment_of_result(newest["id"], _result(newest))
        result = outcome.result or _unread_result(row, outcome)
        after = None if result is None else assessment_of_result("", result)
        written = False
        if write and result is not None:
            measurement_id = _append(log, row["sha256"], result, outcome.job, at)
            written = newest is None or measurement_id not in {m["id"] for m in log.measurements_of(row["sha256"])[1:]}
        told.append(
            Rescored(
                photo_sha256=row["sha256"],
                name=row["original_name"],
                before=before,
                after=after,
                changed=_says(before) != _says(after),
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


def _still_open(log: Log, recovery_id: str) -> Recovery:
    """Return the recovery, or say that it is closed."""
    found = log.recovery(recovery_id)
    if found.closed_at is not None:
        raise RecoveryClosed(
            f"The recovery of {found.pool.name} was closed on {found.closed_at:%Y-%m-%d}.",
            "Open a new recovery for the pool.",
        )
    return found


def _take(
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


def _give(
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


def _measure_into(
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
        zip(rows, workers.measure_all(jobs, measure=measure or _measurer()), strict=True), start=1
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
    return Job(log.photo_path(row["sha256"]), row["original_name"], known=_known(pool))


def _known(pool: Pool | None) -> Any:
    """Return what is known of the pool as `vision` takes it."""
    return None


def _measurer() -> Measurer:
    """Return what measures with the shipped grader."""
    return Measurer(config.grader_path())


def _unread_result(row: Row, outcome: Outcome) -> PhotoResult | None:
    """Return a result that says a photo cannot be read; None where only its worker died, which proves nothing."""
    if outcome.code not in flags.BY_NAME:
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
    inputs = {"known": to_json(job.known), "region_px": to_json(job.region_px)}
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


def _step(of: Recovery, now: datetime, units: str) -> Step:
    """Return a recovery's next step."""
    from app.treatment.plan import next_step as plan_next_step

    return plan_next_step(of, now, units=units)


def _progress(of: Recovery, now: datetime) -> Progress:
    """Return a recovery's progress."""
    from app.treatment.progress import progress as judge_progress

    return judge_progress(of, now)


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
