"""Run fitted boosted trees from plain arrays: loading them executes no code.

In: a mapping of arrays as read from an .npz file without pickles. Out: `Trees`, which maps features to the log odds of
each class. The trees are grown with scikit-learn (models/training); here they are only walked through, so that scoring
needs no scikit-learn at all.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vision.errors import DesignInvalid

Array = NDArray[Any]


@dataclass(frozen=True)
class Trees:
    """Trees of which each adds its leaf's value to the log odds of one class.

    Attributes
    ----------
    width : int
        Features a photo.
    roots : ndarray of int, shape (rounds, classes)
        Node that each tree begins at.
    feature : ndarray of int, shape (nodes,)
        The feature asked at each node.
    threshold : ndarray, shape (nodes,)
        Up to this value one goes on to the first child; infinite at leaves.
    children : ndarray of int, shape (nodes, 2)
        Nodes gone on to; a leaf's are itself.
    value : ndarray, shape (nodes,)
        What a leaf adds.
    """

    width: int
    roots: Array
    feature: Array
    threshold: Array
    children: Array
    value: Array

    def __call__(self, features: Array) -> Array:
        """Return the log odds of the classes before any squashing.

        Parameters
        ----------
        features : ndarray, shape (N, F)

        Returns
        -------
        ndarray, shape (N, classes)

        References
        ----------
        Friedman (2001), Annals of Statistics 29:1189, section 4.6 (one sum of trees a class).
        """
        # Trees are grown on features of single precision, and asked with such.
        asked = np.asarray(features, dtype=np.float32)
        rows = np.arange(len(asked))[:, None]
        here = np.broadcast_to(self.roots.ravel(), (len(asked), self.roots.size))
        while True:
            beyond = asked[rows, self.feature[here]] > self.threshold[here]
            onward = self.children[here, beyond.astype(np.intp)]
            if np.array_equal(onward, here):
                break
            here = onward
        each = self.value[here].reshape(len(asked), *self.roots.shape)
        return np.asarray(each.sum(axis=1), dtype=np.float64)

    def to_arrays(self, prefix: str) -> dict[str, Array]:
        """Return the trees as named arrays, for one .npz file."""
        parts = {name: getattr(self, name) for name in ("roots", "feature", "threshold", "children", "value")}
        return {f"{prefix}.{name}": part for name, part in parts.items()} | {f"{prefix}.width": np.array([self.width])}


def trees_of(arrays: Mapping[str, Any], prefix: str) -> Trees:
    """Return the trees stored under `prefix`.

    Raises
    ------
    DesignInvalid
        If arrays are missing, not numbers, do not fit each other, or lead round in a circle.
    """
    try:
        roots, feature, threshold, children, value, width = (
            np.asarray(arrays[f"{prefix}.{name}"])
            for name in ("roots", "feature", "threshold", "children", "value", "width")
        )
    except KeyError as error:
        raise DesignInvalid(f"The model file holds no trees {prefix!r}.", "Install Turnblue again.") from error
    nodes = np.arange(feature.size)
    sound = all(each.dtype.kind in "iu" for each in (roots, feature, children, width)) and roots.ndim == 2
    sound = sound and feature.shape == threshold.shape == value.shape == nodes.shape and width.shape == (1,)
    sound = sound and children.shape == (nodes.size, 2) and roots.size > 0 and nodes.size > 0
    sound = sound and threshold.dtype.kind == "f" and value.dtype.kind == "f" and bool(np.isfinite(value).all())
    if sound:
        # Children stand after their parent, so that every walk ends; a leaf is its own.
        leaf = (children == nodes[:, None]).all(axis=1)
        sound = bool((leaf | (children > nodes[:, None]).all(axis=1)).all()) and bool((children < nodes.size).all())
        sound = sound and bool(((roots >= 0) & (roots < nodes.size)).all()) and not np.isnan(threshold).any()
        sound = sound and bool(((feature >= 0) & (feature < width)).all())
    if not sound:
        raise DesignInvalid(f"The trees {prefix!r} of the model file are damaged.", "Install Turnblue again.")
    return Trees(int(width[0]), roots, feature, threshold, children, value)
