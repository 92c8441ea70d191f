"""Stalls as a probability, and their causes ranked by what the log holds."""

from dataclasses import replace

import pytest

from app.records import CauseKind, ElementState, FilterKind, Sighting, Standing, StepKind, Work
from app.treatment.causes import BEFOREHAND, CLUES, TOLD, rank_causes
from app.treatment.facts import gather
from app.treatment.plan import next_step
from app.treatment.progress import progress
from app.treatment.stall import CALLED_AT
from tests.app.treatment.recovery_logs import (
    HEAVY,
    RUNNING,
    a_pool,
    a_reading,
    a_recovery,
    at_visit,
    chlorine,
    liquid,
    water,
)

DE = a_pool(filter_kind=FilterKind.DE)
DOSED = at_visit(1, 0, HEAVY, floor_seen=False, treatments=(liquid(8),))
STILL_GREEN = (
    DOSED,
    at_visit(2, 24, water(0.31, 150.0), floor_seen=False, readings=(chlorine(0),), treatments=(liquid(8),)),
    at_visit(3, 48, water(0.3, 155.0), floor_seen=False, readings=(chlorine(0),)),
)


def milky_still(**changes):
    """Dosed, dead, and as milky four days on as before."""
    return (
        DOSED,
        at_visit(2, 24, water(0.6, 1.0), floor_seen=False, readings=(chlorine(2),)),
        at_visit(3, 72, water(0.62, 1.0), floor_seen=False, readings=(chlorine(1),)),
        at_visit(4, 120, water(0.61, 1.0), **{"floor_seen": False, "readings": (chlorine(1),), **changes}),
    )


def facts_of(*visits, pool=None):
    recovery = a_recovery(*visits, pool=pool or DE)
    return gather(recovery, visits[-1].at)


def first(*visits, pool=None):
    return rank_causes(facts_of(*visits, pool=pool))[0].kind


def test_a_stall_is_a_probability_said_with_its_span():
    facts = facts_of(*milky_still())
    assert facts.stall.probability >= CALLED_AT
    assert not facts.stall.green
    assert facts.is_stalled
    step = next_step(facts.recovery, facts.now)
    assert step.step is StepKind.CALL_FOR_HELP
    assert any("% probable that the cloud is not going" in each.say for each in step.why)


def test_clearing_water_is_improbable_to_stand_still():
    going = (*milky_still()[:2], at_visit(3, 72, water(1.1, 1.0), floor_seen=False, readings=(chlorine(1),)))
    stall = facts_of(*going).stall
    assert stall.probability < 0.1


def test_what_was_mended_begins_anew():
    visits = milky_still()
    mended = (*visits[:3], replace(visits[3], work=(Work.ELEMENTS_REPLACED,)))
    after = at_visit(5, 140, water(0.63, 1.0), floor_seen=False, readings=(chlorine(1),))
    # Four days of standing still are over with the new elements; a day after says little by itself.
    assert not facts_of(*mended, after).is_stalled


def test_green_and_not_dosed_is_no_stall():
    visits = (*STILL_GREEN[:2], replace(STILL_GREEN[2], treatments=()))
    undosed = at_visit(4, 72, water(0.3, 160.0), floor_seen=False, readings=(chlorine(0),))
    assert facts_of(*visits, undosed).stall is None


def test_chlorine_that_stands_high_over_green_is_a_stall_too():
    high = (chlorine(14.0), a_reading("cyanuric_acid", 400.0))
    visits = tuple(
        at_visit(
            i, 24 * i, water(0.4, 120.0), floor_seen=False, readings=high, treatments=(liquid(8),) if i < 2 else ()
        )
        for i in range(4)
    )
    facts = facts_of(*visits)
    assert facts.is_stalled
    assert rank_causes(facts)[0].kind is CauseKind.CYANURIC_ACID


@pytest.mark.parametrize(
    ("visits", "pool", "kind"),
    [
        pytest.param(
            milky_still(sightings=(Sighting.PUMP_FOUND_OFF,), work=(Work.PUMP_STARTED,)),
            DE,
            CauseKind.PUMP_OFF,
            id="pump",
        ),
        pytest.param(milky_still(sightings=(Sighting.POWDER_AT_RETURNS,)), DE, CauseKind.FILTER_PASSES, id="powder"),
        pytest.param(
            milky_still(equipment=replace(RUNNING, filter_pressure_kpa=91.0)),
            DE,
            CauseKind.FILTER_PASSES,
            id="flat gauge",
        ),
        pytest.param(
            milky_still(equipment=replace(RUNNING, filter_pressure_kpa=170.0)),
            DE,
            CauseKind.FILTER_CLOGGED,
            id="high gauge",
        ),
        pytest.param(STILL_GREEN, DE, CauseKind.UNDER_DOSED, id="gone each day"),
        pytest.param(
            (
                *STILL_GREEN[:2],
                replace(STILL_GREEN[2], readings=(chlorine(0), a_reading("cyanuric_acid", 300.0))),
            ),
            DE,
            CauseKind.CYANURIC_ACID,
            id="cyanuric acid",
        ),
        pytest.param(
            (*STILL_GREEN[:2], replace(STILL_GREEN[2], debris_on_floor=True)), DE, CauseKind.DEBRIS, id="debris"
        ),
    ],
)
def test_what_the_log_holds_names_the_cause(visits, pool, kind):
    assert first(*visits, pool=pool) is kind


def test_ranked_causes_are_shares_with_a_check_each():
    causes = rank_causes(facts_of(*STILL_GREEN))
    assert [each.kind for each in causes] != list(CauseKind)
    assert {each.kind for each in causes} == set(CauseKind)
    assert sum(each.share for each in causes) == pytest.approx(1)
    assert [each.share for each in causes] == sorted((each.share for each in causes), reverse=True)
    assert all(each.check and each.mend and each.say for each in causes)
    assert len({each.check for each in causes}) == len(causes)


def test_step_and_progress_carry_the_same_ranking():
    recovery = a_recovery(*STILL_GREEN, pool=DE)
    now = STILL_GREEN[-1].at
    step, said = next_step(recovery, now), progress(recovery, now)
    assert said.standing is Standing.STALLED
    assert step.causes == said.causes
    assert said.stall_probability >= CALLED_AT
    assert any(step.causes[0].check in action.say for action in step.do)
    # Water that moves has none.
    assert next_step(a_recovery(DOSED), DOSED.at).causes == ()
    assert progress(a_recovery(DOSED), DOSED.at).causes == ()


def test_the_table_of_clues_is_whole():
    assert sum(BEFOREHAND.values()) == pytest.approx(1)
    assert set(TOLD) == set(CauseKind)
    for clue in CLUES:
        assert set(clue.shares) == set(CauseKind), clue.name
        assert all(0 < share < 1 for share in clue.shares.values()), clue.name


def test_elements_seen_to_be_good_speak_against_the_filter():
    flat = replace(RUNNING, filter_pressure_kpa=91.0)
    unseen, seen = (
        {each.kind: each.share for each in rank_causes(facts_of(*milky_still(equipment=equipment)))}
        for equipment in (flat, replace(flat, elements=ElementState.GOOD))
    )
    assert seen[CauseKind.FILTER_PASSES] < unseen[CauseKind.FILTER_PASSES]
