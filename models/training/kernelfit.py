"""Fit the kernel machines that read a figure off photos alike.

In: scores of known photos, their figure, how firmly it is known, and which pool each is of. Out: a `KernelMachine`, and
what each photo's own pool was given when it was left out. Leaving out costs no second fit: with the inverse A of the
kernel matrix plus noise, the residuals of a left-out group G are (A_GG)^-1 (A y)_G (Rasmussen & Williams 2006,
eqs. 5.10 to 5.12 for single photos; the block form is theirs by partitioned inversion).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve
from scipy.optimize import minimize_scalar
from sklearn.ensemble import ExtraTreesRegressor

from vision.kernel import KernelMachine, as_shares, geometric_mean, matern, set_right, steps_around

Array = NDArray[Any]

LENGTHS, NOISES = (0.8, 1.2, 1.8, 2.7, 4.0), (0.05, 0.1, 0.2, 0.4)
"""Lengths and noise shares tried; features are weighted so that two photos lie about 1.4 apart."""
CHOICE_ROWS = 1200
"""Photos that length and noise are chosen on: the choice is flat, and the cost grows with the cube."""
SPREAD_NOISE = 1.0
"""Noise share of the machine that learns how far photos scatter: one residual says little."""
LEAST_RESIDUAL = 0.01
"""Added to residuals before their logarithm [dex]."""
EVENNESS = 0.4
"""Power of a feature's importance that becomes its weight: 0 counts all alike, 1 only the best (chosen by held-out
error on 900 photos, flat from 0.35 to 0.7)."""
LEVELS = 20
"""Levels at which distributions are compared with how often the truth lay below."""
VOTE_REACH = 1.0
"""Standard deviation of the steps that a photo votes for about its own: neighbours are near alike. Ours, flat to 1.6"""
TREES = 150
"""Trees whose impurity gains give the features' importance."""


@dataclass(frozen=True)
class Fit:
    """A fitted machine and what it says of each known photo when its pool is left out: `steps`.

    `nearest` is the likeness to the nearest photo of another pool.
    """

    machine: KernelMachine
    noise: float
    steps: Array
    nearest: Array


def steps_of(values: Array, bounds: Array) -> Array:
    """Return the step of each value; values beyond the ends belong to the end steps."""
    return np.clip(np.searchsorted(bounds, values, side="right") - 1, 0, len(bounds) - 2)


def feature_weights(scores: Array, target: Array, used: Array, *, seed: int) -> Array:
    """Return how much each feature is to count, shape (F,): squares sum to 1, zero where not `used`."""
    trees = ExtraTreesRegressor(
        TREES, min_samples_leaf=3, max_features=0.4, bootstrap=True, random_state=seed, n_jobs=1
    ).fit(scores[:, used], target)
    weights = np.zeros(scores.shape[1])
    weights[used] = np.maximum(trees.feature_importances_, 1e-5) ** EVENNESS
    return np.asarray(weights / np.sqrt((weights**2).sum()), dtype=np.float32)


def left_out(inverse: Array, factors: Array, groups: Array) -> Array:
    """Return target minus prediction of each photo when its whole group is left out, in the shape of `factors`."""
    residuals = (factors.T / np.diag(inverse)).T
    names, counts = np.unique(groups, return_counts=True)
    for name in names[counts > 1]:
        here = np.flatnonzero(groups == name)
        residuals[here] = np.linalg.solve(inverse[np.ix_(here, here)], factors[here])
    return np.asarray(residuals)


def choose(rows: Array, target: Array, groups: Array) -> tuple[float, float]:
    """Return the length and the noise share with the least held-out error on some of the photos."""
    some = np.linspace(0, len(rows) - 1, min(len(rows), CHOICE_ROWS)).astype(int)
    best = (np.inf, 1.0, 0.1)
    for length, noise in product(LENGTHS, NOISES):
        gram = matern(rows[some], rows[some], length).astype(np.float64)
        inverse = np.linalg.inv(gram + noise * np.eye(len(some)))
        residuals = left_out(inverse, inverse @ (target[some] - target[some].mean()), groups[some])
        # The median square keeps a few hopeless photos from choosing for all.
        best = min(best, (float(np.mean(np.minimum(np.abs(residuals), 1.0) ** 2)), length, noise))
    return best[1], best[2]


def fit_machine(
    scores: Array,
    target: Array,
    weights: Array,
    log_bounds: Array,
    *,
    groups: Array,
    firmness: Array | None = None,
    length: float | None = None,
    noise: float | None = None,
) -> Fit:
    """Fit one machine.

    Parameters
    ----------
    scores : ndarray, shape (N, F)
    target : ndarray, shape (N,)
        log10 of the figure.
    weights : ndarray, shape (F,)
    log_bounds : ndarray
        log10 bounds of the steps that the spread is calibrated on.
    groups : ndarray, shape (N,)
        The pool of each photo.
    firmness : ndarray, shape (N,), optional
        How many rendered photos each counts for; 1 by default.
    length, noise : float, optional
        Chosen by held-out error where not given.
    """
    rows = np.asarray(scores * weights, dtype=np.float32)
    if length is None or noise is None:
        length, noise = choose(rows, target, groups)
    share = 1.0 / (np.ones(len(rows)) if firmness is None else firmness)
    gram = matern(rows, rows, length).astype(np.float64)
    offset = float(target.mean())
    inverse = _inverse(gram + np.diag(noise * share))
    factors = inverse @ (target - offset)
    residuals = left_out(inverse, factors, groups)
    votes, shares, voted = _votes(inverse, target, groups, log_bounds)
    wide = np.log(np.abs(residuals) + LEAST_RESIDUAL)
    base = float(wide.mean())
    inverse = _inverse(gram + np.diag(SPREAD_NOISE * share))
    spread_factors = inverse @ (wide - base)
    log_spread = wide - left_out(inverse, spread_factors, groups)
    value = target - residuals
    # A mean log residual is under the log of its root mean square: one factor for all, by the steps' log loss.
    more = _calibrating(value, log_spread, target, log_bounds)
    np.fill_diagonal(gram, 0)
    nearest = np.where(groups[:, None] == groups[None], 0, gram).max(axis=1)
    steps = geometric_mean(steps_around(value, np.exp(log_spread + more), log_bounds), voted)
    machine = KernelMachine(
        rows=rows,
        weights=weights,
        length=float(length),
        sums=np.column_stack([factors, spread_factors]).astype(np.float32),
        offsets=np.array([offset, base + more], dtype=np.float32),
        levels=_levels(steps, target, log_bounds),
        votes=votes,
        shares=shares,
    )
    return Fit(machine, float(noise), set_right(steps, machine.levels), nearest)


def _votes(inverse: Array, target: Array, groups: Array, log_bounds: Array) -> tuple[Array, Array, Array]:
    """Return votes, the steps' shares, and the steps' probabilities of each photo when its pool is left out.

    Each step is a figure of its own, 1 or 0 but for `VOTE_REACH`, read off photos alike: least-squares classification
    (Rasmussen & Williams 2006, section 6.5).
    """
    count = len(log_bounds) - 1
    place = steps_of(target + 1e-9, log_bounds)
    reach = np.exp(-0.5 * (np.subtract.outer(np.arange(count), np.arange(count)) / VOTE_REACH) ** 2)
    belongs = (reach / reach.sum(axis=0)).T[place]
    shares = belongs.mean(axis=0)
    factors = inverse @ (belongs - shares)
    voted = as_shares(belongs - left_out(inverse, factors, groups))
    # Float16 as in the file: what is fitted is what is shipped.
    return factors.astype(np.float16), shares.astype(np.float32), voted


def _levels(steps: Array, target: Array, log_bounds: Array) -> Array:
    """Return quantiles of the probability that left-out distributions put below the truth, shape (`LEVELS`,)."""
    held = np.clip(target, log_bounds[0], log_bounds[-1])
    below = np.hstack([np.zeros((len(steps), 1)), np.cumsum(steps, axis=1)])
    met = [np.interp(at, log_bounds, shares) for at, shares in zip(held, below, strict=True)]
    return np.quantile(np.clip(met, 0, 1), (np.arange(LEVELS) + 0.5) / LEVELS)


def _inverse(matrix: Array) -> Array:
    return np.asarray(cho_solve(cho_factor(matrix, lower=True), np.eye(len(matrix))))


def _calibrating(value: Array, log_spread: Array, target: Array, log_bounds: Array) -> float:
    """Return what is added to the log spreads for the least log loss over the steps."""
    place = steps_of(target, log_bounds)

    def loss(more: float) -> float:
        steps = steps_around(value, np.exp(log_spread + more), log_bounds)
        return -float(np.log(steps[np.arange(len(place)), place] + 1e-6).mean())

    return float(minimize_scalar(loss, bounds=(-1.0, 2.0), method="bounded").x)
