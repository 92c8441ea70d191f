"""Render photos without any water: the card or chart lying on paper, wood, carpet, stone or cloth.

In: a seed. Out: a photo (uint8 sRGB). These teach the water finder what is none: even sheets, textured grounds, boxes
and shadows that a swimming-pool scene never shows. Plain colour arithmetic, no optics: nothing here is graded.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.specs import CardDesign, load_card, load_chart24

F32 = NDArray[np.float32]

GROUNDS = ("plain", "plain", "carpet", "wood", "tile", "stone", "cloth", "gravel")
"""Kinds of ground; even ones, most like still water, come twice."""
PER_UNIT = 6
"""Pixels of the flat card per unit of its design."""


def render_flatlay(seed: int, size_px: tuple[int, int] = (1600, 1200)) -> NDArray[np.uint8]:
    """Render one photo of a card on a dry ground.

    Parameters
    ----------
    seed : int
    size_px : (int, int)
        Width and height [px].

    Returns
    -------
    ndarray of uint8, shape (H, W, 3)
    """
    rng = np.random.default_rng([61, seed])
    width, height = size_px if rng.random() < 0.5 else size_px[::-1]
    picture = _ground(rng, width, height)
    for _ in range(int(rng.integers(0, 4))):
        lay_flat(picture, rng, _sheet(rng), rng.uniform(0.1, 0.4), rng.uniform(0, 1, 2))
    if rng.random() < 0.5:
        # A sheet of paper under the card.
        tone = rng.uniform(0.5, 0.9) * (1 + rng.normal(0, 0.03, 3))
        paper = np.ones((297, 210, 3), np.float32) * tone.astype(np.float32)
        share = rng.uniform(0.4, 0.9)
        lay_flat(picture, rng, paper, share, np.array([0.5, 0.5]) + rng.normal(0, 0.05, 2))
    card = load_chart24() if rng.random() < 0.4 else load_card()
    lay_flat(picture, rng, flat_card(card), rng.uniform(0.12, 0.5), rng.uniform(0.35, 0.65, 2), tilt=0.35)
    return photograph(picture, rng)


def noise_over(rng: np.random.Generator, width: int, height: int, cell: float) -> F32:
    """Return smooth noise of unit spread or so, shape (height, width), `cell` pixels coarse."""
    small = rng.normal(0, 1, (max(2, int(height / cell)), max(2, int(width / cell)))).astype(np.float32)
    return np.asarray(cv2.resize(small, (width, height), interpolation=cv2.INTER_CUBIC), dtype=np.float32)


def _ground(rng: np.random.Generator, width: int, height: int) -> F32:
    """Return a dry ground in linear light: warm, grey or dark, seldom coloured."""
    kind = str(rng.choice(GROUNDS))
    level = float(np.exp(rng.uniform(np.log(0.03), np.log(0.8))))
    # A third is grey or white: concrete, paper, a table.
    warm = rng.normal(0, 0.04) if rng.random() < 0.35 else rng.uniform(-0.1, 0.6)
    base = np.array([1 + 0.5 * warm, 1.0, 1 - 0.7 * warm]) * level
    if rng.random() < 0.15:
        base = level * rng.uniform(0.4, 1.4, 3)
    light = 1 + 0.06 * noise_over(rng, width, height, 300)
    y, x = np.mgrid[0:height, 0:width].astype(np.float32)
    if kind == "carpet":
        light = light * np.exp(rng.uniform(0.1, 0.4) * noise_over(rng, width, height, rng.uniform(2, 7)))
    elif kind == "gravel":
        light = light * np.exp(0.5 * noise_over(rng, width, height, rng.uniform(8, 25)))
    elif kind == "stone":
        light = light * np.exp(0.12 * noise_over(rng, width, height, 40) + 0.08 * noise_over(rng, width, height, 4))
    elif kind == "wood":
        turn = rng.uniform(0, np.pi)
        along, across = x * np.cos(turn) + y * np.sin(turn), y * np.cos(turn) - x * np.sin(turn)
        plank = rng.uniform(60, 300)
        grain = np.sin(across / rng.uniform(3, 12) + 2 * noise_over(rng, width, height, 120)) * 0.08
        seam = np.where(np.abs(across % plank) < rng.uniform(1.5, 5), 0.5, 1.0)
        light = light * np.exp(grain + 0.0001 * along) * seam
    elif kind == "tile":
        side, joint = rng.uniform(50, 260), rng.uniform(2, 8)
        light = light * np.where((x % side < joint) | (y % side < joint), rng.uniform(0.4, 1.5), 1.0)
    elif kind == "cloth":
        weave = rng.uniform(2.5, 6)
        light = light * (1 + 0.1 * np.sin(x / weave) * np.sin(y / weave))
    return np.asarray(light[..., None] * base, dtype=np.float32)


def _sheet(rng: np.random.Generator) -> F32:
    """Return a thing lying about: an even or printed oblong."""
    tone = np.exp(rng.uniform(np.log(0.02), np.log(0.85), 3)) if rng.random() < 0.4 else np.repeat(rng.uniform(0, 1), 3)
    sheet = np.ones((int(rng.integers(60, 300)), int(rng.integers(60, 300)), 3), np.float32) * tone.astype(np.float32)
    if rng.random() < 0.3:
        sheet *= (1 + 0.5 * np.sin(np.arange(sheet.shape[0]) / 2))[:, None, None].astype(np.float32)
    return sheet


def flat_card(card: CardDesign) -> F32:
    """Return the card flat in linear light; a chart on its dark ground."""
    unit = PER_UNIT if card.kind == "turnblue" else 4 * PER_UNIT
    margin = 0 if card.kind == "turnblue" else unit
    shape = (int(card.height_mm * unit) + 2 * margin, int(card.width_mm * unit) + 2 * margin, 3)
    flat = np.full(shape, 0.9 if card.kind == "turnblue" else 0.03, np.float32)
    for patch in card.patches:
        x, y, w, h = (round(v * unit) + margin for v in (*patch.rect_mm[:2], 0, 0))
        w, h = round(patch.rect_mm[2] * unit), round(patch.rect_mm[3] * unit)
        flat[y : y + h, x : x + w] = np.array(patch.reference_srgb, np.float32) ** 2.2
    for marker in card.markers:
        (x0, y0), (x1, y1) = (np.round(np.array(marker.corners_mm[k]) * unit).astype(int) for k in (0, 2))
        named = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, marker.dictionary))
        bits = cv2.aruco.generateImageMarker(named, marker.id, named.markerSize + 2, borderBits=1)
        dark = cv2.resize(bits, (x1 - x0, y1 - y0), interpolation=cv2.INTER_NEAREST)[..., None] / 255.0
        flat[y0:y1, x0:x1] = (0.04 + 0.86 * dark).astype(np.float32)
    return flat


def lay_flat(
    picture: F32, rng: np.random.Generator, thing: F32, share: float, middle: NDArray[np.float64], tilt: float = 0.25
) -> F32:
    """Lay a flat thing into the picture, in place, turned and foreshortened; return where it lies [0-1]."""
    height, width = picture.shape[:2]
    h, w = thing.shape[:2]
    turn = rng.uniform(0, 2 * np.pi)
    size = share * width / max(h, w)
    corners = (np.array([[0, 0], [w, 0], [w, h], [0, h]]) - [w / 2, h / 2]) * size
    corners = corners @ np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]]).T
    lean = rng.uniform(-tilt, tilt, 2) / width
    corners = corners / (1 + corners @ lean)[:, None] * [1, rng.uniform(1 - tilt, 1)]
    corners = corners + middle * [width, height]
    soft = cv2.GaussianBlur(thing, (0, 0), 0.45 / size) if size < 1 else thing
    source = np.array([[0, 0], [w, 0], [w, h], [0, h]], np.float32) - 0.5
    matrix = cv2.getPerspectiveTransform(source, corners.astype(np.float32))
    laid = cv2.warpPerspective(soft, matrix, (width, height), flags=cv2.INTER_LINEAR)
    mask = cv2.warpPerspective(np.ones((h, w), np.float32), matrix, (width, height))
    mask = cv2.GaussianBlur(mask, (0, 0), 0.7)[..., None]
    picture *= 1 - mask
    picture += laid * mask
    return np.asarray(mask[..., 0])


def photograph(picture: F32, rng: np.random.Generator, *, shaded: bool = True) -> NDArray[np.uint8]:
    """Light, expose and encode the picture; `shaded` lets a shadow's edge fall across some."""
    height, width = picture.shape[:2]
    y, x = np.mgrid[0:height, 0:width].astype(np.float32)
    fall = np.exp((x / width - 0.5) * rng.normal(0, 0.3) + (y / height - 0.5) * rng.normal(0, 0.3))
    if rng.random() < 0.3 and shaded:
        edge = x * np.cos(turn := rng.uniform(0, 6.3)) + y * np.sin(turn) - rng.uniform(-0.2, 0.8) * width
        # Bounded where single precision ends; so far off the edge the light is whole.
        fall = fall * (1 - 0.7 / (1 + np.exp(np.minimum(-edge / rng.uniform(1, 30), 80))))
    lit = picture * fall[..., None] * np.exp(rng.normal(0, 0.12, 3)) * np.exp(rng.normal(-0.1, 0.3))
    lit = cv2.GaussianBlur(lit.astype(np.float32), (0, 0), rng.uniform(0.5, 1.5))
    encoded = np.clip(lit, 0, 1) ** (1 / 2.2)
    encoded = encoded + rng.uniform(-0.06, 0.1) * np.sin(2 * np.pi * encoded)
    encoded = encoded + rng.normal(0, rng.uniform(0.002, 0.012), encoded.shape)
    return np.asarray(np.clip(np.round(encoded * 255), 0, 255), dtype=np.uint8)
