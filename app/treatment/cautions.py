"""Says what can hurt someone in a piece of work or with a chemical, beside the advice that asks for it.

In: chemicals, topics of work, and facts of the pool. Out: sentences, their sources, and whether chemicals may share a
step. A caution never stands in for the label, the safety data sheet or the local code: each list ends by saying so.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from itertools import combinations

from app.records import Chemical, Pool, Surface
from app.treatment.limits import COMMON_PRACTICE

EPA_2001 = "US EPA 550-F-01-003, Safe Storage and Handling of Swimming Pool Chemicals (March 2001)"
"""Incompatible mixing, and a little water on a dry oxidiser."""

MARYLAND = "Maryland Department of Health, Safety Requirements for Pool Operators (web page)"
"""Never mix, chemical to water and never the reverse, nobody in the water, protective equipment."""

MAHC_CLARITY = "CDC Model Aquatic Health Code 6.6.3.1"
"""Imminent hazards: the bottom not seen, filtration not working, disinfectant too low, pH under 6.5 or over 8.0."""


class Topic(StrEnum):
    """A piece of work that has its own dangers."""

    LABEL = "label"
    POURING = "pouring"
    SWIMMING = "swimming"
    ELECTRICITY = "electricity"
    PRESSURE = "pressure"
    BLIND_WATER = "blind_water"
    DRAINING = "draining"
    WASTE = "waste"
    DE_POWDER = "de_powder"
    PUBLIC = "public"
    EDGE = "edge"
    STORING = "storing"


@dataclass(frozen=True)
class Caution:
    """One warning and where it comes from."""

    say: str
    source: str


WORK: dict[Topic, tuple[Caution, ...]] = {
    Topic.LABEL: (
        Caution(
            "Read the label and safety data sheet first: where they differ from this advice, they hold.",
            MARYLAND,
        ),
    ),
    Topic.POURING: (
        Caution("Goggles, gloves and an apron as the label asks; stand upwind.", MARYLAND),
        Caution("Nobody in the water, pump running, pour close to the surface along the deep end.", MARYLAND),
        Caution(
            "Chemical into water, never water onto chemical. One clean, dry scoop or bucket for each chemical.",
            EPA_2001,
        ),
        Caution(
            "Never let two chemicals meet outside the pool: fire, explosion or poisonous gas can follow.", EPA_2001
        ),
    ),
    Topic.SWIMMING: (
        Caution("Nobody swims until the deepest floor is seen and the chlorine and pH are in range.", MAHC_CLARITY),
        Caution("A person under this water cannot be seen: keep the gate latched and children away.", COMMON_PRACTICE),
    ),
    Topic.ELECTRICITY: (
        Caution(
            "Wet hands and standing water: switch off at the breaker before you touch a motor or its wires. "
            "A tripped ground-fault device is a warning. Leave wiring to a licensed electrician.",
            COMMON_PRACTICE,
        ),
    ),
    Topic.PRESSURE: (
        Caution(
            "The filter is a pressure vessel and its lid can kill: pump off at the breaker, air valve open, gauge at "
            "zero, then loosen the clamp. Stand clear of the lid when the pump starts again.",
            COMMON_PRACTICE,
        ),
    ),
    Topic.BLIND_WATER: (Caution("Do not vacuum, scoop or wade where you cannot see the floor.", COMMON_PRACTICE),),
    Topic.DRAINING: (
        Caution(
            "An empty shell can float out of wet ground or crack. Never drain a vinyl or fibreglass pool.",
            COMMON_PRACTICE,
        ),
        Caution(
            "Pool water never goes to the street or a storm drain; fines follow. Ask the local authority where it may "
            "go, and with how much chlorine left: the limits differ from town to town.",
            "Local discharge rules, e.g. Orange County CA, State College PA, Valparaiso IN",
        ),
    ),
    Topic.WASTE: (
        Caution(
            "Water to waste goes where the local code allows, not to the street. Watch the level: stop before the "
            "skimmer draws air, and refill.",
            COMMON_PRACTICE,
        ),
    ),
    Topic.DE_POWDER: (
        Caution("Filter powder harms the lungs: wear a dust mask, and bag the spent powder.", COMMON_PRACTICE),
    ),
    Topic.PUBLIC: (Caution("A public pool stays closed until its health code is met.", MAHC_CLARITY),),
    Topic.EDGE: (
        Caution(
            "Photograph with both feet on dry deck, and never lean out over the water: nobody may see you fall in.",
            COMMON_PRACTICE,
        ),
    ),
    Topic.STORING: (Caution("Keep chlorine and acid apart, dry, cool, and locked away from children.", EPA_2001),),
}
"""Dangers of a piece of work."""

_OXIDISER = Caution("Keep it dry and cool, away from acid, oil, paper and every other pool chemical.", EPA_2001)
_ACID = (
    Caution(
        "Acid into water, never water into acid. Acid and chlorine together make poisonous chlorine gas.", EPA_2001
    ),
    Caution("Wait until the last chemical has gone round, at least four hours, before acid goes in.", COMMON_PRACTICE),
)
_GRANULES = Caution(
    "A little water on dry granules can start a fire: dissolve them only if the label says so, in a bucket of water.",
    EPA_2001,
)

CHEMICALS: dict[Chemical, tuple[Caution, ...]] = {
    Chemical.SODIUM_HYPOCHLORITE: (
        Caution(
            "Liquid chlorine burns eyes and skin and bleaches cloth. With acid it gives off chlorine gas.", EPA_2001
        ),
    ),
    Chemical.CALCIUM_HYPOCHLORITE: (
        _OXIDISER,
        _GRANULES,
        Caution("Never in a feeder or bucket that has held another chlorine, dichlor or trichlor above all.", EPA_2001),
    ),
    Chemical.DICHLOR: (_OXIDISER, _GRANULES, Caution("It leaves cyanuric acid behind in the water.", COMMON_PRACTICE)),
    Chemical.TRICHLOR: (
        _OXIDISER,
        Caution("Tablets on a floor or step bleach and etch it. It leaves cyanuric acid behind.", COMMON_PRACTICE),
        Caution("Never together with calcium hypochlorite: the two can explode.", EPA_2001),
    ),
    Chemical.SODIUM_BROMIDE: (
        Caution(
            "Bromide stays: for a time the chlorine turns it to bromine, which cyanuric acid does not shield from "
            "the sun. Once in a recovery is enough.",
            "from memory",
        ),
    ),
    Chemical.COPPER_ALGAECIDE: (
        Caution(
            "Too much copper stains plaster and turns fair hair green; high chlorine brings it out.", COMMON_PRACTICE
        ),
    ),
    Chemical.FLOCCULANT: (
        Caution("With the filter in the way it clogs: valve on recirculate, then to waste.", COMMON_PRACTICE),
        Caution("Most flocculants are acid: keep them away from chlorine until both are in the pool.", COMMON_PRACTICE),
    ),
    Chemical.CLARIFIER: (),
    Chemical.HYDROCHLORIC_ACID: (*_ACID, Caution("The fumes eat metal and lungs: open air only.", COMMON_PRACTICE)),
    Chemical.SODIUM_BISULFATE: _ACID,
    Chemical.SODIUM_BICARBONATE: (),
    Chemical.SODIUM_CARBONATE: (Caution("It is caustic, and too much at once clouds the water.", COMMON_PRACTICE),),
    Chemical.CALCIUM_CHLORIDE: (
        Caution("It heats as it dissolves: stir it slowly into a full bucket of cold water.", COMMON_PRACTICE),
    ),
    Chemical.CYANURIC_ACID: (
        Caution("It dissolves in days and only dilution takes it out again: add less than you think.", COMMON_PRACTICE),
    ),
    Chemical.SODIUM_THIOSULFATE: (
        Caution("Never onto dry or concentrated chlorine: it heats violently. Add half, then test.", COMMON_PRACTICE),
    ),
}
"""Dangers of a chemical, besides those of pouring."""

CHLORINES = frozenset(
    {
        Chemical.SODIUM_HYPOCHLORITE,
        Chemical.CALCIUM_HYPOCHLORITE,
        Chemical.DICHLOR,
        Chemical.TRICHLOR,
    }
)
"""Chemicals that bring chlorine: never two of them in one step."""

ACIDS = frozenset({Chemical.HYDROCHLORIC_ACID, Chemical.SODIUM_BISULFATE})
"""Chemicals that are acid: never in one step with any chlorine, base or neutraliser."""

_BASES = frozenset({Chemical.SODIUM_CARBONATE, Chemical.SODIUM_BICARBONATE, Chemical.CALCIUM_CHLORIDE})
_CLOUDING = frozenset({Chemical.CALCIUM_CHLORIDE, Chemical.SODIUM_CARBONATE, Chemical.SODIUM_BICARBONATE})
_NEUTRALISER = frozenset({Chemical.SODIUM_THIOSULFATE})


def _apart() -> frozenset[frozenset[Chemical]]:
    """Return every pair that must not meet, built from the groups above."""
    rules = (
        (CHLORINES, CHLORINES),
        (ACIDS, CHLORINES),
        (ACIDS, ACIDS),
        (ACIDS, _BASES),
        (ACIDS, frozenset({Chemical.SODIUM_BROMIDE})),
        (ACIDS, _NEUTRALISER),
        (_NEUTRALISER, CHLORINES),
        (_CLOUDING, _CLOUDING),
        (frozenset({Chemical.CALCIUM_CHLORIDE}), CHLORINES),
        (frozenset({Chemical.COPPER_ALGAECIDE}), CHLORINES),
        (frozenset({Chemical.CYANURIC_ACID}), ACIDS | CHLORINES),
    )
    return frozenset(
        frozenset({one, other}) for first, second in rules for one in first for other in second if one is not other
    )


APART: frozenset[frozenset[Chemical]] = _apart()
"""Pairs that never share a step. Chlorine with acid, chlorine with another chlorine: US EPA 550-F-01-003. Neutraliser
with chlorine, calcium with carbonate, copper with a high chlorine dose, cyanuric acid: common practice, no source."""


def may_share_step(chemicals: Iterable[Chemical]) -> bool:
    """Return whether these chemicals may be advised in one step.

    Examples
    --------
    >>> may_share_step([Chemical.SODIUM_HYPOCHLORITE, Chemical.HYDROCHLORIC_ACID])
    False
    >>> may_share_step([Chemical.SODIUM_HYPOCHLORITE, Chemical.SODIUM_BROMIDE])
    True
    """
    return not any(frozenset(pair) in APART for pair in combinations(set(chemicals), 2))


ROUNDS: tuple[Chemical, ...] = (
    Chemical.SODIUM_BICARBONATE,
    Chemical.HYDROCHLORIC_ACID,
    Chemical.SODIUM_BISULFATE,
    Chemical.SODIUM_CARBONATE,
    Chemical.CALCIUM_CHLORIDE,
    Chemical.SODIUM_THIOSULFATE,
    Chemical.SODIUM_HYPOCHLORITE,
    Chemical.CALCIUM_HYPOCHLORITE,
    Chemical.DICHLOR,
    Chemical.TRICHLOR,
    Chemical.SODIUM_BROMIDE,
    Chemical.COPPER_ALGAECIDE,
    Chemical.FLOCCULANT,
    Chemical.CLARIFIER,
    Chemical.CYANURIC_ACID,
)
"""In what order several chemicals go in: alkalinity before pH before chlorine, algaecide after it. Common practice."""

BETWEEN_ROUNDS_H = 4.0
"""Pump running between two rounds, at least [h]. Common practice, no source."""


def in_rounds(chemicals: Iterable[Chemical]) -> tuple[tuple[Chemical, ...], ...]:
    """Sort several chemicals into rounds, one after the other, so that none meets what it must not meet.

    Examples
    --------
    >>> [[each.value for each in one] for one in in_rounds([Chemical.SODIUM_HYPOCHLORITE, Chemical.HYDROCHLORIC_ACID])]
    [['hydrochloric_acid'], ['sodium_hypochlorite']]
    """
    rounds: list[list[Chemical]] = []
    for chemical in sorted(set(chemicals), key=ROUNDS.index):
        # Only the round before is joined: an earlier one would turn the order round.
        if rounds and may_share_step([*rounds[-1], chemical]):
            rounds[-1].append(chemical)
        else:
            rounds.append([chemical])
    return tuple(tuple(each) for each in rounds)


def of_chemical(chemical: Chemical) -> tuple[Caution, ...]:
    """Return the cautions for pouring one chemical, the label's last."""
    return (*CHEMICALS[chemical], *WORK[Topic.POURING], *WORK[Topic.LABEL])


def of_pool(pool: Pool) -> tuple[Caution, ...]:
    """Return the cautions that this pool adds wherever a chemical is poured into it."""
    found = []
    if pool.surface == Surface.VINYL:
        found.append(
            Caution(
                "Vinyl liner: never let granules or strong liquid lie on it; pour thinly along the returns and brush.",
                COMMON_PRACTICE,
            )
        )
    if pool.surface == Surface.FIBREGLASS:
        found.append(
            Caution("Fibreglass: strong chlorine dulls it; pour thinly along the returns and brush.", COMMON_PRACTICE)
        )
    if pool.indoor:
        found.append(
            Caution(
                "Indoors: doors open and fans on before you pour and while the pump runs; leave if it stings.",
                COMMON_PRACTICE,
            )
        )
    if pool.salt_cell:
        found.append(
            Caution("Switch the salt cell off until the water is blue; its maker's limits hold.", COMMON_PRACTICE)
        )
    return tuple(found)


def say_all(cautions: Iterable[Caution]) -> tuple[str, ...]:
    """Return each sentence once, in order."""
    return tuple(dict.fromkeys(each.say for each in cautions))


def sources_of(cautions: Iterable[Caution]) -> tuple[str, ...]:
    """Return each source once, in order."""
    return tuple(dict.fromkeys(each.source for each in cautions))
