"""The company's pools: add one, start a recovery, find an earlier one."""

from __future__ import annotations

from uuid import uuid4

import streamlit as st

from app import actions, intake
from app.access import Right
from app.dashboard import session, widgets, words
from app.dashboard.session import Desk
from app.records import FilterKind, FloorColour, Pool, Surface
from app.treatment.units import say_pool_volume

PAPERS = {"letter": "US Letter", "a4": "A4"}
"""Papers the tags are printed on."""


def show(desk: Desk) -> None:
    """Show the form for a new pool, and every pool with its recoveries."""
    pools = actions.pools(desk.log)
    st.title("Pools")
    adds = desk.actor.may(Right.POOLS)
    if adds:
        with st.expander("Add a pool", expanded=not pools, icon=":material/add:"):
            show_form(desk)
    if not pools:
        hint = "Add the first one above." if adds else "Ask the office to add it, or the owner to assign it to you."
        widgets.show_html(widgets.say_html("No pool is in the log yet.", hint))
        return
    show_tags(desk, pools)
    wanted = st.text_input("Find a pool", type="search") if len(pools) > 12 else ""
    with st.container(key="tb-board"):
        for pool in pools:
            if wanted.casefold() in f"{pool.name} {pool.owner} {pool.town}".casefold():
                show_pool(desk, pool)


def show_tags(desk: Desk, pools: tuple[Pool, ...]) -> None:
    """Offer the QR tags to hang at the pools' equipment, all pools' or the chosen ones', and the photos' intake."""
    if desk.actor.may(Right.VISIT):
        st.page_link(desk.pages["intake"], label="Sort photos taken without signal")
    with st.expander("Print pool tags", icon=":material/qr_code_2:"):
        st.markdown("Hung at the equipment, a tag's photo names the pool; a phone's camera opens its new visit.")
        names = {pool.id: pool.name for pool in pools}
        chosen = st.multiselect("Pools", list(names), format_func=names.__getitem__, placeholder="All pools")
        paper = st.segmented_control(
            "Paper", ["letter", "a4"], format_func=PAPERS.__getitem__, default="letter", required=True
        )
        folder, actor, address = desk.folder, desk.actor, session.site()

        def pdf() -> bytes:
            # Called outside the page's run, when its own log is long closed.
            with actions.open_log(folder, actor) as log:
                return intake.write_tags(log, chosen, address=address, paper=paper)

        st.download_button(
            "Print pool tags (PDF)", pdf, file_name="turnblue_tags.pdf", mime="application/pdf", on_click="ignore"
        )
        if not address:
            st.markdown("Opened at this machine alone, the tags name the pool but are no link for a phone.")


def show_pool(desk: Desk, pool: Pool) -> None:
    """Show one pool: what it is, its recoveries, and the way to start one."""
    recoveries = actions.recoveries_of(desk.log, pool.id)
    with st.container(key=f"tb-pool-{pool.id}", gap="small"):
        st.subheader(pool.name)
        widgets.show_html(
            widgets.facts_html(
                [
                    ("Volume", say_pool_volume(pool.volume_l, desk.units.name)),
                    ("Filter", words.FILTER[pool.filter_kind]),
                    *([("Town", pool.town)] if pool.town else []),
                ]
            )
        )
        for recovery in reversed(recoveries):
            started = words.day_say(desk.local(recovery.opened_at), desk.local(desk.now))
            state = "open" if recovery.closed_at is None else "closed"
            st.page_link(
                desk.pages["pool"],
                label=f"Recovery started {started} ({state})",
                query_params={"recovery": recovery.id},
            )
        if all(recovery.closed_at is not None for recovery in recoveries) and st.button(
            "Start a recovery", key=f"start-{pool.id}"
        ):
            started_now = actions.open_recovery(desk.log, pool.id, at=desk.now)
            st.switch_page(desk.pages["visit"], query_params={"recovery": started_now.id})


def show_form(desk: Desk) -> None:
    """Show the form for a new pool; saving it starts its recovery and goes on to the first visit."""
    units = desk.units
    with st.form("new-pool", border=False):
        name = st.text_input("Name on the route sheet", placeholder="Oak Street 12")
        volume = st.number_input(f"Volume, {units.volume}", min_value=0.0, value=None, step=1000.0, format="%.0f")
        filter_kind = st.segmented_control("Filter", list(FilterKind), format_func=words.FILTER.__getitem__)
        surface = st.pills("Surface", list(Surface), format_func=words.SURFACE.__getitem__, default=Surface.PLASTER)
        floor = st.pills("Floor colour, dry", list(FloorColour), format_func=words.FLOOR.__getitem__)
        with st.container(horizontal=True):
            shallow = st.number_input(f"Shallow end, {units.length}", min_value=0.0, value=None, step=0.5, width=190)
            deep = st.number_input(f"Deep end, {units.length}", min_value=0.0, value=None, step=0.5, width=190)
            clean = st.number_input(
                f"Clean filter pressure, {units.pressure}", min_value=0.0, value=None, step=1.0, width=230
            )
        waste = st.segmented_control("Can the filter send to waste?", [True, False], format_func=yes_no)
        more = st.pills("Also", ["Indoors", "Open to the public", "Salt cell"], selection_mode="multi")
        owner = st.text_input("Owner")
        town = st.text_input("Town")
        note = st.text_input("Note (gate, dog, key)")
        saved = st.form_submit_button("Save and start the recovery", type="primary")
    if not saved:
        return
    asked = {"a name": name.strip(), "the volume": volume, "the filter": filter_kind}
    missing = [label for label, value in asked.items() if not value]
    if not volume or filter_kind is None or missing:
        say = f"Still missing: {', '.join(missing)}."
        widgets.show_html(widgets.say_html(say, "Fill it in and save again.", act=True))
        return
    pool = actions.add_pool(
        desk.log,
        Pool(
            id=f"pool-{uuid4().hex[:12]}",
            name=name.strip(),
            volume_l=volume * units.l_per_volume,
            filter_kind=filter_kind,
            surface=surface or Surface.PLASTER,
            floor_colour=floor,
            depth_shallow_m=shallow * units.m_per_length if shallow else None,
            depth_deep_m=deep * units.m_per_length if deep else None,
            has_waste_port=waste,
            clean_pressure_kpa=clean * units.kpa_per_pressure if clean else None,
            indoor="Indoors" in more,
            public="Open to the public" in more,
            salt_cell="Salt cell" in more,
            owner=owner.strip(),
            town=town.strip(),
            note=note.strip(),
        ),
    )
    recovery = actions.open_recovery(desk.log, pool.id, at=desk.now)
    st.switch_page(desk.pages["visit"], query_params={"recovery": recovery.id})


def yes_no(answer: bool) -> str:
    """Return Yes or No."""
    return "Yes" if answer else "No"
