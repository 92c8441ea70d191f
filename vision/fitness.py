"""Tell whether a photo is fit to be graded: dusk, a fogged lens, motion blur, a hand, a card in other light.

In: a `View`, its `Region`, the card and the colour correction. Out: `fitness_of`, a vector in the order of
`FITNESS_FEATURES`; `unfit` turns it into the flag that says why, by fitted trees.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.card import CardFound
from vision.depthprofile import ranked
from vision.network import softmax
from vision.normalise import ColourFit
from vision.otherlight import other_light
from vision.trees import Trees
from vision.water import CELL_PX, Region, View

Array = NDArray[Any]

WAYS = ("fit", "under_exposed", "other_light", "fogged", "covered", "blurred", "no_water")
"""What a photo can be: fit, or spoiled in the way of a flag of that name; the trees' classes in their order."""

UNFIT = 0.5
"""Probability from which a photo counts as spoiled: it is likelier than not. Some one good photo in a hundred is held
for it, left out."""

FITNESS_FEATURES = (
    "white", "black", "contrast", "noise_light", "noise_dark", "edge_share", "edge_patch", "fit_median", "fit_p95",
    "gradient", "gain_r_b", "gain_g",
    "L_p5", "L_p50", "L_p95", "a_p50", "b_p50", "a_p90", "b_p10", "b_p90", "water_L", "water_a", "water_b",
    "raw_p2", "raw_p50", "fine", "medium", "wide", "fine_lean", "medium_lean", "smooth_share", "smooth_dry_share",
    "skin_share", "skin_smooth_share", "share", "sureness", "other_light",
)  # fmt: skip
"""Names of the figures: the card's white, black, noise and edges; colours outside the water; how fine and how lopsided
detail is over the whole photo; how much of it is smooth, and smooth and the colour of skin; and whether the
ground about the card fits not its light (`otherlight.py`), which alone would call too many grounds."""


def fitness_of(view: View, region: Region, card: CardFound, fit: ColourFit) -> Array:
    """Return the figures by which a photo's fitness is told, shape (F,); always finite."""
    samples, reference = card.samples, card.design.reference_lab[:, 0]
    inside = np.asarray(np.isfinite(samples.encoded_rgb).all(axis=1))
    level = np.where(inside, samples.encoded_rgb.mean(axis=1), np.nan)
    light, dark = inside & (reference > 75), inside & (reference < 45)
    white, black = _extreme(level, inside, reference, 95), _extreme(level, inside, reference, 20)
    edge = card.edge_width_px if np.isfinite(card.edge_width_px) else 0.0
    long_side = max(view.lab.shape[:2]) * view.picture.reduction
    errors = fit.held_out_delta_e00[fit.used]
    gains = np.log(fit.gains)
    named = [
        white, black, np.log((white + 0.02) / (black + 0.02)),
        _noise(samples.spread, light), _noise(samples.spread, dark),
        np.log(edge / long_side * 1000 + 0.3), np.log(edge / max(card.patch_px, 1.0) + 0.02),
        float(np.median(errors)), float(np.quantile(errors, 0.95)), float(np.log(fit.gradient)),
        float(gains[0] - gains[2]), float(gains[1] - (gains[0] + gains[2]) / 2),
    ]  # fmt: skip
    small = cv2.resize(
        view.lab, (view.lab.shape[1] // CELL_PX, view.lab.shape[0] // CELL_PX), interpolation=cv2.INTER_AREA
    )
    wet = cv2.resize(region.whole.astype(np.uint8), small.shape[1::-1], interpolation=cv2.INTER_AREA) > 0
    dry = ~wet & ~_card_cells(view, small.shape[:2])
    around = small[dry] if dry.sum() > 20 else small.reshape(-1, 3)
    low, middle, high = ranked(around, (0.1, 0.5, 0.9))
    water = ranked(small[wet], (0.5,))[0] if wet.any() else middle
    darkest, lightest = (float(v) for v in ranked(around[:, 0], (0.05, 0.95)))
    named += [
        darkest, middle[0], lightest, middle[1], middle[2], high[1], low[2], high[2], *water,
    ]  # fmt: skip
    named += _detail(view, dry)
    named += [region.share, region.sureness, float(other_light(view, region))]
    return np.nan_to_num(np.array(named, dtype=np.float64), posinf=20, neginf=-20)


def _extreme(level: Array, inside: Array, reference: Array, wanted: float) -> float:
    """Return the encoded level of the patch whose lightness is nearest to the wanted."""
    if not inside.any():
        return 0.5
    return float(level[np.argmin(np.where(inside, np.abs(reference - wanted), np.inf))])


def _noise(spread: Array, which: Array) -> float:
    return float(np.log(np.median(spread[which]) + 1e-3)) if which.any() else -4.0


def _card_cells(view: View, shape: tuple[int, int]) -> Array:
    cells = np.zeros(shape, np.uint8)
    middle = view.card_px.mean(axis=0)
    cv2.fillPoly(cells, [np.round((middle + (view.card_px - middle) * 1.2) / CELL_PX).astype(np.int32)], 1)
    return cells > 0


def _detail(view: View, dry: Array) -> list[float]:
    """Return how bright, how fine, how lopsided and how smooth the photo as taken is."""
    rgb = view.picture.rgb
    grey = cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY).astype(np.float32)
    named = [float(v) for v in ranked(grey[::2, ::2].ravel(), (0.02, 0.5)) / 255]
    strengths, leans = [], []
    plane: Array = grey
    for _ in range(3):
        across, down = cv2.Sobel(plane, cv2.CV_32F, 1, 0, scale=0.125), cv2.Sobel(plane, cv2.CV_32F, 0, 1, scale=0.125)
        xx, yy, xy = float((across**2).mean()), float((down**2).mean()), float((across * down).mean())
        whole, apart = xx + yy + 1e-6, float(np.hypot(xx - yy, 2 * xy))
        strengths.append(float(np.log(whole) / 2))
        leans.append(float(apart / whole))
        plane = cv2.resize(plane, (plane.shape[1] // 2, plane.shape[0] // 2), interpolation=cv2.INTER_AREA)
    size = dry.shape[1::-1]
    mean = cv2.resize(grey, size, interpolation=cv2.INTER_AREA)
    spread = np.sqrt(np.maximum(cv2.resize(grey * grey, size, interpolation=cv2.INTER_AREA) - mean**2, 0))
    r, g, b = cv2.split(cv2.resize(rgb, size, interpolation=cv2.INTER_AREA).astype(np.float32))
    # Skin is redder than green, greener than blue, at any depth of its tone (common practice, no source).
    skin = (r > 1.12 * g) & (g > 1.02 * b) & dry
    smooth = spread < 1.6
    named += [*strengths, leans[0], leans[1], float(smooth.mean()), float((smooth & dry).sum() / max(dry.sum(), 1))]
    return [*named, float(skin.mean()), float((skin & smooth).mean())]


def unfit(fitness: Array, trees: Trees, *, water_drawn: bool = False) -> str | None:
    """Return the flag of the way in which a photo is spoiled, None where it is fit.

    Parameters
    ----------
    fitness : ndarray, shape (F,)
        From `fitness_of`.
    trees : Trees
        From `FITNESS_FEATURES` to the log odds of `WAYS`.
    water_drawn : bool
        Whether a person drew the water: then there is some.
    """
    odds = trees(fitness[None])
    if water_drawn:
        odds[:, WAYS.index("no_water")] = -np.inf
    shares = softmax(odds)[0]
    if 1 - shares[0] < UNFIT:
        return None
    return WAYS[1 + int(np.argmax(shares[1:]))]
