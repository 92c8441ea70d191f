"""Rules about the site: whose pool it is, power, pump, filter, waiting, and measuring.

In: `Facts`. Out: tuples of rules that `rules.py` puts in order. Unless a source is named a rule is common practice.
"""

from __future__ import annotations

from app.records import ElementState, StepKind
from app.treatment import limits
from app.treatment.cautions import MAHC_CLARITY, Topic
from app.treatment.conditions import (
    OPENING,
    RUN,
    SPREAD,
    is_cartridge,
    is_de,
    run_left,
    settle_left,
)
from app.treatment.limits import COMMON_PRACTICE
from app.treatment.rule import Only, Rule

BEFORE: tuple[Rule, ...] = (
    Rule(
        name="closed",
        when="The recovery is closed.",
        applies=lambda f: f.recovery.closed_at is not None,
        step=StepKind.CLOSED,
        title="Closed: nothing to do",
        because=("grade",),
        do=(),
        return_in_hours=None,
        look_for="If the pool turns again, open a new recovery.",
    ),
    Rule(
        name="handed_over",
        when="The pool was handed over at the last visit.",
        applies=lambda f: f.last is not None and any(work.value == "handed_over" for work in f.last.work),
        step=StepKind.HAND_OVER,
        title="Handed over: close the recovery",
        because=("grade",),
        do=("Close the recovery and send the report.",),
        return_in_hours=None,
        look_for="Nothing more; the pool is back in regular care.",
        cautions=(Topic.SWIMMING,),
    ),
    Rule(
        name="public_pool",
        when="The pool is public or commercial.",
        applies=lambda f: f.pool.public,
        step=StepKind.CALL_FOR_HELP,
        title="Public pool: ask its licensed operator and the health department",
        because=("shell", "grade"),
        do=(
            "Keep the pool closed and say so at the gate.",
            "Call the licensed operator: treatment and reopening follow the health code, not this advice.",
            "Go on logging photos and readings: they show the operator how the water stands.",
        ),
        return_in_hours=None,
        look_for="The operator's instructions in writing.",
        would_change=("If the pool is private after all, correct it on the pool's page.",),
        cautions=(Topic.PUBLIC, Topic.SWIMMING),
        sources=(MAHC_CLARITY, COMMON_PRACTICE),
    ),
    Rule(
        name="not_visited",
        when="No visit has been logged.",
        applies=lambda f: f.last is None,
        step=StepKind.START,
        title="Visit the pool: equipment first, then a photo",
        because=("grade", "filter", "volume"),
        do=(
            "See whether there is power, and whether the pump starts, primes and holds its flow.",
            "Note the filter's pressure and look at its elements.",
            "Ask when the pool was last blue, and what was poured since.",
            "Lay the card at the water's edge and photograph card and water together.",
            "Test free chlorine, pH and cyanuric acid; feel for sludge with a pole.",
        ),
        return_in_hours=24.0,
        look_for="Whether the floor is seen, and what lies on it.",
        would_change=("No power, a dead pump or torn filter elements come before any chemical.",),
        cautions=(Topic.ELECTRICITY, Topic.PRESSURE, Topic.SWIMMING),
    ),
)
"""Closed, handed over, public, not visited."""

EQUIPMENT: tuple[Rule, ...] = (
    Rule(
        name="no_power",
        when="There is no power at the equipment.",
        applies=lambda f: f.equipment.power_on is False,
        step=StepKind.RESTORE_POWER,
        title="Get the power back",
        because=("equipment",),
        do=(
            "Tell the owner: nothing can be cleared without a pump that runs day and night.",
            "Look for a tripped breaker or ground-fault device; reset it once. If it trips again, call an electrician.",
            "Pour nothing yet: without flow a chemical stays where it is poured.",
        ),
        return_in_hours=24.0,
        look_for="Power at the pump, and the pump starting.",
        would_change=("Power back and the pump running: log it, and the plan goes on.",),
        cautions=(Topic.ELECTRICITY, Topic.SWIMMING),
    ),
    Rule(
        name="pump_dead",
        when="The pump does not run, and is not off to let a flocculant settle.",
        applies=lambda f: f.equipment.pump_runs is False and not f.is_settling,
        step=StepKind.REPAIR_PUMP,
        title="Get the pump running",
        because=("equipment",),
        do=(
            "Switch off at the breaker, then empty the baskets and free the impeller.",
            "If the motor hums or stays silent, have it repaired or replaced before anything is poured.",
        ),
        return_in_hours=48.0,
        look_for="The pump starts, primes within minutes, and stays primed.",
        would_change=("Pump running: log it, and the plan goes on.",),
        cautions=(Topic.ELECTRICITY, Topic.PRESSURE, Topic.SWIMMING),
    ),
    Rule(
        name="flow_lost",
        when="The pump runs but does not hold its flow.",
        applies=lambda f: f.equipment.flow_holds is False and not f.is_settling,
        step=StepKind.REPAIR_PUMP,
        title="Make the pump hold its prime",
        because=("equipment", "pressure"),
        do=(
            "Fill the pool to the middle of the skimmer; empty skimmer and pump baskets.",
            "Grease or replace the pump lid's seal; look for air bubbles at the returns.",
            "If the filter is clogged, clean it; if the suction line is blocked, have it cleared.",
            "Pour nothing until the flow holds.",
        ),
        return_in_hours=24.0,
        look_for="A full pump basket without air, and a steady gauge.",
        would_change=("Flow holding: log it, and the plan goes on.",),
        cautions=(Topic.ELECTRICITY, Topic.PRESSURE, Topic.SWIMMING),
    ),
    Rule(
        name="filter_passes_powder",
        when="A DE filter has torn grids or a cracked manifold.",
        applies=lambda f: (
            is_de(f) and (f.equipment.elements == ElementState.TORN or f.equipment.manifold_sound is False)
        ),
        step=StepKind.REPAIR_FILTER,
        title="Replace the torn grids or the cracked manifold first",
        because=("equipment", "filter"),
        do=(
            "Pump off at the breaker, relieve the pressure, open the filter.",
            "Replace torn grids and a cracked manifold: through them the powder goes back into the pool, and the "
            "clean-up cannot succeed.",
            "Put fresh powder in and look for a white cloud at the returns: there must be none.",
        ),
        return_in_hours=48.0,
        look_for="No powder on the floor under the returns.",
        would_change=("Grids and manifold sound: log the replacement, and the plan goes on.",),
        cautions=(Topic.PRESSURE, Topic.ELECTRICITY, Topic.DE_POWDER, Topic.SWIMMING),
    ),
    Rule(
        name="cartridges_torn",
        when="A cartridge filter has torn cartridges.",
        applies=lambda f: is_cartridge(f) and f.equipment.elements == ElementState.TORN,
        step=StepKind.REPAIR_FILTER,
        title="Replace the torn cartridges first",
        because=("equipment", "filter"),
        do=(
            "Pump off at the breaker, relieve the pressure, open the filter.",
            "Replace the cartridges: water goes round a torn one unfiltered.",
        ),
        return_in_hours=48.0,
        look_for="Clean pressure with the new set: note it.",
        would_change=("New cartridges in: log it, and the plan goes on.",),
        cautions=(*OPENING, Topic.SWIMMING),
    ),
    Rule(
        name="cartridges_worn",
        when="A cartridge filter has worn cartridges (bands gone, pleats splayed), and the clean-up has not begun.",
        applies=lambda f: (
            is_cartridge(f) and f.equipment.elements == ElementState.WORN and not (f.dosed_before or f.dosed_last)
        ),
        step=StepKind.REPAIR_FILTER,
        title="Replace the worn cartridges before the clean-up",
        because=("equipment", "filter"),
        do=(
            "Offer the owner a new set now rather than afterwards: algae hose off a new cartridge, not off a worn one.",
            "Pump off at the breaker, relieve the pressure, change the set.",
        ),
        return_in_hours=48.0,
        look_for="Clean pressure with the new set: note it.",
        would_change=("If the owner says no, log the elements as good enough and expect it to take longer.",),
        cautions=(*OPENING, Topic.SWIMMING),
    ),
    Rule(
        name="equipment_not_looked_at",
        when="Nobody has yet noted that the pump runs.",
        applies=lambda f: f.equipment.pump_runs is None and f.equipment.flow_holds is not True,
        step=StepKind.START,
        title="Look at the equipment before any chemical",
        because=("equipment", "grade"),
        do=(
            "See whether there is power, and whether the pump starts, primes and holds its flow.",
            "Note the filter's pressure and look at its elements.",
            "Log what you find at this visit: the dose follows at once.",
        ),
        return_in_hours=24.0,
        look_for="A full pump basket without air, and a steady gauge.",
        would_change=("Pump noted as running: the plan goes on with the water.",),
        cautions=(*OPENING, Topic.SWIMMING),
    ),
    Rule(
        name="no_volume",
        when="The pool's volume is not on record, or is none that a pool can have.",
        applies=lambda f: not f.has_volume,
        step=StepKind.MEASURE_AGAIN,
        title="Measure the pool: its volume is not known",
        because=("volume",),
        do=("Measure length, width and both depths, and enter the volume on the pool's page.",),
        return_in_hours=24.0,
        look_for="A volume that fits: most home pools hold 10,000 to 40,000 gal (40,000 to 150,000 L).",
        would_change=("With a volume on record the plan goes on.",),
        cautions=(Topic.SWIMMING,),
    ),
)
"""Nothing is poured before the equipment can do its part."""

WAITING: tuple[Rule, ...] = (
    Rule(
        name="floc_settling",
        when="A flocculant went in at the last visit, less than a day and a half ago.",
        applies=lambda f: f.flocced_last and f.since_last_h < limits.SETTLE_H,
        step=StepKind.FLOCCULATE,
        title="Let it settle: pump off",
        because=("floc", "time"),
        do=(
            "Valve on recirculate for 1 to 2 h after pouring, then pump off and timer off.",
            "Leave the water alone for 24 to 48 h: no brushing, no pump, nobody in it.",
        ),
        return_in_hours=settle_left,
        look_for="A floor that can be seen, with a pale blanket on it. Photograph before you touch the water.",
        would_change=("Strong wind or rain stirs it up: give it the full 48 h.",),
        cautions=(Topic.SWIMMING, Topic.ELECTRICITY),
    ),
    Rule(
        name="dosed_and_running",
        when="A clearing dose went in at the last visit, it was enough, and a day has not gone by.",
        applies=lambda f: f.dosed_last and f.since_last_h < limits.RUN_AFTER_DOSE_H and not f.is_short_dosed,
        step=StepKind.CIRCULATE,
        title="Keep the pump running, day and night",
        because=("poured", "time", "grade"),
        do=(RUN, "Empty skimmer and pump baskets if the flow drops.", SPREAD),
        return_in_hours=run_left,
        look_for=(
            "Milky blue water with the floor in sight: the dose was enough. Free chlorine is usually zero by then: "
            "that is demand, not failure."
        ),
        would_change=("If the pump stops, get it going again before anything else.",),
        cautions=(Topic.SWIMMING, Topic.PRESSURE),
    ),
    Rule(
        name="vacuumed_and_running",
        when="The floor was vacuumed at the last visit and a day has not gone by.",
        applies=lambda f: f.vacuumed_last and f.since_last_h < limits.RUN_AFTER_DOSE_H,
        step=StepKind.CIRCULATE,
        title="Filter on after vacuuming",
        because=("vacuum", "time"),
        do=(RUN, "Clean the filter when its pressure rises."),
        return_in_hours=run_left,
        look_for="It may turn cloudy or greenish again for a while: stirred-up dead algae, not a relapse.",
        would_change=("Greener two visits in a row: then it is a relapse.",),
        cautions=(Topic.SWIMMING, Topic.PRESSURE),
    ),
    Rule(
        name="judging_is_due",
        when="What was done at the last visit has had its day, and nobody has been back to judge it.",
        applies=lambda f: f.acted_last and (f.vacuumed_last or not f.is_blue) and f.since_last_h >= f.judge_after_h,
        step=StepKind.MEASURE_AGAIN,
        title="Go back and judge the water",
        because=("time", "poured", "floc", "vacuum"),
        do=(
            "Photograph card and water before you touch anything; note whether the floor is seen.",
            "Test free chlorine. Above 10 ppm (mg/L) tests bleach or misread: dilute the sample with tap water.",
            Only(lambda f: not f.flocced_last, "Clean the filter, whatever the water looks like."),
            Only(lambda f: f.flocced_last, "Leave the pump off until the settled floor has been vacuumed to waste."),
        ),
        return_in_hours=0.0,
        look_for="Milky blue with the floor in sight, or still green.",
        would_change=("The new photo and reading decide: filter on, or another dose.",),
        cautions=(*OPENING, Topic.SWIMMING, Topic.BLIND_WATER),
    ),
)
"""What was done needs its time, and then someone to judge it."""

MEASURING: tuple[Rule, ...] = (
    Rule(
        name="not_measured",
        when="The last visit has no measured photo, or the measurement is flagged as unusable.",
        applies=lambda f: not f.is_measured,
        step=StepKind.MEASURE_AGAIN,
        title="Measure again: take a new photo",
        because=("grade",),
        do=(
            "Lay the card at the water's edge, dry, flat and whole in the picture, in the same light as the water.",
            "Fill the picture with water, hold still, look down into the deep end, and retake.",
            "Pour nothing on a measurement that is in doubt.",
        ),
        return_in_hours=24.0,
        look_for="A graded photo without flags.",
        would_change=("A usable photo: the plan goes on from it.",),
        cautions=(Topic.SWIMMING,),
        sources=("Our own rule: a flagged measurement never leads to a dose",),
    ),
    Rule(
        name="measurement_is_old",
        when="The last measurement is more than three days old.",
        applies=lambda f: f.since_last_h > limits.STALE_AFTER_H,
        step=StepKind.MEASURE_AGAIN,
        title="Measure again: the last photo is too old to go by",
        because=("time", "grade"),
        do=(
            "Photograph card and water; test free chlorine, pH and cyanuric acid.",
            "See that the pump still runs and the filter's pressure is right.",
        ),
        return_in_hours=0.0,
        look_for="How green it is now: in warm weather algae come back within days.",
        would_change=("A new photo: the plan goes on from it.",),
        cautions=(Topic.SWIMMING,),
        sources=("Our own rule: no dose on an old measurement",),
    ),
)
"""Without a usable, fresh measurement nothing is poured."""
