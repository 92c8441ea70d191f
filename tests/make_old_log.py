"""Writes a small log of the present schema into tests/data/old_logs, to be kept when that schema is released.

`python -m tests.make_old_log`; every later version must open it and bring it up to date (tests/app/test_archive.py).
All names in it are invented; its one photo is ten bytes that no test decodes.
"""

import sqlite3
import sys
import tempfile
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent / "app"))

from fake_measuring import FakeMeasurer

from app.records import (
    Chemical,
    Company,
    Equipment,
    FilterKind,
    Method,
    Pool,
    Price,
    PriceList,
    Reading,
    Treatment,
    Visit,
    Work,
)
from app.store.log import LOG_FILE, Log, new_id
from app.store.migrations import MIGRATIONS
from app.workers import Job

AT = datetime(2026, 6, 3, 16, 0, tzinfo=UTC)
PHOTO = b"good hazy light 0.9"


def fill(log):
    """Fill a log with one of each."""
    log.save_company(Company("Invented Pools", units="us"), at=AT, who="Robin")
    log.save_price_list(PriceList(prices=(Price("visit", 95.0, 1.0, ""),)), at=AT, who="Robin")
    log.add_pool(Pool("p-old", "Cedar Lane 12", 56_781.0, FilterKind.SAND, depth_deep_m=2.4), at=AT, who="Robin")
    recovery = log.open_recovery("p-old", at=AT, who="Robin")
    visit = Visit(
        new_id("v"), recovery, AT, "Robin", equipment=Equipment(power_on=True),
        readings=(Reading("ph", 7.6, 7.5, 7.7, "", Method.DROP_COUNT),),
        treatments=(Treatment(Chemical.SODIUM_HYPOCHLORITE, 9.5, "L", 12.5),), work=(Work.BRUSHED,), note="Leaves",
    )  # fmt: skip
    log.save_visit(visit, at=AT, who="Robin")
    log.save_visit(replace(visit, note="Oak leaves"), at=AT + timedelta(minutes=5), who="Sam")
    sha256 = log.add_photo(PHOTO, name="IMG_1.jpg", received_at=AT, kind="water", who="Robin")
    log.give_photo(sha256, visit.id, at=AT, who="Robin")
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, sha256)
        path.write_bytes(PHOTO)
        result = FakeMeasurer()(Job(path, "IMG_1.jpg"))
    log.append_measurement(sha256, result, pipeline="0.0-test", model="fake-1", inputs="", measured_at=AT)


def main():
    target = Path(__file__).parent / "data" / "old_logs" / f"schema_{len(MIGRATIONS)}.sqlite3"
    with tempfile.TemporaryDirectory() as folder:
        with Log(Path(folder)) as log:
            fill(log)
        file = sqlite3.connect(Path(folder, LOG_FILE), isolation_level=None)
        file.execute("pragma journal_mode = delete")
        file.execute("vacuum")
        file.close()
        target.write_bytes(Path(folder, LOG_FILE).read_bytes())
    print(f"{target}: {target.stat().st_size / 1000:.0f} kB")


if __name__ == "__main__":
    main()
