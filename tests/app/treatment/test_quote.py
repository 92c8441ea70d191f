"""The quote before the start, the price list, what a dose costs, and rounds of several chemicals."""

from dataclasses import replace
from datetime import timedelta
from itertools import combinations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.records import Chemical, FilterKind, Price, PriceList, Sighting
from app.treatment.cautions import ROUNDS, in_rounds, may_share_step
from app.treatment.dosing import CannotDose, dose_for
from app.treatment.prices import NoPrice, set_price, unit_price, with_cost
from app.treatment.quote import CannotQuote, quote
from app.treatment.units import KG_PER_LB, L_PER_GAL, litres
from tests.app.treatment.recovery_logs import HEAVY, LIGHT, a_pool, a_recovery, at_visit, liquid, water

FIRST = at_visit(1, 0, HEAVY, floor_seen=False)
SAND_WASTE = a_pool(filter_kind=FilterKind.SAND, has_waste_port=True)
PRICES = PriceList(
    "$",
    (
        Price("cyanuric_acid", 30.0, 10 * KG_PER_LB, "kg"),
        Price("hydrochloric_acid", 9.0, L_PER_GAL, "L"),
        Price("sodium_bromide", 40.0, L_PER_GAL / 4, "L"),
        Price("sodium_hypochlorite", 4.5, L_PER_GAL, "L"),
        Price("visit", 95.0, 1.0, ""),
    ),
)


def quoted(*visits, pool=None, prices=None, units="us"):
    recovery = a_recovery(*(visits or (FIRST,)), pool=pool)
    return quote(recovery, recovery.visits[-1].at, prices=prices, units=units)


def test_a_quote_says_visits_days_chemicals_cost_and_what_is_left_out():
    told = quoted(prices=PRICES)
    assert 3 <= told.visits.low < told.visits.mid < told.visits.high
    assert 1 <= told.days.low < told.days.mid < told.days.high
    assert {line.chemical for line in told.chemicals} >= {Chemical.SODIUM_HYPOCHLORITE, Chemical.SODIUM_BROMIDE}
    assert told.cost.low < told.cost.mid < told.cost.high
    assert told.cost.low >= told.visits.low * 95
    assert told.currency == "$"
    assert any("Repairs" in each for each in told.excludes)
    assert any("label" in each for each in told.cautions)
    assert "$" in told.say
    assert told.say.count(".") == 1


def test_the_first_dose_of_8_gal_is_within_the_quote():
    line = quoted().chemicals[0]
    assert line.chemical is Chemical.SODIUM_HYPOCHLORITE
    assert line.low <= litres(10)
    assert line.high >= litres(8)


def test_without_prices_no_cost_and_what_is_missing_is_named():
    told = quoted()
    assert told.cost is None
    assert {"visit", "sodium_hypochlorite"} <= set(told.missing_prices)
    assert "four times in five" in told.say


def test_the_quote_stays_as_it_was_before_the_start():
    later = at_visit(2, 24, LIGHT, floor_seen=True)
    assert quoted(FIRST, later) == quoted()
    # What is poured at the first visit does not change what was expected of it.
    assert quoted(replace(FIRST, treatments=(liquid(8),))).chemicals == quoted().chemicals


def test_sand_takes_longer_and_a_flocculant_shortens_it():
    sand = quoted(pool=a_pool(filter_kind=FilterKind.SAND, has_waste_port=False))
    assert sand.days.mid > quoted(pool=SAND_WASTE).days.mid > 0
    assert sand.days.mid > quoted().days.mid
    assert any("Flocculant" in each for each in quoted(pool=SAND_WASTE).includes)


def test_a_mineral_unit_takes_the_bromide_out():
    lines = quoted(replace(FIRST, sightings=(Sighting.MINERAL_UNIT,))).chemicals
    assert Chemical.SODIUM_BROMIDE not in {line.chemical for line in lines}


@pytest.mark.parametrize(
    ("visits", "pool", "words"),
    [
        pytest.param((at_visit(1, 0, None),), a_pool(), "no measured photo", id="no photo"),
        pytest.param((FIRST,), a_pool(volume_l=0.0), "volume is not known", id="no volume"),
        pytest.param((FIRST,), a_pool(public=True), "public", id="public"),
    ],
)
def test_what_cannot_be_quoted_is_a_sentence(visits, pool, words):
    with pytest.raises(CannotQuote, match=words):
        quoted(*visits, pool=pool)


@given(
    volume=st.floats(10_000, 300_000),
    more=st.floats(1.0, 4.0),
    depth=st.floats(0.15, 2.0),
    algae=st.floats(1.0, 300.0),
    kind=st.sampled_from(list(FilterKind)),
    port=st.booleans(),
)
def test_more_water_never_costs_less(volume, more, depth, algae, kind, port):
    first = at_visit(1, 0, water(depth, algae), floor_seen=False)
    small, large = (
        quoted(first, pool=a_pool(volume_l=size, filter_kind=kind, has_waste_port=port), prices=PRICES)
        for size in (volume, volume * more)
    )
    for one, other in zip(small.chemicals, large.chemicals, strict=True):
        assert one.chemical is other.chemical
        assert 0 <= one.low <= one.high
        assert one.low <= other.low + 1e-9
        assert one.high <= other.high + 1e-9
    assert small.cost.high <= large.cost.high + 1e-6
    assert small.visits.low <= small.visits.mid <= small.visits.high
    assert small.days.low <= small.days.mid <= small.days.high


# ---------------------------------------------------------------- prices


def test_a_dose_costs_what_the_list_says():
    dose = dose_for(Chemical.SODIUM_HYPOCHLORITE, volume_l=litres(15_000), change_mg_l=10.0)
    told = with_cost(dose, PRICES)
    # 1.2 gal at $4.50.
    assert told.cost.mid == pytest.approx(5.40, abs=0.005)
    assert told.cost.low < told.cost.mid < told.cost.high
    assert with_cost(dose, None) == dose
    assert with_cost(dose, PriceList()) == dose


def test_prices_are_set_and_taken_off():
    prices = set_price(PriceList("€"), "visit", 80.0)
    prices = set_price(prices, "calcium_chloride", 30.0, per_amount=22.7, unit="kg")
    assert unit_price(prices, "calcium_chloride", "kg") == pytest.approx(30 / 22.7)
    assert unit_price(prices, "calcium_chloride", "L") is None
    prices = set_price(prices, "visit", 90.0)
    assert [each.item for each in prices.prices] == ["calcium_chloride", "visit"]
    assert prices.currency == "€"
    assert set_price(prices, "visit", 0.0, per_amount=0.0).prices[0].item == "calcium_chloride"


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        ({"item": "bleach", "price": 1.0}, "no item 'bleach'"),
        ({"item": "sodium_hypochlorite", "price": 1.0}, "priced by a volume"),
        ({"item": "cyanuric_acid", "price": 1.0, "unit": "L"}, "priced by a weight"),
        ({"item": "visit", "price": -1.0}, "price cannot be"),
        ({"item": "visit", "price": float("nan")}, "price cannot be"),
    ],
)
def test_a_price_that_cannot_be_is_a_sentence(asked, words):
    with pytest.raises(NoPrice, match=words):
        set_price(PriceList(), **asked)


# ---------------------------------------------------------------- doubt and rounds


def test_a_stated_doubt_widens_the_range_and_is_said():
    plain, wide = (
        dose_for(Chemical.SODIUM_HYPOCHLORITE, volume_l=litres(15_000), change_mg_l=10.0, **doubt)
        for doubt in ({}, {"volume_doubt": 0.25})
    )
    assert wide.amount == plain.amount
    assert wide.low < plain.low < plain.high < wide.high
    assert "off by 25 % either way" in wide.arithmetic.replace("25%", "25 %")
    with pytest.raises(CannotDose, match="doubt about the volume"):
        dose_for(Chemical.SODIUM_HYPOCHLORITE, volume_l=1000.0, change_mg_l=1.0, volume_doubt=0.9)


@given(st.sets(st.sampled_from(list(Chemical)), min_size=1))
def test_rounds_hold_every_chemical_once_and_none_that_must_not_meet(chemicals):
    rounds = in_rounds(chemicals)
    assert sorted(each for one in rounds for each in one) == sorted(chemicals)
    assert all(may_share_step(one) for one in rounds)
    for earlier, later in combinations(rounds, 2):
        assert ROUNDS.index(earlier[0]) < ROUNDS.index(later[0])


def test_every_chemical_has_its_place_in_the_rounds():
    assert set(ROUNDS) == set(Chemical)


def test_a_quote_asked_for_late_is_the_same():
    recovery = a_recovery(FIRST)
    assert quote(recovery, FIRST.at + timedelta(days=20)) == quote(recovery, FIRST.at)
