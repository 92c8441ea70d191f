"""How fast the pages are over a company's years of work.

`python -m tests.bench_pages --pools 5000 --visits 240000` prints the figures beside those of a tenth. The rows are
invented and no photo lies behind them: what is measured is reading the log and judging it, not drawing pictures. Each
pool was brought back every half year; `--open` of them are being brought back now. With `--browser 20` every page is
opened so often in headless Chromium too, from the address typed to a page that can be tapped.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import resource
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from statistics import median
from typing import Any

from app import actions, cards, intake, learning
from app.records import FilterKind
from app.store.log import new_id
from app.tag import tag_code
from vision.results import clarity_of, severity_of

VISITS_A_RECOVERY = 8
"""A usual clean-up (common practice: one to two weeks)."""

Rows = dict[str, list[dict[str, Any]]]
"""Invented rows by table."""


@dataclass(frozen=True)
class Figure:
    """How long one use case takes over a log of so many visits [ms]: on the clock, and of the processor alone."""

    name: str
    visits: int
    clock_ms: float
    processor_ms: float


def invented_result(depth_m: float, algae_ug_l: float, padding: str) -> str:
    """Return the JSON of one measurement, as long as a real one is (13.5 kB in the demo)."""
    clarity, severity = clarity_of(depth_m), severity_of(algae_ug_l)
    water = {
        "clarity": {"grade": clarity, "probabilities": {clarity: 0.8}},
        "severity": {"grade": severity, "probabilities": {severity: 0.8}},
        "visible_depth_m": {"low": depth_m * 0.8, "mid": depth_m, "high": depth_m * 1.25},
        "chlorophyll_ug_l": {"low": algae_ug_l * 0.6, "mid": algae_ug_l, "high": algae_ug_l * 1.7},
    }
    return json.dumps({"usable": True, "problems": [], "water": water, "patches": padding})


def invented_rows(first: int, count: int, *, now: datetime, open_pools: int, padding: str, recoveries: int) -> Rows:
    """Return the rows of `count` pools from number `first` on, each with `recoveries` clean-ups over the years."""
    rows: Rows = {}

    def put(table: str, **row: Any) -> None:
        rows.setdefault(table, []).append(row)

    for number in range(first, first + count):
        rng = random.Random(number)
        pool_id, kind = f"p-{number}", rng.choice(list(FilterKind))
        put("pools", id=pool_id, name=f"Pool {number:05d}", volume_l=60_000.0, filter_kind=kind.value,
            surface="plaster", salt_cell=0, indoor=0, public=0, owner="", town="", note="")  # fmt: skip
        for past in reversed(range(recoveries)):
            is_open = past == 0 and number < open_pools
            opened = now - timedelta(days=180 * past + (9 if is_open else 40))
            visits = VISITS_A_RECOVERY if not is_open else rng.randint(1, VISITS_A_RECOVERY)
            recovery_id = new_id("r")
            closed = None if is_open else (opened + timedelta(days=visits + 1)).isoformat()
            put("recoveries", id=recovery_id, pool_id=pool_id, opened_at=opened.isoformat(), closed_at=closed)
            for turn in range(visits):
                visit_id, at = new_id("v"), (opened + timedelta(days=turn)).isoformat()
                put("visits", id=visit_id, recovery_id=recovery_id, at=at, by="Kit", floor_seen=int(turn > 4),
                    debris_on_floor=0, sludge_depth_m=None, note="")  # fmt: skip
                put("equipment", visit_id=visit_id, power_on=1, pump_runs=1, flow_holds=1, filter_pressure_kpa=90.0,
                    elements=None, manifold_sound=None)  # fmt: skip
                for place, (analyte, value) in enumerate((("free_chlorine", 4.0), ("ph", 7.6))):
                    put("readings", visit_id=visit_id, position=place, analyte=analyte, value=value, low=value * 0.9,
                        high=value * 1.1, unit="" if analyte == "ph" else "mg/L", method="drop_count",
                        flags="[]")  # fmt: skip
                if turn < 2:
                    put("treatments", visit_id=visit_id, position=0, chemical="sodium_hypochlorite", amount=30.0,
                        unit="L", strength_pct=12.5)  # fmt: skip
                put("work", visit_id=visit_id, position=0, work="brushed")
                sha256 = f"{rng.getrandbits(256):064x}"
                put("photos", sha256=sha256, original_name="IMG.jpg", size_bytes=2_000_000, taken_at=at,
                    received_at=at, visit_id=visit_id, kind="water")  # fmt: skip
                depth_m, algae = 0.3 * 1.5**turn, 200.0 * 0.25**turn
                put("measurements", id=new_id("m"), sha256=sha256, pipeline_version="1", model_id="invented",
                    inputs="", measured_at=at, result=invented_result(depth_m, algae, padding))  # fmt: skip
    return rows


def write_log(folder: Path, *, pools: int, visits: int, open_pools: int, result_bytes: int, now: datetime) -> int:
    """Write an invented log and return how many visits it holds; row by row into the tables, with no history."""
    recoveries = max(1, round(visits / (pools * VISITS_A_RECOVERY)))
    written = 0
    with actions.open_log(folder) as log:
        # A bench may go around the use cases: 250,000 visits through them would take a day.
        connection = log._connection
        for first in range(0, pools, 100):
            rows = invented_rows(
                first,
                min(100, pools - first),
                now=now,
                open_pools=open_pools,
                padding="x" * result_bytes,
                recoveries=recoveries,
            )
            with log.atomic():
                for table, each in rows.items():
                    names = list(each[0])
                    quoted, marks = ", ".join(f'"{name}"' for name in names), ", ".join(f":{name}" for name in names)
                    connection.executemany(f"insert into {table} ({quoted}) values ({marks})", each)
            written += len(rows["visits"])
    return written


def timed(name: str, visits: int, ask: Callable[[], Any], *, times: int = 7) -> Figure:
    """Ask several times, after once for a warm disk; return the medians."""
    ask()
    clock, processor = [], []
    for _ in range(times):
        started, worked = time.perf_counter(), time.process_time()
        ask()
        clock.append((time.perf_counter() - started) * 1000)
        processor.append((time.process_time() - worked) * 1000)
    return Figure(name, visits, median(clock), median(processor))


def measure(folder: Path, visits: int, *, now: datetime) -> Iterator[Figure]:
    """Time what the office's pages ask of a log, each with the log opened anew as the dashboard does."""

    def with_log(ask: Callable[[actions.Log], Any]) -> Callable[[], Any]:
        def run() -> Any:
            with actions.open_log(folder) as log:
                return ask(log)

        return run

    with actions.open_log(folder) as log:
        longest = max(actions.open_recoveries(log), key=lambda each: len(each.visits))
    name, pool_id = longest.pool.name, longest.pool.id
    for said, ask in (
        ("board", lambda log: actions.board(log, now=now)),
        ("pool: recovery", lambda log: actions.recovery(log, longest.id)),
        ("pool: next step", lambda log: actions.next_step(log, longest.id, now=now)),
        ("pool: progress", lambda log: actions.progress(log, longest.id, now=now)),
        ("pools, first page", lambda log: actions.find_pools(log)),
        ("pools, page far on", lambda log: actions.find_pools(log, start=visits // 50 * 9 // 10)),
        ("pools, searched", lambda log: actions.find_pools(log, name[-4:])),
        ("pool of a tag", lambda log: intake.pool_of_tag(log, tag_code(pool_id))),
        ("photos that wait", lambda log: intake.waiting(log)),
        ("how right grades were", lambda log: learning.drift(log)),
        ("cards", lambda log: cards.cards(log)),
        ("recoveries of a pool", lambda log: actions.recoveries_of(log, pool_id)),
        ("find by name", lambda log: actions.find_recovery(log, name)),
    ):
        yield timed(said, visits, with_log(ask))


PAGES = ("", "visit", "visit?recovery={recovery}", "pool?recovery={recovery}", "pools", "dose", "intake", "more",
         "card", "strips", "prices", "accounts")  # fmt: skip
"""The pages opened in a browser; an empty name is the board."""


def browse(folder: Path, times: int, pages: Sequence[str] = PAGES) -> Iterator[tuple[str, float, float, float]]:
    """Open each page so often on a phone's screen; give its name, median, 95th percentile, processor time [s].

    Timed from the address typed to the page drawn and its run ended: from then on it can be tapped. The processor time
    is a page's median, of the dashboard and the browser together: others on the machine do not lengthen it.
    """
    sys.path.insert(0, str(Path(__file__).parent / "app"))
    from in_browser import TIMEOUT_MS, VIEWPORTS, chromium, served

    with actions.open_log(folder) as log:
        recovery = max(actions.open_recoveries(log), key=lambda each: len(each.visits)).id
    with chromium() as browser, served(folder) as address:
        page = browser.new_page(**VIEWPORTS["phone"])
        page.set_default_timeout(2 * TIMEOUT_MS)
        for name in pages:
            took, worked = [], []
            # Once for a warm program.
            for turn in range(times + 1):
                started, before = time.perf_counter(), processor_s()
                page.goto(f"{address}/{name.format(recovery=recovery)}")
                page.wait_for_selector("h1")
                page.wait_for_selector('[data-testid="stApp"][data-test-script-state="notRunning"]')
                if turn:
                    took.append(time.perf_counter() - started)
                    worked.append(processor_s() - before)
            took.sort()
            yield (
                (name or "board").replace("={recovery}", ""),
                median(took),
                took[round(0.95 * (len(took) - 1))],
                median(worked),
            )


def processor_s() -> float:
    """Return the processor time of all programs that this one has started, and of theirs [s]; from Linux's /proc."""
    parent, used = {}, {}
    for path in Path("/proc").glob("[0-9]*/stat"):
        try:
            fields = path.read_text().rpartition(")")[2].split()
        except OSError:
            continue
        # Fields 4, 14 and 15 of proc(5): the parent, and time in user and kernel mode in clock ticks.
        parent[int(path.parent.name)] = int(fields[1])
        used[int(path.parent.name)] = int(fields[11]) + int(fields[12])
    ours, before = {os.getpid()}, 0
    while len(ours) > before:
        before = len(ours)
        ours |= {each for each, of in parent.items() if of in ours}
    return sum(used[each] for each in ours if each in used) / os.sysconf("SC_CLK_TCK")


def show_pages(folder: Path, times: int, pages: Sequence[str]) -> None:
    """Open the pages and print how long each took."""
    for name, middle, most, worked in browse(folder, times, pages):
        print(f"{name:22s}  median {middle:.2f} s, p95 {most:.2f} s, processor {worked:.2f} s", flush=True)


def main() -> None:
    """Run and print the figures."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--pools", type=int, default=5000)
    asked.add_argument("--visits", type=int, default=250_000)
    asked.add_argument("--open", type=int, default=20, help="recoveries open now")
    asked.add_argument("--result-kb", type=float, default=13.5, help="size of one measurement's JSON [kB]")
    asked.add_argument("--browser", type=int, default=0, help="open every page so often in headless Chromium too")
    asked.add_argument("--keep", type=Path, help="an empty folder to leave the larger log in")
    asked.add_argument("--use", type=Path, help="only open the pages of a log that --keep has left")
    asked.add_argument("--page", action="append", choices=PAGES, help="only this page; more than once for several")
    told = asked.parse_args()
    if told.use:
        show_pages(told.use, told.browser or 5, told.page or PAGES)
        return
    now = datetime.now(UTC)
    print(f"{'':22s}{'visits':>9s}{'clock ms':>11s}{'processor ms':>14s}")
    with tempfile.TemporaryDirectory() as scratch:
        for share in (10, 1):
            folder = told.keep if told.keep and share == 1 else Path(scratch, str(share))
            started = time.monotonic()
            visits = write_log(
                folder,
                pools=told.pools // share,
                visits=told.visits // share,
                open_pools=told.open,
                result_bytes=int(told.result_kb * 1000),
                now=now,
            )
            size = (folder / "log.sqlite3").stat().st_size
            written = f"{size / 1e9:.2f} GB, {told.open} open, written in {time.monotonic() - started:.0f} s"
            print(f"{told.pools // share} pools, {visits} visits, {written}", file=sys.stderr)
            for each in measure(folder, visits, now=now):
                print(f"{each.name:22s}{each.visits:9d}{each.clock_ms:11.1f}{each.processor_ms:14.1f}", flush=True)
            if told.browser:
                show_pages(folder, told.browser, told.page or PAGES)
    print(f"most memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3:.0f} MB")


if __name__ == "__main__":
    main()
