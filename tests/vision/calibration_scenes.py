"""Rendered photos of a misprinted card beside the 24-patch chart, with the print's true colours.

In: how they lie and are lit. Out: JPEG bytes; `printed_lab` is the truth. Rendered, not photographed; it shares no code
with what it tests but the designs and the colour formulas.
"""

from __future__ import annotations

import importlib.util
import io
from pathlib import Path

import cv2
import numpy as np
from PIL import Image

from vision import colour
from vision.specs import load_card, load_chart24

PER_MM = 5


def _helper(name: str):
    spec = importlib.util.spec_from_file_location(name, Path(__file__).with_name(f"{name}.py"))
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def printed_lab(seed: int, *, size: float = 3.0) -> np.ndarray:
    """Return CIELAB (D65) of the card as a desk printer prints it, shape (48, 3).

    A printer is off alike for colours alike: a cast, less contrast, less chroma, and a smooth change over CIELAB;
    patches of the same design are printed the same.
    """
    rng = np.random.default_rng(seed)
    lab = load_card().reference_lab
    out = lab * [0.96, 1, 1] + [2.0, 0, 0]
    out[:, 1:] = out[:, 1:] * rng.uniform(0.85, 1.0) + rng.normal(0, size / 3, 2)
    knots = rng.uniform([20, -50, -50], [95, 50, 50], (6, 3))
    for knot in knots:
        near = np.exp(-(((lab - knot) / 35) ** 2).sum(axis=1))
        out += near[:, None] * rng.normal(0, size, 3)
    return out


def beside_chart(
    seed: int,
    *,
    lab: np.ndarray,
    gradient: tuple[float, float] = (0.0, 0.0),
    tint: tuple[float, float, float] = (1.0, 1.0, 1.0),
    exposure: float = 0.7,
    contrast: float = 1.0,
    mix: float = 0.06,
    with_chart: bool = True,
    with_card: bool = True,
    number: int = 7,
    quality: int = 92,
    chart_glare: bool = False,
) -> bytes:
    """Return a photo of a card printed as `lab` beside the chart.

    `gradient` is the change of log light over the picture's width and height; `mix` how far the camera's channels
    are from the eye's; `tint` the light's colour.
    """
    rng = np.random.default_rng([9, seed])
    design, chart = load_card(), load_chart24()
    width, height = 400 * PER_MM, 300 * PER_MM
    sheet = np.full((height, width, 3), 0.25) * rng.uniform(0.6, 1.2, 3)
    card_flat = _helper("card_scenes").flat_card(number)
    big = cv2.resize(card_flat, (180 * PER_MM, 120 * PER_MM), interpolation=cv2.INTER_AREA)
    for patch, colour_lab in zip(design.patches, lab, strict=True):
        x, y, w, h = (round(v * PER_MM) for v in patch.rect_mm)
        big[y : y + h, x : x + w] = colour.lab_to_linear_rgb(colour_lab)
    if with_card:
        sheet[40 * PER_MM : 160 * PER_MM, 20 * PER_MM : 200 * PER_MM] = big
    if with_chart:
        left, top, pitch = 225 * PER_MM, 60 * PER_MM, 24.0 * PER_MM
        cv2.rectangle(
            sheet, (left - 15, top - 15), (int(left + 6 * pitch) + 15, int(top + 4 * pitch) + 15), (0.03,) * 3, -1
        )
        for index, patch in enumerate(chart.patches):
            row, column = divmod(index, 6)
            x, y = int(left + (column + 0.08) * pitch), int(top + (row + 0.08) * pitch)
            side = int(0.84 * pitch)
            sheet[y : y + side, x : x + side] = colour.lab_to_linear_rgb(patch.reference_lab)
        if chart_glare:
            cv2.circle(sheet, (int(left + 2 * pitch), int(top + 2 * pitch)), int(2.2 * pitch), (4, 4, 4), -1)
    xs, ys = np.linspace(-0.5, 0.5, width), np.linspace(-0.5, 0.5, height)
    light = np.exp(gradient[0] * xs[None, :] + gradient[1] * ys[:, None])[..., None]
    seen = np.maximum(sheet, 0) @ (np.eye(3) + mix * (np.full((3, 3), 0.5) - 1.5 * np.eye(3))).T
    seen = np.maximum(seen * light * np.array(tint) * exposure, 1e-4)
    seen = 0.18 * (seen / 0.18) ** contrast
    quad = np.array([[0, 0], [width, 0], [width, height], [0, height]], np.float32)
    shaken = (quad * 0.8 + rng.uniform(0, 60, (4, 2)) + [width * 0.06, height * 0.06]).astype(np.float32)
    seen = cv2.warpPerspective(
        seen, cv2.getPerspectiveTransform(quad, shaken), (width, height), flags=cv2.INTER_AREA,
        borderMode=cv2.BORDER_REPLICATE,
    )  # fmt: skip
    seen = cv2.GaussianBlur(seen, (0, 0), 1.2) + rng.normal(0, 0.003, seen.shape)
    stream = io.BytesIO()
    pixels = np.round(255 * np.clip(colour.encode_srgb(seen), 0, 1)).astype(np.uint8)
    Image.fromarray(pixels).save(stream, "JPEG", quality=quality)
    return stream.getvalue()
