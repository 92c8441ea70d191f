"""How long an archive takes to be measured anew, by photos and by workers; and what memory it takes.

`python -m tests.bench_rescore --count 1000` makes a log of that many photos (a few small rendered ones, each made
another file by a number) and measures it anew on 1 and on 2 workers here and on a Dask cluster of 2. It prints seconds,
photos a second, the processor's time of all its programs, the largest memory of the master, and, as soon as there are
two of them, the efficiency (the speed of two over twice that of one) and whether the results are identical. Each may
be a run of its own: `--legs 1 --folder F`, then `--legs 2,local:2 --folder F`; the archive and the figures stay in F.

`--recorded 1000,10000,100000` shows that time is linear and memory flat without the days that scoring so many would
take: log, photo files, worker programs, bundles, progress and resuming are real, but a worker reads its photo and then
gives a result that was recorded once, so the scoring itself is left out.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import shutil
import sys
import tempfile
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from itertools import islice
from pathlib import Path

from app import actions
from app.crew import core_count
from app.measuring import shipped_measurer
from app.records import FilterKind, Pool, Visit
from app.rescoring import BUNDLE
from app.store.log import Log, new_id
from app.workers import Job, read_job
from tests.bench_load import ROOT, numbered
from tests.fuzz_photos import forget_peak, peak_mb, saved

AT = datetime(2026, 6, 3, 16, 0, tzinfo=UTC)
PHOTOS_A_VISIT = 3
VISITS_A_RECOVERY = 10
SAMPLED_EVERY = 32
"""Photos between two looks at the processor's time: worker programs end before their run does."""


def small_photos(width_px: int) -> list[bytes]:
    """Return the rendered samples, made small."""
    from PIL import Image

    found = []
    for path in sorted((ROOT / "sample_images").glob("*.jpg")):
        with Image.open(path) as image:
            found.append(saved(image.resize((width_px, width_px * image.height // image.width)), "JPEG", quality=88))
    return found


@contextmanager
def unsynced() -> Iterator[None]:
    """Let files be written without waiting for the disk: an archive that is only made to be measured."""
    synced, os.fsync = os.fsync, lambda _handle: None
    try:
        yield
    finally:
        os.fsync = synced


def make_archive(folder: Path, count: int, width_px: int) -> None:
    """Make a log of so many photos, with the visits and recoveries they belong to."""
    pictures = small_photos(width_px)
    with unsynced(), Log(folder) as log:
        log._connection.execute("pragma synchronous = off")
        recovery_id = visit_id = ""
        for number in range(count):
            with log.atomic():
                if number % (PHOTOS_A_VISIT * VISITS_A_RECOVERY) == 0:
                    pool_id = new_id("p")
                    log.add_pool(Pool(pool_id, f"Pool {number}", 50_000.0, FilterKind.SAND), at=AT, who="Robin")
                    recovery_id = log.open_recovery(pool_id, at=AT, who="Robin")
                if number % PHOTOS_A_VISIT == 0:
                    visit_id = new_id("v")
                    log.save_visit(Visit(visit_id, recovery_id, AT, "Robin"), at=AT, who="Robin")
                content = numbered(pictures[number % len(pictures)], number)
                sha256 = log.add_photo(content, name=f"{number}.jpg", received_at=AT, kind="water", who="Robin")
                log.give_photo(sha256, visit_id, at=AT, who="Robin")


def processor_s() -> dict[int, float]:
    """Return the processor's time of this program and of all that it started, by their ids [s]; nothing elsewhere."""
    parents, used = {}, {}
    for stat in Path("/proc").glob("[0-9]*/stat"):
        with suppress(OSError):
            # After the name in brackets: state, parent; user and system time are the 14th and 15th of all.
            fields = stat.read_text().rpartition(")")[2].split()
            parents[int(stat.parent.name)] = int(fields[1])
            used[int(stat.parent.name)] = (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")
    ours, found = [os.getpid()], {}
    while ours:
        one = ours.pop()
        found[one] = used.get(one, 0.0)
        ours += [each for each, parent in parents.items() if parent == one]
    return found


@dataclass(frozen=True)
class Leg:
    """What one run took, and a sum of all its results."""

    photos: int
    took_s: float
    processor_s: float
    peak_mb: float
    results: str


def measured(folder: Path, how: str, measure: object = None, *, most: int | None = None, write: bool = True) -> Leg:
    """Measure a log anew, or its first photos, on so many workers here or on the cluster named."""
    options = {"cluster": how} if ":" in how else {"workers_asked": int(how)}
    forget_peak()
    before, used, photos, started = processor_s().get(os.getpid(), 0.0), {}, 0, time.monotonic()
    with actions.open_log(folder) as log:
        told = actions.rescore(log, write=write, at=AT, measure=measure, **options)
        for photos, _told in enumerate(islice(told, most), start=1):
            if photos % SAMPLED_EVERY == 0:
                used |= processor_s()
        told.close()
        took, peak, results = time.monotonic() - started, peak_mb(), hashlib.sha256()
        for row in log._db.query("select sha256, result from measurements order by sha256"):
            results.update(json.dumps([row["sha256"], json.loads(row["result"])], sort_keys=True).encode())
    return Leg(photos, took, sum(used.values()) - before, peak, results.hexdigest()[:12])


@dataclass(frozen=True)
class Recorded:
    """Reads a job's photo and gives a recorded result as that photo's; the scoring is left out."""

    result: object

    def __call__(self, job: Job) -> object:
        """Return the result."""
        content = read_job(job)
        content = content if isinstance(content, bytes) else content.read_bytes()
        return replace(self.result, photo=job.name, sha256=hashlib.sha256(content).hexdigest())

    def versions(self) -> Mapping[str, str]:
        """Return the versions that the result was recorded with."""
        return self.result.versions


def show_growth(sizes: list[int], width_px: int) -> None:
    """Measure archives of each size with a recorded result: a dry run, half of it written, the rest, then once more."""
    sample = sorted((ROOT / "sample_images").glob("*.jpg"))[0]
    measure = Recorded(shipped_measurer()(Job(sample, sample.name)))
    for size in sizes:
        with tempfile.TemporaryDirectory() as folder:
            home = Path(folder, "home")
            make_archive(home, size, width_px)
            rows_mb = (home / "log.sqlite3").stat().st_size / 1e6
            print(f"{size} photos, {rows_mb:.0f} MB of rows", flush=True)
            seen = 0
            for what, most, write in (("dry run", size, False), ("written", size // 2, True), ("the rest", size, True)):
                leg = measured(home, "2", measure, most=most, write=write)
                print(
                    f"  {what:9s} {leg.photos:6d} photos {leg.took_s:7.1f} s, {leg.photos / leg.took_s:6.0f} photos/s, "
                    f"{1000 * leg.processor_s / leg.photos:5.1f} ms of the processor each, {leg.peak_mb:4.0f} MB",
                    flush=True,
                )
                seen += leg.photos if write else 0
            again = measured(home, "2", measure)
            print(f"  once more {again.photos:6d} photos {again.took_s:7.1f} s", flush=True)
            # A bundle is on disk before its first photo is given: of the one it was stopped in, none is measured twice.
            assert again.photos == 0
            assert size - BUNDLE < seen <= size


def say(legs: Mapping[str, Leg]) -> bool:
    """Print what the runs so far took; return whether all that measured the same photos say the same."""
    for how, leg in legs.items():
        print(
            f"{how:8s} {leg.photos:6d} photos {leg.took_s:8.1f} s, {leg.photos / leg.took_s:6.2f} photos/s, "
            f"{1000 * leg.processor_s / leg.photos:6.1f} ms of the processor each, {leg.peak_mb:5.0f} MB, "
            f"results {leg.results}"
        )
    one = legs.get("1")
    for how, leg in legs.items():
        hands = int(how.rpartition(":")[2])
        if one is not None and how != "1":
            clock = one.took_s / leg.took_s / hands * leg.photos / one.photos
            work = one.processor_s / leg.processor_s * leg.photos / one.photos
            print(f"efficiency of {how}: {clock:.2f} by the clock, {work:.2f} by the processor's time")
    same = len({leg.results for leg in legs.values()}) == 1
    print("results identical" if same else "RESULTS DIFFER")
    return same


def main() -> None:
    """Run and print the figures."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--count", type=int, default=1000)
    asked.add_argument("--legs", default="1,2,local:2", help="workers here, or local:N for a Dask cluster of N")
    asked.add_argument("--folder", type=Path, help="where the archive and the figures stay")
    asked.add_argument("--recorded", help="several counts, the scoring left out")
    asked.add_argument("--width", type=int, default=480, help="of a photo [px]")
    told = asked.parse_args()
    print(f"{core_count()} cores, photos {told.width} px wide, load {os.getloadavg()[0]:.1f}", flush=True)
    if told.recorded:
        show_growth([int(each) for each in told.recorded.split(",")], told.width)
        return
    with tempfile.TemporaryDirectory() as passing:
        folder = told.folder or Path(passing)
        if not (folder / "archive").exists():
            make_archive(folder / "archive", told.count, told.width)
        figures = folder / "figures.json"
        legs = {how: Leg(**each) for how, each in json.loads(figures.read_text()).items()} if figures.exists() else {}
        for how in told.legs.split(","):
            copy = folder / "copy"
            shutil.copytree(folder / "archive", copy)
            legs[how] = measured(copy, how)
            shutil.rmtree(copy)
            figures.write_text(json.dumps({how: vars(leg) for how, leg in legs.items()}))
            print(f"{how} done, load {os.getloadavg()[0]:.1f}", flush=True)
    sys.exit(not say(legs))


if __name__ == "__main__":
    # Workers find what is recorded by this module's own name.
    from tests.bench_rescore import main as bench_main

    bench_main()
