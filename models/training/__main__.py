"""Train the grader: `python -m models.training FOLDER [--count N] [--held-out N] [--jobs N] [--write]`.

In: a folder for the rendered photos (made where missing: a stopped run goes on). Out: the figures of the model card on
standard output; with --write the model file and its card in models/shipped. The same counts give the same files.
"""

from __future__ import annotations

import argparse
import os
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from models.training.card import Figures
    from models.training.dataset import Vectors
    from models.training.fit import Fitted
    from vision.network import Network

SHIPPED = Path(__file__).parent.parent / "shipped"
"""Where the model file and its card go."""
NAME = "grader"
"""Their name."""
SCENES, SERIES = 15, 10
"""Pools photographed in ten ways, and dilution series, of the evaluation."""


def main(arguments: list[str] | None = None) -> None:
    """Render, fit, evaluate and, if told to, write."""
    parser = argparse.ArgumentParser(prog="python -m models.training", description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--count", type=int, default=2000, help="rendered pool photos to fit on")
    parser.add_argument("--held-out", type=int, default=720, help="rendered photos to evaluate on")
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--write", action="store_true", help="write models/shipped")
    options = parser.parse_args(arguments)
    # One thread a process: the sums then run in one order, and two processes use two cores.
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ[name] = "1"
    from models.training.card import card_text

    command = f"python -m models.training FOLDER --count {options.count} --held-out {options.held_out} --write"
    fitted, figures = train(options.folder, options.count, options.held_out, jobs=options.jobs)
    text = card_text(figures, command)
    print(text)
    if options.write:
        from models.training.fit import write_grader

        write_grader(SHIPPED / f"{NAME}.npz", fitted, {"command": command, **figures.to_json()})
        (SHIPPED / f"{NAME}.md").write_text(text, encoding="utf-8")
        print(f"written to {SHIPPED / NAME}.npz")


def train(folder: Path, count: int, held_out: int, *, jobs: int) -> tuple[Fitted, Figures]:
    """Return the fitted grader and its figures."""
    from models.training import dataset
    from models.training.card import HeldOut, figures_of
    from models.training.fit import bare_grader, fit_vectors, fit_water

    folder.mkdir(parents=True, exist_ok=True)
    fit_on, test_on = dataset.training_numbers(count), dataset.held_out_numbers(held_out)
    ways = list(range(dataset.SAME_SCENE_START, dataset.SAME_SCENE_START + SCENES * dataset.WAYS_A_SCENE))
    series = list(range(dataset.SERIES_START, dataset.SERIES_START + SERIES * len(dataset.SERIES_UG_L)))
    plain = dataset.plain_numbers(held_out)
    everything = [*fit_on, *test_on, *plain, *ways, *series]
    dataset.over_photos(partial(dataset.render_one, folder), everything, jobs=jobs, say="photos")
    fit_on = dataset.whole(folder, fit_on)

    def vectors(water: tuple[Network, ...], *sets: list[int], cardless: frozenset[int] = frozenset()) -> list[Vectors]:
        make = partial(dataset.make_vectors, folder, bare_grader(water), jobs=jobs, cardless=cardless)
        return [make(dataset.whole(folder, each)) for each in sets]

    # How the grader does on a renderer's photos is told by one that was fitted without any of them.
    box = dataset.box_numbers(count)
    others = [number for number in fit_on if number < dataset.BOX_START]
    water = fit_water(folder, others, jobs=jobs)
    known, unseen = vectors(water, others, box)
    apart = fit_vectors(water, known)
    cardless = known.cardless | unseen.cardless
    water = fit_water(folder, [number for number in fit_on if number not in cardless], jobs=jobs)
    known, *tests = vectors(water, fit_on, test_on, plain, ways, series, cardless=cardless)
    fitted = fit_vectors(water, known)
    return fitted, figures_of(fitted, known, HeldOut(*tests), apart, unseen)


if __name__ == "__main__":
    main()
