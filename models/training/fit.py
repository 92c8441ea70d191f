"""Fit the grader on rendered photos: water cells first, then the kernel machines, what spoils a photo, and the range.

In: a folder of rendered photos (`dataset.py`). Out: the model file that `vision.grade` reads, an .npz of plain arrays
with a JSON text; it holds the known photos' scores and truth too, so that a company's own photos can be fitted in
later without rendering any (`company.py`). Seeded and single-threaded where order matters, so that the same photos give
the same bytes.
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
from sklearn.ensemble import GradientBoostingClassifier
from sklearn.exceptions import ConvergenceWarning
from sklearn.neural_network import MLPClassifier

from models.training.dataset import Cells, Vectors, cells_of, make_vectors, over_photos, training_numbers
from models.training.kernelfit import Fit, feature_weights, fit_machine
from vision.features import FEATURES, KNOWN_FEATURES
from vision.fitness import FITNESS_FEATURES, WAYS
from vision.grade import CHLOROPHYLL_STEPS_UG_L, DEPTH_STEPS_M, FORMAT, MACHINES, WATER_LOOKS, Grader
from vision.kernel import KernelMachine, Scores
from vision.network import Network, softmax
from vision.trees import Trees
from vision.water import CELL_FEATURES, context_features, water_probability

Array = NDArray[Any]

WATER_POOLS = 1100
"""The water networks are fitted on the photos that go with so many pool photos, at most: more say much the same."""
CELLS_A_PHOTO = 160
"""Cells taken of each photo to learn water by: neighbours say much the same."""
WATER_HIDDEN = (64, 32)
WATER_ROUNDS, WATER_BATCH = 20, 1024
FITNESS_TREES = {
    "n_estimators": 300, "learning_rate": 0.05, "max_leaf_nodes": 6, "max_depth": None, "min_samples_leaf": 8,
    "max_features": 0.3, "subsample": 0.7,
}  # fmt: skip
"""How the trees that tell spoiled photos are grown. By the same folds, 4,500 photos without the hard ones, two good
ones in a hundred held for spoiled: 95.6 to 96 % of the spoiled are told by these and by trees of 4 leaves or 200
rounds, 94.7 % by a network of 24. With the hard ones, trees of 10 leaves or 600 rounds at half the rate tell as many
within 0.6 %."""
NO_PHOTO_LOG_ODDS = -12.0
"""Log odds of a way of which there was no photo: the project's own."""
FOLDS = 5
"""Folds by which spoiled photos are told held out; the machines leave out each photo by itself."""
KNOTS = 33
"""Quantiles that a feature's scores are read from."""
FEWEST_SEEN_UG_L, DEEPEST_SEEN_M = 0.3, 20.0
"""Chlorophyll under which, and visible depth over which, a photo cannot tell: truths beyond count as these."""
UNLIKE_SHARE = 0.002
"""Share of known photos that are less like any other pool's than what is still in range."""
UNLIKE_SLACK = 0.7
"""Factor on that likeness: real photos are less alike than rendered ones, and it is to find the strange only."""
BOUNDS = (DEPTH_STEPS_M, CHLOROPHYLL_STEPS_UG_L)
"""Bounds of the steps of the two figures."""


@dataclass(frozen=True)
class Fitted:
    """A fitted grader before it is written.

    Attributes
    ----------
    water : tuple of Network
    fitness : Trees
    scores : Scores
    rows : ndarray, shape (N, F)
        Scores of the known photos.
    machines : dict of str to Fit
        By the names of `vision.grade.MACHINES`.
    targets : ndarray, shape (N, 2)
        log10 of visible depth and chlorophyll of the known photos.
    groups : ndarray, shape (N,)
        Their pools: a rendered photo's number (each has a pool of its own), a company's below zero.
    unlike : float
    spoiled_held_out : ndarray, shape (M, ways)
        Probabilities of the ways a photo is spoiled, of all rows, held out by folds.
    """

    water: tuple[Network, ...]
    fitness: Trees
    scores: Scores
    rows: Array
    machines: dict[str, Fit]
    targets: Array
    groups: Array
    unlike: float
    spoiled_held_out: Array


def fit_water(folder: Path, numbers: list[int], *, jobs: int, seed: int = 1) -> tuple[Network, ...]:
    """Fit the networks that tell water cells from others, look after look."""
    some = set(training_numbers(WATER_POOLS))
    chosen = [number for number in numbers if number in some]
    made = over_photos(partial(cells_of, folder), chosen, jobs=jobs, say="cells")
    return fit_looks([each for each in made if each is not None], seed=seed)


def fit_looks(photos: list[Cells], *, seed: int) -> tuple[Network, ...]:
    """Fit one network a look.

    A look must meet the one before as new photos meet it: in fitting, each half of the photos is looked at before by
    networks that only saw the other half.
    """
    looks: tuple[Network, ...] = ()
    of_half: list[tuple[Network, ...]] = [(), ()]
    for look in range(WATER_LOOKS):
        features, labels = [], []
        for place, photo in enumerate(photos):
            cells = photo.features.astype(np.float32)
            if look:
                cells = context_features(cells, water_probability(cells, of_half[place % 2]))
            sure = np.flatnonzero(photo.sure.ravel())
            rng = np.random.default_rng([seed, look, place])
            sure = rng.choice(sure, min(CELLS_A_PHOTO, len(sure)), replace=False)
            features.append(cells.reshape(-1, cells.shape[2])[sure])
            labels.append((photo.share.ravel()[sure] > 0.5).astype(np.int8))

        def fit(start: int, step: int, features: list[Array] = features, labels: list[Array] = labels) -> Network:
            x, y = np.concatenate(features[start::step]), np.concatenate(labels[start::step])
            return fit_network(x, y, WATER_HIDDEN, seed, rounds=WATER_ROUNDS, alpha=0.1, batch=WATER_BATCH)

        looks = (*looks, fit(0, 1))
        if look < WATER_LOOKS - 1:
            of_half = [(*of_half[half], fit(1 - half, 2)) for half in range(2)]
    return looks


def fit_network(
    features: Array,
    labels: Array,
    hidden: tuple[int, ...],
    seed: int,
    *,
    rounds: int,
    alpha: float,
    batch: int,
) -> Network:
    """Fit one classifier of two classes and return it as a network of plain arrays."""
    mean, scale = features.mean(axis=0), features.std(axis=0) + 1e-6
    standard = np.clip((features - mean) / scale, -6, 6)
    model = MLPClassifier(
        hidden, alpha=alpha, batch_size=min(batch, len(standard)), learning_rate_init=2e-3, max_iter=rounds,
        random_state=seed, n_iter_no_change=8,
    )  # fmt: skip
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ConvergenceWarning)
        model.fit(standard, labels)
    weights = [np.asarray(each, dtype=np.float32) for each in model.coefs_]
    biases = [np.asarray(each, dtype=np.float32) for each in model.intercepts_]
    return Network(mean.astype(np.float32), scale.astype(np.float32), tuple(weights), tuple(biases))


def targets_of(depth_m: Array, chlorophyll_ug_l: Array) -> Array:
    """Return what the machines are fitted on, shape (N, 2): log10, held where a photo cannot tell."""
    return np.log10(
        np.column_stack([np.minimum(depth_m, DEEPEST_SEEN_M), np.maximum(chlorophyll_ug_l, FEWEST_SEEN_UG_L)])
    )


def fit_grader(folder: Path, numbers: list[int], *, jobs: int, seed: int = 1) -> tuple[Fitted, Vectors]:
    """Fit everything on the photos of a folder."""
    water = fit_water(folder, numbers, jobs=jobs, seed=seed)
    vectors = make_vectors(folder, bare_grader(water), numbers, jobs=jobs)
    return fit_vectors(water, vectors, seed=seed), vectors


def fit_vectors(water: tuple[Network, ...], vectors: Vectors, *, seed: int = 1) -> Fitted:
    """Fit all but the water network on photos' vectors."""
    fit = vectors.rows((vectors.way == 0) & ~vectors.doubted)
    shares = (np.arange(KNOTS) + 0.5) / KNOTS
    # Float16 as in the file: what is fitted is what is shipped.
    scores = Scores(np.quantile(fit.features, shares, axis=0).T.astype(np.float32).astype(np.float64))
    rows = scores(fit.features).astype(np.float16).astype(np.float32)
    targets = targets_of(fit.depth_m, fit.chlorophyll_ug_l)
    machines = {}
    photo_only = np.array([name not in KNOWN_FEATURES for name in FEATURES])
    for name in MACHINES:
        used = photo_only if name.startswith("blind") else np.ones(len(FEATURES), dtype=bool)
        figure = 0 if name.endswith("depth") else 1
        target = targets[:, figure]
        weights = feature_weights(rows, target, used, seed=seed)
        machines[name] = fit_machine(rows, target, weights, np.log10(BOUNDS[figure]), groups=fit.number)
    fitness, held_out = fit_fitness(vectors, seed=seed)
    nearest = machines["blind_depth"].nearest
    unlike = UNLIKE_SLACK * float(np.quantile(nearest, UNLIKE_SHARE))
    return Fitted(water, fitness, scores, rows, machines, targets, fit.number, unlike, held_out)


def fit_fitness(vectors: Vectors, *, seed: int) -> tuple[Trees, Array]:
    """Grow the trees that tell spoiled photos; return them and their probabilities held out by folds, rows as given."""
    features, way = vectors.fitness, vectors.way
    fold = np.random.default_rng([seed, 5]).permutation(len(way)) % FOLDS
    held_out = np.zeros((len(way), len(WAYS)))

    for index in range(FOLDS):
        out = fold == index
        held_out[out] = softmax(grow_trees(features[~out], way[~out], seed)(features[out]))
    return grow_trees(features, way, seed), held_out


def grow_trees(features: Array, way: Array, seed: int) -> Trees:
    """Grow boosted trees for the log odds of `WAYS` and return them as plain arrays.

    Parameters
    ----------
    features : ndarray, shape (N, F)
    way : ndarray of int, shape (N,)
        Each photo's way; a way without a photo gets no probability worth the name.
    seed : int

    Raises
    ------
    ValueError
        If there are fewer than three ways among the photos: two have one sum of trees, not one each.
    """
    if len(np.unique(way)) < 3:
        raise ValueError("way must hold three ways or more")
    model = GradientBoostingClassifier(random_state=seed, init="zero", **FITNESS_TREES)
    model.fit(features, way)
    # The first node is a leaf of its own, for ways without a photo.
    nothing = np.full(1, NO_PHOTO_LOG_ODDS / len(model.estimators_))
    parts = [(np.zeros(1, np.int16), np.full(1, np.inf), np.zeros((1, 2), np.int32), nothing)]
    roots = np.zeros((len(model.estimators_), len(WAYS)), dtype=np.int32)
    count = 1
    for turn, of_classes in enumerate(model.estimators_):
        for place, grown in zip(model.classes_, of_classes, strict=True):
            tree = grown.tree_
            leaf = tree.children_left < 0
            onward = np.column_stack([tree.children_left, tree.children_right])
            roots[turn, place] = count
            parts.append(
                (
                    np.where(leaf, 0, tree.feature).astype(np.int16),
                    np.where(leaf, np.inf, tree.threshold),
                    (count + np.where(leaf[:, None], np.arange(len(leaf))[:, None], onward)).astype(np.int32),
                    np.where(leaf, model.learning_rate * tree.value[:, 0, 0], 0.0),
                )
            )
            count += len(leaf)
    feature, threshold, children, value = (np.concatenate(each) for each in zip(*parts, strict=True))
    return Trees(features.shape[1], roots, feature, threshold, children, value)


def bare_grader(water: tuple[Network, ...]) -> Grader:
    """Return a grader that can find water and nothing else, for making feature vectors."""
    count = len(FEATURES)
    none = KernelMachine(np.zeros((1, count)), np.zeros(count), 1.0, np.zeros((1, 2)), np.zeros(2))
    blank = Trees(
        len(FITNESS_FEATURES), np.zeros((1, len(WAYS)), int), np.zeros(1, int), np.full(1, np.inf),
        np.zeros((1, 2), int), np.zeros(1),
    )  # fmt: skip
    return Grader(water, blank, Scores(np.zeros((count, 2))), (none, none), (none, none), 0.0, "none", {})


def to_grader(fitted: Fitted) -> Grader:
    """Return a fitted grader as one that grades, as if written and read."""
    m = {name: each.machine for name, each in fitted.machines.items()}
    return Grader(
        fitted.water, fitted.fitness, fitted.scores, (m[MACHINES[0]], m[MACHINES[1]]),
        (m[MACHINES[2]], m[MACHINES[3]]), fitted.unlike, "fitted", {},
    )  # fmt: skip


def arrays_of(fitted: Fitted) -> dict[str, Array]:
    """Return the arrays of the model file."""
    arrays = fitted.fitness.to_arrays("fitness")
    for look, network in enumerate(fitted.water):
        arrays |= network.to_arrays(f"water{look}")
    arrays["knots"] = fitted.scores.knots.astype(np.float32)
    arrays["rows"] = fitted.rows.astype(np.float16)
    arrays["targets"], arrays["groups"] = fitted.targets, fitted.groups.astype(np.int64)
    for name, each in fitted.machines.items():
        arrays[f"{name}.weights"] = each.machine.weights
        arrays[f"{name}.sums"] = each.machine.sums
        arrays[f"{name}.offsets"] = each.machine.offsets
        arrays[f"{name}.levels"] = each.machine.levels
        arrays[f"{name}.votes"], arrays[f"{name}.shares"] = each.machine.votes, each.machine.shares
    return arrays


def about_of(fitted: Fitted, about: dict[str, Any]) -> dict[str, Any]:
    """Return the JSON text of the model file."""
    return {
        "format": FORMAT,
        "features": list(FEATURES),
        "cell_features": list(CELL_FEATURES),
        "fitness_features": list(FITNESS_FEATURES),
        "lengths": {name: each.machine.length for name, each in fitted.machines.items()},
        "noises": {name: each.noise for name, each in fitted.machines.items()},
        "unlike": fitted.unlike,
        "trained_on": "rendered photos only",
        **about,
    }


def write_grader(path: Path, fitted: Fitted, about: dict[str, Any]) -> None:
    """Write the model file; the same grader gives the same bytes."""
    write_arrays(path, arrays_of(fitted), about_of(fitted, about))


def write_arrays(path: Path, arrays: dict[str, Array], about: dict[str, Any]) -> None:
    """Write arrays and a JSON text as an .npz file without dates, so that the same gives the same bytes."""
    arrays = {**arrays, "about": np.frombuffer(json.dumps(about, sort_keys=True).encode("utf-8"), dtype=np.uint8)}
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name in sorted(arrays):
            # A fixed date: numpy's own writer would stamp the hour.
            entry = zipfile.ZipInfo(f"{name}.npy", date_time=(2000, 1, 1, 0, 0, 0))
            entry.compress_type = zipfile.ZIP_DEFLATED
            with archive.open(entry, "w") as stream:
                np.lib.format.write_array(stream, np.ascontiguousarray(arrays[name]), allow_pickle=False)
