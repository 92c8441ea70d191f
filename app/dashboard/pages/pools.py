"""The company's pools: find one of thousands, start a recovery, add one, correct one, print the tags."""

from __future__ import annotations

from dataclasses import replace
from html import escape
from uuid import uuid4

import streamlit as st

from app import actions, intake
from app.access import Right
from app.actions import PoolRow
from app.dashboard import choose, pool_form, session, widgets, words
from app.dashboard.session import Desk
from app.dashboard.speech import _, several
from app.records import Pool
from app.treatment.units import say_pool_volume
from app.words import mark

PAPERS = {"letter": mark("US Letter"), "a4": "A4"}
"""Papers the tags are printed on."""

AT_ONCE = 24
"""Pools on one page: two screens of an office's monitor (our choice)."""

RECOVERIES_SHOWN = 3
"""Recoveries named with a pool; of more the number is given, and the newest one's page is one tap away (our choice)."""


def show(desk: Desk) -> None:
    """Show the form for a new pool, the search, and one page of the pools that fit."""
    st.title(_("Pools"))
    wanted = st.session_state.get("pools-words", "")
    place = session.page_number("pools", wanted)
    found = actions.find_pools(desk.log, wanted, start=place * AT_ONCE, most=AT_ONCE)
    none_at_all = not found.count and not wanted
    adds = desk.actor.may(Right.POOLS)
    if adds:
        with st.expander(_("Add a pool"), expanded=none_at_all, icon=":material/add:"):
            show_new(desk)
    if none_at_all:
        if not adds:
            hint = _("Ask the office to add it, or the owner to assign it to you.")
            widgets.show_html(widgets.say_html(_("No pool is in the log yet."), hint))
        return
    show_tags(desk)
    st.text_input(_("Find a pool: name, owner or town"), type="search", placeholder=_("Search"), key="pools-words")
    if not found.count:
        widgets.show_html(widgets.say_html(_("No pool fits."), _("Clear the search to see all.")))
        return
    with st.container(key="tb-board"):
        for row in found.rows:
            show_pool(desk, row)
    session.show_turner("pools", place, found.count, AT_ONCE)


def show_tags(desk: Desk) -> None:
    """Offer the QR tags to hang at the pools' equipment, all pools' or the chosen ones', and the photos' intake."""
    if desk.actor.may(Right.VISIT):
        st.page_link(desk.pages["intake"], label=_("Sort photos taken without signal"))
    opened = st.expander(_("Print pool tags"), icon=":material/qr_code_2:", on_change="rerun", key="tags")
    if not opened.open:
        return
    with opened:
        st.markdown(_("Hung at the equipment, a tag's photo names the pool; a phone's camera opens its new visit."))
        # What is chosen stays chosen while another name is searched.
        kept: dict[str, str] = st.session_state.setdefault("tags-names", {})
        found = choose.search(desk, _("Find the pool"), key="tags-words")
        names = {each: kept[each] for each in st.session_state.get("tags-chosen", []) if each in kept}
        names |= {each.id: each.name for each in found}
        kept.update(names)
        chosen = st.multiselect(
            _("Pools"), list(names), format_func=names.__getitem__, placeholder=_("All pools"), key="tags-chosen"
        )
        paper = st.segmented_control(
            _("Paper"), ["letter", "a4"], format_func=lambda each: _(PAPERS[each]), default="letter", required=True
        )
        folder, actor, address = desk.folder, desk.actor, session.site(desk.company)

        def pdf() -> bytes:
            # Called outside the page's run, when its own log is long closed.
            with actions.open_log(folder, actor) as log:
                return intake.write_tags(log, chosen, address=address, paper=paper)

        st.download_button(
            _("Print pool tags (PDF)"), pdf, file_name="turnblue_tags.pdf", mime="application/pdf", on_click="ignore"
        )
        if address:
            st.markdown(_("A phone's camera opens them at {address}.", address=address))
        else:
            st.markdown(_("Opened at this machine alone, the tags name the pool but are no link for a phone."))


def show_pool(desk: Desk, row: PoolRow) -> None:
    """Show one pool: what it is, its recoveries, the way to start one, and the way to correct it."""
    pool = row.pool
    with st.container(key=f"tb-pool-{pool.id}", gap="small"):
        facts = [
            (_("Volume"), say_pool_volume(pool.volume_l, desk.units.name)),
            (_("Filter"), _(words.FILTER[pool.filter_kind])),
            *([(_("Town"), pool.town)] if pool.town else []),
        ]
        widgets.show_html(f"<h3>{escape(pool.name)}</h3>{widgets.facts_html(facts)}")
        for recovery in row.recoveries[:RECOVERIES_SHOWN]:
            started = words.day_say(desk.local(recovery.opened_at), desk.local(desk.now))
            is_open = recovery.closed_at is None
            said = (
                _("Recovery started {day}, open", day=started) if is_open else _("Recovery started {day}", day=started)
            )
            st.page_link(desk.pages["pool"], label=said, query_params={"recovery": recovery.id})
        more = len(row.recoveries) - RECOVERIES_SHOWN
        if more > 0:
            say = several("and {count} earlier one", "and {count} earlier ones", more)
            widgets.show_html(f'<div class="tb-quiet">{say}</div>')
        may_start = desk.actor.may(Right.START) and all(each.closed_at is not None for each in row.recoveries)
        if may_start and st.button(_("Start a recovery"), key=f"start-{pool.id}"):
            started_now = actions.open_recovery(desk.log, pool.id, at=desk.now)
            st.switch_page(desk.pages["visit"], query_params={"recovery": started_now.id})
        if desk.actor.may(Right.POOLS):
            changed = st.expander(_("Change this pool"), on_change="rerun", key=f"change-{pool.id}")
            if changed.open:
                with changed:
                    show_change(desk, pool)


def show_new(desk: Desk) -> None:
    """Show the form for a new pool; saving it starts its recovery and goes on to the first visit."""
    noted = pool_form.show(desk, None)
    if noted is None:
        return
    pool = actions.add_pool(desk.log, replace(noted, id=f"pool-{uuid4().hex[:12]}"), at=desk.now)
    recovery = actions.open_recovery(desk.log, pool.id, at=desk.now)
    st.switch_page(desk.pages["visit"], query_params={"recovery": recovery.id})


def show_change(desk: Desk, pool: Pool) -> None:
    """Show the form filled with a pool as it is; what it was stays in the history."""
    noted = pool_form.show(desk, pool)
    if noted is not None:
        actions.update_pool(desk.log, noted, at=desk.now)
        st.rerun()
