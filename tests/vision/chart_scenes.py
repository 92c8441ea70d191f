"""Rendered photos of the 24-patch chart, and of things that are none, with their truth.

In: a `ChartScene` and a seed. Out: an encoded picture and the true corners of the patch grid. Everything here is
rendered, nothing photographed; it shares no code with the finder. Run as a program it prints recall by condition:
`python -m tests.vision.chart_scenes [found|none] [count]`.
"""

from __future__ import annotations

import math
import sys
import time
from dataclasses import dataclass, replace

import cv2
import numpy as np

# sRGB (IEC 61966-2-1) of the chart made since November 2014, 0-255, computed with colour-science 0.4.7 from its
# dataset "ColorChecker24 - After November 2014" (Bradford D50 to D65). Typed a second time on purpose.
_SRGB = """
115.7 79.3 65.0  197.2 143.7 126.6  90.8 120.3 155.2  91.5 108.3 63.7  131.1 127.0 174.6  95.3 188.8 171.7
224.1 124.2 48.3  68.6 89.5 167.3  197.3 80.0 95.1  92.9 57.8 103.9  156.1 187.1 58.2  227.4 161.3 39.2
39.7 61.6 145.2  60.6 147.1 70.1  178.2 53.6 56.7  236.4 199.5 14.7  191.2 78.8 146.4  0.0 132.8 165.2
241.0 241.7 235.4  201.1 202.2 201.1  161.3 163.2 162.8  120.7 120.9 120.6  82.7 84.0 84.5  49.5 49.7 50.4
"""
WIDTH, HEIGHT = 1344, 1008
"""A third of a twelve-megapixel photo."""


def _linear(encoded: np.ndarray) -> np.ndarray:
    return np.where(encoded <= 0.04045, encoded / 12.92, ((encoded + 0.055) / 1.055) ** 2.4)


def _encoded(linear: np.ndarray) -> np.ndarray:
    linear = np.clip(linear, 0, 1)
    return np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)


PATCHES = _linear(np.array(_SRGB.split(), float).reshape(4, 6, 3) / 255)


@dataclass(frozen=True)
class ChartScene:
    """How a chart is photographed. `size` is the patch grid's long side, seen square on, over the photo's width."""

    size: float = 0.15
    tilt_deg: float = 20.0
    turn_deg: float | None = None
    blur_px: float = 0.8
    gradient: float = 1.0
    shade: float = 1.0
    glare: int = 0
    finger: int = 0
    exposure: float = 1.0
    noise: float = 0.006
    frame: str = "black"
    gap: float | None = None
    ground: str = "any"
    columns: int = 6
    rows: int = 4
    mirrored: bool = False
    colours: str = "chart"
    light: str = "any"
    cut_off: bool = False
    beside: str = ""


@dataclass(frozen=True)
class SceneTruth:
    """True corners of the patch grid [px], shape (4, 2), and the patch centres, shape (24, 2)."""

    corners_px: np.ndarray
    centres_px: np.ndarray
    pitch_px: float
    least_pitch_px: float
    patch_side: float


def render_chart(scene: ChartScene, seed: int) -> tuple[np.ndarray, SceneTruth]:
    """Render one photo, uint8 RGB, shape (HEIGHT, WIDTH, 3), with its truth."""
    rng = np.random.default_rng(seed)
    ground = _ground(scene.ground, rng)
    gap = scene.gap if scene.gap is not None else float(rng.uniform(0.08, 0.24))
    texture, offset, unit = _print(scene, gap, rng)
    homography = _pose(scene, rng)
    to_image = homography @ np.array([[1 / unit, 0, -offset[0]], [0, 1 / unit, -offset[1]], [0, 0, 1]])
    picture = _composite(ground, texture, to_image)
    side = 1 - gap
    right, below = scene.columns - 1 + side / 2, scene.rows - 1 + side / 2
    corners = _carry(homography, [[-side / 2, -side / 2], [right, -side / 2], [right, below], [-side / 2, below]])
    centres = _carry(homography, [[c, r] for r in range(scene.rows) for c in range(scene.columns)])
    cross = np.abs(
        np.linalg.det(
            np.stack([centres[1] - centres[0], centres[scene.columns] - centres[0]]) if scene.rows > 1 else np.eye(2)
        )
    )
    steps = [np.linalg.norm(centres[i + 1] - centres[i]) for i in range(len(centres) - 1) if (i + 1) % scene.columns]
    rows = centres.reshape(scene.rows, scene.columns, 2)
    steps += list(np.linalg.norm(np.diff(rows, axis=0), axis=2).ravel())
    picture = _lit(picture, scene, corners, rng)
    picture = _covered(picture, scene, rows, rng)
    photo = _photographed(picture, scene, rng)
    return photo, SceneTruth(corners, centres, float(np.sqrt(cross)), float(min(steps)), side)


def _carry(homography: np.ndarray, points: list | np.ndarray) -> np.ndarray:
    lifted = np.c_[np.asarray(points, float), np.ones(len(points))] @ homography.T
    return lifted[:, :2] / lifted[:, 2:]


def _print(scene: ChartScene, gap: float, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray, float]:
    """Return the printed chart (linear), the grid position of its first pixel and pixels per pitch."""
    unit = int(np.clip(3 * scene.size * WIDTH / scene.columns, 24, 160))
    margin = rng.uniform(0.06, 0.5, 4)
    if scene.frame == "none":
        margin[:] = -gap / 2 + 0.01
    level = {"black": 0.025, "white": 0.75, "grey": 0.2, "none": 0.025}[scene.frame]
    tint = level * (1 + rng.normal(0, 0.03, 3))
    left, top = -0.5 - margin[0], -0.5 - margin[1]
    width = int((scene.columns + margin[0] + margin[2]) * unit)
    height = int((scene.rows + margin[1] + margin[3]) * unit)
    sheet = np.empty((height, width, 3))
    sheet[:] = tint
    if scene.colours == "chart":
        colours = PATCHES[: scene.rows, : scene.columns].copy()
        if scene.mirrored:
            colours = colours[:, ::-1]
    else:
        colours = rng.uniform(0.01, 0.9, (scene.rows, scene.columns, 3)) ** rng.uniform(0.5, 2)
        if scene.colours == "shuffled":
            colours = rng.permutation(PATCHES.reshape(-1, 3)).reshape(4, 6, 3)[: scene.rows, : scene.columns]
        elif scene.colours == "grey":
            colours = np.repeat(colours[..., :1], 3, axis=2)
    colours = colours * (1 + rng.normal(0, 0.03, colours.shape))
    if rng.random() < 0.7 and scene.frame == "black" and min(margin) > 0.1:
        # Lettering on the frame.
        for _ in range(8):
            x, y = int(rng.uniform(0, width)), int(0.3 * margin[1] * unit)
            cv2.rectangle(sheet, (x, y), (x + unit // 10, y + unit // 12), (0.6, 0.6, 0.6), -1)
    for row in range(scene.rows):
        for column in range(scene.columns):
            x0, y0 = (column - left - 0.5 + gap / 2) * unit, (row - top - 0.5 + gap / 2) * unit
            x1, y1 = x0 + (1 - gap) * unit, y0 + (1 - gap) * unit
            sheet[round(y0) : round(y1), round(x0) : round(x1)] = colours[row, column]
    # The texture's first pixel's centre lies half a pixel inside its edge.
    return sheet, np.array([-left - 0.5 / unit, -top - 0.5 / unit]), unit


def _pose(scene: ChartScene, rng: np.random.Generator) -> np.ndarray:
    """Return grid units to pixels: a plane tilted against the line of sight, seen by a phone (70 degrees across)."""
    focal = WIDTH / (2 * math.tan(math.radians(35)))
    turn = math.radians(scene.turn_deg if scene.turn_deg is not None else rng.uniform(0, 360))
    axis = rng.uniform(0, 2 * math.pi)
    tilt = math.radians(scene.tilt_deg)
    spin = np.array([[math.cos(turn), -math.sin(turn), 0], [math.sin(turn), math.cos(turn), 0], [0, 0, 1]])
    lean = cv2.Rodrigues(tilt * np.array([math.cos(axis), math.sin(axis), 0.0]))[0]
    rotation = lean @ spin
    distance = focal * scene.columns / (scene.size * WIDTH)
    centre = np.array([[1, 0, -(scene.columns - 1) / 2], [0, 1, -(scene.rows - 1) / 2], [0, 0, 1.0]])
    for _ in range(200):
        if scene.cut_off:
            x, y = rng.uniform(0.0, 1.0, 2)
            side = rng.integers(4)
            x, y = (x, 0.0) if side == 0 else (x, 1.0) if side == 1 else (0.0, y) if side == 2 else (1.0, y)
        else:
            x, y = rng.uniform(0.05, 0.95, 2)
        ray = np.array([(x - 0.5) * WIDTH / focal, (y - 0.5) * HEIGHT / focal, 1.0])
        place = ray * distance
        # The tilt is that against the line of sight, wherever in the picture the chart lies.
        sight = ray / np.linalg.norm(ray)
        swing = np.cross([0.0, 0.0, 1.0], sight)
        bend = math.asin(min(1.0, float(np.linalg.norm(swing))))
        toward = cv2.Rodrigues(swing / max(float(np.linalg.norm(swing)), 1e-9) * bend)[0] @ rotation
        plane = np.column_stack([toward[:, 0], toward[:, 1], place])
        camera = np.array([[focal, 0, (WIDTH - 1) / 2], [0, focal, (HEIGHT - 1) / 2], [0, 0, 1]])
        homography = camera @ plane @ centre
        whole = _carry(homography, [[-0.8, -0.8], [scene.columns - 0.2, -0.8], [scene.columns - 0.2, scene.rows - 0.2],
                                    [-0.8, scene.rows - 0.2]])  # fmt: skip
        inside = (whole > 2).all() and (whole[:, 0] < WIDTH - 3).all() and (whole[:, 1] < HEIGHT - 3).all()
        if scene.cut_off:
            centres = _carry(homography, [[c, r] for r in range(scene.rows) for c in range(scene.columns)])
            seen = ((centres > 0) & (centres < [WIDTH, HEIGHT])).all(1).sum()
            if 6 <= seen <= scene.rows * scene.columns - 2:
                return homography / homography[2, 2]
        elif inside:
            return homography / homography[2, 2]
        if not scene.cut_off:
            distance *= 1.0 if _ < 60 else 1.02
    raise ValueError("the chart does not fit the picture")


def _composite(ground: np.ndarray, texture: np.ndarray, to_image: np.ndarray) -> np.ndarray:
    """Lay the texture over the ground, rendered three times finer where it lies."""
    fine = 3
    height, width = texture.shape[:2]
    corners = _carry(to_image, [[0, 0], [width, 0], [width, height], [0, height]])
    low = np.floor(np.clip(corners.min(0) - 2, 0, [WIDTH - 1, HEIGHT - 1])).astype(int)
    high = np.ceil(np.clip(corners.max(0) + 2, 1, [WIDTH, HEIGHT])).astype(int)
    size = (high - low) * fine
    # Pixel x of the photo covers fine pixels fine * x ... fine * x + fine - 1.
    zoom = np.array([[fine, 0, (fine - 1) / 2 - fine * low[0]], [0, fine, (fine - 1) / 2 - fine * low[1]], [0, 0, 1]])
    big = zoom @ to_image
    layer = cv2.warpPerspective(texture, big, tuple(int(v) for v in size), flags=cv2.INTER_LINEAR)
    cover = cv2.warpPerspective(np.ones(texture.shape[:2]), big, tuple(int(v) for v in size), flags=cv2.INTER_LINEAR)
    small = (int(high[0] - low[0]), int(high[1] - low[1]))
    layer = cv2.resize(layer * cover[..., None], small, interpolation=cv2.INTER_AREA)
    cover = cv2.resize(cover, small, interpolation=cv2.INTER_AREA)[..., None]
    out = ground.copy()
    part = out[low[1] : high[1], low[0] : high[0]]
    part[:] = part * (1 - cover) + layer
    return out


def _cloud(rng: np.random.Generator, scale: float, width: int = WIDTH, height: int = HEIGHT) -> np.ndarray:
    small = rng.normal(0, 1, (max(2, int(height / scale)), max(2, int(width / scale)), 1))
    return cv2.resize(small, (width, height), interpolation=cv2.INTER_CUBIC)[..., None]


GROUNDS = ("plain", "concrete", "wood", "tiles", "grass", "clutter", "water", "chequer", "paper", "mosaic", "keys",
           "windows", "bricks", "noise", "swatches")  # fmt: skip


def _ground(kind: str, rng: np.random.Generator) -> np.ndarray:
    """Return a linear picture of what a chart may lie on."""
    if kind == "any":
        kind = str(rng.choice(["plain", "concrete", "wood", "tiles", "grass", "clutter", "water", "paper", "bricks"]))
    base = rng.uniform(0.05, 0.6) * (1 + rng.normal(0, 0.25, 3))
    out = np.ones((HEIGHT, WIDTH, 3)) * np.clip(base, 0.01, 1)
    y, x = np.mgrid[0:HEIGHT, 0:WIDTH].astype(float)
    if kind == "concrete":
        out = out * (1 + 0.06 * _cloud(rng, 90) + 0.08 * _cloud(rng, 9) + 0.1 * _cloud(rng, 2))
    elif kind == "paper":
        out = np.ones_like(out) * rng.uniform(0.6, 0.85) * (1 + 0.02 * _cloud(rng, 200))
    elif kind == "wood":
        grain = np.sin((x + 30 * _cloud(rng, 200)[..., 0]) / rng.uniform(2, 14))[..., None]
        out = np.array([0.45, 0.28, 0.15]) * (1 + 0.15 * grain + 0.05 * _cloud(rng, 3))
    elif kind in ("tiles", "mosaic", "bricks", "keys", "windows", "chequer", "swatches"):
        out = _tiling(kind, x, y, rng)
    elif kind == "grass":
        out = np.array([0.1, 0.25, 0.06]) * np.exp(0.5 * _cloud(rng, 4) + 0.4 * _cloud(rng, 12))
    elif kind == "water":
        waves = _cloud(rng, 30) + 0.6 * _cloud(rng, 8)
        out = np.array([0.05, 0.3, 0.35]) * np.exp(0.35 * waves) + 0.5 * (waves > 2.3)
    elif kind == "noise":
        out = rng.uniform(0, 1, (HEIGHT // 6, WIDTH // 6, 3))
        out = cv2.resize(out, (WIDTH, HEIGHT), interpolation=int(rng.choice([cv2.INTER_NEAREST, cv2.INTER_CUBIC])))
    elif kind == "clutter":
        out = out * (1 + 0.1 * _cloud(rng, 40))
        for _ in range(60):
            centre, size = rng.uniform(0, [WIDTH, HEIGHT]), rng.uniform(10, 160)
            corners = centre + rng.normal(0, size, (4, 2))
            cv2.fillConvexPoly(out, cv2.convexHull(corners.astype(np.int32)), tuple(rng.uniform(0.02, 0.8, 3)))
    return np.clip(out, 0.001, 1.5)


def _tiling(kind: str, x: np.ndarray, y: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Return a plane of repeated cells seen at a slant."""
    pitch = rng.uniform(10, 120)
    angle = rng.uniform(0, math.pi)
    depth = 1 + rng.uniform(-0.3, 0.3) * x / WIDTH + rng.uniform(-0.3, 0.3) * y / HEIGHT
    u = (x * math.cos(angle) + y * math.sin(angle)) / depth / pitch
    v = (-x * math.sin(angle) + y * math.cos(angle)) / depth / pitch * rng.uniform(0.6, 1.0)
    if kind == "bricks":
        v = v * 2
        u = u + 0.5 * (np.floor(v) % 2)
    column, row = np.floor(u).astype(int), np.floor(v).astype(int)
    gap = rng.uniform(0.03, 0.3) / 2
    grout = (u - column < gap) | (u - column > 1 - gap) | (v - row < gap) | (v - row > 1 - gap)
    key = (column * 7919 + row * 104729) % 509
    if kind == "chequer":
        bright = (column + row) % 2
        return np.where(bright[..., None] == 1, rng.uniform(0.5, 0.9), rng.uniform(0.01, 0.1)) * np.ones(3)
    colour = rng.uniform(0.02, 0.9, 3)
    spread = {"tiles": 0.08, "bricks": 0.2, "keys": 0.03, "windows": 0.6}.get(kind, 0.0)
    table = colour * np.exp(rng.normal(0, spread, (509, 1))) * np.exp(rng.normal(0, spread / 3, (509, 3)))
    if kind == "mosaic":
        table = rng.uniform(0.01, 0.9, (509, 3)) ** rng.uniform(0.6, 2.0)
    elif kind == "swatches":
        table = PATCHES.reshape(-1, 3)[rng.integers(0, 24, 509)]
    out = table[key]
    out[grout] = rng.choice([0.03, 0.3, 0.8]) * rng.uniform(0.7, 1.2)
    if kind == "keys":
        letter = (np.abs(u - column - 0.4) < 0.12) & (np.abs(v - row - 0.4) < 0.15)
        out[letter & (key % 3 > 0)] = 0.7
    return out


def _lit(picture: np.ndarray, scene: ChartScene, corners: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Let the light fall off over the chart, and a shadow's edge lie through its middle."""
    y, x = np.mgrid[0:HEIGHT, 0:WIDTH].astype(float)
    middle = corners.mean(0)
    angle = rng.uniform(0, 2 * math.pi)
    across = (x - middle[0]) * math.cos(angle) + (y - middle[1]) * math.sin(angle)
    extent = (corners - middle) @ [math.cos(angle), math.sin(angle)]
    span = max(float(np.ptp(extent)), 1.0)
    if scene.gradient > 1:
        share = np.clip(across / span, -1.5, 1.5)
        picture = picture * np.exp(math.log(scene.gradient) * share)[..., None] / math.sqrt(scene.gradient)
    if scene.shade < 1:
        angle = rng.uniform(0, 2 * math.pi)
        across = (x - middle[0]) * math.cos(angle) + (y - middle[1]) * math.sin(angle)
        dark = 1 / (1 + np.exp(-np.clip(across / max(1.0, 0.01 * span), -40, 40)))
        # Shade is lit by the sky: bluer.
        shade = scene.shade * np.array([0.88, 1.0, 1.15])
        picture = picture * (1 - dark[..., None] * (1 - shade))
    return picture


def _covered(picture: np.ndarray, scene: ChartScene, rows: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Lay glare and fingers on patches; `rows` are the patch centres by row and column."""
    height, width = rows.shape[:2]
    for _ in range(scene.glare):
        r, c = rng.integers(height), rng.integers(width)
        step = rows[r, (c + 1) % width] - rows[r, c] if width > 1 else np.array([5.0, 0])
        reach = max(2.0, 0.55 * float(np.linalg.norm(step)) / max(1, abs((c + 1) % width - c)))
        y, x = np.mgrid[0:HEIGHT, 0:WIDTH].astype(float)
        spot = np.exp(-0.5 * (((x - rows[r, c][0]) ** 2 + (y - rows[r, c][1]) ** 2) / (0.7 * reach) ** 2))
        picture = picture + 1.6 * spot[..., None]
    if scene.finger:
        # A finger comes in from the side over one or two patches beside each other.
        r = int(rng.integers(height))
        left = bool(rng.integers(2))
        inner = rows[r, scene.finger - 1] if left else rows[r, width - scene.finger]
        outer = rows[r, 0] if left else rows[r, width - 1]
        step = rows[r, 1] - rows[r, 0]
        out = outer + (-8 * step if left else 8 * step)
        thick = float(np.linalg.norm(rows[1, 0] - rows[0, 0])) * 0.75
        skin = np.array([0.45, 0.25, 0.17]) * rng.uniform(0.3, 1.3)
        mask = np.zeros((HEIGHT, WIDTH), np.uint8)
        cv2.line(mask, tuple(int(v) for v in inner), tuple(int(v) for v in out), 1, max(2, int(thick)), cv2.LINE_8)
        picture = np.where(mask[..., None] > 0, skin, picture)
    return picture


def _photographed(picture: np.ndarray, scene: ChartScene, rng: np.random.Generator) -> np.ndarray:
    """Blur, expose, mix colours as a camera does, add noise, encode with a tone curve of its own, and save as JPEG."""
    if scene.blur_px > 0:
        picture = cv2.GaussianBlur(picture, (0, 0), scene.blur_px)
    if scene.light == "any":
        warm = rng.uniform(-0.5, 0.5)
        gains = np.array([math.exp(0.6 * warm), 1.0, math.exp(-0.8 * warm)])
    else:
        gains = np.ones(3)
    leak = rng.uniform(-0.06, 0.1, (3, 3))
    np.fill_diagonal(leak, 0)
    mixed = picture @ (np.eye(3) + leak - np.diag(leak.sum(1))).T * gains
    mixed = mixed * scene.exposure * rng.uniform(0.8, 1.0) + rng.uniform(0, 0.012)
    mixed = mixed + rng.normal(0, 1, mixed.shape) * (scene.noise * np.sqrt(np.clip(mixed, 0.02, 1)))
    value = _encoded(mixed)
    curve = rng.uniform(0, 0.7)
    value = value + curve * (value * value * (3 - 2 * value) - value)
    quality = int(rng.integers(82, 95))
    _, blob = cv2.imencode(
        ".jpg", np.round(value[..., ::-1] * 255).astype(np.uint8), [cv2.IMWRITE_JPEG_QUALITY, quality]
    )
    return np.ascontiguousarray(cv2.imdecode(blob, cv2.IMREAD_COLOR)[..., ::-1])


BASE = ChartScene()
CONDITIONS: dict[str, list[ChartScene]] = {
    "size 5 %": [replace(BASE, size=0.05, tilt_deg=t) for t in (0, 20, 40)],
    "size 7 %": [replace(BASE, size=0.07, tilt_deg=t) for t in (0, 30, 50)],
    "size 10 %": [replace(BASE, size=0.10, tilt_deg=t) for t in (0, 30, 60)],
    "size 25 %": [replace(BASE, size=0.25, tilt_deg=t) for t in (0, 30, 60)],
    "size 50 %": [replace(BASE, size=0.5, tilt_deg=t) for t in (0, 30, 60)],
    "tilt 45": [replace(BASE, tilt_deg=45, size=s) for s in (0.08, 0.15, 0.3)],
    "tilt 55": [replace(BASE, tilt_deg=55, size=s) for s in (0.08, 0.15, 0.3)],
    "tilt 65": [replace(BASE, tilt_deg=65, size=s) for s in (0.1, 0.15, 0.3)],
    "blur 2 px": [replace(BASE, blur_px=2, size=s) for s in (0.1, 0.15, 0.25)],
    "blur 3 px": [replace(BASE, blur_px=3, size=s) for s in (0.12, 0.15, 0.25)],
    "gradient 4:1": [replace(BASE, gradient=4, size=s) for s in (0.08, 0.15, 0.25)],
    "half in shade": [replace(BASE, shade=k, size=s) for s in (0.08, 0.15, 0.25) for k in (0.2, 0.4)],
    "glare on patches": [replace(BASE, glare=g, size=s) for s in (0.1, 0.25) for g in (1, 2)],
    "finger": [replace(BASE, finger=f, size=s) for s in (0.1, 0.25) for f in (1, 2)],
    "over by a stop": [replace(BASE, exposure=2.0, size=s) for s in (0.08, 0.15, 0.25)],
    "under by two stops": [replace(BASE, exposure=0.25, size=s) for s in (0.08, 0.15, 0.25)],
    "noise": [replace(BASE, noise=0.03, size=s) for s in (0.08, 0.15, 0.25)],
    "white surround": [replace(BASE, frame="white", size=s) for s in (0.08, 0.15, 0.25)],
    "grey surround": [replace(BASE, frame="grey", size=s) for s in (0.08, 0.15, 0.25)],
    "no frame": [replace(BASE, frame="none", size=s) for s in (0.08, 0.15, 0.25)],
    "no gaps": [replace(BASE, gap=0.0, size=s) for s in (0.08, 0.15, 0.25)],
    "wide gaps": [replace(BASE, gap=0.35, size=s) for s in (0.08, 0.15, 0.25)],
    "all at once": [
        replace(BASE, size=0.12, tilt_deg=40, blur_px=1.5, gradient=2.5, finger=1),
        replace(BASE, size=0.2, tilt_deg=50, blur_px=2, shade=0.3, glare=1),
    ],
}
"""Scenes by condition, all of them usable: a person reads the patches apart in each."""

SMALLEST: dict[str, list[ChartScene]] = {
    "size 4 %, square on": [replace(BASE, size=0.04, tilt_deg=t) for t in (0, 20)],
    "size 5 %, tilt 65": [replace(BASE, size=0.05, tilt_deg=65)],
    "size 10 %, blur 3 px": [replace(BASE, size=0.1, blur_px=3)],
    "size 5 %, blur 2 px": [replace(BASE, size=0.05, blur_px=2)],
}
"""Beyond what a third of a photo shows: what the finder still reaches."""


def negatives(count: int, seed: int = 0) -> list[tuple[str, ChartScene | str, int]]:
    """Return (name, what to render, seed) of pictures without a whole chart."""
    rng = np.random.default_rng(seed)
    kinds: list[tuple[str, ChartScene | str]] = [(f"ground {kind}", kind) for kind in GROUNDS]
    kinds += [
        ("chart cut off", replace(BASE, cut_off=True)),
        ("five columns", replace(BASE, columns=5)),
        ("three rows", replace(BASE, rows=3)),
        ("mirrored", replace(BASE, mirrored=True)),
        ("shuffled colours", replace(BASE, colours="shuffled")),
        ("random swatches", replace(BASE, colours="random")),
        ("grey swatches", replace(BASE, colours="grey")),
    ]
    out = []
    for i in range(count):
        name, what = kinds[i % len(kinds)]
        if isinstance(what, ChartScene):
            what = replace(
                what, size=float(rng.uniform(0.1, 0.6)), tilt_deg=float(rng.uniform(0, 50)),
                frame=str(rng.choice(["black", "white", "grey", "none"])), blur_px=float(rng.uniform(0.5, 2)),
            )  # fmt: skip
        out.append((name, what, 10_000 + i))
    return out


def render_negative(what: ChartScene | str, seed: int) -> np.ndarray:
    """Render a picture without a whole chart."""
    if isinstance(what, ChartScene):
        return render_chart(what, seed)[0]
    rng = np.random.default_rng(seed)
    picture = _ground(what, rng)
    return _photographed(picture, replace(BASE, blur_px=float(rng.uniform(0.3, 2))), rng)


def main() -> None:
    """Print recall by condition, or false finds."""
    from vision.chart import ChartFound, look_for_chart

    what = sys.argv[1] if len(sys.argv) > 1 else "found"
    count = int(sys.argv[2]) if len(sys.argv) > 2 else 12
    if what == "none":
        false, times, reasons = [], [], {}
        for name, kind, seed in negatives(count):
            photo = render_negative(kind, seed)
            begin = time.perf_counter()
            found = look_for_chart(photo)
            times.append(time.perf_counter() - begin)
            if isinstance(found, ChartFound):
                false.append((name, seed, round(found.colour_fit, 2), round(found.edge_share, 2)))
            else:
                reasons.setdefault(name, []).append(found.reason)
        print(f"{len(false)} false of {count}; {1000 * np.median(times):.0f} ms median, {1000 * max(times):.0f} most")
        for each in false:
            print("  false:", each)
        for name, each in reasons.items():
            print(f"  {name}: cut_off {each.count('cut_off')}, not_found {each.count('not_found')}")
        return
    total = hit = wrong = 0
    for name, scenes in {**CONDITIONS, **{f"({k})": v for k, v in SMALLEST.items()}}.items():
        got, bad, errors, times, missed = 0, 0, [], [], []
        for i in range(count):
            scene = scenes[i % len(scenes)]
            photo, truth = render_chart(scene, 1000 + i)
            begin = time.perf_counter()
            found = look_for_chart(photo)
            times.append(time.perf_counter() - begin)
            if isinstance(found, ChartFound):
                error = np.linalg.norm(found.corners_px - truth.corners_px, axis=1).max()
                if error > 0.5 * truth.pitch_px:
                    bad += 1
                else:
                    got += 1
                    errors.append(error)
            else:
                missed.append((1000 + i, i % len(scenes), found.reason))
        if not name.startswith("("):
            total, hit, wrong = total + count, hit + got, wrong + bad
        worst = f"{np.median(errors):.2f}/{max(errors):.2f}" if errors else "-"
        print(f"{name:24s} {got:3d}/{count} wrong {bad} corner error px med/max {worst:10s} "
              f"{1000 * np.median(times):4.0f} ms  missed {missed[:6]}", flush=True)  # fmt: skip
    print(f"usable: found {hit} of {total} ({100 * hit / total:.2f} %), wrong place {wrong}")


if __name__ == "__main__":
    main()
