"""The light on the pool: sun and sky spectra and how much each gives.

In: a `LightSpec`. Out: `Light`, the irradiance spectra in the sun and in the shade, scaled so that a white sheet
lying in the open has luminance 1, and the sky's own spectrum for reflections.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.simulator.spectra import WAVELENGTHS_NM, daylight, photopic_mean


@dataclass(frozen=True)
class LightSpec:
    """Sun, sky and what stands around.

    Attributes
    ----------
    kind : sun, part_shade, shade, overcast, low_sun or dusk.
    sun_zenith_deg, sun_azimuth_deg : where the sun stands; azimuth from +x towards +y of the pool.
    sun_share : share of the horizontal irradiance that comes straight from the sun [0-1].
    sun_cct_k, sky_cct_k : colour temperatures [K].
    illuminance_lux : on a sheet in the open; sets the noise.
    cloud_cover : share of the sky under clouds [0-1].
    in_shade : the whole scene lies in the shade of a building or a tree.
    shade_edge : None, or (direction in degrees, distance m of the edge from the pool's middle, raggedness m).
    green_bounce : light that reaches the shade through or off foliage [0-1].
    surround : trees, house, fence or open.
    tree_height_deg : how high the surround stands above the horizon.
    wave_slope_rms : root mean square slope of the surface; a calm pool has about 0.01-0.03 (Cox & Munk 1954 give
        0.055 for the calmest sea).
    wave_size_m : size of the wave pattern's tile.
    """

    kind: str = "sun"
    sun_zenith_deg: float = 35.0
    sun_azimuth_deg: float = 120.0
    sun_share: float = 0.82
    sun_cct_k: float = 5400.0
    sky_cct_k: float = 11000.0
    illuminance_lux: float = 70000.0
    cloud_cover: float = 0.1
    in_shade: bool = False
    shade_edge: tuple[float, float, float] | None = None
    green_bounce: float = 0.05
    surround: str = "trees"
    tree_height_deg: float = 14.0
    wave_slope_rms: float = 0.02
    wave_size_m: float = 2.4
    seed: int = 1


@dataclass(frozen=True)
class Light:
    """Irradiance spectra on a horizontal sheet, photopic mean 1 for sun and sky together."""

    lit: NDArray[np.float64]
    shaded: NDArray[np.float64]
    sky: NDArray[np.float64]
    sun: NDArray[np.float64]


def daylight_of(cct_k: float) -> NDArray[np.float64]:
    """Return a daylight spectrum of a colour temperature, photopic mean 1.

    The CIE D-series holds from 4000 to 25000 K (CIE 15:2004, eqs. 3.1-3.2); below 4000 K, the low sun, the 4000 K
    spectrum is reddened by the ratio of Planck radiators.

    Examples
    --------
    >>> s = daylight_of(6504.0)
    >>> round(float(s[6] / s[16]), 2)  # D65 at 460 and 560 nm: 117.81 / 100
    1.18
    """
    t = min(max(cct_k, 4000.0), 25000.0)
    if t <= 7000:
        x = -4.6070e9 / t**3 + 2.9678e6 / t**2 + 0.09911e3 / t + 0.244063
    else:
        x = -2.0064e9 / t**3 + 1.9018e6 / t**2 + 0.24748e3 / t + 0.237040
    y = -3.0 * x * x + 2.870 * x - 0.275
    spectrum = daylight(x, y)
    if cct_k < 4000:
        spectrum = spectrum * _planck(cct_k) / _planck(4000.0)
    return spectrum / photopic_mean(spectrum)


def _planck(kelvin: float) -> NDArray[np.float64]:
    lam = WAVELENGTHS_NM * 1e-9
    return 1e-30 * lam**-5.0 / (np.exp(1.4388e-2 / (lam * kelvin)) - 1.0)


def light_of(spec: LightSpec, leaf_reflectance: NDArray[np.float64]) -> Light:
    """Return the spectra a `LightSpec` stands for.

    Parameters
    ----------
    spec : LightSpec
    leaf_reflectance : ndarray, shape (31,)
        Colour of the foliage whose light reaches the shade [0-1].
    """
    sky = daylight_of(spec.sky_cct_k)
    sun = daylight_of(spec.sun_cct_k)
    leaf = leaf_reflectance / photopic_mean(leaf_reflectance)
    bounce = spec.green_bounce
    shaded = (1.0 - spec.sun_share) * ((1 - bounce) * sky + bounce * leaf * 0.5 * (sun + sky))
    lit = spec.sun_share * sun + (1.0 - spec.sun_share) * sky
    # Without sun there is one light everywhere, so no edge of shade can show.
    return Light(
        lit=shaded if spec.in_shade or spec.sun_share <= 0 else lit,
        shaded=shaded,
        sky=(1.0 - spec.sun_share) * sky,
        sun=sun,
    )
