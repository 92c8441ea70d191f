"""The camera's stance and the depths it looks into, against scenes whose geometry is known."""

import math
from types import SimpleNamespace

import cv2
import numpy as np
import pytest

from vision.shore import EVERY_PX, FOCAL_SHARE, FREEBOARD_M, REFRACTIVE_INDEX, depths_of, stance_of

SIZE = (600, 800)
CARD_MM = (180.0, 120.0)


def scene(pitch_deg, height_m, card_at_m=(0.1, 1.6)):
    """A view of a card that lies flat before a camera of known tilt and height; x to the right, y ahead."""
    h, w = SIZE
    focal = FOCAL_SHARE * max(SIZE)
    tilt = math.radians(pitch_deg)
    ahead = np.array([0, -math.sin(tilt), math.cos(tilt)])
    up = np.array([0, -math.cos(tilt), -math.sin(tilt)])
    camera = np.array([[focal, 0, (w - 1) / 2], [0, focal, (h - 1) / 2], [0, 0, 1.0]])

    def project(points_m, under_m=0.0):
        world = points_m[:, :1] * np.array([1.0, 0, 0]) + points_m[:, 1:] * ahead - (height_m + under_m) * up
        px = world @ camera.T
        return px[:, :2] / px[:, 2:]

    corners = np.array([[0, 0], [CARD_MM[0], 0], CARD_MM, [0, CARD_MM[1]]])
    # Card y runs towards the camera, as print runs down a page.
    on_ground = np.array(card_at_m) + corners * [1e-3, -1e-3]
    card_px = project(on_ground)
    homography = cv2.getPerspectiveTransform(corners.astype(np.float32), card_px.astype(np.float32))
    view = SimpleNamespace(lab=np.zeros((*SIZE, 3), np.float32), homography=homography, card_px=card_px)
    return view, project


@pytest.mark.parametrize(("pitch", "height"), [(25, 1.5), (40, 1.2), (50, 1.8)])
def test_flat_card_gives_tilt_and_height(pitch, height):
    view, _ = scene(pitch, height)
    stance = stance_of(view, CARD_MM[0], "turnblue")
    assert stance.flat
    # The homography is exact but for float32 corners.
    assert stance.pitch_deg == pytest.approx(pitch, abs=0.2)
    assert stance.height_m == pytest.approx(height + FREEBOARD_M, rel=0.01)


def test_card_in_the_hand_is_not_taken_for_the_ground():
    view, _ = scene(80, 0.45, card_at_m=(-0.09, 0.12))
    assert not stance_of(view, CARD_MM[0], "turnblue").flat


def test_chart_of_unknown_size_takes_the_likely_height():
    view, _ = scene(35, 1.5)
    # The same picture seen as a chart whose design is 180 wide: 0.25 m puts the phone at 2.08 m, 0.10 m at 0.83 m.
    stance = stance_of(view, CARD_MM[0], "chart24")
    assert stance.height_m == pytest.approx(1.5 * 0.25 / 0.18 + FREEBOARD_M, rel=0.02)


def test_depths_on_the_far_wall_follow_from_refraction():
    """Water from 2 to 5 m ahead: a point s before the far edge sees the wall at s / tan of the refracted angle."""
    view, project = scene(30, 1.5)
    edge = np.array([[-6.0, 2.0], [6, 2], [6, 5], [-6, 5]])
    mask = np.zeros(SIZE, np.uint8)
    cv2.fillPoly(mask, [np.round(project(edge, FREEBOARD_M)).astype(np.int32)], 1)
    stance = stance_of(view, CARD_MM[0], "turnblue")
    depths = depths_of(view, mask > 0, stance)
    for before_m in (0.3, 0.6, 1.0):
        x, y = project(np.array([[0.0, 5 - before_m]]), FREEBOARD_M)[0] / EVERY_PX
        row, column = round(y), round(x)
        sin_in = math.sin(math.atan2(5 - before_m, 1.5 + FREEBOARD_M)) / REFRACTIVE_INDEX
        # The plan's cells are 5 cm wide, and a pixel at 5 m is as long: a tenth of a metre over tan of the angle.
        assert depths.wall_m[row, column] == pytest.approx(before_m / math.tan(math.asin(sin_in)), abs=0.12)
        assert depths.shore_m[row, column] == pytest.approx(before_m, abs=0.1)
    x, y = project(np.array([[0.0, 2.4]]), FREEBOARD_M)[0] / EVERY_PX
    assert np.isnan(depths.wall_m[round(y), round(x)])
    assert depths.shore_m[round(y), round(x)] == pytest.approx(0.4, abs=0.1)


def test_mirrored_share_is_fresnels():
    view, _ = scene(45, 1.5)
    depths = depths_of(view, np.ones(SIZE, bool), stance_of(view, CARD_MM[0], "turnblue"))
    # At 45 degrees onto n = 1.34: 0.5 (rs^2 + rp^2) = 0.0286 by Fresnel's formulas.
    assert depths.fresnel[SIZE[0] // 2 // EVERY_PX, SIZE[1] // 2 // EVERY_PX] == pytest.approx(0.0286, abs=5e-4)
    # Nothing but water: there is no shore to measure from.
    assert np.isnan(depths.wall_m).all()
