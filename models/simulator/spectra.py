"""The spectral grid and the eye on it: wavelengths, colour matching functions, smooth reflectances.

In: nothing but the tables in data/. Out: photopic and XYZ weights, and `reflectance_of`, the smoothest
reflectance spectrum that has a given sRGB colour under D65.
"""

from __future__ import annotations

import functools
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

WAVELENGTHS_NM = np.arange(400.0, 701.0, 10.0)
"""31 bands [nm]."""

DATA = Path(__file__).parent / "data"

XYZ_TO_SRGB = np.array([[3.2406, -1.5372, -0.4986], [-0.9689, 1.8758, 0.0415], [0.0557, -0.2040, 1.0570]])
"""Linear sRGB from XYZ. Source: IEC 61966-2-1:1999."""


@functools.cache
def table(name: str) -> NDArray[np.float64]:
    """Return a numeric table of data/ without its wavelength column, shape (31, columns)."""
    return np.loadtxt(DATA / name, delimiter=",", comments="#", skiprows=_header_rows(name))[:, 1:]


def _header_rows(name: str) -> int:
    lines = (DATA / name).read_text(encoding="utf-8").splitlines()
    return 1 + sum(line.startswith("#") for line in lines)


@functools.cache
def chart24_reflectances() -> NDArray[np.float64]:
    """Return the 24 patches' reflectances, shape (24, 31), dark skin to black."""
    rows = [r for r in (DATA / "chart24_reflectances.csv").read_text(encoding="utf-8").splitlines() if r[:1] != "#"]
    return np.array([[float(value) for value in row.split(",")[1:]] for row in rows[1:]])


def photopic_mean(spectrum: NDArray[np.float64]) -> float:
    """Return the mean of a spectrum weighted by the CIE 1931 photopic response."""
    weights = table("observer_and_daylight.csv")[:, 1]
    return float(np.dot(spectrum, weights) / weights.sum())


@functools.cache
def d65() -> NDArray[np.float64]:
    """Return illuminant D65 rebuilt from the daylight components (CIE 15:2004)."""
    # M1, M2 at x_D = 0.3127, y_D = 0.3290: CIE 15:2004 eq. 3.3 and 3.4.
    x, y = 0.3127, 0.3290
    return daylight(x, y)


def daylight(x: float, y: float) -> NDArray[np.float64]:
    """Return a daylight spectrum S0 + M1 S1 + M2 S2 of chromaticity x, y (CIE 15:2004)."""
    m = 0.0241 + 0.2562 * x - 0.7341 * y
    m1 = (-1.3515 - 1.7703 * x + 5.9114 * y) / m
    m2 = (0.0300 - 31.4424 * x + 30.0717 * y) / m
    s = table("observer_and_daylight.csv")[:, 3:6]
    return np.clip(s[:, 0] + m1 * s[:, 1] + m2 * s[:, 2], 0.0, None)


@functools.cache
def srgb_weights() -> NDArray[np.float64]:
    """Return the 3 x 31 matrix from reflectance to linear sRGB under D65 (white maps to 1, 1, 1)."""
    cmf = table("observer_and_daylight.csv")[:, :3]
    xyz = (cmf * d65()[:, None]).T
    weights = XYZ_TO_SRGB @ (xyz / xyz[1].sum())
    # Integrating on 31 bands with a 4-digit matrix leaves white 0.1 % off grey: scale each row.
    return np.asarray(weights / weights.sum(axis=1, keepdims=True))


def decode_srgb(encoded: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return linear from gamma-encoded sRGB [0-1] (IEC 61966-2-1)."""
    encoded = np.asarray(encoded, dtype=np.float64)
    return np.where(encoded <= 0.04045, encoded / 12.92, ((np.maximum(encoded, 0.0) + 0.055) / 1.055) ** 2.4)


def encode_srgb(linear: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return gamma-encoded from linear sRGB [0-1] (IEC 61966-2-1); negative values become 0."""
    linear = np.maximum(linear, 0.0)
    return np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)


@functools.lru_cache(maxsize=4096)
def reflectance_of(encoded_rgb: tuple[float, float, float]) -> NDArray[np.float64]:
    """Return the smoothest reflectance with an sRGB colour under D65.

    Minimises the squared slope of z, where rho = (tanh z + 1)/2 keeps the reflectance between 0 and 1, under the
    constraint that its colour is the one given; solved by Newton's method.

    Parameters
    ----------
    encoded_rgb : tuple of 3 floats
        Gamma-encoded sRGB [0-1]; pulled to 0.02-0.98 a channel in linear light, where no reflectance reaches.

    References
    ----------
    Burns, S. A. (2020), Numerical methods for smoothest reflectance reconstruction, Color Res. Appl. 45(1):8-21
    (the hyperbolic tangent method; constraints as in his 2015 note).
    """
    target = np.clip(decode_srgb(np.array(encoded_rgb)), 0.004, 0.985)
    weights = srgb_weights()
    n = len(WAVELENGTHS_NM)
    slope = np.diff(np.eye(n), axis=0)
    hessian = 2.0 * slope.T @ slope
    grey = float(np.clip(target.mean(), 0.01, 0.97))
    z = np.full(n, np.arctanh(2 * grey - 1))
    lam = np.zeros(3)
    for _ in range(60):
        rho = 0.5 * (np.tanh(z) + 1)
        d1 = 0.5 / np.cosh(z) ** 2
        d2 = -2.0 * d1 * np.tanh(z)
        gradient = hessian @ z + d1 * (weights.T @ lam)
        miss = weights @ rho - target
        jacobian = np.zeros((n + 3, n + 3))
        jacobian[:n, :n] = hessian + np.diag(d2 * (weights.T @ lam))
        jacobian[:n, n:] = d1[:, None] * weights.T
        jacobian[n:, :n] = weights * d1
        step = np.linalg.lstsq(jacobian, -np.concatenate([gradient, miss]), rcond=None)[0]
        step *= min(1.0, 1.0 / max(np.abs(step[:n]).max(), 1e-9))
        z = z + step[:n]
        lam = lam + step[n:]
        if np.abs(step[:n]).max() < 1e-7:
            break
    return np.asarray(0.5 * (np.tanh(z) + 1))
