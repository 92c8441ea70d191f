"""Rules about blue water: balance last, then hand over.

In: `Facts`. Out: tuples of rules that `rules.py` puts in order. Unless a source is named a rule is common practice.
"""

from __future__ import annotations

from app.records import Chemical, StepKind
from app.treatment import limits
from app.treatment.cautions import MAHC_CLARITY, Topic
from app.treatment.conditions import (
    POURING,
    above,
    acid,
    balance_reading_missing,
    below,
    raise_to,
    soda_ash,
)
from app.treatment.facts import BALANCERS
from app.treatment.limits import COMMON_PRACTICE
from app.treatment.rule import Only, Pour, Rule

ODD_READINGS = "The readings do not fit together: test pH, alkalinity and cyanuric acid again."
"""Said where no dose can be computed from what was read."""

FINISH: tuple[Rule, ...] = (
    Rule(
        name="balance_settling",
        when="The water is blue and a balancing chemical went in at the last visit.",
        applies=lambda f: (
            f.is_blue
            and f.last is not None
            and any(each.chemical in BALANCERS and each.amount > 0 for each in f.last.treatments)
        ),
        step=StepKind.BALANCE,
        title="Let it go round, then test again",
        because=("grade", "time", "balance"),
        do=("Run the pump at least four hours before the next chemical, and test again.",),
        return_in_hours=lambda f: max(24.0 - f.since_last_h, 0.0),
        look_for="pH 7.2 to 7.8. Cyanuric acid takes days to dissolve and show.",
        would_change=("All in range: hand over.",),
        cautions=(Topic.POURING, Topic.SWIMMING),
    ),
    Rule(
        name="balance_not_tested",
        when="The water is blue, and chlorine, pH, alkalinity or cyanuric acid is not known.",
        applies=lambda f: f.is_blue and balance_reading_missing(f),
        step=StepKind.BALANCE,
        title="Blue: test the balance",
        because=("grade", "chlorine", "balance"),
        do=(
            "Test free chlorine, pH, total alkalinity and cyanuric acid, with drops or a photometer if you can.",
            "Log the readings: what to add follows at once.",
        ),
        return_in_hours=24.0,
        look_for="pH 7.2 to 7.8; alkalinity 60 to 180 ppm (mg/L); outdoors cyanuric acid 30 to 90 ppm (mg/L).",
        would_change=("Any reading out of range: correct that first.",),
        cautions=(Topic.SWIMMING,),
        sources=("CDC MAHC 5.7.3.4, as reported; Pima County AZ; ANSI 2009 by US EPA webinar 2018", COMMON_PRACTICE),
    ),
    Rule(
        name="alkalinity_low",
        when="The water is blue and total alkalinity is low.",
        applies=lambda f: f.is_blue and below(f, "total_alkalinity", limits.ALKALINITY_BAND_MG_L[0]),
        step=StepKind.BALANCE,
        title="Blue: raise the alkalinity",
        because=("grade", "balance"),
        do=(
            Pour(
                "Spread {dose} of baking soda over the deep end, pump running.",
                raise_to(Chemical.SODIUM_BICARBONATE, "total_alkalinity", limits.ALKALINITY_GOAL_MG_L),
            ),
        ),
        return_in_hours=24.0,
        look_for="Alkalinity up, pH a little up: test both.",
        would_change=("Reading doubtful: test again before you pour.",),
        cautions=POURING,
        sources=("NY 10 NYCRR 6-1.19 and 6-1.30; Pima County AZ", COMMON_PRACTICE),
    ),
    Rule(
        name="ph_high",
        when="The water is blue and pH is above 7.8.",
        applies=lambda f: f.is_blue and above(f, "ph", limits.PH_BAND[1]),
        step=StepKind.BALANCE,
        title="Blue: lower the pH",
        because=("grade", "balance", "last_dose"),
        do=(
            Pour("Pour {dose} of muriatic acid slowly along the deep end, pump running.", acid),
            Only(
                lambda f: acid(f) is None,
                ODD_READINGS,
            ),
        ),
        return_in_hours=24.0,
        look_for="pH 7.2 to 7.8 after four hours' run.",
        would_change=("Chlorine was poured within four hours: wait.",),
        cautions=POURING,
        sources=("CDC MAHC 5.7.3.4, as reported", COMMON_PRACTICE),
    ),
    Rule(
        name="ph_low",
        when="The water is blue and pH is below 7.2.",
        applies=lambda f: f.is_blue and below(f, "ph", limits.PH_BAND[0]),
        step=StepKind.BALANCE,
        title="Blue: raise the pH",
        because=("grade", "balance"),
        do=(
            Pour("Spread {dose} of soda ash, dissolved, over the deep end, pump running.", soda_ash),
            Only(
                lambda f: soda_ash(f) is None,
                ODD_READINGS,
            ),
        ),
        return_in_hours=24.0,
        look_for="pH 7.2 to 7.8 after four hours' run; a passing cloud is normal.",
        would_change=("Reading doubtful: test again before you pour.",),
        cautions=POURING,
        sources=("CDC MAHC 5.7.3.4, as reported", COMMON_PRACTICE),
    ),
    Rule(
        name="cyanuric_acid_low",
        when="The water of an outdoor pool is blue and cyanuric acid is below 30 mg/L.",
        applies=lambda f: f.is_blue and not f.pool.indoor and below(f, "cyanuric_acid", limits.CYA_LEAST_MG_L),
        step=StepKind.BALANCE,
        title="Blue: shield the chlorine from the sun",
        because=("grade", "balance"),
        do=(
            Pour(
                "Hang {dose} of cyanuric acid in a sock before a return, pump running.",
                raise_to(Chemical.CYANURIC_ACID, "cyanuric_acid", limits.CYA_GOAL_MG_L),
            ),
        ),
        return_in_hours=24.0,
        look_for="It takes days to dissolve and to show in a test: do not add more meanwhile.",
        would_change=("A trichlor or dichlor feeder brings cyanuric acid of its own: then none.",),
        cautions=POURING,
        sources=("ANSI 2009 by US EPA webinar 2018", COMMON_PRACTICE),
    ),
    Rule(
        name="chlorine_still_high",
        when="The water is blue and free chlorine is above what one may swim in.",
        applies=lambda f: f.is_blue and (f.free_chlorine_mg_l or 0.0) > limits.FREE_CHLORINE_BAND_MG_L[1],
        step=StepKind.BALANCE,
        title="Blue: let the chlorine come down",
        because=("grade", "chlorine"),
        do=(
            Only(lambda f: not f.pool.indoor, "Leave the cover off and let the sun take it down; pump running."),
            Only(lambda f: f.pool.indoor, "Pump running, doors open and fans on: indoors it takes days."),
        ),
        return_in_hours=24.0,
        look_for="Free chlorine of 10 ppm (mg/L) or less.",
        would_change=("In a hurry: a neutraliser, half the dose first, then test; ask the office.",),
        cautions=(Topic.SWIMMING,),
        sources=("CDC MAHC, most free chlorine for swimming, from memory", COMMON_PRACTICE),
    ),
    Rule(
        name="chlorine_low_at_end",
        when="The water is blue and free chlorine is too low to keep it so.",
        applies=lambda f: (
            f.is_blue
            and f.free_chlorine_mg_l is not None
            and f.free_chlorine_mg_l < limits.FREE_CHLORINE_BAND_MG_L[0]
            and f.poured_last_mg_l < 1.0
        ),
        step=StepKind.BALANCE,
        title="Blue: bring the chlorine back up",
        because=("grade", "chlorine"),
        do=(
            Pour(
                "Pour {dose} of liquid chlorine along the deep end, pump running.",
                raise_to(Chemical.SODIUM_HYPOCHLORITE, "free_chlorine", limits.FREE_CHLORINE_GOAL_MG_L),
            ),
        ),
        return_in_hours=24.0,
        look_for="2 ppm (mg/L) or more the next day.",
        would_change=("Zero again next day: algae are still alive somewhere; look behind lights and ladders.",),
        cautions=POURING,
        sources=("ANSI 2009 by US EPA webinar 2018; CDC MAHC, from memory", COMMON_PRACTICE),
    ),
    Rule(
        name="hand_over",
        when="The water is blue and balanced.",
        applies=lambda f: f.is_blue,
        step=StepKind.HAND_OVER,
        title="Blue and balanced: hand the pool over",
        because=("grade", "floor", "chlorine", "balance"),
        do=(
            "Put the timer and the feeder back to normal; switch a salt cell on again.",
            "Show the owner the floor, the pressure gauge and how to keep the chlorine up.",
            "Take the last photo with the card, log the hand-over and send the report.",
        ),
        return_in_hours=24.0,
        look_for="Deepest floor in sight, chlorine and pH in range: now people may swim.",
        would_change=(
            Only(
                lambda f: above(f, "cyanuric_acid", limits.CYA_MOST_MG_L),
                "Cyanuric acid is high: only fresh water brings it down. Tell the owner to use chlorine without it.",
            ),
            "Green again within a week: look for what was missed before pouring more.",
        ),
        cautions=(Topic.SWIMMING,),
        sources=(MAHC_CLARITY, COMMON_PRACTICE),
    ),
)
"""One chemical a step, alkalinity before pH before cyanuric acid."""
