"""Pool volume from shape and depths."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.treatment.units import L_PER_FT3, M_PER_FT, gallons
from app.treatment.volume import Shape, mean_depth_m, pool_volume_l, prismoid_l, surface_m2
from tests.app.treatment.published_tables import rows_of

SIDES = st.floats(min_value=0.5, max_value=60)


def _m(feet: str) -> float | None:
    return float(feet) * M_PER_FT if feet else None


@pytest.mark.parametrize("row", rows_of("dose_pool_shapes.csv"), ids=lambda row: row["name"])
def test_worked_shapes(row):
    volume = pool_volume_l(
        Shape(row["shape"]),
        length_m=_m(row["length_ft"]),
        width_m=_m(row["width_ft"]),
        second_width_m=_m(row["second_width_ft"]),
        shallow_m=_m(row["shallow_ft"]),
        deep_m=_m(row["deep_ft"]),
    )
    # Printed to a tenth of a gallon.
    assert gallons(volume) == pytest.approx(float(row["volume_gal"]), abs=0.05)


@pytest.mark.parametrize("row", rows_of("dose_indiana_327iac.csv"), ids=lambda row: row["diameter_in"])
def test_well_casings_of_indiana_327_iac_8_3_4_24(row):
    diameter_m = float(row["diameter_in"]) * 0.0254
    volume = pool_volume_l(Shape.ROUND, length_m=diameter_m, shallow_m=100 * M_PER_FT)
    # The table is printed to 0.1 to 1 gal, with 7.48 for 7.480519.
    assert gallons(volume) == pytest.approx(float(row["volume_gal"]), abs=1.0, rel=1e-4)


def test_one_cubic_foot_holds_7_48_gallons():
    # wcponline 2007 prints 7.48.
    assert gallons(L_PER_FT3) == pytest.approx(7.48, abs=0.005)


def test_l_shape_is_two_rectangles():
    whole = surface_m2(Shape.L_SHAPE, length_m=10, width_m=4, second_length_m=5, second_width_m=3)
    assert whole == pytest.approx(10 * 4 + 5 * 3)


def test_prismoid_is_exact_for_a_cone_frustum():
    # Radii 3 and 1, so 2 in the middle; V = pi h (R2 + R r + r2) / 3.
    volume = prismoid_l(top_m2=9 * math.pi, middle_m2=4 * math.pi, bottom_m2=math.pi, height_m=2.0)
    assert volume == pytest.approx(1000 * math.pi * 2 * (9 + 3 + 1) / 3)


@given(length=SIDES, width=SIDES, depth=SIDES, more=st.floats(min_value=1.0, max_value=3.0))
def test_bigger_pools_hold_more(length, width, depth, more):
    small = pool_volume_l(Shape.OVAL, length_m=length, width_m=width, shallow_m=depth)
    assert pool_volume_l(Shape.OVAL, length_m=length * more, width_m=width, shallow_m=depth) >= small
    assert pool_volume_l(Shape.OVAL, length_m=length, width_m=width, shallow_m=depth, deep_m=depth * more) >= small


@given(length=SIDES, width=SIDES)
def test_oval_stadium_rectangle_in_that_order(length, width):
    length, width = max(length, width), min(length, width)
    oval, stadium, rectangle = (
        surface_m2(shape, length_m=length, width_m=width) for shape in (Shape.OVAL, Shape.STADIUM, Shape.RECTANGLE)
    )
    assert oval <= stadium * (1 + 1e-12)
    assert stadium <= rectangle * (1 + 1e-12)


@pytest.mark.parametrize("bad", [0.0, -1.0, math.nan, math.inf, None])
def test_impossible_sides_are_refused(bad):
    with pytest.raises(ValueError, match="width_m must be a length above 0 m"):
        pool_volume_l(Shape.RECTANGLE, length_m=5.0, width_m=bad, shallow_m=1.0)
    with pytest.raises(ValueError, match="height_m must be a length above 0 m"):
        prismoid_l(top_m2=1.0, middle_m2=1.0, bottom_m2=1.0, height_m=bad)


def test_other_refusals():
    with pytest.raises(ValueError, match="at least width_m for a stadium"):
        surface_m2(Shape.STADIUM, length_m=3.0, width_m=4.0)
    with pytest.raises(ValueError, match="bottom_m2 must be a finite number"):
        prismoid_l(top_m2=1.0, middle_m2=1.0, bottom_m2=-1.0, height_m=1.0)
    with pytest.raises(ValueError, match="deep_m must be a length above 0 m"):
        mean_depth_m(shallow_m=1.0, deep_m=0.0)
