"""The grader's file and its arithmetic: classes, probabilities and intervals of one distribution."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.vision.steady_grader import steady_grader, steady_network, steady_trees, write_steady
from vision.errors import DesignInvalid
from vision.features import FEATURES
from vision.fitness import FITNESS_FEATURES, WAYS
from vision.grade import (
    CHLOROPHYLL_STEPS_UG_L,
    DEPTH_STEPS_M,
    NEIGHBOUR_WORTH,
    grade_features,
    load_grader,
    quantiles,
)
from vision.kernel import KernelMachine
from vision.network import CLIP, Network, network_of, softmax
from vision.results import CLARITY_LOWER_M, SEVERITY_LOWER_UG_L, clarity_of
from vision.trees import Trees, trees_of


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
    grader = steady_grader(depth_m * 1.02, chlorophyll_ug_l * 1.02)
    graded = grade_features(np.zeros(len(FEATURES)), grader)
    assert (graded.clarity.grade, graded.severity.grade) == (clarity, severity)
    assert graded.flags == ()
    assert clarity_of(graded.visible_depth_m.mid) == clarity


def test_probabilities_sum_to_one_and_open_grades_are_flagged():
    graded = grade_features(
        np.zeros(len(FEATURES)),
        steady_grader(1.5, 20.0, spread_dex=2.0),
    )
    for each in (graded.clarity, graded.severity):
        assert sum(each.probabilities.values()) == pytest.approx(1)
    assert "undecided" in graded.flags


def test_grade_is_worth_most_and_the_figure_lies_in_it():
    """A wide spread about a class bound: what is graded, and the middle of the figure, never contradict each other."""
    for depth_m in np.geomspace(0.2, 9.0, 25):
        for spread in (0.05, 0.2, 0.5):
            graded = grade_features(np.zeros(len(FEATURES)), steady_grader(depth_m, 20.0, spread_dex=spread))
            place = list(CLARITY_LOWER_M).index(graded.clarity.grade)
            shares = [graded.clarity.probabilities[name] for name in CLARITY_LOWER_M]
            worth = [
                share + NEIGHBOUR_WORTH * (sum(shares[max(k - 1, 0) : k]) + sum(shares[k + 1 : k + 2]))
                for k, share in enumerate(shares)
            ]
            assert worth[place] == pytest.approx(max(worth))
            interval = graded.visible_depth_m
            assert clarity_of(interval.mid) == graded.clarity.grade
            assert interval.low <= interval.mid <= (interval.high or np.inf)


def test_weak_grades_are_said():
    sure = grade_features(np.zeros(len(FEATURES)), steady_grader(1.0, 20.0, spread_dex=0.02))
    wide = grade_features(np.zeros(len(FEATURES)), steady_grader(1.0, 20.0, spread_dex=0.5))
    assert not {"clarity_weak", "severity_weak"} & set(sure.flags)
    assert {"clarity_weak", "severity_weak"} <= set(wide.flags)


def test_unlike_photos_are_flagged():
    grader = steady_grader(1.0, 1.0, unlike=0.01)
    assert "out_of_range" not in grade_features(np.zeros(len(FEATURES)), grader).flags
    assert "out_of_range" in grade_features(np.full(len(FEATURES), 1.0), grader).flags


def test_where_the_depth_is_known_the_informed_pair_speaks():
    blind, informed = steady_grader(1.0), steady_grader(5.0)
    grader = replace(blind, informed=informed.informed)
    photo = np.zeros(len(FEATURES))
    assert grade_features(photo, grader).clarity.grade == "cloudy"
    photo[FEATURES.index("depth_known")] = 1.0
    assert grade_features(photo, grader).clarity.grade == "clear"


def test_what_the_colour_leaves_open_widens_the_interval():
    photo = np.zeros(len(FEATURES))
    known = np.zeros((1, len(FEATURES)), np.float32)
    # One known photo in the middle that says 10 m; away from it 1 m.
    machine = KernelMachine(known, np.ones(len(FEATURES), np.float32), 3.0, np.array([[1.0, 0.0]]), np.array([0, -3.0]))
    grader = replace(steady_grader(), blind=(machine, steady_grader().blind[1]))
    shifted = np.tile(photo, (6, 1))
    shifted[0, :5], shifted[1, :5] = 0.5, 0.1
    sure = grade_features(photo, grader).visible_depth_m
    open_ = grade_features(photo, grader, shifted=shifted).visible_depth_m
    assert open_.low < sure.low


def test_very_clear_water_is_bounded_from_below_only():
    grader = steady_grader(14.0, 1.0)
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


def test_sound_file_is_read(tmp_path):
    grader = load_grader(write_steady(tmp_path / "a.npz"))
    assert len(grader.id) == 12
    assert grade_features(np.zeros(len(FEATURES)), grader).clarity.grade in CLARITY_LOWER_M


def test_damaged_files_are_refused_with_a_sentence(tmp_path):
    whole = write_steady(tmp_path / "whole.npz").read_bytes()
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
        load_grader(write_steady(tmp_path / "form.npz", about={"format": "other/9"}))
    with pytest.raises(DesignInvalid, match="other features"):
        load_grader(write_steady(tmp_path / "features.npz", about={"features": ["L"]}))
    with pytest.raises(DesignInvalid, match="damaged"):
        load_grader(write_steady(tmp_path / "nan.npz", **{"blind_depth.sums": np.full((1, 2), np.nan)}))
    with pytest.raises(DesignInvalid, match="damaged"):
        load_grader(write_steady(tmp_path / "short.npz", knots=np.zeros((2, 3))))
    with pytest.raises(DesignInvalid, match="damaged"):
        load_grader(write_steady(tmp_path / "length.npz", about={"lengths": {}}))


def test_file_with_a_pickle_in_it_is_refused(tmp_path):
    """Loading executes no code: an object array, which only a pickle can carry, is not read."""
    path = tmp_path / "pickle.npz"
    np.savez(path, about=np.array([print], dtype=object), allow_pickle=True)
    with pytest.raises(DesignInvalid, match="could not be read"):
        load_grader(path)


def test_layers_that_do_not_fit_are_refused():
    arrays = steady_network(4, np.zeros(3)).to_arrays("x")
    arrays["x.bias0"] = np.zeros(4)
    with pytest.raises(DesignInvalid, match="damaged"):
        network_of(arrays, "x")
    with pytest.raises(DesignInvalid, match="holds no network"):
        network_of({}, "x")


def asked_twice():
    """One tree: by feature 1, then by feature 0; and one that is a single leaf."""
    return Trees(
        2, np.array([[0, 5]]), np.array([1, 0, 0, 0, 0, 0]), np.array([2.0, -1.0] + [np.inf] * 4),
        np.array([[1, 2], [3, 4], [2, 2], [3, 3], [4, 4], [5, 5]]), np.array([0, 0, 7.0, 5.0, 6.0, 0.5]),
    )  # fmt: skip


def test_trees_go_where_they_are_asked_to():
    # A value at the threshold goes on to the first child.
    odds = asked_twice()(np.array([[-1.0, 2.0], [-0.9, 1.0], [-5.0, 2.1]]))
    np.testing.assert_array_equal(odds, [[5.0, 0.5], [6.0, 0.5], [7.0, 0.5]])


def test_trees_are_read_as_written():
    read = trees_of(asked_twice().to_arrays("x"), "x")
    rows = np.random.default_rng(2).normal(size=(40, 2)) * 2
    np.testing.assert_array_equal(read(rows), asked_twice()(rows))


@pytest.mark.parametrize(
    ("part", "value"),
    [
        ("children", np.array([[1, 2], [0, 4], [2, 2], [3, 3], [4, 4], [5, 5]])),
        ("children", np.array([[1, 2], [3, 9], [2, 2], [3, 3], [4, 4], [5, 5]])),
        ("roots", np.array([[0, 6]])),
        ("roots", np.array([[0.0, 5.0]])),
        ("feature", np.array([2, 0, 0, 0, 0, 0])),
        ("threshold", np.array([np.nan, -1.0, 0, 0, 0, 0])),
        ("value", np.array([0, 0, np.inf, 5.0, 6.0, 0.5])),
        ("value", np.zeros(5)),
    ],
)
def test_damaged_trees_are_refused(part, value):
    """Trees that lead round in a circle, out of the file, or to no number, are never walked."""
    with pytest.raises(DesignInvalid, match="damaged"):
        trees_of(asked_twice().to_arrays("x") | {f"x.{part}": value}, "x")


def test_trees_made_for_other_figures_are_refused(tmp_path):
    with pytest.raises(DesignInvalid, match="holds no trees"):
        trees_of({}, "fitness")
    other = steady_trees(len(FITNESS_FEATURES) + 1, [9.0] + [0.0] * (len(WAYS) - 1)).to_arrays("fitness")
    with pytest.raises(DesignInvalid, match="damaged"):
        load_grader(write_steady(tmp_path / "other.npz", **other))
