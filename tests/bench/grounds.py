"""Grounds a card may lie on, and pictures that hold none: rendered pools, textures, tilings, swatches, signs.

In: a seed and a size. Out: linear float32 pictures, shape (H, W, 3), or 8-bit photos. Pools come from
`models.simulator`; the rest is drawn here.
"""

from __future__ import annotations

import warnings
from pathlib import Path

import cv2
import numpy as np

from tests.bench.scene import decode

DECODE8 = decode(np.arange(256) / 255).astype(np.float32)
TEXTURES = ("concrete", "pavers", "wood", "grass", "towel", "pebbles")
POOLS = (
    {"pool": {"seed": 3, "deck": "concrete"}, "light": "sun", "water": {"visible_depth_m": 0.4}},
    {
        "pool": {"seed": 8, "deck": "paver"},
        "light": "shade",
        "water": {"visible_depth_m": 2.0, "chlorophyll_ug_l": 6.0},
    },
    {"pool": {"seed": 12, "deck": "stone"}, "light": "overcast", "water": {"visible_depth_m": 1.0}},
    {
        "pool": {"seed": 21, "deck": "wood"},
        "light": "part_shade",
        "water": {"visible_depth_m": 6.0, "chlorophyll_ug_l": 1.0},
    },
)
"""Requests to the simulator for pool photos without a card."""


def cloud(rng: np.random.Generator, size_px: tuple[int, int], cell: float) -> np.ndarray:
    """Return smooth noise of a cell size [px], shape (H, W, 1)."""
    width, height = size_px
    small = rng.standard_normal((max(2, int(height / cell)), max(2, int(width / cell))), dtype=np.float32)
    return cv2.resize(small, size_px, interpolation=cv2.INTER_CUBIC)[..., None]


def pool_photo(request: dict, seed: int, size_px: tuple[int, int]) -> np.ndarray:
    """Return a rendered pool without a card, uint8 RGB."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from models.simulator.files import spec_of_request
        from models.simulator.scene import render
    spec = spec_of_request({"name": "ground", "seed": seed, "size_px": list(size_px), "card": None, **request})
    return render(spec).photo_rgb


def texture(kind: str, seed: int, size_px: tuple[int, int]) -> np.ndarray:
    """Return a linear picture of a ground."""
    rng = np.random.default_rng([5, seed])
    width, height = size_px
    scale = width / 1344
    x, y = np.arange(width, dtype=np.float32)[None, :, None], np.arange(height, dtype=np.float32)[:, None, None]
    base = np.float32(rng.uniform(0.15, 0.5)) * np.array([1.05, 1.0, rng.uniform(0.75, 1.0)], np.float32)
    grain = 1 + 0.05 * cloud(rng, size_px, 2) + 0.05 * cloud(rng, size_px, 9 * scale)
    out = base * (grain + 0.06 * cloud(rng, size_px, 120 * scale))
    if kind == "pavers":
        pitch = rng.uniform(90, 220) * scale
        row = np.floor(y / (0.55 * pitch))
        joint = (((x + 0.5 * pitch * (row % 2)) % pitch) < 5 * scale) | ((y % (0.55 * pitch)) < 5 * scale)
        out = out * np.where(joint, np.float32(0.5), np.float32(1))
    elif kind == "wood":
        plank = rng.uniform(80, 160) * scale
        rings = np.sin((y + 14 * scale * cloud(rng, size_px, 300 * scale)) / np.float32(rng.uniform(2, 5) * scale))
        seam = np.where(y % plank < 4 * scale, np.float32(0.25), np.float32(1))
        out = np.array([0.42, 0.27, 0.16], np.float32) * (grain + 0.12 * rings) * seam
    elif kind == "grass":
        blades = np.exp(0.45 * cloud(rng, size_px, 3 * scale) + 0.35 * cloud(rng, size_px, 11 * scale))
        out = np.array([0.1, 0.22, 0.05], np.float32) * blades
    elif kind == "towel":
        stripe = (np.floor(x / np.float32(60 * scale)) % 2).astype(np.float32)
        out = np.array([0.75, 0.75, 0.72], np.float32) * grain * (1 - stripe * np.array([0.7, 0.45, 0.2], np.float32))
    elif kind == "pebbles":
        out = base * np.exp(0.5 * cloud(rng, size_px, 14 * scale)) * grain
    return np.clip(out + 0 * x, 0.004, 1).astype(np.float32)


def ground(index: int, size_px: tuple[int, int], folder: Path) -> np.ndarray:
    """Return ground `index` in linear light, float32, shape (H, W, 3); kept as a file in `folder`."""
    names = [*(f"pool{i}" for i in range(len(POOLS))), *TEXTURES]
    name = names[index % len(names)]
    file = folder / f"ground_{name}_{size_px[0]}x{size_px[1]}.png"
    if not file.exists():
        folder.mkdir(parents=True, exist_ok=True)
        half = (size_px[0] // 2, size_px[1] // 2)
        if name.startswith("pool"):
            small = pool_photo(POOLS[index % len(names)], 900 + index, half)
        else:
            small = np.round(255 * np.clip(texture(name, index, half), 0, 1) ** (1 / 2.2)).astype(np.uint8)
        picture = cv2.resize(small, size_px, interpolation=cv2.INTER_CUBIC)
        cv2.imwrite(str(file), picture[..., ::-1], [cv2.IMWRITE_PNG_COMPRESSION, 1])
    picture = cv2.imread(str(file))
    return DECODE8[picture[..., ::-1]]
