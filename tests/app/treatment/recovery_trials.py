"""Tries plan, forecast, stall and causes on thousands of made-up recoveries, and prints what came of it.

    python -m tests.app.treatment.recovery_trials --count 5000

In: how many recoveries, from which seed, drawn from which part of every range. Out: `Trials`,
one figure for each thing that must be shown. A third of the recoveries has a planted trouble. One process.
"""

from __future__ import annotations

import argparse
import math
import sys
from collections import Counter, defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import pairwise
from statistics import median

from app.records import Chemical, Standing, StepKind
from app.treatment.quote import quote
from tests.app.treatment.recovery_tech import Run, Seen, run_one
from tests.app.treatment.recovery_world import FILTERS, Ranges, Trouble

STILL_GREEN_A_DAY = 0.30
"""Truth: algae that fall by less than this of their logarithm in a day stand still."""

STILL_CLOUD_A_DAY = 0.05
"""Truth: visible depth that rises by less than this of its logarithm in a day stands still: two weeks to double. A
filter at work does about 0.1 a day (sand) to 0.25 (DE)."""

LOOP_VISITS = 6
"""The same step at so many visits on end without any gain is a loop."""


@dataclass
class Trials:
    """What came of the recoveries; shares from 0 to 1."""

    recoveries: int = 0
    handed_over: int = 0
    loops: list[str] = field(default_factory=list)
    broken: Counter = field(default_factory=Counter)
    inside: list[bool] = field(default_factory=list)
    inside_by_kind: dict = field(default_factory=lambda: defaultdict(list))
    third_error_days: dict = field(default_factory=lambda: defaultdict(list))
    third_bias_days: dict = field(default_factory=lambda: defaultdict(list))
    stalls: dict = field(default_factory=lambda: defaultdict(list))
    healthy: int = 0
    false_alarms: int = 0
    false_visits: int = 0
    healthy_visits: int = 0
    first_cause: dict = field(default_factory=lambda: defaultdict(list))
    days: dict = field(default_factory=lambda: defaultdict(list))
    quoted: dict = field(default_factory=lambda: defaultdict(list))

    @property
    def cleared(self) -> float:
        """Share of all recoveries (each can be cleared: every trouble can be mended) that was handed over blue."""
        return self.handed_over / self.recoveries

    @property
    def coverage(self) -> float:
        """Share of forecasts whose 80 % interval held the day."""
        return share(self.inside)

    @property
    def stalls_found(self) -> float:
        """Share of planted stalls found within two visits."""
        return share([found for each in self.stalls.values() for found in each])

    @property
    def false_alarm_rate(self) -> float:
        """Share of healthy recoveries ever called stalled while their water was moving."""
        return self.false_alarms / max(self.healthy, 1)

    @property
    def cause_first(self) -> float:
        """Share of called stalls with a planted cause where it was first of the list, at the first call."""
        return share([first for each in self.first_cause.values() for first in each])

    def error_days(self, *kinds: str) -> float:
        """Median error of the forecast at the third visit [days]."""
        found = [error for kind in kinds for error in self.third_error_days[kind]]
        return median(found) if found else math.nan


def share(found: list[bool]) -> float:
    """Return the share that is true; NaN of nothing."""
    return sum(found) / len(found) if found else math.nan


def try_recoveries(count: int, *, seed: int = 0, ranges: Ranges = Ranges.MIDDLE) -> Trials:
    """Run `count` recoveries, a third of them with a planted trouble, and gather what must be shown."""
    trials = Trials()
    for run in runs(count, seed=seed, ranges=ranges):
        take_in(trials, run)
    return trials


def runs(count: int, *, seed: int, ranges: Ranges) -> Iterator[Run]:
    """Run recoveries one after the other: kinds of filter and troubles in turn, everything else drawn."""
    troubles = list(Trouble)
    for number in range(count):
        planted = troubles[number // 3 % len(troubles)] if number % 3 == 2 else None
        kind = FILTERS[number // 18 % 3] if planted else FILTERS[number % 9 // 3]
        yield run_one(seed * 1_000_003 + number, trouble=planted, ranges=ranges, kind=kind)


def take_in(trials: Trials, run: Run) -> None:
    """Add one recovery to the figures."""
    trials.recoveries += 1
    trials.handed_over += run.handed_over
    trials.broken.update(each.split(" at ")[0] for each in run.broken)
    loop, title = longest_repeat(run)
    if loop >= LOOP_VISITS:
        trials.loops.append(f"seed {run.seed}: {title} {loop} times")
    if run.trouble is None:
        take_in_forecasts(trials, run)
        take_in_healthy(trials, run)
        take_in_quote(trials, run)
    else:
        take_in_stall(trials, run)


def longest_repeat(run: Run) -> tuple[int, str]:
    """Return at how many visits on end the tech left with the same step while the water got no better, and the step.

    Waiting for the owner to bring power or a pump back is no loop of the plan's.
    """
    longest, title, here = 0, "", 0
    before: Seen | None = None
    for seen in run.seen:
        waits = seen.on_arrival.standing is Standing.WAITING_ON_EQUIPMENT
        same = before is not None and seen.step.title == before.step.title and not waits
        better = before is not None and (
            seen.visible_depth_m > 1.04 * before.visible_depth_m or seen.algae < 0.85 * before.algae
        )
        here = here + 1 if same and not better else 1
        before = seen
        if here > longest:
            longest, title = here, seen.step.title
    return longest, title


def take_in_forecasts(trials: Trials, run: Run) -> None:
    """Compare every forecast made before the water was clear with the day it was clear for good."""
    cleared = run.cleared_at_hour
    if cleared is None:
        return
    trials.days[run.filter_kind].append(cleared / 24)
    for number, seen in enumerate(run.seen):
        days = seen.on_arrival.days_to_clear
        if days is None or days.high is None or seen.on_arrival.standing in (Standing.READY, Standing.DONE):
            continue
        truth = (cleared - seen.hour) / 24
        if truth <= 0:
            continue
        held = days.low <= truth <= days.high
        trials.inside.append(held)
        trials.inside_by_kind[run.filter_kind].append(held)
        if number == 2:
            trials.third_error_days[run.filter_kind].append(abs(days.mid - truth))
            trials.third_bias_days[run.filter_kind].append(days.mid - truth)


def stood_still(before: Seen, after: Seen) -> bool:
    """Return whether treated water truly stood still between two visits."""
    days = (after.hour - before.hour) / 24
    if before.algae >= 3 and after.algae >= 3:
        return before.treated and math.log(before.algae / after.algae) < STILL_GREEN_A_DAY * days
    if before.algae < 3 and after.algae < 3 and after.visible_depth_m < 3 and not before.disturbed:
        return math.log(after.visible_depth_m / before.visible_depth_m) < STILL_CLOUD_A_DAY * days
    return False


def take_in_healthy(trials: Trials, run: Run) -> None:
    """Count healthy recoveries that were called stalled while their water moved at both of the last two spans."""
    trials.healthy += 1
    alarm = False
    for number, seen in enumerate(run.seen):
        trials.healthy_visits += 1
        if not (seen.on_arrival.standing is Standing.STALLED or seen.step.step is StepKind.REPAIR_FILTER):
            continue
        spans = pairwise(run.seen[max(number - 2, 0) : number + 1])
        if not any(stood_still(before, after) for before, after in spans):
            alarm = True
            trials.false_visits += 1
    trials.false_alarms += alarm


def take_in_quote(trials: Trials, run: Run) -> None:
    """Compare what was quoted from the first measured visit with what the recovery took."""
    start = next((i for i, seen in enumerate(run.seen) if seen.measured), None)
    if start is None or not run.handed_over or run.world.starts_broken:
        return
    told = quote(run.first_log(start), run.recovery.visits[start].at)
    took_days = (run.seen[-1].hour - run.seen[start].hour) / 24
    liquid = sum(
        each.amount
        for visit in run.recovery.visits
        for each in visit.treatments
        if each.chemical is Chemical.SODIUM_HYPOCHLORITE
    )
    line = next(each for each in told.chemicals if each.chemical is Chemical.SODIUM_HYPOCHLORITE)
    trials.quoted["visits"].append(place(len(run.seen) - start, told.visits.low, told.visits.high))
    trials.quoted["days"].append(place(took_days, told.days.low, told.days.high))
    trials.quoted["liquid chlorine"].append(place(liquid, line.low, line.high))


def place(value: float, low: float, high: float | None) -> int:
    """Return -1 below, 0 inside, 1 above a range."""
    return -1 if value < low else 1 if high is not None and value > high else 0


def take_in_stall(trials: Trials, run: Run) -> None:
    """See whether the planted trouble, once it stopped the water, was found within two visits, and named first."""
    seen = run.seen
    for number in range(1, len(seen)):
        before, after = seen[number - 1], seen[number]
        if not (before.trouble_on and after.trouble_on and stood_still(before, after)):
            continue
        first = found(after)
        second = number + 1 < len(seen) and found(seen[number + 1])
        lasted = number + 1 < len(seen) and seen[number + 1].trouble_on and stood_still(after, seen[number + 1])
        if first or lasted:
            trials.stalls[run.trouble].append(first or second)
        break
    for each in seen:
        if each.trouble_on and each.on_arrival.standing is Standing.STALLED and each.on_arrival.causes:
            trials.first_cause[run.trouble].append(each.on_arrival.causes[0].kind.value == run.trouble.value)
            break


def found(seen: Seen) -> bool:
    """Return whether the plan said at this visit that something keeps the water from clearing."""
    return (
        seen.on_arrival.standing is Standing.STALLED
        or seen.mended
        or seen.step.step in (StepKind.REPAIR_FILTER, StepKind.REPAIR_PUMP, StepKind.CALL_FOR_HELP)
    )


def told(trials: Trials) -> str:
    """Return the figures as lines to be read."""
    lines = [
        f"recoveries {trials.recoveries}, of them handed over blue {trials.cleared:.1%} (wanted >= 97 %)",
        f"steps before their precondition, doses above the cap: {dict(trials.broken) or 'none'}",
        f"loops: {len(trials.loops)} {trials.loops[:3]}",
        f"80 % interval held the day: {trials.coverage:.1%} of {len(trials.inside)} forecasts (wanted 76 to 84 %); "
        + ", ".join(f"{kind} {share(each):.1%}" for kind, each in sorted(trials.inside_by_kind.items())),
        "median error at the third visit: cartridge and DE "
        f"{trials.error_days('cartridge', 'de'):.2f} days (wanted <= 1), "
        f"sand {trials.error_days('sand'):.2f} days (wanted <= 2)",
        "middle less truth at the third visit, median days: "
        + ", ".join(f"{kind} {median(each):+.2f}" for kind, each in sorted(trials.third_bias_days.items()) if each),
        f"planted stalls found within two visits: {trials.stalls_found:.1%} (wanted 95 %); "
        + ", ".join(f"{kind} {share(each):.0%} of {len(each)}" for kind, each in sorted(trials.stalls.items())),
        f"healthy recoveries ever called stalled while they moved: {trials.false_alarm_rate:.1%} of {trials.healthy} "
        f"(wanted <= 5 %); {trials.false_visits} of {trials.healthy_visits} visits",
        f"planted cause first of the list: {trials.cause_first:.1%} (wanted 80 %); "
        + ", ".join(f"{kind} {share(each):.0%} of {len(each)}" for kind, each in sorted(trials.first_cause.items())),
        "what was quoted at the first visit held (wanted 80 %): "
        + ", ".join(
            f"{what} {share([each == 0 for each in found]):.0%} (below {share([each < 0 for each in found]):.0%})"
            for what, found in sorted(trials.quoted.items())
        ),
        "median days to clear, without trouble: "
        + ", ".join(f"{kind} {median(each):.1f}" for kind, each in sorted(trials.days.items())),
    ]
    return "\n".join(lines)


def main() -> None:
    """Run the trials as the arguments say."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=5000)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument(
        "--ranges",
        type=Ranges,
        choices=list(Ranges),
        default=Ranges.MIDDLE,
        help="part of its range that each figure is drawn from; nothing was tuned on the ends",
    )
    asked = parser.parse_args()
    trials = Trials()
    for number, run in enumerate(runs(asked.count, seed=asked.seed, ranges=asked.ranges), start=1):
        take_in(trials, run)
        if number % 500 == 0 and number < asked.count:
            print(told(trials), file=sys.stderr, flush=True)
    print(told(trials))


if __name__ == "__main__":
    main()
