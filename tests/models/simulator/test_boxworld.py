"""The third renderer stands by itself: its truth follows from its own optics, and its scenes hold what they say."""

import ast
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from models.simulator import boxworld, twoflow
from models.simulator.boxworld import draw_brew, render_boxworld
from models.simulator.twoflow import Brew, attenuations, lambert_colours, visible_depth_m
from vision.card import find_card
from vision.photo import open_photo

CLEAN = Brew(0.2, 4.0, 3.0, 0.2, 0.1, 0.05, 0.3, 0.01, 0.02, 0.0, 0.01, 0.015)


def test_it_shares_no_optics_with_the_renderers_that_teach():
    """Of the other simulator's modules only the form of a photo and its truth is taken over."""
    taken = {
        node.module
        for path in (boxworld.__file__, twoflow.__file__)
        for node in ast.walk(ast.parse(Path(path).read_text()))
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("models")
    }
    assert taken == {"models.simulator.plain", "models.simulator.twoflow"}


def test_more_algae_and_more_dust_are_seen_less_far_through():
    depth = visible_depth_m(CLEAN)
    assert visible_depth_m(replace(CLEAN, chlorophyll_ug_l=40.0)) < depth
    assert visible_depth_m(replace(CLEAN, dust_per_m=2.0)) < depth
    c, k = attenuations(replace(CLEAN, dust_per_m=2.0))
    assert 0 < k < c


def test_colour_goes_from_the_floor_to_the_water_itself():
    green = replace(CLEAN, chlorophyll_ug_l=60.0, dust_per_m=2.0)
    light, dark = (lambert_colours(green, np.array([1e-4, 40.0]), np.full(3, v), 1.0)[0] for v in (0.8, 0.1))
    # At no depth the floors differ; under 40 m of green water nobody can tell them apart.
    assert (light[0] > 3 * dark[0]).all()
    np.testing.assert_allclose(light[1], dark[1], atol=1e-6)
    assert light[1, 1] > light[1, 0]
    assert light[1, 1] > light[1, 2]


def test_floor_at_no_depth_is_seen_through_the_surface_alone():
    whole, _ = lambert_colours(CLEAN, np.array([1e-6]), np.full(3, 0.5), 1.0)
    np.testing.assert_allclose(whole[0], 0.52 * 0.5 / (1 - 0.48 * 0.5), rtol=0.01)


def test_drawn_waters_are_of_every_class():
    brews = [draw_brew(np.random.default_rng(seed)) for seed in range(60)]
    depths = np.array([visible_depth_m(each) for each in brews])
    assert np.histogram(depths, [0, 0.6, 1.5, 3, 7.5, 99])[0].min() >= 2
    chlorophylls = [each.chlorophyll_ug_l for each in brews]
    assert np.histogram(chlorophylls, [0, 3, 10, 40, 120, 999])[0].min() >= 4


@pytest.mark.parametrize("seed", [16_000_003, 16_000_004])
def test_photo_shows_water_and_a_card_that_is_found(tmp_path, seed):
    import cv2

    photo = render_boxworld(seed)
    assert photo.pixels.shape[:2] == photo.water.shape
    assert 0.1 < (photo.water > 0).mean() < 0.95
    assert photo.truth["visible_depth_m"] == pytest.approx(8 / sum(photo.truth["c_k_per_m"]))
    cv2.imwrite(str(tmp_path / "box.png"), photo.pixels[..., ::-1])
    assert find_card(open_photo(tmp_path / "box.png")).design.kind in ("chart24", "turnblue")


def test_same_seed_same_photo():
    one, two = render_boxworld(5), render_boxworld(5)
    np.testing.assert_array_equal(one.pixels, two.pixels)
    assert one.truth == two.truth
