"""Find the sighting disc under water: where it is, how it is turned, how it is foreshortened.

In: a grey picture, bright or dim, and the printed design. Out: `DiscPose`, the affine map from the design's
millimetres to the picture, with how well the print agrees; or None. Contrast may be nearly gone: quadrants are looked
for by their fourfold symmetry relative to the local spread (not by edges), the ring then tells disc from pool.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.specs import DiscDesign, load_disc

Array = NDArray[Any]

WIDTHS_SHARE = (0.03, 0.34)
"""Least and greatest width of a disc looked for, of the picture's long side: the project's own."""
STEP = 1.25
"""Ratio between widths tried; half of it off, the quadrants still agree to nine tenths (our own trial)."""
SHAPES = (*((aspect, tilt) for aspect in (0.4, 0.53, 0.7) for tilt in (-0.45, 0.0, 0.45)), (0.92, 0.0))
"""Ellipses tried: short over long axis, a level disc looked at from 66 to 23 degrees off the vertical, and the long
axis' angle to the photo's width [rad]: to the left and right of a photo taken steeply down a disc lies aslant."""
SEARCH_PX = 14
"""Width of the disc in the shrunk pictures it is searched in [px]."""
LEAST_RESPONSE = 0.22
"""Least share of the local spread that the quadrants must explain to be looked at closer: the project's own."""
TRIED = 400
"""Places looked at closer, best first: the project's own, for time."""
ANGLES = 96
RADII_MM = (20.0, 32.0, 44.0, 56.0, 75.0, 82.0, 90.0)
"""Circles on which a place is compared with the print [mm]."""
FRAME, FRAME_MM = 72, 104.0
"""Side of the print's frame [px] and half of it [mm], in which places are laid over exactly."""
ROUND, MOST_SLANT = 0.8, 0.75
"""Height over width from which a disc counts as round, and the sine of the angle between its long axis and the photo's
width that it may have below that: 49 degrees, for discs aside of a photo taken steeply (the project's own)."""
MOST_TURN = 0.17
"""Turn [rad] by which a laid-over print may still agree better elsewhere: under a sector (0.26)."""
REFINED = 40
"""Places that are laid over exactly, best first."""
LEAST_AGREEMENT, LEAST_RING = 0.70, 0.60
"""Least correlation of the whole print, and of the ring by itself, for a place to count as the disc. In rendered pools
the best wrong place reached 0.68 and 0.59 (`python -m tests.bench_disc` prints them)."""


@dataclass(frozen=True)
class DiscPose:
    """Where the disc lies in a picture.

    Attributes
    ----------
    affine : ndarray, shape (2, 3)
        From millimetres on the print (origin its middle) to pixels of the picture.
    agreement, ring_agreement : float
        Correlation of the picture with the whole print, and with its ring alone [0-1].
    """

    affine: Array
    agreement: float
    ring_agreement: float

    @property
    def middle_px(self) -> tuple[float, float]:
        """Return the disc's middle in the picture."""
        return float(self.affine[0, 2]), float(self.affine[1, 2])

    @property
    def axes_mm(self) -> tuple[float, float]:
        """Return the pixels that a millimetre spans along the disc's long and short axis."""
        long, short = np.linalg.svd(self.affine[:, :2], compute_uv=False)
        return float(long), float(short)


def print_of(design: DiscDesign, x_mm: Array, y_mm: Array) -> tuple[Array, Array]:
    """Return the print at places from its middle: 1 white, 0 black; and whether quadrants or ring are there.

    Parameters
    ----------
    x_mm, y_mm : ndarray
        Places, y down as printed [mm].
    """
    r, angle = np.hypot(x_mm, y_mm), np.arctan2(y_mm, x_mm) % (2 * np.pi)
    bits = np.array([float(letter) for letter in design.ring_code])
    sector = np.minimum(angle / (2 * np.pi) * len(bits), len(bits) - 1).astype(int)
    quadrant = (angle % np.pi < np.pi / 2).astype(np.float64)
    in_ring = (r >= design.ring_mm[0]) & (r <= design.ring_mm[1])
    in_quadrants = (r >= design.hub_radius_mm) & (r <= design.quadrant_radius_mm)
    white = np.where(in_ring, bits[sector], np.where(r <= design.quadrant_radius_mm, quadrant, 1.0))
    white = np.where(r < design.hub_radius_mm, 0.0, white)
    return np.asarray(white), np.asarray(in_ring | in_quadrants)


def find_disc(
    grey: Array,
    *,
    hide: tuple[Array, ...] = (),
    within: Array | None = None,
    widths_px: tuple[float, float] | None = None,
) -> DiscPose | None:
    """Find the disc in a grey picture.

    Parameters
    ----------
    grey : ndarray of float32, shape (H, W)
        Lightness or luminance, any scale.
    hide : tuple of ndarray, shape (N, 2)
        Outlines [px] of what is not to be looked at, the card's.
    within : ndarray, shape (N, 2), optional
        Outline [px] of where to look, the water's.
    widths_px : (float, float), optional
        Least and greatest width of a disc to look for [px]; by default `WIDTHS_SHARE` of the long side.

    Returns
    -------
    DiscPose or None
        None where no place agrees with the print.
    """
    picture = _evened(np.asarray(grey, dtype=np.float32), hide)
    low, high = (share * max(grey.shape) for share in WIDTHS_SHARE)
    if widths_px is not None:
        low, high = max(low, widths_px[0]), min(high, widths_px[1])
    places = _candidates(picture, (low, high), within)
    if not len(places):
        return None
    agreement, turn, _ = _compare(picture, places)
    best: DiscPose | None = None
    for index in np.argsort(-agreement)[:REFINED]:
        pose = _laid_over(picture, _affine(places[index], turn[index]))
        if pose is not None and (best is None or pose.agreement > best.agreement):
            best = pose
    return best


def _evened(grey: Array, hide: tuple[Array, ...]) -> Array:
    """Return the picture as ratio to its wide surroundings, in logarithms, what is hidden filled with them."""
    log = np.log(np.maximum(grey, 1e-4))
    cover = np.ones_like(log)
    for outline in hide:
        middle = outline.mean(axis=0)
        cv2.fillPoly(cover, [np.round(middle + 1.12 * (outline - middle)).astype(np.int32)], 0.0)
    sigma = max(grey.shape) / 14
    small = tuple(max(1, v // 8) for v in grey.shape[::-1])
    top = cv2.GaussianBlur(cv2.resize(log * cover, small, interpolation=cv2.INTER_AREA), (0, 0), sigma / 8)
    low = cv2.GaussianBlur(cv2.resize(cover, small, interpolation=cv2.INTER_AREA), (0, 0), sigma / 8)
    wide = cv2.resize(top / np.maximum(low, 1e-3), grey.shape[::-1], interpolation=cv2.INTER_LINEAR)
    return np.asarray((log - wide) * cover, dtype=np.float32)


@cache
def _quadrant_filter() -> tuple[Array, Array, Array]:
    """Return the two filters of fourfold symmetry and the window they lie in; kernels of the searched size."""
    design = load_disc()
    half = SEARCH_PX // 2
    y, x = np.mgrid[-half : half + 1, -half : half + 1].astype(np.float64)
    r = np.hypot(x, y) / (SEARCH_PX / 2) * design.radius_mm
    angle = np.arctan2(y, x)
    window = ((r > design.hub_radius_mm) & (r < design.quadrant_radius_mm)).astype(np.float64)
    window /= window.sum()
    return (
        np.asarray(window * np.cos(2 * angle), dtype=np.float32),
        np.asarray(window * np.sin(2 * angle), dtype=np.float32),
        np.asarray(window, dtype=np.float32),
    )


def _candidates(picture: Array, widths_px: tuple[float, float], within: Array | None) -> Array:
    """Return places like quadrants, shape (N, 5): x, y, half width [px], short over long axis, tilt; best first."""
    cosine, sine, window = _quadrant_filter()
    open_to = np.full(picture.shape, 255, np.uint8)
    left, top, right, bottom = 0, 0, picture.shape[1], picture.shape[0]
    if within is not None:
        open_to[:] = 0
        hull = cv2.convexHull(np.round(within).astype(np.int32))
        cv2.fillPoly(open_to, [hull], 255)
        x, y, w, h = cv2.boundingRect(hull)
        margin = int(widths_px[0])
        left, top = max(x - margin, 0), max(y - margin, 0)
        right, bottom = min(x + w + margin, right), min(y + h + margin, bottom)
    picture, open_to = picture[top:bottom, left:right], open_to[top:bottom, left:right]
    width = widths_px[0]
    found = []
    while width <= widths_px[1] * STEP**0.5:
        factor = SEARCH_PX / width
        size = (round(picture.shape[1] * factor), round(picture.shape[0] * factor))
        if min(size) < SEARCH_PX:
            break
        small = cv2.resize(picture, size, interpolation=cv2.INTER_AREA)
        for aspect, tilt in SHAPES:
            warped, back = _made_round(small, aspect, tilt)
            warped = warped - cv2.GaussianBlur(warped, (0, 0), SEARCH_PX / 2)
            one, two, mean = (cv2.filter2D(warped, -1, kernel) for kernel in (cosine, sine, window))
            spread = np.sqrt(np.maximum(cv2.filter2D(warped * warped, -1, window) - mean * mean, 0) + 1e-5)
            # A perfect quadrant wave has amplitude 2/pi in its window's second harmonic, its spread being 1.
            response = np.hypot(one, two) / spread * (np.pi / 2)
            rows, cols = np.nonzero(
                (response >= cv2.dilate(response, np.ones((7, 7), np.uint8))) & (response > LEAST_RESPONSE)
            )
            x, y = (back @ np.stack([cols, rows, np.ones(len(rows))]) + 0.5) / factor - 0.5
            inside = (x > 0) & (y > 0) & (x < picture.shape[1] - 1) & (y < picture.shape[0] - 1)
            for row, col, at_x, at_y in zip(rows[inside], cols[inside], x[inside], y[inside], strict=True):
                if open_to[int(at_y + 0.5), int(at_x + 0.5)]:
                    found.append((float(response[row, col]), at_x + left, at_y + top, width / 2, aspect, tilt))
        width *= STEP
    found.sort(reverse=True)
    return np.array([each[1:] for each in found[:TRIED]]).reshape(-1, 5)


def _made_round(small: Array, aspect: float, tilt: float) -> tuple[Array, Array]:
    """Return a picture in which an ellipse of this shape is round, and the map from its pixels back, shape (2, 3)."""
    c, s = np.cos(tilt), np.sin(tilt)
    forward = np.array([[c, s], [-s / aspect, c / aspect]])
    height, width = small.shape
    corners = forward @ np.array([[0, width - 1, width - 1, 0], [0, 0, height - 1, height - 1]])
    low, high = corners.min(axis=1), corners.max(axis=1)
    whole = np.column_stack([forward, -low])
    size = tuple(np.ceil(high - low).astype(int) + 1)
    warped = cv2.warpAffine(small, whole, size, flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)
    inverse = np.linalg.inv(forward)
    return np.asarray(warped), np.column_stack([inverse, inverse @ low])


@cache
def _wanted() -> Array:
    """Return the print on the circles of `RADII_MM`, harmonics 0 and 1 taken out, shape (circles, angles)."""
    design = load_disc()
    angle = (np.arange(ANGLES) + 0.5) * 2 * np.pi / ANGLES
    radius = np.array(RADII_MM)[:, None]
    white, _ = print_of(design, radius * np.cos(angle), radius * np.sin(angle))
    return _without_slope(white)


def _without_slope(rings: Array) -> Array:
    """Return values on circles without their mean and slope: light that changes evenly over the disc."""
    spectrum = np.fft.rfft(rings, axis=-1)
    spectrum[..., :2] = 0
    return np.asarray(np.fft.irfft(spectrum, n=rings.shape[-1], axis=-1), dtype=np.float64)


def _compare(picture: Array, places: Array) -> tuple[Array, Array, Array]:
    """Return for each place the best correlation with the print, its turn, and the ring's correlation."""
    angle = (np.arange(ANGLES) + 0.5) * 2 * np.pi / ANGLES
    radius = np.array(RADII_MM)[:, None] / load_disc().radius_mm
    shapes = np.array([_affine(place, 0.0)[:, :2] for place in places]) * load_disc().radius_mm
    x, y = radius * np.cos(angle), radius * np.sin(angle)
    at = np.einsum("nij,jrk->nirk", shapes, np.stack([x, y])) + places[:, :2, None, None]
    at_x, at_y = at[:, 0], at[:, 1]
    soft = cv2.GaussianBlur(picture, (0, 0), max(0.8, float(np.median(places[:, 2])) / 25))
    seen = cv2.remap(
        soft,
        at_x.reshape(len(places), -1).astype(np.float32),
        at_y.reshape(len(places), -1).astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    ).reshape(len(places), len(RADII_MM), ANGLES)
    return _agreement(_without_slope(seen.astype(np.float64)))


def _agreement(seen: Array) -> tuple[Array, Array, Array]:
    """Compare values on circles, shape (N, circles, angles), with the print at every turn."""
    wanted = _wanted()
    weight = np.array(RADII_MM)[:, None]
    ring = np.array(RADII_MM) > load_disc().quadrant_radius_mm
    cross = np.fft.irfft(np.fft.rfft(seen * weight, axis=-1) * np.conj(np.fft.rfft(wanted, axis=-1)), n=ANGLES, axis=-1)
    norm = np.sqrt((weight * wanted**2).sum() * (weight * seen**2).sum(axis=(1, 2))) + 1e-9
    ring_norm = np.sqrt((weight * wanted**2)[ring].sum() * (weight * seen**2)[:, ring].sum(axis=(1, 2))) + 1e-9
    whole = cross.sum(axis=1) / norm[:, None]
    by_ring = cross[:, ring].sum(axis=1) / ring_norm[:, None]
    turn = whole.argmax(axis=1)
    rows = np.arange(len(seen))
    return whole[rows, turn], turn * 2 * np.pi / ANGLES, by_ring[rows, turn]


def _affine(place: Array, turn: float) -> Array:
    """Return the map from the print's millimetres to the picture for a place and a turn of the print."""
    x, y, half, aspect, tilt = place
    unit = half / load_disc().radius_mm
    c, s = np.cos(turn), np.sin(turn)
    squashed = np.diag([unit, unit * aspect]) @ np.array([[c, -s], [s, c]])
    tilted = np.array([[np.cos(tilt), -np.sin(tilt)], [np.sin(tilt), np.cos(tilt)]]) @ squashed
    return np.column_stack([tilted, [x, y]])


def _laid_over(picture: Array, affine: Array) -> DiscPose | None:
    """Lay the print over a place exactly by Gauss-Newton on the affine map; None where it runs off or disagrees.

    The picture in the print's frame is gain times the print moved a little, plus light that changes evenly: linear in
    the gain and in gain times the move. Places far off (the pole, a glint) count less.
    """
    found = affine
    for blur_mm in (7.0, 7.0, 4.5, 4.5, 3.0, 3.0, 3.0):
        x, y, columns, there = _print_and_slopes(blur_mm)
        at_x = found[0, 0] * x + found[0, 1] * y + found[0, 2]
        at_y = found[1, 0] * x + found[1, 1] * y + found[1, 2]
        in_x, in_y = at_x[there], at_y[there]
        if min(in_x.min(), in_y.min()) < 1 or in_x.max() > picture.shape[1] - 2 or in_y.max() > picture.shape[0] - 2:
            return None
        at = at_x.astype(np.float32), at_y.astype(np.float32)
        seen = cv2.remap(picture, *at, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        seen = cv2.GaussianBlur(seen, (0, 0), 0.7 * blur_mm * FRAME / 2 / FRAME_MM)[there].astype(np.float64)
        weight = np.ones_like(seen)
        for _ in range(3):
            weighted = columns * weight[:, None]
            terms = np.linalg.solve(weighted.T @ columns + 1e-9 * np.eye(columns.shape[1]), weighted.T @ seen)
            left = np.abs(seen - columns @ terms)
            weight = np.minimum(1, 1.5 * np.median(left) / np.maximum(left, 1e-9))
        if terms[0] <= 0:
            return None
        move = np.eye(3)
        move[0, :2] += terms[3:5] / terms[0]
        move[1, :2] += terms[5:7] / terms[0]
        move[:2, 2] = terms[1:3] / terms[0]
        if np.abs(move - np.eye(3))[:2, :2].max() > 0.35 or np.abs(move[:2, 2]).max() > 25:
            return None
        found = (np.vstack([found, [0, 0, 1]]) @ np.linalg.inv(move))[:2]
    was, now = (np.linalg.svd(each[:, :2], compute_uv=False) for each in (affine, found))
    # A fit that runs off or squashes the print is none.
    if not (0.65 < now[0] / was[0] < 1.5 and now[1] / now[0] > 0.25) or not _lies_level(found):
        return None
    return _judged(picture, found)


def _lies_level(affine: Array) -> bool:
    """Return whether a place is foreshortened as a level disc is in a photo held upright: up and down."""
    turned, sizes, _ = np.linalg.svd(affine[:, :2])
    return bool(sizes[1] / sizes[0] > ROUND or abs(turned[1, 0]) < MOST_SLANT)


@cache
def _print_and_slopes(blur_mm: float) -> tuple[Array, Array, Array, Array]:
    """Return the print's frame x, y [mm], the columns of the fit at the places that count, and which those are.

    Columns: the print; its slopes along x and y; those times x and y [mm]; 1, x, y.
    """
    design = load_disc()
    step = 2 * FRAME_MM / FRAME
    places = (np.arange(FRAME) + 0.5) * step - FRAME_MM
    x, y = np.meshgrid(places, places)
    white = cv2.GaussianBlur(print_of(design, x, y)[0], (0, 0), blur_mm / step)
    slope_y, slope_x = np.gradient(white, step)
    r = np.hypot(x, y)
    there = (r < design.ring_mm[1] - 1) & (r > design.hub_radius_mm + 2)
    parts = (
        white, slope_x, slope_y, slope_x * x, slope_x * y, slope_y * x, slope_y * y,
        np.ones_like(x), x / FRAME_MM, y / FRAME_MM,
    )  # fmt: skip
    return x, y, np.column_stack([part[there] for part in parts]), there


def _judged(picture: Array, affine: Array) -> DiscPose | None:
    """Return a fitted place as a pose, None where the picture does not agree with the print."""
    angle = (np.arange(ANGLES) + 0.5) * 2 * np.pi / ANGLES
    radius = np.array(RADII_MM)[:, None]
    at = np.stack([radius * np.cos(angle), radius * np.sin(angle)], axis=-1) @ affine[:, :2].T + affine[:, 2]
    if (at < 1).any() or (at > np.array(picture.shape[::-1]) - 2).any():
        return None
    x0, y0, x1, y1 = _box(affine, picture.shape, 1.3 * load_disc().radius_mm)
    soft = cv2.GaussianBlur(picture[y0:y1, x0:x1], (0, 0), max(0.8, float(np.linalg.norm(affine[:, 0])) * 3.5))
    seen = cv2.remap(soft, (at[..., 0] - x0).astype(np.float32), (at[..., 1] - y0).astype(np.float32), cv2.INTER_LINEAR)
    whole, turn, ring = (float(v[0]) for v in _agreement(_without_slope(seen.astype(np.float64))[None]))
    turned = min(turn, 2 * np.pi - turn) > MOST_TURN
    if whole < LEAST_AGREEMENT or ring < LEAST_RING or turned:
        return None
    return DiscPose(affine, whole, ring)


def _box(affine: Array, shape: tuple[int, ...], reach_mm: float) -> tuple[int, int, int, int]:
    """Return the part of the picture about a place: x0, y0, x1, y1."""
    reach = np.linalg.norm(affine[:, :2], axis=1) * reach_mm
    low = np.floor(affine[:, 2] - reach).astype(int)
    high = np.ceil(affine[:, 2] + reach).astype(int) + 1
    return max(low[0], 0), max(low[1], 0), min(high[0], shape[1]), min(high[1], shape[0])
