"""Make a drawn scene stranger than usual, so that what learns from scenes learns physics and not our habits.

In: a generator and a `SceneSpec` as `sampling` draws it. Out: the same scene with other laws for algae, other light
fields under water, other floors, cameras and surroundings. Each change befalls only some scenes; the truth follows.
All shares and ranges are the project's own.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np

from models.simulator.camera import CameraSpec
from models.simulator.illuminants import LightSpec
from models.simulator.optics import WaterSpec, solve_dead_matter, visible_depth_m
from models.simulator.specs import PoolSpec, SceneSpec, Srgb

Rng = np.random.Generator

SEA_LAW_SHARE = 0.25
"""Share of scenes whose algae pack as the sea's do, a*(C) of Bricaud et al. 1995 at the water's own chlorophyll, held
at 150 micrograms/L: far past the law's data, yet what much of the literature assumes."""
CULTURE_SCATTER_SHARE = 0.25
"""Share of scenes whose algae scatter as b_p(550) = 0.416 C^0.766 (Loisel & Morel 1998 moved to 550 nm)."""

DETAIL_GAINS = (0.8, 1.15)
"""Range of the detail's blur over the beam's loss: less blurred, it would be seen farther than visible depth says."""

TEA_SHARE, TEA_440_PER_M = 0.35, (0.03, 0.4)
"""Share of stained waters that leaves have steeped in, and the absorption that adds at 440 nm [1/m]: a lake's, not a
sea's."""
BROWN_SHARE, DEAD_ABSORPTION_SHARE = 0.5, (0.003, 0.05)
"""Share of stained waters whose dead matter is brown, and its absorption at 440 nm over its scattering at 550 nm:
coastal particles without their pigments have about 0.08 (Babin et al. 2003, JGR 108:3211, from memory); chlorine
bleaches."""
STAINED_SHARE = 0.4
"""Share of scenes that may be stained: most pools are filled from a tap."""


def widen(rng: Rng, spec: SceneSpec) -> SceneSpec:
    """Return the scene with some of its laws and surfaces changed; card and stance stay.

    Parameters
    ----------
    rng : Generator
    spec : SceneSpec
        Its chlorophyll is kept; its visible depth too but for stains.
    """
    return replace(
        spec,
        water=stain(rng, widen_water(rng, spec.water), share=STAINED_SHARE),
        pool=_widen_pool(rng, spec.pool),
        light=_widen_light(rng, spec.light),
        camera=_widen_camera(rng, spec.camera),
    )


def widen_water(rng: Rng, water: WaterSpec) -> WaterSpec:
    """Return water of the same visible depth and chlorophyll under other laws.

    Where a law forbids the pair (its algae alone are too turbid), the former law stays.
    """
    depth_m = visible_depth_m(water)
    draws = rng.random(2)
    # The light field under water: Lee's formulas fit computed fields to some 10 to 20 % for other phase functions.
    gains = rng.normal(0, 1, 2)
    water = replace(
        water,
        column_gain=float(np.clip(math.exp(0.16 * gains[0]), 0.65, 1.5)),
        path_gain=float(np.clip(math.exp(0.08 * gains[1]), 0.8, 1.25)),
        detail_gain=float(rng.uniform(*DETAIL_GAINS)),
    )
    chlorophyll = water.chlorophyll_ug_l
    if draws[0] < SEA_LAW_SHARE:
        water = _if_possible(water, depth_m, package_ug_l=float(np.clip(chlorophyll, 0.3, 150.0)))
    if draws[1] < CULTURE_SCATTER_SHARE:
        ratio = 0.416 / 0.30 * max(chlorophyll, 0.05) ** (0.766 - 0.62)
        water = _if_possible(water, depth_m, scatter_ratio=ratio * water.scatter_ratio)
    return water


def stain(rng: Rng, water: WaterSpec, *, share: float = 1.0) -> WaterSpec:
    """Return the water with more that absorbs without living: leaves' tea, and dead matter that has kept its colour.

    Parameters
    ----------
    rng : Generator
    water : WaterSpec
        Its chlorophyll is kept; one sees a little less far.
    share : float
        Share of waters that may be stained.
    """
    draws = rng.random(5)
    if draws[4] >= share:
        return water
    low, high = np.log(TEA_440_PER_M)
    tea = math.exp(low + (high - low) * draws[1]) if draws[0] < TEA_SHARE else 0.0
    low, high = np.log(DEAD_ABSORPTION_SHARE)
    brown = math.exp(low + (high - low) * draws[3]) if draws[2] < BROWN_SHARE else 0.0
    return replace(
        water,
        cdom_440_per_m=water.cdom_440_per_m + tea,
        detritus_440_per_m=water.detritus_440_per_m + brown * water.dead_scatter_550_per_m,
    )


def _if_possible(water: WaterSpec, depth_m: float, **changes: float) -> WaterSpec:
    try:
        return solve_dead_matter(replace(water, **changes), depth_m)
    except ValueError:
        return water


def _any_colour(rng: Rng, low: float, high: float, spread: float) -> Srgb:
    """Return a colour of any lightness between two encoded levels and a drawn tint."""
    grey = rng.uniform(low, high)
    r, g, b = (float(np.clip(v, 0.05, 0.96)) for v in grey + spread * rng.normal(0, 1, 3))
    return (r, g, b)


def _widen_pool(rng: Rng, pool: PoolSpec) -> PoolSpec:
    changes: dict[str, Any] = {}
    if rng.random() < 0.3:
        shallow = float(np.exp(rng.uniform(np.log(0.6), np.log(1.8))))
        changes |= {"shallow_m": shallow, "deep_m": min(shallow * float(rng.uniform(1.05, 2.6)), 4.2)}
    if rng.random() < 0.3:
        first = _any_colour(rng, 0.2, 0.93, 0.07)
        second = _any_colour(rng, 0.2, 0.93, 0.07)
        plain = {"plain": 1.0, "mottled": 0.4, "tile": 0.2}
        pattern = str(rng.choice(list(plain)))
        changes |= {"finish_srgb": first, "second_srgb": second, "pattern": pattern, "pattern_m": plain[pattern]}
        changes |= {"steps": bool(rng.random() < 0.5), "drain": bool(rng.random() < 0.6)}
        changes |= {"lane_line": bool(rng.random() < 0.25)}
    if rng.random() < 0.35:
        changes |= {"coping_srgb": _any_colour(rng, 0.25, 0.93, 0.06), "deck_srgb": _any_colour(rng, 0.2, 0.93, 0.07)}
        changes |= {"band_srgb": _any_colour(rng, 0.2, 0.93, 0.1)}
    return replace(pool, **changes)


def _widen_light(rng: Rng, light: LightSpec) -> LightSpec:
    changes: dict[str, Any] = {}
    if rng.random() < 0.25:
        changes |= {"surround": "open", "tree_height_deg": float(rng.uniform(2, 10))}
    if rng.random() < 0.25:
        changes["wave_slope_rms"] = float(np.exp(rng.uniform(np.log(0.001), np.log(0.08))))
        changes["wave_size_m"] = float(rng.uniform(0.8, 5.0))
    return replace(light, **changes)


def _widen_camera(rng: Rng, camera: CameraSpec) -> CameraSpec:
    kind = rng.random()
    if kind < 0.12:
        # A camera close to a colorimeter with the plain sRGB curve.
        return replace(
            camera, base="C", variation=0, matrix_error=0.0, contrast=0.0, shoulder=12.0, toe=0.0, local_tone=0.0,
            saturation=1.0, sharpening=0.0, noise_reduction=0.0, vignetting=float(rng.uniform(0, 0.1)),
        )  # fmt: skip
    if kind < 0.4:
        red, blue = camera.white_balance_error
        return replace(
            camera,
            contrast=float(rng.uniform(0.0, 0.6)),
            saturation=float(rng.uniform(0.9, 1.35)),
            sharpening=float(rng.uniform(0.0, 1.2)),
            local_tone=float(rng.uniform(0.0, 0.35)),
            white_balance_error=(2 * red, 2 * blue),
            noise=float(rng.uniform(0.3, 3.0)),
        )
    return camera
