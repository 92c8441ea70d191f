"""Light, surfaces and cameras as spectra, from colour-science's data: what a phone and the eye make of them.

In: an illuminant's name, a camera's number, reflectances. Out: linear camera sRGB, and the true linear sRGB under D65.
The measured camera sensitivities are colour-science's; makers' names are left out. Shares no code with `vision`.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from functools import cache

import numpy as np

WAVELENGTHS_NM = np.arange(400.0, 701.0, 10.0)
ILLUMINANTS = {
    "3000 K": (3000, 1.0), "3000 K, 60 %": (3000, 0.6), "4000 K": (4000, 1.0), "5000 K": (5000, 1.0),
    "6500 K": (6500, 1.0), "8000 K": (8000, 1.0), "10000 K": (10000, 1.0), "10000 K, 60 %": (10000, 0.6),
}  # fmt: skip
"""Colour temperature [K] and the share of the light's colour that the camera's white balance takes away."""
XYZ_TO_SRGB = np.array([[3.2406, -1.5372, -0.4986], [-0.9689, 1.8758, 0.0415], [0.0557, -0.2040, 1.0570]])
"""Linear sRGB from XYZ. Source: IEC 61966-2-1:1999."""


def science():
    """Return colour-science, its notices about drawing silenced."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import colour
    return colour


def _on_grid(wavelengths: np.ndarray, values: np.ndarray) -> np.ndarray:
    values = np.asarray(values, float)
    if values.ndim == 1:
        return np.interp(WAVELENGTHS_NM, wavelengths, values, left=0, right=0)
    return np.array([np.interp(WAVELENGTHS_NM, wavelengths, column, left=0, right=0) for column in values.T])


@cache
def camera_count() -> int:
    """Return how many measured cameras colour-science holds."""
    return len(science().MSDS_CAMERA_SENSITIVITIES)


@cache
def sensitivities(camera: int) -> np.ndarray:
    """Return a measured camera's sensitivities, shape (3, 31)."""
    measured = list(science().MSDS_CAMERA_SENSITIVITIES.values())[camera]
    return _on_grid(measured.wavelengths, np.nan_to_num(measured.values))


@cache
def observer() -> np.ndarray:
    """Return the CIE 1931 2 degree colour matching functions, shape (3, 31)."""
    cmfs = science().MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
    return _on_grid(cmfs.wavelengths, cmfs.values)


@cache
def illuminant(kelvin: float) -> np.ndarray:
    """Return a light: CIE daylight from 4000 K up, a Planck radiator below, shape (31,), mean 1."""
    colour = science()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        if kelvin < 4000:
            light = colour.sd_blackbody(kelvin, colour.SpectralShape(400, 700, 10))
        else:
            # The 1.4388 / 1.4380 of the D-series' nominal temperatures (CIE 15:2004).
            xy = colour.temperature.CCT_to_xy_CIE_D(kelvin * 1.4388 / 1.4380)
            light = colour.sd_CIE_illuminant_D_series(xy)
    values = _on_grid(light.wavelengths, light.values)
    return values / values.mean()


@cache
def chart_reflectances(which: int = 0) -> np.ndarray:
    """Return the 24 patches' measured reflectances, shape (24, 31): 0 the mean of many charts, 1 another's."""
    spectra = list(list(science().SDS_COLOURCHECKERS.values())[which].values())
    return np.array([_on_grid(each.wavelengths, each.values) for each in spectra])


@cache
def _srgb_weights() -> np.ndarray:
    weights = XYZ_TO_SRGB @ (observer() * illuminant(6500))
    return weights / weights.sum(axis=1, keepdims=True)


def true_linear(reflectances: np.ndarray) -> np.ndarray:
    """Return reflectances' linear sRGB under D65, white at 1; not clipped."""
    return reflectances @ _srgb_weights().T


def lab_of(linear: np.ndarray) -> np.ndarray:
    """Return CIELAB (D65) of linear sRGB, by colour-science."""
    colour = science()
    rgb_to_xyz = np.linalg.inv(XYZ_TO_SRGB)
    xyz = np.asarray(linear) @ rgb_to_xyz.T
    white = rgb_to_xyz.sum(axis=1)
    return colour.XYZ_to_Lab(xyz, colour.XYZ_to_xy(white)) if abs(white[1] - 1) < 1e-6 else colour.XYZ_to_Lab(
        xyz / white[1], colour.XYZ_to_xy(white)
    )  # fmt: skip


def delta_e(linear: np.ndarray, true: np.ndarray) -> np.ndarray:
    """Return CIEDE2000 between linear sRGB colours, by colour-science."""
    return science().delta_E(lab_of(linear), lab_of(true), method="CIE 2000")


@dataclass(frozen=True)
class Phone:
    """A phone: a measured camera and the way it makes a picture."""

    camera: int
    contrast: float = 0.25
    saturation: float = 1.0

    def matrix(self) -> np.ndarray:
        """Return the white-preserving matrix to linear sRGB that a maker would fit for daylight of 5500 K."""
        light = illuminant(5500)
        surfaces = _surfaces()
        sensor = surfaces @ (sensitivities(self.camera) * light).T / (sensitivities(self.camera) * light).sum(axis=1)
        wanted = true_linear(surfaces)
        # White stays white: fit the difference from the green channel.
        a = sensor[:, [0, 2]] - sensor[:, [1]]
        out = np.zeros((3, 3))
        for row in range(3):
            x = np.linalg.lstsq(a, wanted[:, row] - sensor[:, 1], rcond=None)[0]
            out[row] = [x[0], 1 - x.sum(), x[1]]
        grey = np.array([0.2126, 0.7152, 0.0722])
        return (self.saturation * np.eye(3) + (1 - self.saturation) * grey) @ out

    def sees(self, reflectances: np.ndarray, kelvin: float, balance: float) -> np.ndarray:
        """Return the camera's linear sRGB of reflectances under a light, white at about 1."""
        curves = sensitivities(self.camera)
        under, neutral = curves @ illuminant(kelvin), curves @ illuminant(6500)
        assumed = (under / under[1]) ** balance * (neutral / neutral[1]) ** (1 - balance)
        raw = reflectances @ (curves * illuminant(kelvin)).T / under[1]
        return (raw / assumed) @ self.matrix().T


@cache
def _surfaces() -> np.ndarray:
    """Return the surfaces a maker fits a matrix on: smooth random spectra, and another chart's than the one tested."""
    rng = np.random.default_rng(4)
    knots = np.linspace(400, 700, 7)
    smooth = np.array([np.interp(WAVELENGTHS_NM, knots, rng.uniform(0.03, 0.9, 7)) for _ in range(60)])
    return np.vstack([smooth, chart_reflectances(1)])
