"""Turns SI amounts into what a tech pours and reads, and back.

In: litres, kilograms, metres, kilopascals, degrees Celsius, mg/L. Out: words in the company's units ("us" or "metric"),
rounded to what a jug, a scale or a gauge can show. Stored amounts are never rounded here: only their wording is.
"""

from __future__ import annotations

import math
import re

L_PER_GAL = 3.785411784
"""Litres in a US gallon, exact. Source: NIST Handbook 44, Appendix C (by way of scipy.constants 1.17.1)."""

ML_PER_FL_OZ = 29.5735295625
"""Millilitres in a US fluid ounce, exact (gallon / 128). Source: as `L_PER_GAL`."""

KG_PER_LB = 0.45359237
"""Kilograms in a pound, exact. Source: as `L_PER_GAL`."""

KG_PER_OZ = KG_PER_LB / 16
"""Kilograms in an ounce, exact."""

M_PER_FT = 0.3048
"""Metres in a foot, exact. Source: as `L_PER_GAL`."""

KPA_PER_PSI = 6.894757293168361
"""Kilopascals in a pound per square inch (lbf/in2 with standard gravity), from the exact pound and inch."""

L_PER_FT3 = 28.316846592
"""Litres in a cubic foot, exact: 304.8 mm cubed."""

UNIT_SYSTEMS = ("us", "metric")
"""The two ways in which people see amounts."""

_US_VOLUME_STEPS_FL_OZ = ((4, 0.25), (16, 1), (64, 2), (128, 4), (640, 32), (2560, 64), (math.inf, 128))
"""Up to this many fl oz, round to this many: a measuring cup, then quarter, half and whole gallons."""

_METRIC_VOLUME_STEPS_ML = ((100, 5), (500, 10), (1000, 50), (10_000, 250), (50_000, 500), (math.inf, 1000))
"""Up to this many mL, round to this many."""

_US_MASS_STEPS_OZ = ((4, 0.25), (16, 1), (80, 2), (160, 4), (800, 16), (math.inf, 80))
"""Up to this many oz, round to this many: a kitchen scale, then quarter and whole pounds."""

_METRIC_MASS_STEPS_G = ((100, 5), (500, 10), (1000, 50), (5000, 100), (25_000, 500), (math.inf, 1000))
"""Up to this many g, round to this many."""

_SIZES = {
    "gal": ("L", L_PER_GAL),
    "fl oz": ("L", ML_PER_FL_OZ / 1000),
    "qt": ("L", L_PER_GAL / 4),
    "pt": ("L", L_PER_GAL / 8),
    "L": ("L", 1.0),
    "mL": ("L", 0.001),
    "lb": ("kg", KG_PER_LB),
    "oz": ("kg", KG_PER_OZ),
    "kg": ("kg", 1.0),
    "g": ("kg", 0.001),
}
"""Each unit a tech may write, with the stored unit and how much of that it is."""

_PART = re.compile(r"\s*([0-9][0-9,]*(?:\.[0-9]+)?)\s*(fl oz|gal|qt|pt|mL|lb|oz|kg|g|L)\b")


def check_units(units: str) -> str:
    """Return `units` if it is one we know.

    Raises
    ------
    ValueError
        If it is neither "us" nor "metric".
    """
    if units not in UNIT_SYSTEMS:
        raise ValueError(f"units must be one of {UNIT_SYSTEMS}, got {units!r}")
    return units


def gallons(volume_l: float) -> float:
    """Return US gallons in `volume_l` litres."""
    return volume_l / L_PER_GAL


def litres(volume_gal: float) -> float:
    """Return litres in `volume_gal` US gallons."""
    return volume_gal * L_PER_GAL


def pounds(mass_kg: float) -> float:
    """Return pounds in `mass_kg` kilograms."""
    return mass_kg / KG_PER_LB


def fahrenheit(temperature_c: float) -> float:
    """Return degrees Fahrenheit of `temperature_c` degrees Celsius."""
    return temperature_c * 1.8 + 32


def celsius(temperature_f: float) -> float:
    """Return degrees Celsius of `temperature_f` degrees Fahrenheit."""
    return (temperature_f - 32) / 1.8


def psi(pressure_kpa: float) -> float:
    """Return pounds per square inch of `pressure_kpa` kilopascals."""
    return pressure_kpa / KPA_PER_PSI


def _poured(amount: float, steps: tuple[tuple[float, float], ...]) -> float:
    """Round to the step of the amount's size; never to nothing, so a small dose is not lost.

    Every limit is a multiple of the steps on both sides of it, so more never rounds to less.
    """
    if amount <= 0:
        return 0.0
    step = next(step for limit, step in steps if amount <= limit)
    return max(step, math.floor(amount / step + 0.5) * step)


def _number(value: float) -> str:
    """Write at most two decimals, with thousands separated and no trailing zeros."""
    return f"{value:,.2f}".rstrip("0").rstrip(".")


def say_volume(volume_l: float, units: str = "us") -> str:
    """Say an amount of liquid as a tech pours it.

    Parameters
    ----------
    volume_l : float
        Amount [L], not negative.
    units : str, optional
        "us" (gal, fl oz) or "metric" (L, mL).

    Raises
    ------
    ValueError
        If `volume_l` is negative or not finite, or `units` is unknown.

    Examples
    --------
    >>> say_volume(litres(8.1)), say_volume(0.4732), say_volume(30.28, "metric")
    ('8 gal', '16 fl oz', '30.5 L')
    """
    _check_amount("volume_l", volume_l)
    if check_units(units) == "metric":
        millilitres = _poured(volume_l * 1000, _METRIC_VOLUME_STEPS_ML)
        return f"{_number(millilitres / 1000)} L" if millilitres >= 1000 else f"{_number(millilitres)} mL"
    ounces = _poured(volume_l * 1000 / ML_PER_FL_OZ, _US_VOLUME_STEPS_FL_OZ)
    return f"{_number(ounces / 128)} gal" if ounces >= 128 else f"{_number(ounces)} fl oz"


def say_mass(mass_kg: float, units: str = "us") -> str:
    """Say an amount of powder or granules as a tech weighs it.

    Parameters
    ----------
    mass_kg : float
        Amount [kg], not negative.
    units : str, optional
        "us" (lb, oz) or "metric" (kg, g).

    Raises
    ------
    ValueError
        If `mass_kg` is negative or not finite, or `units` is unknown.

    Examples
    --------
    >>> say_mass(1.5), say_mass(0.1), say_mass(1.52, "metric")
    ('3 lb 4 oz', '3.5 oz', '1.5 kg')
    """
    _check_amount("mass_kg", mass_kg)
    if check_units(units) == "metric":
        grams = _poured(mass_kg * 1000, _METRIC_MASS_STEPS_G)
        return f"{_number(grams / 1000)} kg" if grams >= 1000 else f"{_number(grams)} g"
    ounces = _poured(mass_kg / KG_PER_OZ, _US_MASS_STEPS_OZ)
    if ounces < 16:
        return f"{_number(ounces)} oz"
    whole_lb, rest_oz = divmod(ounces, 16)
    return f"{_number(whole_lb)} lb {_number(rest_oz)} oz" if rest_oz else f"{_number(whole_lb)} lb"


def say_amount(amount: float, unit: str, units: str = "us") -> str:
    """Say an amount stored in `unit` ("L" or "kg") as a tech pours it.

    Raises
    ------
    ValueError
        If `unit` is neither "L" nor "kg", or the amount is negative.
    """
    if unit == "L":
        return say_volume(amount, units)
    if unit == "kg":
        return say_mass(amount, units)
    raise ValueError(f"unit must be 'L' or 'kg', got {unit!r}")


def say_packages(amount: float, package: float, noun: str) -> str:
    """Say how many whole packages hold `amount`: "4 bags", "1 case".

    Parameters
    ----------
    amount, package : float
        Amount wanted and amount in one package, in the same unit; `package` above 0.
    noun : str
        What the package is called, in the singular.

    Examples
    --------
    >>> say_packages(1.9, 0.45359237, "bag"), say_packages(0.2, 3.8, "jug")
    ('5 bags', '1 jug')
    """
    if not package > 0:
        raise ValueError(f"package must be above 0, got {package!r}")
    _check_amount("amount", amount)
    # A hair of rounding in the stored amount must not open one more bag.
    count = math.ceil(amount / package - 1e-9)
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"


def read_amount(text: str) -> tuple[float, str]:
    """Read what a tech wrote ("8 gal", "3 lb 4 oz", "250 mL") as a stored amount and its unit.

    Parameters
    ----------
    text : str
        Numbers each followed by a unit: gal, qt, pt, fl oz, L, mL, lb, oz, kg or g.

    Returns
    -------
    tuple of float and str
        Amount and "L" or "kg".

    Raises
    ------
    ValueError
        If the text holds anything else, or mixes liquid and weight.

    Examples
    --------
    >>> read_amount("8 gal")
    (30.283294272, 'L')
    """
    found: list[tuple[float, str]] = []
    at = 0
    while match := _PART.match(text, at):
        unit, size = _SIZES[match.group(2)]
        found.append((float(match.group(1).replace(",", "")) * size, unit))
        at = match.end()
    if not found or text[at:].strip() or len({unit for _, unit in found}) > 1:
        raise ValueError(f"text must be an amount such as '8 gal', '3 lb 4 oz' or '250 mL', got {text!r}")
    return math.fsum(amount for amount, _ in found), found[0][1]


def say_pool_volume(volume_l: float, units: str = "us") -> str:
    """Say a pool's volume: "15,000 gal" or "56,800 L", to three figures.

    Examples
    --------
    >>> say_pool_volume(litres(15_000)), say_pool_volume(56_781, "metric")
    ('15,000 gal', '56,800 L')
    """
    value, unit = (gallons(volume_l), "gal") if check_units(units) == "us" else (volume_l, "L")
    return f"{float(f'{value:.3g}'):,.0f} {unit}"


def say_depth(depth_m: float, units: str = "us") -> str:
    """Say a depth: "4.5 ft" or "1.4 m".

    Examples
    --------
    >>> say_depth(1.37), say_depth(1.37, "metric")
    ('4.5 ft', '1.4 m')
    """
    return f"{depth_m / M_PER_FT:.1f} ft" if check_units(units) == "us" else f"{depth_m:.1f} m"


def say_concentration(value_mg_l: float, units: str = "us") -> str:
    """Say a concentration: "12.5 ppm" or "12.5 mg/L"; in water the two are the same number.

    Examples
    --------
    >>> say_concentration(66.66), say_concentration(0.42, "metric")
    ('67 ppm', '0.4 mg/L')
    """
    figure = f"{value_mg_l:.0f}" if value_mg_l >= 20 else f"{value_mg_l:.1f}".removesuffix(".0")
    return f"{figure} {'ppm' if check_units(units) == 'us' else 'mg/L'}"


def say_pressure(pressure_kpa: float, units: str = "us") -> str:
    """Say a gauge pressure: "18 psi" or "124 kPa".

    Examples
    --------
    >>> say_pressure(124.1), say_pressure(124.1, "metric")
    ('18 psi', '124 kPa')
    """
    return f"{psi(pressure_kpa):.0f} psi" if check_units(units) == "us" else f"{pressure_kpa:.0f} kPa"


def _check_amount(name: str, amount: float) -> None:
    """Raise ValueError unless `amount` is a finite number, 0 or more."""
    if not (math.isfinite(amount) and amount >= 0):
        raise ValueError(f"{name} must be a finite number, 0 or more, got {amount!r}")
