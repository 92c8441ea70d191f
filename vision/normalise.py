"""Camera colours to reference colours: fit a correction on the card's patches, test it held out, apply it.

In: the patches of a card as photographed and as designed. Out: `ColourFit`, which corrects pixels, knows the
CIEDE2000 of every patch when it was left out of the fit, says how sure it is of any colour, and never extrapolates
past the tones it saw. The model itself stands in `colourmodel.py`.
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
from vision.colourmodel import (
    MID_GREY,
    OUTLIER_DELTA_E00,
    ROOT_PAIRS,
    Problem,
    Solved,
    huber_weights,
    lab_and_slope,
    light_terms,
    log_levels,
    metric_at,
    mixed,
    solve,
    solve_near,
    split_terms,
    start,
    terms_covariance,
    tone_curve,
    widened,
)
from vision.smoothing import BINS, Smoothing, kernel, smoothing_of
from vision.specs import CardDesign
from vision.uncertainty import HULL_SLOPE, OTHER_SURFACES, ColourUncertainty, outside_hull, spread_of, structure_sigma

Array = NDArray[Any]
Mask = NDArray[Any]

MODELS = ("diagonal", "linear", "root_polynomial")
"""The corrections tried, simplest first."""

CLEARLY_BETTER = 0.93
"""A richer correction is taken only where its held-out error is under this share of the simpler one's: the
project's own guard against choosing by chance."""

DROP_DELTA_E00 = 12.0
"""A patch further off than this from a fit of the others is dropped as dirty, covered or in glare: beyond what
printing and cameras explain (the project's own)."""

CHOICE_FOLDS = 8
"""Folds by which the model is chosen; the chosen one's patches are then left out one by one."""

LEAST_SHARE = 0.1
"""How far under nought a channel may come out, as a share of the greatest: no pigment's colour lies further outside
sRGB (the chart's cyan 0.07). Past it a matrix was carried too far."""

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
        Its terms, in the order of `split_terms`.
    used : ndarray, shape (N,)
        Which patches it was fitted on.
    normalised_linear : ndarray, shape (N, 3)
        The patches corrected by the model, in linear sRGB, the light's gradient over the card taken out; before any
        smoothing, which would hide what is left of them.
    held_out_delta_e00 : ndarray, shape (N,)
        CIEDE2000 of each patch when left out of the fit; NaN where it was dropped.
    log_range : ndarray, shape (2,)
        Least and greatest log level seen; the tone curve runs on straight outside.
    covariance : ndarray, shape (P, P)
        Of `theta`.
    structure_sigma : float
        What the model leaves of a patch, a component [CIEDE2000].
    print_delta_e00 : float
        Standard deviation of the print about the references the fit was made with [CIEDE2000].
    patches_lab : ndarray, shape (M, 3)
        CIELAB of the patches fitted on: their hull is the fit's reach.
    smoothing : Smoothing or None
        Spreads what the model leaves of the patches, where that lowers the held-out error and the print is known.
    """

    model: str
    theta: Array
    used: Mask
    normalised_linear: Array
    held_out_delta_e00: Array
    log_range: Array
    covariance: Array
    structure_sigma: float
    print_delta_e00: float
    patches_lab: Array
    smoothing: Smoothing | None = None

    @property
    def gradient(self) -> float:
        """Return the light's change over the card from end to end as a ratio, 1 for even light."""
        return float(np.exp(2 * np.hypot(*split_terms(self.theta)[2][:2])))

    @property
    def gains(self) -> Array:
        """Return the gain of each channel at mid-grey, shape (3,)."""
        return np.asarray(np.exp(split_terms(self.theta)[0]), dtype=np.float64)

    @cached_property
    def _tone_tables(self) -> Array:
        """Return u of each 8-bit level of each channel, shape (256, 3)."""
        levels = np.repeat((np.arange(256) / 255)[:, None], 3, axis=1)
        return self._toned(levels)

    def _toned(self, encoded_rgb: Array) -> Array:
        s = log_levels(encoded_rgb)
        inside = np.clip(s, *self.log_range)
        gain, tone, _, _ = split_terms(self.theta)
        slope = 1 + tone[0] + 2 * tone[1] * inside + 3 * tone[2] * inside**2
        # Straight on (in log-log) beyond the tones seen, never steeper than twofold nor falling.
        log_u = gain + tone_curve(inside, tone) + np.clip(slope, 0.3, 2.0) * (s - inside)
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
        linear = mixed(u, split_terms(self.theta)[3])
        linear = linear if self.smoothing is None else self.smoothing.apply(linear)
        return np.asarray(np.maximum(linear, -LEAST_SHARE * linear.max(axis=-1, keepdims=True)), dtype=np.float64)

    def uncertainty(self, linear_rgb: Array, *, sampling_sd: Array | None = None) -> ColourUncertainty:
        """Return how sure normalised colours are.

        Parameters
        ----------
        linear_rgb : ndarray, shape (..., 3)
            Colours as `correct` or `correct_pixels` gave them, linear sRGB.
        sampling_sd : ndarray, shape (..., 3), optional
            Standard deviation of each colour as sampled (of the mean of its pixels), linear sRGB; nought by default.

        Returns
        -------
        ColourUncertainty
            CIELAB and its covariance: the terms' spread, the model's and the print's error, the distance outside the
            patches' hull and the sampling noise together.
        """
        shape = np.shape(linear_rgb)
        linear = np.asarray(linear_rgb, dtype=np.float64).reshape(-1, 3)
        lab, dlab = lab_and_slope(linear)
        s = self._levels_behind(linear)
        count = len(linear)
        at_middle = Problem(s, np.zeros((count, 5)), lab, np.tile(np.eye(3), (count, 1, 1)), self._mix_terms)
        slope = at_middle.residuals(self.theta[None])[1][0]
        covariance = np.einsum("nip,pq,njq->nij", slope, self.covariance, slope, optimize=True)
        covariance += spread_of(
            float(np.hypot(OTHER_SURFACES * self.structure_sigma, self.print_delta_e00 / np.sqrt(3))), lab
        )
        covariance += (HULL_SLOPE * outside_hull(lab, self.patches_lab))[:, None, None] ** 2 * np.eye(3)
        if sampling_sd is not None:
            noisy = dlab * np.asarray(sampling_sd, dtype=np.float64).reshape(-1, 1, 3)
            covariance += noisy @ noisy.transpose(0, 2, 1)
        return ColourUncertainty(lab.reshape(shape), covariance.reshape(*shape, 3))

    @property
    def _mix_terms(self) -> int:
        return {"diagonal": 0, "linear": 3, "root_polynomial": 6}[self.model]

    def _levels_behind(self, linear_rgb: Array) -> Array:
        """Return the log levels of the photo that give these corrected colours, within the tones seen, shape (N, 3)."""
        gain, tone, _, mix = split_terms(self.theta)
        u = np.maximum(linear_rgb, 1e-6)
        for _ in range(8):
            # The mix is near one: what it adds, taken off again and again, leaves what went in.
            u = np.maximum(u + linear_rgb - mixed(u, mix), 1e-6)
        grid = np.linspace(self.log_range[0], self.log_range[1], 200)
        s = np.empty_like(u)
        for channel in range(3):
            rising = np.maximum.accumulate(gain[channel] + tone_curve(grid, tone))
            s[:, channel] = np.interp(np.log(u[:, channel] / MID_GREY), rising, grid)
        return s

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
        toned = cv2.LUT(rgb, self._tone_tables.astype(np.float32)[None])
        mix = split_terms(self.theta)[3]
        matrix = mix.astype(np.float32)
        matrix[range(3), range(3)] += (1 - mix.sum(axis=1)).astype(np.float32)
        out: Array = np.asarray(cv2.transform(toned, matrix[:, :3]))
        if mix.shape[1] == 6:
            u = cv2.split(toned)
            roots = cv2.merge([cv2.sqrt(cv2.multiply(u[i], u[j])) for i, j in ROOT_PAIRS])
            out += np.asarray(cv2.transform(roots, matrix[:, 3:]))
        if self.smoothing is not None:
            out += self._smoothed(rgb)
        if cv2.minMaxLoc(out.reshape(len(out), -1))[0] < 0:
            channels = cv2.split(out)
            floor = np.asarray(cv2.max(cv2.max(channels[0], channels[1]), channels[2])) * np.float32(-LEAST_SHARE)
            out = cv2.merge([cv2.max(each, floor) for each in channels])
        return np.asarray(out, dtype=np.float32)

    def _smoothed(self, rgb: NDArray[np.uint8]) -> NDArray[np.float32]:
        """Return what smoothing adds to a picture's pixels, linear sRGB: that of the middle of each pixel's bin."""
        assert self.smoothing is not None
        step = np.arange(256) // (256 // BINS)
        places = np.stack([step * BINS * BINS, step * BINS, step], axis=-1).astype(np.uint16)
        bins: Array = np.asarray(cv2.transform(cv2.LUT(rgb, places[None]), np.ones((1, 3), np.float32)))
        seen = np.flatnonzero(np.bincount(bins.ravel(), minlength=BINS**3))
        levels = (np.stack([seen // (BINS * BINS), seen // BINS % BINS, seen % BINS], axis=-1) + 0.5) / BINS
        linear = mixed(self._toned(levels), split_terms(self.theta)[3])
        table = np.zeros((BINS**3, 3), np.float32)
        table[seen] = self.smoothing.apply(linear) - linear
        return np.asarray(np.take(table, bins, axis=0), dtype=np.float32)


def fit_colours(
    samples: PatchSamples,
    design: CardDesign,
    *,
    usable: Mask | None = None,
    print_delta_e00: float = 0.0,
    print_known: bool | None = None,
) -> ColourFit:
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
    print_delta_e00 : float
        Standard deviation of the printed patches about the design [CIEDE2000], for what is said of uncertainty.
    print_known : bool, optional
        Whether the references are those of the print itself, so that what the model leaves of the patches may be
        spread over the colours between them; by default for the 24-patch chart alone.

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
    s = log_levels(np.where(finite[:, None], samples.encoded_rgb, 0.5))
    places = np.array([patch.centre_mm for patch in design.patches])
    middle = np.array([design.width_mm, design.height_mm]) / 2
    place = light_terms((places - middle) / middle.max())
    metric = metric_at(lab)

    simple = Problem(s, place, lab, metric, 3)
    begin = start(3, s, lab, used)
    for _ in range(2):
        # Patches far from a robust fit of the rest are dirt, fingers or glare: leave them out.
        near = solve(simple, begin, used.astype(float), 12)
        begin = near.terms
        far = np.linalg.norm(near.error, axis=1) > DROP_DELTA_E00
        keep: Mask = used & ~far
        if keep.sum() < max(FEWEST_PATCHES, 0.6 * used.sum()) or not (used & far).any():
            break
        used = keep

    weights = used.astype(float)
    each = np.arange(len(used))
    eighths = each % CHOICE_FOLDS
    chosen: tuple[str, Problem, Solved] | None = None
    least = np.inf
    for model, terms in zip(MODELS, (0, 3, 6), strict=True):
        problem = Problem(s, place, lab, metric, terms)
        fitted = solve(problem, widened(begin, terms), weights, 15)
        score = _score(_held_out(problem, fitted, used, eighths, steps=1)[used])
        if chosen is None or score < CLEARLY_BETTER * least:
            chosen, least = (model, problem, fitted), score
    assert chosen is not None
    model, problem, fitted = chosen
    error, corrected = fitted.error, fitted.colours
    counted = weights * huber_weights(error)
    sigma = structure_sigma(error, counted, len(fitted.terms))
    known = design.kind == "chart24" if print_known is None else print_known
    smoothed = np.inf
    if known:
        smoothed = _score(_held_out(problem, fitted, used, eighths, steps=1, smooth=True)[used])
    smooth = smoothed < least
    if smooth:
        sigma *= smoothed / least
    levels = s[used]
    return ColourFit(
        model=model,
        theta=fitted.terms,
        used=used,
        normalised_linear=corrected,
        held_out_delta_e00=_held_out(problem, fitted, used, each, steps=4, smooth=smooth),
        log_range=np.array([levels.min(), levels.max()]),
        covariance=terms_covariance(problem, fitted, counted, sigma),
        structure_sigma=sigma,
        print_delta_e00=print_delta_e00,
        patches_lab=lab[used],
        smoothing=smoothing_of(colour.linear_rgb_to_lab(corrected)[used], lab[used], counted[used]) if smooth else None,
    )


def _score(errors: Array) -> float:
    """Return the held-out error by which models are chosen: the root mean square, large ones capped."""
    return float(np.sqrt(np.mean(np.minimum(errors, 2 * OUTLIER_DELTA_E00) ** 2)))


def _held_out(
    problem: Problem, fitted: Solved, used: Mask, groups: NDArray[Any], *, steps: int, smooth: bool = False
) -> Array:
    """Return each used patch's CIEDE2000 when its group was left out of the fit, shape (N,); NaN elsewhere.

    All folds run at once, each from the whole fit, which is a step or two away.
    """
    names = np.unique(groups[used])
    weights = (used[None, :] & (groups[None, :] != names[:, None])).astype(float)
    error, r = solve_near(problem, fitted, weights, steps)
    lab = colour.linear_rgb_to_lab(r)
    if smooth:
        smoothing = smoothing_of(lab, problem.lab, weights * huber_weights(error))
        lab = lab + kernel(lab, lab) @ smoothing.weights
    index = np.flatnonzero(used)
    held_out = np.full(len(used), np.nan)
    held_out[index] = colour.delta_e00(lab[np.searchsorted(names, groups[index]), index], problem.lab[index])
    return held_out
