"""Says before the start what a recovery is expected to take: visits, days, chemicals, cost, and what is not in it.

In: a recovery with a graded visit, the company's prices, the units people read. Out: a `Quote`. Ranges are 80 %
ones, as wide as made-up recoveries showed them to be; the chemicals follow from the plan's own doses.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime

from app.errors import TurnblueError
from app.records import Chemical, FilterKind, PriceList, Quote, QuoteLine, Recovery
from app.treatment import cautions, limits
from app.treatment.cautions import Topic
from app.treatment.dosing import VOLUME_DOUBT, dose_for, wanted_raise_mg_l
from app.treatment.facts import Facts, gather
from app.treatment.forecast import forecast
from app.treatment.limits import COMMON_PRACTICE, OUR_OWN
from app.treatment.prices import unit_price
from app.treatment.trend import water_of
from app.treatment.units import check_units, say_amount
from app.words import mark, said
from vision.results import Interval, Severity


class CannotQuote(TurnblueError):
    """A quote was asked for before the first visit measured the water."""

    code = "cannot_quote"


@dataclass(frozen=True)
class Share:
    """How many clearing doses, of the size of the first one, a recovery takes in all: from, as a rule, to."""

    low: float
    mid: float
    high: float


DOSES_IN_ALL: dict[Severity, Share] = {
    Severity.NONE: Share(0.0, 0.0, 1.0),
    Severity.TRACE: Share(1.0, 1.5, 2.5),
    Severity.LIGHT: Share(1.0, 1.7, 2.6),
    Severity.MODERATE: Share(1.0, 2.0, 3.0),
    Severity.HEAVY: Share(1.2, 2.2, 3.4),
}
"""Our own, set on made-up recoveries: the second dose is smaller, the third smaller still."""

FINISH_DAYS = Interval(0.5, 2.0, 4.5)
"""Days from clear to handed over: vacuuming, balance, a last look. Our own, set on made-up recoveries."""

VISIT_EVERY_DAYS = 1.5
"""Days between visits in the mean: daily after doses, every second day while only the filter works. Our own."""

VISIT_SPREAD = 0.10
"""Spread of the visits beside what the days leave open (of the logarithm). Our own."""

METHOD_SAY = {
    "sand": "High chlorine doses and backwashing: sand takes its time.",
    "sand_floc": "Flocculant, settling, and vacuuming to waste; then filtering.",
    "cartridge": "High chlorine doses with an algaecide, the pump day and night, the cartridges hosed at each visit.",
    "de": "High chlorine doses with an algaecide, the pump day and night, the grids cleaned and powder renewed.",
}
"""The method in one sentence, by route."""

INCLUDES = mark(
    "Every visit with its photo, the doses above, filter cleanings, two vacuum sessions, balancing, hand-over."
)
"""What is in the price. Common practice, no source."""

FLOCCULANT = mark("Flocculant by its label, billed as used.")
"""What is in it where the water is flocculated."""

EXCLUDES = (
    "Repairs: pump, motor, wiring, filter elements, valves, leaks.",
    "Debris and sludge that only show once the floor is seen, beyond two vacuum sessions.",
    "Exchanging or draining water, and what the local authority asks for it.",
    "Stains, scale and the shell itself.",
    "Days lost because the pump did not run, and a pool that turns again after the hand-over.",
    "Water and electricity.",
)
"""What is never in the price. Common practice, no source."""


def quote(recovery: Recovery, now: datetime, *, prices: PriceList | None = None, units: str = "us") -> Quote:
    """Quote a recovery from its first graded visit.

    Parameters
    ----------
    recovery : Recovery
        The pool and its visits; only the first graded visit and what was known of the pool count.
    now : datetime
        The time of asking, with its zone.
    prices : PriceList, optional
        The company's own; without a price for everything needed there is no cost, and the quote names what is missing.
    units : str, optional
        "us" or "metric", for the wording.

    Raises
    ------
    CannotQuote
        If no visit has been graded yet, the pool's volume is not known, or the pool is public.
    """
    check_units(units)
    first = next((i for i, visit in enumerate(recovery.visits) if water_of(visit.assessment)), None)
    if first is None:
        raise CannotQuote(
            "There is no measured photo of this pool yet.", "Make the first visit with a photo of card and water."
        )
    begun = Recovery(recovery.id, recovery.pool, recovery.opened_at, None, recovery.visits[: first + 1])
    facts = gather(begun, min(now, recovery.visits[first].at) if now.tzinfo else now, units=units)
    if not facts.has_volume:
        raise CannotQuote("The pool's volume is not known.", "Enter it on the pool's page.")
    if facts.pool.public:
        raise CannotQuote("The pool is public.", "Its licensed operator and the health code decide what is done.")
    visit = recovery.visits[first]
    clear = forecast([visit], facts.route, turnover_h=facts.pool.turnover_h, dose_visit_ids=(), disturbed_visit_ids=())
    days = _days(Interval(clear.low, clear.mid, clear.high))
    visits = _visits(days)
    lines = tuple(_price(line, prices) for line in _lines(facts, visits, units))
    cost, missing = _cost(lines, visits, prices)
    used = [each for line in lines for each in cautions.CHEMICALS[line.chemical]]
    warned = [
        *used, *cautions.WORK[Topic.POURING], *cautions.WORK[Topic.LABEL], *cautions.WORK[Topic.SWIMMING],
        *cautions.of_pool(facts.pool),
    ]  # fmt: skip
    return Quote(
        visits=visits,
        days=days,
        method=METHOD_SAY[facts.route],
        chemicals=lines,
        cost=cost,
        currency=prices.currency if prices else "",
        missing_prices=missing,
        includes=(
            INCLUDES,
            *((FLOCCULANT,) if facts.route == "sand_floc" else ()),
        ),
        excludes=EXCLUDES,
        would_change=(
            mark("Pump or filter found unsound: they come first, and the days count from their repair."),
            mark("A second visit makes the forecast surer: ask again then with turnblue next, or on the pool's page."),
        ),
        cautions=cautions.say_all(warned),
        sources=(COMMON_PRACTICE, OUR_OWN, *cautions.sources_of(warned)),
        say=_say(visits, days, cost, prices),
    )


def _days(clear: Interval) -> Interval:
    """Add what follows once the water is clear; the spreads are taken as independent."""
    high, finish_high = clear.high or clear.mid, FINISH_DAYS.high or FINISH_DAYS.mid
    mid = clear.mid + FINISH_DAYS.mid
    low = mid - math.hypot(clear.mid - clear.low, FINISH_DAYS.mid - FINISH_DAYS.low)
    return Interval(max(low, 1.0), mid, mid + math.hypot(high - clear.mid, finish_high - FINISH_DAYS.mid))


def _visits(days: Interval) -> Interval:
    """Turn days into whole visits, the first among them."""
    high = days.high or days.mid
    low, mid, high = (1 + each / VISIT_EVERY_DAYS for each in (days.low, days.mid, high))
    factor = math.exp(VISIT_SPREAD)
    return Interval(math.floor(max(low / factor, 3)), round(mid), math.ceil(high * math.sqrt(factor)))


def _lines(facts: Facts, visits: Interval, units: str) -> list[QuoteLine]:
    """Return the chemicals expected, from to."""
    volume_l, pool = facts.pool.volume_l, facts.pool
    share = DOSES_IN_ALL[facts.severity]
    one = max(wanted_raise_mg_l(facts.severity, facts.floor_seen), limits.REPEAT_TO_MG_L)
    floc = facts.route == "sand_floc"
    if floc:
        one = max(limits.FLOC_CHLORINE_MG_L, one / 2)
    # What dead water is kept at while it is filtered goes in at about every second visit.
    upkeep = limits.UPKEEP_MG_L * (visits.high or visits.mid) / 2

    def line(chemical: Chemical, low_mg_l: float, high_mg_l: float) -> QuoteLine:
        low = dose_for(chemical, volume_l=volume_l, change_mg_l=max(low_mg_l, 0.1), units=units)
        high = dose_for(chemical, volume_l=volume_l, change_mg_l=max(high_mg_l, 0.1), units=units)
        return _line(chemical, low.amount, high.amount, low.unit, units)

    lines = [line(Chemical.SODIUM_HYPOCHLORITE, one * share.low * (1 - VOLUME_DOUBT), one * share.high + upkeep)]
    fine = pool.filter_kind != FilterKind.SAND and not pool.salt_cell and not facts.has_mineral_unit
    if fine and facts.severity not in (Severity.NONE, Severity.TRACE):
        bromide = dose_for(Chemical.SODIUM_BROMIDE, volume_l=volume_l, units=units)
        lines.append(_line(Chemical.SODIUM_BROMIDE, bromide.amount, bromide.amount, bromide.unit, units))
    lines.append(line(Chemical.HYDROCHLORIC_ACID, 0.1, 2 * limits.ALKALINITY_DROP_MG_L))
    cya = facts.value("cyanuric_acid")
    if not pool.indoor and (cya is None or cya < limits.CYA_LEAST_MG_L):
        short = limits.CYA_GOAL_MG_L - (cya or 0.0)
        lines.append(line(Chemical.CYANURIC_ACID, 0.1 if cya is None else short * 0.8, short))
    return lines


def _line(chemical: Chemical, low: float, high: float, unit: str, units: str) -> QuoteLine:
    """Return a line in people's words; a lower end that is next to nothing is said as "none"."""
    told: str
    least, most = say_amount(low, unit, units), say_amount(high, unit, units)
    if low < 0.02 * high:
        low, told = 0.0, said("none to {most}", most=most)
    else:
        told = least if least == most else said("{low} to {high}", low=least, high=most)
    return QuoteLine(chemical, low, high, unit, told)


def _price(line: QuoteLine, prices: PriceList | None) -> QuoteLine:
    """Add what a line costs, where its price is known in its unit."""
    each = unit_price(prices, line.chemical.value, line.unit)
    if each is None:
        return line
    return QuoteLine(
        line.chemical, line.low, line.high, line.unit, line.say, round(line.low * each, 2), round(line.high * each, 2)
    )


def _cost(
    lines: tuple[QuoteLine, ...], visits: Interval, prices: PriceList | None
) -> tuple[Interval | None, tuple[str, ...]]:
    """Return the cost and the prices that are missing for it; flocculant is dosed by its label and billed as used."""
    visit = unit_price(prices, "visit", "")
    start = unit_price(prices, "start", "") or 0.0
    missing = [line.chemical.value for line in lines if line.cost_high is None] + (
        [] if visit is not None else ["visit"]
    )
    if missing or visit is None:
        return None, tuple(missing)
    low = math.fsum(line.cost_low or 0.0 for line in lines) + visits.low * visit + start
    high = math.fsum(line.cost_high or 0.0 for line in lines) + (visits.high or visits.mid) * visit + start
    middle = math.fsum(((line.cost_low or 0.0) + (line.cost_high or 0.0)) / 2 for line in lines)
    return Interval(round(low, 2), round(middle + visits.mid * visit + start, 2), round(high, 2)), ()


def _say(visits: Interval, days: Interval, cost: Interval | None, prices: PriceList | None) -> str:
    """Say it in one sentence for the customer."""
    said = (
        f"We expect {visits.low:.0f} to {visits.high or visits.mid:.0f} visits over {math.floor(days.low)} to "
        f"{math.ceil(days.high or days.mid)} days"
    )
    if cost is None or prices is None:
        return said + "; four times in five it stays within that."
    return said + f", at {prices.currency}{cost.low:,.0f} to {prices.currency}{cost.high or cost.mid:,.0f} in all."
