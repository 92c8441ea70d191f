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

LEAST_SHARE = 0.0005
"""Least probability of a step by votes: a few hundred photos alike cannot rule one out. Ours."""

LEVELS_TAKEN = 0.5
"""How far distributions are set right by what the known photos' own were: half the way, for photos elsewhere are less
alike (of photos by a renderer that was left out, 71 % lie in the 80 % intervals; set right wholly, 66 %)."""


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
    votes : ndarray, shape (N, K)
        Factor of each known photo in the probability of each step; none where the machine knows values only.
    shares : ndarray, shape (K,)
        Probability of each step where nothing is alike.
    """

    rows: Array
    weights: Array
    length: float
    sums: Array
    offsets: Array
    levels: Array = field(default_factory=lambda: np.zeros(0))
    votes: Array = field(default_factory=lambda: np.zeros((0, 0)))
    shares: Array = field(default_factory=lambda: np.zeros(0))

    def likeness(self, scores: Array) -> Array:
        """Return the kernel between new photos and the known ones, shape (M, N)."""
        return matern(np.asarray(scores * self.weights, dtype=np.float32), self.rows, self.length)

    def __call__(self, likeness: Array) -> tuple[Array, Array]:
        """Return value and spread of each photo from its likeness to the known ones, shapes (M,)."""
        value, log_spread = (likeness @ self.sums + self.offsets).T
        return np.asarray(value, dtype=np.float64), np.exp(np.asarray(log_spread, dtype=np.float64))

    def steps(self, likeness: Array, log_bounds: Array) -> Array:
        """Return the probability of each step of each photo from its likeness to the known ones, shape (M, K)."""
        steps = steps_around(*self(likeness), log_bounds)
        if self.shares.size:
            steps = geometric_mean(steps, as_shares(likeness @ self.votes + self.shares))
        return set_right(steps, self.levels)


def as_shares(values: Array) -> Array:
    """Return rows of votes as probabilities: none under `LEAST_SHARE`, each row's sum 1, shape (M, K)."""
    held = np.maximum(np.asarray(values, dtype=np.float64), LEAST_SHARE)
    return np.asarray(held / held.sum(axis=1, keepdims=True))


def geometric_mean(one: Array, other: Array) -> Array:
    """Return the geometric mean of two sets of distributions over steps, each row's sum 1, shape (M, K).

    A distribution about one value cannot say that a photo is of the last class or of the middle one; votes can, but
    know nothing of how the steps follow each other.

    Examples
    --------
    >>> geometric_mean(np.array([[0.8, 0.2]]), np.array([[0.2, 0.8]])).round(3).tolist()
    [[0.5, 0.5]]
    """
    both = np.sqrt((one + 1e-9) * other)
    return np.asarray(both / both.sum(axis=1, keepdims=True))


def set_right(steps: Array, levels: Array) -> Array:
    """Return distributions whose shares are nearer to what they were in truth, shape (M, K).

    Parameters
    ----------
    steps : ndarray, shape (M, K)
        Probabilities, each row's sum 1.
    levels : ndarray, shape (Q,)
        From `KernelMachine`: what a distribution calls its share `levels[i]` was in truth the share (i + 0.5) / Q
        (Kuleshov, Fenner & Ermon 2018, ICML, PMLR 80:2796, from memory); taken `LEVELS_TAKEN` of the way.

    Examples
    --------
    >>> set_right(np.array([[0.5, 0.5]]), np.array([0.3, 0.9])).round(3).tolist()
    [[0.455, 0.545]]
    """
    if not levels.size:
        return steps
    shares = (np.arange(levels.size) + 0.5) / levels.size
    taken = shares + LEVELS_TAKEN * (levels - shares)
    below = np.interp(np.cumsum(steps, axis=1), [0.0, *taken, 1.0], [0.0, *shares, 1.0])
    return np.diff(below, axis=1, prepend=0.0)


def matern(one: Array, other: Array, length: float) -> Array:
    """Return (1 + r) exp(-r), r = sqrt(3) distance / length, between the rows of two arrays, shape (M, N)."""
    square = (one**2).sum(axis=1)[:, None] + (other**2).sum(axis=1)[None] - 2 * one @ other.T
    r = np.sqrt(3 * np.maximum(square, 0)) / length
    return np.asarray((1 + r) * np.exp(-r))


def steps_around(value: Array, spread: Array, log_bounds: Array) -> Array:
    """Return the probability of each step for a logistic distribution about each value.

    Parameters
    ----------
    value, spread : ndarray, shape (M,)
        Mean and standard deviation, in the logarithm.
    log_bounds : ndarray, shape (K + 1,)
        Bounds of the steps; the outer steps hold all that lies beyond.

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
    ends = np.ones((len(below), 1))
    return np.diff(np.hstack([0 * ends, below, ends]), axis=1)
