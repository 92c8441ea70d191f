"""Say how good a grader is, on photos that it was not fitted on, in the figures of the model card.

In: probabilities over steps, or a grader file and a folder of rendered photos. Out: `Report`, and its table.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.stats import spearmanr

from models.training.dataset import Vectors
from models.training.kernelfit import steps_of
from vision.fitness import UNFIT, WAYS
from vision.grade import (
    CHLOROPHYLL_STEPS_UG_L,
    DEPTH_STEPS_M,
    LEAST_WITHIN_ONE,
    WEAK_CLARITY,
    WEAK_SEVERITY,
    Steps,
    quantiles,
    worth_most,
)
from vision.results import CLARITY_LOWER_M, SEVERITY_LOWER_UG_L

Array = NDArray[Any]


@dataclass(frozen=True)
class Report:
    """Figures of one grade: shares 0 to 1, `calibration_error` the expected calibration error in ten bins.

    `rms_dex` is the root mean square of log10(median / truth), `coverage` that of the 80 % interval, `rank` the rank
    correlation of median and truth, `log_loss` that of the steps.
    """

    rows: int
    exact: float
    within_one: float
    calibration_error: float
    coverage: float
    rms_dex: float
    rank: float
    log_loss: float


def class_edges(lowers: Any) -> Array:
    """Return the bounds of the classes in rising order, without the outer ends."""
    return np.array(sorted(value for value in lowers.values() if value > 0))


def report(steps: Array, truth: Array, bounds: Array, edges: Array) -> Report:
    """Return the figures of one grade.

    Parameters
    ----------
    steps : ndarray, shape (N, K)
        Probabilities of the steps, each row of a photo not fitted on.
    truth : ndarray, shape (N,)
        The true figure.
    bounds, edges : ndarray
        Bounds of the steps and of the classes.
    """
    classes = classes_of(steps, bounds, edges)
    graded, true = graded_of(classes), np.searchsorted(edges, truth, side="right")
    sure = classes[np.arange(len(classes)), graded]
    error = 0.0
    for low in np.arange(0, 1, 0.1):
        here = (sure > low) & (sure <= low + 0.1)
        if here.any():
            error += here.mean() * abs(sure[here].mean() - (graded == true)[here].mean())
    low, mid, high = quantiles(steps, bounds, (0.1, 0.5, 0.9)).T
    # Beyond the steps' ends the truth counts as the end.
    held = np.clip(truth, bounds[0], bounds[-1])
    return Report(
        rows=len(truth),
        exact=float((graded == true).mean()),
        within_one=float((np.abs(graded - true) <= 1).mean()),
        calibration_error=float(error),
        coverage=float(((held >= low) & (held <= high)).mean()),
        rms_dex=float(np.sqrt(np.mean(np.log10(mid / held) ** 2))),
        rank=float(spearmanr(mid, truth).statistic) if np.ptp(mid) > 0 else 0.0,
        log_loss=float(-np.log(steps[np.arange(len(truth)), steps_of(truth, bounds)] + 1e-9).mean()),
    )


def report_both(
    depth_steps: Array, chlorophyll_steps: Array, depth_m: Array, chlorophyll_ug_l: Array
) -> dict[str, Report]:
    """Return the figures of clarity and of severity."""
    return {
        "clarity": report(depth_steps, depth_m, DEPTH_STEPS_M, class_edges(CLARITY_LOWER_M)),
        "severity": report(
            chlorophyll_steps, chlorophyll_ug_l, CHLOROPHYLL_STEPS_UG_L, class_edges(SEVERITY_LOWER_UG_L)
        ),
    }


@dataclass(frozen=True)
class Abstaining:
    """Shares of photos that get no grade, 0 to 1: of good ones, of spoiled ones by kind, and of all spoiled ones.

    By grade, of good photos that get one: how many are flagged as weak, how many are off by two classes, and how many
    are without being flagged.
    """

    fit: float
    spoiled: dict[str, float]
    all_spoiled: float
    weak: dict[str, float]
    wrong_by_two: dict[str, float]
    wrong_unflagged: dict[str, float]


def classes_of(steps: Array, bounds: Array, edges: Array) -> Array:
    """Return the probability of each class, in rising order of the figure, shape (N, classes)."""
    of_step = np.searchsorted(edges, bounds[:-1], side="right")
    return np.stack([steps[:, of_step == k].sum(axis=1) for k in range(len(edges) + 1)], axis=1)


def graded_of(classes: Array) -> Array:
    """Return the class that `vision.grade` gives, shape (N,)."""
    return worth_most(classes)


def within_one_of(classes: Array) -> Array:
    """Return the probability of the grade and its neighbours, shape (N,)."""
    grade = graded_of(classes)[:, None]
    near = np.abs(np.arange(classes.shape[1])[None] - grade) <= 1
    return np.asarray((classes * near).sum(axis=1))


def abstaining(vectors: Vectors, steps: Steps, spoiled: Array, unlike: float) -> tuple[Abstaining, Array]:
    """Return how often photos get no grade, and which rows get one.

    Parameters
    ----------
    vectors : Vectors
        All photos, those refused before their water was found included.
    steps : Steps
        What the grader says of every row.
    spoiled : ndarray, shape (N, ways)
        Probabilities of being spoiled, fit first.
    unlike : float
        Likeness under which a photo is out of range.
    """
    classes = [
        classes_of(each, bounds, class_edges(lowers))
        for each, bounds, lowers in (
            (steps.depth, DEPTH_STEPS_M, CLARITY_LOWER_M),
            (steps.chlorophyll, CHLOROPHYLL_STEPS_UG_L, SEVERITY_LOWER_UG_L),
        )
    ]
    given = ~vectors.doubted & (spoiled[:, 0] > 1 - UNFIT) & (steps.likeness >= unlike)
    for each in classes:
        given &= within_one_of(each) >= LEAST_WITHIN_ONE
    shares = {}
    for way, name in enumerate((*WAYS, "no_water")):
        rows, refused = vectors.way == way, int((vectors.refused_way == way).sum())
        if rows.sum() + refused:
            shares[name] = float(((~given & rows).sum() + refused) / (rows.sum() + refused))
    bad, bad_refused = vectors.way > 0, int((vectors.refused_way > 0).sum())
    all_spoiled = float(((~given & bad).sum() + bad_refused) / max(bad.sum() + bad_refused, 1))
    good = given & (vectors.way == 0)
    weak, wrong, unflagged = {}, {}, {}
    for name, each, lowers, truth, most in (
        ("clarity", classes[0], CLARITY_LOWER_M, vectors.depth_m, WEAK_CLARITY),
        ("severity", classes[1], SEVERITY_LOWER_UG_L, vectors.chlorophyll_ug_l, WEAK_SEVERITY),
    ):
        off = np.abs(graded_of(each) - np.searchsorted(class_edges(lowers), truth, side="right")) >= 2
        doubted = 1 - within_one_of(each) > most
        weak[name], wrong[name] = (float(which[good].mean()) if good.any() else 0.0 for which in (doubted, off))
        unflagged[name] = float((off & ~doubted)[good].mean()) if good.any() else 0.0
    return Abstaining(shares.pop("fit", 0.0), shares, all_spoiled, weak, wrong, unflagged), given


def table(reports: dict[str, Report]) -> str:
    """Return the figures as a Markdown table."""
    names = list(asdict(next(iter(reports.values()))))
    lines = ["| | " + " | ".join(names) + " |", "|---" * (len(names) + 1) + "|"]
    for name, each in reports.items():
        values = asdict(each)
        cells = [str(values[k]) if isinstance(values[k], int) else f"{values[k]:.3f}" for k in names]
        lines.append(f"| {name} | " + " | ".join(cells) + " |")
    return "\n".join(lines)
