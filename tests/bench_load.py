"""Many techs save visits with photos while the office reads: what is lost, who waits how long.

`python -m tests.bench_load --techs 30 --minutes 5` prints the figures. As in the dashboard, all work in one process: a
thread a tech, who sends a rendered photo, waits until it is graded, saves the form, and pauses; and office threads that
read the board and a pool's page. It must hold: no save is lost, nobody is told that the log is busy, verify is clean.
"""

from __future__ import annotations

import argparse
import random
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from app import actions, archive
from app.actions import PhotoIn
from app.crew import core_count
from app.errors import TurnblueError
from app.records import Equipment, FilterKind, Pool, Work

ROOT = Path(__file__).parent.parent


@dataclass
class Times:
    """What each kind of step took [s], what was acknowledged, and what people were told instead."""

    took: dict[str, list[float]] = field(default_factory=dict)
    acknowledged: list[tuple[str, str, str]] = field(default_factory=list)
    told: Counter[str] = field(default_factory=Counter)
    lock: threading.Lock = field(default_factory=threading.Lock)

    def timed(self, name: str, step: Callable[..., Any], *arguments: Any, **options: Any) -> Any:
        """Do a step and keep what it took."""
        started = time.monotonic()
        try:
            return step(*arguments, **options)
        except TurnblueError as error:
            with self.lock:
                self.told[str(error)] += 1
            return None
        finally:
            with self.lock:
                self.took.setdefault(name, []).append(time.monotonic() - started)


def numbered(jpeg: bytes, number: int) -> bytes:
    """Return the same picture as another file: a comment with a number."""
    return jpeg[:2] + b"\xff\xfe\x00\x12" + f"{number:016d}".encode() + jpeg[2:]


def tech(folder: Path, recovery_id: str, jpeg: bytes, me: int, until: float, pause_s: float, times: Times) -> None:
    """Be a tech: send a photo, wait for its grade, save the form, pause."""
    rng, turn = random.Random(me), 0
    time.sleep(rng.uniform(0, pause_s))
    while time.monotonic() < until:
        turn += 1
        name, now = f"tech-{me}", datetime.now(UTC)
        photo = PhotoIn("IMG.jpg", numbered(jpeg, me * 1_000_000 + turn))
        with actions.open_log(folder) as log:
            arrived = times.timed("photo arrives", actions.receive_photo, log, photo, received_at=now, by=name)
            logged = times.timed("visit graded", actions.log_visit, log, recovery_id, at=now, by=name, photos=[photo])
        if arrived is None or logged is None:
            continue
        for refused in logged.refused:
            times.told[refused.sentence] += 1
        noted = replace(logged.visit, equipment=Equipment(power_on=True), work=(Work.BRUSHED,), note=f"turn {turn}")
        with actions.open_log(folder) as log:
            saved = times.timed("form saved", actions.update_visit, log, noted, at=now, by=name)
        if saved is not None:
            with times.lock:
                times.acknowledged.append((logged.visit.id, str(arrived), noted.note))
        time.sleep(rng.uniform(0.5, 1.5) * pause_s)


def office(folder: Path, recovery_ids: list[str], until: float, times: Times) -> None:
    """Be the office: look at the board, then at a pool, every two seconds."""
    rng = random.Random(0)
    while time.monotonic() < until:
        now, asked = datetime.now(UTC), rng.choice(recovery_ids)
        with actions.open_log(folder) as log:
            times.timed("board", actions.board, log, now=now)
            times.timed("pool", actions.progress, log, asked, now=now)
        time.sleep(2)


def run(folder: Path, *, techs: int, seconds: float, pause_s: float) -> Times:
    """Let them all work for so long; return what it took."""
    jpeg = min((ROOT / "sample_images").glob("*.jpg"), key=lambda path: path.stat().st_size).read_bytes()
    now, recovery_ids = datetime.now(UTC), []
    with actions.open_log(folder) as log:
        for number in range(techs):
            pool = Pool(f"p-{number}", f"Pool {number}", 50_000.0, FilterKind.SAND)
            actions.add_pool(log, pool, at=now)
            recovery_ids.append(actions.open_recovery(log, pool.id, at=now).id)
    times, until = Times(), time.monotonic() + seconds
    people = [
        threading.Thread(target=tech, args=(folder, recovery_id, jpeg, me, until, pause_s, times))
        for me, recovery_id in enumerate(recovery_ids)
    ]
    people += [threading.Thread(target=office, args=(folder, recovery_ids, until, times)) for _ in range(2)]
    for each in people:
        each.start()
    for each in people:
        each.join()
    return times


def lost(folder: Path, times: Times) -> list[str]:
    """Return which acknowledged saves are not in the log as they were saved, and what verify finds."""
    with actions.open_log(folder) as log:
        visits = {visit.id: visit for each in actions.open_recoveries(log) for visit in each.visits}
        found = [
            f"{visit_id} lost"
            for visit_id, sha256, note in times.acknowledged
            if visit_id not in visits
            or (visits[visit_id].photo_sha256s, visits[visit_id].note) != ((sha256,), note)
            or visits[visit_id].assessment is None
        ]
        later = datetime.now(UTC) + timedelta(days=1)
        return found + [each.say for each in archive.verify(log, now=later).findings]


def main() -> None:
    """Run and print the figures."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--techs", type=int, default=30)
    asked.add_argument("--minutes", type=float, default=5.0)
    asked.add_argument("--pause", type=float, default=30.0, help="between a tech's visits [s]")
    told = asked.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder, "home")
        times = run(home, techs=told.techs, seconds=told.minutes * 60, pause_s=told.pause)
        wrong = lost(home, times)
    print(f"{told.techs} techs, {told.minutes:g} min, {told.pause:g} s between visits, {core_count()} cores")
    for name, took in times.took.items():
        ordered = sorted(took)
        middle, p95 = ordered[len(ordered) // 2], ordered[int(len(ordered) * 0.95)]
        print(f"{name:14s} {len(took):6d} times, median {middle:.3f} s, p95 {p95:.3f} s, longest {ordered[-1]:.3f} s")
    print(f"{len(times.acknowledged)} visits acknowledged, {len(wrong)} lost or unsound")
    for sentence, count in times.told.most_common():
        print(f"{count} times somebody was told: {sentence}")
    print("\n".join(wrong[:10]))
    sys.exit(bool(wrong or times.told))


if __name__ == "__main__":
    main()
