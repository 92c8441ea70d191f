"""The form of a pool, new or corrected: what the plan needs first, what helps after it.

In: the desk, and the pool where there is one. Out: `Pool` as it was filled in, None while it is not saved.
"""

from __future__ import annotations

import re
from dataclasses import replace

import streamlit as st

from app.dashboard import widgets, words
from app.dashboard.session import Desk
from app.dashboard.speech import _, speech
from app.records import FilterKind, FloorColour, Pool, Surface
from app.words import mark

ALSO = {"indoor": mark("Indoors"), "public": mark("Open to the public"), "salt_cell": mark("Salt cell")}
"""What a pool can be besides, by the field of `Pool`."""

_NUMBER = r"([+-]?\d{1,3}(?:[.]\d+)?)\s*°?\s*"
_POSITION = re.compile(rf"\s*{_NUMBER}([NnSs]?)\s*[,;\s]\s*{_NUMBER}([EeWwOo]?)\s*")


def show(desk: Desk, was: Pool | None) -> Pool | None:
    """Show the form, filled with `was`; return the pool once it is saved (a new one without an id)."""
    units, key = desk.units, was.id if was else "new"
    with st.form(f"pool-{key}", border=False, enter_to_submit=False):
        if was is None:
            say = _("Name, volume and filter are needed. The rest makes the advice better, now or later.")
            widgets.show_html(f'<div class="tb-quiet">{say}</div>')
        name = st.text_input(_("Name on the route sheet"), value=was.name if was else "", placeholder="Oak Street 12")
        volume = st.number_input(
            _("Volume, {unit}", unit=units.volume),
            min_value=0.0,
            value=round(was.volume_l / units.l_per_volume) * 1.0 if was else None,
            step=1000.0,
            format="%.0f",
        )
        filter_kind = _one(_("Filter"), FilterKind, words.FILTER, was.filter_kind if was else None)
        surface = st.pills(
            _("Surface"),
            list(Surface),
            format_func=lambda each: _(words.SURFACE[each]),
            default=was.surface if was else Surface.PLASTER,
        )
        floor = st.pills(
            _("Floor colour, dry"),
            list(FloorColour),
            format_func=lambda each: _(words.FLOOR[each]),
            default=was.floor_colour if was else None,
        )
        with st.container(horizontal=True):
            length, pressure = units.m_per_length, units.kpa_per_pressure
            shallow = _number(_("Shallow end, {unit}", unit=units.length), was and was.depth_shallow_m, length, 0.5)
            deep = _number(_("Deep end, {unit}", unit=units.length), was and was.depth_deep_m, length, 0.5)
            clean = _number(
                _("Clean filter pressure, {unit}", unit=units.pressure), was and was.clean_pressure_kpa, pressure, 1.0
            )
        waste = st.segmented_control(
            _("Can the filter send to waste?"),
            [True, False],
            format_func=lambda each: _("Yes") if each else _("No"),
            default=was.has_waste_port if was else None,
            width="stretch",
        )
        more = st.pills(
            _("Also"),
            list(ALSO),
            format_func=lambda each: _(ALSO[each]),
            selection_mode="multi",
            default=[each for each in ALSO if was and getattr(was, each)],
        )
        owner = st.text_input(_("Owner"), value=was.owner if was else "")
        town = st.text_input(_("Town"), value=was.town if was else "")
        position = st.text_input(
            _("Position: latitude, longitude"),
            value=position_say(was) if was else "",
            placeholder="40.0123, -75.0456",
        )
        say = _(
            "As a map gives it. Then a photo that says where it was taken names the pool. "
            "A photo of the pool's tag fills it in by itself; no customer sees it."
        )
        widgets.show_html(f'<div class="tb-quiet">{say}</div>')
        note = st.text_input(_("Note (gate, dog, key)"), value=was.note if was else "")
        saved = st.form_submit_button(
            _("Save the pool") if was else _("Save and start the recovery"), type="primary", width="stretch"
        )
    if not saved:
        return None
    asked = {_("a name"): name.strip(), _("the volume"): volume, _("the filter"): filter_kind}
    missing = [label for label, value in asked.items() if not value]
    if not volume or filter_kind is None or missing:
        say = _("Still missing: {what}.", what=speech().listed(missing))
        widgets.show_html(widgets.say_html(say, _("Fill it in and save again."), act=True))
        return None
    place = read_position(position)
    if place is None:
        say = _("The position cannot be read.")
        widgets.show_html(widgets.say_html(say, _("Write it as 40.0123, -75.0456, or leave it empty."), act=True))
        return None
    asked_l = volume * units.l_per_volume
    return replace(
        was or Pool("", "", 0.0, filter_kind),
        name=name.strip(),
        # Rounded to be shown; what was not touched stays as it was.
        volume_l=was.volume_l if was and abs(asked_l - was.volume_l) < units.l_per_volume else asked_l,
        filter_kind=filter_kind,
        surface=surface or Surface.PLASTER,
        floor_colour=floor,
        depth_shallow_m=shallow,
        depth_deep_m=deep,
        has_waste_port=waste,
        clean_pressure_kpa=clean,
        indoor="indoor" in more,
        public="public" in more,
        salt_cell="salt_cell" in more,
        owner=owner.strip(),
        town=town.strip(),
        note=note.strip(),
        latitude_deg=place[0] if place else None,
        longitude_deg=place[1] if place else None,
    )


def read_position(text: str) -> tuple[float, float] | tuple[()] | None:
    """Return latitude and longitude [deg] as typed; empty where nothing is, None where it cannot be read.

    Examples
    --------
    >>> read_position("40.0123, -75.0456"), read_position(" 40.0123 N 75.0456 W")
    ((40.0123, -75.0456), (40.0123, -75.0456))
    >>> read_position(""), read_position("by the mill"), read_position("95, 10")
    ((), None, None)
    """
    if not text.strip():
        return ()
    found = _POSITION.fullmatch(text)
    if found is None:
        return None
    latitude = float(found[1]) * (-1 if found[2].upper() == "S" else 1)
    longitude = float(found[3]) * (-1 if found[4].upper() in ("W", "O") and found[4] else 1)
    return (latitude, longitude) if abs(latitude) <= 90 and abs(longitude) <= 180 else None


def position_say(pool: Pool) -> str:
    """Return a pool's position as it is typed, to a metre."""
    if pool.latitude_deg is None or pool.longitude_deg is None:
        return ""
    return f"{pool.latitude_deg:.5f}, {pool.longitude_deg:.5f}"


def _one(label: str, kinds: type[FilterKind], said: dict[FilterKind, str], was: FilterKind | None) -> FilterKind | None:
    return st.segmented_control(
        label, list(kinds), format_func=lambda each: _(said[each]), width="stretch", default=was
    )


def _number(label: str, stored: float | None, size: float, step: float) -> float | None:
    """Ask for a number in people's units, filled with the stored one; return it as it is stored."""
    shown = None if stored is None else round(stored / size, 2)
    typed = st.number_input(label, min_value=0.0, value=shown, step=step, width=230)
    if typed == shown:
        return stored
    return typed * size if typed else None
