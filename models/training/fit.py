"""Fit the grader on rendered photos: water cells first, then two distributions, their calibration and their range.

In: a folder of rendered photos (`dataset.py`). Out: the model file that `vision.grade` reads, an .npz of plain arrays
with a JSON text. Seeded and single-threaded where order matters, so that the same photos give the same bytes.
"""

from __future__ import annotations

import json
import warnings
import zipfile
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize_scalar
from sklearn.exceptions import ConvergenceWarning
from sklearn.neural_network import MLPClassifier

from models.training.dataset import Vectors, cells_of, make_vectors, over_photos
from vision.features import FEATURES
from vision.grade import CHLOROPHYLL_STEPS_UG_L, DEPTH_STEPS_M, FORMAT, Grader, distribution, unlikeness
from vision.network import Network
from vision.water import CELL_FEATURES

Array = NDArray[Any]

WATER_PHOTOS = 1100
"""Photos that the water network is fitted on, spread over all: more add nothing that was seen."""
MEMBERS = 4
"""Networks in each ensemble."""
HIDDEN = (96, 48)
"""Hidden layers of the graders; `evaluate` compares simpler models by the same folds."""
ROUNDS, WEIGHT_DECAY = 80, 3.0
"""Passes over the photos, and how strongly weights are held small: chosen by the folds' log loss."""
WATER_HIDDEN = (32, 16)
FOLDS = 5
"""Folds of the calibration; photos of one pool are never on both sides, for every rendered pool is new."""
JITTER_DEX = 0.03
"""Each row is seen again with its truth moved by so much, so that steps beside the true one are not wholly wrong."""
UNLIKE_SHARE = 0.995
"""Share of training photos that are in range by definition."""


@dataclass(frozen=True)
class Fitted:
    """A fitted grader before it is written; `held_out` are the fold-wise probabilities of every row."""

    water: Network
    depth: tuple[Network, ...]
    chlorophyll: tuple[Network, ...]
    temperatures: tuple[float, float]
    centre: Array
    whitening: Array
    unlike: float
    held_out: tuple[Array, Array]


def fit_water(folder: Path, numbers: list[int], *, jobs: int, seed: int = 1) -> Network:
    """Fit the network that tells water cells from others."""
    numbers = numbers[:: max(1, len(numbers) // WATER_PHOTOS)]
    made = over_photos(partial(cells_of, folder), numbers, jobs=jobs, say="cells")
    features = np.concatenate([each[0] for each in made if each is not None]).astype(np.float64)
    labels = np.concatenate([each[1] for each in made if each is not None])
    return _fit_one(features, labels, WATER_HIDDEN, seed, rounds=30, alpha=0.1, classes=2)


def _fit_one(
    features: Array, labels: Array, hidden: tuple[int, ...], seed: int, *, rounds: int, alpha: float, classes: int
) -> Network:
    """Fit one classifier and return it as a network of plain arrays."""
    mean, scale = features.mean(axis=0), features.std(axis=0) + 1e-6
    standard = np.clip((features - mean) / scale, -6, 6)
    model = MLPClassifier(
        hidden, alpha=alpha, batch_size=256, learning_rate_init=2e-3, max_iter=rounds, random_state=seed,
        n_iter_no_change=8,
    )  # fmt: skip
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ConvergenceWarning)
        model.fit(standard, labels)
    last_weight, last_bias = model.coefs_[-1], model.intercepts_[-1]
    if classes > 2:
        # Steps without a photo get no probability worth the name.
        whole_weight = np.zeros((last_weight.shape[0], classes))
        whole_bias = np.full(classes, -12.0)
        whole_weight[:, model.classes_] = last_weight
        whole_bias[model.classes_] = last_bias
        last_weight, last_bias = whole_weight, whole_bias
    weights = [np.asarray(each, dtype=np.float32) for each in (*model.coefs_[:-1], last_weight)]
    biases = [np.asarray(each, dtype=np.float32) for each in (*model.intercepts_[:-1], last_bias)]
    return Network(mean.astype(np.float32), scale.astype(np.float32), tuple(weights), tuple(biases))


def steps_of(values: Array, bounds: Array) -> Array:
    """Return the step of each value; values beyond the ends belong to the end steps."""
    return np.clip(np.searchsorted(bounds, values, side="right") - 1, 0, len(bounds) - 2)


def fit_ensemble(features: Array, values: Array, bounds: Array, *, members: int, seed: int) -> tuple[Network, ...]:
    """Fit networks from features to the steps of a figure."""
    networks = []
    for member in range(members):
        rng = np.random.default_rng([seed, member])
        moved = values * 10 ** rng.normal(0, JITTER_DEX, len(values))
        both = np.concatenate([features, features])
        labels = np.concatenate([steps_of(values, bounds), steps_of(moved, bounds)])
        networks.append(
            _fit_one(
                both, labels, HIDDEN, 100 * seed + member, rounds=ROUNDS, alpha=WEIGHT_DECAY, classes=len(bounds) - 1
            )
        )
    return tuple(networks)


def _temperature(features: Array, labels: Array, folds: Array, by_fold: list[tuple[Network, ...]]) -> float:
    """Return the temperature with the least held-out log loss."""

    def loss(log_temperature: float) -> float:
        total = 0.0
        for fold, networks in enumerate(by_fold):
            rows = folds == fold
            p = distribution(networks, features[rows], float(np.exp(log_temperature)))
            total -= np.log(p[np.arange(rows.sum()), labels[rows]] + 1e-9).sum()
        return total

    return float(np.exp(minimize_scalar(loss, bounds=(-1.0, 1.5), method="bounded").x))


def fit_grader(folder: Path, numbers: list[int], *, jobs: int, seed: int = 1) -> tuple[Fitted, Vectors]:
    """Fit everything on the photos of a folder."""
    water = fit_water(folder, numbers, jobs=jobs, seed=seed)
    vectors = make_vectors(folder, bare_grader(water), numbers, jobs=jobs)
    rng = np.random.default_rng([seed, 7])
    order = {number: fold for fold, number in enumerate(rng.permutation(np.unique(vectors.number)))}
    folds = np.array([order[number] % FOLDS for number in vectors.number])
    ensembles, temperatures, held_out = [], [], []
    for values, bounds in (
        (vectors.depth_m, DEPTH_STEPS_M),
        (vectors.chlorophyll_ug_l, CHLOROPHYLL_STEPS_UG_L),
    ):
        by_fold = [
            fit_ensemble(vectors.features[folds != fold], values[folds != fold], bounds, members=MEMBERS, seed=seed)
            for fold in range(FOLDS)
        ]
        labels = steps_of(values, bounds)
        temperature = _temperature(vectors.features, labels, folds, by_fold)
        probabilities = np.empty((len(labels), len(bounds) - 1))
        for fold, networks in enumerate(by_fold):
            rows = folds == fold
            probabilities[rows] = distribution(networks, vectors.features[rows], temperature)
        ensembles.append(fit_ensemble(vectors.features, values, bounds, members=MEMBERS, seed=seed))
        temperatures.append(temperature)
        held_out.append(probabilities)
    centre, whitening = _whitening(vectors.features)
    distances = unlikeness(vectors.features, centre, whitening)
    fitted = Fitted(
        water=water, depth=ensembles[0], chlorophyll=ensembles[1], temperatures=(temperatures[0], temperatures[1]),
        centre=centre, whitening=whitening, unlike=float(np.quantile(distances, UNLIKE_SHARE)),
        held_out=(held_out[0], held_out[1]),
    )  # fmt: skip
    return fitted, vectors


def _whitening(features: Array) -> tuple[Array, Array]:
    """Return the centre and the whitening matrix of the training vectors, weak directions held."""
    centre = features.mean(axis=0)
    scale = features.std(axis=0) + 1e-3
    values, vectors = np.linalg.eigh(np.cov(((features - centre) / scale).T))
    return centre, (vectors / np.sqrt(np.maximum(values, 0.05))) / scale[:, None]


def bare_grader(water: Network) -> Grader:
    """Return a grader that can find water and nothing else, for making feature vectors."""
    none = np.zeros(len(FEATURES))
    return Grader(water, (), (), (1.0, 1.0), none, np.zeros((len(FEATURES), 1)), np.inf, "none", {})


def write_grader(path: Path, fitted: Fitted, about: dict[str, Any]) -> None:
    """Write the model file; the same grader gives the same bytes."""
    arrays = fitted.water.to_arrays("water")
    for index, (depth, chlorophyll) in enumerate(zip(fitted.depth, fitted.chlorophyll, strict=True)):
        arrays |= depth.to_arrays(f"depth{index}") | chlorophyll.to_arrays(f"chlorophyll{index}")
    arrays["unlike.centre"], arrays["unlike.whitening"] = fitted.centre, fitted.whitening
    about = {
        "format": FORMAT,
        "features": list(FEATURES),
        "cell_features": list(CELL_FEATURES),
        "members": len(fitted.depth),
        "temperatures": list(fitted.temperatures),
        "unlike": fitted.unlike,
        "trained_on": "rendered photos only",
        **about,
    }
    arrays["about"] = np.frombuffer(json.dumps(about, sort_keys=True).encode("utf-8"), dtype=np.uint8)
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name in sorted(arrays):
            # A fixed date: numpy's own writer would stamp the hour.
            entry = zipfile.ZipInfo(f"{name}.npy", date_time=(2000, 1, 1, 0, 0, 0))
            entry.compress_type = zipfile.ZIP_DEFLATED
            with archive.open(entry, "w") as stream:
                np.lib.format.write_array(stream, np.ascontiguousarray(arrays[name]), allow_pickle=False)
