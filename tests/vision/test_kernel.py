"""Kernel machines: scores, likeness, sums and the steps about a value."""

import numpy as np
import pytest

from vision.kernel import MOST_SCORE, KernelMachine, Scores, matern, steps_around


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
