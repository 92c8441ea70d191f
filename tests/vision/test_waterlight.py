"""Light through water: against published tables, and the way back from what is left to the water."""

from __future__ import annotations

import numpy as np
import pytest

from vision.belief import interval_of
from vision.waterlight import (
    DAYLIGHT,
    REFRACTIVE_INDEX,
    WAVELENGTHS_NM,
    Fitted,
    depth_belief,
    luminance_weights,
    rgb_weights,
    surface_passed,
    waters,
)


def test_daylight_is_d65():
    colour = pytest.importorskip("colour")
    table = colour.SDS_ILLUMINANTS["D65"]
    # CIE 15 prints two decimals; the library's table is the same edition rounded otherwise.
    assert pytest.approx([table[w] for w in WAVELENGTHS_NM], abs=0.06) == DAYLIGHT


def test_the_eye_is_the_1931_observer():
    colour = pytest.importorskip("colour")
    observer = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
    table = np.array([observer[w][1] for w in WAVELENGTHS_NM])
    # The two-bell fit errs by 2 % of the peak (Wyman, Sloan & Shirley 2013).
    assert luminance_weights() / luminance_weights().max() == pytest.approx(table / table.max(), abs=0.025)


def test_white_stays_white():
    assert rgb_weights().sum(axis=1) == pytest.approx(1.0)


def test_surface_factor_at_the_vertical():
    # 0.955 down, 1 - ((n - 1) / (n + 1))^2 up, over n^2; no echo where the water is black.
    n = REFRACTIVE_INDEX
    assert surface_passed(1.0, 0.0) == pytest.approx(0.955 * (1 - ((n - 1) / (n + 1)) ** 2) / n**2, rel=1e-6)


def test_surface_passes_less_at_a_slant_and_more_over_white_water():
    assert surface_passed(0.4, 0.0) < surface_passed(0.9, 0.0) < surface_passed(0.9, 0.3)


def left_of(index: int, depth_m: float, cos_water: float, forward: float) -> np.ndarray:
    """Return sharp and wide part left under one of the waters tried, shape (3, 2)."""
    beam, down, scattered, _ = (each[index] for each in waters())
    sharp = np.exp(-down * depth_m - beam * depth_m / cos_water)
    wide = sharp * np.expm1(forward * scattered * depth_m / cos_water)
    return 0.5 * np.stack([rgb_weights() @ sharp, rgb_weights() @ wide], axis=-1)


@pytest.mark.parametrize("wanted_m", [0.4, 1.0, 2.2, 5.0], ids=lambda v: f"{v}m")
def test_the_water_comes_back(wanted_m):
    index = int(np.argmin(np.abs(waters()[3] - np.log(wanted_m))))
    true_m = float(np.exp(waters()[3][index]))
    parts = left_of(index, 0.3 * true_m, 0.85, 0.85)
    fit = Fitted(parts, np.full((3, 2), 0.002), 0.0, 0.0)
    belief = depth_belief(
        [fit],
        depth_m=0.3 * true_m,
        depth_error_m=0.005,
        cos_water=0.85,
        surface=0.5,
        gain_middle=0.0,
        gain_spread=0.05,
        colour_spread=0.03,
    )
    found = interval_of(belief)
    # A gain known to 5 % on an optical depth of 2.5 is 2 %; colours and grid make it 6.
    assert found.mid == pytest.approx(true_m, rel=0.06)
    assert found.low < true_m < found.high


def test_a_worse_known_gain_widens_the_answer():
    index = int(np.argmin(np.abs(waters()[3])))
    fit = Fitted(left_of(index, 0.3, 0.9, 0.85), np.full((3, 2), 0.003), 0.0, 0.0)
    known = {
        "depth_m": 0.3, "depth_error_m": 0.005, "cos_water": 0.9, "surface": 0.5, "gain_middle": 0.0,
        "colour_spread": 0.05,
    }  # fmt: skip
    sure, unsure = (interval_of(depth_belief([fit], gain_spread=spread, **known)) for spread in (0.05, 0.4))
    assert unsure.high / unsure.low > 1.1 * sure.high / sure.low
