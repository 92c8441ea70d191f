"""How sure a normalised colour is: what the terms, the patches' own errors and the card's reach leave open.

In: a colour's slope by the fitted terms, their covariance, and where the colour lies among the patches. Out:
`ColourUncertainty`, CIELAB with its covariance. Four parts add up as variances: the terms' spread at this colour, what
the model leaves of patches it was fitted on (camera metamerism, print), the distance outside the patches' hull, and
the noise of the sampled pixels. The error of an unmeasured print comes on top: it moves all patches alike, so that no
residual shows it.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vision.colourmodel import metric_at

Array = NDArray[Any]

UNMEASURED_PRINT_DELTA_E00 = 3.0
"""Standard deviation of a printed patch about its design where the print was never measured [CIEDE2000]: desk
printers without a profile of their paper (common practice, no source)."""

TRAINED_PRINT_DELTA_E00 = 2.2
"""The same of the rendered cards that the grader was fitted on [CIEDE2000]: 0.9 times 2 to 3, the simulator's own. What
an unmeasured print has beyond this widens the grader's intervals."""

PROFILE_DELTA_E00 = 1.0
"""What a colour profile that could not be read leaves once the card has set the colours right [CIEDE2000] (our own)."""

CHART_DELTA_E00 = 1.0
"""The same of a manufactured 24-patch chart about its published colours: of order 1 to 2 (from memory)."""

LEAST_STRUCTURE_DELTA_E00 = 0.5
"""Least error of the model at a colour it was not fitted on [CIEDE2000]: JPEG and demosaicing alone leave this
(the project's own)."""

OTHER_SURFACES = 1.25
"""What the model leaves of other surfaces over what it leaves of patches it was fitted on: patches left out say 1.15,
rendered pigments 1.4 (`python -m tests.vision.test_uncertainty` prints how it holds)."""

HULL_SLOPE = 0.12
"""Standard deviation that a colour gains with each CIELAB unit outside the patches' hull: from rendered cameras
(`tests/vision/test_uncertainty.py` holds it against them)."""

HULL_DIRECTIONS = 400
"""Directions by which the distance outside the hull is taken; so many miss it by under 1 %."""


@dataclass(frozen=True)
class ColourUncertainty:
    """Normalised colours with what is open about them.

    Attributes
    ----------
    lab : ndarray, shape (..., 3)
        CIELAB (D65).
    covariance : ndarray, shape (..., 3, 3)
        Of `lab`.
    """

    lab: Array
    covariance: Array

    @property
    def delta_e00_sd(self) -> Array:
        """Return the root mean square CIEDE2000 that these colours may be off by, shape (...)."""
        metric = metric_at(self.lab.reshape(-1, 3))
        flat = self.covariance.reshape(-1, 3, 3)
        variance: Array = np.einsum("nij,njk,nik->n", metric, flat, metric)
        return np.asarray(np.sqrt(variance).reshape(self.lab.shape[:-1]), dtype=np.float64)


def structure_sigma(error: Array, weights: Array, terms: int) -> float:
    """Return the standard deviation of a fit's residuals a component [CIEDE2000], outliers capped.

    Parameters
    ----------
    error : ndarray, shape (N, 3)
        Residuals in the metric's axes.
    weights : ndarray, shape (N,)
        1 for a patch that was fitted on, else 0; a fraction for one that counted less.
    terms : int
        Terms fitted.

    Notes
    -----
    The terms' priors take up part of the freedom, so that counting each as one term errs on the wide side; half of
    the components are left at least.
    """
    components = 3 * weights.sum()
    left = max(components - terms, components / 2)
    sigma = float(np.sqrt((weights[:, None] * error**2).sum() / left))
    return max(sigma, LEAST_STRUCTURE_DELTA_E00 / float(np.sqrt(3)))


@cache
def _directions() -> Array:
    """Return unit vectors spread evenly over the sphere (Fibonacci's spiral), shape (`HULL_DIRECTIONS`, 3)."""
    place = np.arange(HULL_DIRECTIONS) + 0.5
    z = 1 - 2 * place / HULL_DIRECTIONS
    angle = np.pi * (1 + 5**0.5) * place
    across = np.sqrt(1 - z**2)
    return np.column_stack([across * np.cos(angle), across * np.sin(angle), z])


def outside_hull(lab: Array, patches_lab: Array) -> Array:
    """Return how far colours lie outside the convex hull of patches [CIELAB units], 0 inside.

    Parameters
    ----------
    lab : ndarray, shape (N, 3)
    patches_lab : ndarray, shape (M, 3)

    Returns
    -------
    ndarray, shape (N,)

    Examples
    --------
    >>> corners = np.array([[0, 0, 0], [10, 0, 0], [0, 10, 0], [0, 0, 10.0]])
    >>> outside_hull(np.array([[1, 1, 1.0], [-5, 0, 0]]), corners).round(1).tolist()
    [0.0, 5.0]
    """
    directions = _directions()
    reach = (patches_lab @ directions.T).max(axis=0)
    return np.asarray(np.maximum((lab @ directions.T - reach).max(axis=1), 0), dtype=np.float64)


def spread_of(sigma: float, lab: Array) -> Array:
    """Return the covariance in CIELAB of an error of `sigma` CIEDE2000 a component, shape (N, 3, 3)."""
    inverse = np.linalg.inv(metric_at(lab))
    return np.asarray(sigma**2 * inverse @ inverse.transpose(0, 2, 1), dtype=np.float64)
