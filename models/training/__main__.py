"""Train the grader: `python -m models.training FOLDER [--count N] [--held-out N] [--jobs N] [--write]`.

In: a folder for the rendered photos (made where missing: a stopped run goes on). Out: the figures of the model card on
standard output; with --write the model file and its card in models/shipped. The same counts give the same files.
"""

from __future__ import annotations

import argparse
import os
from dataclasses import asdict
from functools import partial
from pathlib import Path
from typing import Any

SHIPPED = Path(__file__).parent.parent / "shipped"
"""Where the model file and its card go."""
NAME = "grader"
"""Their name."""


def main(arguments: list[str] | None = None) -> None:
    """Render, fit, evaluate and, if told to, write."""
    parser = argparse.ArgumentParser(prog="python -m models.training", description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--count", type=int, default=3000, help="rendered photos to fit on")
    parser.add_argument("--held-out", type=int, default=400, help="rendered photos to evaluate on")
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--write", action="store_true", help="write models/shipped")
    options = parser.parse_args(arguments)
    # One thread a process: the sums then run in one order, and two processes use two cores.
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ[name] = "1"
    reports, fitted, rows = train(options.folder, options.count, options.held_out, jobs=options.jobs)
    from models.training.evaluate import table

    print(table(reports))
    if options.write:
        from models.training.card import card_text
        from models.training.fit import write_grader

        command = f"python -m models.training FOLDER --count {options.count} --held-out {options.held_out} --write"
        about = {"command": command, "rows": rows, "held_out": {k: asdict(v) for k, v in reports.items()}}
        write_grader(SHIPPED / f"{NAME}.npz", fitted, about)
        (SHIPPED / f"{NAME}.md").write_text(card_text(reports, command, rows), encoding="utf-8")
        print(f"written to {SHIPPED / NAME}.npz")


def train(folder: Path, count: int, held_out: int, *, jobs: int) -> tuple[dict[str, Any], Any, int]:
    """Return the figures, the fitted grader and the number of rows it was fitted on."""
    from models.training import dataset
    from models.training.evaluate import report_both
    from models.training.fit import bare_grader, fit_grader
    from vision.grade import distribution

    folder.mkdir(parents=True, exist_ok=True)
    fit_on = dataset.training_numbers(count)
    test_on = list(range(dataset.HELD_OUT_START, dataset.HELD_OUT_START + held_out))
    dataset.over_photos(partial(dataset.render_one, folder), fit_on + test_on, jobs=jobs, say="photos")
    fitted, vectors = fit_grader(folder, dataset.whole(folder, fit_on), jobs=jobs)
    reports = report_both(*fitted.held_out, vectors.depth_m, vectors.chlorophyll_ug_l)
    named = {f"{name}, folds": each for name, each in reports.items()}
    if held_out:
        held = dataset.make_vectors(folder, bare_grader(fitted.water), dataset.whole(folder, test_on), jobs=jobs)
        reports = report_both(
            distribution(fitted.depth, held.features, fitted.temperatures[0]),
            distribution(fitted.chlorophyll, held.features, fitted.temperatures[1]),
            held.depth_m,
            held.chlorophyll_ug_l,
        )
        named |= {f"{name}, held-out cameras and pools": each for name, each in reports.items()}
    return named, fitted, len(vectors.depth_m)


if __name__ == "__main__":
    main()
