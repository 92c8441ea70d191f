"""Worker programs: where foreign bytes are decoded, under limits, and what may die of them without harm.

In: a task, any callable that pickles (a frozen dataclass with `__call__`). Out: what it returns, or `TaskFailed`,
which says in one sentence why there is nothing. A worker is a program of its own (`python -m app.crew`), started
on first need and kept warm. It works under limits of memory and of processor time; one that breaks, hangs or grows
is ended, and the next task gets a new one.

We start the workers ourselves because a process pool breaks as a whole when one of its workers dies, and because
its workers would run the dashboard's own script again. An answer is read with an unpickler that builds nothing but
our own results and errors: a worker that a hostile picture took over can say nothing else.
"""

from __future__ import annotations

import atexit
import io
import math
import os
import pickle
import signal
import subprocess
import sys
import threading
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, is_dataclass
from enum import Enum
from functools import lru_cache
from typing import Any, BinaryIO, TypeVar

from app.config import TRACE_VARIABLE
from app.errors import CannotMeasure, TurnblueError
from app.events import note
from vision.errors import VisionError

T = TypeVar("T")

LENGTH_BYTES = 8
"""Size of a message's length before it on the pipe, big-endian."""

READY = b"ready"
"""A worker's first message: it started, so what ends it later is its task."""

DIED = (
    "This photo could not be measured: the measuring program stopped while reading it. "
    "Retake the photo, or send it straight from the phone."
)
TOO_SLOW = (
    "This photo could not be measured: reading it took far longer than a phone's photo does. "
    "Retake the photo, or send it straight from the phone."
)
TOO_BIG = (
    "This photo could not be measured: reading it takes more memory than a phone's photo does. "
    "Send it at a smaller size, or retake it."
)
TOO_BUSY = "This photo was not measured yet: the machine is too busy. It is kept; measure it later."
"""What is said of a task that failed, by why; the last proves nothing of the photo."""


NOT_HANDED_ON = ("MALLOC_TRIM_THRESHOLD_", "TURNBLUE_OIDC_CLIENT_SECRET")
"""Variables that a worker does not take over. With the first, Dask has its workers give freed memory back at once; a
picture's arrays are then new pages each time, which takes 57 ms more where a photo takes 131 (480 px, measured). The
second is none of the business of a program that decodes foreign bytes."""

LARGEST_ANSWER_BYTES = 200_000_000
"""Most that a worker may answer: more than any picture it makes; one that was taken over cannot fill our memory."""


@dataclass(frozen=True)
class Limits:
    """What a task may use.

    `cpu_s` is processor time [s], kept to the second above; `wall_s` time on the clock [s], which is longer because
    others may be at work; `memory_mb` address space [MB]: the libraries map about 330 MB before the first photo
    (measured).
    """

    cpu_s: int = 9
    wall_s: float = 60.0
    memory_mb: int = 1000


MEASURING = Limits()
"""Nobody waits longer than 10 s for a file: four times what a 12-megapixel photo takes on one slow core (2.6 s)."""

FULL_PICTURES = Limits(cpu_s=120, wall_s=600.0, memory_mb=6000)
"""For a task that also writes full-size pictures for the person who runs it: three floats a pixel."""


class TaskFailed(Exception):
    """A task gave nothing, and its worker was ended.

    Parameters
    ----------
    code : str
        "worker_died", "too_slow", "too_big", or "too_busy", which says nothing certain of the photo.
    sentence : str
        For the person.
    """

    def __init__(self, code: str, sentence: str) -> None:
        super().__init__(code, sentence)
        self.code = code
        self.sentence = sentence


def core_count() -> int:
    """Return how many cores this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


class Crew:
    """At most `size` worker programs; any thread may ask for work."""

    def __init__(self, size: int) -> None:
        if size < 1:
            raise ValueError(f"size must be 1 or more, got {size!r}")
        self.size = size
        self._turns = threading.BoundedSemaphore(size)
        self._lock = threading.Lock()
        self._idle: list[_Worker] = []
        self._all: set[_Worker] = set()
        self._dismissed = False

    def run(self, task: Callable[[], T], limits: Limits = MEASURING) -> T:
        """Have a worker do `task` and return its answer; wait for a free worker first.

        A worker that dies may have been ended by others (the system short of memory) or by what an earlier task
        left behind, so the task is tried once more in a new one.

        Raises
        ------
        TaskFailed
            If the worker died of it twice, or the task went over its limits.
        CannotMeasure
            If no worker can be started.
        TurnblueError, VisionError
            Whatever the task itself raised of these.
        """
        message = pickle.dumps((limits, task))
        with self._turns:
            try:
                return self._once(message, limits, fresh=False)  # type: ignore[no-any-return]
            except TaskFailed as failed:
                if failed.code in ("too_slow", "too_busy"):
                    raise
            return self._once(message, limits, fresh=True)  # type: ignore[no-any-return]

    def _once(self, message: bytes, limits: Limits, *, fresh: bool) -> Any:
        """Have one worker do it; a worker that failed is not kept."""
        worker = self._take(fresh)
        try:
            answer = worker.ask(message, limits.wall_s)
        except BaseException:
            self._end(worker)
            raise
        with self._lock:
            self._idle.append(worker)
        if isinstance(answer, BaseException):
            raise answer
        return answer

    def _take(self, fresh: bool) -> _Worker:
        """Return an idle worker that lives, or a new one."""
        while not fresh:
            with self._lock:
                if not self._idle:
                    break
                worker = self._idle.pop()
            if worker.lives():
                return worker
            self._end(worker)
        with self._lock:
            if self._dismissed:
                raise CannotMeasure("Measuring was stopped.", "Start it again.")
            worker = _Worker()
            self._all.add(worker)
        try:
            worker.wait_until_ready()
        except BaseException:
            self._end(worker)
            raise
        return worker

    def _end(self, worker: _Worker) -> None:
        """End one worker."""
        with self._lock:
            self._all.discard(worker)
        worker.end()

    def dismiss(self) -> None:
        """End all workers, also those at work; nothing can be asked for after it."""
        with self._lock:
            self._dismissed = True
            workers, self._idle = list(self._all), []
            self._all.clear()
        for worker in workers:
            worker.end()


@lru_cache(maxsize=1)
def shared_crew() -> Crew:
    """Return this program's own crew, one worker a core, kept warm until the program ends."""
    crew = Crew(core_count())
    atexit.register(crew.dismiss)
    return crew


class _Worker:
    """One worker program as seen from here."""

    def __init__(self) -> None:
        import_path = os.pathsep.join(each or os.getcwd() for each in sys.path)
        # The crew fills the cores: each worker's own numerics stay on one.
        one_core = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "OPENCV_FOR_THREADS_NUM"), "1")
        handed_on = {name: value for name, value in os.environ.items() if name not in NOT_HANDED_ON}
        try:
            self._program = subprocess.Popen(
                [sys.executable, "-m", "app.crew"],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                # A person is shown a sentence; the trace of a mistake is for whoever asks for it.
                stderr=None if os.environ.get(TRACE_VARIABLE) else subprocess.DEVNULL,
                env={**handed_on, **one_core, "PYTHONPATH": import_path},
            )
        except OSError as error:
            raise _cannot_start() from error
        assert self._program.stdin is not None
        assert self._program.stdout is not None
        self._into, self._out = self._program.stdin, self._program.stdout

    def lives(self) -> bool:
        """Return whether the program runs."""
        return self._program.poll() is None

    def wait_until_ready(self) -> None:
        """Return once the program answers."""
        if self._receive(MEASURING.wall_s)[0] != READY:
            raise _cannot_start()

    def ask(self, message: bytes, wall_s: float) -> Any:
        """Return the answer to a task; one of our own errors is returned, not raised."""
        try:
            _send(self._into, message)
        except OSError:
            raise self._failed("worker_died") from None
        answer, late = self._receive(wall_s)
        if answer is None:
            self._program.wait()
            slow = hasattr(signal, "SIGXCPU") and self._program.returncode == -signal.SIGXCPU
            raise self._failed("too_busy" if late else "too_slow" if slow else "worker_died")
        try:
            kind, value = _Answer(io.BytesIO(answer)).load()
        except Exception as error:
            # Whatever a broken worker wrote: it is no answer, and what it names is not built.
            raise self._failed("worker_died") from error
        if kind == "failed":
            raise self._failed(value)
        return value

    def _receive(self, wall_s: float) -> tuple[bytes | None, bool]:
        """Return a message, None where the worker ended; and whether we ended it for being late."""
        late = threading.Event()

        def end() -> None:
            late.set()
            self._program.kill()

        clock = threading.Timer(wall_s, end)
        clock.daemon = True
        clock.start()
        try:
            return _receive(self._out, LARGEST_ANSWER_BYTES), late.is_set()
        except OSError:
            self._program.kill()
            return None, late.is_set()
        finally:
            clock.cancel()

    def _failed(self, code: str) -> TaskFailed:
        """Return the failure, and note it."""
        note("task_failed", code=code, status=self._program.poll())
        sentences = {"too_slow": TOO_SLOW, "too_big": TOO_BIG, "too_busy": TOO_BUSY}
        return TaskFailed(code, sentences.get(code, DIED))

    def end(self) -> None:
        """End the program, at work or not."""
        self._program.kill()
        self._program.wait()
        for pipe in (self._into, self._out):
            with suppress(OSError):  # what was still to be written to a stopped worker
                pipe.close()


def _cannot_start() -> CannotMeasure:
    return CannotMeasure(
        "Photos cannot be measured now: no measuring program could be started.",
        "What was sent is kept. Close other programs, run turnblue doctor, and measure again.",
    )


class _Answer(pickle.Unpickler):
    """Reads an answer; builds our own dataclasses, choices and errors, and refuses all else."""

    def find_class(self, module: str, name: str) -> Any:
        """Return a class of ours."""
        if module.split(".")[0] in ("app", "vision"):
            found = super().find_class(module, name)
            ours = isinstance(found, type) and (
                is_dataclass(found) or issubclass(found, Enum | TurnblueError | VisionError)
            )
            if ours:
                return found
        raise pickle.UnpicklingError(f"an answer may not hold {module}.{name}")


def _send(pipe: Any, message: bytes) -> None:
    """Write one message, its length first."""
    pipe.write(len(message).to_bytes(LENGTH_BYTES, "big"))
    pipe.write(message)
    pipe.flush()


def _receive(pipe: Any, most: float = math.inf) -> bytes | None:
    """Read one message of at most so many bytes; None where the other end is gone."""
    head = pipe.read(LENGTH_BYTES)
    if len(head) < LENGTH_BYTES:
        return None
    size = int.from_bytes(head, "big")
    if size > most:
        raise OSError(f"a message of {size} bytes")
    body: bytes = pipe.read(size)
    return body if len(body) == size else None


def work(source: BinaryIO, sink: BinaryIO) -> None:
    """Be a worker: do task after task until the pipe ends.

    Our own errors are sent back, to be raised where the crew is. After anything else (a mistake of the program, or
    what a hostile picture brought about) this worker says so and ends, because its state is no longer known.
    """
    _send(sink, READY)
    while (message := _receive(source)) is not None:
        limits, task = pickle.loads(message)
        failed = ""
        try:
            apply_limits(limits)
            answer: Any = ("done", task())
        except (TurnblueError, VisionError) as error:
            answer = ("done", error)
        except MemoryError:
            failed = "too_big"
        except Exception:
            failed = "worker_died"
            if os.environ.get(TRACE_VARIABLE):
                sys.excepthook(*sys.exc_info())
        if failed:
            # Nothing of the task is kept: there may be no memory left to pickle anything else.
            _send(sink, pickle.dumps(("failed", failed)))
            return
        _send(sink, pickle.dumps(answer))


def apply_limits(limits: Limits) -> None:
    """Bound this process's memory and the processor time from now on; where the system cannot, do nothing.

    The processor's limit ends the process (SIGXCPU); the memory's makes allocations fail.
    """
    try:
        import resource
    except ImportError:
        return
    used = resource.getrusage(resource.RUSAGE_SELF)
    _limit(resource.RLIMIT_CPU, int(used.ru_utime + used.ru_stime) + 1 + limits.cpu_s)
    _limit(resource.RLIMIT_AS, limits.memory_mb * 1_000_000)
    # No picture of somebody's home in a core file.
    _limit(resource.RLIMIT_CORE, 0)


def _limit(which: int, value: int) -> None:
    """Set one soft limit, as far as the hard one allows."""
    import resource

    hard = resource.getrlimit(which)[1]
    with suppress(OSError, ValueError):  # a system that knows the limit but does not keep it
        resource.setrlimit(which, (value if hard == resource.RLIM_INFINITY else min(value, hard), hard))


def main() -> None:
    """Run as a worker program, the pipe kept apart from whatever a library may print."""
    # An interrupt at the terminal reaches us too; the crew ends us.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    sink = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)
    work(sys.stdin.buffer, sink)


if __name__ == "__main__":
    # Imported under its own name too: pickles made here must be read as app.crew, not as __main__.
    from app.crew import main as worker_main

    worker_main()
