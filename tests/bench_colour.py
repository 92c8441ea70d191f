"""The benchmark of card and colour: Turnblue and its peers on the same rendered photos, side by side in one run.

`python -m tests.bench_colour [finding] [negatives] [colour] [constancy] [time] [--quick] [--peers FOLDER] ...`
prints a table for each; without names, all of them. Photos are rendered into `--folder` and kept there; every run with
the same counts and seed sees the same photos. `--peers FOLDER` makes environments for the peers that cannot share this
one (pip). Failing photos are listed by kind in FOLDER/failing_*.json.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Sequence
from pathlib import Path

TABLES = ("finding", "negatives", "colour", "constancy", "time")


def finding(asked: argparse.Namespace) -> None:
    """Print what is found, by target."""
    from tests.bench.finding import make_photos, table
    from tests.bench.runners import run_peers, run_turnblue

    for kind in (asked.target,) if asked.target else ("card", "chart"):
        cases = make_photos(kind, asked.count, asked.seed, asked.folder)
        task = {"target": kind, "photos": [str(asked.folder / case.photo) for case in cases]}
        answers = run_turnblue(task)
        peers, missing = ({}, ["peers: left out as asked."]) if asked.alone else run_peers(task, asked.peers)
        text, failing = table(cases, answers | peers)
        title = {"card": "the printed card", "chart": "the 24-patch chart"}[kind]
        print(f"\n== Finding {title}: {len(cases)} usable rendered photos, 4032 x 3024, JPEG quality 90\n{text}")
        print("\n".join(missing))
        (asked.folder / f"failing_{kind}.json").write_text(json.dumps(failing, indent=1))
        (asked.folder / f"answers_{kind}.json").write_text(json.dumps(answers | peers))


def negatives(asked: argparse.Namespace) -> None:
    """Print how often a card is found where there is none."""
    from tests.bench.negatives import run

    options = {"alone": asked.alone, "start": asked.start, "jobs": asked.jobs}
    print("\n== False cards\n" + run(asked.negatives, asked.seed, asked.folder, **options))


def colour(asked: argparse.Namespace) -> None:
    """Print held-out CIEDE2000 by illuminant and camera."""
    from tests.bench.colours import run

    print("\n== Held-out patches of the 24-patch chart\n" + run(asked.seed, asked.folder, asked.peers, asked.quick))


def constancy(asked: argparse.Namespace) -> None:
    """Print how far the same water's normalised colours spread."""
    from tests.bench.constancy import run

    print("\n== The same water under other light, with other cameras\n" + run(asked.seed, asked.folder, asked.quick))


def time(asked: argparse.Namespace) -> None:
    """Print time over decode time, memory, and throughput."""
    from tests.bench.timing import run

    print("\n== Time and memory\n" + run(asked.seed, asked.folder, asked.quick))


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the tables asked for."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench_colour", description=__doc__.splitlines()[0])
    parser.add_argument("tables", nargs="*", metavar="TABLE", help=f"of {', '.join(TABLES)} (default: all)")
    parser.add_argument("--folder", type=Path, default=Path(".bench"), help="where photos are kept (default .bench)")
    parser.add_argument("--peers", type=Path, default=None, help="where peers' environments are made")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--count", type=int, default=None, help="photos a target in finding (default 240, quick 24)")
    parser.add_argument(
        "--negatives", type=int, default=None, help="pictures without a card (default 10000, quick 200)"
    )
    parser.add_argument("--start", type=int, default=0, help="negatives: number of the first picture")
    parser.add_argument("--jobs", type=int, default=1, help="negatives: processes")
    parser.add_argument("--alone", action="store_true", help="finding, negatives: Turnblue alone, without peers")
    parser.add_argument("--target", choices=("card", "chart"), help="finding: this target only")
    parser.add_argument("--quick", action="store_true", help="small counts")
    asked = parser.parse_args(arguments)
    unknown = [name for name in asked.tables if name not in TABLES]
    if unknown:
        parser.error(f"no table {', '.join(unknown)}; there are {', '.join(TABLES)}.")
    asked.count = asked.count or (24 if asked.quick else 240)
    asked.negatives = asked.negatives or (200 if asked.quick else 10_000)
    asked.folder.mkdir(parents=True, exist_ok=True)
    for name in asked.tables or TABLES:
        globals()[name](asked)
        sys.stdout.flush()
    return 0


if __name__ == "__main__":
    sys.exit(main())
