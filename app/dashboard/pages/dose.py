"""The dose of one chemical for one change: amount, arithmetic, cautions."""

from __future__ import annotations

from html import escape

import streamlit as st

from app import actions
from app.dashboard import widgets, words
from app.dashboard.session import Desk
from app.errors import TurnblueError
from app.records import Chemical, Dose
from app.treatment.dosing import LabelRate
from app.treatment.products import PRODUCTS
from app.treatment.units import read_amount, say_pool_volume

CHANGES = {
    "free_chlorine": "free chlorine",
    "total_alkalinity": "total alkalinity",
    "calcium_hardness": "calcium hardness",
    "cyanuric_acid": "cyanuric acid",
}
"""What a chemical changes, as it is asked for."""


def show(desk: Desk) -> None:
    """Ask for the pool, the chemical and the change; show the dose beside it."""
    st.title("Dose")
    asked, answered = st.columns([2, 3], gap="medium")
    with asked:
        volume_l = ask_volume(desk)
        chosen = st.selectbox("Chemical", list(Chemical), format_func=words.CHEMICAL.__getitem__, key="dose-chemical")
        chemical = chosen or Chemical.SODIUM_HYPOCHLORITE
        change, strength = ask_change(desk, chemical) if PRODUCTS[chemical].changes else (None, None)
        rate = None if PRODUCTS[chemical].changes else ask_label_rate(desk)
    with answered:
        if volume_l is None or not (change or rate):
            widgets.show_html(widgets.say_html("Fill in the fields.", "The dose is shown as soon as they are full."))
            return
        try:
            dose = actions.dose(
                chemical,
                volume_l=volume_l,
                change_mg_l=change,
                label_rate=rate,
                strength_pct=strength,
                units=desk.units.name,
            )
        except TurnblueError as error:
            widgets.show_html(widgets.say_html(error.sentence, error.hint, act=True))
            return
        widgets.show_html(dose_html(dose))


def ask_change(desk: Desk, chemical: Chemical) -> tuple[float | None, float | None]:
    """Ask by how much [mg/L] and how strong the product is [%]."""
    product = PRODUCTS[chemical]
    verb = "Raise" if product.direction > 0 else "Lower"
    change = st.number_input(
        f"{verb} {CHANGES[product.changes]} by, {desk.units.concentration}",
        min_value=0.0,
        value=10.0,
        step=1.0,
        format="%g",
        key="dose-change",
    )
    strength = st.number_input(
        "Strength on the label, %",
        min_value=0.1,
        max_value=100.0,
        value=product.strength_pct,
        step=0.5,
        format="%g",
        key=f"dose-strength-{chemical}",
    )
    return change, strength


def ask_volume(desk: Desk) -> float | None:
    """Ask for a pool of the log, or for a volume; return it in litres."""
    by_id = {pool.id: pool for pool in actions.pools(desk.log)}
    chosen = st.selectbox(
        "Pool",
        [*by_id, ""],
        format_func=lambda each: (
            f"{by_id[each].name}, {say_pool_volume(by_id[each].volume_l, desk.units.name)}" if each else "Another pool"
        ),
        key="dose-pool",
    )
    if chosen:
        return by_id[chosen].volume_l
    typed = st.number_input(f"Volume, {desk.units.volume}", min_value=0.0, value=None, step=1000.0, format="%.0f")
    return typed * desk.units.l_per_volume if typed else None


def ask_label_rate(desk: Desk) -> LabelRate | None:
    """Ask for the label's own rate; None while it is not whole."""
    with st.container(horizontal=True):
        text = st.text_input("The label says (8 fl oz, 250 mL, 2 lb)", key="dose-rate", width=300)
        typed = st.number_input(
            f"for so much water, {desk.units.volume}",
            min_value=0.0,
            value=10_000.0,
            step=1000.0,
            format="%.0f",
            width=300,
        )
    if not text.strip() or not typed:
        return None
    try:
        amount, unit = read_amount(text)
    except ValueError:
        widgets.show_html(
            widgets.say_html("This amount cannot be read.", "Write it as 8 fl oz, 250 mL or 2 lb.", act=True)
        )
        return None
    return LabelRate(amount, unit, typed * desk.units.l_per_volume)


def dose_html(dose: Dose) -> str:
    """Return a dose in large type with its arithmetic, side effects and cautions."""
    after = "".join(f"<li>{escape(each)}</li>" for each in dose.side_effects)
    sources = "".join(f"<li>{escape(each)}</li>" for each in dose.sources)
    return (
        f'<section class="tb-step" aria-label="Dose"><div class="lead">{escape(words.CHEMICAL[dose.chemical])}</div>'
        f"<h2>{escape(dose.say)}</h2><p>{escape(dose.arithmetic)}</p>"
        f"{f'<h3>What else it does</h3><ul>{after}</ul>' if after else ''}"
        f"{widgets.cautions_html(dose.cautions)}"
        f"<details><summary>Sources</summary><ul>{sources}</ul></details></section>"
    )
