"""The part of a visit's form that asks how far one sees into the water: chips for depths, the sighting disc.

In: what was noted before. Out: `Sighted`, in metres.
"""

from __future__ import annotations

import streamlit as st

from app.dashboard import units
from app.dashboard.session import Desk
from app.dashboard.speech import _
from app.dashboard.typed import Sheet
from app.records import Sighted

CHIPS = {"ft": (1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0), "m": (0.3, 0.6, 0.9, 1.2, 1.5, 1.8, 2.4)}
"""Depths offered to a wet thumb, by unit: steps, shallow end, deep end (our choice)."""

DISC_STEP = {"ft": 0.25, "m": 0.05}
"""What a tap on plus adds to the disc's depth, by unit: a mark of the pole, 5 cm or 3 in."""


def ask_sighted(desk: Desk, sheet: Sheet, was: Sighted) -> Sighted:
    """Ask what was seen and what was not, and at which depth the disc hangs; nothing tapped means not looked."""
    unit, m_per = desk.units.length, desk.units.m_per_length
    st.subheader(_("How far one sees, {unit}", unit=unit))
    seen = _depth_chips(desk, sheet, "seen", _("Deepest thing you see (step, floor)"), was.seen_at_m)
    not_seen = _depth_chips(desk, sheet, "not-seen", _("First thing you do not see any more"), was.not_seen_at_m)
    disc = st.number_input(
        _("Sighting disc in the photo: its depth by the pole, {unit}", unit=unit),
        min_value=0.0,
        value=None,
        step=DISC_STEP[unit],
        format="%g",
        key=sheet.field("disc", None if was.disc_depth_m is None else round(was.disc_depth_m / m_per, 2)),
    )
    lost = st.segmented_control(
        _("The disc at that depth, by your own eyes"),
        [False, True],
        format_func=lambda each: _("Lost from sight") if each else _("Seen"),
        key=sheet.field("disc-lost", was.disc_lost),
        width="stretch",
    )
    return Sighted(
        disc_depth_m=disc * m_per if disc else None,
        disc_lost=lost if disc else None,
        seen_at_m=seen,
        not_seen_at_m=not_seen,
    )


def _depth_chips(desk: Desk, sheet: Sheet, name: str, label: str, was_m: float | None) -> float | None:
    """Ask for one depth by chips; one noted before that is no chip becomes one."""
    m_per = desk.units.m_per_length
    offered = [round(chip * m_per, 4) for chip in CHIPS[desk.units.length]]
    was = None if was_m is None else round(was_m, 4)
    offered = sorted({*offered, *([] if was is None else [was])})
    return st.pills(
        label,
        offered,
        format_func=lambda each: units.length_say(each, desk.units),
        key=sheet.field(f"chips-{name}", was, offered),
        width="stretch",
    )
