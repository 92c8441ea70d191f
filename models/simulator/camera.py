"""A phone camera: spectral sensitivities to linear sRGB, then the picture processing that makes a photo of it.

In: a `CameraSpec` and the light's spectrum; later a linear picture. Out: the 3 x 31 matrix from radiance spectra to
the camera's white-balanced linear sRGB; later the 8-bit photo.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from models.simulator.illuminants import daylight_of
from models.simulator.spectra import (
    WAVELENGTHS_NM,
    chart24_reflectances,
    d65,
    encode_srgb,
    reflectance_of,
    srgb_weights,
    table,
)

Picture = NDArray[Any]
"""Shape (H, W, 3), linear camera sRGB, 1 = white sheet in full light before exposure."""


@dataclass(frozen=True)
class CameraSpec:
    """One phone and the way it took this photo.

    Attributes
    ----------
    base : A or B, the measured sensitivities of data/camera_sensitivities.csv; C, the CIE observer's.
    variation : seed of a smooth change of the base's curves; 0 leaves them as measured.
    white_balance_strength : share of the light's colour that is balanced away [0-1].
    white_balance_error : log2 gain error of red and blue.
    matrix_error : scale of the colour matrix' error; `variation` draws its direction.
    exposure_ev : exposure error [EV].
    contrast, shoulder, toe : tone curve: S-shape strength, sharpness of the roll-off to white, black lift.
    local_tone : strength of local tone mapping [0-1].
    saturation : gain of the colour difference in encoded values.
    noise : noise of the sensor, 1 = a small phone sensor.
    noise_reduction, sharpening : strengths.
    defocus_px, motion_px, motion_deg, vignetting, haze : optics' faults, for a photo 1600 px long.
    jpeg_quality : 0-100.
    turned : store the pixels turned by 90 degrees with the EXIF orientation that undoes it.
    """

    model: int = 0
    base: str = "A"
    variation: int = 0
    focal_eq_mm: float = 26.0
    white_balance_strength: float = 0.9
    white_balance_error: tuple[float, float] = (0.0, 0.0)
    matrix_error: float = 0.0
    exposure_ev: float = 0.0
    contrast: float = 0.25
    shoulder: float = 4.0
    toe: float = 0.0
    local_tone: float = 0.1
    saturation: float = 1.08
    noise: float = 1.0
    noise_reduction: float = 0.5
    sharpening: float = 0.5
    defocus_px: float = 0.5
    motion_px: float = 0.0
    motion_deg: float = 0.0
    vignetting: float = 0.1
    haze: float = 0.0
    jpeg_quality: int = 90
    turned: bool = False

    @property
    def name(self) -> str:
        """Return the camera's name, such as "camera A-12"."""
        return f"camera {self.base}-{self.variation}"


@functools.lru_cache(maxsize=256)
def sensitivities(base: str, variation: int) -> NDArray[np.float64]:
    """Return the spectral sensitivities of red, green, blue, shape (3, 31), peak of green 1."""
    if base in ("A", "B"):
        columns = slice(0, 3) if base == "A" else slice(3, 6)
        curves = table("camera_sensitivities.csv")[:, columns].T.copy()
    elif base == "C":
        # A camera close to the eye: the observer rotated towards sRGB primaries, negative lobes cut.
        cmf = table("observer_and_daylight.csv")[:, :3].T
        mix = np.array([[1.2, -0.25, -0.10], [-0.45, 1.35, 0.05], [0.03, -0.08, 1.0]])
        curves = np.clip(mix @ cmf, 0.0, None)
    else:
        raise ValueError(f"camera base must be A, B or C, got {base!r}")
    if variation:
        rng = np.random.default_rng([7451, variation])
        shift = rng.normal(0, 3.0) + rng.normal(0, 2.5, 3)
        width = rng.normal(0, 0.05, 3)
        for i in range(3):
            centre = float(np.dot(WAVELENGTHS_NM, curves[i]) / curves[i].sum())
            where = centre + (WAVELENGTHS_NM - centre - shift[i]) / (1.0 + width[i])
            curves[i] = np.interp(where, WAVELENGTHS_NM, curves[i], left=0.0)
        # Dye, cover glass and infrared cut differ smoothly between phones.
        smooth = rng.normal(0, 0.12, (3, 6))
        knots = np.linspace(400, 700, 6)
        for i in range(3):
            curves[i] *= np.exp(np.interp(WAVELENGTHS_NM, knots, smooth[i]))
        cut = rng.uniform(645, 690)
        curves *= 1.0 / (1.0 + np.exp((WAVELENGTHS_NM - cut) / rng.uniform(4, 9)))
        leak = rng.uniform(0.0, 0.06)
        curves += leak * curves.sum(axis=0) / 3
    return np.asarray(curves / curves[1].max())


@functools.cache
def training_reflectances() -> NDArray[np.float64]:
    """Return the surface spectra that the colour matrices are fitted on, shape (N, 31)."""
    levels = (0.15, 0.45, 0.8)
    grid = [reflectance_of((r, g, b)) for r in levels for g in levels for b in levels]
    return np.vstack([np.array(grid), chart24_reflectances()])


@functools.lru_cache(maxsize=512)
def colour_matrix(base: str, variation: int, matrix_error: float) -> NDArray[np.float64]:
    """Return the 3 x 3 matrix from white-balanced sensor values to linear sRGB, rows summing to 1.

    Fitted by least squares on `training_reflectances` halfway between daylight 5000 K and D65, as makers do for
    daylight (a single matrix: their imperfection is wanted), then disturbed.
    """
    light = 0.5 * (daylight_of(5000.0) + d65() / d65().mean())
    surfaces = training_reflectances()
    sensor = surfaces @ (sensitivities(base, variation) * light).T
    sensor /= (sensitivities(base, variation) * light).sum(axis=1)
    wanted = surfaces @ srgb_weights().T
    # A little ridge keeps cameras with overlapping curves from exploding noise.
    lhs = sensor.T @ sensor + 0.002 * np.eye(3) * len(sensor)
    matrix = np.linalg.solve(lhs, sensor.T @ wanted + 0.002 * np.eye(3) * len(sensor)).T
    rng = np.random.default_rng([993, variation, ord(base)])
    matrix = matrix + matrix_error * rng.normal(0, 1, (3, 3))
    return np.asarray(matrix / matrix.sum(axis=1, keepdims=True))


def spectral_response(spec: CameraSpec, lit: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the 3 x 31 matrix from relative radiance to the camera's linear sRGB.

    A white sheet under `lit` has about (1, 1, 1), as far as the white balance is right.
    """
    curves = sensitivities(spec.base, spec.variation)
    neutral = d65() / d65().mean()
    under_light = curves @ lit
    under_d65 = curves @ neutral
    # What the white balance takes the light to be: between D65 and the light itself.
    assumed = (under_light / under_light[1]) ** spec.white_balance_strength * (under_d65 / under_d65[1]) ** (
        1 - spec.white_balance_strength
    )
    gains = 1.0 / assumed / under_light[1]
    gains[0] *= 2.0 ** spec.white_balance_error[0]
    gains[2] *= 2.0 ** spec.white_balance_error[1]
    return np.asarray(colour_matrix(spec.base, spec.variation, spec.matrix_error) @ (curves * gains[:, None]))


LUMA = np.array([0.2126, 0.7152, 0.0722], dtype=np.float32)
"""Luminance weights of linear sRGB. Source: IEC 61966-2-1."""

_LUT_STEPS_PER_UNIT = 8192


def tone_lut(spec: CameraSpec) -> NDArray[np.float32]:
    """Return the tone curve as a table from linear value (0 to 8, in 1/8192) to encoded 0-255."""
    x = np.arange(8 * _LUT_STEPS_PER_UNIT) / _LUT_STEPS_PER_UNIT
    p = spec.shoulder
    rolled = x / (1.0 + x**p) ** (1.0 / p)
    e = encode_srgb(rolled)
    s_shape = e * e * (3 - 2 * e)
    e = e + spec.contrast * (s_shape - e)
    e = spec.toe + (1 - spec.toe) * e
    return np.asarray(255.0 * np.clip(e, 0, 1), dtype=np.float32)


def exposure_gain(linear: Picture, spec: CameraSpec) -> float:
    """Return the gain a centre-weighted automatic exposure would choose."""
    small = cv2.resize(linear, (64, 48), interpolation=cv2.INTER_AREA)
    luma = np.maximum(small @ LUMA, 1e-4)
    yy, xx = np.mgrid[-1:1:48j, -1:1:64j]
    weight = np.exp(-(xx**2 + yy**2))
    level = float(np.exp((weight * np.log(luma)).sum() / weight.sum()))
    high = float(np.quantile(luma, 0.97))
    return float(min(0.17 / level, 1.0 / max(high, 1e-4)) * 2.0**spec.exposure_ev)


def develop(linear: Picture, spec: CameraSpec, *, illuminance_lux: float, seed: int) -> NDArray[np.uint8]:
    """Make the 8-bit photo of a linear picture.

    Parameters
    ----------
    linear : ndarray, shape (H, W, 3)
        Camera linear sRGB. Changed in place.
    illuminance_lux : float
        Light on the scene; less light, more noise.
    seed : int
        Of the noise.
    """
    height, width = linear.shape[:2]
    scale = max(width, height) / 1600.0
    rng = np.random.default_rng([seed, 4242])
    if spec.motion_px * scale >= 1:
        linear = cv2.filter2D(linear, -1, _motion_kernel(spec.motion_px * scale, spec.motion_deg))
    if spec.defocus_px * scale > 0.3:
        linear = cv2.GaussianBlur(linear, (0, 0), spec.defocus_px * scale)
    if spec.haze > 0:
        glow = cv2.resize(linear, (width // 16, height // 16), interpolation=cv2.INTER_AREA)
        glow = cv2.GaussianBlur(glow, (0, 0), 10 * spec.haze + 2)
        soft = cv2.GaussianBlur(linear, (0, 0), 1 + 7 * spec.haze * scale)
        veil = cv2.resize(glow, (width, height), interpolation=cv2.INTER_LINEAR)
        linear = (1 - spec.haze) * soft + spec.haze * (0.6 * veil + 0.4 * float(veil.mean()))
    yy = np.linspace(-1, 1, height, dtype=np.float32)[:, None] ** 2
    xx = np.linspace(-1, 1, width, dtype=np.float32)[None, :] ** 2
    gain = exposure_gain(linear, spec)
    falloff = (gain / (1.0 + 0.5 * spec.vignetting * (xx + yy)) ** 2).astype(np.float32)
    if spec.local_tone > 0:
        falloff *= _local_gain(linear, gain, spec.local_tone)
    # Shot noise of a pixel full at white: about 4000 electrons in good light on a small sensor (common
    # practice, no source); less light is made up by gain.
    electrons = 4000.0 * min(1.0, (illuminance_lux / 2000.0) ** 0.7) / spec.noise
    shot, read = 1.0 / electrons, (3.0 / electrons) ** 2
    grey = 1 - spec.saturation
    mix = spec.saturation * np.eye(3, dtype=np.float32) + grey * np.array([0.299, 0.587, 0.114], np.float32)[None, :]
    curve = tone_lut(spec)
    first = rng.integers(0, 1024, 2)
    encoded = linear
    for top in range(0, height, 64):
        # In stripes that fit the cache: memory traffic is the cost.
        stripe = linear[top : top + 64]
        stripe *= falloff[top : top + 64, :, None]
        sigma = np.maximum(stripe, 0)
        sigma *= np.float32(1.5 * shot)
        sigma += np.float32(read)
        np.sqrt(sigma, out=sigma)
        sigma *= _noise(top + int(first[0]), stripe.shape[0], int(first[1]), width)
        stripe += sigma
        stripe *= _LUT_STEPS_PER_UNIT
        np.clip(stripe, 0, 8 * _LUT_STEPS_PER_UNIT - 1, out=stripe)
        encoded[top : top + 64] = cv2.transform(curve[stripe.astype(np.uint16)], mix)
    if spec.noise_reduction > 0 or spec.sharpening > 0:
        # Noise reduction smooths colour strongly and lightness a little; sharpening works on lightness.
        luma = cv2.transform(encoded, LUMA[None, :])
        sigma_px = 0.5 + 1.5 * spec.noise_reduction
        fine = luma
        if spec.noise_reduction > 0:
            keep = spec.noise_reduction
            fine = cv2.addWeighted(luma, 1 - keep, cv2.GaussianBlur(luma, (0, 0), 0.4 + 0.5 * keep), keep, 0)
        if spec.sharpening > 0:
            soft = cv2.GaussianBlur(fine, (0, 0), 1.2 * scale)
            fine = cv2.addWeighted(fine, 1 + spec.sharpening, soft, -spec.sharpening, 0)
        if spec.noise_reduction > 0:
            encoded = cv2.GaussianBlur(encoded, (0, 0), sigma_px)
            luma = cv2.GaussianBlur(luma, (0, 0), sigma_px)
        fine = cv2.subtract(fine, luma)
        encoded = cv2.add(encoded, cv2.merge([fine, fine, fine]))
    return np.clip(encoded + np.float32(0.5), 0, 255).astype(np.uint8)


@functools.cache
def _noise_bank() -> NDArray[np.float32]:
    return np.random.default_rng(8128).standard_normal((1024, 1024, 3), dtype=np.float32)


def _noise(top: int, height: int, left: int, width: int) -> NDArray[np.float32]:
    """Return white noise, shape (H, W, 3): a bank of 3 million values, shifted and repeated (drawing anew is slow)."""
    rows = (np.arange(height) + top) % 1024
    band = _noise_bank()[rows]
    left %= 1024
    pieces = [band[:, left:]]
    while sum(p.shape[1] for p in pieces) < width:
        pieces.append(band)
    return np.concatenate(pieces, axis=1)[:, :width]


def _motion_kernel(length_px: float, angle_deg: float) -> NDArray[np.float32]:
    size = int(length_px) // 2 * 2 + 3
    kernel = np.zeros((size, size), np.float32)
    half = 0.5 * length_px
    c = size // 2
    dx, dy = half * np.cos(np.radians(angle_deg)), half * np.sin(np.radians(angle_deg))
    ends = [(round((c - dx) * 16), round((c - dy) * 16)), (round((c + dx) * 16), round((c + dy) * 16))]
    cv2.line(kernel, ends[0], ends[1], 1.0, 1, cv2.LINE_8, 4)
    return np.asarray(kernel / kernel.sum())


def _local_gain(linear: Picture, gain: float, strength: float) -> NDArray[np.float32]:
    """Return a smooth gain that lifts dark regions and holds bright ones back."""
    height, width = linear.shape[:2]
    small = cv2.resize(linear, (width // 16, height // 16), interpolation=cv2.INTER_AREA)
    base = cv2.GaussianBlur(np.log(np.maximum(gain * (small @ LUMA), 1e-3)), (0, 0), 3.0)
    lift = np.exp(-strength * (base - np.log(0.18))).astype(np.float32)
    return np.asarray(cv2.resize(np.clip(lift, 0.4, 2.5), (width, height), interpolation=cv2.INTER_LINEAR))
