"""The board: every open recovery as a card, the one that needs action first."""

from __future__ import annotations

from html import escape

import streamlit as st

from app import actions
from app.actions import BoardRow
from app.dashboard import session, units, widgets
from app.dashboard.session import Desk
from app.dashboard.speech import _, several
from app.records import Standing

CARDS_AT_ONCE = 24
"""Cards shown before "Show more": two screens of an office's monitor (our choice)."""

TONE = {"act": "act", "good": "ready", "": "calm"}
"""A standing's tone as it is called in the card's key, which the style sheet reads."""


def show(desk: Desk) -> None:
    """Show the board."""
    rows = actions.board(desk.log, now=desk.now)
    st.title(_("Board"))
    if not rows and actions.find_pools(desk.log, most=1).count:
        say, hint = _("No pool is being brought back now."), _("Start a recovery of one you have, or add a pool.")
        widgets.show_html(widgets.say_html(say, hint))
        with st.container(key="tb-do"):
            st.page_link(desk.pages["pools"], label=_("To the pools"), width="stretch")
        return
    if not rows:
        widgets.show_html(
            widgets.say_html(_("No pool is being brought back yet."), _("Add the first green pool: it takes a minute."))
        )
        with st.container(key="tb-do"):
            st.page_link(desk.pages["pools"], label=_("Add a pool"), icon=":material/add:", width="stretch")
        say = _("Every photo is taken with a printed card beside the water. Print yours before you go.")
        widgets.show_html(f'<div class="tb-quiet">{escape(say)}</div>')
        st.page_link(desk.pages["card"], label=_("Print the reference card"), icon=":material/print:")
        return
    wanted = st.text_input(_("Find a pool"), type="search", placeholder=_("Search")) if len(rows) > 12 else ""
    shown = [row for row in rows if wanted.casefold() in row.recovery.pool.name.casefold()]
    if not shown:
        say, hint = _("No open recovery has that in its name."), _("Clear the search to see all.")
        widgets.show_html(widgets.say_html(say, hint))
        return
    widgets.show_html(f'<div class="tb-quiet">{escape(summary_say(rows))}</div>')
    count = st.session_state.setdefault("board_count", CARDS_AT_ONCE)
    with st.container(key="tb-board"):
        for row in shown[:count]:
            show_card(desk, row)
    if len(shown) > count and st.button(_("Show more ({count})", count=len(shown) - count)):
        st.session_state["board_count"] = count + CARDS_AT_ONCE
        st.rerun()


def summary_say(rows: tuple[BoardRow, ...]) -> str:
    """Return the board in one line: how many are open, overdue, stalled, ready."""
    standing = [row.progress.standing for row in rows]
    overdue = sum(row.progress.overdue for row in rows)
    stalled, waiting = standing.count(Standing.STALLED), standing.count(Standing.WAITING_ON_EQUIPMENT)
    ready = standing.count(Standing.READY)
    named = [
        several("{count} open", "{count} open", len(rows)),
        several("{count} overdue", "{count} overdue", overdue) if overdue else "",
        several("{count} stalled", "{count} stalled", stalled) if stalled else "",
        several("{count} waiting for equipment", "{count} waiting for equipment", waiting) if waiting else "",
        several("{count} ready to hand over", "{count} ready to hand over", ready) if ready else "",
    ]
    return ", ".join(each for each in named if each)


def show_card(desk: Desk, row: BoardRow) -> None:
    """Show one recovery as a card that is one link to its page."""
    recovery = row.recovery
    tone = widgets.STANDING_MARK[row.progress.standing][1]
    retake = row.assessment is not None and not row.assessment.usable
    with st.container(key=f"tb-card-{TONE['act' if row.progress.overdue or retake else tone]}-{recovery.id}"):
        widgets.show_html(card_html(desk, row))
        st.page_link(
            desk.pages["pool"], label=_("Open {pool}", pool=recovery.pool.name), query_params={"recovery": recovery.id}
        )


def card_html(desk: Desk, row: BoardRow) -> str:
    """Return a card: picture, name, standing, grades, how far one sees, days, next step and when."""
    pool, assessment = row.recovery.pool, row.assessment
    # The newest photo, even one to be retaken: an older picture would tell an older story.
    sha256 = assessment.photo_sha256 if assessment else row.thumbnail_sha256
    jpeg = session.picture(desk, sha256, width_px=320)[0] if sha256 else None
    picture = widgets.picture_html(
        jpeg,
        _("Water of {pool}", pool=pool.name),
        missing=_("Photo cannot be shown") if sha256 else _("No photo yet"),
    )
    depth = assessment.visible_depth_m if assessment and assessment.usable else None
    down_to, spread = units.seen_say(depth, pool, desk.units)
    seen = escape(_("No depth measured"))
    if depth:
        seen = _("Seen to {depth}", depth=f"<b>{escape(down_to)}</b>")
    if spread:
        seen += f' <span class="tb-quiet">({escape(spread)})</span>'
    if assessment and not assessment.usable:
        seen = widgets.mark_html(_("Retake the photo"), shape="triangle", tone="act")
    measured = assessment if assessment and assessment.usable else None
    gauges = ""
    if measured:
        graded = f"{widgets.clarity_html(measured.clarity)}{widgets.severity_html(measured.severity)}"
        gauges = f'<div class="gauges">{graded}</div>'
    due = widgets.due_say(row.progress, desk)
    days = widgets.days_say(row.progress, row.recovery.opened_at, desk.now)
    return (
        f'<div class="tb-card">{picture}<div class="name">{escape(pool.name)}</div>'
        f'<div class="marks">{widgets.standing_html(row.progress)}</div><div class="depth">{seen}</div>'
        f'{gauges}<div class="days">{escape(days)}</div>'
        f'<div class="next"><b>{escape(_(row.step.title))}</b><span class="tb-quiet">{escape(due)}</span>'
        '<span class="go" aria-hidden="true">›</span></div></div>'
    )
