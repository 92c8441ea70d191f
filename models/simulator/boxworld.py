"""A third renderer, to check graders that never saw it: rays into a box of water by the optics of `twoflow.py`.

In: a seed. Out: a photo with the 24-patch chart or the card in the scene, the mask of its water, and its truth. It
shares no code with the other renderers but the printed designs: every ray is refracted at a surface of drawn waves and
ends on a floor, a bench or a wall; the chart lies on the deck or stands tilted on it. All ranges are the project's own.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from models.simulator.plain import Plain
from models.simulator.twoflow import Brew, attenuations, lambert_colours, visible_depth_m
from vision.specs import CardDesign, load_card, load_chart24

Array = NDArray[Any]

SIZES_PX = ((880, 660), (660, 880), (960, 540))
CLASS_DEPTHS_M = ((0.15, 0.6), (0.6, 1.5), (1.5, 3.0), (3.0, 7.5), (7.5, 16.0))
CLASS_CHLOROPHYLLS_UG_L = ((0.2, 3.0), (3.0, 10.0), (10.0, 40.0), (40.0, 120.0), (120.0, 350.0))
"""Ranges of the classes that photos are spread over evenly, as far as physics allows the pair."""
TABLE_M = np.geomspace(0.01, 5.0, 50)
CARD_UNIT_PX = 5
INDEX = 1.333


def draw_brew(rng: np.random.Generator) -> Brew:
    """Return a water of a drawn class of chlorophyll, its dust drawn for a class of visible depth where it can be."""
    low, high = CLASS_CHLOROPHYLLS_UG_L[int(rng.integers(5))]
    chlorophyll = _between(rng, low, high)
    near, far = CLASS_DEPTHS_M[int(rng.integers(5))]
    wanted = _between(rng, near, far)
    a_algae = 0.02 * chlorophyll
    drawn: dict[str, float] = {
        "chlorophyll_ug_l": chlorophyll, "cell_um": _between(rng, 2, 9), "inside_g_l": _between(rng, 1.5, 5),
        "accessory": float(rng.uniform(0.05, 0.5)), "algae_scatter": _between(rng, 0.03, 0.16),
        "dust_power": float(rng.uniform(0, 1)), "algae_back": _between(rng, 0.006, 0.018),
        "dust_back": float(rng.uniform(0.014, 0.025)), "dust_brown": float(rng.choice([0.0, 0.005, 0.02])),
        "tea_per_m": _between(rng, 0.01, 0.2) + float(rng.uniform(0, 0.15)) * a_algae,
        "tea_slope": float(rng.uniform(0.013, 0.018)),
    }  # fmt: skip
    lean, thick = 0.0, 60.0
    for _ in range(40):
        middle = (lean + thick) / 2
        if visible_depth_m(Brew(**drawn, dust_per_m=middle)) > wanted:
            lean = middle
        else:
            thick = middle
    # Where algae and tea alone are too turbid this is hardly any dust.
    return Brew(**drawn, dust_per_m=max(lean, 0.01))


def _between(rng: np.random.Generator, low: float, high: float) -> float:
    return float(math.exp(rng.uniform(math.log(low), math.log(high))))


@dataclass(frozen=True)
class _Rays:
    """Unit lines of sight from the camera at `eye`, shape (H, W, 3): x right, y ahead, z up, the water at z = 0."""

    eye: Array
    way: Array
    focal_px: float
    turn: Array

    def project(self, points: Array) -> Array:
        """Return pixels of points, shape (N, 2)."""
        seen = (points - self.eye) @ self.turn.T
        height, width = self.way.shape[:2]
        return np.asarray(seen[:, :2] / seen[:, 2:] * self.focal_px + [width / 2, height / 2])


def render_boxworld(seed: int) -> Plain:
    """Render one photo.

    Parameters
    ----------
    seed : int
    """
    rng = np.random.default_rng([83, seed])
    brew = draw_brew(rng)
    rays = _look(rng)
    width_m, length_m = float(rng.uniform(3, 7)), float(rng.uniform(5, 12))
    shallow, deep = sorted(float(v) for v in rng.uniform(0.9, 2.6, 2))
    freeboard = float(rng.uniform(0.04, 0.2))
    side = float(rng.uniform(0.2, 0.8)) * width_m
    box = (-side, width_m - side, 0.0, length_m)
    sun = rng.normal(0, 1, 3) * [1, 1, 0.3] + [0, 0, 1.2]
    sun = sun / np.linalg.norm(sun)
    cloudy = rng.random() < 0.35
    tint = np.array([1.0, 1.0, 1.0]) if cloudy else 1 + rng.normal(0, 0.04) * np.array([1, 0, -1.3])
    picture = _dry(rng, rays, freeboard, box, tint)
    reach = -rays.eye[2] / np.minimum(rays.way[..., 2], -1e-3)
    at = (rays.eye + rays.way * reach[..., None]).astype(np.float32)
    wet = (rays.way[..., 2] < -0.01) & (at[..., 0] > box[0]) & (at[..., 0] < box[1])
    wet &= (at[..., 1] > box[2]) & (at[..., 1] < box[3])
    # The dry wall over the water hides the near strip from nobody: the camera stands outside and looks down.
    hidden = (freeboard - rays.eye[2]) / np.minimum(rays.way[..., 2], -1e-3)
    wet &= (rays.eye[1] + rays.way[..., 1] * hidden) > box[2]
    water = _water(rng, brew, rays, at, box, (shallow, deep), sun, cloudy)
    soft = cv2.GaussianBlur(wet.astype(np.float32), (0, 0), 0.7)[..., None]
    picture = picture * (1 - soft) + water.astype(np.float32) * soft
    covered = _lay_card(rng, picture, rays, freeboard, tint)
    truth = {
        "rendered": True, "spoilers": [], "visible_depth_m": visible_depth_m(brew),
        "chlorophyll_ug_l": brew.chlorophyll_ug_l, "c_k_per_m": list(attenuations(brew)),
        "plain_depths_m": [shallow, deep], "plain_floor_srgb": [0.8, 0.8, 0.8],
    }  # fmt: skip
    mask = (wet & (covered < 0.5)).astype(np.uint8) * 255
    return Plain(_camera(rng, picture), mask, truth)


def _look(rng: np.random.Generator) -> _Rays:
    width, height = SIZES_PX[int(rng.integers(len(SIZES_PX)))]
    focal = max(width, height) * float(rng.uniform(0.66, 0.82))
    pitch, yaw, roll = math.radians(rng.uniform(22, 52)), rng.normal(0, 0.2), rng.normal(0, 0.03)
    forward = np.array([math.sin(yaw) * math.cos(pitch), math.cos(yaw) * math.cos(pitch), -math.sin(pitch)])
    right = np.array([math.cos(yaw), -math.sin(yaw), 0.0])
    down = np.cross(forward, right)
    right, down = right * math.cos(roll) + down * math.sin(roll), down * math.cos(roll) - right * math.sin(roll)
    turn = np.stack([right, down, forward])
    x, y = np.meshgrid(np.arange(width) + 0.5 - width / 2, np.arange(height) + 0.5 - height / 2)
    way = np.stack([x, y, np.full_like(x, focal)], axis=-1) @ turn
    way = way / np.linalg.norm(way, axis=-1, keepdims=True)
    tall = float(rng.uniform(1.2, 1.8))
    # The lower edge of the photo meets the ground a step before the water.
    lowest = pitch + math.atan(height / 2 / focal)
    back = tall / math.tan(min(lowest, 1.45)) + float(rng.uniform(0.15, 0.7))
    return _Rays(np.array([0.0, -back, tall]), way.astype(np.float32), focal, turn)


def _dry(
    rng: np.random.Generator, rays: _Rays, freeboard: float, box: tuple[float, float, float, float], tint: Array
) -> Array:
    """Return deck, rim, lawn, hedge or wall, and sky."""
    fall = np.minimum(rays.way[..., 2], -1e-3)
    ground = rays.eye + rays.way * ((freeboard - rays.eye[2]) / fall)[..., None]
    x, y = ground[..., 0], ground[..., 1]
    fade = np.exp(-np.hypot(x, y) * 0.08)
    tone = float(rng.uniform(0.15, 0.6)) * np.clip(1 + rng.normal(0, 0.07, 3) * [1, 0.4, 1.4], 0.6, 1.4)
    size = float(rng.choice([0.25, 0.4, 0.8]))
    seam = (np.mod(x, size) < 0.012) | (np.mod(y, size) < 0.012)
    slab = np.sin(np.floor(x / size) * 12.9 + np.floor(y / size) * 78.2) * 0.07
    shade = 1 + (slab - 0.35 * seam) * fade
    picture = tone * shade[..., None]
    rim = float(rng.uniform(0.2, 0.4))
    out = np.maximum.reduce([box[0] - x, x - box[1], box[2] - y, y - box[3]])
    rim_tone = float(rng.uniform(0.3, 0.75)) * np.clip(1 + rng.normal(0, 0.05, 3), 0.7, 1.3)
    picture = np.where((out < rim)[..., None], rim_tone, picture)
    lawn = out > float(rng.uniform(1.5, 4))
    grass = np.array([0.07, 0.14, 0.035]) * float(rng.uniform(0.7, 1.6))
    grain = 1 + 0.5 * fade * np.sin(x * 91 + 7 * np.sin(y * 37)) * np.sin(y * 83)
    picture = np.where(lawn[..., None], grass * grain[..., None], picture)
    inner = (out < 0)[..., None]
    band = np.array([0.25, 0.35, 0.5]) * float(rng.uniform(0.5, 1.6))
    picture = np.where(inner, band, picture)
    rise = rays.way[..., 2]
    far = (y > box[3] + 6) | (rise > -0.02)
    back = np.array([0.05, 0.09, 0.04]) if rng.random() < 0.6 else np.full(3, float(rng.uniform(0.2, 0.7)))
    leaf = 1 + 0.5 * np.sin(rays.way[..., 0] * 160) * np.sin(rise * 210 + 5 * np.sin(rays.way[..., 0] * 60))
    picture = np.where(far[..., None], back * leaf[..., None], picture)
    sky = np.array([0.5, 0.72, 1.05]) if rng.random() < 0.6 else np.full(3, 1.0)
    picture = np.where((rise > float(rng.uniform(0.02, 0.15)))[..., None], sky, picture)
    return np.asarray(picture * tint, dtype=np.float32)


def _water(
    rng: np.random.Generator, brew: Brew, rays: _Rays, at: Array, box: tuple[float, float, float, float],
    depths: tuple[float, float], sun: Array, cloudy: bool,
) -> Array:  # fmt: skip
    """Return the light of the water's surface."""
    height, width = rays.way.shape[:2]
    slope = _between(rng, 0.004, 0.05)
    tilt = np.zeros((height, width, 2), np.float32)
    far_off = np.linalg.norm(at - rays.eye.astype(np.float32), axis=-1) / np.float32(rays.focal_px)
    for _ in range(7):
        wave, turn, phase = _between(rng, 0.12, 1.5), rng.uniform(0, 6.28), rng.uniform(0, 6.28)
        toward = np.array([math.cos(turn), math.sin(turn)], np.float32)
        # Waves shorter than a few pixels are not seen one by one.
        seen = np.clip(wave / (far_off * 6) - 0.5, 0, 1)
        swing = np.cos((at[..., :2] @ toward) * np.float32(6.28 / wave) + np.float32(phase)) * np.float32(slope) * seen
        tilt += swing[..., None] * toward
    up = np.concatenate([-tilt, np.ones((height, width, 1), np.float32)], axis=-1)
    up /= np.linalg.norm(up, axis=-1, keepdims=True)
    meets = np.clip(-(rays.way * up).sum(axis=-1), 0.02, 1.0)
    inside = np.sqrt(1 - (1 - meets**2) / INDEX**2)
    under = rays.way / INDEX + (meets / INDEX - inside)[..., None] * up
    # Floor: even slope from near to far, or far to near; walls: the box.
    near, far = depths if rng.random() < 0.5 else depths[::-1]
    grade = (far - near) / (box[3] - box[2])
    sink = np.maximum(-under[..., 2], 0.05)
    to_floor = (near + grade * at[..., 1]) / np.maximum(sink - grade * under[..., 1], 0.05)
    gone = [np.full((height, width), 99.0, np.float32)]
    for axis, low, high in ((0, box[0], box[1]), (1, box[2], box[3])):
        speed = under[..., axis]
        edge = np.where(speed > 0, high, low)
        gone.append((edge - at[..., axis]) / np.where(np.abs(speed) < 1e-4, 1e-4, speed))
    to_wall = np.maximum(np.minimum(gone[1], gone[2]), 0.005)
    on_wall = to_wall < to_floor
    path = np.clip(np.minimum(to_wall, to_floor), 0.005, 9.0)
    end = at + under * path[..., None]
    depth = np.clip(-end[..., 2], 0.01, 4.9)
    floor_rgb = np.clip(float(rng.uniform(0.15, 0.8)) * (1 + rng.normal(0, 0.12, 3) * [1.2, 0.5, 1.2]), 0.03, 0.9)
    wall_rgb = floor_rgb * float(rng.uniform(0.75, 1.1))
    stretch = float(rng.uniform(0.95, 1.25))
    slant = path / depth
    whole = np.empty((height, width, 3), np.float32)
    own = np.empty_like(whole)
    place = np.interp(depth * (1 + np.clip(slant, 1, 3)) / 2, TABLE_M, np.arange(len(TABLE_M)))
    for here, rgb in ((~on_wall, floor_rgb), (on_wall, wall_rgb)):
        tables = lambert_colours(brew, TABLE_M, rgb, stretch)
        for plane, table in zip((whole, own), tables, strict=True):
            for channel in range(3):
                mixed = np.interp(place[here], np.arange(len(TABLE_M)), table[:, channel])
                plane[..., channel][here] = mixed
    lit = np.where(on_wall, float(rng.uniform(0.55, 0.95)), 1.0)
    c, k = attenuations(brew)
    # Detail is lit by K and seen by c; the mean light over the same way has been lost by about 2 K.
    keep = np.exp(-np.maximum(c * path + k * depth - 2.1 * k * depth, 0))
    along = np.where(on_wall, end[..., 0] + end[..., 1], end[..., 0])
    across = np.where(on_wall, end[..., 2], end[..., 1])
    detail = _tiles(rng, along, across, path) - 1
    if not cloudy:
        net = np.abs(np.sin(end[..., 0] * 9 + 2 * np.sin(end[..., 1] * 7)) + np.sin(end[..., 1] * 11)) / 1.27 - 1
        detail = detail - float(rng.uniform(0, 0.35)) * net * np.exp(-0.3 * depth) * ~on_wall
    light = own + (whole - own) * (lit * (1 + detail * keep))[..., None]
    ray_s = (meets - INDEX * inside) / (meets + INDEX * inside)
    ray_p = (INDEX * meets - inside) / (INDEX * meets + inside)
    mirror = (ray_s**2 + ray_p**2) / 2
    bounce = rays.way + 2 * meets[..., None] * up
    bright = float(rng.uniform(0.25, 1.2))
    sky = np.full(3, bright) if cloudy else bright * np.array([0.55, 0.75, 1.1])
    dark = np.array([0.05, 0.08, 0.04]) if rng.random() < 0.5 else np.full(3, 0.3)
    edge = float(rng.uniform(0.0, 0.45))
    mirrored = np.where((bounce[..., 2] > edge)[..., None], sky, dark)
    if not cloudy:
        glint = np.clip((bounce @ sun - 0.985) / 0.015, 0, 1) ** 4 * 60
        mirrored = mirrored + glint[..., None]
    return np.maximum(light * (1 - mirror)[..., None] + mirrored * mirror[..., None], 0)


def _tiles(rng: np.random.Generator, along: Array, across: Array, path: Array) -> Array:
    """Return a floor's pattern about 1: plain, tiled, or pebbles."""
    kind = int(rng.integers(3))
    if kind == 0:
        return np.ones_like(along)
    if kind == 1:
        size, joint = float(rng.choice([0.05, 0.15, 0.3])), 0.01
        soft = np.clip(size / (0.004 * np.maximum(path, 0.3) + 0.01), 0, 3) / 3
        lines = (np.mod(along, size) < joint) | (np.mod(across, size) < joint)
        plates = np.sin(np.floor(along / size) * 12.9898 + np.floor(across / size) * 78.233) * float(
            rng.uniform(0, 0.2)
        )
        return np.asarray(1 + soft * (plates - float(rng.uniform(0.1, 0.6)) * lines))
    grain = sum(
        np.sin(along * f + 3 * np.sin(across * f * 0.7)) * np.sin(across * f * 1.1 + 1.3) for f in (17.0, 41.0, 97.0)
    )
    return np.asarray(1 + float(rng.uniform(0.05, 0.25)) * grain)


def _lay_card(rng: np.random.Generator, picture: Array, rays: _Rays, freeboard: float, tint: Array) -> Array:
    """Lay the chart (or the card) on the deck before the water, or stand it up; return where it is [0-1]."""
    design = load_chart24() if rng.random() < 0.7 else load_card()
    flat = _flat(design) * tint
    rows, columns = flat.shape[:2]
    wide = 0.25 if design.kind == "chart24" else float(design.width_mm) / 1000
    tall = wide * rows / columns
    height, width = picture.shape[:2]
    covered = np.zeros((height, width), np.float32)
    for attempt in range(120):
        turn, lean = float(rng.normal(0, 0.5)), float(rng.choice([0.0, 0.0, 0.6, 1.0]))
        middle = np.array([rng.uniform(-1.2, 1.2), -rng.uniform(0.0, 0.9) - tall * 0.6, freeboard])
        right = np.array([math.cos(turn), math.sin(turn), 0.0])
        away = np.array([-math.sin(turn) * math.cos(lean), math.cos(turn) * math.cos(lean), math.sin(lean)])
        if lean > 0:
            middle[2] += tall / 2 * math.sin(lean)
        corners = np.array(
            [middle + right * sx * wide / 2 + away * sy * tall / 2 for sx, sy in ((-1, 1), (1, 1), (1, -1), (-1, -1))]
        )
        px = rays.project(corners)
        margin = 0.03 * width
        inside = (px > margin).all() and (px < [width - margin, height - margin]).all()
        size = float(np.linalg.norm(px[1] - px[0])) / width
        if inside and size > 0.12:
            break
        if attempt == 119:
            px = _held(rng, rays, wide, tall)
            size = float(np.linalg.norm(px[1] - px[0])) / width
    source = np.array([[0, 0], [columns, 0], [columns, rows], [0, rows]], np.float32) - 0.5
    matrix = cv2.getPerspectiveTransform(source, px.astype(np.float32))
    # Area means: the flat card is drawn finer than it is seen.
    blur = max(columns / max(size * width, 1.0) * 0.4, 0.3)
    laid = cv2.warpPerspective(cv2.GaussianBlur(flat.astype(np.float32), (0, 0), blur), matrix, (width, height))
    solid = cv2.warpPerspective(np.ones((rows, columns), np.float32), matrix, (width, height))
    covered = cv2.GaussianBlur(solid, (0, 0), 0.6)
    gain = float(math.exp(rng.normal(0, 0.08)))
    picture *= 1 - covered[..., None]
    picture += laid * gain * covered[..., None]
    return np.asarray(covered)


def _held(rng: np.random.Generator, rays: _Rays, wide: float, tall: float) -> Array:
    """Return the corners' pixels of a card held before the lens, a little tilted."""
    height, width = rays.way.shape[:2]
    share = float(rng.uniform(0.15, 0.28)) * min(1.0, 0.7 * height / width)
    spot = np.array([rng.uniform(0.25, 0.75) * width, rng.uniform(0.5, 0.75) * height])
    turn = float(rng.normal(0, 0.2))
    right = np.array([math.cos(turn), math.sin(turn)]) * share * width / 2
    down = np.array([-math.sin(turn), math.cos(turn)]) * share * width / 2 * tall / wide
    corners = [spot + right * sx + down * sy for sx, sy in ((-1, -1), (1, -1), (1, 1), (-1, 1))]
    return np.asarray(corners + rng.normal(0, 0.02 * share * width, (4, 2)))


def _flat(design: CardDesign) -> Array:
    """Return the design in linear light."""
    unit = CARD_UNIT_PX if design.kind == "turnblue" else 4 * CARD_UNIT_PX
    pad = 0 if design.kind == "turnblue" else unit // 2
    ground = 0.88 if design.kind == "turnblue" else 0.025
    flat = np.full((round(design.height_mm * unit) + 2 * pad, round(design.width_mm * unit) + 2 * pad, 3), ground)
    for patch in design.patches:
        x, y, w, h = (round(v * unit) for v in patch.rect_mm)
        encoded = np.array(patch.reference_srgb)
        linear = np.where(encoded <= 0.04045, encoded / 12.92, ((encoded + 0.055) / 1.055) ** 2.4)
        flat[y + pad : y + h + pad, x + pad : x + w + pad] = linear
    for marker in design.markers:
        (left, top), (right, low) = (np.round(np.array(marker.corners_mm[k]) * unit).astype(int) for k in (0, 2))
        named = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, marker.dictionary))
        bits = cv2.aruco.generateImageMarker(named, marker.id, named.markerSize + 2, borderBits=1)
        cells = cv2.resize(bits, (right - left, low - top), interpolation=cv2.INTER_NEAREST)
        flat[top:low, left:right] = np.where(cells[..., None] > 0, 0.88, 0.035)
    return flat


def _camera(rng: np.random.Generator, light: Array) -> NDArray[np.uint8]:
    """Return the photo: crosstalk, white balance, exposure, curve, noise, sharpening."""
    height, width = light.shape[:2]
    mixing = np.eye(3) + rng.normal(0, 0.035, (3, 3)) * (1 - np.eye(3))
    mixing /= mixing.sum(axis=1, keepdims=True)
    seen = np.maximum(light @ mixing.T, 0) * np.exp(rng.normal(0, 0.09, 3))
    seen = seen * float(np.exp(rng.normal(-0.15, 0.2))) * 0.9
    y, x = np.mgrid[0:height, 0:width].astype(np.float32)
    corner = ((x / width - 0.5) ** 2 + (y / height - 0.5) ** 2) * 2
    seen = seen * (1 - float(rng.uniform(0, 0.15)) * corner)[..., None]
    seen = cv2.GaussianBlur(seen.astype(np.float32), (0, 0), float(rng.uniform(0.5, 1.0)))
    seen = seen + np.sqrt(np.maximum(seen, 0) + 0.002) * rng.normal(0, float(rng.uniform(0.004, 0.015)), seen.shape)
    seen = np.maximum(seen, 0)
    if rng.random() < 0.5:
        seen = seen * (1 + seen / 4) / (1 + seen / 2.2)
    coded = np.where(seen <= 0.0031308, seen * 12.92, 1.055 * np.maximum(seen, 1e-6) ** (1 / 2.4) - 0.055)
    bend = float(rng.uniform(0, 0.35))
    clipped = np.clip(coded, 0, 1)
    coded = clipped * (1 - bend) + bend * clipped**2 * (3 - 2 * clipped)
    sharp = float(rng.uniform(0, 0.7))
    coded = coded + sharp * (coded - cv2.GaussianBlur(coded, (0, 0), 1.3))
    return np.asarray(np.clip(np.round(coded * 255), 0, 255), dtype=np.uint8)
