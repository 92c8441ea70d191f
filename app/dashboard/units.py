"""People's units: what is stored in SI is shown and typed in US or metric units, as the company chose.

In: a number in the stored unit. Out: words such as "2.3 ft", and the number back in the stored unit.
The sizes of the units and the wording of amounts are those of `app.treatment.units`; nothing here is stored.
"""

from __future__ import annotations

from dataclasses import dataclass

from app.dashboard.speech import _
from app.records import Pool
from app.treatment.units import KPA_PER_PSI, L_PER_GAL, M_PER_FT, celsius, fahrenheit, say_concentration
from vision.results import Interval


@dataclass(frozen=True)
class Units:
    """One system's units: the name shown, and how many stored units one of it is."""

    name: str
    length: str
    m_per_length: float
    volume: str
    l_per_volume: float
    pressure: str
    kpa_per_pressure: float
    concentration: str
    temperature: str

    def celsius(self, shown: float) -> float:
        """Return a typed temperature in deg C."""
        return shown if self.name == "metric" else celsius(shown)

    def temperature_of(self, deg_c: float) -> float:
        """Return a stored temperature as it is shown."""
        return deg_c if self.name == "metric" else fahrenheit(deg_c)


US = Units("us", "ft", M_PER_FT, "gal", L_PER_GAL, "psi", KPA_PER_PSI, "ppm", "°F")
"""US customary units; 1 mg/L of a dilute water is called 1 ppm."""
METRIC = Units("metric", "m", 1.0, "L", 1.0, "kPa", 1.0, "mg/L", "°C")
"""SI units."""


def units_of(name: str) -> Units:
    """Return the units a company chose; US unless it chose metric."""
    return METRIC if name == "metric" else US


def length_say(length_m: float, units: Units) -> str:
    """Return a visible depth as words: two figures under ten, whole above.

    Examples
    --------
    >>> length_say(0.7, US), length_say(4.0, US), length_say(0.42, METRIC)
    ('2.3 ft', '13 ft', '0.42 m')
    >>> length_say(0.27, US)
    '0.9 ft'
    """
    return f"{_short(length_m, units)} {units.length}"


def depth_say(depth: Interval | None, units: Units) -> str:
    """Return a visible depth as words, "at least" where it is bounded from below only."""
    if depth is None:
        return _("not measured")
    if depth.high is None:
        return _("at least {depth}", depth=length_say(depth.mid, units))
    return length_say(depth.mid, units)


def depth_range_say(depth: Interval | None, units: Units) -> str:
    """Return a visible depth's 80 % interval as words; empty where there is none.

    Examples
    --------
    >>> depth_range_say(Interval(0.5, 0.7, 1.0), METRIC)
    '0.5 to 1 m'
    """
    if depth is None or depth.high is None:
        return ""
    low, high = (_short(each, units) for each in (depth.low, depth.high))
    return _("{low} to {high} {unit}", low=low, high=high, unit=units.length)


def seen_say(depth: Interval | None, pool: Pool, units: Units) -> tuple[str, str]:
    """Return how far one sees into a pool, and within which range: no further than to its floor.

    Examples
    --------
    >>> from app.records import FilterKind
    >>> pool = Pool("p", "Oak 3", 50_000.0, FilterKind.SAND, depth_deep_m=2.0)
    >>> seen_say(Interval(0.5, 0.7, 1.0), pool, METRIC), seen_say(Interval(1.5, 6.0, 9.0), pool, METRIC)
    (('0.7 m', '0.5 to 1 m'), ('the floor', '1.5 m or more'))
    """
    deepest = pool.depth_deep_m or pool.depth_shallow_m
    if depth is None or deepest is None or depth.mid < deepest:
        return depth_say(depth, units), depth_range_say(depth, units)
    sure = depth.high is None or depth.low >= deepest
    return _("the floor"), "" if sure else _("{depth} or more", depth=length_say(depth.low, units))


def reading_say(value: float, unit: str, units: Units) -> str:
    """Return a reading as words; `unit` is the stored one: mg/L, deg_c or "" for pH.

    Examples
    --------
    >>> reading_say(7.4, "", US), reading_say(25.0, "deg_c", US), reading_say(3.0, "mg/L", METRIC)
    ('7.4', '77 °F', '3 mg/L')
    """
    if unit == "deg_c":
        return f"{units.temperature_of(value):.0f} {units.temperature}"
    return f"{value:.1f}" if unit == "" else say_concentration(value, units.name)


def _short(length_m: float, units: Units) -> str:
    """Write a length with as many figures as a person needs: a tenth of a foot, a hundredth of a metre."""
    value = length_m / units.m_per_length
    if value >= 9.95:
        return f"{value:.0f}"
    if value >= 0.995 or units.name == "us":
        return f"{value:.1f}".removesuffix(".0")
    return f"{value:.2f}".rstrip("0").rstrip(".")
