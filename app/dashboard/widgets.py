"""The parts that pages are put together from: marks, gauges, the next step, a photo's verdict, the head.

In: records and measurements. Out: pieces of HTML (functions named `..._html`, pure, everything from outside
escaped) and the functions that put them on the screen (`show_...`). A grade is always a word and a place on a
scale with a shape of its own; colour only helps.
"""

from __future__ import annotations

import base64
from collections.abc import Mapping, Sequence
from datetime import datetime
from html import escape
from typing import TYPE_CHECKING, Any

from app.dashboard import units as u
from app.dashboard import words
from app.dashboard.speech import _, several, speech
from app.records import Action, Assessment, Progress, Reading, Standing, Step, Treatment, Visit
from app.treatment.plan import CHECK
from app.treatment.units import say_amount, say_pressure
from app.words import Said
from vision.flags import BY_NAME
from vision.results import Clarity, Interval, Severity, within_one

if TYPE_CHECKING:
    from app.dashboard.session import Desk
    from app.errors import TurnblueError
    from vision.errors import VisionError

CLARITY_STEPS = tuple(reversed(Clarity))
"""Clarity from worst to best: the fuller the scale, the further one sees."""
SEVERITY_STEPS = tuple(Severity)
"""Severity from least to most: the fuller the scale, the more algae."""

SHAPES = ("ring", "dot", "half", "square", "triangle", "tick", "clock")
"""Small marks, told apart by shape; drawn by theme.css, because a page may not hold drawings of its own."""

STANDING_MARK: Mapping[Standing, tuple[str, str]] = {
    Standing.NOT_STARTED: ("ring", ""),
    Standing.WAITING_ON_EQUIPMENT: ("square", "act"),
    Standing.UNDER_WAY: ("dot", ""),
    Standing.STALLED: ("triangle", "act"),
    Standing.CLEARING: ("half", ""),
    Standing.READY: ("tick", "good"),
    Standing.DONE: ("tick", "good"),
}
"""Each standing's shape and tone."""

LOUD = 0.05
"""Probability of being two classes off from which a photo asks the tech for more: one in twenty (our choice). The
grader names fainter doubts too, on most photos; said each time, nobody would read the one that counts."""


def shape_html(name: str) -> str:
    """Return one small mark; it says nothing to a screen reader, the words beside it do."""
    return f'<span class="tb-shape {name}" aria-hidden="true"></span>'


def mark_html(say: str, *, shape: str, tone: str = "") -> str:
    """Return a mark: a shape and a word in a rounded frame. `tone` is "", "act" or "good"."""
    return f'<span class="tb-mark {tone}">{shape_html(shape)}{escape(say)}</span>'


def standing_html(progress: Progress) -> str:
    """Return a recovery's standing as a mark, and a second mark where it is overdue."""
    shape, tone = STANDING_MARK[progress.standing]
    marks = mark_html(_(words.STANDING[progress.standing]), shape=shape, tone=tone)
    if progress.overdue:
        marks += mark_html(_("Overdue"), shape="clock", tone="act")
    return marks


def scale_html(kind: str, filled: int, of: int) -> str:
    """Return a scale of `of` cells, the first `filled` of them full."""
    cells = "".join(f'<i class="{"on" if number < filled else ""}"></i>' for number in range(of))
    return f'<span class="tb-scale {kind}" aria-hidden="true">{cells}</span>'


def clarity_html(grade: Clarity | None, probability: float | None = None) -> str:
    """Return the clarity as word and scale: one cell full is opaque, five are crystal."""
    if grade is None:
        return _unmeasured_html(_("Clarity"))
    place = CLARITY_STEPS.index(grade) + 1
    return (
        f'<span class="tb-gauge"><span class="what">{escape(_("Clarity, {place} of 5", place=place))}</span>'
        f'<span class="word">{escape(_(words.CLARITY[grade]))}</span>{_sure_html(probability)}'
        f"{scale_html('clarity', place, 5)}</span>"
    )


def severity_html(grade: Severity | None, probability: float | None = None) -> str:
    """Return the severity as word and scale: no cell full is no living algae, four are heavy."""
    if grade is None:
        return _unmeasured_html(_("Algae"))
    place = SEVERITY_STEPS.index(grade)
    return (
        f'<span class="tb-gauge"><span class="what">{escape(_("Living algae, {place} of 4", place=place))}</span>'
        f'<span class="word">{escape(_(words.SEVERITY[grade]))}</span>{_sure_html(probability)}'
        f"{scale_html('algae', place, 4)}</span>"
    )


def _unmeasured_html(what: str) -> str:
    """Return a gauge without a value."""
    word = escape(_("Not measured"))
    return f'<span class="tb-gauge"><span class="what">{escape(what)}</span><span class="word">{word}</span></span>'


def picture_html(jpeg: bytes | None, alt: str, *, missing: str = "") -> str:
    """Return a picture with its bytes inside, or a frame that says why there is none."""
    if jpeg is None:
        return f'<div class="pic nopic">{escape(missing or _("No photo yet"))}</div>'
    data = base64.b64encode(jpeg).decode("ascii")
    return f'<img class="pic" alt="{escape(alt)}" src="data:image/jpeg;base64,{data}">'


def refusal_html(error: TurnblueError | VisionError) -> str:
    """Return what an error says, in the language of this run."""
    return say_html(_(error.sentence), _(error.hint), act=True)


def say_html(title: str, sentence: str = "", *, act: bool = False) -> str:
    """Return a sentence to a person: what is so, and what to do about it."""
    more = f"<p>{escape(sentence)}</p>" if sentence else ""
    return f'<div class="tb-say {"act" if act else ""}" role="status"><b>{escape(title)}</b>{more}</div>'


def cautions_html(cautions: Sequence[str]) -> str:
    """Return cautions in their own frame, right where the advice is; empty where there are none."""
    if not cautions:
        return ""
    lines = "".join(f"<li>{escape(_(each))}</li>" for each in cautions)
    return f'<div class="tb-caution"><b>{shape_html("triangle")} {escape(_("Take care"))}</b><ul>{lines}</ul></div>'


def step_html(step: Step, *, back: str = "") -> str:
    """Return the next step in large type: what to do with amounts, why, when to come back, cautions.

    `back` is when to return, as words; empty where the step names no time.
    """
    checks = [each for each in step.do if is_check(each)]
    # The likeliest causes of a stall are checked first; nine of them in a row nobody reads at the pool.
    later = checks[CHECKS_SHOWN:]
    do = "".join(f"<li>{action_html(each)}</li>" for each in step.do if each not in later)
    parts = [
        f'<section class="tb-step" aria-label="{escape(_("Next step"))}">'
        f'<div class="lead">{escape(_("Next step"))}</div>',
        f"<h2>{escape(_(step.title))}</h2>",
        f'<ol class="do">{do}</ol>' if do else "",
        later_html(later),
        f'<p class="back">{escape(back)}</p>' if back else "",
        f"<p><b>{escape(_('Look for:'))}</b> {escape(_(step.look_for))}</p>" if step.look_for else "",
        cautions_html(all_cautions(step)),
        listed_html(_("Why"), [_(each.say) for each in step.why]),
        listed_html(_("What would change this"), [_(each) for each in step.would_change]),
    ]
    doses = [each.dose for each in step.do if each.dose]
    if doses or step.sources:
        sums = "".join(f"<p>{escape(_(dose.arithmetic))}</p>" for dose in doses)
        sources = sorted({*step.sources, *(source for dose in doses for source in dose.sources)})
        listed = "".join(f"<li>{escape(each)}</li>" for each in sources)
        title = escape(_("Arithmetic and sources"))
        parts.append(f"<details><summary>{title}</summary>{sums}<ul>{listed}</ul></details>")
    return "".join(parts) + "</section>"


CHECKS_SHOWN = 3
"""Causes of a stall shown at once in the next step; the others open at a tap (our choice)."""


def is_check(action: Action) -> bool:
    """Return whether a thing to do is the check for one cause of a stall."""
    return isinstance(action.say, Said) and action.say.message == CHECK


def later_html(checks: Sequence[Action]) -> str:
    """Return the checks for the less likely causes, folded away; empty where there are none."""
    if not checks:
        return ""
    listed = "".join(f"<li>{action_html(each)}</li>" for each in checks)
    title = escape(several("{count} less likely cause", "{count} less likely causes", len(checks)))
    return f'<details class="more"><summary>{title}</summary><ol>{listed}</ol></details>'


def action_html(action: Action) -> str:
    """Return one thing to do, its amount in bold: in the sentence, or after it where the sentence has none."""
    if is_check(action) and isinstance(action.say, Said):
        cause, check, mend = (escape(_(str(action.say.values[name]))) for name in ("cause", "check", "mend"))
        return f'<b>{cause}</b><p class="check">{check}</p><p class="check"><b>{escape(_("If so:"))}</b> {mend}</p>'
    say = escape(_(action.say))
    if action.dose is None:
        return say
    amount = escape(action.dose.say)
    if amount in say:
        return say.replace(amount, f"<b>{amount}</b>", 1)
    return f'{say}<span class="amount">{amount}</span>'


def all_cautions(step: Step) -> tuple[str, ...]:
    """Return a step's cautions and its doses' cautions, each once, in order."""
    every = [*step.cautions, *(each for action in step.do if action.dose for each in action.dose.cautions)]
    return tuple(dict.fromkeys(every))


def flags_html(assessment: Assessment) -> str:
    """Return what is doubtful about a measurement, each doubt with what to do."""
    known = [BY_NAME[name] for name in assessment.flags if name in BY_NAME]
    return "".join(doubt_html(_(flag.short), _(flag.say), spoils=flag.spoils) for flag in known)


def doubt_html(short: str, say: str, *, spoils: bool) -> str:
    """Return one doubt: in a frame where the photo has to be taken again, else in small type."""
    if spoils:
        return say_html(short, say, act=True)
    return f'<p class="tb-doubt"><b>{escape(short)}.</b> {escape(say)}</p>'


def readings_say(readings: Sequence[Reading], units: u.Units) -> list[tuple[str, str]]:
    """Return readings as pairs of name and value in people's units."""
    return [
        (_(words.ANALYTE.get(each.analyte, each.analyte)), u.reading_say(each.value, each.unit, units))
        for each in readings
    ]


def poured_say(treatment: Treatment, units: u.Units) -> str:
    """Return what was poured as words: amount, chemical, strength."""
    strength = f" {treatment.strength_pct:g} %" if treatment.strength_pct else ""
    amount = say_amount(treatment.amount, treatment.unit, units.name)
    return _("{amount} {chemical}", amount=amount, chemical=_(words.CHEMICAL[treatment.chemical])) + strength


def facts_html(facts: Sequence[tuple[str, str]]) -> str:
    """Return pairs of name and value in a row that wraps."""
    spans = "".join(f"<span><small>{escape(name)}</small>{escape(value)}</span>" for name, value in facts)
    return f'<div class="tb-facts">{spans}</div>'


def equipment_say(visit: Visit, units: u.Units) -> list[tuple[str, str]]:
    """Return what was found at the equipment as pairs; what was not looked at is left out."""
    found = visit.equipment
    answers = (
        (_("Power"), found.power_on, _("on"), _("off")),
        (_("Pump"), found.pump_runs, _("runs"), _("does not run")),
        (_("Flow"), found.flow_holds, _("holds"), _("does not hold")),
        (_("Manifold"), found.manifold_sound, _("sound"), _("broken")),
    )
    facts = [(name, yes if answer else no) for name, answer, yes, no in answers if answer is not None]
    if found.filter_pressure_kpa is not None:
        facts.append((_("Filter pressure"), say_pressure(found.filter_pressure_kpa, units.name)))
    if found.elements is not None:
        facts.append((_("Filter elements"), _(words.ELEMENTS[found.elements]).lower()))
    return facts


def days_say(progress: Progress, opened_at: datetime, now: datetime) -> str:
    """Return how long it has run and how long it may still take."""
    so_far = words.begin(words.days_say(now - opened_at))
    left = progress.days_to_clear
    if left is None or progress.standing in (Standing.READY, Standing.DONE):
        return so_far
    if left.high is None:
        return _("{so_far}, at least {count} more to clear", so_far=so_far, count=f"{left.low:.0f}")
    low, high = round(left.low), round(left.high)
    if low == high:
        return _("{so_far}, about {count} more to clear", so_far=so_far, count=low)
    return _("{so_far}, {low} to {high} more to clear", so_far=so_far, low=low, high=high)


def due_say(progress: Progress, desk: Desk) -> str:
    """Return when the next visit is due, as words; empty where nothing is due."""
    if progress.next_visit_due is None:
        return ""
    when = words.when_say(desk.local(progress.next_visit_due), desk.local(desk.now), us=desk.units.name == "us")
    return _("Was due {when}", when=when) if progress.overdue else _("Due {when}", when=when)


def show_verdict(desk: Desk, sha256: str, title: str) -> None:
    """Put on the screen what one photo says: the check picture, and the grade or how to retake it."""
    import streamlit as st

    from app import actions
    from app.dashboard import session

    rows = actions.measurements_of(desk.log, sha256)
    checked = session.check_picture(desk, sha256)
    # The verdict first: on a phone the two stand one above the other.
    said, picture = st.columns([1, 1], gap="small")
    with picture:
        if checked:
            st.image(checked, width="stretch", alt=_("{title}: what was found, drawn on it", title=title))
    with said:
        st.html(verdict_html(title, rows[0].result if rows else None, desk.units))


def verdict_html(title: str, result: Mapping[str, Any] | None, units: u.Units) -> str:
    """Return what one photo says as a measurement, `result` being its JSON; None where it was not measured.

    A photo that cannot be used says how to retake it, and no grade.
    """
    if result is None:
        return say_html(title, _("Safe in the log, not measured yet."))
    faint = _faint(result["water"])
    found = [(BY_NAME[each["code"]], each["say"]) for each in result["problems"] if each["code"] not in faint]
    # What a photo says in numbers of its own is said in the flag's words where the language has no other.
    own = [(flag, _(say) if speech().knows(say) else _(flag.say)) for flag, say in found]
    doubts = [doubt_html(_(flag.short), say, spoils=flag.spoils) for flag, say in own]
    water = result["water"]
    if not result["usable"] or water is None:
        return f'<div class="tb-verdict"><h3>{escape(_("{title}: retake", title=title))}</h3>{"".join(doubts)}</div>'
    depth = Interval(**water["visible_depth_m"])
    spread = u.depth_range_say(depth, units)
    clarity, severity = Clarity(water["clarity"]["grade"]), Severity(water["severity"]["grade"])
    return (
        f'<div class="tb-verdict"><h3>{escape(_("{title}: measured", title=title))}</h3><div class="tb-now">'
        f'<span class="tb-gauge"><span class="what">{escape(_("One sees down to"))}</span><span class="word">'
        f'{escape(u.depth_say(depth, units))}</span> <span class="sure">{escape(likely_say(spread))}</span></span>'
        f"{clarity_html(clarity, water['clarity']['probabilities'][clarity])}"
        f"{severity_html(severity, water['severity']['probabilities'][severity])}</div>{''.join(doubts)}</div>"
    )


def _faint(water: Mapping[str, Any] | None) -> set[str]:
    """Return the doubts about grades that are fainter than `LOUD`: how sure a grade is stands beside it anyway."""
    if water is None:
        return set()
    scales = {"clarity_weak": ("clarity", [*Clarity]), "severity_weak": ("severity", [*Severity])}
    return {
        code
        for code, (name, order) in scales.items()
        if 1 - within_one(water[name]["grade"], water[name]["probabilities"], order) < LOUD
    }


def likely_say(spread: str) -> str:
    """Return a range as one that it likely lies in; empty where there is none."""
    return _("likely {range}", range=spread) if spread else ""


def show_html(piece: str) -> None:
    """Put a piece of HTML on the screen; an empty one puts nothing."""
    import streamlit as st

    if piece:
        st.html(piece)


def show_head(desk: Desk, here: str) -> None:
    """Put the head on the screen: the company, the links to the pages (`here` is this one), the demo's banner."""
    import streamlit as st

    with st.container(horizontal=True, key="tb-head", horizontal_alignment="distribute"):
        name = desk.company.name
        with st.container(width="content"):
            under = "<small>Turnblue</small>" if name else ""
            st.html(f'<div class="tb-company">{escape(name or "Turnblue")}{under}</div>')
        with st.container(horizontal=True, key="tb-nav", width="content", gap="small"):
            for page in desk.nav:
                with st.container(key="tb-here" if page == here else f"tb-to-{page}", width="content"):
                    st.page_link(desk.pages[page], label=desk.pages[page].title)
    if desk.company.invented:
        say = _("Invented demo company: rendered photos, invented data")
        st.html(f'<div class="tb-invented">{escape(say)}</div>')


def _sure_html(probability: float | None) -> str:
    if probability is None:
        return ""
    # A photo makes nothing certain, whatever the figure is rounded to.
    percent = f"{min(probability, 0.99):.0%}"
    return f' <span class="sure">{escape(_("{percent} sure", percent=percent))}</span>'


def listed_html(title: str, sentences: Sequence[str]) -> str:
    """Return sentences as a list under a title; empty where there are none."""
    if not sentences:
        return ""
    lines = "".join(f"<li>{escape(each)}</li>" for each in sentences)
    return f"<h3>{escape(title)}</h3><ul>{lines}</ul>"
