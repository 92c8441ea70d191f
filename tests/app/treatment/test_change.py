"""Better, worse, or no change that can be told: the arithmetic and its honesty on made-up truths."""

from __future__ import annotations

import math

import numpy as np
import pytest

from app.records import Assessment
from app.treatment.change import SHARED_OF_ERROR, Verdict, change_between
from vision.results import Clarity, Interval, Severity

Z80 = 1.2815515655446004


def seen(depth_m: float, algae: float, sd: float = 0.2, *, sighted: bool = False, bound: bool = False) -> Assessment:
    """Return an assessment whose figures have this spread of the logarithm."""

    def interval(mid: float) -> Interval:
        return Interval(mid * math.exp(-Z80 * sd), mid, mid * math.exp(Z80 * sd))

    depth = Interval(depth_m, depth_m, None) if bound else interval(depth_m)
    return Assessment(
        "m", "s", True, (), Clarity.HAZY, 0.6, Severity.LIGHT, 0.6, depth, interval(algae), sighted=sighted
    )


@pytest.mark.parametrize(
    ("before", "after", "verdict"),
    [
        ((0.5, 50.0), (1.5, 50.0), Verdict.BETTER),
        ((1.5, 50.0), (0.5, 50.0), Verdict.WORSE),
        ((1.0, 50.0), (1.1, 45.0), Verdict.UNTOLD),
        ((1.0, 50.0), (1.0, 5.0), Verdict.BETTER),
        ((1.0, 5.0), (1.0, 50.0), Verdict.WORSE),
        # Algae killed, the water milky: the algae decide.
        ((1.5, 80.0), (0.5, 4.0), Verdict.BETTER),
    ],
    ids=["further", "less far", "hardly", "fewer algae", "more algae", "milky after the kill"],
)
def test_verdicts(before, after, verdict):
    change = change_between(seen(*before), seen(*after))
    assert change.verdict is verdict


def test_the_sentence_says_what_is_claimed():
    assert "one sees further (99% sure)" in change_between(seen(0.5, 50), seen(2.0, 50)).say
    assert change_between(seen(1.0, 50), seen(1.02, 50)).say.startswith("No change since the visit before that can be")


def test_the_spread_is_that_of_the_formula():
    change = change_between(seen(1.0, 50), seen(1.0, 50))
    sd = math.log(change.depth.factor.high) / Z80
    # Equal errors: the shared part falls out wholly.
    assert sd == pytest.approx(math.sqrt((1 - SHARED_OF_ERROR) * 2 * 0.2**2), rel=1e-6)


def test_another_source_of_one_visit_shares_no_error():
    alike = change_between(seen(1.0, 50), seen(1.3, 50)).depth
    unlike = change_between(seen(1.0, 50), seen(1.3, 50, sighted=True)).depth
    assert unlike.better < alike.better


def test_a_bound_claims_nothing_it_cannot():
    # Seen to the floor before: it may have been clearer than can be seen, so it cannot be called better.
    assert change_between(seen(2.0, 2, bound=True), seen(4.0, 2)).depth.better == 0
    assert change_between(seen(1.0, 2), seen(2.5, 2, bound=True)).depth.verdict is Verdict.BETTER
    assert change_between(seen(1.0, 2), seen(2.5, 2, bound=True)).depth.factor.high is None


@pytest.mark.parametrize("missing", [None, Assessment("m", "s", False)], ids=["no photo", "unusable"])
def test_nothing_is_said_without_two_measurements(missing):
    assert change_between(missing, seen(1, 1)) is None
    assert change_between(seen(1, 1), missing) is None


def test_claims_hold_as_often_as_they_say():
    """Of claims on made-up pools, whose errors share what the module assumes, at most one in ten is wrong."""
    rng = np.random.default_rng(4)
    sd, wrong, claims, missed = 0.25, 0, 0, 0
    for _ in range(3000):
        true = rng.normal(0, 0.4)
        shared = rng.normal(0, sd * math.sqrt(SHARED_OF_ERROR))
        first, second = shared + rng.normal(0, sd * math.sqrt(1 - SHARED_OF_ERROR), 2)
        depth = change_between(seen(math.exp(first), 9, sd), seen(math.exp(true + second), 9, sd)).depth
        if depth.verdict is Verdict.UNTOLD:
            missed += 1
            continue
        claims += 1
        wrong += (depth.verdict is Verdict.BETTER) != (true > 0)
    # A claim is of a change that matters: its sign is wrong more seldom than the tenth that the bar allows.
    assert wrong / claims < 0.10
    assert 0.3 < missed / 3000 < 0.9
