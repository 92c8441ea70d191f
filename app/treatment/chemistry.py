"""Says what chlorine, cyanuric acid, pH and hardness do together in pool water.

In: readings in mg/L, pH, degrees Celsius. Out: hypochlorous acid, the saturation index by a named form, and the acid or
soda that a pH change takes. Published constants only; which model is meant is in each name and docstring.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable

MG_PER_MOL_CL2 = 70_906.0
"""Molar mass of chlorine, mg Cl2/mol. Source: IUPAC atomic weights (abridged)."""

MG_PER_MOL_CYA = 129_075.0
"""Molar mass of cyanuric acid, as test strips and kits read it, mg/mol. Some papers write 126.05 g/mol instead."""

MG_PER_EQ_CACO3 = 50_043.5
"""Half the molar mass of calcium carbonate: alkalinity in mg/L as CaCO3 for one equivalent."""

ZERO_C_K = 273.15
"""Kelvin at 0 degrees Celsius, exact."""


def hypochlorous_pka(temperature_c: float) -> float:
    """Compute pKa of hypochlorous acid at zero ionic strength.

    Parameters
    ----------
    temperature_c : float
        Water temperature, 0 to 40 [deg C].

    References
    ----------
    Morris (1966), J. Phys. Chem. 70:3798, the equation from memory.

    Examples
    --------
    >>> round(hypochlorous_pka(25.0), 3)
    7.537
    """
    T = _kelvin(temperature_c)
    return 3000 / T - 10.0686 + 0.0253 * T


def hypochlorous_fraction(ph: float, temperature_c: float = 25.0) -> float:
    """Compute the share of free chlorine that is hypochlorous acid where there is no cyanuric acid [0-1].

    Parameters
    ----------
    ph : float
        pH, 0 to 14.
    temperature_c : float, optional
        Water temperature [deg C].

    Raises
    ------
    ValueError
        If `ph` is outside 0 to 14 or the temperature outside -5 to 60.

    Examples
    --------
    >>> round(hypochlorous_fraction(7.5), 3)
    0.521
    """
    return 1 / (1 + 10 ** (_ph(ph) - hypochlorous_pka(temperature_c)))


def hypochlorous_acid_mg_l(
    free_chlorine_mg_l: float, cyanuric_acid_mg_l: float, ph: float, temperature_c: float = 25.0
) -> float:
    """Compute hypochlorous acid in stabilised water [mg/L as Cl2], by the three-reaction model.

    Parameters
    ----------
    free_chlorine_mg_l : float
        Free chlorine as a test reads it, with what cyanuric acid holds, 0 or more [mg/L as Cl2].
    cyanuric_acid_mg_l : float
        Cyanuric acid as a test reads it, 0 or more [mg/L].
    ph : float
        pH, 5 to 9.
    temperature_c : float, optional
        Water temperature, 5 to 35 [deg C].

    Raises
    ------
    ValueError
        If a concentration is negative or not finite, or pH or temperature is out of range.

    Notes
    -----
    Species: HOCl, OCl-, HClCy-, Cl2Cy-, H2Cy- and H3Cy, zero ionic strength. The full O'Brien set of 1974 gives about
    half as much again: say which is meant.

    References
    ----------
    Wahman & Alexander (2019), Environ. Eng. Sci. 36(3):283, abstract: pK7a, pK9a. Wahman (2018), abstract: pK6.

    Examples
    --------
    >>> round(hypochlorous_acid_mg_l(3.0, 30.0, 7.5), 4)
    0.0286
    """
    chlorine = _amount("free_chlorine_mg_l", free_chlorine_mg_l) / MG_PER_MOL_CL2
    cyanurate = _amount("cyanuric_acid_mg_l", cyanuric_acid_mg_l) / MG_PER_MOL_CYA
    T = _kelvin(temperature_c)
    K7 = 10 ** -(2028 / T - 2.15)
    K9 = 10 ** -(2229 / T - 1.65)
    acid_per_ion = 10 ** (1743 / T + 1.12 - _ph(ph))
    free_share = hypochlorous_fraction(ph, temperature_c)

    def chlorine_found(h: float) -> float:
        held_one, held_two = h / K9, h * h / (K9 * K7)
        ion = cyanurate / (1 + acid_per_ion + held_one + held_two)
        return h / free_share + ion * (held_one + 2 * held_two)

    # More HOCl always means more chlorine in all, so halving the bracket is safe.
    return _solve(chlorine_found, chlorine, 0.0, chlorine) * MG_PER_MOL_CL2


def acts_like_mg_l(
    free_chlorine_mg_l: float, cyanuric_acid_mg_l: float, ph: float, temperature_c: float = 25.0
) -> float:
    """Compute the free chlorine that would do as much in water without cyanuric acid, same pH [mg/L].

    Same parameters, errors and model as `hypochlorous_acid_mg_l`.

    Examples
    --------
    >>> round(acts_like_mg_l(5.0, 120.0, 7.5), 3)
    0.021
    """
    acid = hypochlorous_acid_mg_l(free_chlorine_mg_l, cyanuric_acid_mg_l, ph, temperature_c)
    return acid / hypochlorous_fraction(ph, temperature_c)


def cyanurate_alkalinity_mg_l(cyanuric_acid_mg_l: float, ph: float, temperature_c: float = 25.0) -> float:
    """Compute the part of total alkalinity that is cyanurate [mg/L as CaCO3].

    References
    ----------
    pK6 = 1743/T + 1.12, Wahman (2018), abstract.

    Examples
    --------
    >>> round(cyanurate_alkalinity_mg_l(100.0, 7.5), 1)
    30.0
    """
    share = 1 / (1 + 10 ** (1743 / _kelvin(temperature_c) + 1.12 - _ph(ph)))
    return _amount("cyanuric_acid_mg_l", cyanuric_acid_mg_l) / MG_PER_MOL_CYA * share * MG_PER_EQ_CACO3


def alkalinity_to_reach_ph(
    *,
    ph_from: float,
    ph_to: float,
    total_alkalinity_mg_l: float,
    cyanuric_acid_mg_l: float = 0.0,
    temperature_c: float = 25.0,
    carbon_per_alkalinity: float = 0.0,
) -> float:
    """Compute the alkalinity to add (or, negative, take out) to move pH, carbon dioxide staying in the water.

    Parameters
    ----------
    ph_from, ph_to : float
        pH now and wanted, 6 to 9.
    total_alkalinity_mg_l : float
        Total alkalinity now [mg/L as CaCO3].
    cyanuric_acid_mg_l, temperature_c : float, optional
        Cyanuric acid [mg/L] and water temperature [deg C].
    carbon_per_alkalinity : float, optional
        Moles of carbonate that come with one equivalent: 0 for acid and lye, 0.5 for sodium carbonate.

    Returns
    -------
    float
        Change of total alkalinity [mg/L as CaCO3].

    Raises
    ------
    ValueError
        If pH is out of range, or the alkalinity is not more than the cyanurate's share of it.

    Notes
    -----
    A closed carbonate system with cyanurate; borate and what escapes to the air are left out, so take it as a first
    step and test again. pK1 and pK2 of carbonic acid by Plummer & Busenberg (1982), from memory.
    """
    from_ph, to_ph = _ph(ph_from), _ph(ph_to)
    carbonate = total_alkalinity_mg_l - cyanurate_alkalinity_mg_l(cyanuric_acid_mg_l, from_ph, temperature_c)
    if not carbonate > 0:
        raise ValueError(
            "total_alkalinity_mg_l must be more than the cyanurate's share of it, got "
            f"{total_alkalinity_mg_l!r} with cyanuric_acid_mg_l {cyanuric_acid_mg_l!r}"
        )
    carbon = carbonate / _charge_per_carbon(from_ph, temperature_c)
    charge = _charge_per_carbon(to_ph, temperature_c)
    cyanurate_change = cyanurate_alkalinity_mg_l(cyanuric_acid_mg_l, to_ph, temperature_c) - cyanurate_alkalinity_mg_l(
        cyanuric_acid_mg_l, from_ph, temperature_c
    )
    # carbonate + x = (carbon + carbon_per_alkalinity x) charge + cyanurate_change, solved for x.
    return (carbon * charge - carbonate + cyanurate_change) / (1 - carbon_per_alkalinity * charge)


NY_TEMPERATURE = ((32, 0.0), (37, 0.1), (46, 0.2), (53, 0.3), (60, 0.4), (66, 0.5), (76, 0.6), (84, 0.7), (94, 0.8),
                  (105, 0.9), (128, 1.0))  # fmt: skip
"""Degrees F and temperature factor. Source: NY 10 NYCRR 6-1.30."""

NY_CALCIUM = ((5, 0.3), (25, 1.0), (50, 1.3), (75, 1.5), (100, 1.6), (150, 1.8), (200, 1.9), (300, 2.1), (400, 2.2),
              (800, 2.5), (1000, 2.6))  # fmt: skip
"""Calcium hardness, mg/L as CaCO3, and factor. Source: NY 10 NYCRR 6-1.30."""

NY_ALKALINITY = ((5, 0.7), (25, 1.4), (50, 1.7), (75, 1.9), (100, 2.0), (150, 2.2), (200, 2.3), (300, 2.5), (400, 2.6),
                 (800, 2.9), (1000, 3.0))  # fmt: skip
"""Total alkalinity, mg/L as CaCO3, and factor. Source: NY 10 NYCRR 6-1.30."""


def saturation_index_ny(
    *, ph: float, temperature_c: float, calcium_hardness_mg_l: float, alkalinity_mg_l: float
) -> float:
    """Compute the saturation index by the factor table of New York's pool code.

    SI = pH + TF + CF + AF - 12.1, straight lines between the table's rows; negative water dissolves plaster.

    Parameters
    ----------
    ph, temperature_c : float
        pH and water temperature, 0 to 53.3 [deg C].
    calcium_hardness_mg_l, alkalinity_mg_l : float
        Each 5 to 1000 [mg/L as CaCO3]; where there is cyanuric acid give alkalinity less `cyanurate_alkalinity_mg_l`.

    Raises
    ------
    ValueError
        If a value is outside the table.

    References
    ----------
    10 NYCRR 6-1.30, table of factors.

    Examples
    --------
    >>> round(saturation_index_ny(ph=7.8, temperature_c=20.0, calcium_hardness_mg_l=140.0, alkalinity_mg_l=20.0), 1)
    -0.8
    """
    return (
        _ph(ph)
        + _between("temperature_c", temperature_c * 1.8 + 32, NY_TEMPERATURE)
        + _between("calcium_hardness_mg_l", calcium_hardness_mg_l, NY_CALCIUM)
        + _between("alkalinity_mg_l", alkalinity_mg_l, NY_ALKALINITY)
        - 12.1
    )


def saturation_index_langelier(
    *,
    ph: float,
    temperature_c: float,
    calcium_hardness_mg_l: float,
    alkalinity_mg_l: float,
    dissolved_solids_mg_l: float,
) -> float:
    """Compute the saturation index by the simplified Langelier form, pHs = 9.3 + A + B - C - D.

    Raises
    ------
    ValueError
        If a concentration is not above 0.

    References
    ----------
    Worked example at corrosion-doctors.org (TDS 320, Ca 150, alkalinity 34, pH 7.5: -0.7 at 25 deg C).

    Examples
    --------
    >>> round(saturation_index_langelier(ph=7.5, temperature_c=25.0, calcium_hardness_mg_l=150.0,
    ...       alkalinity_mg_l=34.0, dissolved_solids_mg_l=320.0), 2)
    -0.73
    """
    A = (_log("dissolved_solids_mg_l", dissolved_solids_mg_l) - 1) / 10
    B = -13.12 * math.log10(_kelvin(temperature_c)) + 34.55
    C = _log("calcium_hardness_mg_l", calcium_hardness_mg_l) - 0.4
    D = _log("alkalinity_mg_l", alkalinity_mg_l)
    return _ph(ph) - (9.3 + A + B - C - D)


def saturation_index_2330b(
    *,
    ph: float,
    temperature_c: float,
    calcium_hardness_mg_l: float,
    alkalinity_mg_l: float,
    dissolved_solids_mg_l: float,
) -> float:
    """Compute the saturation index by the form of Standard Methods 2330 B.

    pHs = pK2 - pKs + p[Ca] + p[HCO3] + 5 pfm. Differs from the simplified form by up to 0.2, so name the form.

    Raises
    ------
    ValueError
        If a concentration is not above 0.

    References
    ----------
    Standard Methods for the Examination of Water and Wastewater, 2330 B, the equations from memory.

    Examples
    --------
    >>> round(saturation_index_2330b(ph=7.5, temperature_c=25.0, calcium_hardness_mg_l=150.0,
    ...       alkalinity_mg_l=34.0, dissolved_solids_mg_l=320.0), 3)
    -0.545
    """
    T = _kelvin(temperature_c)
    pK2 = 107.8871 + 0.03252849 * T - 5151.79 / T - 38.92561 * math.log10(T) + 563713.9 / T**2
    pKs = 171.9065 + 0.077993 * T - 2839.319 / T - 71.595 * math.log10(T)
    pCa = -_log("calcium_hardness_mg_l", calcium_hardness_mg_l / (2 * MG_PER_EQ_CACO3))
    pAlk = -_log("alkalinity_mg_l", alkalinity_mg_l / MG_PER_EQ_CACO3)
    _log("dissolved_solids_mg_l", dissolved_solids_mg_l)
    return _ph(ph) - (pK2 - pKs + pCa + pAlk + 5 * activity_term(T, dissolved_solids_mg_l))


def activity_term(T: float, dissolved_solids_mg_l: float) -> float:
    """Compute pfm of a monovalent ion at `T` kelvin: A (sqrt(I)/(1+sqrt(I)) - 0.3 I), I = TDS/40000.

    Examples
    --------
    >>> round(activity_term(298.15, 1000.0), 5)
    0.06591
    """
    root_I = math.sqrt(dissolved_solids_mg_l / 40_000)
    E = 60_954 / (T + 116) - 68.937
    A = 1.82e6 * (E * T) ** -1.5
    return float(A * (root_I / (1 + root_I) - 0.3 * root_I**2))


def _charge_per_carbon(ph: float, temperature_c: float) -> float:
    """Return equivalents of alkalinity for one mole of dissolved carbonate at this pH."""
    T = _kelvin(temperature_c)
    log_T = math.log10(T)
    pK1 = 356.3094 + 0.06091964 * T - 21834.37 / T - 126.8339 * log_T + 1684915 / T**2
    pK2 = 107.8871 + 0.03252849 * T - 5151.79 / T - 38.92561 * log_T + 563713.9 / T**2
    h, k1, k2 = math.pow(10, -ph), math.pow(10, -pK1), math.pow(10, -pK2)
    return (h * k1 + 2 * k1 * k2) / (h * h + h * k1 + k1 * k2)


def _solve(rising: Callable[[float], float], wanted: float, low: float, high: float) -> float:
    """Find where a rising function reaches `wanted`, by halving the bracket 80 times."""
    for _ in range(80):
        middle = (low + high) / 2
        low, high = (middle, high) if rising(middle) < wanted else (low, middle)
    return (low + high) / 2


def _between(name: str, value: float, table: tuple[tuple[float, float], ...]) -> float:
    """Interpolate in a straight line between the rows of a table, never beyond its ends."""
    if not table[0][0] <= value <= table[-1][0]:
        raise ValueError(f"{name} must lie within the table, {table[0][0]} to {table[-1][0]}, got {value!r}")
    for (x0, y0), (x1, y1) in itertools.pairwise(table):
        if value <= x1:
            return y0 + (y1 - y0) * (value - x0) / (x1 - x0)
    raise AssertionError("a value within the table is between two of its rows")


def _kelvin(temperature_c: float) -> float:
    """Return kelvin of a water temperature that can be."""
    if not -5 <= temperature_c <= 100:
        raise ValueError(f"temperature_c must be -5 to 100, got {temperature_c!r}")
    return temperature_c + ZERO_C_K


def _ph(ph: float) -> float:
    """Return a pH that can be."""
    if not 0 <= ph <= 14:
        raise ValueError(f"ph must be 0 to 14, got {ph!r}")
    return ph


def _amount(name: str, value: float) -> float:
    """Return a concentration that is finite and not negative."""
    if not (math.isfinite(value) and value >= 0):
        raise ValueError(f"{name} must be a finite number, 0 or more, got {value!r}")
    return value


def _log(name: str, value: float) -> float:
    """Return the decimal logarithm of a concentration above 0."""
    if not (math.isfinite(value) and value > 0):
        raise ValueError(f"{name} must be above 0, got {value!r}")
    return math.log10(value)
