"""Paint the pool: dry wall, light from under water, waves, mirrored sky.

In: a stage and the picture so far. Out: the picture with water, masks of water and of glare, the depths seen. Long
because the water's light is one chain of steps on shared stripes.
"""

from __future__ import annotations

import math
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from models.simulator.disc import DiscPainter
from models.simulator.optics import REFRACTIVE_INDEX
from models.simulator.palette import TABLE_COSINES, TABLE_DEPTHS_M, table_at
from models.simulator.stage import enlarge, stripes
from models.simulator.surfaces import floor_texture, joints, noise_tile, sample_tile
from models.simulator.surround import look_up

F32 = NDArray[Any]
"""Arrays of float32; OpenCV's stubs know no narrower type."""
F64 = NDArray[np.float64]
Mask = NDArray[np.bool_]


class WaterPainter(DiscPainter):
    """Paints everything inside the pool's opening."""

    opening: NDArray[np.uint8]

    def paint_pool(self, picture: F32) -> tuple[Mask, Mask, tuple[float, float] | None]:
        """Paint dry wall and water; return the masks of water and glare and the range of depths seen [m]."""
        pool, view = self.pool, self.view
        opening = self.opening
        wet = np.minimum(opening, view.fill(self.ring(0.0, -pool.freeboard_m)))
        height, width = wet.shape
        self._paint_dry_wall(picture, opening, wet)
        rows, cols = np.nonzero(wet.any(axis=1))[0], np.nonzero(wet.any(axis=0))[0]
        none = np.zeros((height, width), bool)
        if not len(rows):
            return none, none.copy(), None
        top, left = int(rows[0]) // 2 * 2, int(cols[0]) // 2 * 2
        box = np.s_[top : int(rows[-1]) + 1, left : int(cols[-1]) + 1]
        cover = wet[box].astype(np.float32) / 255
        ray = tuple(d[box] for d in self.ray)
        light_up, path, depth, depth_seen = self._under_water(ray, cover)
        self.sink_disc(light_up, path, depth, (left, top))
        glare = none
        self._surface(picture[box], ray, cover, light_up, path, depth, glare[box])
        return wet > 127, glare, depth_seen

    def _paint_dry_wall(self, picture: F32, opening: NDArray[np.uint8], wet: NDArray[np.uint8]) -> None:
        """Paint the strip of wall between coping and water."""
        view, pool = self.view, self.pool
        strip = (opening > 0) & (wet < 255)
        if not strip.any():
            return
        dx, dy, dz = (d[strip] for d in self.ray)
        t = np.float32(view.position[2] + 0.5 * pool.freeboard_m) / np.maximum(-dz, 0.012)
        x, y = np.float32(view.position[0]) + t * dx, np.float32(view.position[1]) + t * dy
        joint = joints(x + y, x - y, (pool.band_tile_m * 1.4, 50.0), 0.006, t / np.float32(view.focal_px), brick=False)
        sunlit = (self.sunlit(x, y) * 0.45)[:, None]
        shade, full = self.palette.colour(pool.band_srgb, lit=False), self.palette.colour(pool.band_srgb, lit=True)
        colour = (0.6 * shade + sunlit * (full - shade)) * (1 + 0.5 * joint)[:, None]
        alpha = opening[strip].astype(np.float32)[:, None] / 255
        picture[strip] = picture[strip] * (1 - alpha) + alpha * colour

    def _under_water(self, ray: tuple[F32, ...], cover: F32) -> tuple[F32, F32, F32, tuple[float, float] | None]:
        """Return the light that comes up through a still surface, and at half size the path and depth it comes from."""
        spec, pool, view, basin, palette = self.spec, self.pool, self.view, self.basin, self.palette
        light = spec.light
        dx, dy, dz = ray
        n_w = np.float32(REFRACTIVE_INDEX)
        px, py = np.float32(view.position[0]), np.float32(view.position[1])
        above = np.float32(view.position[2] + pool.freeboard_m)
        # On every second pixel: where does the ray refracted at a still surface end?
        hx, hy, hz = (np.ascontiguousarray(d[::2, ::2]) for d in (dx, dy, dz))
        hz = np.minimum(hz, np.float32(-0.012))
        t = above / -hz
        x0, y0 = px + t * hx, py + t * hy
        level = np.maximum(np.sqrt(hx * hx + hy * hy), 1e-6)
        length = np.sqrt(level * level + hz * hz)
        sin_t = level / length / n_w
        cos_t = np.sqrt(1 - sin_t * sin_t)
        tan_t = np.maximum(sin_t / cos_t, 1e-4)
        ux, uy = hx / level, hy / level
        deep = np.float32(basin.depth.max())
        run = np.zeros_like(tan_t)
        for _ in range(7):
            run = run + np.maximum(basin.at(basin.wall, x0 + ux * run, y0 + uy * run), 0)
            np.minimum(run, deep * tan_t * 1.05 + 0.01, out=run)
        z_wall = run / tan_t
        z_floor = self._floor_depth(x0, y0, ux * tan_t, uy * tan_t, deep)
        on_wall = z_wall < z_floor
        z = np.clip(np.minimum(z_wall, z_floor), 0.02, 4.5)
        x1, y1 = x0 + ux * tan_t * z, y0 + uy * tan_t * z
        # The sun's way in: shadow of the edge, of trees.
        sun_tan = math.sin(math.radians(light.sun_zenith_deg)) / REFRACTIVE_INDEX
        sun_tan = sun_tan / math.sqrt(1 - sun_tan**2)
        sun_x, sun_y = (v / max(float(np.hypot(self.sun[0], self.sun[1])), 1e-6) * sun_tan for v in self.sun[:2])
        in_x, in_y = x1 + np.float32(sun_x) * z, y1 + np.float32(sun_y) * z
        sunlit = np.clip(0.5 + basin.at(basin.wall, in_x, in_y) / (0.04 + 0.08 * z), 0, 1) * self.sunlit(in_x, in_y)
        if light.in_shade or light.sun_share <= 0:
            sunlit = np.ones_like(z)
        sunlit = sunlit.astype(np.float32)
        steps = np.float32((len(TABLE_DEPTHS_M) - 1) / math.log(TABLE_DEPTHS_M[-1] / TABLE_DEPTHS_M[0]))
        row = np.log(z / np.float32(TABLE_DEPTHS_M[0])) * steps
        col = (1 - cos_t) * np.float32((len(TABLE_COSINES) - 1) / (TABLE_COSINES[0] - TABLE_COSINES[-1]))
        floor = table_at(palette.floor, row, col, sunlit)
        second = table_at(palette.second, row, col, sunlit)
        # The column is lit from all sides: shade edges are soft in it.
        # It shines mostly from the first optical depth, not from the floor: turbid water has its shade at the surface.
        near = np.minimum(z, np.float32(palette.glow_depth_m))
        in_x = x0 + (ux * tan_t + np.float32(sun_x)) * near
        in_y = y0 + (uy * tan_t + np.float32(sun_y)) * near
        soft = np.clip(0.5 + basin.at(basin.wall, in_x, in_y) / (0.04 + 0.3 * near), 0, 1) * self.sunlit(in_x, in_y)
        soft = cv2.GaussianBlur(soft.astype(np.float32), (0, 0), max(2.0, 0.01 * view.focal_px))
        column = table_at(palette.column, row, col, soft)
        in_band = np.clip((np.float32(pool.band_m) - z) * 100, 0, 1) * on_wall
        if in_band.any():
            band = table_at(palette.band, row, col, sunlit)
            floor += in_band[..., None] * (band - floor)
            second += in_band[..., None] * (band * 1.25 - second)
        # Walls meet the light at a slant (common practice, no source).
        wall_shade = np.where(on_wall, 0.55 + 0.35 * sunlit, 1.0).astype(np.float32)
        keep = np.exp(-np.float32(palette.blur_per_m) * z / cos_t).astype(np.float32)

        seen = cover[::2, ::2] > 0.5
        depth_seen = None
        if seen.any():
            depth_seen = (
                (float(z[seen & ~on_wall].min()), float(z[seen].max()))
                if (seen & ~on_wall).any()
                else (0.0, float(z[seen].max()))
            )

        path = z / cos_t
        height, width = cover.shape
        light_up = np.empty((height, width, 3), np.float32)
        where = np.dstack([x1, y1, z, sunlit, t + path, wall_shade]).astype(np.float32)
        for rows in stripes(0, height):
            x, y, depth, sun, reach, shade = (
                enlarge(np.ascontiguousarray(where[..., i]), rows, width) for i in range(6)
            )
            wall = enlarge(on_wall.astype(np.float32), rows, width) > 0.5
            share, tone = self._bottom_pattern(x, y, depth, sun, wall, reach, shade)
            ground, other = enlarge(floor, rows, width), enlarge(second, rows, width)
            other -= ground
            other *= share[..., None]
            ground += other
            ground *= tone if tone.ndim == 3 else tone[..., None]
            ground += enlarge(column, rows, width)
            light_up[rows] = ground
        self._fade_detail(light_up, keep, cover)
        return light_up, path, z, depth_seen

    def _surface(
        self, picture: F32, ray: tuple[F32, ...], cover: F32, light_up: F32, path: F32, depth: F32, glare: Mask
    ) -> None:
        """Paint the water into a cut-out of the picture: light from below through the waves, sky mirrored in them."""
        spec, view = self.spec, self.view
        light = spec.light
        n_w = np.float32(REFRACTIVE_INDEX)
        luma = np.array([[0.2126, 0.7152, 0.0722]], np.float32)
        hemisphere = self.surround.hemisphere()
        px, py = np.float32(view.position[0]), np.float32(view.position[1])
        above = np.float32(view.position[2] + self.pool.freeboard_m)
        height, width = cover.shape
        for rows in stripes(0, height):
            if not cover[rows].any():
                continue
            dx, dy, dz = (d[rows] for d in ray)
            dz = np.minimum(dz, np.float32(-0.012))
            t = above / -dz
            x0, y0 = px + t * dx, py + t * dy
            footprint = t / np.float32(view.focal_px)
            sx, sy = self._slopes(x0, y0, footprint)
            length = np.sqrt(dx * dx + dy * dy + dz * dz)
            below, behind = enlarge(path, rows, width), enlarge(depth, rows, width)
            risen = self._refract(light_up, rows, (dx, dy, dz), length, t, below, behind, sx, sy)
            nz = 1 / np.sqrt(1 + sx * sx + sy * sy)
            cos_i = np.clip((dx * sx + dy * sy - dz) / length * nz, 0.02, 1)
            cos_r = np.sqrt(1 - (1 - cos_i * cos_i) / (n_w * n_w))
            r_s = (cos_i - n_w * cos_r) / (cos_i + n_w * cos_r)
            r_p = (n_w * cos_i - cos_r) / (n_w * cos_i + cos_r)
            fresnel = np.float32(0.5) * (r_s * r_s + r_p * r_p)
            twice = 2 * cos_i * nz
            rx, ry, rz = dx / length - twice * sx, dy / length - twice * sy, dz / length + twice
            gleam = look_up(hemisphere, rx, ry, rz)
            if light.sun_share > 0.3 and not light.in_shade:
                self._add_glint(gleam, rx, ry, rz, x0, y0)
            gleam *= fresnel[..., None]
            # Lee's surface factor holds the transmission at nadir (0.9789 for n = 1.34): take it relative to that.
            risen *= ((1 - fresnel) * np.float32(1 / 0.9789))[..., None]
            glare[rows] = (cv2.transform(gleam, luma) > cv2.transform(risen, luma)) & (cover[rows] > 0.5)
            risen += gleam
            if spec.extras.pollen > 0:
                speck = sample_tile(noise_tile("fine", 0), x0, y0, 1.1) / (1 + (footprint / 0.01) ** 2)
                raft = sample_tile(noise_tile("cloud", 1), x0, y0, 2.7, offset=9)
                film = np.clip((speck + raft - 2.6 + 1.4 * spec.extras.pollen) * 0.5, 0, 0.8)[..., None]
                risen = risen * (1 - film) + film * self.palette.colour((0.62, 0.60, 0.42), lit=True)
            alpha = cover[rows][..., None]
            region = picture[rows]
            region += alpha * (risen - region)

    def _floor_depth(self, x0: F32, y0: F32, gx: F32, gy: F32, deep: np.float32) -> F32:
        """Return the depth at which rays x0 + gx z, y0 + gy z meet the floor: march, then halve."""
        basin = self.basin
        count = 10 if self.pool.steps or self.pool.ledge else 3
        low = np.zeros_like(x0)
        high = np.full_like(x0, deep)
        open_ = np.ones(x0.shape, bool)
        for i in range(1, count + 1):
            z = deep * np.float32(i / count)
            below = basin.at(basin.depth, x0 + gx * z, y0 + gy * z) <= z
            hit = open_ & below
            high = np.where(hit, z, high)
            open_ &= ~below
            low = np.where(open_, z, low)
        for _ in range(6):
            mid = 0.5 * (low + high)
            below = basin.at(basin.depth, x0 + gx * mid, y0 + gy * mid) <= mid
            high = np.where(below, mid, high)
            low = np.where(below, low, mid)
        return high

    def _bottom_pattern(
        self, x: F32, y: F32, z: F32, sunlit: F32, on_wall: Mask, path: F32, wall_shade: F32
    ) -> tuple[F32, F32]:
        """Return (share of the second colour, brightness) of floor and wall; brightness per channel where stained."""
        spec, pool = self.spec, self.pool
        footprint = path / np.float32(self.view.focal_px)
        along = np.where(on_wall, x + y, x)
        across = np.where(on_wall, z, y)
        share, tone = floor_texture(pool.pattern, pool.pattern_m, along, across, footprint, pool.seed)
        tone = tone * wall_shade
        fittings = np.ones_like(tone)
        start = np.float32(self.basin.outline[:, 0].min())
        if pool.drain:
            cx = np.float32(self.basin.outline[:, 0].max() - (1.6 if pool.profile != "flat" else pool.length_m / 2))
            r = np.sqrt((x - cx) ** 2 + y**2)
            disc = np.clip((0.13 - r) / np.maximum(footprint, 1e-3) + 0.5, 0, 1)
            grate = 0.5 + 0.5 * np.sign(np.sin(x * 180)) / (1 + (footprint / 0.012) ** 2)
            fittings *= 1 - disc * (0.35 + 0.4 * grate)
        if pool.lane_line:
            line = np.clip((0.12 - np.abs(y)) / np.maximum(footprint, 1e-3) + 0.5, 0, 1)
            fittings *= 1 - 0.7 * line
        if pool.steps:
            first = 1.8 if pool.ledge else 0.0
            within = np.abs(y) < 0.32 * pool.width_m
            for i in range(3):
                edge = np.abs(x - start - first - 0.35 * (i + 1) + 0.03)
                fittings *= 1 - 0.55 * within * np.clip((0.025 - edge) / np.maximum(footprint, 1e-3) + 0.5, 0, 1)
        tone = np.where(on_wall, tone, tone * fittings)
        if not spec.light.in_shade and spec.light.sun_share > 0.2:
            net = sample_tile(
                noise_tile("caustic", spec.light.seed % 2),
                along,
                across,
                spec.light.wave_size_m * 0.8,
                offset=spec.light.seed % 37,
            )
            gain = np.float32(0.75 * spec.light.sun_share * min(1.0, spec.light.wave_slope_rms / 0.018))
            strength = np.minimum(z * np.float32(1 / 0.35), 1) / (1 + np.float32(0.45) * z)
            strength *= np.exp(np.float32(-0.6 * self.palette.scatter_per_m) * z)
            strength *= gain * sunlit
            net -= 1
            tone = tone * (1 + strength * net)
        tone = np.maximum(tone, np.float32(0.02))
        if not spec.extras.benthic_algae > 0 and not spec.extras.floor_debris > 0:
            return share, tone
        colours = np.repeat(tone[..., None], 3, axis=2)
        extras = spec.extras
        if extras.benthic_algae > 0:
            patch = sample_tile(noise_tile("cloud", (extras.seed + 1) % 3), along, across, 2.3, offset=extras.seed % 41)
            patch = np.clip(patch * 0.8 - 0.6 + 1.4 * extras.benthic_algae, 0, 1)[..., None]
            colours *= 1 - patch * np.array([0.62, 0.40, 0.75], np.float32)
        if extras.floor_debris > 0:
            heap = sample_tile(noise_tile("cloud", extras.seed % 3), x, y, 3.3, offset=extras.seed % 43)
            grain = sample_tile(noise_tile("fine", extras.seed % 2), x, y, 1.2)
            heap = np.clip(
                heap * 0.7 + 0.3 * grain / (1 + (footprint / 0.02) ** 2) - 1.3 + 1.5 * extras.floor_debris, 0, 1
            )
            colours *= 1 - (heap * ~on_wall)[..., None] * np.array([0.62, 0.70, 0.82], np.float32)
        return share, colours

    def _fade_detail(self, light_up: F32, keep: F32, cover: F32) -> None:
        """Replace, in place, detail that does not survive the beam's attenuation by its surroundings' mean.

        Two scales stand for the water's smooth transfer function: detail finer than about 1.5 degrees fades as the
        beam, `keep`; what is coarser, to about 6 degrees (small-angle scattering), as its root.
        """
        if float(keep.min()) > 0.995:
            return
        h, w = cover.shape
        f = self.view.focal_px
        small = (max(w // 8, 1), max(h // 8, 1))
        weight = cv2.resize(cover, small, interpolation=cv2.INTER_AREA)
        # Quarter size is fine enough for the blurs and costs a sixteenth.
        quarter = (max(w // 4, 1), max(h // 4, 1))
        shown = cv2.resize(cover, quarter, interpolation=cv2.INTER_AREA)
        weighted = cv2.resize(light_up, quarter, interpolation=cv2.INTER_AREA) * shown[..., None]
        masked = cv2.resize(weighted, small, interpolation=cv2.INTER_AREA)

        def spread(sigma_px: float) -> F32:
            top = cv2.GaussianBlur(masked, (0, 0), sigma_px / 8)
            bottom = cv2.GaussianBlur(weight, (0, 0), sigma_px / 8)
            half = (keep.shape[1], keep.shape[0])
            return np.asarray(
                cv2.resize(top / np.maximum(bottom, 1e-3)[..., None], half, interpolation=cv2.INTER_LINEAR)
            )

        near, wide = spread(0.026 * f), spread(0.10 * f)
        fine = keep[..., None]
        # wide + sqrt(fine) (near - wide) + fine (light - near), the first two terms at half size.
        smooth = wide + np.sqrt(fine) * (near - wide) - fine * near
        for rows in stripes(0, h):
            light_up[rows] *= enlarge(keep, rows, w)[..., None]
            light_up[rows] += enlarge(smooth, rows, w)

    def _slopes(self, x: F32, y: F32, footprint: F32) -> tuple[F32, F32]:
        """Return the surface slopes along x and y; waves finer than a pixel average out."""
        light = self.spec.light
        tile = noise_tile("waves", light.seed % 3)
        size = light.wave_size_m
        big = sample_tile(tile, x, y, size, offset=light.seed % 47)
        small = sample_tile(tile, x, y, size * 0.29, turn=0.9, offset=light.seed % 53)
        rms = np.float32(light.wave_slope_rms)
        big_gain = 0.8 * rms / (1 + (footprint / np.float32(size / 25)) ** 2)
        small_gain = 0.55 * rms / (1 + (footprint / np.float32(size * 0.29 / 25)) ** 2)
        c, s = np.float32(math.cos(0.9)), np.float32(math.sin(0.9))
        sx = big_gain * big[..., 0] + small_gain * (c * small[..., 0] - s * small[..., 1])
        sy = big_gain * big[..., 1] + small_gain * (s * small[..., 0] + c * small[..., 1])
        return sx, sy

    def _refract(
        self,
        light_up: F32,
        rows: slice,
        ray: tuple[F32, F32, F32],
        length: F32,
        t: F32,
        path: F32,
        z: F32,
        sx: F32,
        sy: F32,
    ) -> F32:
        """Return rows of the under-water picture shifted by the waves' refraction.

        A slope turns the refracted ray by (1 - 1/n) of itself, so the point met moves by -(1 - 1/n) slope z; the
        shift in pixels follows from the point's apparent distance.
        """
        view = self.view
        gain = np.float32(-(1 - 1 / REFRACTIVE_INDEX)) * z
        mx, my = gain * sx, gain * sy
        dx, dy, dz = ray
        scale = np.float32(view.focal_px) / (t + path / (np.float32(REFRACTIVE_INDEX) * length))
        r, d, f = view.rotation.astype(np.float32)
        ahead = f[0] * mx + f[1] * my
        # Position of each pixel on the picture plane, needed for the part of the shift along the view.
        xn = dx * r[0] + dy * r[1] + dz * r[2]
        yn = dx * d[0] + dy * d[1] + dz * d[2]
        h, w = t.shape
        u = scale * (r[0] * mx + r[1] * my - xn * ahead)
        u += np.arange(w, dtype=np.float32)[None, :]
        v = scale * (d[0] * mx + d[1] * my - yn * ahead)
        v += np.arange(rows.start, rows.start + h, dtype=np.float32)[:, None]
        return np.asarray(cv2.remap(light_up, u, v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE))

    def _add_glint(self, mirrored: F32, rx: F32, ry: F32, rz: F32, x: F32, y: F32) -> None:
        """Add the sun's mirror image, spread over the waves too fine to draw."""
        along = rx * np.float32(self.sun[0]) + ry * np.float32(self.sun[1]) + rz * np.float32(self.sun[2])
        near = along > 0.985
        if not near.any():
            return
        spread = 0.009 + 0.25 * self.spec.light.wave_slope_rms
        # A lobe of the sun's whole irradiance: integral of exp((cos - 1)/s^2) over directions is 2 pi s^2.
        gain = self.spec.light.sun_share / (2 * spread**2) / max(float(self.sun[2]), 0.2)
        sun_rgb = (self.palette.response @ self.palette.light.sun).astype(np.float32)
        lobe = np.exp((along[near] - 1) / np.float32(spread**2)) * np.float32(gain) * self.sunlit(x[near], y[near])
        mirrored[near] += lobe[:, None] * sun_rgb
