"""Colour arithmetic: sRGB, CIE XYZ, CIELAB, chromatic adaptation and colour difference.

In: arrays whose last axis is the colour. Out: arrays of the same shape (or one axis less for a difference).
Everything is pure and vectorised; NaN in gives NaN out.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

WHITE_D65_XYZ: Array = np.array([0.3127 / 0.3290, 1.0, (1 - 0.3127 - 0.3290) / 0.3290])
"""White of sRGB, from x 0.3127, y 0.3290 (IEC 61966-2-1:1999, table 1), Y = 1."""

WHITE_D50_XYZ: Array = np.array([0.3457 / 0.3585, 1.0, (1 - 0.3457 - 0.3585) / 0.3585])
"""CIE illuminant D50, 2 degree observer, from x 0.3457, y 0.3585 (CIE 15:2004, table T.3), Y = 1."""

SRGB_PRIMARIES_XY: Array = np.array([[0.64, 0.33], [0.30, 0.60], [0.15, 0.06]])
"""Chromaticities of the red, green and blue primaries (IEC 61966-2-1:1999, table 1)."""

BRADFORD: Array = np.array([[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]])
"""Cone response matrix of the Bradford transform (Lam 1985; ICC.1 specification, annex E)."""

LAB_EPSILON = 216 / 24389
LAB_KAPPA = 24389 / 27
"""Break and slope of the CIELAB function as exact fractions (CIE 15:2004, section 8.2.1.1)."""


def _rgb_to_xyz_matrix() -> Array:
    """Derive linear sRGB to XYZ from the primaries and the white, in full precision."""
    x, y = SRGB_PRIMARIES_XY.T
    primaries_xyz = np.array([x / y, np.ones(3), (1 - x - y) / y], dtype=np.float64)
    gains = np.linalg.solve(primaries_xyz, WHITE_D65_XYZ)
    matrix: Array = np.asarray(primaries_xyz * gains, dtype=np.float64)
    return matrix


RGB_TO_XYZ: Array = _rgb_to_xyz_matrix()
"""Linear sRGB to XYZ (D65), from the chromaticities above; its four-decimal form is in IEC 61966-2-1."""
XYZ_TO_RGB: Array = np.asarray(np.linalg.inv(RGB_TO_XYZ), dtype=np.float64)
"""XYZ (D65) to linear sRGB: the inverse of `RGB_TO_XYZ`."""


def decode_srgb(encoded_rgb: ArrayLike) -> Array:
    """Return linear light of gamma-encoded sRGB.

    Values outside 0 to 1 are extended through the origin (odd function), so that colours out of gamut
    survive a round trip.

    Parameters
    ----------
    encoded_rgb : array_like
        Gamma-encoded sRGB [0-1].

    References
    ----------
    IEC 61966-2-1:1999 with amendment 1:2003, clause 5.2.

    Examples
    --------
    >>> round(float(decode_srgb(188 / 255)), 6)
    0.502886
    """
    value = np.asarray(encoded_rgb, dtype=np.float64)
    size = np.abs(value)
    return np.sign(value) * np.where(size <= 0.04045, size / 12.92, ((size + 0.055) / 1.055) ** 2.4)


def encode_srgb(linear_rgb: ArrayLike) -> Array:
    """Return gamma-encoded sRGB of linear light; the inverse of `decode_srgb`.

    Parameters
    ----------
    linear_rgb : array_like
        Linear sRGB [0-1]; values outside are extended through the origin.

    References
    ----------
    IEC 61966-2-1:1999 with amendment 1:2003, clause 5.2.
    """
    value = np.asarray(linear_rgb, dtype=np.float64)
    size = np.abs(value)
    return np.sign(value) * np.where(size <= 0.0031308, size * 12.92, 1.055 * size ** (1 / 2.4) - 0.055)


def xyz_to_lab(xyz: ArrayLike, white_xyz: ArrayLike = WHITE_D65_XYZ) -> Array:
    """Return CIELAB of XYZ relative to a white.

    Parameters
    ----------
    xyz : array_like, shape (..., 3)
        Tristimulus values, white at Y = 1.
    white_xyz : array_like, shape (3,)
        The reference white.

    References
    ----------
    CIE 15:2004, section 8.2.1.
    """
    ratio = np.asarray(xyz, dtype=np.float64) / np.asarray(white_xyz, dtype=np.float64)
    # Below the break the function is a straight line, which also carries slightly negative XYZ.
    f = np.where(ratio > LAB_EPSILON, np.cbrt(ratio), (LAB_KAPPA * ratio + 16) / 116)
    return np.stack([116 * f[..., 1] - 16, 500 * (f[..., 0] - f[..., 1]), 200 * (f[..., 1] - f[..., 2])], axis=-1)


def lab_to_xyz(lab: ArrayLike, white_xyz: ArrayLike = WHITE_D65_XYZ) -> Array:
    """Return XYZ of CIELAB; the inverse of `xyz_to_lab`.

    Parameters
    ----------
    lab : array_like, shape (..., 3)
        L* [0-100], a*, b*.
    white_xyz : array_like, shape (3,)
        The reference white.
    """
    value = np.asarray(lab, dtype=np.float64)
    fy = (value[..., 0] + 16) / 116
    f = np.stack([fy + value[..., 1] / 500, fy, fy - value[..., 2] / 200], axis=-1)
    cubed = f**3
    ratio = np.where(cubed > LAB_EPSILON, cubed, (116 * f - 16) / LAB_KAPPA)
    return ratio * np.asarray(white_xyz, dtype=np.float64)


def linear_rgb_to_lab(linear_rgb: ArrayLike) -> Array:
    """Return CIELAB (D65) of linear sRGB, shape (..., 3)."""
    return xyz_to_lab(np.asarray(linear_rgb, dtype=np.float64) @ RGB_TO_XYZ.T)


def lab_to_linear_rgb(lab: ArrayLike) -> Array:
    """Return linear sRGB of CIELAB (D65), shape (..., 3); out of gamut stays out of 0 to 1."""
    return lab_to_xyz(lab) @ XYZ_TO_RGB.T


def bradford_matrix(source_white_xyz: ArrayLike, target_white_xyz: ArrayLike) -> Array:
    """Return the matrix that adapts XYZ from one white to another.

    Parameters
    ----------
    source_white_xyz, target_white_xyz : array_like, shape (3,)
        Whites, Y = 1.

    Returns
    -------
    ndarray, shape (3, 3)
        Use as ``xyz @ matrix.T``.

    References
    ----------
    Lam, K. M. (1985), doctoral thesis, University of Bradford; ICC.1, annex E.
    """
    source = BRADFORD @ np.asarray(source_white_xyz, dtype=np.float64)
    target = BRADFORD @ np.asarray(target_white_xyz, dtype=np.float64)
    return np.asarray(np.linalg.solve(BRADFORD, np.diag(target / source) @ BRADFORD), dtype=np.float64)


def lab_d50_to_linear_rgb(lab_d50: ArrayLike) -> Array:
    """Return linear sRGB of CIELAB given under D50 (as charts are published), Bradford-adapted."""
    return lab_to_xyz(lab_d50, WHITE_D50_XYZ) @ bradford_matrix(WHITE_D50_XYZ, WHITE_D65_XYZ).T @ XYZ_TO_RGB.T


def delta_e00(lab_1: ArrayLike, lab_2: ArrayLike) -> Array:
    """Return the CIEDE2000 colour difference with kL = kC = kH = 1.

    Parameters
    ----------
    lab_1, lab_2 : array_like, shape (..., 3)
        CIELAB colours; broadcast against each other.

    Returns
    -------
    ndarray, shape (...)

    Notes
    -----
    Meant for differences up to about 5; larger ones are in order but not to scale. Where the two hues are
    exactly 180 degrees apart the mean hue is ambiguous and depends on the last bit of atan2.

    References
    ----------
    Sharma, Wu and Dalal (2005), Color Research and Application 30(1), 21-30, equations 2 to 22.

    Examples
    --------
    >>> round(float(delta_e00([50, 2.6772, -79.7751], [50, 0, -82.7485])), 4)
    2.0425
    """
    L_1, a_1, b_1 = np.moveaxis(np.asarray(lab_1, dtype=np.float64), -1, 0)
    L_2, a_2, b_2 = np.moveaxis(np.asarray(lab_2, dtype=np.float64), -1, 0)
    C_mean_7 = ((np.hypot(a_1, b_1) + np.hypot(a_2, b_2)) / 2) ** 7
    G = 0.5 * (1 - np.sqrt(C_mean_7 / (C_mean_7 + 25.0**7)))
    a_1p, a_2p = (1 + G) * a_1, (1 + G) * a_2
    C_1p, C_2p = np.hypot(a_1p, b_1), np.hypot(a_2p, b_2)
    h_1p = np.degrees(np.arctan2(b_1, a_1p)) % 360
    h_2p = np.degrees(np.arctan2(b_2, a_2p)) % 360

    grey = C_1p * C_2p == 0
    dh = h_2p - h_1p
    dh = np.where(grey, 0.0, np.where(dh > 180, dh - 360, np.where(dh < -180, dh + 360, dh)))
    dL, dC = L_2 - L_1, C_2p - C_1p
    dH = 2 * np.sqrt(C_1p * C_2p) * np.sin(np.radians(dh / 2))

    L_m, C_m = (L_1 + L_2) / 2, (C_1p + C_2p) / 2
    h_sum = h_1p + h_2p
    far = np.abs(h_1p - h_2p) > 180
    h_m = np.where(grey, h_sum, np.where(far, np.where(h_sum < 360, h_sum + 360, h_sum - 360) / 2, h_sum / 2))
    T = (
        1
        - 0.17 * np.cos(np.radians(h_m - 30))
        + 0.24 * np.cos(np.radians(2 * h_m))
        + 0.32 * np.cos(np.radians(3 * h_m + 6))
        - 0.20 * np.cos(np.radians(4 * h_m - 63))
    )
    d_theta = 30 * np.exp(-(((h_m - 275) / 25) ** 2))
    R_C = 2 * np.sqrt(C_m**7 / (C_m**7 + 25.0**7))
    S_L = 1 + 0.015 * (L_m - 50) ** 2 / np.sqrt(20 + (L_m - 50) ** 2)
    S_C = 1 + 0.045 * C_m
    S_H = 1 + 0.015 * C_m * T
    R_T = -np.sin(np.radians(2 * d_theta)) * R_C
    l, c, h = dL / S_L, dC / S_C, dH / S_H  # noqa: E741
    difference: Array = np.sqrt(np.maximum(l * l + c * c + h * h + R_T * c * h, 0.0))
    return difference
