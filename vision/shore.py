"""How the water looks at each depth along its walls: the stance of the camera, and colours by depth below the surface.

In: a `View` and the mask of its water. Out: `Stance` (how the camera stands over the water) and `Depths` (for every
pixel how far from the shore it looks into the water, and how deep on the far wall). A card lying flat gives true
metres; for a card held in the hand a usual stance is taken, and `Stance.flat` says which it was.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.water import View

Array = NDArray[Any]
Mask = NDArray[Any]

FOCAL_SHARE = 0.75
"""Focal length over the photo's long side: 26 mm on 35 mm film (36 x 24 mm, cropped to 4:3), as phones' main cameras
have (common practice, no source)."""
REFRACTIVE_INDEX = 1.34
"""Of water, mid-visible, as in the worked example of Lee et al. 1998, Appl. Opt. 37:6329."""
FREEBOARD_M = 0.12
"""Height of the deck over the water: usual pools have 0.05 to 0.2 (common practice, no source)."""
USUAL_HEIGHT_M, USUAL_PITCH_DEG = 1.5, 38.0
"""Height of the phone over the deck and its tilt below the horizon, where the card does not tell (ours)."""
CHART_WIDTHS_M = (0.25, 0.10)
"""Widths the 24-patch chart is sold in (common practice, no source): the likelier height counts."""
FLAT_PITCH_DEG, FLAT_ROLL_DEG, FLAT_HEIGHT_M = (8.0, 58.0), 16.0, (0.5, 2.4)
"""A card whose plane, taken as the ground, gives the phone a tilt, roll and height in these ranges lies flat; a card
in the hand faces the phone, at arm's length (the project's own)."""
EVERY_PX = 2
"""Of the working picture, every so manyeth pixel is looked at: the colours change slowly, the time counts."""
CELL_M, REACH_M = 0.05, 12.0
"""Cells and reach of the plan of the water that distances from the shore are measured in [m]."""


@dataclass(frozen=True)
class Stance:
    """How the camera stands over the water.

    Attributes
    ----------
    up : ndarray, shape (3,)
        The vertical in camera coordinates (right, down, ahead).
    height_m : float
        Of the camera over the water.
    flat : bool
        Whether both are read from a card that lies flat; otherwise they are a usual stance's.
    facing_cos : float
        Cosine between the card's normal and the line to the camera.
    """

    up: Array
    height_m: float
    flat: bool
    facing_cos: float

    @property
    def pitch_deg(self) -> float:
        """Return the tilt below the horizon [degrees]."""
        return float(np.degrees(np.arcsin(np.clip(-self.up[2], -1, 1))))


@dataclass(frozen=True)
class Depths:
    """Where the water's pixels look to, every `EVERY_PX`th one, shape (H/2, W/2) each; NaN outside the water.

    Attributes
    ----------
    shore_m : distance from the nearest shore, over the water [m].
    wall_m : depth below the surface at which the line of sight meets the far wall, if the wall went down for ever [m];
        NaN where the nearest shore is not beyond.
    fresnel : share of the sky that the surface mirrors [0-1].
    """

    shore_m: Array
    wall_m: Array
    fresnel: Array


def stance_of(view: View, width_mm: float, kind: str) -> Stance:
    """Read the camera's stance from the card.

    Parameters
    ----------
    view : View
    width_mm : float
        Width of the card's design [mm].
    kind : str
        The design's kind; a "chart24" is sold in several sizes.
    """
    height, width = view.lab.shape[:2]
    focal = FOCAL_SHARE * max(height, width)
    camera = np.array([[focal, 0, (width - 1) / 2], [0, focal, (height - 1) / 2], [0, 0, 1.0]])
    axes = np.linalg.inv(camera) @ view.homography
    scale = (np.linalg.norm(axes[:, 0]) + np.linalg.norm(axes[:, 1])) / 2
    axes = axes / max(float(scale), 1e-12) * (1.0 if axes[2, 2] > 0 else -1.0)
    normal = np.cross(axes[:, 0], axes[:, 1])
    normal /= max(float(np.linalg.norm(normal)), 1e-12)
    origin = axes[:, 2]
    if normal @ origin > 0:
        normal = -normal
    over_card_mm = -float(normal @ origin)
    middle = np.append((view.card_px.mean(axis=0) - camera[:2, 2]) / focal, 1.0)
    facing = -float(normal @ middle) / float(np.linalg.norm(middle))
    heights = [over_card_mm / 1000.0]
    if kind == "chart24":
        heights = [over_card_mm / width_mm * each for each in CHART_WIDTHS_M]
    over = min(heights, key=lambda h: abs(np.log(h / USUAL_HEIGHT_M)))
    pitch = float(np.degrees(np.arcsin(np.clip(-normal[2], -1, 1))))
    roll = abs(float(np.degrees(np.arctan2(normal[0], -normal[1]))))
    flat = (
        FLAT_PITCH_DEG[0] < pitch < FLAT_PITCH_DEG[1]
        and roll < FLAT_ROLL_DEG
        and FLAT_HEIGHT_M[0] < over < FLAT_HEIGHT_M[1]
    )
    if flat:
        return Stance(normal, over + FREEBOARD_M, True, facing)
    tilt = np.radians(USUAL_PITCH_DEG)
    return Stance(np.array([0.0, -np.cos(tilt), -np.sin(tilt)]), USUAL_HEIGHT_M + FREEBOARD_M, False, facing)


def depths_of(view: View, whole: Mask, stance: Stance) -> Depths:
    """Return where the pixels of the water look to.

    Parameters
    ----------
    view : View
    whole : ndarray of bool, shape (H, W)
        All water seen.
    stance : Stance
    """
    height, width = whole.shape
    focal = FOCAL_SHARE * max(height, width)
    middle = np.array([(width - 1) / 2, (height - 1) / 2])
    up = stance.up
    ahead = np.array([0.0, 0.0, 1.0]) + up[2] * -up
    ahead /= max(float(np.linalg.norm(ahead)), 1e-9)
    side = np.cross(ahead, up)
    # Lines of sight over the water: x to the side, y ahead [m], from the sine of their depression.
    whole = whole[::EVERY_PX, ::EVERY_PX]
    ray_x = ((np.arange(0, width, EVERY_PX) - middle[0]) / focal).astype(np.float32)[None]
    ray_y = ((np.arange(0, height, EVERY_PX) - middle[1]) / focal).astype(np.float32)[:, None]
    f_up, f_side, f_ahead = (tuple(float(v) for v in axis) for axis in (up, side, ahead))
    falling = -(ray_x * f_up[0] + ray_y * f_up[1] + f_up[2])
    down = falling / np.sqrt(ray_x**2 + ray_y**2 + 1)
    # Plan of the shore, seen from above; what the photo or the card hides is no shore.
    cells = round(REACH_M / CELL_M)
    to_px = np.diag([1 / EVERY_PX, 1 / EVERY_PX, 1.0]) @ _plan_to_pixels(stance, side, ahead, focal, middle)
    hidden = np.zeros(whole.shape, np.uint8)
    centre = view.card_px.mean(axis=0)
    cv2.fillPoly(hidden, [np.round((centre + (view.card_px - centre) * 1.3) / EVERY_PX).astype(np.int32)], 1)
    dry = (~whole & (hidden == 0) & (down > 0.06)).astype(np.uint8) * 255
    # What lies outside the photo is no shore either: the plan is zero there.
    plan = cv2.warpPerspective(dry, to_px, (cells, cells), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP)
    water = (plan < 128).astype(np.uint8)
    shore, wall = (np.full(whole.shape, np.nan, np.float32) for _ in range(2))
    if water.all() or not whole.any():
        return Depths(shore, wall, _fresnel(down))
    away, labels = cv2.distanceTransformWithLabels(water, cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL)
    shore_y, shore_x = np.nonzero(water == 0)
    place = np.zeros((int(labels.max()) + 1, 2), np.float32)
    place[labels[shore_y, shore_x]] = np.column_stack([shore_x, shore_y])
    # From here on the water's own pixels alone, and those that look at the plan.
    rows, columns = np.nonzero(whole)
    ray_x, ray_y, sin_down = ray_x[0, columns], ray_y[rows, 0], np.maximum(down[rows, columns], 0.02)
    reach = np.float32(stance.height_m) / sin_down / np.sqrt(ray_x**2 + ray_y**2 + 1)
    x = (ray_x * f_side[0] + ray_y * f_side[1] + f_side[2]) * reach / np.float32(CELL_M)
    y = (ray_x * f_ahead[0] + ray_y * f_ahead[1] + f_ahead[2]) * reach / np.float32(CELL_M)
    inside = (np.abs(x) < cells / 2 - 1) & (y >= 0) & (y < cells - 1)
    rows, columns, x, y, sin_down = (each[inside] for each in (rows, columns, x, y, sin_down))
    at_x, at_y = (x + cells / 2 + 0.5).astype(np.intp), (y + 0.5).astype(np.intp)
    shore[rows, columns] = away[at_y, at_x] * np.float32(CELL_M)
    # How far on along the line of sight the nearest shore lies, were it a straight wall square to the way there.
    nearest = place[labels[at_y, at_x]]
    to_x, to_y = nearest[:, 0] - cells / 2 - x, nearest[:, 1] - y
    gap = np.maximum(np.sqrt(to_x**2 + to_y**2), 1e-3)
    facing = (to_x * x + to_y * y) / (gap * np.maximum(np.sqrt(x**2 + y**2), 1e-3))
    onward = gap * np.float32(CELL_M) / np.maximum(facing, 0.25)
    sin_in = np.sqrt(np.maximum(1 - sin_down**2, 0)) / np.float32(REFRACTIVE_INDEX)
    depth = onward * np.sqrt(1 - sin_in**2) / np.maximum(sin_in, 0.05)
    wall[rows, columns] = np.where(facing > 0.25, depth, np.float32(np.nan))
    return Depths(shore, wall, _fresnel(down))


def _plan_to_pixels(stance: Stance, side: Array, ahead: Array, focal: float, middle: Array) -> Array:
    """Return the homography from cells of the plan to pixels."""
    cells = round(REACH_M / CELL_M)
    # A cell (i, j) lies at side ((i - cells / 2) CELL_M) + ahead (j CELL_M) - up height.
    to_camera = np.column_stack(
        [side * CELL_M, ahead * CELL_M, -stance.up * stance.height_m - side * (cells / 2 * CELL_M)]
    )
    camera = np.array([[focal, 0, middle[0]], [0, focal, middle[1]], [0, 0, 1.0]])
    return np.asarray(camera @ to_camera)


def _fresnel(sin_down: Array) -> Array:
    """Return the share of unpolarised light that a still surface mirrors, by the sine of the depression."""
    cos_i = np.clip(sin_down, 0.02, 1.0)
    cos_t = np.sqrt(1 - (1 - cos_i**2) / REFRACTIVE_INDEX**2)
    r_s = (cos_i - REFRACTIVE_INDEX * cos_t) / (cos_i + REFRACTIVE_INDEX * cos_t)
    r_p = (REFRACTIVE_INDEX * cos_i - cos_t) / (REFRACTIVE_INDEX * cos_i + cos_t)
    return np.asarray((r_s**2 + r_p**2) / 2, dtype=np.float32)
