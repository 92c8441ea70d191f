"""Asks for a pool's shape, sides and depths where nobody knows its volume.

In: the desk. Out: litres, None while a side is missing.
"""

from __future__ import annotations

import streamlit as st

from app.dashboard import widgets
from app.dashboard.session import Desk
from app.treatment.units import say_pool_volume
from app.treatment.volume import Shape, pool_volume_l

SHAPES = {
    Shape.RECTANGLE: "Rectangle",
    Shape.ROUND: "Round",
    Shape.OVAL: "Oval (an ellipse)",
    Shape.STADIUM: "Straight sides, round ends",
    Shape.KIDNEY: "Kidney",
    Shape.L_SHAPE: "L",
}
"""The outlines that can be computed."""

LENGTH = {Shape.ROUND: "Diameter", Shape.L_SHAPE: "Longer leg, length"}
WIDTH = {Shape.KIDNEY: "Wider width", Shape.L_SHAPE: "Longer leg, width"}
"""What the sides are called where they are not plain length and width."""


def ask_volume_by_shape(desk: Desk) -> float | None:
    """Ask for the outline, its sides and depths, inside measures at the water line; return litres."""
    shape = st.selectbox("Shape", list(SHAPES), format_func=SHAPES.__getitem__, key="shape") or Shape.RECTANGLE
    sides = [_ask(LENGTH.get(shape, "Length"), desk)]
    width = second_length = second_width = None
    if shape != Shape.ROUND:
        width = _ask(WIDTH.get(shape, "Width"), desk)
        sides.append(width)
    if shape == Shape.L_SHAPE:
        second_length = _ask("Other leg, length without the corner", desk)
        sides.append(second_length)
    if shape in (Shape.KIDNEY, Shape.L_SHAPE):
        second_width = _ask("Narrower width" if shape == Shape.KIDNEY else "Other leg, width", desk)
        sides.append(second_width)
    shallow, deep = _ask("Water depth, shallow end", desk), _ask("Water depth, deep end", desk, needed=False)
    length = sides[0]
    if length is None or shallow is None or None in sides:
        return None
    try:
        volume_l = pool_volume_l(
            shape,
            length_m=length,
            width_m=width,
            second_length_m=second_length,
            second_width_m=second_width,
            shallow_m=shallow,
            deep_m=deep,
        )
    except ValueError:
        widgets.show_html(
            widgets.say_html(
                "The sides do not make this shape.", "With round ends it is at least as long as it is wide.", act=True
            )
        )
        return None
    widgets.show_html(f'<p class="tb-quiet">Holds about {say_pool_volume(volume_l, desk.units.name)}.</p>')
    return volume_l


def _ask(label: str, desk: Desk, *, needed: bool = True) -> float | None:
    """Ask for one length and return it in metres; None where nothing is typed."""
    more = "" if needed else " (empty: level floor)"
    typed = st.number_input(
        f"{label}, {desk.units.length}{more}", min_value=0.0, value=None, step=0.5, format="%g", key=f"side-{label}"
    )
    return typed * desk.units.m_per_length if typed else None
