"""Grade photos that belong together: one pool in ten ways, and one scene at rising chlorophyll.

In: a grader and a folder of such photos (`dataset.SAME_SCENE_START`, `SERIES_START`). Out: `Agreement` and `Order`.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np
from scipy.stats import spearmanr

from models.training.dataset import SAME_SCENE_START, SERIES_START, SERIES_UG_L, WAYS_A_SCENE, Vectors
from models.training.evaluate import class_edges, classes_of, graded_of
from vision.grade import CHLOROPHYLL_STEPS_UG_L, DEPTH_STEPS_M, Steps, quantiles
from vision.results import CLARITY_LOWER_M, SEVERITY_LOWER_UG_L

FEWEST_STEPS = 5
"""Fewest photos of a series that a rank correlation is taken of."""


@dataclass(frozen=True)
class Agreement:
    """Of pairs of photos of one water: shares of the same grade and within one, and how many pairs there were."""

    grade: str
    pairs: int
    same: float
    within_one: float


@dataclass(frozen=True)
class Order:
    """Mean rank correlation over the series, the least, and how many series there were."""

    figure: str
    series: int
    mean: float
    least: float


def agreement(vectors: Vectors, steps: Steps, given: np.ndarray) -> list[Agreement]:
    """Return how well photos of one water agree, of those that got a grade."""
    out = []
    for grade, each, bounds, lowers in (
        ("clarity", steps.depth, DEPTH_STEPS_M, CLARITY_LOWER_M),
        ("severity", steps.chlorophyll, CHLOROPHYLL_STEPS_UG_L, SEVERITY_LOWER_UG_L),
    ):
        graded = graded_of(classes_of(each, bounds, class_edges(lowers)))
        scene = (vectors.number - SAME_SCENE_START) // WAYS_A_SCENE
        off = [
            abs(int(graded[i]) - int(graded[j]))
            for name in np.unique(scene)
            for i, j in combinations(np.flatnonzero((scene == name) & given), 2)
        ]
        share = np.array(off) if off else np.zeros(0)
        out.append(Agreement(grade, len(off), float((share == 0).mean()), float((share <= 1).mean())))
    return out


def order(vectors: Vectors, steps: Steps) -> list[Order]:
    """Return how well the order of the dilution series is kept."""
    series = (vectors.number - SERIES_START) // len(SERIES_UG_L)
    out = []
    for figure, each, bounds, truth in (
        ("visible depth", steps.depth, DEPTH_STEPS_M, vectors.depth_m),
        ("chlorophyll", steps.chlorophyll, CHLOROPHYLL_STEPS_UG_L, vectors.chlorophyll_ug_l),
    ):
        middle = quantiles(each, bounds, (0.5,))[:, 0]
        ranks = [
            float(spearmanr(middle[series == name], truth[series == name]).statistic)
            for name in np.unique(series)
            if (series == name).sum() >= FEWEST_STEPS
        ]
        out.append(Order(figure, len(ranks), float(np.mean(ranks)), float(np.min(ranks))))
    return out
