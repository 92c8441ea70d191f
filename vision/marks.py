"""Find the printed card's marks in a picture, small, blurred, in uneven light.

In: a grey picture as photographed. Out: the marks' ids and corners. The picture is made even and linear in light
first, and what lies away from black beside white is not searched.
"""

from __future__ import annotations

from functools import cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.specs import load_card

Array = NDArray[Any]

MARK_POWERS = (2.2, 4.0, 9.0)
"""Powers under which marks are looked for, see `even_light`: the tone curve's own, then two for over-exposure, where
the clipped white has eaten into the marks and their edges lie just under white."""

MARK_CONTRAST, MARK_REACH_PX = 90, 9
"""A mark's black beside its white differ by at least this much of 255 in the even picture, within this reach, even
where a blur of half a cell has been. What is quieter is not searched: nine tenths of a picture, and of the time."""

JUMP, MOST_JUMPS = 128, 0.12
"""Share of neighbouring pixels that may differ by more than half of all levels: gravel stays under a twentieth."""

CARD_REACH_MARKS = 9.0
"""How far from a mark its card may reach [sides of the mark]: the card's diagonal is 8.2 of them, square on."""

LOCAL_WHITE_CELLS, LOCAL_WHITE_SHARE, LEAST_WHITE = 400, 24, 12
"""The local white is the lightest within a twenty-fourth of the picture, found at 400 px; under 12 of 255 it is night:
the project's own."""


@cache
def _detector() -> tuple[Any, tuple[int, ...]]:
    """Return a marker detector that knows the card's own marks only, and their ids in its order."""
    design = load_card()
    ids = tuple(marker.id for marker in design.markers)
    whole = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, design.markers[0].dictionary))
    # Four marks six bits apart: two wrong bits can be mended and still name one mark only.
    own = cv2.aruco.Dictionary(whole.bytesList[list(ids)], whole.markerSize, 2)
    return cv2.aruco.ArucoDetector(own, _parameters()), ids


def _parameters() -> Any:
    parameters = cv2.aruco.DetectorParameters()
    parameters.minMarkerPerimeterRate = 0.012
    parameters.adaptiveThreshWinSizeMin = 5
    parameters.adaptiveThreshWinSizeMax = 29
    parameters.adaptiveThreshWinSizeStep = 12
    parameters.minCornerDistanceRate = 0.02
    parameters.perspectiveRemovePixelPerCell = 4
    parameters.errorCorrectionRate = 1.0
    return parameters


def even_light(grey: NDArray[np.uint8], power: float) -> NDArray[np.uint8]:
    """Return a grey picture relative to the white about each place, raised to a power.

    Division by the local white takes shade and gradients out. The power undoes the tone curve: a blurred edge between
    black and white then has its middle where the printed edge is; on the encoded picture the white has bled over it,
    and small marks lose their frames. Over-exposed pictures want a power above the curve's own 2.2.

    Parameters
    ----------
    grey : ndarray of uint8, shape (H, W)
    power : float
        2.2 for a well exposed picture.
    """
    height, width = grey.shape
    step = max(1, max(height, width) // LOCAL_WHITE_CELLS)
    small = cv2.resize(grey, (max(1, width // step), max(1, height // step)), interpolation=cv2.INTER_AREA)
    reach = max(3, max(small.shape) // LOCAL_WHITE_SHARE | 1)
    white = cv2.blur(cv2.dilate(small, np.ones((reach, reach), np.uint8)), (reach, reach))
    white = np.maximum(cv2.resize(white, (width, height)), LEAST_WHITE)
    ratio = cv2.divide(grey, white, scale=255)
    table = np.round(255 * (np.arange(256) / 255) ** power).astype(np.uint8)
    return np.asarray(cv2.LUT(ratio, table), dtype=np.uint8)


def without_quiet(even: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Return an even picture with all places white that lie away from black beside white.

    Parameters
    ----------
    even : ndarray of uint8, shape (H, W)
        From `even_light`.
    """
    near = np.ones((MARK_REACH_PX, MARK_REACH_PX), np.uint8)
    contrast = cv2.subtract(cv2.dilate(even, near), cv2.erode(even, near))
    loud = cv2.dilate(cv2.threshold(contrast, MARK_CONTRAST, 255, cv2.THRESH_BINARY)[1], near)
    return np.asarray(cv2.bitwise_or(even, cv2.bitwise_not(loud)), dtype=np.uint8)


def find_markers(grey: NDArray[np.uint8], power: float = MARK_POWERS[0], *, enlarge: bool = False) -> dict[int, Array]:
    """Return the card's marks in a grey picture: id -> corners, shape (4, 2), clockwise from the mark's top left.

    Where a mark is seen twice (two cards), the larger is taken.

    Parameters
    ----------
    grey : ndarray of uint8, shape (H, W)
        The picture as photographed.
    power : float
        See `even_light`.
    enlarge : bool
        Look in a picture twice as large, for marks of a few pixels a cell.
    """
    return _marks(without_quiet(even_light(grey, power)), enlarge=enlarge)


def _marks(even: NDArray[np.uint8], *, enlarge: bool = False) -> dict[int, Array]:
    """Return the marks in an even picture, see `find_markers`."""
    jumps = cv2.absdiff(even[:, 1:], even[:, :-1]) > JUMP
    if jumps.mean() > MOST_JUMPS:
        # Noise or a dithered picture: the detector would follow every grain.
        return {}
    detector, ids = _detector()
    if enlarge:
        even = np.asarray(cv2.resize(even, None, fx=2, fy=2, interpolation=cv2.INTER_CUBIC), dtype=np.uint8)
    corners, indices, _ = detector.detectMarkers(even)
    found: dict[int, Array] = {}
    for quad, index in zip(corners, () if indices is None else np.ravel(indices), strict=False):
        points = np.asarray(quad, dtype=np.float64).reshape(4, 2)
        points = (points + 0.5) / 2 - 0.5 if enlarge else points
        name = ids[int(index)]
        if name not in found or perimeter(points) > perimeter(found[name]):
            found[name] = points
    return found


def marks_about(grey: NDArray[np.uint8], power: float, quad: Array) -> dict[int, Array]:
    """Return the marks of the card that a found mark belongs to, looked for twice enlarged."""
    reach = CARD_REACH_MARKS * perimeter(quad) / 4
    height, width = grey.shape
    left, top = (int(v) for v in np.maximum(quad.mean(axis=0) - reach, 0))
    right, bottom = (int(v) + 1 for v in np.minimum(quad.mean(axis=0) + reach, [width - 1, height - 1]))
    even = without_quiet(even_light(grey[top:bottom, left:right], power))
    return {name: points + np.array([left, top]) for name, points in _marks(even, enlarge=True).items()}


def perimeter(points: Array) -> float:
    """Return the length round a polygon, shape (N, 2)."""
    return float(np.linalg.norm(points - np.roll(points, 1, axis=0), axis=1).sum())
