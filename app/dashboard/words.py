"""Every stored choice in words for people, and times as a person says them.

In: an enum member, a time. Out: a short English phrase. Kept in one place so that a second language has one
place to go to.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime, timedelta

from app.records import (
    Chemical,
    ElementState,
    FilterKind,
    FloorColour,
    Method,
    Standing,
    StepKind,
    Surface,
    Work,
)
from vision.results import Clarity, Severity

STANDING: Mapping[Standing, str] = {
    Standing.NOT_STARTED: "Not started",
    Standing.WAITING_ON_EQUIPMENT: "Waits for equipment",
    Standing.UNDER_WAY: "Under way",
    Standing.STALLED: "Stalled",
    Standing.CLEARING: "Clearing",
    Standing.READY: "Ready to hand over",
    Standing.DONE: "Done",
}
"""Where a recovery stands."""

CLARITY: Mapping[Clarity, str] = {
    Clarity.CRYSTAL: "Crystal",
    Clarity.CLEAR: "Clear",
    Clarity.HAZY: "Hazy",
    Clarity.CLOUDY: "Cloudy",
    Clarity.OPAQUE: "Opaque",
}
"""How far one sees."""

CLARITY_SEEN: Mapping[Clarity, str] = {
    Clarity.CRYSTAL: "the deepest fitting's detail is crisp",
    Clarity.CLEAR: "the deepest floor is seen, its detail soft",
    Clarity.HAZY: "the deep floor fades out, the shallow floor is seen",
    Clarity.CLOUDY: "only steps or a shallow ledge are seen",
    Clarity.OPAQUE: "nothing below the top step",
}
"""What a person sees at each clarity."""

SEVERITY: Mapping[Severity, str] = {
    Severity.NONE: "None",
    Severity.TRACE: "Trace",
    Severity.LIGHT: "Light",
    Severity.MODERATE: "Moderate",
    Severity.HEAVY: "Heavy",
}
"""How much living algae."""

FILTER: Mapping[FilterKind, str] = {
    FilterKind.SAND: "Sand",
    FilterKind.CARTRIDGE: "Cartridge",
    FilterKind.DE: "DE grids",
}
"""What holds the dirt back; DE is diatomaceous earth."""

SURFACE: Mapping[Surface, str] = {
    Surface.PLASTER: "Plaster",
    Surface.PEBBLE: "Pebble",
    Surface.TILE: "Tile",
    Surface.PAINT: "Paint",
    Surface.VINYL: "Vinyl liner",
    Surface.FIBREGLASS: "Fiberglass",
}
"""What the shell is lined with."""

FLOOR: Mapping[FloorColour, str] = {
    FloorColour.WHITE: "White",
    FloorColour.GREY: "Gray",
    FloorColour.BLUE: "Blue",
    FloorColour.DARK: "Dark",
    FloorColour.TAN: "Tan",
    FloorColour.PATTERNED: "Patterned",
}
"""The floor's colour, dry."""

ELEMENTS: Mapping[ElementState, str] = {
    ElementState.GOOD: "Good",
    ElementState.WORN: "Worn",
    ElementState.TORN: "Torn",
    ElementState.NOT_SEEN: "Not seen",
}
"""The state of cartridges, grids or sand."""

ELEMENTS_OF: Mapping[FilterKind, str] = {
    FilterKind.SAND: "Sand",
    FilterKind.CARTRIDGE: "Cartridges",
    FilterKind.DE: "Grids",
}
"""What each filter holds the dirt back with."""

METHOD: Mapping[Method, str] = {
    Method.STRIP_EYE: "Strip, by eye",
    Method.STRIP_PHOTO: "Strip, by photo",
    Method.DROP_COUNT: "Drops",
    Method.PHOTOMETER: "Photometer",
}
"""How a reading was taken."""

ANALYTE: Mapping[str, str] = {
    "free_chlorine": "Free chlorine",
    "total_chlorine": "Total chlorine",
    "ph": "pH",
    "total_alkalinity": "Total alkalinity",
    "calcium_hardness": "Calcium hardness",
    "cyanuric_acid": "Stabilizer (cyanuric acid)",
    "water_temperature": "Water temperature",
}
"""What is read of the water."""

ANALYTE_SHORT: Mapping[str, str] = {
    **ANALYTE,
    "total_alkalinity": "Alkalinity",
    "cyanuric_acid": "Stabilizer",
    "water_temperature": "Water",
}
"""The same on a phone's form, in half its width."""

CHEMICAL: Mapping[Chemical, str] = {
    Chemical.SODIUM_HYPOCHLORITE: "Sodium hypochlorite (liquid chlorine)",
    Chemical.CALCIUM_HYPOCHLORITE: "Calcium hypochlorite",
    Chemical.DICHLOR: "Dichlor",
    Chemical.TRICHLOR: "Trichlor",
    Chemical.SODIUM_BROMIDE: "Sodium bromide",
    Chemical.COPPER_ALGAECIDE: "Copper algaecide",
    Chemical.FLOCCULANT: "Flocculant",
    Chemical.CLARIFIER: "Clarifier",
    Chemical.HYDROCHLORIC_ACID: "Hydrochloric (muriatic) acid",
    Chemical.SODIUM_BISULFATE: "Sodium bisulfate (dry acid)",
    Chemical.SODIUM_BICARBONATE: "Sodium bicarbonate",
    Chemical.SODIUM_CARBONATE: "Sodium carbonate (soda ash)",
    Chemical.CALCIUM_CHLORIDE: "Calcium chloride",
    Chemical.CYANURIC_ACID: "Cyanuric acid",
    Chemical.SODIUM_THIOSULFATE: "Sodium thiosulfate",
}
"""What can be poured."""

WORK: Mapping[Work, str] = {
    Work.FILTER_CLEANED: "Filter cleaned",
    Work.BACKWASHED: "Backwashed",
    Work.BASKETS_EMPTIED: "Baskets emptied",
    Work.BRUSHED: "Brushed",
    Work.DEBRIS_REMOVED: "Debris removed",
    Work.VACUUMED: "Vacuumed",
    Work.VACUUMED_TO_WASTE: "Vacuumed to waste",
    Work.ELEMENTS_REPLACED: "Elements replaced",
    Work.PUMP_STARTED: "Pump started",
    Work.PUMP_STOPPED: "Pump stopped",
    Work.HANDED_OVER: "Handed over",
}
"""What was done besides pouring."""

NEEDS_REPAIR = frozenset({StepKind.RESTORE_POWER, StepKind.REPAIR_PUMP, StepKind.REPAIR_FILTER})
"""Steps that wait for a tradesperson, not for water."""


def clock_say(at: datetime, *, us: bool) -> str:
    """Return the time of day, 2:30 pm or 14:30.

    Examples
    --------
    >>> from datetime import timezone
    >>> clock_say(datetime(2026, 6, 3, 14, 5, tzinfo=timezone.utc), us=True)
    '2:05 pm'
    """
    if not us:
        return f"{at:%H:%M}"
    return f"{at.hour % 12 or 12}:{at:%M} {'am' if at.hour < 12 else 'pm'}"


def day_say(at: datetime, now: datetime) -> str:
    """Return the day as a person says it: today, tomorrow, yesterday, Thu Jun 4, Jun 4, 2025.

    Both in the same zone; the day is counted by the calendar, not by 24 hours.
    """
    days = (at.date() - now.date()).days
    if days in (-1, 0, 1):
        return {-1: "yesterday", 0: "today", 1: "tomorrow"}[days]
    if at.year != now.year:
        return f"{at:%b} {at.day}, {at:%Y}"
    return f"{at:%a} {at:%b} {at.day}"


def when_say(at: datetime, now: datetime, *, us: bool) -> str:
    """Return day and time of day, such as "tomorrow 9:00 am"."""
    return f"{day_say(at, now)} {clock_say(at, us=us)}"


def span_say(hours: float) -> str:
    """Return a wait as words.

    Examples
    --------
    >>> span_say(0.5), span_say(24), span_say(60)
    ('30 minutes', '24 hours', '2.5 days')
    """
    if hours < 1:
        return f"{hours * 60:.0f} minutes"
    if hours <= 48:
        return f"{hours:g} hour{'s' if hours != 1 else ''}"
    return f"{hours / 24:.1f}".removesuffix(".0") + " days"


def days_say(span: timedelta) -> str:
    """Return how long a recovery has run: "day 1" is its first day."""
    return f"day {max(span.days, 0) + 1}"


def begin(phrase: str) -> str:
    """Return a phrase as the beginning of a sentence; the rest of it stays as it is.

    Examples
    --------
    >>> begin("yesterday, Thu Jun 4")
    'Yesterday, Thu Jun 4'
    """
    return phrase[:1].upper() + phrase[1:]
