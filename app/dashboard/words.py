"""Every stored choice in words for people, and times as a person says them.

In: an enum member, a time. Out: a short phrase; those of the tables are English and are said by `_`, those of the
functions are in the language that this run speaks.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime, timedelta

from app.dashboard.speech import _, english, several, speech
from app.records import (
    Assessment,
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
from app.words import mark
from vision.results import Clarity, Severity

STANDING: Mapping[Standing, str] = {
    Standing.NOT_STARTED: mark("Not started"),
    Standing.WAITING_ON_EQUIPMENT: mark("Waits for equipment"),
    Standing.UNDER_WAY: mark("Under way"),
    Standing.STALLED: mark("Stalled"),
    Standing.CLEARING: mark("Clearing"),
    Standing.READY: mark("Ready to hand over"),
    Standing.DONE: mark("Done"),
}
"""Where a recovery stands."""

CLARITY: Mapping[Clarity, str] = {
    Clarity.CRYSTAL: mark("Crystal"),
    Clarity.CLEAR: mark("Clear"),
    Clarity.HAZY: mark("Hazy"),
    Clarity.CLOUDY: mark("Cloudy"),
    Clarity.OPAQUE: mark("Opaque"),
}
"""How far one sees."""

CLARITY_SEEN: Mapping[Clarity, str] = {
    Clarity.CRYSTAL: mark("the deepest fitting's detail is crisp"),
    Clarity.CLEAR: mark("the deepest floor is seen, its detail soft"),
    Clarity.HAZY: mark("the deep floor fades out, the shallow floor is seen"),
    Clarity.CLOUDY: mark("only steps or a shallow ledge are seen"),
    Clarity.OPAQUE: mark("nothing below the top step"),
}
"""What a person sees at each clarity."""

SEVERITY: Mapping[Severity, str] = {
    Severity.NONE: mark("None"),
    Severity.TRACE: mark("Trace"),
    Severity.LIGHT: mark("Light"),
    Severity.MODERATE: mark("Moderate"),
    Severity.HEAVY: mark("Heavy"),
}
"""How much living algae."""

SEVERITY_SEEN: Mapping[Severity, str] = {
    Severity.NONE: mark("no green; blue, or milky blue or white"),
    Severity.TRACE: mark("a green cast beside the card's blue"),
    Severity.LIGHT: mark("plainly green"),
    Severity.MODERATE: mark("green through and through"),
    Severity.HEAVY: mark("dark green to brown-black"),
}
"""What a person sees at each severity."""

FILTER: Mapping[FilterKind, str] = {
    FilterKind.SAND: mark("Sand"),
    FilterKind.CARTRIDGE: mark("Cartridge"),
    FilterKind.DE: mark("DE grids"),
}
"""What holds the dirt back; DE is diatomaceous earth."""

SURFACE: Mapping[Surface, str] = {
    Surface.PLASTER: mark("Plaster"),
    Surface.PEBBLE: mark("Pebble"),
    Surface.TILE: mark("Tile"),
    Surface.PAINT: mark("Paint"),
    Surface.VINYL: mark("Vinyl liner"),
    Surface.FIBREGLASS: mark("Fiberglass"),
}
"""What the shell is lined with."""

FLOOR: Mapping[FloorColour, str] = {
    FloorColour.WHITE: mark("White"),
    FloorColour.GREY: mark("Gray"),
    FloorColour.BLUE: mark("Blue"),
    FloorColour.DARK: mark("Dark"),
    FloorColour.TAN: mark("Tan"),
    FloorColour.PATTERNED: mark("Patterned"),
}
"""The floor's colour, dry."""

ELEMENTS: Mapping[ElementState, str] = {
    ElementState.GOOD: mark("Good"),
    ElementState.WORN: mark("Worn"),
    ElementState.TORN: mark("Torn"),
    ElementState.NOT_SEEN: mark("Not seen"),
}
"""The state of cartridges, grids or sand."""

ELEMENTS_OF: Mapping[FilterKind, str] = {
    FilterKind.SAND: mark("Sand"),
    FilterKind.CARTRIDGE: mark("Cartridges"),
    FilterKind.DE: mark("Grids"),
}
"""What each filter holds the dirt back with."""

METHOD: Mapping[Method, str] = {
    Method.STRIP_EYE: mark("Strip, by eye"),
    Method.STRIP_PHOTO: mark("Strip, by photo"),
    Method.DROP_COUNT: mark("Drops"),
    Method.PHOTOMETER: mark("Photometer"),
}
"""How a reading was taken."""

ANALYTE: Mapping[str, str] = {
    "free_chlorine": mark("Free chlorine"),
    "total_chlorine": mark("Total chlorine"),
    "ph": mark("pH"),
    "total_alkalinity": mark("Total alkalinity"),
    "calcium_hardness": mark("Calcium hardness"),
    "cyanuric_acid": mark("Stabilizer (cyanuric acid)"),
    "water_temperature": mark("Water temperature"),
}
"""What is read of the water."""

ANALYTE_SHORT: Mapping[str, str] = {
    **ANALYTE,
    "total_alkalinity": mark("Alkalinity"),
    "cyanuric_acid": mark("Stabilizer"),
    "water_temperature": mark("Water"),
}
"""The same on a phone's form, in half its width."""

CHEMICAL: Mapping[Chemical, str] = {
    Chemical.SODIUM_HYPOCHLORITE: mark("Sodium hypochlorite (liquid chlorine)"),
    Chemical.CALCIUM_HYPOCHLORITE: mark("Calcium hypochlorite"),
    Chemical.DICHLOR: mark("Dichlor"),
    Chemical.TRICHLOR: mark("Trichlor"),
    Chemical.SODIUM_BROMIDE: mark("Sodium bromide"),
    Chemical.COPPER_ALGAECIDE: mark("Copper algaecide"),
    Chemical.FLOCCULANT: mark("Flocculant"),
    Chemical.CLARIFIER: mark("Clarifier"),
    Chemical.HYDROCHLORIC_ACID: mark("Hydrochloric (muriatic) acid"),
    Chemical.SODIUM_BISULFATE: mark("Sodium bisulfate (dry acid)"),
    Chemical.SODIUM_BICARBONATE: mark("Sodium bicarbonate"),
    Chemical.SODIUM_CARBONATE: mark("Sodium carbonate (soda ash)"),
    Chemical.CALCIUM_CHLORIDE: mark("Calcium chloride"),
    Chemical.CYANURIC_ACID: mark("Cyanuric acid"),
    Chemical.SODIUM_THIOSULFATE: mark("Sodium thiosulfate"),
}
"""What can be poured."""

WORK: Mapping[Work, str] = {
    Work.FILTER_CLEANED: mark("Filter cleaned"),
    Work.BACKWASHED: mark("Backwashed"),
    Work.BASKETS_EMPTIED: mark("Baskets emptied"),
    Work.BRUSHED: mark("Brushed"),
    Work.DEBRIS_REMOVED: mark("Debris removed"),
    Work.VACUUMED: mark("Vacuumed"),
    Work.VACUUMED_TO_WASTE: mark("Vacuumed to waste"),
    Work.ELEMENTS_REPLACED: mark("Elements replaced"),
    Work.PUMP_STARTED: mark("Pump started"),
    Work.PUMP_STOPPED: mark("Pump stopped"),
    Work.HANDED_OVER: mark("Handed over"),
}
"""What was done besides pouring."""


def grades_say(water: Assessment) -> str:
    """Return both grades in a few words; empty where there are none."""
    if water.clarity is None or water.severity is None:
        return ""
    clarity, severity = _(CLARITY[water.clarity]).lower(), _(SEVERITY[water.severity]).lower()
    return _("{clarity}, algae {severity}", clarity=clarity, severity=severity)


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
        return {-1: _("yesterday"), 0: _("today"), 1: _("tomorrow")}[days]
    if not english():
        return speech().day(at) if at.year == now.year else speech().short_day(at) + f" {at:%Y}"
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
        return _("{count} minutes", count=f"{hours * 60:.0f}")
    if hours <= 48:
        return several("{hours} hour", "{hours} hours", 1 if hours == 1 else 2, hours=f"{hours:g}")
    return _("{count} days", count=f"{hours / 24:.1f}".removesuffix(".0"))


def days_say(span: timedelta) -> str:
    """Return how long a recovery has run: "day 1" is its first day."""
    return _("day {number}", number=max(span.days, 0) + 1)


def begin(phrase: str) -> str:
    """Return a phrase as the beginning of a sentence; the rest of it stays as it is.

    Examples
    --------
    >>> begin("yesterday, Thu Jun 4")
    'Yesterday, Thu Jun 4'
    """
    return phrase[:1].upper() + phrase[1:]
