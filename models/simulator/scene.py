"""Render a pool photo and the truth about it: the simulator's front door.

In: a `SceneSpec` (draw one with `sampling.sample_spec`). Out: `render(spec)` gives `Rendered`: the photo and its
truth. Spectra are integrated once per scene into small tables over depth and path; pixels only look colours up.

The picture is painted from back to front: surround and ground, pool opening with its dry wall, water, floating things,
card, hand. Light that leaves the water is Lee's shallow-water reflectance (`optics.shallow_reflectance`) for each
pixel's depth and path; fine detail of it is then faded from Lee's diffuse to the beam's attenuation along the path, because
what the water scatters forward lights the picture but carries no detail: relative contrast falls as exp(-(c + K) z).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from models.simulator.camera import develop, spectral_response
from models.simulator.geometry import Basin, View, basin_of, offset_outline, point_on_outline, view_of
from models.simulator.illuminants import Light, daylight_of, light_of
from models.simulator.optics import (
    REFRACTIVE_INDEX,
    Optics,
    above_surface,
    attenuations,
    optics_of,
    shallow_reflectance,
    sun_in_water_cos,
    visible_depth_m,
)
from models.simulator.specs import Rendered, SceneSpec, Srgb, Truth
from models.simulator.spectra import photopic_mean, reflectance_of
from models.simulator.surfaces import (
    FOLIAGE_SRGB,
    LEAF_COLOURS,
    SKIN_SRGB,
    WALL_COLOURS,
    deck_texture,
    floor_texture,
    joints,
    noise_tile,
    sample_tile,
)
from models.simulator.surround import Surround, look_up, sun_direction, sunlit_share
from models.simulator.target import card_light, light_on_card, place_card
from vision.results import clarity_of, severity_of

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]
Mask = NDArray[np.bool_]

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
        _bottom_table(optics, reflectance_of(srgb), light, response, sun_cos)
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
        blur_per_m=max(photopic_mean(optics.c - d_b * k), 0.0),
        scatter_per_m=photopic_mean(optics.b),
        # Mean depth of exp(-(1/cos t_w + D_C) k z), D_C about 1.1: 1 / (2.2 k).
        glow_depth_m=1.0 / (2.2 * photopic_mean(k)),
    )


def _bottom_table(optics: Optics, albedo: F64, light: Light, response: F64, sun_cos: float) -> tuple[F32, F32]:
    """Return (bottom, column) tables of reflectance factor pi R_rs times light, shape (depths, cosines, 6)."""
    depth = TABLE_DEPTHS_M[:, None, None]
    parts = []
    for spectrum, cos_in in ((light.lit, sun_cos), (light.shaded, 0.86)):
        r = shallow_reflectance(
            optics.a, optics.bb, depth, albedo, sun_cos_in_water=cos_in, view_cos_in_water=TABLE_COSINES[None, :, None]
        )
        # Both parts share the factor by which light is lost and echoed at the surface.
        echo = math.pi * above_surface(r.total) / r.total
        parts.append(((r.bottom * echo * spectrum) @ response.T, (r.column * echo * spectrum) @ response.T))
    bottom = np.concatenate([parts[0][0], parts[1][0]], axis=-1).astype(np.float32)
    column = np.concatenate([parts[0][1], parts[1][1]], axis=-1).astype(np.float32)
    return bottom, column


def _table_at(table: F32, row: F32, column: F32, sunlit: F32) -> F32:
    """Return a table's colour at positions, between shade and sun."""
    lit = cv2.remap(
        np.ascontiguousarray(table[..., :3]), column, row, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    shaded = cv2.remap(
        np.ascontiguousarray(table[..., 3:]), column, row, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    return np.asarray(shaded + sunlit[..., None] * (lit - shaded))


def render(spec: SceneSpec, *, masks: bool = False) -> Rendered:
    """Render a scene.

    Parameters
    ----------
    spec : SceneSpec
        What to render; the same spec gives the same bits.
    masks : bool
        Also return the masks of open water and of glare.

    Returns
    -------
    Rendered
        Photo before JPEG; `files.encode_jpeg` makes the file of it.

    Examples
    --------
    >>> rendered = render(SceneSpec(size_px=(320, 240)))
    >>> rendered.photo_rgb.shape, rendered.truth.severity
    ((240, 320, 3), 'none')
    """
    scene = _Scene(spec)
    picture = scene.paint_ground()
    water = np.zeros(picture.shape[:2], bool)
    glare = np.zeros(picture.shape[:2], bool)
    depth_seen = None
    if "no_water" not in spec.spoil:
        water, glare, depth_seen = scene.paint_pool(picture)
        water &= ~scene.paint_floating(picture)
    corners = None
    if spec.card is not None and "no_card" not in spec.spoil:
        corners, covered = scene.paint_card(picture)
        water &= ~covered
        height, width = picture.shape[:2]
        if not ((corners[:, 0] > 0) & (corners[:, 0] < width) & (corners[:, 1] > 0) & (corners[:, 1] < height)).any():
            corners = None
    if "hand_over_lens" in spec.spoil:
        water &= ~scene.paint_hand(picture)
    photo = develop(picture, spec.camera, illuminance_lux=spec.light.illuminance_lux, seed=spec.seed)
    c, k = attenuations(spec.water)
    depth_m = visible_depth_m(spec.water)
    truth = Truth(
        visible_depth_m=depth_m,
        chlorophyll_ug_l=spec.water.chlorophyll_ug_l,
        clarity=str(clarity_of(depth_m)),
        severity=str(severity_of(spec.water.chlorophyll_ug_l)),
        c_per_m=c,
        k_per_m=k,
        card_kind=None if corners is None or spec.card is None else spec.card.kind,
        card_corners_px=None if corners is None else tuple((float(x), float(y)) for x, y in corners),
        card_light_ratio=None
        if corners is None or spec.card is None
        else light_on_card(spec.card, scene.view, spec.light),
        water_polygon_px=_outline_px(water),
        water_share=float(water.mean()),
        floor_depth_seen_m=depth_seen,
        camera_name=spec.camera.name,
        seed=spec.seed,
        spoilers=spec.spoil,
        spec=spec,
    )
    return Rendered(photo, truth, water if masks else None, glare & water if masks else None)


def _outline_px(mask: Mask) -> tuple[tuple[float, float], ...]:
    contours, _ = cv2.findContours(mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    if not contours:
        return ()
    largest = max(contours, key=cv2.contourArea)
    return tuple((float(x), float(y)) for x, y in cv2.approxPolyDP(largest, 1.5, True)[:, 0])


def _stripes(start: int, stop: int, rows: int = 128) -> list[slice]:
    """Return slices of at most `rows` rows; what fits the processor's cache is computed twice as fast."""
    return [slice(i, min(i + rows, stop)) for i in range(start, stop, rows)]


def _enlarge(half: F32, rows: slice, width: int) -> F32:
    """Return rows of an array given on every second pixel (rows.start even), at full size."""
    top = max(rows.start // 2 - 1, 0)
    low = min((rows.stop + 1) // 2 + 1, half.shape[0])
    cut = half[top:low]
    big = cv2.resize(cut, (2 * half.shape[1], 2 * cut.shape[0]), interpolation=cv2.INTER_LINEAR)
    start = rows.start - 2 * top
    return np.asarray(big[start : start + rows.stop - rows.start, :width])


class _Scene:
    """One rendering under way: the view, the basin and the integrated colours, and the painters."""

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

    def paint_ground(self) -> F32:
        """Return the picture with surround, deck, coping and what lies beyond the deck."""
        spec, pool, view = self.spec, self.pool, self.view
        width, height = spec.size_px
        dx, dy, dz = self.ray
        picture = np.zeros((height, width, 3), np.float32)
        no_pool = "no_water" in spec.spoil
        # The garden ends at a hedge or fence: beyond it the surround begins, below the horizon already.
        reach_m = np.float32(self.pool.length_m + 9.0)
        down = dz * reach_m < -np.float32(view.position[2]) * np.sqrt(dx * dx + dy * dy)
        opening = np.zeros((height, width), np.uint8) if no_pool else view.fill(self._ring(0.0, 0.0))
        self.opening = opening
        up = ~down
        if up.any():
            x, y, z = dx[up], dy[up], dz[up]
            n = np.sqrt(x * x + y * y + z * z)
            picture[up] = self.surround.radiance(x / n, y / n, z / n)
        ground = down & (opening < 255)
        if no_pool:
            on_deck = np.full((height, width), 255 if spec.seed % 3 else 0, np.uint8)
            on_coping = np.zeros((height, width), np.uint8)
        else:
            on_deck = view.fill(self._ring(pool.coping_m + pool.deck_m, 0.0))
            on_coping = view.fill(self._ring(pool.coping_m, 0.0))
        # Lawn, deck, coping, each only where it shows.
        parts = (
            ("lawn", ground & (on_deck < 255), None),
            ("deck", ground & (on_deck > 0) & (on_coping < 255), on_deck),
            ("coping", ground & (on_coping > 0), on_coping),
        )
        for part, where, cover in parts:
            for rows in _stripes(0, height):
                if where[rows].any():
                    stripe = None if cover is None else cover[rows]
                    self._paint_ground_part(picture[rows], tuple(d[rows] for d in self.ray), where[rows], stripe, part)
        return picture

    def _paint_ground_part(
        self, picture: F32, ray: tuple[F32, ...], where: Mask, cover: NDArray[np.uint8] | None, part: str
    ) -> None:
        pool, view = self.pool, self.view
        dx, dy, dz = (d[where] for d in ray)
        t = np.float32(view.position[2]) / -dz
        x = np.float32(view.position[0]) + t * dx
        y = np.float32(view.position[1]) + t * dy
        footprint = t / np.float32(view.focal_px) * np.float32(1.5)
        splash = sample_tile(noise_tile("cloud", pool.seed % 3), x, y, 7.3, turn=0.6, offset=5)
        wet = np.clip((splash - np.float32(0.6 + 0.8 * (pool.seed % 3))) * 2, 0, 1)
        srgb: Srgb = (0.30, 0.38, 0.17)
        if part == "lawn":
            _, tone = deck_texture("grass", x, y, footprint, pool.seed)
        elif part == "deck":
            srgb = pool.deck_srgb
            joint, tone = deck_texture(pool.deck, x, y, footprint, pool.seed)
            tone = tone * (1 - np.float32(0.45) * joint) * (1 - np.float32(0.35) * wet)
        else:
            srgb = pool.coping_srgb
            if pool.coping_pattern == "brick":
                joint = joints(x, y, (0.11, 0.22), 0.008, footprint, brick=False)
                tone = 1 + np.float32(0.03) * splash
            else:
                joint = joints(x, y, (0.6, 0.6), 0.006, footprint, brick=False)
                tone = 1 + np.float32(0.05) * splash
            tone = tone * (1 - np.float32(0.4) * joint) * (1 - np.float32(0.2) * wet)
        shade, full = self.palette.colour(srgb, lit=False), self.palette.colour(srgb, lit=True)
        edge = self.spec.light.shade_edge
        colour = tone[:, None] * (full if edge is None else shade + self.sunlit(x, y)[:, None] * (full - shade))
        if cover is not None:
            alpha = cover[where].astype(np.float32)[:, None] / 255
            colour = picture[where] * (1 - alpha) + colour * alpha
        picture[where] = colour

    def _ring(self, outwards_m: float, z: float) -> F64:
        outline = offset_outline(self.basin.outline, outwards_m) if outwards_m else self.basin.outline
        return np.column_stack([outline, np.full(len(outline), z)])

    def paint_pool(self, picture: F32) -> tuple[Mask, Mask, tuple[float, float] | None]:
        """Paint dry wall and water; return the masks of water and glare and the range of depths seen [m]."""
        _spec, pool, view = self.spec, self.pool, self.view
        opening = self.opening
        wet = cv2.min(opening, view.fill(self._ring(0.0, -pool.freeboard_m)))
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
        sunlit = sunlit.astype(np.float32)
        steps = np.float32((len(TABLE_DEPTHS_M) - 1) / math.log(TABLE_DEPTHS_M[-1] / TABLE_DEPTHS_M[0]))
        row = np.log(z / np.float32(TABLE_DEPTHS_M[0])) * steps
        col = (1 - cos_t) * np.float32((len(TABLE_COSINES) - 1) / (TABLE_COSINES[0] - TABLE_COSINES[-1]))
        floor = _table_at(palette.floor, row, col, sunlit)
        second = _table_at(palette.second, row, col, sunlit)
        # The column is lit from all sides: shade edges are soft in it.
        # It shines mostly from the first optical depth, not from the floor: turbid water has its shade at the surface.
        near = np.minimum(z, np.float32(palette.glow_depth_m))
        in_x = x0 + (ux * tan_t + np.float32(sun_x)) * near
        in_y = y0 + (uy * tan_t + np.float32(sun_y)) * near
        soft = np.clip(0.5 + basin.at(basin.wall, in_x, in_y) / (0.04 + 0.3 * near), 0, 1) * self.sunlit(in_x, in_y)
        soft = cv2.GaussianBlur(soft.astype(np.float32), (0, 0), max(2.0, 0.01 * view.focal_px))
        column = _table_at(palette.column, row, col, soft)
        in_band = np.clip((np.float32(pool.band_m) - z) * 100, 0, 1) * on_wall
        if in_band.any():
            band = _table_at(palette.band, row, col, sunlit)
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
        for rows in _stripes(0, height):
            x, y, depth, sun, reach, shade = (
                _enlarge(np.ascontiguousarray(where[..., i]), rows, width) for i in range(6)
            )
            wall = _enlarge(on_wall.astype(np.float32), rows, width) > 0.5
            share, tone = self._bottom_pattern(x, y, depth, sun, wall, reach, shade)
            ground, other = _enlarge(floor, rows, width), _enlarge(second, rows, width)
            other -= ground
            other *= share[..., None]
            ground += other
            ground *= tone if tone.ndim == 3 else tone[..., None]
            ground += _enlarge(column, rows, width)
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
        for rows in _stripes(0, height):
            if not cover[rows].any():
                continue
            dx, dy, dz = (d[rows] for d in ray)
            dz = np.minimum(dz, np.float32(-0.012))
            t = above / -dz
            x0, y0 = px + t * dx, py + t * dy
            footprint = t / np.float32(view.focal_px)
            sx, sy = self._slopes(x0, y0, footprint)
            length = np.sqrt(dx * dx + dy * dy + dz * dz)
            below, behind = _enlarge(path, rows, width), _enlarge(depth, rows, width)
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
            colours *= 1 - patch * np.float32([0.62, 0.40, 0.75])
        if extras.floor_debris > 0:
            heap = sample_tile(noise_tile("cloud", extras.seed % 3), x, y, 3.3, offset=extras.seed % 43)
            grain = sample_tile(noise_tile("fine", extras.seed % 2), x, y, 1.2)
            heap = np.clip(
                heap * 0.7 + 0.3 * grain / (1 + (footprint / 0.02) ** 2) - 1.3 + 1.5 * extras.floor_debris, 0, 1
            )
            colours *= 1 - (heap * ~on_wall)[..., None] * np.float32([0.62, 0.70, 0.82])
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
        masked = cv2.resize(light_up, quarter, interpolation=cv2.INTER_AREA) * shown[..., None]
        masked = cv2.resize(masked, small, interpolation=cv2.INTER_AREA)

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
        for rows in _stripes(0, h):
            light_up[rows] *= _enlarge(keep, rows, w)[..., None]
            light_up[rows] += _enlarge(smooth, rows, w)

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

    def paint_floating(self, picture: F32) -> Mask:
        """Paint leaves, buoy, skimmer mouth and rail; return what they cover of the water."""
        spec, view, pool = self.spec, self.view, self.pool
        covered = np.zeros(picture.shape[:2], bool)
        rng = np.random.default_rng([spec.extras.seed, 61])
        surface = -pool.freeboard_m
        low, high = self.basin.outline.min(axis=0), self.basin.outline.max(axis=0)
        if spec.extras.skimmer:
            self._paint_skimmer(picture, rng)
        drift = rng.uniform(low, high)
        for _ in range(spec.extras.leaves):
            middle = rng.normal(drift, 0.9) if rng.random() < 0.6 else rng.uniform(low, high)
            long, wide, turn = rng.uniform(0.02, 0.05), rng.uniform(0.35, 0.7), rng.uniform(0, 6.3)
            srgb = LEAF_COLOURS[int(rng.integers(len(LEAF_COLOURS)))]
            if float(self.basin.at(self.basin.wall, np.float32([[middle[0]]]), np.float32([[middle[1]]]))[0, 0]) < long:
                continue
            a = np.linspace(0, 2 * np.pi, 12, endpoint=False)
            shape = np.stack([long * np.cos(a), long * wide * np.sin(a) * (1 + 0.3 * np.cos(a))], axis=-1)
            c, s = math.cos(turn), math.sin(turn)
            points = np.column_stack([shape @ np.array([[c, s], [-s, c]]) + middle, np.full(12, surface)])
            self._paint_polygon(picture, covered, points, (srgb[0] / 255, srgb[1] / 255, srgb[2] / 255), middle)
        if spec.extras.buoy:
            middle = rng.uniform(low + 0.6, high - 0.6)
            if float(self.basin.at(self.basin.wall, np.float32([[middle[0]]]), np.float32([[middle[1]]]))[0, 0]) > 0.2:
                for lift, radius, srgb in ((0.0, 0.11, (0.85, 0.85, 0.83)), (0.05, 0.08, (0.80, 0.25, 0.18))):
                    a = np.linspace(0, 2 * np.pi, 24, endpoint=False)
                    side = view.rotation[0]
                    up = -view.rotation[1]
                    centre = np.array([*middle, surface + lift])
                    points = centre + radius * (np.cos(a)[:, None] * side + 0.75 * np.sin(a)[:, None] * up)
                    self._paint_polygon(picture, covered, points, srgb, middle)
        if spec.extras.rail:
            self._paint_rail(picture, covered, rng)
        return covered

    def _paint_polygon(self, picture: F32, covered: Mask, points: F64, srgb: Srgb, middle: F64) -> None:
        view = self.view
        if (view.depth_of(points) < 0.15).any():
            return
        px = view.project(points)
        height, width = covered.shape
        if px[:, 0].max() < 0 or px[:, 1].max() < 0 or px[:, 0].min() > width or px[:, 1].min() > height:
            return
        x0, y0 = max(int(px[:, 0].min()) - 2, 0), max(int(px[:, 1].min()) - 2, 0)
        x1, y1 = min(int(px[:, 0].max()) + 3, width), min(int(px[:, 1].max()) + 3, height)
        mask = np.zeros((y1 - y0, x1 - x0), np.uint8)
        cv2.fillPoly(mask, [np.round((px - (x0, y0)) * 64).astype(np.int32)], 255, cv2.LINE_AA, 6)
        alpha = mask.astype(np.float32)[..., None] / 255
        sun = float(self.sunlit(np.float32([[middle[0]]]), np.float32([[middle[1]]]))[0, 0])
        shade, full = self.palette.colour(srgb, lit=False), self.palette.colour(srgb, lit=True)
        region = picture[y0:y1, x0:x1]
        region *= 1 - alpha
        region += alpha * (shade + sun * (full - shade))
        covered[y0:y1, x0:x1] |= mask > 20

    def _paint_skimmer(self, picture: F32, rng: np.random.Generator) -> None:
        """Paint the dark mouth of a skimmer in the dry wall."""
        point, outwards = point_on_outline(self.basin.outline, float(rng.uniform(0, 1)))
        if float((self.view.position[:2] - point) @ outwards) > -0.3:
            return
        along = np.array([-outwards[1], outwards[0]]) * 0.12
        top, low = -0.015, -self.pool.freeboard_m
        points = np.array(
            [[*(point - along), top], [*(point + along), top], [*(point + along), low], [*(point - along), low]]
        )
        self._paint_polygon(picture, np.zeros(picture.shape[:2], bool), points, (0.10, 0.10, 0.11), point)

    def _paint_rail(self, picture: F32, covered: Mask, rng: np.random.Generator) -> None:
        """Paint a pair of steel hand rails that lead from the deck into the water."""
        view = self.view
        point, outwards = point_on_outline(self.basin.outline, float(rng.uniform(0, 1)))
        along = np.array([-outwards[1], outwards[0]])
        colour = 0.55 * self.surround.sky + 0.25 * self.palette.colour((0.8, 0.8, 0.8), lit=True)
        for shift in (-0.28, 0.28):
            a = np.linspace(0, 1, 24)
            reach = 0.45 - 0.95 * a
            rise = 0.75 * np.sin(np.pi * np.clip(a * 1.12, 0, 1)) - 0.25 * (a > 0.9)
            points = np.column_stack(
                [point + along * shift + outwards * reach[:, None], np.maximum(rise, -self.pool.freeboard_m)]
            )
            if (view.depth_of(points) < 0.3).any():
                return
            px = view.project(points)
            thick = max(1, round(0.042 * view.focal_px / float(view.depth_of(points).mean())))
            mask = np.zeros(covered.shape, np.uint8)
            cv2.polylines(
                mask, [np.round(np.clip(px, -4000, 8000) * 16).astype(np.int32)], False, 255, thick, cv2.LINE_AA, 4
            )
            ys, xs = np.nonzero(mask)
            alpha = mask[ys, xs].astype(np.float32)[:, None] / 255
            picture[ys, xs] = picture[ys, xs] * (1 - alpha) + alpha * colour
            covered[ys, xs] = True

    def paint_card(self, picture: F32) -> tuple[F64, Mask]:
        """Paint the card; return its corners [px] and what it covers."""
        spec, card, light = self.spec, self.spec.card, self.palette.light
        assert card is not None
        own = daylight_of(card.light_cct_k) if card.light_cct_k is not None else None
        sun = spec.light.sun_share * light.sun if not spec.light.in_shade else 0 * light.sun
        lamp = card_light(card, self.palette.response, sun=sun, sky=light.shaded, own=own)
        skin = None
        if card.placement == "hand":
            tone = SKIN_SRGB[spec.seed % len(SKIN_SRGB)]
            srgb = (tone[0] / 255, tone[1] / 255, tone[2] / 255)
            skin = self.palette.colour(srgb, lit=True)
        return place_card(
            picture, card, self.view, lamp, sun_direction=self.sun, sunlit_at=self.sunlit, skin=skin, seed=spec.seed
        )

    def paint_hand(self, picture: F32) -> Mask:
        """Paint fingers right before the lens, out of focus; return what they cover."""
        spec = self.spec
        rng = np.random.default_rng([spec.seed, 97])
        height, width = picture.shape[:2]
        mask = np.zeros((height // 8, width // 8), np.float32)
        h, w = mask.shape
        side = rng.integers(4)
        for i in range(3):
            share = rng.uniform(0.35, 0.75)
            if side < 2:
                a, b = (
                    (0 if side == 0 else w, int(h * (0.2 + 0.3 * i))),
                    (int(w * (share if side == 0 else 1 - share)), int(h * (0.3 + 0.25 * i))),
                )
            else:
                a, b = (
                    (int(w * (0.2 + 0.3 * i)), 0 if side == 2 else h),
                    (int(w * (0.3 + 0.25 * i)), int(h * (share if side == 2 else 1 - share))),
                )
            cv2.line(mask, a, b, 1.0, int(0.34 * h))
        mask = cv2.GaussianBlur(mask, (0, 0), 0.05 * w)
        alpha = cv2.resize(mask, (width, height), interpolation=cv2.INTER_LINEAR)[..., None]
        tone = SKIN_SRGB[spec.seed % len(SKIN_SRGB)]
        skin = self.palette.colour((tone[0] / 255, tone[1] / 255 * 0.9, tone[2] / 255 * 0.85), lit=True) * 0.5
        picture *= 1 - alpha
        picture += alpha * skin
        return alpha[..., 0] > 0.3
