"""A company's own photos: learnt from where they teach something, judged by pools that were left out."""

import json

import numpy as np
import pytest

from models.training import company, fit
from models.training.dataset import Vectors
from tests.vision.steady_grader import steady_looks
from vision.features import FEATURES
from vision.fitness import FITNESS_FEATURES
from vision.grade import load_grader
from vision.results import CLARITY_LOWER_M, SEVERITY_LOWER_UG_L

EDGES = [np.array(sorted(v for v in each.values() if v > 0)) for each in (CLARITY_LOWER_M, SEVERITY_LOWER_UG_L)]


def depths(features, *, moved=1.0):
    """Visible depth and chlorophyll that two features say; `moved` is how much clearer and greener the water is."""
    return np.exp(0.7 + 0.8 * features[:, 0]) * moved, np.exp(2.5 + 1.2 * features[:, 1]) * moved


@pytest.fixture(scope="module")
def in_use():
    """The arrays and the JSON text of a grader fitted on made-up rendered photos, 150 of them good."""
    rng = np.random.default_rng(3)
    way = np.repeat([0, 1, 2], [150, 10, 10])
    features = rng.normal(size=(len(way), len(FEATURES)))
    features[:, FEATURES.index("depth_known")] = rng.integers(0, 2, len(way))
    depth_m, chlorophyll = depths(features)
    vectors = Vectors(
        features=features, fitness=rng.normal(size=(len(way), len(FITNESS_FEATURES))), depth_m=depth_m,
        chlorophyll_ug_l=chlorophyll, number=np.arange(len(way)), way=way, doubted=np.zeros(len(way), bool),
        overlap=np.ones(len(way)), refused_number=np.zeros(0, int), refused_way=np.zeros(0, int),
        refused_for_water=np.zeros(0, bool),
    )  # fmt: skip
    fitted = fit.fit_vectors(steady_looks(), vectors)
    return fit.arrays_of(fitted), fit.about_of(fitted, {})


def own_photos(*, moved, seed=5, count=60, pools=12):
    """Confirmed photos whose water is `moved` against what the rendered photos say."""
    rng = np.random.default_rng(seed)
    features = rng.normal(size=(count, len(FEATURES)))
    features[:, FEATURES.index("depth_known")] = 0.0
    classes = [
        np.searchsorted(edges, truth, side="right")
        for edges, truth in zip(EDGES, depths(features, moved=moved), strict=True)
    ]
    return company.Own(features, np.column_stack(classes), tuple(f"pool {i % pools}" for i in range(count)))


def test_candidate_learns_what_rendered_photos_do_not_say(in_use, tmp_path):
    compared, arrays, about = company.fit_candidate(*in_use, own_photos(moved=3.0))
    assert (compared.photos, compared.pools) == (60, 12)
    assert compared.candidate_loss < compared.in_use_loss
    assert compared.sure >= company.SURE_ENOUGH
    assert about["pools"] == sorted({f"pool {i}" for i in range(12)})
    fit.write_arrays(tmp_path / "candidate.npz", arrays, about)
    grader = load_grader(tmp_path / "candidate.npz")
    # A photo of a pool that nobody confirmed is read clearer than before: towards the company's own waters.
    before = fit_of(in_use, tmp_path)
    features = np.random.default_rng(9).normal(size=(40, len(FEATURES)))
    scores = before.scores(features)
    moved = grader.blind[0](grader.blind[0].likeness(scores))[0] - before.blind[0](before.blind[0].likeness(scores))[0]
    assert np.mean(moved) > 0.05


def fit_of(in_use, tmp_path):
    fit.write_arrays(tmp_path / "in_use.npz", *in_use)
    return load_grader(tmp_path / "in_use.npz")


def test_candidate_that_makes_rendered_photos_worse_is_not_used(in_use):
    """Confirmed at random: whatever is learnt of it, the rendered photos pay."""
    own = own_photos(moved=1.0)
    wrong = np.random.default_rng(1).integers(0, 5, own.classes.shape)
    compared, _, _ = company.fit_candidate(*in_use, company.Own(own.features, wrong, own.pools))
    assert not compared.better
    assert "keep the grader in use" in compared.say


def test_later_confirmations_take_the_place_of_earlier_ones(in_use):
    _, arrays, about = company.fit_candidate(*in_use, own_photos(moved=2.0))
    _, again, _ = company.fit_candidate(arrays, about, own_photos(moved=2.0, count=24, pools=4))
    assert (again["groups"] < 0).sum() == 24
    assert (again["groups"] >= 0).sum() == 150


def test_too_few_photos_are_said_in_a_sentence(in_use, tmp_path, capsys):
    fit.write_arrays(tmp_path / "in_use.npz", *in_use)
    request = {"grader": str(tmp_path / "in_use.npz"), "candidate": str(tmp_path / "c.npz"), "photos": []}
    (tmp_path / "request.json").write_text(json.dumps(request))
    assert company.main([str(tmp_path / "request.json")]) == 1
    assert "0 confirmed photos of 0 pools" in capsys.readouterr().err
    assert not (tmp_path / "c.npz").exists()
