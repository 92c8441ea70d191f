"""Compare models by the same folds: is a simpler one as good?

In: the vectors of rendered photos. Out: for each model its held-out figures, for the model card's table. Every photo is
of a pool of its own, so that folds by photo are folds by pool.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sklearn.ensemble import ExtraTreesRegressor, HistGradientBoostingRegressor
from sklearn.exceptions import ConvergenceWarning
from sklearn.linear_model import Ridge
from sklearn.neural_network import MLPRegressor

from models.training.dataset import Vectors
from models.training.fit import BOUNDS, KNOTS, targets_of
from models.training.kernelfit import feature_weights, fit_machine
from vision.features import FEATURES, KNOWN_FEATURES
from vision.kernel import Scores
from vision.results import CLARITY_LOWER_M, SEVERITY_LOWER_UG_L

Array = NDArray[Any]

ROWS, FOLDS = 1000, 4
"""Photos that the comparison takes, and its folds."""
MLP_MEMBERS = 3

Predictor = Callable[[Array, Array, Array, int], Array]
"""From scores and target to fit on, scores to predict, and the figure's place, to predictions."""


@dataclass(frozen=True)
class Compared:
    """One model's held-out figures for one grade."""

    model: str
    grade: str
    exact: float
    within_one: float
    rms_dex: float


def _ridge(x: Array, y: Array, new: Array, _figure: int) -> Array:
    return np.asarray(Ridge(300.0).fit(x, y).predict(new))


def _trees(x: Array, y: Array, new: Array, _figure: int) -> Array:
    model = ExtraTreesRegressor(150, min_samples_leaf=2, max_features=0.4, random_state=1, n_jobs=1)
    return np.asarray(model.fit(x, y).predict(new))


def _boosting(x: Array, y: Array, new: Array, _figure: int) -> Array:
    model = HistGradientBoostingRegressor(
        max_iter=200, learning_rate=0.06, max_leaf_nodes=15, l2_regularization=1.0, random_state=1
    )
    return np.asarray(model.fit(x, y).predict(new))


def _network(seed: int) -> MLPRegressor:
    return MLPRegressor(
        hidden_layer_sizes=(64,), alpha=1.0, learning_rate_init=2e-3, max_iter=60, early_stopping=True,
        batch_size=64, random_state=seed,
    )  # fmt: skip


def _networks(x: Array, y: Array, new: Array, _figure: int) -> Array:
    mean, scale = y.mean(), y.std()
    with warnings.catch_warnings():
        # Sixty passes are what was asked for.
        warnings.simplefilter("ignore", ConvergenceWarning)
        members = [_network(seed).fit(x, (y - mean) / scale).predict(new) for seed in range(MLP_MEMBERS)]
    return np.asarray(mean + scale * np.mean(members, axis=0))


def _kernel(x: Array, y: Array, new: Array, figure: int) -> Array:
    weights = feature_weights(x, y, np.ones(x.shape[1], dtype=bool), seed=1)
    fit = fit_machine(x, y, weights, np.log10(BOUNDS[figure]), groups=np.arange(len(y)))
    return fit.machine(fit.machine.likeness(new))[0]


MODELS: dict[str, Predictor] = {
    "linear (ridge)": _ridge,
    "extremely random trees, 150": _trees,
    "boosted trees, 200": _boosting,
    f"networks, {MLP_MEMBERS} of 64": _networks,
    "kernel machine (shipped)": _kernel,
}
"""The models compared; all see the same scores."""


def compare(vectors: Vectors) -> list[Compared]:
    """Return the held-out figures of every model, by the photo alone."""
    fit = vectors.rows((vectors.way == 0) & ~vectors.doubted)
    fit = fit.rows(np.arange(min(ROWS, len(fit.number))))
    shares = (np.arange(KNOTS) + 0.5) / KNOTS
    photo_only = [name not in KNOWN_FEATURES for name in FEATURES]
    scores = Scores(np.quantile(fit.features, shares, axis=0).T)(fit.features)[:, photo_only]
    targets = targets_of(fit.depth_m, fit.chlorophyll_ug_l)
    fold = np.random.default_rng(6).permutation(len(scores)) % FOLDS
    out = []
    for figure, (grade, lowers) in enumerate((("clarity", CLARITY_LOWER_M), ("severity", SEVERITY_LOWER_UG_L))):
        edges = np.log10(sorted(value for value in lowers.values() if value > 0))
        target = targets[:, figure]
        true = np.searchsorted(edges, target, side="right")
        for name, predict in MODELS.items():
            said = np.empty(len(target))
            for index in range(FOLDS):
                here = fold == index
                said[here] = predict(scores[~here], target[~here], scores[here], figure)
            off = np.abs(np.searchsorted(edges, said, side="right") - true)
            rms = float(np.sqrt(np.mean((said - target) ** 2)))
            out.append(Compared(name, grade, float((off == 0).mean()), float((off <= 1).mean()), rms))
    return out
