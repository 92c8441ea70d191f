"""Holds the questions and dose makers that several rules share, each under a name that reads like the rule.

In: `Facts`. Out: yes or no, hours, a `Dose` (None where nothing is to be poured), or lines said by several rules.
"""

from __future__ import annotations

from collections.abc import Callable

from app.records import Chemical, Dose, FilterKind, Sighting, Work
from app.treatment import limits
from app.treatment.cautions import Topic
from app.treatment.dosing import CannotDose, dose_for, ph_dose
from app.treatment.facts import CLEANED, Facts
from app.treatment.limits import CYA_BLOCKS_MG_L
from app.treatment.rule import Only
from app.treatment.trend import water_of
from vision.results import Clarity, Severity


def run_left(f: Facts) -> float:
    """Return how long the pump still has to run before the water is judged [h]."""
    return max(limits.RUN_AFTER_DOSE_H - f.since_last_h, 0.0)


def filter_left(f: Facts) -> float:
    """Return how long dead water is filtered before it is judged again, from now [h]."""
    return max(f.judge_after_h - f.since_last_h, 0.0)


def settle_left(f: Facts) -> float:
    """Return how long the floor still has to settle [h]."""
    return max(limits.SETTLE_H - f.since_last_h, 0.0)


def gap_left(f: Facts) -> float:
    """Return how long the last dose still has before another may follow [h]."""
    return max(limits.RUN_AFTER_DOSE_H - (f.since_dose_h or 0.0), 0.0)


def bromide(f: Facts) -> Dose | None:
    """Return the bromide that goes with a first dose: not twice, not beside a salt cell, copper or a mineral unit."""
    if (
        f.bromide_given
        or f.copper_given
        or f.has_mineral_unit
        or f.pool.salt_cell
        or f.severity in (Severity.NONE, Severity.TRACE)
    ):
        return None
    return dose_for(Chemical.SODIUM_BROMIDE, volume_l=f.pool.volume_l, units=f.units)


def first(f: Facts) -> Dose | None:
    """Return the first clearing dose."""
    return f.clearing()


def again(f: Facts) -> Dose | None:
    """Return a clearing dose that lifts free chlorine above 10 mg/L in any case."""
    return f.clearing(repeat=True)


def towards_middle_ph(chemical: Chemical) -> Callable[[Facts], Dose | None]:
    """Return a maker of the dose towards the middle of the pH band; it makes none where the readings cannot be."""

    def dose(f: Facts) -> Dose | None:
        ph, alkalinity = f.value("ph"), f.value("total_alkalinity")
        if ph is None or alkalinity is None or not limits.PH_BELIEVED[0] <= ph <= limits.PH_BELIEVED[1]:
            return None
        try:
            return ph_dose(
                chemical,
                volume_l=f.pool.volume_l,
                ph_from=ph,
                ph_to=limits.PH_GOAL,
                total_alkalinity_mg_l=alkalinity,
                cyanuric_acid_mg_l=f.value("cyanuric_acid") or 0.0,
                units=f.units,
            )
        except CannotDose:
            return None

    return dose


acid = towards_middle_ph(Chemical.HYDROCHLORIC_ACID)
soda_ash = towards_middle_ph(Chemical.SODIUM_CARBONATE)


def raise_to(chemical: Chemical, analyte: str, goal_mg_l: float) -> Callable[[Facts], Dose | None]:
    """Return a maker of the dose that raises an analyte to a goal."""

    def dose(f: Facts) -> Dose | None:
        value = f.free_chlorine_mg_l if analyte == "free_chlorine" else f.value(analyte)
        short = goal_mg_l - (value or 0.0)
        return dose_for(chemical, volume_l=f.pool.volume_l, change_mg_l=short, units=f.units) if short > 0 else None

    return dose


def below(f: Facts, analyte: str, least: float) -> bool:
    """Return whether an analyte is known and below `least`."""
    value = f.value(analyte)
    return value is not None and value < least


def above(f: Facts, analyte: str, most: float) -> bool:
    """Return whether an analyte is known and above `most`."""
    value = f.value(analyte)
    return value is not None and value > most


def is_de(f: Facts) -> bool:
    """Return whether the filter is a DE filter."""
    return f.pool.filter_kind == FilterKind.DE


def is_cartridge(f: Facts) -> bool:
    """Return whether the filter is a cartridge filter."""
    return f.pool.filter_kind == FilterKind.CARTRIDGE


def is_lined(f: Facts) -> bool:
    """Return whether the shell would be ruined by draining: vinyl or fibreglass."""
    return f.must_not_drain


def deep_sludge(f: Facts) -> bool:
    """Return whether more sludge than can be treated was felt."""
    depth = f.last.sludge_depth_m if f.last else None
    return depth is not None and depth > limits.SLUDGE_DRAIN_M


def dipped(f: Facts) -> bool:
    """Return whether the water is dusty the visit after vacuuming, and no greener than that explains."""
    return (
        f.is_measured
        and f.vacuumed_before_last
        and not f.is_blue
        and f.severity in (Severity.NONE, Severity.TRACE, Severity.LIGHT)
    )


def chlorine_holds(f: Facts) -> bool:
    """Return whether the last dose is still in the water."""
    return f.free_chlorine_mg_l is not None and f.free_chlorine_mg_l >= limits.STILL_HIGH_MG_L


def not_helping(f: Facts) -> bool:
    """Return whether the water stands still although enough was poured or stands in it, or nothing is left to kill."""
    if not f.is_stalled:
        return False
    held_in_vain = chlorine_holds(f) and f.stall is not None and f.stall.days >= limits.HELD_IN_VAIN_DAYS
    return f.is_milky or held_in_vain or len(f.dose_visit_ids) >= limits.DOSES_BEFORE_DOUBT


def chlorine_held_back(f: Facts) -> bool:
    """Return whether green water stands still with so much cyanuric acid that it explains it."""
    return f.is_stalled and f.is_green and above(f, "cyanuric_acid", CYA_BLOCKS_MG_L)


def chlorine_vanishes(f: Facts) -> bool:
    """Return whether blue water lost overnight the chlorine brought up at the visit before, for the first two times."""
    visits = f.recovery.visits
    if not f.is_blue or len(visits) < 2 or f.free_chlorine_mg_l is None or f.poured_last_mg_l >= 1.0:
        return False
    hours = (visits[-1].at - visits[-2].at).total_seconds() / 3600
    poured = f.poured_mg_l[-2]
    times = sum(1 for each in f.poured_mg_l[-4:] if each >= 1.0)
    return f.free_chlorine_mg_l < 1.0 <= poured < limits.COUNTS_AS_DOSE_MG_L and hours <= 36 and times <= 2


def first_sighted(f: Facts, sighting: Sighting) -> bool:
    """Return whether something was noted at the last visit and at no visit before it."""
    return f.sees(sighting) and not any(sighting in visit.sightings for visit in f.recovery.visits[:-1])


def spots_to_treat(f: Facts) -> bool:
    """Return whether algae cling to the walls of water without green, and a dose may go in for them."""
    seen = f.sees(Sighting.BLACK_SPOTS) or f.sees(Sighting.MUSTARD_DUST)
    return seen and not f.is_green and f.floor_seen and f.free_chlorine_mg_l is not None and spots_dose(f) is not None


def spots_dose(f: Facts) -> Dose | None:
    """Return the liquid chlorine that lifts free chlorine above 10 mg/L; none within a day of the last."""
    if f.since_dose_h is not None and f.since_dose_h < limits.DOSE_GAP_H:
        return None
    return f.up_to(limits.REPEAT_TO_MG_L) if (f.free_chlorine_mg_l or 0.0) < limits.STILL_HIGH_MG_L else None


def upkeep(f: Facts) -> Dose | None:
    """Return the liquid chlorine that brings free chlorine up to what dead or blue water is kept at; none unread."""
    return None if f.free_chlorine_mg_l is None else f.up_to(limits.UPKEEP_MG_L)


def after_floc(f: Facts) -> Dose | None:
    """Return the liquid chlorine after a flocculant was vacuumed out; none on an unknown chlorine."""
    if f.free_chlorine_mg_l is None or not f.is_measured:
        return None
    return f.up_to(limits.FLOC_CHLORINE_MG_L) if f.is_green else upkeep(f)


def dead_for_two_visits(f: Facts) -> bool:
    """Return whether no green was graded at the last two graded visits, and the floor is still not seen."""
    graded = [water for visit in f.recovery.visits if (water := water_of(visit.assessment)) is not None]
    return f.is_milky and not f.floor_seen and len(graded) > 1 and graded[-2].severity == Severity.NONE


def gauge_is_flat(f: Facts) -> bool:
    """Return whether the filter ran a day on cloudy water, its gauge stands as clean, and nobody looked inside."""
    visits = f.recovery.visits
    rise = f.pressure_rise_kpa
    if len(visits) < 2 or rise is None or f.is_sand or f.filter_is_clean or not f.is_measured or f.is_settling:
        return False
    before = water_of(visits[-2].assessment)
    looked = f.equipment.elements is not None
    cloudy = before is not None and before.clarity in (Clarity.CLOUDY, Clarity.OPAQUE)
    return cloudy and f.is_milky and f.dosed_before and not looked and rise <= 0.0


def filter_stays_clogged(f: Facts) -> bool:
    """Return whether the gauge stood high at the last two visits of dead water, the filter cleaned in between."""
    visits, clean_kpa = f.recovery.visits, f.pool.clean_pressure_kpa
    rise = f.pressure_rise_kpa
    if len(visits) < 2 or clean_kpa is None or rise is None or f.last is None or not f.is_milky:
        return False
    replaced = Work.ELEMENTS_REPLACED in f.last.work or Work.ELEMENTS_REPLACED in visits[-2].work
    before_kpa = visits[-2].equipment.filter_pressure_kpa
    high_before = before_kpa is not None and before_kpa - clean_kpa >= limits.PRESSURE_RISE_KPA
    cleaned = bool(CLEANED & set(visits[-2].work))
    return rise >= limits.PRESSURE_RISE_KPA and high_before and cleaned and not replaced


def spoilt_alkalinity(f: Facts) -> bool:
    """Return whether the readings leave no carbonate alkalinity beside the cyanuric acid."""
    return f.value("total_alkalinity") is not None and acid(f) is None


def balance_reading_missing(f: Facts) -> bool:
    """Return whether a reading that the balance rests on is not known."""
    wanted = ["ph", "total_alkalinity"] + ([] if f.pool.indoor else ["cyanuric_acid"])
    return f.free_chlorine_mg_l is None or any(f.value(analyte) is None for analyte in wanted)


def floor_may_be_vacuumed(f: Facts) -> bool:
    """Return whether the algae are dead, the floor is seen, and there is still something on it to take out."""
    if not (f.is_measured and f.last is not None and f.floor_seen and f.dosed_before) or f.vacuumed_last:
        return False
    if f.severity not in (Severity.NONE, Severity.TRACE) or f.clarity in (Clarity.CLOUDY, Clarity.OPAQUE):
        return False
    if f.last.debris_on_floor is not None:
        return f.last.debris_on_floor
    return len(f.vacuum_visit_ids) < limits.VACUUM_SESSIONS


CLEAN_SAND = Only(lambda f: f.is_sand and not f.filter_is_clean, "Backwash until the sight glass is clear, then rinse.")
CLEAN_CARTRIDGE = Only(
    lambda f: is_cartridge(f) and not f.filter_is_clean,
    "Take the cartridges out and hose them from top to bottom between the pleats.",
)
CLEAN_DE = Only(
    lambda f: is_de(f) and not f.filter_is_clean,
    "Take the grids out, hose them, look for tears and cracks, and put fresh powder in through the skimmer.",
)
NOTE_PRESSURE = Only(lambda f: not f.filter_is_clean, "Note the pressure right after: it is the clean pressure.")
CLEAN = (CLEAN_SAND, CLEAN_CARTRIDGE, CLEAN_DE, NOTE_PRESSURE)
RUN = "Run the pump without a break until the next visit; timer off."
SPREAD = "Brush walls and steps, so that nothing is left on them."
LOOK_INSIDE = Only(
    lambda f: not f.is_sand and f.equipment.elements is None,
    "Before you pour, open the filter and look at its elements: torn ones are replaced first.",
)
MINERAL_UNIT = Only(
    lambda f: bromide(f) is None and not (f.bromide_given or f.copper_given or f.has_mineral_unit or f.is_sand),
    "As the algaecide a copper mineral unit in the pump basket, by its label; log it. On stained plaster none.",
)
MINERAL_UNIT_IN = Only(
    lambda f: f.has_mineral_unit, "The copper mineral unit stays in the pump basket: no other algaecide beside it."
)
THINLY = Only(
    is_lined, "Pour thinly in front of the returns and brush at once: strong chlorine fades and dulls a liner."
)
CELL_OFF = Only(lambda f: f.pool.salt_cell, "Switch the salt cell off until the water is blue.")
AIR_OUT = Only(lambda f: f.pool.indoor, "Open doors, fans on, and leave the room while it goes round.")
BEFORE_POURING = (CELL_OFF, AIR_OUT, THINLY)
FLOC_GIVEN_UP = Only(
    lambda f: f.floc_is_open,
    "The flocculant has not settled: valve back on filter, pump on, and the filter cleaned often.",
)
NOT_TO_STREET = (Topic.WASTE,)
WET = (Topic.ELECTRICITY,)
OPENING = (Topic.PRESSURE, Topic.ELECTRICITY)
POURING = (Topic.POURING, Topic.LABEL, Topic.SWIMMING)
