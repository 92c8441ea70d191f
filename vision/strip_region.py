"""Where a strip may lie in a photo: the card's slot, an elongated light thing beside the card, or a white ground.

In: a photo and its `StripLight`. Out: `Region`s, small pictures in CIELAB with the way back to the photo, and the
`Blob`s in them: spots whose colour is not the ground's, as pads are.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision import colour
from vision.photo import Photo, Picture
from vision.strip_light import StripLight

Array = NDArray[Any]

SLOT_PX_PER_MM = 8.0
"""Size at which the slot is looked into [px/mm]: the project's own."""
SLOT_RIM_MM = 1.3
"""Rim of the slot that is left out: its printed line [mm]."""
LOOSE_LONG_SIDE_PX = 1400
"""Long side at which a loose strip is looked for [px]: the project's own."""
STRIP_HEIGHT_PX = 48
"""Height to which a loose strip is rectified [px]: the project's own."""
LEAST_STRIP_SHARE = 0.12
"""Least length of a loose strip over the photo's long side: the project's own."""
LEAST_ASPECT = 4.0
"""Least length over width of a strip: the project's own."""
GROUND_STEP = 9.0
"""Colour difference from the ground from which something lies on it [CIELAB units]: the project's own."""
EDGE_STEP = 0.55
"""Change of colour a pixel from which there is an edge [CIELAB units]: the project's own."""
SPLIT_STEPS = (1.6, 2.5, 4.0, 6.0)
"""Multiples of `PAD_STEP` at which a long spot is tried for its parts: the project's own."""
PAD_STEP = 5.0
"""Colour difference from the plastic from which something is a pad, lightness counted for 0.6 [CIELAB units]."""
CARD_RIM = 1.04
"""The card's outline, larger by this, is not searched: the project's own."""


@dataclass(frozen=True)
class Region:
    """A part of the photo in CIELAB.

    `lab`, shape (H, W, 3); `to_photo`, shape (3, 3), maps its pixels to the photo's. `px_per_mm` is None where no
    scale is known. `level` says that a strip in it lies along x. `plastic_lab` is its ground's colour. `inside`, shape
    (H, W), is false where it is not to be looked at.
    """

    name: str
    lab: Array
    to_photo: Array
    px_per_mm: float | None
    level: bool
    plastic_lab: Array
    inside: Array


@dataclass(frozen=True)
class Blob:
    """A spot: middle, sides (along its own axes) and turn [px, degrees], its colour, its area over its rectangle's,
    its area and its upright box [px]."""

    at: complex
    sides_px: tuple[float, float]
    turn_deg: float
    lab: Array
    fill: float
    area_px: float = 0.0
    box: tuple[int, int, int, int] = (0, 0, 0, 0)

    @property
    def size_px(self) -> float:
        """Return the geometric mean of its sides [px]."""
        return float(np.sqrt(self.sides_px[0] * self.sides_px[1]))


def regions(photo: Photo, light: StripLight) -> Iterator[Region]:
    """Give the regions in which a strip may lie, likeliest first.

    Parameters
    ----------
    photo : Photo
        The photo.
    light : StripLight
        From `strip_light`.
    """
    if light.card is not None and light.card.design.strip_slot_mm is not None:
        yield slot_region(photo, light)
    yield from loose_regions(photo, light)


def slot_region(photo: Photo, light: StripLight) -> Region:
    """Return the card's slot, rectified."""
    assert light.card is not None
    assert light.card.design.strip_slot_mm is not None
    x, y, w, h = light.card.design.strip_slot_mm
    k = SLOT_PX_PER_MM
    left, top = x + SLOT_RIM_MM, y + SLOT_RIM_MM
    size = (round((w - 2 * SLOT_RIM_MM) * k), round((h - 2 * SLOT_RIM_MM) * k))
    to_mm = np.array([[1 / k, 0, left + 0.5 / k], [0, 1 / k, top + 0.5 / k], [0, 0, 1]])
    to_photo = light.card.homography @ to_mm
    lab = _rectified(photo, light, to_photo, size)
    inside = np.ones(lab.shape[:2], dtype=bool)
    return Region("slot", lab, to_photo, k, True, np.median(lab.reshape(-1, 3), axis=0), inside)


def loose_picture(photo: Photo, light: StripLight) -> Region:
    """Return the whole photo outside the card, as the region "ground"."""
    picture = photo.read(LOOSE_LONG_SIDE_PX)
    step = max(1, round(max(picture.rgb.shape[:2]) / LOOSE_LONG_SIDE_PX))
    small = _shrunk(picture, step)
    height, width = small.rgb.shape[:2]
    y, x = np.mgrid[0:height, 0:width].astype(np.float64)
    at_px = small.to_photo(np.stack([x, y], axis=-1))
    lab = light.picture_lab(small.rgb, at_px)
    inside = np.ones((height, width), dtype=bool)
    if light.card is not None:
        middle = light.card.corners_px.mean(axis=0)
        wide = middle + (light.card.corners_px - middle) * CARD_RIM
        mask = np.ones((height, width), np.uint8)
        cv2.fillConvexPoly(mask, np.round(small.from_photo(wide)).astype(np.int32), 0)
        inside = mask > 0
    r, shift = small.reduction, (small.reduction - 1) / 2
    to_photo = np.array([[r, 0, shift], [0, r, shift], [0, 0, 1.0]])
    ground = np.median(lab[inside][::7], axis=0) if inside.any() else np.array([100.0, 0, 0])
    return Region("ground", lab, to_photo, None, False, ground, inside)


def loose_regions(photo: Photo, light: StripLight) -> Iterator[Region]:
    """Give the whole of a white ground, and each elongated thing outside the card, longest first."""
    whole = loose_picture(photo, light)
    if whole.inside.mean() < 0.02:
        return
    if light.kind == "white_ground":
        yield whole
    for corners in _elongated(whole.lab, whole.plastic_lab, whole.inside):
        yield _strip_region(photo, light, corners, whole.to_photo)


def _shrunk(picture: Picture, step: int) -> Picture:
    if step == 1:
        return picture
    h, w = picture.rgb.shape[0] // step * step, picture.rgb.shape[1] // step * step
    rgb = cv2.resize(picture.rgb[:h, :w], (w // step, h // step), interpolation=cv2.INTER_AREA)
    return Picture(np.asarray(rgb, dtype=np.uint8), picture.reduction * step)


def _elongated(lab: Array, ground: Array, inside: Array) -> list[Array]:
    """Return the corners of elongated things, shape (4, 2) each, the first side a long one; longest first.

    Things lighter than the ground are looked for by themselves: a strip may touch a chart's dark frame.
    """
    smooth = cv2.GaussianBlur(lab, (0, 0), 1.2)
    far = (np.linalg.norm(smooth - ground, axis=2) > GROUND_STEP) & inside
    found: list[tuple[float, Array]] = []
    for mask in (far & (smooth[..., 0] > ground[0] + 0.5 * GROUND_STEP), far):
        whole = cv2.morphologyEx(mask.astype(np.uint8), cv2.MORPH_CLOSE, np.ones((5, 5), np.uint8))
        outlines, _ = cv2.findContours(whole, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
        for outline in outlines:
            rectangle = cv2.minAreaRect(outline)
            longer, shorter = max(rectangle[1]), min(rectangle[1])
            if longer < LEAST_STRIP_SHARE * max(lab.shape[:2]) or longer < LEAST_ASPECT * shorter or shorter < 4:
                continue
            if cv2.contourArea(outline) < 0.7 * longer * shorter:
                continue
            box = cv2.boxPoints(rectangle)
            first, second = np.linalg.norm(box[1] - box[0]), np.linalg.norm(box[2] - box[1])
            if not any(np.linalg.norm(box.mean(axis=0) - each.mean(axis=0)) < shorter for _, each in found):
                found.append((float(longer), box if first >= second else np.roll(box, -1, axis=0)))
    return [box for _, box in sorted(found, key=lambda each: -each[0])[:4]]


def _strip_region(photo: Photo, light: StripLight, corners: Array, to_photo: Array) -> Region:
    """Return an elongated thing rectified, without its rim."""
    long_px, short_px = np.linalg.norm(corners[1] - corners[0]), np.linalg.norm(corners[2] - corners[1])
    height = STRIP_HEIGHT_PX
    size = (round(height * float(long_px / short_px)), height)
    target = np.array([[0, 0], [size[0], 0], [size[0], size[1]], [0, size[1]]], np.float32) - 0.5
    own = cv2.getPerspectiveTransform(target, corners.astype(np.float32))
    whole = np.asarray(to_photo @ own)
    lab = _rectified(photo, light, whole, size)
    inside = np.zeros(lab.shape[:2], dtype=bool)
    rim = max(2, round(0.06 * height))
    inside[rim:-rim, rim:-rim] = True
    # Plastic is the lighter and greyer half of a strip.
    flat = lab[inside]
    whiteness = flat[:, 0] - np.hypot(flat[:, 1], flat[:, 2])
    plastic = np.median(flat[whiteness >= np.quantile(whiteness, 0.5)], axis=0)
    return Region("loose", lab, whole, None, True, plastic, inside)


def _rectified(photo: Photo, light: StripLight, to_photo: Array, size: tuple[int, int]) -> Array:
    """Return a part of the photo flattened, in CIELAB, shape (H, W, 3)."""
    x, y = np.meshgrid(np.arange(size[0]), np.arange(size[1]))
    points = np.stack([x, y], axis=-1).reshape(-1, 1, 2).astype(np.float64)
    at_px = cv2.perspectiveTransform(points, to_photo).reshape(size[1], size[0], 2)
    spans = max(float(np.linalg.norm(at_px[0, -1] - at_px[0, 0])) / size[0], 0.25)
    picture = photo.read(int(max(photo.size_px) / max(spans, 1.0)))
    local = picture.from_photo(np.asarray(at_px, dtype=np.float64)).astype(np.float32)
    rgb = cv2.remap(picture.rgb, local[..., 0], local[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    # Exact, not cut at white: plastic may lie above it.
    return colour.linear_rgb_to_lab(light.linear(rgb / 255, at_px)).astype(np.float32)


def blobs(region: Region) -> list[Blob]:
    """Return the spots of a region, leftmost first."""
    smooth = cv2.GaussianBlur(region.lab, (0, 0), 1.5)
    off = (smooth - region.plastic_lab) * np.array([0.6, 1, 1], np.float32)
    far = np.linalg.norm(off, axis=2)
    noise = 1.4826 * float(np.median(np.abs(far[region.inside] - np.median(far[region.inside]))))
    mask = ((far > max(PAD_STEP, 2.5 * noise)) & region.inside).astype(np.uint8)
    mask = cv2.morphologyEx(mask, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    least = 12.0 if region.px_per_mm is None else 3 * region.px_per_mm**2
    most = (0.08 if region.name == "ground" else 0.5) * mask.size
    found = []
    for spot in _components(mask, smooth, least, 0.6 * mask.size):
        found += _split(spot, far, smooth, mask, least) or [spot]
    return sorted((each for each in found if each.area_px <= most), key=lambda each: each.at.real)


def _split(spot: Blob, far: Array, smooth: Array, mask: Array, least: float) -> list[Blob]:
    """Return the parts of a long spot, such as pads run together or on a tinted strip; none where it is one."""
    if max(spot.sides_px) < 1.7 * min(spot.sides_px):
        return []
    x0, y0, x1, y1 = spot.box
    part = far[y0:y1, x0:x1]
    for step in SPLIT_STEPS:
        own = np.zeros_like(mask)
        own[y0:y1, x0:x1] = (part > step * PAD_STEP) & (mask[y0:y1, x0:x1] > 0)
        pieces = [each for each in _components(own, smooth, least, spot.area_px) if each.fill > 0.6]
        if len(pieces) >= 2:
            return pieces
    return []


def _components(mask: Array, smooth: Array, least: float, most: float) -> list[Blob]:
    """Return the connected parts of a mask as spots."""
    count, labels, stats, _ = cv2.connectedComponentsWithStats(mask)
    found = []
    for number in range(1, count):
        x, y, w, h, area = (int(v) for v in stats[number])
        if not least <= area <= most:
            continue
        own = (labels[y : y + h, x : x + w] == number).astype(np.uint8)
        outline, _ = cv2.findContours(own, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
        (cx, cy), (long_px, short_px), turn = cv2.minAreaRect(np.vstack(outline))
        sides = (float(long_px) + 1, float(short_px) + 1)
        core = cv2.erode(own, np.ones((3, 3), np.uint8)) > 0
        colours = smooth[y : y + h, x : x + w][core if core.any() else own > 0]
        found.append(
            Blob(
                at=complex(cx + x, cy + y),
                sides_px=sides,
                turn_deg=float(turn),
                lab=np.median(colours, axis=0),
                fill=area / (sides[0] * sides[1]),
                area_px=float(area),
                box=(x, y, x + w, y + h),
            )
        )
    return found


def flat_patches(lab: Array, inside: Array, *, least: float, most: float) -> list[Blob]:
    """Return even patches with an edge all round, as swatches of a key are, on whatever ground.

    Parameters
    ----------
    lab : ndarray, shape (H, W, 3)
        A picture in CIELAB.
    inside : ndarray of bool, shape (H, W)
        Where to look.
    least, most : float
        Their area [px].
    """
    smooth = cv2.GaussianBlur(lab, (0, 0), 1.0)
    steep = np.zeros(lab.shape[:2], np.float32)
    for axis in ((1, 0), (0, 1)):
        steep += (cv2.Sobel(smooth, cv2.CV_32F, *axis, ksize=3, scale=0.125) ** 2).sum(axis=2)
    steep = np.sqrt(steep)
    noise = float(np.median(steep[inside]))
    flat = ((steep < max(EDGE_STEP, 3.0 * noise)) & inside).astype(np.uint8)
    return [each for each in _components(flat, smooth, least, most) if each.fill > 0.72]
