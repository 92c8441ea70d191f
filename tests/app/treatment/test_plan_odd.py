"""Unusual findings: each has a step of its own, with its cautions, and none holds the plan up for ever."""

from dataclasses import replace

import pytest

from app.records import (
    Chemical,
    ElementState,
    Equipment,
    FilterKind,
    Sighting,
    StepKind,
    Surface,
    Treatment,
    Work,
)
from app.treatment import limits
from app.treatment.facts import gather
from app.treatment.plan import choose_rule, next_step
from app.treatment.products import effects
from app.treatment.units import litres
from tests.app.treatment.recovery_logs import (
    BALANCED,
    BLUE,
    HAZY_DEAD,
    HEAVY,
    MILKY,
    MODERATE,
    RUNNING,
    a_pool,
    a_reading,
    a_recovery,
    at_visit,
    chlorine,
    liquid,
    water,
)

DOSED = at_visit(1, 0, HEAVY, floor_seen=False, treatments=(liquid(8),))
VACUUMED = (
    DOSED,
    at_visit(2, 48, HAZY_DEAD, floor_seen=True, readings=(chlorine(3),), work=(Work.VACUUMED,)),
    at_visit(3, 72, HAZY_DEAD, floor_seen=True, readings=(chlorine(3),), work=(Work.VACUUMED,)),
)


def blue(number=4, hours=120, **changes):
    return at_visit(
        number, hours, BLUE, **{"floor_seen": True, "debris_on_floor": False, "readings": BALANCED, **changes}
    )


def step_of(*visits, pool=None):
    recovery = a_recovery(*visits, pool=pool)
    return next_step(recovery, visits[-1].at)


def rule_of(*visits, pool=None):
    return choose_rule(gather(a_recovery(*visits, pool=pool), visits[-1].at)).name


def doses_of(step):
    return [action.dose for action in step.do if action.dose is not None]


def words_of(step):
    return " ".join((step.title, *(action.say for action in step.do), *step.would_change, *step.cautions))


def test_a_pump_found_off_is_seen_to_and_then_the_plan_goes_on():
    off = at_visit(2, 24, MILKY, floor_seen=True, readings=(chlorine(0),), sightings=(Sighting.PUMP_FOUND_OFF,))
    step = step_of(DOSED, off)
    assert step.step is StepKind.REPAIR_PUMP
    assert "day and night" in step.title
    assert any("breaker" in said for said in step.cautions)
    assert step_of(DOSED, replace(off, work=(Work.PUMP_STARTED,))).step is StepKind.CLEAN_FILTER


def test_a_pump_off_for_the_flocculant_is_not_found_off_even_when_the_tech_is_late():
    pool = a_pool(filter_kind=FilterKind.SAND, has_waste_port=True)
    floc = Treatment(Chemical.FLOCCULANT, 1.0, "L")
    first = at_visit(1, 0, HEAVY, floor_seen=False, treatments=(liquid(1.2), floc))
    off = Equipment(power_on=True, pump_runs=False)
    late = at_visit(2, 90, MILKY, floor_seen=True, equipment=off, sightings=(Sighting.PUMP_FOUND_OFF,))
    assert step_of(first, late, pool=pool).step is StepKind.VACUUM


def test_flocculant_vacuumed_out_and_still_green_gets_chlorine_up_to_10():
    pool = a_pool(filter_kind=FilterKind.SAND, has_waste_port=True)
    floc = Treatment(Chemical.FLOCCULANT, 1.0, "L")
    first = at_visit(1, 0, HEAVY, floor_seen=False, treatments=(liquid(1.2), floc))
    off = Equipment(power_on=True, pump_runs=False)
    settled = at_visit(2, 40, water(2.8, 15.0), floor_seen=True, equipment=off, readings=(chlorine(0),))
    (dose,) = doses_of(step_of(first, settled, pool=pool))
    raised = effects(dose.chemical, dose.amount, volume_l=pool.volume_l, strength_pct=dose.strength_pct)
    assert raised.free_chlorine_mg_l == pytest.approx(limits.FLOC_CHLORINE_MG_L)


def test_metals_turned_by_the_oxidiser_stop_the_chlorine():
    turned = at_visit(2, 24, MODERATE, readings=(chlorine(0),), sightings=(Sighting.TURNED_BY_CHLORINE,))
    step = step_of(DOSED, turned)
    assert step.step is StepKind.CALL_FOR_HELP
    assert not doses_of(step)
    assert "Metals, not algae" in step.title
    assert step_of(DOSED, replace(turned, sightings=())).step is StepKind.DOSE


def test_a_gauge_that_does_not_rise_has_the_filter_opened_once():
    flat = replace(RUNNING, filter_pressure_kpa=89.0)
    visits = (DOSED, at_visit(2, 24, MILKY, floor_seen=False, equipment=flat, readings=(chlorine(2),)))
    third = at_visit(3, 48, water(0.95, 1.0), floor_seen=False, equipment=flat, readings=(chlorine(2),))
    step = step_of(*visits, third)
    assert step.step is StepKind.CLEAN_FILTER
    assert "does not rise" in step.title
    assert any("pressure vessel" in said for said in step.cautions)
    looked = replace(third, equipment=replace(flat, elements=ElementState.GOOD))
    assert rule_of(*visits, looked) != "pressure_does_not_rise"


def test_a_filter_that_does_not_come_clean_is_mended():
    high = replace(RUNNING, filter_pressure_kpa=180.0, elements=ElementState.GOOD)
    cleaned = at_visit(2, 24, MILKY, floor_seen=True, equipment=high, work=(Work.FILTER_CLEANED,))
    again = at_visit(3, 72, water(1.2, 1.0), floor_seen=True, equipment=high, readings=(chlorine(2),))
    step = step_of(DOSED, cleaned, again)
    assert step.step is StepKind.REPAIR_FILTER
    assert "does not come clean" in step.title
    replaced = replace(again, work=(Work.ELEMENTS_REPLACED,))
    assert step_of(DOSED, cleaned, replaced).step is not StepKind.REPAIR_FILTER
    # High once, in the first dirty days, is only a filter at work.
    assert step_of(DOSED, replace(cleaned, work=()), again).step is not StepKind.REPAIR_FILTER


@pytest.mark.parametrize(
    ("surface", "say", "never"),
    [
        (Surface.PLASTER, "Lower the water by a third at most", "Never drain this shell"),
        (Surface.VINYL, "Never drain this shell", "Lower the water by a third"),
        (Surface.FIBREGLASS, "Never drain this shell", "Lower the water by a third"),
    ],
)
def test_cyanuric_acid_that_blocks_is_diluted_as_the_shell_allows(surface, say, never):
    readings = (chlorine(0), a_reading("cyanuric_acid", 300.0))
    visits = [
        at_visit(
            i, 24 * i, water(0.3, 150.0), floor_seen=False, readings=readings, treatments=(liquid(8),) if i < 2 else ()
        )
        for i in range(3)
    ]
    step = step_of(*visits, pool=a_pool(surface=surface))
    assert step.step is StepKind.CALL_FOR_HELP
    assert not doses_of(step)
    assert say in words_of(step)
    assert never not in words_of(step)
    assert any("never goes to the street" in said for said in step.cautions)
    assert step.causes[0].kind == "cyanuric_acid"


def test_no_step_tells_anyone_to_drain_a_lined_pool():
    # Whatever is odd, vinyl and fibreglass are never to be lowered or drained.
    odd = [
        (at_visit(1, 0, HEAVY, sludge_depth_m=0.2),),
        (*VACUUMED, blue(readings=(*BALANCED[:1], a_reading("ph", 8.4), a_reading("total_alkalinity", 60.0),
                                   a_reading("cyanuric_acid", 400.0)))),
    ]  # fmt: skip
    for visits in odd:
        for surface in (Surface.VINYL, Surface.FIBREGLASS):
            step = step_of(*visits, pool=a_pool(surface=surface))
            done = " ".join(action.say for action in step.do)
            assert "Lower the water" not in done
            assert "drain, clean and refill" not in done
            assert "ever drain this shell" in done or "Do not drain" in done


@pytest.mark.parametrize("sighting", [Sighting.BLACK_SPOTS, Sighting.MUSTARD_DUST])
@pytest.mark.parametrize(("surface", "brush"), [(Surface.PLASTER, "stainless"), (Surface.VINYL, "nylon")])
def test_algae_on_the_walls_are_brushed_and_dosed_above_10_once_a_day(sighting, surface, brush):
    spotted = blue(readings=(chlorine(3.0), *BALANCED[1:]), sightings=(sighting,))
    step = step_of(*VACUUMED, spotted, pool=a_pool(surface=surface))
    assert step.step is StepKind.DOSE
    assert brush in words_of(step)
    (dose,) = doses_of(step)
    raised = effects(dose.chemical, dose.amount, volume_l=a_pool().volume_l, strength_pct=dose.strength_pct)
    assert 10 < 3.0 + raised.free_chlorine_mg_l < 15
    poured = replace(spotted, treatments=(liquid(1.3),))
    assert not doses_of(step_of(*VACUUMED, poured, pool=a_pool(surface=surface)))
    # Green water comes first.
    assert "brush them open" not in step_of(DOSED, at_visit(2, 24, MODERATE, readings=(chlorine(0),),
                                                            sightings=(sighting,))).title  # fmt: skip


def test_chlorine_gone_overnight_is_looked_into_twice_and_then_let_be():
    poured = blue(4, 120, readings=(chlorine(0.5), *BALANCED[1:]), treatments=(liquid(0.4),))
    gone = blue(5, 144, readings=(chlorine(0.2), *BALANCED[1:]))
    step = step_of(*VACUUMED, poured, gone)
    assert "gone overnight" in step.title
    assert "dusk" in words_of(step)
    assert doses_of(step)
    again = (replace(gone, treatments=(liquid(0.4),)), replace(gone, id="v6", at=gone.at.replace(day=gone.at.day + 1)))
    more = (
        replace(again[1], treatments=(liquid(0.4),)),
        replace(gone, id="v7", at=gone.at.replace(day=gone.at.day + 2)),
    )
    assert rule_of(*VACUUMED, poured, again[0], more[0], more[1]) == "chlorine_low_at_end"


@pytest.mark.parametrize(("sighting", "word"), [(Sighting.FOAM, "algaecide"), (Sighting.STAINS, "vitamin C")])
def test_foam_and_stains_are_told_once_and_do_not_hold_up_the_hand_over(sighting, word):
    seen = blue(sightings=(sighting,))
    step = step_of(*VACUUMED, seen)
    assert word in words_of(step)
    assert not doses_of(step)
    assert step_of(*VACUUMED, seen, blue(5, 144, sightings=(sighting,))).step is StepKind.HAND_OVER


def test_a_copper_mineral_unit_stands_in_for_the_bromide():
    offered = step_of(at_visit(1, 0, HEAVY), pool=a_pool(salt_cell=True))
    assert "copper mineral unit in the pump basket" in words_of(offered)
    fitted = step_of(at_visit(1, 0, HEAVY, sightings=(Sighting.MINERAL_UNIT,)))
    assert [dose.chemical for dose in doses_of(fitted)] == [Chemical.SODIUM_HYPOCHLORITE]
    assert "no other algaecide beside it" in words_of(fitted)
    plain = step_of(at_visit(1, 0, HEAVY))
    assert Chemical.SODIUM_BROMIDE in {dose.chemical for dose in doses_of(plain)}


@pytest.mark.parametrize(
    ("changes", "word"),
    [
        ({"salt_cell": True}, "Switch the salt cell off"),
        ({"indoor": True}, "Open doors, fans on"),
        ({"surface": Surface.VINYL}, "Pour thinly"),
        ({"surface": Surface.FIBREGLASS}, "Pour thinly"),
    ],
)
def test_what_the_pool_is_has_its_own_line_before_the_chlorine(changes, word):
    step = step_of(at_visit(1, 0, HEAVY), pool=a_pool(**changes))
    said = [action.say for action in step.do]
    here = next(i for i, each in enumerate(said) if word in each)
    poured = next(i for i, action in enumerate(step.do) if action.dose is not None)
    assert here < poured
    assert not any(word in action.say for action in step_of(at_visit(1, 0, HEAVY)).do)


def test_dead_water_is_filtered_with_little_chlorine_and_seen_every_second_day():
    visits = (
        DOSED,
        at_visit(2, 24, MILKY, floor_seen=False, readings=(chlorine(0),), treatments=(liquid(6),)),
        at_visit(3, 72, water(1.3, 1.0), floor_seen=False, readings=(chlorine(0.2),)),
    )
    step = step_of(*visits)
    assert step.step is StepKind.CLEAN_FILTER
    (dose,) = doses_of(step)
    raised = effects(dose.chemical, dose.amount, volume_l=litres(15_000), strength_pct=dose.strength_pct)
    assert raised.free_chlorine_mg_l + 0.2 == pytest.approx(limits.UPKEEP_MG_L)
    assert step.return_in_hours == limits.FILTER_ONLY_H
    # Green again: back to a clearing dose.
    green = replace(visits[2], assessment=MODERATE)
    assert step_of(*visits[:2], green).step is StepKind.DOSE
