"""A made-up tech who visits a made-up pool, photographs it, and does what the plan says, to the hand-over or the end.

In: a seed, a planted trouble or none. Out: `Run`: the log as it was written, and beside each visit the truth, the
forecast and what was broken. The photo's grades are noisy with a share that all photos of a pool have in common; now
and then one is flagged. The tech knows the plan's steps only by what they say and pour.
Long because one person does everything at a pool; nothing else is in it.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, field, replace
from datetime import timedelta

from app.records import (
    Assessment,
    CauseKind,
    Chemical,
    ElementState,
    Equipment,
    FilterKind,
    Method,
    Pool,
    Progress,
    Reading,
    Recovery,
    Sighting,
    Standing,
    Step,
    StepKind,
    Treatment,
    Visit,
    Work,
)
from app.treatment.plan import next_step
from app.treatment.progress import progress
from tests.app.treatment.recovery_logs import START
from tests.app.treatment.recovery_world import Ranges, Trouble, World
from vision.results import Interval, clarity_of, severity_of

MOST_DAYS = 60
CAP_MG_L = 83.34
"""The stated cap on free chlorine poured in a day, by the recorded volume: 10 gal of 12.5 % in 15,000 gal."""

KILOPASCAL_READ = 4.0
Z80 = 1.2816


@dataclass
class Seen:
    """What was true and what was said at one visit, when the tech left."""

    hour: int
    algae: float
    visible_depth_m: float
    trouble_on: bool
    measured: bool
    treated: bool
    disturbed: bool
    step: Step
    on_arrival: Progress
    mended: bool = False
    hour_left: int = 0


@dataclass
class Run:
    """One recovery from the first visit to its end."""

    seed: int
    trouble: Trouble | None
    filter_kind: str
    world: World
    recovery: Recovery
    seen: list[Seen] = field(default_factory=list)
    broken: list[str] = field(default_factory=list)
    handed_over: bool = False

    def first_log(self, number: int) -> Recovery:
        """Return the log as it stood when the tech had measured the water of visit `number` and poured nothing yet."""
        visits = self.recovery.visits[: number + 1]
        return replace(self.recovery, visits=(*visits[:-1], replace(visits[-1], treatments=(), work=())))

    @property
    def cleared_at_hour(self) -> int | None:
        """Hour from which the water was clear for good, dips of up to two days after a vacuuming aside; or None."""
        clear = self.world.clear_hours
        if not clear or not clear[-1]:
            return None
        vacuums = [
            seen.hour for seen, visit in zip(self.seen, self.recovery.visits, strict=False)
            if {Work.VACUUMED, Work.VACUUMED_TO_WASTE} & set(visit.work)
        ]  # fmt: skip
        return max(
            (
                hour
                for hour, is_clear in enumerate(clear, start=1)
                if not is_clear and not any(0 <= hour - at <= 48 and was_clear(clear, at) for at in vacuums)
            ),
            default=0,
        )


def was_clear(clear: list[bool], hour: int) -> bool:
    """Return whether the water was clear just before this hour."""
    return hour >= 1 and clear[min(hour, len(clear)) - 1]


def run_one(
    seed: int, *, trouble: Trouble | None = None, ranges: Ranges = Ranges.MIDDLE, kind: str | None = None
) -> Run:
    """Follow the plan on one made-up pool."""
    rng = random.Random(seed)
    world = World(rng, trouble=trouble, ranges=ranges, kind=kind)
    pool = Pool(
        id="p1",
        name="Made-up pool",
        volume_l=world.recorded_l,
        filter_kind=FilterKind(world.filter_kind),
        depth_shallow_m=1.0,
        depth_deep_m=world.deep_m,
        has_waste_port=world.has_waste_port if world.filter_kind == "sand" else False,
        clean_pressure_kpa=world.clean_kpa + rng.gauss(0, 3) if rng.random() < 0.8 else None,
        turnover_h=24 / world.f.turnovers_a_day * math.exp(rng.gauss(0, 0.15)) if rng.random() < 0.5 else None,
    )
    run = Run(seed, trouble, world.filter_kind, world, Recovery("r1", pool, START, None, ()))
    tech = Tech(run, rng)
    while world.hour < MOST_DAYS * 24 and not run.handed_over and len(run.seen) < 70:
        tech.visit()
    return run


class Tech:
    """Visits one pool; `bias` is what all photos of it have in common."""

    def __init__(self, run: Run, rng: random.Random) -> None:
        self.run, self.rng = run, rng
        self.depth_bias, self.algae_bias = rng.gauss(0, 0.10), rng.gauss(0, 0.20)
        self.to_replace = False
        self.replace_at_hour = 0
        self.settling = False
        self.cya_tested = False

    def visit(self) -> None:
        """Make one visit: look, log, do what the plan says, leave, and let time go by."""
        run, world, rng = self.run, self.run.world, self.rng
        visit = self.arrive()
        now, algae, depth_m = visit.at, world.algae, world.visible_depth_m
        did: set[str] = set()
        treated = mended = False
        trouble_on = world.trouble_is_on
        on_arrival = progress(self.log(visit), now)
        step = next_step(self.log(visit), now)
        for _ in range(10):
            self.check(step, visit)
            before = visit
            visit, poured, fixed = self.do(step, visit, did)
            mended = mended or fixed
            treated = treated or poured >= 5 or world.flocculated
            if run.handed_over or visit == before:
                break
            step = next_step(self.log(visit), now)
        run.recovery = self.log(visit)
        disturbed = bool({Work.VACUUMED, Work.VACUUMED_TO_WASTE} & set(visit.work)) or self.settling
        run.seen.append(
            Seen(
                world.hour, algae, depth_m, trouble_on, self.usable(visit), treated, disturbed, step, on_arrival,
                mended,
            )
        )  # fmt: skip
        if run.handed_over:
            return
        wait_h = step.return_in_hours if step.return_in_hours is not None else 24.0
        wait_h = max(wait_h, 18.0) + rng.choice([0, 0, 0, 1, 2, 3]) + (24 if rng.random() < 0.05 else 0)
        world.hours(round(wait_h))

    def log(self, visit: Visit) -> Recovery:
        """Return the log with this visit as its last."""
        recovery = self.run.recovery
        kept = tuple(each for each in recovery.visits if each.id != visit.id)
        pool = replace(recovery.pool, volume_l=self.run.world.recorded_l)
        return replace(recovery, pool=pool, visits=(*kept, visit))

    def usable(self, visit: Visit) -> bool:
        return visit.assessment is not None and visit.assessment.usable

    def arrive(self) -> Visit:
        """Look at everything and photograph the water."""
        world, rng = self.run.world, self.rng
        self.repair()
        # Who goes by clock and timer finds a pump that was off only where it is off now.
        found_off = (
            world.trouble is Trouble.PUMP_OFF and world.trouble_is_on and not self.settling and rng.random() < 0.6
        )
        runs = world.power and world.pump_sound and world.pump_on
        sightings = [Sighting.PUMP_FOUND_OFF] if found_off and runs else []
        passes = world.trouble is Trouble.FILTER_PASSES and world.trouble_is_on
        if passes and world.filter_kind == "de" and rng.random() < 0.5:
            sightings.append(Sighting.POWDER_AT_RETURNS)
        seen = world.visible_depth_m * math.exp(rng.gauss(0, 0.06)) >= world.deep_m
        leaves = world.leaves_mg_l_a_day > 5
        debris = leaves if seen else (True if leaves and rng.random() < 0.7 else None)
        readings = []
        if rng.random() < 0.95:
            read = max(world.chlorine * math.exp(rng.gauss(0, 0.1)) + rng.gauss(0, 0.1), 0.0)
            readings.append(Reading("free_chlorine", read, read * 0.8, read * 1.2, "mg/L", Method.DROP_COUNT))
        if not self.cya_tested and rng.random() < 0.5:
            readings += self.test_balance()
        return Visit(
            id=f"v{len(self.run.seen) + 1}",
            recovery_id="r1",
            at=START + timedelta(hours=world.hour),
            by="Made-up tech",
            assessment=self.photograph(),
            equipment=Equipment(
                power_on=world.power,
                pump_runs=runs if world.power else None,
                flow_holds=True if runs else None,
                filter_pressure_kpa=world.pressure_kpa if runs and rng.random() < 0.9 else None,
            ),
            readings=tuple(readings),
            floor_seen=seen if rng.random() < 0.85 else None,
            debris_on_floor=debris,
            sightings=tuple(sightings),
        )

    def repair(self) -> None:
        """What was ordered arrives; power and pump come back in a day or three."""
        world, rng = self.run.world, self.rng
        if self.run.seen and rng.random() < 0.6:
            world.power, world.pump_sound = True, True

    def photograph(self) -> Assessment:
        """Grade the water with noise; 6 photos in 100 are flagged as unusable."""
        world, rng = self.run.world, self.rng
        noise = world.f.photo_noise
        depth = world.visible_depth_m * math.exp(self.depth_bias + rng.gauss(0, noise))
        algae = max(world.algae, 0.3) * math.exp(self.algae_bias + rng.gauss(0, 1.6 * noise))
        sure_d = math.hypot(noise, 0.10) * math.exp(rng.gauss(0, 0.15))
        sure_a = math.hypot(1.6 * noise, 0.20) * math.exp(rng.gauss(0, 0.15))
        bound = depth > 2 * world.deep_m
        usable = rng.random() >= 0.06
        return Assessment(
            measurement_id="m",
            photo_sha256="s",
            usable=usable,
            flags=() if usable else ("blurred",),
            clarity=clarity_of(depth),
            clarity_probability=0.8,
            severity=severity_of(algae),
            severity_probability=0.8,
            visible_depth_m=Interval(
                depth * math.exp(-Z80 * sure_d), depth, None if bound else depth * math.exp(Z80 * sure_d)
            ),
            chlorophyll_ug_l=Interval(algae * math.exp(-Z80 * sure_a), algae, algae * math.exp(Z80 * sure_a)),
        )

    def test_balance(self) -> list[Reading]:
        world, rng = self.run.world, self.rng
        self.cya_tested = True

        def reading(name: str, value: float, unit: str = "mg/L") -> Reading:
            return Reading(name, value, value, value, unit, Method.DROP_COUNT)

        return [
            reading("ph", world.ph + rng.gauss(0, 0.05), ""),
            reading("total_alkalinity", max(world.alkalinity * math.exp(rng.gauss(0, 0.07)), 5.0)),
            reading("cyanuric_acid", max(world.cya * math.exp(rng.gauss(0, 0.12)), 0.0)),
        ]

    def do(self, step: Step, visit: Visit, did: set[str]) -> tuple[Visit, float, bool]:
        """Do one step as it says; return the visit as logged, chlorine poured [mg/L], whether a cause was found."""
        world, rng, run = self.run.world, self.rng, self.run
        work, poured, raised, mended = set(visit.work), [], 0.0, False
        said = step.title + " " + " ".join(action.say for action in step.do)
        key = step.title
        if key in did:
            return visit, 0.0, False
        did.add(key)
        for action in step.do:
            if action.dose is None:
                continue
            dose = action.dose
            share = 0.6 if rng.random() < 0.04 else rng.uniform(0.95, 1.05)
            poured.append(Treatment(dose.chemical, dose.amount * share, dose.unit, dose.strength_pct))
            raised += self.take_effect(poured[-1])
        kind = step.step
        cleans = ("hose" in said and "out" in said) or "Backwash until" in said
        if kind is StepKind.FLOCCULATE and step.title.startswith("Flocculate"):
            poured.append(Treatment(Chemical.FLOCCULANT, 1.0, "L"))
            world.flocculated, world.pump_on, self.settling = True, False, True
            work |= {Work.BACKWASHED, Work.PUMP_STOPPED}
            world.clean_filter()
        elif cleans and not visit.work:
            visit = self.clean(visit)
            work |= set(visit.work)
        if kind is StepKind.REMOVE_DEBRIS:
            work.add(Work.DEBRIS_REMOVED)
            world.leaves_mg_l_a_day *= 0.05
            if world.trouble is Trouble.DEBRIS:
                world.trouble = None
            visit = replace(visit, debris_on_floor=False)
        if kind is StepKind.VACUUM:
            to_waste = "waste" in said and world.has_waste_port
            world.vacuum(to_waste=to_waste)
            work.add(Work.VACUUMED_TO_WASTE if to_waste else Work.VACUUMED)
            if self.settling:
                world.flocculated, world.pump_on, self.settling = False, True, False
                work.add(Work.PUMP_STARTED)
            if world.leaves_mg_l_a_day > 0:
                world.leaves_mg_l_a_day *= 0.2
        if self.settling and poured and kind is StepKind.DOSE:
            world.flocculated, world.pump_on, self.settling = False, True, False
        if kind is StepKind.REPAIR_PUMP and Sighting.PUMP_FOUND_OFF in visit.sightings:
            work.add(Work.PUMP_STARTED)
            if rng.random() < 0.8 and world.trouble is Trouble.PUMP_OFF:
                world.mend()
                mended = True
        if kind is StepKind.REPAIR_FILTER:
            if self.to_replace and world.hour >= self.replace_at_hour:
                work.add(Work.ELEMENTS_REPLACED)
                self.to_replace = False
                world.load = 0.0
                if world.trouble in (Trouble.FILTER_PASSES, Trouble.FILTER_CLOGGED):
                    world.mend()
                    mended = True
            elif not self.to_replace:
                self.to_replace, self.replace_at_hour = True, world.hour + 20
        if "look at its elements" in said or "open the filter and look" in said:
            torn = world.trouble is Trouble.FILTER_PASSES and world.trouble_is_on and rng.random() < 0.9
            state = ElementState.TORN if torn else ElementState.GOOD
            visit = replace(visit, equipment=replace(visit.equipment, elements=state))
        if "xchange" in step.title:
            if world.trouble is Trouble.CYANURIC_ACID:
                world.mend()
                mended = True
            else:
                world.cya *= 0.6
        elif step.causes and kind is StepKind.CALL_FOR_HELP:
            visit, work, mended = self.look_for(step, visit, work)
        if kind is StepKind.BALANCE and "est" in step.title and "test" in said.lower() and not poured:
            known = {each.analyte for each in visit.readings}
            visit = replace(
                visit, readings=(*visit.readings, *(r for r in self.test_balance() if r.analyte not in known))
            )
        if kind is StepKind.MEASURE_AGAIN and "photo" in step.title and not self.usable(visit) and rng.random() < 0.85:
            visit = replace(visit, assessment=self.photograph())
        if kind is StepKind.MEASURE_AGAIN and "free chlorine" in step.title and rng.random() < 0.95:
            read = max(world.chlorine * math.exp(rng.gauss(0, 0.1)), 0.0)
            reading = Reading("free_chlorine", read, read * 0.8, read * 1.2, "mg/L", Method.DROP_COUNT)
            visit = replace(visit, readings=(*visit.readings, reading))
        if kind is StepKind.HAND_OVER:
            work.add(Work.HANDED_OVER)
            run.handed_over = True
        visit = replace(
            visit, treatments=(*visit.treatments, *poured), work=tuple(each for each in Work if each in work)
        )
        return visit, raised, mended

    def clean(self, visit: Visit) -> Visit:
        """Clean the filter; who takes elements out sees torn ones more often than not."""
        world, rng = self.run.world, self.rng
        world.clean_filter()
        passes = world.trouble is Trouble.FILTER_PASSES and world.trouble_is_on
        equipment = visit.equipment
        if world.filter_kind == "sand":
            return replace(visit, work=(*visit.work, Work.BACKWASHED))
        if passes and rng.random() < 0.4:
            equipment = replace(equipment, elements=ElementState.TORN)
        return replace(visit, equipment=equipment, work=(*visit.work, Work.FILTER_CLEANED))

    def look_for(self, step: Step, visit: Visit, work: set[Work]) -> tuple[Visit, set[Work], bool]:
        """Go through the first three causes; a check finds what is there nine times in ten."""
        world, rng = self.run.world, self.rng
        for cause in step.causes[:3]:
            if not world.trouble_is_on or cause.kind.value != world.trouble.value or rng.random() > 0.9:
                continue
            if cause.kind in (CauseKind.FILTER_PASSES, CauseKind.FILTER_CLOGGED):
                world.load = 0.0
                work.add(Work.ELEMENTS_REPLACED)
            if cause.kind is CauseKind.PUMP_OFF:
                work.add(Work.PUMP_STARTED)
            world.mend()
            return visit, work, True
        return visit, work, False

    def take_effect(self, poured: Treatment) -> float:
        """Put a chemical into the world; return the free chlorine by the label [mg/L]."""
        world, rng = self.run.world, self.rng
        if poured.chemical is Chemical.SODIUM_HYPOCHLORITE:
            raised = poured.amount * (poured.strength_pct or 12.5) * 10 * 1000 / world.recorded_l
            world.pour(chlorine_mg_l_on_label=raised)
            return raised
        if poured.chemical in (Chemical.HYDROCHLORIC_ACID, Chemical.SODIUM_CARBONATE):
            world.ph += 0.8 * (7.5 - world.ph) + rng.gauss(0, 0.05)
        if poured.chemical is Chemical.SODIUM_BICARBONATE:
            world.alkalinity += poured.amount * 1e6 / 1.68 / world.volume_l
        if poured.chemical is Chemical.CYANURIC_ACID:
            world.cya += poured.amount * 1e6 / world.volume_l
        return 0.0

    def check(self, step: Step, visit: Visit) -> None:
        """Note every step that is advised before its precondition, and every dose above the cap."""
        run = self.run
        recovery = self.log(visit)
        doses = [action.dose for action in step.do if action.dose is not None]
        liquid = [dose for dose in doses if dose.chemical is Chemical.SODIUM_HYPOCHLORITE]
        balance = [
            dose for dose in doses if dose.chemical not in (Chemical.SODIUM_HYPOCHLORITE, Chemical.SODIUM_BROMIDE)
        ]
        depth = visit.assessment.visible_depth_m.mid if self.usable(visit) else None
        floor = visit.floor_seen if visit.floor_seen is not None else (depth is not None and depth >= run.world.deep_m)
        blue = (
            self.usable(visit)
            and visit.assessment.clarity in ("clear", "crystal")
            and visit.assessment.severity == "none"
            and visit.floor_seen is not False
        )
        today = sum(
            each.amount * (each.strength_pct or 12.5) * 1e4 / run.world.recorded_l
            for past in recovery.visits
            if (visit.at - past.at) < timedelta(hours=20)
            for each in past.treatments
            if each.chemical is Chemical.SODIUM_HYPOCHLORITE
        )
        raised = sum(dose.high * (dose.strength_pct or 12.5) * 1e4 / run.world.recorded_l for dose in liquid)
        rules = {
            "dose on an unusable photo": bool(doses) and not self.usable(visit),
            "dose without a running pump": bool(doses)
            and visit.equipment.pump_runs is not True
            and not self.settling
            and Work.PUMP_STARTED not in visit.work,
            "dose above the cap": raised > 0 and raised + today > CAP_MG_L * 1.01,
            "blind work on the floor": step.step in (StepKind.VACUUM, StepKind.REMOVE_DEBRIS) and not floor,
            "balance before blue": bool(balance) and not blue,
            "balance step before blue": step.step is StepKind.BALANCE and not blue,
            "flocculant without sand and a waste port": step.step is StepKind.FLOCCULATE
            and not run.recovery.pool.has_waste_port,
            "hand-over before blue": step.step is StepKind.HAND_OVER and not blue,
            "bromide twice": any(dose.chemical is Chemical.SODIUM_BROMIDE for dose in doses)
            and any(each.chemical is Chemical.SODIUM_BROMIDE for past in recovery.visits for each in past.treatments),
            "dose on torn elements": bool(doses) and visit.equipment.elements is ElementState.TORN
            and Work.ELEMENTS_REPLACED not in visit.work and run.filter_kind != "sand",
        }  # fmt: skip
        run.broken += [f"{name} at {visit.id}" for name, broken in rules.items() if broken]


def is_stalled(said: Progress) -> bool:
    """Return whether progress says that the water stands still."""
    return said.standing is Standing.STALLED
