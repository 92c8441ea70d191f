"""Set a strip photo's colours right: by the card in it, or by the plain white ground where there is none.

In: a `Photo`. Out: a `StripLight`, which turns photographed colours at places of the photo into CIELAB with its
covariance. By a card the light's slope over the card is taken out and followed a little beyond it. A white ground gives
the light's colour and slope but no tone curve and no matrix: colours so read are flagged and their spread is wide.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision import colour
from vision.calibration import Calibration, calibrated, choose
from vision.card import CardFound, find_card
from vision.errors import NoCardFound
from vision.normalise import FEWEST_PATCHES, ColourFit, fit_colours
from vision.photo import Photo
from vision.uncertainty import ColourUncertainty, spread_of

Array = NDArray[Any]

WHITE_GROUND_SD = 1.7
"""Standard deviation of a colour set right by white ground alone, against a key taught so too [CIEDE2000 a component]:
the camera's tone curve and matrix stay in it (the project's own)."""
FOREIGN_LIGHT_SD = 4.0
"""The same against a key taught beside a card, or the other way round: the project's own."""
PAPER = 0.90
"""Reflectance of white paper [0-1] (common practice, no source). Strip colours are given with paper at 1, as on the
printed card; a chart's are of the perfect white."""
LOCAL_WHITE = 0.945
"""Linear level of a strip's plastic and of a white label, paper at 1: the project's own."""
LOCAL_WHITE_SD, LOOSE_SD, SLOT_SD = 0.035, 0.15, 0.02
"""Standard deviations as shares: of `LOCAL_WHITE`; of the card's light some way off it, where a phone's local tone
mapping has its own mind; and of it in the card's slot: the project's own."""
LEAST_WHITE_CHROMA = 14.0
"""Chroma from which a label or plastic is no white [CIELAB units]: the project's own."""
GROUND_LONG_SIDE_PX = 400
"""Long side at which a white ground is judged [px]: the project's own."""
LEAST_GROUND_SHARE = 0.3
"""Share of the picture that must be one even white ground: the project's own."""
MOST_GROUND_CHROMA = 22.0
"""Chroma of the ground as photographed above which it is no white [CIELAB units]: beyond a phone's white balance error
in any daylight (the project's own)."""
LEAST_GROUND_LIGHTNESS = 25.0
"""Lightness of the ground as photographed under which it is no white: phones meter a white sheet to a dull
grey at worst (the project's own)."""
EVEN_LOGS = (0.4, 0.3, 0.22, 0.16, 0.12, 0.12)
"""Log level within which a pixel belongs to the ground about the fitted light, round by round: the project's own."""


@dataclass(frozen=True)
class StripLight:
    """How a photo's colours are set right.

    Attributes
    ----------
    kind : str
        "card" or "white_ground".
    card : CardFound or None
    fit : ColourFit or None
        The card's correction.
    slope : ndarray, shape (6, 3) or (3, 1)
        Terms of the log light: of white ground quadratic over the photo and by channel, of a card a plane over its
        pixels.
    size_px : (int, int)
        The photo's width and height.
    gain : float
        Factor from the card's white to the white beside the strip.
    gain_sd : float
        Its standard deviation, as a share.
    calibration : Calibration or None
        The print run's measurement that was used.
    """

    kind: str
    card: CardFound | None
    fit: ColourFit | None
    slope: Array
    size_px: tuple[int, int]
    gain: float = 1.0
    gain_sd: float = SLOT_SD
    calibration: Calibration | None = None

    def linear(self, encoded_rgb: Array, at_px: Array) -> Array:
        """Return photographed colours as linear sRGB under the reference light.

        Parameters
        ----------
        encoded_rgb : ndarray, shape (..., 3)
            Gamma-encoded colours of the photo [0-1].
        at_px : ndarray, shape (..., 2)
            Where in the photo.
        """
        if self.fit is None:
            light = np.exp(_terms(_scaled(at_px, self.size_px)) @ self.slope)
            return np.asarray(colour.decode_srgb(encoded_rgb) / light)
        assert self.card is not None
        corners = self.card.corners_px
        # The light is followed to the card's rim, not further.
        near = np.clip(at_px, corners.min(axis=0), corners.max(axis=0))
        light = np.exp(near @ self.slope[1:] + self.slope[0])
        return np.asarray(self.fit.correct(encoded_rgb) / light * self._to_paper)

    def picture_lab(self, rgb: NDArray[np.uint8], at_px: Array) -> NDArray[np.float32]:
        """Return a picture in CIELAB, fast and cut to 0 to 1 in linear sRGB: to look for things, not to read them.

        Parameters
        ----------
        rgb : ndarray of uint8, shape (H, W, 3)
            Pixels of the photo.
        at_px : ndarray, shape (H, W, 2)
            Where in the photo each lies.
        """
        if self.fit is None:
            table = colour.decode_srgb(np.arange(256) / 255).astype(np.float32)
            light = np.exp(_terms(_scaled(at_px[::8, ::8], self.size_px)) @ self.slope).astype(np.float32)
            linear = table[rgb]
        else:
            assert self.card is not None
            corners = self.card.corners_px
            near = np.clip(at_px[::8, ::8], corners.min(axis=0), corners.max(axis=0))
            light = np.exp(near @ self.slope[1:] + self.slope[0]).astype(np.float32).repeat(3, axis=-1)
            linear = self.fit.correct_pixels(rgb) * np.float32(self._to_paper)
        linear /= cv2.resize(light, rgb.shape[1::-1], interpolation=cv2.INTER_LINEAR)
        return np.asarray(cv2.cvtColor(np.clip(linear, 0, 1), cv2.COLOR_LRGB2Lab), dtype=np.float32)

    def look(self, encoded_rgb: Array, at_px: Array) -> ColourUncertainty:
        """Return colours in CIELAB with their covariance."""
        linear = self.linear(encoded_rgb, at_px)
        if self.fit is None:
            lab = colour.linear_rgb_to_lab(linear)
            flat = spread_of(WHITE_GROUND_SD, lab.reshape(-1, 3))
            return ColourUncertainty(lab, flat.reshape(*lab.shape, 3))
        looked = self.fit.uncertainty(linear)
        # A gain g moves L* + 16, a* and b* alike, by a third of ln g: they go with the cube root of the light.
        moved = (looked.lab + np.array([16.0, 0, 0])) / 3 * self.gain_sd
        return ColourUncertainty(looked.lab, looked.covariance + moved[..., :, None] * moved[..., None, :])

    @property
    def _to_paper(self) -> float:
        """Return the factor that brings white paper to 1."""
        chart = self.card is not None and self.card.design.kind == "chart24"
        return self.gain / PAPER if chart else self.gain

    def beside(self, white_lab: Array) -> StripLight:
        """Return this light, trusting the white beside a loose strip or round a key more than the card's.

        Parameters
        ----------
        white_lab : ndarray, shape (3,)
            The plastic or the label as this light shows it; where it is no white nothing is changed but the doubt.
        """
        if self.fit is None:
            return self
        level = float(colour.lab_to_xyz(white_lab)[1])
        if np.hypot(white_lab[1], white_lab[2]) > LEAST_WHITE_CHROMA or not 0.5 < level < 2.0:
            return replace(self, gain_sd=LOOSE_SD)
        trust = LOOSE_SD**2 / (LOOSE_SD**2 + LOCAL_WHITE_SD**2)
        return replace(
            self,
            gain=self.gain * float((LOCAL_WHITE / level) ** trust),
            gain_sd=float(np.sqrt(trust) * LOCAL_WHITE_SD),
        )


def _scaled(at_px: Array, size_px: tuple[int, int]) -> Array:
    """Return places as -1 to 1 over the photo's longer side."""
    size = np.array(size_px, dtype=np.float64)
    return np.asarray((np.asarray(at_px) - size / 2) / (size.max() / 2))


def _terms(place: Array) -> Array:
    """Return 1, x, y, x^2, xy, y^2, shape (..., 6)."""
    x, y = place[..., 0], place[..., 1]
    return np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=-1)


def strip_light(photo: Photo, calibrations: Sequence[Calibration] = ()) -> StripLight:
    """Return how a strip photo's colours are set right.

    Parameters
    ----------
    photo : Photo
        An opened photo.
    calibrations : sequence of Calibration
        The print runs that were measured; the last that holds for the card is used.

    Raises
    ------
    NoCardFound
        If there is neither a card with enough clean patches nor a plain white ground.
    PhotoUnreadable
        If the pixels cannot be decoded.
    """
    try:
        card = find_card(photo)
    except NoCardFound as refusal:
        slope = _white_ground(photo)
        if slope is None:
            raise NoCardFound(
                refusal.sentence, refusal.hint + " Without a card the strip must lie on plain white paper.",
                code=refusal.code,
            ) from refusal  # fmt: skip
        return StripLight("white_ground", None, None, slope, photo.size_px)
    calibration = choose(calibrations, card)
    card = card if calibration is None else calibrated(card, calibration)
    clean = np.isfinite(card.samples.encoded_rgb).all(axis=1) & (card.samples.clipped_share <= 0.1)
    if clean.sum() < FEWEST_PATCHES:
        raise NoCardFound("Most of the card is in glare or covered:", "turn it until its colours show.")
    # An unmeasured print's error is left out: key and strip are photographed beside the same card as a rule.
    fit = fit_colours(card.samples, card.design, usable=clean)
    return StripLight("card", card, fit, _slope_over_card(card, fit), photo.size_px, calibration=calibration)


def _slope_over_card(card: CardFound, fit: ColourFit) -> Array:
    """Return the plane of the log light in the photo: what the fit took out of each patch, shape (3, 1)."""
    plain = fit.correct(np.where(fit.used[:, None], card.samples.encoded_rgb, 0.5))
    luma = colour.RGB_TO_XYZ[1]
    taken_out = np.log(np.maximum(plain @ luma, 1e-4) / np.maximum(fit.normalised_linear @ luma, 1e-4))
    centres = np.array([patch.centre_mm for patch in card.design.patches])
    at_px = cv2.perspectiveTransform(centres[:, None], card.homography)[:, 0]
    middle = at_px.mean(axis=0)
    spread = np.ptp(at_px, axis=0).max()
    terms = np.column_stack([np.ones(len(at_px)), (at_px - middle) / spread])
    solved, *_ = np.linalg.lstsq(terms[fit.used], taken_out[fit.used], rcond=None)
    gx, gy = solved[1:] / spread
    return np.array([[solved[0] - gx * middle[0] - gy * middle[1]], [gx], [gy]])


def _white_ground(photo: Photo) -> Array | None:
    """Return the log light over a plain white ground by channel, shape (6, 3); None where there is no such ground."""
    picture = photo.read(GROUND_LONG_SIDE_PX)
    step = max(1, max(picture.rgb.shape[:2]) // GROUND_LONG_SIDE_PX)
    rgb = cv2.blur(picture.rgb, (3, 3))[::step, ::step]
    height, width = rgb.shape[:2]
    y, x = np.mgrid[0:height, 0:width]
    at_px = picture.to_photo(np.stack([x * step, y * step], axis=-1).astype(np.float64)).reshape(-1, 2)
    terms = _terms(_scaled(at_px, photo.size_px))
    encoded = rgb.reshape(-1, 3) / 255
    log_rgb = np.log(np.maximum(colour.decode_srgb(encoded), 1e-3))
    lab = colour.linear_rgb_to_lab(colour.decode_srgb(encoded))
    grey = np.hypot(lab[:, 1], lab[:, 2]) < MOST_GROUND_CHROMA
    if not grey.any():
        return None
    level = log_rgb.mean(axis=1)
    # The lightest broad level is the ground; shadows and pads lie under it.
    keep = grey & (level > np.quantile(level[grey], 0.5) - 0.35)
    slope = np.zeros((6, 3))
    for even in EVEN_LOGS:
        if keep.mean() < 0.2:
            return None
        slope, *_ = np.linalg.lstsq(terms[keep], log_rgb[keep], rcond=None)
        off = log_rgb - terms @ slope
        keep = grey & (np.abs(off) < even).all(axis=1)
    middle = colour.linear_rgb_to_lab(np.exp(np.median(log_rgb[keep], axis=0))) if keep.any() else np.zeros(3)
    fits = keep.mean() >= LEAST_GROUND_SHARE and middle[0] >= LEAST_GROUND_LIGHTNESS
    return np.asarray(slope) if fits and np.hypot(middle[1], middle[2]) < MOST_GROUND_CHROMA else None
