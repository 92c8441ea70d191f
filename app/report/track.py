"""What the customer's chart shows of a recovery: photos, doses and the forecast in the shown unit, and how to read it.

In: a recovery and its progress. Out: `Track`, and a sentence. Pure.
"""

from __future__ import annotations

from datetime import datetime, timedelta, tzinfo

from app.records import Chemical, Progress, Recovery, Standing
from app.report.depth_chart import Mark, Track
from app.treatment.forecast import GOAL_DEPTH_M
from app.treatment.units import M_PER_FT
from app.words import Speech
from vision.results import Interval

CHLORINES = frozenset(
    {Chemical.SODIUM_HYPOCHLORITE, Chemical.CALCIUM_HYPOCHLORITE, Chemical.DICHLOR, Chemical.TRICHLOR}
)
"""What counts as chlorine in a sentence."""

LONGEST_FORECAST_DAYS = 45.0
"""A forecast that reaches further says "no date yet" [days]: no customer plans by it (our choice)."""


def say_chart(progress: Progress, _: Speech) -> str:
    """Say how the chart is to be read."""
    said = _("Each dot is a photo, the bar through it the range it lies in four times out of five.")
    more = _("A triangle marks chlorine added; the dashed line is the goal.")
    forecast = _("The band on it is when it is expected to be reached.")
    return " ".join([said, more, *([forecast] if shown_forecast(progress) else [])])


def shown_forecast(progress: Progress) -> Interval | None:
    """Return the days to clear where a date is given."""
    days = progress.days_to_clear
    going = progress.standing in (Standing.UNDER_WAY, Standing.CLEARING)
    return days if going and days and days.high and days.high <= LONGEST_FORECAST_DAYS else None


def track_of(recovery: Recovery, progress: Progress, now: datetime, zone: tzinfo, _: Speech, metric: bool) -> Track:
    """Return the recovery's visible depth over time as the chart draws it."""
    per_unit = 1.0 if metric else M_PER_FT
    marks = []
    for visit in recovery.visits:
        water = visit.assessment
        if water is None or not water.usable or water.visible_depth_m is None:
            continue
        depth = water.visible_depth_m
        marks.append(
            Mark(
                at=visit.at.timestamp(),
                low=depth.low / per_unit,
                mid=depth.mid / per_unit,
                high=None if depth.high is None else depth.high / per_unit,
                bound=depth.high is None,
            )
        )
    dosed = [
        visit.at.timestamp()
        for visit in recovery.visits
        if any(each.chemical in CHLORINES for each in visit.treatments)
    ]
    days = shown_forecast(progress)
    expected = None
    if days is not None and days.high is not None:
        expected = tuple((now + timedelta(days=each)).timestamp() for each in (days.low, days.mid, days.high))
    start = min([recovery.opened_at, *(visit.at for visit in recovery.visits)])
    end = max([recovery.closed_at or now, *(visit.at for visit in recovery.visits)])
    if days is not None and days.high is not None:
        end = max(end, now + timedelta(days=days.high))
    noon = start.astimezone(zone).replace(hour=12, minute=0, second=0, microsecond=0)
    count = max((end - start).days + 1, 1)
    every = max(1, -(-count // 6))
    ticks = tuple(
        ((noon + timedelta(days=day)).timestamp(), _.short_day(noon + timedelta(days=day)))
        for day in range(0, count + 1, every)
    )
    return Track(
        marks=tuple(marks),
        doses=tuple(dosed),
        expected=expected,  # type: ignore[arg-type]
        goal=GOAL_DEPTH_M / per_unit,
        goal_label=_("Goal"),
        start=start.timestamp(),
        end=end.timestamp(),
        ticks=ticks,
        unit="m" if metric else "ft",
    )
