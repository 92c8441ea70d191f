"""Which pixels of a photo are water: drawn by the user or found; minus card, glare, floating things and edge.

In: a photo with its card and its colour correction, as a `View`, and a fitted `Network` that tells water from its
surroundings cell by cell. Out: `Region`: the mask of water fit to be measured, its outline, and how sure it is.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.align import project
from vision.card import CLIPPED_LEVEL, CardFound
from vision.errors import NoWaterSeen
from vision.flags import BY_NAME
from vision.network import Network
from vision.normalise import ColourFit
from vision.photo import Photo, Picture
from vision.tuples import Point

Array = NDArray[Any]
Plane = NDArray[Any]
Mask = NDArray[Any]

WORK_PX = 480
"""Long side at which water is looked at [px]: enough for floor detail of 2 % of the width, a few ms to work on, and no
more than an eighth of a 12-megapixel photo, which libjpeg reads at once."""
CELL_PX = 6
"""Side of the cells that are told apart [px of the working picture]."""
LEAST_SHARE = 0.02
"""Share of the photo below which water does not count as seen: the project's own."""
SMALL_SHARE = 0.06
"""Share of the photo below which little water is said to be seen: the project's own."""
LEAST_SURENESS = 0.75
"""Mean probability of the found water below which it does not count as seen: the project's own."""
FAR = 6.0
"""Where the card's plane gives no distance (at and beyond its horizon), log distance is this: 80 m on a 200 mm card."""

CELL_FEATURES = (
    "L", "a", "b", "chroma", "log_spread", "log_spread_near", "log_spread_wide", "clipped",
    "L_near", "a_near", "b_near", "L_wide", "a_wide", "b_wide", "dark_share",
    "from_ring", "from_ring_least", "dL_ring", "da_ring", "db_ring",
    "x", "y", "horizon", "log_distance", "ahead", "rough_x", "rough_y",
)  # fmt: skip
"""Names of a cell's features, in their order; fixed for a model's life."""


CONTEXT_FEATURES = (
    "p", "p_near", "p_wide", "p_wider", "from_water", "from_water_here", "from_dry", "from_dry_here",
    "p_above", "p_below", "p_photo",
)  # fmt: skip
"""Names of what a second look adds to `CELL_FEATURES`: the first look's probability here and round about, above, below
and over the photo, and how far the cell's colour is from what was taken for water and for dry, in the photo and near
by."""
EDGE_PX, EDGE_EVENNESS = 10, 1e-3
"""Reach [px of the working picture] and evenness of the guided filter that draws the water's edge."""
SHORELESS_SHARE, EVEN_L, EVEN_CELLS = 0.012, 0.8, 5
"""Share of dry picture under which no shore is in sight, and range of CIELAB lightness (but for its outer tenths, each
cell with so many about it, which takes a weave's grain away) under which it is all one even sheet. In 40 rendered
photos of nothing but water the least is 0.95; three rendered sheets have 0.3 to 0.5."""
SURE = 0.95
"""Probability over which a cell is surely water, and one less it under which it is surely none: what lies between is
settled by the photo's own colours."""
OTHER_PART_SHARE, OTHER_PART_SURENESS, OTHER_PART_APART = 0.25, 0.9, 1.5
"""A second part is water as well when it is this large and as likely beside the first, and its colour no more spreads
away (chosen on 143 rendered photos)."""
RING_CELLS = 40
"""Cells round the card that others are compared with, at most."""


@dataclass(frozen=True)
class View:
    """A photo made ready for looking at its water.

    Attributes
    ----------
    picture : Picture
        The working picture; `linear`, shape (H, W, 3), the same in linear sRGB under the reference light, and
        `lab`, shape (H, W, 3), in CIELAB, clipped to the gamut.
    homography : ndarray, shape (3, 3)
        From the card's units to pixels of the working picture.
    card_px : ndarray, shape (4, 2)
        The card's corners in the working picture.
    clipped : ndarray of bool, shape (H, W)
        Pixels with a channel at its upper end.
    """

    picture: Picture
    linear: Plane
    lab: Plane
    homography: Array
    card_px: Array
    clipped: Mask


@dataclass(frozen=True)
class Region:
    """The water of a photo.

    Attributes
    ----------
    mask : ndarray of bool, shape (H, W)
        Water fit to be measured, in the working picture.
    whole : ndarray of bool, shape (H, W)
        All water seen, glare and reflections included.
    outline_px : tuple of Point
        Outline of the water in photo pixels.
    share : float
        Share of the photo that is fit to be measured [0-1].
    sureness : float
        Mean probability of the cells taken [0-1]; 1 where a person drew the water.
    """

    mask: Mask
    whole: Mask
    outline_px: tuple[Point, ...]
    share: float
    sureness: float


def view_of(photo: Photo, card: CardFound, fit: ColourFit) -> View:
    """Return the photo at working size, its colours normalised.

    Raises
    ------
    PhotoUnreadable
        If the pixels cannot be decoded.
    """
    picture = working_picture(photo)
    linear = fit.correct_pixels(picture.rgb)
    lab = cv2.cvtColor(np.clip(linear, 0, 1), cv2.COLOR_LRGB2Lab)
    step = np.diag([1 / picture.reduction, 1 / picture.reduction, 1.0])
    shift = (1 / picture.reduction - 1) / 2
    step[0, 2] = step[1, 2] = shift
    homography = step @ card.homography
    return View(
        picture=picture,
        linear=linear,
        lab=np.asarray(lab, dtype=np.float32),
        homography=homography,
        card_px=picture.from_photo(card.corners_px),
        clipped=np.asarray(cv2.inRange(picture.rgb, (0, 0, 0), (CLIPPED_LEVEL - 1,) * 3) == 0, dtype=np.bool_),
    )


def working_picture(photo: Photo) -> Picture:
    """Return the photo at working size: a long side of `WORK_PX`, area means."""
    near = photo.read(WORK_PX)
    height, width = near.rgb.shape[:2]
    factor = max(height, width) / WORK_PX
    if factor <= 1:
        return near
    size = (max(1, round(width / factor)), max(1, round(height / factor)))
    # So little smaller, the mean of the nearest four is as good as that of areas, in a sixth of the time.
    rgb = cv2.resize(near.rgb, size, interpolation=cv2.INTER_LINEAR if factor < 1.5 else cv2.INTER_AREA)
    return Picture(np.asarray(rgb, dtype=np.uint8), near.reduction * factor)


def cell_features(view: View) -> Array:
    """Return what is known of each cell of the working picture, shape (rows, columns, features).

    The cells are `CELL_PX` wide; the features are `CELL_FEATURES`: colour and texture of the cell and round about,
    likeness to what lies round the card (which is no water: the card does not float), and place in the card's plane.
    """
    height, width = view.lab.shape[:2]
    columns, rows = max(1, width // CELL_PX), max(1, height // CELL_PX)

    def mean(plane: Plane) -> Plane:
        return np.asarray(cv2.resize(plane, (columns, rows), interpolation=cv2.INTER_AREA), dtype=np.float32)

    lab = mean(view.lab)
    light = cv2.extractChannel(view.lab, 0)
    square = mean(cv2.multiply(light, light))
    spread = np.sqrt(np.maximum(square - lab[..., 0] ** 2, 0))
    rough_x = mean(np.abs(cv2.Sobel(light, cv2.CV_32F, 1, 0, scale=0.125)))
    rough_y = mean(np.abs(cv2.Sobel(light, cv2.CV_32F, 0, 1, scale=0.125)))
    near = np.asarray(cv2.blur(lab, (5, 5)), dtype=np.float32)
    wide = np.asarray(cv2.blur(lab, (15, 15)), dtype=np.float32)
    between = cv2.blur(lab[..., 0] ** 2, (5, 5)) - near[..., 0] ** 2
    between_wide = cv2.blur(lab[..., 0] ** 2, (15, 15)) - wide[..., 0] ** 2
    clipped = mean(view.clipped.astype(np.float32))
    dark = mean((light < 8).astype(np.float32))

    y, x = np.mgrid[0:rows, 0:columns].astype(np.float32)
    at = np.stack([(x + 0.5) * width / columns - 0.5, (y + 0.5) * height / rows - 0.5], axis=-1)
    horizon, log_distance, ahead = places_in_plane(view, at.astype(np.float64))
    values = lab.reshape(-1, 3)
    around = values[_ring(view, (rows, columns)).ravel()]
    if len(around) == 0:
        around = values
    around = around[:: max(1, len(around) // RING_CELLS)][:RING_CELLS]
    apart = _apart(values, around).reshape(rows, columns, 2)
    typical = np.median(around, axis=0)
    planes = [
        lab[..., 0], lab[..., 1], lab[..., 2], np.hypot(lab[..., 1], lab[..., 2]),
        np.log(spread + 0.3), np.log(np.sqrt(np.maximum(between, 0)) + 0.3),
        np.log(np.sqrt(np.maximum(between_wide, 0)) + 0.3), clipped,
        near[..., 0], near[..., 1], near[..., 2], wide[..., 0], wide[..., 1], wide[..., 2], dark,
        apart[..., 0], apart[..., 1],
        lab[..., 0] - typical[0], lab[..., 1] - typical[1], lab[..., 2] - typical[2],
        (x + 0.5) / columns, (y + 0.5) / rows, horizon, log_distance, ahead,
        np.log(rough_x + 0.1), np.log(rough_y + 0.1),
    ]  # fmt: skip
    return np.stack([np.asarray(plane, dtype=np.float32) for plane in planes], axis=-1)


def _apart(values: Array, around: Array) -> Array:
    """Return how far each colour is from half of the colours `around`, and from a tenth of them, shape (N, 2)."""
    square = -2 * values @ around.T
    square += np.einsum("ij,ij->i", values, values)[:, None] + np.einsum("ij,ij->i", around, around)
    places = (len(around) // 2, len(around) // 10)
    return np.sqrt(np.maximum(np.partition(square, places, axis=1)[:, places], 0))


def places_in_plane(view: View, at: Array) -> tuple[Array, Array, Array]:
    """Return each place's height under the card plane's horizon, log distance from the card, and how far ahead."""
    height = view.lab.shape[0]
    inverse = np.linalg.inv(view.homography)
    line = inverse[2]
    middle = view.card_px.mean(axis=0)
    sign = np.sign(line @ np.append(middle, 1.0)) or 1.0
    depth = (at @ line[:2] + line[2]) * sign
    horizon = depth / max(float(np.hypot(line[0], line[1])), 1e-12) / height
    plane = project(inverse, np.where((horizon > 0.005)[..., None], at, middle))
    centre = project(inverse, middle[None])[0]
    size = max(float(np.ptp(plane_corners(view)[:, 0])), 1e-9)
    away = np.linalg.norm(plane - centre, axis=-1) / size
    log_distance = np.where(horizon > 0.005, np.minimum(np.log1p(away), FAR), FAR)
    ahead = (middle[1] - at[..., 1]) / height
    return np.clip(horizon, -2, 4), log_distance, ahead


def plane_corners(view: View) -> Array:
    """Return the card's corners in its own units, shape (4, 2)."""
    return project(np.linalg.inv(view.homography), view.card_px)


def _ring(view: View, shape: tuple[int, int]) -> Mask:
    """Return the cells round the card: outside it, within half its size."""
    height, width = view.lab.shape[:2]
    middle = view.card_px.mean(axis=0)
    ring = np.zeros(shape, np.uint8)
    for grown, value in ((1.8, 1), (1.12, 0)):
        outline = (middle + (view.card_px - middle) * grown + 0.5) * [shape[1] / width, shape[0] / height] - 0.5
        cv2.fillConvexPoly(ring, cv2.convexHull(np.round(outline * 16).astype(np.int32)), value, shift=4)
    return ring > 0


def context_features(features: Array, probability: Array) -> Array:
    """Return the cells' features for another look, shape (rows, columns, features + context).

    Water is what looks like this photo's own water: the first look's sure cells say what that is.

    Parameters
    ----------
    features : ndarray, shape (rows, columns, features)
        From `cell_features`.
    probability : ndarray, shape (rows, columns)
        Of water, by the look before.
    """
    p = np.asarray(probability, dtype=np.float32)
    lab = np.ascontiguousarray(features[..., :3], dtype=np.float32)
    rows = np.arange(1, len(p) + 1)[:, None]
    planes: list[Array] = [p, *(cv2.GaussianBlur(p, (0, 0), sigma) for sigma in (1.0, 2.5, 6.0))]
    together = np.ones((1, 3), np.float32)
    for weight in (p**2, (1 - p) ** 2):
        total = float(weight.sum()) + 1e-3
        mean = weight.ravel() @ lab.reshape(-1, 3) / total
        from_mean = (lab - mean) ** 2
        spread = weight.ravel() @ from_mean.reshape(-1, 3) / total + 4.0
        planes.append(cv2.sqrt(cv2.transform(from_mean, 1 / spread[None])))
        here: Array = np.asarray(cv2.GaussianBlur(lab * weight[..., None], (0, 0), 5.0))
        here /= cv2.GaussianBlur(weight, (0, 0), 5.0)[..., None] + np.float32(1e-3)
        planes.append(np.log(cv2.sqrt(cv2.transform((lab - here) ** 2, together)) + 1))
    planes += [p.cumsum(axis=0) / rows, p[::-1].cumsum(axis=0)[::-1] / rows[::-1], np.full_like(p, p.mean())]
    context = np.stack([np.asarray(plane, dtype=np.float32) for plane in planes], axis=-1)
    return np.concatenate([np.asarray(features, dtype=np.float32), context], axis=-1)


def water_probability(features: Array, looks: tuple[Network, ...]) -> Array:
    """Return the probability of water of each cell, look after look, shape (rows, columns)."""
    probability: Array | None = None
    for network in looks:
        seen = features if probability is None else context_features(features, probability)
        odds = network(seen.reshape(-1, seen.shape[2])).reshape(seen.shape[:2])
        probability = 1 / (1 + np.exp(-np.clip(odds, -20, 20)))
    if probability is None:
        raise ValueError("looks must hold a network")
    return probability


def find_water(view: View, looks: tuple[Network, ...]) -> Region:
    """Find the water of a photo.

    Parameters
    ----------
    view : View
        The photo made ready.
    looks : tuple of Network
        The first from `CELL_FEATURES` to the log odds of water, the others with `CONTEXT_FEATURES` beside.

    Raises
    ------
    NoWaterSeen
        If no part of the photo is water beyond doubt.
    """
    features = cell_features(view)
    lab = features[..., :3]
    # A cell believes its neighbours a little: single odd cells are waves or leaves.
    probability = settled_by_colour(cv2.GaussianBlur(water_probability(features, looks), (0, 0), 0.6), lab)
    found = (probability > 0.5).astype(np.uint8)
    cells = cv2.morphologyEx(found, cv2.MORPH_OPEN, np.ones((2, 2), np.uint8))
    count, labels = cv2.connectedComponents(cells, connectivity=4)
    if count < 2:
        raise no_water()
    keep, sureness = _parts(labels, count, probability, lab)
    if keep.mean() < LEAST_SHARE or sureness < LEAST_SURENESS:
        raise no_water()
    region = _region(view, _edged(view, probability, keep), sureness)
    if _even_as_paper(view, region.whole):
        raise no_water()
    return region


def settled_by_colour(probability: Array, lab: Array) -> Array:
    """Return the probability of water, the unsure cells drawn to what their colour and their neighbours say.

    The sure cells give this photo's colours of water and of its surroundings; a cut along the picture's edges divides
    the rest (GrabCut: Rother, Kolmogorov & Blake 2004, ACM Trans. Graph. 23:309).

    Parameters
    ----------
    probability : ndarray, shape (rows, columns)
    lab : ndarray, shape (rows, columns, 3)
        The cells' colours.
    """
    cut = np.where(probability > 0.5, cv2.GC_PR_FGD, cv2.GC_PR_BGD).astype(np.uint8)
    cut[probability > SURE], cut[probability < 1 - SURE] = cv2.GC_FGD, cv2.GC_BGD
    wet = (cut == cv2.GC_FGD) | (cut == cv2.GC_PR_FGD)
    if wet.all() or not wet.any():
        return probability
    coded = np.clip(lab * [2.55, 1, 1] + [0, 128, 128], 0, 255).astype(np.uint8)
    # Its first guess at the colours is drawn: from the same seed, so that a photo always gives the same water.
    cv2.setRNGSeed(1)
    cv2.grabCut(coded, cut, (0, 0, 1, 1), np.zeros((1, 65)), np.zeros((1, 65)), 1, cv2.GC_INIT_WITH_MASK)
    wet = (cut == cv2.GC_FGD) | (cut == cv2.GC_PR_FGD)
    return np.asarray((probability + cv2.GaussianBlur(wet.astype(np.float32), (0, 0), 0.6)) / 2, dtype=np.float32)


def _parts(labels: Array, count: int, probability: Array, lab: Array) -> tuple[Mask, float]:
    """Return the cells of the parts that are water, and the sureness of the first: that which speaks loudest."""
    parts = [labels == label for label in range(1, count)]
    first = max(parts, key=lambda part: float((probability[part] - 0.5).sum()))
    middle, spread = np.median(lab[first], axis=0), lab[first].std(axis=0) + 4.0
    sureness = float(probability[first].mean())
    keep = first.copy()
    for part in parts:
        apart = float(np.sqrt((((np.median(lab[part], axis=0) - middle) / spread) ** 2).mean()))
        if (
            part.sum() >= OTHER_PART_SHARE * first.sum()
            and probability[part].mean() >= OTHER_PART_SURENESS * sureness
            and apart < OTHER_PART_APART
        ):
            keep |= part
    return keep, sureness


def _even_as_paper(view: View, whole: Mask) -> bool:
    """Tell whether what was taken for water fills the photo and is lit alike throughout.

    Water without a shore in sight mirrors more of the sky, and is looked into less steeply, from near to far; only a
    sheet, a cloth or a floor seen from above is as even as that.
    """
    columns, rows = whole.shape[1] // CELL_PX, whole.shape[0] // CELL_PX
    card = np.zeros(whole.shape, np.uint8)
    middle = view.card_px.mean(axis=0)
    cv2.fillConvexPoly(card, np.round(middle + (view.card_px - middle) * 1.3).astype(np.int32), 1)
    if (~whole & (card == 0)).mean() > SHORELESS_SHARE:
        return False
    inside = cv2.resize((whole & (card == 0)).astype(np.uint8) * 255, (columns, rows), interpolation=cv2.INTER_AREA)
    light = cv2.resize(cv2.extractChannel(view.lab, 0), (columns, rows), interpolation=cv2.INTER_AREA)
    whole_cells = (inside > 250).astype(np.float32)
    around = (EVEN_CELLS, EVEN_CELLS)
    light = cv2.blur(light * whole_cells, around) / np.maximum(cv2.blur(whole_cells, around), 1e-3)
    low, high = np.quantile(light[whole_cells > 0], [0.1, 0.9])
    return bool(high - low < EVEN_L)


def _edged(view: View, probability: Array, keep: Mask) -> Mask:
    """Return the mask of the water, its edge drawn along the picture's own edges.

    A guided filter (He, Sun & Tang 2013, IEEE TPAMI 35:1397) in the colour in which this photo's water and its
    surroundings differ most (Fisher's discriminant).
    """
    height, width = view.lab.shape[:2]
    rows, columns = probability.shape
    cells = cv2.resize(view.lab, (columns, rows), interpolation=cv2.INTER_AREA)
    wet, dry = cells[keep & (probability > 0.8)], cells[~keep & (probability < 0.2)]
    way = np.array([1.0, 0.0, 0.0])
    if min(len(wet), len(dry)) > 10:
        way = np.linalg.solve(np.cov(wet.T) + np.cov(dry.T) + 4 * np.eye(3), wet.mean(axis=0) - dry.mean(axis=0))
        way /= max(float(np.linalg.norm(way)), 1e-9)
    guide = cv2.transform(view.lab, way[None].astype(np.float32) / np.float32(50.0))
    kept = np.where(keep | (probability < 0.5), probability, 0.0).astype(np.float32)
    # The filter's terms change slowly: they are made in a picture half as large (He & Sun 2015, arXiv:1505.00996).
    half = (max(width // 2, 1), max(height // 2, 1))
    coarse, soft = cv2.resize(guide, half, interpolation=cv2.INTER_AREA), cv2.resize(kept, half)

    def mean(plane: Array) -> Array:
        return np.asarray(cv2.blur(plane, (EDGE_PX + 1, EDGE_PX + 1)))

    mean_guide, mean_soft = mean(coarse), mean(soft)
    slope = (mean(coarse * soft) - mean_guide * mean_soft) / (mean(coarse * coarse) - mean_guide**2 + EDGE_EVENNESS)
    begin = mean(mean_soft - slope * mean_guide)
    drawn = cv2.resize(mean(slope), (width, height)) * guide + cv2.resize(begin, (width, height))
    return np.asarray(drawn > 0.5, dtype=np.bool_)


def drawn_water(view: View, outline_px: tuple[Point, ...]) -> Region:
    """Return the water inside an outline that a person drew.

    Parameters
    ----------
    view : View
        The photo made ready.
    outline_px : tuple of Point
        Three points or more, in photo pixels.

    Raises
    ------
    ValueError
        If `outline_px` has fewer than three points.
    NoWaterSeen
        If nothing inside is fit to be measured.
    """
    if len(outline_px) < 3:
        raise ValueError(f"outline_px must have three points or more, got {len(outline_px)}")
    polygon = view.picture.from_photo(np.array(outline_px, dtype=np.float64))
    whole = np.zeros(view.lab.shape[:2], np.uint8)
    cv2.fillPoly(whole, [np.round(polygon).astype(np.int32)], 1)
    return _region(view, whole.astype(np.bool_), 1.0)


def no_water() -> NoWaterSeen:
    """Return the refusal of a photo without water."""
    sentence, _, hint = BY_NAME["no_water"].say.partition(": ")
    return NoWaterSeen(sentence + ":", hint)


def _region(view: View, whole: Mask, sureness: float) -> Region:
    """Take card, glare, floating things and the edge out of the water seen."""
    height, width = whole.shape
    card = np.zeros(whole.shape, np.uint8)
    middle = view.card_px.mean(axis=0)
    grown = middle + (view.card_px - middle) * 1.05
    cv2.fillPoly(card, [np.round(grown).astype(np.int32)], 1)
    open_water = whole & (card == 0)
    if open_water.mean() < LEAST_SHARE / 2:
        raise no_water()
    light = view.lab[..., 0]
    lights = np.sort(light[open_water][::5])
    bulk, upper = lights[len(lights) // 2], lights[len(lights) * 3 // 4]
    # Glints: far lighter than the water's own run of light and dark, or clipped.
    glare = view.clipped | (light > max(upper + 2.5 * (upper - bulk), upper + 12))
    glare = np.asarray(cv2.dilate(glare.astype(np.uint8), np.ones((3, 3), np.uint8)), dtype=np.bool_)
    inside = cv2.erode(open_water.astype(np.uint8), np.ones((5, 5), np.uint8), borderValue=1)
    mask = np.asarray((inside > 0) & ~glare, dtype=np.bool_)
    if mask.mean() < LEAST_SHARE / 4:
        mask = np.asarray(open_water & ~glare, dtype=np.bool_)
    if mask.mean() < LEAST_SHARE / 4:
        raise no_water()
    contours, _ = cv2.findContours(open_water.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    outline = max(contours, key=cv2.contourArea)
    outline = cv2.approxPolyDP(outline, 0.004 * max(height, width), True).reshape(-1, 2)
    points = view.picture.to_photo(outline.astype(np.float64))
    return Region(
        mask=mask,
        whole=np.asarray(open_water, dtype=np.bool_),
        outline_px=tuple((float(x), float(y)) for x, y in points),
        share=float(mask.mean()),
        sureness=sureness,
    )
