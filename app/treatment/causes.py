"""Ranks why treated water stands still by what the log holds, with the check that tells each cause from the others.

In: `Facts`. Out: `Cause`s, most likely first. The table is data: how often each thing is noted where each cause is at
work. The shares are our own estimates of the trade, tried on made-up recoveries; they rank, they prove nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

from app.records import Cause, CauseKind, ElementState, Evidence, FilterKind, Pool, Sighting
from app.treatment import cautions, limits
from app.treatment.cautions import Topic
from app.treatment.evidence import write_evidence
from app.treatment.facts import Facts
from app.treatment.stall import RISEN_KPA

FLAT_KPA = RISEN_KPA
"""A gauge that rises by less than this over the clean pressure has not risen [kPa]."""


@dataclass(frozen=True)
class Told:
    """What one kind of cause says of itself: why it stalls water, how to check, how to mend."""

    say: str
    check: str
    mend: str


TOLD: dict[CauseKind, Told] = {
    CauseKind.PUMP_OFF: Told(
        "The pump does not run all day and night.",
        "Ask the owner and look at the timer; mark the clock or note the meter and compare tomorrow.",
        "Timer off and taped; where the power is cut at night, agree with the owner that it stays on.",
    ),
    CauseKind.FILTER_PASSES: Told(
        "The filter lets the dirt through: torn elements, a cracked manifold, channelled sand.",
        "Open the filter and look; hold a white cloth at a return; a gauge that never rises says it catches nothing.",
        "Replace torn elements or the manifold; break up or replace channelled sand.",
    ),
    CauseKind.FILTER_CLOGGED: Told(
        "The filter is clogged, so hardly any water goes through.",
        "Read the gauge right after cleaning: still 8 psi (55 kPa) above clean means that it does not come clean.",
        "Soak or replace the elements; backwash sand until the glass is clear, and look for lumps.",
    ),
    CauseKind.UNDER_DOSED: Told(
        "Each dose is too small: the pool is larger than on record, or the liquid chlorine weaker than its label.",
        "Measure the pool anew; read the date on the jugs; test free chlorine an hour after pouring: it must be near "
        "the dose.",
        "Correct the volume or the strength on record, then dose by the new figure.",
    ),
    CauseKind.CYANURIC_ACID: Told(
        "Too much cyanuric acid holds the chlorine back.",
        "Test cyanuric acid, the sample diluted by half where it reads off the scale.",
        "Only fresh water brings it down: exchange part of the water as the local code and the shell allow.",
    ),
    CauseKind.DEBRIS: Told(
        "Leaves or sludge on the floor use up the chlorine.",
        "Feel the floor with a pole; look into the baskets. Never net blind.",
        "Dose until the floor is seen, then net it out before anything else.",
    ),
}
"""Words for each cause. Common practice, no source."""

DANGERS: dict[CauseKind, tuple[Topic, ...]] = {
    CauseKind.PUMP_OFF: (Topic.ELECTRICITY,),
    CauseKind.FILTER_PASSES: (Topic.ELECTRICITY, Topic.PRESSURE),
    CauseKind.FILTER_CLOGGED: (Topic.ELECTRICITY, Topic.PRESSURE),
    CauseKind.UNDER_DOSED: (Topic.POURING, Topic.LABEL),
    CauseKind.CYANURIC_ACID: (Topic.DRAINING,),
    CauseKind.DEBRIS: (Topic.BLIND_WATER,),
}
"""What can hurt someone who checks and mends each cause; the cautions have their sources."""


@dataclass(frozen=True)
class Clue:
    """One thing the log may hold: when it speaks, the ground it names, and how often it is so under each cause."""

    name: str
    holds: Callable[[Facts], bool | None]
    because: tuple[str, ...]
    shares: dict[CauseKind, float]


def _shares(
    pump: float, passes: float, clogged: float, under: float, cya: float, debris: float
) -> dict[CauseKind, float]:
    """Return shares by cause, in the order of `CauseKind`."""
    return dict(zip(CauseKind, (pump, passes, clogged, under, cya, debris), strict=True))


def _sighted(f: Facts, sighting: Sighting) -> bool | None:
    """Return whether it was noted at one of the last three visits; what was not noted is weak evidence against it."""
    return any(sighting in visit.sightings for visit in f.recovery.visits[-3:])


def _cya_high(f: Facts) -> bool | None:
    """Return whether the newest reading of cyanuric acid in the whole log is high."""
    for visit in reversed(f.recovery.visits):
        for reading in visit.readings:
            if reading.analyte == "cyanuric_acid" and not reading.flags:
                return reading.value > limits.CYA_BLOCKS_MG_L
    return None


def _chlorine_gone(f: Facts) -> bool | None:
    """Return whether a clearing dose of the visit before was gone by the last visit."""
    visits = f.recovery.visits
    if len(visits) < 2 or f.free_chlorine_mg_l is None or visits[-2].id not in f.dose_visit_ids:
        return None
    return f.free_chlorine_mg_l < 1.0


def _debris(f: Facts) -> bool | None:
    """Return whether debris was noted on the floor at one of the last three visits."""
    noted = [visit.debris_on_floor for visit in f.recovery.visits[-3:] if visit.debris_on_floor is not None]
    return any(noted) if noted else None


def _pressure(f: Facts, test: Callable[[float], bool]) -> bool | None:
    """Return what a test says of the gauge's rise; None where it is not known."""
    rise = f.pressure_rise_kpa
    return None if rise is None else test(rise)


CLUES: tuple[Clue, ...] = (
    Clue(
        "the green stands, not the cloud",
        lambda f: None if f.stall is None else f.stall.green,
        ("trend",),
        _shares(0.30, 0.08, 0.25, 0.95, 0.95, 0.97),
    ),
    Clue(
        "the pump was found off",
        lambda f: _sighted(f, Sighting.PUMP_FOUND_OFF),
        ("sightings",),
        _shares(0.60, 0.01, 0.01, 0.01, 0.01, 0.01),
    ),
    Clue(
        "powder at the returns",
        lambda f: _sighted(f, Sighting.POWDER_AT_RETURNS) if f.pool.filter_kind == FilterKind.DE else None,
        ("sightings",),
        _shares(0.01, 0.50, 0.01, 0.01, 0.01, 0.01),
    ),
    Clue(
        "torn elements or a cracked manifold",
        lambda f: True if f.equipment.elements == ElementState.TORN or f.equipment.manifold_sound is False else None,
        ("equipment",),
        _shares(0.02, 0.60, 0.02, 0.02, 0.02, 0.02),
    ),
    Clue(
        "elements looked at and good",
        lambda f: True if f.equipment.elements == ElementState.GOOD else None,
        ("elements",),
        _shares(0.50, 0.05, 0.30, 0.50, 0.50, 0.50),
    ),
    Clue(
        "the gauge stands high",
        lambda f: _pressure(f, lambda rise: rise >= limits.PRESSURE_RISE_KPA),
        ("pressure",),
        _shares(0.05, 0.03, 0.90, 0.15, 0.15, 0.15),
    ),
    Clue(
        "the gauge has not risen",
        lambda f: _pressure(f, lambda rise: rise < FLAT_KPA),
        ("pressure",),
        _shares(0.85, 0.90, 0.04, 0.55, 0.55, 0.55),
    ),
    Clue(
        "cyanuric acid is high",
        _cya_high,
        ("held",),
        _shares(0.04, 0.04, 0.04, 0.04, 0.95, 0.04),
    ),
    Clue(
        "the dose was gone the next day",
        _chlorine_gone,
        ("chlorine", "last_dose"),
        _shares(0.60, 0.50, 0.60, 0.85, 0.30, 0.97),
    ),
    Clue(
        "debris lies on the floor",
        _debris,
        ("debris",),
        _shares(0.12, 0.12, 0.12, 0.15, 0.12, 0.85),
    ),
)
"""What the log may hold, and how often it does under each cause: our own estimates."""

BEFOREHAND: dict[CauseKind, float] = _shares(0.20, 0.14, 0.16, 0.26, 0.14, 0.10)
"""How likely each cause is before one looks. Our own estimate."""


def cautions_of(causes: Iterable[Cause], pool: Pool) -> tuple[str, ...]:
    """Return what can hurt someone who checks and mends these causes at this pool, each caution once."""
    kinds = [each.kind for each in causes]
    topics = dict.fromkeys(topic for kind in kinds for topic in DANGERS[kind])
    if pool.filter_kind == FilterKind.DE and {CauseKind.FILTER_PASSES, CauseKind.FILTER_CLOGGED} & set(kinds):
        topics[Topic.DE_POWDER] = None
    listed = [*topics, *([Topic.SWIMMING] if kinds else [])]
    own = cautions.of_pool(pool) if CauseKind.UNDER_DOSED in kinds else ()
    return cautions.say_all([*(each for topic in listed for each in cautions.WORK[topic]), *own])


def rank_causes(f: Facts) -> tuple[Cause, ...]:
    """Rank the causes of a stall by the log; most likely first, shares adding up to 1."""
    weights = dict(BEFOREHAND)
    grounds: dict[CauseKind, list[Evidence]] = {kind: [] for kind in CauseKind}
    for clue in CLUES:
        holds = clue.holds(f)
        if holds is None:
            continue
        shares = {kind: share if holds else 1 - share for kind, share in clue.shares.items()}
        average = sum(shares.values()) / len(shares)
        for kind, share in shares.items():
            weights[kind] *= share
            if share > 1.2 * average:
                grounds[kind] += [each for each in write_evidence(f, clue.because) if each not in grounds[kind]]
    if f.pool.filter_kind == FilterKind.SAND:
        # Sand rarely lets the dirt through by a fault of its own.
        weights[CauseKind.FILTER_PASSES] *= 0.7
    total = sum(weights.values())
    ranked = sorted(CauseKind, key=lambda kind: -weights[kind])
    return tuple(
        Cause(kind, TOLD[kind].say, weights[kind] / total, TOLD[kind].check, TOLD[kind].mend, tuple(grounds[kind]))
        for kind in ranked
    )
