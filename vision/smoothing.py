"""What the model leaves of the patches, spread smoothly over the colours between them (kriging in CIELAB).

In: patches as the model corrects them, and what is left to their references. Out: `Smoothing`, which moves a colour by
what is left of the patches near it; far from all patches it moves nothing. Used only where the references are known
of the print itself (the 24-patch chart, a measured card): on an unmeasured print it would copy the printer's error.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vision import colour

Array = NDArray[Any]

REACH_LAB = 25.0
"""How far in CIELAB what is left of a patch speaks for other colours (lightness counts half)."""
NOISE_SHARE = 0.7
"""Standard deviation of a patch's own error over that of the smooth part. Both are from leave-one-out trials on 48
photos by spectral cameras (rendered), 16 of rendered scenes and 7 real ones of the chart; 15 to 40 and 0.5 to 1 do as
well within 0.1 CIEDE2000."""
LIGHTNESS_SHARE = 0.5

BINS = 32
"""Steps a channel of the table by which pictures are smoothed: a step moves a correction by under 0.2 CIEDE2000."""


@dataclass(frozen=True)
class Smoothing:
    """Patches as corrected, `knots_lab`, shape (N, 3), and the weight of each in what is left, shape (N, 3)."""

    knots_lab: Array
    weights: Array

    def apply(self, linear_rgb: Array) -> Array:
        """Return colours moved by what is left of the patches near them, linear sRGB, shape (..., 3)."""
        flat = np.asarray(linear_rgb, dtype=np.float64).reshape(-1, 3)
        lab = colour.linear_rgb_to_lab(flat)
        moved = lab + kernel(lab, self.knots_lab) @ self.weights
        return colour.lab_to_linear_rgb(moved).reshape(np.shape(linear_rgb))


def kernel(one: Array, other: Array) -> Array:
    """Return how alike colours are, 1 where equal, shape (..., N, M), of CIELAB (..., N, 3) and (..., M, 3)."""
    scale = np.array([LIGHTNESS_SHARE, 1, 1]) / REACH_LAB
    a, b = one * scale, other * scale
    squared = (a**2).sum(axis=-1)[..., :, None] + (b**2).sum(axis=-1)[..., None, :] - 2 * a @ np.swapaxes(b, -1, -2)
    return np.asarray(np.exp(-np.maximum(squared, 0) / 2), dtype=np.float64)


def smoothing_of(corrected_lab: Array, reference_lab: Array, counted: Array) -> Smoothing:
    """Return the smoothing of one fit, or of many at once (its arrays then have their axes in front).

    Parameters
    ----------
    corrected_lab : ndarray, shape (..., N, 3)
        Patches as the model corrects them.
    reference_lab : ndarray, shape (N, 3)
        Their references.
    counted : ndarray, shape (..., N)
        How much each patch counts, 0 to 1: nought where it is left out.
    """
    noise = NOISE_SHARE**2 / np.maximum(counted, 1e-6)
    system = kernel(corrected_lab, corrected_lab) + noise[..., :, None] * np.eye(len(reference_lab))
    return Smoothing(corrected_lab, np.linalg.solve(system, reference_lab - corrected_lab))
