"""One pool's way to clear water: the next step, the chart, photos over time, every visit with its evidence."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from html import escape

import streamlit as st

from app import actions, learning
from app.access import Right
from app.dashboard import hand_out, ledger, quote_part, session, stall_part, units, widgets, words
from app.dashboard.compare import show_compare
from app.dashboard.session import Desk
from app.dashboard.speech import _, speech
from app.records import Progress, Recovery, Sighted, Standing, Visit
from app.report.charts import WIDTHS_PX, draw_recovery
from app.treatment.units import say_pool_volume, say_pressure
from vision.results import Clarity, Severity


def show(desk: Desk) -> None:
    """Show the recovery that the address line names."""
    recovery_id = session.query("recovery")
    if not recovery_id:
        widgets.show_html(widgets.say_html(_("No pool was chosen."), _("Go to the board and tap on a pool.")))
        st.page_link(desk.pages["board"], label=_("To the board"))
        return
    recovery = actions.recovery(desk.log, recovery_id)
    step = actions.next_step(desk.log, recovery_id, now=desk.now)
    progress = actions.progress(desk.log, recovery_id, now=desk.now)
    show_title(desk, recovery, progress)
    left, right = st.columns([1, 1], gap="medium")
    with left:
        show_links(desk, recovery, progress)
        widgets.show_html(widgets.step_html(step, back=widgets.due_say(progress, desk)))
        stall_part.show(progress, recovery.pool, step)
        quote_part.show(desk, recovery)
    with right:
        show_chart(desk, recovery, progress)
        show_pool_facts(desk, recovery)
    show_two(desk, recovery)
    show_photos(desk, recovery)
    ledger.show(desk, recovery)
    show_visits(desk, recovery)
    if desk.actor.may(Right.REPORT):
        hand_out.show(desk, recovery)


def show_title(desk: Desk, recovery: Recovery, progress: Progress) -> None:
    """Show the pool's name, where it stands and the newest grade."""
    st.title(recovery.pool.name)
    days = widgets.days_say(progress, recovery.opened_at, desk.now)
    widgets.show_html(
        f'<div class="tb-card-line"><div class="tb-marks">{widgets.standing_html(progress)}'
        f'<span class="tb-quiet">{escape(days)}</span></div><p class="tb-lead">{escape(_(progress.say))}</p></div>'
    )
    measured = [visit.assessment for visit in recovery.visits if visit.assessment and visit.assessment.usable]
    if measured:
        newest = measured[-1]
        seen, spread = units.seen_say(newest.visible_depth_m, recovery.pool, desk.units)
        widgets.show_html(
            f'<div class="tb-now"><span class="tb-gauge"><span class="what">{escape(_("One sees down to"))}</span>'
            f'<span class="word">{escape(seen)}</span> '
            f'<span class="sure">{escape(widgets.likely_say(spread))}</span></span>'
            f"{widgets.clarity_html(newest.clarity, newest.clarity_probability)}"
            f"{widgets.severity_html(newest.severity, newest.severity_probability)}</div>"
        )


def show_links(desk: Desk, recovery: Recovery, progress: Progress) -> None:
    """Show what can be done with the recovery: add a visit, and close it once it is ready."""
    if recovery.closed_at is not None:
        show_closed(desk, recovery)
        return
    with st.container(key="tb-do"):
        st.page_link(
            desk.pages["visit"],
            label=_("Add a visit"),
            icon=":material/add_a_photo:",
            width="stretch",
            query_params={"recovery": recovery.id},
        )
        ready = progress.standing is Standing.READY and desk.actor.may(Right.CLOSE)
        if ready and st.button(_("Handed over: close this recovery"), width="stretch"):
            actions.close_recovery(desk.log, recovery.id, at=desk.now)
            st.rerun()


def show_closed(desk: Desk, recovery: Recovery) -> None:
    """Say since when a recovery is closed, and offer to take that back."""
    day = words.day_say(desk.local(recovery.closed_at or desk.now), desk.local(desk.now))
    widgets.show_html(widgets.say_html(_("Closed {day}.", day=day), _("Its photos and figures stay.")))
    others = actions.recoveries_of(desk.log, recovery.pool.id)
    free = all(each.closed_at is not None for each in others)
    if free and desk.actor.may(Right.CLOSE) and st.button(_("Not done yet: open it again"), width="stretch"):
        actions.reopen_recovery(desk.log, recovery.id, at=desk.now)
        st.rerun()


def show_chart(desk: Desk, recovery: Recovery, progress: Progress) -> None:
    """Show how far one sees and the algae over time, doses and the forecast marked."""
    st.subheader(_("Way to clear water"))
    if not any(visit.assessment and visit.assessment.usable for visit in recovery.visits):
        widgets.show_html(
            widgets.say_html(_("Nothing is measured yet."), _("Add a visit with a photo of the water beside the card."))
        )
        return
    way = (_("Visible depth over time"), _("Living algae over time"))
    widgets.show_html(
        f'<div class="tb-way">{"".join(way_html(desk, recovery, progress, size, way) for size in WIDTHS_PX)}</div>'
    )
    say = _(
        "Bars are 80 % intervals. A dashed line with a triangle is a dose. "
        "A small triangle above a point: the floor was seen, one sees at least that far. "
        "A lying bar: when the water is expected to be clear."
    )
    widgets.show_html(f'<div class="tb-quiet">{escape(say)}</div>')


def way_html(desk: Desk, recovery: Recovery, progress: Progress, size: str, alt: Sequence[str]) -> str:
    """Return the chart in one size as a picture."""
    drawn = draw_recovery(
        recovery,
        now=desk.now,
        days_to_clear=None if progress.standing in (Standing.READY, Standing.DONE) else progress.days_to_clear,
        depth_unit=desk.units.length,
        m_per_unit=desk.units.m_per_length,
        ground=desk.ground,
        size=size,
        zone=desk.zone,
        speech=speech(),
    )
    data = base64.b64encode(drawn.encode()).decode("ascii")
    return f'<img class="{size}" alt="{escape(", ".join(alt))}" src="data:image/svg+xml;base64,{data}">'


def show_two(desk: Desk, recovery: Recovery) -> None:
    """Show any two visits' photos one over the other, to be drawn aside; first and newest unless others are chosen."""
    shown = {each.id: each for each in recovery.visits if each.assessment and each.assessment.usable}
    if len(shown) < 2:
        return
    st.subheader(_("Before and after"))
    day = {
        name: words.begin(words.when_say(desk.local(each.at), desk.local(desk.now), us=desk.us))
        for name, each in shown.items()
    }
    with st.container(key="tb-two-days"):
        left, right = st.columns(2, gap="small")
    ids = list(shown)
    first = left.selectbox(_("Before"), ids, format_func=day.__getitem__, key=f"two-before-{recovery.id}")
    later = right.selectbox(
        _("After"), ids, index=len(ids) - 1, format_func=day.__getitem__, key=f"two-after-{recovery.id}"
    )
    chosen = [shown[name] for name in (first, later)]
    pictures = [session.picture(desk, each.assessment.photo_sha256, width_px=1000) for each in chosen]
    (before, before_set), (after, after_set) = pictures
    if before is None or after is None:
        widgets.show_html(widgets.say_html(_("One of these photos cannot be shown."), _("Choose another visit.")))
        return
    # The day alone, so that it fits beside the line; the hour stands in the box above.
    tags = [words.begin(words.day_say(desk.local(each.at), desk.local(desk.now))) for each in chosen]
    with st.container(key="tb-two"):
        show_compare(before, tags[0], after, tags[1], key=f"compare-{recovery.id}")
    said = _("One is as taken: no card.")
    if before_set and after_set:
        said = _("Both in the card's colours, at one scale.")
    waters = (
        f"<span><small>{escape(day[name])}</small>"
        f"{escape(units.depth_say(shown[name].assessment.visible_depth_m, desk.units))}, "
        f"{escape(words.grades_say(shown[name].assessment))}</span>"
        for name in (first, later)
    )
    widgets.show_html(f'<div class="tb-facts">{"".join(waters)}</div><div class="tb-quiet">{said}</div>')


def show_photos(desk: Desk, recovery: Recovery) -> None:
    """Show the photos over time, each in reference colours, at one size."""
    with_photo = [visit for visit in recovery.visits if visit.photo_sha256s]
    if not with_photo:
        return
    st.subheader(_("Photos over time"))
    say = _("Every photo in the card's colours, so days can be compared.")
    widgets.show_html(f'<div class="tb-quiet">{escape(say)}</div>')
    figures = "".join(figure_html(desk, visit, newest=visit is with_photo[-1]) for visit in with_photo)
    widgets.show_html(f'<div class="tb-film">{figures}</div>')


def figure_html(desk: Desk, visit: Visit, *, newest: bool) -> str:
    """Return one visit's photo with its day, how far one sees, and its grades; only the newest can be retaken."""
    assessment = visit.assessment
    sha256 = assessment.photo_sha256 if assessment else visit.photo_sha256s[0]
    when = words.begin(words.day_say(desk.local(visit.at), desk.local(desk.now)))
    jpeg, in_card_colours = session.picture(desk, sha256, width_px=480)
    picture = widgets.picture_html(jpeg, _("Water, {when}", when=when), missing=_("This photo cannot be shown"))
    if assessment is None or not assessment.usable:
        as_taken = escape(_("As taken: no card to set its colours by."))
        doubt = "" if in_card_colours else f'<span class="tb-quiet">{as_taken}</span>'
        say = escape(_("Not measured.")) + " "
        if newest:
            say = widgets.mark_html(_("Retake it"), shape="triangle", tone="act")
        return f"<figure>{picture}<figcaption><b>{escape(when)}</b>{say}{doubt}</figcaption></figure>"
    depth = units.depth_say(assessment.visible_depth_m, desk.units)
    spread = units.depth_range_say(assessment.visible_depth_m, desk.units)
    return (
        f"<figure>{picture}<figcaption><b>{escape(when)}</b>{escape(depth)} "
        f'<span class="tb-quiet">{escape(f"({spread})" if spread else "")}</span>'
        f"{widgets.clarity_html(assessment.clarity)}{widgets.severity_html(assessment.severity)}</figcaption></figure>"
    )


def show_visits(desk: Desk, recovery: Recovery) -> None:
    """List the visits, newest first, each with everything recorded at it."""
    if not recovery.visits:
        return
    st.subheader(_("Visits"))
    for visit in reversed(recovery.visits):
        when = words.when_say(desk.local(visit.at), desk.local(desk.now), us=desk.us)
        who = f", {visit.by}" if visit.by else ""
        opened = st.expander(
            f"**{words.begin(when)}**{who}{visit_say(visit)}", on_change="rerun", key=f"visit-{visit.id}"
        )
        # Its pictures are drawn only once it is opened: twenty visits are twenty check pictures.
        if opened.open:
            with opened:
                show_visit(desk, visit)
                if recovery.closed_at is None and desk.actor.may(Right.VISIT):
                    asked = {"recovery": recovery.id, "visit": visit.id}
                    st.page_link(desk.pages["visit"], label=_("Change this visit"), query_params=asked)


def visit_say(visit: Visit) -> str:
    """Return what was done at a visit in a few words, empty where nothing was."""
    poured = [
        _("{chemical} poured", chemical=_(words.CHEMICAL[each.chemical]).split(" (")[0].lower())
        for each in visit.treatments
    ]
    done = [*dict.fromkeys(poured), *(_(words.WORK[each]).lower() for each in visit.work)]
    return f": {', '.join(done)}" if done else ""


def show_visit(desk: Desk, visit: Visit) -> None:
    """Show one visit: found, read, poured, done, and the evidence."""
    facts = widgets.equipment_say(visit, desk.units) + widgets.readings_say(visit.readings, desk.units)
    if visit.floor_seen is not None:
        facts.append((_("Floor"), _("seen") if visit.floor_seen else _("not seen")))
    if visit.debris_on_floor is not None:
        facts.append((_("Debris on the floor"), _("yes") if visit.debris_on_floor else _("no")))
    facts += sighted_say(visit.sighted, desk)
    poured = [(_("Poured"), widgets.poured_say(each, desk.units)) for each in visit.treatments]
    done = [(_("Done"), ", ".join(_(words.WORK[each]).lower() for each in visit.work))] if visit.work else []
    note = [(_("Note"), visit.note)] if visit.note else []
    widgets.show_html(widgets.facts_html([*facts, *poured, *done, *note]))
    if visit.assessment:
        widgets.show_html(widgets.flags_html(visit.assessment))
    for sha256 in visit.photo_sha256s:
        checked = session.check_picture(desk, sha256)
        if checked:
            st.image(checked, caption=_("What was found in the photo"), alt=_("Check picture"), width=640)
        if desk.actor.may(Right.VISIT):
            confirm_grades(desk, sha256)
        widgets.show_html(f'<div class="tb-hash">{escape(_("Original photo"))}, sha256 {escape(sha256)}</div>')


def confirm_grades(desk: Desk, sha256: str) -> None:
    """Ask what the grades of a photo truly are; what was given stays beside what is said here."""
    rows = actions.measurements_of(desk.log, sha256)
    water = rows[0].result["water"] if rows and rows[0].result["usable"] else None
    if water is None:
        return
    known = next((each for each in learning.confirmed(desk.log) if each.sha256 == sha256), None)
    said = (known.clarity, known.severity) if known else (None, None)
    title = _("Grades confirmed: change them") if known else _("Confirm or correct the grades")
    with st.popover(title, width="stretch"), st.form(f"confirm-{sha256}", border=False):
        clarity = st.selectbox(
            _("Clarity"),
            list(Clarity),
            index=list(Clarity).index(said[0] or Clarity(water["clarity"]["grade"])),
            format_func=lambda each: f"{_(words.CLARITY[each])}: {_(words.CLARITY_SEEN[each])}",
        )
        severity = st.selectbox(
            _("Living algae"),
            list(Severity),
            index=list(Severity).index(said[1] or Severity(water["severity"]["grade"])),
            format_func=lambda each: f"{_(words.SEVERITY[each])}: {_(words.SEVERITY_SEEN[each])}",
        )
        if st.form_submit_button(_("This is what it was"), type="primary", width="stretch"):
            learning.confirm_grade(
                desk.log, sha256, clarity=clarity, severity=severity, at=desk.now, by=desk.actor.name
            )
            st.rerun()


def sighted_say(sighted: Sighted, desk: Desk) -> list[tuple[str, str]]:
    """Return what a person saw of the water's depth as facts."""
    lost = f" ({_('lost from sight')})" if sighted.disc_lost else ""
    named = (
        (_("Sighting disc at"), sighted.disc_depth_m, lost),
        (_("Seen down to"), sighted.seen_at_m, ""),
        (_("Not seen at"), sighted.not_seen_at_m, ""),
    )
    return [(name, units.length_say(depth, desk.units) + more) for name, depth, more in named if depth is not None]


def show_pool_facts(desk: Desk, recovery: Recovery) -> None:
    """Show what is known of the pool itself."""
    pool = recovery.pool
    facts = [
        (_("Volume"), say_pool_volume(pool.volume_l, desk.units.name)),
        (_("Filter"), _(words.FILTER[pool.filter_kind])),
        (_("Surface"), _(words.SURFACE[pool.surface])),
    ]
    if pool.depth_deep_m is not None:
        facts.append((_("Deep end"), units.length_say(pool.depth_deep_m, desk.units)))
    if pool.clean_pressure_kpa is not None:
        facts.append((_("Clean filter pressure"), say_pressure(pool.clean_pressure_kpa, desk.units.name)))
    if pool.has_waste_port is not None:
        facts.append((_("Waste port"), _("yes") if pool.has_waste_port else _("no")))
    if pool.salt_cell:
        facts.append((_("Salt cell"), _("yes")))
    facts += [
        (name, value)
        for name, value in ((_("Owner"), pool.owner), (_("Town"), pool.town), (_("Note"), pool.note))
        if value
    ]
    st.subheader(_("The pool"))
    widgets.show_html(widgets.facts_html(facts))
