"""Says what a chemist knows about readings before they are believed: bleached pads, false pH, impossible pairs.

In: readings, what was poured lately, a dilution. Out: the readings with flags of `vision.flags`, combined chlorine with
its interval, and which of several readings of one analyte counts. A flagged reading leads to no dose.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from app.records import Method, Reading
from vision.flags import BY_NAME

BLEACHED_BELOW_MG_L = 1.0
"""Chlorine readings under this may be a bleached pad [mg/L]: it reads zero or nearly so. Our own choice."""

BLEACHING_MG_L = 10.0
"""Free chlorine from which reagents of chlorine and of pH are bleached or turned [mg/L]. From memory; common practice:
above about 10 mg/L."""

LARGE_DOSE_MG_L = 10.0
"""A dose that raises free chlorine by this much or more may have brought it above `BLEACHING_MG_L` [mg/L]. Our own."""

DOSE_FELT_H = 24.0
"""How long a large dose is taken to be felt [h]: within a day. Common practice, no source."""

LARGEST_DILUTION = 100.0
"""Largest dilution believed [times]: beyond it the reading rests on one drop. Our own choice."""

OPEN_END_FACTOR = 10.0
"""An interval that the key does not bound is closed at so many times its last value: what a 1:10 dilution would reach.
Our own choice."""

PH_ENDS = (0.0, 14.0)
"""Where a pH interval that the key does not bound is closed."""


@dataclass(frozen=True)
class LateDose:
    """Chlorine poured before a reading: how far it raises free chlorine [mg/L], and how long ago [h]."""

    raised_mg_l: float
    hours_ago: float


def diluted(reading: Reading, factor: float) -> Reading:
    """Return what a reading of a diluted sample says of the pool's water.

    Parameters
    ----------
    reading : Reading
        Of the diluted sample, a concentration.
    factor : float
        Sample with its water over sample alone: 10 for one part in ten, 1 to `LARGEST_DILUTION`.

    Raises
    ------
    ValueError
        If the factor is out of range, or the reading is none that dilution scales.

    Examples
    --------
    >>> one = Reading("free_chlorine", 2.0, 1.5, 3.0, "mg/L", Method.STRIP_PHOTO)
    >>> diluted(one, 10.0).value
    20.0
    """
    if not 1.0 <= factor <= LARGEST_DILUTION:
        raise ValueError(f"factor must be 1 to {LARGEST_DILUTION:g}, got {factor!r}")
    if factor > 1.0 and reading.unit != "mg/L":
        raise ValueError(f"reading must be in mg/L to be diluted, got {reading.analyte!r}")
    if factor == 1.0:
        return reading
    return replace(
        reading,
        value=reading.value * factor,
        low=reading.low * factor,
        high=reading.high * factor,
        dilution=reading.dilution * factor,
    )


def closed(analyte: str, value: float, low: float, high: float) -> tuple[float, float]:
    """Return an interval with both ends; an end that the key did not bound (NaN) is drawn out.

    Examples
    --------
    >>> closed("free_chlorine", 10.0, 8.0, float("nan"))
    (8.0, 100.0)
    """
    if analyte == "ph":
        return (PH_ENDS[0] if math.isnan(low) else low), (PH_ENDS[1] if math.isnan(high) else high)
    return (0.0 if math.isnan(low) else low), (OPEN_END_FACTOR * value if math.isnan(high) else high)


def surest(readings: Sequence[Reading]) -> tuple[Reading, ...]:
    """Return one reading an analyte: the surest method's, unflagged before flagged, the last of equals.

    A drop count or photometer so overrides a strip where both exist.
    """
    order = list(Method)
    best: dict[str, Reading] = {}
    for each in readings:
        held = best.get(each.analyte)
        if held is None or (not each.flags, order.index(each.method)) >= (not held.flags, order.index(held.method)):
            best[each.analyte] = each
    return tuple(best.values())


def combined_chlorine(free: Reading, total: Reading) -> Reading:
    """Return combined chlorine, total less free, with its own interval.

    The half widths add as squares, low to high and high to low; nothing lies below nought. The method is the less
    certain of the two, the flags are both readings'.

    Examples
    --------
    >>> free = Reading("free_chlorine", 3.0, 2.7, 3.4, "mg/L", Method.DROP_COUNT)
    >>> total = Reading("total_chlorine", 4.0, 3.7, 4.3, "mg/L", Method.DROP_COUNT)
    >>> found = combined_chlorine(free, total)
    >>> found.value, round(found.low, 2), round(found.high, 2)
    (1.0, 0.5, 1.42)
    """
    order = list(Method)
    difference = total.value - free.value
    down = math.hypot(total.value - total.low, free.high - free.value)
    up = math.hypot(total.high - total.value, free.value - free.low)
    return Reading(
        analyte="combined_chlorine",
        value=max(difference, 0.0),
        low=max(difference - down, 0.0),
        high=max(difference + up, 0.0),
        unit="mg/L",
        method=min((free.method, total.method), key=order.index),
        flags=tuple(dict.fromkeys((*free.flags, *total.flags))),
    )


def judged(readings: Sequence[Reading], *, dose: LateDose | None = None) -> tuple[Reading, ...]:
    """Return the readings of one visit with the flags that follow from each other and from the last dose.

    Parameters
    ----------
    readings : sequence of Reading
        All of one visit.
    dose : LateDose, optional
        The chlorine last poured before they were taken.
    """
    chlorine = [each for each in readings if each.analyte in ("free_chlorine", "total_chlorine")]
    felt = dose is not None and dose.hours_ago <= DOSE_FELT_H and dose.raised_mg_l >= LARGE_DOSE_MG_L
    highest = max((each.value for each in chlorine), default=0.0)
    told: dict[int, list[str]] = {n: [] for n in range(len(readings))}
    for n, each in enumerate(readings):
        on_reagent = each.method is not Method.DROP_COUNT
        faint = each.analyte in ("free_chlorine", "total_chlorine") and each.value < BLEACHED_BELOW_MG_L
        if faint and felt and each.dilution == 1.0 and on_reagent:
            told[n].append("chlorine_bleached")
    bleached = any("chlorine_bleached" in flags for flags in told.values())
    for n, each in enumerate(readings):
        if each.analyte == "ph" and (highest >= BLEACHING_MG_L or bleached):
            told[n].append("chlorine_spoils_ph")
    told = _impossible_pair(readings, told)
    return tuple(replace(each, flags=tuple(dict.fromkeys((*each.flags, *told[n])))) for n, each in enumerate(readings))


def _impossible_pair(readings: Sequence[Reading], told: dict[int, list[str]]) -> dict[int, list[str]]:
    """Flag total below free chlorine where even their intervals do not meet; by method, as each kit is one pair."""
    for n, total in enumerate(readings):
        for m, free in enumerate(readings):
            pair = total.analyte == "total_chlorine" and free.analyte == "free_chlorine" and total.method is free.method
            if pair and total.high < free.low:
                told[n].append("total_below_free")
                told[m].append("total_below_free")
    return told


def say_flags(reading: Reading) -> tuple[str, ...]:
    """Return what is doubtful about a reading, a sentence each, that says what to do."""
    return tuple(BY_NAME[name].say for name in reading.flags if name in BY_NAME)
