"""One rendering under way: view, basin, colours and light together, for the painters to stand on.

In: a `SceneSpec`. Out: `Stage`, the base of the painters of water and of floating things, and two helpers for painting
in stripes.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from models.simulator.geometry import Basin, View, basin_of, offset_outline, view_of
from models.simulator.palette import mix_palette
from models.simulator.specs import SceneSpec
from models.simulator.spectra import reflectance_of
from models.simulator.surfaces import FOLIAGE_SRGB, WALL_COLOURS
from models.simulator.surround import Surround, sun_direction, sunlit_share

F32 = NDArray[Any]
"""Arrays of float32; OpenCV's stubs know no narrower type."""
F64 = NDArray[np.float64]


def stripes(start: int, stop: int, rows: int = 128) -> list[slice]:
    """Return slices of at most `rows` rows; what fits the processor's cache is computed twice as fast."""
    return [slice(i, min(i + rows, stop)) for i in range(start, stop, rows)]


def enlarge(half: F32, rows: slice, width: int) -> F32:
    """Return rows of an array given on every second pixel (rows.start even), at full size."""
    top = max(rows.start // 2 - 1, 0)
    low = min((rows.stop + 1) // 2 + 1, half.shape[0])
    cut = half[top:low]
    big = cv2.resize(cut, (2 * half.shape[1], 2 * cut.shape[0]), interpolation=cv2.INTER_LINEAR)
    start = rows.start - 2 * top
    return np.asarray(big[start : start + rows.stop - rows.start, :width])


class Stage:
    """View, basin, integrated colours, surround and rays of one scene."""

    def __init__(self, spec: SceneSpec) -> None:
        self.spec = spec
        self.pool = spec.pool
        self.view: View = view_of(spec.pool, spec.stance, spec.camera.focal_eq_mm, spec.size_px)
        self.basin: Basin = basin_of(spec.pool)
        self.palette = mix_palette(spec)
        self.sun = sun_direction(spec.light)
        rng = np.random.default_rng([spec.light.seed, 3])
        wall = WALL_COLOURS[int(rng.integers(len(WALL_COLOURS)))]
        light, response = self.palette.light, self.palette.response
        foliage, wall_rho = reflectance_of(FOLIAGE_SRGB), reflectance_of((wall[0] / 255, wall[1] / 255, wall[2] / 255))
        full = light.lit if not spec.light.in_shade else light.shaded + 0.4 * light.sun
        self.surround = Surround(
            spec=spec.light,
            sky=(response @ light.sky).astype(np.float32),
            cloud=(response @ full * 0.85).astype(np.float32),
            foliage_lit=(response @ (full * foliage) * 0.7).astype(np.float32),
            foliage_shaded=(response @ (light.shaded * foliage) * 0.35).astype(np.float32),
            wall=(response @ (0.5 * (full + light.shaded) * wall_rho) * 0.8).astype(np.float32),
            sun_direction=self.sun,
        )
        self.ray = self.view.rays()

    def sunlit(self, x_m: F32, y_m: F32) -> F32:
        """Return the share of the sun that reaches places on the ground [0-1]."""
        return sunlit_share(self.spec.light, x_m, y_m)

    def wall_distance(self, place: F64) -> float:
        """Return how far a place in plan lies from the wall [m], positive in the water."""
        x, y = (np.array([[place[i]]], np.float32) for i in range(2))
        return float(self.basin.at(self.basin.wall, x, y)[0, 0])

    def ring(self, outwards_m: float, z: float) -> F64:
        """Return the pool's outline moved outwards, at a height, shape (N, 3)."""
        outline = offset_outline(self.basin.outline, outwards_m) if outwards_m else self.basin.outline
        return np.column_stack([outline, np.full(len(outline), z)])
