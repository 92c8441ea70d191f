"""A print run's colours out of photos of the card beside the 24-patch chart.

In: photos that show both whole. Out: a `Calibration`. The chart's published colours give each photo's correction; the
card's patches, so corrected and freed of the light's gradient, are averaged over the photos. A photo that does not
serve raises `CalibrationInvalid` and says how to take it again.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision import colour
from vision.align import project
from vision.calibration import Calibration, MeasuredPatch, as_triple, checked_calibration
from vision.card import CHART_LEVELS_PX, CardFound, find_card, sample_patches
from vision.chart import ChartFound, look_for_chart, patch_centres_px
from vision.colourmodel import light_slope
from vision.errors import CalibrationInvalid, NoCardFound
from vision.normalise import FEWEST_PATCHES, ColourFit, fit_colours
from vision.photo import Photo, Picture
from vision.specs import CardDesign, load_card, load_chart24
from vision.uncertainty import CHART_DELTA_E00

Array = NDArray[Any]

MOST_CHART_DELTA_E00 = 4.0
"""Held-out median of the chart above which its photo gives no calibration: over twice a good photo's (our own)."""

MOST_APART_DELTA_E00 = 5.0
"""Root mean square of the photos about their mean above which they do not agree (our own)."""

CLIPPED_SHARE = 0.1
"""Share of a patch's pixels at the camera's upper end from which it is not used, as in measuring."""

RETAKE = (
    "Lay the card and the chart side by side, flat, in even shade outdoors, both whole in the picture and free of "
    "glare, and photograph them from straight above; two or three photos, the card turned between them, are better."
)
"""How to photograph card and chart."""


@dataclass(frozen=True)
class _Reading:
    """What one photo says of the card's patches: CIELAB and its standard deviation [CIEDE2000], NaN where unseen."""

    lab: Array
    sd: Array


def calibrate_from_photos(
    photos: Sequence[Photo], *, first_number: int | None = None, last_number: int | None = None
) -> Calibration:
    """Return the calibration of a print run from photos of a card beside the 24-patch chart.

    The chart's published colours give each photo's correction; the card's patches, so corrected and freed of the
    light's gradient, are averaged over the photos.

    Parameters
    ----------
    photos : sequence of Photo
        One or more.
    first_number, last_number : int, optional
        Card numbers of the print run; by default it holds for all.

    Raises
    ------
    CalibrationInvalid
        If a photo does not show both whole, its light or colours are not fit, or the photos do not agree.
    PhotoUnreadable
        If a photo cannot be decoded.
    """
    if not photos:
        raise ValueError("photos must hold one photo or more")
    readings = [_read_beside(photo) for photo in photos]
    lab = np.stack([each.lab for each in readings])
    seen = np.isfinite(lab).all(axis=2)
    count = seen.sum(axis=0)
    middle = np.where(seen[..., None], lab, 0).sum(axis=0) / np.maximum(count, 1)[:, None]
    apart = np.where(seen, colour.delta_e00(np.nan_to_num(lab), middle), 0)
    spread = float(np.sqrt((apart**2).sum() / max(seen.sum() - (count > 0).sum(), 1)))
    if spread > MOST_APART_DELTA_E00:
        raise CalibrationInvalid(f"These photos do not agree: they are {spread:.1f} CIEDE2000 apart.", RETAKE)
    own = np.sqrt(np.nanmean(np.stack([each.sd for each in readings])[:, count > 0] ** 2, axis=0))
    patches = []
    for place, patch_index in enumerate(np.flatnonzero(count)):
        # The chart's own spread does not average out; what the photos differ by does.
        between = spread / np.sqrt(count[patch_index]) if len(photos) > 1 else 0.0
        sd = float(np.sqrt(own[place] ** 2 + between**2 + CHART_DELTA_E00**2))
        patches.append(MeasuredPatch(load_card().patches[patch_index].name, as_triple(middle[patch_index]), sd))
    return checked_calibration(Calibration("chart_photo", tuple(patches), first_number, last_number))


def _read_beside(photo: Photo) -> _Reading:
    """Read the card's patches in one photo by the chart beside it."""
    try:
        card = find_card(photo)
    except NoCardFound as refusal:
        raise CalibrationInvalid(f"The photo {photo.name} shows no whole card to calibrate.", RETAKE) from refusal
    if card.design.kind != "turnblue":
        raise CalibrationInvalid(f"The photo {photo.name} shows a 24-patch chart, but not the printed card.", RETAKE)
    chart = _chart_beside(photo, card)
    if chart is None:
        raise CalibrationInvalid(f"The photo {photo.name} shows the card, but no whole 24-patch chart.", RETAKE)
    usable = np.isfinite(chart.samples.encoded_rgb).all(axis=1) & (chart.samples.clipped_share <= CLIPPED_SHARE)
    if usable.sum() < FEWEST_PATCHES:
        raise CalibrationInvalid(f"The chart in {photo.name} is over-exposed or in glare.", RETAKE)
    fit = fit_colours(chart.samples, chart.design, usable=usable)
    off = float(np.median(fit.held_out_delta_e00[fit.used]))
    if off > MOST_CHART_DELTA_E00:
        raise CalibrationInvalid(
            f"The chart's colours in {photo.name} do not fit (off by {off:.1f} CIEDE2000).", RETAKE
        )
    fit_for_use = np.isfinite(card.samples.encoded_rgb).all(axis=1) & (card.samples.clipped_share <= CLIPPED_SHARE)
    encoded = np.where(fit_for_use[:, None], card.samples.encoded_rgb, np.nan)
    linear = fit.correct(encoded) / _light_ratio(photo, card, chart, fit)[:, None]
    known = fit.uncertainty(np.nan_to_num(linear, nan=0.2), sampling_sd=None)
    lab = np.where(fit_for_use[:, None], known.lab, np.nan)
    return _Reading(lab, np.where(fit_for_use, known.delta_e00_sd, np.nan))


def _chart_beside(photo: Photo, card: CardFound) -> CardFound | None:
    """Return the chart in a photo, the card's own area painted over so that its patches are not taken for it."""
    design = load_chart24()
    for level in CHART_LEVELS_PX:
        picture = photo.read(level)
        found = look_for_chart(_without(picture, card.corners_px))
        if isinstance(found, ChartFound):
            centres_mm = np.array([patch.centre_mm for patch in design.patches])
            centres_px = picture.to_photo(patch_centres_px(found))
            homography = np.asarray(cv2.findHomography(centres_mm, centres_px)[0], dtype=np.float64)
            samples = sample_patches(picture, design, homography)
            side_px = found.pitch_px * picture.reduction * min(found.patch_side)
            corners_px = project(homography, design.corners_mm)
            return CardFound(design, homography, corners_px, samples, (), side_px, float("nan"))
        if picture.reduction == 1:
            break
    return None


def _without(picture: Picture, corners_px: Array) -> NDArray[np.uint8]:
    """Return a picture with a quadrilateral and a rim about it painted in its own mean colour."""
    local = picture.from_photo(corners_px)
    grown = local + 0.02 * (local - local.mean(axis=0))
    mask = np.zeros(picture.rgb.shape[:2], np.uint8)
    cv2.fillConvexPoly(mask, np.round(grown).astype(np.int32), 255)
    painted = picture.rgb.copy()
    painted[mask > 0] = np.asarray(cv2.mean(picture.rgb, mask)[:3]).astype(np.uint8)
    return painted


def _light_ratio(photo: Photo, card: CardFound, chart: CardFound, fit: ColourFit) -> Array:
    """Return the light on each patch of the card over the light on the chart's middle, shape (N,).

    The plane of log light is what the chart's fit found over the chart and the card's bare paper shows over the card,
    the mean of the two slopes; both lie in one plane, the chart's.
    """
    design = chart.design
    to_chart = np.linalg.inv(chart.homography) @ card.homography
    middle = np.array([design.width_mm, design.height_mm]) / 2
    patches = (project(to_chart, np.array([p.centre_mm for p in card.design.patches])) - middle) / middle.max()
    bare_mm = _bare_paper(card.design)
    picture = photo.read(int(max(photo.size_px) / max(1.0, card.patch_px / 9)))
    local = picture.from_photo(project(card.homography, bare_mm)).astype(np.float32)
    seen = cv2.remap(
        cv2.blur(picture.rgb, (3, 3)),
        local[None, :, 0],
        local[None, :, 1],
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )[0]
    white = np.maximum(fit.correct(seen / 255) @ colour.RGB_TO_XYZ[1], 0.05)
    places = (project(to_chart, bare_mm) - middle) / middle.max()
    slope = (light_slope(fit.theta) + _robust_slope(places, np.log(white))) / 2
    return np.asarray(np.exp(patches @ slope), dtype=np.float64)


def _bare_paper(design: CardDesign) -> Array:
    """Return places of the card's bare paper: the strip's slot and beside the outer patches, shape (M, 2) [mm]."""
    rects = np.array([patch.rect_mm for patch in design.patches])
    left, right = rects[:, 0].min() - 3, (rects[:, 0] + rects[:, 2]).max() + 3
    heights = rects[:, 1] + rects[:, 3] / 2
    places = [np.column_stack([np.full(len(rects), x), heights]) for x in (left, right)]
    if design.strip_slot_mm is not None:
        x, y, width, height = design.strip_slot_mm
        grid = np.stack(np.meshgrid(np.linspace(0.1, 0.9, 9), np.linspace(0.25, 0.75, 3)), axis=-1).reshape(-1, 2)
        places.append(np.array([x, y]) + grid * [width, height])
    return np.concatenate(places)


def _robust_slope(places: Array, values: Array) -> Array:
    """Return the slope of a plane through values, those far off it left out, shape (2,)."""
    columns = np.column_stack([places, np.ones(len(places))])
    keep = np.ones(len(values), dtype=bool)
    plane = np.zeros(3)
    for _ in range(4):
        plane = np.linalg.lstsq(columns[keep], values[keep], rcond=None)[0]
        off = values - columns @ plane
        keep = np.abs(off) < max(2.5 * 1.4826 * float(np.median(np.abs(off[keep]))), 0.01)
    return np.asarray(plane[:2], dtype=np.float64)
