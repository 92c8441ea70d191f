"""What a chemist knows about readings: bleached pads, false pH, impossible pairs, dilution, combined chlorine."""

import math

import pytest

from app.records import Method, Reading
from app.treatment.strip_sense import LateDose, closed, combined_chlorine, diluted, judged, say_flags, surest
from vision.flags import spoils


def reading(analyte, value, low=None, high=None, method=Method.STRIP_PHOTO, **more):
    unit = "" if analyte == "ph" else "mg/L"
    return Reading(
        analyte, value, value * 0.8 if low is None else low, value * 1.2 if high is None else high, unit, method, **more
    )


LARGE = LateDose(raised_mg_l=60.0, hours_ago=6.0)


@pytest.mark.parametrize(
    ("value", "dose", "dilution", "method", "flagged"),
    [
        (0.0, LARGE, 1.0, Method.STRIP_PHOTO, True),
        (0.5, LARGE, 1.0, Method.PHOTOMETER, True),
        (0.0, None, 1.0, Method.STRIP_PHOTO, False),
        (0.0, LateDose(60.0, 30.0), 1.0, Method.STRIP_PHOTO, False),
        (0.0, LateDose(5.0, 6.0), 1.0, Method.STRIP_PHOTO, False),
        (4.0, LARGE, 1.0, Method.STRIP_PHOTO, False),
        (0.5, LARGE, 10.0, Method.STRIP_PHOTO, False),
        (0.0, LARGE, 1.0, Method.DROP_COUNT, False),
    ],
    ids=[
        "strip",
        "photometer",
        "no dose",
        "a day ago",
        "small dose",
        "not faint",
        "diluted",
        "drops",
    ],
)
def test_a_faint_chlorine_reading_after_a_large_dose_may_be_bleached(value, dose, dilution, method, flagged):
    found = judged([reading("free_chlorine", value, 0.0, value + 0.5, method, dilution=dilution)], dose=dose)
    assert ("chlorine_bleached" in found[0].flags) == flagged
    assert spoils(found[0].flags) == flagged
    assert flagged == any("1:10" in say for say in say_flags(found[0]))


@pytest.mark.parametrize(
    ("chlorine", "dose", "flagged"),
    [(12.0, None, True), (9.0, None, False), (0.0, LARGE, True)],
    ids=["high chlorine", "under ten", "bleached, so maybe high"],
)
def test_ph_reads_false_under_high_chlorine(chlorine, dose, flagged):
    found = judged([reading("free_chlorine", chlorine), reading("ph", 7.8)], dose=dose)
    assert ("chlorine_spoils_ph" in found[1].flags) == flagged


def test_total_below_free_is_impossible_beyond_their_intervals():
    apart = judged([reading("free_chlorine", 5.0), reading("total_chlorine", 3.0)])
    assert all("total_below_free" in each.flags for each in apart)
    close = judged([reading("free_chlorine", 5.0), reading("total_chlorine", 4.5)])
    assert not any(each.flags for each in close)


def test_a_strip_and_a_drop_count_are_no_pair():
    found = judged([reading("free_chlorine", 5.0), reading("total_chlorine", 3.0, method=Method.DROP_COUNT)])
    assert not any(each.flags for each in found)


def test_combined_chlorine_has_its_own_interval():
    free, total = reading("free_chlorine", 3.0, 2.0, 3.6), reading("total_chlorine", 4.0, 3.5, 5.0)
    found = combined_chlorine(free, total)
    assert found.value == pytest.approx(1.0)
    assert found.low == pytest.approx(1.0 - math.hypot(0.5, 0.6))
    assert found.high == pytest.approx(1.0 + math.hypot(1.0, 1.0))
    assert combined_chlorine(total, free).value == 0.0


def test_dilution_scales_value_and_interval_once():
    found = diluted(reading("free_chlorine", 2.0, 1.5, 3.0), 10.0)
    assert (found.value, found.low, found.high, found.dilution) == (20.0, 15.0, 30.0, 10.0)
    with pytest.raises(ValueError, match="1 to 100"):
        diluted(reading("free_chlorine", 2.0), 0.5)
    with pytest.raises(ValueError, match="in mg/L"):
        diluted(reading("ph", 7.4), 10.0)


def test_drops_and_photometer_override_a_strip():
    strip, drops = reading("free_chlorine", 1.0), reading("free_chlorine", 3.0, method=Method.DROP_COUNT)
    assert surest([drops, strip]) == (drops,)
    assert surest([strip]) == (strip,)
    doubtful = reading("free_chlorine", 0.0, 0.0, 0.3, Method.PHOTOMETER, flags=("chlorine_bleached",))
    assert surest([doubtful, drops]) == (drops,)


def test_open_ends_are_closed_for_the_log():
    assert closed("ph", 8.4, 8.3, math.nan) == (8.3, 14.0)
    assert closed("cyanuric_acid", 240.0, 220.0, math.nan) == (220.0, 2400.0)
    assert closed("ph", 6.4, math.nan, 6.5) == (0.0, 6.5)
