"""Lay a printed design exactly over its picture: refine a homography along the edges of printed rectangles.

In: a grey picture, rectangles of the design and a homography that is right to a few pixels. Out: a homography right to
a fraction of one, with what supports it. Used for the printed card's marks and patches.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[Any]

PER_EDGE = 7
"""Points tried along each edge of each rectangle, away from its corners."""


WIDTH_REACH = 0.4
"""How far to either side of an edge its width is measured [sides of a rectangle]."""

WIDTH_STEP = 3
"""Every third edge is measured for its width: the median of hundreds says what that of all would."""

FITTED_PX = 0.01
"""Move of any edge point by a step of the fit under which further steps change nothing [px]."""

SETTLED_PX = 0.05
"""Move of the farthest edge point under which a further round changes nothing [px]."""


@dataclass(frozen=True)
class Alignment:
    """A refined homography (design to picture), the root mean square of its edges [px], their share found.

    `edge_width_px` is the median width of the edges (10 to 90 % rise); a sharp one spans 1 to 2 pixels.
    """

    homography: Array
    rms_px: float
    share: float
    edge_width_px: float


def project(homography: Array, points: Array) -> Array:
    """Return points moved by a homography, shape (..., 2)."""
    flat = np.asarray(points, dtype=np.float64)
    out = flat @ homography[:, :2].T + homography[:, 2]
    return np.asarray(out[..., :2] / out[..., 2:], dtype=np.float64)


SIDES = np.array([[0, 0, 1, 0, 0, -1], [1, 0, 0, 1, 1, 0], [0, 1, 1, 0, 0, 1], [0, 0, 0, 1, -1, 0]], dtype=np.float64)
"""Each side of a rectangle: where it starts, which way it runs (shares of width, height), its outward normal."""


def _edge_points(rectangles: Array) -> tuple[Array, Array]:
    """Return points on the rectangles' edges and their outward normals (design units), shape (N, 2) each."""
    along = np.linspace(0.18, 0.82, PER_EDGE)
    share = SIDES[:, None, :2] + along[:, None] * SIDES[:, None, 2:4]
    points = rectangles[:, None, None, :2] + share * rectangles[:, None, None, 2:]
    normals = np.broadcast_to(SIDES[:, None, 4:], points.shape)
    return points.reshape(-1, 2), normals.reshape(-1, 2)


def align(
    grey: NDArray[np.uint8],
    homography: Array,
    rectangles: Array,
    *,
    search_px: float,
    rounds: int = 3,
) -> Alignment | None:
    """Refine a homography so that rectangles darker than their ground lie on their edges.

    Parameters
    ----------
    grey : ndarray of uint8, shape (H, W)
        The picture.
    homography : ndarray, shape (3, 3)
        From design units to picture pixels, right to within `search_px`.
    rectangles : ndarray, shape (N, 4)
        x, y, width, height of dark rectangles on a light ground [design units].
    search_px : float
        How far an edge may be off at first [px]; narrowed from round to round.
    rounds : int
        How often edges are looked for again.

    Returns
    -------
    Alignment or None
        None where fewer than a sixth of the edges are seen.
    """
    points, normals = _edge_points(rectangles)
    scale = np.abs(rectangles[:, 2:]).mean()
    h = np.array(homography, dtype=np.float64)
    h /= h[2, 2]
    unit = _unit(points)
    height, width = grey.shape
    last: tuple[Array, Array, Array, Array] | None = None
    for turn in range(rounds):
        reach = max(search_px / 2**turn, 2.0)
        here = project(h, points)
        ahead = project(h, points + normals * scale * 0.02)
        direction = ahead - here
        direction /= np.maximum(np.linalg.norm(direction, axis=1, keepdims=True), 1e-12)
        offsets = np.arange(-reach, reach + 0.51, 0.5)
        inside = ((here > reach + 0.5) & (here < np.array([width - 1, height - 1]) - reach - 0.5)).all(axis=1)
        rise = _rises(grey, here, direction, offsets)
        peak = rise.argmax(axis=1)
        strength = rise[np.arange(len(rise)), peak]
        # An edge: a rise outward that stands out of the profile's own wobble and is no end of the search.
        seen = inside & (strength > 4) & (peak > 1) & (peak < len(offsets) - 2)
        some = rise[seen]
        half = rise.shape[1] // 2
        middle = np.partition(some, half, axis=1)[:, half, None]
        seen[seen] = strength[seen] > 3 * np.partition(np.abs(some - middle), half, axis=1)[:, half]
        if seen.sum() < len(points) / 6:
            break
        here, direction = here[seen], direction[seen]
        window = np.clip(peak[seen], 2, len(offsets) - 3)[:, None] + np.arange(-2, 3)
        near = np.maximum(np.take_along_axis(rise[seen], window, axis=1), 0)
        place = (near * offsets[window]).sum(axis=1) / np.maximum(near.sum(axis=1), 1e-9)
        found = here + place[:, None] * direction
        fitted = _fit(h, unit[seen], found, direction)
        if fitted is None:
            break
        h, residual = fitted
        last = residual, seen, here, direction
        if np.abs(project(h, points[seen]) - here).max() < SETTLED_PX:
            break
    if last is None:
        return None
    residual, seen, here, direction = last
    rms = float(np.sqrt(np.mean(np.minimum(residual**2, 9.0))))
    return Alignment(
        h, rms, float(seen.mean()), _edge_width(grey, here[::WIDTH_STEP], direction[::WIDTH_STEP], h, scale)
    )


def _rises(grey: NDArray[np.uint8], here: Array, direction: Array, offsets: Array) -> Array:
    """Return how steeply the picture rises along each point's direction, smoothed, shape (N, offsets)."""
    at = here[:, None, :].astype(np.float32) + offsets[:, None].astype(np.float32) * direction[:, None, :].astype(
        np.float32
    )
    profile = cv2.remap(grey, at[..., 0], at[..., 1], cv2.INTER_LINEAR).astype(np.float32)
    rise = np.zeros_like(profile)
    # The mean of three differences over two steps each.
    rise[:, 2:-2] = profile[:, 4:] + profile[:, 3:-1] - profile[:, 1:-3] - profile[:, :-4]
    rise[:, 1] = profile[:, 3] + profile[:, 2] - profile[:, 1] - profile[:, 0]
    rise[:, -2] = profile[:, -1] + profile[:, -2] - profile[:, -3] - profile[:, -4]
    return rise / np.float32(3)


def _edge_width(grey: NDArray[np.uint8], points: Array, direction: Array, homography: Array, scale: float) -> float:
    """Return the median width of edges (10 to 90 % rise) [px], seen over most of a rectangle: blur makes them wide."""
    middle = project(np.linalg.inv(homography), points.mean(axis=0)[None])
    side_px = float(np.linalg.norm(np.diff(project(homography, middle + np.array([[0, 0], [scale, 0]])), axis=0)))
    reach = float(np.clip(WIDTH_REACH * side_px, 3.0, 40.0))
    offsets = np.linspace(-reach, reach, 33)
    at = (points[:, None, :] + offsets[:, None] * direction[:, None, :]).astype(np.float32)
    profile = cv2.remap(grey, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE).astype(float)
    slope = np.diff(profile, axis=1).max(axis=1) / (offsets[1] - offsets[0])
    step = profile.max(axis=1) - profile.min(axis=1)
    return float(np.median(0.8 * step / np.maximum(slope, 1e-9)))


def _unit(points: Array) -> Array:
    return np.column_stack([points, np.ones(len(points))])


def _fit(h: Array, unit: Array, found: Array, direction: Array) -> tuple[Array, Array] | None:
    """Fit the eight terms so that the edges meet their normals' crossings, with Tukey weights."""
    residual = np.zeros(len(unit))
    for _ in range(6):
        moved = unit @ h.T
        w = moved[:, 2:]
        place = moved[:, :2] / w
        residual = ((place - found) * direction).sum(axis=1)
        size = np.abs(residual)
        spread = 1.4826 * float(np.median(size)) + 0.05
        weight = (1 - np.minimum(size / (4.7 * spread), 1) ** 2) ** 2
        along = direction / w
        back = -(place * direction).sum(axis=1, keepdims=True) / w
        jacobian = np.column_stack([along[:, :1] * unit, along[:, 1:] * unit, back * unit[:, :2]])
        # Scale the columns: their units differ by the size of the design.
        unit_step = np.sqrt((weight[:, None] * jacobian**2).sum(axis=0)) + 1e-12
        scaled = jacobian / unit_step
        normal = scaled.T @ (weight[:, None] * scaled) + 1e-9 * np.eye(8)
        try:
            step = np.linalg.solve(normal, scaled.T @ (weight * residual)) / unit_step
        except np.linalg.LinAlgError:
            return None
        h = h - np.append(step, 0.0).reshape(3, 3)
        if not np.isfinite(h).all():
            return None
        # What a step moves anything by, to first order, over all points.
        if np.abs(jacobian @ step).max() < FITTED_PX:
            break
    return h, residual
