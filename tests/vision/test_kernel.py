"""Kernel machines: scores, likeness, sums and the steps about a value."""

import numpy as np
import pytest

from vision.kernel import (
    LEAST_SHARE,
    LEVELS_TAKEN,
    MOST_SCORE,
    KernelMachine,
    Scores,
    as_shares,
    geometric_mean,
    matern,
    set_right,
    steps_around,
)


def test_scores_are_ranks_and_hold_at_the_edge():
    rng = np.random.default_rng(1)
    known = np.exp(rng.normal(size=(4001, 1)))
    shares = (np.arange(33) + 0.5) / 33
    scores = Scores(np.quantile(known, shares, axis=0).T)
    said = scores(known)
    # Whatever the unit or skew: middle at 0, spread near 1 (cut at the outer quantiles).
    assert abs(np.median(said)) < 0.02
    assert 0.85 < said.std() < 1.1
    np.testing.assert_allclose(scores(np.array([[1e9], [-1e9]]))[:, 0], [scores.levels[-1], scores.levels[0]])
    assert np.abs(scores.levels).max() <= MOST_SCORE
    # Between knots each unit is followed straight on: the outermost are 0.4 apart, half of the bend is left.
    np.testing.assert_allclose(Scores(np.log(scores.knots))(np.log(known)), said, atol=0.06)


def test_matern_is_one_at_home_and_falls():
    rows = np.array([[0.0, 0.0], [3.0, 4.0]])
    k = matern(rows, rows, 5.0)
    np.testing.assert_allclose(np.diag(k), 1)
    # Distance 5 over length 5: (1 + sqrt 3) exp(-sqrt 3) (Rasmussen & Williams 2006, eq. 4.17).
    assert k[0, 1] == pytest.approx((1 + 3**0.5) * np.exp(-(3**0.5)))


def test_machine_sums_what_its_known_photos_say():
    machine = KernelMachine(
        np.array([[0.0], [2.0]]), np.array([1.0]), 1.0, np.array([[0.5, 0.1], [-0.5, 0.2]]), np.array([1.0, -1.0])
    )
    k = matern(np.array([[1.0]]), machine.rows, 1.0)
    value, spread = machine(machine.likeness(np.array([[1.0]])))
    # Half-way both count alike: the values cancel, the log spreads add.
    assert value[0] == pytest.approx(1.0)
    assert spread[0] == pytest.approx(np.exp(-1 + 0.3 * k[0, 0]))


def test_steps_hold_the_logistic_shares():
    bounds = np.linspace(-3, 3, 13)
    steps = steps_around(np.array([0.0, 9.0]), np.array([1.0, 0.1]), bounds)
    np.testing.assert_allclose(steps.sum(axis=1), 1)
    # Standard deviation 1 is a logistic scale of sqrt(3)/pi; its quartile then lies at 0.606.
    inside = np.interp(0.5, [0, 0.5], [0, steps[0, 6]])
    assert inside == pytest.approx(1 / (1 + np.exp(-0.5 * np.pi / 3**0.5)) - 0.5, abs=1e-9)
    assert steps[1, -1] == pytest.approx(1)


def test_votes_are_of_the_photos_alike():
    rows = np.array([[0.0], [5.0]], np.float32)
    ones = np.ones(1, np.float32)
    wide = np.zeros((2, 2)), np.array([0.0, 9.0])
    machine = KernelMachine(
        rows, ones, 1.0, *wide, votes=np.array([[0.5, -0.5], [-0.5, 0.5]]), shares=np.array([0.5, 0.5])
    )
    bounds = np.array([-1.0, 0.0, 1.0])
    said = machine.steps(machine.likeness(np.array([[0.0], [5.0], [900.0]])), bounds)
    np.testing.assert_allclose(said.sum(axis=1), 1)
    assert said[0, 0] > 0.95
    assert said[1, 1] > 0.95
    np.testing.assert_allclose(said[2], 0.5, atol=1e-6)
    without = KernelMachine(rows, ones, 1.0, *wide)
    np.testing.assert_allclose(without.steps(without.likeness(rows), bounds), 0.5, atol=1e-6)


def test_shares_are_probabilities_and_none_is_ruled_out():
    said = as_shares(np.array([[1.4, -0.4, 0.0]]))
    assert said.sum() == pytest.approx(1)
    assert said.min() >= LEAST_SHARE / 1.5


def test_geometric_mean_is_what_both_allow():
    both = geometric_mean(np.array([[0.9, 0.1, 0.0], [0.2, 0.3, 0.5]]), np.array([[0.1, 0.9, 0.0001], [0.2, 0.3, 0.5]]))
    np.testing.assert_allclose(both.sum(axis=1), 1)
    np.testing.assert_allclose(both[0], [0.5, 0.5, 0.0], atol=1e-4)
    np.testing.assert_allclose(both[1], [0.2, 0.3, 0.5], atol=1e-6)


def test_set_right_goes_the_stated_way_to_the_levels():
    rng = np.random.default_rng(2)
    # Distributions twice as wide as the truth scatters: the truth lies in their middle too often.
    bounds = np.linspace(-4, 4, 33)
    truth = rng.normal(size=4000)
    steps = steps_around(np.zeros(4000), np.full(4000, 2.0), bounds)
    below = [np.interp(at, bounds, [0, *np.cumsum(steps[0])]) for at in truth]
    levels = np.quantile(below, (np.arange(20) + 0.5) / 20)
    inside = np.abs(bounds[:-1] + 0.125) < 1.2816
    before, after = steps[0][inside].sum(), set_right(steps, levels)[0][inside].sum()
    assert after == pytest.approx(before + LEVELS_TAKEN * (0.8 - before), abs=0.04)
    np.testing.assert_array_equal(set_right(steps, np.zeros(0)), steps)
