"""Find regular grids of flat patches in a photo, whatever their colours.

In: an encoded picture. Out: `Lattice`s: homographies from integer grid positions (patch centres) to pixels.
Any printed grid of uniform patches will do; which one it is, is told afterwards by its colours (`gridmatch.py`).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

Array = npt.NDArray[Any]

SMALLEST_SIDE_PX = 40
"""A picture is halved until its shorter side would fall below this [px]; a chart that fills it still has a pitch of
ten pixels there."""

MAX_BLOBS = 700
"""Most flat regions kept per mask: the search for neighbours costs their square."""

MAX_TRIES = 120
"""Most starts from which a grid is grown per mask: bounds the time spent on gravel and leaves."""

MIN_NODES = 7
"""Fewest patches that make a grid worth looking at: fewer fit anything."""


@dataclass(frozen=True)
class Lattice:
    """A grid of patches: `homography` maps (column, row) of a patch centre to pixels of the whole picture.

    `nodes` are the integer positions seen, shape (N, 2), `nodes_px` where they were seen [px]; `pitch_px` the mean
    step between patches.
    """

    homography: Array
    nodes: Array
    nodes_px: Array
    pitch_px: float


@dataclass(frozen=True)
class Blobs:
    """Flat regions: centres (N, 2), shape matrices (N, 2, 2) [px^2] of side^2 of the like parallelogram."""

    centres: Array
    shapes: Array


def halved(encoded_rgb: Array) -> list[Array]:
    """Return the picture and its halvings, largest first.

    Parameters
    ----------
    encoded_rgb : ndarray of uint8, shape (H, W, 3)
    """
    levels = [encoded_rgb]
    while min(levels[-1].shape[:2]) >= 2 * SMALLEST_SIDE_PX:
        last = levels[-1]
        size = (last.shape[1] // 2, last.shape[0] // 2)
        levels.append(cv2.resize(last, size, interpolation=cv2.INTER_AREA))
    return levels


def find_lattices(encoded_rgb: Array) -> Iterator[Lattice]:
    """Yield the grids of patches in a picture, coarse levels first.

    Parameters
    ----------
    encoded_rgb : ndarray of uint8, shape (H, W, 3)

    Yields
    ------
    Lattice
        With right-handed axes (never mirrored); where it begins and which way up it lies is open.
    """
    levels = halved(encoded_rgb)
    for level in reversed(levels):
        scale = np.array([encoded_rgb.shape[1] / level.shape[1], encoded_rgb.shape[0] / level.shape[0]])
        to_full = np.array([[scale[0], 0, (scale[0] - 1) / 2], [0, scale[1], (scale[1] - 1) / 2], [0, 0, 1]])
        local_range, around = local_ranges(level)
        for mask in flat_masks(local_range, around):
            blobs = _blobs(mask, around)
            for found in grown_lattices(blobs):
                yield Lattice(
                    to_full @ found.homography,
                    found.nodes,
                    found.nodes_px * scale + (scale - 1) / 2,
                    found.pitch_px * float(np.sqrt(scale.prod())),
                )


def local_ranges(encoded_rgb: Array) -> tuple[Array, Array]:
    """Return the range of values about each pixel (3 x 3, the strongest channel), and its mean over 13 x 13."""
    kernel = np.ones((3, 3), np.uint8)
    spread = cv2.dilate(encoded_rgb, kernel)
    cv2.subtract(spread, cv2.erode(encoded_rgb, kernel), dst=spread)
    # The strongest channel decides: a patch may differ from its gap in one channel only.
    local_range = cv2.max(cv2.max(spread[..., 0], spread[..., 1]), spread[..., 2])
    return local_range, cv2.blur(local_range, (13, 13))


def flat_masks(local_range: Array, around: Array) -> Iterator[Array]:
    """Yield masks (uint8, not nought where flat) in which a patch stands apart from its neighbours.

    The first compares the local range with its own neighbourhood, so that it holds at any contrast and blur; the
    others, with fixed bounds, keep what lies beside a much stronger edge.
    """
    yield cv2.compare(local_range, cv2.convertScaleAbs(around, alpha=0.6), cv2.CMP_LT)
    for bound in (22, 9):
        yield cv2.threshold(local_range, bound, 1, cv2.THRESH_BINARY_INV)[1]


def _blobs(mask: Array, around: Array) -> Blobs:
    """Return the regions of `mask` that look like parallelograms of a patch's size, those among strong edges first."""
    count, labels, stats, centres = cv2.connectedComponentsWithStats(mask, connectivity=4)
    height, width = mask.shape
    area = stats[:, cv2.CC_STAT_AREA]
    box = stats[:, cv2.CC_STAT_WIDTH] * stats[:, cv2.CC_STAT_HEIGHT]
    right = stats[:, cv2.CC_STAT_LEFT] + stats[:, cv2.CC_STAT_WIDTH]
    below = stats[:, cv2.CC_STAT_TOP] + stats[:, cv2.CC_STAT_HEIGHT]
    good = (area >= 5) & (area <= 4000) & (area > 0.2 * box)
    good &= (stats[:, 0] > 0) & (stats[:, 1] > 0) & (right < width) & (below < height)
    good[0] = False
    keep = np.flatnonzero(good)
    if len(keep) < MIN_NODES:
        return Blobs(np.empty((0, 2)), np.empty((0, 2, 2)))
    new_label = np.full(count, -1, np.int32)
    new_label[keep] = np.arange(len(keep))
    flat = np.flatnonzero(mask)
    label = new_label[labels.ravel()[flat]]
    flat, label = flat[label >= 0], label[label >= 0]
    offset_x = flat % width - centres[keep, 0][label]
    offset_y = flat // width - centres[keep, 1][label]
    size = area[keep].astype(float)
    # 1/12: the variance inside one pixel, so that a w x h rectangle gives w^2 / 12 and h^2 / 12.
    xx = np.bincount(label, offset_x * offset_x, len(keep)) / size + 1 / 12
    yy = np.bincount(label, offset_y * offset_y, len(keep)) / size + 1 / 12
    xy = np.bincount(label, offset_x * offset_y, len(keep)) / size
    # A parallelogram's area is 12 times the root of its covariance's determinant; ragged regions have less.
    fill = size / (12 * np.sqrt(np.maximum(xx * yy - xy * xy, 1e-9)))
    cov = np.stack([np.stack([xx, xy], -1), np.stack([xy, yy], -1)], -2)
    values, vectors = np.linalg.eigh(cov)
    # The 3 x 3 range takes a pixel off every side: give it back.
    sides = np.sqrt(12 * values) + 2
    good = (fill > 0.8) & (sides[:, 1] < 5 * sides[:, 0])
    order = np.flatnonzero(good)
    whole = np.round(centres[keep][order]).astype(int)
    order = order[np.argsort(-around[whole[:, 1], whole[:, 0]].astype(int), kind="stable")][:MAX_BLOBS]
    shapes = np.einsum("nij,nj,nkj->nik", vectors[order], sides[order] ** 2, vectors[order])
    return Blobs(centres[keep][order], shapes)


def grown_lattices(blobs: Blobs) -> Iterator[Lattice]:
    """Yield grids grown from neighbours of like size."""
    centres = blobs.centres
    if len(centres) < MIN_NODES:
        return
    step = centres[None] - centres[:, None]
    inverse = np.linalg.inv(blobs.shapes)
    # Distance in sides of the like square, seen from either end.
    x, y = step[..., 0], step[..., 1]
    inv = inverse[:, None]
    from_here = inv[..., 0, 0] * x * x + 2 * inv[..., 0, 1] * x * y + inv[..., 1, 1] * y * y
    from_there = from_here_of(inverse, x, y)
    area = np.sqrt(np.linalg.det(blobs.shapes))
    ratio = area[:, None] / area[None]
    near = (from_here > 0.7) & (from_here < 6.5) & (from_there > 0.7) & (from_there < 6.5)
    near &= (ratio > 0.4) & (ratio < 2.5)
    degree = near.sum(1)
    if (degree >= 2).sum() < MIN_NODES:
        return
    seeds = [int(i) for i in np.flatnonzero(degree >= 3)]
    used = np.zeros(len(centres), bool)
    tries = 0
    for seed in seeds:
        if used[seed]:
            continue
        beside = np.flatnonzero(near[seed])
        beside = beside[np.argsort(from_here[seed, beside])][:12]
        alike = np.flatnonzero((ratio[seed] > 0.2) & (ratio[seed] < 5) & (from_here[seed] < 200))
        for basis in _bases(step[seed, beside], inverse[seed]):
            tries += 1
            grown = _grow(centres, seed, basis, alike)
            if len(grown) < MIN_NODES:
                continue
            lattice = _fit(centres, grown)
            if lattice is None:
                continue
            used[list(grown)] = True
            yield lattice
            break
        if tries > MAX_TRIES:
            return


def from_here_of(inverse: Array, x: Array, y: Array) -> Array:
    """Return squared steps [sides] measured by the blob at the far end."""
    inv = inverse[None]
    out: Array = inv[..., 0, 0] * x * x + 2 * inv[..., 0, 1] * x * y + inv[..., 1, 1] * y * y
    return out


def _bases(steps: Array, inverse: Array) -> list[Array]:
    """Return right-handed pairs of steps that could span the grid, the best borne out by other neighbours first.

    In the patch's own measure the two are square to each other, and of like length but for what blur takes off the
    patch's short side.
    """
    first, second = np.triu_indices(len(steps), 1)
    a, b = steps[first], steps[second]
    aa = np.einsum("ni,ij,nj->n", a, inverse, a)
    bb = np.einsum("ni,ij,nj->n", b, inverse, b)
    ab = np.einsum("ni,ij,nj->n", a, inverse, b)
    cross = a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]
    good = (np.abs(ab) < 0.5 * np.sqrt(aa * bb)) & (np.maximum(aa, bb) < 3.5 * np.minimum(aa, bb))
    good &= np.abs(cross) > 1e-6
    a, b, cross, size = a[good], b[good], cross[good], (aa + bb)[good]
    if not len(a):
        return []
    swap = cross < 0
    pairs = np.stack([np.where(swap[:, None], b, a), np.where(swap[:, None], a, b)], axis=1)
    # Every neighbour in the coordinates of every pair: near whole numbers if the pair spans the grid.
    places = np.einsum("kj,pji->pki", steps, np.linalg.inv(pairs))
    whole = np.round(places)
    near = (np.abs(places - whole).max(2) < 0.22) & (np.abs(whole).max(2) <= 1) & (np.abs(whole).max(2) > 0)
    borne = near.sum(1)
    order = np.lexsort((size, -borne))
    return [pairs[i] for i in order[:3] if borne[i] >= 3]


def _grow(centres: Array, seed: int, basis: Array, alike: Array) -> dict[int, tuple[int, int]]:
    """Return blob -> (column, row), grown step by step among `alike` so that perspective may change the step."""
    near = centres[alike]
    place = {seed: (0, 0)}
    taken = {(0, 0): seed}
    local = {seed: basis}
    queue = [seed]
    while queue and len(place) < 80:
        here = queue.pop(0)
        (ax, ay), (bx, by) = mine = local[here]
        scale = ax * by - ay * bx
        if abs(scale) < 1e-6:
            continue
        # Measured in the local grid's own axes: a tilted grid's steps differ greatly in length.
        off_x, off_y = near[:, 0] - centres[here, 0], near[:, 1] - centres[here, 1]
        share_a, share_b = (off_x * by - off_y * bx) / scale, (ax * off_y - ay * off_x) / scale
        column, row = place[here]
        for to_a, to_b in ((1, 0), (-1, 0), (0, 1), (0, -1)):
            target = (column + to_a, row + to_b)
            if target in taken or abs(target[0]) > 8 or abs(target[1]) > 8:
                continue
            miss = np.maximum(np.abs(share_a - to_a), np.abs(share_b - to_b))
            nearest = int(np.argmin(miss))
            best = int(alike[nearest])
            if miss[nearest] > 0.27 or best in place:
                continue
            place[best], taken[target] = target, best
            moved = mine.copy()
            axis, sign = (0, to_a) if to_a else (1, to_b)
            moved[axis] = 0.5 * moved[axis] + 0.5 * sign * (centres[best] - centres[here])
            local[best] = moved
            queue.append(best)
    return place


def _fit(centres: Array, grown: dict[int, tuple[int, int]]) -> Lattice | None:
    """Fit a homography to the grown grid; take in the blobs that it predicts, and fit again."""
    blob = np.array(list(grown))
    nodes = np.array([grown[i] for i in blob], float)
    if np.ptp(nodes[:, 0]) < 1 or np.ptp(nodes[:, 1]) < 1:
        return None
    pixels = centres[blob]
    grown_nodes, grown_pixels = nodes, pixels
    homography: Array = np.eye(3)
    for _ in range(2):
        spread = np.sqrt(abs(np.linalg.det(np.cov((pixels - pixels.mean(0)).T)))) + 1e-9
        tolerance = 0.2 * np.sqrt(spread / (np.sqrt(abs(np.linalg.det(np.cov(nodes.T)))) + 1e-9))
        found, inlier = cv2.findHomography(nodes, pixels, cv2.RANSAC, max(0.7, float(tolerance)))
        if found is None or inlier.sum() < MIN_NODES:
            return None
        homography = np.asarray(found)
        keep = inlier.ravel().astype(bool)
        low, high = nodes[keep].min(0), nodes[keep].max(0)
        back = project(np.linalg.inv(homography), centres, seen=pixels.mean(0))
        back = np.nan_to_num(back, nan=1e6)
        whole = np.round(back)
        near = (np.abs(back - whole).max(1) < 0.2) & (whole >= low - 2).all(1) & (whole <= high + 2).all(1)
        if near.sum() < MIN_NODES:
            return None
        nodes, pixels = whole[near], centres[near]
    middle = nodes.mean(0)
    axes = jacobian(homography, middle)
    pitch = float(np.sqrt(abs(np.linalg.det(axes))))
    if np.linalg.det(axes) <= 0 or not np.isfinite(pitch):
        return None
    # Those grown step by step are kept even where the one homography does not bear them out: it may be bent by
    # something beyond the grid, and `within` can then tell.
    nodes, first = np.unique(np.concatenate([nodes, grown_nodes]).astype(int), axis=0, return_index=True)
    return Lattice(homography, nodes, np.concatenate([pixels, grown_pixels])[first], pitch)


def within(lattice: Lattice, to_lattice: Array, rows: int, columns: int) -> Array:
    """Return the homography fitted anew to those patches seen that belong to a grid of `rows` by `columns`.

    What lies around a grid may seem to continue it and bend the fit. `to_lattice` maps the grid's (column, row) to the
    lattice's; the result maps the grid's to pixels.
    """
    place = project(np.linalg.inv(to_lattice), lattice.nodes.astype(float))
    inside = (place > -0.5).all(1) & (place[:, 0] < columns - 0.5) & (place[:, 1] < rows - 0.5)
    whole: Array = lattice.homography @ to_lattice
    if inside.sum() < MIN_NODES:
        return whole
    found, kept = cv2.findHomography(
        place[inside], lattice.nodes_px[inside], cv2.RANSAC, max(1.0, 0.08 * lattice.pitch_px)
    )
    if found is None or kept.sum() < MIN_NODES:
        return whole
    return np.asarray(found)


def project(homography: Array, points: Array, *, seen: Array | None = None) -> Array:
    """Return `points`, shape (N, 2), carried by a homography; NaN where they lie beyond its horizon.

    `seen` is a point known to lie on the near side, by default the origin.
    """
    lifted = points @ homography[:, :2].T + homography[:, 2]
    near = homography[2, 2] if seen is None else homography[2, :2] @ seen + homography[2, 2]
    depth = np.where(lifted[:, 2] * np.sign(near) > 1e-9, lifted[:, 2], np.nan)
    out: Array = lifted[:, :2] / depth[:, None]
    return out


def jacobian(homography: Array, point: Array) -> Array:
    """Return the 2 x 2 matrix of pixels per grid unit at `point`."""
    lifted = homography[:, :2] @ point + homography[:, 2]
    image = lifted[:2] / lifted[2]
    out: Array = (homography[:2, :2] - image[:, None] * homography[2, :2][None]) / lifted[2]
    return out
