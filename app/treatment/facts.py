"""Gathers from a recovery's log what the rules ask about: one flat set of facts, each with the visit it was seen at.

In: a `Recovery`, `now`, the units people read. Out: `Facts`. Nothing is decided here; what is not known stays None.
Long because every fact has its one line of meaning.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from datetime import datetime

from app.records import (
    Chemical,
    Dose,
    ElementState,
    Equipment,
    FilterKind,
    Method,
    Pool,
    Reading,
    Recovery,
    Sighting,
    Surface,
    Visit,
    Work,
)
from app.treatment import limits
from app.treatment.cautions import ACIDS, CHLORINES
from app.treatment.dosing import LARGEST_POOL_L, clearing_dose, dose_for, wanted_raise_mg_l
from app.treatment.products import chlorine_poured_mg_l
from app.treatment.stall import Stall, find_stall
from app.treatment.trend import Trend, Water, latest, route, water_of
from vision.results import Clarity, Interval, Severity

GREEN_ORDER = tuple(Severity)
"""Severities, least first."""

CLEANED = frozenset({Work.FILTER_CLEANED, Work.BACKWASHED, Work.ELEMENTS_REPLACED})
"""Work that leaves the filter clean."""

VACUUMED = frozenset({Work.VACUUMED, Work.VACUUMED_TO_WASTE})
"""Work that takes settled dirt off the floor."""

MENDED = frozenset({Work.ELEMENTS_REPLACED, Work.PUMP_STARTED})
"""Work that lets pump and filter begin anew."""

BALANCERS = ACIDS | {
    Chemical.SODIUM_BICARBONATE,
    Chemical.SODIUM_CARBONATE,
    Chemical.CALCIUM_CHLORIDE,
    Chemical.CYANURIC_ACID,
}
"""Chemicals that balance the water."""

_MOVED_BY: dict[str, frozenset[Chemical]] = {
    "ph": ACIDS | {Chemical.SODIUM_BICARBONATE, Chemical.SODIUM_CARBONATE},
    "total_alkalinity": ACIDS | {Chemical.SODIUM_BICARBONATE, Chemical.SODIUM_CARBONATE},
    "cyanuric_acid": frozenset({Chemical.CYANURIC_ACID, Chemical.DICHLOR, Chemical.TRICHLOR}),
    "calcium_hardness": frozenset({Chemical.CALCIUM_CHLORIDE, Chemical.CALCIUM_HYPOCHLORITE}),
}
"""What pouring makes an earlier reading worthless."""


@dataclass(frozen=True)
class Seen:
    """A reading and the visit it was taken at."""

    reading: Reading
    visit_id: str


@dataclass(frozen=True)
class Facts:
    """What the log says about one recovery at `now`; times in hours, concentrations in mg/L."""

    recovery: Recovery
    now: datetime
    units: str
    last: Visit | None
    since_last_h: float
    equipment: Equipment
    equipment_visits: dict[str, str]
    free_chlorine_mg_l: float | None
    readings: dict[str, Seen]
    poured_mg_l: tuple[float, ...]
    poured_last_mg_l: float
    poured_today_mg_l: float
    since_dose_h: float | None
    dose_visit_ids: tuple[str, ...]
    floc_rounds: int
    floc_visit_id: str | None
    floc_age_h: float
    floc_is_open: bool
    vacuum_visit_ids: tuple[str, ...]
    bromide_given: bool
    copper_given: bool
    stock_trade_pct: float | None
    trend: Trend | None
    stall: Stall | None

    @property
    def pool(self) -> Pool:
        """The pool."""
        return self.recovery.pool

    @property
    def is_measured(self) -> bool:
        """Whether the last visit's water was graded well enough to act on."""
        return self.last is not None and water_of(self.last.assessment) is not None

    @property
    def water(self) -> Water:
        """The last visit's graded water.

        Raises
        ------
        ValueError
            If it was not graded well enough; ask `is_measured` first.
        """
        found = water_of(self.last.assessment) if self.last is not None else None
        if found is None:
            raise ValueError("water was not graded at the last visit: ask is_measured first")
        return found

    @property
    def has_volume(self) -> bool:
        """Whether the pool's volume is one that a pool can have."""
        return 0 < self.pool.volume_l <= LARGEST_POOL_L

    @property
    def clarity(self) -> Clarity:
        """The last visit's clarity; only where `is_measured`."""
        return self.water.clarity

    @property
    def severity(self) -> Severity:
        """The last visit's severity; only where `is_measured`."""
        return self.water.severity

    @property
    def visible_depth_m(self) -> Interval:
        """The last visit's visible depth; only where `is_measured`."""
        return self.water.visible_depth_m

    @property
    def is_green(self) -> bool:
        """Whether living algae were graded."""
        return self.is_measured and self.severity != Severity.NONE

    @property
    def is_clear(self) -> bool:
        """Whether the deepest floor should be seen: clear or crystal."""
        return self.is_measured and self.clarity in (Clarity.CLEAR, Clarity.CRYSTAL)

    @property
    def is_blue(self) -> bool:
        """Whether the goal is reached: clear, no living algae, and no tech who says the floor is not seen."""
        return self.is_clear and not self.is_green and self.last is not None and self.last.floor_seen is not False

    @property
    def is_milky(self) -> bool:
        """Whether the algae are dead and still in suspension."""
        return self.is_measured and not self.is_green and not self.is_blue

    @property
    def deep_end_m(self) -> float:
        """Depth of the deepest floor; the careful assumption where it was never noted."""
        return self.pool.depth_deep_m or self.pool.depth_shallow_m or limits.DEEP_END_M

    @property
    def floor_seen(self) -> bool:
        """Whether the deepest floor is seen: the tech's word, or else the photo's visible depth."""
        if self.last is not None and self.last.floor_seen is not None:
            return self.last.floor_seen
        return self.is_measured and self.visible_depth_m.mid >= self.deep_end_m

    @property
    def is_sand(self) -> bool:
        """Whether the filter is sand."""
        return self.pool.filter_kind == FilterKind.SAND

    @property
    def has_waste_port(self) -> bool:
        """Whether the valve is known to have a waste port."""
        return self.pool.has_waste_port is True

    @property
    def dosed_before(self) -> bool:
        """Whether a clearing dose went in at an earlier visit."""
        return any(self.last is None or visit_id != self.last.id for visit_id in self.dose_visit_ids)

    @property
    def dosed_last(self) -> bool:
        """Whether a clearing dose went in at the last visit."""
        return self.poured_last_mg_l >= limits.COUNTS_AS_DOSE_MG_L

    @property
    def filter_is_clean(self) -> bool:
        """Whether the filter was cleaned at the last visit."""
        return self.last is not None and bool(CLEANED & set(self.last.work))

    @property
    def vacuumed_last(self) -> bool:
        """Whether the floor was vacuumed at the last visit."""
        return self.last is not None and bool(VACUUMED & set(self.last.work))

    @property
    def flocced_last(self) -> bool:
        """Whether a flocculant went in at the last visit."""
        return self.last is not None and self.floc_visit_id == self.last.id and self.floc_is_open

    @property
    def is_settling(self) -> bool:
        """Whether the pump is off on purpose, so that a flocculant settles."""
        return self.floc_is_open and self.floc_age_h < limits.FLOC_FORGOTTEN_H

    @property
    def vacuumed_before_last(self) -> bool:
        """Whether the floor was vacuumed the visit before the last: dust in the water is then expected."""
        visits = self.recovery.visits
        return len(visits) > 1 and visits[-2].id in self.vacuum_visit_ids

    @property
    def is_stalled(self) -> bool:
        """Whether treated water probably stands still; the dip after vacuuming is none."""
        return self.is_measured and not self.vacuumed_before_last and self.stall is not None and self.stall.is_called

    @property
    def must_not_drain(self) -> bool:
        """Whether the shell would be ruined by draining: vinyl shrinks and tears, fibreglass floats or bulges."""
        return self.pool.surface in (Surface.VINYL, Surface.FIBREGLASS)

    @property
    def has_mineral_unit(self) -> bool:
        """Whether a copper mineral unit was noted in the pump basket."""
        return any(Sighting.MINERAL_UNIT in visit.sightings for visit in self.recovery.visits)

    @property
    def route(self) -> str:
        """The way this pool's dirt is taken out, a key of `trend.CLEARED_PER_TURNOVER`."""
        to_flocculate = self.floc_is_open or self.wants_floc or not self.floc_rounds
        return route(self.pool, flocculate=self.is_sand and self.has_waste_port and to_flocculate)

    @property
    def disturbed_visit_ids(self) -> tuple[str, ...]:
        """Visits after which the cloud says nothing about the filter: vacuumed, or pump stopped for a flocculant."""
        flocced = [visit.id for visit in self.recovery.visits if _poured(visit, Chemical.FLOCCULANT)]
        return (*self.vacuum_visit_ids, *flocced)

    def sees(self, sighting: Sighting) -> bool:
        """Return whether something was noted at the last visit."""
        return self.last is not None and sighting in self.last.sightings

    @property
    def acted_last(self) -> bool:
        """Whether something was done at the last visit that needs time before the water is judged again."""
        return self.dosed_last or self.vacuumed_last or self.filter_is_clean or self.flocced_last

    @property
    def judge_after_h(self) -> float:
        """How long after the last visit the water is judged again [h]: a day after a dose or vacuuming, else longer."""
        if self.flocced_last:
            return limits.SETTLE_H
        fresh = self.since_dose_h is not None and self.since_dose_h - self.since_last_h < limits.LAST_DOSE_FRESH_H
        return (
            limits.FILTER_ONLY_H if self.is_milky and not self.vacuumed_last and not fresh else limits.RUN_AFTER_DOSE_H
        )

    @property
    def pressure_is_high(self) -> bool:
        """Whether the last gauge reading asks for a clean filter."""
        now_kpa, clean_kpa = self.equipment.filter_pressure_kpa, self.pool.clean_pressure_kpa
        if now_kpa is None or clean_kpa is None or self.last is None or self.filter_is_clean:
            return False
        if self.equipment_visits.get("filter_pressure_kpa") != self.last.id:
            return False
        return now_kpa - clean_kpa >= limits.PRESSURE_RISE_KPA

    @property
    def pressure_rise_kpa(self) -> float | None:
        """How far the gauge stood above clean at the last visit; None where either is not known or no water flowed."""
        return _rise_kpa(self.last, self.pool)

    @property
    def wants_floc(self) -> bool:
        """Whether this water is for a flocculant: sand, a waste port, and more than a trace to take out."""
        if not (self.is_sand and self.has_waste_port and self.is_measured) or self.floc_is_open:
            return False
        green_enough = GREEN_ORDER.index(self.severity) >= GREEN_ORDER.index(Severity.LIGHT)
        return self.floc_rounds < limits.FLOC_ROUNDS and (green_enough or (self.is_milky and not self.floor_seen))

    @property
    def wanted_mg_l(self) -> float:
        """Free chlorine that this water takes at first."""
        return wanted_raise_mg_l(self.severity, self.floor_seen)

    @property
    def is_short_dosed(self) -> bool:
        """Whether what was poured at the last visit is too little to matter.

        At first that is by how green it is; on later days it is what does not lift free chlorine above 10 mg/L.
        """
        if not self.is_green or self.poured_last_mg_l <= 0:
            return False
        enough = limits.STILL_HIGH_MG_L if self.dosed_before else limits.USELESS_SHARE * self.wanted_mg_l
        return self.poured_last_mg_l + (self.free_chlorine_mg_l or 0.0) < enough

    def clearing(self, *, repeat: bool = False) -> Dose | None:
        """Return the liquid chlorine this water takes now; None where it takes none."""
        return clearing_dose(
            self.severity,
            self.floor_seen,
            volume_l=self.pool.volume_l,
            free_chlorine_mg_l=self.free_chlorine_mg_l or 0.0,
            poured_today_mg_l=self.poured_today_mg_l,
            at_least_to_mg_l=limits.REPEAT_TO_MG_L if repeat else 0.0,
            strength_pct=self.stock_trade_pct,
            units=self.units,
        )

    def before_floc(self) -> Dose | None:
        """Return the liquid chlorine to go in before a flocculant: up to 10 mg/L, never above."""
        return self.up_to(limits.FLOC_CHLORINE_MG_L)

    def up_to(self, goal_mg_l: float) -> Dose | None:
        """Return the liquid chlorine that brings free chlorine up to a goal and never above it; None if it is there."""
        short = goal_mg_l - max(self.free_chlorine_mg_l or 0.0, self.poured_today_mg_l)
        if short < 1.0:
            return None
        return dose_for(
            Chemical.SODIUM_HYPOCHLORITE,
            volume_l=self.pool.volume_l,
            change_mg_l=short,
            most_mg_l=short,
            strength_pct=self.stock_trade_pct,
            units=self.units,
        )

    def value(self, analyte: str) -> float | None:
        """Return the newest trusted reading of an analyte."""
        seen = self.readings.get(analyte)
        return None if seen is None else seen.reading.value


def gather(recovery: Recovery, now: datetime, *, units: str = "us") -> Facts:
    """Gather the facts of a recovery at `now`.

    Raises
    ------
    ValueError
        If `now` has no time zone.
    """
    if now.tzinfo is None:
        raise ValueError(f"now must carry a time zone, got {now!r}")
    visits = recovery.visits
    last = visits[-1] if visits else None
    equipment, equipment_visits = _equipment(visits)
    poured = [_chlorine_poured(visit, recovery.pool.volume_l) for visit in visits]
    ages_h = [_hours(visit.at, now) for visit in visits]
    dosed = [i for i, raised in enumerate(poured) if raised >= limits.COUNTS_AS_DOSE_MG_L]
    flocced = [i for i, visit in enumerate(visits) if _poured(visit, Chemical.FLOCCULANT)]
    vacuumed = [i for i, visit in enumerate(visits) if VACUUMED & set(visit.work)]
    stall = find_stall(
        [visit for visit in visits if water_of(visit.assessment)],
        # What a flocculant did is left out of the comparison, so the filter's own rate is expected.
        route(recovery.pool, flocculate=False),
        turnover_h=recovery.pool.turnover_h,
        # Chlorine that still stands high is at work as well as a dose.
        dose_visit_ids={
            visit.id
            for i, visit in enumerate(visits)
            if i in dosed or (_free_chlorine(visit) or 0.0) >= limits.STILL_HIGH_MG_L
        },
        disturbed_visit_ids={visits[i].id for i in (*vacuumed, *flocced)},
        mended_visit_ids={visit.id for visit in visits if MENDED & set(visit.work)},
        gauge_rise_kpa=_rise_kpa(last, recovery.pool),
        sighted=last is not None and bool({Sighting.PUMP_FOUND_OFF, Sighting.POWDER_AT_RETURNS} & set(last.sightings)),
    )
    return Facts(
        recovery=recovery,
        now=now,
        units=units,
        last=last,
        since_last_h=_hours(last.at, now) if last else 0.0,
        equipment=equipment,
        equipment_visits=equipment_visits,
        free_chlorine_mg_l=_free_chlorine(last),
        readings=_readings(visits),
        poured_mg_l=tuple(poured),
        poured_last_mg_l=poured[-1] if poured else 0.0,
        poured_today_mg_l=sum(
            raised for raised, age_h in zip(poured, ages_h, strict=True) if age_h < limits.DOSE_GAP_H
        ),
        since_dose_h=ages_h[dosed[-1]] if dosed else None,
        dose_visit_ids=tuple(visits[i].id for i in dosed),
        floc_rounds=len(flocced),
        floc_visit_id=visits[flocced[-1]].id if flocced else None,
        floc_age_h=ages_h[flocced[-1]] if flocced else 0.0,
        # Vacuuming ends it, and so does another dose: then it was given up.
        floc_is_open=bool(flocced) and not any(i > flocced[-1] for i in (*vacuumed, *dosed)),
        vacuum_visit_ids=tuple(visits[i].id for i in vacuumed),
        bromide_given=any(_poured(visit, Chemical.SODIUM_BROMIDE) for visit in visits),
        copper_given=any(_poured(visit, Chemical.COPPER_ALGAECIDE) for visit in visits),
        stock_trade_pct=_stock(visits),
        trend=latest(visits, recovery.pool, floc_visit_ids=[visits[i].id for i in flocced]),
        stall=stall,
    )


def _rise_kpa(last: Visit | None, pool: Pool) -> float | None:
    """Return how far a visit's gauge stood above clean; None where either is not known or no water flowed."""
    if last is None or pool.clean_pressure_kpa is None or not last.equipment.filter_pressure_kpa:
        return None
    return last.equipment.filter_pressure_kpa - pool.clean_pressure_kpa


def _hours(earlier: datetime, later: datetime) -> float:
    """Return hours between, never negative: a phone's clock may run ahead."""
    return max((later - earlier).total_seconds() / 3600, 0.0)


def _chlorine_poured(visit: Visit, volume_l: float) -> float:
    """Return the free chlorine poured at a visit [mg/L]; 0 where the pool's volume is not known."""
    if not 0 < volume_l <= LARGEST_POOL_L:
        return 0.0
    return sum(chlorine_poured_mg_l(each, volume_l) for each in visit.treatments if each.chemical in CHLORINES)


def _poured(visit: Visit, chemical: Chemical) -> bool:
    """Return whether a chemical was really poured at a visit."""
    return any(each.chemical == chemical and each.amount > 0 for each in visit.treatments)


def _equipment(visits: Sequence[Visit]) -> tuple[Equipment, dict[str, str]]:
    """Return the newest known state of each part, repairs counted, and the visit each was seen at."""
    known: dict[str, object] = {}
    seen_at: dict[str, str] = {}
    for visit in visits:
        for part in fields(Equipment):
            value = getattr(visit.equipment, part.name)
            if value is None or value == ElementState.NOT_SEEN:
                continue
            known[part.name], seen_at[part.name] = value, visit.id
        if Work.ELEMENTS_REPLACED in visit.work:
            known["elements"], seen_at["elements"] = ElementState.GOOD, visit.id
        if Work.PUMP_STARTED in visit.work:
            known["pump_runs"], seen_at["pump_runs"] = True, visit.id
            if visit.equipment.power_on is None:
                known["power_on"], seen_at["power_on"] = True, visit.id
    return Equipment(**known), seen_at  # type: ignore[arg-type]


def _free_chlorine(last: Visit | None) -> float | None:
    """Return the last visit's free chlorine, the surest method first; flagged readings are not read."""
    if last is None:
        return None
    order = list(Method)
    trusted = [each for each in last.readings if each.analyte == "free_chlorine" and not each.flags]
    return max(trusted, key=lambda each: order.index(each.method)).value if trusted else None


def _readings(visits: Sequence[Visit]) -> dict[str, Seen]:
    """Return the newest trusted reading of each analyte that nothing poured since has made worthless."""
    found: dict[str, Seen] = {}
    for visit in visits:
        if (visits[-1].at - visit.at).total_seconds() / 3600 <= limits.STALE_AFTER_H:
            order = list(Method)
            for reading in sorted(visit.readings, key=lambda each: order.index(each.method)):
                if not reading.flags:
                    found[reading.analyte] = Seen(reading, visit.id)
        # What is poured at a visit goes in after its readings were taken.
        for treatment in visit.treatments:
            for analyte, movers in _MOVED_BY.items():
                if treatment.chemical in movers and treatment.amount > 0:
                    found.pop(analyte, None)
    return found


def _stock(visits: Sequence[Visit]) -> float | None:
    """Return the strength of the liquid chlorine last poured here, where it was noted."""
    for visit in reversed(visits):
        for treatment in reversed(visit.treatments):
            if treatment.chemical == Chemical.SODIUM_HYPOCHLORITE and 0 < (treatment.strength_pct or 0) <= 25:
                return treatment.strength_pct
    return None
