"""The sighting disc on its pole as the camera meets it under water.

In: a `Stage`, a `DiscSpec`, the light that comes up from under a still surface. Out: that light with the disc in it,
the pole above the water, and where the disc's middle and rim are seen.

The disc's light is followed band by band: sun and sky through the surface, down as exp(-K z) (K after Lee et al. 2013
at the sun's own angle), off the print, up along the slant path r. What the beam keeps, exp(-c r), stays sharp; what the
water scatters forward by small angles, F of the scattering, arrives too but blurred over SPREAD r (after the
small-angle theory of Wells, W. H. (1973), AGARD Lecture Series 61, from memory; F and SPREAD are drawn round what
Petzold's turbid harbour phase function gives, from memory). What the water itself sends up before the disc lies over
all of it. Waves and the mirrored sky come after, with the rest of the water.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from models.simulator.geometry import View, basin_of, view_of
from models.simulator.optics import (
    REFRACTIVE_INDEX,
    diffuse_attenuation,
    optics_of,
    shallow_reflectance,
    sun_in_water_cos,
)
from models.simulator.specs import DiscSpec, SceneSpec
from models.simulator.spectra import photopic_mean
from models.simulator.stage import Stage
from models.simulator.surfaces import noise_tile, sample_tile
from models.simulator.target import PAPER_WHITE, pose_of
from vision.specs import load_disc

F32 = NDArray[Any]
"""Arrays of float32; OpenCV's stubs know no narrower type."""
F64 = NDArray[np.float64]

SKY_TRANSMITTED = 0.934
"""Share of a uniform sky's light that passes a still surface (6.6 % is reflected: Kirk, Light and Photosynthesis in
Aquatic Ecosystems, from memory)."""
NADIR_TRANSMITTED = 0.9789
"""Share of light from straight below that passes up through the surface, n = 1.34; `WaterPainter` divides by it."""
SUBSAMPLES = 3
POLE_RADIUS_M = 0.016
POLE_SRGB_RHO = (0.75, 0.12)
"""Reflectance of the pole's light and dark bands, 10 cm each."""


class DiscPainter(Stage):
    """Paints the disc and its pole."""

    def seen_at(self, point: F64) -> F64:
        """Return where on the surface a point under water is seen through, by Snell's law; shape (3,)."""
        view = self.view
        surface = -self.pool.freeboard_m
        above, below = float(view.position[2]) - surface, surface - float(point[2])
        if below <= 1e-6:
            return np.array([point[0], point[1], surface])
        flat = point[:2] - view.position[:2]
        far = float(np.linalg.norm(flat))
        low, high = 0.0, far
        for _ in range(50):
            mid = 0.5 * (low + high)
            sin_air = mid / math.hypot(mid, above)
            sin_water = (far - mid) / math.hypot(far - mid, below)
            low, high = (mid, high) if sin_air < REFRACTIVE_INDEX * sin_water else (low, mid)
        return np.array([*(view.position[:2] + flat * (low / max(far, 1e-9))), surface])

    def disc_middle(self) -> F64:
        """Return the disc's middle in space."""
        disc = self.spec.disc
        assert disc is not None
        place = self.view.foot - self.view.outwards * disc.out_m + self.view.right_along * disc.along_m
        return np.array([*place, -self.pool.freeboard_m - disc.depth_m])

    def disc_rim_px(self, count: int = 24) -> F64:
        """Return where points of the disc's rim are seen, shape (count, 2) [px], as through a still surface."""
        disc = self.spec.disc
        assert disc is not None
        middle = self.disc_middle()
        radius = load_disc().radius_mm / 1000
        out = []
        for turn in np.linspace(0, 2 * np.pi, count, endpoint=False):
            dx, dy = radius * math.cos(turn), radius * math.sin(turn)
            point = middle + np.array([dx, dy, -dx * disc.tilt[0] - dy * disc.tilt[1]])
            out.append(self.view.project(self.seen_at(point)[None])[0])
        return np.array(out)

    def sink_disc(self, light_up: F32, path: F32, depth: F32, corner_px: tuple[int, int]) -> None:
        """Put disc and pole into the light from under water, in place; `corner_px` is x, y of its first pixel."""
        view, disc = self.view, self.spec.disc
        if disc is None:
            return
        middle = self.disc_middle()
        at = view.project(self.seen_at(middle)[None])[0]
        reach = np.abs(self.disc_rim_px() - at).max(axis=0) * 1.9 + 8
        x0, y0 = (max(int(v), 0) for v in at - reach - corner_px)
        x1, y1 = (int(v) for v in at + reach - corner_px)
        x1, y1 = min(x1, light_up.shape[1]), min(y1, light_up.shape[0])
        if x1 - x0 < 4 or y1 - y0 < 4:
            return
        s = SUBSAMPLES
        px = corner_px[0] + x0 - 0.5 + (np.arange((x1 - x0) * s) + 0.5) / s
        py = corner_px[1] + y0 - 0.5 + (np.arange((y1 - y0) * s) + 0.5) / s
        u, v, cos_w = self._on_disc(px, py, middle)
        rho, alpha = print_at(disc, u, v)
        size = (x1 - x0, y1 - y0)
        rho, alpha = (cv2.resize(each.astype(np.float32), size, interpolation=cv2.INTER_AREA) for each in (rho, alpha))
        x_m = cv2.resize((u + middle[0]).astype(np.float32), size, interpolation=cv2.INTER_AREA)
        y_m = cv2.resize((v + middle[1]).astype(np.float32), size, interpolation=cv2.INTER_AREA)
        slant = float(cos_w)
        beam, wide, column, keep = self._light_at(disc.depth_m, slant, middle)
        # Blur of the forward-scattered light, from metres on the disc to pixels.
        per_m = float(np.abs(self.disc_rim_px() - at).max()) / (load_disc().radius_mm / 1000)
        sigma = max(disc.spread_rad * disc.depth_m / slant * per_m, 0.3)
        rho_wide, alpha_wide = (cv2.GaussianBlur(each, (0, 0), sigma)[..., None] for each in (rho, alpha))
        net = self._caustics(x_m, y_m, disc.depth_m)[..., None]
        region = light_up[y0:y1, x0:x1]
        behind = region.copy()
        region *= 1 - alpha_wide
        region += alpha_wide * column + rho_wide * wide * net
        region += (rho[..., None] - rho_wide) * beam * net
        region += (alpha[..., None] - alpha_wide) * (column - behind) * np.float32(keep)
        half = np.s_[y0 // 2 : (y1 + 1) // 2, x0 // 2 : (x1 + 1) // 2]
        on = cv2.resize(alpha, (path[half].shape[1], path[half].shape[0]), interpolation=cv2.INTER_AREA) > 0.3
        depth[half][on] = disc.depth_m
        path[half][on] = disc.depth_m / slant
        self._sink_pole(light_up, corner_px, middle)

    def _on_disc(self, px: F64, py: F64, middle: F64) -> tuple[F64, F64, float]:
        """Return where rays through pixels meet the disc's plane, from its middle [m], and the slant's cosine."""
        view, disc = self.view, self.spec.disc
        assert disc is not None
        x = ((px - view.middle_px[0]) / view.focal_px)[None, :]
        y = ((py - view.middle_px[1]) / view.focal_px)[:, None]
        r, d, f = view.rotation
        dx, dy, dz = (x * r[i] + y * d[i] + f[i] for i in range(3))
        dz = np.minimum(dz, -0.012)
        t = (view.position[2] + self.pool.freeboard_m) / -dz
        sx, sy = view.position[0] + t * dx, view.position[1] + t * dy
        level = np.maximum(np.hypot(dx, dy), 1e-9)
        sin_w = level / np.sqrt(level**2 + dz**2) / REFRACTIVE_INDEX
        tan_w = sin_w / np.sqrt(1 - sin_w**2)
        gx, gy = dx / level * tan_w, dy / level * tan_w
        tx, ty = disc.tilt
        z = (disc.depth_m + tx * (sx - middle[0]) + ty * (sy - middle[1])) / (1 - tx * gx - ty * gy)
        at = self.seen_at(middle)
        run = float(np.linalg.norm(middle[:2] - at[:2]))
        return sx + gx * z - middle[0], sy + gy * z - middle[1], disc.depth_m / math.hypot(disc.depth_m, run)

    def _light_at(self, depth_m: float, cos_w: float, middle: F64) -> tuple[F32, F32, F32, float]:
        """Return camera RGB of reflectance 1 (sharp, whole), the water's own light before it, and the beam's part."""
        spec, palette, light = self.spec, self.palette, self.palette.light
        disc = spec.disc
        assert disc is not None
        optics = optics_of(spec.water)
        sunny = spec.light.sun_share > 0.2 and not spec.light.in_shade
        zenith = spec.light.sun_zenith_deg if sunny else 45.0
        sun_cos = sun_in_water_cos(zenith) if sunny else 0.86
        k_down = diffuse_attenuation(optics, zenith)
        tan_sun = math.sqrt(1 / sun_cos**2 - 1) * depth_m
        norm = max(float(np.hypot(self.sun[0], self.sun[1])), 1e-9)
        entry = middle[:2] + np.array(self.sun[:2]) / norm * tan_sun
        sunlit = float(self.sunlit(np.array([[entry[0]]], np.float32), np.array([[entry[1]]], np.float32))[0, 0])
        inside = float(np.clip(0.5 + self.wall_distance(entry) / (0.04 + 0.08 * depth_m), 0, 1))
        sunlit = sunlit * inside if sunny else 1.0
        cos_air = math.cos(math.radians(zenith))
        passed = 1 - _fresnel(cos_air) if sunny else SKY_TRANSMITTED
        down = SKY_TRANSMITTED * light.shaded + passed * sunlit * (light.lit - light.shaded)
        above = shallow_reflectance(
            optics.a, optics.bb, depth_m, 0.45, sun_cos_in_water=sun_cos, view_cos_in_water=cos_w
        )
        echo = 1 / (1 - 1.5 * above.total)
        up = NADIR_TRANSMITTED / REFRACTIVE_INDEX**2 * echo * down * np.exp(-k_down * depth_m)
        r = depth_m / cos_w
        beam = up * np.exp(-optics.c * r)
        wide = up * np.exp(-(optics.c - disc.forward_share * optics.b) * r)
        column = math.pi * NADIR_TRANSMITTED / REFRACTIVE_INDEX**2 * echo * above.column * down
        keep = math.exp(-photopic_mean(disc.forward_share * optics.b) * r)
        rgb = [np.asarray(palette.response @ each, dtype=np.float32) for each in (beam, wide, column)]
        return rgb[0], rgb[1], rgb[2], keep

    def _caustics(self, x_m: F32, y_m: F32, depth_m: float) -> F32:
        """Return the sun's net of light on the disc, mean 1."""
        light = self.spec.light
        if light.in_shade or light.sun_share <= 0.2:
            return np.ones_like(x_m)
        net = sample_tile(
            noise_tile("caustic", light.seed % 2), x_m, y_m, light.wave_size_m * 0.8, offset=light.seed % 37
        )
        strength = 0.75 * light.sun_share * min(1.0, light.wave_slope_rms / 0.018)
        strength *= (
            min(depth_m / 0.35, 1) / (1 + 0.45 * depth_m) * math.exp(-0.6 * self.palette.scatter_per_m * depth_m)
        )
        return np.asarray(1 + np.float32(strength) * (net - 1), dtype=np.float32)

    def _sink_pole(self, light_up: F32, corner_px: tuple[int, int], middle: F64) -> None:
        """Paint the pole's part under water, band by band, upwards from the disc."""
        disc = self.spec.disc
        assert disc is not None
        slant = float(self._on_disc(np.zeros(1), np.zeros(1), middle)[2])
        edges = np.append(np.arange(0.0, disc.depth_m, 0.05), disc.depth_m)
        for top, low in itertools.pairwise(edges):
            mid = 0.5 * (top + low)
            rho = POLE_SRGB_RHO[int((disc.depth_m - mid) / 0.1) % 2] * PAPER_WHITE
            _, wide, column, keep = self._light_at(max(mid, 0.01), slant, middle)
            ends = [self.view.project(self.seen_at(self._pole_point(z))[None])[0] for z in (top, low)]
            side = self._pole_half_px(mid)
            self._strip(light_up, ends, side, corner_px, column + rho * 0.6 * wide, math.sqrt(keep))

    def paint_pole(self, picture: F32) -> None:
        """Paint the pole's part above the water."""
        disc = self.spec.disc
        if disc is None:
            return
        for i in range(int(disc.pole_above_m / 0.1)):
            z = -0.1 * i
            points = [self._pole_point(z), self._pole_point(z - 0.1)]
            if min(float(self.view.depth_of(p[None])[0]) for p in points) < 0.25:
                return
            tone = POLE_SRGB_RHO[i % 2] ** (1 / 2.2)
            lit = self.palette.colour((tone, tone, tone), lit=True) * np.float32(0.6)
            ends = [self.view.project(p[None])[0] for p in points]
            self._strip(picture, ends, self._pole_half_px(z), (0, 0), lit, 1.0)

    def _pole_point(self, depth_m: float) -> F64:
        """Return the pole's middle at a depth (negative above the water)."""
        disc = self.spec.disc
        assert disc is not None
        middle = self.disc_middle()
        away = middle[:2] - self.view.position[:2]
        away = away / max(float(np.linalg.norm(away)), 1e-9)
        side = math.radians(disc.pole_side_deg)
        at_rim = away * math.cos(side) + np.array([away[1], -away[0]]) * math.sin(side)
        middle[:2] += at_rim * (load_disc().radius_mm / 1000 + POLE_RADIUS_M)
        up = disc.depth_m - depth_m
        return middle + np.array([-disc.tilt[0] * up, -disc.tilt[1] * up, up])

    def _pole_half_px(self, depth_m: float) -> float:
        point = self._pole_point(depth_m)
        seen = self.seen_at(point) if depth_m > 0 else point
        return POLE_RADIUS_M * self.view.focal_px / float(self.view.depth_of(seen[None])[0] + max(depth_m, 0) / 1.34)

    def _strip(
        self, picture: F32, ends: list[F64], half_px: float, corner_px: tuple[int, int], colour: F32, strength: float
    ) -> None:
        along = ends[1] - ends[0]
        normal = np.array([-along[1], along[0]]) / max(float(np.linalg.norm(along)), 1e-6) * half_px
        quad = np.array([ends[0] + normal, ends[1] + normal, ends[1] - normal, ends[0] - normal]) - corner_px
        height, width = picture.shape[:2]
        if (quad.max(axis=0) < 0).any() or quad[:, 0].min() > width or quad[:, 1].min() > height:
            return
        mask = np.zeros((height, width), np.uint8)
        cv2.fillPoly(mask, [np.round(np.clip(quad, -500, 9000) * 64).astype(np.int32)], 255, cv2.LINE_AA, 6)
        ys, xs = np.nonzero(mask)
        alpha = (mask[ys, xs].astype(np.float32) * np.float32(strength / 255))[:, None]
        picture[ys, xs] += alpha * (colour - picture[ys, xs])


def print_at(disc: DiscSpec, u_m: F64, v_m: F64) -> tuple[F64, F64]:
    """Return reflectance and cover of the disc's plane at places from its middle [m], x and y of the pool."""
    design = load_disc()
    turn = math.radians(disc.turn_deg)
    # Seen from above with y away from the reader the print's clockwise is the plan's too once y is turned over.
    x = u_m * math.cos(turn) + v_m * math.sin(turn)
    y = u_m * math.sin(turn) - v_m * math.cos(turn)
    r = np.hypot(x, y) * 1000
    angle = np.degrees(np.arctan2(y, x)) % 360
    code = np.array([letter == "1" for letter in design.ring_code])
    ring = code[np.minimum((angle * len(code) / 360).astype(int), len(code) - 1)]
    white = np.where(r < design.quadrant_radius_mm, (angle % 180) < 90, True)
    white = np.where((r >= design.ring_mm[0]) & (r <= design.ring_mm[1]), ring, white)
    white &= r >= design.hub_radius_mm
    rho = np.where(white, disc.white, disc.black) * PAPER_WHITE
    cover = r <= design.radius_mm
    return rho * cover, cover.astype(np.float64)


def _fresnel(cos_i: float) -> float:
    """Return the share of unpolarised light that a still water surface reflects."""
    n = REFRACTIVE_INDEX
    cos_t = math.sqrt(1 - (1 - cos_i**2) / n**2)
    r_s = (cos_i - n * cos_t) / (cos_i + n * cos_t)
    r_p = (n * cos_i - cos_t) / (n * cos_i + cos_t)
    return 0.5 * (r_s**2 + r_p**2)


def with_disc(spec: SceneSpec, rng: np.random.Generator, depth_m: float) -> SceneSpec | None:
    """Return the scene with the disc held at a depth where the photo shows it, or None where it has no such place."""
    view, basin = view_of(spec.pool, spec.stance, spec.camera.focal_eq_mm, spec.size_px), basin_of(spec.pool)
    width, height = spec.size_px
    stage = DiscPainter(spec)
    for _ in range(200):
        disc = DiscSpec(
            depth_m=depth_m,
            along_m=float(rng.uniform(-1.2, 1.2)),
            out_m=float(rng.uniform(0.3, 1.6)),
            turn_deg=float(rng.uniform(0, 360)),
            tilt=(float(rng.normal(0, 0.04)), float(rng.normal(0, 0.04))),
            white=float(rng.uniform(0.94, 1.02)),
            black=float(rng.uniform(0.025, 0.06)),
            forward_share=float(rng.uniform(0.75, 0.92)),
            spread_rad=float(rng.uniform(0.06, 0.16)),
            pole_side_deg=float(rng.normal(0, 45)),
            pole_above_m=float(rng.uniform(0.8, 1.8)),
        )
        place = view.foot - view.outwards * disc.out_m + view.right_along * disc.along_m
        x, y = (np.array([[place[i]]], np.float32) for i in range(2))
        deep = float(basin.at(basin.depth, x, y)[0, 0])
        if float(basin.at(basin.wall, x, y)[0, 0]) < 0.25 or deep < depth_m + 0.05:
            continue
        tried = replace(spec, disc=disc)
        stage.spec = tried
        if not _clear_of_deck(stage):
            continue
        rim = stage.disc_rim_px(12)
        if (rim < 12).any() or (rim > np.array([width, height]) - 12).any():
            continue
        if np.ptp(rim[:, 0]) < LEAST_WIDTH_SHARE * max(width, height) or _behind_card(tried, view, rim):
            continue
        return tried
    return None


def _clear_of_deck(stage: DiscPainter) -> bool:
    """Return whether the deck hides no part of the disc: lines to it pass the deck inside the pool's opening."""
    position = stage.view.position
    middle, radius = stage.disc_middle(), load_disc().radius_mm / 1000
    for turn in np.linspace(0, 2 * np.pi, 8, endpoint=False):
        point = stage.seen_at(middle + radius * np.array([math.cos(turn), math.sin(turn), 0.0]))
        share = position[2] / (position[2] - point[2])
        if stage.wall_distance(position[:2] + share * (point[:2] - position[:2])) < 0.03:
            return False
    return True


def _behind_card(spec: SceneSpec, view: View, rim_px: F64) -> bool:
    """Return whether the card, or the hand that holds it, comes near the disc in the photo."""
    if spec.card is None:
        return False
    corners = view.project(pose_of(spec.card, view).corners)
    margin = 0.15 * np.ptp(corners[:, 0])
    low, high = corners.min(axis=0) - margin, corners.max(axis=0) + margin
    if spec.card.placement == "hand":
        high[1] = np.inf
        low[0], high[0] = low[0] - margin, high[0] + 2 * margin
    return bool((rim_px.max(axis=0) > low).all() and (rim_px.min(axis=0) < high).all())


LEAST_WIDTH_SHARE = 0.045
"""Least width of the disc in a drawn photo, of its long side: 70 of 1600 px; the instructions ask to go close."""
