"""Stranger scenes keep their truth: what changes is how the water looks, never what it is."""

from dataclasses import replace

import numpy as np
import pytest

from models.simulator.optics import WaterSpec, attenuations, solve_dead_matter, visible_depth_m
from models.simulator.palette import mix_palette
from models.simulator.sampling import sample_spec
from models.simulator.specs import SceneSpec
from models.simulator.variety import stain, widen, widen_water


@pytest.mark.parametrize("seed", range(8))
def test_widened_water_keeps_depth_and_chlorophyll(seed):
    rng = np.random.default_rng(seed)
    water = solve_dead_matter(WaterSpec(chlorophyll_ug_l=20.0), 0.6)
    wide = widen_water(rng, water)
    assert wide.chlorophyll_ug_l == 20.0
    # Dead matter is solved by 60 halvings: far below a micrometre.
    assert visible_depth_m(wide) == pytest.approx(0.6, rel=1e-6)


def test_light_field_gains_change_the_look_and_not_the_truth():
    water = WaterSpec(chlorophyll_ug_l=8.0, dead_scatter_550_per_m=1.0)
    changed = replace(water, column_gain=1.4, path_gain=1.2, detail_gain=0.5)
    assert attenuations(changed) == attenuations(water)
    one, two = (mix_palette(SceneSpec(water=each)) for each in (water, changed))
    assert two.column[-1, 0, 1] > 1.2 * one.column[-1, 0, 1]
    assert two.floor[-1, 0, 1] < one.floor[-1, 0, 1]
    assert two.blur_per_m == pytest.approx(0.5 * one.blur_per_m)


def test_law_that_forbids_the_pair_is_left():
    clearest = WaterSpec(chlorophyll_ug_l=100.0, scatter_ratio=0.25, dead_scatter_550_per_m=0.0)
    depth_m = visible_depth_m(clearest)
    for seed in range(12):
        assert visible_depth_m(widen_water(np.random.default_rng(seed), clearest)) == pytest.approx(depth_m, rel=1e-6)


def test_same_generator_same_scene():
    spec = sample_spec(np.random.default_rng(5), seed=5)
    assert widen(np.random.default_rng(9), spec) == widen(np.random.default_rng(9), spec)
    assert widen(np.random.default_rng(9), spec) != spec


def test_stain_absorbs_and_does_not_live():
    water = solve_dead_matter(WaterSpec(chlorophyll_ug_l=5.0), 1.0)
    stained = [stain(np.random.default_rng(seed), water) for seed in range(20)]
    assert {each.chlorophyll_ug_l for each in stained} == {5.0}
    assert any(each.cdom_440_per_m > water.cdom_440_per_m for each in stained)
    assert any(each.detritus_440_per_m > water.detritus_440_per_m for each in stained)
    assert all(visible_depth_m(each) <= visible_depth_m(water) for each in stained)
    assert stain(np.random.default_rng(3), water, share=0.0) == water
