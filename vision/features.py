"""Water pixels to a fixed, named feature vector: the only road from a photo to the grader, in training and in use.

In: a `View`, its water `Region` and what is known of the pool. Out: `features_of`, shape (F,), in the order of
`FEATURES`. A figure that the photo does not give (too few pixels, depth not known) is a stated neutral value, and a
flag beside it says that it was not known.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision import colour
from vision.card import CardFound
from vision.depthprofile import DARK, PROFILE_FEATURES, profile_of, ranked
from vision.shore import FOCAL_SHARE
from vision.tuples import Triple
from vision.water import FAR, Region, View, places_in_plane

Array = NDArray[Any]

SCALES_PX = (1, 2, 4, 8, 16)
"""Sizes of floor detail looked for [px of the working picture, 480 px long], each half as fine as the last."""
EVERY_PX, MOST_PX = 2, 3000
"""Colours are taken of every so manyeth pixel and row, and of so many at most: there are plenty."""
PARTS = ("near", "middle", "far")
"""The water is read in three parts of equal area by distance from the camera."""

PHOTO_FEATURES = (
    "L", "a", "b", "log_g_r", "log_b_g", "L_low", "L_high", "a_spread", "b_spread",
    "log_g_r_dark", "log_b_g_dark", "log_g_r_light", "log_b_g_light",
    *(f"d{axis}_{part}" for part in PARTS for axis in ("L", "a", "b")),
    *(f"{ratio}_{part}" for part in PARTS for ratio in ("log_g_r", "log_b_g")),
    *(f"detail_{scale}" for scale in SCALES_PX), *(f"detail_{scale}_near" for scale in SCALES_PX),
    *(f"detail_{scale}_far" for scale in SCALES_PX),
    "detail_red", "detail_green", "detail_blue", "edge_p95", "edge_p99", "alike_r_g", "alike_g_b",
    *(f"log_{channel}_p{share}" for share in (5, 25) for channel in "rgb"),
    *(f"log_{channel}_near_p{share}" for share in (10, 50) for channel in "rgb"),
    "glare_share", "share", "depression_near", "depression_far", "tilt_cos", "card_width", "log_distance",
    *PROFILE_FEATURES,
)  # fmt: skip
"""Names of what the photo itself says, in their order; fixed for a model's life."""

KNOWN_FEATURES = (
    "depth_known", "log_depth_shallow", "log_depth_deep", "floor_known", "floor_L", "floor_a", "floor_b",
)  # fmt: skip
"""Names of what the log says of the pool; they stand last."""

FEATURES = PHOTO_FEATURES + KNOWN_FEATURES
"""Names of all features, in their order."""


@dataclass(frozen=True)
class KnownPool:
    """What the log knows of the pool; None where it does not."""

    depth_shallow_m: float | None = None
    depth_deep_m: float | None = None
    floor_srgb: Triple | None = None


def features_of(view: View, region: Region, card: CardFound, known: KnownPool | None = None) -> Array:
    """Return the feature vector of a photo's water.

    Parameters
    ----------
    view : View
        The photo, normalised.
    region : Region
        Its water.
    card : CardFound
        The card, for the camera's stance.
    known : KnownPool, optional
        What the log knows of the pool.

    Returns
    -------
    ndarray, shape (F,)
        In the order of `FEATURES`; always finite.
    """
    named = (
        _colours(view, region) | _details(view, region) | _stance(view, region, card) | profile_of(view, region, card)
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


def _lab_of(linear: Array) -> Array:
    return colour.linear_rgb_to_lab(np.maximum(linear, 0))


def _colours(view: View, region: Region) -> dict[str, float]:
    picture = np.ascontiguousarray(view.linear[::EVERY_PX, ::EVERY_PX])
    mask = region.mask[::EVERY_PX, ::EVERY_PX]
    # Rows stay in their order from far to near, so that every so manyeth pixel is spread over the water.
    linear, lab = picture[mask], view.lab[::EVERY_PX, ::EVERY_PX][mask]
    few = max(1, len(linear) // MOST_PX)
    linear, lab = linear[::few], lab[::few]
    middle = ranked(linear, (0.5,))[0].astype(np.float64)
    L, a, b = (float(v) for v in _lab_of(middle))
    lows, quarters, uppers, highs = ranked(lab, (0.1, 0.25, 0.75, 0.9))
    dark = ranked(linear[lab[:, 0] <= quarters[0]], (0.5,))[0]
    light = ranked(linear[lab[:, 0] >= uppers[0]], (0.5,))[0]
    named = {
        "L": L, "a": a, "b": b, "L_low": float(lows[0]), "L_high": float(highs[0]),
        "a_spread": float(highs[1] - lows[1]), "b_spread": float(highs[2] - lows[2]),
    }  # fmt: skip
    named["log_g_r"], named["log_b_g"] = _ratios(middle)
    named["log_g_r_dark"], named["log_b_g_dark"] = _ratios(dark)
    named["log_g_r_light"], named["log_b_g_light"] = _ratios(light)
    third = len(linear) // 3
    parts = (linear[2 * third :], linear[third : 2 * third], linear[:third])
    for name, part in zip(PARTS, parts, strict=True):
        here = ranked(part, (0.5,))[0].astype(np.float64) if len(part) > 50 else middle
        for axis, difference in zip(("L", "a", "b"), _lab_of(here) - np.array([L, a, b]), strict=True):
            named[f"d{axis}_{name}"] = float(difference)
        named[f"log_g_r_{name}"], named[f"log_b_g_{name}"] = _ratios(here)
    # The darkest water carries least of the sky: its channels one by one, overall and where one looks down steepest.
    steep = parts[0] if len(parts[0]) > 50 else linear
    for share, low in zip((5, 25), ranked(linear, (0.05, 0.25)), strict=True):
        named |= {f"log_{c}_p{share}": float(np.log(max(v, 0) + DARK)) for c, v in zip("rgb", low, strict=True)}
    for share, low in zip((10, 50), ranked(steep, (0.1, 0.5)), strict=True):
        named |= {f"log_{c}_near_p{share}": float(np.log(max(v, 0) + DARK)) for c, v in zip("rgb", low, strict=True)}
    return named


def _details(view: View, region: Region) -> dict[str, float]:
    """Contrast of what is seen in the water, as log robust spread of log light at each scale."""
    top, left, low, right = _bounds(region.mask)
    mask = region.mask[top:low, left:right]
    linear = view.linear[top:low, left:right]
    light = _filled_log(cv2.transform(linear, colour.RGB_TO_XYZ[1:2].astype(np.float32)), mask)
    named: dict[str, float] = {}
    for scale in SCALES_PX:
        band = (light - cv2.GaussianBlur(light, (0, 0), 1.6))[mask]
        third = len(band) // 3
        named[f"detail_{scale}"] = _log_spread(band)
        # The pixels stand row by row from far to near.
        named[f"detail_{scale}_near"] = _log_spread(band[2 * third :])
        named[f"detail_{scale}_far"] = _log_spread(band[:third])
        if scale == 1:
            named |= _edges(light, mask)
        # The next scale is looked for in a picture half as large.
        size = (max(light.shape[1] // 2, 1), max(light.shape[0] // 2, 1))
        light = cv2.resize(light, size, interpolation=cv2.INTER_AREA)
        mask = cv2.resize(mask.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0
    inside = region.mask[top:low, left:right]
    bands = []
    for index, name in enumerate(("red", "green", "blue")):
        channel = _filled_log(cv2.extractChannel(linear, index), inside)
        band = (cv2.GaussianBlur(channel, (0, 0), 1.2) - cv2.blur(channel, (9, 9)))[inside]
        band = band[:: max(1, len(band) // (3 * MOST_PX))]
        named[f"detail_{name}"] = _log_spread(band)
        bands.append(band)
    # Floor and waves differ in how alike the channels' detail is: waves mirror a grey sky, a floor wears the water.
    named["alike_r_g"], named["alike_g_b"] = _alike(bands[0], bands[1]), _alike(bands[1], bands[2])
    return named


def _bounds(mask: Array) -> tuple[int, int, int, int]:
    """Return top, left, low, right of what is set."""
    rows, columns = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
    return int(rows[0]), int(columns[0]), int(rows[-1]) + 1, int(columns[-1]) + 1


def _filled_log(plane: Array, mask: Array) -> Array:
    """Return log light, set to the water's median where there is none, so that its edges ring less."""
    light = np.asarray(cv2.log(np.maximum(plane, 0) + np.float32(DARK)))
    light[~mask] = ranked(light[mask], (0.5,))[0]
    return light


def _edges(light: Array, mask: Array) -> dict[str, float]:
    """Return the log steepness of the steepest places."""
    slope = cv2.magnitude(
        cv2.Sobel(light, cv2.CV_32F, 1, 0, scale=0.125), cv2.Sobel(light, cv2.CV_32F, 0, 1, scale=0.125)
    )
    inner = cv2.erode(mask.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    steep = slope[inner] if inner.sum() > 50 else slope[mask]
    high, highest = ranked(steep, (0.95, 0.99)) if steep.size else (0.0, 0.0)
    return {"edge_p95": float(np.log(high + 1e-3)), "edge_p99": float(np.log(highest + 1e-3))}


def _log_spread(values: Array) -> float:
    """Return log10 of the robust standard deviation; of nothing, the value of perfectly even water."""
    if values.size < 50:
        return -3.0
    low, high = ranked(values, (0.16, 0.84))
    return float(np.log10((high - low) / 2 + 1e-3))


def _alike(one: Array, other: Array) -> float:
    """Return the correlation of two sets of detail; 0 where one has none."""
    if one.size < 50 or min(one.std(), other.std()) < 1e-6:
        return 0.0
    return float(np.corrcoef(one, other)[0, 1])


def _stance(view: View, region: Region, card: CardFound) -> dict[str, float]:
    height, width = region.mask.shape
    inside = np.flatnonzero(region.mask)
    rows, columns = np.divmod(inside[:: max(1, len(inside) // 1000)], width)
    at = np.stack([columns, rows], axis=-1)[None].astype(np.float64)
    horizon, log_distance, _ = places_in_plane(view, at)
    focal = FOCAL_SHARE * max(height, width) / height
    depression = np.degrees(np.arctan2(horizon.ravel(), focal))
    far, near = ranked(depression, (0.1, 0.9))
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
