"""The form of a visit: equipment, readings, poured, done; large buttons, each kept as it is tapped, one save.

In: the pool and its recommended step. Out: `Noted`, what the tech typed and tapped, or None while it is not saved.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import streamlit as st

from app.dashboard import entry, widgets, words
from app.dashboard.session import Desk
from app.dashboard.sighting_form import ask_sighted
from app.dashboard.speech import _
from app.dashboard.strip_form import ask_strip_readings
from app.dashboard.typed import LIVE, Sheet, close_sheet, part, show_script, tapped
from app.records import (
    Chemical,
    ElementState,
    Equipment,
    FilterKind,
    Method,
    Pool,
    Reading,
    Sighted,
    Step,
    Treatment,
    Visit,
    Work,
)

TYPED_METHODS = (Method.DROP_COUNT, Method.PHOTOMETER, Method.STRIP_EYE)
"""How a typed reading can have been taken."""

STEPS = {"ph": 0.1, "water_temperature": 1.0, "free_chlorine": 0.5, "total_chlorine": 0.5}
"""What a tap on plus adds, by analyte; 10 for the others."""

OTHER_POURS = 2
"""Rows for what was poured besides the recommendation (our choice)."""


@dataclass(frozen=True)
class Noted:
    """Everything a tech noted at a visit besides the photos."""

    by: str
    equipment: Equipment
    readings: tuple[Reading, ...]
    treatments: tuple[Treatment, ...]
    work: tuple[Work, ...]
    floor_seen: bool | None
    debris_on_floor: bool | None
    note: str
    sighted: Sighted = field(default_factory=Sighted)


def noted_in(visit: Visit, noted: Noted) -> Visit:
    """Return the visit with what was noted in it; its photos and its time stay."""
    return replace(
        visit,
        by=noted.by,
        equipment=noted.equipment,
        readings=noted.readings,
        treatments=noted.treatments,
        work=noted.work,
        floor_seen=noted.floor_seen,
        debris_on_floor=noted.debris_on_floor,
        note=noted.note,
        sighted=noted.sighted,
    )


def only_photos(visit: Visit) -> bool:
    """Return whether a visit holds photos and nothing else: begun, and not saved."""
    by_strip = tuple(each for each in visit.readings if each.method is Method.STRIP_PHOTO)
    begun = bool(visit.photo_sha256s or by_strip)
    return begun and noted_in(visit, replace(BLANK, by=visit.by, readings=by_strip)) == visit


def show(desk: Desk, pool: Pool, step: Step, sheet: Sheet, was: Visit | None = None) -> Noted | None:
    """Show the form, filled with `was` where a visit is changed; return what was noted once it is saved."""
    with st.container(key="tb-visit-form"):
        equipment = part(desk, sheet, ask_equipment, pool, was.equipment if was else Equipment())
        from_strip = part(desk, sheet, ask_strip_readings, was.readings if was else ())
        readings = (*from_strip, *part(desk, sheet, ask_readings, was.readings if was else ()))
        treatments = part(desk, sheet, ask_poured, step, was.treatments if was else ())
        work, floor, debris = part(desk, sheet, ask_work, was)
        sighted = part(desk, sheet, ask_sighted, was.sighted if was else Sighted())
        note, by = part(desk, sheet, ask_note, was)
        show_script()
        with st.container(key="tb-save"):
            saved = tapped(_("Save the visit"), f"save-{sheet.id}", type="primary", width="stretch")
        if not saved and sheet.loaded and tapped(_("Throw away what was typed"), f"throw-{sheet.id}", width="stretch"):
            close_sheet(desk, sheet)
            st.rerun()
    if not saved:
        return None
    st.session_state["by"] = by.strip()
    return Noted(by.strip(), equipment, readings, treatments, tuple(work), floor, debris, note.strip(), sighted)


def ask_equipment(desk: Desk, sheet: Sheet, pool: Pool, was: Equipment) -> Equipment:
    """Ask what was found at the equipment; nothing tapped means not looked at."""
    st.subheader(_("At the equipment"))
    manifold = None
    well = False
    if was == Equipment():
        # One tap for the usual case; what is tapped below says otherwise.
        with st.container(key="tb-well"):
            well = st.checkbox(
                _("All well: power on, pump runs, flow holds"), width="stretch", key=sheet.field("well", False)
            )
    with st.container(key="tb-equipment"):
        power = choice(sheet, "power", _("Power"), _("On"), _("Off"), was.power_on)
        pump = choice(sheet, "pump", _("Pump"), _("Runs"), _("Will not run"), was.pump_runs)
        flow = choice(sheet, "flow", _("Flow"), _("Holds"), _("Falls"), was.flow_holds)
        elements = st.segmented_control(
            _(words.ELEMENTS_OF[pool.filter_kind]),
            list(ElementState),
            format_func=lambda each: _(words.ELEMENTS[each]),
            key=sheet.field("elements", was.elements, list(ElementState)),
            width="stretch",
        )
        if pool.filter_kind is not FilterKind.SAND:
            manifold = choice(sheet, "manifold", _("Manifold"), _("Sound"), _("Broken"), was.manifold_sound)
        was_kpa = was.filter_pressure_kpa
        pressure = st.number_input(
            _("Filter, {unit}", unit=desk.units.pressure),
            min_value=0.0,
            value=None,
            step=1.0,
            format="%g",
            key=sheet.field("pressure", None if was_kpa is None else round(was_kpa / desk.units.kpa_per_pressure, 1)),
        )
    return Equipment(
        power_on=well or None if power is None else power,
        pump_runs=well or None if pump is None else pump,
        flow_holds=well or None if flow is None else flow,
        filter_pressure_kpa=pressure * desk.units.kpa_per_pressure if pressure is not None else None,
        elements=elements,
        manifold_sound=manifold,
    )


def ask_readings(desk: Desk, sheet: Sheet, was: tuple[Reading, ...]) -> tuple[Reading, ...]:
    """Ask for the readings; an empty field is a reading not taken."""
    st.subheader(_("Readings, {unit}", unit=desk.units.concentration))
    before = {each.analyte: entry.typed(each, desk.units) for each in was if each.method is not Method.STRIP_PHOTO}
    methods = [each.method for each in was if each.method in TYPED_METHODS]
    method = st.segmented_control(
        _("Read with"),
        TYPED_METHODS,
        format_func=lambda each: _(words.METHOD[each]),
        key=sheet.field("method", methods[0] if methods else Method.DROP_COUNT, TYPED_METHODS),
        required=True,
        width="stretch",
    )
    with st.container(key="tb-readings"):
        typed = {
            analyte: st.number_input(
                f"{_(name)}, {desk.units.temperature}" if analyte == "water_temperature" else _(name),
                min_value=0.0,
                value=None,
                step=STEPS.get(analyte, 10.0),
                format="%g",
                key=sheet.field(f"read-{analyte}", before.get(analyte)),
            )
            for analyte, name in words.ANALYTE_SHORT.items()
        }
    return tuple(
        entry.reading(analyte, value, method or Method.DROP_COUNT, desk.units)
        for analyte, value in typed.items()
        if value is not None
    )


def ask_poured(desk: Desk, sheet: Sheet, step: Step, was: tuple[Treatment, ...]) -> tuple[Treatment, ...]:
    """Ask what was really poured: the recommended amounts are filled in, to be confirmed; what is noted stays."""
    st.subheader(_("What was poured"))
    st.markdown(_("Advised: {step}", step=f"**{_(step.title)}**"))
    poured = list(was)
    for each in was:
        st.markdown(_("Noted already: {what}", what=widgets.poured_say(each, desk.units)))
    advised: list[str] = []
    for dose in (action.dose for action in step.do if action.dose is not None):
        # By the chemical alone: a photo may change the advised amount, and what was confirmed stays confirmed.
        name = f"{dose.chemical.value}-{sum(each.startswith(dose.chemical.value) for each in advised)}"
        advised.append(name)
        pour = entry.pour_of(dose, desk.units)
        label = _("{chemical}: advised {amount}", chemical=_strong(dose.chemical, dose.strength_pct), amount=dose.say)
        shown = ask_amount(sheet, name, label, pour)
        if shown:
            poured.append(entry.treatment(dose.chemical, pour, shown, dose.strength_pct))
    for name, chemical in no_longer_advised(sheet, advised):
        pour = entry.empty_pour(chemical, desk.units)
        shown = ask_amount(sheet, name, _(words.CHEMICAL[chemical]), pour)
        if shown:
            poured.append(entry.treatment(chemical, pour, shown, None))
    with st.expander(_("Something else was poured") if poured or step.do else _("Something was poured")):
        poured += ask_other(desk, sheet)
    return tuple(poured)


def ask_amount(sheet: Sheet, name: str, label: str, pour: entry.Pour) -> float | None:
    """Ask whether an advised chemical was poured, and how much; None where it was not."""
    with st.container(horizontal=True, vertical_alignment="bottom"):
        did = st.segmented_control(
            label, [True, False], format_func=did_say, key=sheet.field(f"did-{name}", None), width=330
        )
        shown = st.number_input(
            _("Amount, {unit}", unit=pour.shown_unit),
            min_value=0.0,
            value=None,
            step=0.25,
            format="%g",
            key=sheet.field(f"much-{name}", pour.shown),
            width=218,
        )
    return shown if did else None


def no_longer_advised(sheet: Sheet, advised: Sequence[str]) -> list[tuple[str, Chemical]]:
    """Return what was confirmed as poured while it was advised, and is advised no more: it went in all the same."""
    said = [name.removeprefix("did-") for name, value in sheet.loaded.items() if name.startswith("did-") and value]
    return [(name, Chemical(name.rpartition("-")[0])) for name in said if name not in advised]


def _strong(chemical: Chemical, strength_pct: float | None) -> str:
    """Return a chemical with its strength as words."""
    return _(words.CHEMICAL[chemical]) + (f" {strength_pct:g} %" if strength_pct else "")


def ask_other(desk: Desk, sheet: Sheet) -> list[Treatment]:
    """Ask for what was poured besides the recommendation."""
    poured = []
    for row in range(OTHER_POURS):
        chemical = st.selectbox(
            _("Chemical {number}", number=row + 1),
            list(Chemical),
            index=None,
            format_func=lambda each: f"{_(words.CHEMICAL[each])}, {entry.empty_pour(each, desk.units).shown_unit}",
            placeholder=_("Choose"),
            key=sheet.field(f"other-{row}", None, list(Chemical)),
        )
        with st.container(horizontal=True):
            shown = st.number_input(
                _("Amount"),
                min_value=0.0,
                value=None,
                format="%g",
                key=sheet.field(f"other-much-{row}", None),
                width=218,
            )
            strength = st.number_input(
                _("Strength on the label, %"),
                0.0,
                100.0,
                value=None,
                format="%g",
                key=sheet.field(f"other-strong-{row}", None),
                width=218,
            )
        if chemical is not None and shown:
            poured.append(entry.treatment(chemical, entry.empty_pour(chemical, desk.units), shown, strength))
    return poured


def ask_work(_desk: Desk, sheet: Sheet, was: Visit | None) -> tuple[list[Work], bool | None, bool | None]:
    """Ask for the work done, and what is seen on the floor."""
    work = st.pills(
        _("Work done"),
        list(Work),
        selection_mode="multi",
        format_func=lambda each: _(words.WORK[each]),
        key=sheet.field("work", list(was.work) if was else [], list(Work)),
    )
    floor_was, debris_was = (was.floor_seen, was.debris_on_floor) if was else (None, None)
    floor = choice(sheet, "floor", _("Is the deepest floor seen?"), _("Seen"), _("Not seen"), floor_was)
    debris = choice(sheet, "debris", _("Debris on the floor?"), _("Yes"), _("No"), debris_was)
    return work, floor, debris


def ask_note(_desk: Desk, sheet: Sheet, was: Visit | None) -> tuple[str, str]:
    """Ask for a note and who it is."""
    note = st.text_input(_("Note"), key=sheet.field("note", was.note if was else ""), live=LIVE)
    name = (was.by if was else "") or st.session_state.get("by", "")
    by = st.text_input(_("Your name"), key=sheet.field("by", name), live=LIVE)
    return note or "", by or ""


def choice(sheet: Sheet, name: str, label: str, yes: str, no: str, was: bool | None) -> bool | None:
    """Ask a question with two large buttons; neither tapped means not known."""
    return st.segmented_control(
        label,
        [True, False],
        format_func=lambda each: yes if each else no,
        key=sheet.field(name, was),
        width="stretch",
    )


def did_say(did: bool) -> str:
    """Return what the two buttons beside an advised amount say."""
    return _("Poured") if did else _("Not poured")


BLANK = Noted("", Equipment(), (), (), (), None, None, "")
"""Nothing noted."""
