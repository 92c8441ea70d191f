"""Render a pool photo and the truth about it: the simulator's front door.

In: a `SceneSpec` (draw one with `sampling.sample_spec`). Out: `render(spec)` gives `Rendered`: the photo and its
truth. Spectra are integrated once per scene into small tables over depth and path; pixels only look colours up.

The picture is painted from back to front: surround and ground, pool opening with its dry wall, water, floating things,
card, hand. Light that leaves the water is Lee's shallow-water reflectance (`optics.shallow_reflectance`) for each
pixel's depth and path; fine detail of it is then faded from Lee's diffuse to the beam's attenuation along the path,
because what the water scatters forward lights the picture but carries no detail: its contrast falls as exp(-(c + K) z).
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from models.simulator.camera import develop
from models.simulator.floating import FloatingPainter
from models.simulator.illuminants import daylight_of
from models.simulator.optics import attenuations, visible_depth_m
from models.simulator.specs import Rendered, SceneSpec, Srgb, Truth
from models.simulator.stage import stripes
from models.simulator.surfaces import SKIN_SRGB, deck_texture, joints, noise_tile, sample_tile
from models.simulator.target import card_light, light_on_card, place_card
from models.simulator.waterpaint import WaterPainter
from vision.results import clarity_of, severity_of

F32 = NDArray[Any]
"""Arrays of float32; OpenCV's stubs know no narrower type."""
F64 = NDArray[np.float64]
Mask = NDArray[np.bool_]


def render(spec: SceneSpec, *, masks: bool = False) -> Rendered:
    """Render a scene.

    Parameters
    ----------
    spec : SceneSpec
        What to render; the same spec gives the same bits.
    masks : bool
        Also return the masks of open water and of glare.

    Returns
    -------
    Rendered
        Photo before JPEG; `files.encode_jpeg` makes the file of it.

    Examples
    --------
    >>> rendered = render(SceneSpec(size_px=(320, 240)))
    >>> rendered.photo_rgb.shape, rendered.truth.severity
    ((240, 320, 3), 'none')
    """
    scene = _Scene(spec)
    picture = scene.paint_ground()
    water = np.zeros(picture.shape[:2], bool)
    glare = np.zeros(picture.shape[:2], bool)
    depth_seen = None
    if "no_water" not in spec.spoil:
        water, glare, depth_seen = scene.paint_pool(picture)
        water &= ~scene.paint_floating(picture)
        scene.paint_pole(picture)
    corners = None
    if spec.card is not None and "no_card" not in spec.spoil:
        corners, covered = scene.paint_card(picture)
        water &= ~covered
        height, width = picture.shape[:2]
        if not ((corners[:, 0] > 0) & (corners[:, 0] < width) & (corners[:, 1] > 0) & (corners[:, 1] < height)).any():
            corners = None
    if "hand_over_lens" in spec.spoil:
        water &= ~scene.paint_hand(picture)
    photo = develop(picture, spec.camera, illuminance_lux=spec.light.illuminance_lux, seed=spec.seed)
    c, k = attenuations(spec.water)
    depth_m = visible_depth_m(spec.water)
    truth = Truth(
        visible_depth_m=depth_m,
        chlorophyll_ug_l=spec.water.chlorophyll_ug_l,
        clarity=str(clarity_of(depth_m)),
        severity=str(severity_of(spec.water.chlorophyll_ug_l)),
        c_per_m=c,
        k_per_m=k,
        card_kind=None if corners is None or spec.card is None else spec.card.kind,
        card_corners_px=None if corners is None else tuple((float(x), float(y)) for x, y in corners),
        card_light_ratio=None
        if corners is None or spec.card is None
        else light_on_card(spec.card, scene.view, spec.light),
        water_polygon_px=_outline_px(water),
        water_share=float(water.mean()),
        floor_depth_seen_m=depth_seen,
        camera_name=spec.camera.name,
        seed=spec.seed,
        spoilers=spec.spoil,
        spec=spec,
        disc_rim_px=None if spec.disc is None else tuple((float(x), float(y)) for x, y in scene.disc_rim_px()),
    )
    return Rendered(photo, truth, water if masks else None, glare & water if masks else None)


def _outline_px(mask: Mask) -> tuple[tuple[float, float], ...]:
    contours, _ = cv2.findContours(mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    if not contours:
        return ()
    largest = max(contours, key=cv2.contourArea)
    return tuple((float(x), float(y)) for x, y in cv2.approxPolyDP(largest, 1.5, True)[:, 0])


class _Scene(WaterPainter, FloatingPainter):
    """All painters, with ground and card."""

    def paint_ground(self) -> F32:
        """Return the picture with surround, deck, coping and what lies beyond the deck."""
        spec, pool, view = self.spec, self.pool, self.view
        width, height = spec.size_px
        dx, dy, dz = self.ray
        picture = np.zeros((height, width, 3), np.float32)
        no_pool = "no_water" in spec.spoil
        # The garden ends at a hedge or fence: beyond it the surround begins, below the horizon already.
        reach_m = np.float32(self.pool.length_m + 9.0)
        down = dz * reach_m < -np.float32(view.position[2]) * np.sqrt(dx * dx + dy * dy)
        opening = np.zeros((height, width), np.uint8) if no_pool else view.fill(self.ring(0.0, 0.0))
        self.opening = opening
        up = ~down
        if up.any():
            x, y, z = dx[up], dy[up], dz[up]
            n = np.sqrt(x * x + y * y + z * z)
            picture[up] = self.surround.radiance(x / n, y / n, z / n)
        ground = down & (opening < 255)
        if no_pool:
            on_deck = np.full((height, width), 255 if spec.seed % 3 else 0, np.uint8)
            on_coping = np.zeros((height, width), np.uint8)
        else:
            on_deck = view.fill(self.ring(pool.coping_m + pool.deck_m, 0.0))
            on_coping = view.fill(self.ring(pool.coping_m, 0.0))
        # Lawn, deck, coping, each only where it shows.
        parts = (
            ("lawn", ground & (on_deck < 255), None),
            ("deck", ground & (on_deck > 0) & (on_coping < 255), on_deck),
            ("coping", ground & (on_coping > 0), on_coping),
        )
        for part, where, cover in parts:
            for rows in stripes(0, height):
                if where[rows].any():
                    stripe = None if cover is None else cover[rows]
                    self._paint_ground_part(picture[rows], tuple(d[rows] for d in self.ray), where[rows], stripe, part)
        return picture

    def _paint_ground_part(
        self, picture: F32, ray: tuple[F32, ...], where: Mask, cover: NDArray[np.uint8] | None, part: str
    ) -> None:
        pool, view = self.pool, self.view
        dx, dy, dz = (d[where] for d in ray)
        t = np.float32(view.position[2]) / -dz
        x = np.float32(view.position[0]) + t * dx
        y = np.float32(view.position[1]) + t * dy
        footprint = t / np.float32(view.focal_px) * np.float32(1.5)
        splash = sample_tile(noise_tile("cloud", pool.seed % 3), x, y, 7.3, turn=0.6, offset=5)
        wet = np.clip((splash - np.float32(0.6 + 0.8 * (pool.seed % 3))) * 2, 0, 1)
        srgb: Srgb = (0.30, 0.38, 0.17)
        if part == "lawn":
            _, tone = deck_texture("grass", x, y, footprint, pool.seed)
        elif part == "deck":
            srgb = pool.deck_srgb
            joint, tone = deck_texture(pool.deck, x, y, footprint, pool.seed)
            tone = tone * (1 - np.float32(0.45) * joint) * (1 - np.float32(0.35) * wet)
        else:
            srgb = pool.coping_srgb
            if pool.coping_pattern == "brick":
                joint = joints(x, y, (0.11, 0.22), 0.008, footprint, brick=False)
                tone = 1 + np.float32(0.03) * splash
            else:
                joint = joints(x, y, (0.6, 0.6), 0.006, footprint, brick=False)
                tone = 1 + np.float32(0.05) * splash
            tone = tone * (1 - np.float32(0.4) * joint) * (1 - np.float32(0.2) * wet)
        shade, full = self.palette.colour(srgb, lit=False), self.palette.colour(srgb, lit=True)
        edge = self.spec.light.shade_edge
        colour = tone[:, None] * (full if edge is None else shade + self.sunlit(x, y)[:, None] * (full - shade))
        if cover is not None:
            alpha = cover[where].astype(np.float32)[:, None] / 255
            colour = picture[where] * (1 - alpha) + colour * alpha
        picture[where] = colour

    def paint_card(self, picture: F32) -> tuple[F64, Mask]:
        """Paint the card; return its corners [px] and what it covers."""
        spec, card, light = self.spec, self.spec.card, self.palette.light
        assert card is not None
        own = daylight_of(card.light_cct_k) if card.light_cct_k is not None else None
        sun = spec.light.sun_share * light.sun if not spec.light.in_shade else 0 * light.sun
        lamp = card_light(card, self.palette.response, sun=sun, sky=light.shaded, own=own)
        skin = None
        if card.placement == "hand":
            tone = SKIN_SRGB[spec.seed % len(SKIN_SRGB)]
            srgb = (tone[0] / 255, tone[1] / 255, tone[2] / 255)
            skin = self.palette.colour(srgb, lit=True)
        return place_card(
            picture, card, self.view, lamp, sun_direction=self.sun, sunlit_at=self.sunlit, skin=skin, seed=spec.seed
        )
