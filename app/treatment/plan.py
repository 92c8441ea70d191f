"""Says what a recovery needs next: the first rule of the table that applies, written out with amounts and grounds.

In: a `Recovery`, `now`, the units people read. Out: a `Step`. The rules themselves are data in `rules.py`.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from app.records import Action, Cause, Chemical, Recovery, Step
from app.treatment import cautions
from app.treatment.causes import rank_causes
from app.treatment.dosing import split_with_granules
from app.treatment.evidence import write_evidence
from app.treatment.facts import Facts, gather
from app.treatment.rule import Only, Pour, Rule
from app.treatment.rules import RULES
from app.treatment.units import check_units, say_amount, say_pool_volume
from app.words import mark, said

CHECK = mark("{cause} {check} If so: {mend}")
"""One cause of a stall as a thing to do: what it is, how to check it, how to mend it."""


def next_step(recovery: Recovery, now: datetime, *, units: str = "us") -> Step:
    """Recommend a recovery's next step.

    Parameters
    ----------
    recovery : Recovery
        The pool and its visits, oldest first.
    now : datetime
        The time of asking, with its zone.
    units : str, optional
        "us" or "metric": how amounts are said. Amounts themselves are always L and kg.

    Returns
    -------
    Step
        `return_in_hours` counts from `now`; where the step only waits for something done earlier, it is what is left.

    Raises
    ------
    ValueError
        If `now` has no zone or `units` is unknown.

    Notes
    -----
    Same log, same `now`, same advice. A measurement that is missing, flagged unusable or old leads to "measure again",
    never to a dose; so does an unknown volume.
    """
    check_units(units)
    facts = gather(recovery, now, units=units)
    return write_step(choose_rule(facts), facts)


def choose_rule(facts: Facts) -> Rule:
    """Return the first rule of the table that applies; the last one always does."""
    return next(rule for rule in RULES if rule.applies(facts))


def return_hours(facts: Facts) -> float | None:
    """Return in how many hours the step of these facts asks for the next visit; None where it asks for none."""
    hours = choose_rule(facts).return_in_hours
    return hours(facts) if callable(hours) else hours


def write_step(rule: Rule, facts: Facts) -> Step:
    """Write a rule out for one recovery: lines, doses, grounds, cautions and sources.

    Raises
    ------
    ValueError
        If the rule would put chemicals into one step that must not meet.
    """
    causes = rank_causes(facts) if facts.is_stalled else ()
    actions = tuple(
        action
        for line in rule.do
        for action in (_checks(causes) if line == "{checks}" else (_action(line, facts),))
        if action is not None
    )
    doses = [action.dose for action in actions if action.dose is not None]
    if not cautions.may_share_step(dose.chemical for dose in doses):
        raise ValueError(f"rule {rule.name!r} puts chemicals into one step that must not meet")
    warned = [
        *(each for dose in doses for each in cautions.CHEMICALS[dose.chemical]),
        *(each for topic in rule.cautions for each in cautions.WORK[topic]),
        *(cautions.of_pool(facts.pool) if doses else ()),
    ]
    if rule.name == "flocculate":
        warned = [*cautions.CHEMICALS[Chemical.FLOCCULANT], *warned]
    hours = rule.return_in_hours
    sources = (*rule.sources, *(each for dose in doses for each in dose.sources), *cautions.sources_of(warned))
    return Step(
        step=rule.step,
        title=rule.title,
        why=write_evidence(facts, _grounds(rule)),
        do=actions,
        return_in_hours=hours(facts) if callable(hours) else hours,
        look_for=rule.look_for,
        would_change=_would_change(rule, facts, actions),
        cautions=cautions.say_all(warned),
        sources=tuple(dict.fromkeys(sources)),
        causes=causes,
    )


def _grounds(rule: Rule) -> tuple[str, ...]:
    """Return what a rule rests on; one that rests on the grade also tells whose eyes it rests on, and the change."""
    return (*rule.because, "sighted", "change") if "grade" in rule.because else tuple(rule.because)


def _checks(causes: Sequence[Cause]) -> tuple[Action, ...]:
    """Write out the check for each cause, the most likely first."""
    return tuple(Action(said(CHECK, cause=cause.say, check=cause.check, mend=cause.mend)) for cause in causes)


def _action(line: str | Pour | Only, facts: Facts) -> Action | None:
    """Turn one line of a rule into an action; None where it does not apply here."""
    if isinstance(line, Only):
        return Action(line.say) if line.when(facts) else None
    if isinstance(line, str):
        if "{volume}" not in line:
            return Action(line)
        known = facts.has_volume
        volume = say_pool_volume(facts.pool.volume_l, facts.units) if known else mark("the pool's volume")
        return Action(said(line, volume=volume))
    dose = line.dose(facts)
    if dose is None:
        return None
    most = say_amount(dose.high, dose.unit, facts.units)
    upto = said(" (up to {most} if it is worse than it looks)", most=most) if most != dose.say else ""
    return Action(said(line.say, dose=dose.say, upto=upto), dose)


def _would_change(rule: Rule, facts: Facts, actions: tuple[Action, ...]) -> tuple[str, ...]:
    """Write out what would change the advice, the split with granules where there is a dose of liquid chlorine."""
    told = []
    for line in rule.would_change:
        if isinstance(line, Only):
            told += [line.say] if line.when(facts) else []
        elif line == "{granules}":
            liquid = [
                action.dose
                for action in actions
                if action.dose and action.dose.chemical == Chemical.SODIUM_HYPOCHLORITE
            ]
            for dose in liquid:
                split = split_with_granules(dose, volume_l=facts.pool.volume_l, units=facts.units)
                told.append(
                    said(
                        "Too little liquid on the truck: {split} of calcium hypochlorite do as much, poured "
                        "in another round and never from the same bucket. Weigh it: bags differ.",
                        split=split.say,
                    )
                )
        else:
            told.append(line)
    return tuple(told)
