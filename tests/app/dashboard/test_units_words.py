"""What people read: amounts in their units, times as they say them, every choice named."""

from datetime import UTC, datetime

import pytest

from app.dashboard import entry, units, words
from app.records import Chemical, ElementState, FilterKind, FloorColour, Method, Standing, Surface, Work
from app.treatment.units import L_PER_GAL
from vision.results import Clarity, Interval, Severity

NOW = datetime(2026, 6, 3, 14, 0, tzinfo=UTC)


@pytest.mark.parametrize(
    ("table", "choices"),
    [
        (words.STANDING, Standing),
        (words.CLARITY, Clarity),
        (words.CLARITY_SEEN, Clarity),
        (words.SEVERITY, Severity),
        (words.FILTER, FilterKind),
        (words.SURFACE, Surface),
        (words.FLOOR, FloorColour),
        (words.ELEMENTS, ElementState),
        (words.METHOD, Method),
        (words.CHEMICAL, Chemical),
        (words.WORK, Work),
    ],
    ids=lambda each: getattr(each, "__name__", ""),
)
def test_every_choice_has_a_word(table, choices):
    assert set(table) == set(choices)
    assert len(set(table.values())) == len(table)


@pytest.mark.parametrize(
    ("depth", "said", "spread"),
    [
        (Interval(0.5, 0.7, 1.0), "2.3 ft", "1.6 to 3.3 ft"),
        (Interval(3.0, 4.0, None), "at least 13 ft", ""),
        (None, "not measured", ""),
    ],
    ids=["interval", "bounded from below", "none"],
)
def test_depth_in_feet(depth, said, spread):
    assert units.depth_say(depth, units.US) == said
    assert units.depth_range_say(depth, units.US) == spread


@pytest.mark.parametrize(
    ("at", "said"),
    [
        (datetime(2026, 6, 3, 9, 5, tzinfo=UTC), "today 9:05 am"),
        (datetime(2026, 6, 2, 23, 59, tzinfo=UTC), "yesterday 11:59 pm"),
        (datetime(2026, 6, 4, 0, 0, tzinfo=UTC), "tomorrow 12:00 am"),
        (datetime(2026, 6, 8, 12, 30, tzinfo=UTC), "Mon Jun 8 12:30 pm"),
        (datetime(2025, 6, 8, 12, 30, tzinfo=UTC), "Jun 8, 2025 12:30 pm"),
    ],
    ids=["today", "yesterday", "midnight", "this year", "another year"],
)
def test_times_as_people_say_them(at, said):
    assert words.when_say(at, NOW, us=True) == said


def test_metric_companies_read_a_24_hour_clock():
    assert words.when_say(datetime(2026, 6, 3, 15, 5, tzinfo=UTC), NOW, us=False) == "today 15:05"


@pytest.mark.parametrize(
    ("typed", "system", "stored"),
    [(77.0, units.US, 25.0), (25.0, units.METRIC, 25.0)],
    ids=["us", "metric"],
)
def test_a_typed_temperature_is_stored_in_celsius_and_read_back(typed, system, stored):
    reading = entry.reading("water_temperature", typed, Method.PHOTOMETER, system)
    assert reading.value == pytest.approx(stored, abs=1e-9)  # exact by definition of the scales
    assert entry.typed(reading, system) == typed


@pytest.mark.parametrize("method", entry.SPREAD, ids=str)
def test_a_reading_has_an_interval_around_it_and_none_below_zero(method):
    for value in (0.0, 0.5, 80.0):
        reading = entry.reading("free_chlorine", value, method, units.US)
        assert 0.0 <= reading.low <= reading.value < reading.high
    assert (
        entry.reading("free_chlorine", 2.0, Method.STRIP_EYE, units.US).high
        > entry.reading("free_chlorine", 2.0, Method.PHOTOMETER, units.US).high
    )


def test_what_is_confirmed_as_poured_is_stored_in_litres():
    pour = entry.empty_pour(Chemical.SODIUM_HYPOCHLORITE, units.US)
    poured = entry.treatment(Chemical.SODIUM_HYPOCHLORITE, pour, 8.0, 12.5)
    assert (pour.shown_unit, poured.unit) == ("gal", "L")
    assert poured.amount == pytest.approx(8 * L_PER_GAL, rel=1e-12)  # the gallon is exact
