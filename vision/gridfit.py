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


SETTLED = 0.002
"""Change of the grid in a round under which a further one changes nothing [pitches]. Ours."""


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
    homography, side = _settle_cells(encoded_rgb, homography, rows, columns)
    supported = np.zeros((rows, columns), bool)
    residual = np.nan
    for turn in range(rounds):
        points = _edges(encoded_rgb, homography, rows, columns, side, 1.0 if turn < 2 else 0.6)
        if points is None:
            break
        step, side_step, weight, off_px = _solve(points)
        if not np.isfinite(step).all():
            break
        settled = bool(np.abs(step - np.eye(3)).max() < SETTLED) and turn > 1
        homography = homography @ step
        homography = homography / homography[2, 2]
        side = np.clip(side + side_step, SMALLEST_SIDE, LARGEST_SIDE)
        supported = _support(points, weight, rows, columns)
        used = weight > 0.1
        residual = float(np.sqrt((off_px[used] ** 2).mean())) if used.any() else np.nan
        if settled:
            break
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


def _settle_cells(encoded_rgb: Array, homography: Array, rows: int, columns: int) -> tuple[Array, Array]:
    """Return the homography with the cells brought onto their patches, and the patch side [pitches]."""
    grid_rows, grid_columns = np.mgrid[0:rows, 0:columns].astype(float)
    place = np.stack([grid_columns, grid_rows], -1).reshape(-1, 2)
    axis = np.repeat([0, 1], rows * columns)
    sides, first, first_planes = _folds(encoded_rgb, homography, rows, columns, 0)
    _, second, second_planes = _folds(encoded_rgb, homography, rows, columns, 1)
    # Patches are as wide as high, within a twentieth of the pitch: both axes speak for the side.
    both = first.max(1)[:, None] + second.max(1)[None] - 40.0 * np.maximum(np.abs(sides[:, None] - sides) - 0.05, 0)
    at = np.unravel_index(int(both.argmax()), both.shape)
    planes = first_planes[first[at[0]].argmax()], second_planes[second[at[1]].argmax()]
    shift = np.concatenate([plane.ravel() for plane in planes])
    sure = np.ones(2 * rows * columns)
    step, _, _, _ = _robust(np.concatenate([place, place]), axis, shift, sure, sure, 0.04, np.zeros((len(axis), 0)))
    homography = homography @ step
    return homography / homography[2, 2], sides[list(at)]


def _folds(encoded_rgb: Array, homography: Array, rows: int, columns: int, axis: int) -> tuple[Array, Array, Array]:
    """Return patch sides (S,), how well each goes with each plane of shifts (S, P), and these (P, rows, columns).

    Shift and side are sought together, from a patch's own edges and its neighbours': a cell off by half a gap has
    edges where a grid without gaps would have them.
    """
    fine = 0.02
    u = np.arange(-1.06, 1.0601, fine)
    profile = _profiles(encoded_rgb, homography, rows, columns, axis, u, np.array([-0.2, 0.0, 0.2]))
    slope = np.nan_to_num(np.abs(np.diff(profile, axis=-2)).sum(-1))
    # Each profile counts alike, else a white patch beside black rules.
    slope = (slope / (slope.max(-1, keepdims=True) + 8.0)).mean(2)
    slope = slope - slope.mean(-1, keepdims=True)
    first = (u[0] + u[1]) / 2
    shifts = np.arange(-15, 16)
    sides = np.arange(SMALLEST_SIDE, LARGEST_SIDE + 1e-9, fine)
    scores = np.empty((len(sides), len(shifts), rows, columns))
    for i, side in enumerate(sides):
        places = np.array([-side / 2, side / 2, side / 2 - 1, 1 - side / 2])
        # Each place with its surroundings, counted once where they meet.
        index = np.unique(np.round((places - first) / fine).astype(int)[:, None] + [-1, 0, 1])
        moved = np.clip(index[None] + shifts[:, None], 0, slope.shape[-1] - 1)
        scores[i] = np.moveaxis(slope[..., moved].sum(-1), -1, 0)
    grid_rows, grid_columns = np.mgrid[0:rows, 0:columns]
    base, along, down = np.meshgrid(np.arange(-8, 9), np.arange(-2, 3), np.arange(-2, 3), indexing="ij")
    base, along, down = (each.reshape(-1, 1, 1) for each in (base, along, down))
    plane = base + along * (grid_columns - (columns - 1) / 2) + down * (grid_rows - (rows - 1) / 2)
    plane = np.clip(np.round(plane), shifts[0], shifts[-1])
    total = scores[:, (plane - shifts[0]).astype(int), grid_rows, grid_columns].sum((2, 3))
    # The least move that does as well.
    total = total - 0.015 * np.abs(total).max() * np.abs(plane).mean((1, 2))
    return sides, total, plane * fine


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
    folded = table.reshape(-1, 512, 2)
    seen = cv2.remap(encoded_rgb, folded[..., 0], folded[..., 1], cv2.INTER_LINEAR).reshape(-1, 3)[:count]
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
    place, axes, signs, offset, strength, row, column, _ = joined
    unit = np.where(axes[:, None] == 0, [1.0, 0.0], [0.0, 1.0])
    span = project(homography, place + 0.05 * unit) - project(homography, place - 0.05 * unit)
    scale = np.linalg.norm(span, axis=1) / 0.1
    keep = (strength > 6) & np.isfinite(scale)
    if keep.sum() < 40:
        return None
    return _Points(
        place[keep], axes[keep], signs[keep], offset[keep], strength[keep], row[keep], column[keep], scale[keep]
    )


def _solve(points: _Points) -> tuple[Array, Array, Array, Array]:
    """Return the small homography and change of side that carry the model onto the edges, weights, misses [px]."""
    half = 0.5 * points.sign
    extra = np.stack([np.where(points.axis == 0, half, 0), np.where(points.axis == 1, half, 0)], 1)
    prior = np.minimum(points.strength / 60, 1.0)
    # Misses in pixels: the far end of a tilted grid has fewer of them to a pitch.
    step, solved, weight, rest = _robust(points.place, points.axis, points.offset, prior, points.scale_px, 0.25, extra)
    return step, solved[8:], weight / np.maximum(prior, 1e-9), rest


def _robust(
    place: Array, axis: Array, offset: Array, prior: Array, scale: Array, floor: float, extra: Array
) -> tuple[Array, Array, Array, Array]:
    """Solve a homography near the identity by weighted least squares that lets outliers go (Tukey's biweight)."""
    u, v = place[:, 0], place[:, 1]
    one, nil = np.ones_like(u), np.zeros_like(u)
    along = np.stack([one, u, v, nil, nil, nil, u * u, u * v], 1)
    down = np.stack([nil, nil, nil, one, u, v, u * v, v * v], 1)
    design = np.concatenate([np.where(axis[:, None] == 0, along, down), extra], 1)
    weight = prior.copy()
    solved, rest = np.zeros(design.shape[1]), offset
    for _ in range(6):
        left = (design * (weight * scale)[:, None]).T
        # A faint pull to "no change" keeps what the points leave open.
        normal = left @ (design * scale[:, None]) + 1e-3 * np.eye(design.shape[1])
        solved = np.linalg.solve(normal, left @ (offset * scale))
        rest = (offset - design @ solved) * scale
        strong = prior > 0.3
        spread = max(floor, 1.48 * float(np.median(np.abs(rest[strong])))) if strong.any() else 4 * floor
        weight = prior * np.clip(1 - (rest / (3 * spread)) ** 2, 0, None) ** 2
    a = solved
    step = np.array([[1 + a[1], a[2], a[0]], [a[4], 1 + a[5], a[3]], [-a[6], -a[7], 1.0]])
    return step, solved, weight, rest


def _support(points: _Points, weight: Array, rows: int, columns: int) -> Array:
    """Return which patches stand on edges of their own, upright and level."""
    counts = np.zeros((2, rows, columns))
    np.add.at(counts, (points.axis, points.row, points.column), weight > 0.3)
    # Of the twelve points sought on a cell's two sides along an axis, a third must lie where the grid says.
    return np.asarray((counts >= 4).all(0))
