"""Beliefs about the visible depth: how probable each depth is, and what several sources say together.

In: intervals, class probabilities, bounds ("seen at", "not seen at"). Out: `DepthBelief`, and from it the interval, the
clarity grade and its probabilities. Sources are taken as independent; each may be wrong altogether now and then, so
that two that contradict each other leave a wide answer and not a sure one.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vision.results import CLARITY_LOWER_M, Clarity, Grade, Interval

Array = NDArray[Any]

LOG_STEPS: Array = np.linspace(np.log(0.05), np.log(30.0), 321)
"""Grid of the logarithm of visible depth [m] on which beliefs are held: 2 % a step, from milk to a spring."""

Z80 = 1.2815515655446004
"""Half width of an 80 % interval in standard deviations."""

LEAST_SPREAD = 0.05
"""No source is surer than this: spread of the logarithm (the project's own)."""

WRONG_SHARE = 0.03
"""Share of the cases in which a source is wrong altogether: a number typed for another pool, a disc mistaken. The
project's own."""

OPEN_ABOVE_M = 9.5
"""Visible depth from which it is bounded from below only, as in `vision.grade`."""

LOST_SOFTNESS = 0.10
"""Spread of the logarithm of the depth at which a person loses a disc from sight: repeated readings agree within about
a tenth (common practice, no source)."""

SEEN_FACTOR, SEEN_SOFTNESS = 0.95, 0.15
NOT_SEEN_FACTOR, NOT_SEEN_SOFTNESS = 1.15, 0.25
"""A step or a floor is seen to about the visible depth. Seen at a depth, one sees at least about that far; not seen,
the visible depth may be a little more than that, for a floor stands out less than a black-and-white disc. Factors and
spreads of the logarithm: common practice, no source."""


@dataclass(frozen=True)
class DepthBelief:
    """Probability of each visible depth on `LOG_STEPS`, shape (321,); sums to 1."""

    weights: Array

    def quantile(self, share: float) -> float:
        """Return the visible depth [m] below which `share` of the probability lies."""
        reached = np.cumsum(self.weights) - 0.5 * self.weights + np.linspace(0, 1e-9, len(self.weights))
        return float(np.exp(np.interp(share, reached, LOG_STEPS)))

    def below(self, depth_m: float) -> float:
        """Return the probability that the visible depth is less than `depth_m`."""
        half = 0.5 * (LOG_STEPS[1] - LOG_STEPS[0])
        edges = np.append(LOG_STEPS - half, LOG_STEPS[-1] + half)
        reached = np.concatenate([[0.0], np.cumsum(self.weights)])
        return float(np.interp(np.log(max(depth_m, 1e-9)), edges, reached))


def belief_of(weights: Array) -> DepthBelief:
    """Return weights on `LOG_STEPS` as a belief; all nought counts as knowing nothing."""
    total = float(weights.sum())
    if not total > 0:
        return DepthBelief(np.full(len(LOG_STEPS), 1 / len(LOG_STEPS)))
    return DepthBelief(np.asarray(weights / total))


def belief_in(interval: Interval, probabilities: Mapping[str, float] | None = None) -> DepthBelief:
    """Return the belief that a figure with its 80 % interval stands for.

    Parameters
    ----------
    interval : Interval
        Visible depth [m]: two halves of a bell in the logarithm, as wide as the interval says on each side; without
        an upper end every logarithm above `low` is as likely.
    probabilities : mapping, optional
        Of the clarity classes; each class's share is then made this.
    """
    low, mid = (float(np.log(max(each, 1e-3))) for each in (interval.low, interval.mid))
    if interval.high is None:
        weights = 1 / (1 + np.exp(-1.7 * (LOG_STEPS - low) / (2 * LEAST_SPREAD)))
    else:
        high = float(np.log(max(interval.high, 1e-3)))
        below, above = (max(each / Z80, LEAST_SPREAD) for each in (mid - low, high - mid))
        # Half the probability on each side of the middle, whatever their widths.
        bell = np.where(
            mid >= LOG_STEPS,
            np.exp(-0.5 * ((LOG_STEPS - mid) / below) ** 2) / below,
            np.exp(-0.5 * ((LOG_STEPS - mid) / above) ** 2) / above,
        )
        weights = np.asarray(bell)
    if probabilities is not None:
        weights = weights + 1e-9 * weights.max()
        for place, share in zip(_places(), (probabilities.get(each.value, 0.0) for each in Clarity), strict=True):
            weights[place] *= share / max(float(weights[place].sum()), 1e-300)
    return belief_of(weights)


def _places() -> list[Array]:
    """Return which steps belong to each clarity class, in the order of `Clarity`."""
    lowers = [CLARITY_LOWER_M[each] for each in Clarity]
    uppers = [np.inf, *lowers[:-1]]
    depths = np.exp(LOG_STEPS)
    return [(depths >= low - 1e-9) & (depths < high - 1e-9) for low, high in zip(lowers, uppers, strict=True)]


def at_most(depth_m: float, softness: float = LOST_SOFTNESS) -> DepthBelief:
    """Return the belief that one sees this far or less: even odds at the depth, every logarithm below as likely.

    Raises
    ------
    ValueError
        If the depth is not above 0.
    """
    return belief_of(_step(depth_m, -softness))


def at_least(depth_m: float, softness: float = LOST_SOFTNESS) -> DepthBelief:
    """Return the belief that one sees this far or further; as `at_most`."""
    return belief_of(_step(depth_m, softness))


def _step(depth_m: float, softness: float) -> Array:
    if not depth_m > 0:
        raise ValueError(f"depth_m must be above 0, got {depth_m!r}")
    # The logistic with 1.7 stands for the bell's own sum to a hundredth.
    return np.asarray(1 / (1 + np.exp(np.clip(-1.7 * (LOG_STEPS - np.log(depth_m)) / softness, -60, 60))))


def sighting_beliefs(*, seen_at_m: float | None = None, not_seen_at_m: float | None = None) -> list[DepthBelief]:
    """Return what a person's own sighting says ("bottom step seen at 0.6 m, floor not"), a belief for each part.

    Parameters
    ----------
    seen_at_m, not_seen_at_m : float, optional
        Depth of the deepest thing that was seen, and of the shallowest that was not [m].
    """
    beliefs = []
    if seen_at_m is not None:
        beliefs.append(at_least(SEEN_FACTOR * seen_at_m, SEEN_SOFTNESS))
    if not_seen_at_m is not None:
        beliefs.append(at_most(NOT_SEEN_FACTOR * not_seen_at_m, NOT_SEEN_SOFTNESS))
    return beliefs


def together(beliefs: Sequence[DepthBelief]) -> DepthBelief:
    """Return what independent sources say together: their product, each let be wrong now and then (`WRONG_SHARE`).

    Raises
    ------
    ValueError
        If there is none.
    """
    if not beliefs:
        raise ValueError("beliefs must hold at least one")
    if len(beliefs) == 1:
        return beliefs[0]
    product = np.ones(len(LOG_STEPS))
    for each in beliefs:
        product = product * ((1 - WRONG_SHARE) * each.weights + WRONG_SHARE / len(LOG_STEPS))
    return belief_of(product)


def interval_of(belief: DepthBelief) -> Interval:
    """Return the middle and the 80 % interval of a belief; without an upper end where it lies beyond pools."""
    low, mid, high = (belief.quantile(share) for share in (0.1, 0.5, 0.9))
    return Interval(low, low, None) if mid >= OPEN_ABOVE_M else Interval(low, mid, high)


def clarity_grade(belief: DepthBelief) -> Grade:
    """Return the clarity grade of a belief, the class of its median, with the probability of each class."""
    shares = {each.value: float(belief.weights[place].sum()) for each, place in zip(Clarity, _places(), strict=True)}
    total = sum(shares.values())
    reached, grade = 0.0, Clarity.OPAQUE.value
    for name in reversed(list(shares)):
        reached += shares[name] / total
        if reached >= 0.5:
            grade = name
            break
    return Grade(grade, {name: share / total for name, share in shares.items()})
