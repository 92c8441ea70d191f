"""The dose of one chemical for one change: amount, arithmetic, cost, cautions, and what must not go in with it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

import streamlit as st

from app import actions
from app.access import Right
from app.dashboard import widgets, words
from app.dashboard.choose import choose_pool
from app.dashboard.session import Desk
from app.dashboard.shape_form import ask_volume_by_shape
from app.dashboard.speech import _, several, speech
from app.errors import TurnblueError
from app.records import Chemical, Dose
from app.treatment.cautions import BETWEEN_ROUNDS_H, of_chemical, say_all
from app.treatment.dosing import LabelRate
from app.treatment.products import PRODUCTS, StrengthBasis
from app.treatment.units import read_amount, say_amount, say_pool_volume
from app.words import mark

CHANGES = {
    ("free_chlorine", 1): mark("Raise free chlorine by, {unit}"),
    ("free_chlorine", -1): mark("Lower free chlorine by, {unit}"),
    ("total_alkalinity", 1): mark("Raise total alkalinity by, {unit}"),
    ("total_alkalinity", -1): mark("Lower total alkalinity by, {unit}"),
    ("calcium_hardness", 1): mark("Raise calcium hardness by, {unit}"),
    ("cyanuric_acid", 1): mark("Raise cyanuric acid by, {unit}"),
}
"""What a chemical changes and which way, as it is asked for."""


BASIS = {
    StrengthBasis.TRADE: mark("Trade %: 10 g/L of available chlorine for each per cent"),
    StrengthBasis.WEIGHT_HYPOCHLORITE: mark("% by weight of sodium hypochlorite"),
    StrengthBasis.WEIGHT_CHLORINE: mark("% by weight of available chlorine"),
}
"""What the label's per cent of liquid chlorine may mean."""

BY_SHAPE, BY_VOLUME = "by-shape", ""
"""The two ways to say how much water a pool holds that is not on record."""


@dataclass(frozen=True)
class Jug:
    """What is known of the jug: per cent on the label, what they mean, days old, kept at [deg C]."""

    strength_pct: float | None = None
    basis: StrengthBasis = StrengthBasis.TRADE
    age_days: float = 0.0
    storage_c: float = 25.0


def show(desk: Desk) -> None:
    """Ask for the pool, the chemical and the change; show the dose beside it."""
    st.title(_("Dose"))
    asked, answered = st.columns([2, 3], gap="medium")
    with asked:
        volume_l, doubt_pct = ask_volume(desk), ask_doubt()
        chosen = st.selectbox(_("Chemical"), list(Chemical), format_func=chemical_say, key="dose-chemical")
        chemical = chosen or Chemical.SODIUM_HYPOCHLORITE
        by_label = not PRODUCTS[chemical].changes
        change = None if by_label else ask_change(desk, chemical)
        jug = Jug() if by_label else ask_jug(desk, chemical)
        rate = ask_label_rate(desk) if by_label else None
        beside = st.multiselect(
            _("Wanted as well, in this pool"),
            [each for each in Chemical if each != chemical],
            format_func=chemical_say,
            placeholder=_("Choose"),
            key="dose-beside",
        )
    with answered:
        if volume_l is None or not (change or rate):
            widgets.show_html(
                widgets.say_html(_("Fill in the fields."), _("The dose is shown as soon as they are full."))
            )
        else:
            show_dose(desk, chemical, volume_l, doubt_pct=doubt_pct, change=change, jug=jug, rate=rate)
        if beside:
            widgets.show_html(rounds_html([chemical, *beside]))


def show_dose(
    desk: Desk,
    chemical: Chemical,
    volume_l: float,
    *,
    doubt_pct: float,
    change: float | None,
    jug: Jug,
    rate: LabelRate | None,
) -> None:
    """Show the dose, or what is wrong with what was typed."""
    try:
        dose = actions.dose(
            chemical,
            volume_l=volume_l,
            change_mg_l=change,
            label_rate=rate,
            strength_pct=jug.strength_pct,
            basis=jug.basis,
            age_days=jug.age_days,
            storage_c=jug.storage_c,
            volume_doubt=doubt_pct / 100,
            prices=actions.price_list(desk.log) if desk.actor.may(Right.MONEY) else None,
            units=desk.units.name,
        )
    except TurnblueError as error:
        widgets.show_html(widgets.refusal_html(error))
        return
    widgets.show_html(dose_html(dose, desk.units.name))


def ask_change(desk: Desk, chemical: Chemical) -> float | None:
    """Ask by how much [mg/L]."""
    product = PRODUCTS[chemical]
    return st.number_input(
        _(CHANGES[product.changes, product.direction], unit=desk.units.concentration),
        min_value=0.0,
        value=10.0,
        step=1.0,
        format="%g",
        key="dose-change",
    )


def ask_jug(desk: Desk, chemical: Chemical) -> Jug:
    """Ask how strong the product is; of liquid chlorine also what the per cent mean, its age, where it was kept."""
    product = PRODUCTS[chemical]
    strength = st.number_input(
        _("Strength on the label, %"),
        min_value=0.1,
        max_value=100.0,
        value=product.strength_pct,
        step=0.5,
        format="%g",
        key=f"dose-strength-{chemical}",
    )
    if chemical != Chemical.SODIUM_HYPOCHLORITE:
        return Jug(strength)
    with st.expander(_("The jug: kind of %, age, heat"), key="dose-jug"):
        basis = st.selectbox(
            _("The label's % are"), list(BASIS), format_func=lambda each: _(BASIS[each]), key="dose-basis"
        )
        age = st.number_input(
            _("Days since it was made"), min_value=0.0, value=0.0, step=7.0, format="%g", key="dose-age"
        )
        kept = st.number_input(
            _("Kept at, {unit}", unit=desk.units.temperature),
            value=round(desk.units.temperature_of(25.0)),
            step=5,
            key=f"dose-kept-{desk.units.name}",
        )
    return Jug(strength, basis or StrengthBasis.TRADE, age or 0.0, desk.units.celsius(float(kept)))


def ask_doubt() -> float:
    """Ask how far off the volume may be [%]."""
    return float(
        st.number_input(_("The volume may be off by, %"), min_value=0, max_value=50, value=10, step=5, key="dose-doubt")
    )


def ask_volume(desk: Desk) -> float | None:
    """Ask for a pool of the log, or for a volume; return it in litres."""
    others = {BY_VOLUME: _("Another pool"), BY_SHAPE: _("Another pool, by its shape")}
    chosen = choose_pool(desk, _("Pool"), key="dose-pool", others=others, preset=True)
    if chosen and chosen not in others:
        volume_l = actions.pool(desk.log, chosen).volume_l
        widgets.show_html(f'<div class="tb-quiet">{say_pool_volume(volume_l, desk.units.name)}</div>')
        return volume_l
    if chosen == BY_SHAPE:
        return ask_volume_by_shape(desk)
    typed = st.number_input(
        _("Volume, {unit}", unit=desk.units.volume), min_value=0.0, value=None, step=1000.0, format="%.0f"
    )
    return typed * desk.units.l_per_volume if typed else None


def ask_label_rate(desk: Desk) -> LabelRate | None:
    """Ask for the label's own rate; None while it is not whole."""
    with st.container(horizontal=True):
        text = st.text_input(_("The label says (8 fl oz, 250 mL, 2 lb)"), key="dose-rate", width=300)
        typed = st.number_input(
            _("for so much water, {unit}", unit=desk.units.volume),
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
            widgets.say_html(_("This amount cannot be read."), _("Write it as 8 fl oz, 250 mL or 2 lb."), act=True)
        )
        return None
    return LabelRate(amount, unit, typed * desk.units.l_per_volume)


def dose_html(dose: Dose, units: str) -> str:
    """Return a dose in large type with its range, cost, arithmetic, side effects and cautions."""
    after = "".join(f"<li>{escape(_(each))}</li>" for each in dose.side_effects)
    sources = "".join(f"<li>{escape(each)}</li>" for each in dose.sources)
    low, high = (say_amount(each, dose.unit, units) for each in (dose.low, dose.high))
    facts = [(_("Sensible range"), _("{low} to {high}", low=low, high=high))]
    if dose.cost is not None:
        most = dose.cost.high if dose.cost.high is not None else dose.cost.mid
        spread = _("{low} to {high}", low=f"{dose.currency}{dose.cost.low:,.2f}", high=f"{dose.currency}{most:,.2f}")
        facts.append((_("Costs"), f"{dose.currency}{dose.cost.mid:,.2f} ({spread})"))
    also = f"<h3>{escape(_('What else it does'))}</h3><ul>{after}</ul>" if after else ""
    return (
        f'<section class="tb-step" aria-label="{escape(_("Dose"))}">'
        f'<div class="lead">{escape(chemical_say(dose.chemical))}</div>'
        f"<h2>{escape(_(dose.say))}</h2>{widgets.facts_html(facts)}<p>{escape(_(dose.arithmetic))}</p>"
        f"{also}{widgets.cautions_html(dose.cautions)}"
        f"<details><summary>{escape(_('Sources'))}</summary><ul>{sources}</ul></details></section>"
    )


def rounds_html(chemicals: Sequence[Chemical]) -> str:
    """Return in which rounds several chemicals go in, with the cautions of each."""
    rounds = actions.rounds(chemicals)
    listed = "".join(
        f"<li>{escape(speech().listed([chemical_say(each) for each in together]))}</li>" for together in rounds
    )
    warned = say_all(caution for together in rounds for each in together for caution in of_chemical(each))
    between = _(
        "The pump runs at least {hours} h between two rounds. Never from one bucket.", hours=f"{BETWEEN_ROUNDS_H:g}"
    )
    return (
        f'<section class="tb-step" aria-label="{escape(_("In rounds"))}">'
        f'<div class="lead">{escape(_("What must not meet"))}</div>'
        f'<h2>{escape(several("{count} round", "{count} rounds", len(rounds)))}</h2><ol class="do">{listed}</ol>'
        f"<p>{escape(between)}</p>"
        f"{widgets.cautions_html(warned)}</section>"
    )


def chemical_say(chemical: Chemical) -> str:
    """Return what a chemical is called."""
    return _(words.CHEMICAL[chemical])
