"""Tells whether the water changed between two visits: better, worse, or no change that can be told.

In: the assessments of two visits. Out: `Change`, the probabilities that one sees further and that the algae are fewer,
a verdict for each and for the water as a whole.

Two photos of one pool are not wrong independently of each other: floor, walls, surround, card and often the phone are
the same, and what they make the grader over- or underestimate they make it so twice. The part of the error that two
photos of a pool share (`SHARED_OF_ERROR`, its share of the variance) falls out of the difference:

    sd(difference)^2 = (1 - s) (sd_1^2 + sd_2^2) + s (sd_1 - sd_2)^2

with s for the share; with equal errors the shared part goes away wholly, with unequal ones what is left of it stays.
A disc's or a person's own sighting shares little with the photo before; taking s for them too would claim too much, so
where only one of the two rests on one, s is nought. Assumed: errors are normal in the logarithm and of the width the
grader states.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from statistics import NormalDist

from app.records import Assessment, Recovery
from app.treatment.trend import log_figure, water_of
from app.words import mark, said
from vision.results import Interval

SHARED_OF_ERROR = 0.30
"""Share of the error's variance that two plain photos of one pool have in common: measured on rendered pairs of photos
of the same pool at other light and stance, rounded down (`python -m tests.bench_disc --pairs 60` prints it)."""

SURE = 0.90
"""Probability from which a change is told: one claim in ten of the closest calls may be wrong (our own choice)."""

LEAST_DEPTH_FACTOR, LEAST_ALGAE_FACTOR = 1.10, 1.25
"""A change by less than this is none that matters to anyone (our own choice: a person cannot see it)."""

Z80 = NormalDist().inv_cdf(0.9)
"""Half width of an 80 % interval in standard deviations."""


class Verdict(StrEnum):
    """What can be said of a change."""

    BETTER = "better"
    WORSE = "worse"
    UNTOLD = "no change that can be told"


@dataclass(frozen=True)
class FigureChange:
    """One figure's change: later over earlier with 80 % interval, how probably better and worse by enough to matter."""

    factor: Interval
    better: float
    worse: float
    verdict: Verdict


@dataclass(frozen=True)
class Change:
    """The water's change between two visits: of the visible depth, of the algae, and as a whole."""

    depth: FigureChange
    algae: FigureChange
    verdict: Verdict
    say: str


def change_between(earlier: Assessment | None, later: Assessment | None) -> Change | None:
    """Return how the water changed; None where either visit has no usable measurement.

    Parameters
    ----------
    earlier, later : Assessment or None
        Of two visits to one pool.

    Notes
    -----
    The whole is better where one figure is and the other is not worse, and worse likewise. Where one is better and
    the other worse (algae killed, the water milky) the algae decide: they are what the treatment is for first.
    """
    one, two = water_of(earlier), water_of(later)
    if one is None or two is None or earlier is None or later is None:
        return None
    same_kind = earlier.sighted == later.sighted
    depth = _figure(one.visible_depth_m, two.visible_depth_m, LEAST_DEPTH_FACTOR, more_is_better=True, alike=same_kind)
    algae = _figure(one.chlorophyll_ug_l, two.chlorophyll_ug_l, LEAST_ALGAE_FACTOR, more_is_better=False, alike=True)
    whole = algae.verdict if algae.verdict is not Verdict.UNTOLD else depth.verdict
    return Change(depth, algae, whole, _say(depth, algae))


def last_change(recovery: Recovery) -> Change | None:
    """Return how the water changed between the last two measured visits; None before there are two."""
    measured = [visit.assessment for visit in recovery.visits if water_of(visit.assessment) is not None]
    return change_between(measured[-2], measured[-1]) if len(measured) > 1 else None


def _figure(before: Interval, after: Interval, least: float, *, more_is_better: bool, alike: bool) -> FigureChange:
    one, two = log_figure(before), log_figure(after)
    shared = SHARED_OF_ERROR if alike else 0.0
    variance = (1 - shared) * (one.sd**2 + two.sd**2) + shared * (one.sd - two.sd) ** 2
    mid, sd = two.mid - one.mid, math.sqrt(variance)
    bell = NormalDist(mid, sd)
    more, less = 1 - bell.cdf(math.log(least)), bell.cdf(-math.log(least))
    # "At least" on one side leaves the change open towards that side; on both, nothing is said.
    if one.bound:
        more = 0.0
    if two.bound:
        less = 0.0
    better, worse = (more, less) if more_is_better else (less, more)
    verdict = Verdict.BETTER if better >= SURE else Verdict.WORSE if worse >= SURE else Verdict.UNTOLD
    high = None if two.bound else math.exp(mid + Z80 * sd)
    return FigureChange(Interval(math.exp(mid - Z80 * sd), math.exp(mid), high), better, worse, verdict)


def _say(depth: FigureChange, algae: FigureChange) -> str:
    """Return the change as one sentence, with the probability of what is claimed."""
    parts = []
    for figure, further, nearer in (
        (depth, mark("one sees further"), mark("one sees less far")),
        (algae, mark("the algae are fewer"), mark("the algae are more")),
    ):
        if figure.verdict is Verdict.BETTER:
            parts.append(said("{what} ({percent} sure)", what=further, percent=_percent(figure.better)))
        elif figure.verdict is Verdict.WORSE:
            parts.append(said("{what} ({percent} sure)", what=nearer, percent=_percent(figure.worse)))
    if len(parts) == 2:
        return said("Since the visit before, {one} and {other}.", one=parts[0], other=parts[1])
    if parts:
        return said("Since the visit before, {one}.", one=parts[0])
    return said(
        "No change since the visit before that can be told from the photos "
        "(one sees further: {further}, less far: {nearer}; algae fewer: {fewer}, more: {more}).",
        further=_percent(depth.better),
        nearer=_percent(depth.worse),
        fewer=_percent(algae.better),
        more=_percent(algae.worse),
    )


def _percent(probability: float) -> str:
    """Return a probability as words; never a certainty."""
    return f"{min(max(probability, 0.01), 0.99):.0%}"
