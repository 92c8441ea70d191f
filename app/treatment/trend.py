"""Compares a pool's visits: is the water getting better, how fast, and is it slower than it should be.

In: visits with their graded water. Out: `Trend` between the last two visits that can be compared, and the rates (1/day)
at which algae die and dirt is filtered out: what is known beforehand, and after this pool's own visits.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from statistics import NormalDist

from app.records import Assessment, FilterKind, Pool, Visit
from vision.results import SEVERITY_LOWER_UG_L, Clarity, Interval, Severity

Z80 = NormalDist().inv_cdf(0.9)
"""Half width of an 80 % interval in standard deviations."""

TURNOVERS_PER_DAY = 3.0
"""Pool volumes through the filter in a day of unbroken running: one in 8 h. Our own assumption; New York wants 6 h of
public pools (10 NYCRR 6-1.11)."""

TURNOVER_SPREAD = 0.25
"""Spread of the logarithm of turnovers a day where the pump's flow is not known: one in 5.8 to 11 h, four times in
five. Our own assumption."""

LEAST_TURNOVER_H, MOST_TURNOVER_H = 1.0, 48.0
"""A turnover outside these is taken for a slip of the pen [h]. Our own choice."""

CLEARED_PER_TURNOVER: dict[str, tuple[float, float]] = {
    "sand": (0.060, 0.22),
    "sand_floc": (0.10, 0.25),
    "cartridge": (0.105, 0.30),
    "de": (0.125, 0.30),
}
"""Share of the cloud that one turnover takes out, and the spread of its logarithm. The law that dirt falls as exp(-n E)
after n turnovers is Gage & Bidwell (1926), with filter efficiency E by Simmonds et al. (2021), Water 13:2350. The
figures are our own, set so that a heavy pool clears as common practice has it: sand up to 3 weeks, sand with a
flocculant 7 to 10.5 days, cartridge and DE usually within 2 weeks."""

KILL_PER_DAY = (1.3, 0.40)
"""Rate at which chlorophyll falls after a dose that was enough [1/day] and the spread of its logarithm. Our own, set so
that a heavy pool turns by the third day, as common practice has it."""

LEAST_GAP_H = 18.0
"""Visits closer than this are not compared [h]. Our own choice."""

_LEAST_SPREAD = 0.05
"""No photo is surer than this: spread of the logarithm of a graded figure. Our own choice."""


@dataclass(frozen=True)
class LogFigure:
    """A positive figure by its logarithm: middle and standard deviation; `bound` where only "at least" is known."""

    mid: float
    sd: float
    bound: bool = False


@dataclass(frozen=True)
class Trend:
    """How the water changed between two visits; factors with 80 % intervals, above 1 is more.

    `depth_factor` is visible depth, `algae_factor` chlorophyll; the expected ones are what the slowest filter and
    weakest kill in ten would still have done. `stalled` is true where even the best end of the interval is worse.
    """

    from_visit_id: str
    to_visit_id: str
    days: float
    depth_factor: Interval
    algae_factor: Interval
    expected_depth_factor: float
    expected_algae_factor: float
    stalled: bool


@dataclass(frozen=True)
class Water:
    """A visit's water, graded well enough to act on."""

    clarity: Clarity
    severity: Severity
    visible_depth_m: Interval
    chlorophyll_ug_l: Interval


def water_of(assessment: Assessment | None) -> Water | None:
    """Return the graded water; None where there is no measurement, it is flagged unusable, or a part is missing."""
    if assessment is None or not assessment.usable:
        return None
    if assessment.clarity is None or assessment.severity is None:
        return None
    if assessment.visible_depth_m is None or assessment.chlorophyll_ug_l is None:
        return None
    return Water(assessment.clarity, assessment.severity, assessment.visible_depth_m, assessment.chlorophyll_ug_l)


def log_figure(figure: Interval) -> LogFigure:
    """Turn a value with its 80 % interval into a logarithm with its standard deviation.

    An open upper end is a bound: the middle stands for "at least".
    """
    mid = math.log(max(figure.mid, 1e-3))
    low = math.log(max(figure.low, 1e-3))
    if figure.high is None:
        return LogFigure(mid, max((mid - low) / Z80, _LEAST_SPREAD), bound=True)
    high = math.log(max(figure.high, 1e-3))
    return LogFigure(mid, max((high - low) / (2 * Z80), _LEAST_SPREAD))


def route(pool: Pool, *, flocculate: bool) -> str:
    """Name the way this pool's dirt is taken out, a key of `CLEARED_PER_TURNOVER`."""
    return "sand_floc" if pool.filter_kind == FilterKind.SAND and flocculate else pool.filter_kind.value


def filter_rate_per_day(name: str, turnover_h: float | None = None) -> tuple[float, float]:
    """Return the prior clearing rate of a route [1/day] and the spread of its logarithm.

    `turnover_h` is how long the pump takes to move the pool's volume once, where that is known; without it
    `TURNOVERS_PER_DAY` is assumed, and the spread is wider by what pumps differ.

    Examples
    --------
    >>> round(filter_rate_per_day("cartridge", 8.0)[0], 3)
    0.315
    """
    share, spread = CLEARED_PER_TURNOVER[name]
    if turnover_h is None or not LEAST_TURNOVER_H <= turnover_h <= MOST_TURNOVER_H:
        return TURNOVERS_PER_DAY * share, math.hypot(spread, TURNOVER_SPREAD)
    return 24 / turnover_h * share, spread


def compare(earlier: Visit, later: Visit, pool: Pool, *, flocculate: bool) -> Trend | None:
    """Compare the water of two visits; None where either was not graded well enough.

    Notes
    -----
    While there are green algae they must be falling; once none are left, visible depth must be rising. A stall is
    called only where even the good end of the 80 % interval falls short of the slow end of what is expected.
    """
    one, two = water_of(earlier.assessment), water_of(later.assessment)
    if one is None or two is None:
        return None
    days = (later.at - earlier.at).total_seconds() / 86_400
    if days * 24 < LEAST_GAP_H:
        return None
    depth_b = log_figure(two.visible_depth_m)
    depth = _factor(log_figure(one.visible_depth_m), depth_b)
    algae = _factor(log_figure(one.chlorophyll_ug_l), log_figure(two.chlorophyll_ug_l))
    rate, spread = filter_rate_per_day(route(pool, flocculate=flocculate))
    slow_filter = math.exp(rate * math.exp(-Z80 * spread) * days)
    slow_kill = math.exp(-KILL_PER_DAY[0] * math.exp(-Z80 * KILL_PER_DAY[1]) * days)
    green = two.severity != Severity.NONE
    # Algae cannot fall below what the grades can tell apart, so expect no more than that.
    floor = SEVERITY_LOWER_UG_L[Severity.TRACE] / max(one.chlorophyll_ug_l.mid, 1e-3)
    algae_stands = algae.low > max(slow_kill, min(floor, 1.0))
    depth_stands = not depth_b.bound and depth.high is not None and depth.high < slow_filter
    # The day the algae die the water only turns milky: depth has to rise once none were alive at either visit.
    filtering = one.severity == Severity.NONE and not green
    stalled = (algae_stands and (depth_stands or depth.mid < 1.1)) if green else (filtering and depth_stands)
    return Trend(
        from_visit_id=earlier.id,
        to_visit_id=later.id,
        days=days,
        depth_factor=depth,
        algae_factor=algae,
        expected_depth_factor=slow_filter,
        expected_algae_factor=slow_kill,
        stalled=stalled,
    )


def latest(visits: Sequence[Visit], pool: Pool, *, floc_visit_ids: Collection[str] = ()) -> Trend | None:
    """Compare the last graded visit with the one before it that lies far enough back.

    `floc_visit_ids` are the visits at which a flocculant went in: only what it was given before can have helped.
    """
    graded = [visit for visit in visits if water_of(visit.assessment)]
    for earlier in reversed(graded[:-1]):
        flocculated = any(visit.id in floc_visit_ids and visit.at < graded[-1].at for visit in visits)
        found = compare(earlier, graded[-1], pool, flocculate=flocculated)
        if found is not None:
            return found
    return None


def rate_after(prior: tuple[float, float], evidence: Sequence[tuple[float, float, float]]) -> list[float]:
    """Combine what is known beforehand about a rate with what this pool showed.

    Parameters
    ----------
    prior : tuple of float
        Median rate [1/day] and the spread of its logarithm.
    evidence : sequence of (float, float, float)
        Pairs of visits: change of the logarithm in the good direction, its standard deviation, days between.

    Returns
    -------
    list of float
        Five rates [1/day], each as likely as the others, slowest first (the 10, 30, 50, 70 and 90 % points).

    Examples
    --------
    >>> [round(rate, 2) for rate in rate_after((0.4, 0.35), [])]
    [0.25, 0.34, 0.4, 0.48, 0.63]
    """
    median, spread = prior
    steps = [(i - 60) / 20 for i in range(121)]
    rates = [median * math.exp(step * spread) for step in steps]
    weights = []
    for step, rate in zip(steps, rates, strict=True):
        log_weight = -0.5 * step * step
        for change, sd, days in evidence:
            # Half a spread for what the model leaves out, so that one pair of photos never settles it.
            log_weight -= 0.5 * ((change - rate * days) / math.hypot(sd, 0.5 * spread * median * days)) ** 2
        weights.append(log_weight)
    top = max(weights)
    mass = [math.exp(weight - top) for weight in weights]
    total = math.fsum(mass)
    points: list[float] = []
    reached = 0.0
    wanted = [0.1, 0.3, 0.5, 0.7, 0.9]
    for rate, each in zip(rates, mass, strict=True):
        reached += each / total
        while len(points) < len(wanted) and reached >= wanted[len(points)]:
            points.append(rate)
    return points


def _factor(before: LogFigure, after: LogFigure) -> Interval:
    """Return after / before with its 80 % interval."""
    mid, sd = after.mid - before.mid, math.hypot(before.sd, after.sd)
    return Interval(math.exp(mid - Z80 * sd), math.exp(mid), math.exp(mid + Z80 * sd))
