"""Run a small fitted network from plain arrays: loading one executes no code.

In: a mapping of arrays as read from an .npz file without pickles. Out: `Network`, which maps features to the network's
outputs. The networks are fitted with scikit-learn (models/training); here they are only multiplied out, so that scoring
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

CLIP = 6.0
"""Standard deviations from the training mean at which a feature is held: the project's own."""


@dataclass(frozen=True)
class Network:
    """A multilayer perceptron with rectified hidden layers.

    Attributes
    ----------
    mean, scale : ndarray, shape (F,)
        Features are standardised by these.
    weights, biases : tuple of ndarray
        Of each layer, shapes (in, out) and (out,).
    """

    mean: Array
    scale: Array
    weights: tuple[Array, ...]
    biases: tuple[Array, ...]

    def __call__(self, features: Array) -> Array:
        """Return the last layer's values before any squashing.

        Parameters
        ----------
        features : ndarray, shape (N, F)

        Returns
        -------
        ndarray, shape (N, outputs)
        """
        # What lies far outside the training photos counts as their edge: the network must not run on wildly.
        hidden = np.asarray(features, dtype=np.float32) - self.mean.astype(np.float32, copy=False)
        hidden *= 1 / self.scale.astype(np.float32, copy=False)
        np.clip(hidden, -CLIP, CLIP, out=hidden)
        last = len(self.weights) - 1
        for index, (weight, bias) in enumerate(zip(self.weights, self.biases, strict=True)):
            hidden = hidden @ weight.astype(np.float32, copy=False)
            hidden += bias.astype(np.float32, copy=False)
            if index < last:
                np.maximum(hidden, 0, out=hidden)
        return np.asarray(hidden, dtype=np.float64)

    def to_arrays(self, prefix: str) -> dict[str, Array]:
        """Return the network as named arrays, for one .npz file."""
        named = {f"{prefix}.mean": self.mean, f"{prefix}.scale": self.scale}
        for index, (weight, bias) in enumerate(zip(self.weights, self.biases, strict=True)):
            named[f"{prefix}.weight{index}"] = weight
            named[f"{prefix}.bias{index}"] = bias
        return named


def network_of(arrays: Mapping[str, Any], prefix: str) -> Network:
    """Return the network stored under `prefix`.

    Raises
    ------
    DesignInvalid
        If arrays are missing, not numbers, or do not fit each other.
    """
    weights: list[Array] = []
    biases: list[Array] = []
    while f"{prefix}.weight{len(weights)}" in arrays:
        index = len(weights)
        weights.append(np.asarray(arrays[f"{prefix}.weight{index}"]))
        biases.append(np.asarray(arrays.get(f"{prefix}.bias{index}", np.empty(0))))
    try:
        mean, scale = np.asarray(arrays[f"{prefix}.mean"]), np.asarray(arrays[f"{prefix}.scale"])
    except KeyError as error:
        raise DesignInvalid(f"The model file holds no network {prefix!r}.", "Install Turnblue again.") from error
    width = mean.size
    sound = bool(weights) and mean.shape == scale.shape == (width,)
    for weight, bias in zip(weights, biases, strict=True):
        sound = sound and weight.ndim == 2 and weight.shape[0] == width and bias.shape == (weight.shape[1],)
        width = weight.shape[1] if weight.ndim == 2 else -1
    everything = [mean, scale, *weights, *biases]
    if not sound or not all(a.dtype.kind == "f" and np.isfinite(a).all() for a in everything) or (scale <= 0).any():
        raise DesignInvalid(f"The network {prefix!r} of the model file is damaged.", "Install Turnblue again.")
    return Network(mean, scale, tuple(weights), tuple(biases))


def softmax(values: Array) -> Array:
    """Return the rows of `values`, shape (N, K), as probabilities."""
    shifted = np.exp(values - values.max(axis=-1, keepdims=True))
    return np.asarray(shifted / shifted.sum(axis=-1, keepdims=True), dtype=np.float64)
