"""Says how probable it is that treated water stands still, from the visits since the last change of method.

In: graded visits, the route, and which visits dosed, disturbed or mended something. Out: `Stall`: a probability, the
span it rests on and what stands, the green or the cloud. Two accounts of the same photos are weighed by Bayes' rule:
the algae die and the filter clears at a rate that such pools have, or next to nothing happens.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from statistics import NormalDist

from app.records import Visit
from app.treatment import forecast, limits, trend
from app.treatment.units import KPA_PER_PSI
from vision.results import Severity

PRIOR_GREEN, PRIOR_CLOUD = 0.08, 0.19
"""How often, of spans between visits, something keeps the algae alive, or the cloud in the water, before one looks. Our
own choice: a dose that fails shows plainly within a day, a filter that passes its dirt does not."""

CALLED_AT = 0.58
"""Probability from which the water is said to stand still. Our own choice, set so that on made-up recoveries of healthy
pools at most one in twenty is ever called so."""

ODDS_HIGH_GAUGE = 6.0
ODDS_RISEN_GAUGE = 0.5
ODDS_FLAT_GAUGE = 1.3
ODDS_SIGHTED = 5.0
"""By how much the odds of a standing cloud change where the gauge stands 8 psi above clean, has risen by 1 psi or more
(so the filter catches), has not risen, or the pump was found off or powder seen at the returns. Our own."""

RISEN_KPA = 1 * KPA_PER_PSI
"""Rise of the gauge that shows a filter at work: 1 psi, as much as a gauge can be read to [kPa]. Our own choice."""

LONGEST_SPANS = 3
"""Spans looked back at, at most: what was long ago says little about today. Our own choice."""

STILL_KILL_PER_DAY = (0.10, 0.30)
"""Fall of ln chlorophyll a day where the dose does nothing to speak of, and its spread. Our own."""

STILL_CLOUD_PER_DAY = (0.05, 0.04)
"""Fall of ln cloud a day where the filter takes nothing out: dirt settles by itself. Our own."""

_POINTS = tuple(NormalDist().inv_cdf((i + 0.5) / 9) for i in range(9))


@dataclass(frozen=True)
class Stall:
    """Whether the water stands still: how probable, since which visit, until which, and what (`green` or `cloud`)."""

    probability: float
    green: bool
    from_visit_id: str
    to_visit_id: str
    days: float

    @property
    def is_called(self) -> bool:
        """Whether it is probable enough to be said."""
        return self.probability >= CALLED_AT


def find_stall(
    visits: Sequence[Visit],
    route: str,
    *,
    turnover_h: float | None,
    dose_visit_ids: Collection[str],
    disturbed_visit_ids: Collection[str],
    mended_visit_ids: Collection[str],
    gauge_rise_kpa: float | None = None,
    sighted: bool = False,
) -> Stall | None:
    """Weigh whether the water stands still; None where no span of treated water can be compared.

    Parameters
    ----------
    visits : sequence of Visit
        Graded visits, oldest first.
    route, turnover_h, dose_visit_ids, disturbed_visit_ids
        As for `forecast.forecast`.
    mended_visit_ids : collection of str
        Visits at which pump or filter was mended: what stood still before says nothing about after.
    gauge_rise_kpa : float, optional
        How far the gauge stood above clean at the last visit [kPa].
    sighted : bool, optional
        Whether a pump found off or powder at the returns was noted.
    """
    spans = forecast.pairs(visits)
    if not spans or not visits or spans[-1][1].id != visits[-1].id:
        return None
    green = spans[-1][3].severity != Severity.NONE
    chosen: list[tuple[Visit, Visit, float, float, float]] = []
    before: list[tuple[float, float, float]] = []
    for earlier, later, one, two, days in reversed(spans):
        if green:
            # Green where there was none is a relapse, to be dosed, and no stall.
            counts = earlier.id in dose_visit_ids and one.severity != Severity.NONE != two.severity
            fall = forecast.fall_of_algae(one, two) if counts else None
        else:
            # The day the algae die the water only turns milky: none may have been alive at either end.
            counts = one.severity == Severity.NONE and earlier.id not in disturbed_visit_ids
            fall = forecast.fall_of_cloud(one, two) if counts else None
        if fall is None:
            break
        if len(chosen) < LONGEST_SPANS:
            chosen.append((earlier, later, *fall, days))
        else:
            before.append((*fall, days))
        if earlier.id in mended_visit_ids:
            # What stood still before it was mended says nothing about after.
            break
    if not chosen:
        return None
    prior = trend.KILL_PER_DAY if green else trend.filter_rate_per_day(route, turnover_h)
    odds = PRIOR_GREEN / (1 - PRIOR_GREEN)
    if not green:
        odds = PRIOR_CLOUD / (1 - PRIOR_CLOUD) * gauge_odds(gauge_rise_kpa) * (ODDS_SIGHTED if sighted else 1.0)
    best: Stall | None = None
    for count in range(1, len(chosen) + 1):
        earlier = chosen[count - 1][0]
        days = math.fsum(span[4] for span in chosen[:count])
        # Ends only: the photos between are in both accounts alike.
        whole = math.fsum(span[2] for span in chosen[:count])
        sd = math.hypot(chosen[0][3], chosen[count - 1][3]) / math.sqrt(2) if count > 1 else chosen[0][3]
        own = [(span[2], span[3], span[4]) for span in chosen[count:]] + before
        probability = _probability(whole, sd, days, prior, own if not green else [], odds=odds, green=green)
        if best is None or probability > best.probability:
            best = Stall(probability, green, earlier.id, visits[-1].id, days)
    return best


def gauge_odds(rise_kpa: float | None) -> float:
    """Return by how much the gauge changes the odds of a standing cloud; 1 where it was not read."""
    if rise_kpa is None:
        return 1.0
    if rise_kpa >= limits.PRESSURE_RISE_KPA:
        return ODDS_HIGH_GAUGE
    return ODDS_RISEN_GAUGE if rise_kpa >= RISEN_KPA else ODDS_FLAT_GAUGE


def _probability(
    fall: float,
    sd: float,
    days: float,
    prior: tuple[float, float],
    own: list[tuple[float, float, float]],
    *,
    odds: float,
    green: bool,
) -> float:
    """Return the probability of standing still, by Bayes, from one fall of a logarithm over some days."""
    rate, spread = prior
    if own:
        points = trend.rate_after(prior, own)
    else:
        points = [rate * math.exp(z * spread) for z in _POINTS]
    still_rate, still_spread = STILL_KILL_PER_DAY if green else STILL_CLOUD_PER_DAY
    # A kill is all or nothing within a day, so what it falls short by has a wide spread.
    loose = 0.4 if green else 0.1 * rate * days
    working = math.fsum(_density(fall, each * days, math.hypot(sd, loose)) for each in points) / len(points)
    # More than expected is never a stall: beyond the middle the account of standing still only gets worse.
    still = _density(fall, still_rate * days, math.hypot(sd, still_spread * days))
    if fall < still_rate * days:
        still = max(still, _density(0.0, 0.0, math.hypot(sd, still_spread * days)))
    odds *= still / max(working, 1e-12)
    return odds / (1 + odds)


def _density(value: float, mean: float, sd: float) -> float:
    """Return the normal density."""
    return math.exp(-0.5 * ((value - mean) / sd) ** 2) / sd
