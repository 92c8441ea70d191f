"""Everything spectral of a scene, integrated once to camera colours.

In: a `SceneSpec`. Out: `Palette`: colours of dry surfaces, and tables of the light that comes up from under water by
depth and view, which pixels only look up.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from models.simulator.camera import spectral_response
from models.simulator.illuminants import Light, light_of
from models.simulator.optics import Optics, WaterSpec, above_surface, optics_of, shallow_reflectance, sun_in_water_cos
from models.simulator.specs import SceneSpec, Srgb
from models.simulator.spectra import photopic_mean, reflectance_of
from models.simulator.surfaces import FOLIAGE_SRGB

F32 = NDArray[Any]
"""Arrays of float32; OpenCV's stubs know no narrower type."""
F64 = NDArray[np.float64]

TABLE_DEPTHS_M = np.geomspace(0.02, 4.5, 40)
TABLE_COSINES = np.linspace(1.0, 0.64, 4)
"""Axes of the colour tables: depth below the surface and cosine of the view in water (0.66 at grazing view)."""


@dataclass(frozen=True)
class Palette:
    """Everything spectral of a scene, integrated to camera RGB.

    `floor`, `second`, `band` are tables (depth, cosine, 6): bottom light lit then shaded; `column` the same for the
    water's own light. `blur_per_m` is how much faster detail fades than light, 1/m; `glow_depth_m` is the mean depth
    that the water's own light comes from.
    """

    response: F64
    light: Light
    floor: F32
    second: F32
    band: F32
    column: F32
    blur_per_m: float
    scatter_per_m: float
    glow_depth_m: float

    def colour(self, srgb: Srgb, *, lit: bool) -> F32:
        """Return a dry surface's camera RGB in the sun or in the shade."""
        spectrum = self.light.lit if lit else self.light.shaded
        return np.asarray(self.response @ (reflectance_of(srgb) * spectrum), dtype=np.float32)


def mix_palette(spec: SceneSpec) -> Palette:
    """Integrate a scene's spectra."""
    light = light_of(spec.light, reflectance_of(FOLIAGE_SRGB))
    response = spectral_response(spec.camera, light.lit)
    optics = optics_of(spec.water)
    pool = spec.pool
    sun_cos = (
        sun_in_water_cos(spec.light.sun_zenith_deg) if spec.light.sun_share > 0.2 and not spec.light.in_shade else 0.86
    )
    tables = [
        _bottom_table(spec.water, optics, reflectance_of(srgb), light, response, sun_cos)
        for srgb in (pool.finish_srgb, pool.second_srgb, pool.band_srgb)
    ]
    # D_B k: what Lee's formula lets the bottom's light lose per metre of view path; the beam loses c.
    k = optics.a + optics.bb
    d_b = 1.04 * np.sqrt(1 + 5.4 * optics.bb / k)
    return Palette(
        response=response,
        light=light,
        floor=tables[0][0],
        second=tables[1][0],
        band=tables[2][0],
        column=tables[0][1],
        blur_per_m=spec.water.detail_gain * max(photopic_mean(optics.c - d_b * k), 0.0),
        scatter_per_m=photopic_mean(optics.b),
        # Mean depth of exp(-(1/cos t_w + D_C) k z), D_C about 1.1: 1 / (2.2 k).
        glow_depth_m=1.0 / (2.2 * photopic_mean(k)),
    )


def _bottom_table(
    water: WaterSpec, optics: Optics, albedo: F64, light: Light, response: F64, sun_cos: float
) -> tuple[F32, F32]:
    """Return (bottom, column) tables of reflectance factor pi R_rs times light, shape (depths, cosines, 6)."""
    depth = water.path_gain * TABLE_DEPTHS_M[:, None, None]
    parts = []
    for spectrum, cos_in in ((light.lit, sun_cos), (light.shaded, 0.86)):
        r = shallow_reflectance(
            optics.a, optics.bb, depth, albedo, sun_cos_in_water=cos_in, view_cos_in_water=TABLE_COSINES[None, :, None]
        )
        own = water.column_gain * r.column
        # Both parts share the factor by which light is lost and echoed at the surface.
        echo = math.pi * above_surface(own + r.bottom) / (own + r.bottom)
        parts.append(((r.bottom * echo * spectrum) @ response.T, (own * echo * spectrum) @ response.T))
    bottom = np.concatenate([parts[0][0], parts[1][0]], axis=-1).astype(np.float32)
    column = np.concatenate([parts[0][1], parts[1][1]], axis=-1).astype(np.float32)
    return bottom, column


def table_at(table: F32, row: F32, column: F32, sunlit: F32) -> F32:
    """Return a table's colour at positions, between shade and sun."""
    lit = cv2.remap(
        np.ascontiguousarray(table[..., :3]), column, row, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    shaded = cv2.remap(
        np.ascontiguousarray(table[..., 3:]), column, row, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    return np.asarray(shaded + sunlit[..., None] * (lit - shaded))
