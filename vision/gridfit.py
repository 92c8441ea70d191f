"""Lay a found grid exactly on its patches' edges, to a fraction of a pixel.

In: a picture and a homography good to a quarter of the pitch. Out: `GridFit`: the homography, the patches' own size
and the share of patches that stand on edges of their own.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from vision.grid import project

Array = npt.NDArray[Any]

SMALLEST_SIDE, LARGEST_SIDE = 0.55, 1.0
"""Patch side over pitch that we look for: from wide gaps to none. Measured on two prints: 0.8 and 0.9. Ours."""

ALONG = np.array([-0.3, -0.18, -0.06, 0.06, 0.18, 0.3])
"""Where along a side its edge is sought [patch sides]: clear of the corners, which blur rounds off."""


@dataclass(frozen=True)
class GridFit:
    """A grid on its edges.

    `homography` maps (column, row), patch centres at whole numbers, to pixels; `patch_side` is the patch's width and
    height in pitches; `supported` the share of the patches at least two of whose sides were found, one of them
    upright and one level; `supported_cells` which; `residual_px` the root mean square distance of edge points used.
    """

    homography: Array
    patch_side: tuple[float, float]
    supported: float
    supported_cells: Array
    residual_px: float


def fit_edges(encoded_rgb: Array, homography: Array, rows: int, columns: int, *, rounds: int = 5) -> GridFit:
    """Fit a grid to the edges of its patches.

    Parameters
    ----------
    encoded_rgb : ndarray of uint8, shape (H, W, 3)
    homography : ndarray, shape (3, 3)
        First guess, grid units to pixels.
    rows, columns : int
        Patches of the grid.
    rounds : int
        Times the edges are sought anew, each time nearer to where the last fit puts them.
    """
    homography = homography / homography[2, 2]
    folds = np.array([_fold(encoded_rgb, homography, rows, columns, axis, 0.16) for axis in (0, 1)])
    homography = homography @ np.array([[1, 0, folds[0, 0]], [0, 1, folds[1, 0]], [0, 0, 1]])
    side = folds[:, 1]
    supported = np.zeros((rows, columns), bool)
    residual = np.nan
    for turn in range(rounds):
        if turn == 1:
            # Once the grid lies straight its fold is sharp; before, a gap's two edges may pass for one.
            side = np.array([_fold(encoded_rgb, homography, rows, columns, axis, 0.0)[1] for axis in (0, 1)])
        points = _edges(encoded_rgb, homography, rows, columns, side, 1.0 if turn < 2 else 0.6)
        if points is None:
            break
        step, side_step, weight, off_px = _solve(points)
        if step is None or not np.isfinite(step).all():
            break
        homography = homography @ step
        homography = homography / homography[2, 2]
        side = np.clip(side + side_step, SMALLEST_SIDE, LARGEST_SIDE)
        supported = _support(points, weight, rows, columns)
        used = weight > 0.1
        residual = float(np.sqrt((off_px[used] ** 2).mean())) if used.any() else np.nan
    return GridFit(homography, (float(side[0]), float(side[1])), float(supported.mean()), supported, residual)


@dataclass(frozen=True)
class _Points:
    """Edge points: model place (N, 2), which axis is measured, +-1 for the far or near side, offset along the axis,
    strength, cell row and column, pixels per pitch along the axis."""

    place: Array
    axis: Array
    sign: Array
    offset: Array
    strength: Array
    row: Array
    column: Array
    scale_px: Array


def _fold(encoded_rgb: Array, homography: Array, rows: int, columns: int, axis: int, reach: float) -> Array:
    """Return the shift of the grid and the patch side [pitches], from the gradient folded over all cells.

    Shift and side are sought together: a grid off by half a gap has edges where one without gaps would have them.
    """
    fine = 0.02
    u = np.arange(-0.76, 0.7601, fine)
    profile = _profiles(encoded_rgb, homography, rows, columns, axis, u, np.array([-0.2, 0.0, 0.2]))
    slope = np.abs(np.diff(profile, axis=-2)).sum(-1)
    # Each profile counts alike, else a white patch beside black rules.
    slope = slope / (np.nan_to_num(slope).max(-1, keepdims=True) + 8.0)
    folded = np.nan_to_num(slope).reshape(-1, slope.shape[-1]).mean(0)
    folded = folded - folded.mean()
    middle = (u[1:] + u[:-1]) / 2
    best, best_score = np.array([0.0, 0.88]), -np.inf
    for shift in np.arange(-reach, reach + 1e-9, fine):
        for side in np.arange(SMALLEST_SIDE, LARGEST_SIDE + 1e-9, fine):
            # Own two edges and the neighbours', each place and its surroundings counted once.
            places = shift + np.array([-side / 2, side / 2, side / 2 - 1, 1 - side / 2])
            index = np.round((places - middle[0]) / fine).astype(int)
            index = np.unique(index[:, None] + [-1, 0, 1])
            score = folded[index[(index >= 0) & (index < len(folded))]].sum() - 0.02 * abs(shift)
            if score > best_score:
                best, best_score = np.array([shift, side]), score
    return best


def _profiles(
    encoded_rgb: Array, homography: Array, rows: int, columns: int, axis: int, along: Array, across: Array
) -> Array:
    """Return colours sampled over each cell, shape (rows, columns, len(across), len(along), 3), NaN outside."""
    grid_rows, grid_columns = np.mgrid[0:rows, 0:columns]
    shape = (rows, columns, len(across), len(along))
    a = np.broadcast_to(along[None, None, None, :], shape)
    b = np.broadcast_to(across[None, None, :, None], shape)
    column = grid_columns[..., None, None] + (a if axis == 0 else b)
    row = grid_rows[..., None, None] + (b if axis == 0 else a)
    return sample(encoded_rgb, project(homography, np.stack([column, row], -1).reshape(-1, 2))).reshape(*shape, 3)


def sample(encoded_rgb: Array, points: Array) -> Array:
    """Return bilinear colours at pixel positions, shape (N, 3) [0-255]; NaN outside the picture."""
    height, width = encoded_rgb.shape[:2]
    with np.errstate(invalid="ignore"):
        inside = (points >= 0).all(1) & (points[:, 0] <= width - 1) & (points[:, 1] <= height - 1)
    places = np.where(inside[:, None], points, 0).astype(np.float32)
    # remap holds at most 32767 rows: fold the list into a table.
    count = len(places)
    table = np.zeros((-(-count // 512) * 512, 2), np.float32)
    table[:count] = places
    table = table.reshape(-1, 512, 2)
    seen = cv2.remap(encoded_rgb, table[..., 0], table[..., 1], cv2.INTER_LINEAR).reshape(-1, 3)[:count]
    return np.where(inside[:, None], seen.astype(np.float32), np.nan)


def _edges(encoded_rgb: Array, homography: Array, rows: int, columns: int, side: Array, trust: float) -> _Points | None:
    """Return the strongest edge near each predicted side, seeking over `trust` times half a gap."""
    parts: list[_Points] = []
    grid_rows, grid_columns = np.mgrid[0:rows, 0:columns]
    for axis in (0, 1):
        across = ALONG * side[1 - axis]
        # The neighbour's edge lies just across the gap: prefer the predicted place.
        likely = trust * min(max(0.5 * (1 - float(side[axis])), 0.06), 0.12)
        reach = 2.2 * likely
        for sign in (-1, 1):
            steps = 25
            off = np.linspace(-reach, reach, steps)
            profile = _profiles(encoded_rgb, homography, rows, columns, axis, sign * side[axis] / 2 + off, across)
            slope = np.abs(profile[..., 2:, :] - profile[..., :-2, :]).sum(-1)
            weighted = slope * np.exp(-0.5 * (off[1:-1] / likely) ** 2)
            weighted = np.nan_to_num(weighted)
            best = np.clip(weighted.argmax(-1), 1, weighted.shape[-1] - 2)
            take = best[..., None]
            low, mid, high = (np.take_along_axis(weighted, take + k, -1)[..., 0] for k in (-1, 0, 1))
            bend = low - 2 * mid + high
            shift = np.where(bend < -1e-6, 0.5 * (low - high) / np.where(bend < -1e-6, bend, 1), 0)
            offset = off[1:-1][best] + np.clip(shift, -0.5, 0.5) * (off[1] - off[0])
            peak = np.take_along_axis(np.nan_to_num(slope), take, -1)[..., 0]
            shape = offset.shape
            along = np.full(shape, sign * side[axis] / 2)
            other = np.broadcast_to(across, shape)
            column = grid_columns[..., None] + (along if axis == 0 else other)
            row = grid_rows[..., None] + (other if axis == 0 else along)
            parts.append(
                _Points(
                    np.stack([column, row], -1).reshape(-1, 2),
                    np.full(offset.size, axis),
                    np.full(offset.size, sign),
                    offset.ravel(),
                    peak.ravel(),
                    np.broadcast_to(grid_rows[..., None], shape).ravel(),
                    np.broadcast_to(grid_columns[..., None], shape).ravel(),
                    np.zeros(offset.size),
                )
            )
    joined = [np.concatenate([getattr(part, each.name) for part in parts]) for each in fields(_Points)]
    place, axis, sign, offset, strength, row, column, _ = joined
    unit = np.where(axis[:, None] == 0, [1.0, 0.0], [0.0, 1.0])
    span = project(homography, place + 0.05 * unit) - project(homography, place - 0.05 * unit)
    scale = np.linalg.norm(span, axis=1) / 0.1
    keep = (strength > 6) & np.isfinite(scale)
    if keep.sum() < 40:
        return None
    return _Points(
        place[keep], axis[keep], sign[keep], offset[keep], strength[keep], row[keep], column[keep], scale[keep]
    )


def _solve(points: _Points) -> tuple[Array | None, Array, Array, Array]:
    """Solve the small homography (in grid units) and change of side that carry the model onto the edges."""
    u, v = points.place[:, 0], points.place[:, 1]
    level = points.axis == 0
    one, nil = np.ones_like(u), np.zeros_like(u)
    rows_u = np.stack([one, u, v, nil, nil, nil, u * u, u * v], 1)
    rows_v = np.stack([nil, nil, nil, one, u, v, u * v, v * v], 1)
    design = np.where(level[:, None], rows_u, rows_v)
    half = 0.5 * points.sign
    design = np.concatenate([design, np.where(level, half, 0)[:, None], np.where(level, 0, half)[:, None]], 1)
    # Residuals in pixels: the far end of a tilted grid has fewer of them to a pitch.
    scale = points.scale_px
    prior = np.minimum(points.strength / 60, 1.0)
    weight = prior.copy()
    solved = np.zeros(10)
    spread = np.inf
    for _ in range(6):
        left = (design * (weight * scale)[:, None]).T
        # A faint pull to "no change" keeps what the edges leave open.
        normal = left @ (design * scale[:, None]) + 1e-3 * np.eye(10)
        solved = np.linalg.solve(normal, left @ (points.offset * scale))
        rest = (points.offset - design @ solved) * scale
        spread = max(0.25, 1.48 * float(np.median(np.abs(rest[prior > 0.3])))) if (prior > 0.3).any() else 1.0
        weight = prior * np.clip(1 - (rest / (3 * spread)) ** 2, 0, None) ** 2
    a = solved
    step = np.array([[1 + a[1], a[2], a[0]], [a[4], 1 + a[5], a[3]], [-a[6], -a[7], 1.0]])
    return step, solved[8:], weight / np.maximum(prior, 1e-9), rest


def _support(points: _Points, weight: Array, rows: int, columns: int) -> Array:
    """Return which patches stand on edges of their own, upright and level."""
    counts = np.zeros((2, rows, columns))
    np.add.at(counts, (points.axis, points.row, points.column), weight > 0.3)
    # Of the twelve points sought on a cell's two sides along an axis, a third must lie where the grid says.
    return np.asarray((counts >= 4).all(0))
