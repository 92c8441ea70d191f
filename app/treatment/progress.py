"""Says how far a recovery has come, when it will be clear, and whether someone is late.

In: a `Recovery`, `now`. Out: `Progress`. The forecast itself is in `forecast.py`, the stall in `stall.py`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import datetime, timedelta

from app.records import Progress, Recovery, Standing, StepKind, Visit
from app.treatment import trend
from app.treatment.causes import rank_causes
from app.treatment.facts import Facts, gather
from app.treatment.forecast import GOAL_CHLOROPHYLL_UG_L, GOAL_DEPTH_M, Days, forecast
from app.treatment.plan import choose_rule, return_hours
from app.words import mark, said
from vision.results import Interval, Severity

GRACE_H = 6.0
"""A visit counts as overdue this long after it was due [h]: rounds are driven, not timed. Our own choice."""

_WAITING = (StepKind.RESTORE_POWER, StepKind.REPAIR_PUMP, StepKind.REPAIR_FILTER)


def progress(recovery: Recovery, now: datetime) -> Progress:
    """Say where a recovery stands, how far it has come, and when it should be clear.

    Parameters
    ----------
    recovery : Recovery
        The pool and its visits, oldest first.
    now : datetime
        The time of asking, with its zone.

    Returns
    -------
    Progress
        `done_share` runs from the first graded visit (0) to clear and free of algae (1), on logarithms of visible depth
        and chlorophyll; None before a first graded visit. `days_to_clear` counts from `now`, with an 80 % interval;
        None where nothing can honestly be said (not graded, waiting on equipment, stalled). It supposes that the plan
        is followed and the pump runs day and night.

    Raises
    ------
    ValueError
        If `now` has no time zone.
    """
    facts = gather(recovery, now)
    standing = _standing(facts)
    share = 1.0 if standing in (Standing.READY, Standing.DONE) else done_share(recovery.visits)
    days = _days_to_clear(facts, standing)
    due = next_visit_due(recovery) if standing != Standing.DONE else None
    overdue = due is not None and now > due + timedelta(hours=GRACE_H)
    return Progress(
        standing=standing,
        done_share=share,
        days_to_clear=days,
        next_visit_due=due,
        overdue=overdue,
        say=_say(facts, standing, days),
        stall_probability=None if facts.stall is None or not facts.is_measured else facts.stall.probability,
        causes=rank_causes(facts) if standing == Standing.STALLED else (),
    )


def done_share(visits: Sequence[Visit]) -> float | None:
    """Return how much of the way from the first graded water to the goal lies behind, 0 to 1; None if none was graded.

    The mean over visible depth and chlorophyll of the share covered on a logarithmic scale; what was at its goal from
    the first and still is does not count.
    """
    graded = [water for visit in visits if (water := trend.water_of(visit.assessment)) is not None]
    if not graded:
        return None
    first, last = graded[0], graded[-1]
    legs = (
        _leg(first.visible_depth_m.mid / GOAL_DEPTH_M, last.visible_depth_m.mid / GOAL_DEPTH_M),
        _leg(
            GOAL_CHLOROPHYLL_UG_L / max(first.chlorophyll_ug_l.mid, 1e-3),
            GOAL_CHLOROPHYLL_UG_L / max(last.chlorophyll_ug_l.mid, 1e-3),
        ),
    )
    counted = [leg for leg in legs if leg is not None]
    return sum(counted) / len(counted) if counted else 1.0


def next_visit_due(recovery: Recovery) -> datetime | None:
    """Return when the pool should next be seen: the last visit's step, as it stood then, says after how many hours."""
    at = recovery.visits[-1].at if recovery.visits else recovery.opened_at
    hours = return_hours(gather(recovery, at))
    return None if hours is None else at + timedelta(hours=hours)


def _leg(start: float, here: float) -> float | None:
    """Return the share of the way to 1 covered on a logarithmic scale; None where both ends are there already."""
    if start >= 1 and here >= 1:
        return None
    if start >= 1:
        return 0.0
    gone, whole = math.log(max(here, 1e-6) / max(start, 1e-6)), math.log(1 / max(start, 1e-6))
    return min(max(gone / whole, 0.0), 1.0)


def _standing(facts: Facts) -> Standing:
    """Name where the recovery stands."""
    if facts.recovery.closed_at is not None:
        return Standing.DONE
    if facts.last is None:
        return Standing.NOT_STARTED
    step = choose_rule(facts).step
    if step in _WAITING:
        return Standing.WAITING_ON_EQUIPMENT
    if facts.is_blue or step == StepKind.HAND_OVER:
        return Standing.READY
    # Where something new was just tried it is too soon to call it a stall.
    if facts.is_stalled and not (facts.dosed_last or facts.flocced_last):
        return Standing.STALLED
    treated = bool(facts.dose_visit_ids or facts.floc_rounds)
    if not treated and not facts.poured_last_mg_l:
        return Standing.UNDER_WAY if facts.is_measured else Standing.NOT_STARTED
    if facts.is_measured and facts.severity in (Severity.NONE, Severity.TRACE):
        return Standing.CLEARING
    return Standing.UNDER_WAY


def _days_to_clear(facts: Facts, standing: Standing) -> Interval | None:
    """Forecast the days until clear, from `now`."""
    if standing in (Standing.READY, Standing.DONE):
        return Interval(0.0, 0.0, 0.0)
    if standing not in (Standing.UNDER_WAY, Standing.CLEARING) or facts.pool.public:
        return None
    graded = [visit for visit in facts.recovery.visits if trend.water_of(visit.assessment)]
    if not graded:
        return None
    newest = graded[-1]
    days = forecast_of(facts, graded)
    # Time since the photo counts only where something was at work in it.
    running = bool(facts.dose_visit_ids or facts.floc_rounds)
    elapsed = max((facts.now - newest.at).total_seconds() / 86_400, 0.0) if running else 0.0
    low, mid, high = (max(day - elapsed, 0.0) for day in (days.low, days.mid, days.high))
    # Not yet seen clear, so a quarter of a day at the least.
    return Interval(low, max(mid, 0.25), max(high, mid, 0.5))


def forecast_of(facts: Facts, graded: Sequence[Visit]) -> Days:
    """Return days from the newest graded visit until clear."""
    return forecast(
        graded,
        facts.route,
        turnover_h=facts.pool.turnover_h,
        dose_visit_ids=facts.dose_visit_ids,
        disturbed_visit_ids=facts.disturbed_visit_ids,
    )


def _say(facts: Facts, standing: Standing, days: Interval | None) -> str:
    """Say it in one sentence that a customer understands."""
    if standing == Standing.DONE:
        return mark("The clean-up is finished.")
    if standing == Standing.NOT_STARTED:
        return mark("The clean-up has not begun yet.")
    if standing == Standing.WAITING_ON_EQUIPMENT:
        return mark("The clean-up waits until the pump and filter can do their part.")
    if standing == Standing.READY:
        return mark("The water is clear and blue; what is left is balancing it and handing it over.")
    if standing == Standing.STALLED:
        return mark("The water has not got better since the last visit, so we are looking for the cause.")
    if facts.pool.public:
        return mark("The pool is public, so its licensed operator decides how it is treated.")
    begun = mark("The water is being cleared")
    if standing == Standing.CLEARING:
        begun = mark("The algae are dying off and the filter is clearing the water")
    elif not facts.dose_visit_ids and not facts.floc_rounds:
        begun = mark("The water has been measured and treatment is about to begin")
    if days is None:
        return said("{begun}.", begun=begun)
    return said("{begun}; it should be clear in {time}.", begun=begun, time=_say_days(days))


def _say_days(days: Interval) -> str:
    """Say an interval of days in whole days: "about 5 to 9 days"."""
    low, high = math.floor(days.low + 0.5), math.ceil(days.high if days.high is not None else days.mid)
    if high <= 1:
        return mark("about a day")
    if low < 1:
        return said("up to {high} days", high=high)
    if low < high:
        return said("about {low} to {high} days", low=low, high=high)
    return said("about {high} days", high=high)
