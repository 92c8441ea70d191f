"""Check pictures: what was found, drawn over the photo as a person saw it; no measuring here.

In: a photo and its `PhotoResult`. Out: a picture with the card's frame, the patches as they should be inside those
photographed, the water's outline and the sighting disc's rim.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from vision.align import project
from vision.photo import Photo, open_photo
from vision.results import CardResult, PhotoResult
from vision.specs import CardDesign, load_card, load_chart24

Array = NDArray[Any]

CHECK_PX = 1280
"""Long side of a check picture [px]: sharp on a phone's screen, light to send."""
CARD_COLOUR, WATER_COLOUR, DISC_COLOUR, CASING = (255, 176, 0), (0, 224, 255), (255, 255, 255), (0, 0, 0)
"""Amber, cyan and white differ for every kind of colour sight; black on both sides shows on light and dark ground."""


def draw_check(source: Path | Photo, result: PhotoResult) -> Image.Image:
    """Draw what was found in a photo.

    Parameters
    ----------
    source : Path or Photo
        The photo that `result` was measured on.
    result : PhotoResult
        Its result.

    Returns
    -------
    Image
        RGB, its long side `CHECK_PX` or the photo's own where that is smaller.

    Raises
    ------
    PhotoUnreadable
        If the file is no photo that can be read.
    """
    photo = source if isinstance(source, Photo) else open_photo(source)
    image = Image.fromarray(photo.read(CHECK_PX).rgb)
    image.thumbnail((CHECK_PX, CHECK_PX))
    scale = max(image.size) / max(photo.size_px)
    draw = ImageDraw.Draw(image)
    width = max(2, round(max(image.size) / 300))
    if result.water is not None:
        _line(draw, [(x * scale, y * scale) for x, y in result.water.region_px], WATER_COLOUR, width)
    if result.disc is not None and result.disc.rim_px:
        _line(draw, [(x * scale, y * scale) for x, y in result.disc.rim_px], DISC_COLOUR, width)
    for quad in result.strip.pads_px if result.strip is not None else ():
        _line(draw, [(x * scale, y * scale) for x, y in quad], WATER_COLOUR, max(1, width // 2))
    if result.card is not None:
        _card(draw, result.card, scale, width)
    return image


def _line(
    draw: ImageDraw.ImageDraw, points: list[tuple[float, float]], colour: tuple[int, int, int], width: int
) -> None:
    closed = [*points, points[0], points[1]]
    draw.line(closed, fill=CASING, width=width + 4, joint="curve")
    draw.line(closed, fill=colour, width=width, joint="curve")


def _card(draw: ImageDraw.ImageDraw, card: CardResult, scale: float, width: int) -> None:
    corners = [(x * scale, y * scale) for x, y in card.corners_px]
    _line(draw, corners, CARD_COLOUR, width)
    design = _design(card)
    homography = _homography(design.corners_mm, np.array(corners))
    for patch, seen in zip(design.patches, card.patches, strict=True):
        x, y, w, h = patch.rect_mm
        inner = np.array([[x + w * 0.3, y + h * 0.3], [x + w * 0.7, y + h * 0.7]])
        box = project(
            homography, np.array([inner[0], [inner[1, 0], inner[0, 1]], inner[1], [inner[0, 0], inner[1, 1]]])
        )
        quad = [(float(px), float(py)) for px, py in box]
        fill = tuple(round(255 * value) for value in patch.reference_srgb)
        if seen.used:
            draw.polygon(quad, fill=fill)
        else:
            # A patch left out is crossed, not only coloured.
            draw.line([quad[0], quad[2]], fill=CARD_COLOUR, width=max(1, width // 2))
            draw.line([quad[1], quad[3]], fill=CARD_COLOUR, width=max(1, width // 2))


def _design(card: CardResult) -> CardDesign:
    return load_chart24() if card.kind == "chart24" else load_card()


def _homography(source: Array, target: Array) -> Array:
    """Return the homography through four points."""
    rows = []
    for (x, y), (u, v) in zip(source, target, strict=True):
        rows.append([x, y, 1, 0, 0, 0, -u * x, -u * y])
        rows.append([0, 0, 0, x, y, 1, -v * x, -v * y])
    solution = np.linalg.solve(np.array(rows), target.reshape(-1))
    return np.append(solution, 1.0).reshape(3, 3)
