"""Learning from the company's own photos: confirm grades, see how often they were right, refit, compare, take into use.

In: an open `Log` and what a person says. Out: `Drift`, `Comparison`. Fitting is `models.training.company`'s, run as a
program of its own; a grader that it made is taken into use only where it is better on pools it had not seen.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from app import config
from app.access import Right, needs
from app.errors import CannotConfirm, CannotTrain
from app.measuring import own_grader_path, own_measurer
from app.store.confirmations import Confirmed, add_confirmation
from app.store.confirmations import confirmations as kept_confirmations
from app.store.log import Log
from app.store.rows import from_json
from app.words import mark, said, said_list
from vision.results import Clarity, Severity

__all__ = ["Comparison", "Drift", "GradeDrift", "compare_grader", "confirm_grade", "confirmed", "drift", "train_grader"]

CANDIDATE, REPORT = "candidate.npz", "candidate.json"
"""The candidate's model file and its comparison, beside the grader in use."""

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


@dataclass(frozen=True)
class Comparison:
    """The candidate and the grader in use, as `models.training.company.Compared` says them."""

    photos: int
    unread: int
    pools: int
    in_use_exact: float
    candidate_exact: float
    in_use_loss: float
    candidate_loss: float
    sure: float
    rendered_in_use_loss: float
    rendered_candidate_loss: float
    better: bool
    say: str
    in_use: bool = False


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


@needs(Right.ARCHIVE)
def train_grader(log: Log) -> Comparison:
    """Fit a candidate with the log's confirmed photos weighted in, and compare it with the grader in use.

    Raises
    ------
    CannotTrain
        If there is too little to learn from, or the training part of the program is not installed.
    """
    folder = own_grader_path(log).parent
    folder.mkdir(mode=0o700, exist_ok=True)
    own = own_measurer(log)
    request = {
        "grader": str(config.grader_path() if own is None else own.grader_path),
        "candidate": str(folder / CANDIDATE),
        "photos": [
            {
                "path": str(log.photo_path(each.sha256)),
                "pool": each.pool_id,
                "clarity": each.clarity,
                "severity": each.severity,
                "depth_shallow_m": each.depth_shallow_m,
                "depth_deep_m": each.depth_deep_m,
            }
            for each in kept_confirmations(log)
        ],
    }
    asked = folder / "request.json"
    asked.write_text(json.dumps(request), encoding="utf-8")
    said = _run(asked)
    (folder / REPORT).write_text(json.dumps(said), encoding="utf-8")
    return from_json(Comparison, said)


@needs(Right.ARCHIVE)
def compare_grader(log: Log, *, use: bool = False) -> Comparison:
    """Return how the last candidate compares with the grader in use; take it into use where it is better.

    Parameters
    ----------
    use : bool
        Whether to take it into use. It is not where it is not better, and not worse on rendered photos.

    Raises
    ------
    CannotTrain
        If there is no candidate, or it is not to be used.
    """
    own = own_grader_path(log)
    candidate, report = own.parent / CANDIDATE, own.parent / REPORT
    if not candidate.is_file() or not report.is_file():
        raise CannotTrain("There is no candidate to compare.", "Fit one first: turnblue train --log")
    compared = from_json(Comparison, json.loads(report.read_text(encoding="utf-8")))
    if not use:
        return compared
    if not compared.better:
        raise CannotTrain("The candidate is not taken into use.", compared.say)
    candidate.replace(own)
    report.unlink()
    return from_json(Comparison, {**json.loads(json.dumps(compared.__dict__)), "in_use": True})


def _run(asked: Path) -> dict[str, Any]:
    """Run the training program; return what it says."""
    root = str(Path(__file__).resolve().parents[1])
    path = os.pathsep.join(part for part in (root, os.environ.get("PYTHONPATH", "")) if part)
    ran = subprocess.run(
        [sys.executable, "-m", "models.training.company", str(asked)],
        env={**os.environ, "PYTHONPATH": path},
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        check=False,
    )
    if ran.returncode == 0:
        said: dict[str, Any] = json.loads(ran.stdout)
        return said
    lines = ran.stderr.strip().splitlines()
    if "ModuleNotFoundError" in ran.stderr:
        raise CannotTrain(
            "The part of the program that fits graders is not installed.", "Install it: pip install 'turnblue[train]'"
        )
    raise CannotTrain("No candidate was fitted.", lines[-1] if lines else "See: turnblue doctor")
