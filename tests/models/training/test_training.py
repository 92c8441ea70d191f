"""The road from rendered photos to the model file: same numbers, same bytes; figures that mean what they say."""

import numpy as np
import pytest

from models.training import dataset, evaluate, fit
from models.training.card import card_text
from vision.features import FEATURES
from vision.grade import CHLOROPHYLL_STEPS_UG_L, DEPTH_STEPS_M, distribution, load_grader
from vision.network import Network
from vision.results import CLARITY_LOWER_M
from vision.water import CELL_FEATURES

EDGES = evaluate.class_edges(CLARITY_LOWER_M)


def sure_of(values):
    """Return step probabilities that are certain of each value."""
    steps = np.full((len(values), len(DEPTH_STEPS_M) - 1), 1e-9)
    steps[np.arange(len(values)), fit.steps_of(values, DEPTH_STEPS_M)] = 1.0
    return steps / steps.sum(axis=1, keepdims=True)


def test_report_of_perfect_and_of_blind_grading():
    rng = np.random.default_rng(1)
    truth = np.exp(rng.uniform(np.log(0.15), np.log(15), 400))
    good = evaluate.report(sure_of(truth), truth, DEPTH_STEPS_M, EDGES)
    assert good.exact == good.within_one == 1.0
    assert good.calibration_error < 1e-6
    # The median of a step is its middle: half a step off at most.
    assert good.rms_dex < 0.1
    assert good.rank > 0.99
    flat = np.full((400, len(DEPTH_STEPS_M) - 1), 1 / (len(DEPTH_STEPS_M) - 1))
    blind = evaluate.report(flat, truth, DEPTH_STEPS_M, EDGES)
    assert blind.exact < 0.5
    assert blind.log_loss == pytest.approx(np.log(len(DEPTH_STEPS_M) - 1), abs=1e-3)


def test_report_knows_overconfidence():
    rng = np.random.default_rng(2)
    truth = np.exp(rng.uniform(np.log(0.2), np.log(10), 1000))
    wrong = truth.copy()
    hit = rng.random(1000) < 0.3
    wrong[hit] = np.exp(rng.uniform(np.log(0.2), np.log(10), hit.sum()))
    report = evaluate.report(sure_of(wrong), truth, DEPTH_STEPS_M, EDGES)
    # Wholly sure, right in all but the moved ones that left their class.
    assert report.calibration_error == pytest.approx(1 - report.exact, abs=1e-6)
    assert report.coverage < 0.8


def test_classes_are_bounded_as_the_grades_are():
    assert list(EDGES) == [0.6, 1.5, 3.0, 7.5]
    truth = np.array([0.59, 0.61, 1.49, 1.51, 7.49, 7.51])
    assert evaluate.report(sure_of(truth), truth, DEPTH_STEPS_M, EDGES).exact == 1.0


def made_up(count=300, seed=3):
    rng = np.random.default_rng(seed)
    features = rng.normal(size=(count, len(FEATURES)))
    return features, np.exp(features[:, 0] * 0.8)


def test_ensemble_learns_and_is_the_same_each_time():
    features, depth = made_up()
    one = fit.fit_ensemble(features, depth, DEPTH_STEPS_M, members=1, seed=5)
    two = fit.fit_ensemble(features, depth, DEPTH_STEPS_M, members=1, seed=5)
    for a, b in zip(one[0].weights, two[0].weights, strict=True):
        np.testing.assert_array_equal(a, b)
    steps = distribution(one, features, 1.0)
    assert evaluate.report(steps, depth, DEPTH_STEPS_M, EDGES).rank > 0.8


@pytest.mark.filterwarnings("ignore::sklearn.exceptions.ConvergenceWarning")
def test_network_is_what_scikit_learn_computes():
    """Our multiplication and the library's own prediction, on the same fit."""
    from sklearn.neural_network import MLPClassifier

    rng = np.random.default_rng(4)
    x, y = rng.normal(size=(200, 5)), rng.integers(0, 3, 200)
    model = MLPClassifier((8, 4), max_iter=40, random_state=1, tol=1.0, n_iter_no_change=40).fit(x, y)
    ours = Network(np.zeros(5), np.ones(5), tuple(model.coefs_), tuple(model.intercepts_))
    inside = np.clip(x, -6, 6)
    np.testing.assert_allclose(distribution((ours,), inside, 1.0), model.predict_proba(inside), atol=1e-5)


def fitted(features, depth):
    water = Network(
        np.zeros(len(CELL_FEATURES)), np.ones(len(CELL_FEATURES)), (np.zeros((len(CELL_FEATURES), 1)),), (np.zeros(1),)
    )
    centre, whitening = fit._whitening(features)
    networks = [
        fit.fit_ensemble(features, depth, bounds, members=1, seed=1)
        for bounds in (DEPTH_STEPS_M, CHLOROPHYLL_STEPS_UG_L)
    ]
    none = np.empty((0, 0))
    return fit.Fitted(water, networks[0], networks[1], (1.0, 1.2), centre, whitening, 9.0, (none, none))


def test_model_file_is_the_same_bytes_and_reads_back(tmp_path):
    features, depth = made_up(150)
    grader = fitted(features, depth)
    for name in ("one.npz", "two.npz"):
        fit.write_grader(tmp_path / name, grader, {"rows": 150})
    assert (tmp_path / "one.npz").read_bytes() == (tmp_path / "two.npz").read_bytes()
    read = load_grader(tmp_path / "one.npz")
    assert read.temperatures == (1.0, 1.2)
    assert read.about["trained_on"] == "rendered photos only"
    np.testing.assert_array_equal(distribution(read.depth, features, 1.0), distribution(grader.depth, features, 1.0))


def test_card_says_in_plain_words_what_is_not_known():
    truth = np.array([0.3, 2.0, 5.0])
    text = card_text({"clarity": evaluate.report(sure_of(truth), truth, DEPTH_STEPS_M, EDGES)}, "a command", 3)
    assert "No real pool photo was available" in text
    assert "a command" in text
    assert "| clarity | 3 | 1.000 |" in text


def test_shipped_card_carries_the_shipped_models_figures():
    from models.training.__main__ import SHIPPED

    about = load_grader(SHIPPED / "grader.npz").about
    text = (SHIPPED / "grader.md").read_text()
    assert about["command"] in text
    for report in about["held_out"].values():
        assert f"{report['exact']:.3f}" in text


@pytest.mark.slow
def test_a_few_photos_go_all_the_way(tmp_path):
    """Render, find, normalise, learn: the whole road on a handful of photos, twice, to the same bytes."""
    numbers = [1, 2, dataset.FLATLAY_START]
    for number in numbers:
        dataset.render_one(tmp_path, number)
    assert dataset.whole(tmp_path, [*numbers, 999_999]) == numbers
    before = (tmp_path / "1.jpg").read_bytes()
    (tmp_path / "1.json").unlink()
    dataset.render_one(tmp_path, 1)
    assert (tmp_path / "1.jpg").read_bytes() == before
    cells = [dataset.cells_of(tmp_path, number) for number in numbers]
    assert all(each is not None for each in cells)
    assert cells[2][1].sum() == 0
    assert cells[0][0].shape[1] == len(CELL_FEATURES)
    from models.training.__main__ import SHIPPED

    vectors = dataset.make_vectors(tmp_path, load_grader(SHIPPED / "grader.npz"), numbers, jobs=1)
    assert vectors.features.shape[1] == len(FEATURES)
    assert np.isfinite(vectors.features).all()
    assert dataset.FLATLAY_START not in vectors.number


def test_held_out_photos_are_of_other_phones():
    from models.simulator.sampling import TRAINING_MODELS

    for number in (0, 5):
        assert dataset.spec_of(number).camera.model < TRAINING_MODELS
    for number in (dataset.HELD_OUT_START, dataset.HELD_OUT_START + 5):
        assert dataset.spec_of(number).camera.model >= TRAINING_MODELS
