"""The model of a camera undone: tone curve, gains, light over the card, colour matrix; and its fit to patches.

In: log levels of the patches as photographed, their places and reference colours. Out: the model's terms, by damped
Gauss-Newton with Huber weights, many fits at once.

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
    axes = np.eye(3) * step
    one = np.stack([colour.delta_e00(lab, lab + axis) ** 2 for axis in axes], axis=-1)
    form = np.zeros((len(lab), 3, 3))
    for i in range(3):
        form[:, i, i] = one[:, i]
        for j in range(i):
            both = colour.delta_e00(lab, lab + axes[i] + axes[j]) ** 2
            form[:, i, j] = form[:, j, i] = (both - one[:, i] - one[:, j]) / 2
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

    def residuals(self, theta: Array) -> tuple[Array, Array, Array]:
        """Return residuals (F, N, 3) [CIEDE2000], their Jacobian (F, N, 3, P) and colours (F, N, 3)."""
        gain, tone, grad = theta[:, None, :3], theta[:, None, None, 3:6], theta[:, 6:HEAD]
        s = self.s[None]
        light = grad @ self.place.T
        u = MID_GREY * np.exp(gain + tone_curve(s, tone) - light[:, :, None])
        folds, count = theta.shape[0], self.s.shape[0]
        phi = channel_terms(u, max(self.terms, 3))
        # d u_c / d (gain_c, tone, gradient), one channel each.
        powers = np.stack([s, s**2, s**3], axis=-1)
        du_tone = u[..., None] * powers
        du_grad = -u[..., None] * self.place[None, :, None, :]
        # d r / d u: the mix, roots included.
        dr_du = np.zeros((folds, count, 3, 3))
        mix = np.zeros((folds, 3, max(self.terms, 3)))
        if self.terms:
            width = self.terms - 1
            for c in range(3):
                others = [j for j in range(self.terms) if j != c]
                mix[:, c, others] = theta[:, HEAD + c * width : HEAD + (c + 1) * width]
        own = 1 - mix.sum(axis=2)
        r = u * own[:, None, :] + phi @ mix.transpose(0, 2, 1)
        dr_du[...] = mix[:, None, :, :3]
        for c in range(3):
            dr_du[:, :, c, c] += own[:, None, c]
        if self.terms == 6:
            for k, (i, j) in enumerate(((0, 1), (0, 2), (1, 2))):
                root = np.maximum(phi[..., 3 + k], 1e-9)
                dr_du[..., i] += mix[:, None, :, 3 + k] * (0.5 * u[..., j] / root)[..., None]
                dr_du[..., j] += mix[:, None, :, 3 + k] * (0.5 * u[..., i] / root)[..., None]
        dr = np.zeros((folds, count, 3, theta.shape[1]))
        dr[..., :3] = dr_du * u[:, :, None, :]
        dr[..., 3:6] = dr_du @ du_tone
        dr[..., 6:HEAD] = dr_du @ du_grad
        if self.terms:
            width = self.terms - 1
            for c in range(3):
                others = [j for j in range(self.terms) if j != c]
                dr[..., c, HEAD + c * width : HEAD + (c + 1) * width] = phi[..., others] - u[..., c : c + 1]
        lab, dlab = lab_and_slope(r)
        error = (self.metric @ (lab - self.lab)[..., None])[..., 0]
        slope = (self.metric @ dlab) @ dr
        return error, slope, r


def lab_and_slope(linear_rgb: Array) -> tuple[Array, Array]:
    """Return CIELAB of linear sRGB and its derivative, shapes (..., 3) and (..., 3, 3)."""
    matrix = colour.RGB_TO_XYZ / colour.WHITE_D65_XYZ[:, None]
    t = linear_rgb @ matrix.T
    high = t > colour.LAB_EPSILON
    root = np.cbrt(np.where(high, t, 1.0))
    f = np.where(high, root, (colour.LAB_KAPPA * t + 16) / 116)
    df = np.where(high, 1 / (3 * root**2), colour.LAB_KAPPA / 116)
    mixing = np.array([[0, 116, 0], [500, -500, 0], [0, 200, -200.0]])
    lab = f @ mixing.T - np.array([16.0, 0, 0])
    return lab, mixing @ (df[..., None] * matrix)


def light_slope(theta: Array) -> Array:
    """Return the slope of log light over the card along x and y (each -1 to 1), shape (2,)."""
    return np.asarray(split_terms(theta)[2][:2], dtype=np.float64)


def huber_weights(error: Array) -> Array:
    """Return how much each residual counts: 1, and less beyond `OUTLIER_DELTA_E00`, shape (..., N)."""
    size = np.linalg.norm(error, axis=-1)
    return np.asarray(np.minimum(1, OUTLIER_DELTA_E00 / np.maximum(size, 1e-9)), dtype=np.float64)


def terms_covariance(problem: Problem, theta: Array, weights: Array, sigma: float) -> Array:
    """Return the covariance of fitted terms, shape (P, P).

    Parameters
    ----------
    problem : Problem
        What was fitted.
    theta : ndarray, shape (P,)
        Its terms.
    weights : ndarray, shape (N,)
        How much each patch counted.
    sigma : float
        Standard deviation of a residual's component [CIEDE2000].
    """
    slope = problem.residuals(theta[None])[1][0]
    rows = slope.reshape(-1, len(theta))
    normal = (rows * np.repeat(weights, 3)[:, None]).T @ rows / sigma**2
    return np.asarray(np.linalg.inv(normal + np.diag(1 / problem.priors() ** 2)), dtype=np.float64)


def solve(problem: Problem, theta: Array, weights: Array, steps: int) -> tuple[Array, Array, Array]:
    """Fit all folds at once by damped Gauss-Newton with Huber weights.

    `theta` is (F, P), `weights` (F, N). Returns terms, residuals and colours of every fold.
    """
    precision = np.diag(1 / problem.priors() ** 2)
    error, slope, r = problem.residuals(theta)
    damping = np.full(len(theta), 1e-3)
    cost = _cost(error, weights, theta, precision)
    for _ in range(steps):
        w = weights * huber_weights(error) / PATCH_SIGMA**2
        # A plain product of matrices: residuals of all patches in one column.
        rows = slope.reshape(len(theta), -1, theta.shape[1])
        turned = (rows * np.repeat(w, 3, axis=1)[..., None]).transpose(0, 2, 1)
        normal = turned @ rows + precision
        pull = (turned @ error.reshape(len(theta), -1, 1))[..., 0] + theta @ precision
        scale = np.einsum("fpp->fp", normal)[:, :, None] * np.eye(theta.shape[1])
        step = np.linalg.solve(normal + damping[:, None, None] * scale, pull[..., None])[..., 0]
        tried = theta - step
        error_t, slope_t, r_t = problem.residuals(tried)
        cost_t = _cost(error_t, weights, tried, precision)
        better = cost_t < cost
        theta = np.where(better[:, None], tried, theta)
        error = np.where(better[:, None, None], error_t, error)
        slope = np.where(better[:, None, None, None], slope_t, slope)
        r = np.where(better[:, None, None], r_t, r)
        gain = cost - cost_t
        cost = np.where(better, cost_t, cost)
        damping = np.where(better, damping / 10, damping * 10)
        if np.all(np.abs(gain) < 1e-4 * cost):
            break
    return theta, error, r


def _cost(error: Array, weights: Array, theta: Array, precision: Array) -> Array:
    size = np.linalg.norm(error, axis=2)
    corner = OUTLIER_DELTA_E00
    huber = np.where(size < corner, size**2, 2 * corner * size - corner**2)
    total = (weights * huber).sum(axis=1) / PATCH_SIGMA**2 + np.einsum("fp,pq,fq->f", theta, precision, theta)
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
