"""Camera colours to reference colours: fit a correction on the card's patches, test it held out, apply it.

In: the patches of a card as photographed and as designed. Out: `ColourFit`, which corrects pixels, knows the
CIEDE2000 of every patch when it was left out of the fit, and never extrapolates past the tones it saw.

The model undoes a camera in the order a camera works: a tone curve shared by the channels with a gain for each
(exposure and illuminant), the light's gradient over the card, then a colour matrix that leaves white alone:

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

import cv2
import numpy as np
from numpy.typing import NDArray

from vision import colour
from vision.card import PatchSamples
from vision.specs import CardDesign

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
ROOT_SIGMA = 0.15
"""Standard deviations of the correction's terms before a patch is seen [log units, or shares]: the project's own,
set wide of what phones do."""

PATCH_SIGMA = 1.0
"""Standard deviation of a patch about the model [CIEDE2000] that the priors are weighed against: chart-to-chart
manufacturing spread is of order 1 to 2 (from memory)."""

MODELS = ("diagonal", "linear", "root_polynomial")
"""The corrections tried, simplest first."""

CLEARLY_BETTER = 0.93
"""A richer correction is taken only where its held-out error is under this share of the simpler one's: the
project's own guard against choosing by chance."""

OUTLIER_DELTA_E00 = 3.0
"""Huber corner [CIEDE2000]: a patch further off than this counts less (about three times `PATCH_SIGMA`)."""

DROP_DELTA_E00 = 12.0
"""A patch further off than this from a fit of the others is dropped as dirty, covered or in glare: beyond what
printing and cameras explain (the project's own)."""

CHOICE_FOLDS = 8
"""Folds by which the model is chosen; the chosen one's patches are then left out one by one."""

FEWEST_PATCHES = 14
"""Fewest patches that a correction is fitted on: the project's own, half the chart and two."""


@dataclass(frozen=True)
class ColourFit:
    """A fitted correction.

    Attributes
    ----------
    model : str
        One of `MODELS`.
    theta : ndarray, shape (P,)
        Its terms, in the order of `_split`.
    used : ndarray, shape (N,)
        Which patches it was fitted on.
    normalised_linear : ndarray, shape (N, 3)
        The patches corrected, in linear sRGB, the light's gradient over the card taken out.
    held_out_delta_e00 : ndarray, shape (N,)
        CIEDE2000 of each patch when left out of the fit; NaN where it was dropped.
    log_range : ndarray, shape (2,)
        Least and greatest log level seen; the tone curve runs on straight outside.
    """

    model: str
    theta: Array
    used: Mask
    normalised_linear: Array
    held_out_delta_e00: Array
    log_range: Array

    @property
    def gradient(self) -> float:
        """Return the light's change over the card from end to end as a ratio, 1 for even light."""
        return float(np.exp(2 * np.hypot(*_split(self.theta)[2][:2])))

    @property
    def gains(self) -> Array:
        """Return the gain of each channel at mid-grey, shape (3,)."""
        return np.asarray(np.exp(_split(self.theta)[0]), dtype=np.float64)

    @cached_property
    def _tone_tables(self) -> Array:
        """Return u of each 8-bit level of each channel, shape (256, 3)."""
        levels = np.repeat((np.arange(256) / 255)[:, None], 3, axis=1)
        return self._toned(levels)

    def _toned(self, encoded_rgb: Array) -> Array:
        s = _log_levels(encoded_rgb)
        inside = np.clip(s, *self.log_range)
        gain, tone, _, _ = _split(self.theta)
        slope = 1 + tone[0] + 2 * tone[1] * inside + 3 * tone[2] * inside**2
        # Straight on (in log-log) beyond the tones seen, never steeper than twofold nor falling.
        log_u = gain + _curve(inside, tone) + np.clip(slope, 0.3, 2.0) * (s - inside)
        return np.asarray(MID_GREY * np.exp(log_u), dtype=np.float64)

    def correct(self, encoded_rgb: Array) -> Array:
        """Return photographed colours as linear sRGB under the reference light.

        Parameters
        ----------
        encoded_rgb : ndarray, shape (..., 3)
            Colours of the photo, gamma-encoded [0-1].

        Returns
        -------
        ndarray, shape (..., 3)
            Linear sRGB, reference white at 1; not clipped.
        """
        u = self._toned(np.asarray(encoded_rgb, dtype=np.float64))
        return _mixed(u, _split(self.theta)[3])

    def correct_pixels(self, rgb: NDArray[np.uint8]) -> NDArray[np.float32]:
        """Return a picture as linear sRGB under the reference light, fast.

        Parameters
        ----------
        rgb : ndarray of uint8, shape (H, W, 3)
            Pixels of the photo.

        Returns
        -------
        ndarray of float32, shape (H, W, 3)
            Linear sRGB; not clipped.
        """
        table = self._tone_tables.astype(np.float32)
        u = np.empty(rgb.shape, np.float32)
        for channel in range(3):
            u[..., channel] = table[:, channel][rgb[..., channel]]
        mix = _split(self.theta)[3]
        matrix = np.zeros((3, 3 if mix.shape[1] == 3 else 6))
        matrix[:, : mix.shape[1]] = mix
        matrix[range(3), range(3)] += 1 - mix.sum(axis=1)
        out: NDArray[np.float32] = np.asarray(cv2.transform(u, matrix[:, :3].astype(np.float32)), dtype=np.float32)
        if mix.shape[1] == 6:
            roots = np.sqrt(np.maximum(u[..., [0, 0, 1]] * u[..., [1, 2, 2]], 0))
            out += np.asarray(cv2.transform(roots, matrix[:, 3:].astype(np.float32)), dtype=np.float32)
        return out


def _light_terms(place: Array) -> Array:
    """Return the terms of the light over the card, shape (N, 5): a plane, and a gentle curve centred on nought."""
    x, y = place.T
    curve = np.column_stack([x * x, x * y, y * y])
    return np.column_stack([x, y, curve - curve.mean(axis=0)])


def _log_levels(encoded_rgb: Array) -> Array:
    return np.asarray(np.log(np.maximum(colour.decode_srgb(encoded_rgb), DARKEST) / MID_GREY), dtype=np.float64)


def _curve(s: Array, tone: Array) -> Array:
    return np.asarray(s + tone[..., 0] * s + tone[..., 1] * s**2 + tone[..., 2] * s**3, dtype=np.float64)


def _split(theta: Array) -> tuple[Array, Array, Array, Array]:
    """Return gain (3), tone (3), gradient (2) and mix (3, 3 or 6) of a vector of terms."""
    rest = theta[HEAD:]
    terms = {0: 3, 6: 3, 15: 6}[rest.size]
    mix = np.zeros((3, terms))
    for c in range(3):
        others = [j for j in range(terms) if j != c]
        if rest.size:
            mix[c, others] = rest[c * len(others) : (c + 1) * len(others)]
    return theta[:3], theta[3:6], theta[6:HEAD], mix


def _mixed(u: Array, mix: Array) -> Array:
    phi = _terms(u, mix.shape[1])
    return np.asarray(u * (1 - mix.sum(axis=1)) + phi @ mix.T, dtype=np.float64)


def _terms(u: Array, count: int) -> Array:
    if count == 3:
        return u
    roots = np.sqrt(u[..., [0, 0, 1]] * u[..., [1, 2, 2]])
    return np.concatenate([u, roots], axis=-1)


def _metric(lab: Array) -> Array:
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
class _Problem:
    """One card's fit: log levels, places, references and weights of its patches."""

    s: Array
    place: Array
    lab: Array
    metric: Array
    terms: int

    def priors(self) -> Array:
        sigma = [GAIN_SIGMA] * 3 + list(TONE_SIGMAS) + list(GRADIENT_SIGMAS)
        for c in range(3 if self.terms else 0):
            sigma += [MATRIX_SIGMA if j < 3 else ROOT_SIGMA for j in range(self.terms) if j != c]
        return np.asarray(sigma, dtype=np.float64)

    def residuals(self, theta: Array) -> tuple[Array, Array, Array]:
        """Return residuals (F, N, 3) [CIEDE2000], their Jacobian (F, N, 3, P) and colours (F, N, 3)."""
        gain, tone, grad = theta[:, None, :3], theta[:, None, None, 3:6], theta[:, 6:HEAD]
        s = self.s[None]
        light = grad @ self.place.T
        u = MID_GREY * np.exp(gain + _curve(s, tone) - light[:, :, None])
        folds, count = theta.shape[0], self.s.shape[0]
        phi = _terms(u, max(self.terms, 3))
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
        r = u * own[:, None, :] + np.einsum("fnt,fct->fnc", phi, mix)
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
        dr[..., 3:6] = np.einsum("fnck,fnkp->fncp", dr_du, du_tone)
        dr[..., 6:HEAD] = np.einsum("fnck,fnkp->fncp", dr_du, du_grad)
        if self.terms:
            width = self.terms - 1
            for c in range(3):
                others = [j for j in range(self.terms) if j != c]
                dr[..., c, HEAD + c * width : HEAD + (c + 1) * width] = phi[..., others] - u[..., c : c + 1]
        lab, dlab = _lab_and_slope(r)
        error = np.einsum("nij,fnj->fni", self.metric, lab - self.lab)
        slope = np.einsum("nij,fnjk->fnik", self.metric, dlab) @ dr
        return error, slope, r


def _lab_and_slope(linear_rgb: Array) -> tuple[Array, Array]:
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


def _solve(problem: _Problem, theta: Array, weights: Array, steps: int) -> tuple[Array, Array, Array]:
    """Fit all folds at once by damped Gauss-Newton with Huber weights.

    `theta` is (F, P), `weights` (F, N). Returns terms, residuals and colours of every fold.
    """
    precision = np.diag(1 / problem.priors() ** 2)
    error, slope, r = problem.residuals(theta)
    damping = np.full(len(theta), 1e-3)
    cost = _cost(error, weights, theta, precision)
    for _ in range(steps):
        size = np.linalg.norm(error, axis=2)
        w = weights * np.minimum(1, OUTLIER_DELTA_E00 / np.maximum(size, 1e-9)) / PATCH_SIGMA**2
        normal = np.einsum("fnip,fn,fniq->fpq", slope, w, slope, optimize=True) + precision
        pull = np.einsum("fnip,fn,fni->fp", slope, w, error, optimize=True) + theta @ precision
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


def _start(terms: int, s: Array, lab: Array, usable: Mask) -> Array:
    """Begin with the gains that bring the usable patches to their references in the mean."""
    theta = np.zeros(HEAD + {0: 0, 3: 6, 6: 15}[terms])
    reference = np.maximum(colour.lab_to_linear_rgb(lab), 0.01)
    theta[:3] = np.median((np.log(reference / MID_GREY) - s)[usable], axis=0)
    return theta


def fit_colours(samples: PatchSamples, design: CardDesign, *, usable: Mask | None = None) -> ColourFit:
    """Fit the correction that brings a card's patches to their reference colours.

    The model is chosen among `MODELS` by its error on patches left out in groups. Then each patch in turn is left out,
    the fit is made again and the patch's CIEDE2000 taken; other patches of the same colour stay in.

    Parameters
    ----------
    samples : PatchSamples
        The N patches of `design`, as photographed.
    design : CardDesign
        The card, with its reference colours and places.
    usable : ndarray of bool, shape (N,), optional
        Patches to fit on; by default those inside the photo with at most a tenth of their pixels clipped.

    Returns
    -------
    ColourFit

    Raises
    ------
    ValueError
        If fewer than `FEWEST_PATCHES` patches are usable.

    References
    ----------
    Finlayson, Mackiewicz and Hurlbert (2015), IEEE Transactions on Image Processing 24(5), 1460-1470.
    """
    lab = design.reference_lab
    finite: Mask = np.asarray(np.isfinite(samples.encoded_rgb).all(axis=1), dtype=np.bool_)
    used: Mask = finite & np.asarray(samples.clipped_share <= 0.1) if usable is None else finite & usable
    if used.sum() < FEWEST_PATCHES:
        raise ValueError(f"samples must have {FEWEST_PATCHES} usable patches or more, got {int(used.sum())}")
    s = _log_levels(np.where(finite[:, None], samples.encoded_rgb, 0.5))
    places = np.array([patch.centre_mm for patch in design.patches])
    middle = np.array([design.width_mm, design.height_mm]) / 2
    place = _light_terms((places - middle) / middle.max())
    metric = _metric(lab)

    simple = _Problem(s, place, lab, metric, 3)
    for _ in range(2):
        # Patches far from a robust fit of the rest are dirt, fingers or glare: leave them out.
        _, error, _ = _solve(simple, _start(3, s, lab, used)[None], used[None].astype(float), 12)
        far = np.linalg.norm(error[0], axis=1) > DROP_DELTA_E00
        keep: Mask = used & ~far
        if keep.sum() < max(FEWEST_PATCHES, 0.6 * used.sum()) or not (used & far).any():
            break
        used = keep

    weights = used.astype(float)
    chosen: tuple[str, _Problem, Array, Array] | None = None
    least = np.inf
    for model, terms in zip(MODELS, (0, 3, 6), strict=True):
        problem = _Problem(s, place, lab, metric, terms)
        theta, _, r = _solve(problem, _start(terms, s, lab, used)[None], weights[None], 15)
        score = _score(_held_out(problem, theta[0], used, np.arange(len(used)) % CHOICE_FOLDS)[used])
        if chosen is None or score < CLEARLY_BETTER * least:
            chosen, least = (model, problem, theta[0], r[0]), score
    assert chosen is not None
    model, problem, terms_fitted, corrected = chosen
    levels = s[used]
    return ColourFit(
        model=model,
        theta=terms_fitted,
        used=used,
        normalised_linear=corrected,
        held_out_delta_e00=_held_out(problem, terms_fitted, used, np.arange(len(used))),
        log_range=np.array([levels.min(), levels.max()]),
    )


def _score(errors: Array) -> float:
    """Return the held-out error by which models are chosen: the root mean square, large ones capped."""
    return float(np.sqrt(np.mean(np.minimum(errors, 2 * OUTLIER_DELTA_E00) ** 2)))


def _held_out(problem: _Problem, theta: Array, used: Mask, groups: NDArray[Any]) -> Array:
    """Return each used patch's CIEDE2000 when its group was left out of the fit, shape (N,); NaN elsewhere.

    All folds run at once, each starting from the whole fit.
    """
    names = np.unique(groups[used])
    weights = (used[None, :] & (groups[None, :] != names[:, None])).astype(float)
    _, _, r = _solve(problem, np.repeat(theta[None], len(names), axis=0), weights, 4)
    index = np.flatnonzero(used)
    corrected = r[np.searchsorted(names, groups[index]), index]
    held_out = np.full(len(used), np.nan)
    held_out[index] = colour.delta_e00(colour.linear_rgb_to_lab(corrected), problem.lab[index])
    return held_out
