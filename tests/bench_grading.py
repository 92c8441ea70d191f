"""Print how long grading takes after decoding, stage by stage.

`OMP_NUM_THREADS=1 python -m tests.bench_grading PHOTO...`

In: photos, best of 12 megapixels. Out: a table of processor times of one thread [ms], median and nine tenths, on
standard output. Decoding is done before the clock starts. Photos that get no grade are left out and counted.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from vision.card import LEVELS_PX, find_card
from vision.errors import VisionError
from vision.features import features_of
from vision.fitness import fitness_of, unfit
from vision.grade import grade_features, load_grader
from vision.measure import beyond_trained, middle_colour, print_delta_e00, usable_patches
from vision.normalise import FEWEST_PATCHES, fit_colours
from vision.photo import open_photo
from vision.uncertainty import spread_of
from vision.water import WORK_PX, find_water, view_of
from vision.widening import shifted_features

GRADER = Path(__file__).parent.parent / "models/shipped/grader.npz"


def main() -> None:
    """Time the stages of every photo."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench_grading", description=__doc__)
    parser.add_argument("photos", nargs="+", type=Path)
    cv2.setNumThreads(1)
    grader = load_grader(GRADER)
    times: dict[str, list[float]] = {}
    left_out = 0

    def timed(name: str, work: Callable[..., Any], *given: Any) -> Any:
        start = time.process_time()
        answer = work(*given)
        spent[name] = 1e3 * (time.process_time() - start)
        return answer

    for path in parser.parse_args().photos:
        spent: dict[str, float] = {}
        photo = open_photo(path)
        for level in (LEVELS_PX[0], WORK_PX):
            photo.read(level)
        try:
            card = timed("card", find_card, photo)
            usable = usable_patches(card)
            if usable.sum() < FEWEST_PATCHES:
                left_out += 1
                continue
            known, error = card.design.kind == "chart24", print_delta_e00(card, photo, None)
            fit = timed(
                "colours",
                lambda c=card, u=usable, e=error, k=known: fit_colours(
                    c.samples, c.design, usable=u, print_delta_e00=e, print_known=k
                ),
            )
            view = timed("view", view_of, photo, card, fit)
            region = timed("water", find_water, view, grader.water)
            timed("fitness", lambda v=view, r=region, c=card, f=fit: unfit(fitness_of(v, r, c, f), grader.fitness))
            features = timed("features", features_of, view, region, card, None)
            middle = timed("middle", middle_colour, view, region)
            shifted = shifted_features(
                features, middle, spread_of(beyond_trained(fit), fit.uncertainty(middle).lab[None])[0]
            )
            timed("grade", lambda x=features, s=shifted: grade_features(x, grader, shifted=s))
        except VisionError:
            left_out += 1
            continue
        for name, spent_ms in (*spent.items(), ("all", sum(spent.values()))):
            times.setdefault(name, []).append(spent_ms)
    print(f"{len(times.get('all', []))} photos timed, {left_out} left out")
    for name, each in times.items():
        print(f"{name:10s} {np.median(each):7.1f} {np.quantile(each, 0.9):7.1f}")


if __name__ == "__main__":
    main()
