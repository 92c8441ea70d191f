"""How the water's colour and detail change with the depth one looks into it: along the far wall, and from the shore.

In: a `View`, its `Region` and the card. Out: named figures, in the order of `PROFILE_FEATURES`. Water with a known
colour at a known depth says more than any colour alone: what the wall's light loses on its way is the water's own.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.card import CardFound
from vision.shore import EVERY_PX, depths_of, stance_of
from vision.water import Region, View

Array = NDArray[Any]

WALL_BANDS_M = (0.03, 0.08, 0.15, 0.25, 0.4, 0.7, 1.1)
"""Bounds of the bands of depth on the far wall [m]: from under the tile band's top to a shallow end's floor."""
SHORE_BANDS_M = (0.05, 0.2, 0.5, 1.0, 2.0)
"""Bounds of the bands of distance from the near shore, over the water [m]."""
FEWEST_PX = 25
"""Fewest pixels that speak for a band."""
MOST_RANKED = 3000
"""Most values that a quantile is taken of, spread evenly: of more it is the same within a hundredth of the spread."""
DARK = 0.002
"""Linear level added before logarithms [0-1]: two thirds of an 8-bit step at black."""
QUIET = -2.5
"""Log contrast of a band that is not seen: that of even water."""

_BANDS = (
    *(f"wall{i}" for i in range(len(WALL_BANDS_M) - 1)),
    *(f"shore{i}" for i in range(len(SHORE_BANDS_M) - 1)),
)

PROFILE_FEATURES = (
    "flat", "log_height", "pitch", "facing", "mirrored_deep", "mirrored_far", "wall_share",
    "deep_r", "deep_g", "deep_b",
    *(f"{band}_{what}" for band in _BANDS for what in ("r", "g", "b", "seen", "detail")),
    "fall_r_g", "fall_b_g", "fall_alike", "fall_span",
    "lightest_r", "lightest_g", "lightest_b",
)  # fmt: skip
"""Names of the figures. `BAND_r` and so on are log colours over the deep water's; `seen` the log count of pixels;
`fall_r_g` the log ratio by which red varies faster than green over the water, as their attenuations do where the same
floor is seen at changing depth (the depth-invariant ratio of Lyzenga 1978, Appl. Opt. 17:379, from memory)."""


def profile_of(view: View, region: Region, card: CardFound) -> dict[str, float]:
    """Return the figures by name; a band that is not seen has the deep water's colour.

    Parameters
    ----------
    view : View
    region : Region
    card : CardFound
    """
    stance = stance_of(view, card.design.width_mm, card.design.kind)
    depths = depths_of(view, region.whole, stance)
    mask = region.mask[::EVERY_PX, ::EVERY_PX]
    linear = np.ascontiguousarray(view.linear[::EVERY_PX, ::EVERY_PX])
    logs = np.asarray(cv2.log(np.maximum(linear, 0) + np.float32(DARK)))
    mirrored = depths.fresnel[mask]
    deep = _deep(mask, depths.fresnel, depths.shore_m)
    deep_rgb = ranked(logs[deep], (0.3,))[0]
    on_wall = mask & np.isfinite(depths.wall_m)
    values = [
        float(stance.flat), float(np.log(stance.height_m)), stance.pitch_deg / 30.0, stance.facing_cos,
        float(depths.fresnel[deep].mean()), float(ranked(mirrored, (0.9,))[0]), float(on_wall.sum() / mask.sum()),
        *(float(v) for v in deep_rgb),
    ]  # fmt: skip
    light = cv2.extractChannel(logs, 1)
    detail = light - cv2.GaussianBlur(light, (0, 0), 1.4)
    by_shore = mask & ~np.isfinite(depths.wall_m) & np.isfinite(depths.shore_m)
    for here, place, bounds in ((on_wall, depths.wall_m, WALL_BANDS_M), (by_shore, depths.shore_m, SHORE_BANDS_M)):
        at, colours, contrasts = place[here], logs[here], detail[here]
        for low, high in pairwise(bounds):
            values += _band(np.flatnonzero((at >= low) & (at < high)), colours, contrasts, deep_rgb)
    values += _fall(linear, mask)
    lightest = ranked(linear[::2, ::2].reshape(-1, 3), (0.98,))[0]
    values += [float(v) for v in np.log(np.maximum(lightest, 0) + 0.01)]
    return dict(zip(PROFILE_FEATURES, values, strict=True))


def ranked(values: Array, shares: tuple[float, ...]) -> Array:
    """Return quantiles along the first axis by nearest rank, of some of the values where there are many.

    Parameters
    ----------
    values : ndarray, shape (N, ...)
    shares : tuple of float
        Which quantiles [0-1].

    Returns
    -------
    ndarray, shape (len(shares), ...)

    Examples
    --------
    >>> ranked(np.arange(101.0), (0.1, 0.5)).tolist()
    [10.0, 50.0]
    """
    some = values[:: max(1, len(values) // MOST_RANKED)]
    ordered = np.sort(np.ascontiguousarray(some.T), axis=-1)
    places = [min(int(share * (len(some) - 1) + 0.5), len(some) - 1) for share in shares]
    return np.asarray(ordered[..., places].T)


def _deep(mask: Array, fresnel: Array, shore_m: Array) -> Array:
    """Return the water looked into most steeply and farthest from any shore."""
    steep = mask & (fresnel <= ranked(fresnel[mask], (0.3,))[0])
    away = np.where(np.isfinite(shore_m), shore_m, np.float32(np.inf))
    return np.asarray(steep & (away >= ranked(away[steep], (0.5,))[0]))


def _band(inside: Array, colours: Array, contrasts: Array, deep_rgb: Array) -> list[float]:
    """Return one band's colour over the deep water's, how much of it is seen, and the contrast of its detail."""
    count = len(inside)
    if count < FEWEST_PX:
        return [0.0, 0.0, 0.0, 0.0, QUIET]
    inside = inside[:: max(1, count // MOST_RANKED)]
    # A little under the middle: mirrored sky lightens, nothing darkens.
    rgb = ranked(colours[inside], (0.35,))[0] - deep_rgb
    low, high = ranked(contrasts[inside], (0.16, 0.84))
    return [*(float(v) for v in rgb), float(np.log10(count)) / 3, float(np.log10((high - low) / 2 + 1e-3))]


def _fall(linear: Array, mask: Array) -> list[float]:
    """Return how the channels vary together over the water, above its darkest: attenuation ratios, their firmness."""
    size = (linear.shape[1] // 4, linear.shape[0] // 4)
    inside = cv2.resize(mask.astype(np.float32), size, interpolation=cv2.INTER_AREA) > 0.999
    held = cv2.resize(linear, size, interpolation=cv2.INTER_AREA)[inside]
    if len(held) < FEWEST_PX:
        return [0.0, 0.0, 0.0, 0.0]
    darkest = ranked(held, (0.03,))[0] * 0.92
    above = np.log(np.maximum(held - darkest, 1e-3))
    cov = np.cov(above.T)
    r, g, b = np.sqrt(np.diag(cov)) + 1e-6
    span = (ranked(held[:, 1], (0.95,))[0] - darkest[1]) / (abs(darkest[1]) + 0.01)
    return [
        float(np.log(r / g)), float(np.log(b / g)), float(cov[0, 1] / (r * g)), float(np.log(max(span, 0.0) + 0.01)),
    ]  # fmt: skip
