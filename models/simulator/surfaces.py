"""What pool, deck and surroundings are made of: colours, and patterns by seeded noise.

In: names, seeds and positions in metres. Out: typical surface colours (invented, chosen by eye), and textures that
say for each position how far a second colour mixes in and how bright the surface is.
"""

from __future__ import annotations

import functools
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

F32 = NDArray[Any]
"""Arrays of float32; OpenCV's stubs know no narrower type."""

FINISHES: dict[str, tuple[tuple[int, int, int], tuple[int, int, int], str, float]] = {
    "white": ((234, 233, 226), (205, 206, 200), "mottled", 0.5),
    "grey": ((158, 160, 157), (120, 124, 124), "mottled", 0.4),
    "blue": ((128, 186, 220), (100, 160, 205), "mottled", 0.5),
    "dark": ((66, 74, 82), (40, 46, 54), "pebble", 0.03),
    "tan": ((208, 193, 165), (178, 160, 130), "mottled", 0.4),
    "pebble": ((150, 158, 152), (78, 96, 104), "pebble", 0.025),
    "print": ((86, 148, 200), (205, 225, 236), "print", 0.16),
    "tile": ((170, 208, 226), (226, 228, 222), "tile", 0.15),
}
"""Floor finish -> two 8-bit sRGB colours, pattern, pattern size [m]. Invented, typical (common practice, no source)."""

DECKS: dict[str, tuple[int, int, int]] = {
    "concrete": (178, 172, 160),
    "paver": (168, 132, 108),
    "wood": (140, 104, 74),
    "stone": (160, 150, 134),
    "grass": (86, 112, 48),
}
"""Deck -> 8-bit sRGB colour. Invented, typical."""

COPINGS: tuple[tuple[int, int, int], ...] = (
    (205, 198, 184),
    (180, 176, 168),
    (150, 140, 126),
    (214, 208, 200),
    (128, 122, 116),
    (176, 128, 100),
)
BANDS: tuple[tuple[int, int, int], ...] = (
    (44, 84, 140),
    (40, 62, 98),
    (120, 170, 195),
    (60, 120, 130),
    (190, 196, 196),
    (96, 88, 76),
    (225, 225, 220),
)
FOLIAGE_SRGB = (0.22, 0.32, 0.12)
LEAF_COLOURS: tuple[tuple[int, int, int], ...] = (
    (110, 82, 40),
    (140, 110, 50),
    (86, 100, 40),
    (120, 60, 34),
    (70, 58, 36),
)
WALL_COLOURS: tuple[tuple[int, int, int], ...] = ((222, 210, 190), (196, 186, 172), (170, 120, 96), (232, 230, 226))
SKIN_SRGB: tuple[tuple[int, int, int], ...] = ((198, 146, 116), (150, 102, 74), (96, 64, 46), (226, 182, 156))
"""Colours of coping, tile band, foliage, leaves, house walls, hands. Invented, typical."""

TILE_PX = 512


@functools.lru_cache(maxsize=24)
def noise_tile(kind: str, number: int) -> F32:
    """Return a 512 x 512 periodic noise tile.

    Parameters
    ----------
    kind : str
        "cloud" (fractal, mean 0, sd 1), "fine" (small grain), "waves" (slopes in x and y, rms 1 together, shape
        (512, 512, 2)), "caustic" (mean 1).
    number : int
        Which of the tiles.
    """
    rng = np.random.default_rng([31, number, {"cloud": 1, "fine": 2, "waves": 3, "caustic": 4}[kind]])
    n = TILE_PX
    ky = np.fft.fftfreq(n)[:, None] * n
    kx = np.fft.rfftfreq(n)[None, :] * n
    k = np.hypot(kx, ky)
    white = np.fft.rfft2(rng.standard_normal((n, n)))
    if kind in ("cloud", "fine"):
        low, power = (1.0, -1.55) if kind == "cloud" else (24.0, -1.0)
        field = np.fft.irfft2(white * np.maximum(k, 1.0) ** power * (k >= low), s=(n, n))
        return np.asarray((field - field.mean()) / field.std(), dtype=np.float32)
    heading = rng.uniform(0, 2 * np.pi)
    spread = 0.35 + np.abs(np.cos(np.arctan2(ky, kx + 1e-9) - heading))
    # Ripples of 3 to 40 waves a tile, falling as k^-2.2 in height: capillary-gravity waves look alike at every size.
    spectrum = white * spread * np.where(k > 0, np.maximum(k, 1.0) ** -2.2, 0.0) * np.exp(-((k / 60.0) ** 2)) * (k >= 3)
    if kind == "waves":
        sx = np.fft.irfft2(1j * kx * spectrum, s=(n, n))
        sy = np.fft.irfft2(1j * ky * spectrum, s=(n, n))
        rms = np.sqrt((sx**2 + sy**2).mean())
        return np.asarray(np.stack([sx, sy], axis=-1) / rms, dtype=np.float32)
    # Caustics: send a dense grid of rays down, moved by the slopes, and count where they land.
    smooth = spectrum * np.exp(-((k / 16.0) ** 2))
    sx = np.fft.irfft2(1j * kx * smooth, s=(n, n))
    sy = np.fft.irfft2(1j * ky * smooth, s=(n, n))
    rms = np.sqrt((sx**2 + sy**2).mean())
    reach = 13.0 / rms
    big = 2 * n
    sx2 = cv2.resize(sx * reach, (big, big), interpolation=cv2.INTER_CUBIC)
    sy2 = cv2.resize(sy * reach, (big, big), interpolation=cv2.INTER_CUBIC)
    yy, xx = np.mgrid[0:big, 0:big] / 2.0
    fx, fy = (xx + sx2) % n, (yy + sy2) % n
    counts = np.bincount((fy.astype(int) * n + fx.astype(int)).ravel(), minlength=n * n).reshape(n, n) / 4.0
    soft = cv2.GaussianBlur(np.tile(counts, (3, 3)), (0, 0), 1.3)[n : 2 * n, n : 2 * n]
    return np.asarray(np.minimum(soft / soft.mean(), 4.0), dtype=np.float32)


def sample_tile(tile: F32, x_m: F32, y_m: F32, tile_m: float, *, turn: float = 0.0, offset: float = 0.0) -> F32:
    """Return a tile's values at positions; one tile spans `tile_m` metres and repeats."""
    s = 1.0 / tile_m
    if turn:
        c, d = np.float32(np.cos(turn) * s), np.float32(np.sin(turn) * s)
        u = x_m * c + y_m * d
        v = y_m * c - x_m * d
    else:
        u, v = x_m * np.float32(s), y_m * np.float32(s)
    u += np.float32(offset * 0.189)
    v += np.float32(offset * 0.119)
    # floor and subtract is ten times faster than numpy's mod.
    for w in (u, v):
        w -= np.floor(w)
        w *= TILE_PX
    flat, count = u.ndim == 1, u.size
    if flat:
        # cv2.remap takes at most 32767 columns: fold long vectors.
        width = 1024
        pad = -count % width
        u = np.pad(u, (0, pad)).reshape(-1, width)
        v = np.pad(v, (0, pad)).reshape(-1, width)
    out = cv2.remap(_padded(tile), u, v, cv2.INTER_LINEAR)
    if flat:
        out = out.reshape(-1, *out.shape[2:])[:count]
    return np.asarray(out)


_PADDED: dict[int, tuple[F32, F32]] = {}


def _padded(tile: F32) -> F32:
    """Return the tile with its first row and column repeated at the end, so that interpolation wraps."""
    kept = _PADDED.get(id(tile))
    if kept is None or kept[0] is not tile:
        kept = (tile, cv2.copyMakeBorder(tile, 0, 2, 0, 2, cv2.BORDER_WRAP))
        _PADDED[id(tile)] = kept
        if len(_PADDED) > 64:
            _PADDED.pop(next(iter(_PADDED)))
    return kept[1]


def joints(x_m: F32, y_m: F32, size_m: tuple[float, float], joint_m: float, footprint_m: F32, *, brick: bool) -> F32:
    """Return the share of a joint grid in each pixel's footprint [0-1]."""
    sx, sy = np.float32(size_m[0]), np.float32(size_m[1])
    qy = y_m / sy
    row = np.floor(qy)
    qy = qy - row
    qx = x_m / sx
    if brick:
        qx = qx + row * np.float32(0.5)
    qx = qx - np.floor(qx)
    # Distance to the nearest joint, in metres, along both directions; the nearer one counts.
    near = np.minimum(np.minimum(qx, 1 - qx) * sx, np.minimum(qy, 1 - qy) * sy)
    blur = np.maximum(footprint_m, np.float32(1e-4))
    cover = (np.float32(joint_m / 2) - near) / blur + np.float32(0.5)
    return np.asarray(np.clip(cover, 0, np.minimum(np.float32(joint_m) / blur, 1)), dtype=np.float32)


def cell_tone(x_m: F32, y_m: F32, size_m: tuple[float, float], *, brick: bool, seed: int) -> F32:
    """Return a random tone per cell of a grid, -1 to 1."""
    row = np.floor(y_m / np.float32(size_m[1]))
    col = x_m / np.float32(size_m[0])
    if brick:
        col = col + row * np.float32(0.5)
    col = np.floor(col)
    # A small table of random tones, indexed by a hash of the cell.
    tones = np.random.default_rng([71, seed]).uniform(-1, 1, 4096).astype(np.float32)
    return np.asarray(tones[(row.astype(np.int32) * 1619 + col.astype(np.int32) * 31) & 4095])


def deck_texture(deck: str, x_m: F32, y_m: F32, footprint_m: F32, seed: int) -> tuple[F32, F32]:
    """Return (joint share, brightness) of the deck at positions."""
    cloud = sample_tile(noise_tile("cloud", seed % 3), x_m, y_m, 3.7, offset=seed % 17)
    fine = sample_tile(noise_tile("fine", seed % 2), x_m, y_m, 0.9, offset=seed % 13)
    fine = fine / (1.0 + (footprint_m / 0.01) ** 2)
    if deck == "concrete":
        joint = joints(x_m, y_m, (2.4, 2.4), 0.012, footprint_m, brick=False)
        return joint, 1.0 + 0.05 * cloud + 0.05 * fine
    if deck == "paver":
        size = (0.2, 0.1) if seed % 2 else (0.4, 0.4)
        joint = joints(x_m, y_m, size, 0.005, footprint_m, brick=bool(seed % 2))
        return joint, 1.0 + 0.10 * cell_tone(
            x_m, y_m, size, brick=bool(seed % 2), seed=seed
        ) + 0.03 * cloud + 0.05 * fine
    if deck == "wood":
        grain = sample_tile(noise_tile("cloud", seed % 3), x_m * 0.12, y_m * 2.0, 0.6, offset=seed % 11)
        joint = joints(x_m, y_m, (3.1, 0.14), 0.006, footprint_m, brick=True)
        return joint, 1.0 + 0.12 * cell_tone(x_m, y_m, (3.1, 0.14), brick=True, seed=seed) + 0.10 * grain
    if deck == "stone":
        other = sample_tile(noise_tile("cloud", (seed + 1) % 3), x_m, y_m, 3.1, offset=seed % 5)
        wx, wy = x_m + np.float32(0.07) * cloud, y_m + np.float32(0.07) * other
        joint = joints(wx, wy, (0.6, 0.45), 0.014, footprint_m, brick=True)
        return joint, 1.0 + 0.13 * cell_tone(wx, wy, (0.6, 0.45), brick=True, seed=seed) + 0.07 * fine + 0.06 * cloud
    grass = sample_tile(noise_tile("fine", 1), x_m, y_m, 1.3, offset=3)
    grass = grass / (1.0 + (footprint_m / 0.012) ** 2)
    return np.zeros_like(x_m), np.maximum(1.0 + 0.15 * cloud + 0.35 * grass, 0.2)


def floor_texture(
    pattern: str, size_m: float, along_m: F32, across_m: F32, footprint_m: F32, seed: int
) -> tuple[F32, F32]:
    """Return (share of the second colour, brightness) of the pool's floor or wall at positions."""
    cloud = sample_tile(noise_tile("cloud", seed % 3), along_m, across_m, 2.9, offset=seed % 19)
    tone = (1.0 + 0.04 * cloud).astype(np.float32)
    if pattern == "tile":
        return joints(along_m, across_m, (size_m, size_m), 0.006, footprint_m, brick=False), tone
    if pattern == "pebble":
        grain = sample_tile(noise_tile("fine", seed % 2), along_m, across_m, size_m * 20, offset=seed % 7)
        grain = grain / (1.0 + (footprint_m / size_m) ** 2)
        return np.clip(0.4 + 0.45 * grain + 0.08 * cloud, 0, 1), tone
    if pattern == "print":
        # A printed liner: a net of pale lines like light on a sandy floor.
        net = sample_tile(noise_tile("caustic", seed % 2), along_m, across_m, size_m * 9, offset=seed % 7)
        return np.clip(0.7 * (net - 0.9), 0, 1), tone
    if pattern == "mottled":
        return np.clip(0.4 + 0.25 * cloud, 0, 1), tone
    return np.zeros_like(along_m), tone
