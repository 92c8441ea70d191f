"""Paint what floats, stands or hangs before the water: leaves, buoy, skimmer mouth, rail, and a hand on the lens.

In: a `Stage` and the picture so far. Out: the picture with them, and what they cover.
"""

from __future__ import annotations

import math
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from models.simulator.geometry import point_on_outline
from models.simulator.specs import Srgb
from models.simulator.stage import Stage
from models.simulator.surfaces import LEAF_COLOURS, SKIN_SRGB

F32 = NDArray[Any]
"""Arrays of float32; OpenCV's stubs know no narrower type."""
F64 = NDArray[np.float64]
Mask = NDArray[np.bool_]


class FloatingPainter(Stage):
    """Paints things that are neither water nor ground."""

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
            if self.wall_distance(middle) < long:
                continue
            a = np.linspace(0, 2 * np.pi, 12, endpoint=False)
            shape = np.stack([long * np.cos(a), long * wide * np.sin(a) * (1 + 0.3 * np.cos(a))], axis=-1)
            c, s = math.cos(turn), math.sin(turn)
            points = np.column_stack([shape @ np.array([[c, s], [-s, c]]) + middle, np.full(12, surface)])
            self._paint_polygon(picture, covered, points, (srgb[0] / 255, srgb[1] / 255, srgb[2] / 255), middle)
        if spec.extras.buoy:
            middle = rng.uniform(low + 0.6, high - 0.6)
            if self.wall_distance(middle) > 0.2:
                for lift, radius, paint in ((0.0, 0.11, (0.85, 0.85, 0.83)), (0.05, 0.08, (0.80, 0.25, 0.18))):
                    a = np.linspace(0, 2 * np.pi, 24, endpoint=False)
                    side = view.rotation[0]
                    up = -view.rotation[1]
                    centre = np.array([*middle, surface + lift])
                    points = centre + radius * (np.cos(a)[:, None] * side + 0.75 * np.sin(a)[:, None] * up)
                    self._paint_polygon(picture, covered, points, paint, middle)
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
        sun = float(self.sunlit(np.array([[middle[0]]], np.float32), np.array([[middle[1]]], np.float32))[0, 0])
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
