"""Builds small recoveries for the tests of plan and progress."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

from app.records import (
    Assessment,
    Chemical,
    Equipment,
    FilterKind,
    Method,
    Pool,
    Reading,
    Recovery,
    Treatment,
    Visit,
)
from app.treatment.units import litres
from vision.results import Interval, clarity_of, severity_of

START = datetime(2026, 6, 1, 9, 0, tzinfo=UTC)
RUNNING = Equipment(power_on=True, pump_runs=True, flow_holds=True)


def a_pool(**changes):
    """15,000 gal, cartridge filter, plaster, 8 ft deep, in the open."""
    pool = Pool(
        id="p1",
        name="Invented pool",
        volume_l=litres(15_000),
        filter_kind=FilterKind.CARTRIDGE,
        depth_shallow_m=1.0,
        depth_deep_m=2.44,
        clean_pressure_kpa=90.0,
    )
    return replace(pool, **changes)


def water(depth_m, chlorophyll_ug_l, *, wide=1.2, usable=True, flags=()):
    """Graded water with an interval of a factor `wide` either way."""
    return Assessment(
        measurement_id="m",
        photo_sha256="s",
        usable=usable,
        flags=flags,
        clarity=clarity_of(depth_m),
        clarity_probability=0.9,
        severity=severity_of(chlorophyll_ug_l),
        severity_probability=0.9,
        visible_depth_m=Interval(depth_m / wide, depth_m, depth_m * wide),
        chlorophyll_ug_l=Interval(chlorophyll_ug_l / wide, chlorophyll_ug_l, chlorophyll_ug_l * wide),
    )


HEAVY = water(0.3, 160.0)
MODERATE = water(0.5, 60.0)
LIGHT = water(0.9, 20.0)
MILKY = water(0.9, 1.0)
HAZY_DEAD = water(2.0, 1.0)
BLUE = water(5.0, 1.0)


def chlorine(value_mg_l, **changes):
    reading = Reading("free_chlorine", value_mg_l, value_mg_l, value_mg_l, "mg/L", Method.DROP_COUNT)
    return replace(reading, **changes)


def a_reading(analyte, value):
    return Reading(analyte, value, value, value, "" if analyte == "ph" else "mg/L", Method.PHOTOMETER)


BALANCED = (
    chlorine(4.0),
    a_reading("ph", 7.5),
    a_reading("total_alkalinity", 90.0),
    a_reading("cyanuric_acid", 40.0),
)


def liquid(gal, strength_pct=12.5):
    return Treatment(Chemical.SODIUM_HYPOCHLORITE, litres(gal), "L", strength_pct)


def at_visit(number, hours, assessment=None, **changes):
    """A visit `hours` after the start with running equipment."""
    return Visit(
        id=f"v{number}",
        recovery_id="r1",
        at=START + timedelta(hours=hours),
        by="Invented Tech",
        assessment=assessment,
        **{"equipment": RUNNING, **changes},
    )


def a_recovery(*visits, pool=None, closed_at=None):
    return Recovery("r1", pool or a_pool(), START, closed_at, tuple(visits))
