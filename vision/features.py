"""Water pixels to a fixed, named feature vector: the only road from a photo to the grader, in training and in use.

In: a `View`, its water `Region` and what is known of the pool. Out: `features_of`, shape (F,), in the order of
`FEATURES`. A figure that the photo does not give (too few pixels, depth not known) is a stated neutral value, and a
flag beside it says that it was not known.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision import colour
from vision.card import CardFound
from vision.normalise import ColourFit
from vision.tuples import Triple
from vision.water import FAR, Region, View, places_in_plane

Array = NDArray[Any]

SCALES_PX = (1.0, 2.0, 4.0, 8.0, 16.0)
"""Sizes of floor detail looked for [px of the working picture, 800 px long]: the project's own."""
PARTS = ("near", "middle", "far")
"""The water is read in three parts of equal area by distance from the camera."""
FOCAL_SHARE = 0.75
"""Focal length over the photo's long side: 26 mm on 35 mm film (36 x 24 mm, cropped to 4:3), as phones' main cameras
have (common practice, no source)."""
SHORE_BANDS = (0.012, 0.025, 0.05, 0.1, 0.2)
"""Bounds of bands of distance from the water's edge [share of the photo's long side]: what is seen of walls and steps
fades over them."""
DARK = 0.002
"""Linear level added before logarithms [0-1]: two thirds of an 8-bit step at black."""

FEATURES = (
    "L", "a", "b", "hue_sin", "hue_cos", "log_g_r", "log_b_g", "L_low", "L_high", "a_spread", "b_spread",
    "log_g_r_dark", "log_b_g_dark", "log_g_r_light", "log_b_g_light",
    *(f"d{axis}_{part}" for part in PARTS for axis in ("L", "a", "b")),
    *(f"{ratio}_{part}" for part in PARTS for ratio in ("log_g_r", "log_b_g")),
    *(f"detail_{scale:g}" for scale in SCALES_PX), *(f"detail_{scale:g}_near" for scale in SCALES_PX),
    *(f"detail_{scale:g}_far" for scale in SCALES_PX),
    "detail_red", "detail_green", "detail_blue", "edge_p95", "edge_p99", "alike_r_g", "alike_g_b",
    *(f"log_{channel}_p{share}" for share in (5, 25) for channel in "rgb"),
    *(f"log_{channel}_near_p{share}" for share in (10, 50) for channel in "rgb"),
    *(f"d{axis}_shore{band}" for band in range(4) for axis in ("L", "a", "b")),
    "glare_share", "share", "depression_near", "depression_far", "tilt_cos", "card_width", "log_distance",
    "light_r_b", "light_g", "L_ring_to_water",
    "depth_known", "log_depth_shallow", "log_depth_deep", "floor_known", "floor_L", "floor_a", "floor_b",
)  # fmt: skip
"""Names of the features, in their order; fixed for a model's life."""


@dataclass(frozen=True)
class KnownPool:
    """What the log knows of the pool; None where it does not."""

    depth_shallow_m: float | None = None
    depth_deep_m: float | None = None
    floor_srgb: Triple | None = None


def features_of(view: View, region: Region, card: CardFound, fit: ColourFit, known: KnownPool | None = None) -> Array:
    """Return the feature vector of a photo's water.

    Parameters
    ----------
    view : View
        The photo, normalised.
    region : Region
        Its water.
    card : CardFound
        The card, for the camera's stance.
    fit : ColourFit
        The colour correction, for the colour of the light.
    known : KnownPool, optional
        What the log knows of the pool.

    Returns
    -------
    ndarray, shape (F,)
        In the order of `FEATURES`; always finite.
    """
    named = (
        _colours(view, region) | _details(view, region) | _stance(view, region, card) | _light(view, region, fit)
        | _known(known)
    )  # fmt: skip
    vector = np.array([named[name] for name in FEATURES], dtype=np.float64)
    return np.nan_to_num(vector, nan=0.0, posinf=20.0, neginf=-20.0)


def with_known(features: Array, known: KnownPool | None) -> Array:
    """Return a photo's feature vector with other knowledge of the pool in it, shape (F,)."""
    vector = features.copy()
    for name, value in _known(known).items():
        vector[FEATURES.index(name)] = value
    return vector


def _ratios(linear: Array) -> tuple[float, float]:
    r, g, b = (float(v) for v in np.maximum(linear, 0) + DARK)
    return float(np.log(g / r)), float(np.log(b / g))


def parts_of(region: Region) -> tuple[Array, Array, Array]:
    """Return the masks of the near, middle and far part of the water, of equal area, by height in the photo."""
    rows = np.flatnonzero(region.mask.any(axis=1))
    heights = region.mask.sum(axis=1).cumsum()
    total = heights[-1]
    first = int(np.searchsorted(heights, total / 3))
    second = int(np.searchsorted(heights, 2 * total / 3))
    row = np.arange(region.mask.shape[0])[:, None]
    assert len(rows)
    far = region.mask & (row <= first)
    middle = region.mask & (row > first) & (row <= second)
    near = region.mask & (row > second)
    return near, middle, far


def _lab_of(linear: Array) -> Array:
    return colour.linear_rgb_to_lab(np.maximum(linear, 0))


def _colours(view: View, region: Region) -> dict[str, float]:
    linear = view.linear[region.mask].astype(np.float64)
    lab = view.lab[region.mask]
    middle = np.median(linear, axis=0)
    L, a, b = (float(v) for v in _lab_of(middle))
    hue = np.arctan2(b, a)
    low, high = np.quantile(lab[:, 0], [0.1, 0.9])
    dark = np.median(linear[lab[:, 0] <= np.quantile(lab[:, 0], 0.25)], axis=0)
    light = np.median(linear[lab[:, 0] >= np.quantile(lab[:, 0], 0.75)], axis=0)
    named = {
        "L": L, "a": a, "b": b, "hue_sin": float(np.sin(hue)), "hue_cos": float(np.cos(hue)),
        "L_low": float(low), "L_high": float(high),
        "a_spread": float(np.subtract(*np.quantile(lab[:, 1], [0.9, 0.1]))),
        "b_spread": float(np.subtract(*np.quantile(lab[:, 2], [0.9, 0.1]))),
    }  # fmt: skip
    named["log_g_r"], named["log_b_g"] = _ratios(middle)
    named["log_g_r_dark"], named["log_b_g_dark"] = _ratios(dark)
    named["log_g_r_light"], named["log_b_g_light"] = _ratios(light)
    for name, mask in zip(PARTS, parts_of(region), strict=True):
        here = np.median(view.linear[mask], axis=0).astype(np.float64) if mask.sum() > 50 else middle
        for axis, difference in zip(("L", "a", "b"), _lab_of(here) - np.array([L, a, b]), strict=True):
            named[f"d{axis}_{name}"] = float(difference)
        named[f"log_g_r_{name}"], named[f"log_b_g_{name}"] = _ratios(here)
    # The darkest water carries least of the sky: its channels one by one, overall and where one looks down steepest.
    near = parts_of(region)[0]
    steep = view.linear[near].astype(np.float64) if near.sum() > 50 else linear
    for share, low in zip((5, 25), np.quantile(linear, [0.05, 0.25], axis=0), strict=True):
        named |= {f"log_{c}_p{share}": float(np.log(max(v, 0) + DARK)) for c, v in zip("rgb", low, strict=True)}
    for share, low in zip((10, 50), np.quantile(steep, [0.1, 0.5], axis=0), strict=True):
        named |= {f"log_{c}_near_p{share}": float(np.log(max(v, 0) + DARK)) for c, v in zip("rgb", low, strict=True)}
    return named | _shore(view, region, np.array([L, a, b]))


def _shore(view: View, region: Region, middle_lab: Array) -> dict[str, float]:
    """Return how the colour of bands along the water's edge differs from the water's own."""
    away = cv2.distanceTransform(region.whole.astype(np.uint8), cv2.DIST_L2, 3) / max(region.mask.shape)
    named = {}
    for band, (low, high) in enumerate(pairwise(SHORE_BANDS)):
        here = region.mask & (away > low) & (away <= high)
        lab = np.median(view.lab[here], axis=0) if here.sum() > 50 else middle_lab
        for axis, difference in zip(("L", "a", "b"), lab - middle_lab, strict=True):
            named[f"d{axis}_shore{band}"] = float(difference)
    return named


def _details(view: View, region: Region) -> dict[str, float]:
    """Contrast of what is seen in the water, as log robust spread of log light at each scale."""
    light = np.log(np.maximum(view.linear @ colour.RGB_TO_XYZ[1].astype(np.float32), 0) + DARK).astype(np.float32)
    inside = region.mask.astype(np.float32)
    near, _, far = parts_of(region)
    named: dict[str, float] = {}
    smooth = _fill(light, inside)
    for scale in SCALES_PX:
        wider = _blurred(smooth, inside, 2 * scale)
        band = _blurred(smooth, inside, scale) - wider if scale > 1 else smooth - wider
        named[f"detail_{scale:g}"] = _log_spread(band[region.mask])
        named[f"detail_{scale:g}_near"] = _log_spread(band[near])
        named[f"detail_{scale:g}_far"] = _log_spread(band[far])
    bands = []
    for index, name in enumerate(("red", "green", "blue")):
        channel = np.log(np.maximum(view.linear[..., index], 0) + DARK).astype(np.float32)
        channel = _fill(channel, inside)
        band = _blurred(channel, inside, 2.0) - _blurred(channel, inside, 8.0)
        named[f"detail_{name}"] = _log_spread(band[region.mask])
        bands.append(band[region.mask][::7])
    # Floor and waves differ in how alike the channels' detail is: waves mirror a grey sky, a floor wears the water.
    named["alike_r_g"], named["alike_g_b"] = _alike(bands[0], bands[1]), _alike(bands[1], bands[2])
    slope = np.hypot(cv2.Sobel(smooth, cv2.CV_32F, 1, 0, scale=0.125), cv2.Sobel(smooth, cv2.CV_32F, 0, 1, scale=0.125))
    inner = cv2.erode(region.mask.astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
    steep = slope[inner] if inner.sum() > 50 else slope[region.mask]
    for share in (95, 99):
        named[f"edge_p{share}"] = float(np.log(np.quantile(steep, share / 100) + 1e-3))
    return named


def _fill(plane: Array, inside: Array) -> Array:
    """Return the plane with what is outside the water set to the water's median, so that edges ring less."""
    return np.where(inside > 0, plane, np.float32(np.median(plane[inside > 0]))).astype(np.float32)


def _blurred(plane: Array, inside: Array, sigma: float) -> Array:
    """Return a Gaussian mean over the water only (normalised convolution)."""
    if sigma > 4:
        # Wide means are taken at a quarter of the size: the same to a percent, far faster.
        size = (plane.shape[1] // 4 + 1, plane.shape[0] // 4 + 1)
        weight = cv2.resize(inside, size, interpolation=cv2.INTER_AREA)
        value = cv2.resize(plane * inside, size, interpolation=cv2.INTER_AREA)
        value = cv2.GaussianBlur(value, (0, 0), sigma / 4) / np.maximum(
            cv2.GaussianBlur(weight, (0, 0), sigma / 4), 1e-3
        )
        return np.asarray(cv2.resize(value, (plane.shape[1], plane.shape[0])))
    value = cv2.GaussianBlur(plane * inside, (0, 0), sigma)
    return np.asarray(value / np.maximum(cv2.GaussianBlur(inside, (0, 0), sigma), 1e-3))


def _log_spread(values: Array) -> float:
    """Return log10 of the robust standard deviation; of nothing, the value of perfectly even water."""
    if values.size < 50:
        return -3.0
    low, high = np.quantile(values, [0.16, 0.84])
    return float(np.log10((high - low) / 2 + 1e-3))


def _alike(one: Array, other: Array) -> float:
    """Return the correlation of two sets of detail; 0 where one has none."""
    if one.size < 50 or min(one.std(), other.std()) < 1e-6:
        return 0.0
    return float(np.corrcoef(one, other)[0, 1])


def _stance(view: View, region: Region, card: CardFound) -> dict[str, float]:
    height, width = region.mask.shape
    rows, columns = np.nonzero(region.mask)
    step = max(1, len(rows) // 2000)
    at = np.stack([columns[::step], rows[::step]], axis=-1)[None].astype(np.float64)
    horizon, log_distance, _ = places_in_plane(view, at)
    focal = FOCAL_SHARE * max(height, width) / height
    depression = np.degrees(np.arctan2(horizon.ravel(), focal))
    near, far = np.quantile(depression, [0.9, 0.1])
    top, right, bottom, left = np.linalg.norm(view.card_px - np.roll(view.card_px, -1, axis=0), axis=1)
    across, along = (top + bottom) / 2, (right + left) / 2
    shape = card.design.width_mm / card.design.height_mm
    tilt = min(across / max(along * shape, 1e-9), along * shape / max(across, 1e-9))
    return {
        "glare_share": float(1 - region.mask.sum() / max(region.whole.sum(), 1)),
        "share": region.share,
        "depression_near": float(near), "depression_far": float(far),
        "tilt_cos": float(tilt), "card_width": float(np.log(max(across, along) / max(height, width))),
        "log_distance": float(np.minimum(np.median(log_distance), FAR)),
    }  # fmt: skip


def _light(view: View, region: Region, fit: ColourFit) -> dict[str, float]:
    gains = np.log(fit.gains)
    ring = cv2.dilate(region.whole.astype(np.uint8), np.ones((25, 25), np.uint8)) > 0
    ring &= ~region.whole
    shore = float(np.median(view.lab[..., 0][ring])) if ring.sum() > 50 else 50.0
    water = float(np.median(view.lab[..., 0][region.mask]))
    return {
        "light_r_b": float(gains[0] - gains[2]),
        "light_g": float(gains[1] - (gains[0] + gains[2]) / 2),
        "L_ring_to_water": shore - water,
    }


def _known(known: KnownPool | None) -> dict[str, float]:
    """Unknown depth counts as a usual pool's (1.0 to 2.0 m), unknown floor as light grey; the flags say so."""
    known = known or KnownPool()
    shallow, deep = known.depth_shallow_m, known.depth_deep_m
    depth_known = deep is not None or shallow is not None
    deep = deep if deep is not None else shallow if shallow is not None else 2.0
    shallow = shallow if shallow is not None else min(1.0, deep)
    floor = known.floor_srgb
    lab = _lab_of(colour.decode_srgb(floor)) if floor is not None else np.array([80.0, 0, 0])
    return {
        "depth_known": float(depth_known),
        "log_depth_shallow": float(np.log10(max(shallow, 0.1))), "log_depth_deep": float(np.log10(max(deep, 0.1))),
        "floor_known": float(floor is not None),
        "floor_L": float(lab[0]), "floor_a": float(lab[1]), "floor_b": float(lab[2]),
    }  # fmt: skip
