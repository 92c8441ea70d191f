"""The test strip at a visit: a timer from the dip, the strip's photo, its readings, open to correction.

In: the recovery and the visit begun. Out: the visit with the strip's readings in it, or what a person made of them. The
photo and its readings are in the log the moment they arrive, as the water's photos are.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime

import streamlit as st

from app import actions, strips
from app.actions import PhotoIn
from app.config import MAX_PHOTO_MB
from app.dashboard import entry, widgets, words
from app.dashboard.session import Desk
from app.dashboard.speech import _, speaking, speech
from app.dashboard.typed import Sheet, begin_visit, tapped
from app.errors import TurnblueError
from app.records import Method, Reading, Recovery, Visit
from app.strips import KeptKind
from app.treatment.strip_sense import say_flags
from app.words import Speech, mark
from vision.errors import VisionError

PHOTO_KINDS = ["jpg", "jpeg", "png", "webp", "heic", "heif"]
"""What a phone's camera or gallery gives."""

DILUTIONS = {1.0: mark("As it is"), 10.0: mark("1:10 diluted")}
"""How a sample is dipped into; 1:10 is one part of pool water in ten with chlorine-free water."""

DIPPED = "strip_dipped_at"
"""Where the session keeps when the timer was started."""


def show_strip(desk: Desk, recovery: Recovery, visit: Visit | None) -> Visit | None:
    """Offer the timer and the strip's photo; return the visit, begun by the photo where there was none."""
    kinds = strips.kinds(desk.log)
    with st.expander(_("Test strip by photo"), icon=":material/colorize:"):
        if not kinds:
            widgets.show_html(
                widgets.say_html(
                    _("No kind of strip was taught yet."), _("Photograph its color key once, beside the card.")
                )
            )
            st.page_link(desk.pages["strips"], label=_("Teach a strip"))
            return visit
        by_id = {each.id: each for each in kinds}
        chosen = by_id[
            st.selectbox(
                _("Kind of strip"), list(by_id), format_func=lambda each: by_id[each].kind.name, key="strip_kind"
            )
        ]
        dilution = st.segmented_control(
            _("Sample"),
            list(DILUTIONS),
            format_func=lambda each: _(DILUTIONS[each]),
            default=1.0,
            required=True,
            width="stretch",
        )
        if tapped(_("Dipped now"), f"dipped-{recovery.id}", width="stretch", icon=":material/timer:"):
            st.session_state[DIPPED] = desk.now.isoformat()
        show_timer(chosen, speech())
        file = st.file_uploader(
            _("Strip in the card's slot, pads up"),
            type=PHOTO_KINDS,
            key=f"strip-{st.session_state.setdefault('strip_round', 0)}",
            max_upload_size=MAX_PHOTO_MB,
        )
        if file is not None and file.file_id not in st.session_state.setdefault("strips_taken", set()):
            st.session_state["strips_taken"].add(file.file_id)
            with st.spinner(_("Reading the strip ...")):
                visit = take(
                    desk, recovery, visit, PhotoIn(file.name, file.getvalue(), "strip"), chosen, dilution or 1.0
                )
        for sentence, hint in st.session_state.get("strip_said", []):
            widgets.show_html(widgets.say_html(_(sentence), _(hint), act=True))
        for sha256 in st.session_state.get("strip_shown", [])[-1:]:
            show_check(desk, sha256)
    return visit


@st.fragment(run_every="1s")
def show_timer(kind: KeptKind, spoken: Speech) -> None:
    """Show the seconds since the dip, and when the pads are to be photographed; it runs by itself, in its language."""
    started = st.session_state.get(DIPPED)
    if started is None:
        return
    begun = datetime.fromisoformat(started)
    seconds = (datetime.now(begun.tzinfo) - begun).total_seconds()
    starts = [each.read_from_s for each in kind.kind.scales if each.read_from_s is not None]
    ends = [each.read_until_s for each in kind.kind.scales if each.read_until_s is not None]
    with speaking(spoken):
        st.html(timer_html(seconds, max(starts, default=0.0), min(ends, default=None) if ends else None))


def timer_html(seconds: float, read_from_s: float, read_until_s: float | None) -> str:
    """Return the timer's face: a number and what to do now.

    Examples
    --------
    >>> "photograph it now" in timer_html(20, 15, 30), "dip a fresh strip" in timer_html(40, 15, 30)
    (True, True)
    """
    if seconds < read_from_s:
        say = _("wait: {seconds} s to go", seconds=f"{read_from_s - seconds:.0f}")
    elif read_until_s is None or seconds <= read_until_s:
        say = _("photograph it now")
    else:
        say = _("too late: dip a fresh strip")
    return (
        f'<div class="tb-now" role="timer"><span class="tb-gauge"><span class="what">{_("Since the dip")}</span>'
        f'<span class="word">{seconds:.0f} s</span> <span class="sure">{say}</span></span></div>'
    )


def take(
    desk: Desk, recovery: Recovery, visit: Visit | None, photo: PhotoIn, kind: KeptKind, dilution: float
) -> Visit | None:
    """Take a strip's photo into the visit, with its readings; say what is doubtful."""
    by = st.session_state.get("by", "")
    started = st.session_state.pop(DIPPED, None)
    dipped_at = None if started is None else datetime.fromisoformat(started)
    said: list[tuple[str, str]] = []
    try:
        if visit is None:
            # As a visit begun by the water's photo: on disk, and offered on every device, before anything is read.
            actions.receive_photo(desk.log, photo, received_at=desk.now, by=by)
            visit = actions.log_visit(desk.log, recovery.id, at=desk.now, by=by).visit
            begin_visit(desk, recovery, visit)
        taken = strips.read_at_visit(
            desk.log, visit.id, photo, kind.id, at=desk.now, by=by, dipped_at=dipped_at, dilution=dilution
        )
    except (TurnblueError, VisionError) as error:
        st.session_state["strip_said"] = [(error.sentence, error.hint)]
        return visit
    said += [(each.name, each.sentence) for each in taken.refused]
    if taken.measured is not None:
        st.session_state.setdefault("strip_shown", []).append(taken.measured.sha256)
        said += [("", each.say) for each in taken.measured.result.problems if each.code != "card_not_calibrated"]
    if taken.readings:
        kept = [each for each in taken.visit.readings if not replaced_by(each, taken.readings)]
        whole = strips.judged_readings(recovery, [*kept, *taken.readings], at=desk.now)
        visit = actions.update_visit(desk.log, replace(taken.visit, readings=whole), at=desk.now, by=by)
    st.session_state["strip_said"] = said
    st.session_state["strip_round"] += 1
    st.query_params.from_dict({"recovery": recovery.id, "visit": visit.id})
    st.rerun()
    return visit


def replaced_by(old: Reading, new: Sequence[Reading]) -> bool:
    """Return whether a strip's earlier reading gives way to one of a later strip."""
    return old.method is Method.STRIP_PHOTO and any(old.analyte == each.analyte for each in new)


def forget() -> None:
    """Empty the strip's part for the next visit; what was taken is in the log."""
    for name in (DIPPED, "strip_said", "strip_shown", "strips_taken"):
        st.session_state.pop(name, None)
    st.session_state["strip_round"] = st.session_state.get("strip_round", 0) + 1


def show_check(desk: Desk, sha256: str) -> None:
    """Show the strip's photo with its pads as found."""
    from app.dashboard import session

    picture = session.check_picture(desk, sha256)
    if picture:
        st.image(picture, width="stretch", alt=_("The strip as photographed, its pads as found drawn on it"))


def ask_strip_readings(desk: Desk, sheet: Sheet, was: Sequence[Reading]) -> tuple[Reading, ...]:
    """Show the strip's readings with their ranges, each open to correction; an emptied one is dropped."""
    found = [each for each in was if each.method is Method.STRIP_PHOTO]
    if not found:
        return ()
    st.subheader(_("Read from the strip's photo"))
    kept = []
    with st.container(key="tb-strip-readings"):
        for each in found:
            digits = 1 if each.analyte == "ph" else 2
            shown = round(each.value, digits)
            name = _(words.ANALYTE.get(each.analyte, each.analyte.replace("_", " ").capitalize()))
            typed = st.number_input(
                f"{name}: {range_say(each)}",
                min_value=0.0,
                value=None,
                format="%g",
                # Another strip's reading is another field: what was typed over the first one was not said of it.
                key=sheet.field(f"strip-{each.analyte}-{shown:g}", shown),
            )
            for sentence in say_flags(each):
                widgets.show_html(widgets.say_html("", _(sentence), act=True))
            if typed is None:
                continue
            kept.append(each if typed == shown else entry.reading(each.analyte, typed, Method.STRIP_EYE, desk.units))
    return tuple(kept)


def range_say(reading: Reading) -> str:
    """Return a reading's 80 % range in words.

    Examples
    --------
    >>> range_say(Reading("ph", 7.4, 7.31, 7.52, "", Method.STRIP_PHOTO))
    '7.3 to 7.5'
    >>> range_say(Reading("free_chlorine", 10, 8, 100, "mg/L", Method.STRIP_PHOTO, ("above_last_swatch",)))
    '10 or more'
    """
    digits = ".1f" if reading.analyte == "ph" else ".2g"
    if "above_last_swatch" in reading.flags:
        return _("{value} or more", value=f"{reading.value:g}")
    if "below_first_swatch" in reading.flags:
        return _("{value} or less", value=f"{reading.value:g}")
    return _("{low} to {high}", low=f"{reading.low:{digits}}", high=f"{reading.high:{digits}}")
