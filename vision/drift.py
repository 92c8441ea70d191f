"""Whether a printed card has faded: how its patches change among themselves from its first photos to its last.

In: one card's photos, each with its patches as corrected and as they should be. Out: `CardDrift`. What the light, the
camera and the exposure do to all patches together is undone by each photo's own correction; what is left of a patch is
its print, its camera and its noise. The print's error does not change, the camera's averages out over phones, noise
over photos: a lasting change of the patches against one another is ink that has faded, or dirt that stays.

A fading that takes the same share of every colour looks like a camera that sees less colour, and is not seen here.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vision import colour
from vision.colourmodel import metric_at
from vision.results import PatchResult

Array = NDArray[Any]

WINDOW = 6
"""Photos that speak for a card when it was new, and for it now: the first and the last so many (our own)."""
FEWEST = 3
"""Fewest photos at either end, and fewest patches in common of a dozen coloured ones (our own)."""
FEWEST_PATCHES = 12
SHORTEST_DAYS = 14.0
"""Shortest time from the first to the last photo [days]: in less no outdoor print fades to be seen (our own)."""

LEAST_CHROMA = 12.0
"""CIELAB chroma from which a patch counts as coloured: greys hold more black, which fades last."""

FADED_DELTA_E00 = 2.0
"""Change of the coloured patches among themselves [CIEDE2000, root mean square] from which a card is called faded. The
change of the camera alone stays under it (0.8 in the middle of made-up histories with a new phone), and what is then
wrong with the colours nears the error of a print never measured."""

CLIPPED_SHARE = 0.1
"""Share of a patch's pixels at the camera's upper end from which it is not read, as in measuring."""

RESAMPLES = 200
"""Times that the photos are drawn anew to see how far chance goes."""


@dataclass(frozen=True)
class CardSeen:
    """One photo of a card: when [days from any origin], and its patches."""

    at_days: float
    patches: tuple[PatchResult, ...]


@dataclass(frozen=True)
class CardDrift:
    """How a card's patches have changed among themselves since its first photos.

    Attributes
    ----------
    photos : int
        Photos that could be used.
    days : float
        From the first to the last of them.
    drift_delta_e00 : float
        Root mean square change of the coloured patches [CIEDE2000], chance taken off; NaN where it cannot be told yet.
    low_delta_e00, high_delta_e00 : float
        Its 80 % interval.
    faded : bool
        Whether it is surely more than `FADED_DELTA_E00`.
    by_patch : tuple of (str, float)
        Change of each coloured patch, greatest first [CIEDE2000].
    series : tuple of (float, float)
        For each photo its days since the first, and its own change [CIEDE2000]; chance is in it.
    """

    photos: int
    days: float
    drift_delta_e00: float
    low_delta_e00: float
    high_delta_e00: float
    faded: bool
    by_patch: tuple[tuple[str, float], ...]
    series: tuple[tuple[float, float], ...]


def card_drift(seen: Sequence[CardSeen]) -> CardDrift:
    """Return how a card has changed over its photos.

    Parameters
    ----------
    seen : sequence of CardSeen
        The photos of one card, in any order; those with too few patches that can be read are passed over.
    """
    ordered = sorted(seen, key=lambda each: each.at_days)
    names = _coloured(ordered)
    residuals = np.array([_residuals(each, names) for each in ordered]).reshape(len(ordered), len(names), 3)
    whole = np.isfinite(residuals[..., 0]).mean(axis=1) > 0.7 if len(names) >= FEWEST_PATCHES else np.zeros(0, bool)
    days = np.array([each.at_days for each in ordered])[: len(whole)][whole]
    residuals = residuals[: len(whole)][whole]
    span = float(days[-1] - days[0]) if len(days) else 0.0
    unknown = CardDrift(len(days), span, np.nan, np.nan, np.nan, False, (), ())
    if len(days) < 2 * FEWEST or span < SHORTEST_DAYS:
        return unknown
    half = min(WINDOW, max(FEWEST, len(days) // 3))
    first, last = residuals[:half], residuals[-half:]
    if days[-half] - days[half - 1] < SHORTEST_DAYS / 2:
        return unknown
    rng = np.random.default_rng(0)
    drawn = [
        _change(first[rng.integers(half, size=half)], last[rng.integers(half, size=half)])[1] for _ in range(RESAMPLES)
    ]
    by_patch, drift = _change(first, last)
    low, high = (float(v) for v in np.quantile(drawn, [0.1, 0.9]))
    start = _middle(first)
    series = [float(np.sqrt(np.nanmean(((each - start) ** 2).sum(axis=1)))) for each in residuals]
    order = np.argsort(-np.nan_to_num(by_patch))
    return CardDrift(
        photos=len(days),
        days=span,
        drift_delta_e00=drift,
        low_delta_e00=min(low, drift),
        high_delta_e00=max(high, drift),
        faded=low > FADED_DELTA_E00,
        by_patch=tuple((names[i], float(by_patch[i])) for i in order),
        series=tuple((float(day - days[0]), value) for day, value in zip(days, series, strict=True)),
    )


def _coloured(seen: Sequence[CardSeen]) -> tuple[str, ...]:
    """Return the names of the coloured patches."""
    if not seen:
        return ()
    lab = {p.name: _lab(p.reference_srgb) for p in seen[0].patches}
    return tuple(name for name, (_, a, b) in lab.items() if np.hypot(a, b) >= LEAST_CHROMA)


def _lab(encoded_rgb: Any) -> Array:
    return colour.linear_rgb_to_lab(colour.decode_srgb(np.asarray(encoded_rgb, dtype=np.float64)))


def _residuals(seen: CardSeen, names: tuple[str, ...]) -> Array:
    """Return what is left of each patch, in axes whose length is CIEDE2000, shape (N, 3); NaN where it was clipped."""
    by_name = {patch.name: patch for patch in seen.patches}
    shown, wanted = np.full((len(names), 3), np.nan), np.full((len(names), 3), np.nan)
    for index, name in enumerate(names):
        patch = by_name.get(name)
        # One that lies far from the rest was left out of the fit, and is what we look for: only clipped ones go.
        if patch is not None and patch.clipped_share <= CLIPPED_SHARE:
            shown[index], wanted[index] = patch.normalised_srgb, patch.reference_srgb
    reference = _lab(wanted)
    metric = _metric(tuple(np.nan_to_num(reference, nan=50.0).ravel()))
    return np.asarray(np.einsum("nij,nj->ni", metric, _lab(shown) - reference), dtype=np.float64)


@lru_cache(maxsize=8)
def _metric(lab: tuple[float, ...]) -> Array:
    """Return `metric_at` of colours that are the same in photo after photo, shape (N, 3, 3)."""
    return metric_at(np.array(lab).reshape(-1, 3))


def _middle(residuals: Array) -> Array:
    """Return each patch's middle over photos, shape (N, 3); dirt and glare on one photo do not move it.

    A patch read in none of them counts as unchanged.
    """
    # Not numpy's nanmedian: on a few photos of many patches that takes a hundred times as long.
    count = np.isfinite(residuals).sum(axis=0)
    rising = np.sort(residuals, axis=0)
    low, high = np.maximum(count - 1, 0) // 2, np.maximum(count // 2 - (count == 0), 0)
    two = [np.take_along_axis(rising, place[None], axis=0)[0] for place in (low, np.minimum(high, len(residuals) - 1))]
    return np.asarray(np.where(count > 0, (two[0] + two[1]) / 2, 0.0), dtype=np.float64)


def _change(first: Array, last: Array) -> tuple[Array, float]:
    """Return the change of each patch and their root mean square with the part of chance taken off [CIEDE2000]."""
    change = _middle(last) - _middle(first)
    # Variance of a median of n is about pi/2 of that of their mean.
    chance = sum(
        np.pi / 2 * np.mean((1.4826 * _middle(np.abs(part - _middle(part)))) ** 2) * 3 / len(part)
        for part in (first, last)
    )
    size = np.sqrt((change**2).sum(axis=1))
    return size, float(np.sqrt(max(np.mean(size**2) - float(chance), 0.0)))
