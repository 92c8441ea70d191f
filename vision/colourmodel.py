"""The model of a camera undone: tone curve, gains, light over the card, colour matrix; and its fit to patches.

In: log levels of the patches as photographed, their places and reference colours. Out: the model's terms, by damped
Gauss-Newton with Huber weights, and what they would be without some of the patches, many such fits at once.

The model works in the order a camera works: a tone curve shared by the channels with a gain for each (exposure and
illuminant), the light's gradient over the card, then a colour matrix that leaves white alone:

    u_c = exp(a_c + s_c + b_1 s_c + b_2 s_c^2 + b_3 s_c^3 - g_x x - g_y y),    s_c = log(v_c / 0.18)
    r_c = u_c + sum over j of m_cj (phi_j(u) - u_c)

v is the photographed colour decoded as sRGB, x and y the place on the card (-1 to 1), phi the channels (linear) and,
for the root-polynomial, their pairwise geometric means (Finlayson, Mackiewicz and Hurlbert 2015, degree 2), which keep
the correction independent of exposure. All terms carry a prior centred on "no change", so that a short card or a
dropped patch cannot set them free. Residuals are weighted to CIEDE2000 at each reference colour.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vision import colour

Array = NDArray[Any]
Mask = NDArray[Any]

MID_GREY = 0.18
"""Linear level about which the tone curve is expanded: photographic mid-grey (common practice, no source)."""
DARKEST = 0.0008
"""Linear level below which a channel counts as this dark: a quarter of 8-bit level 1 (IEC 61966-2-1 slope)."""

HEAD = 11
GAIN_SIGMA = 2.0
TONE_SIGMAS = (0.5, 0.12, 0.04)
GRADIENT_SIGMAS = (0.5, 0.5, 0.15, 0.15, 0.15)
MATRIX_SIGMA = 0.25
ROOT_SIGMA = 0.3
"""Standard deviations of the correction's terms before a patch is seen [log units, or shares]: the project's own,
set wide of what phones do."""

PATCH_SIGMA = 1.0
"""Standard deviation of a patch about the model [CIEDE2000] that the priors are weighed against: chart-to-chart
manufacturing spread is of order 1 to 2 (from memory)."""

OUTLIER_DELTA_E00 = 3.0
"""Huber corner [CIEDE2000]: a patch further off than this counts less (about three times `PATCH_SIGMA`)."""


ROOT_PAIRS = ((0, 1), (0, 2), (1, 2))
"""Channels whose geometric means the root-polynomial mixes too."""

XYZ_SHARES: Array = colour.RGB_TO_XYZ / colour.WHITE_D65_XYZ[:, None]
"""Linear sRGB to XYZ as shares of white's."""
ROOTS_TO_LAB: Array = np.array([[0, 116, 0], [500, -500, 0], [0, 200, -200.0]])
LAB_OFFSET: Array = np.array([16.0, 0, 0])
"""CIELAB of the cube roots of those shares (CIE 15:2004, section 8.2.1.1)."""


def light_terms(place: Array) -> Array:
    """Return the terms of the light over the card, shape (N, 5): a plane, and a gentle curve centred on nought."""
    x, y = place.T
    curve = np.column_stack([x * x, x * y, y * y])
    return np.column_stack([x, y, curve - curve.mean(axis=0)])


def log_levels(encoded_rgb: Array) -> Array:
    """Return the log of photographed light over mid-grey, from gamma-encoded colours [0-1], same shape."""
    return np.asarray(np.log(np.maximum(colour.decode_srgb(encoded_rgb), DARKEST) / MID_GREY), dtype=np.float64)


def tone_curve(s: Array, tone: Array) -> Array:
    """Return the log level after the tone curve of terms `tone`, shape (..., 3)."""
    return np.asarray(s + tone[..., 0] * s + tone[..., 1] * s**2 + tone[..., 2] * s**3, dtype=np.float64)


def split_terms(theta: Array) -> tuple[Array, Array, Array, Array]:
    """Return gain (3), tone (3), light over the card (5) and mix (3, 3 or 6) of a vector of terms."""
    rest = theta[HEAD:]
    terms = {0: 3, 6: 3, 15: 6}[rest.size]
    mix = np.zeros((3, terms))
    for c in range(3):
        others = [j for j in range(terms) if j != c]
        if rest.size:
            mix[c, others] = rest[c * len(others) : (c + 1) * len(others)]
    return theta[:3], theta[3:6], theta[6:HEAD], mix


def mixed(u: Array, mix: Array) -> Array:
    """Return colours after the matrix of shape (3, 3 or 6), which leaves greys as they are, shape (..., 3)."""
    phi = channel_terms(u, mix.shape[1])
    return np.asarray(u * (1 - mix.sum(axis=1)) + phi @ mix.T, dtype=np.float64)


def channel_terms(u: Array, count: int) -> Array:
    """Return what the matrix mixes: the channels, and with `count` 6 their pairwise geometric means too."""
    if count == 3:
        return u
    roots = np.sqrt(u[..., [0, 0, 1]] * u[..., [1, 2, 2]])
    return np.concatenate([u, roots], axis=-1)


def metric_at(lab: Array) -> Array:
    """Return the matrices that turn small CIELAB differences into CIEDE2000, shape (N, 3, 3).

    The difference formula is a quadratic form for small steps; its matrix follows from six differences and its
    Cholesky factor gives the weights.
    """
    step = 0.1
    one = np.eye(3)
    pairs = ((0, 1), (0, 2), (1, 2))
    moves = step * np.concatenate([one, [one[i] + one[j] for i, j in pairs]])
    squared = colour.delta_e00(lab[:, None], lab[:, None] + moves) ** 2
    form = np.zeros((len(lab), 3, 3))
    form[:, range(3), range(3)] = squared[:, :3]
    for k, (i, j) in enumerate(pairs):
        form[:, i, j] = form[:, j, i] = (squared[:, 3 + k] - squared[:, i] - squared[:, j]) / 2
    form = form / step**2 + 1e-6 * np.eye(3)
    return np.asarray(np.linalg.cholesky(form).transpose(0, 2, 1), dtype=np.float64)


@dataclass(frozen=True)
class Problem:
    """One card's fit: log levels, places, references and weights of its patches."""

    s: Array
    place: Array
    lab: Array
    metric: Array
    terms: int

    def priors(self) -> Array:
        """Return the standard deviation of each term before a patch is seen, shape (P,)."""
        sigma = [GAIN_SIGMA] * 3 + list(TONE_SIGMAS) + list(GRADIENT_SIGMAS)
        for c in range(3 if self.terms else 0):
            sigma += [MATRIX_SIGMA if j < 3 else ROOT_SIGMA for j in range(self.terms) if j != c]
        return np.asarray(sigma, dtype=np.float64)

    @cached_property
    def _powers(self) -> Array:
        """Return s, its square and its cube, shape (N, 3, 3)."""
        return np.stack([self.s, self.s**2, self.s**3], axis=-1)

    @cached_property
    def _lab_metric(self) -> tuple[Array, Array]:
        """Return what turns CIELAB's three roots into residuals: a matrix (N, 3, 3), and what to take off (N, 3)."""
        return self.metric @ ROOTS_TO_LAB, (self.metric @ (self.lab + LAB_OFFSET)[..., None])[..., 0]

    def _mix(self, theta: Array) -> Array:
        mix = np.zeros((len(theta), 3, max(self.terms, 3)))
        width = self.terms - 1
        for c in range(3 if self.terms else 0):
            mix[:, c, _others(c, self.terms)] = theta[:, HEAD + c * width : HEAD + (c + 1) * width]
        return mix

    def _forward(self, theta: Array) -> tuple[Array, Array, Array, Array, Array, Array, Array]:
        """Return residuals and corrected colours, and what came between: u, phi, mix, the roots and where they hold."""
        light = theta[:, 6:HEAD] @ self.place.T
        log_u = theta[:, None, :3] + self.s + (self._powers @ theta[:, None, 3:6, None])[..., 0] - light[:, :, None]
        u = MID_GREY * np.exp(log_u)
        phi = channel_terms(u, max(self.terms, 3))
        mix = self._mix(theta)
        r = u * (1 - mix.sum(axis=2))[:, None, :] + phi @ mix.transpose(0, 2, 1)
        t = r @ XYZ_SHARES.T
        high = t > colour.LAB_EPSILON
        root = np.cbrt(np.where(high, t, 1.0))
        f = np.where(high, root, (colour.LAB_KAPPA * t + 16) / 116)
        turn, shift = self._lab_metric
        error = (turn @ f[..., None])[..., 0] - shift
        return error, r, u, phi, mix, root, high

    def errors(self, theta: Array) -> tuple[Array, Array]:
        """Return residuals (F, N, 3) [CIEDE2000] and corrected colours (F, N, 3), without their slopes."""
        error, r, *_ = self._forward(theta)
        return error, r

    def residuals(self, theta: Array) -> tuple[Array, Array, Array]:
        """Return residuals (F, N, 3) [CIEDE2000], their Jacobian (F, N, 3, P) and colours (F, N, 3)."""
        error, r, u, phi, mix, root, high = self._forward(theta)
        df = np.where(high, 1 / (3 * root**2), colour.LAB_KAPPA / 116)
        # d error / d r, then / d log u: the mix, its own terms' roots included.
        by_r = (self._lab_metric[0] * df[..., None, :]) @ XYZ_SHARES
        dr_du = np.repeat(mix[:, None, :, :3], u.shape[1], axis=1)
        dr_du[..., range(3), range(3)] += (1 - mix.sum(axis=2))[:, None]
        if self.terms == 6:
            for k, (i, j) in enumerate(ROOT_PAIRS):
                root_u = np.maximum(phi[..., 3 + k], 1e-9)
                dr_du[..., i] += mix[:, None, :, 3 + k] * (0.5 * u[..., j] / root_u)[..., None]
                dr_du[..., j] += mix[:, None, :, 3 + k] * (0.5 * u[..., i] / root_u)[..., None]
        by_log_u = (by_r @ dr_du) * u[:, :, None, :]
        slope = np.empty((*error.shape, theta.shape[1]))
        slope[..., :3] = by_log_u
        slope[..., 3:6] = by_log_u @ self._powers
        slope[..., 6:HEAD] = -by_log_u.sum(axis=-1)[..., None] * self.place[:, None, :]
        width = self.terms - 1
        for c in range(3 if self.terms else 0):
            moved = phi[..., _others(c, self.terms)] - u[..., c : c + 1]
            slope[..., HEAD + c * width : HEAD + (c + 1) * width] = by_r[..., c, None] * moved[..., None, :]
        return error, slope, r


def _others(channel: int, terms: int) -> list[int]:
    return [j for j in range(terms) if j != channel]


def lab_and_slope(linear_rgb: Array) -> tuple[Array, Array]:
    """Return CIELAB of linear sRGB and its derivative, shapes (..., 3) and (..., 3, 3)."""
    t = linear_rgb @ XYZ_SHARES.T
    high = t > colour.LAB_EPSILON
    root = np.cbrt(np.where(high, t, 1.0))
    f = np.where(high, root, (colour.LAB_KAPPA * t + 16) / 116)
    df = np.where(high, 1 / (3 * root**2), colour.LAB_KAPPA / 116)
    return f @ ROOTS_TO_LAB.T - LAB_OFFSET, ROOTS_TO_LAB @ (df[..., None] * XYZ_SHARES)


def light_slope(theta: Array) -> Array:
    """Return the slope of log light over the card along x and y (each -1 to 1), shape (2,)."""
    return np.asarray(split_terms(theta)[2][:2], dtype=np.float64)


def huber_weights(error: Array) -> Array:
    """Return how much each residual counts: 1, and less beyond `OUTLIER_DELTA_E00`, shape (..., N)."""
    size = np.sqrt((error * error).sum(axis=-1))
    return np.asarray(np.minimum(1, OUTLIER_DELTA_E00 / np.maximum(size, 1e-9)), dtype=np.float64)


@dataclass(frozen=True)
class Solved:
    """A fit: its terms (P,), residuals (N, 3) [CIEDE2000], their slopes (N, 3, P) and the patches corrected (N, 3)."""

    terms: Array
    error: Array
    slope: Array
    colours: Array


def terms_covariance(problem: Problem, fitted: Solved, weights: Array, sigma: float) -> Array:
    """Return the covariance of fitted terms, shape (P, P).

    Parameters
    ----------
    problem : Problem
        What was fitted.
    fitted : Solved
        From `solve`.
    weights : ndarray, shape (N,)
        How much each patch counted.
    sigma : float
        Standard deviation of a residual's component [CIEDE2000].
    """
    rows = fitted.slope.reshape(-1, len(fitted.terms))
    normal = (rows * np.repeat(weights, 3)[:, None]).T @ rows / sigma**2
    return np.asarray(np.linalg.inv(normal + np.diag(1 / problem.priors() ** 2)), dtype=np.float64)


def solve(problem: Problem, theta: Array, weights: Array, steps: int) -> Solved:
    """Fit by damped Gauss-Newton with Huber weights.

    Parameters
    ----------
    problem : Problem
        What is fitted.
    theta : ndarray, shape (P,)
        Terms to begin with.
    weights : ndarray, shape (N,)
        How much each patch counts.
    steps : int
        Most steps taken.
    """
    precision = 1 / problem.priors() ** 2
    diagonal = np.arange(len(theta))
    error, slope, colours = (each[0] for each in problem.residuals(theta[None]))
    damping = 1e-3
    cost = _cost(error[None], weights, theta[None], precision)[0]
    for _ in range(steps):
        w = weights * huber_weights(error) / PATCH_SIGMA**2
        # A plain product of matrices: residuals of all patches in one column.
        rows = slope.reshape(-1, len(theta))
        turned = (rows * np.repeat(w, 3)[:, None]).T
        normal = turned @ rows
        normal[diagonal, diagonal] = (normal[diagonal, diagonal] + precision) * (1 + damping)
        tried = theta - np.linalg.solve(normal, turned @ error.ravel() + theta * precision)
        error_t, slope_t, colours_t = (each[0] for each in problem.residuals(tried[None]))
        cost_t = _cost(error_t[None], weights, tried[None], precision)[0]
        gain = cost - cost_t
        if gain > 0:
            theta, error, slope, colours, cost = tried, error_t, slope_t, colours_t, cost_t
        damping *= 0.1 if gain > 0 else 10
        if abs(gain) < 1e-4 * cost:
            break
    return Solved(theta, error, slope, colours)


def solve_near(problem: Problem, whole: Solved, weights: Array, steps: int) -> tuple[Array, Array]:
    """Fit folds that differ little from one fit, by Gauss-Newton along that fit's slopes.

    The slopes are taken once, where all folds begin. Leaving out a patch or an eighth of them moves the terms so little
    that two or three steps settle to what `solve` gives, at a fraction of its time.

    Parameters
    ----------
    problem : Problem
        What was fitted.
    whole : Solved
        The whole fit.
    weights : ndarray, shape (F, N)
        How much each patch counts in each fold.
    steps : int
        Steps taken; a fold that a step makes worse stays where it was.

    Returns
    -------
    error, colours : ndarray, shape (F, N, 3)
        Residuals and corrected colours of every fold.
    """
    precision = 1 / problem.priors() ** 2
    folds, terms = len(weights), len(whole.terms)
    diagonal = np.arange(terms)
    rows = whole.slope.reshape(-1, terms)
    products = (whole.slope.transpose(0, 2, 1) @ whole.slope).reshape(len(whole.slope), -1)
    here = np.repeat(whole.terms[None], folds, axis=0)
    error, r = np.repeat(whole.error[None], folds, axis=0), np.repeat(whole.colours[None], folds, axis=0)
    cost = _cost(error, weights, here, precision)
    w = weights * huber_weights(error) / PATCH_SIGMA**2
    normal = (w @ products).reshape(folds, terms, terms)
    normal[:, diagonal, diagonal] += precision
    normal[:, diagonal, diagonal] *= 1 + 1e-3
    inverse = np.linalg.inv(normal)
    for _ in range(steps):
        pull = (error * w[..., None]).reshape(folds, -1) @ rows + here * precision
        tried = here - (inverse @ pull[..., None])[..., 0]
        error_t, r_t = problem.errors(tried)
        cost_t = _cost(error_t, weights, tried, precision)
        better = cost_t < cost
        here = np.where(better[:, None], tried, here)
        error = np.where(better[:, None, None], error_t, error)
        r = np.where(better[:, None, None], r_t, r)
        gain = cost - cost_t
        cost = np.where(better, cost_t, cost)
        if np.all(gain < 1e-4 * cost):
            break
        w = weights * huber_weights(error) / PATCH_SIGMA**2
    return error, r


def _cost(error: Array, weights: Array, theta: Array, precision: Array) -> Array:
    size = np.sqrt((error * error).sum(axis=2))
    corner = OUTLIER_DELTA_E00
    huber = np.where(size < corner, size**2, 2 * corner * size - corner**2)
    total = (weights * huber).sum(axis=1) / PATCH_SIGMA**2 + theta**2 @ precision
    return np.asarray(np.where(np.isfinite(total), total, np.inf), dtype=np.float64)


def widened(theta: Array, terms: int) -> Array:
    """Return the terms of a model with a linear matrix as those of another, to begin its fit with.

    Parameters
    ----------
    theta : ndarray, shape (HEAD + 6,)
        Of the linear model.
    terms : int
        Of the other model: 0, 3 or 6.
    """
    if terms == 3:
        return theta
    whole = np.zeros(HEAD + {0: 0, 6: 15}[terms])
    whole[:HEAD] = theta[:HEAD]
    if terms == 6:
        # Each channel mixes five others: the two channels first, then the roots.
        whole[HEAD:].reshape(3, 5)[:, :2] = theta[HEAD:].reshape(3, 2)
    return whole


def start(terms: int, s: Array, lab: Array, usable: Mask) -> Array:
    """Begin with the gains that bring the usable patches to their references in the mean."""
    theta = np.zeros(HEAD + {0: 0, 3: 6, 6: 15}[terms])
    reference = np.maximum(colour.lab_to_linear_rgb(lab), 0.01)
    theta[:3] = np.median((np.log(reference / MID_GREY) - s)[usable], axis=0)
    return theta
