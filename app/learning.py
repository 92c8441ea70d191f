"""Learning from the company's own photos: confirm or correct grades, and see how often the given ones were right.

In: an open `Log` and what a person says. Out: confirmations in the log, and `Drift`. Nothing is fitted to them yet.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from app.access import Right, needs
from app.errors import CannotConfirm
from app.store.confirmations import Confirmed, add_confirmation
from app.store.confirmations import confirmations as kept_confirmations
from app.store.log import Log
from app.words import mark, said, said_list
from vision.results import Clarity, Severity

__all__ = ["Drift", "GradeDrift", "confirm_grade", "confirmed", "drift"]

LATELY = 30
"""How many of the newest confirmed grades count as lately (our choice)."""

FEWEST_TOLD = 10
"""Confirmed grades under which shares are not told: of fewer, one more or less is a tenth (our choice)."""


@dataclass(frozen=True)
class GradeDrift:
    """How the grades given compare with the confirmed ones.

    Attributes
    ----------
    grade : "clarity" or "severity".
    count : grades that were both given and confirmed.
    exact, within_one : shares, 0 to 1; NaN for none.
    lately_exact : share among the newest `LATELY`.
    towards : mean class difference, given less confirmed; above 0 where we say murkier, or greener, than it was.
    """

    grade: str
    count: int
    exact: float
    within_one: float
    lately_exact: float
    towards: float

    def say(self) -> str:
        """Return it as a sentence."""
        name = mark("Clarity") if self.grade == "clarity" else mark("Severity")
        if self.count < FEWEST_TOLD:
            return said(
                "{grade}: {count} confirmed so far; from {fewest} on, it is told how often it was right.",
                grade=name,
                count=self.count,
                fewest=FEWEST_TOLD,
            )
        told = said(
            "{grade}: right in {exact} of {count} confirmed photos, within one class in {near}; "
            "right in {lately} of the newest {newest}.",
            grade=name,
            exact=f"{self.exact:.0%}",
            count=self.count,
            near=f"{self.within_one:.0%}",
            lately=f"{self.lately_exact:.0%}",
            newest=min(self.count, LATELY),
        )
        if abs(self.towards) < 0.2:
            return told
        leans = {
            ("clarity", True): mark("Where it was wrong it leaned to murkier than confirmed."),
            ("clarity", False): mark("Where it was wrong it leaned to clearer than confirmed."),
            ("severity", True): mark("Where it was wrong it leaned to greener than confirmed."),
            ("severity", False): mark("Where it was wrong it leaned to less green than confirmed."),
        }
        return said_list([told, leans[self.grade, self.towards > 0]], joint=" ")


@dataclass(frozen=True)
class Drift:
    """How both grades compare with what was confirmed, and of how many pools."""

    clarity: GradeDrift
    severity: GradeDrift
    pools: int


@needs(Right.VISIT)
def confirm_grade(
    log: Log,
    sha256: str,
    *,
    clarity: Clarity | None = None,
    severity: Severity | None = None,
    at: datetime,
    by: str = "",
) -> None:
    """Note what the grades of a photo truly are; what was given stays beside it.

    Parameters
    ----------
    sha256 : str
        The photo.
    clarity, severity : optional
        One or both.

    Raises
    ------
    CannotConfirm
        If neither is said, or the photo was not measured yet.
    """
    if clarity is None and severity is None:
        raise CannotConfirm("Nothing was said to be confirmed.", "Say the clarity, the severity, or both.")
    measured = next(iter(log.measurements_of(sha256)), None)
    if measured is None:
        raise CannotConfirm("This photo has not been measured yet.", "Measure it with: turnblue rescore --write")
    add_confirmation(log, sha256, measured["id"], clarity=clarity, severity=severity, at=at, who=by)


@needs(Right.LOOK)
def confirmed(log: Log) -> tuple[Confirmed, ...]:
    """Return every photo's newest confirmation, oldest first."""
    return kept_confirmations(log)


@needs(Right.LOOK)
def drift(log: Log) -> Drift:
    """Return how the grades given compare with the confirmed ones."""
    every = kept_confirmations(log)
    return Drift(
        _drift("clarity", [(each.given_clarity, each.clarity) for each in every], list(Clarity)),
        _drift("severity", [(each.given_severity, each.severity) for each in every], list(Severity)),
        len({each.pool_id for each in every}),
    )


def _drift(grade: str, pairs: Sequence[tuple[Any, Any]], order: list[Any]) -> GradeDrift:
    """Compare given and confirmed classes; both scales run from best to worst."""
    off = [order.index(given) - order.index(said) for given, said in pairs if given is not None and said is not None]
    nan = float("nan")
    if not off:
        return GradeDrift(grade, 0, nan, nan, nan, nan)
    newest = off[-LATELY:]
    return GradeDrift(
        grade,
        len(off),
        exact=sum(each == 0 for each in off) / len(off),
        within_one=sum(abs(each) <= 1 for each in off) / len(off),
        lately_exact=sum(each == 0 for each in newest) / len(newest),
        towards=sum(off) / len(off),
    )
