"""What pool water does to light, 400 to 700 nm in 10 nm steps, from published coefficients.

In: a `Water` (how much algae, dead matter, dissolved matter). Out: its absorption, scattering and
backscattering spectra, its attenuations, the visible depth that follows, and the reflectance of a shallow
basin of it (Lee et al. 1998, 1999).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from models.simulator.spectra import WAVELENGTHS_NM, photopic_mean

Spectrum = NDArray[np.float64]
"""One value a band, shape (31,), in the order of `WAVELENGTHS_NM`."""

REFRACTIVE_INDEX = 1.34
"""Of water, mid-visible. Source: as in the worked example of Lee et al. 1998; handbooks give 1.333 to 1.34."""

# fmt: off
PURE_WATER_ABSORPTION_PER_M = np.array([
    0.00663, 0.00473, 0.00454, 0.00495, 0.00635, 0.00922, 0.00979, 0.0106, 0.0127, 0.0150,  # 400-490 nm
    0.0204, 0.0325, 0.0409, 0.0434, 0.0474, 0.0565, 0.0619, 0.0695, 0.0896, 0.1351,  # 500-590 nm
    0.2224, 0.2644, 0.2755, 0.2916, 0.3108, 0.340, 0.410, 0.439, 0.465, 0.516, 0.624,  # 600-700 nm
])
"""a_w [1/m]. Source: Pope & Fry 1997, Appl. Opt. 36(33):8710-8723, table 3."""

WATER_BACKSCATTER_500_PER_M = 0.00111
WATER_BACKSCATTER_EXPONENT = -4.32
"""b_bw = 0.00111 (lambda/500)^-4.32 for fresh water [1/m]. Source: Morel 1974, in Optical Aspects of Oceanography."""

BRICAUD_A = np.array([
    0.0263, 0.0313, 0.0356, 0.0386, 0.0403, 0.0371, 0.035, 0.0332, 0.0301, 0.0274,  # 400-490 nm
    0.023, 0.018, 0.0143, 0.0117, 0.0097, 0.008, 0.0062, 0.0053, 0.0053, 0.0056,  # 500-590 nm
    0.0054, 0.0057, 0.0065, 0.0071, 0.0077, 0.0083, 0.0115, 0.0189, 0.0182, 0.0083, 0.003,  # 600-700 nm
])
BRICAUD_B = np.array([
    0.282, 0.283, 0.299, 0.314, 0.332, 0.359, 0.365, 0.368, 0.377, 0.361,  # 400-490 nm
    0.321, 0.26, 0.196, 0.139, 0.09, 0.052, 0.016, 0.005, 0.035, 0.073,  # 500-590 nm
    0.092, 0.071, 0.064, 0.078, 0.098, 0.124, 0.121, 0.149, 0.155, 0.086, -0.034,  # 600-700 nm
])
"""a*_ph = A C^-B [m2/mg], C in mg/m3 (= micrograms/L). Source: Bricaud et al. 1995, JGR 100(C7):13321, table 2.
Fitted at roughly 0.02-25 mg/m3 (from memory). The fall of a* with C is a statistic of the sea, where rich water holds
large, packed cells; pool algae are small green cells at any concentration, so the package is a parameter of its own
here (`WaterSpec.package_ug_l`) and stays inside the fitted range: nothing is extrapolated to a green pool's 50-400."""

GREEN_GAP_NM = (550.0, 38.0)
"""Centre and sigma of the window between the absorption bands. The sea's mean (Bricaud) is partly filled there by
pigments that green algae lack (fucoxanthin, peridinin, phycoerythrin); `WaterSpec.green_gap` opens it again.
Size chosen by us so that a(550)/a(676) falls from 0.4 to 0.2, as in cultures of green algae (from memory)."""

# fmt: on

PIGMENT_BANDS = {
    "chlorophyll_b": ((466.0, 16.0, 0.016), (652.0, 13.0, 0.006)),
    "carotenoid": ((462.0, 18.0, 0.010), (490.0, 17.0, 0.016)),
    "phycocyanin": ((620.0, 22.0, 0.010),),
}
"""Gaussian bands (centre nm, sigma nm, height m2/mg chlorophyll-a at ratio 1) by which one culture's absorption differs
from the mean of Bricaud. Centres: chlorophyll b and carotenoids after Bidigare et al. 1990 (from memory), phycocyanin
620 nm (general knowledge); heights are ours, chosen of the size of the mean curve."""

ALGAE_SCATTER_550 = 0.30
ALGAE_SCATTER_POWER = 0.62
"""b_p(550) = 0.30 C^0.62 [1/m], falling as 550/lambda.
Source: Gordon & Morel 1983, in Remote Assessment of Ocean Color."""

SUN_ZENITH_OF_TRUTH_DEG = 30.0
"""Sun angle at which the truth's K is taken, so that visible depth is the water's own (our choice)."""

VISIBILITY_GAMMA = 8.0
"""visible depth = 8 / (c + K). Source: contract of the two grades, after Tyler 1968 and Preisendorfer 1986."""


@dataclass(frozen=True)
class WaterSpec:
    """What is in the water.

    Attributes
    ----------
    chlorophyll_ug_l : living algae as chlorophyll-a [micrograms/L].
    scatter_ratio : scattering of the algae over Gordon & Morel's mean law.
    algae_backscatter_share : b_b/b of living algae; algae scatter forward more than minerals.
    absorption_factor : absorption of the algae over Bricaud's law (physiology).
    package_ug_l : concentration at which Bricaud's specific absorption is taken: small = unpacked, small cells.
    green_gap : how much less than the sea's mean the algae absorb around 550 nm [0-1].
    chlorophyll_b_ratio, carotenoid_ratio, phycocyanin_ratio : strength of `PIGMENT_BANDS`.
    dead_scatter_550_per_m : scattering of dead algae and mineral dust at 550 nm [1/m].
    dead_scatter_exponent : it falls as (550/lambda)^exponent; near 0 it is white (milky).
    dead_backscatter_share : b_b/b; Petzold's turbid harbour water has about 0.018-0.02.
    cdom_440_per_m, cdom_slope_per_nm : dissolved matter, a = a440 exp(-S (lambda - 440)).
    detritus_440_per_m, detritus_slope_per_nm : brown particles, the same law.
    column_gain, path_gain : how far the light field departs from Lee's formulas: the water's own light and the path
        lengths are multiplied by these (other phase functions, other skies). detail_gain : how strongly detail is
        blurred over the beam's loss; under 1 where scattering is so far forward that coarse detail keeps its contrast.
        None of the three changes the water's attenuations, hence its truth.
    """

    chlorophyll_ug_l: float = 1.0
    scatter_ratio: float = 1.0
    algae_backscatter_share: float = 0.012
    absorption_factor: float = 1.0
    package_ug_l: float = 3.0
    green_gap: float = 0.35
    chlorophyll_b_ratio: float = 0.2
    carotenoid_ratio: float = 0.1
    phycocyanin_ratio: float = 0.0
    dead_scatter_550_per_m: float = 0.1
    dead_scatter_exponent: float = 0.3
    dead_backscatter_share: float = 0.019
    cdom_440_per_m: float = 0.03
    cdom_slope_per_nm: float = 0.014
    detritus_440_per_m: float = 0.01
    detritus_slope_per_nm: float = 0.011
    column_gain: float = 1.0
    path_gain: float = 1.0
    detail_gain: float = 1.0


@dataclass(frozen=True)
class Optics:
    """Inherent optical properties, each a `Spectrum` [1/m]: absorption, scattering, backscattering, water's own b_b."""

    a: Spectrum
    b: Spectrum
    bb: Spectrum
    bbw: Spectrum

    @property
    def c(self) -> Spectrum:
        """Beam attenuation c = a + b [1/m]."""
        return self.a + self.b


def phytoplankton_absorption(chlorophyll_ug_l: float) -> Spectrum:
    """Return a_ph = A C^(1-B) [1/m] of Bricaud et al. 1995.

    Examples
    --------
    >>> round(float(phytoplankton_absorption(10.0)[4]) / 10, 5)  # a*(440 nm) at 10 mg/m3
    0.01876
    """
    if chlorophyll_ug_l <= 0:
        return np.zeros_like(BRICAUD_A)
    return BRICAUD_A * chlorophyll_ug_l ** (1.0 - BRICAUD_B)


def water_backscatter() -> Spectrum:
    """Return b_bw of pure fresh water [1/m] (Morel 1974)."""
    return WATER_BACKSCATTER_500_PER_M * (WAVELENGTHS_NM / 500.0) ** WATER_BACKSCATTER_EXPONENT


def optics_of(water: WaterSpec) -> Optics:
    """Add up the water's constituents.

    a = a_w + C a*(P) + a_CDOM + a_detritus, a*(P) = A P^-B, opened around 550 nm, plus pigments;
    b = b_w + b_algae + b_dead;  b_b = b_w/2 + share_algae b_algae + share_dead b_dead.
    """
    lam = WAVELENGTHS_NM
    chl = max(water.chlorophyll_ug_l, 0.0)
    ratios = {
        "chlorophyll_b": water.chlorophyll_b_ratio,
        "carotenoid": water.carotenoid_ratio,
        "phycocyanin": water.phycocyanin_ratio,
    }
    # The pigments pack as the cells do: scale them by P^-0.2, the mid-range exponent of Bricaud's table.
    extra = np.zeros_like(lam)
    for name, ratio in ratios.items():
        for centre, sigma, height in PIGMENT_BANDS[name]:
            extra += ratio * height * np.exp(-0.5 * ((lam - centre) / sigma) ** 2)
    specific = BRICAUD_A * water.package_ug_l**-BRICAUD_B
    specific = specific * (1.0 - water.green_gap * np.exp(-0.5 * ((lam - GREEN_GAP_NM[0]) / GREEN_GAP_NM[1]) ** 2))
    algae_a = chl * (specific + extra * water.package_ug_l**-0.2)
    cdom = water.cdom_440_per_m * np.exp(-water.cdom_slope_per_nm * (lam - 440.0))
    detritus = water.detritus_440_per_m * np.exp(-water.detritus_slope_per_nm * (lam - 440.0))
    a = PURE_WATER_ABSORPTION_PER_M + water.absorption_factor * algae_a + cdom + detritus
    b_algae = water.scatter_ratio * ALGAE_SCATTER_550 * chl**ALGAE_SCATTER_POWER * 550.0 / lam
    b_dead = water.dead_scatter_550_per_m * (550.0 / lam) ** water.dead_scatter_exponent
    bbw = water_backscatter()
    b = 2.0 * bbw + b_algae + b_dead
    bb = bbw + water.algae_backscatter_share * b_algae + water.dead_backscatter_share * b_dead
    return Optics(a=a, b=b, bb=bb, bbw=bbw)


def diffuse_attenuation(optics: Optics, sun_zenith_deg: float = SUN_ZENITH_OF_TRUTH_DEG) -> Spectrum:
    """Return K_d [1/m] by the formula of Lee et al. 2005, 2013.

    K_d = (1 + 0.005 theta) a + 4.26 (1 - 0.265 b_bw/b_b)(1 - 0.52 exp(-10.8 a)) b_b, theta the sun's
    zenith angle in air [degrees].

    References
    ----------
    Lee, Z. P. et al. (2013), JGR Oceans 118:4241-4255; form as in Lee et al. 2015, RSE 169:139.
    """
    a, bb = optics.a, optics.bb
    return (1.0 + 0.005 * sun_zenith_deg) * a + 4.26 * (1.0 - 0.265 * optics.bbw / bb) * (
        1.0 - 0.52 * np.exp(-10.8 * a)
    ) * bb


def attenuations(water: WaterSpec) -> tuple[float, float]:
    """Return photopic means of c and K [1/m] of a water: the two terms of the visible depth."""
    optics = optics_of(water)
    return photopic_mean(optics.c), photopic_mean(diffuse_attenuation(optics))


def visible_depth_m(water: WaterSpec) -> float:
    """Return the depth at which a black-and-white disc is lost from sight, 8 / (c + K) [m]."""
    c, k = attenuations(water)
    return VISIBILITY_GAMMA / (c + k)


def solve_dead_matter(water: WaterSpec, depth_m: float) -> WaterSpec:
    """Return the water with as much dead matter as makes its visible depth `depth_m`.

    Raises
    ------
    ValueError
        If even without dead matter one sees less far than `depth_m`.
    """
    if not depth_m > 0:
        raise ValueError(f"visible_depth_m must be above 0, got {depth_m!r}")
    cleanest = visible_depth_m(replace(water, dead_scatter_550_per_m=0.0))
    if cleanest < depth_m:
        raise ValueError(
            f"Water with {water.chlorophyll_ug_l:.3g} micrograms/L of chlorophyll cannot be seen {depth_m:.3g} m into: "
            f"its own algae and dissolved matter limit it to {cleanest:.3g} m."
        )
    low, high = 0.0, 1.0
    while visible_depth_m(replace(water, dead_scatter_550_per_m=high)) > depth_m:
        high *= 2.0
    for _ in range(60):
        mid = 0.5 * (low + high)
        if visible_depth_m(replace(water, dead_scatter_550_per_m=mid)) > depth_m:
            low = mid
        else:
            high = mid
    return replace(water, dead_scatter_550_per_m=0.5 * (low + high))


def sun_in_water_cos(sun_zenith_deg: float) -> float:
    """Return the cosine of the sun's zenith angle after refraction (Snell)."""
    return math.sqrt(1.0 - (math.sin(math.radians(sun_zenith_deg)) / REFRACTIVE_INDEX) ** 2)


@dataclass(frozen=True)
class ShallowReflectance:
    """Sub-surface remote-sensing reflectance and its two parts [1/sr], last axis the bands."""

    total: NDArray[np.float64]
    column: NDArray[np.float64]
    bottom: NDArray[np.float64]


def shallow_reflectance(
    a: NDArray[np.float64],
    bb: NDArray[np.float64],
    depth_m: NDArray[np.float64] | float,
    albedo: NDArray[np.float64] | float,
    *,
    sun_cos_in_water: float,
    view_cos_in_water: NDArray[np.float64] | float = 1.0,
) -> ShallowReflectance:
    """Return r_rs of water over a bottom (Lee et al. 1998, 1999).

    r_rs = r_dp [1 - exp(-(1/cos t_w + D_C/cos t_v) k H)] + (rho/pi) exp(-(1/cos t_w + D_B/cos t_v) k H),
    k = a + b_b, u = b_b/k, r_dp = (0.084 + 0.170 u) u, D_C = 1.03 (1 + 2.4 u)^0.5, D_B = 1.04 (1 + 5.4 u)^0.5;
    t_w and t_v are the sun's and the view's angle from the vertical in water.

    References
    ----------
    Lee et al. (1998) Appl. Opt. 37:6329; Lee et al. (1999) Appl. Opt. 38:3831, eqs. 7-10.
    """
    k = a + bb
    u = bb / k
    r_dp = (0.084 + 0.170 * u) * u
    d_c = 1.03 * np.sqrt(1.0 + 2.4 * u)
    d_b = 1.04 * np.sqrt(1.0 + 5.4 * u)
    column = r_dp * (1.0 - np.exp(-(1.0 / sun_cos_in_water + d_c / view_cos_in_water) * k * depth_m))
    bottom = albedo / math.pi * np.exp(-(1.0 / sun_cos_in_water + d_b / view_cos_in_water) * k * depth_m)
    return ShallowReflectance(total=column + bottom, column=column, bottom=bottom)


def above_surface(r_rs: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return R_rs = 0.5 r_rs / (1 - 1.5 r_rs) [1/sr] (Lee et al. 1998)."""
    return 0.5 * r_rs / (1.0 - 1.5 * r_rs)
