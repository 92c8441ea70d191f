"""What is open about the water's colour, carried on to its grades: features at other colours, distributions made wider.

In: a photo's feature vector and the covariance of its water's colour beyond what the grader was fitted with. Out: the
same features at six colours that the water may truly have; and distributions over steps, blurred by what the grader
says of them. The grader knows the errors of the photos it was fitted on; what comes on top, such as a print that was
never measured, widens every interval here.
"""

from __future__ import annotations

import math
import re
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vision import colour
from vision.depthprofile import DARK
from vision.features import FEATURES

Array = NDArray[Any]

CHANNELS = "rgb"
_LIGHTNESS = [FEATURES.index(name) for name in ("L", "L_low", "L_high")]
_CHROMA = [FEATURES.index(name) for name in ("a", "b")]
_G_OVER_R, _B_OVER_G = (
    [index for index, name in enumerate(FEATURES) if name.startswith(ratio)] for ratio in ("log_g_r", "log_b_g")
)
_LEVEL_NAME = re.compile("(?:log|deep)_([rgb])(?:_(?:near_)?p[0-9]+)?")
_LEVELS_NAMED = [(index, named) for index, name in enumerate(FEATURES) if (named := _LEVEL_NAME.fullmatch(name))]
_LEVELS = [index for index, _ in _LEVELS_NAMED]
_LEVEL_CHANNELS = [CHANNELS.index(named[1]) for _, named in _LEVELS_NAMED]
"""Places of the features that a shift of the colour moves, and the channel of each log level."""
LEAST_SD = 1e-3
"""Spread of the middle [natural log] below which nothing is widened: a thousandth of the value."""


def shifted_features(features: Array, linear_rgb: Array, covariance: Array) -> Array:
    """Return features at colours one standard deviation off along the covariance's axes, both ways, shape (6, F).

    Parameters
    ----------
    features : ndarray, shape (F,)
        From `features.features_of`.
    linear_rgb : ndarray, shape (3,)
        The water's middle colour, linear sRGB.
    covariance : ndarray, shape (3, 3)
        Of its CIELAB.

    Notes
    -----
    The whole picture's colours move alike, as a wrong reference would move them: by a gain a channel. Differences
    within the water stay.
    """
    lab = colour.linear_rgb_to_lab(np.maximum(linear_rgb, DARK))
    values, vectors = np.linalg.eigh(covariance)
    axes = (vectors * np.sqrt(np.maximum(values, 0))).T
    return np.stack([_shifted(features, lab, shift) for axis in axes for shift in (axis, -axis)])


def _shifted(features: Array, lab: Array, shift: Array) -> Array:
    """Return the features of water whose CIELAB is `shift` further."""
    before = np.maximum(colour.lab_to_linear_rgb(lab), DARK / 2)
    after = np.maximum(colour.lab_to_linear_rgb(np.array([max(lab[0] + shift[0], 1), *(lab + shift)[1:]])), DARK / 2)
    gain = after / before
    move = np.log((after + DARK) / (before + DARK))
    row = features.copy()
    row[_LIGHTNESS] += shift[0]
    row[_CHROMA] += shift[1:]
    row[_G_OVER_R] += move[1] - move[0]
    row[_B_OVER_G] += move[2] - move[1]
    level = np.maximum(np.exp(row[_LEVELS]) - DARK, 0.0)
    row[_LEVELS] = np.log(level * gain[_LEVEL_CHANNELS] + DARK)
    return row


def spread_by_colour(middles: Array) -> float:
    """Return the standard deviation of a figure's logarithm by the colour, from its middles at the six colours."""
    logs = np.log(np.asarray(middles, dtype=np.float64)).reshape(-1, 2)
    return float(np.sqrt((((logs[:, 0] - logs[:, 1]) / 2) ** 2).sum()))


def blurred(steps: Array, bounds: Array, sd_log: float) -> Array:
    """Return a distribution over steps made wider by a normal spread of the figure's logarithm.

    Parameters
    ----------
    steps : ndarray, shape (K,)
        Probabilities; even in the logarithm inside a step.
    bounds : ndarray, shape (K + 1,)
        Bounds of the steps.
    sd_log : float
        Standard deviation [natural log].

    Returns
    -------
    ndarray, shape (K,)
        Sums to what `steps` sums to; what would leave the range stays in its end steps.
    """
    if sd_log < LEAST_SD:
        return steps
    logs = np.log(bounds)
    inside = (np.arange(8) + 0.5) / 8
    starts = logs[:-1, None] + np.diff(logs)[:, None] * inside
    reach = (logs[None, None, 1:-1] - starts[..., None]) / (sd_log * math.sqrt(2))
    below = (0.5 * (1 + _erf(reach))).mean(axis=1)
    cumulative = np.concatenate([[0.0], steps @ below, [steps.sum()]])
    return np.asarray(np.diff(cumulative), dtype=np.float64)


def _erf(values: Array) -> Array:
    """Return the error function, at most 1.5e-7 off (Abramowitz & Stegun 1964, eq. 7.1.26)."""
    size = np.abs(values)
    t = 1 / (1 + 0.3275911 * size)
    fall = t * (0.254829592 + t * (-0.284496736 + t * (1.421413741 + t * (-1.453152027 + t * 1.061405429))))
    return np.asarray(np.sign(values) * (1 - fall * np.exp(-(size**2))))
