"""What the colour leaves open reaches the grades: features move as colours do, intervals only ever grow."""

import numpy as np
import pytest

from vision import colour
from vision.features import FEATURES
from vision.grade import CHLOROPHYLL_STEPS_UG_L, DEPTH_STEPS_M, quantiles
from vision.widening import blurred, shifted_features, spread_by_colour

BOUNDS = {"depth": DEPTH_STEPS_M, "chlorophyll": CHLOROPHYLL_STEPS_UG_L}


def hump(bounds, at, sd):
    """A distribution with one hump, as a grader gives it."""
    logs = np.log(bounds)
    middles = (logs[:-1] + logs[1:]) / 2
    steps = np.exp(-(((middles - np.log(at)) / sd) ** 2) / 2) * np.diff(logs)
    return steps / steps.sum()


@pytest.mark.parametrize("sd_log", [0.05, 0.2, 0.6])
@pytest.mark.parametrize("name", BOUNDS)
def test_blurred_intervals_only_grow(name, sd_log):
    bounds = BOUNDS[name]
    for at in np.geomspace(bounds[1], bounds[-2], 25):
        for own in (0.1, 0.4, 0.9):
            steps = hump(bounds, at, own)
            wider = blurred(steps, bounds, sd_log)
            assert wider.sum() == pytest.approx(1)
            (low, _, high), (low_2, _, high_2) = quantiles(np.stack([steps, wider]), bounds, (0.1, 0.5, 0.9))
            # At the range's ends mass cannot leave: the end there may stay, the width may not shrink.
            assert np.log(high_2 / low_2) > np.log(high / low) - 1e-3


def test_blurring_adds_its_variance():
    steps = blurred(hump(DEPTH_STEPS_M, 1.5, 0.3), DEPTH_STEPS_M, 0.4)
    low, high = quantiles(steps[None], DEPTH_STEPS_M, (0.16, 0.84))[0]
    # Half the spread from 16 to 84 % is one standard deviation; the steps are a quarter wide.
    assert np.log(high / low) / 2 == pytest.approx(np.hypot(0.3, 0.4), rel=0.1)


def test_nothing_open_changes_nothing():
    steps = hump(DEPTH_STEPS_M, 1.5, 0.3)
    np.testing.assert_array_equal(blurred(steps, DEPTH_STEPS_M, 0.0), steps)
    assert spread_by_colour([2.0] * 6) == 0


def test_spread_is_the_root_sum_over_the_axes():
    middles = np.exp([0.1, -0.1, 0.2, -0.2, 0.0, 0.0])
    assert spread_by_colour(middles) == pytest.approx(np.hypot(0.1, 0.2))


def test_features_move_as_the_colour_does():
    """The middle colour's own features against the same computed from the moved colour."""
    linear = np.array([0.08, 0.22, 0.25])
    lab = colour.linear_rgb_to_lab(linear)
    features = np.zeros(len(FEATURES))
    place = {name: index for index, name in enumerate(FEATURES)}
    for name, value in zip("Lab", lab, strict=True):
        features[place[name]] = value
    features[place["log_g_r"]], features[place["log_b_g"]] = np.log(linear[1:] + 0.002) - np.log(linear[:-1] + 0.002)
    moved = shifted_features(features, linear, np.diag([4.0, 1.0, 9.0]))
    assert moved.shape == (6, len(FEATURES))
    for row in moved:
        after = colour.lab_to_linear_rgb(row[[place["L"], place["a"], place["b"]]])
        assert np.linalg.norm(row[[place["L"], place["a"], place["b"]]] - lab) in (
            pytest.approx(1), pytest.approx(2), pytest.approx(3),
        )  # fmt: skip
        want = np.log(after[1:] + 0.002) - np.log(after[:-1] + 0.002)
        np.testing.assert_allclose(row[[place["log_g_r"], place["log_b_g"]]], want, atol=1e-6)
