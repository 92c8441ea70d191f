"""Beliefs about the visible depth: round trips, bounds, combining, contradiction."""

from __future__ import annotations

import numpy as np
import pytest

from vision.belief import (
    LOG_STEPS,
    at_least,
    at_most,
    belief_in,
    clarity_grade,
    interval_of,
    sighting_beliefs,
    together,
)
from vision.results import Interval


@pytest.mark.parametrize(
    "interval", [Interval(0.5, 0.8, 1.4), Interval(2.0, 2.2, 2.9), Interval(0.1, 0.15, 0.3)], ids=lambda i: f"{i.mid}m"
)
def test_an_interval_comes_back(interval):
    back = interval_of(belief_in(interval))
    # The grid's step is 2 %.
    assert [back.low, back.mid, back.high] == pytest.approx([interval.low, interval.mid, interval.high], rel=0.025)


def test_class_probabilities_come_back():
    wanted = {"crystal": 0.0, "clear": 0.1, "hazy": 0.2, "cloudy": 0.6, "opaque": 0.1}
    grade = clarity_grade(belief_in(Interval(0.5, 1.1, 2.8), wanted))
    assert grade.grade == "cloudy"
    assert grade.probabilities == pytest.approx(wanted, abs=1e-3)


def test_an_open_interval_bounds_from_below_only():
    belief = belief_in(Interval(3.0, 3.0, None))
    assert belief.below(2.5) < 0.01
    assert belief.below(9.0) == pytest.approx(np.log(9 / 3) / np.log(30 / 3), abs=0.05)


def test_two_equal_sources_are_surer_by_the_root_of_two():
    one = belief_in(Interval(0.8, 1.0, 1.25))
    both = interval_of(together([one, one]))
    # The share that may be wrong widens it a little beyond the root of two.
    assert np.log(both.high / both.low) == pytest.approx(np.log(1.25 / 0.8) / np.sqrt(2), rel=0.1)
    assert both.mid == pytest.approx(1.0, rel=0.02)


def test_the_surer_source_weighs_more():
    both = interval_of(together([belief_in(Interval(0.5, 1.0, 2.0)), belief_in(Interval(1.4, 1.5, 1.6))]))
    assert 1.4 < both.mid < 1.52


def test_sources_that_contradict_leave_it_wide():
    one, other = belief_in(Interval(0.28, 0.3, 0.32)), belief_in(Interval(4.7, 5.0, 5.3))
    both = interval_of(together([one, other]))
    assert both.high / both.low > 10


def test_bounds_are_even_odds_at_their_depth():
    for belief in (at_most(1.0), at_least(1.0)):
        here = int(np.argmin(np.abs(LOG_STEPS)))
        assert belief.weights[here] == pytest.approx(0.5 * belief.weights.max(), rel=0.1)
    assert at_most(1.0).below(1.3) > 0.99
    assert at_least(1.0).below(0.75) < 0.01


def test_a_sighting_narrows_a_wide_photo():
    photo = belief_in(Interval(0.3, 1.2, 5.0))
    seen = together([photo, *sighting_beliefs(seen_at_m=0.6, not_seen_at_m=1.2)])
    interval = interval_of(seen)
    assert 0.5 < interval.low < interval.mid < interval.high < 2.0
    assert clarity_grade(seen).grade == "cloudy"


@pytest.mark.parametrize("depth_m", [0.0, -1.0, float("nan")])
def test_a_depth_that_is_none_is_refused(depth_m):
    with pytest.raises(ValueError, match="depth_m must be above 0"):
        at_most(depth_m)


def test_nothing_to_combine_is_refused():
    with pytest.raises(ValueError, match="at least one"):
        together([])
