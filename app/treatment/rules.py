"""Puts the plan's rules in order: the first rule of `RULES` that applies is the next step.

In: the groups of `rules_site.py`, `rules_odd.py`, `rules_water.py` and `rules_finish.py`. Out: `RULES`, and
`rule_table`, the same as plain English to be read from top to bottom in one sitting.
"""

from __future__ import annotations

from app.treatment.rule import Rule
from app.treatment.rules_finish import FINISH
from app.treatment.rules_odd import (
    BLUE_BUT,
    CYA_BLOCKS,
    CYA_LINED,
    FLAT_GAUGE,
    METALS,
    PUMP_FOUND_OFF,
    SPOTS,
    STAYS_CLOGGED,
)
from app.treatment.rules_site import BEFORE, EQUIPMENT, MEASURING, WAITING
from app.treatment.rules_water import DOSES, ENOUGH, FLOOR, SLUDGE

RULES: tuple[Rule, ...] = (
    *BEFORE,
    *EQUIPMENT,
    PUMP_FOUND_OFF,
    *WAITING,
    *MEASURING,
    *SLUDGE,
    METALS,
    FLAT_GAUGE,
    STAYS_CLOGGED,
    CYA_LINED,
    CYA_BLOCKS,
    *FLOOR,
    *SPOTS,
    *BLUE_BUT,
    *FINISH,
    *ENOUGH,
    *DOSES,
)
"""The plan. Order matters, and the last rule always applies."""


def rule_table() -> tuple[str, ...]:
    """Return one line for each rule: number, name, when it applies, the step, its source.

    Examples
    --------
    >>> print(rule_table()[4])
    5. no_power: There is no power at the equipment. -> restore_power [common practice, no source]
    """
    return tuple(
        f"{number}. {rule.name}: {rule.when} -> {rule.step.value} [{'; '.join(rule.sources)}]"
        for number, rule in enumerate(RULES, start=1)
    )
