"""The time table: scoring over decoding, peak memory, throughput on two processes over one.

In: rendered 12-megapixel photos. Out: ratios, as text; other load on the machine moves them, so each pair of times is
taken one right after the other and the median ratio is given. A child process of this module measures one folder:
`python -m tests.bench.timing score|read PHOTO...` prints its peak memory [MB] and time [s].
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path

import cv2
import numpy as np

from tests.bench.finding import PHOTO_PX
from tests.bench.grounds import ground
from tests.bench.scene import Lie, card_target, photograph

ROOT = Path(__file__).parents[2]
GRADER = ROOT / "models" / "shipped" / "grader.npz"


def photos(count: int, seed: int, folder: Path) -> list[Path]:
    """Return ordinary photos: the card beside a rendered pool, an eighth to a quarter of the width, in focus."""
    out = []
    for i in range(count):
        rng = np.random.default_rng([seed, 31, i])
        file = folder / f"time_{seed}_{i}.jpg"
        if not file.exists():
            lie = Lie(
                width_share=rng.uniform(0.12, 0.25), tilt_deg=rng.uniform(10, 45), turn_deg=rng.uniform(-40, 40),
                axis_deg=rng.uniform(0, 360), middle=tuple(rng.uniform([0.3, 0.6], [0.7, 0.8])), seed=i, blur_px=0.8,
            )  # fmt: skip
            photo, _ = photograph(ground(i % 4, PHOTO_PX, folder / "grounds"), card_target(), lie)
            cv2.imwrite(str(file), photo[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 90])
        out.append(file)
    return out


def _child(what: str, files: list[Path]) -> tuple[float, float]:
    """Return peak memory [MB] and time [s] of a process that scores or reads the files."""
    command = [sys.executable, "-W", "ignore", "-m", "tests.bench.timing", what, *map(str, files)]
    environment = os.environ | {"PYTHONPATH": str(ROOT)}
    done = subprocess.run(command, capture_output=True, text=True, check=True, cwd=ROOT, env=environment)
    peak, seconds = done.stdout.split()
    return float(peak), float(seconds)


def _two(files: list[Path], processes: int) -> float:
    """Return photos a second over some processes of one thread each, their start-up left out."""
    parts = [files[i::processes] for i in range(processes)]
    command = [sys.executable, "-W", "ignore", "-m", "tests.bench.timing", "serve"]
    environment = os.environ | {"PYTHONPATH": str(ROOT)}
    crew = [
        subprocess.Popen([*command, *map(str, part)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
                         cwd=ROOT, env=environment)
        for part in parts
    ]  # fmt: skip
    for each in crew:
        assert each.stdout is not None
        each.stdout.readline()  # warm
    begin = time.perf_counter()
    for each in crew:
        assert each.stdin is not None
        each.stdin.write("go\n")
        each.stdin.flush()
    for each in crew:
        each.wait()
    return len(files) / (time.perf_counter() - begin)


def run(seed: int, folder: Path, quick: bool) -> str:
    """Return the table."""
    from vision.grade import load_grader
    from vision.measure import measure_water

    files = photos(4 if quick else 12, seed, folder)
    grader = load_grader(GRADER)
    measure_water(files[0], grader=grader)
    ratios, reads, notes = [], [], []
    for turn in range(1 if quick else 5):
        for file in files:
            begin = time.perf_counter()
            cv2.imread(str(file))
            read = time.perf_counter() - begin
            begin = time.perf_counter()
            result = measure_water(file, grader=grader)
            ratios.append((time.perf_counter() - begin) / read)
            reads.append(read)
            if turn == 0 and result.water is None:
                notes.append(f"{file.name}: {', '.join(p.code for p in result.problems)}")
    peak, _ = _child("score", files)
    bare, _ = _child("read", files)
    gains = []
    for _ in range(1 if quick else 3):
        one, two = _two(files * 3, 1), _two(files * 3, 2)
        gains.append(two / one)
    load = os.getloadavg()[0]
    lines = [
        f"scoring a 12-megapixel JPEG over cv2.imread of it: median {np.median(ratios):.2f}, "
        f"10 to 90 % {np.quantile(ratios, 0.1):.2f} to {np.quantile(ratios, 0.9):.2f} "
        f"({len(ratios)} pairs; imread {1000 * np.median(reads):.0f} ms)",
        f"peak memory of a process that scores: {peak:.0f} MB (one that only reads with cv2.imread: {bare:.0f} MB)",
        f"photos a second on two processes over one, one thread each: median {np.median(gains):.2f} "
        f"({', '.join(f'{g:.2f}' for g in gains)})",
        f"the machine's load while measured: {load:.1f} on {os.cpu_count()} cores"
        + ("" if load < 1.5 * (os.cpu_count() or 1) else ": others were computing, so read the ratios with care"),
    ]
    if notes:
        lines.append("not scored to the end: " + "; ".join(notes))
    return "\n".join(lines)


def _peak_mb() -> float:
    """Return this program's peak memory [MB]; `getrusage` would count what its parent held before starting it."""
    status = Path("/proc/self/status").read_text()
    return int(status.split("VmHWM:")[1].split()[0]) / 1024


def main() -> None:
    """Score or read photos in this process and say what it took."""
    what, files = sys.argv[1], [Path(name) for name in sys.argv[2:]]
    if what == "read":
        work = lambda file: cv2.imread(str(file))  # noqa: E731
    else:
        from vision.grade import load_grader
        from vision.measure import measure_water

        grader = load_grader(GRADER)
        work = lambda file: measure_water(file, grader=grader)  # noqa: E731
    if what == "serve":
        cv2.setNumThreads(1)
        work(files[0])
        print("ready", flush=True)
        sys.stdin.readline()
    begin = time.perf_counter()
    for file in files:
        work(file)
    seconds = time.perf_counter() - begin
    print(f"{_peak_mb():.0f} {seconds:.3f}")


if __name__ == "__main__":
    main()
