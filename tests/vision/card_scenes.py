"""Rendered photos of the printed card on a plain ground, with its true corners; shares no code with the finder.

In: how the card lies and is photographed. Out: JPEG bytes and the corners. Rendered, not photographed.
"""

from __future__ import annotations

import io

import cv2
import numpy as np
from PIL import Image

from vision.specs import load_card

PER_MM = 8


def flat_card(number: int = 7) -> np.ndarray:
    """Draw the card as designed, linear light, `PER_MM` pixels a mm."""
    design = load_card()
    sheet = np.full((int(design.height_mm * PER_MM), int(design.width_mm * PER_MM), 3), 255, np.uint8)
    for patch in design.patches:
        x, y, w, h = (round(v * PER_MM) for v in patch.rect_mm)
        sheet[y : y + h, x : x + w] = np.round(np.array(patch.reference_srgb) * 255)
    marks = [(m.dictionary, m.id, m.corners_mm) for m in design.markers]
    marks.append((design.number_marker_dictionary, number, design.number_marker_corners_mm))
    for dictionary, name, corners in marks:
        (x0, y0), (x1, y1) = (np.round(np.array(corners[k]) * PER_MM).astype(int) for k in (0, 2))
        named = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, dictionary))
        bits = cv2.aruco.generateImageMarker(named, name, named.markerSize + 2, borderBits=1)
        sheet[y0:y1, x0:x1] = cv2.resize(bits, (x1 - x0, y1 - y0), interpolation=cv2.INTER_NEAREST)[..., None]
    return (sheet / 255.0) ** 2.2


def card_photo(
    seed: int,
    *,
    size_px: tuple[int, int] = (1600, 1200),
    width_share: float = 0.2,
    tilt_deg: float = 30.0,
    turn_deg: float | None = None,
    blur_px: float = 1.0,
    exposure: float = 0.8,
    tint: tuple[float, float, float] = (1.0, 1.0, 1.0),
    gradient: float = 1.0,
    covered: int = 0,
    number: int = 7,
    beside: tuple[float, float] = (0.5, 0.5),
    cards: int = 1,
    quality: int = 90,
    spot: bool = False,
) -> tuple[bytes, np.ndarray]:
    """Return a photo of the card and its corners, shape (4, 2), clockwise from the printed top left.

    `width_share` is the card's width, square on, over the photo's; `covered` markers are hidden by a finger; `gradient`
    is the light's ratio across the photo; `beside` is where the card's middle lies, as shares of the photo's size;
    `spot` puts a clipped reflection over a quarter of the card.
    """
    rng = np.random.default_rng(seed)
    width, height = size_px
    design = load_card()
    ground = rng.uniform(0.1, 0.5, 3)
    texture = cv2.resize(rng.normal(0, 0.03, (height // 6, width // 6)), size_px, interpolation=cv2.INTER_CUBIC)
    picture = np.clip(ground + texture[..., None], 0.01, 1)
    sheet = flat_card(number)
    corners = np.zeros((4, 2))
    for index in range(cards):
        turn = np.radians(rng.uniform(0, 360) if turn_deg is None else turn_deg)
        tilt, axis = np.radians(tilt_deg), rng.uniform(0, 2 * np.pi)
        flat = (np.array(design.corners_mm) - [90, 60]) * width_share * width / 180
        rotation = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
        plane = np.column_stack([flat @ rotation.T, np.zeros(4)])
        k = np.array([np.cos(axis), np.sin(axis), 0])
        cross = np.array([[0, -k[2], k[1]], [k[2], 0, -k[0]], [-k[1], k[0], 0]])
        turned = plane @ (np.eye(3) + np.sin(tilt) * cross + (1 - np.cos(tilt)) * cross @ cross).T
        focal = 0.75 * width
        middle = np.array(beside) * [width, height] + index * np.array([0, 0.36 * height])
        corners = turned[:, :2] * (focal / (focal + turned[:, 2:])) + middle
        source = np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) * [sheet.shape[1], sheet.shape[0]] - 0.5
        # Rendered three times finer and averaged, so that small cards are not aliased.
        fine = 3
        scale = np.array([[fine, 0, (fine - 1) / 2], [0, fine, (fine - 1) / 2], [0, 0, 1.0]])
        matrix = scale @ cv2.getPerspectiveTransform(source.astype(np.float32), corners.astype(np.float32))
        shrink = max(1.0, PER_MM * 180 / (width_share * width * fine) / 1.5)
        soft = cv2.GaussianBlur(sheet, (0, 0), 0.5 * shrink) if shrink > 1 else sheet
        warped = cv2.warpPerspective(soft, matrix, (width * fine, height * fine), flags=cv2.INTER_LINEAR)
        mask = cv2.warpPerspective(np.ones(sheet.shape[:2]), matrix, (width * fine, height * fine))
        warped = cv2.resize(warped, size_px, interpolation=cv2.INTER_AREA)
        mask = cv2.resize(mask, size_px, interpolation=cv2.INTER_AREA)[..., None]
        picture = picture * (1 - mask) + warped * mask
        to_photo = cv2.getPerspectiveTransform(np.array(design.corners_mm, np.float32), corners.astype(np.float32))
        for marker in list(design.markers)[:covered]:
            quad = cv2.perspectiveTransform(np.array([marker.corners_mm], np.float32), to_photo)[0]
            cv2.fillConvexPoly(picture, np.round(quad).astype(np.int32), (0.45, 0.3, 0.22))
        if spot:
            at = cv2.perspectiveTransform(np.array([[[60.0, 40.0], [100.0, 40.0]]], np.float32), to_photo)[0]
            cv2.circle(picture, tuple(int(v) for v in at[0]), int(np.linalg.norm(at[1] - at[0])), (3, 3, 3), -1)
    ramp = np.exp(np.linspace(-0.5, 0.5, width) * np.log(gradient))
    picture = picture * ramp[None, :, None] * exposure * np.array(tint)
    picture = cv2.GaussianBlur(picture, (0, 0), blur_px)
    picture = picture + rng.normal(0, 0.004, picture.shape)
    encoded = np.clip(picture, 0, 1) ** (1 / 2.2)
    stream = io.BytesIO()
    Image.fromarray(np.round(encoded * 255).astype(np.uint8)).save(stream, "JPEG", quality=quality)
    return stream.getvalue(), corners
