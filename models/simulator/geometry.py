"""Where things are: the pool's outline and depths, the phone's rays, where a ray ends under water.

In: `PoolSpec`, `StanceSpec`, the photo's size. Out: `View` (pinhole camera in pool coordinates) and `Basin` (outline,
distance to the wall and water depth on a grid). Lengths in metres, z up from the deck, water surface at -freeboard.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from models.simulator.specs import PoolSpec, StanceSpec

F32 = NDArray[Any]
"""Arrays of float32; OpenCV's stubs know no narrower type."""
F64 = NDArray[np.float64]

GRID_M = 0.04
MARGIN_M = 0.8
FILM_DIAGONAL_MM = 43.27
"""Of the 36 x 24 mm frame that "equivalent" focal lengths refer to."""


@dataclass(frozen=True)
class Basin:
    """A pool's plan and depth on a grid; `wall` is the distance to the wall [m], positive in the water."""

    outline: F64
    origin: tuple[float, float]
    wall: F32
    depth: F32

    def at(self, grid: F32, x_m: F32, y_m: F32) -> F32:
        """Return a grid's values at plan positions (bilinear, the rim's value outside)."""
        u = (x_m - self.origin[0]) / np.float32(GRID_M)
        v = (y_m - self.origin[1]) / np.float32(GRID_M)
        return np.asarray(
            cv2.remap(
                grid, u.astype(np.float32), v.astype(np.float32), cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
            )
        )


def outline_of(pool: PoolSpec) -> F64:
    """Return the pool's outline in plan, shape (N, 2), counter-clockwise."""
    half_l, half_w = pool.length_m / 2, pool.width_m / 2
    if pool.shape == "rectangle":
        return np.array([[-half_l, -half_w], [half_l, -half_w], [half_l, half_w], [-half_l, half_w]])
    t = np.linspace(0, 2 * np.pi, 96, endpoint=False)
    if pool.shape == "oval":
        # Between an ellipse and a stadium.
        p = 2.6
        x = half_l * np.sign(np.cos(t)) * np.abs(np.cos(t)) ** (2 / p)
        y = half_w * np.sign(np.sin(t)) * np.abs(np.sin(t)) ** (2 / p)
    elif pool.shape == "kidney":
        x = half_l * np.cos(t)
        y = half_w * np.sin(t) * (1.0 + 0.12 * np.cos(t))
        dent = np.exp(-((x / (0.42 * half_l)) ** 2))
        y = np.where(y < 0, y * (1 - 0.38 * dent), y)
    elif pool.shape == "freeform":
        rng = np.random.default_rng([77, pool.seed])
        r = 1.0 + sum(rng.uniform(-0.10, 0.10) / k**0.5 * np.cos(k * t + rng.uniform(0, 6.28)) for k in (2, 3, 4))
        x, y = half_l * r * np.cos(t), half_w * r * np.sin(t)
    else:
        raise ValueError(f"pool shape must be rectangle, oval, kidney or freeform, got {pool.shape!r}")
    return np.stack([x, y], axis=-1)


def offset_outline(outline: F64, outwards_m: float) -> F64:
    """Return the outline moved outwards along its normals (corners mitred)."""
    before = outline - np.roll(outline, 1, axis=0)
    after = np.roll(outline, -1, axis=0) - outline
    n1 = np.stack([before[:, 1], -before[:, 0]], axis=-1) / np.linalg.norm(before, axis=1, keepdims=True)
    n2 = np.stack([after[:, 1], -after[:, 0]], axis=-1) / np.linalg.norm(after, axis=1, keepdims=True)
    mid = n1 + n2
    mid /= np.linalg.norm(mid, axis=1, keepdims=True)
    return np.asarray(outline + mid * (outwards_m / np.maximum((mid * n1).sum(axis=1, keepdims=True), 0.5)))


@functools.lru_cache(maxsize=8)
def basin_of(pool: PoolSpec) -> Basin:
    """Return the basin of a pool."""
    outline = outline_of(pool)
    low = outline.min(axis=0) - MARGIN_M
    high = outline.max(axis=0) + MARGIN_M
    xs = np.arange(low[0], high[0] + GRID_M, GRID_M, dtype=np.float32)
    ys = np.arange(low[1], high[1] + GRID_M, GRID_M, dtype=np.float32)
    x, y = np.meshgrid(xs, ys)
    best = np.full(x.shape, 1e9, np.float32)
    inside = np.zeros(x.shape, bool)
    for a, b in zip(outline, np.roll(outline, -1, axis=0), strict=True):
        ex, ey = np.float32(b[0] - a[0]), np.float32(b[1] - a[1])
        px, py = x - np.float32(a[0]), y - np.float32(a[1])
        t = np.clip((px * ex + py * ey) / (ex * ex + ey * ey), 0, 1)
        np.minimum(best, (px - t * ex) ** 2 + (py - t * ey) ** 2, out=best)
        if ey != 0:
            crosses = (y < np.float32(b[1])) != (y < np.float32(a[1]))
            inside ^= crosses & (px < ex * py / ey)
    wall = np.sqrt(best)
    wall = np.where(inside, wall, -wall).astype(np.float32)
    share = np.clip((x - outline[:, 0].min()) / pool.length_m, 0, 1)
    if pool.profile == "hopper":
        share = np.clip((share - 0.4) / 0.32, 0, 1)
    elif pool.profile == "flat":
        share = np.full_like(share, 0.5)
    depth = pool.shallow_m + (pool.deep_m - pool.shallow_m) * share
    from_end = x - np.float32(outline[:, 0].min())
    if pool.ledge:
        depth = np.where(from_end < 1.8, np.minimum(depth, 0.32), depth)
    if pool.steps:
        start = 1.8 if pool.ledge else 0.0
        within = np.abs(y) < 0.32 * pool.width_m
        for i in range(3):
            step = 0.25 * (i + 1) + (0.1 if pool.ledge else 0.0)
            depth = np.where(
                within & (from_end < start + 0.35 * (i + 1)) & (from_end >= start + 0.35 * i),
                np.minimum(depth, step),
                depth,
            )
    r = pool.cove_m
    near = np.clip(wall, 0, r)
    depth = depth - np.minimum(r - np.sqrt(np.maximum(r * r - (r - near) ** 2, 0)), depth * 0.8)
    return Basin(outline=outline, origin=(float(xs[0]), float(ys[0])), wall=wall, depth=depth.astype(np.float32))


@dataclass(frozen=True)
class View:
    """A pinhole camera: position, rows of the rotation (right, down, forward), focal length and middle [px]."""

    position: F64
    rotation: F64
    focal_px: float
    middle_px: tuple[float, float]
    size_px: tuple[int, int]
    foot: F64
    right_along: F64
    outwards: F64

    def rays(self) -> tuple[F32, F32, F32]:
        """Return the direction of each pixel's ray, forward component 1, three arrays (H, W)."""
        width, height = self.size_px
        x = ((np.arange(width) - self.middle_px[0]) / self.focal_px).astype(np.float32)[None, :]
        y = ((np.arange(height) - self.middle_px[1]) / self.focal_px).astype(np.float32)[:, None]
        r, d, f = self.rotation.astype(np.float32)
        return (x * r[0] + (y * d[0] + f[0]), x * r[1] + (y * d[1] + f[1]), x * r[2] + (y * d[2] + f[2]))

    def project(self, points: F64) -> F64:
        """Return pixel positions of points in front of the camera, shape (N, 2)."""
        local = (np.asarray(points, dtype=np.float64) - self.position) @ self.rotation.T
        return np.asarray(local[:, :2] / local[:, 2:] * self.focal_px + np.array(self.middle_px))

    def depth_of(self, points: F64) -> F64:
        """Return the forward distance of points [m], shape (N,)."""
        return np.asarray((np.asarray(points, dtype=np.float64) - self.position) @ self.rotation[2])

    def project_polygon(self, points: F64, near_m: float = 0.05) -> F64:
        """Return the pixel outline of a polygon in space, cut at the plane just before the camera; may be empty."""
        local = (np.asarray(points, dtype=np.float64) - self.position) @ self.rotation.T
        kept = []
        for p, q in zip(local, np.roll(local, -1, axis=0), strict=True):
            if p[2] >= near_m:
                kept.append(p)
            if (p[2] >= near_m) != (q[2] >= near_m):
                kept.append(p + (q - p) * (near_m - p[2]) / (q[2] - p[2]))
        if len(kept) < 3:
            return np.zeros((0, 2))
        out = np.array(kept)
        return np.asarray(out[:, :2] / out[:, 2:] * self.focal_px + np.array(self.middle_px))

    def fill(self, points: F64) -> NDArray[np.uint8]:
        """Return an antialiased mask (0-255) of a polygon in space."""
        mask = np.zeros(self.size_px[::-1], np.uint8)
        polygon = self.project_polygon(points)
        if len(polygon):
            polygon = clip_to_box(polygon, (-3000.0, -3000.0, self.size_px[0] + 3000.0, self.size_px[1] + 3000.0))
        if len(polygon) >= 3:
            cv2.fillPoly(mask, [np.round(polygon * 64).astype(np.int32)], 255, cv2.LINE_AA, 6)
        return mask


def clip_to_box(polygon: F64, box: tuple[float, float, float, float]) -> F64:
    """Return a polygon cut to a box x0, y0, x1, y1 (Sutherland & Hodgman 1974); may be empty."""
    out = list(np.asarray(polygon, dtype=np.float64))
    for axis, bound, sign in ((0, box[0], 1), (1, box[1], 1), (0, box[2], -1), (1, box[3], -1)):
        kept = []
        for p, q in zip(out, out[1:] + out[:1], strict=True):
            p_in, q_in = sign * (p[axis] - bound) >= 0, sign * (q[axis] - bound) >= 0
            if p_in:
                kept.append(p)
            if p_in != q_in:
                kept.append(p + (q - p) * (bound - p[axis]) / (q[axis] - p[axis]))
        out = kept
    return np.array(out).reshape(-1, 2)


def point_on_outline(outline: F64, share: float) -> tuple[F64, F64]:
    """Return a point of the outline at a share of its length and the outward normal there."""
    ends = np.roll(outline, -1, axis=0)
    lengths = np.linalg.norm(ends - outline, axis=1)
    target = (share % 1.0) * lengths.sum()
    i = int(np.searchsorted(np.cumsum(lengths), target))
    i = min(i, len(outline) - 1)
    rest = target - (np.cumsum(lengths)[i] - lengths[i])
    along = (ends[i] - outline[i]) / lengths[i]
    return outline[i] + along * rest, np.array([along[1], -along[0]])


def view_of(pool: PoolSpec, stance: StanceSpec, focal_eq_mm: float, size_px: tuple[int, int]) -> View:
    """Return the phone's view of a pool."""
    foot, outwards = point_on_outline(outline_of(pool), stance.edge_share)
    yaw, pitch, roll = (math.radians(v) for v in (stance.yaw_deg, stance.pitch_deg, stance.roll_deg))
    inwards = -outwards
    right = np.array([inwards[1], -inwards[0]])
    level = inwards * math.cos(yaw) + right * math.sin(yaw)
    side = right * math.cos(yaw) - inwards * math.sin(yaw)
    forward = np.array([*(level * math.cos(pitch)), -math.sin(pitch)])
    r0 = np.array([*side, 0.0])
    d0 = np.cross(forward, r0)
    r = r0 * math.cos(roll) + d0 * math.sin(roll)
    d = d0 * math.cos(roll) - r0 * math.sin(roll)
    width, height = size_px
    focal = focal_eq_mm / FILM_DIAGONAL_MM * math.hypot(width, height)
    position = np.array([*(foot + outwards * stance.back_m), stance.height_m])
    return View(
        position=position,
        rotation=np.stack([r, d, forward]),
        focal_px=focal,
        middle_px=((width - 1) / 2, (height - 1) / 2),
        size_px=size_px,
        foot=foot,
        right_along=right,
        outwards=outwards,
    )
