"""Another optics of green water, to check graders with that never saw it: two flows of light, own pigments.

In: what is in the water. Out: attenuations, visible depth and the colour of water over a floor. Nothing is shared with
`optics.py`: other tables, other laws for algae, another solution of the light field. All figures from memory.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[Any]

BANDS_NM = np.arange(400.0, 701.0, 20.0)
PURE_WATER_PER_M = np.array(
    [0.0066, 0.0045, 0.0064, 0.0098, 0.0127, 0.0204, 0.0409, 0.0474, 0.0619, 0.0896, 0.2224, 0.2755, 0.3108, 0.41,
     0.465, 0.624]
)  # fmt: skip
"""Absorption of pure water (Pope & Fry 1997, Appl. Opt. 36:8710, from memory)."""


def _lobe(centre: float, left: float, right: float) -> Array:
    side = np.where(centre > BANDS_NM, left, right)
    return np.asarray(np.exp(-0.5 * ((BANDS_NM - centre) / side) ** 2))


OBSERVER = np.stack(
    [
        1.056 * _lobe(599.8, 37.9, 31.0) + 0.362 * _lobe(442.0, 16.0, 26.7) - 0.065 * _lobe(501.1, 20.4, 26.2),
        0.821 * _lobe(568.8, 46.9, 40.5) + 0.286 * _lobe(530.9, 16.3, 31.1),
        1.217 * _lobe(437.0, 11.8, 36.0) + 0.681 * _lobe(459.0, 26.0, 13.8),
    ]
)
"""CIE 1931 observer as lobes (Wyman, Sloan & Shirley 2013, JCGT 2(2), from memory)."""
TO_SRGB = np.array([[3.2406, -1.5372, -0.4986], [-0.9689, 1.8758, 0.0415], [0.0557, -0.204, 1.057]])
"""From CIE XYZ to linear sRGB (IEC 61966-2-1)."""
WHITE_XYZ = np.array([0.9505, 1.0, 1.089])


@dataclass(frozen=True)
class Brew:
    """What is in a water.

    Attributes
    ----------
    chlorophyll_ug_l : living algae as chlorophyll-a [micrograms/L].
    cell_um, inside_g_l : size of the cells [micrometres] and chlorophyll in them [g/L]: large, rich cells hide it.
    accessory : share of carotenoids' absorption beside chlorophyll's.
    algae_scatter : scattering of the algae at 550 nm [m^2/mg].
    dust_per_m, dust_power : scattering of dead matter at 550 nm [1/m] and how it falls with wavelength.
    algae_back, dust_back : share that is scattered back.
    dust_brown : absorption of dead matter at 440 nm over its scattering.
    tea_per_m, tea_slope : absorption of dissolved matter at 440 nm [1/m] and its slope [1/nm].
    """

    chlorophyll_ug_l: float
    cell_um: float
    inside_g_l: float
    accessory: float
    algae_scatter: float
    dust_per_m: float
    dust_power: float
    algae_back: float
    dust_back: float
    dust_brown: float
    tea_per_m: float
    tea_slope: float


def optics(brew: Brew) -> tuple[Array, Array, Array]:
    """Return absorption, scattering and backscattering by band [1/m]."""
    # In solution [m^2/mg]; packed in cells by the law of Duysens 1956 in the form of Morel & Bricaud 1981.
    loose = 0.052 * _lobe(437, 30, 22) + 0.026 * _lobe(675, 18, 12) + 0.005 * _lobe(620, 30, 25) + 0.0025
    loose = loose + brew.accessory * 0.05 * _lobe(475, 28, 26)
    # g/L times 1e6 is mg/m3.
    rho = loose * brew.inside_g_l * 1e6 * brew.cell_um * 1e-6
    packed = 1.5 / rho * (1 + 2 * np.exp(-rho) / rho + 2 * (np.exp(-rho) - 1) / rho**2)
    algae = brew.chlorophyll_ug_l * loose * packed
    tea = brew.tea_per_m * np.exp(-brew.tea_slope * (BANDS_NM - 440))
    brown = brew.dust_brown * brew.dust_per_m * np.exp(-0.011 * (BANDS_NM - 440))
    a = PURE_WATER_PER_M + algae + tea + brown
    own = 0.0029 * (BANDS_NM / 500) ** -4.3
    live = brew.algae_scatter * brew.chlorophyll_ug_l * (550 / BANDS_NM) ** 0.6
    dust = brew.dust_per_m * (550 / BANDS_NM) ** brew.dust_power
    b = own + live + dust
    return a, b, own / 2 + brew.algae_back * live + brew.dust_back * dust


def photopic(values: Array) -> float:
    """Return the mean over the observer's luminosity."""
    return float((values * OBSERVER[1]).sum() / OBSERVER[1].sum())


def attenuations(brew: Brew) -> tuple[float, float]:
    """Return photopic c and K [1/m], K by Kirk 1984 (Limnol. Oceanogr. 29:350), the light falling at a cosine of 0.86.

    Examples
    --------
    >>> clean = Brew(0.1, 4, 3, 0.2, 0.1, 0.05, 0.3, 0.01, 0.02, 0.0, 0.01, 0.015)
    >>> 8 / sum(attenuations(clean)) > 20
    True
    """
    a, b, _ = optics(brew)
    mean_cos = 0.86
    k = np.sqrt(a * a + (0.425 * mean_cos - 0.19) * a * b) / mean_cos
    return photopic(a + b), photopic(k)


def lambert_colours(brew: Brew, depths_m: Array, floor_rgb: Array, stretch: float) -> tuple[Array, Array]:
    """Return the water's colour over a floor, and the part of it that is the water's own, shape (depths, 3) each.

    Two flows (Kubelka & Munk 1931): what goes down and up in a slab over a floor, lost by 2 a and turned by 2 b_b;
    `stretch` lengthens the way for slanting light. The colour is that of a sheet in the same light.
    """
    a, _, back = optics(brew)
    loss, turn = 2 * a, 2 * back
    ratio = loss / turn
    endless = 1 + ratio - np.sqrt(ratio * ratio + 2 * ratio)
    floor = _albedo(floor_rgb)
    # Half the two flows' own mean way, 2: the light of sun and sight is steeper.
    z = depths_m[:, None] * stretch / 2
    grown = np.exp(np.minimum(turn * z * (1 / endless - endless), 60.0))

    def slab(under: Array | float) -> Array:
        one = (under - endless) / endless - endless * (under - 1 / endless) * grown
        return np.asarray(one / ((under - endless) - (under - 1 / endless) * grown))

    whole, own = slab(floor), slab(0.0)
    return _above(whole) @ _to_rgb(), _above(own) @ _to_rgb()


def _above(reflected: Array) -> Array:
    """Return what leaves through the surface: 0.52 R / (1 - 0.48 R), over a sheet that reflects all."""
    return np.asarray(0.52 * reflected / (1 - 0.48 * reflected))


def _to_rgb() -> Array:
    """Return weights from bands of reflectance to linear sRGB: a white sheet is white, shape (bands, 3)."""
    weights = OBSERVER / OBSERVER.sum(axis=1, keepdims=True) * WHITE_XYZ[:, None]
    return np.asarray((TO_SRGB @ weights).T)


def _albedo(rgb: Array) -> Array:
    """Return a smooth reflectance of about the colour: three broad lobes."""
    share = np.stack([1 / (1 + np.exp((BANDS_NM - 492) / 9)), np.zeros(16), 1 / (1 + np.exp((583 - BANDS_NM) / 9))])
    share[1] = 1 - share[0] - share[2]
    return np.clip(np.asarray(rgb)[[2, 1, 0]] @ share, 0.01, 0.97)


def visible_depth_m(brew: Brew) -> float:
    """Return 8 / (c + K) [m]."""
    return 8.0 / math.fsum(attenuations(brew))
