"""The figures the advice keeps to: the check values among them, and a source for each."""

import pytest

from app.treatment import limits
from app.treatment.units import KPA_PER_PSI, litres


def test_ten_gallons_for_15_000_and_20_for_30_000_are_the_cap():
    assert limits.raise_mg_l(20, 30_000) == pytest.approx(limits.MAX_RAISE_MG_L)
    assert pytest.approx(83.33, abs=0.005) == limits.MAX_RAISE_MG_L


def test_sixteen_fl_oz_of_bromide_for_15_000_gal():
    assert limits.BROMIDE_ML_PER_L * litres(15_000) == pytest.approx(16 * 29.5735295625)


def test_floc_settles_24_to_48_h_and_the_filter_is_cleaned_at_8_to_10_psi():
    assert 24 == limits.SETTLE_LEAST_H < limits.SETTLE_H < limits.SETTLE_MOST_H == 48
    assert 8 <= limits.PRESSURE_RISE_KPA / KPA_PER_PSI <= 10


def test_sludge_is_3_to_4_inches():
    assert 3 * 0.0254 <= limits.SLUDGE_DRAIN_M <= 4 * 0.0254


@pytest.mark.parametrize("limit", limits.LIMITS, ids=lambda limit: limit.name)
def test_every_limit_has_a_value_a_meaning_and_a_source(limit):
    assert limit.value > 0
    assert limit.say
    assert limit.source


def test_limit_names_are_unique():
    assert len({limit.name for limit in limits.LIMITS}) == len(limits.LIMITS)
