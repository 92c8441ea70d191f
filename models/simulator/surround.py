"""What stands around the pool: sky, clouds, trees, house, fence, as radiance by direction.

In: a `LightSpec` and the colours of its light. Out: `Surround`, which gives the radiance seen in any direction, exact
for the background and as a small round picture of the upper hemisphere for reflections on the water.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from models.simulator.illuminants import LightSpec
from models.simulator.surfaces import noise_tile, sample_tile

F32 = NDArray[Any]
"""Arrays of float32; OpenCV's stubs know no narrower type."""
F64 = NDArray[np.float64]

HEMISPHERE_PX = 384


@dataclass(frozen=True)
class Surround:
    """Colours of the surround in camera linear RGB, each shape (3,)."""

    spec: LightSpec
    sky: F32
    cloud: F32
    foliage_lit: F32
    foliage_shaded: F32
    wall: F32
    sun_direction: F64

    def radiance(self, x: F32, y: F32, z: F32) -> F32:
        """Return the radiance from unit directions, shape (..., 3); 1 = a white sheet in full light.

        Below the horizon the foot of the trees goes on.
        """
        spec = self.spec
        rng = np.random.default_rng([spec.seed, 88])
        elevation = np.degrees(np.arcsin(np.minimum(z, 1.0)))
        z = np.maximum(z, 0.0)
        if spec.cloud_cover > 0.9:
            profile = (1.0 + 2.0 * z) / 2.33  # CIE standard overcast sky (Moon & Spencer 1942), mean irradiance 1
            out = profile[..., None] * self.sky
        else:
            near_sun = x * self.sun_direction[0] + y * self.sun_direction[1] + z * self.sun_direction[2]
            profile = 0.75 + 1.1 * (1 - z) ** 4 + 2.2 * np.exp((near_sun - 1) * 12) + 6 * np.exp((near_sun - 1) * 90)
            paler = ((1 - z) ** 5 * 0.6)[..., None]
            out = profile[..., None] * (
                self.sky * (1 - paler) + paler * self.cloud * float(self.sky.mean() / max(self.cloud.mean(), 1e-6))
            )
        if spec.cloud_cover > 0.03:
            u, v = x / (z + 0.15), y / (z + 0.15)
            cloud = sample_tile(noise_tile("cloud", spec.seed % 3), u, v, 4.0, offset=spec.seed % 23)
            threshold = 1.2 - 2.4 * min(spec.cloud_cover, 1.0)
            cover = np.clip((cloud - threshold) * 0.9, 0, 1)[..., None]
            body = (0.85 + 0.15 * cloud)[..., None] * (self.cloud if spec.cloud_cover < 0.9 else self.sky * 1.15)
            out = out * (1 - cover) + cover * body
        azimuth = np.arctan2(y, x)
        height = 3.0 + 0 * azimuth if spec.surround == "open" else np.full_like(azimuth, spec.tree_height_deg)
        ring = sample_tile(
            noise_tile("cloud", (spec.seed + 1) % 3), azimuth, elevation * 0.004, math.pi, offset=spec.seed % 29
        )
        height = height * (0.7 + 0.25 * ring)
        leaf = sample_tile(noise_tile("cloud", (spec.seed + 2) % 3), azimuth, elevation / 57.3, 0.17)
        clump = sample_tile(noise_tile("cloud", spec.seed % 3), azimuth, elevation / 57.3, 0.9)
        lightness = np.clip(0.40 + 0.22 * clump + 0.16 * leaf + 0.012 * elevation, 0.03, 1)[..., None]
        trees = self.foliage_shaded * (1 - lightness) + self.foliage_lit * lightness
        edge = np.clip((height + 1.3 * clump + 0.5 * leaf - elevation) / 0.7, 0, 1)[..., None]
        out = out * (1 - edge) + edge * trees
        if spec.surround in ("house", "fence"):
            for _ in range(2 if spec.surround == "house" else 1):
                centre, half = rng.uniform(-math.pi, math.pi), rng.uniform(0.5, 0.9)
                top = rng.uniform(10, 24)
                if spec.surround == "fence":
                    half, top = math.pi, rng.uniform(4, 8)
                across = np.abs((azimuth - centre + math.pi) % (2 * math.pi) - math.pi)
                body = np.clip((half - across) * 200, 0, 1) * np.clip((top - elevation) * 4, 0, 1)
                window = ((across * 9) % 1.0 > 0.55) & (np.abs(elevation - 0.55 * top) < 0.2 * top)
                tone = np.where(window & (spec.surround == "house"), 0.15, 1.0)
                if spec.surround == "fence":
                    tone = 0.75 + 0.2 * np.sin(azimuth * 140)
                out = out * (1 - body[..., None]) + (body * tone)[..., None] * self.wall
        return np.asarray(out, dtype=np.float32)

    def hemisphere(self) -> F32:
        """Return the upper hemisphere as a round picture: column and row are x/(1+z) and y/(1+z) from -1 to 1."""
        n = HEMISPHERE_PX
        a = (np.arange(n, dtype=np.float32) - (n - 1) / 2) / ((n - 1) / 2)
        px, py = np.meshgrid(a, a)
        r2 = np.minimum(px**2 + py**2, 0.9999)
        scale = np.sqrt(r2 / np.maximum(px**2 + py**2, 1e-9))
        px, py = px * scale, py * scale
        z = (1 - r2) / (1 + r2)
        return self.radiance((px * (1 + z)).astype(np.float32), (py * (1 + z)).astype(np.float32), z.astype(np.float32))


def look_up(hemisphere: F32, x: F32, y: F32, z: F32) -> F32:
    """Return a hemisphere picture's radiance for unit directions; those below the horizon get the horizon's."""
    half = np.float32((HEMISPHERE_PX - 1) / 2)
    z = np.maximum(z, 0.02)
    return np.asarray(
        cv2.remap(
            hemisphere,
            x / (1 + z) * half + half,
            y / (1 + z) * half + half,
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        )
    )


def sunlit_share(light: LightSpec, x_m: F32, y_m: F32) -> F32:
    """Return the share of the sun that reaches places on the ground past the shade's edge [0-1]."""
    edge = light.shade_edge
    if edge is None:
        return np.ones_like(x_m)
    heading, distance, rag = math.radians(edge[0]), edge[1], edge[2]
    cloud = sample_tile(noise_tile("cloud", light.seed % 3), x_m, y_m, 3.1, offset=light.seed % 31)
    s = x_m * np.float32(math.cos(heading)) + y_m * np.float32(math.sin(heading)) - np.float32(distance)
    return np.asarray(np.clip(0.5 + (s + np.float32(rag) * cloud) / np.float32(0.05 + 0.25 * rag), 0, 1))


def sun_direction(light: LightSpec) -> F64:
    """Return the unit vector to the sun in pool coordinates."""
    zenith, azimuth = math.radians(light.sun_zenith_deg), math.radians(light.sun_azimuth_deg)
    return np.array([math.sin(zenith) * math.cos(azimuth), math.sin(zenith) * math.sin(azimuth), math.cos(zenith)])
