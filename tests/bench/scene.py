"""Render photos of a flat target (the printed card, the 24-patch chart) for the benchmark, with their truth.

In: a `Target` (a picture of it in linear light), how it lies and is lit, a ground. Out: 8-bit pixels and where the
target's corners and patch centres lie. Everything is rendered, nothing photographed; of the measuring code only the
card's design file is read, so that a finder is never tested against its own geometry.
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import cv2
import numpy as np

DESIGN = Path(__file__).parents[2] / "vision" / "designs" / "card.json"
RASTER_PER_MM = 12
PAPER, INK = 0.88, 0.035
"""Reflectances of white paper and of full black ink (common practice, no source)."""
CHART_PITCH_MM = 10.0
CHART_FRAME_MM = 1.6
"""The black frame beyond the outer patches; real charts have 1 to 6 at this pitch (common practice, no source)."""
FINE = 3
FOCAL_SHARE = 0.72
"""Focal length over the long side: 26 mm on 36 mm, a phone's main camera."""
SKIN = np.array([0.42, 0.25, 0.18], np.float32)
LIGHTS = ("even", "gradient", "shade", "over", "wet", "finger")

# sRGB (IEC 61966-2-1) of the chart made since November 2014, 0-255, computed with colour-science 0.4.7 from its
# dataset "ColorChecker24 - After November 2014" (Bradford D50 to D65).
CHART_SRGB = """
115.7 79.3 65.0  197.2 143.7 126.6  90.8 120.3 155.2  91.5 108.3 63.7  131.1 127.0 174.6  95.3 188.8 171.7
224.1 124.2 48.3  68.6 89.5 167.3  197.3 80.0 95.1  92.9 57.8 103.9  156.1 187.1 58.2  227.4 161.3 39.2
39.7 61.6 145.2  60.6 147.1 70.1  178.2 53.6 56.7  236.4 199.5 14.7  191.2 78.8 146.4  0.0 132.8 165.2
241.0 241.7 235.4  201.1 202.2 201.1  161.3 163.2 162.8  120.7 120.9 120.6  82.7 84.0 84.5  49.5 49.7 50.4
"""


def decode(encoded: np.ndarray) -> np.ndarray:
    """Return linear from encoded sRGB (IEC 61966-2-1) [0-1]."""
    encoded = np.asarray(encoded, np.float64)
    return np.where(encoded <= 0.04045, encoded / 12.92, ((np.maximum(encoded, 0) + 0.055) / 1.055) ** 2.4)


def encode(linear: np.ndarray) -> np.ndarray:
    """Return encoded from linear sRGB (IEC 61966-2-1) [0-1]; negative values become 0."""
    linear = np.maximum(linear, 0)
    return np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)


@dataclass(frozen=True)
class Target:
    """A flat thing to be photographed.

    `raster` is linear light, shape (H, W, 3), `RASTER_PER_MM` pixels a mm; `origin_mm` the place of its first pixel's
    outer corner; `corners_mm` the four corners a finder is asked for, `centres_mm` the patches' middles, `sides_mm`
    the patches' sides; `finest_mm` the smallest detail that has to be read (a marker's cell, a patch).
    """

    name: str
    raster: np.ndarray
    origin_mm: np.ndarray
    corners_mm: np.ndarray
    centres_mm: np.ndarray
    sides_mm: np.ndarray
    finest_mm: float
    covers_mm: tuple[np.ndarray, ...]

    @property
    def width_mm(self) -> float:
        """Return the width between the corners [mm]."""
        return float(self.corners_mm[1, 0] - self.corners_mm[0, 0])


@cache
def _card_index() -> tuple[np.ndarray, list[str], list[tuple[float, float, float]]]:
    """Return the card as an index picture (0 paper, 1 ink, 2... patches), its patch names and their sRGB."""
    design = json.loads(DESIGN.read_text(encoding="utf-8"))
    k = RASTER_PER_MM
    index = np.zeros((round(design["height_mm"] * k), round(design["width_mm"] * k)), np.uint8)
    for i, patch in enumerate(design["patches"]):
        x, y, w, h = (round(v * k) for v in patch["rect_mm"])
        index[y : y + h, x : x + w] = 2 + i
    marks = [(m["dictionary"], m["id"], m["corners_mm"]) for m in design["markers"]]
    marks.append((design["number_marker"]["dictionary"], 7, design["number_marker"]["corners_mm"]))
    for dictionary, name, corners in marks:
        (x0, y0), (x1, y1) = (np.round(np.array(corners[i]) * k).astype(int) for i in (0, 2))
        book = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, dictionary))
        bits = cv2.aruco.generateImageMarker(book, name, book.markerSize + 2, borderBits=1)
        index[y0:y1, x0:x1] = cv2.resize(bits, (x1 - x0, y1 - y0), interpolation=cv2.INTER_NEAREST) < 128
    names = [patch["name"] for patch in design["patches"]]
    return index, names, [tuple(patch["reference_srgb8"]) for patch in design["patches"]]


def card_patches() -> tuple[list[str], np.ndarray]:
    """Return the card's patch names and their designed colours, linear sRGB, shape (N, 3)."""
    _, names, srgb8 = _card_index()
    return names, decode(np.array(srgb8) / 255)


def card_target(patch_rgb: np.ndarray | None = None, paper=PAPER, ink=INK) -> Target:
    """Return the printed card; `patch_rgb` are its patches as the camera meets them, by default as designed."""
    index, _, _ = _card_index()
    design = json.loads(DESIGN.read_text(encoding="utf-8"))
    if patch_rgb is None:
        patch_rgb = INK + (PAPER - INK) * card_patches()[1]
    table = np.vstack([np.ones(3) * paper, np.ones(3) * ink, patch_rgb]).astype(np.float32)
    rects = np.array([patch["rect_mm"] for patch in design["patches"]], float)
    w, h = design["width_mm"], design["height_mm"]
    markers = tuple(np.array(m["corners_mm"], float) for m in design["markers"])
    return Target(
        "card", table[index], np.zeros(2), np.array([[0, 0], [w, 0], [w, h], [0, h]], float),
        rects[:, :2] + rects[:, 2:] / 2, rects[:, 2:].min(axis=1), float(np.ptp(markers[0][:, 0])) / 6, markers,
    )  # fmt: skip


def chart_target(patch_rgb: np.ndarray | None = None, *, side: float = 0.88, frame=INK) -> Target:
    """Return the 24-patch chart, six by four; `side` is a patch's side in pitches."""
    if patch_rgb is None:
        patch_rgb = decode(np.array(CHART_SRGB.split(), float).reshape(24, 3) / 255)
    k, pitch = RASTER_PER_MM, CHART_PITCH_MM
    margin = CHART_FRAME_MM
    sheet = np.ones((round((4 * pitch + 2 * margin) * k), round((6 * pitch + 2 * margin) * k), 3), np.float32)
    sheet *= np.asarray(np.ones(3) * frame, np.float32)
    centres = np.array([[(c + 0.5) * pitch, (r + 0.5) * pitch] for r in range(4) for c in range(6)])
    for centre, colour in zip(centres, patch_rgb, strict=True):
        x0, y0 = np.round((centre - side * pitch / 2 + margin) * k).astype(int)
        x1, y1 = np.round((centre + side * pitch / 2 + margin) * k).astype(int)
        sheet[y0:y1, x0:x1] = colour
    half = side * pitch / 2
    low, high = centres[0] - half, centres[-1] + half
    corners = np.array([low, [high[0], low[1]], high, [low[0], high[1]]])
    covers = tuple(centres[i] + half * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) for i in (5, 0, 23, 18))
    return Target(
        "chart", sheet, np.array([-margin, -margin]), corners, centres, np.full(24, side * pitch), side * pitch, covers
    )


@dataclass(frozen=True)
class Lie:
    """How the target lies in the photo and is lit. `width_share` is its width square on over the photo's width."""

    width_share: float = 0.25
    tilt_deg: float = 0.0
    turn_deg: float = 0.0
    axis_deg: float = 0.0
    middle: tuple[float, float] = (0.5, 0.5)
    light: str = "even"
    covered: int = 0
    exposure: float = 0.9
    tint: tuple[float, float, float] = (1.0, 1.0, 1.0)
    blur_px: float = 0.6
    contrast: float = 0.2
    noise: float = 0.006
    seed: int = 0


def project(homography: np.ndarray, points: np.ndarray) -> np.ndarray:
    """Return points moved by a homography, shape (N, 2)."""
    lifted = np.c_[np.asarray(points, float), np.ones(len(points))] @ homography.T
    return lifted[:, :2] / lifted[:, 2:]


def lay(target: Target, lie: Lie, size_px: tuple[int, int]) -> np.ndarray:
    """Return the homography from the target's mm to pixels (pixel centres at whole numbers)."""
    width, height = size_px
    focal = FOCAL_SHARE * max(width, height)
    turn, axis, tilt = (math.radians(v) for v in (lie.turn_deg, lie.axis_deg, lie.tilt_deg))
    spin = np.array([[math.cos(turn), -math.sin(turn), 0], [math.sin(turn), math.cos(turn), 0], [0, 0, 1]])
    lean = cv2.Rodrigues(tilt * np.array([math.cos(axis), math.sin(axis), 0.0]))[0]
    ray = np.array([(lie.middle[0] - 0.5) * width / focal, (lie.middle[1] - 0.5) * height / focal, 1.0])
    # The tilt is that against the line of sight, wherever in the picture the target lies.
    swing = np.cross([0.0, 0.0, 1.0], ray / np.linalg.norm(ray))
    bend = math.asin(min(1.0, float(np.linalg.norm(swing))))
    toward = cv2.Rodrigues(swing / max(float(np.linalg.norm(swing)), 1e-9) * bend)[0] @ lean @ spin
    distance = focal * target.width_mm / (lie.width_share * width)
    plane = np.column_stack([toward[:, 0], toward[:, 1], ray * distance])
    camera = np.array([[focal, 0, (width - 1) / 2], [0, focal, (height - 1) / 2], [0, 0, 1]])
    middle = target.corners_mm.mean(axis=0)
    return camera @ plane @ np.array([[1, 0, -middle[0]], [0, 1, -middle[1]], [0, 0, 1.0]])


def finest_px(target: Target, homography: np.ndarray) -> float:
    """Return the shortest side, in pixels, of the target's finest detail where it is most foreshortened."""
    least = np.inf
    for at in (*target.corners_mm, target.corners_mm.mean(axis=0)):
        ends = project(homography, at + np.array([[0, 0], [target.finest_mm, 0], [0, target.finest_mm]]))
        steps = np.column_stack([ends[1] - ends[0], ends[2] - ends[0]])
        least = min(least, float(np.linalg.svd(steps, compute_uv=False)[1]))
    return least


def photograph(
    ground: np.ndarray, target: Target | None, lie: Lie, homography: np.ndarray | None = None
) -> tuple[np.ndarray, np.ndarray | None]:
    """Return the photo, uint8 RGB, and the homography; `ground` is linear float32, shape (H, W, 3), and is changed."""
    rng = np.random.default_rng([77, lie.seed])
    height, width = ground.shape[:2]
    picture = ground
    if target is not None:
        homography = lay(target, lie, (width, height)) if homography is None else homography
        _lay_over(picture, target, lie, homography, rng)
        _light(picture, target, lie, homography, rng)
    gains = np.array(lie.tint, np.float32) * lie.exposure * (2.0 if lie.light == "over" else 1.0)
    picture *= gains.astype(np.float32)
    if lie.blur_px > 0:
        cv2.GaussianBlur(picture, (0, 0), lie.blur_px, dst=picture)
    return develop(picture, lie.contrast, lie.noise, rng), homography


def develop(picture: np.ndarray, contrast: float, noise: float, rng: np.random.Generator) -> np.ndarray:
    """Return the 8-bit photo of a linear picture: noise, then sRGB with an S-shaped tone curve."""
    levels = np.clip(np.arange(8192) / 6000 - 0.05, 0, 1)
    curve = encode(levels)
    curve = np.round(255 * (curve + contrast * (curve * curve * (3 - 2 * curve) - curve))).astype(np.uint8)
    bank = rng.standard_normal((512, picture.shape[1] + 512, 3), dtype=np.float32)
    out = np.empty(picture.shape, np.uint8)
    for top in range(0, picture.shape[0], 128):
        part = picture[top : top + 128]
        left, down = (int(v) for v in rng.integers(0, 384, 2))
        grain = bank[down : down + part.shape[0], left : left + part.shape[1]]
        # Shot noise grows with the root of the light.
        part = part + np.sqrt(np.clip(part, 0.02, 1)) * grain * np.float32(noise)
        out[top : top + 128] = curve[np.clip((part + 0.05) * 6000, 0, 8191).astype(np.uint16)]
    return out


def _lay_over(picture: np.ndarray, target: Target, lie: Lie, homography: np.ndarray, rng: np.random.Generator) -> None:
    """Put the target into the picture, rendered three times finer and averaged."""
    height, width = picture.shape[:2]
    k = RASTER_PER_MM
    per_mm = max(lie.width_share * width / target.width_mm * FINE, 1.0)
    shrink = min(1.0, per_mm / k)
    raster = target.raster
    if shrink < 1:
        size = (max(2, round(raster.shape[1] * shrink)), max(2, round(raster.shape[0] * shrink)))
        raster = cv2.resize(raster, size, interpolation=cv2.INTER_AREA)
    kx, ky = raster.shape[1] / target.raster.shape[1] * k, raster.shape[0] / target.raster.shape[0] * k
    extent = np.array([target.raster.shape[1], target.raster.shape[0]]) / k
    outer = project(homography, target.origin_mm + np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) * extent)
    low = np.clip(np.floor(outer.min(0)) - 3, 0, [width - 1, height - 1]).astype(int)
    high = np.clip(np.ceil(outer.max(0)) + 4, 1, [width, height]).astype(int)
    shape = (high - low) * FINE
    gx = ((np.arange(shape[0]) + 0.5) / FINE - 0.5 + low[0])[None, :]
    gy = ((np.arange(shape[1]) + 0.5) / FINE - 0.5 + low[1])[:, None]
    back = np.linalg.inv(homography)
    den = back[2, 0] * gx + back[2, 1] * gy + back[2, 2]
    x_mm = ((back[0, 0] * gx + back[0, 1] * gy + back[0, 2]) / den).astype(np.float32)
    y_mm = ((back[1, 0] * gx + back[1, 1] * gy + back[1, 2]) / den).astype(np.float32)
    u = (x_mm - np.float32(target.origin_mm[0])) * np.float32(kx) - np.float32(0.5)
    v = (y_mm - np.float32(target.origin_mm[1])) * np.float32(ky) - np.float32(0.5)
    rows, columns = raster.shape[:2]
    inside = ((u > -0.5) & (v > -0.5) & (u < columns - 0.5) & (v < rows - 0.5)).astype(np.float32)
    fine = cv2.remap(raster, u, v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    if lie.light == "wet":
        _wet(fine, x_mm, y_mm, target, rng)
    fine *= inside[..., None]
    small = (int(high[0] - low[0]), int(high[1] - low[1]))
    layer = cv2.resize(fine, small, interpolation=cv2.INTER_AREA)
    cover = cv2.resize(inside, small, interpolation=cv2.INTER_AREA)[..., None]
    part = picture[low[1] : high[1], low[0] : high[0]]
    part *= 1 - cover
    part += layer
    for quad in _covered(target, lie, rng):
        _finger(picture, project(homography, quad), project(homography, target.corners_mm).mean(axis=0), rng)


def _wet(fine: np.ndarray, x_mm: np.ndarray, y_mm: np.ndarray, target: Target, rng: np.random.Generator) -> None:
    """Lay droplets with their sparks and two patches of glare over the target."""
    low, high = target.corners_mm.min(0), target.corners_mm.max(0)
    unit = float(high[0] - low[0])
    for _ in range(30):
        cx, cy = rng.uniform(low, high)
        r = rng.uniform(0.006, 0.02) * unit
        q = ((x_mm - cx) ** 2 + (y_mm - cy) ** 2) / np.float32(r * r)
        inner = np.clip((1 - q) * 4, 0, 1)
        fine *= (1 - 0.2 * inner * np.clip(q, 0.2, 1))[..., None]
        spark = np.exp(-((x_mm - cx + 0.4 * r) ** 2 + (y_mm - cy + 0.4 * r) ** 2) / np.float32(0.1 * r * r))
        fine += (2.5 * spark * inner)[..., None]
    for _ in range(2):
        cx, cy = rng.uniform(low, high)
        angle, long = rng.uniform(0, math.pi), rng.uniform(0.04, 0.09) * unit
        a = (x_mm - cx) * math.cos(angle) + (y_mm - cy) * math.sin(angle)
        b = (y_mm - cy) * math.cos(angle) - (x_mm - cx) * math.sin(angle)
        fine += (1.8 * np.exp(-((a / long) ** 2) - (b / (0.4 * long)) ** 2))[..., None]


def _covered(target: Target, lie: Lie, rng: np.random.Generator) -> list[np.ndarray]:
    first = int(rng.integers(len(target.covers_mm)))
    return [target.covers_mm[(first + i) % len(target.covers_mm)] for i in range(lie.covered)]


def _finger(picture: np.ndarray, quad: np.ndarray, middle: np.ndarray, rng: np.random.Generator) -> None:
    """Draw a finger that comes from outside and ends over a quadrilateral."""
    at, out = quad.mean(axis=0), quad.mean(axis=0) - middle
    # As thick as the quadrilateral seen across the finger.
    across = np.array([-out[1], out[0]]) / max(float(np.linalg.norm(out)), 1e-9)
    thick = max(2.0, 1.1 * float(np.ptp(quad @ across)))
    reach = max(2.0, 0.55 * float(np.ptp(quad @ (out / max(float(np.linalg.norm(out)), 1e-9)))))
    unit = out / max(float(np.linalg.norm(out)), 1e-9)
    start = at - unit * max(0.0, reach - thick / 2)
    tip = at + unit * 7 * thick
    mask = np.zeros(picture.shape[:2], np.uint8)
    ends = [tuple(int(v) for v in np.round(np.clip(p, -20000, 20000) * 16)) for p in (start, tip)]
    cv2.line(mask, ends[0], ends[1], 255, round(thick), cv2.LINE_AA, 4)
    x, y, w, h = cv2.boundingRect(mask)
    soft = (mask[y : y + h, x : x + w, None] / np.float32(255)).astype(np.float32)
    part = picture[y : y + h, x : x + w]
    part *= 1 - soft
    part += soft * SKIN * np.float32(rng.uniform(0.4, 1.2))


def _light(picture: np.ndarray, target: Target, lie: Lie, homography: np.ndarray, rng: np.random.Generator) -> None:
    """Let the light fall off 4:1 over the target, or a shadow's edge lie through its middle."""
    if lie.light not in ("gradient", "shade"):
        return
    height, width = picture.shape[:2]
    corners = project(homography, target.corners_mm)
    middle = corners.mean(axis=0)
    angle = rng.uniform(0, 2 * math.pi)
    direction = np.array([math.cos(angle), math.sin(angle)])
    span = max(float(np.ptp((corners - middle) @ direction)), 1.0)
    x, y = np.arange(width, dtype=np.float32)[None], np.arange(height, dtype=np.float32)[:, None]
    across = (x - middle[0]) * direction[0] + (y - middle[1]) * direction[1]
    if lie.light == "gradient":
        share = np.clip(across / np.float32(span), -0.8, 0.8)
        picture *= np.exp(share * np.float32(math.log(4.0)) - np.float32(0.8 * math.log(4.0) * 0.5))[..., None]
        return
    edge = np.clip(across / np.float32(max(1.0, 0.01 * span)), -30, 30)
    dark = (1 / (1 + np.exp(edge)))[..., None]
    # Shade is lit by the sky: bluer, a fifth of the light.
    picture *= 1 - dark * (1 - np.array([0.17, 0.2, 0.24], np.float32))
