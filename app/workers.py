"""Where many photos are measured: every core of this machine, one program a core.

In: jobs (a path, its name, what is known of the pool). Out: one `Outcome` a job, in the order given. A single job
is measured in this process; several go to worker programs of their own, so that a photo that brings its worker
down costs that photo alone: it gets a sentence, a new worker starts, and the batch goes on.

We start the workers ourselves (`python -m app.workers`, pickles over pipes) because a process pool breaks as a
whole when one of its workers dies, and because its workers would run the dashboard's own script again.
"""

from __future__ import annotations

import os
import pickle
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO

from app.config import TRACE_VARIABLE
from app.errors import CannotWrite, GraderMissing, TurnblueError
from vision.errors import DesignInvalid, PhotoUnreadable
from vision.results import PhotoResult
from vision.specs import Point

if TYPE_CHECKING:
    from PIL.Image import Image

    from vision.grade import Grader

LENGTH_BYTES = 8
"""Size of a message's length before it on the pipe, big-endian."""

PICTURE_QUALITY = 92
"""JPEG quality of the pictures that `score` writes [0-100]: no blocks seen at full size (our own judgement)."""

WORKER_DIED = (
    "This photo could not be measured: the measuring program stopped while reading it. "
    "Retake the photo, or send it straight from the phone."
)
"""What is said of a photo whose worker died."""


@dataclass(frozen=True)
class Job:
    """One photo to measure.

    `name` is the photo's own name, `path` where its bytes lie. `known` is what is known of the pool
    (`vision.features.KnownPool`), `outline_px` the water as drawn by a person. Where a folder is named, the
    colour-normalised photo or the check picture is written into it.
    """

    path: Path
    name: str
    known: Any = None
    outline_px: tuple[Point, ...] | None = None
    normalised_folder: Path | None = None
    check_folder: Path | None = None


@dataclass(frozen=True)
class Outcome:
    """What became of a job: a result, or the sentence that says why there is none.

    `code` is the error's code; "worker_died" where the worker stopped, which says nothing certain of the photo.
    """

    job: Job
    result: PhotoResult | None
    sentence: str = ""
    code: str = ""


Measure = Callable[[Job], PhotoResult]
"""Anything that measures one job; for several jobs at once it must pickle (a module's function or dataclass)."""


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
        from vision.measure import measure_water

        result = measure_water(
            job.path, grader=load_grader(self.grader_path), known=job.known, outline_px=job.outline_px
        )
        result = replace(result, photo=job.name)
        self._write_pictures(job, result)
        return result

    def _write_pictures(self, job: Job, result: PhotoResult) -> None:
        """Write the normalised photo and the check picture where a folder is named."""
        if job.normalised_folder is not None and result.card is not None:
            from vision.measure import normalised_image

            _save_jpeg(normalised_image(job.path), job.normalised_folder, job.name)
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


def core_count() -> int:
    """Return how many cores this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def measure_all(jobs: Sequence[Job], *, measure: Measure, workers: int | None = None) -> Iterator[Outcome]:
    """Measure all jobs and give their outcomes in the order of the jobs, each as soon as its turn is there.

    Parameters
    ----------
    jobs : sequence of Job
        One is measured in this process; several by worker programs.
    measure : callable
        Measures one job.
    workers : int, optional
        How many worker programs, 1 or more; by default one a core, at most one a job.

    Raises
    ------
    ValueError
        If `workers` is less than 1.
    """
    if workers is not None and workers < 1:
        raise ValueError(f"workers must be 1 or more, got {workers!r}")
    if len(jobs) == 1:
        yield _measure_one(measure, jobs[0])
        return
    count = min(workers or core_count(), len(jobs))
    if count == 0:
        return
    crew = _Crew(measure)
    # A thread a worker program: it only waits for its worker's answer.
    with ThreadPoolExecutor(count) as threads:
        try:
            yield from threads.map(crew.measure, jobs)
        finally:
            threads.shutdown(wait=False, cancel_futures=True)
            crew.dismiss()


def _measure_one(measure: Measure, job: Job) -> Outcome:
    """Measure one job; a photo that cannot be read becomes a sentence, a programmer's mistake stays an error."""
    try:
        return Outcome(job, measure(job))
    except PhotoUnreadable as error:
        # A stored photo lies under its sha256; people know it by its own name.
        return Outcome(job, None, str(error).replace(job.path.name, job.name), error.code)


class _Crew:
    """The worker programs, one a thread, each started when its thread gets its first job."""

    def __init__(self, measure: Measure) -> None:
        self._first = pickle.dumps(measure)
        self._own = threading.local()
        self._all: list[subprocess.Popen[bytes]] = []
        self._lock = threading.Lock()
        self._dismissed = False

    def measure(self, job: Job) -> Outcome:
        """Have this thread's worker measure the job; if it dies, say so and forget it."""
        worker = getattr(self._own, "worker", None)
        try:
            if worker is None:
                worker = self._own.worker = self._start()
            _send(worker.stdin, pickle.dumps(job))
            answer = _receive(worker.stdout)
        except OSError:
            answer = None
        if answer is None:
            self._own.worker = None
            return Outcome(job, None, WORKER_DIED, "worker_died")
        outcome = pickle.loads(answer)
        if isinstance(outcome, BaseException):
            raise outcome
        assert isinstance(outcome, Outcome)
        return outcome

    def _start(self) -> subprocess.Popen[bytes]:
        """Start one worker program with our import path, its numerics on one core (the crew fills the others)."""
        import_path = os.pathsep.join(each or os.getcwd() for each in sys.path)
        one_core = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "OPENCV_FOR_THREADS_NUM"), "1")
        with self._lock:
            if self._dismissed:
                raise BrokenPipeError("the crew was dismissed")
            worker = subprocess.Popen(
                [sys.executable, "-m", "app.workers"],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                # A person is shown a sentence; the trace of a mistake is for whoever asks for it.
                stderr=None if os.environ.get(TRACE_VARIABLE) else subprocess.DEVNULL,
                env={**os.environ, **one_core, "PYTHONPATH": import_path},
            )
            self._all.append(worker)
        _send(worker.stdin, self._first)
        return worker

    def dismiss(self) -> None:
        """End all worker programs; those still at work are stopped."""
        with self._lock:
            self._dismissed = True
            workers = list(self._all)
        for worker in workers:
            worker.kill()
            worker.wait()
            for pipe in (worker.stdin, worker.stdout):
                try:
                    if pipe is not None:
                        pipe.close()
                except OSError:
                    pass  # what was still to be written to a stopped worker


def _send(pipe: Any, message: bytes) -> None:
    """Write one message, its length first."""
    pipe.write(len(message).to_bytes(LENGTH_BYTES, "big") + message)
    pipe.flush()


def _receive(pipe: Any) -> bytes | None:
    """Read one message; None where the other end is gone."""
    head = pipe.read(LENGTH_BYTES)
    if len(head) < LENGTH_BYTES:
        return None
    size = int.from_bytes(head, "big")
    body: bytes = pipe.read(size)
    return body if len(body) == size else None


def work(source: BinaryIO, sink: BinaryIO) -> None:
    """Be a worker: read how to measure, then measure job after job until the pipe ends.

    An error that is not about one photo (no model file, a full disk) is sent back, to be raised where the crew is.
    Anything else ends this worker: the crew says so of the photo, and the trace is on standard error, which is shown
    where TURNBLUE_TRACE is set.
    """
    first = _receive(source)
    if first is None:
        return
    measure = pickle.loads(first)
    while (message := _receive(source)) is not None:
        job = pickle.loads(message)
        try:
            answer: Any = _measure_one(measure, job)
        except TurnblueError as error:
            answer = error
        _send(sink, pickle.dumps(answer))


def main() -> None:
    """Run as a worker program, the pipe kept apart from whatever a library may print."""
    # An interrupt at the terminal reaches us too; the crew ends us.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    sink = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)
    work(sys.stdin.buffer, sink)


if __name__ == "__main__":
    # Imported under its own name too: pickles made here must be read as app.workers, not as __main__.
    from app.workers import main as worker_main

    worker_main()
