"""Worker programs: their limits, their deaths, and what their answers may hold."""

import fcntl
import os
import pickle
import stat
import sys
import threading
import time
from dataclasses import dataclass

import pytest

from app import crew as crews
from app.crew import DIED, TOO_BIG, TOO_BUSY, TOO_SLOW, Crew, Limits, TaskFailed
from app.dashboard.company_sign_in import CLIENT_SECRET
from app.errors import PhotoRefused

needs_limits = pytest.mark.skipif(os.name == "nt", reason="Windows keeps no limits")


@dataclass(frozen=True)
class Task:
    """Does what its word says; `place` is where it leaves a trace."""

    word: str
    place: str = ""

    def __call__(self):
        if self.word == "pid":
            return os.getpid()
        if self.word == "environment":
            return dict(os.environ)
        if self.word == "boast":
            # Behind the program's back, as one that was taken over would; it then waits to be read.
            pipe = next(each for each in os.listdir("/proc/self/fd") if int(each) > 2 and is_pipe(int(each)))
            os.write(int(pipe), (2**62).to_bytes(8, "big") + bytes(1000))
            time.sleep(60)
        if self.word == "spin":
            while True:
                pass
        if self.word == "sleep":
            time.sleep(60)
        if self.word == "grow":
            return len(bytearray(900_000_000))
        if self.word == "die once":
            if not os.path.exists(self.place):
                open(self.place, "w").close()
                os._exit(9)
            return "the second time"
        if self.word == "die":
            with open(self.place, "a") as trace:
                trace.write("x")
            os.kill(os.getpid(), 11)
        if self.word == "refuse":
            raise PhotoRefused("No.", "Send another.")
        if self.word == "mistake":
            raise KeyError("planted")
        if self.word == "hostile":
            return Hostile(self.place)
        return self.word


def is_pipe(handle):
    """Return whether an open file is a pipe that can be written to."""
    try:
        return (
            stat.S_ISFIFO(os.fstat(handle).st_mode) and fcntl.fcntl(handle, fcntl.F_GETFL) & os.O_ACCMODE != os.O_RDONLY
        )
    except OSError:
        return False


class Hostile:
    """Pickles to a call of its own choice, as an answer from a worker that was taken over would."""

    def __init__(self, place):
        self.place = place

    def __reduce__(self):
        return (os.mkdir, (self.place,))


@pytest.fixture
def crew():
    made = Crew(1)
    yield made
    made.dismiss()


def test_worker_is_kept_warm_and_works_outside_this_process(crew):
    first, second = crew.run(Task("pid")), crew.run(Task("pid"))
    assert first == second != os.getpid()


def test_worker_takes_over_neither_dasks_setting_of_memory_nor_the_providers_secret(monkeypatch, crew):
    # The first as in a worker of a Dask cluster.
    monkeypatch.setenv("MALLOC_TRIM_THRESHOLD_", "65536")
    monkeypatch.setenv(CLIENT_SECRET, "planted")
    monkeypatch.setenv("PLANTED", "handed on")
    there = crew.run(Task("environment"))
    assert not {"MALLOC_TRIM_THRESHOLD_", CLIENT_SECRET} & set(there)
    assert "planted" not in there.values()
    assert (there["PLANTED"], there["OMP_NUM_THREADS"]) == ("handed on", "1")


@pytest.mark.skipif(sys.platform != "linux", reason="finds the pipe by /proc")
def test_answer_that_says_it_is_huge_ends_its_worker_alone(crew):
    started = time.monotonic()
    with pytest.raises(TaskFailed) as failed:
        crew.run(Task("boast"))
    assert (failed.value.code, failed.value.sentence) == ("worker_died", DIED)
    # It was ended, not waited for: its task would sleep for a minute, twice.
    assert time.monotonic() - started < 60
    assert crew.run(Task("fine")) == "fine"


def test_own_errors_come_back_as_they_were_and_the_worker_stays(crew):
    before = crew.run(Task("pid"))
    with pytest.raises(PhotoRefused, match=r"^No. Send another.$"):
        crew.run(Task("refuse"))
    assert crew.run(Task("pid")) == before


@needs_limits
@pytest.mark.parametrize(
    ("word", "limits", "code", "sentence"),
    [
        ("grow", Limits(memory_mb=600), "too_big", TOO_BIG),
        ("spin", Limits(cpu_s=1), "too_slow", TOO_SLOW),
        ("sleep", Limits(wall_s=0.3), "too_busy", TOO_BUSY),
    ],
)
def test_task_over_its_limits_ends_its_worker_alone(crew, word, limits, code, sentence):
    started = time.monotonic()
    with pytest.raises(TaskFailed) as told:
        crew.run(Task(word), limits)
    assert (told.value.code, told.value.sentence) == (code, sentence)
    assert crew.run(Task("fine")) == "fine"
    # Far less than the minute of sleep; a loaded machine included.
    assert time.monotonic() - started < 30


@needs_limits
def test_limits_are_of_one_task_not_of_all_a_worker_ever_did(crew):
    for _ in range(4):
        # Each takes about a third of its second; together they would be over it.
        assert crew.run(Busy(0.35), Limits(cpu_s=1)) == "done"


@dataclass(frozen=True)
class Busy:
    seconds: float

    def __call__(self):
        until = time.process_time() + self.seconds
        while time.process_time() < until:
            pass
        return "done"


@needs_limits
def test_task_that_kills_is_tried_twice_then_told(crew, tmp_path):
    with pytest.raises(TaskFailed, match="stopped while reading it"):
        crew.run(Task("die", str(tmp_path / "trace")))
    assert (tmp_path / "trace").read_text() == "xx"
    assert crew.run(Task("die once", str(tmp_path / "once"))) == "the second time"


def test_mistake_is_a_failure_not_a_traceback_to_the_person(crew):
    with pytest.raises(TaskFailed) as told:
        crew.run(Task("mistake"))
    assert told.value.code == "worker_died"


def test_answer_builds_nothing_but_our_own(crew, tmp_path):
    with pytest.raises(TaskFailed, match="stopped while reading it"):
        crew.run(Task("hostile", str(tmp_path / "made")))
    assert not (tmp_path / "made").exists()
    with pytest.raises(pickle.UnpicklingError, match=r"an answer may not hold (posix|nt).mkdir"):
        crews._Answer(__import__("io").BytesIO(pickle.dumps(Hostile("x")))).load()


def test_no_more_workers_than_the_crew_has(monkeypatch):
    made, lock, now, most = Crew(2), threading.Lock(), [0], [0]
    real = crews._Worker.ask

    def ask(worker, message, wall_s):
        with lock:
            now[0] += 1
            most[0] = max(most[0], now[0])
        try:
            return real(worker, message, wall_s)
        finally:
            with lock:
                now[0] -= 1

    monkeypatch.setattr(crews._Worker, "ask", ask)
    threads = [threading.Thread(target=made.run, args=(Task("fine"),)) for _ in range(12)]
    for each in threads:
        each.start()
    for each in threads:
        each.join()
    assert most[0] == 2
    assert len(made._all) <= 2
    made.dismiss()


def test_program_that_cannot_start_is_a_sentence(crew, monkeypatch):
    monkeypatch.setattr(crews.sys, "executable", "/nowhere/python")
    with pytest.raises(crews.CannotMeasure, match=r"no measuring program could be started. What was sent is kept"):
        crew.run(Task("fine"))


@pytest.mark.skipif(not os.path.isdir("/proc"), reason="this system does not list its processes")
def test_workers_end_with_their_master(tmp_path):
    import subprocess
    import sys

    program = (
        "from app.crew import Crew; from test_crew import Task; crew = Crew(1); "
        "print(crew.run(Task('pid')), flush=True); input()"
    )
    here = os.path.dirname(__file__)
    master = subprocess.Popen(
        [sys.executable, "-c", program],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": os.pathsep.join([here, *(each or os.getcwd() for each in sys.path)])},
    )
    worker = int(master.stdout.readline())
    master.kill()
    master.communicate()
    deadline = time.monotonic() + 20
    while os.path.exists(f"/proc/{worker}") and time.monotonic() < deadline:
        time.sleep(0.05)
    assert not os.path.exists(f"/proc/{worker}")
