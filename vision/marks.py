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

DARK_LEVEL, CLEAR_SIDE_PX, MOST_SPOTS = 128, 9, 120
"""What of an even picture counts as a mark's black; the shortest side of a mark that is read by its outline [px]; most
spots looked at: the project's own, for time."""

SPOTS_AT_ONCE = 16
"""Spots whose cells are read together, the largest first, until all of the card's marks are found: the project's own,
for time."""

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
    white = cv2.resize(np.maximum(white, LEAST_WHITE), (width, height))
    ratio = cv2.divide(grey, white, dst=white, scale=255)
    return np.asarray(cv2.LUT(ratio, _power_table(power)), dtype=np.uint8)


@cache
def _power_table(power: float) -> NDArray[np.uint8]:
    return np.asarray(np.round(255 * (np.arange(256) / 255) ** power), dtype=np.uint8)


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


@cache
def _patterns() -> tuple[Array, NDArray[Any]]:
    """Return the marks' cells as seen from each side, frame included, shape (M, 6, 6), and (id, turn) of each."""
    design = load_card()
    whole = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, design.markers[0].dictionary))
    cells, names = [], []
    for marker in design.markers:
        side = whole.markerSize + 2
        bits = cv2.aruco.generateImageMarker(whole, marker.id, side, borderBits=1) > 0
        for turn in range(4):
            cells.append(np.rot90(bits, -turn))
            names.append((marker.id, turn))
    return np.array(cells), np.array(names)


def clear_marks(even: NDArray[np.uint8]) -> dict[int, Array]:
    """Return the card's marks that stand clear: dark four-sided spots whose cells are a mark's, id -> corners.

    A fraction of the time of `find_markers`, which finds more: marks of a few pixels, blurred, touched by a shadow.

    Parameters
    ----------
    even : ndarray of uint8, shape (H, W)
        From `even_light`.

    Returns
    -------
    dict
        As from `find_markers`; empty where a mark is seen twice (two cards).
    """
    dark = np.asarray(cv2.threshold(even, DARK_LEVEL - 1, 255, cv2.THRESH_BINARY_INV)[1], dtype=np.uint8)
    # Spots are told apart in every other pixel: a quarter of the time, however many a texture has.
    _, _, stats, _ = cv2.connectedComponentsWithStats(np.ascontiguousarray(dark[::2, ::2]), connectivity=8)
    width, height, area = (stats[:, column] for column in (cv2.CC_STAT_WIDTH, cv2.CC_STAT_HEIGHT, cv2.CC_STAT_AREA))
    shorter, longer = np.minimum(width, height), np.maximum(width, height)
    good = (2 * shorter >= CLEAR_SIDE_PX) & (longer < max(even.shape) / 8) & (longer < 4 * shorter)
    good &= area > 0.2 * width * height
    good[0] = False
    spots = stats[good]
    spots = spots[np.argsort(-spots[:, cv2.CC_STAT_AREA], kind="stable")][:MOST_SPOTS]
    quads: list[Array] = []
    found: dict[int, Array] = {}
    for index, (left, top, wide, high, _) in enumerate(spots.tolist(), 1):
        x, y = max(2 * left - 3, 0), max(2 * top - 3, 0)
        quad = _outline(dark[y : 2 * (top + high) + 3, x : 2 * (left + wide) + 3])
        if quad is not None:
            quads.append(quad + np.array([x, y]))
        if quads and (index % SPOTS_AT_ONCE == 0 or index == len(spots)):
            found = _read_cells(even, np.array(quads))
            if len(found) == len(load_card().markers):
                # All of a card's marks are of a size: what is smaller than the last of them is another thing.
                break
    return found


def _outline(spot: NDArray[np.uint8]) -> Array | None:
    """Return the corners of the largest spot where it is four-sided, clockwise, half a pixel outside its pixels."""
    contours, _ = cv2.findContours(spot, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    if not contours:
        return None
    largest = max(contours, key=cv2.contourArea)
    hull = cv2.convexHull(largest)
    whole = cv2.contourArea(hull)
    around = cv2.arcLength(hull, True)
    corners = cv2.approxPolyDP(hull, 0.05 * around, True)
    if len(corners) != 4 or cv2.contourArea(largest) < 0.8 * whole or cv2.contourArea(corners) < 0.8 * whole:
        return None
    quad = corners.reshape(4, 2).astype(np.float64)
    middle = quad.mean(axis=0)
    away = quad - middle
    if away[0, 0] * away[1, 1] - away[0, 1] * away[1, 0] < 0:
        quad, away = quad[::-1], away[::-1]
    return np.asarray(quad + 0.7 * away / np.linalg.norm(away, axis=1, keepdims=True), dtype=np.float64)


def _read_cells(even: NDArray[np.uint8], quads: Array) -> dict[int, Array]:
    """Return the marks among quadrilaterals, shape (N, 4, 2), by their cells."""
    patterns, names = _patterns()
    side = patterns.shape[1]
    middles = (np.arange(side)[:, None] + [0.3, 0.5, 0.7]).ravel() / side
    x, y = np.meshgrid(middles, middles)
    unit = np.stack([x, y], axis=-1).astype(np.float32).reshape(1, -1, 2)
    square = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], np.float32)
    at = np.concatenate(
        [cv2.perspectiveTransform(unit, cv2.getPerspectiveTransform(square, q.astype(np.float32))) for q in quads]
    )
    seen = cv2.remap(even, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    cells = seen.reshape(len(quads), side, 3, side, 3).mean(axis=(2, 4))
    low, high = cells.min(axis=(1, 2)), cells.max(axis=(1, 2))
    bits = cells > ((low + high) / 2)[:, None, None]
    wrong = (bits[:, None] != patterns).sum(axis=(2, 3))
    frame = np.ones((side, side), bool)
    frame[1:-1, 1:-1] = False
    best = wrong.argmin(axis=1)
    read = (wrong.min(axis=1) <= 1) & ~bits[:, frame].any(axis=1) & (high - low > MARK_CONTRAST)
    found: dict[int, Array] = {}
    for index in np.flatnonzero(read):
        name, turn = (int(v) for v in names[best[index]])
        if name in found:
            return {}
        found[name] = np.roll(quads[index], -turn, axis=0)
    return found


def find_markers(even: NDArray[np.uint8], *, enlarge: bool = False) -> dict[int, Array]:
    """Return the card's marks in a picture: id -> corners, shape (4, 2), clockwise from the mark's top left.

    Where a mark is seen twice (two cards), the larger is taken.

    Parameters
    ----------
    even : ndarray of uint8, shape (H, W)
        From `even_light`.
    enlarge : bool
        Look in a picture twice as large, for marks of a few pixels a cell.
    """
    return _marks(without_quiet(even), enlarge=enlarge)


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
