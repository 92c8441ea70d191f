"""The grader's file and its arithmetic: classes, probabilities and intervals of one distribution."""

import json

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from vision import grade
from vision.errors import DesignInvalid
from vision.features import FEATURES
from vision.grade import CHLOROPHYLL_STEPS_UG_L, DEPTH_STEPS_M, Grader, grade_features, load_grader, quantiles
from vision.network import CLIP, Network, network_of, softmax
from vision.results import CLARITY_LOWER_M, SEVERITY_LOWER_UG_L, clarity_of
from vision.water import CELL_FEATURES


def flat_network(values):
    """Return a network that gives the same values whatever the features."""
    count = len(FEATURES)
    return Network(np.zeros(count), np.ones(count), (np.zeros((count, len(values))),), (np.asarray(values, float),))


def grader_of(depth_logits, chlorophyll_logits, *, unlike=1e9):
    count = len(FEATURES)
    return Grader(
        water=flat_network([0.0]),
        depth=(flat_network(depth_logits),),
        chlorophyll=(flat_network(chlorophyll_logits),),
        temperatures=(1.0, 1.0),
        centre=np.zeros(count),
        whitening=np.eye(count),
        unlike=unlike,
        id="test",
        about={},
    )


def peaked(bounds, value, height=20.0):
    logits = np.zeros(len(bounds) - 1)
    logits[np.searchsorted(bounds, value, side="right") - 1] = height
    return logits


@pytest.mark.parametrize("lower", sorted(v for v in CLARITY_LOWER_M.values() if v > 0))
def test_clarity_bounds_are_step_bounds(lower):
    assert lower in DEPTH_STEPS_M


@pytest.mark.parametrize("lower", sorted(v for v in SEVERITY_LOWER_UG_L.values() if v > 0))
def test_severity_bounds_are_step_bounds(lower):
    assert lower in CHLOROPHYLL_STEPS_UG_L


@pytest.mark.parametrize(
    ("depth_m", "chlorophyll_ug_l", "clarity", "severity"),
    [(0.3, 200, "opaque", "heavy"), (1.0, 1.0, "cloudy", "none"), (2.0, 20, "hazy", "light"),
     (4.0, 5, "clear", "trace"), (8.0, 0.5, "crystal", "none")],
)  # fmt: skip
def test_grade_is_where_the_probability_is(depth_m, chlorophyll_ug_l, clarity, severity):
    grader = grader_of(peaked(DEPTH_STEPS_M, depth_m), peaked(CHLOROPHYLL_STEPS_UG_L, chlorophyll_ug_l))
    graded = grade_features(np.zeros(len(FEATURES)), grader)
    assert (graded.clarity.grade, graded.severity.grade) == (clarity, severity)
    assert graded.flags == ()
    assert clarity_of(graded.visible_depth_m.mid) == clarity


def test_probabilities_sum_to_one_and_open_grades_are_flagged():
    graded = grade_features(
        np.zeros(len(FEATURES)),
        grader_of(np.zeros(len(DEPTH_STEPS_M) - 1), np.zeros(len(CHLOROPHYLL_STEPS_UG_L) - 1)),
    )
    for each in (graded.clarity, graded.severity):
        assert sum(each.probabilities.values()) == pytest.approx(1)
    assert "undecided" in graded.flags


def test_unlike_photos_are_flagged():
    grader = grader_of(peaked(DEPTH_STEPS_M, 1.0), peaked(CHLOROPHYLL_STEPS_UG_L, 1.0), unlike=2.0)
    assert "out_of_range" not in grade_features(np.zeros(len(FEATURES)), grader).flags
    assert "out_of_range" in grade_features(np.full(len(FEATURES), 1.0), grader).flags


def test_very_clear_water_is_bounded_from_below_only():
    grader = grader_of(peaked(DEPTH_STEPS_M, 14.0), peaked(CHLOROPHYLL_STEPS_UG_L, 1.0))
    interval = grade_features(np.zeros(len(FEATURES)), grader).visible_depth_m
    assert interval.high is None
    assert interval.mid == interval.low
    assert interval.mid >= 7.5


@given(st.lists(st.floats(0.001, 1), min_size=21, max_size=21))
def test_quantiles_rise_and_hold_their_share(weights):
    steps = np.array([weights]) / np.sum(weights)
    low, mid, high = quantiles(steps, DEPTH_STEPS_M, (0.1, 0.5, 0.9))[0]
    assert DEPTH_STEPS_M[0] <= low <= mid <= high <= DEPTH_STEPS_M[-1]
    cumulative = np.interp(np.log(mid), np.log(DEPTH_STEPS_M), np.concatenate([[0], np.cumsum(steps[0])]))
    assert cumulative == pytest.approx(0.5, abs=1e-6)


def test_network_is_what_its_layers_say():
    rng = np.random.default_rng(1)
    w, b = [rng.normal(size=(3, 4)), rng.normal(size=(4, 2))], [rng.normal(size=4), rng.normal(size=2)]
    network = Network(np.array([1.0, 2, 3]), np.array([2.0, 2, 2]), tuple(w), tuple(b))
    x = rng.normal(size=(5, 3))
    want = np.maximum(((x - [1, 2, 3]) / 2) @ w[0] + b[0], 0) @ w[1] + b[1]
    np.testing.assert_allclose(network(x), want, rtol=1e-4, atol=1e-5)
    # Far outside the training photos nothing changes any more.
    np.testing.assert_array_equal(network(np.full((1, 3), 1e6)), network(np.full((1, 3), 3 + 2 * CLIP)))


def test_softmax_of_large_values():
    np.testing.assert_allclose(softmax(np.array([[1000.0, 1000.0, 0.0]])), [[0.5, 0.5, 0.0]])


def sound_file(path, **changes):
    about = {
        "format": grade.FORMAT, "features": list(FEATURES), "cell_features": list(CELL_FEATURES), "members": 1,
        "temperatures": [1.0, 1.0], "unlike": 5.0,
    } | changes.pop("about", {})  # fmt: skip
    water = Network(
        np.zeros(len(CELL_FEATURES)), np.ones(len(CELL_FEATURES)), (np.zeros((len(CELL_FEATURES), 1)),), (np.zeros(1),)
    )
    arrays = water.to_arrays("water") | flat_network(np.zeros(len(DEPTH_STEPS_M) - 1)).to_arrays("depth0")
    arrays |= flat_network(np.zeros(len(CHLOROPHYLL_STEPS_UG_L) - 1)).to_arrays("chlorophyll0")
    arrays |= {"unlike.centre": np.zeros(len(FEATURES)), "unlike.whitening": np.eye(len(FEATURES))}
    arrays |= changes
    arrays["about"] = np.frombuffer(json.dumps(about).encode(), np.uint8)
    np.savez(path, **arrays)
    return path


def test_sound_file_is_read(tmp_path):
    grader = load_grader(sound_file(tmp_path / "a.npz"))
    assert len(grader.id) == 12
    assert grade_features(np.zeros(len(FEATURES)), grader).clarity.grade in CLARITY_LOWER_M


def test_damaged_files_are_refused_with_a_sentence(tmp_path):
    whole = sound_file(tmp_path / "whole.npz").read_bytes()
    cases = {
        "missing": None,
        "empty": b"",
        "words": b"not a model",
        "cut": whole[: len(whole) // 2],
    }
    for name, content in cases.items():
        path = tmp_path / f"{name}.npz"
        if content is not None:
            path.write_bytes(content)
        with pytest.raises(DesignInvalid, match="could not be read"):
            load_grader(path)
    with pytest.raises(DesignInvalid, match="not of the form"):
        load_grader(sound_file(tmp_path / "form.npz", about={"format": "other/9"}))
    with pytest.raises(DesignInvalid, match="other features"):
        load_grader(sound_file(tmp_path / "features.npz", about={"features": ["L"]}))
    with pytest.raises(DesignInvalid, match="damaged"):
        load_grader(sound_file(tmp_path / "nan.npz", **{"depth0.bias0": np.full(len(DEPTH_STEPS_M) - 1, np.nan)}))


def test_file_with_a_pickle_in_it_is_refused(tmp_path):
    """Loading executes no code: an object array, which only a pickle can carry, is not read."""
    path = tmp_path / "pickle.npz"
    np.savez(path, about=np.array([print], dtype=object), allow_pickle=True)
    with pytest.raises(DesignInvalid, match="could not be read"):
        load_grader(path)


def test_layers_that_do_not_fit_are_refused():
    arrays = flat_network(np.zeros(3)).to_arrays("x")
    arrays["x.bias0"] = np.zeros(4)
    with pytest.raises(DesignInvalid, match="damaged"):
        network_of(arrays, "x")
    with pytest.raises(DesignInvalid, match="holds no network"):
        network_of({}, "x")
