"""Render pools plainly: a box of water in a plane of ground, its colours by the optics alone.

In: a seed. Out: a photo (uint8 sRGB), the mask of its water, and its truth. Nothing of the painter's is used, no
surround, basin or camera: another hand at the same water, so that what learns from photos learns the water and not the
painter's ways. Water over a floor is Lee's reflectance along the refracted path; detail fades as exp(-(c + K) z).
All shares and ranges are the project's own.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from models.simulator.flatlay import flat_card, lay_flat, noise_over, photograph
from models.simulator.optics import (
    REFRACTIVE_INDEX,
    WaterSpec,
    above_surface,
    diffuse_attenuation,
    optics_of,
    shallow_reflectance,
    visible_depth_m,
)
from models.simulator.sampling import sample_water
from models.simulator.spectra import photopic_mean, reflectance_of, srgb_weights
from models.simulator.variety import stain, widen_water
from vision.specs import load_card, load_chart24

F32 = NDArray[Any]

SIZES_PX = ((1040, 780), (780, 1040), (1040, 586), (880, 880))
DEPTHS_M, CHLOROPHYLLS_UG_L = (0.12, 20.0), (0.1, 450.0)
TABLE_M = np.exp(np.linspace(math.log(0.01), math.log(6.0), 64))
"""Depths that colours are worked out at [m]; between them they are mixed."""


@dataclass(frozen=True)
class Plain:
    """A photo, its water (uint8, 255 where water), and its truth as JSON values."""

    pixels: NDArray[np.uint8]
    water: NDArray[np.uint8]
    truth: dict[str, Any]


def render_plain(seed: int) -> Plain:
    """Render one photo.

    Parameters
    ----------
    seed : int
    """
    rng = np.random.default_rng([67, seed])
    water = _water(rng)
    width, height = SIZES_PX[int(rng.integers(len(SIZES_PX)))]
    focal = max(width, height) * float(rng.uniform(0.62, 0.85))
    pitch, roll = math.radians(rng.uniform(18, 75)), math.radians(rng.normal(0, 3))
    over_m = float(rng.uniform(0.9, 2.0))
    x, y = np.meshgrid((np.arange(width) - width / 2) / focal, (np.arange(height) - height / 2) / focal)
    x, y = x * math.cos(roll) + y * math.sin(roll), y * math.cos(roll) - x * math.sin(roll)
    down = (math.sin(pitch) + y * math.cos(pitch)).astype(np.float32)
    ahead = (math.cos(pitch) - y * math.sin(pitch)).astype(np.float32)
    length = np.sqrt(x**2 + y**2 + 1).astype(np.float32)
    falling = np.maximum(down / length, 0.02)
    reach = np.float32(over_m) / np.maximum(down, 0.02 * length)
    ground = np.stack([x.astype(np.float32) * reach, ahead * reach], axis=-1)
    picture = _surroundings(rng, ground, down / length)
    pool = _pool(rng, ground, width, height)
    wet = (pool.u > 0) & (pool.u < pool.long_m) & (pool.v > 0) & (pool.v < pool.wide_m) & (down > 0.03 * length)
    _coping(picture, rng, pool, down)
    lit = _lit_water(rng, water, pool, falling)
    soft = cv2.GaussianBlur(wet.astype(np.float32), (0, 0), 0.8)[..., None]
    picture = picture * (1 - soft) + lit * soft
    design = load_chart24() if rng.random() < 0.5 else load_card()
    dark = np.float32(math.exp(rng.normal(0, 0.12)))
    share = float(rng.uniform(0.14, 0.34)) if design.kind == "turnblue" else float(rng.uniform(0.1, 0.34))
    middle = _card_place(rng, wet, height, width)
    card = lay_flat(picture, rng, flat_card(design) * dark, share, middle, tilt=0.3)
    mask = (wet & (card < 0.5)).astype(np.uint8) * 255
    pixels = photograph(picture.astype(np.float32), rng, shaded=False)
    truth = {
        "rendered": True, "spoilers": [], "visible_depth_m": visible_depth_m(water),
        "chlorophyll_ug_l": water.chlorophyll_ug_l, "plain_depths_m": [pool.shallow_m, pool.deep_m],
        "plain_floor_srgb": list(pool.floor_srgb),
    }  # fmt: skip
    return Plain(pixels, mask, truth)


def _water(rng: np.random.Generator) -> WaterSpec:
    depth, chlorophyll = (float(np.exp(rng.uniform(*np.log(span)))) for span in (DEPTHS_M, CHLOROPHYLLS_UG_L))
    try:
        water = sample_water(rng, chlorophyll_ug_l=chlorophyll, visible_depth_m=depth)
    except ValueError:
        water = sample_water(rng, chlorophyll_ug_l=chlorophyll)
    return stain(rng, widen_water(rng, water))


@dataclass(frozen=True)
class _Pool:
    """Places in the pool's own axes [m], the sight's level direction there, and the pool's measures."""

    u: F32
    v: F32
    sight_u: F32
    sight_v: F32
    long_m: float
    wide_m: float
    shallow_m: float
    deep_m: float
    floor_srgb: tuple[float, float, float]


def _pool(rng: np.random.Generator, ground: F32, width: int, height: int) -> _Pool:
    """Draw a box of water that lies somewhere in the picture."""
    turn = rng.uniform(-1.4, 1.4) if rng.random() < 0.6 else rng.normal(0, 0.1)
    along = np.array([math.sin(turn), math.cos(turn)], np.float32)
    across = np.array([along[1], -along[0]], np.float32)
    long_m, wide_m = float(rng.uniform(3, 14)), float(rng.uniform(2, 8))
    # Some place in the lower picture is the near edge; now and then the water is all that is seen.
    column, row = int(rng.uniform(0.2, 0.8) * width), int(rng.uniform(0.5, 1.25) * height)
    edge = ground[min(row, height - 1), column] - np.array([0.0, max(row - height, 0) / height * 2.0])
    back = float(rng.uniform(0.15, 0.85)) * wide_m
    u, v = (ground - edge) @ along, (ground - edge) @ across + back
    level = np.maximum(np.linalg.norm(ground, axis=-1), 1e-3)
    sight = ground / level[..., None]
    shallow = float(np.exp(rng.uniform(math.log(0.4), math.log(1.8))))
    r, g, b = (float(c) for c in np.clip(rng.uniform(0.2, 0.93) + rng.normal(0, 0.06, 3), 0.04, 0.95))
    deep = shallow * float(rng.uniform(1.0, 2.6))
    return _Pool(u, v, sight @ along, sight @ across, long_m, wide_m, shallow, min(deep, 4.0), (r, g, b))


def _lit_water(rng: np.random.Generator, water: WaterSpec, pool: _Pool, falling: F32) -> F32:
    """Return the light of the water's surface, of floor, walls, column and mirrored sky."""
    shape = pool.u.shape
    cos_in = np.sqrt(1 - (1 - falling**2) / np.float32(REFRACTIVE_INDEX**2))
    tan_in = np.maximum(np.sqrt(1 - cos_in**2) / cos_in, 1e-3)
    # Waves move what is seen below.
    size = rng.uniform(12, 90)
    slope = float(np.exp(rng.uniform(math.log(0.002), math.log(0.06))))
    waves = [noise_over(rng, shape[1], shape[0], size) * slope for _ in range(2)]
    far_u = np.where(pool.sight_u > 0, pool.long_m - pool.u, pool.u) / np.maximum(np.abs(pool.sight_u), 1e-3)
    far_v = np.where(pool.sight_v > 0, pool.wide_m - pool.v, pool.v) / np.maximum(np.abs(pool.sight_v), 1e-3)
    wall_z = np.maximum(np.minimum(far_u, far_v), 0) / tan_in
    floor_z = pool.shallow_m + (pool.deep_m - pool.shallow_m) * np.clip(pool.u / pool.long_m, 0, 1)
    on_wall = wall_z < floor_z
    z = np.clip(np.minimum(wall_z, floor_z), 0.01, 5.9).astype(np.float32)
    end_u = pool.u + pool.sight_u * tan_in * z + waves[0] * z
    end_v = pool.v + pool.sight_v * tan_in * z + waves[1] * z
    optics = optics_of(water)
    tables = []
    wall_srgb = np.clip(np.array(pool.floor_srgb) * rng.uniform(0.8, 1.1) + rng.normal(0, 0.03, 3), 0.04, 0.95)
    for srgb in (pool.floor_srgb, tuple(float(c) for c in wall_srgb)):
        r = shallow_reflectance(
            optics.a, optics.bb, (water.path_gain * TABLE_M)[:, None], reflectance_of(srgb), sun_cos_in_water=0.86,
            view_cos_in_water=float(cos_in.mean()),
        )  # fmt: skip
        weights = srgb_weights().T
        whole = math.pi * above_surface(water.column_gain * r.column + r.bottom) @ weights
        column = math.pi * above_surface(water.column_gain * r.column) @ weights
        tables.append((whole.astype(np.float32), column.astype(np.float32)))
    at = np.log(z / np.float32(TABLE_M[0])) * np.float32((len(TABLE_M) - 1) / math.log(TABLE_M[-1] / TABLE_M[0]))
    index = np.minimum(at.astype(np.intp), len(TABLE_M) - 2)
    part = (at - index)[..., None].astype(np.float32)

    def mixed(table: F32) -> F32:
        return np.asarray(table[index] * (1 - part) + table[index + 1] * part)

    whole = np.where(on_wall[..., None], mixed(tables[1][0]) * 0.85, mixed(tables[0][0]))
    column = np.where(on_wall[..., None], mixed(tables[1][1]), mixed(tables[0][1]))
    c, k = photopic_mean(optics.c), photopic_mean(diffuse_attenuation(optics))
    lost = max(water.detail_gain * (c + k) - 2.2 * k, 0.0)
    keep = np.exp(-np.float32(lost) * z / cos_in)[..., None]
    detail = _pattern(rng, end_u, end_v)[..., None]
    caustics = noise_over(rng, shape[1], shape[0], size * 0.6) * float(rng.uniform(0, 0.25))
    light = whole + (whole - column) * (detail + caustics[..., None]) * keep
    fresnel = 0.02 + 0.98 * (1 - np.clip(falling + waves[0] * 3, 0.03, 1)) ** 5
    # Schlick's approximation of Fresnel's formulas (1994, Computer Graphics Forum 13:233, from memory).
    dull = math.exp(rng.uniform(math.log(0.15), math.log(1.6)))
    sky = np.array([0.8, 0.95, 1.15]) * dull if rng.random() < 0.6 else np.ones(3) * dull
    if rng.random() < 0.4:
        sky = sky * np.array([0.35, 0.45, 0.3])
    return np.asarray(np.maximum(light, 0) + fresnel[..., None] * sky.astype(np.float32), dtype=np.float32)


def _pattern(rng: np.random.Generator, u: F32, v: F32) -> F32:
    """Return the floor's detail as a share of its light, by place [m]."""
    kind = rng.random()
    if kind < 0.3:
        return np.zeros_like(u)
    if kind < 0.65:
        side, joint = float(rng.choice([0.15, 0.3, 0.6])), 0.012
        return np.asarray(np.where(((u % side) < joint) | ((v % side) < joint), rng.uniform(-0.5, 0.4), 0.0))
    small = rng.normal(0, 1, (256, 256)).astype(np.float32)
    small = cv2.GaussianBlur(small, (0, 0), float(rng.uniform(0.7, 3)), borderType=cv2.BORDER_REFLECT)
    step = float(rng.uniform(0.02, 0.08))
    at_u, at_v = np.mod(u / step, 255).astype(np.float32), np.mod(v / step, 255).astype(np.float32)
    return np.asarray(cv2.remap(small, at_u, at_v, cv2.INTER_LINEAR) * (float(rng.uniform(0.1, 0.4)) / small.std()))


def _surroundings(rng: np.random.Generator, ground: F32, sine: F32) -> F32:
    """Return dry ground, and what stands over the horizon."""
    height, width = sine.shape
    level = math.exp(rng.uniform(math.log(0.08), math.log(0.75)))
    tint = 1 + rng.normal(0, 0.09, 3) * [1, 0.3, 1]
    if rng.random() < 0.2:
        tint = np.array([0.55, 1.0, 0.3])
        level *= 0.3
    light = np.exp(float(rng.uniform(0.01, 0.2)) * noise_over(rng, width, height, float(rng.uniform(2, 20))))
    if rng.random() < 0.5:
        side = float(rng.choice([0.3, 0.5, 1.0]))
        joint = ((ground[..., 0] % side) < 0.015) | ((ground[..., 1] % side) < 0.015)
        light = light * np.where(joint & (ground[..., 1] < 6), rng.uniform(0.5, 1.2), 1.0)
    picture = (light[..., None] * (level * tint)).astype(np.float32)
    far = float(rng.uniform(5, 15))
    beyond = (sine < 0.03) | (ground[..., 1] > far)
    tone = np.array([0.05, 0.09, 0.03]) if rng.random() < 0.5 else math.exp(rng.uniform(-2.5, -0.3)) * np.ones(3)
    rough = np.exp(0.35 * noise_over(rng, width, height, float(rng.uniform(4, 30))))[..., None]
    picture = np.where(beyond[..., None], tone * rough, picture)
    top = float(rng.uniform(-0.5, 0.0))
    sky = np.array([0.55, 0.75, 1.1]) * math.exp(rng.normal(0, 0.3)) if rng.random() < 0.5 else np.ones(3) * 0.9
    return np.asarray(np.where((sine < top)[..., None], sky, picture), dtype=np.float32)


def _coping(picture: F32, rng: np.random.Generator, pool: _Pool, down: F32) -> None:
    """Paint a rim about the water, in place; a third of pools has none."""
    if rng.random() < 0.33:
        return
    rim = float(rng.uniform(0.15, 0.5))
    inside = (pool.u > -rim) & (pool.u < pool.long_m + rim) & (pool.v > -rim) & (pool.v < pool.wide_m + rim)
    tone = math.exp(rng.uniform(math.log(0.15), math.log(0.85))) * (1 + rng.normal(0, 0.08, 3))
    picture[inside & (down > 0.02)] = np.maximum(tone, 0.02)


def _card_place(rng: np.random.Generator, wet: NDArray[np.bool_], height: int, width: int) -> NDArray[np.float64]:
    """Return where the card's middle lies [share of the picture]: on dry ground, or before the water as in a hand."""
    for attempt in range(60):
        place = rng.uniform([0.2, 0.25], [0.8, 0.82])
        dry = not wet[int(place[1] * height), int(place[0] * width)]
        if dry or attempt > 40 or rng.random() < 0.15:
            return place
    return np.array([0.5, 0.7])
