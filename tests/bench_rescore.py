"""How long an archive takes to be measured anew, by photos and by workers; and what memory it takes.

`python -m tests.bench_rescore --count 1000` makes a log of that many photos (a few small rendered ones, each made
another file by a number) and measures it anew on 1 and on 2 workers here and on a Dask cluster of 2. It prints seconds,
photos a second, the efficiency (the speed of two over twice that of one), the largest memory of the master, and whether
the results are identical. `--sizes 1000,10000` shows that time is linear and memory flat.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import shutil
import sys
import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path

from app import actions
from app.crew import core_count
from app.records import FilterKind, Pool, Visit
from app.store.log import Log, new_id
from tests.bench_load import ROOT, numbered
from tests.fuzz_photos import forget_peak, peak_mb, saved

AT = datetime(2026, 6, 3, 16, 0, tzinfo=UTC)
PHOTOS_A_VISIT = 3
VISITS_A_RECOVERY = 10


def small_photos(width_px: int) -> list[bytes]:
    """Return the rendered samples, made small."""
    from PIL import Image

    found = []
    for path in sorted((ROOT / "sample_images").glob("*.jpg")):
        with Image.open(path) as image:
            found.append(saved(image.resize((width_px, width_px * image.height // image.width)), "JPEG", quality=88))
    return found


def make_archive(folder: Path, count: int, width_px: int) -> None:
    """Make a log of so many photos, with the visits and recoveries they belong to."""
    pictures = small_photos(width_px)
    with Log(folder) as log:
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


def measured(folder: Path, *, workers: int | None, cluster: str | None) -> tuple[float, float, str]:
    """Measure a copy of the log anew; return the seconds, the largest memory [MB] and a sum of all results."""
    with tempfile.TemporaryDirectory() as copy:
        home = Path(copy, "home")
        shutil.copytree(folder, home)
        forget_peak()
        started = time.monotonic()
        with actions.open_log(home) as log:
            told = actions.rescore(log, write=True, at=AT, workers_asked=workers, cluster=cluster)
            actions.summarise(told, photos=0)
            took = time.monotonic() - started
            peak, results = peak_mb(), hashlib.sha256()
            for row in log._db.query("select sha256, result from measurements order by sha256"):
                results.update(json.dumps([row["sha256"], json.loads(row["result"])], sort_keys=True).encode())
    return took, peak, results.hexdigest()[:12]


def main() -> None:
    """Run and print the figures."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--count", type=int, default=1000)
    asked.add_argument("--sizes", help="several counts, on 2 workers only")
    asked.add_argument("--width", type=int, default=480, help="of a photo [px]")
    told = asked.parse_args()
    print(f"{core_count()} cores, photos {told.width} px wide")
    sums = set()
    with tempfile.TemporaryDirectory() as folder:
        if told.sizes:
            for size in map(int, told.sizes.split(",")):
                make_archive(Path(folder, str(size)), size, told.width)
                took, peak, _ = measured(Path(folder, str(size)), workers=2, cluster=None)
                print(f"{size:7d} photos: {took:8.1f} s, {size / took:6.1f} photos/s, {peak:5.0f} MB", flush=True)
            return
        make_archive(Path(folder, "log"), told.count, told.width)
        speeds = {}
        for name, workers, cluster in (
            ("1 worker", 1, None),
            ("2 workers", 2, None),
            ("Dask local:2", None, "local:2"),
        ):
            took, peak, total = measured(Path(folder, "log"), workers=workers, cluster=cluster)
            speeds[name] = told.count / took
            sums.add(total)
            print(
                f"{name:13s} {took:8.1f} s, {speeds[name]:6.2f} photos/s, {peak:5.0f} MB, results {total}", flush=True
            )
    for name in ("2 workers", "Dask local:2"):
        print(f"efficiency of {name}: {speeds[name] / (2 * speeds['1 worker']):.2f}")
    print("results identical" if len(sums) == 1 else "RESULTS DIFFER")
    sys.exit(len(sums) != 1)


if __name__ == "__main__":
    main()
