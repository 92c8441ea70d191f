"""The simulator's optics against published values."""

import math
from dataclasses import replace

import numpy as np
import pytest

from models.simulator.illuminants import daylight_of
from models.simulator.optics import (
    PURE_WATER_ABSORPTION_PER_M,
    WaterSpec,
    above_surface,
    attenuations,
    diffuse_attenuation,
    optics_of,
    phytoplankton_absorption,
    shallow_reflectance,
    solve_dead_matter,
    sun_in_water_cos,
    visible_depth_m,
    water_backscatter,
)
from models.simulator.spectra import (
    WAVELENGTHS_NM,
    encode_srgb,
    photopic_mean,
    reflectance_of,
    srgb_weights,
    table,
)

PURE = WaterSpec(chlorophyll_ug_l=0, dead_scatter_550_per_m=0, cdom_440_per_m=0, detritus_440_per_m=0, scatter_ratio=0)


def band(nm: float) -> int:
    return int(np.flatnonzero(nm == WAVELENGTHS_NM)[0])


@pytest.mark.parametrize(("nm", "transmitted"), [(600, 0.641), (700, 0.287), (440, 0.987)])
def test_two_metres_of_pure_water(nm: float, transmitted: float) -> None:
    # exp(-2 a_w) from Pope & Fry 1997 table 3, three printed digits.
    assert math.exp(-2 * PURE_WATER_ABSORPTION_PER_M[band(nm)]) == pytest.approx(transmitted, abs=5e-4)


@pytest.mark.parametrize(("nm", "bb"), [(400, 0.002911), (500, 0.001110), (550, 0.000735), (700, 0.000259)])
def test_fresh_water_backscatter_morel_1974(nm: float, bb: float) -> None:
    assert water_backscatter()[band(nm)] == pytest.approx(bb, abs=5e-7)


@pytest.mark.parametrize(("chl", "specific"), [(1, 0.0403), (10, 0.01876), (100, 0.00874)])
def test_bricaud_1995_at_440(chl: float, specific: float) -> None:
    assert phytoplankton_absorption(chl)[band(440)] / chl == pytest.approx(specific, abs=5e-6)


def test_lee_shallow_water_worked_example() -> None:
    # a = 0.1, b_b = 0.01, H = 2 m, rho = 0.3, sun zenith 30 degrees, n = 1.34: printed to seven digits.
    cos_w = sun_in_water_cos(30.0)
    assert 1 / cos_w == pytest.approx(1.0778448, abs=5e-8)
    r = shallow_reflectance(np.array([0.1]), np.array([0.01]), 2.0, 0.3, sun_cos_in_water=cos_w)
    assert r.total[0] == pytest.approx(0.0604587, abs=5e-8)
    assert above_surface(r.total)[0] == pytest.approx(0.0332442, abs=5e-8)
    # The deep-water limit r_dp of the same water.
    deep = shallow_reflectance(np.array([0.1]), np.array([0.01]), 1e4, 0.3, sun_cos_in_water=cos_w)
    assert deep.total[0] == pytest.approx(0.00904132, abs=5e-9)


def test_lee_pure_fresh_water_over_a_grey_floor() -> None:
    optics = optics_of(PURE)
    i = band(550)
    r = shallow_reflectance(optics.a[i : i + 1], optics.bb[i : i + 1], 2.0, 0.5, sun_cos_in_water=1.0)
    # The worked example rounds b_bw(550) to 0.000735 or not: six digits agree.
    assert r.total[0] == pytest.approx(0.1257301, abs=5e-7)
    assert above_surface(r.total)[0] == pytest.approx(0.0774768, abs=5e-7)


def test_diffuse_attenuation_of_an_absorbing_water() -> None:
    # Without scattering by particles K_d tends to (1 + 0.005 theta) a, plus the water's own small term.
    optics = optics_of(replace(PURE, cdom_440_per_m=2.0))
    i = band(440)
    extra = 4.26 * (1 - 0.265) * (1 - 0.52 * math.exp(-10.8 * optics.a[i])) * optics.bb[i]
    assert diffuse_attenuation(optics, 30.0)[i] == pytest.approx(1.15 * optics.a[i] + extra, rel=1e-12)


def test_visible_depth_is_eight_over_c_plus_k() -> None:
    water = WaterSpec(chlorophyll_ug_l=12.0)
    c, k = attenuations(water)
    optics = optics_of(water)
    assert c == pytest.approx(photopic_mean(optics.a + optics.b))
    assert visible_depth_m(water) == pytest.approx(8.0 / (c + k), rel=1e-12)


def test_gordon_and_morel_scattering() -> None:
    # b(550) = 0.30 C^0.62: 1.2506 at 10, 3.3922 at 50 mg/m3 (four printed digits).
    for chl, b in ((10.0, 1.2506), (50.0, 3.3922)):
        with_algae = optics_of(replace(PURE, chlorophyll_ug_l=chl, scatter_ratio=1.0)).b[band(550)]
        assert with_algae - optics_of(PURE).b[band(550)] == pytest.approx(b, abs=5e-5)


def test_deep_pure_water_is_blue() -> None:
    optics = optics_of(PURE)
    r = shallow_reflectance(optics.a, optics.bb, 1e4, 0.5, sun_cos_in_water=0.9).total
    xyz = (r * daylight_of(6504.0)) @ table("observer_and_daylight.csv")[:, :3]
    x, y = xyz[0] / xyz.sum(), xyz[1] / xyz.sum()
    hue_deg = math.degrees(math.atan2(y - 1 / 3, x - 1 / 3)) % 360
    # Class 1 of the Forel-Ule scale begins at 227.168 degrees; above 232 is off the scale, bluer than natural water.
    assert 227.168 < hue_deg < 240


def test_more_algae_see_less_far_and_look_greener() -> None:
    depths, hues = [], []
    for chl in (0.3, 1, 3, 10, 30, 100, 300):
        water = WaterSpec(chlorophyll_ug_l=chl, dead_scatter_550_per_m=0.2)
        depths.append(visible_depth_m(water))
        optics = optics_of(water)
        r = shallow_reflectance(optics.a, optics.bb, 2.0, reflectance_of((0.9, 0.9, 0.88)), sun_cos_in_water=0.9)
        hues.append(r.total[band(560)] / r.total[band(450)])
    assert np.all(np.diff(depths) < 0)
    # Green over blue rises until, above 100, the floor is gone and the ratio is the cells' own.
    assert np.all(np.diff(hues[:6]) > 0)
    assert hues[-1] > 1.5


def test_solved_dead_matter_gives_the_depth_asked() -> None:
    water = solve_dead_matter(WaterSpec(chlorophyll_ug_l=5.0), 0.8)
    assert visible_depth_m(water) == pytest.approx(0.8, rel=1e-9)
    assert water.dead_scatter_550_per_m > 1


def test_impossible_depth_says_so() -> None:
    with pytest.raises(ValueError, match="cannot be seen 10 m into"):
        solve_dead_matter(WaterSpec(chlorophyll_ug_l=150.0), 10.0)
    with pytest.raises(ValueError, match="visible_depth_m must be above 0"):
        solve_dead_matter(WaterSpec(), 0.0)


@pytest.mark.parametrize("rgb", [(0.2, 0.5, 0.7), (0.8, 0.2, 0.25), (0.95, 0.93, 0.4), (0.5, 0.5, 0.5)])
def test_reflectance_has_the_colour_asked(rgb: tuple[float, float, float]) -> None:
    rho = reflectance_of(rgb)
    assert rho.min() > 0
    assert rho.max() < 1
    np.testing.assert_allclose(encode_srgb(srgb_weights() @ rho), rgb, atol=1e-4)


def test_tables_agree_with_the_library_they_came_from() -> None:
    colour = pytest.importorskip("colour")
    shape = colour.SpectralShape(400, 700, 10)
    cmf = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"].copy().align(shape).values
    np.testing.assert_allclose(table("observer_and_daylight.csv")[:, :3], cmf, atol=1e-6)
    # D65 from the components against the tabulated illuminant: CIE rounds M1, M2 to three decimals.
    tabulated = colour.SDS_ILLUMINANTS["D65"].copy().align(shape).values
    ours = daylight_of(6504.0)
    np.testing.assert_allclose(ours / ours[16], tabulated / tabulated[16], rtol=5e-3)
