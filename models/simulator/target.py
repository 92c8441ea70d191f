"""The reference card as the camera meets it: printed, worn, lit, and put into the picture with clean edges.

In: a `CardSpec`, the printed design, the camera's spectral response and the card's light. Out: the picture with the
card in it, and the card's four corners in pixels.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from models.simulator.geometry import View, clip_to_box
from models.simulator.illuminants import LightSpec
from models.simulator.specs import CardSpec
from models.simulator.spectra import (
    WAVELENGTHS_NM,
    chart24_reflectances,
    decode_srgb,
    encode_srgb,
    photopic_mean,
    reflectance_of,
)
from models.simulator.surfaces import noise_tile
from models.simulator.surround import sun_direction, sunlit_share
from vision.specs import CardDesign, load_card, load_chart24

F32 = NDArray[Any]
"""Arrays of float32; OpenCV's stubs know no narrower type."""
F64 = NDArray[np.float64]

PAPER_WHITE = 0.90
"""Reflectance of unprinted matte paper [0-1] (common practice, no source): sRGB 1 on the design is this on paper."""

CHART_FRAME = 0.09
"""The chart's black frame reaches this share of its width beyond the patches (common practice, no source)."""

SUPERSAMPLING = 3


@dataclass(frozen=True)
class CardPose:
    """Where the card is: its top left corner [m] and its two edges as vectors per card width and height [m]."""

    top_left: F64
    right: F64
    down: F64

    @property
    def corners(self) -> F64:
        """Return the corners in space, clockwise from the top left as printed, shape (4, 3)."""
        a = self.top_left
        return np.array([a, a + self.right, a + self.right + self.down, a + self.down])

    @property
    def normal(self) -> F64:
        """Return the unit normal of the printed side."""
        n = np.cross(self.down, self.right)
        return np.asarray(n / np.linalg.norm(n))


@dataclass(frozen=True)
class CardLight:
    """Light on the card as camera response, 3 x 31: from the sun (met as the ground meets it) and from the sky."""

    from_sun: F64
    from_sky: F64
    sheen: F64


def design_of(kind: str) -> CardDesign:
    """Return the printed design of a card kind."""
    if kind == "turnblue":
        return load_card()
    if kind == "chart24":
        return load_chart24()
    raise ValueError(f'card kind must be "turnblue" or "chart24", got {kind!r}.')


def pose_of(card: CardSpec, view: View) -> CardPose:
    """Return where the card lies or is held."""
    design = design_of(card.kind)
    height_m = card.width_m * design.height_mm / design.width_mm
    turn = math.radians(card.turn_deg)
    if card.placement in ("coping", "deck"):
        middle = np.array([*(view.foot + view.right_along * card.along_m + view.outwards * card.across_m), 0.004])
        x_axis = np.array([*view.right_along, 0.0])
        y_axis = np.array([*view.outwards, 0.0])  # towards the photographer = down on the card
        right = x_axis * math.cos(turn) + y_axis * math.sin(turn)
        down = y_axis * math.cos(turn) - x_axis * math.sin(turn)
    elif card.placement == "hand":
        width, height = view.size_px
        px = np.array([card.hand_px[0] * width, card.hand_px[1] * height])
        ray = np.array([*((px - np.array(view.middle_px)) / view.focal_px), 1.0])
        middle = view.position + card.hand_m * (ray @ view.rotation)
        tilt_x, tilt_y = (math.radians(v) for v in card.hand_tilt_deg)
        right = np.array([math.cos(turn), math.sin(turn), 0.0])
        down = np.array([-math.sin(turn), math.cos(turn), 0.0])
        tip = np.array([[1, 0, 0], [0, math.cos(tilt_x), -math.sin(tilt_x)], [0, math.sin(tilt_x), math.cos(tilt_x)]])
        swing = np.array([[math.cos(tilt_y), 0, math.sin(tilt_y)], [0, 1, 0], [-math.sin(tilt_y), 0, math.cos(tilt_y)]])
        right, down = (swing @ tip @ v @ view.rotation for v in (right, down))
    else:
        raise ValueError(f"card placement must be coping, deck or hand, got {card.placement!r}.")
    right, down = right * card.width_m, down * height_m
    return CardPose(top_left=middle - right / 2 - down / 2, right=right, down=down)


def light_on_card(card: CardSpec, view: View, light: LightSpec) -> float:
    """Return the light on the card over that on level ground in the open sun (or in the scene's shade) [1]."""
    if light.in_shade or light.sun_share <= 0:
        return card.light_gain
    pose = pose_of(card, view)
    sun = sun_direction(light)
    slant = max(0.0, float(pose.normal @ sun)) / max(float(sun[2]), 0.15)
    middle = pose.corners.mean(axis=0).astype(np.float32)
    lit = float(sunlit_share(light, middle[None, :1], middle[None, 1:2])[0, 0])
    return card.light_gain * (light.sun_share * slant * lit + 1.0 - light.sun_share)


def print_reflectances(card: CardSpec, colours: list[tuple[float, float, float]]) -> F64:
    """Return the spectra of printed colours, shape (N, 31): wanted colours through a printer that errs.

    The error is one smooth bend of each ink channel plus a cross-talk, with a little scatter; a metameric part that
    D65 hardly sees stands for real inks.
    """
    rng = np.random.default_rng([911, card.print_seed])
    e = card.print_error
    gamma = 1.0 + 0.05 * e * rng.normal(0, 1, 3)
    mix = np.eye(3) + 0.012 * e * rng.normal(0, 1, (3, 3))
    mix /= mix.sum(axis=1, keepdims=True)
    ripple = rng.normal(0, 1, 3)
    lam = (WAVELENGTHS_NM - 400.0) / 300.0
    wave = sum(ripple[i] * np.sin((i + 3) * math.pi * lam + ripple[i]) for i in range(3))
    out = []
    for colour in colours:
        linear = mix @ (np.array(decode_srgb(np.array(colour))) ** gamma) * (1.0 + 0.01 * e * rng.normal(0, 1, 3))
        linear = np.clip(linear, 0, 1)
        if card.fade > 0:
            # Sun bleaches: colours move to pale, yellow and magenta first.
            linear = linear + card.fade * np.array([0.10, 0.07, 0.12]) * (0.9 - linear)
        rho = reflectance_of(tuple(np.round(encode_srgb(linear), 4)))
        saturation = float(rho.max() - rho.min())
        rho = rho * (1.0 + 0.02 * e * wave * saturation)
        out.append(PAPER_WHITE * np.clip(rho, 0.02, 1.0))
    return np.array(out)


def draw_flat(card: CardSpec, pixels_per_mm: float) -> tuple[NDArray[np.uint8], F64, float]:
    """Return the card drawn flat: an index picture, the reflectance of each index, and its margin [mm].

    Every corner of the index picture's inner part is a corner of the design; the chart's black frame lies outside it.
    """
    design = design_of(card.kind)
    chart = card.kind == "chart24"
    margin = CHART_FRAME * design.width_mm if chart else 0.0
    shape = (
        round((design.height_mm + 2 * margin) * pixels_per_mm),
        round((design.width_mm + 2 * margin) * pixels_per_mm),
    )
    index = np.zeros(shape, np.uint8)

    def spot(x_mm: float, y_mm: float) -> tuple[int, int]:
        return round((x_mm + margin) * pixels_per_mm), round((y_mm + margin) * pixels_per_mm)

    if chart:
        spectra = np.vstack([np.full(31, 0.045), chart24_reflectances()])
        first = 1
    else:
        ground = design.ground_srgb or (1.0, 1.0, 1.0)
        wanted = [ground, (0.0, 0.0, 0.0), *[patch.reference_srgb for patch in design.patches]]
        spectra = print_reflectances(card, [(float(c[0]), float(c[1]), float(c[2])) for c in wanted])
        first = 2
    for i, patch in enumerate(design.patches):
        x, y, w, h = patch.rect_mm
        (x0, y0), (x1, y1) = spot(x, y), spot(x + w, y + h)
        index[y0:y1, x0:x1] = first + i
    marks = [(m.dictionary, m.id, m.corners_mm) for m in design.markers]
    if design.number_marker_dictionary is not None:
        marks.append((design.number_marker_dictionary, card.number, design.number_marker_corners_mm))  # type: ignore[arg-type]
    for dictionary, number, corners in marks:
        book = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, dictionary))
        cells = book.markerSize + 2
        side = cells * 12
        picture = cv2.aruco.generateImageMarker(book, number, side)
        target = np.array([spot(*c) for c in corners], np.float32) - 0.5
        source = np.array([[0, 0], [side, 0], [side, side], [0, side]], np.float32) - 0.5
        warp = cv2.getPerspectiveTransform(source, target)
        black = cv2.warpPerspective(picture, warp, shape[::-1], flags=cv2.INTER_NEAREST, borderValue=255)
        index[black < 128] = 1
    if design.strip_slot_mm is not None:
        x, y, w, h = design.strip_slot_mm
        cv2.rectangle(index, spot(x, y), spot(x + w, y + h), 1, max(1, round(0.4 * pixels_per_mm)))
    return index, spectra, margin


def place_card(
    picture: F32,
    card: CardSpec,
    view: View,
    light: CardLight,
    *,
    sun_direction: F64,
    sunlit_at: Callable[[F32, F32], F32],
    skin: F32 | None,
    seed: int,
) -> tuple[F64, NDArray[np.bool_]]:
    """Paint the card into a linear picture, in place.

    Parameters
    ----------
    sun_direction : ndarray, shape (3,)
        Unit vector to the sun.
    sunlit_at : callable
        Share of sun that reaches ground positions x, y [m].
    skin : ndarray, shape (3,), or None
        Colour of the hand that holds the card; None draws no hand.

    Returns
    -------
    corners_px, covered
        The card's corners, shape (4, 2), and which pixels the card (and hand) cover, shape (H, W).
    """
    design = design_of(card.kind)
    pose = pose_of(card, view)
    corners_px = view.project(pose.corners)
    covered = np.zeros(picture.shape[:2], bool)
    if (view.depth_of(pose.corners) < 0.08).any():
        return corners_px, covered
    rng = np.random.default_rng([seed, 515])
    width_px = float(np.linalg.norm(corners_px[1] - corners_px[0]))
    k = min(SUPERSAMPLING * width_px / design.width_mm, 3000.0 / design.width_mm)
    index, spectra, margin = draw_flat(card, k)
    sun_rgb, sky_rgb = spectra @ light.from_sun.T, spectra @ light.from_sky.T

    if skin is not None:
        _paint_hand(picture, covered, corners_px, design, skin, rng, behind=True)
    full = np.array(
        [
            [-margin, -margin],
            [design.width_mm + margin, -margin],
            [design.width_mm + margin, design.height_mm + margin],
            [-margin, design.height_mm + margin],
        ]
    )
    to_px = cv2.getPerspectiveTransform(design.corners_mm.astype(np.float32), corners_px.astype(np.float32))
    outer_px = cv2.perspectiveTransform(full[None].astype(np.float32), to_px)[0]
    pad = 6
    x0 = max(math.floor(outer_px[:, 0].min()) - pad, 0)
    y0 = max(math.floor(outer_px[:, 1].min()) - pad, 0)
    x1 = min(math.ceil(outer_px[:, 0].max()) + pad + 1, picture.shape[1])
    y1 = min(math.ceil(outer_px[:, 1].max()) + pad + 1, picture.shape[0])
    if x1 - x0 < 3 or y1 - y0 < 3:
        return corners_px, covered

    s = SUPERSAMPLING
    # Centre of the fine pixel i lies at x0 - 0.5 + (i + 0.5)/s in photo pixels.
    gx = (x0 - 0.5 + (np.arange((x1 - x0) * s) + 0.5) / s)[None, :]
    gy = (y0 - 0.5 + (np.arange((y1 - y0) * s) + 0.5) / s)[:, None]
    back = np.linalg.inv(to_px)
    den = back[2, 0] * gx + back[2, 1] * gy + back[2, 2]
    x_mm = ((back[0, 0] * gx + back[0, 1] * gy + back[0, 2]) / den).astype(np.float32)
    y_mm = ((back[1, 0] * gx + back[1, 1] * gy + back[1, 2]) / den).astype(np.float32)
    shade = np.ones_like(x_mm)
    if card.bend_m:
        # An arch along the card's width that leaves the corners where they are.
        across = 2 * x_mm / design.width_mm - 1
        y_mm = y_mm + np.float32(card.bend_m / card.width_m * design.width_mm * 0.5) * (1 - across**2)
        shade = 1 + np.float32(2.0 * card.bend_m / card.width_m) * across
    u = (x_mm + margin) * k - 0.5
    v = (y_mm + margin) * k - 0.5
    inside = ((u > -0.5) & (v > -0.5) & (u < index.shape[1] - 0.5) & (v < index.shape[0] - 0.5)).astype(np.float32)
    picked = cv2.remap(index, u, v, cv2.INTER_NEAREST, borderMode=cv2.BORDER_REPLICATE)
    cos_ratio = max(0.0, float(pose.normal @ sun_direction)) / max(float(sun_direction[2]), 0.15)
    xs = (
        np.float32(pose.top_left[0])
        + x_mm / design.width_mm * np.float32(pose.right[0])
        + y_mm / design.height_mm * np.float32(pose.down[0])
    )
    ys = (
        np.float32(pose.top_left[1])
        + x_mm / design.width_mm * np.float32(pose.right[1])
        + y_mm / design.height_mm * np.float32(pose.down[1])
    )
    if card.placement == "hand":
        sun = np.full(
            x_mm.shape,
            sunlit_at(np.array([[pose.top_left[0]]], np.float32), np.array([[pose.top_left[1]]], np.float32))[0, 0],
        )
    else:
        sun = sunlit_at(xs, ys)
    sun = np.asarray(sun * np.float32(cos_ratio), dtype=np.float32)
    fine = sky_rgb.astype(np.float32)[picked] + sun[..., None] * sun_rgb.astype(np.float32)[picked]
    if card.dirt > 0:
        tile = noise_tile("cloud", seed % 3)
        stain = cv2.remap(tile, (x_mm * 1.4 + 77) % 500, (y_mm * 1.4 + 31) % 500, cv2.INTER_LINEAR)
        stain = np.clip(stain - 0.3, 0, 2) * np.float32(0.12 * card.dirt)
        fine *= 1 - stain[..., None] * np.array([0.7, 0.9, 1.3], np.float32)
    fine *= shade[..., None]
    sheen = light.sheen.astype(np.float32)
    fine += sheen * np.float32(card.gloss)
    for _ in range(card.droplets):
        cx, cy = rng.uniform(0, design.width_mm), rng.uniform(0, design.height_mm)
        r = rng.uniform(0.008, 0.022) * design.width_mm
        q = ((x_mm - cx) ** 2 + (y_mm - cy) ** 2) / (r * r)
        inner = np.clip((1 - q) * 4, 0, 1)
        fine *= (1 - 0.14 * inner * np.clip(q, 0.2, 1))[..., None]
        spark = np.exp(-((x_mm - cx + 0.4 * r) ** 2 + (y_mm - cy + 0.4 * r) ** 2) / (0.12 * r * r))
        fine += (spark * inner * 1.2)[..., None] * sheen
    if card.glare > 0:
        angle = rng.uniform(0, math.pi)
        gx0 = rng.uniform(0.25, 0.75) * design.width_mm
        gy0 = rng.uniform(0.25, 0.75) * design.height_mm
        wide = rng.uniform(0.14, 0.32) * design.width_mm
        d = (x_mm - gx0) * math.cos(angle) + (y_mm - gy0) * math.sin(angle)
        along = (y_mm - gy0) * math.cos(angle) - (x_mm - gx0) * math.sin(angle)
        streak = np.exp(-((d / wide) ** 2) - (along / (2.2 * wide)) ** 2)
        fine += (streak * np.float32(card.glare))[..., None] * sheen
    fine *= inside[..., None]
    size = (x1 - x0, y1 - y0)
    colour = cv2.resize(fine, size, interpolation=cv2.INTER_AREA)
    alpha = cv2.resize(inside, size, interpolation=cv2.INTER_AREA)
    region = picture[y0:y1, x0:x1]
    if card.placement != "hand":
        # The sheet stands off the ground a little: a soft dark rim.
        rim = cv2.GaussianBlur(alpha, (0, 0), max(1.0, width_px * 0.012))
        region *= 1 - 0.45 * rim[..., None]
    region *= 1 - alpha[..., None]
    region += colour
    covered[y0:y1, x0:x1] |= alpha > 0.02
    if skin is not None:
        _paint_hand(picture, covered, corners_px, design, skin, rng, behind=False)
    return corners_px, covered


def _paint_hand(
    picture: F32,
    covered: NDArray[np.bool_],
    corners_px: F64,
    design: CardDesign,
    skin: F32,
    rng: np.random.Generator,
    *,
    behind: bool,
) -> None:
    """Paint palm and forearm behind the card, or the thumb over its lower rim."""
    w, h = design.width_mm, design.height_mm
    size = corners_px[1] - corners_px[0]
    down = corners_px[3] - corners_px[0]
    if behind:
        shapes = [
            ((0.5 * w, 1.02 * h), ((0.5 + rng.uniform(-0.3, 0.6)) * w, 9.0 * h), 0.19 * w, 1.0),
            ((0.40 * w, 0.9 * h), (0.5 * w, 1.3 * h), 0.17 * w, 0.9),
        ]
    else:
        shapes = [((0.5 * w, 1.03 * h), (0.56 * w, 1.3 * h), 0.062 * w, 1.05)]
    for (ax, ay), (bx, by), radius, tone in shapes:
        a = corners_px[0] + size * (ax / w) + down * (ay / h)
        b = corners_px[0] + size * (bx / w) + down * (by / h)
        r = radius / w * float(np.linalg.norm(size))
        axis = (b - a) / max(float(np.linalg.norm(b - a)), 1e-6)
        normal = np.array([-axis[1], axis[0]])
        t = np.linspace(-math.pi / 2, math.pi / 2, 14)
        cap_b = b + r * (np.cos(t)[:, None] * axis + np.sin(t)[:, None] * normal)
        cap_a = a - r * (np.cos(t)[:, None] * axis + np.sin(t)[:, None] * normal)
        mask = np.zeros(picture.shape[:2], np.uint8)
        outline = clip_to_box(
            np.vstack([cap_b, cap_a]), (-2000.0, -2000.0, picture.shape[1] + 2000.0, picture.shape[0] + 2000.0)
        )
        if len(outline) < 3:
            continue
        cv2.fillPoly(mask, [np.round(outline * 16).astype(np.int32)], 255, cv2.LINE_AA, 4)
        ys, xs = np.nonzero(mask)
        if not len(xs):
            continue
        alpha = (mask[ys, xs] / 255.0).astype(np.float32)[:, None]
        side = ((xs - a[0]) * normal[0] + (ys - a[1]) * normal[1]) / r
        round_shade = (0.65 + 0.4 * np.sqrt(np.clip(1 - side**2, 0, 1))).astype(np.float32)[:, None]
        picture[ys, xs] = picture[ys, xs] * (1 - alpha) + alpha * skin * round_shade * np.float32(tone)
        covered[ys, xs] = True
    del rng


def card_light(card: CardSpec, response: F64, *, sun: F64, sky: F64, own: F64 | None) -> CardLight:
    """Return the card's light as camera response.

    Parameters
    ----------
    sun, sky : ndarray, shape (31,)
        Irradiance spectra of the scene.
    own : ndarray, shape (31,), or None
        The card's own light where it is not the scene's.
    """
    if own is not None:
        level = photopic_mean(sun + sky) * card.light_gain
        return CardLight(from_sun=0 * response * sun, from_sky=response * own * level, sheen=response @ own * level)
    return CardLight(
        from_sun=response * sun * card.light_gain,
        from_sky=response * sky * card.light_gain,
        sheen=response @ (sun + sky),
    )
