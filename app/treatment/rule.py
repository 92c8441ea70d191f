"""Gives the shape of one rule of the plan, so that the rules themselves are data.

In: nothing. Out: `Rule` and the lines its `do` may hold: plain words, `Only` (said where something holds), `Pour`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from app.records import Dose, StepKind
from app.treatment.cautions import Topic
from app.treatment.facts import Facts
from app.treatment.limits import COMMON_PRACTICE


@dataclass(frozen=True)
class Pour:
    """A chemical to pour: `say` with {dose} and {upto} in it; left out where `dose` returns None."""

    say: str
    dose: Callable[[Facts], Dose | None]


@dataclass(frozen=True)
class Only:
    """A line said only where `when` holds."""

    when: Callable[[Facts], bool]
    say: str


@dataclass(frozen=True)
class Rule:
    """One rule of the plan; `because` names entries of `evidence.EVIDENCE`."""

    name: str
    when: str
    applies: Callable[[Facts], bool]
    step: StepKind
    title: str
    because: tuple[str, ...]
    do: tuple[str | Pour | Only, ...]
    return_in_hours: float | Callable[[Facts], float] | None
    look_for: str
    would_change: tuple[str | Only, ...] = ()
    cautions: tuple[Topic, ...] = ()
    sources: tuple[str, ...] = (COMMON_PRACTICE,)
