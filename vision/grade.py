"""Features to grades: two distributions, from which grades, probabilities, figures and intervals all follow.

In: the feature vector of a photo's water and a `Grader` read from the shipped model file. Out: `Graded`: both grades
with calibrated probabilities, visible depth and chlorophyll with 80 % intervals, and flags where the photo is unlike
any known or leaves the grade open.

The grader gives the probability of each of some twenty narrow steps of visible depth and of chlorophyll (both in
logarithms): a logistic distribution about the value that photos alike had, as wide as they scattered, together with
the steps that photos alike had, for a photo can leave two far steps open and nothing between. The bounds of the
classes are bounds of steps, so that a class's probability is the sum of its steps' and the interval, the middle and
the grade can never contradict each other's source. Where the log knows the pool's depth, a second pair of
machines is used that was fitted with it.
"""

from __future__ import annotations

import hashlib
import io
import json
import zipfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vision.errors import DesignInvalid
from vision.features import FEATURES
from vision.fitness import FITNESS_FEATURES, WAYS
from vision.kernel import KernelMachine, Scores
from vision.network import Network, network_of
from vision.results import CLARITY_LOWER_M, SEVERITY_LOWER_UG_L, Clarity, Grade, Interval, Severity, within_one
from vision.trees import Trees, trees_of
from vision.water import CELL_FEATURES
from vision.widening import blurred, spread_by_colour

Array = NDArray[Any]

FORMAT = "turnblue.grader/5"
"""Form of the model file."""

DEPTH_STEPS_M: Array = np.array(
    [0.1, 0.15, 0.2, 0.28, 0.36, 0.47, 0.6, 0.76, 0.95, 1.2, 1.5, 1.9, 2.4, 3.0, 3.8, 4.8, 6.0, 7.5, 9.5, 12.0, 16.0,
     25.0]
)  # fmt: skip
"""Bounds of the steps of visible depth [m]; among them every class bound of `CLARITY_LOWER_M`."""

CHLOROPHYLL_STEPS_UG_L: Array = np.array(
    [0.05, 0.3, 0.7, 1.2, 2.0, 3.0, 4.0, 5.2, 7.0, 10.0, 13.0, 17.0, 22.0, 30.0, 40.0, 50.0, 62.0, 77.0, 96.0, 120.0,
     150.0, 190.0, 240.0, 310.0, 600.0]
)  # fmt: skip
"""Bounds of the steps of chlorophyll-a [micrograms/L]; among them every class bound of `SEVERITY_LOWER_UG_L`."""

DEPTH_KNOWN = FEATURES.index("depth_known")
"""Place of the feature that says whether the pool's depth is known."""

OPEN_ABOVE_M = 9.5
"""Visible depth from which a pool's floor is seen with full contrast whatever its depth, so that a photo bounds it from
below only: over three times a usual deep end (the project's own)."""

NEIGHBOUR_WORTH = 0.3
"""What a grade one class off is worth beside the right one: a photo gets the class that is worth most. With 0 more
grades are exact and fewer within one (on 2900 left-out photos each 0.7 in a hundred)."""

LEAST_WITHIN_ONE = 0.5
"""Probability that the grade and its neighbours must have together; under an even chance the grade is left open: the
project's own."""

WEAK_CLARITY, WEAK_SEVERITY = 0.02, 0.0115
"""Probability of being two classes off or more from which a photo's grade is said to be weak: so that of all left-out
photos one in five hundred is off by two without a word."""
WEAK = 0.05
"""The same where a disc has spoken, whose belief keeps a few hundredths for a disc mistaken (the project's own)."""

FEATURE_DIGITS = 4
"""Decimals of features that count in grading: far finer than any photo knows them (the project's own)."""

WATER_LOOKS = 3
"""How often the water's cells are looked at: the second look knows this photo's own water, the third its edges."""

MACHINES = ("blind_depth", "blind_chlorophyll", "informed_depth", "informed_chlorophyll")
"""The kernel machines of a grader by name: by the photo alone, and with the pool's depth known."""


@dataclass(frozen=True)
class Grader:
    """A fitted grader, read from its file.

    Attributes
    ----------
    water : tuple of Network
        Tell water from its surroundings, look after look.
    fitness : Trees
        Tell spoiled photos.
    scores : Scores
        Turns features into scores.
    blind, informed : tuple of KernelMachine
        Depth and chlorophyll by the photo alone, and with the pool's depth known.
    unlike : float
        Likeness to the nearest known photo under which a photo is out of range [0-1].
    id : str
        First twelve digits of the file's sha256.
    about : mapping
        The model card's figures.
    """

    water: tuple[Network, ...]
    fitness: Trees
    scores: Scores
    blind: tuple[KernelMachine, KernelMachine]
    informed: tuple[KernelMachine, KernelMachine]
    unlike: float
    id: str
    about: Mapping[str, Any]


@dataclass(frozen=True)
class Graded:
    """What the grader says of one photo; `flags` are names from `vision.flags`."""

    clarity: Grade
    severity: Grade
    visible_depth_m: Interval
    chlorophyll_ug_l: Interval
    flags: tuple[str, ...]


def load_grader(path: Path) -> Grader:
    """Read a grader from its file; nothing in it is executed.

    Parameters
    ----------
    path : Path
        An .npz file of plain arrays, with a JSON text among them.

    Raises
    ------
    DesignInvalid
        If the file is missing, damaged, of another form, or made for other features.
    """
    hint = "Install Turnblue again, or train the grader anew."
    try:
        content = path.read_bytes()
        with np.load(io.BytesIO(content), allow_pickle=False) as stored:
            arrays = {name: stored[name] for name in stored.files}
        about = json.loads(bytes(arrays.pop("about").astype(np.uint8)).decode("utf-8"))
    except (OSError, ValueError, KeyError, zipfile.BadZipFile, EOFError) as error:
        raise DesignInvalid(f"The grader file {path.name} could not be read.", hint) from error
    if not isinstance(about, dict) or about.get("format") != FORMAT:
        raise DesignInvalid(f"The grader file {path.name} is not of the form {FORMAT}.", hint)
    made_for = (about.get("features"), about.get("cell_features"), about.get("fitness_features"))
    if made_for != (list(FEATURES), list(CELL_FEATURES), list(FITNESS_FEATURES)):
        raise DesignInvalid(f"The grader file {path.name} was made for other features than this program's.", hint)
    try:
        rows = arrays["rows"].astype(np.float32)
        machines = [machine_of(arrays, rows, name, float(about["lengths"][name])) for name in MACHINES]
        scores = Scores(arrays["knots"].astype(np.float64))
        unlike = float(about["unlike"])
    except (KeyError, TypeError, ValueError) as error:
        raise DesignInvalid(f"The grader file {path.name} is damaged.", hint) from error
    if scores.knots.shape[0] != len(FEATURES) or rows.shape[1] != len(FEATURES):
        raise DesignInvalid(f"The grader file {path.name} is damaged.", hint)
    return Grader(
        water=tuple(network_of(arrays, f"water{look}") for look in range(WATER_LOOKS)),
        fitness=fitness_trees(arrays),
        scores=scores,
        blind=(machines[0], machines[1]),
        informed=(machines[2], machines[3]),
        unlike=unlike,
        id=hashlib.sha256(content).hexdigest()[:12],
        about=about,
    )


def fitness_trees(arrays: Mapping[str, Array]) -> Trees:
    """Return the trees of a model file that tell spoiled photos.

    Raises
    ------
    DesignInvalid
        If they are damaged, or made for other figures or ways.
    """
    trees = trees_of(arrays, "fitness")
    if trees.width != len(FITNESS_FEATURES) or trees.roots.shape[1] != len(WAYS):
        raise DesignInvalid("The trees 'fitness' of the model file are damaged.", "Install Turnblue again.")
    return trees


def machine_of(arrays: Mapping[str, Array], rows: Array, name: str, length: float) -> KernelMachine:
    """Return one machine of a model file over the known photos' scores.

    Parameters
    ----------
    arrays : mapping
        The file's arrays.
    rows : ndarray, shape (N, F)
        The known photos' scores.
    name : str
        One of `MACHINES`.
    length : float
        Distance over which photos stay alike.

    Raises
    ------
    KeyError, ValueError
        If arrays are missing or do not fit each other.
    """
    weights, sums = arrays[f"{name}.weights"].astype(np.float32), arrays[f"{name}.sums"].astype(np.float32)
    offsets = arrays[f"{name}.offsets"].astype(np.float32)
    levels = arrays[f"{name}.levels"].astype(np.float64)
    if levels.ndim != 1 or (np.diff(levels) < 0).any() or ((levels < 0) | (levels > 1)).any():
        raise ValueError(name)
    votes, shares = arrays[f"{name}.votes"].astype(np.float32), arrays[f"{name}.shares"].astype(np.float32)
    count = len(DEPTH_STEPS_M if name.endswith("depth") else CHLOROPHYLL_STEPS_UG_L) - 1
    if shares.size and (votes.shape != (len(rows), count) or shares.shape != (count,)):
        raise ValueError(name)
    if weights.shape != rows.shape[1:] or sums.shape != (len(rows), 2) or offsets.shape != (2,) or not length > 0:
        raise ValueError(name)
    if not all(np.isfinite(each).all() for each in (rows, weights, sums, offsets, votes, shares)):
        raise ValueError(name)
    return KernelMachine(rows * weights, weights, length, sums, offsets, levels, votes, shares)


@dataclass(frozen=True)
class Steps:
    """Probabilities of the steps, shapes (N, K); `likeness` is that to the nearest known photo, shape (N,)."""

    depth: Array
    chlorophyll: Array
    likeness: Array


def distributions(features: Array, grader: Grader) -> Steps:
    """Return the distributions of photos, those whose pool's depth is known by the informed machines.

    Parameters
    ----------
    features : ndarray, shape (N, F)
    grader : Grader
    """
    scores = grader.scores(features)
    informed = features[:, DEPTH_KNOWN] > 0.5
    parts = []
    nearest = np.empty(len(features))
    for figure, bounds in enumerate((DEPTH_STEPS_M, CHLOROPHYLL_STEPS_UG_L)):
        steps = np.empty((len(features), len(bounds) - 1))
        for machines, here in ((grader.blind, ~informed), (grader.informed, informed)):
            if here.any():
                likeness = machines[figure].likeness(scores[here])
                machine = machines[figure]
                steps[here] = machine.steps(likeness, np.log10(bounds))
                if figure == 0:
                    nearest[here] = likeness.max(axis=1)
        parts.append(steps)
    return Steps(parts[0], parts[1], nearest)


def grade_features(features: Array, grader: Grader, *, shifted: Array | None = None) -> Graded:
    """Grade one photo's water.

    Parameters
    ----------
    features : ndarray, shape (F,)
        From `features.features_of`.
    grader : Grader
    shifted : ndarray, shape (6, F), optional
        The features at other colours that the water may have (`widening.shifted_features`): what they change makes
        both distributions wider.
    """
    rows = features[None] if shifted is None else np.vstack([features, shifted])
    # A feature's last bit can follow from where an array lies in memory; no result is to show it.
    steps = distributions(np.round(rows, FEATURE_DIGITS), grader)
    depth = _widened(steps.depth, DEPTH_STEPS_M)
    chlorophyll = _widened(steps.chlorophyll, CHLOROPHYLL_STEPS_UG_L)
    depth_lowers = {grade.value: lower for grade, lower in CLARITY_LOWER_M.items()}
    chlorophyll_lowers = {grade.value: lower for grade, lower in SEVERITY_LOWER_UG_L.items()}
    clarity = _grade(depth, DEPTH_STEPS_M, depth_lowers)
    severity = _grade(chlorophyll, CHLOROPHYLL_STEPS_UG_L, chlorophyll_lowers)
    flags = []
    if steps.likeness[0] < grader.unlike:
        flags.append("out_of_range")
    if not (settled(clarity, [g.value for g in Clarity]) and settled(severity, [g.value for g in Severity])):
        flags.append("undecided")
    for name, grade, order, most in (
        ("clarity_weak", clarity, [*Clarity], WEAK_CLARITY),
        ("severity_weak", severity, [*Severity], WEAK_SEVERITY),
    ):
        if weak(grade, [each.value for each in order], most):
            flags.append(name)
    return Graded(
        clarity=clarity,
        severity=severity,
        visible_depth_m=_within_grade(_depth_interval(depth), clarity, depth_lowers),
        chlorophyll_ug_l=_within_grade(_interval(chlorophyll, CHLOROPHYLL_STEPS_UG_L), severity, chlorophyll_lowers),
        flags=tuple(flags),
    )


def _widened(rows: Array, bounds: Array) -> Array:
    """Return the first row's distribution, wider by what the other rows' colours leave open, shape (steps,)."""
    if len(rows) == 1:
        return np.asarray(rows[0], dtype=np.float64)
    middles = quantiles(rows[1:], bounds, (0.5,))[:, 0]
    return blurred(rows[0], bounds, spread_by_colour(middles))


def _grade(steps: Array, bounds: Array, lowers: Mapping[str, float]) -> Grade:
    """Sum the steps of each class; every class bound is a step bound."""
    order = sorted(lowers, key=lambda name: lowers[name])
    edges = [lowers[name] for name in order] + [np.inf]
    starts = bounds[:-1]
    probabilities = {}
    for name, lower, upper in zip(order, edges[:-1], edges[1:], strict=True):
        probabilities[name] = float(steps[(starts >= lower - 1e-9) & (starts < upper - 1e-9)].sum())
    named = {name: probabilities[name] for name in lowers}
    place = int(worth_most(np.array([[probabilities[name] for name in order]]))[0])
    return Grade(order[place], named)


def worth_most(classes: Array) -> Array:
    """Return the place of the class that each photo gets, shape (N,).

    Parameters
    ----------
    classes : ndarray, shape (N, K)
        Probabilities of the classes in rising order.

    Examples
    --------
    >>> worth_most(np.array([[0.4, 0.0, 0.3, 0.3, 0.0], [0.1, 0.5, 0.4, 0.0, 0.0]])).tolist()
    [0, 1]
    """
    beside = np.pad(classes, ((0, 0), (1, 1)))
    return np.asarray((classes + NEIGHBOUR_WORTH * (beside[:, :-2] + beside[:, 2:])).argmax(axis=1))


def _within_grade(interval: Interval, grade: Grade, lowers: Mapping[str, float]) -> Interval:
    """Return the interval with its middle inside the grade's class: a class worth most may lie beside the median."""
    lower = lowers[grade.grade]
    upper = min((value for value in lowers.values() if value > lower), default=np.inf)
    # The upper bound belongs to the next class.
    mid = min(max(interval.mid, lower), float(np.nextafter(upper, 0.0)))
    high = interval.high if interval.high is None else max(interval.high, mid)
    return Interval(min(interval.low, mid), mid, high)


def settled(grade: Grade, order: list[str]) -> bool:
    """Tell whether the grade and its neighbours hold most of the probability."""
    return within_one(grade.grade, grade.probabilities, order) >= LEAST_WITHIN_ONE


def weak(grade: Grade, order: list[str], most: float = WEAK) -> bool:
    """Tell whether the grade is two classes off or more with a probability over `most`."""
    return 1 - within_one(grade.grade, grade.probabilities, order) > most


def quantiles(steps: Array, bounds: Array, shares: tuple[float, ...]) -> Array:
    """Return quantiles of distributions over steps, spread evenly in the logarithm inside a step.

    Parameters
    ----------
    steps : ndarray, shape (N, K)
        Probabilities.
    bounds : ndarray, shape (K + 1,)
        Bounds of the steps.
    shares : tuple of float
        Which quantiles [0-1].

    Returns
    -------
    ndarray, shape (N, len(shares))
    """
    logs = np.log(bounds)
    out = np.empty((len(steps), len(shares)))
    for row, weights in enumerate(steps):
        cumulative = np.concatenate([[0.0], np.cumsum(weights)])
        cumulative /= cumulative[-1]
        # A sliver of slope keeps the inverse defined over empty steps.
        cumulative += np.linspace(0, 1e-9, len(cumulative))
        out[row] = np.exp(np.interp(shares, cumulative, logs))
    return out


def _interval(steps: Array, bounds: Array) -> Interval:
    low, mid, high = (float(v) for v in quantiles(steps[None], bounds, (0.1, 0.5, 0.9))[0])
    return Interval(low, mid, high)


def _depth_interval(steps: Array) -> Interval:
    interval = _interval(steps, DEPTH_STEPS_M)
    if interval.mid < OPEN_ABOVE_M:
        return interval
    return Interval(interval.low, interval.low, None)
