"""Find bright four-sided shapes that could be a printed card lying on something darker.

In: a picture made even in light. Out: quadrilaterals, largest first. Whether one is the card is told by its colours.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[Any]

LEVELS = (170, 120, 80)
"""Levels of the even picture at which shapes are cut out, of 255: from a dark ground to one half as bright."""

LEAST_SIDE_PX = 20.0
"""Shortest side of a shape looked at [px]: a card's patch is a fifteenth of its width."""

LEAST_FILL = 0.86
"""Least share of a shape's hull that its four corners must cover, and the reverse: the project's own."""

MOST_QUADS = 24
"""Most shapes returned: bounds the time spent on paving."""


def bright_quads(even: NDArray[np.uint8]) -> list[Array]:
    """Return bright quadrilaterals, each shape (4, 2), clockwise, in pixels, largest first.

    Parameters
    ----------
    even : ndarray of uint8, shape (H, W)
        The picture, even in light (`marks.even_light`).
    """
    found: list[tuple[float, Array]] = []
    for level in LEVELS:
        bright = cv2.threshold(even, level, 255, cv2.THRESH_BINARY)[1]
        contours, _ = cv2.findContours(bright, cv2.RETR_LIST, cv2.CHAIN_APPROX_SIMPLE)
        for contour in contours:
            if len(contour) < 4:
                continue
            quad = _quad(contour)
            if quad is None:
                continue
            area = float(cv2.contourArea(quad.astype(np.float32)))
            if not any(
                np.abs(quad.mean(axis=0) - other.mean(axis=0)).max() < 3 and 0.9 < area / size < 1.1
                for size, other in found
            ):
                found.append((area, quad))
    found.sort(key=lambda each: -each[0])
    return [quad for _, quad in found[:MOST_QUADS]]


def _quad(contour: Array) -> Array | None:
    """Return the four corners of a contour's hull, clockwise; None where it has others."""
    (_, _), (width, height), _ = cv2.minAreaRect(contour)
    if min(width, height) < LEAST_SIDE_PX:
        return None
    hull = cv2.convexHull(contour)
    around = cv2.arcLength(hull, True)
    corners = hull
    for share in (0.02, 0.04, 0.06, 0.08):
        corners = cv2.approxPolyDP(hull, share * around, True)
        if len(corners) <= 4:
            break
    if len(corners) != 4:
        return None
    quad = corners.reshape(4, 2).astype(np.float64)
    whole = float(cv2.contourArea(hull))
    if not LEAST_FILL < float(cv2.contourArea(corners)) / max(whole, 1.0) < 1 / LEAST_FILL:
        return None
    ahead, behind = np.roll(quad, -1, axis=0) - quad, np.roll(quad, 1, axis=0) - quad
    # Clockwise as a picture is seen: y runs downwards.
    if (ahead[:, 0] * behind[:, 1] - ahead[:, 1] * behind[:, 0]).mean() < 0:
        quad = quad[::-1]
    return quad
