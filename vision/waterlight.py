"""How water takes light away, band by band, and which visible depth goes with what three colours have lost.

In: the share of a white-black difference that is left in red, green and blue after a path under water. Out: a
`DepthBelief`, the probability of each visible depth. Water is described by three amounts (living algae, dead matter,
dissolved matter) over pure water; every mixture within wide bounds is tried and weighed.

The colours need this because a broad band does not fade as exp(-k z): what is left is the light that fades least, so
that the mean attenuation over the eye's response is more than the logarithm of the eye's own loss says.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vision import colour
from vision.belief import LOG_STEPS, DepthBelief, belief_of

Array = NDArray[Any]

WAVELENGTHS_NM: Array = np.arange(400.0, 701.0, 10.0)
"""Bands [nm]."""

REFRACTIVE_INDEX = 1.34
"""Of water, mid-visible: as in the worked example of Lee et al. (1998), Applied Optics 37:6329."""

# fmt: off
WATER_ABSORPTION_PER_M: Array = np.array([
    0.00663, 0.00473, 0.00454, 0.00495, 0.00635, 0.00922, 0.00979, 0.0106, 0.0127, 0.0150,
    0.0204, 0.0325, 0.0409, 0.0434, 0.0474, 0.0565, 0.0619, 0.0695, 0.0896, 0.1351,
    0.2224, 0.2644, 0.2755, 0.2916, 0.3108, 0.340, 0.410, 0.439, 0.465, 0.516, 0.624,
])
"""Of pure water [1/m]: Pope & Fry (1997), Applied Optics 36(33):8710, table 3."""

DAYLIGHT: Array = np.array([
    82.75, 91.49, 93.43, 86.68, 104.86, 117.01, 117.81, 114.86, 115.92, 108.81, 109.35, 107.80, 104.79, 107.69, 104.41,
    104.05, 100.00, 96.33, 95.79, 88.69, 90.01, 89.60, 87.70, 83.29, 83.70, 80.03, 80.21, 82.28, 78.28, 69.72, 71.61,
])
"""CIE illuminant D65, relative (CIE 15:2004, table T.1), every 10 nm."""
# fmt: on

GAMMA = 8.0
"""Visible depth times (c + K): the definition of visible depth, after Tyler (1968) and Preisendorfer (1986)."""

ALGAE_SHAPE = ((440.0, 42.0, 0.030), (675.0, 13.0, 0.016), (550.0, 400.0, 0.006))
"""Absorption of living algae: centre, sigma [nm] and height of three bells [m2/mg chlorophyll-a]. Our own
simplification of the mean of Bricaud et al. (1995): blue band, red band, and a floor between them."""

ALGAE_UG_L: Array = np.concatenate([[0.0], np.geomspace(0.5, 400, 14)])
DEAD_PER_M: Array = np.geomspace(0.02, 160, 64)
DISSOLVED_PER_M: Array = np.array([0.01, 0.06, 0.25, 1.0, 3.0])
"""Amounts tried: chlorophyll-a [micrograms/L], scattering of dead matter at 550 nm [1/m], absorption of dissolved and
brown matter at 440 nm [1/m]. From tap water to the darkest pool (the project's own bounds)."""

FORWARD_SHARES = (0.72, 0.80, 0.87, 0.94)
"""Shares of the scattering that goes forward by so small an angle that a disc as a whole keeps it, each as likely:
of Petzold's turbid harbour water (1972, from memory) three quarters go within 15 degrees, nine tenths within 40."""


@cache
def luminance_weights() -> Array:
    """Return the photopic response on the bands, summing to 1.

    The CIE 1931 y function by the two-bell fit of Wyman, Sloan & Shirley (2013), Journal of Computer Graphics
    Techniques 2(2), equation 4; it errs by at most 2 % of the peak.
    """
    weights = _xyz_functions()[1]
    return np.asarray(weights / weights.sum())


def _xyz_functions() -> Array:
    """Return the CIE 1931 functions on the bands, shape (3, 31) (Wyman, Sloan & Shirley 2013, multi-lobe fit)."""

    def bell(centre: float, below: float, above: float) -> Array:
        slope = np.where(centre > WAVELENGTHS_NM, below, above)
        return np.asarray(np.exp(-0.5 * ((WAVELENGTHS_NM - centre) * slope) ** 2))

    x = 0.362 * bell(442.0, 0.0624, 0.0374) + 1.056 * bell(599.8, 0.0264, 0.0323) - 0.065 * bell(501.1, 0.0490, 0.0382)
    y = 0.821 * bell(568.8, 0.0213, 0.0247) + 0.286 * bell(530.9, 0.0613, 0.0322)
    z = 1.217 * bell(437.0, 0.0845, 0.0278) + 0.681 * bell(459.0, 0.0385, 0.0725)
    return np.array([x, y, z])


@cache
def rgb_weights() -> Array:
    """Return the matrix from a reflectance (or a share left) to linear sRGB under daylight, shape (3, 31); rows sum
    to 1, so that white stays white."""
    matrix = colour.XYZ_TO_RGB @ (_xyz_functions() * DAYLIGHT)
    return np.asarray(matrix / matrix.sum(axis=1, keepdims=True))


@cache
def waters() -> tuple[Array, Array, Array, Array]:
    """Return c, K and scattering of every water tried, shape (N, 31) [1/m], and its log visible depth, shape (N,).

    K is that of Lee et al. (2013), JGR Oceans 118:4241, at a sun 30 degrees from the vertical.
    """
    algae, dead, dissolved = (v.reshape(-1, 1) for v in np.meshgrid(ALGAE_UG_L, DEAD_PER_M, DISSOLVED_PER_M))
    lam = WAVELENGTHS_NM
    shape = sum(height * np.exp(-0.5 * ((lam - centre) / sigma) ** 2) for centre, sigma, height in ALGAE_SHAPE)
    b_water = 0.0022 * (500 / lam) ** 4.32
    # Scattering of algae as Gordon & Morel (1983), b = 0.3 C^0.62 at 550 nm.
    b_algae = 0.3 * algae**0.62 * (550 / lam)
    b_dead = dead * (550 / lam) ** 0.3
    absorbed = WATER_ABSORPTION_PER_M + algae * shape + dissolved * np.exp(-0.014 * (lam - 440))
    back_water = b_water / 2
    back = back_water + 0.012 * b_algae + 0.019 * b_dead
    beam = absorbed + b_water + b_algae + b_dead
    down = 1.15 * absorbed + 4.26 * (1 - 0.265 * back_water / back) * (1 - 0.52 * np.exp(-10.8 * absorbed)) * back
    eye = luminance_weights()
    return beam, down, b_algae + b_dead, np.asarray(np.log(GAMMA / ((beam + down) @ eye)))


def surface_passed(cos_air: float, reflectance: float) -> float:
    """Return what the surface leaves of a level surface's radiance just below it, seen from above.

    t_down t(view) / n^2 times the echo 1 / (1 - 1.5 r): down through the surface (0.955, between the sun's 0.97 and a
    uniform sky's 0.934), up through it by Fresnel, spread over n^2 as large a solid angle, and what the surface throws
    back down of the water's own light (Lee et al. 1998).

    Parameters
    ----------
    cos_air : float
        Cosine of the view's angle from the vertical, in air.
    reflectance : float
        Reflectance factor of the water by the disc, seen from above [0-1].
    """
    n = REFRACTIVE_INDEX
    cos_water = np.sqrt(1 - (1 - cos_air**2) / n**2)
    r_s = (cos_air - n * cos_water) / (cos_air + n * cos_water)
    r_p = (n * cos_air - cos_water) / (n * cos_air + cos_water)
    passed = 1 - 0.5 * (r_s**2 + r_p**2)
    above = max(reflectance, 0.0) / np.pi
    below = above / (0.5 + 1.5 * above)
    return float(0.955 * passed / n**2 / (1 - 1.5 * below))


@dataclass(frozen=True)
class Fitted:
    """One way of taking a print's picture apart: sharp part, wide part, and how well it explains the picture.

    `parts` and `errors`, shape (3, 2), hold sharp and wide share left in red, green, blue; `together`, in -1 to 1, is
    the correlation of the two errors; `support` is the logarithm of how well the picture is explained.
    """

    parts: Array
    errors: Array
    together: float
    support: float


def depth_belief(
    fits: Sequence[Fitted],
    *,
    depth_m: float,
    depth_error_m: float,
    cos_water: float,
    surface: float,
    gain_middle: float,
    gain_spread: float,
    colour_spread: float,
) -> DepthBelief:
    """Weigh every water by how well it explains what is left of a white-black difference.

    Parameters
    ----------
    fits : sequence of Fitted
        Ways of taking the picture apart.
    depth_m, depth_error_m : float
        Depth of the disc and the standard error of reading it [m].
    cos_water : float
        Cosine of the view's angle from the vertical, in water.
    surface : float
        From `surface_passed`.
    gain_middle, gain_spread : float
        Logarithm of what multiplies everything, and its spread: other light on the card, local tone, print.
    colour_spread : float
        Error of each channel beside the others, as a share of the luminance left: the camera's colours.

    Returns
    -------
    DepthBelief
        Before the measurement every logarithm of visible depth is equally likely.
    """
    beam, down, scattered, log_depth = waters()
    bins = np.clip(np.searchsorted(LOG_STEPS, log_depth), 0, len(LOG_STEPS) - 1)
    coarse = bins // 8
    # As many waters as happen to lie in a step of visible depth share that step's one weight.
    prior = 1.0 / np.bincount(coarse)[coarse]
    sums = np.zeros(len(log_depth))
    luminance = np.array([0.2126, 0.7152, 0.0722])
    top = max(fit.support for fit in fits)
    steps = np.linspace(-1.4, 1.4, 3)
    for z in np.maximum(depth_m + steps * depth_error_m, 0.2 * depth_m):
        sharp_spectrum = surface * np.exp(-down * z - beam * z / cos_water)
        sharp = sharp_spectrum @ rgb_weights().T
        for forward in FORWARD_SHARES:
            wide = (sharp_spectrum * np.expm1(np.minimum(forward * scattered * z / cos_water, 60))) @ rgb_weights().T
            for fit in fits:
                sums += np.exp(fit.support - top) * _likelihood(
                    np.exp(gain_middle) * sharp,
                    np.exp(gain_middle) * wide,
                    fit,
                    luminance,
                    gain_spread=gain_spread,
                    colour_spread=colour_spread,
                )
    sums *= prior
    weights = np.bincount(bins, sums, minlength=len(LOG_STEPS))
    # The waters tried lie unevenly on the grid: spread each over 4 %, less than any photo knows.
    kernel = np.exp(-0.5 * (np.arange(-6, 7) / 2.0) ** 2)
    weights = np.convolve(weights, kernel, mode="same")
    return belief_of(weights)


def _likelihood(
    sharp: Array, wide: Array, fit: Fitted, luminance: Array, *, gain_spread: float, colour_spread: float
) -> Array:
    """Return the likelihood of one way of taking the picture apart under every water, shape (N,)."""
    total = np.zeros(len(sharp))
    for node in np.linspace(-2, 2, 9):
        gain = np.exp(node * gain_spread)
        chance = np.full(len(sharp), np.exp(-0.5 * node**2))
        off = [colour_spread * gain * (part @ luminance) for part in (sharp, wide)]
        for channel in range(3):
            miss_s = fit.parts[channel, 0] - gain * sharp[:, channel]
            miss_w = fit.parts[channel, 1] - gain * wide[:, channel]
            v_s = fit.errors[channel, 0] ** 2 + off[0] ** 2
            v_w = fit.errors[channel, 1] ** 2 + off[1] ** 2
            v_sw = fit.together * fit.errors[channel, 0] * fit.errors[channel, 1]
            det = v_s * v_w - v_sw**2
            chance *= np.exp(-0.5 * (v_w * miss_s**2 - 2 * v_sw * miss_s * miss_w + v_s * miss_w**2) / det)
            chance /= np.sqrt(det)
        total += chance
    return total
