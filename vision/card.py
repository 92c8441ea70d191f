"""Find the printed card or the 24-patch chart: where it lies, and its patches as photographed.

In: a `Photo`. Out: `CardFound` with the homography from the design's units to the photo's pixels, its corners, its
number and its patch samples; or `NoCardFound` with a sentence that says why and what to do. The photo is read small
first and larger only where the marks or the patches are too small to be read.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.align import align, project
from vision.chart import (
    MOST_TRIES,
    SURE_SCORE,
    ChartFound,
    ChartRefused,
    look_for_chart,
    look_for_soft_chart,
    same_place,
    step_width_px,
)
from vision.errors import NoCardFound
from vision.flags import BY_NAME
from vision.grid import Lattice, find_lattices, within
from vision.gridmatch import GridDesign, match_grid
from vision.marks import MARK_POWERS, clear_marks, even_light, find_markers, marks_about, perimeter
from vision.outline import bright_quads
from vision.photo import Photo, Picture
from vision.specs import CardDesign, load_card, load_chart24

Array = NDArray[Any]

LEVELS_PX: tuple[int | None, ...] = (900, 1800, None)
"""Long sides at which the photo is searched for marks, smallest first [px]; None is the whole photo."""

ENLARGE_BELOW_PX = 2100
"""Long side up to which a picture is also searched twice enlarged [px]: the project's own, for time."""

CHART_LEVELS_PX: tuple[int | None, ...] = (900, 1800)
"""Long sides at which the photo is searched for the 24-patch chart [px]."""

WANTED_PATCH_PX = 5.5
"""Side of a patch [px] below which the photo is read larger to sample it: the project's own."""

SMALLEST_PATCH_PX = 3.5
"""Side of a patch in the full photo [px] below which its colour is mixed with its neighbours': the project's own."""

INNER_SHARE = 0.56
"""Part of a patch's side that is sampled; the rim is left to blur and misregistration: the project's own."""

CLIPPED_LEVEL = 253
"""8-bit level from which a channel counts as clipped: JPEG ringing keeps clipped areas within two levels of 255."""

CLEAR_MARKS = 3
"""Marks standing clear in the smallest picture from which the card is laid over them without looking for more."""

LEAST_COLOUR_AGREEMENT = 0.5
"""Least share of the patches' variance that a plain affine colour map must explain for marks to count as the card:
random pictures reach a third (12 terms on 48 patches of three channels), true cards in hard light 0.7 and more."""

LEAST_COLOUR_AGREEMENT_ROUGH = 0.45
"""The same for a design laid on an outline, before its edges are fitted: patches are a tenth of their side off."""

LEAST_COLOUR_AGREEMENT_ONE = 0.75
"""The same where a single mark was read: one mark alone turns up by chance in textures."""

LEAST_SEEN = 1 / 3
"""Least share of the patches out of glare for the colours to speak where fewer than two marks were read: rendered cards
over-exposed by a stop keep over half, burnt-out stripes agreed by the sixth that they kept. The project's own."""

FEWEST_NODES, LEAST_GRID_SCORE = 9, 0.45
"""Patches seen and share of the colour steps explained from which a grid is laid out as the card: the project's own,
from rendered cards and pictures without one."""

FINER_MARGIN = 0.25
"""What is taken round a card to lay it on its edges in a larger picture [share of its extent]: for the local white."""

CELL_MARGIN, NUMBER_CORRECTION = 0.12, 0.6
"""How near the middle of black and white a cell of the number mark may not come [share of their difference]; share of
the dictionary's correctable bits that are corrected (OpenCV's default)."""

MOST_EDGE_RMS_PX = 1.5
"""Root mean square of the printed edges about the fitted card above which the fit is not trusted [px]."""

MOST_SPREADS, LEAST_SPREAD = 4, 0.01
"""How often a card with one or two marks read is laid on its edges again, and the share of edges that must have been
gained to try once more: the project's own."""

MOST_OUTSIDE_SHARE = 0.25
"""Share of patches outside the photo above which the card counts as cut off: the project's own."""


@dataclass(frozen=True)
class PatchSamples:
    """The card's patches as photographed.

    Attributes
    ----------
    encoded_rgb : ndarray, shape (N, 3)
        Gamma-encoded colour of each patch [0-1]; NaN where the patch is outside the photo.
    clipped_share : ndarray, shape (N,)
        Share of a patch's pixels with a channel at its upper end [0-1].
    spread : ndarray, shape (N,)
        Robust standard deviation inside a patch, greatest channel [0-1 encoded].
    """

    encoded_rgb: Array
    clipped_share: Array
    spread: Array


@dataclass(frozen=True)
class CardFound:
    """A card in a photo.

    `homography`, shape (3, 3), maps the design's units (mm) to photo pixels; `corners_px`, shape (4, 2), run clockwise
    from the printed top left. `patch_px` is the side of the most foreshortened patch and `edge_width_px` the width of
    the printed edges in photo pixels (NaN where not measured). `number` is None where the card carries none or it is
    not legible.
    """

    design: CardDesign
    homography: Array
    corners_px: Array
    samples: PatchSamples
    markers_seen: tuple[int, ...]
    patch_px: float
    edge_width_px: float
    number: int | None = None


def find_card(photo: Photo) -> CardFound:
    """Find the reference card in a photo, the project's own first, then the 24-patch chart.

    Parameters
    ----------
    photo : Photo
        An opened photo.

    Raises
    ------
    NoCardFound
        If neither is there, or too little of it; its `code` is no_card, card_cut_off, card_too_small or
        card_in_doubt.
    PhotoUnreadable
        If the pixels cannot be decoded.
    """
    marks_seen, cut_off = 0, False
    for level in LEVELS_PX:
        picture = photo.read(level)
        grey = _grey(picture)
        even = even_light(grey, MARK_POWERS[0])
        if level == LEVELS_PX[0]:
            clear = clear_marks(even)
            found = _settle(photo, picture, even, clear) if len(clear) >= CLEAR_MARKS else None
            if found is not None:
                return found
        # Twice enlarged where the photo itself is small.
        small = picture.reduction == 1 and max(grey.shape) <= ENLARGE_BELOW_PX
        markers: dict[int, Array] = {}
        for enlarge, power in ((enlarge, power) for enlarge in (False, True) for power in MARK_POWERS):
            if enlarge and not small:
                break
            seen = find_markers(even if power == MARK_POWERS[0] else even_light(grey, power), enlarge=enlarge)
            if 0 < len(seen) < len(load_card().markers) and not enlarge:
                seen |= marks_about(grey, power, max(seen.values(), key=perimeter))
            more = {name: quad for name, quad in seen.items() if name not in markers}
            markers |= more
            marks_seen = max(marks_seen, len(markers))
            found = _settle(photo, picture, even, markers) if more else None
            if found is not None:
                return found
            if level == LEVELS_PX[0] and power == MARK_POWERS[0] and not enlarge:
                # Before the marks are looked for harder: grids of patches are found or not in a fraction of that time.
                by_patches = _find_by_patches(photo)
                if isinstance(by_patches, CardFound):
                    return by_patches
                cut_off = by_patches is not None and by_patches.reason == "cut_off"
        if picture.reduction == 1:
            break
    if cut_off and marks_seen < 2:
        raise _refusal("card_cut_off")
    raise _refusal("card_in_doubt" if marks_seen >= 2 else "no_card")


def _refusal(code: str) -> NoCardFound:
    sentence, _, hint = BY_NAME[code].say.partition(": ")
    return NoCardFound(sentence + ":", hint, code=code)


def _grey(picture: Picture) -> NDArray[np.uint8]:
    return np.asarray(cv2.cvtColor(picture.rgb, cv2.COLOR_RGB2GRAY), dtype=np.uint8)


def _settle(photo: Photo, picture: Picture, even: NDArray[np.uint8], markers: dict[int, Array]) -> CardFound | None:
    """Lay the card's design over its marks, refine, sample and check its colours; None where they disagree."""
    design = load_card()
    by_id = {marker.id: np.array(marker.corners_mm, dtype=np.float64) for marker in design.markers}
    source = np.concatenate([by_id[name] for name in markers])
    target = np.concatenate([markers[name] for name in markers])
    rough, _ = cv2.findHomography(source, target, cv2.RANSAC if len(markers) > 1 else 0, 4.0)
    if rough is None:
        return None
    # The fewer marks, the further a far corner may be off.
    reach_mm = {1: 6.0, 2: 3.5}.get(len(markers), 2.0)
    reach_px = reach_mm * perimeter(target[:4]) / perimeter(source[:4])
    return _laid(photo, picture, even, np.asarray(rough, dtype=np.float64), reach_px, tuple(sorted(markers)))


def _laid(
    photo: Photo,
    picture: Picture,
    even: NDArray[np.uint8],
    homography: Array,
    reach_px: float,
    markers: tuple[int, ...],
) -> CardFound | None:
    """Lay the card's design on its edges, sample it and check its colours; None where either disagrees."""
    search_px = max(3.0, reach_px)
    refined = align(even, homography, _dark_rectangles(), search_px=search_px, rounds=4)
    # Few marks leave a far corner off: edges near the marks are met first, then those that they bring in reach.
    for _ in range(MOST_SPREADS if len(markers) in {1, 2} else 0):
        if refined is None:
            break
        wider = align(even, refined.homography, _dark_rectangles(), search_px=search_px, rounds=4)
        if wider is None or wider.share < refined.share + LEAST_SPREAD:
            break
        refined = wider
    edge_width_px = float("nan")
    if refined is not None and refined.rms_px < MOST_EDGE_RMS_PX:
        homography, edge_width_px = refined.homography, refined.edge_width_px * picture.reduction
    elif len(markers) < 2:
        return None
    to_photo = _to_photo(homography, picture)
    finer = _picture_for(photo, _patch_side_px(load_card(), to_photo))
    if finer.reduction < picture.reduction:
        # So small a card is sampled in a larger picture: lay it on its edges there too.
        to_photo = _laid_finer(finer, to_photo)
    return _sampled(photo, load_card(), to_photo, markers, edge_width_px)


def _laid_finer(picture: Picture, to_photo: Array) -> Array:
    """Return the homography to photo pixels laid on the card's edges anew, in the part of a picture that holds it."""
    r = picture.reduction
    corners = picture.from_photo(project(to_photo, load_card().corners_mm))
    margin = FINER_MARGIN * float(np.ptp(corners, axis=0).max())
    size = np.array(picture.rgb.shape[1::-1])
    low = np.clip(np.floor(corners.min(axis=0) - margin), 0, size - 1).astype(int)
    high = np.clip(np.ceil(corners.max(axis=0) + margin), low + 1, size).astype(int)
    part = Picture(np.ascontiguousarray(picture.rgb[low[1] : high[1], low[0] : high[0]]), r)
    shift = np.array([[1 / r, 0, (1 / r - 1) / 2 - low[0]], [0, 1 / r, (1 / r - 1) / 2 - low[1]], [0, 0, 1.0]])
    refined = align(even_light(_grey(part), MARK_POWERS[0]), shift @ to_photo, _dark_rectangles(), search_px=3.0)
    if refined is None or refined.rms_px >= MOST_EDGE_RMS_PX:
        return to_photo
    return np.asarray(np.linalg.inv(shift) @ refined.homography, dtype=np.float64)


@cache
def _dark_rectangles() -> Array:
    """Return the card's marks and its patches that stand out from its ground, shape (N, 4) [mm]."""
    design = load_card()
    marks = [
        (*marker.corners_mm[0], marker.corners_mm[2][0] - marker.corners_mm[0][0],
         marker.corners_mm[2][1] - marker.corners_mm[0][1])
        for marker in design.markers
    ]  # fmt: skip
    patches = [patch.rect_mm for patch in design.patches if patch.reference_lab[0] < 80]
    return np.array(marks + patches, dtype=np.float64)


def _to_photo(homography: Array, picture: Picture) -> Array:
    """Return a homography to picture pixels as one to photo pixels."""
    r = picture.reduction
    shift = (r - 1) / 2
    return np.array([[r, 0, shift], [0, r, shift], [0, 0, 1.0]]) @ homography


def _sampled(
    photo: Photo, design: CardDesign, homography: Array, markers: tuple[int, ...], edge_width_px: float
) -> CardFound | None:
    corners = project(homography, design.corners_mm)
    if cv2.contourArea(corners.astype(np.float32), oriented=True) <= 0:
        # Seen in a mirror, or marks taken for others: no card has its corners the other way round.
        return None
    patch_px = _patch_side_px(design, homography)
    picture = _picture_for(photo, patch_px)
    samples = sample_patches(picture, design, homography)
    few = len(markers) < 2
    if few and _seen(samples).mean() < LEAST_SEEN:
        return None
    least = LEAST_COLOUR_AGREEMENT_ONE if few else LEAST_COLOUR_AGREEMENT
    if design.markers and colour_agreement(samples, design) < least:
        return None
    outside = ~np.isfinite(samples.encoded_rgb).all(axis=1)
    if outside.mean() > MOST_OUTSIDE_SHARE:
        raise _refusal("card_cut_off")
    if patch_px < SMALLEST_PATCH_PX:
        raise _refusal("card_too_small")
    return CardFound(
        design=design,
        homography=homography,
        corners_px=corners,
        samples=samples,
        markers_seen=markers,
        patch_px=patch_px,
        edge_width_px=edge_width_px,
        number=_read_number(picture, design, homography),
    )


def _patch_side_px(design: CardDesign, homography: Array) -> float:
    """Return the shorter side of the smallest patch as photographed [px of the photo]."""
    rects = _rectangles(design)
    turns = np.array([[0, 0], [1, 0], [1, 1], [0, 1]])
    quads = project(homography, rects[:, None, :2] + turns * rects[:, None, 2:])
    a, b = quads[:, 2] - quads[:, 0], quads[:, 3] - quads[:, 1]
    area = 0.5 * np.abs(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0])
    longest = np.linalg.norm(quads[:, 1:3] - quads[:, :2], axis=2).max(axis=1)
    return float((area / np.maximum(longest, 1e-9)).min())


def _rectangles(design: CardDesign) -> Array:
    """Return the patches' x, y, width and height, shape (N, 4) [units of the design]."""
    return np.array([patch.rect_mm for patch in design.patches], dtype=np.float64)


def _picture_for(photo: Photo, patch_px: float) -> Picture:
    """Read the photo as large as its patches need to be `WANTED_PATCH_PX` wide, and no larger."""
    reduction = max(1.0, patch_px / WANTED_PATCH_PX)
    return photo.read(int(max(max(photo.size_px) / reduction, LEVELS_PX[0] or 1)))


def sample_patches(
    picture: Picture, design: CardDesign, homography: Array, *, inner: float = INNER_SHARE
) -> PatchSamples:
    """Sample every patch of a card, leaving out dirt, droplets and sparkles.

    Parameters
    ----------
    picture : Picture
        The photo at any size.
    design : CardDesign
        The card.
    homography : ndarray, shape (3, 3)
        From the design's units to photo pixels.
    inner : float
        Part of a patch's side that is sampled [0-1].

    Returns
    -------
    PatchSamples
        NaN where a patch is not wholly inside the photo.
    """
    grid = (np.arange(12) + 0.5) / 12 - 0.5
    offsets = np.stack(np.meshgrid(grid, grid), axis=-1).reshape(-1, 2) * inner
    rects = _rectangles(design)
    centres = rects[:, :2] + rects[:, 2:] / 2
    at = project(homography, centres[:, None, :] + offsets[None] * rects[:, None, 2:])
    local = picture.from_photo(at)
    height, width = picture.rgb.shape[:2]
    inside: NDArray[np.bool_] = np.asarray(
        ((local >= 0) & (local <= np.array([width - 1, height - 1]))).all(axis=(1, 2)), dtype=np.bool_
    )
    at_px = local.astype(np.float32)
    seen = cv2.remap(picture.rgb, at_px[..., 0], at_px[..., 1], cv2.INTER_LINEAR)
    # One row of levels a patch and channel, whole numbers: sorting them is quick.
    values = np.ascontiguousarray(seen.transpose(0, 2, 1))
    clipped = (values.max(axis=1) >= CLIPPED_LEVEL).mean(axis=1)
    # Twice the levels, so that a middle between two is whole too.
    doubled = values.astype(np.int16) * 2
    off = np.abs(doubled - _twice_median(values)[..., None])
    spread = np.float32(1.4826) * _twice_median(off).astype(np.float32) / 4
    near = (off <= (5.0 * spread + 4.0)[..., None]).all(axis=1)
    mean = (values * near[:, None]).sum(axis=2, dtype=np.float64) / np.maximum(near.sum(axis=1), 1)[:, None]
    encoded = np.where(inside[:, None], mean / 255, np.nan)
    return PatchSamples(encoded, np.where(inside, clipped, 1.0), spread.max(axis=1) / 255)


def _twice_median(values: NDArray[Any]) -> NDArray[np.int16]:
    """Return twice the median over an even number of whole numbers, shape (N, 3), of (N, 3, pixels)."""
    half = values.shape[2] // 2
    ordered = np.sort(values, axis=2)
    return np.asarray(ordered[..., half - 1].astype(np.int16) + ordered[..., half], dtype=np.int16)


def _seen(samples: PatchSamples) -> NDArray[np.bool_]:
    """Return which patches are in the photo and out of glare, shape (N,)."""
    inside = np.isfinite(samples.encoded_rgb).all(axis=1)
    return np.asarray(inside & (samples.clipped_share < 0.3), dtype=np.bool_)


def colour_agreement(samples: PatchSamples, design: CardDesign) -> float:
    """Return the share of the patches' variance that a plain affine colour map explains, 0 to 1.

    Parameters
    ----------
    samples : PatchSamples
        The patches of `design`; those outside the photo or in glare do not count.
    """
    seen = _seen(samples)
    if seen.sum() < 8:
        return 0.0
    measured = np.column_stack([samples.encoded_rgb[seen], np.ones(int(seen.sum()))])
    wanted = np.array([patch.reference_srgb for patch in design.patches])[seen]
    centred = wanted - wanted.mean(axis=0)
    solution, *_ = np.linalg.lstsq(measured, wanted, rcond=None)
    left = wanted - measured @ solution
    return float(1 - (left**2).sum() / (centred**2).sum())


def _read_number(picture: Picture, design: CardDesign, homography: Array) -> int | None:
    """Read the card's number mark; None where it is not legible."""
    if design.number_marker_dictionary is None:
        return None
    number = _number_by_cells(picture, design, homography)
    return _number_by_search(picture, design, homography) if number is None else number


def _number_by_cells(picture: Picture, design: CardDesign, homography: Array) -> int | None:
    """Read the number mark's cells where the homography puts them; None where one is neither black nor white."""
    dictionary = _number_detector(design.number_marker_dictionary).getDictionary()
    side = dictionary.markerSize + 2
    corners = np.array(design.number_marker_corners_mm, dtype=np.float64)
    middles = (np.arange(side)[:, None] + [0.35, 0.5, 0.65]).ravel() / side
    share = np.stack(np.meshgrid(middles, middles), axis=-1)
    at = picture.from_photo(project(homography, corners[0] + share * (corners[2] - corners[0]))).astype(np.float32)
    seen = cv2.remap(picture.rgb, at[..., 0], at[..., 1], cv2.INTER_LINEAR)
    # In linear light a blurred edge lies where it was printed.
    light = (cv2.cvtColor(seen, cv2.COLOR_RGB2GRAY) / 255.0) ** MARK_POWERS[0]
    cells = light.reshape(side, 3, side, 3).mean(axis=(1, 3))
    low, high = float(cells.min()), float(cells.max())
    if high < 3 * low or (np.abs(cells - (low + high) / 2) < CELL_MARGIN * (high - low)).any():
        return None
    bits = (cells > (low + high) / 2).astype(np.uint8)
    if bits[[0, -1]].any() or bits[:, [0, -1]].any():
        return None
    read, number, turn = dictionary.identify(bits[1:-1, 1:-1].copy(), NUMBER_CORRECTION)
    return int(number) if read and turn == 0 else None


def _number_by_search(picture: Picture, design: CardDesign, homography: Array) -> int | None:
    """Look for the number mark about its place, flattened by the homography."""
    corners = np.array(design.number_marker_corners_mm, dtype=np.float64)
    low, high = corners.min(axis=0) - 4, corners.max(axis=0) + 4
    scale = 6.0
    size = np.ceil((high - low) * scale).astype(int)
    x, y = np.meshgrid(low[0] + np.arange(size[0]) / scale, low[1] + np.arange(size[1]) / scale)
    at = picture.from_photo(project(homography, np.stack([x, y], axis=-1))).astype(np.float32)
    crop = cv2.cvtColor(cv2.remap(picture.rgb, at[..., 0], at[..., 1], cv2.INTER_LINEAR), cv2.COLOR_RGB2GRAY)
    flat = even_light(np.asarray(crop, dtype=np.uint8), MARK_POWERS[0])
    corners_found, ids, _ = _number_detector(design.number_marker_dictionary).detectMarkers(flat)
    for quad, name in zip(corners_found, () if ids is None else np.ravel(ids), strict=False):
        offset = np.asarray(quad, dtype=np.float64).reshape(4, 2) / scale + low - corners
        if np.abs(offset).max() < 3.0:
            return int(name)
    return None


@cache
def _number_detector(dictionary: str) -> Any:
    return cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, dictionary)))


@cache
def _patch_grid() -> tuple[GridDesign, Array]:
    """Return the card's patches as a grid, NaN where none is printed, and the matrix from (column, row) to mm."""
    design = load_card()
    corners = np.array([patch.rect_mm[:2] for patch in design.patches], dtype=np.float64)
    first = corners.min(axis=0)
    pitch = np.diff(np.unique(corners[:, 0])).min()
    places = np.round((corners - first) / pitch).astype(int)
    colours = np.full((places[:, 1].max() + 1, places[:, 0].max() + 1, 3), np.nan)
    colours[places[:, 1], places[:, 0]] = [patch.reference_srgb for patch in design.patches]
    middle = first + np.array(design.patches[0].rect_mm[2:]) / 2
    return GridDesign(colours), np.array([[pitch, 0, middle[0]], [0, pitch, middle[1]], [0, 0, 1.0]])


def _find_by_patches(photo: Photo) -> CardFound | ChartRefused | None:
    """Look for grids of patches, at two sizes: the 24-patch chart, or the card with its marks unread.

    A refusal says why where something like the chart is there.
    """
    refused: ChartRefused | None = None
    held: tuple[Picture, ChartFound] | None = None
    for level in CHART_LEVELS_PX:
        picture = photo.read(level)
        lattices: list[Lattice] = []
        seen = look_for_chart(picture.rgb, _kept(find_lattices(picture.rgb), lattices))
        if isinstance(seen, ChartFound) and (held is None or seen.colour_fit > held[1].colour_fit):
            return _chart_laid(photo, picture, seen)
        card = _own_by_patches(photo, picture, lattices) or _own_by_outline(photo, picture)
        if card is not None:
            return card
        soft = look_for_soft_chart(picture.rgb)
        if soft is not None and (held is None or soft.colour_fit > held[1].colour_fit):
            held = picture, soft
        if held is not None and held[1].colour_fit >= SURE_SCORE:
            break
        # Fine textures look like part of a chart now and then; a chart cut off is seen in the small picture too.
        refused = refused or (seen if isinstance(seen, ChartRefused) else None)
        if picture.reduction == 1:
            break
    if held is None:
        return refused
    picture, soft = held
    return _chart_laid(photo, picture, soft)


def _chart_laid(photo: Photo, picture: Picture, found: ChartFound) -> CardFound | None:
    """Return the 24-patch chart with its samples."""
    # The finder counts patches from 0 at the first one's centre; the design counts tenths of a pitch.
    to_cells = np.array([[0.1, 0, -0.5], [0, 0.1, -0.5], [0, 0, 1.0]])
    homography = _to_photo(np.asarray(found.homography, dtype=np.float64) @ to_cells, picture)
    edge_width = step_width_px(picture.rgb, found) * picture.reduction
    return _sampled(photo, load_chart24(), homography, (), edge_width)


def _kept(lattices: Iterable[Lattice], into: list[Lattice]) -> Iterator[Lattice]:
    for lattice in lattices:
        into.append(lattice)
        yield lattice


def _own_by_patches(photo: Photo, picture: Picture, lattices: Sequence[Lattice]) -> CardFound | None:
    """Return the card where one of the lattices is its patches."""
    grid, to_mm = _patch_grid()
    even: NDArray[np.uint8] | None = None
    tried: list[Lattice] = []
    for lattice in lattices:
        if len(lattice.nodes) < FEWEST_NODES or sum(same_place(lattice, other) for other in tried) >= MOST_TRIES:
            continue
        tried.append(lattice)
        match = match_grid(picture.rgb, lattice, grid)
        if match is None or match.score < LEAST_GRID_SCORE:
            continue
        homography = within(lattice, match.to_lattice, grid.rows, grid.columns) @ np.linalg.inv(to_mm)
        even = even_light(_grey(picture), MARK_POWERS[0]) if even is None else even
        found = _laid(photo, picture, even, homography, 0.2 * lattice.pitch_px, ())
        if found is not None:
            return found
    return None


def _own_by_outline(photo: Photo, picture: Picture) -> CardFound | None:
    """Return the card where a bright four-sided shape bears its colours."""
    design = load_card()
    even = even_light(_grey(picture), MARK_POWERS[0])
    corners = np.array(design.corners_mm, dtype=np.float64)
    for quad in bright_quads(even):
        for turn in range(4):
            rough = cv2.getPerspectiveTransform(
                corners.astype(np.float32), np.roll(quad, turn, axis=0).astype(np.float32)
            ).astype(np.float64)
            samples = sample_patches(picture, design, _to_photo(rough, picture))
            if colour_agreement(samples, design) < LEAST_COLOUR_AGREEMENT_ROUGH:
                continue
            reach_px = 4.0 * perimeter(quad) / perimeter(corners)
            found = _laid(photo, picture, even, rough, reach_px, ())
            if found is not None:
                return found
    return None
