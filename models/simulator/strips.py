"""Render photos of test strips and of their printed colour keys, beside a card or on plain white ground, with truth.

In: a `StripScene` or `KeyScene`. Out: `StripPhoto`: the photo, where each pad or swatch lies, the values. Spectral
throughout: pads by `stripdyes`, card and print by `target`, light and camera as in the pool scenes. Everything lies on
one plane, drawn flat in millimetres and seen through one homography. Shares no code with the reader.
"""

from __future__ import annotations

import io
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from models.simulator import stripdyes as dyes
from models.simulator.camera import CameraSpec, develop, spectral_response
from models.simulator.illuminants import daylight_of
from models.simulator.sampling import sample_camera
from models.simulator.specs import CardSpec
from models.simulator.spectra import encode_srgb, reflectance_of, srgb_weights
from models.simulator.stripdyes import StripTruth
from models.simulator.target import design_of, draw_flat, print_reflectances

F64 = NDArray[Any]
PER_MM = 8.0
"""Pixels of the flat drawing per mm."""
CHART_UNIT_MM = 2.0
"""One design unit of the 24-patch chart as laid down [mm]: a chart 120 mm wide."""


@dataclass(frozen=True)
class StripScene:
    """One photo of a strip.

    Attributes
    ----------
    kind : which of the invented kinds.
    values : analyte -> true value.
    card : "turnblue", "chart24" or None (plain white ground).
    place : "slot" (own card only) or "loose".
    state : wet, dry, late, half or face_down.
    turned : the strip's tip to the right instead of the left.
    missing, washed : pads that fell off (bare plastic) or are washed pale.
    skew_deg, offset_mm : how the strip lies against its place's middle axis; None draws one.
    late_min : minutes over the read time where `state` is late.
    light_cct_k, camera, seed : light, phone and everything else drawn.
    """

    kind: StripTruth
    values: Mapping[str, float] = field(default_factory=dict)
    card: str | None = "turnblue"
    place: str = "slot"
    state: str = "wet"
    turned: bool = False
    missing: tuple[int, ...] = ()
    washed: tuple[int, ...] = ()
    skew_deg: float | None = None
    offset_mm: tuple[float, float] | None = None
    late_min: float = 10.0
    light_cct_k: float | None = None
    camera: int | CameraSpec | None = None
    size_px: tuple[int, int] = (2000, 1500)
    seed: int = 0


@dataclass(frozen=True)
class KeyScene:
    """One photo of a kind's printed key beside a card; `print_error` 1 is about 2 to 3 CIEDE2000."""

    kind: StripTruth
    card: str = "turnblue"
    print_error: float = 0.25
    light_cct_k: float | None = None
    camera: int | CameraSpec | None = None
    size_px: tuple[int, int] = (2000, 1500)
    seed: int = 0


@dataclass(frozen=True)
class StripPhoto:
    """A rendered photo and its truth.

    `quads_px`, shape (N, 4, 2), are the pads in their order, or the swatches, whose (row, column) `names` gives.
    """

    photo_rgb: NDArray[np.uint8]
    quads_px: F64
    values: Mapping[str, float]
    camera: CameraSpec
    names: tuple[tuple[int, int], ...] = ()

    def jpeg(self, *, taken_at: datetime | None = None) -> bytes:
        """Return the photo as a phone would have stored it; EXIF says that it is rendered."""
        exif = Image.Exif()
        exif[0x010E] = "Rendered photo, not a real strip"
        if taken_at is not None:
            inner = exif.get_ifd(0x8769)
            inner[0x9003] = taken_at.strftime("%Y:%m:%d %H:%M:%S")
            offset = taken_at.strftime("%z")
            if offset:
                inner[0x9011] = f"{offset[:3]}:{offset[3:5]}"
        out = io.BytesIO()
        image = Image.fromarray(self.photo_rgb)
        image.save(out, "JPEG", quality=self.camera.jpeg_quality, exif=exif.tobytes(), subsampling=2)
        return out.getvalue()


class _Plane:
    """The flat drawing: linear camera colours, shape (H, W, 3), its top left corner at `origin` [mm]."""

    def __init__(self, box_mm: tuple[float, float, float, float], weights: F64, ground: F64) -> None:
        x0, y0, x1, y1 = box_mm
        self.origin = np.array([x0, y0])
        self.weights = weights
        self.pixels = np.empty((round((y1 - y0) * PER_MM), round((x1 - x0) * PER_MM), 3), np.float32)
        self.pixels[:] = (weights @ ground).astype(np.float32)

    def lay(self, colours: F64, alpha: F64, to_mm: F64) -> None:
        """Lay a small picture down; `to_mm`, shape (2, 3), maps its pixels to mm."""
        matrix = to_mm * PER_MM
        matrix[:, 2] -= self.origin * PER_MM + 0.5
        h, w = alpha.shape
        corners = np.array([[0, 0, 1], [w, 0, 1], [w, h, 1], [0, h, 1.0]]) @ matrix.T
        low = np.maximum(np.floor(corners.min(axis=0)).astype(int) - 8, 0)
        high = np.minimum(np.ceil(corners.max(axis=0)).astype(int) + 9, self.pixels.shape[1::-1])
        if (high <= low).any():
            return
        matrix = matrix - np.array([[0, 0, low[0]], [0, 0, low[1]]])
        size = (int(high[0] - low[0]), int(high[1] - low[1]))
        laid = cv2.warpAffine((colours * alpha[..., None]).astype(np.float32), matrix, size)
        cover = cv2.warpAffine(alpha.astype(np.float32), matrix, size)[..., None]
        region = self.pixels[low[1] : high[1], low[0] : high[0]]
        # It stands off the ground a little: a soft rim.
        shadow = cv2.GaussianBlur(cover, (0, 0), 0.5 * PER_MM)[..., None]
        region *= (1 - 0.12 * shadow) * (1 - cover)
        region += laid


def _weights(camera: CameraSpec, cct_k: float | None, rng: np.random.Generator) -> F64:
    """Return the 3 x 31 matrix from reflectance to camera colours under daylight with a little foliage in it."""
    drawn = float(rng.uniform(4300, 8500))
    leaf = reflectance_of((0.22, 0.32, 0.12))
    light = daylight_of(drawn if cct_k is None else cct_k) * (1 + rng.uniform(0, 0.25) * (leaf / leaf.mean() - 1))
    return np.asarray(spectral_response(camera, light) * light)


def _camera(asked: int | CameraSpec | None, rng: np.random.Generator) -> CameraSpec:
    return asked if isinstance(asked, CameraSpec) else sample_camera(rng, asked)


def _ground(rng: np.random.Generator) -> F64:
    """Return a plain ground: stone, board or a towel's dull colour."""
    shade = np.clip(rng.uniform(0.25, 0.7) + rng.normal(0, 0.05, 3), 0.1, 0.85)
    return reflectance_of(tuple(float(v) for v in np.round(shade, 3)))  # type: ignore[arg-type]


def _white(rng: np.random.Generator) -> F64:
    """Return a white sheet's reflectance."""
    return np.asarray(rng.uniform(0.84, 0.92) * (1 - rng.uniform(0, 0.02) * np.linspace(1, 0, 31)))


def _lay_card(plane: _Plane, kind: str, print_seed: int) -> None:
    """Lay the card with its top left at (0, 0)."""
    unit = CHART_UNIT_MM if kind == "chart24" else 1.0
    spec = CardSpec(kind=kind, print_error=0.4 if kind == "turnblue" else 0.0, print_seed=print_seed, number=7)
    index, spectra, margin = draw_flat(spec, PER_MM * unit)
    colours = (spectra @ plane.weights.T)[index]
    first = -margin * unit + 0.5 / PER_MM
    plane.lay(colours, np.ones(index.shape), np.array([[1 / PER_MM, 0, first], [0, 1 / PER_MM, first]]))


def _pad_spectrum(scene: StripScene, number: int, rng: np.random.Generator) -> F64 | None:
    """Return one pad's reflectance as it lies there, None where it fell off."""
    scale = next(s for s in scene.kind.scales if number in s.pads)
    dye, lowest = scene.kind.pads[number].dye, scale.values[0]
    value = scene.values.get(scale.analyte, lowest)
    # Pads are dosed unevenly: a few per cent of dye, strip by strip.
    strength = float(np.exp(rng.normal(0, 0.03))) * (0.12 if number in scene.washed else 1.0)
    if number in scene.missing or scene.state == "face_down":
        return None
    if scene.state == "dry":
        return dyes.dry_reflectance(dye, lowest)
    if scene.state == "late":
        return dyes.late_reflectance(dye, value, lowest, scene.late_min)
    return dyes.pad_reflectance(dye, value, strength=strength)


def _draw_strip(plane: _Plane, scene: StripScene, to_mm: F64, rng: np.random.Generator) -> F64:
    """Draw the strip and return its pads' quads in mm, shape (N, 4, 2); `to_mm` maps the strip's own mm."""
    kind, k = scene.kind, 12.0
    shape = (round(kind.width_mm * k), round(kind.length_mm * k))
    colours = np.empty((*shape, 3))
    colours[:] = plane.weights @ dyes.plastic_reflectance()
    alpha = np.ones(shape)
    half, cy = kind.pad_mm / 2, kind.width_mm / 2
    quads = []
    for number, pad in enumerate(kind.pads):
        left, right = pad.centre_mm - half, pad.centre_mm + half
        quads.append([[left, cy - half], [right, cy - half], [right, cy + half], [left, cy + half]])
        spectrum = _pad_spectrum(scene, number, rng)
        x0, x1, y0, y1 = round(left * k), round(right * k), max(0, round((cy - half) * k)), round((cy + half) * k)
        # A wet pad is a little darker towards one side, and blotchy.
        drift = 1 + 0.02 * rng.normal() * np.linspace(-0.5, 0.5, x1 - x0)
        blotch = cv2.GaussianBlur(rng.normal(0, 1, (y1 - y0, x1 - x0)), (0, 0), 0.6 * k)
        if spectrum is not None:
            uneven = drift + 0.02 * blotch / max(float(blotch.std()), 1e-9)
            colours[y0:y1, x0:x1] = (plane.weights @ spectrum) * uneven[..., None]
    if scene.state == "wet" and rng.random() < 0.4:
        # Wet shine: a few small spots.
        y, x = np.mgrid[0 : shape[0], 0 : shape[1]]
        for _ in range(int(rng.integers(1, 5))):
            sx, sy, r = rng.uniform(0, shape[1]), rng.uniform(0, shape[0]), rng.uniform(0.2, 0.6) * k
            colours += (rng.uniform(0.1, 0.8) * np.exp(-((x - sx) ** 2 + (y - sy) ** 2) / r**2))[..., None]
    if scene.state == "half":
        cut = (kind.pads[0].centre_mm + kind.pads[-1].centre_mm) / 2
        alpha[:, : round(cut * k)] = 0
    own = np.array([[1 / k, 0, 0.5 / k], [0, 1 / k, 0.5 / k], [0, 0, 1]])
    plane.lay(colours, alpha, to_mm @ own)
    return np.asarray(np.array(quads) @ to_mm[:, :2].T + to_mm[:, 2])


def _strip_pose(scene: StripScene, rng: np.random.Generator) -> F64:
    """Return the 2 x 3 map from the strip's own mm to the plane's."""
    kind = scene.kind
    if scene.place == "slot" and scene.card == "turnblue":
        x, y, w, h = design_of("turnblue").strip_slot_mm or (0.0, 0.0, 0.0, 0.0)
        middle = np.array([x + w / 2, y + h / 2])
        spread = np.array([max(w / 2 - kind.length_mm / 2 - 2, 0), h / 2 - kind.width_mm / 2 - 3.5])
        skew = float(rng.uniform(-3, 3))
    else:
        middle = np.array({"turnblue": (90, 138), "chart24": (60, 100)}.get(scene.card or "", (0, 0)), dtype=float)
        spread = np.array([15.0, 3.0])
        skew = float(rng.uniform(-8, 8))
    drawn = rng.uniform(-1, 1, 2) * spread
    middle = middle + (drawn if scene.offset_mm is None else np.array(scene.offset_mm))
    skew = skew if scene.skew_deg is None else scene.skew_deg
    turn = np.radians(skew + (180 if scene.turned else 0))
    along = np.array([np.cos(turn), np.sin(turn)])
    across = np.array([-along[1], along[0]])
    start = middle - along * kind.length_mm / 2 - across * kind.width_mm / 2
    return np.column_stack([along, across, start])


def _photograph(
    plane: _Plane, camera: CameraSpec, size_px: tuple[int, int], rng: np.random.Generator, seed: int
) -> tuple[NDArray[np.uint8], F64]:
    """See the plane through a tilted phone; return the photo and the homography from mm to its pixels."""
    h, w = plane.pixels.shape[:2]
    box = np.array([w, h]) / PER_MM
    scale = rng.uniform(0.82, 0.95) * min(size_px[0] / box[0], size_px[1] / box[1])
    turn = np.radians(rng.normal(0, 5) + (180 if rng.random() < 0.1 else 0))
    tilt, axis = np.radians(rng.uniform(0, 22)), rng.uniform(0, 2 * np.pi)
    corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * box / 2
    turned = corners @ np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    towards = np.array([np.cos(axis), np.sin(axis)])
    along = turned @ towards
    distance = 1.3 * box.max()
    flat = turned - np.outer(along, towards) * (1 - np.cos(tilt))
    seen = flat * (distance / (distance + np.sin(tilt) * along))[:, None] * scale + np.array(size_px) / 2
    to_px = cv2.getPerspectiveTransform((corners + plane.origin + box / 2).astype(np.float32), seen.astype(np.float32))
    place = plane.origin + 0.5 / PER_MM
    from_plane = np.array([[1 / PER_MM, 0, place[0]], [0, 1 / PER_MM, place[1]], [0, 0, 1]])
    y, x = np.mgrid[-1 : 1 : h * 1j, -1 : 1 : w * 1j].astype(np.float32)
    slopes = rng.normal(0, [0.06, 0.06, 0.03])
    plane.pixels *= np.exp(slopes[0] * x + slopes[1] * y + slopes[2] * x * y)[..., None].astype(np.float32)
    edge = tuple(float(v) for v in plane.pixels[:4].mean(axis=(0, 1)))
    soft = cv2.GaussianBlur(plane.pixels, (0, 0), max(0.3, 0.45 * PER_MM / scale))
    linear = cv2.warpPerspective(soft, to_px @ from_plane, size_px, flags=cv2.INTER_LINEAR, borderValue=edge)
    return develop(linear, camera, illuminance_lux=15000.0, seed=seed), np.asarray(to_px)


def _project(to_px: F64, points_mm: F64) -> F64:
    flat = points_mm.reshape(-1, 1, 2).astype(np.float64)
    return np.asarray(cv2.perspectiveTransform(flat, to_px)).reshape(points_mm.shape)


def render_strip(scene: StripScene) -> StripPhoto:
    """Render one photo of a strip; a pad that fell off has its quad where it would lie."""
    rng = np.random.default_rng([5077, scene.seed])
    camera = _camera(scene.camera, rng)
    if scene.card is None:
        # Phones lift a picture that is white all over, if not by all it needs.
        camera = replace(camera, exposure_ev=camera.exposure_ev + 0.9)
    weights = _weights(camera, scene.light_cct_k, rng)
    if scene.card is None:
        plane = _Plane((-75, -50, 75, 50), weights, _white(rng))
    else:
        size = (180.0, 120.0) if scene.card == "turnblue" else (120.0, 80.0)
        below = 12.0 if scene.place == "slot" and scene.card == "turnblue" else 38.0
        plane = _Plane((-20, -16, size[0] + 20, size[1] + below), weights, _ground(rng))
        _lay_card(plane, scene.card, int(rng.integers(1, 1000)))
    quads_mm = _draw_strip(plane, scene, _strip_pose(scene, rng), rng)
    photo, to_px = _photograph(plane, camera, scene.size_px, rng, scene.seed)
    return StripPhoto(photo, _project(to_px, quads_mm), dict(scene.values), camera)


def true_swatches(kind: StripTruth, number: int) -> F64:
    """Return the linear sRGB (D65) of pad `number` at each value of its scale, shape (values, 3)."""
    scale = next(s for s in kind.scales if number in s.pads)
    return np.array([srgb_weights() @ dyes.pad_reflectance(kind.pads[number].dye, v) for v in scale.values])


def render_key(scene: KeyScene) -> StripPhoto:
    """Render one photo of a printed key: a row a pad, swatches left to right with their numbers below.

    The print has the pads' colours under D65 by other spectra than the pads', and errs a little.
    """
    rng = np.random.default_rng([9311, scene.seed])
    camera = _camera(scene.camera, rng)
    weights = _weights(camera, scene.light_cct_k, rng)
    size = (180.0, 120.0) if scene.card == "turnblue" else (120.0, 80.0)
    rows = len(scene.kind.pads)
    label = (20 + 12.0 * max(len(s.values) for s in scene.kind.scales), 8 + 11.0 * rows)
    plane = _Plane((-14, -14, max(size[0], label[0]) + 14, size[1] + label[1] + 24), weights, _ground(rng))
    _lay_card(plane, scene.card, int(rng.integers(1, 1000)))
    k = 10.0
    sheet = np.empty((round(label[1] * k), round(label[0] * k), 3))
    sheet[:] = weights @ np.full(31, 0.86)
    print_spec = CardSpec(print_error=scene.print_error, print_seed=scene.seed + 1)
    quads, names = [], []
    for row in range(rows):
        wanted = [encode_srgb(np.clip(c, 0, 1)) for c in true_swatches(scene.kind, row)]
        # `print_reflectances` puts paper of 0.90 under everything; a key is printed to match, so that is divided out.
        spectra = print_reflectances(print_spec, [(float(c[0]), float(c[1]), float(c[2])) for c in wanted]) / 0.90
        y = 4 + 11.0 * row
        _number(sheet, 3, y + 1, k, rng)
        for column, spectrum in enumerate(spectra):
            x = 16 + 12.0 * column
            quads.append([[x, y], [x + 9, y], [x + 9, y + 6.5], [x, y + 6.5]])
            names.append((row, column))
            sheet[round(y * k) : round((y + 6.5) * k), round(x * k) : round((x + 9) * k)] = weights @ spectrum
            _number(sheet, x + 2, y + 7.2, k, rng)
    skew = np.radians(rng.uniform(-5, 5))
    rotation = np.array([[np.cos(skew), -np.sin(skew)], [np.sin(skew), np.cos(skew)]])
    start = np.array([size[0] / 2, size[1] + label[1] / 2 + 10]) - rotation @ (np.array(label) / 2)
    plane.lay(sheet, np.ones(sheet.shape[:2]), np.column_stack([rotation / k, start]))
    quads_mm = np.array(quads) @ rotation.T + start
    photo, to_px = _photograph(plane, camera, scene.size_px, rng, scene.seed)
    return StripPhoto(photo, _project(to_px, quads_mm), {}, camera, tuple(names))


def _number(sheet: F64, x: float, y: float, k: float, rng: np.random.Generator) -> None:
    """Print something like a number: dark strokes 2 mm high."""
    for stroke in range(int(rng.integers(2, 5))):
        left = round((x + 1.3 * stroke) * k)
        sheet[round(y * k) : round((y + 2) * k), left : left + 4] *= 0.06
