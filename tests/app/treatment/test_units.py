"""Units: exact constants, wording that can be poured, and the way back."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import constants

from app.treatment import units

AMOUNTS = st.floats(min_value=0, max_value=1e5, allow_nan=False)


@pytest.mark.parametrize(
    ("ours", "exact"),
    [
        pytest.param(units.L_PER_GAL, constants.gallon * 1000, id="gallon"),
        pytest.param(units.ML_PER_FL_OZ, constants.fluid_ounce * 1e6, id="fluid ounce"),
        pytest.param(units.KG_PER_LB, constants.pound, id="pound"),
        pytest.param(units.KG_PER_OZ, constants.ounce, id="ounce"),
        pytest.param(units.M_PER_FT, constants.foot, id="foot"),
        pytest.param(units.KPA_PER_PSI, constants.psi / 1000, id="psi"),
        pytest.param(units.L_PER_FT3, constants.foot**3 * 1000, id="cubic foot"),
    ],
)
def test_constants_equal_scipy_1_17(ours, exact):
    # Both are exact by definition; only the last bits of the products may differ.
    assert ours == pytest.approx(exact, rel=1e-14)


@given(AMOUNTS)
def test_conversions_round_trip(value):
    assert units.gallons(units.litres(value)) == pytest.approx(value, rel=1e-12)
    assert units.celsius(units.fahrenheit(value)) == pytest.approx(value, rel=1e-12, abs=1e-9)
    assert units.pounds(value * units.KG_PER_LB) == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize("system", units.UNIT_SYSTEMS)
@pytest.mark.parametrize("unit", ["L", "kg"])
@given(amount=AMOUNTS)
def test_what_is_said_reads_back_as_the_same_amount(unit, system, amount):
    said = units.say_amount(amount, unit, system)
    read, read_unit = units.read_amount(said)
    assert read_unit == unit
    # Steps are at most a quarter of what they round (0.25 of 1 gal), and the smallest step is a quarter ounce.
    assert read == pytest.approx(amount, rel=0.13, abs=0.0075)


@pytest.mark.parametrize("system", units.UNIT_SYSTEMS)
@pytest.mark.parametrize("unit", ["L", "kg"])
@given(amount=AMOUNTS)
def test_saying_twice_says_the_same(unit, system, amount):
    said = units.say_amount(amount, unit, system)
    assert units.say_amount(units.read_amount(said)[0], unit, system) == said


@pytest.mark.parametrize("system", units.UNIT_SYSTEMS)
@pytest.mark.parametrize("unit", ["L", "kg"])
@given(one=AMOUNTS, other=AMOUNTS)
def test_more_is_never_said_as_less(unit, system, one, other):
    less, more = sorted((one, other))
    read = [units.read_amount(units.say_amount(each, unit, system))[0] for each in (less, more)]
    assert read[0] <= read[1] * (1 + 1e-12)


@given(st.floats(min_value=1e-6, max_value=1e5))
def test_something_is_never_said_as_nothing(amount):
    for unit in ("L", "kg"):
        for system in units.UNIT_SYSTEMS:
            assert units.read_amount(units.say_amount(amount, unit, system))[0] > 0


@pytest.mark.parametrize(
    ("amount", "unit", "system", "said"),
    [
        (units.litres(8), "L", "us", "8 gal"),
        (units.litres(1.27), "L", "us", "1.25 gal"),
        (0.4731765, "L", "us", "16 fl oz"),
        (30.283, "L", "metric", "30.5 L"),
        (0.473, "L", "metric", "470 mL"),
        (2.9, "kg", "us", "6 lb 8 oz"),
        (0.01, "kg", "us", "0.25 oz"),
        (1.52, "kg", "metric", "1.5 kg"),
        (0.0, "L", "us", "0 fl oz"),
    ],
)
def test_amounts_as_poured(amount, unit, system, said):
    assert units.say_amount(amount, unit, system) == said


def test_packages_are_whole_and_enough():
    assert units.say_packages(8 * 3.785411784, 3.785411784, "jug") == "8 jugs"
    assert units.say_packages(1.9, units.KG_PER_LB, "bag") == "5 bags"


@pytest.mark.parametrize("text", ["", "8", "8 gallons of", "gal", "8 gal 2 lb", "-3 gal", "three gal"])
def test_other_words_are_refused(text):
    with pytest.raises(ValueError, match="must be an amount such as"):
        units.read_amount(text)


@pytest.mark.parametrize("amount", [-1.0, math.nan, math.inf])
def test_impossible_amounts_are_refused(amount):
    with pytest.raises(ValueError, match="must be a finite number, 0 or more"):
        units.say_volume(amount)
    with pytest.raises(ValueError, match="must be a finite number, 0 or more"):
        units.say_mass(amount)


def test_unknown_systems_and_units_are_refused():
    with pytest.raises(ValueError, match="units must be one of"):
        units.say_volume(1.0, "imperial")
    with pytest.raises(ValueError, match="unit must be 'L' or 'kg'"):
        units.say_amount(1.0, "gal")
    with pytest.raises(ValueError, match="package must be above 0"):
        units.say_packages(1.0, 0.0, "bag")


def test_words_for_depth_pressure_concentration_and_pool():
    assert (units.say_depth(2.4), units.say_depth(2.4, "metric")) == ("7.9 ft", "2.4 m")
    assert (units.say_pressure(124.1), units.say_pressure(124.1, "metric")) == ("18 psi", "124 kPa")
    assert (units.say_concentration(4.0), units.say_concentration(66.7, "metric")) == ("4 ppm", "67 mg/L")
    assert (units.say_pool_volume(56_781), units.say_pool_volume(56_781, "metric")) == ("15,000 gal", "56,800 L")
