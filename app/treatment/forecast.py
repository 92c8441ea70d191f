"""Says in how many days the water should be clear, with an 80 % interval, from what is known beforehand and the visits.

In: the pool's graded visits. Out: `Days`. The algae die at one rate while the filter takes the dead out at another
(Gage & Bidwell's law: dirt falls as exp(-turnovers x share caught)); both rates start from what the trade sees and are
corrected by the pool's own photos. What the two rates leave out is a spread of its own, and stated.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from itertools import pairwise, product

from app.records import Visit
from app.treatment import trend
from app.treatment.trend import Z80, Water, water_of
from vision.results import CLARITY_LOWER_M, SEVERITY_LOWER_UG_L, Clarity, Interval, Severity

GOAL_DEPTH_M = CLARITY_LOWER_M[Clarity.CLEAR]
"""Visible depth at which a pool counts as clear [m]. Source: the project's own grades."""

GOAL_CHLOROPHYLL_UG_L = SEVERITY_LOWER_UG_L[Severity.TRACE]
"""Chlorophyll-a below which no green is left [micrograms/L]. Source: the project's own grades."""

CLEAN_DEPTH_M = 8.5
"""Visible depth of a pool that is as clear as it gets: what is above 8 / 8.5 of attenuation is cloud [m]. Our own."""

GREEN_PER_UG_L = 0.115
"""Attenuation that 1 microgram/L of living algae brings [1/m]. Our own, so that 120 micrograms/L leave about 0.6 m."""

DEAD_SHARE = 0.7
"""Share of that attenuation which stays as a cloud when they die. Our own."""


@dataclass(frozen=True)
class Leftover:
    """What the two rates leave out, by route: a factor on the days and its spread (of the logarithm), days added."""

    factor: float
    spread: float
    extra_days: float
    extra_spread_days: float


LEFT_OUT: dict[str, Leftover] = {
    "sand": Leftover(0.86, 0.18, 0.4, 1.1),
    "sand_floc": Leftover(1.0, 0.45, 0.5, 1.6),
    "cartridge": Leftover(0.97, 0.20, 0.3, 0.65),
    "de": Leftover(0.97, 0.20, 0.3, 0.55),
}
"""Visits a day apart, a second dose, vacuuming, rain. Our own, set on made-up recoveries: it has not met a pool."""


@dataclass(frozen=True)
class Days:
    """Days from the newest graded visit until the water is clear: 10, 50 and 90 % points."""

    low: float
    mid: float
    high: float


def forecast(
    visits: Sequence[Visit],
    route: str,
    *,
    turnover_h: float | None,
    dose_visit_ids: Collection[str],
    disturbed_visit_ids: Collection[str],
) -> Days:
    """Forecast the days from the newest graded visit until clear.

    Parameters
    ----------
    visits : sequence of Visit
        Graded visits, oldest first; at least one.
    route : str
        A key of `trend.CLEARED_PER_TURNOVER`.
    turnover_h : float or None
        Hours for one turnover, where known.
    dose_visit_ids, disturbed_visit_ids : collection of str
        Visits with a clearing dose; visits at which the floor was vacuumed or the pump stopped on purpose.

    Raises
    ------
    ValueError
        If the newest visit's water was not graded.
    """
    water = water_of(visits[-1].assessment)
    if water is None:
        raise ValueError("the newest of visits must be one whose water was graded")
    kill_rates = trend.rate_after(trend.KILL_PER_DAY, kill_evidence(visits, dose_visit_ids))
    prior = trend.filter_rate_per_day(route, turnover_h)
    filter_rates = trend.rate_after(prior, filter_evidence(visits, disturbed_visit_ids))
    left_out = LEFT_OUT[route]
    depth, algae = trend.log_figure(water.visible_depth_m), trend.log_figure(water.chlorophyll_ug_l)
    # Two points a spread apart from the middle have the mean and spread of the normal they stand for.
    points = (-1.0, 1.0)
    days = [
        _days(math.exp(depth.mid + zd * depth.sd), math.exp(algae.mid + za * algae.sd), kill, clear)
        for zd, za, kill, clear in product(points, points, kill_rates, filter_rates)
    ]
    mean = math.fsum(days) / len(days)
    own_spread = math.sqrt(math.fsum((day - mean) ** 2 for day in days) / len(days))
    mid = left_out.factor * sorted(days)[len(days) // 2] + left_out.extra_days
    spread = math.sqrt(own_spread**2 + (left_out.spread * mid) ** 2 + left_out.extra_spread_days**2)
    # Days run long rather than short, and near the end it may be any hour: a logarithmic normal of one day more.
    log_sd = math.sqrt(math.log(1 + (spread / (mid + 1)) ** 2))
    low, high = ((mid + 1) * math.exp(z * log_sd) - 1 for z in (-Z80, Z80))
    return Days(max(low, 0.0), mid, high)


def _days(depth_m: float, algae_ug_l: float, kill: float, clear: float) -> float:
    """Return the days until both goals are met, the algae dying and the filter running at the same time."""
    whole = max(8 / depth_m - 8 / CLEAN_DEPTH_M, 0.05)
    green = min(GREEN_PER_UG_L * algae_ug_l, 0.9 * whole)
    goal = 8 / GOAL_DEPTH_M - 8 / CLEAN_DEPTH_M
    to_kill = max(math.log(algae_ug_l / GOAL_CHLOROPHYLL_UG_L), 0.0) / kill
    gap = kill - clear if abs(kill - clear) > 1e-3 else 1e-3

    def left(day: float) -> float:
        living, filtered = math.exp(-kill * day), math.exp(-clear * day)
        made = DEAD_SHARE * green * kill / gap * (filtered - living)
        return green * living + (whole - green) * filtered + made

    low, high = to_kill, to_kill + 1.0
    if left(low) <= goal:
        return low
    while left(high) > goal and high < 150:
        low, high = high, 1.6 * high
    # To less than a tenth of a day: no photo says more.
    while high - low > 0.05:
        middle = (low + high) / 2
        low, high = (middle, high) if left(middle) > goal else (low, middle)
    return high


def kill_evidence(visits: Sequence[Visit], dose_visit_ids: Collection[str]) -> list[tuple[float, float, float]]:
    """Return fall of ln chlorophyll, its spread and the days, for pairs of visits with a dose between."""
    found = []
    for earlier, later, one, two, days in pairs(visits):
        # Once the green is gone the photo no longer shows how fast it went.
        if earlier.id in dose_visit_ids and later is not None and two.severity != Severity.NONE:
            change, sd = fall_of_algae(one, two)
            found.append((change, sd, days))
    return found


def filter_evidence(visits: Sequence[Visit], disturbed_visit_ids: Collection[str]) -> list[tuple[float, float, float]]:
    """Return fall of ln cloud, its spread and the days, for pairs of visits once the algae were dead."""
    found = []
    for earlier, _, one, two, days in pairs(visits):
        if one.severity not in (Severity.NONE, Severity.TRACE) or earlier.id in disturbed_visit_ids:
            continue
        fall = fall_of_cloud(one, two)
        if fall is not None:
            found.append((*fall, days))
    return found


def pairs(visits: Sequence[Visit]) -> list[tuple[Visit, Visit, Water, Water, float]]:
    """Return neighbouring graded visits far enough apart to be compared, with their water and the days between."""
    found = []
    for earlier, later in pairwise(visits):
        one, two = water_of(earlier.assessment), water_of(later.assessment)
        days = (later.at - earlier.at).total_seconds() / 86_400
        if one is not None and two is not None and days * 24 >= trend.LEAST_GAP_H:
            found.append((earlier, later, one, two, days))
    return found


def fall_of_algae(one: Water, two: Water) -> tuple[float, float]:
    """Return by how much ln chlorophyll fell, and the spread of that."""
    before, after = trend.log_figure(one.chlorophyll_ug_l), trend.log_figure(two.chlorophyll_ug_l)
    return before.mid - after.mid, math.hypot(before.sd, after.sd)


def fall_of_cloud(one: Water, two: Water) -> tuple[float, float] | None:
    """Return by how much ln cloud fell, and the spread of that; None where a photo shows only a bound."""
    if one.visible_depth_m.high is None or two.visible_depth_m.high is None:
        return None
    (before, sd_before), (after, sd_after) = cloud_of(one.visible_depth_m), cloud_of(two.visible_depth_m)
    return before - after, math.hypot(sd_before, sd_after)


def cloud_of(depth_m: Interval) -> tuple[float, float]:
    """Return ln of the attenuation above that of clean water [1/m], and its spread."""
    seen = trend.log_figure(depth_m)
    whole = 8 / math.exp(seen.mid)
    cloud = max(whole - 8 / CLEAN_DEPTH_M, 0.1 * whole)
    return math.log(cloud), seen.sd * whole / cloud
