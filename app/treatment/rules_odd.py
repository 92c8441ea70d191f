"""Rules about unusual findings: a pump found off, metals, foam, stains, spots, chlorine that is gone, a flat gauge.

In: `Facts`. Out: tuples of rules that `rules.py` puts in order. Unless a source is named a rule is common practice.
"""

from __future__ import annotations

from app.records import Sighting, StepKind, Work
from app.treatment import limits
from app.treatment.cautions import Topic
from app.treatment.conditions import (
    CLEAN,
    NOT_TO_STREET,
    OPENING,
    POURING,
    RUN,
    above,
    below,
    chlorine_held_back,
    chlorine_vanishes,
    filter_stays_clogged,
    first_sighted,
    gauge_is_flat,
    is_lined,
    spoilt_alkalinity,
    spots_dose,
    spots_to_treat,
    upkeep,
)
from app.treatment.limits import COMMON_PRACTICE
from app.treatment.rule import Only, Pour, Rule

MAHC_CYA = "CDC Model Aquatic Health Code 6.5.2.3 and annex: cyanuric acid falls only by dilution"
"""Why too much cyanuric acid is not treated with a chemical."""

FROM_MEMORY = "from memory; common practice, no source"

PUMP_FOUND_OFF = Rule(
    name="pump_found_off",
    when="The pump was found off on arrival, not for a flocculant, and has not been dealt with at this visit.",
    applies=lambda f: (
        f.sees(Sighting.PUMP_FOUND_OFF)
        and not f.is_settling
        and f.last is not None
        and Work.PUMP_STARTED not in f.last.work
    ),
    step=StepKind.REPAIR_PUMP,
    title="The pump was off when you came: make sure that it runs day and night",
    because=("sightings", "equipment", "trend"),
    do=(
        "Find out why: timer, tripped breaker or ground-fault device, or an owner who switches it off at night.",
        "Timer off and taped; agree with the owner that it runs without a break until the water is blue.",
        "Start it, see it prime, and log it as started: the next step follows at the same visit.",
    ),
    return_in_hours=24.0,
    look_for="A pump that still runs at the next visit; a meter or a marked clock that says so.",
    would_change=("A breaker that trips again: an electrician before anything else.",),
    cautions=(Topic.ELECTRICITY, Topic.PRESSURE, Topic.SWIMMING),
)

METALS = Rule(
    name="metals_turned",
    when="The water turned brown, black or dark green, yet clear, when chlorine went in: metals, not algae.",
    applies=lambda f: f.sees(Sighting.TURNED_BY_CHLORINE),
    step=StepKind.CALL_FOR_HELP,
    title="Metals, not algae: no more chlorine until they are tested and bound",
    because=("sightings", "grade", "chlorine", "last_dose"),
    do=(
        "Stop pouring any oxidiser: it turns dissolved iron, copper or manganese into colour and stains.",
        "Test iron and copper, in the pool and in the fill water; ask about well water, a heater, copper algaecide.",
        "A metal binder by its label, filter on, and the filter cleaned daily; keep pH at 7.2 to 7.4 meanwhile.",
    ),
    return_in_hours=24.0,
    look_for="The colour caught in the filter; a test without iron or copper.",
    would_change=("Colour gone and no metal found: leave it out at the next visit, and the plan goes on.",),
    cautions=(Topic.LABEL, *OPENING, Topic.SWIMMING),
    sources=(FROM_MEMORY,),
)

FLAT_GAUGE = Rule(
    name="pressure_does_not_rise",
    when="Cloudy water has been filtered since the visit before, the gauge has not risen, and nobody looked inside.",
    applies=gauge_is_flat,
    step=StepKind.CLEAN_FILTER,
    title="The gauge does not rise: open the filter and look",
    because=("pressure", "grade", "filter", "elements"),
    do=(
        "Pump off at the breaker, relieve the pressure, open the filter.",
        "Look for torn or missing elements, a cracked manifold, a bypass left open; tap the gauge: it may be stuck.",
        "Log what you find, good or torn; clean the filter, and the next step follows at the same visit.",
        *CLEAN,
    ),
    return_in_hours=24.0,
    look_for="A pressure that climbs while the water is cloudy: then the filter catches.",
    would_change=("Torn elements or a cracked manifold: replaced before anything else.",),
    cautions=(*OPENING, Topic.DE_POWDER, Topic.SWIMMING),
)

STAYS_CLOGGED = Rule(
    name="filter_does_not_come_clean",
    when="The algae are dead; the gauge is 8 psi above clean again, although the filter was cleaned the visit before.",
    applies=filter_stays_clogged,
    step=StepKind.REPAIR_FILTER,
    title="The filter does not come clean: soak, replace or dig out",
    because=("pressure", "filter", "elements", "grade"),
    do=(
        "Clean it once more and read the gauge at once: back at its clean pressure, and only the water was dirty.",
        "Still high: soak cartridges or grids in a degreaser and then rinse, or replace them; no acid on oily ones.",
        "Sand: open the lid, look for lumps and channels, break them up or replace the sand.",
        "Look at the valve and the returns as well: something half shut shows as pressure too.",
        "Log the elements as replaced once the gauge is back.",
    ),
    return_in_hours=24.0,
    look_for="The clean pressure right after cleaning.",
    would_change=("Clean pressure on record is wrong: correct it on the pool's page.",),
    cautions=(*OPENING, Topic.DE_POWDER, Topic.SWIMMING),
)

CYA_LINED = Rule(
    name="cyanuric_acid_blocks_lined",
    when="A vinyl or fibreglass pool stands still, and cyanuric acid is above 150 mg/L.",
    applies=lambda f: chlorine_held_back(f) and f.must_not_drain,
    step=StepKind.CALL_FOR_HELP,
    title="Cyanuric acid holds the chlorine back: exchange water without lowering it",
    because=("stall", "held", "balance", "shell", "trend"),
    do=(
        "Pour no more: at this much cyanuric acid a whole dose acts like a trace.",
        "Never drain this shell. Let water out at the bottom as fast as fresh runs in at the top, the level kept.",
        "Ask the local authority where the water may go.",
        "Test cyanuric acid again: under 100 ppm (mg/L) the plan goes on.",
        "{checks}",
    ),
    return_in_hours=48.0,
    look_for="Cyanuric acid under 100 ppm (mg/L).",
    would_change=("A second test, the sample diluted by half, that reads low: the first was wrong.",),
    cautions=(Topic.DRAINING, *NOT_TO_STREET, Topic.SWIMMING),
    sources=(MAHC_CYA, COMMON_PRACTICE),
)

CYA_BLOCKS = Rule(
    name="cyanuric_acid_blocks",
    when="The water stands still, and cyanuric acid is above 150 mg/L.",
    applies=chlorine_held_back,
    step=StepKind.CALL_FOR_HELP,
    title="Cyanuric acid holds the chlorine back: exchange part of the water",
    because=("stall", "held", "balance", "shell", "trend"),
    do=(
        "Pour no more: at this much cyanuric acid a whole dose acts like a trace.",
        "Lower the water by a third at most, as local code and ground water allow; refill, and test again.",
        "Test cyanuric acid again: under 100 ppm (mg/L) the plan goes on.",
        "{checks}",
    ),
    return_in_hours=48.0,
    look_for="Cyanuric acid under 100 ppm (mg/L).",
    would_change=("A second test, the sample diluted by half, that reads low: the first was wrong.",),
    cautions=(Topic.DRAINING, *NOT_TO_STREET, Topic.ELECTRICITY, Topic.SWIMMING),
    sources=(MAHC_CYA, COMMON_PRACTICE),
)

SPOTS: tuple[Rule, ...] = (
    Rule(
        name="spots",
        when="No green in the water, the floor is seen, and black spots or yellow-brown dust cling to the walls.",
        applies=spots_to_treat,
        step=StepKind.DOSE,
        title="Algae on the walls: brush them open, and hold the chlorine above 10",
        because=("sightings", "grade", "floor", "chlorine", "held"),
        do=(
            Only(lambda f: not is_lined(f), "Brush every spot with a stainless brush, then a wide one for the dust."),
            Only(is_lined, "Brush with nylon only: steel tears vinyl and scratches fibreglass."),
            Pour("Pour {dose} of liquid chlorine along the walls, pump running.", spots_dose),
            "Brush again each day for three days; rinse brushes, nets and toys in chlorinated water.",
            "Clean the filter, and look behind lights and ladders: it comes back from there.",
        ),
        return_in_hours=24.0,
        look_for="Spots paler, dust that does not settle again in the shade by the next day.",
        would_change=(
            "No change after three days: a copper algaecide by its label, on a day without a chlorine dose.",
            "What does not brush off and does not pale may be a stain: log it as one.",
        ),
        cautions=POURING,
        sources=(FROM_MEMORY,),
    ),
)
"""Algae that are not in the water."""

BLUE_BUT: tuple[Rule, ...] = (
    Rule(
        name="chlorine_gone_overnight",
        when="The water is blue, chlorine was brought up at the visit before, and next to none is left.",
        applies=chlorine_vanishes,
        step=StepKind.BALANCE,
        title="Chlorine gone overnight: find what eats it before the hand-over",
        because=("chlorine", "balance", "grade", "last_dose"),
        do=(
            "Look behind lights, ladders and returns, in the filter and under the cover: something is alive there.",
            "Test at dusk and again at dawn: a loss of more than 1 ppm (mg/L) without sun is life, not light.",
            Pour("Pour {dose} of liquid chlorine along the deep end, pump running, in the evening.", upkeep),
            Only(
                lambda f: not f.pool.indoor and below(f, "cyanuric_acid", limits.CYA_LEAST_MG_L),
                "Hardly any cyanuric acid: the sun alone takes it within hours. Raise that next.",
            ),
        ),
        return_in_hours=24.0,
        look_for="Less than 1 ppm (mg/L) lost from dusk to dawn.",
        would_change=("Chlorine holds overnight and falls by day: it is the sun; see to the cyanuric acid.",),
        cautions=POURING,
        sources=(FROM_MEMORY,),
    ),
    Rule(
        name="foam",
        when="No green in the water, and foam on it for the first time.",
        applies=lambda f: f.is_measured and not f.is_green and first_sighted(f, Sighting.FOAM),
        step=StepKind.CLEAN_FILTER,
        title="Foam: no more algaecide, let it break",
        because=("sightings", "grade", "balance"),
        do=(
            "Pour no algaecide: too much of it is the usual reason; soap and lotion are the other.",
            "Skim it off, water level at the middle of the skimmer, and run on.",
            "If it stands for more than three days exchange a little of the water, as the local code allows.",
            *CLEAN,
            RUN,
        ),
        return_in_hours=24.0,
        look_for="Bubbles that break within seconds.",
        would_change=("Foam in front of one return only: air in the suction line; look at the pump's lid.",),
        cautions=(*OPENING, Topic.SWIMMING),
        sources=(FROM_MEMORY,),
    ),
    Rule(
        name="stains",
        when="The water is blue, and stains were noted for the first time.",
        applies=lambda f: f.is_blue and first_sighted(f, Sighting.STAINS),
        step=StepKind.BALANCE,
        title="Blue, with stains: find out of what before anything is poured on them",
        because=("sightings", "grade", "shell", "balance"),
        do=(
            "Hold a vitamin C tablet on one for half a minute: what pales is metal.",
            "Metal: bind it by the label at a low chlorine; never raise the chlorine on it.",
            "What does not pale is of leaves or algae: chlorine and brushing take it off in days.",
            "Photograph them and tell the owner; they need not hold up the hand-over.",
        ),
        return_in_hours=24.0,
        look_for="What they are of; log them as stains at later visits only if there are new ones.",
        would_change=("Stains that spread: test iron and copper in the fill water.",),
        cautions=(Topic.LABEL, Topic.SWIMMING),
        sources=(FROM_MEMORY,),
    ),
    Rule(
        name="cyanuric_acid_hides_alkalinity",
        when="The water is blue, and so much of the alkalinity is cyanuric acid that no acid dose can be computed.",
        applies=lambda f: (
            f.is_blue
            and above(f, "cyanuric_acid", limits.CYA_MOST_MG_L)
            and above(f, "ph", limits.PH_BAND[1])
            and spoilt_alkalinity(f)
        ),
        step=StepKind.BALANCE,
        title="Blue, but far too much cyanuric acid: exchange part of the water",
        because=("balance", "grade", "shell"),
        do=(
            Only(is_lined, "Never drain this shell: let water out as fast as fresh water runs in, the level kept."),
            Only(lambda f: not is_lined(f), "Lower the water by a third at most, as the local code allows; refill."),
            "Test pH, alkalinity and cyanuric acid again afterwards.",
        ),
        return_in_hours=48.0,
        look_for="Cyanuric acid of 90 ppm (mg/L) or less.",
        would_change=("A second test that reads low: the first was wrong.",),
        cautions=(Topic.DRAINING, *NOT_TO_STREET, Topic.ELECTRICITY, Topic.SWIMMING),
        sources=(MAHC_CYA, COMMON_PRACTICE),
    ),
)
"""Blue, and yet something is to be seen to."""
