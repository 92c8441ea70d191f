"""What was typed and tapped, as records: readings with the spread of their method, pours in stored units.

In: numbers in people's units and choices. Out: `Reading` and `Treatment`. Pure, so that the page stays a page.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from app.dashboard.units import Units
from app.records import Chemical, Dose, Method, Reading, Treatment
from app.treatment.products import PRODUCTS
from app.treatment.units import KG_PER_LB, L_PER_GAL, read_amount, say_amount

SPREAD: Mapping[Method, tuple[float, float, float]] = {
    Method.STRIP_EYE: (0.40, 0.5, 0.4),
    Method.STRIP_PHOTO: (0.30, 0.5, 0.3),
    Method.DROP_COUNT: (0.10, 0.3, 0.2),
    Method.PHOTOMETER: (0.07, 0.1, 0.1),
}
"""Half width of the 80 % interval by method: share of the value, least [mg/L], and for pH [pH units].
Our own choice after common practice, no source."""

TEMPERATURE_SPREAD_C = 1.0
"""Half width of a pool thermometer's 80 % interval [deg C]. Our own choice, no source."""


@dataclass(frozen=True)
class Pour:
    """An amount as a tech pours it: the number in the shown unit, that unit, and the stored unit behind it."""

    shown: float
    shown_unit: str
    unit: str
    size: float

    def stored(self, shown: float) -> float:
        """Return an amount in the shown unit as it is stored."""
        return shown * self.size


def reading(analyte: str, typed: float, method: Method, units: Units) -> Reading:
    """Return what was typed as a reading with its 80 % interval.

    Parameters
    ----------
    analyte : str
        One of the analytes of `app.records.Reading`.
    typed : float
        Value in people's units, 0 or more (a temperature may be below).
    method : Method
        How it was read; it sets the interval's width.
    units : Units
        The company's units.

    Examples
    --------
    >>> from app.dashboard.units import US
    >>> reading("ph", 7.4, Method.DROP_COUNT, US).low
    7.2
    """
    share, least, ph_units = SPREAD[method]
    if analyte == "water_temperature":
        value, unit, half = units.celsius(typed), "deg_c", TEMPERATURE_SPREAD_C
        return Reading(analyte, value, value - half, value + half, unit, method)
    if analyte == "ph":
        return Reading(analyte, typed, round(typed - ph_units, 4), round(typed + ph_units, 4), "", method)
    half = max(typed * share, least)
    return Reading(analyte, typed, max(typed - half, 0.0), typed + half, "mg/L", method)


def typed(taken: Reading, units: Units) -> float:
    """Return a reading's value as it was typed, in people's units; the way back from `reading`."""
    return round(units.temperature_of(taken.value), 1) if taken.unit == "deg_c" else taken.value


def pour_of(dose: Dose, units: Units) -> Pour:
    """Return a recommended dose as the amount a tech pours, rounded as it is said."""
    return _pour(dose.amount, dose.unit, units)


def empty_pour(chemical: Chemical, units: Units) -> Pour:
    """Return the unit in which a chemical is poured, with no amount yet."""
    return _pour(0.0, PRODUCTS[chemical].unit, units)


def treatment(chemical: Chemical, pour: Pour, shown: float, strength_pct: float | None) -> Treatment:
    """Return what was really poured, `shown` in the pour's shown unit."""
    return Treatment(chemical, pour.stored(shown), pour.unit, strength_pct)


def _pour(amount: float, unit: str, units: Units) -> Pour:
    sizes = {("us", "L"): ("gal", L_PER_GAL), ("us", "kg"): ("lb", KG_PER_LB)}
    shown_unit, size = sizes.get((units.name, unit), (unit, 1.0))
    rounded = read_amount(say_amount(amount, unit, units.name))[0] if amount > 0 else 0.0
    return Pour(round(rounded / size, 4), shown_unit, unit, size)
