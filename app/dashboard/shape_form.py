"""Asks for a pool's shape, sides and depths where nobody knows its volume.

In: the desk. Out: litres, None while a side is missing.
"""

from __future__ import annotations

import streamlit as st

from app.dashboard import widgets
from app.dashboard.session import Desk
from app.dashboard.speech import _
from app.treatment.units import say_pool_volume
from app.treatment.volume import Shape, pool_volume_l
from app.words import mark

SHAPES = {
    Shape.RECTANGLE: mark("Rectangle"),
    Shape.ROUND: mark("Round"),
    Shape.OVAL: mark("Oval (an ellipse)"),
    Shape.STADIUM: mark("Straight sides, round ends"),
    Shape.KIDNEY: mark("Kidney"),
    Shape.L_SHAPE: mark("L"),
}
"""The outlines that can be computed."""

LENGTH = {Shape.ROUND: mark("Diameter"), Shape.L_SHAPE: mark("Longer leg, length")}
WIDTH = {Shape.KIDNEY: mark("Wider width"), Shape.L_SHAPE: mark("Longer leg, width")}
"""What the sides are called where they are not plain length and width."""


def ask_volume_by_shape(desk: Desk) -> float | None:
    """Ask for the outline, its sides and depths, inside measures at the water line; return litres."""
    shape = (
        st.selectbox(_("Shape"), list(SHAPES), format_func=lambda each: _(SHAPES[each]), key="shape") or Shape.RECTANGLE
    )
    sides = [_ask(LENGTH.get(shape, mark("Length")), desk)]
    width = second_length = second_width = None
    if shape != Shape.ROUND:
        width = _ask(WIDTH.get(shape, mark("Width")), desk)
        sides.append(width)
    if shape == Shape.L_SHAPE:
        second_length = _ask(mark("Other leg, length without the corner"), desk)
        sides.append(second_length)
    if shape in (Shape.KIDNEY, Shape.L_SHAPE):
        second_width = _ask(mark("Narrower width") if shape == Shape.KIDNEY else mark("Other leg, width"), desk)
        sides.append(second_width)
    shallow, deep = (
        _ask(mark("Water depth, shallow end"), desk),
        _ask(mark("Water depth, deep end"), desk, needed=False),
    )
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
                _("The sides do not make this shape."),
                _("With round ends it is at least as long as it is wide."),
                act=True,
            )
        )
        return None
    widgets.show_html(
        f'<p class="tb-quiet">{_("Holds about {volume}.", volume=say_pool_volume(volume_l, desk.units.name))}</p>'
    )
    return volume_l


def _ask(label: str, desk: Desk, *, needed: bool = True) -> float | None:
    """Ask for one length and return it in metres; None where nothing is typed."""
    more = "" if needed else " " + _("(empty: level floor)")
    typed = st.number_input(
        f"{_(label)}, {desk.units.length}{more}", min_value=0.0, value=None, step=0.5, format="%g", key=f"side-{label}"
    )
    return typed * desk.units.m_per_length if typed else None
