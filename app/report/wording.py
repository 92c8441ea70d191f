"""The customer's report in words: what each standing, step, grade, chemical and piece of work is called to a customer.

In: nothing. Out: tables of messages, said later by `app.words`. They are written for someone who has never heard of
chlorophyll; what can hurt someone stands in `MIND`, each with its source.
"""

from __future__ import annotations

from collections.abc import Mapping

from app.records import Chemical, Standing, StepKind, Work
from app.words import mark
from vision.results import Clarity, Severity

HEADLINE: Mapping[Standing, str] = {
    Standing.NOT_STARTED: mark("We are about to start"),
    Standing.WAITING_ON_EQUIPMENT: mark("On hold: the equipment comes first"),
    Standing.UNDER_WAY: mark("The clean-up is under way"),
    Standing.STALLED: mark("Slower than planned"),
    Standing.CLEARING: mark("The water is clearing"),
    Standing.READY: mark("The water looks clear"),
    Standing.DONE: mark("Done: your pool is clear"),
}
"""Where the pool stands, in the largest type."""

FINISHED = mark("This clean-up is finished")
"""The headline of a recovery that was closed although its last photo does not show clear water."""

SUMMARY: Mapping[Standing, str] = {
    Standing.NOT_STARTED: mark("The first treatment comes next."),
    Standing.WAITING_ON_EQUIPMENT: mark("The water cannot clear until the pump and the filter can do their part."),
    Standing.UNDER_WAY: mark("First the algae are killed, then the filter takes the cloudiness out."),
    Standing.STALLED: mark("The water has not got better since the last visit. We are looking for the cause."),
    Standing.CLEARING: mark("The algae are dying off. Now the filter takes the cloudiness out."),
    Standing.READY: mark("What is left is to balance it and to hand the pool over to you."),
    Standing.DONE: mark("The water was clear at our last visit."),
}
"""One sentence under the headline."""

FINISHED_SUMMARY = mark("Its last photo is shown below.")
"""The sentence under `FINISHED`."""

NEXT: Mapping[StepKind, str] = {
    StepKind.START: mark("We check the pump and the filter, test the water and give the first treatment."),
    StepKind.RESTORE_POWER: mark("The power at the pump has to be restored first, by a licensed electrician."),
    StepKind.REPAIR_PUMP: mark("The pump has to be repaired first: without it the water cannot clear."),
    StepKind.REPAIR_FILTER: mark("The filter has to be repaired first: it lets the dirt back into the pool."),
    StepKind.MEASURE_AGAIN: mark("We measure the water again before we decide how to go on."),
    StepKind.DOSE: mark("We treat the water against the algae."),
    StepKind.FLOCCULATE: mark("We make the fine cloud sink to the floor, to vacuum it out afterwards."),
    StepKind.CLEAN_FILTER: mark("We clean the filter, so that it goes on taking the cloudiness out."),
    StepKind.CIRCULATE: mark("The pump and the filter run on; we come back to look."),
    StepKind.REMOVE_DEBRIS: mark("We take leaves and debris out of the pool."),
    StepKind.VACUUM: mark("We vacuum off what has settled on the floor."),
    StepKind.BALANCE: mark("We balance the water."),
    StepKind.HAND_OVER: mark("We check the water a last time and hand the pool over to you."),
    StepKind.CALL_FOR_HELP: mark("We look closer at the cause before we treat the water again."),
    StepKind.CLOSED: mark("Nothing more for this clean-up. Regular care keeps the water clear."),
}
"""What comes next."""

CLARITY: Mapping[Clarity, str] = {
    Clarity.CRYSTAL: mark("Crystal clear"),
    Clarity.CLEAR: mark("Clear"),
    Clarity.HAZY: mark("Hazy"),
    Clarity.CLOUDY: mark("Cloudy"),
    Clarity.OPAQUE: mark("Opaque"),
}
"""How clear the water is."""

ALGAE: Mapping[Severity, str] = {
    Severity.NONE: mark("no living algae seen"),
    Severity.TRACE: mark("a trace of algae"),
    Severity.LIGHT: mark("light algae"),
    Severity.MODERATE: mark("moderate algae"),
    Severity.HEAVY: mark("heavy algae"),
}
"""How much living algae."""

CHEMICAL: Mapping[Chemical, str] = {
    Chemical.SODIUM_HYPOCHLORITE: mark("liquid chlorine"),
    Chemical.CALCIUM_HYPOCHLORITE: mark("granular chlorine"),
    Chemical.DICHLOR: mark("granular chlorine with stabilizer"),
    Chemical.TRICHLOR: mark("chlorine tablets"),
    Chemical.SODIUM_BROMIDE: mark("bromide"),
    Chemical.COPPER_ALGAECIDE: mark("copper algaecide"),
    Chemical.FLOCCULANT: mark("flocculant"),
    Chemical.CLARIFIER: mark("clarifier"),
    Chemical.HYDROCHLORIC_ACID: mark("acid"),
    Chemical.SODIUM_BISULFATE: mark("dry acid"),
    Chemical.SODIUM_BICARBONATE: mark("bicarbonate"),
    Chemical.SODIUM_CARBONATE: mark("soda ash"),
    Chemical.CALCIUM_CHLORIDE: mark("calcium"),
    Chemical.CYANURIC_ACID: mark("stabilizer"),
    Chemical.SODIUM_THIOSULFATE: mark("chlorine neutralizer"),
}
"""What was poured, in a customer's words."""

WORK: Mapping[Work, str] = {
    Work.FILTER_CLEANED: mark("filter cleaned"),
    Work.BACKWASHED: mark("filter backwashed"),
    Work.BASKETS_EMPTIED: mark("baskets emptied"),
    Work.BRUSHED: mark("pool brushed"),
    Work.DEBRIS_REMOVED: mark("debris removed"),
    Work.VACUUMED: mark("pool vacuumed"),
    Work.VACUUMED_TO_WASTE: mark("pool vacuumed"),
    Work.ELEMENTS_REPLACED: mark("filter parts replaced"),
    Work.PUMP_STARTED: mark("pump started"),
    Work.PUMP_STOPPED: mark("pump stopped to let the dirt settle"),
    Work.HANDED_OVER: mark("pool handed over"),
}
"""What was done at a visit."""

KEEP_OUT = mark("Nobody in the water until we say that it may be used, even when it looks blue.")
"""Source: CDC Model Aquatic Health Code 6.6.3.1: bottom not seen, wrong chlorine or pH are imminent hazards."""
NOT_SEEN = mark("A person under cloudy water cannot be seen: keep the gate shut, children and pets away.")
"""Source: the same for the bottom not seen; gate, children and pets are common practice, no source."""
NO_CHEMICALS = mark("Please add no chemicals yourself: together with ours they can burn, gas or catch fire.")
"""Source: US EPA 550-F-01-003 (March 2001), incompatible mixing."""
HANDS_OFF = mark("Leave the pump, the filter and the valves as we set them.")
"""Source: common practice, no source."""
NO_DRAINING = mark("Please do not drain the pool: an empty shell can lift out of the ground or crack.")
"""Source: common practice, no source."""
TEST_FIRST = mark("Swim only when a water test shows chlorine and pH in range: this report is no water test.")
"""Source: CDC Model Aquatic Health Code 6.6.3.1, disinfectant and pH."""
KEEP_RUNNING = mark("Let the pump and the filter run as agreed: clear water turns again without them.")
"""Source: common practice, no source."""
LABELS = mark("Pool chemicals: follow the label, never mix two kinds, keep them away from children.")
"""Source: US EPA 550-F-01-003 (March 2001) for mixing; the rest is common practice, no source."""
PUBLIC = mark("A public pool opens only by its health code and its licensed operator.")
"""Source: CDC Model Aquatic Health Code 6.6.3.1."""

ESTIMATE = mark(
    "How far one sees and any date are estimates from photos. They never say that the water is safe to swim in."
)
"""Said at the foot of every report."""
SAME_COLOURS = mark(
    "Both photos were set to true colours by the same kind of printed reference card, so they can be compared."
)
"""How the two photos were made alike."""
ONE_COLOUR = mark("The photo was set to true colours by a printed reference card.")
"""The same where there is one photo only."""
INVENTED = mark("Demo: the company and the pool are invented, the photos are rendered by a computer.")
"""Said wherever the demo's report goes."""
