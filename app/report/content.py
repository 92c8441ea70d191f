"""Everything a customer's report says, as data: finished sentences in one language, and which photos it shows.

In: a recovery with its progress and step, the company, the time and its zone, a language. Out: `Report`, from which the
PDF, the picture for a text message and the customer's page are laid out. Pure. What it leaves out is as much its
work: no town, no owner, no note, no name of a tech, no cost, no other pool.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo

from app.records import Assessment, Company, Pool, Progress, Recovery, Standing, Step, StepKind, Visit, Work
from app.report import wording
from app.report.depth_chart import Track
from app.report.track import CHLORINES, LONGEST_FORECAST_DAYS, say_chart, track_of
from app.treatment.forecast import GOAL_DEPTH_M
from app.treatment.units import M_PER_FT, say_amount
from app.words import Speech, translate
from vision.results import Clarity, Interval, Severity


@dataclass(frozen=True)
class Shown:
    """One photo as shown: its heading, its day, what it says of the water, and a sentence for who cannot see it."""

    sha256: str
    label: str
    day: str
    seen: str
    water: str
    alt: str


@dataclass(frozen=True)
class Line:
    """One visit as one line of the report; `sha256` is its photo's, empty where none was measured."""

    sha256: str
    day: str
    water: str
    done: str


@dataclass(frozen=True)
class Report:
    """What a report says; every text is finished, `share` is 0 at the start to 1 at the goal (None: not yet known).

    `tone` is "good", "hold" or "go"; `before` is None where there is one photo only, `now` where there is none.
    """

    language: str
    title: str
    company: str
    phone: str
    pool: str
    as_of: str
    headline: str
    summary: str
    tone: str
    before: Shown | None
    now: Shown | None
    honest: str
    depth_title: str
    depth: str
    depth_more: str
    clear_title: str
    clear: str
    clear_more: str
    share: float | None
    share_say: str
    start_label: str
    goal_label: str
    goal_say: str
    done_title: str
    done: tuple[str, ...]
    next_title: str
    next: tuple[str, ...]
    mind_title: str
    mind: tuple[str, ...]
    visits_title: str
    visits: tuple[Line, ...]
    chart_title: str
    chart_say: str
    chart: Track
    small: tuple[str, ...]
    rendered: str
    measurement_ids: tuple[str, ...]


def write_content(
    recovery: Recovery,
    progress: Progress,
    step: Step,
    company: Company,
    *,
    now: datetime,
    zone: tzinfo,
    language: str,
) -> Report:
    """Return what the report of a recovery says.

    Parameters
    ----------
    recovery, progress, step
        The recovery, how far it has come, and its next step, all as of `now`.
    company : Company
        Its name, phone and units; `invented` marks every photo as rendered.
    now : datetime
        When the report is made; aware.
    zone : tzinfo
        In which days are counted: the pool's.
    language : str
        A key of `app.words.LANGUAGES`.
    """
    _ = translate(language, company.units)
    metric = company.units == "metric"
    measured = [visit for visit in recovery.visits if visit.assessment is not None and visit.assessment.usable]
    first, last = (measured[0], measured[-1]) if measured else (None, None)
    rendered = _("Rendered picture") if company.invented else ""
    clear = progress.standing != Standing.DONE or _looks_clear(last)
    depth, depth_more = _depth_say(last, recovery.pool, _, metric)
    clear_say, clear_more = _clear_say(progress, measured, now, zone, _)
    return Report(
        language=language,
        title=_("Progress report"),
        company=company.name,
        phone=company.phone,
        pool=recovery.pool.name,
        as_of=_("As of {day}", day=_.day(now.astimezone(zone))),
        headline=_(wording.HEADLINE[progress.standing] if clear else wording.FINISHED),
        summary=_(wording.SUMMARY[progress.standing] if clear else wording.FINISHED_SUMMARY),
        tone=_tone(progress.standing),
        before=_shown(first, _("Before"), recovery.pool, zone, _, metric) if first is not last else None,
        now=_shown(last, _("Now"), recovery.pool, zone, _, metric),
        honest=_honest(first, last, _),
        depth_title=_("How far you can see"),
        depth=depth,
        depth_more=depth_more,
        clear_title=_("Clear since") if clear_more is None else _("Expected to be clear"),
        clear=clear_say,
        clear_more=clear_more or "",
        share=progress.done_share,
        share_say=""
        if progress.done_share is None
        else _("{share} % of the way from the start to clear water", share=_.number(100 * progress.done_share)),
        start_label=_("Start"),
        goal_label=_("Clear"),
        goal_say=_(
            "Goal: you see {depth} down or to the floor, and no green is left.",
            depth=_length(GOAL_DEPTH_M, _, metric),
        ),
        done_title=_("What we did"),
        done=_done(recovery.visits, _) or (_("Nothing yet: the work begins with the next visit."),),
        next_title=_("What comes next"),
        next=_next(step, progress, now, zone, _),
        mind_title=_("Please keep in mind"),
        mind=_mind(recovery, progress, last, _),
        visits_title=_("Visit by visit"),
        visits=tuple(_line(visit, recovery.pool, zone, _, metric) for visit in recovery.visits),
        chart_title=_("How far one sees into the water"),
        chart_say=say_chart(progress, _),
        chart=track_of(recovery, progress, now, zone, _, metric),
        small=tuple(said for said in (_(wording.ESTIMATE), _(wording.INVENTED) if company.invented else "") if said),
        rendered=rendered,
        measurement_ids=tuple(
            visit.assessment.measurement_id for visit in recovery.visits if visit.assessment is not None
        ),
    )


def _tone(standing: Standing) -> str:
    """Return whether a standing is good news, on hold, or under way."""
    if standing in (Standing.READY, Standing.DONE):
        return "good"
    return "hold" if standing in (Standing.STALLED, Standing.WAITING_ON_EQUIPMENT) else "go"


def _looks_clear(visit: Visit | None) -> bool:
    """Return whether a visit's photo shows clear water without green."""
    water = None if visit is None else visit.assessment
    return (
        water is not None
        and water.clarity in (Clarity.CLEAR, Clarity.CRYSTAL)
        and water.severity in (Severity.NONE, Severity.TRACE)
    )


def _length(length_m: float, _: Speech, metric: bool) -> str:
    """Say a depth: two figures under ten, whole above."""
    value = length_m if metric else length_m / M_PER_FT
    # A number and its unit stay on one line.
    return f"{_figure(value, _, metric)}\u00a0{'m' if metric else 'ft'}"


def _figure(value: float, _: Speech, metric: bool) -> str:
    """Write a depth's number: whole from ten on, else to a tenth, under one metre to a hundredth."""
    return _.number(value, 0 if value >= 9.95 else 2 if metric and value < 0.995 else 1)


def _to_the_floor(visit: Visit, pool: Pool) -> bool:
    """Return whether one sees the floor: a person saw it, or the whole interval lies beyond it."""
    depth = None if visit.assessment is None else visit.assessment.visible_depth_m
    if depth is None:
        return False
    by_eye = bool(visit.floor_seen) and _beyond_the_floor(depth.mid, pool)
    return by_eye or depth.high is None or _beyond_the_floor(depth.low, pool)


def _beyond_the_floor(depth_m: float, pool: Pool) -> bool:
    """Return whether a depth is more than the pool has: nobody sees 10 ft down in a pool of 6."""
    deepest = pool.depth_deep_m or pool.depth_shallow_m
    return deepest is not None and depth_m >= deepest


def _depth_say(visit: Visit | None, pool: Pool, _: Speech, metric: bool) -> tuple[str, str]:
    """Return how far one sees, and with what doubt."""
    water = None if visit is None else visit.assessment
    if visit is None or water is None or water.visible_depth_m is None:
        return _("Not measured yet"), ""
    depth = water.visible_depth_m
    if _to_the_floor(visit, pool):
        return _("To the floor"), ""
    if _beyond_the_floor(depth.mid, pool):
        return _("Nearly to the floor"), ""
    return _length(depth.mid, _, metric), _between(depth, _, metric)


def _between(depth: Interval, _: Speech, metric: bool) -> str:
    """Return the interval in words."""
    if depth.high is None:
        return ""
    low, high = (_figure(each if metric else each / M_PER_FT, _, metric) for each in (depth.low, depth.high))
    return _("most likely {low} to {high} {unit}", low=low, high=high, unit="m" if metric else "ft")


def _shown(visit: Visit | None, label: str, pool: Pool, zone: tzinfo, _: Speech, metric: bool) -> Shown | None:
    """Return a visit's photo as shown, None where there is none."""
    water = None if visit is None else visit.assessment
    if visit is None or water is None:
        return None
    day = _.day(visit.at.astimezone(zone))
    seen = _seen(visit, pool, _, metric)
    graded = _graded(water, _)
    return Shown(
        sha256=water.photo_sha256,
        label=label,
        day=day,
        seen=seen,
        water=graded,
        alt=_("Photo of the water, {day}: {water}", day=day, water=graded),
    )


def _seen(visit: Visit, pool: Pool, _: Speech, metric: bool) -> str:
    """Return how far one sees as a sentence."""
    water = visit.assessment
    if water is None or water.visible_depth_m is None:
        return ""
    if _to_the_floor(visit, pool):
        return _("You see to the floor")
    if _beyond_the_floor(water.visible_depth_m.mid, pool):
        return _("You see nearly to the floor")
    return _("You see about {depth} down", depth=_length(water.visible_depth_m.mid, _, metric))


def _graded(water: Assessment, _: Speech) -> str:
    """Return both grades in a few words."""
    if water.clarity is None or water.severity is None:
        return ""
    return f"{_(wording.CLARITY[water.clarity])}, {_(wording.ALGAE[water.severity])}"


def _honest(first: Visit | None, last: Visit | None, _: Speech) -> str:
    """Say how the photos were made alike."""
    if last is None:
        return _("The first photo is still to come.")
    return _(wording.ONE_COLOUR) if first is last else _(wording.SAME_COLOURS)


def _clear_from(measured: Sequence[Visit]) -> Visit:
    """Return the first visit since which every photo shows clear water; the last one at least is clear."""
    murky = [number for number, visit in enumerate(measured) if not _looks_clear(visit)]
    return measured[murky[-1] + 1 if murky else 0]


def _clear_say(
    progress: Progress, measured: Sequence[Visit], now: datetime, zone: tzinfo, _: Speech
) -> tuple[str, str | None]:
    """Return when the water is expected to be clear, and how sure; None for the latter where it is clear already."""
    last = measured[-1] if measured else None
    if progress.standing in (Standing.READY, Standing.DONE) and last is not None and _looks_clear(last):
        return _.day(_clear_from(measured).at.astimezone(zone)), None
    days = progress.days_to_clear
    if progress.standing in (Standing.STALLED, Standing.WAITING_ON_EQUIPMENT):
        return _("No date yet"), _("We can say once the cause is mended.")
    high = None if days is None else days.high
    if days is None or high is None or high > LONGEST_FORECAST_DAYS or progress.standing == Standing.DONE:
        return _("No date yet"), _("We can say after the next visits.") if progress.standing != Standing.DONE else ""
    soonest, latest = (now + timedelta(days=each) for each in (days.low, high))
    early, late = _.short_day(soonest.astimezone(zone)), _.short_day(latest.astimezone(zone))
    more = _("An estimate: it comes true about four times in five.")
    return (_("about {day}", day=late) if early == late else _("{early} to {late}", early=early, late=late)), more


def _done(visits: Sequence[Visit], _: Speech) -> tuple[str, ...]:
    """Return what was done so far, in at most five lines."""
    if not visits:
        return ()
    work = Counter(each for visit in visits for each in dict.fromkeys(visit.work))
    doses = sum(any(each.chemical in CHLORINES for each in visit.treatments) for visit in visits)
    others = dict.fromkeys(
        each.chemical for visit in visits for each in visit.treatments if each.chemical not in CHLORINES
    )
    filtered = work[Work.FILTER_CLEANED] + work[Work.BACKWASHED]
    lines = [_.several("{count} visit", "{count} visits", len(visits))]
    if doses:
        lines.append(_.several("Chlorine added once", "Chlorine added {count} times", doses))
    if others:
        lines.append(_("Also added: {chemicals}", chemicals=_.listed([_(wording.CHEMICAL[each]) for each in others])))
    if filtered:
        lines.append(_.several("Filter cleaned once", "Filter cleaned {count} times", filtered))
    rest = [
        _(wording.WORK[each])
        for each in (
            Work.ELEMENTS_REPLACED,
            Work.DEBRIS_REMOVED,
            Work.BRUSHED,
            Work.VACUUMED if work[Work.VACUUMED] else Work.VACUUMED_TO_WASTE,
        )
        if work[each]
    ]
    if rest:
        lines.append(_begin(_.listed(rest)))
    return tuple(lines)


def _next(step: Step, progress: Progress, now: datetime, zone: tzinfo, _: Speech) -> tuple[str, ...]:
    """Return what comes next and when we come."""
    said = [_(wording.NEXT[step.step])]
    due = progress.next_visit_due
    if step.step is StepKind.CLOSED or progress.standing == Standing.DONE:
        return tuple(said)
    if due is not None and due.astimezone(zone).date() >= now.astimezone(zone).date():
        said.append(_("Next visit: {day}", day=_.day(due.astimezone(zone))))
    else:
        said.append(_("Next visit: we arrange it with you."))
    return tuple(said)


def _mind(recovery: Recovery, progress: Progress, last: Visit | None, _: Speech) -> tuple[str, ...]:
    """Return what the customer should keep in mind, what can hurt first."""
    public = [wording.PUBLIC] if recovery.pool.public else []
    if progress.standing == Standing.DONE:
        messages = [wording.TEST_FIRST, wording.KEEP_RUNNING, wording.LABELS]
    else:
        unseen = [] if _looks_clear(last) else [wording.NOT_SEEN]
        messages = [wording.KEEP_OUT, *unseen, wording.NO_CHEMICALS, wording.HANDS_OFF, wording.NO_DRAINING]
    return tuple(_(each) for each in (*public, *messages))


def _line(visit: Visit, pool: Pool, zone: tzinfo, _: Speech, metric: bool) -> Line:
    """Return one visit as one line: what the water was like, what was poured and done."""
    water = visit.assessment
    sha256, said = "", _("No photo that could be measured.")
    if water is not None and water.usable:
        sha256 = water.photo_sha256
        said = f"{_graded(water, _)}. {_seen(visit, pool, _, metric)}."
    poured = [
        _(
            "{amount} {chemical}",
            amount=_.figures(say_amount(each.amount, each.unit, "metric" if metric else "us")),
            chemical=_(wording.CHEMICAL[each.chemical]),
        )
        for each in visit.treatments
    ]
    done = list(dict.fromkeys(_(wording.WORK[each]) for each in visit.work))
    parts = [*([_("added {amounts}", amounts=_.listed(poured))] if poured else []), *done]
    return Line(sha256, _.day(visit.at.astimezone(zone)), said, _begin("; ".join(parts)))


def _begin(phrase: str) -> str:
    """Return a phrase as the beginning of a sentence."""
    return phrase[:1].upper() + phrase[1:]
