"""Rules about the water while it is not blue: sludge, floor, enough poured, doses.

In: `Facts`. Out: tuples of rules that `rules.py` puts in order. Unless a source is named a rule is common practice.
Long because it is a table: nothing else is in it.
"""

from __future__ import annotations

from app.records import StepKind
from app.treatment import limits
from app.treatment.cautions import Topic
from app.treatment.conditions import (
    CLEAN,
    LOOK_INSIDE,
    NOT_TO_STREET,
    OPENING,
    POURING,
    RUN,
    SPREAD,
    again,
    bromide,
    chlorine_holds,
    deep_sludge,
    dipped,
    first,
    floor_may_be_vacuumed,
    gap_left,
    must_not_drain,
    not_helping,
    run_left,
)
from app.treatment.facts import Facts
from app.treatment.limits import COMMON_PRACTICE
from app.treatment.rule import Only, Pour, Rule

MAHC_CYA = "CDC Model Aquatic Health Code 6.5.2.3 and annex: cyanuric acid falls only by dilution"
"""Why too much cyanuric acid is not treated with a chemical."""

SLUDGE: tuple[Rule, ...] = (
    Rule(
        name="deep_sludge_lined",
        when="More than 4 in (10 cm) of sludge lie on the floor of a vinyl or fibreglass pool.",
        applies=lambda f: deep_sludge(f) and must_not_drain(f),
        step=StepKind.CALL_FOR_HELP,
        title="Deep sludge, and this pool must not be drained",
        because=("sludge", "shell", "grade"),
        do=(
            "Do not drain: an empty liner shrinks and tears, an empty fibreglass shell floats or bulges.",
            "Get a waste pump and someone who has done it: the sludge comes out with the water left in.",
            "Pour nothing until most of it is out: it would use up every dose.",
        ),
        return_in_hours=48.0,
        look_for="Less than 4 in (10 cm) of sludge: then the plan goes on with treatment.",
        would_change=("A pole finds less sludge: log it.",),
        cautions=(Topic.DRAINING, Topic.SWIMMING),
    ),
    Rule(
        name="deep_sludge",
        when="More than 4 in (10 cm) of sludge lie on the floor: years of neglect.",
        applies=deep_sludge,
        step=StepKind.CALL_FOR_HELP,
        title="Deep sludge: weigh draining, as the local code allows",
        because=("sludge", "shell", "grade"),
        do=(
            "Ask the local authority whether and where this water may go, and by whom it may be pumped.",
            "Ask an engineer or builder about ground water: relief valves open first, never in a wet season.",
            "Only then drain, clean and refill; otherwise have the sludge pumped out with the water left in.",
        ),
        return_in_hours=48.0,
        look_for="A written answer from the authority.",
        would_change=("3 in (8 cm) or less: treat the water instead of draining.",),
        cautions=(Topic.DRAINING, Topic.SWIMMING),
    ),
)
"""Draining is weighed in one case only."""

FLOOR: tuple[Rule, ...] = (
    Rule(
        name="floc_settled",
        when="A flocculant has settled and the floor is seen.",
        applies=lambda f: f.floc_is_open and not f.flocced_last and f.floor_seen,
        step=StepKind.VACUUM,
        title="Vacuum the floor to waste",
        because=("floc", "floor", "grade"),
        do=(
            "Pump off, valve on waste; fill the pool to the top of the tile first.",
            "Vacuum slowly, overlapping; stop when the water clouds up, let it settle, and go on.",
            "Refill, backwash, valve back on filter, and run the pump without a break.",
        ),
        return_in_hours=24.0,
        look_for="A clean floor. The water may turn cloudy or greenish again for a while: that is expected.",
        would_change=("The blanket does not lie still: wait up to 48 h after the flocculant.",),
        cautions=(*NOT_TO_STREET, Topic.ELECTRICITY, Topic.SWIMMING),
    ),
    Rule(
        name="floc_not_settled",
        when="A flocculant is in the water, the floor is not seen, and less than 48 h have gone by.",
        applies=lambda f: (
            f.floc_is_open and not f.flocced_last and not f.floor_seen and f.floc_age_h < limits.SETTLE_MOST_H
        ),
        step=StepKind.FLOCCULATE,
        title="Give it more time: pump still off",
        because=("floc", "floor", "time"),
        do=("Leave pump and water alone until 48 h have gone by since the flocculant.",),
        return_in_hours=lambda f: max(limits.SETTLE_MOST_H - f.floc_age_h, 0.0),
        look_for="The floor in sight, with a pale blanket on it.",
        would_change=("Floor in sight: vacuum it to waste.",),
        cautions=(Topic.BLIND_WATER, Topic.SWIMMING),
    ),
    Rule(
        name="debris_in_sight",
        when="Debris lies on the floor, the floor is seen, and it was not taken out at this visit.",
        applies=lambda f: (
            f.last is not None
            and f.last.debris_on_floor is True
            and f.floor_seen
            and not any(work.value in ("debris_removed", "vacuumed", "vacuumed_to_waste") for work in f.last.work)
        ),
        step=StepKind.REMOVE_DEBRIS,
        title="Take the debris out: the floor is in sight",
        because=("debris", "floor", "grade"),
        do=(
            "Scoop leaves and twigs with a deep net, slowly, from the shallow end to the deep end.",
            "Empty baskets and net away from the pool.",
            "Log it: the next step follows at the same visit.",
        ),
        return_in_hours=24.0,
        look_for="A floor free of leaves: what rots there uses up the chlorine.",
        would_change=("Floor out of sight again: stop, and let it settle.",),
        cautions=(Topic.SWIMMING,),
    ),
    Rule(
        name="vacuum",
        when="The algae are dead, the floor is seen, and it has not been vacuumed twice (or dirt still lies on it).",
        applies=floor_may_be_vacuumed,
        step=StepKind.VACUUM,
        title="Vacuum the floor",
        because=("floor", "grade", "vacuum", "debris"),
        do=(
            Only(lambda f: f.has_waste_port, "Valve on waste, pool filled to the top of the tile; vacuum slowly."),
            Only(lambda f: not f.has_waste_port, "Vacuum slowly through the filter, in two or three sessions."),
            "Stop when the water clouds up so that the floor is lost.",
            *CLEAN,
            RUN,
        ),
        return_in_hours=24.0,
        look_for="It may turn cloudy or greenish again for a while: that is expected, and not a relapse.",
        would_change=("Nothing left on the floor: note that it is free of debris, and the plan goes on.",),
        cautions=(*OPENING, *NOT_TO_STREET, Topic.SWIMMING),
    ),
    Rule(
        name="dip_after_vacuuming",
        when="The floor was vacuumed the visit before, and the water is cloudy or faintly green again.",
        applies=dipped,
        step=StepKind.CLEAN_FILTER,
        title="Expected after vacuuming: clean the filter and run on",
        because=("vacuum", "grade", "chlorine"),
        do=(*CLEAN, RUN),
        return_in_hours=24.0,
        look_for="Clearing again by the next visit: what was stirred up is dead, and it is not a relapse.",
        would_change=("Greener at the next visit as well, with no chlorine left: then dose again.",),
        cautions=(*OPENING, Topic.SWIMMING),
    ),
)
"""The floor is worked on when it is seen, never blind."""

ENOUGH: tuple[Rule, ...] = (
    Rule(
        name="no_improvement",
        when="The water measurably stands still: after two or more clearing doses, or milky and only filtered.",
        applies=not_helping,
        step=StepKind.CALL_FOR_HELP,
        title="Stop pouring: find out why it does not clear",
        because=("trend", "last_dose", "held", "pressure", "equipment"),
        do=(
            "Does the pump really run all night? Ask the owner; look at the timer.",
            "Open the filter: torn elements, channelled sand. A gauge that never rises says it catches nothing.",
            "Test cyanuric acid: too much of it holds the chlorine back, and only fresh water brings it down.",
            "Check the volume: a pool larger than on record is under-dosed every time.",
            "Check the stock: old or warm liquid chlorine is weaker than its label.",
        ),
        return_in_hours=24.0,
        look_for="The one check that comes out wrong.",
        would_change=("A cause found and mended: dose again by the new measurement.",),
        cautions=(*OPENING, Topic.DRAINING, Topic.SWIMMING),
        sources=(MAHC_CYA, COMMON_PRACTICE),
    ),
    Rule(
        name="flocculate",
        when="Sand filter with a waste port, plainly green or milky with the floor not seen, not yet done twice.",
        applies=lambda f: f.wants_floc,
        step=StepKind.FLOCCULATE,
        title="Flocculate: chlorine up to 10, flocculant, then let it settle",
        because=("grade", "floor", "filter", "chlorine", "volume", "stock"),
        do=(
            Pour("Pour {dose} of liquid chlorine along the deep end, pump running.", Facts.before_floc),
            "Backwash, then valve on recirculate: the filter must not catch the flocculant.",
            "An hour later pour the flocculant at its label's rate for {volume}; never from the same bucket.",
            "Recirculate 1 to 2 h, then pump off and timer off, for 24 to 48 h.",
        ),
        return_in_hours=limits.SETTLE_H,
        look_for="The floor in sight with a pale blanket on it: vacuum that to waste. In all 7 to 10.5 days.",
        would_change=(
            "No waste port after all: a high chlorine dose and backwashing, up to 3 weeks.",
            "Local code forbids water to waste: likewise.",
        ),
        cautions=(*POURING, *NOT_TO_STREET),
    ),
    Rule(
        name="chlorine_holds",
        when="The water is not clear yet, and free chlorine still stands at 10 mg/L or more.",
        applies=chlorine_holds,
        step=StepKind.CLEAN_FILTER,
        title="Enough chlorine in it: clean the filter and run on",
        because=("chlorine", "grade", "held", "pressure"),
        do=(*CLEAN, RUN, SPREAD),
        return_in_hours=24.0,
        look_for="Milky blue with the floor in sight.",
        would_change=("Free chlorine under 10 ppm (mg/L) and still green: raise it again.",),
        cautions=(*OPENING, Topic.SWIMMING),
    ),
    Rule(
        name="milky_never_dosed",
        when="Milky water without green, and neither a clearing dose nor a flocculant yet.",
        applies=lambda f: f.is_milky and not f.dose_visit_ids and not f.floc_rounds,
        step=StepKind.CLEAN_FILTER,
        title="No green to kill: clean the filter and run",
        because=("grade", "floor", "pressure", "filter"),
        do=(*CLEAN, RUN, "Test free chlorine and pH: a pH above 8 alone can cloud the water."),
        return_in_hours=24.0,
        look_for="Clearer after a day. If not, the filter passes it.",
        would_change=("A green cast at the next photo: then a clearing dose.",),
        cautions=(*OPENING, Topic.SWIMMING),
    ),
    Rule(
        name="milky_chlorine_held",
        when="No green left, the floor is not seen, but free chlorine of a day ago still stands at 3 mg/L or more.",
        applies=lambda f: f.is_milky and not f.floor_seen and (f.free_chlorine_mg_l or 0.0) >= limits.HELD_MG_L,
        step=StepKind.CLEAN_FILTER,
        title="Nothing left to kill: clean the filter and run on",
        because=("grade", "floor", "chlorine", "last_dose", "pressure"),
        do=(*CLEAN, RUN, "No chlorine today: what is in it is not being used up."),
        return_in_hours=24.0,
        look_for="Each day clearer, and the floor in sight.",
        would_change=(
            "Free chlorine gone by the next visit: raise it above 10 ppm (mg/L) again.",
            "Not clearer after two days: the filter passes it; look at its elements or its sand.",
        ),
        cautions=(*OPENING, Topic.SWIMMING),
        sources=(limits.OUR_OWN,),
    ),
    Rule(
        name="milky_floor_seen",
        when="No green left, the water is milky, the floor is seen: the dose was enough.",
        applies=lambda f: f.is_milky and f.floor_seen and not f.filter_is_clean,
        step=StepKind.CLEAN_FILTER,
        title="The dose was enough: clean the filter and run on",
        because=("grade", "floor", "chlorine", "last_dose", "pressure"),
        do=(*CLEAN, RUN, "No more chlorine for clearing now."),
        return_in_hours=24.0,
        look_for="Each day clearer; by day 3 it should be turning. Two filter cleanings are the rule.",
        would_change=("Green again: raise the chlorine above 10 ppm (mg/L) and run another day.",),
        cautions=(*OPENING, Topic.SWIMMING),
    ),
    Rule(
        name="milky_floor_seen_filter_clean",
        when="As above, and the filter was cleaned at this visit.",
        applies=lambda f: f.is_milky and f.floor_seen,
        step=StepKind.CIRCULATE,
        title="The dose was enough: keep filtering",
        because=("grade", "floor", "chlorine", "last_dose"),
        do=(RUN, "No more chlorine for clearing now."),
        return_in_hours=run_left,
        look_for="Each day clearer; by day 3 it should be turning.",
        would_change=("Green again: raise the chlorine above 10 ppm (mg/L) and run another day.",),
        cautions=(Topic.SWIMMING, Topic.PRESSURE),
    ),
)
"""Where more chlorine is not the answer."""

DOSES: tuple[Rule, ...] = (
    Rule(
        name="top_up_short_dose",
        when="What was poured at the last visit is too little for water like this.",
        applies=lambda f: f.is_short_dosed and f.since_last_h < limits.DOSE_GAP_H and f.clearing() is not None,
        step=StepKind.DOSE,
        title="Too little was poured: the organics use it up. Pour the rest",
        because=("poured", "grade", "floor", "volume", "stock"),
        do=(
            Pour("Pour another {dose} of liquid chlorine{upto} along the deep end, pump running.", first),
            SPREAD,
            RUN,
        ),
        return_in_hours=limits.RUN_AFTER_DOSE_H,
        look_for="Milky blue with the floor in sight.",
        would_change=("More was poured than logged: correct the log first.",),
        cautions=POURING,
    ),
    Rule(
        name="chlorine_not_read",
        when="A clearing dose went in before, the water is not clear, and free chlorine was not read (or is in doubt).",
        applies=lambda f: f.dosed_before and f.free_chlorine_mg_l is None,
        step=StepKind.MEASURE_AGAIN,
        title="Read the free chlorine before more goes in",
        because=("chlorine", "grade", "last_dose"),
        do=(
            "Test free chlorine and log it. Above 10 ppm (mg/L) tests bleach or misread: dilute with tap water.",
            Only(lambda f: not f.filter_is_clean, "Clean the filter meanwhile, whatever the water looks like."),
            *CLEAN,
        ),
        return_in_hours=24.0,
        look_for="Usually zero the day after: that is demand, not failure.",
        would_change=("10 ppm (mg/L) or more: no chlorine today. Less: the amount follows at once.",),
        cautions=(*OPENING, Topic.SWIMMING),
        sources=(
            "Our own rule: no second dose on an unknown chlorine",
            "From memory: tests bleach above 10 mg/L",
            COMMON_PRACTICE,
        ),
    ),
    Rule(
        name="dose_too_soon",
        when="A clearing dose went in at an earlier visit less than 20 h ago.",
        applies=lambda f: f.since_dose_h is not None and f.since_dose_h < limits.DOSE_GAP_H,
        step=StepKind.CIRCULATE,
        title="Give the last dose its day",
        because=("last_dose", "grade", "chlorine"),
        do=(*CLEAN, RUN),
        return_in_hours=gap_left,
        look_for="Milky blue with the floor in sight.",
        would_change=("Still green after a day: raise the chlorine again.",),
        cautions=(*OPENING, Topic.SWIMMING),
        sources=(limits.OUR_OWN,),
    ),
    Rule(
        name="dose_again",
        when="A clearing dose went in before; the water is still green, or milky with the floor not seen.",
        applies=lambda f: f.dosed_before and again(f) is not None,
        step=StepKind.DOSE,
        title="Raise the chlorine above 10 again and run another day",
        because=("grade", "floor", "chlorine", "last_dose", "held", "filter", "volume", "stock"),
        do=(
            *CLEAN,
            Pour("Pour {dose} of liquid chlorine{upto} along the deep end, pump running.", again),
            SPREAD,
            RUN,
        ),
        return_in_hours=limits.RUN_AFTER_DOSE_H,
        look_for="Milky blue with the floor in sight. By day 3 it should be turning.",
        would_change=(
            "Free chlorine of 10 ppm (mg/L) or more: pour none, filter on.",
            "No change after this dose: look for the cause before another.",
        ),
        cautions=(*POURING, *OPENING),
    ),
    Rule(
        name="first_dose_fine_filter",
        when="Green, no clearing dose yet, cartridge or DE filter.",
        applies=lambda f: f.is_green and not f.is_sand and first(f) is not None,
        step=StepKind.DOSE,
        title="A high chlorine dose, an algaecide, and the pump day and night",
        because=("grade", "floor", "filter", "chlorine", "volume", "stock", "equipment", "pressure"),
        do=(
            LOOK_INSIDE,
            Only(lambda f: f.pressure_is_high, "Clean the filter first: it stands 8 psi (55 kPa) or more above clean."),
            "Empty skimmer and pump baskets; valve on filter; pump running.",
            Pour("Pour {dose} of liquid chlorine{upto} along the deep end.", first),
            Pour(
                "Half an hour later, on the other side of the pool, {dose} of sodium bromide algaecide. The label's "
                "rate comes first. Never both in one bucket.",
                bromide,
            ),
            SPREAD,
            "Run the pump 24 to 48 h without a break; timer off.",
        ),
        return_in_hours=limits.RUN_AFTER_DOSE_H,
        look_for=(
            "Milky blue with the floor in sight: enough. Free chlorine is usually zero: demand, not failure. Turning "
            "by the third day, usually blue within 2 weeks."
        ),
        would_change=(
            "Torn grids, a cracked manifold or worn cartridges: replace them first.",
            "A copper mineral unit in the pump basket instead of the bromide, where the plaster is dark.",
            "{granules}",
        ),
        cautions=(*POURING, *OPENING),
    ),
    Rule(
        name="first_dose_sand",
        when="Green, no clearing dose yet, sand filter (without a waste port, or too little green to flocculate).",
        applies=lambda f: f.is_green and first(f) is not None,
        step=StepKind.DOSE,
        title="A high chlorine dose, and backwashing: sand takes its time",
        because=("grade", "floor", "filter", "chlorine", "volume", "stock", "equipment"),
        do=(
            "Empty skimmer and pump baskets; backwash until the sight glass is clear; valve on filter; pump running.",
            Pour("Pour {dose} of liquid chlorine{upto} along the deep end.", first),
            SPREAD,
            "Run the pump 24 to 48 h without a break; timer off. Backwash when the pressure rises.",
        ),
        return_in_hours=limits.RUN_AFTER_DOSE_H,
        look_for="Milky blue with the floor in sight: enough. Sand passes fine algae: it can take up to 3 weeks.",
        would_change=(
            Only(
                lambda f: f.pool.has_waste_port is None, "A waste port on the valve: note it, and flocculate instead."
            ),
            "{granules}",
        ),
        cautions=(*POURING, *OPENING),
    ),
    Rule(
        name="run_on",
        when="None of the above: there is enough chlorine in the water for what is left.",
        applies=lambda _f: True,
        step=StepKind.CLEAN_FILTER,
        title="Clean the filter and run on",
        because=("grade", "chlorine", "last_dose", "pressure"),
        do=(*CLEAN, RUN, SPREAD),
        return_in_hours=24.0,
        look_for="Clearer, and no greener.",
        would_change=("Greener, or no chlorine left: a clearing dose.",),
        cautions=(*OPENING, Topic.SWIMMING),
    ),
)
"""Amounts by how green it is, the volume and what is in the water already."""
