"""Dose arithmetic against published worked examples, the trade's check values, and what must always hold."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.records import Chemical, Treatment
from app.treatment import limits
from app.treatment.dosing import (
    CannotDose,
    LabelRate,
    clearing_dose,
    dose_for,
    ph_dose,
    split_with_granules,
    wanted_raise_mg_l,
)
from app.treatment.products import (
    PRODUCTS,
    StrengthBasis,
    aged_trade_pct,
    chlorine_poured_mg_l,
    effects,
    trade_pct,
)
from app.treatment.units import KG_PER_LB, KG_PER_OZ, L_PER_GAL, ML_PER_FL_OZ, gallons, litres, read_amount
from tests.app.treatment.published_tables import rows_of
from vision.results import Severity

PER_UNIT = {
    "gal": L_PER_GAL,
    "fl oz": ML_PER_FL_OZ / 1000,
    "pt": L_PER_GAL / 8,
    "lb": KG_PER_LB,
    "oz": KG_PER_OZ,
    "kg": 1.0,
}
DOSED_BY_CHANGE = [chemical for chemical, product in PRODUCTS.items() if product.changes]
VOLUMES_L = st.floats(min_value=1000, max_value=2_000_000)
CHANGES = st.floats(min_value=0.1, max_value=300)


@pytest.mark.parametrize("row", rows_of("dose_worked_examples.csv"), ids=lambda row: row["name"])
def test_worked_examples(row):
    dose = dose_for(
        Chemical(row["chemical"]),
        volume_l=litres(float(row["volume_gal"])),
        change_mg_l=float(row["change_mg_l"]),
        strength_pct=float(row["strength_pct"]),
    )
    # To half of the last digit that the source prints.
    assert dose.amount / PER_UNIT[row["unit"]] == pytest.approx(float(row["answer"]), abs=float(row["half_digit"]))


@pytest.mark.parametrize("row", rows_of("dose_indiana_327iac.csv"), ids=lambda row: row["diameter_in"])
def test_indiana_327_iac_8_3_4_24(row):
    volume_l = litres(float(row["volume_gal"]))
    dry = dose_for(Chemical.CALCIUM_HYPOCHLORITE, volume_l=volume_l, change_mg_l=50.0, strength_pct=65.0)
    liquid = dose_for(Chemical.SODIUM_HYPOCHLORITE, volume_l=volume_l, change_mg_l=50.0, strength_pct=12.0)
    printed_dry, printed_liquid = read_amount(row["granules"])[0], read_amount(row["liquid"])[0]
    # To half of the last digit, and a hair for its handbook 8.34 lb/gal.
    assert dry.amount / KG_PER_OZ == pytest.approx(
        printed_dry / KG_PER_OZ, abs=float(row["granules_half_digit_oz"]) * 1.05
    )
    unit = PER_UNIT[row["liquid_unit"]]
    assert liquid.amount / unit == pytest.approx(printed_liquid / unit, abs=float(row["liquid_half_digit"]) * 1.05)


def test_one_fl_oz_of_5_25_in_a_gallon_is_410_kansas_kdhe():
    poured = effects(Chemical.SODIUM_HYPOCHLORITE, ML_PER_FL_OZ / 1000, volume_l=L_PER_GAL, strength_pct=5.25)
    assert poured.free_chlorine_mg_l == pytest.approx(410, abs=0.5)


def test_eleven_gallons_of_half_per_cent_in_40_000_california_eq_1a():
    poured = effects(Chemical.SODIUM_HYPOCHLORITE, litres(11), volume_l=litres(40_000), strength_pct=0.5)
    # Its per cent is of sodium hypochlorite, weight by volume: 9,525 is 10,000 / 1.05, so 1.31 mg/L of chlorine.
    assert poured.free_chlorine_mg_l * 0.9525 == pytest.approx(1.31, abs=0.005)


def test_pounds_a_day_of_the_operator_text():
    # 1.5 million gal x 2.5 mg/L x 8.34 = 31.28 lb/d of chlorine; "100 %" granules are just that chlorine.
    dose = dose_for(Chemical.CALCIUM_HYPOCHLORITE, volume_l=litres(1_250_000), change_mg_l=2.5, strength_pct=100.0)
    assert dose.amount / KG_PER_LB * 1.5 / 1.25 == pytest.approx(31.28, abs=0.03)


def test_baking_soda_of_10_nycrr_6_1_30():
    # 1 1/2 lb for 10,000 gal raises alkalinity by 10 mg/L, as a rule to the nearest 10: 10.7 by molar masses.
    poured = effects(Chemical.SODIUM_BICARBONATE, 1.5 * KG_PER_LB, volume_l=litres(10_000))
    assert poured.total_alkalinity_mg_l == pytest.approx(10.71, abs=0.005)


def test_muriatic_acid_of_10_nycrr_6_1_30():
    # 1 pint for 5,000 gal lowers alkalinity by 12 mg/L; 12.5 with 31.45 % at 1.16 kg/L.
    poured = effects(Chemical.HYDROCHLORIC_ACID, L_PER_GAL / 8, volume_l=litres(5_000))
    assert poured.total_alkalinity_mg_l == pytest.approx(-12, abs=0.6)


ATOMS = {"H": 1.008, "C": 12.011, "N": 14.007, "O": 15.999, "Na": 22.990, "S": 32.06, "Cl": 35.45, "Ca": 40.078}


def _molar(**counts: int) -> float:
    return sum(ATOMS[atom] * count for atom, count in counts.items())


CACO3 = _molar(Ca=1, C=1, O=3)
CL2 = _molar(Cl=2)


@pytest.mark.parametrize(
    ("chemical", "mass_for_one"),
    [
        pytest.param(Chemical.SODIUM_BICARBONATE, 2 * _molar(Na=1, H=1, C=1, O=3) / CACO3, id="NaHCO3"),
        pytest.param(Chemical.SODIUM_CARBONATE, _molar(Na=2, C=1, O=3) / CACO3, id="Na2CO3"),
        pytest.param(Chemical.HYDROCHLORIC_ACID, 2 * _molar(H=1, Cl=1) / CACO3, id="HCl"),
        pytest.param(Chemical.SODIUM_BISULFATE, 2 * _molar(Na=1, H=1, S=1, O=4) / CACO3, id="NaHSO4"),
        pytest.param(Chemical.CALCIUM_CHLORIDE, _molar(Ca=1, Cl=2) / CACO3, id="CaCl2"),
    ],
)
def test_masses_for_one_mg_l_follow_from_molar_masses(chemical, mass_for_one):
    # Three decimals are kept.
    assert PRODUCTS[chemical].mg_per_mg == pytest.approx(mass_for_one, abs=6e-4)


@pytest.mark.parametrize(
    ("chemical", "cya", "hardness", "salt"),
    [
        pytest.param(Chemical.TRICHLOR, 129.075 / (3 * CL2), 0.0, 58.44 / CL2, id="trichlor"),
        pytest.param(Chemical.DICHLOR, 129.075 / (2 * CL2), 0.0, 58.44 / CL2, id="dichlor"),
        pytest.param(Chemical.CALCIUM_HYPOCHLORITE, 0.0, CACO3 / (2 * CL2), 58.44 / CL2, id="Ca(OCl)2"),
        pytest.param(Chemical.SODIUM_HYPOCHLORITE, 0.0, 0.0, 2 * 58.44 / CL2, id="NaOCl"),
    ],
)
def test_what_each_chlorine_leaves_behind(chemical, cya, hardness, salt):
    product = PRODUCTS[chemical]
    assert product.cya_per_mg == pytest.approx(cya, abs=6e-4)
    assert product.hardness_per_mg == pytest.approx(hardness, abs=6e-4)
    assert product.salt_per_mg == pytest.approx(salt, abs=6e-4)


@pytest.mark.parametrize(("chemical", "cya"), [(Chemical.TRICHLOR, 6.07), (Chemical.DICHLOR, 9.10)])
def test_ten_mg_l_of_isocyanurates_add_cyanuric_acid_wahman_alexander_2019(chemical, cya):
    dose = dose_for(chemical, volume_l=50_000.0, change_mg_l=10.0)
    found = effects(chemical, dose.amount, volume_l=50_000.0, strength_pct=dose.strength_pct)
    assert found.cyanuric_acid_mg_l == pytest.approx(cya, abs=0.005)
    # The paper writes the anion, 126.05 g/mol: 0.59 and 0.89 mg Cy for 1 mg Cl2.
    assert found.cyanuric_acid_mg_l / 10 * 126.05 / 129.075 == pytest.approx(
        0.59 if chemical is Chemical.TRICHLOR else 0.89, abs=0.005
    )
    assert any("cyanuric acid" in said for said in dose.side_effects)


def test_three_strengths_of_one_jug_white_1972():
    # 12.5 trade %, SG 1.16: 10.78 % by weight as chlorine, 11.3 % as sodium hypochlorite.
    assert trade_pct(12.5) == 12.5
    assert trade_pct(10.78, StrengthBasis.WEIGHT_CHLORINE) == pytest.approx(12.5, abs=0.01)
    assert trade_pct(11.3, StrengthBasis.WEIGHT_HYPOCHLORITE) == pytest.approx(12.5, abs=0.05)


def test_same_label_figure_by_weight_needs_less():
    by_trade, by_weight = (
        dose_for(Chemical.SODIUM_HYPOCHLORITE, volume_l=50_000.0, change_mg_l=10.0, strength_pct=12.5, basis=basis)
        for basis in (StrengthBasis.TRADE, StrengthBasis.WEIGHT_HYPOCHLORITE)
    )
    assert by_weight.amount < by_trade.amount
    # The trade-% dose says what the other reading of the label would come to.
    assert f"{by_weight.amount / by_trade.amount:.0%} of this" in by_trade.arithmetic


def test_stored_liquid_chlorine_is_weaker_from_memory():
    # Widely reprinted half-lives: 10 % lasts 220 days at 25 deg C, 3.5 at 60, 800 at 15 (from memory).
    assert aged_trade_pct(10.0, age_days=220, storage_c=25.0) == pytest.approx(5.0)
    assert aged_trade_pct(10.0, age_days=3.5, storage_c=60.0) == pytest.approx(5.0, rel=0.02)
    assert aged_trade_pct(10.0, age_days=800, storage_c=15.0) == pytest.approx(5.0, rel=0.05)
    fresh, old = (
        dose_for(Chemical.SODIUM_HYPOCHLORITE, volume_l=50_000.0, change_mg_l=10.0, age_days=days) for days in (0, 60)
    )
    assert old.amount > fresh.amount
    assert "After 60 days" in old.arithmetic


def test_dechlorination_awwa_field_guide_table_7_2():
    dose = dose_for(Chemical.SODIUM_THIOSULFATE, volume_l=100_000.0, change_mg_l=1.0)
    assert dose.amount == pytest.approx(0.19)  # 1.9 mg for 1 mg of chlorine
    # Stoichiometry to sulfate and to tetrathionate, a factor of 8 apart.
    assert (dose.low, dose.high) == pytest.approx((0.0875, 0.7001))
    assert "test again" in dose.arithmetic


# ---------------------------------------------------------------- the trade's check values (common practice, no source)


def test_heavy_15_000_gal_floor_not_visible_takes_8_gal_up_to_10():
    dose = clearing_dose(Severity.HEAVY, False, volume_l=litres(15_000))
    assert dose is not None
    assert dose.say == "8 gal"
    assert gallons(dose.amount) == pytest.approx(8.0)
    assert gallons(dose.high) == pytest.approx(10.0)


def test_30_000_gal_takes_up_to_20():
    dose = clearing_dose(Severity.HEAVY, False, volume_l=litres(30_000))
    assert dose is not None
    assert gallons(dose.high) == pytest.approx(20.0)


def test_4_gal_and_4_bags_do_for_8_gal():
    heavy = clearing_dose(Severity.HEAVY, False, volume_l=litres(15_000))
    assert heavy is not None
    split = split_with_granules(heavy, volume_l=litres(15_000))
    assert split.liquid.say == "4 gal"
    assert split.bags == 4
    # The weight beside the bags replaces the other 4 gal to the milligram.
    both = [
        effects(each.chemical, each.amount, volume_l=litres(15_000), strength_pct=each.strength_pct)
        for each in (split.liquid, split.granules)
    ]
    assert sum(each.free_chlorine_mg_l for each in both) == pytest.approx(limits.raise_mg_l(8, 15_000))


def test_2_gal_or_a_case_of_four_there_is_nothing():
    wanted = wanted_raise_mg_l(Severity.HEAVY, False)
    for poured_gal in (2, 4):
        assert limits.raise_mg_l(poured_gal, 15_000) < limits.USELESS_SHARE * wanted


def test_16_fl_oz_of_bromide_for_15_000_gal():
    assert dose_for(Chemical.SODIUM_BROMIDE, volume_l=litres(15_000)).say == "16 fl oz"
    assert dose_for(Chemical.SODIUM_BROMIDE, volume_l=litres(30_000)).say == "32 fl oz"


def test_every_dose_lifts_above_10():
    for severity in Severity:
        if severity is not Severity.NONE:
            assert wanted_raise_mg_l(severity, True) > limits.STILL_HIGH_MG_L


def test_greener_or_blinder_never_takes_less():
    order = list(Severity)
    for seen in (True, False):
        row = [wanted_raise_mg_l(severity, seen) for severity in order]
        assert row == sorted(row)
    assert all(wanted_raise_mg_l(severity, False) >= wanted_raise_mg_l(severity, True) for severity in order)


# ---------------------------------------------------------------- what must always hold


@given(
    chemical=st.sampled_from(DOSED_BY_CHANGE),
    volume=VOLUMES_L,
    change=CHANGES,
    more=st.floats(min_value=1.0, max_value=2.0),
    system=st.sampled_from(["us", "metric"]),
)
def test_more_volume_or_change_never_asks_for_less(chemical, volume, change, more, system):
    here = dose_for(chemical, volume_l=volume, change_mg_l=change, units=system)
    larger = dose_for(chemical, volume_l=volume * more, change_mg_l=change, units=system)
    further = dose_for(chemical, volume_l=volume, change_mg_l=change * more, units=system)
    for dose in (larger, further):
        assert dose.amount >= here.amount * (1 - 1e-12)
        assert read_amount(dose.say)[0] >= read_amount(here.say)[0] * (1 - 1e-12)
    assert 0 < here.low <= here.amount <= here.high


@given(chemical=st.sampled_from(DOSED_BY_CHANGE), volume=VOLUMES_L, change=CHANGES)
def test_what_is_poured_makes_the_change(chemical, volume, change):
    dose = dose_for(chemical, volume_l=volume, change_mg_l=change)
    product = PRODUCTS[chemical]
    found = effects(chemical, dose.amount, volume_l=volume, strength_pct=dose.strength_pct)
    assert getattr(found, f"{product.changes}_mg_l") == pytest.approx(product.direction * change)


@given(
    severity=st.sampled_from(list(Severity)),
    seen=st.booleans(),
    volume=VOLUMES_L,
    chlorine=st.floats(0, 120),
    today=st.floats(0, 120),
    least=st.sampled_from([0.0, limits.REPEAT_TO_MG_L]),
)
def test_no_clearing_dose_breaks_the_daily_cap(severity, seen, volume, chlorine, today, least):
    dose = clearing_dose(
        severity,
        seen,
        volume_l=volume,
        free_chlorine_mg_l=chlorine,
        poured_today_mg_l=today,
        at_least_to_mg_l=least,
    )
    if dose is None:
        return
    assert dose.strength_pct is not None
    most = effects(dose.chemical, dose.high, volume_l=volume, strength_pct=dose.strength_pct).free_chlorine_mg_l
    assert 0 < dose.amount <= dose.high
    assert most + today <= limits.MAX_RAISE_MG_L * (1 + 1e-9)


def test_arithmetic_is_a_line_that_adds_up():
    dose = dose_for(Chemical.SODIUM_HYPOCHLORITE, volume_l=litres(15_000), change_mg_l=10.0)
    assert "15,000 gal x 10 ppm / 125,000 ppm in the jug (125 g/L) = 1.2 gal." in dose.arithmetic
    assert "12.5 trade % assumed" in dose.arithmetic
    dry = dose_for(
        Chemical.CALCIUM_HYPOCHLORITE, volume_l=50_000.0, change_mg_l=10.0, strength_pct=65.0, units="metric"
    )
    assert dry.arithmetic == "50,000 L x 10 mg/L / 1,000,000 / 65 % = 0.769 kg."


def test_acid_for_ph_is_capped_and_says_so():
    far = ph_dose(Chemical.HYDROCHLORIC_ACID, volume_l=50_000.0, ph_from=8.6, ph_to=7.4, total_alkalinity_mg_l=220.0)
    taken = effects(Chemical.HYDROCHLORIC_ACID, far.amount, volume_l=50_000.0, strength_pct=far.strength_pct)
    assert taken.total_alkalinity_mg_l == pytest.approx(-limits.ALKALINITY_DROP_MG_L)
    assert "test again after four hours" in far.arithmetic
    near = ph_dose(Chemical.HYDROCHLORIC_ACID, volume_l=50_000.0, ph_from=7.9, ph_to=7.5, total_alkalinity_mg_l=80.0)
    assert 0 < near.amount < far.amount


def test_label_rate_as_typed():
    dose = dose_for(Chemical.FLOCCULANT, volume_l=30_000.0, label_rate=LabelRate(0.5, "L", 10_000.0), units="metric")
    assert dose.amount == pytest.approx(1.5)
    assert dose.say == "1.5 L"
    assert "label" in dose.arithmetic


def test_logged_chlorine_counts_whatever_its_unit():
    by_volume = chlorine_poured_mg_l(Treatment(Chemical.SODIUM_HYPOCHLORITE, 10.0, "L", 12.5), 50_000.0)
    by_weight = chlorine_poured_mg_l(Treatment(Chemical.SODIUM_HYPOCHLORITE, 11.6, "kg", 12.5), 50_000.0)
    assert by_volume == pytest.approx(25.0)
    assert by_weight == pytest.approx(by_volume)
    assert chlorine_poured_mg_l(Treatment(Chemical.HYDROCHLORIC_ACID, 1.0, "L"), 50_000.0) == 0.0
    assert chlorine_poured_mg_l(Treatment(Chemical.SODIUM_THIOSULFATE, 1.0, "kg"), 50_000.0) == 0.0


@pytest.mark.parametrize("chemical", list(Chemical))
def test_every_chemical_has_a_dose_cautions_and_a_source(chemical):
    rate = None if PRODUCTS[chemical].changes else LabelRate(0.1, PRODUCTS[chemical].unit, 10_000.0)
    change = 5.0 if PRODUCTS[chemical].changes else None
    dose = dose_for(chemical, volume_l=50_000.0, change_mg_l=change, label_rate=rate)
    assert dose.amount > 0
    assert dose.unit == PRODUCTS[chemical].unit
    assert any("label" in said for said in dose.cautions)
    assert any("never water" in said.lower() for said in dose.cautions)
    assert all(dose.sources)


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        ({"chemical": Chemical.DICHLOR, "volume_l": 0.0, "change_mg_l": 1.0}, "volume is missing"),
        ({"chemical": Chemical.DICHLOR, "volume_l": math.nan, "change_mg_l": 1.0}, "volume is missing"),
        ({"chemical": Chemical.DICHLOR, "volume_l": 1e9, "change_mg_l": 1.0}, "volume is missing"),
        ({"chemical": Chemical.DICHLOR, "volume_l": 1e4}, "Give the change as a number above 0"),
        ({"chemical": Chemical.DICHLOR, "volume_l": 1e4, "change_mg_l": -3.0}, "Give the change as a number above 0"),
        ({"chemical": Chemical.DICHLOR, "volume_l": 1e4, "change_mg_l": 3.0, "most_mg_l": 2.0}, "upper end"),
        ({"chemical": Chemical.DICHLOR, "volume_l": 1e4, "change_mg_l": 3.0, "strength_pct": 0.0}, "Read the per cent"),
        (
            {"chemical": Chemical.DICHLOR, "volume_l": 1e4, "change_mg_l": 3.0, "strength_pct": 120.0},
            "Read the per cent",
        ),
        (
            {"chemical": Chemical.SODIUM_HYPOCHLORITE, "volume_l": 1e4, "change_mg_l": 3.0, "strength_pct": 60.0},
            "at most 25 %",
        ),
        (
            {"chemical": Chemical.SODIUM_HYPOCHLORITE, "volume_l": 1e4, "change_mg_l": 3.0, "age_days": -1.0},
            "age 0 days",
        ),
        ({"chemical": Chemical.FLOCCULANT, "volume_l": 1e4}, "dosed by its label"),
        (
            {"chemical": Chemical.FLOCCULANT, "volume_l": 1e4, "label_rate": LabelRate(0.0, "L", 1.0)},
            "label's rate must be above zero",
        ),
    ],
)
def test_what_cannot_be_dosed_is_said_in_a_sentence(asked, words):
    with pytest.raises(CannotDose, match=words):
        dose_for(asked.pop("chemical"), **asked)


def test_acid_does_not_raise_and_ash_does_not_lower():
    for chemical, start, end in (
        (Chemical.HYDROCHLORIC_ACID, 7.0, 7.5),
        (Chemical.SODIUM_CARBONATE, 8.0, 7.5),
        (Chemical.DICHLOR, 8.0, 7.5),
    ):
        with pytest.raises(CannotDose, match="does not take pH"):
            ph_dose(chemical, volume_l=1e4, ph_from=start, ph_to=end, total_alkalinity_mg_l=80.0)
    with pytest.raises(CannotDose, match="do not fit together"):
        ph_dose(
            Chemical.HYDROCHLORIC_ACID,
            volume_l=1e4,
            ph_from=8.0,
            ph_to=7.5,
            total_alkalinity_mg_l=10.0,
            cyanuric_acid_mg_l=200.0,
        )
