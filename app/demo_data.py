"""The demo's invented company: nine pools, each at another stage, as plain records to be acted out.

In: nothing. Out: `COMPANY` and `POOLS`. Company, town, streets and people are invented; the photos are rendered.
Only what a tech would do and see is written here (the water as it truly is, what was found, read and poured);
grades, visible depths and next steps are not: they are measured and judged when the demo is made.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from app.records import (
    Chemical,
    Company,
    ElementState,
    Equipment,
    FilterKind,
    FloorColour,
    Method,
    Pool,
    Reading,
    Surface,
    Treatment,
    Work,
)
from app.treatment.units import KPA_PER_PSI, L_PER_GAL

COMPANY = Company(name="Quillhaven Pool Care", phone="555-0142", units="us", invented=True)
"""Invented; numbers 555-0100 to 555-0199 are kept for invented use (ATIS, from memory)."""

TOWN = "Quillhaven"
"""Invented."""


@dataclass(frozen=True)
class DemoVisit:
    """One visit: `days_ago` whole days before now, at `hour` o'clock; the water as it truly is, if photographed.

    `visible_depth_m` [m] and `chlorophyll_ug_l` [micrograms/L] are the rendered scene's truth.
    """

    days_ago: int
    hour: int
    by: str
    visible_depth_m: float | None = None
    chlorophyll_ug_l: float = 0.0
    photos: int = 1
    light: str = "sun"
    spoil: tuple[str, ...] = ()
    equipment: Equipment = field(default_factory=Equipment)
    readings: tuple[Reading, ...] = ()
    treatments: tuple[Treatment, ...] = ()
    work: tuple[Work, ...] = ()
    floor_seen: bool | None = None
    debris_on_floor: bool | None = None
    note: str = ""


@dataclass(frozen=True)
class DemoPool:
    """One pool, how the simulator is to draw it, and its visits, oldest first."""

    pool: Pool
    scene: Mapping[str, Any]
    opened_days_ago: int
    visits: tuple[DemoVisit, ...]
    closed_days_ago: int | None = None


def _pool(pool_id: str, name: str, gallons: float, kind: FilterKind, **more: Any) -> Pool:
    return Pool(id=pool_id, name=name, volume_l=gallons * L_PER_GAL, filter_kind=kind, town=TOWN, **more)


def _found(psi: float | None, elements: ElementState | None = None, manifold_sound: bool | None = None) -> Equipment:
    """Power on, pump running, flow holding, and the filter's pressure."""
    return Equipment(True, True, True, psi * KPA_PER_PSI if psi is not None else None, elements, manifold_sound)


def _drops(
    free_chlorine: float, ph: float, alkalinity: float | None = None, cya: float | None = None
) -> tuple[Reading, ...]:
    """Read by counting drops; the intervals are those of `app.dashboard.entry.SPREAD`."""
    values = (("free_chlorine", free_chlorine), ("total_alkalinity", alkalinity), ("cyanuric_acid", cya))
    read = [
        Reading(
            name,
            value,
            max(value - max(0.1 * value, 0.3), 0.0),
            value + max(0.1 * value, 0.3),
            "mg/L",
            Method.DROP_COUNT,
        )
        for name, value in values
        if value is not None
    ]
    return (*read, Reading("ph", ph, round(ph - 0.2, 2), round(ph + 0.2, 2), "", Method.DROP_COUNT))


def _chlorine(gallons: float) -> Treatment:
    return Treatment(Chemical.SODIUM_HYPOCHLORITE, gallons * L_PER_GAL, "L", 12.5)


FIRST_WORK = (Work.BASKETS_EMPTIED, Work.BRUSHED, Work.DEBRIS_REMOVED)
"""What is done before the first dose."""

# fmt: off
POOLS: tuple[DemoPool, ...] = (
    # No power: nothing to pour into standing water.
    DemoPool(
        _pool("heron-court-4", "Heron Court 4", 24000, FilterKind.DE, depth_shallow_m=1.05, depth_deep_m=2.4,
            floor_colour=FloorColour.WHITE, clean_pressure_kpa=12 * KPA_PER_PSI, note="Gate code from the office"),
        {"seed": 41, "shape": "kidney", "length_m": 11.0, "width_m": 5.5, "shallow_m": 1.05, "deep_m": 2.4, "finish":
            "white"},
        1,
        (
            DemoVisit(1, 9, "Kit", 0.33, 190.0, photos=2, light="overcast", equipment=Equipment(power_on=False,
                pump_runs=False), readings=_drops(0.0, 7.9, cya=30.0), debris_on_floor=None, floor_seen=False,
                note="Breaker trips as soon as it is reset"),
        ),
    ),
    # The first dose went in yesterday.
    DemoPool(
        _pool("sandpiper-lane-12", "Sandpiper Lane 12", 15000, FilterKind.CARTRIDGE, depth_shallow_m=1.0,
            depth_deep_m=2.1, floor_colour=FloorColour.WHITE, clean_pressure_kpa=10 * KPA_PER_PSI),
        {"seed": 12, "shape": "rectangle", "length_m": 8.5, "width_m": 4.2, "shallow_m": 1.0, "deep_m": 2.1,
            "finish": "white"},
        1,
        (
            DemoVisit(1, 10, "Rio", 0.4, 160.0, photos=2, equipment=_found(11, ElementState.GOOD, True),
                readings=_drops(0.0, 7.7, 90.0, 40.0), treatments=(_chlorine(8.0),), work=FIRST_WORK, floor_seen=False),
        ),
    ),
    # Dead algae in suspension: milky blue, the filter is at work.
    DemoPool(
        _pool("mill-race-7", "Mill Race 7", 18000, FilterKind.CARTRIDGE, surface=Surface.PEBBLE, depth_shallow_m=1.1,
            depth_deep_m=2.2, floor_colour=FloorColour.BLUE, clean_pressure_kpa=12 * KPA_PER_PSI),
        {"seed": 7, "shape": "freeform", "length_m": 9.5, "width_m": 5.0, "shallow_m": 1.1, "deep_m": 2.2, "finish":
            "blue"},
        6,
        (
            DemoVisit(6, 9, "Kit", 0.38, 170.0, light="overcast", equipment=_found(13, ElementState.GOOD, True),
                readings=_drops(0.0, 7.8, 100.0, 50.0), treatments=(_chlorine(9.5),), work=FIRST_WORK,
                floor_seen=False),
            DemoVisit(5, 9, "Kit", 0.48, 45.0, readings=_drops(3.0, 7.8), treatments=(_chlorine(4.0),),
                equipment=_found(17), work=(Work.BRUSHED,), floor_seen=False),
            DemoVisit(4, 10, "Rio", 0.55, 2.4, light="overcast", readings=_drops(12.0, 7.7), equipment=_found(22),
                work=(Work.FILTER_CLEANED, Work.BRUSHED), floor_seen=False),
            DemoVisit(2, 9, "Kit", 0.75, 1.6, readings=_drops(9.0, 7.6), equipment=_found(20),
                work=(Work.FILTER_CLEANED,), floor_seen=False),
            DemoVisit(1, 9, "Kit", 1.0, 1.2, photos=2, readings=_drops(7.0, 7.6), equipment=_found(18),
                work=(Work.FILTER_CLEANED,), floor_seen=False),
        ),
    ),
    # Green for a week whatever is poured: cyanuric acid, tested late, holds the chlorine back.
    DemoPool(
        _pool("copper-beech-31", "Copper Beech 31", 21000, FilterKind.DE, depth_shallow_m=1.0, depth_deep_m=2.4,
            floor_colour=FloorColour.WHITE, clean_pressure_kpa=11 * KPA_PER_PSI),
        {"seed": 31, "shape": "oval", "length_m": 10.0, "width_m": 5.2, "shallow_m": 1.0, "deep_m": 2.4, "finish":
            "white"},
        8,
        (
            DemoVisit(8, 11, "Ash", 0.36, 150.0, equipment=_found(12, ElementState.GOOD, True), readings=_drops(0.0,
                7.6, 80.0), treatments=(_chlorine(11.0),), work=FIRST_WORK, floor_seen=False),
            DemoVisit(6, 11, "Ash", 0.38, 135.0, readings=_drops(0.5, 7.6), treatments=(_chlorine(11.0),),
                equipment=_found(13), work=(Work.FILTER_CLEANED, Work.BRUSHED), floor_seen=False),
            DemoVisit(5, 10, "Rio", 0.38, 138.0, light="overcast", readings=_drops(3.0, 7.5), equipment=_found(13),
                treatments=(_chlorine(11.0),), work=(Work.BRUSHED,), floor_seen=False),
            DemoVisit(3, 10, "Ash", 0.37, 130.0, readings=_drops(4.0, 7.5), equipment=_found(14),
                treatments=(_chlorine(11.0),), work=(Work.FILTER_CLEANED, Work.BRUSHED), floor_seen=False),
            DemoVisit(1, 17, "Ash", 0.37, 134.0, photos=2, readings=_drops(6.0, 7.5, 80.0, 170.0), equipment=_found(12),
                work=(Work.FILTER_CLEANED,), floor_seen=False, note="Sample diluted by half for the cyanuric acid"),
        ),
    ),
    # Sand lets the finest through: flocculated yesterday, to be vacuumed to waste.
    DemoPool(
        _pool("old-quarry-2", "Old Quarry 2", 30000, FilterKind.SAND, depth_shallow_m=1.0, depth_deep_m=2.5,
            has_waste_port=True, floor_colour=FloorColour.GREY, clean_pressure_kpa=10 * KPA_PER_PSI),
        {"seed": 22, "shape": "rectangle", "length_m": 12.0, "width_m": 6.0, "shallow_m": 1.0, "deep_m": 2.5,
            "finish": "grey"},
        7,
        (
            DemoVisit(7, 13, "Rio", 0.34, 200.0, equipment=_found(11), readings=_drops(0.0, 7.9, 110.0, 40.0),
                treatments=(_chlorine(17.0),), work=FIRST_WORK, floor_seen=False),
            DemoVisit(5, 13, "Rio", 0.46, 26.0, readings=_drops(3.0, 7.8), treatments=(_chlorine(8.0),),
                equipment=_found(16), work=(Work.BACKWASHED,), floor_seen=False),
            DemoVisit(3, 12, "Rio", 0.6, 2.3, light="shade", readings=_drops(9.0, 7.7), equipment=_found(15),
                work=(Work.BACKWASHED,), floor_seen=False),
            DemoVisit(1, 12, "Rio", 0.68, 1.7, photos=2, readings=_drops(7.0, 7.6), equipment=_found(14),
                treatments=(Treatment(Chemical.FLOCCULANT, 1.9, "L", None),), work=(Work.PUMP_STOPPED,),
                floor_seen=False),
        ),
    ),
    # Turning: the chlorine holds, the green is going.
    DemoPool(
        _pool("plover-rise-18", "Plover Rise 18", 13500, FilterKind.CARTRIDGE, surface=Surface.VINYL,
            depth_shallow_m=1.1, depth_deep_m=1.8, floor_colour=FloorColour.PATTERNED, clean_pressure_kpa=9 *
            KPA_PER_PSI),
        {"seed": 61, "shape": "oval", "length_m": 8.0, "width_m": 4.5, "shallow_m": 1.1, "deep_m": 1.8, "finish":
            "print"},
        3,
        (
            DemoVisit(3, 15, "Ash", 0.62, 85.0, light="shade", equipment=_found(10, ElementState.GOOD, True),
                readings=_drops(0.0, 7.5, 90.0, 30.0), treatments=(_chlorine(6.0),), work=FIRST_WORK, floor_seen=False),
            DemoVisit(2, 15, "Ash", 0.72, 38.0, readings=_drops(2.0, 7.6), treatments=(_chlorine(4.0),),
                equipment=_found(13), work=(Work.BRUSHED,), floor_seen=False),
            DemoVisit(1, 14, "Kit", 0.85, 13.0, photos=2, readings=_drops(8.0, 7.6), equipment=_found(15),
                work=(Work.FILTER_CLEANED, Work.BRUSHED), floor_seen=False),
        ),
    ),
    # Blue to the floor: balance and hand over.
    DemoPool(
        _pool("saltgrass-9", "Saltgrass 9", 16000, FilterKind.CARTRIDGE, depth_shallow_m=1.0, depth_deep_m=2.0,
            floor_colour=FloorColour.WHITE, clean_pressure_kpa=11 * KPA_PER_PSI),
        {"seed": 9, "shape": "kidney", "length_m": 9.0, "width_m": 4.8, "shallow_m": 1.0, "deep_m": 2.0, "finish":
            "white"},
        11,
        (
            DemoVisit(11, 9, "Kit", 0.4, 130.0, equipment=_found(12, ElementState.GOOD, True), readings=_drops(0.0,
                7.7, 90.0, 40.0), treatments=(_chlorine(8.5),), work=FIRST_WORK, floor_seen=False),
            DemoVisit(9, 9, "Kit", 0.6, 9.0, readings=_drops(6.0, 7.7), treatments=(_chlorine(3.0),),
                equipment=_found(18), work=(Work.FILTER_CLEANED,), floor_seen=False),
            DemoVisit(7, 9, "Rio", 1.0, 1.6, light="overcast", readings=_drops(9.0, 7.6), equipment=_found(17),
                work=(Work.FILTER_CLEANED,), floor_seen=False),
            DemoVisit(5, 9, "Kit", 2.0, 1.1, readings=_drops(7.0, 7.6), equipment=_found(15),
                work=(Work.FILTER_CLEANED,), floor_seen=True, debris_on_floor=True),
            DemoVisit(3, 9, "Kit", 5.5, 0.8, readings=_drops(6.0, 7.5), equipment=_found(13), work=(Work.VACUUMED,
                Work.FILTER_CLEANED), floor_seen=True, debris_on_floor=False),
            DemoVisit(1, 9, "Kit", 9.0, 0.5, photos=2, readings=_drops(5.0, 7.8, 60.0, 35.0), equipment=_found(12),
                work=(Work.BRUSHED,), floor_seen=True, debris_on_floor=False),
        ),
    ),
    # Done, and closed three days ago.
    DemoPool(
        _pool("orchard-bend-22", "Orchard Bend 22", 14000, FilterKind.SAND, surface=Surface.TILE,
            depth_shallow_m=1.0, depth_deep_m=1.9, has_waste_port=True, floor_colour=FloorColour.BLUE,
            clean_pressure_kpa=9 * KPA_PER_PSI),
        {"seed": 27, "shape": "rectangle", "length_m": 8.0, "width_m": 4.5, "shallow_m": 1.0, "deep_m": 1.9,
            "finish": "tile"},
        15,
        (
            DemoVisit(15, 10, "Ash", 0.55, 95.0, equipment=_found(10), readings=_drops(0.0, 7.8, 100.0, 30.0),
                treatments=(_chlorine(6.5),), work=FIRST_WORK, floor_seen=False),
            DemoVisit(13, 10, "Ash", 0.7, 6.0, readings=_drops(5.0, 7.7), treatments=(_chlorine(2.0),),
                equipment=_found(14), work=(Work.BACKWASHED,), floor_seen=False),
            DemoVisit(10, 10, "Ash", 1.4, 1.3, readings=_drops(7.0, 7.6), equipment=_found(13),
                work=(Work.BACKWASHED,), floor_seen=False),
            DemoVisit(7, 10, "Rio", 3.2, 0.9, readings=_drops(6.0, 7.6), equipment=_found(12),
                work=(Work.VACUUMED_TO_WASTE,), floor_seen=True, debris_on_floor=False),
            DemoVisit(3, 10, "Ash", 7.8, 0.5, photos=2, readings=_drops(3.0, 7.5, 90.0, 35.0), equipment=_found(10),
                work=(Work.HANDED_OVER,), floor_seen=True, debris_on_floor=False),
        ),
        closed_days_ago=3,
    ),
    # The newest photo cannot be used: it has to be taken again.
    DemoPool(
        _pool("kestrel-close-5", "Kestrel Close 5", 12000, FilterKind.CARTRIDGE, depth_shallow_m=1.0,
            depth_deep_m=1.7, floor_colour=FloorColour.TAN, clean_pressure_kpa=10 * KPA_PER_PSI),
        {"seed": 55, "shape": "rectangle", "length_m": 7.5, "width_m": 4.0, "shallow_m": 1.0, "deep_m": 1.7,
            "finish": "tan"},
        2,
        (
            DemoVisit(2, 16, "Rio", 0.5, 110.0, equipment=_found(11, ElementState.GOOD, True), readings=_drops(0.0,
                7.6, 80.0, 30.0), treatments=(_chlorine(6.0),), work=FIRST_WORK, floor_seen=False),
            DemoVisit(1, 16, "Rio", 0.6, 40.0, light="sun", spoil=("glare_on_card",), readings=_drops(4.0, 7.6),
                equipment=_found(14), work=(Work.BRUSHED,), floor_seen=False),
        ),
    ),
)
"""The pools. Amounts poured follow common practice (8 gal of 12.5 % in 15,000 gal of heavy green), no source."""
# fmt: on
