"""What worker programs do with photos: measure them, many at once, and make pictures of them for people.

In: jobs (a path or address, its name, what is known of the pool). Out: one `Outcome` a job, in the order given. All
decoding of foreign bytes happens in `app.crew`'s worker programs, so that a photo that brings its worker down costs
that photo alone: it gets a sentence, a new worker starts, and the batch goes on.
"""

from __future__ import annotations

import hashlib
import io
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from app import crew
from app.crew import FULL_PICTURES, MEASURING, Crew, TaskFailed, core_count
from app.errors import CannotWrite, GraderMissing, PhotoDamaged
from vision.errors import DesignInvalid, PhotoUnreadable
from vision.results import PhotoResult
from vision.tuples import Point

if TYPE_CHECKING:
    from PIL.Image import Image

    from vision.calibration import Calibration
    from vision.disc import DiscAsked
    from vision.grade import Grader
    from vision.strip import StripAsked
    from vision.tag import PhotoClues

PICTURE_QUALITY = 92
"""JPEG quality of the pictures that `score` writes [0-100]: no blocks seen at full size (our own judgement)."""

SHOWN_QUALITY = 88
"""Quality of the pictures made for people [0-100]: no blocks seen at phone size (our own judgement)."""

AHEAD = 4
"""Jobs handed out ahead of the one whose turn it is, by worker: one slow photo then holds up no other worker."""

CERTAIN = ("worker_died", "too_slow", "too_big")
"""Codes of an outcome that comes from the photo itself: it would fail again."""


@dataclass(frozen=True)
class Job:
    """One photo to measure.

    `name` is the photo's own name, `path` where its bytes lie, or `address` where they lie in a store that is no
    folder (any address that fsspec reads); read from there, they must have the sha256 that ends it. `known` is what
    is known of the pool (`vision.features.KnownPool`), `outline_px` the water as drawn by a person. Where a folder
    is named, the colour-normalised photo or the check picture is written into it. `disc` is the sighting disc's depth
    as the tech read it. `calibrations` are the measured print runs of the card. `strip` is what is known of a strip's
    photo.
    """

    path: Path
    name: str
    known: Any = None
    outline_px: tuple[Point, ...] | None = None
    normalised_folder: Path | None = None
    check_folder: Path | None = None
    address: str = ""
    disc: DiscAsked | None = None
    calibrations: tuple[Calibration, ...] = ()
    strip: StripAsked | None = None


@dataclass(frozen=True)
class Outcome:
    """What became of a job: a result, or the sentence that says why there is none.

    `code` is the error's code; where a worker failed, that of `app.crew.TaskFailed`.
    """

    job: Job
    result: PhotoResult | None
    sentence: str = ""
    code: str = ""


Measure = Callable[[Job], PhotoResult]
"""Anything that measures one job, sent to a worker program: it must pickle (a module's function or dataclass)."""


@dataclass(frozen=True)
class Measurer:
    """Measures a job with `vision`; the grader is loaded once a process from its path."""

    grader_path: Path

    def __call__(self, job: Job) -> PhotoResult:
        """Return what the photo says, under its own name, and write the pictures asked for.

        Raises
        ------
        VisionError
            If the photo cannot be read.
        GraderMissing
            If there is no model file.
        """
        from vision.measure import measure_strip, measure_water
        from vision.photo import open_photo

        if job.strip is not None:
            photo = open_photo(read_job(job), job.path.name)
            strip = measure_strip(photo, job.strip, calibrations=job.calibrations)
            strip = replace(strip, photo=job.name, versions=self.versions())
            self._write_pictures(job, strip)
            return strip
        grader = load_grader(self.grader_path)
        result = measure_water(
            open_photo(read_job(job), job.path.name),
            grader=grader,
            known=job.known,
            outline_px=job.outline_px,
            disc=job.disc,
            calibrations=job.calibrations,
        )
        result = replace(result, photo=job.name)
        self._write_pictures(job, result)
        return result

    def versions(self) -> Mapping[str, str]:
        """Return the versions that a result of this measurer carries, without measuring.

        Raises
        ------
        GraderMissing
            If there is no model file.
        """
        from vision.measure import PIPELINE

        return {"turnblue": PIPELINE, "grader": load_grader(self.grader_path).id}

    def _write_pictures(self, job: Job, result: PhotoResult) -> None:
        """Write the normalised photo and the check picture where a folder is named."""
        if job.normalised_folder is not None and result.card is not None:
            from vision.measure import normalised_image

            _save_jpeg(normalised_image(job.path, calibrations=job.calibrations), job.normalised_folder, job.name)
        if job.check_folder is not None:
            from vision.overlay import draw_check

            _save_jpeg(draw_check(job.path, result), job.check_folder, job.name)


def _save_jpeg(picture: Image | None, folder: Path, name: str) -> None:
    """Save a picture as JPEG under the photo's own name; none where there is none."""
    if picture is None:
        return
    try:
        folder.mkdir(parents=True, exist_ok=True)
        picture.save(folder / f"{Path(name).stem}.jpg", quality=PICTURE_QUALITY)
    except OSError as error:
        raise CannotWrite(
            f"The picture of {name} could not be written into {folder} ({error.strerror or error}).",
            "Name a folder that can be written to, on a disk that is not full.",
        ) from error


@lru_cache(maxsize=4)
def load_grader(path: Path) -> Grader:
    """Return the grader of a model file, loaded once a process.

    Raises
    ------
    GraderMissing
        If there is no such file, or it is not one that this program can use.
    """
    from vision import grade

    try:
        return grade.load_grader(path)
    except DesignInvalid as error:
        raise GraderMissing(error.sentence, error.hint) from error


def read_job(job: Job) -> Path | bytes:
    """Return a job's file, or its bytes where it lies in no folder.

    Raises
    ------
    PhotoDamaged
        If the store gives no bytes, or others than were kept.
    """
    if not job.address:
        return job.path
    import fsspec

    sha256 = job.address.rpartition("/")[2]
    try:
        with fsspec.open(job.address, "rb") as file:
            content: bytes = file.read()
    except OSError as error:
        raise PhotoDamaged(f"The original photo {sha256[:12]} could not be read.", "See: turnblue verify") from error
    if hashlib.sha256(content).hexdigest() != sha256:
        raise PhotoDamaged(f"The original photo {sha256[:12]} is no longer what was received.", "See: turnblue verify")
    return content


def measure_all(
    jobs: Iterable[Job], *, measure: Measure, workers: int | None = None, with_crew: Crew | None = None
) -> Iterator[Outcome]:
    """Measure all jobs and give their outcomes in the order of the jobs, each as soon as its turn is there.

    Parameters
    ----------
    jobs : iterable of Job
        Taken as they are needed, a few ahead: as many as there are fill no memory.
    measure : callable
        Measures one job.
    workers : int, optional
        How many worker programs, 1 or more; by default one a core.
    with_crew : Crew, optional
        A crew that is kept warm; by default one of its own, ended with the batch.

    Raises
    ------
    ValueError
        If `workers` is less than 1.
    """
    if workers is not None and workers < 1:
        raise ValueError(f"workers must be 1 or more, got {workers!r}")
    hands = with_crew or Crew(workers or core_count())
    waiting: deque[Future[Outcome]] = deque()
    # A thread a worker program: it only waits for its worker's answer.
    with ThreadPoolExecutor(hands.size) as threads:
        try:
            for job in jobs:
                waiting.append(threads.submit(measure_one, job, measure, hands))
                while waiting and (waiting[0].done() or len(waiting) >= AHEAD * hands.size):
                    yield waiting.popleft().result()
            while waiting:
                yield waiting.popleft().result()
        finally:
            threads.shutdown(wait=False, cancel_futures=True)
            if with_crew is None:
                hands.dismiss()


def measure_one(job: Job, measure: Measure, hands: Crew) -> Outcome:
    """Have a worker measure one job; a photo that cannot be read or ends its worker becomes a sentence."""
    limits = FULL_PICTURES if job.normalised_folder or job.check_folder else MEASURING
    try:
        return Outcome(job, hands.run(_Measuring(measure, job), limits))
    except PhotoUnreadable as error:
        # A stored photo lies under its sha256; people know it by its own name.
        return Outcome(job, None, str(error).replace(job.path.name, job.name), error.code)
    except PhotoDamaged as error:
        return Outcome(job, None, str(error), error.code)
    except TaskFailed as failed:
        return Outcome(job, None, failed.sentence, failed.code)


@dataclass(frozen=True)
class _Measuring:
    """The task of measuring one job."""

    measure: Measure
    job: Job

    def __call__(self) -> PhotoResult:
        """Return the result."""
        return self.measure(self.job)


def warm_up(measure: Measurer) -> None:
    """Start a worker of the shared crew and have it load what it measures with; returns at once."""
    from threading import Thread

    Thread(target=_warm, args=(measure,), daemon=True).start()


def _warm(measure: Measurer) -> None:
    """Ask a worker for the versions, which loads everything; whatever fails will be told when a photo comes."""
    with suppress(TaskFailed, GraderMissing, crew.CannotMeasure):
        crew.shared_crew().run(_Versions(measure))


@dataclass(frozen=True)
class _Versions:
    """The task of loading what a measurer needs."""

    measure: Measurer

    def __call__(self) -> dict[str, str]:
        """Return the versions."""
        return dict(self.measure.versions())


@dataclass(frozen=True)
class PlainPicture:
    """The task of showing a photo as taken, upright, at most `width_px` wide, without its EXIF (JPEG)."""

    content: bytes
    width_px: int

    def __call__(self) -> bytes:
        """Return the JPEG."""
        from PIL import Image

        from vision.photo import open_photo

        # Twice the size asked for: reduced decoding is coarse, the last step is not.
        return _jpeg(Image.fromarray(open_photo(self.content).read(2 * self.width_px).rgb), self.width_px)


@dataclass(frozen=True)
class CheckPicture:
    """The task of drawing what was found onto a photo (JPEG)."""

    content: bytes
    result: PhotoResult
    width_px: int | None

    def __call__(self) -> bytes:
        """Return the JPEG."""
        from vision.overlay import draw_check
        from vision.photo import open_photo

        return _jpeg(draw_check(open_photo(self.content), self.result), self.width_px)


@dataclass(frozen=True)
class NormalisedPicture:
    """The task of showing a photo in the card's colours, at most `width_px` wide (JPEG)."""

    content: bytes
    width_px: int
    calibrations: tuple[Calibration, ...] = ()

    def __call__(self) -> bytes | None:
        """Return the JPEG, None where no card was found to go by."""
        from vision.measure import normalised_image
        from vision.photo import open_photo

        picture = normalised_image(
            open_photo(self.content), long_side_px=2 * self.width_px, calibrations=self.calibrations
        )
        return None if picture is None else _jpeg(picture, self.width_px)


@dataclass(frozen=True)
class FindClues:
    """The task of finding what a photo tells of where it belongs: tags, time, position."""

    content: bytes

    def __call__(self) -> PhotoClues:
        """Return the clues."""
        from vision.photo import open_photo
        from vision.tag import read_clues

        return read_clues(open_photo(self.content))


@dataclass(frozen=True)
class DrawLogo:
    """The task of redrawing a picture as a small PNG of pixels alone, at most `size_px` wide and high."""

    content: bytes
    size_px: tuple[int, int]

    def __call__(self) -> bytes | None:
        """Return the PNG, None where the file is no picture that can be read."""
        import io

        from PIL import Image, UnidentifiedImageError

        try:
            with Image.open(io.BytesIO(self.content), formats=("PNG", "JPEG", "WEBP", "GIF")) as opened:
                picture = opened.convert("RGBA")
        except (UnidentifiedImageError, OSError, ValueError, SyntaxError, Image.DecompressionBombError):
            return None
        picture.thumbnail(self.size_px)
        # The pixels alone: nothing that the file said besides goes along.
        bare = Image.frombytes("RGBA", picture.size, picture.tobytes())
        made = io.BytesIO()
        bare.save(made, "PNG", optimize=True)
        return made.getvalue()


def make_picture(task: Callable[[], bytes | None]) -> bytes | None:
    """Have a worker of the shared crew make a picture.

    Raises
    ------
    PhotoUnreadable
        If the file is no photo.
    TaskFailed
        If it brought its worker down.
    """
    return crew.shared_crew().run(task)


def _jpeg(image: Image, width_px: int | None) -> bytes:
    """Return an image as JPEG without EXIF, made smaller where it is wider than asked."""
    from PIL import Image as Pictures

    image = image.convert("RGB")
    if width_px is not None and image.width > width_px:
        size = (width_px, max(1, round(image.height * width_px / image.width)))
        image = image.resize(size, Pictures.Resampling.LANCZOS)
    kept = io.BytesIO()
    image.save(kept, "JPEG", quality=SHOWN_QUALITY, exif=b"")
    return kept.getvalue()
