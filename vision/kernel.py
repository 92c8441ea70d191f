"""Read a figure off photos that are alike: a kernel machine of plain arrays, which executes no code when loaded.

In: feature vectors. Out: for each the expected value of a figure and the logarithm of its spread, as a weighted sum
over known photos, the more alike the heavier (a Gaussian process' mean, Rasmussen & Williams 2006, eq. 2.25, with the
Matern kernel of 3/2). Fitting is `models.training.kernelfit`'s; here it is only summed up.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[Any]

MOST_SCORE = 2.5
"""Normal scores are held at this: a feature beyond all known photos' counts as their edge."""


@dataclass(frozen=True)
class Scores:
    """Features as normal scores by the known photos' own spread: `knots`, shape (F, Q), are their quantiles.

    A score grows with the feature's rank, so that no feature's unit or skew matters, and an outlier counts little.
    """

    knots: Array

    @cached_property
    def levels(self) -> Array:
        """Return the normal scores of the knots, shape (Q,): quantiles of a logistic curve scaled to unit spread."""
        shares = (np.arange(self.knots.shape[1]) + 0.5) / self.knots.shape[1]
        # The logistic quantile over 1.702 is the normal one within 0.1 up to 2 standard deviations.
        return np.asarray(np.clip(np.log(shares / (1 - shares)) / 1.702, -MOST_SCORE, MOST_SCORE))

    def __call__(self, features: Array) -> Array:
        """Return scores of feature vectors, shape (N, F), as float32."""
        out = np.empty(features.shape, np.float32)
        for index, knots in enumerate(self.knots):
            out[:, index] = np.interp(features[:, index], knots, self.levels)
        return out


@dataclass(frozen=True)
class KernelMachine:
    """A fitted sum over known photos.

    Attributes
    ----------
    rows : ndarray, shape (N, F)
        The known photos' scores times `weights`.
    weights : ndarray, shape (F,)
        How much each feature tells photos apart.
    length : float
        Distance over which photos stay alike.
    sums : ndarray, shape (N, 2)
        Factor of each known photo in the value and in the log spread.
    offsets : ndarray, shape (2,)
        What holds where nothing is alike.
    levels : ndarray, shape (Q,)
        Where the truth lay in the distributions of known photos left out: quantiles of the probability below it. Even
        ones mean that the distributions were right as they were; none leaves them so.
    """

    rows: Array
    weights: Array
    length: float
    sums: Array
    offsets: Array
    levels: Array = field(default_factory=lambda: np.zeros(0))

    def likeness(self, scores: Array) -> Array:
        """Return the kernel between new photos and the known ones, shape (M, N)."""
        return matern(np.asarray(scores * self.weights, dtype=np.float32), self.rows, self.length)

    def __call__(self, likeness: Array) -> tuple[Array, Array]:
        """Return value and spread of each photo from its likeness to the known ones, shapes (M,)."""
        value, log_spread = (likeness @ self.sums + self.offsets).T
        return np.asarray(value, dtype=np.float64), np.exp(np.asarray(log_spread, dtype=np.float64))


def matern(one: Array, other: Array, length: float) -> Array:
    """Return (1 + r) exp(-r), r = sqrt(3) distance / length, between the rows of two arrays, shape (M, N)."""
    square = (one**2).sum(axis=1)[:, None] + (other**2).sum(axis=1)[None] - 2 * one @ other.T
    r = np.sqrt(3 * np.maximum(square, 0)) / length
    return np.asarray((1 + r) * np.exp(-r))


def steps_around(value: Array, spread: Array, log_bounds: Array, levels: Array | None = None) -> Array:
    """Return the probability of each step for a logistic distribution about each value, set right by `levels`.

    Parameters
    ----------
    value, spread : ndarray, shape (M,)
        Mean and standard deviation, in the logarithm.
    log_bounds : ndarray, shape (K + 1,)
        Bounds of the steps; the outer steps hold all that lies beyond.
    levels : ndarray, shape (Q,), optional
        From `KernelMachine`: what the distribution calls its share `levels[i]` was in truth the share (i + 0.5) / Q
        (Kuleshov, Fenner & Ermon 2018, ICML, PMLR 80:2796, from memory).

    Returns
    -------
    ndarray, shape (M, K)

    Examples
    --------
    >>> steps_around(np.array([0.0]), np.array([1.0]), np.array([-9.0, 0.0, 9.0])).round(3).tolist()
    [[0.5, 0.5]]
    """
    scale = np.asarray(spread)[:, None] * np.sqrt(3) / np.pi
    inner = np.clip((log_bounds[None, 1:-1] - np.asarray(value)[:, None]) / scale, -60, 60)
    below = 1 / (1 + np.exp(-inner))
    if levels is not None and levels.size:
        shares = (np.arange(levels.size) + 0.5) / levels.size
        below = np.interp(below, [0.0, *levels, 1.0], [0.0, *shares, 1.0])
    ends = np.ones((len(below), 1))
    return np.diff(np.hstack([0 * ends, below, ends]), axis=1)
