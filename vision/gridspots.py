"""Find grids of patches so blurred that nothing flat is left of them: each is a spot of its colour.

In: an encoded picture. Out: `Lattice`s as from `grid.find_lattices`, grown between the spots' middles.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from vision.grid import Blobs, Lattice, grown_lattices

Array = npt.NDArray[Any]

SPOT_SIGMAS_PX = (1.4, 2.0, 2.8)
"""Spots looked for, as the standard deviation of the inner of two blurs [px]: patches of a pitch of 5 to 16. Ours."""

OUTER_SHARE, SIDE_SHARE = 1.6, 2.6
"""The outer blur, as commonly taken in differences of Gaussians (common practice, no source), and a spot's side,
both in inner blurs."""

LEAST_SPOT = 2.0
"""Least height of a spot above its surroundings [8-bit CIELAB units]: above JPEG's noise. Ours."""

MOST_SPOTS = 300
"""Most spots kept, the strongest: the search for neighbours costs their square."""


def spot_lattices(encoded_rgb: Array) -> Iterator[Lattice]:
    """Yield the grids of spots in a picture, small ones first.

    Parameters
    ----------
    encoded_rgb : ndarray of uint8, shape (H, W, 3)
    """
    lab = cv2.cvtColor(encoded_rgb, cv2.COLOR_RGB2LAB).astype(np.float32)
    for sigma in SPOT_SIGMAS_PX:
        centres = _spots(lab, sigma)
        shape = np.eye(2) * (SIDE_SHARE * sigma) ** 2
        yield from grown_lattices(Blobs(centres, np.repeat(shape[None], len(centres), axis=0)))


def _spots(lab: Array, sigma: float) -> Array:
    """Return the middles of what stands out from its surroundings in any channel, strongest first, shape (N, 2)."""
    apart = cv2.GaussianBlur(lab, (0, 0), sigma) - cv2.GaussianBlur(lab, (0, 0), OUTER_SHARE * sigma)
    here, strength = [], []
    for plane in cv2.split(apart):
        for level in (plane, -plane):
            tops = np.flatnonzero((level == cv2.dilate(level, np.ones((3, 3), np.uint8))) & (level > LEAST_SPOT))
            rows, columns = np.divmod(tops, level.shape[1])
            here.append(
                np.column_stack([columns + _peak(level, rows, columns, 1), rows + _peak(level, rows, columns, 0)])
            )
            strength.append(level[rows, columns])
    order = np.argsort(-np.concatenate(strength), kind="stable")[: 2 * MOST_SPOTS]
    centres = np.concatenate(here)[order].astype(np.float64)
    taken: set[tuple[int, int]] = set()
    kept = []
    for index, (column, row) in enumerate((centres // sigma).astype(int)):
        # One patch stands out in several channels: its strongest speaks for it.
        around = {(column + i, row + j) for i in (-1, 0, 1) for j in (-1, 0, 1)}
        if not around & taken:
            taken.add((int(column), int(row)))
            kept.append(index)
    return np.asarray(centres[kept[:MOST_SPOTS]], dtype=np.float64)


def _peak(level: Array, rows: Array, columns: Array, axis: int) -> Array:
    """Return how far a spot's top lies from its highest pixel along an axis [px], by the parabola through three."""
    size = level.shape[axis]
    # At the picture's edge the other end stands for what lies beyond: no grid of patches ends there.
    ahead, behind = (
        level[(rows + step) % size, columns] if axis == 0 else level[rows, (columns + step) % size] for step in (1, -1)
    )
    bend = ahead - 2 * level[rows, columns] + behind
    return np.asarray(np.clip(0.5 * (behind - ahead) / np.minimum(bend, -1e-6), -0.5, 0.5))
