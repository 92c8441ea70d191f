"""Find the standard 24-patch colour rendition chart in a photo, without markers.

In: an encoded picture. Out: `ChartFound` with the patch grid's corners and homography, or `ChartRefused` with the
reason. Six columns by four rows, from dark skin to black; which way up it lies is told by its colours, and a mirrored
chart is none.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from vision.grid import Lattice, find_lattices, jacobian, project, within
from vision.gridfit import GridFit, fit_edges, sample
from vision.gridmatch import CELL_TOLERANCE, GridDesign, Match, cell_colours, cell_misfit, fit_steps, match_grid
from vision.gridspots import spot_lattices

Array = npt.NDArray[Any]

CHART24_NAMES = (
    "dark skin", "light skin", "blue sky", "foliage", "blue flower", "bluish green",
    "orange", "purplish blue", "moderate red", "purple", "yellow green", "orange yellow",
    "blue", "green", "red", "yellow", "magenta", "cyan",
    "white", "neutral 8", "neutral 6.5", "neutral 5", "neutral 3.5", "black",
)  # fmt: skip
"""Generic names of the patches, row by row from the top left."""

CHART24_LAB_D50 = (
    (37.54, 14.37, 14.92), (64.66, 19.27, 17.50), (49.32, -3.82, -22.54),
    (43.46, -12.74, 22.72), (54.94, 9.61, -24.79), (70.48, -32.26, -0.37),
    (62.73, 35.83, 56.50), (39.43, 10.75, -45.17), (50.57, 48.64, 16.67),
    (30.10, 22.54, -20.87), (71.77, -24.13, 58.19), (71.51, 18.24, 67.37),
    (28.37, 15.42, -49.80), (54.38, -39.72, 32.27), (42.43, 51.05, 28.62),
    (81.80, 2.67, 80.41), (50.63, 51.28, -14.12), (49.57, -29.71, -28.32),
    (95.19, -1.03, 2.93), (81.29, -0.57, 0.44), (66.89, -0.75, -0.06),
    (50.76, -0.13, 0.14), (35.63, -0.46, -0.48), (20.64, 0.07, -0.46),
)  # fmt: skip
"""CIELAB, D50, of the 24 patches as made since November 2014: the maker's published figures, as the dataset "After
November 2014" of colour-science 0.4.7 gives them (characterisation/datasets/colour_checkers)."""

CHART24_LAB_D50_BEFORE_2014 = (
    (37.986, 13.555, 14.059), (65.711, 18.130, 17.810), (49.927, -4.880, -21.905),
    (43.139, -13.095, 21.905), (55.112, 8.844, -25.399), (70.719, -33.397, -0.199),
    (62.661, 36.067, 57.096), (40.020, 10.410, -45.964), (51.124, 48.239, 16.248),
    (30.325, 22.976, -21.587), (72.532, -23.709, 57.255), (71.941, 19.363, 67.857),
    (28.778, 14.179, -50.297), (55.261, -38.342, 31.370), (42.101, 53.378, 28.190),
    (81.733, 4.039, 79.819), (51.935, 49.986, -14.574), (51.038, -28.631, -28.638),
    (96.539, -0.425, 1.186), (81.257, -0.638, -0.335), (66.766, -0.734, -0.504),
    (50.867, -0.153, -0.270), (35.656, -0.421, -1.231), (20.461, -0.079, -0.973),
)  # fmt: skip
"""The same for charts made before November 2014: dataset "Before November 2014" of colour-science 0.4.7."""

CHART24_ENCODED_RGB = (
    (115.7, 79.3, 65.0), (197.2, 143.7, 126.6), (90.8, 120.3, 155.2),
    (91.5, 108.3, 63.7), (131.1, 127.0, 174.6), (95.3, 188.8, 171.7),
    (224.1, 124.2, 48.3), (68.6, 89.5, 167.3), (197.3, 80.0, 95.1),
    (92.9, 57.8, 103.9), (156.1, 187.1, 58.2), (227.4, 161.3, 39.2),
    (39.7, 61.6, 145.2), (60.6, 147.1, 70.1), (178.2, 53.6, 56.7),
    (236.4, 199.5, 14.7), (191.2, 78.8, 146.4), (0.0, 132.8, 165.2),
    (241.0, 241.7, 235.4), (201.1, 202.2, 201.1), (161.3, 163.2, 162.8),
    (120.7, 120.9, 120.6), (82.7, 84.0, 84.5), (49.5, 49.7, 50.4),
)  # fmt: skip
"""sRGB (IEC 61966-2-1) [0-255] of `CHART24_LAB_D50`, Bradford-adapted from D50 to D65; cyan lies outside the space,
its red clips to nought. Computed from the table above; the test computes it again with colour-science."""

CHART24_ROWS, CHART24_COLUMNS = 4, 6
"""The chart's layout."""

LEAST_SCORE = 0.42
"""Least share of the colour steps that the chart must explain (`Match.score`). Ours, from rendered charts and
pictures without one."""

LEAST_PART_SCORE = 0.52
"""The same for a chart that leaves the picture, of which fewer patches speak. Ours."""

CLEAR_SCORE = 0.65
"""Score from which channels may differ more. Ours, from a rendered stacked-sensor camera, whose blue carried 0.39."""

LEAST_UNCLIPPED = 0.4
"""Least share of the colour steps that is neither clipped nor drowned: what is clipped agrees with almost anything.
Ours, from charts over-exposed by a stop (0.62 and more) and pictures of full colours alone (0 to 0.02)."""

MOST_TRIES = 3
"""Times a grid in one place is looked at, found through other masks and scales, before it is passed over. Ours."""

LEAST_SUPPORT = 0.6
"""Least share of patches on edges of their own. Ours: a finger, glare and a black patch on black each cost some."""

LEAST_EDGE_SHARE = 0.4
"""Least share of an outer row's or column's patches that must fit and stand on edges of their own. Ours: a finger may
hide two patches of four."""

SURE_SCORE, LEAST_SUPPORT_SURE = 0.75, 0.3
"""Colour score from which 24 fitting patches of 24 need fewer edges of their own, and how many. Ours: bent charts in
rendered scenes score 0.83 to 0.88 with a third of their edges."""

MOST_BAD_CELLS = 5
"""Most patches that may not fit: covered, in glare, dirty. Ours."""

SOFT_SCORE, SOFT_NODES, SOFT_MISFITS, SOFT_NODES_SURE = 0.6, 15, 3, 12
"""Colour score, spots seen of 24 and most patches that may not fit, from which a chart too blurred for edges is taken
by its colours; and the spots that do where the score is `SURE_SCORE`. Ours."""

SOFT_SCORE_WHOLE = 0.5
"""Colour score that is enough for it where all 24 patches fit. Ours, from small blurred charts half in the shade."""

SOFT_EDGE = 0.25
"""Least share of an outer row's or column's patches in whose middle a spot is seen. Ours: one of a column's four."""

SOFT_EDGE_BAD = 0.2
"""Share of them that may not fit where none need be seen, the colours being sure: one covered of six. Ours."""

SOFT_SIDE, SOFT_OFF = (0.85, 0.85), 0.25
"""Side taken for its patches [pitches], between two prints measured (0.8 and 0.9), and how far a spot may be off."""

BETTER_FIT = 0.03
"""How much more of the colour steps a grid as it grew must explain than laid on edges for these to be others'. Ours."""

SURE_NODES = 10
"""Flat regions in the middle of patches from which a chart laid on its edges is taken without looking further. Ours."""

SMALLEST_PITCH_PX = 4.0
"""Pitch below which patches cannot be told apart [px]. Ours."""


@dataclass(frozen=True)
class ChartFound:
    """The chart in a picture.

    `corners_px`, shape (4, 2): outer corners of the patch grid as the chart is printed: of dark skin, bluish green,
    black and white. `homography` maps (column, row), patch centres at whole numbers, patch pitch 1, to pixels.
    `patch_side` is the patch's width and height in pitches, measured. `colour_fit` [0-1] is the share of the colour
    steps between neighbours explained by the chart's, `cell_misfit` each patch's distance from that fit, shape (4, 6)
    [natural log], `edge_share` the share of patches on edges of their own, `edge_residual_px` how well these lie.
    """

    corners_px: Array
    homography: Array
    patch_side: tuple[float, float]
    colour_fit: float
    cell_misfit: Array
    edge_share: float
    edge_residual_px: float
    pitch_px: float


@dataclass(frozen=True)
class ChartRefused:
    """Why no chart is given: `reason` is "not_found" or "cut_off" (fewer than all 24 patches are seen)."""

    reason: str


def chart24_design() -> GridDesign:
    """Return the chart's layout and colours for the grid finder."""
    return GridDesign(np.array(CHART24_ENCODED_RGB).reshape(CHART24_ROWS, CHART24_COLUMNS, 3) / 255)


def find_chart(encoded_rgb: Array) -> ChartFound | None:
    """Find the 24-patch chart.

    Parameters
    ----------
    encoded_rgb : ndarray of uint8, shape (H, W, 3)
        Gamma-encoded picture [0-255]; about 1000 to 1600 px wide is best. A picture four times reduced is searched
        for a chart of 4 % of its width and more.

    Returns
    -------
    ChartFound or None
        None where there is no chart, or not all of one: `look_for_chart` says which.
    """
    found = look_for_chart(encoded_rgb)
    return found if isinstance(found, ChartFound) else None


def look_for_chart(encoded_rgb: Array, lattices: Iterable[Lattice] | None = None) -> ChartFound | ChartRefused:
    """Find the 24-patch chart, or say why not.

    Parameters
    ----------
    encoded_rgb : ndarray of uint8, shape (H, W, 3)
        Gamma-encoded picture [0-255].
    lattices : iterable of Lattice, optional
        The picture's grids of patches, by default those that `find_lattices` yields.

    Raises
    ------
    ValueError
        If `encoded_rgb` is no such array.
    """
    if encoded_rgb.ndim != 3 or encoded_rgb.shape[2] != 3 or encoded_rgb.dtype != np.uint8:
        raise ValueError(f"encoded_rgb must be uint8 of shape (H, W, 3), got {encoded_rgb.dtype} {encoded_rgb.shape}")
    design = chart24_design()
    reason = "not_found"
    held: ChartFound | None = None
    soft: ChartFound | None = None
    refused: list[Lattice] = []
    for lattice in find_lattices(encoded_rgb) if lattices is None else lattices:
        if sum(same_place(lattice, other) for other in refused) >= MOST_TRIES:
            continue
        refused.append(lattice)
        match = match_grid(encoded_rgb, lattice, design)
        if match is None or not _colours_fit(match):
            continue
        homography = within(lattice, match.to_lattice, design.rows, design.columns)
        verdict = _settle(encoded_rgb, homography, design)
        plain = _as_grown(encoded_rgb, homography, lattice, design)
        if isinstance(verdict, ChartFound) and plain is not None and plain.colour_fit > verdict.colour_fit + BETTER_FIT:
            # Drawn away by other edges than the patches': the colours say so.
            verdict = plain
        if isinstance(verdict, ChartRefused):
            reason = "cut_off" if verdict.reason == "cut_off" else reason
            soft = max(soft, plain, key=_colour_fit)
        elif _centred(verdict, lattice).sum() >= SURE_NODES:
            return verdict
        elif held is None or verdict.edge_share > held.edge_share:
            held = verdict
    return held or soft or ChartRefused(reason)


def _colour_fit(found: ChartFound | None) -> float:
    return -1.0 if found is None else found.colour_fit


def look_for_soft_chart(encoded_rgb: Array) -> ChartFound | None:
    """Find a 24-patch chart too blurred for its patches to have edges, by the spots that its colours make.

    Parameters
    ----------
    encoded_rgb : ndarray of uint8, shape (H, W, 3)
        Gamma-encoded picture [0-255].

    Returns
    -------
    ChartFound or None
        With `edge_share` nought and `edge_residual_px` NaN.
    """
    design = chart24_design()
    for lattice in spot_lattices(encoded_rgb):
        match = match_grid(encoded_rgb, lattice, design)
        if match is None or match.score < SOFT_SCORE_WHOLE or match.cells < design.rows * design.columns:
            continue
        found = _as_grown(encoded_rgb, within(lattice, match.to_lattice, design.rows, design.columns), lattice, design)
        if found is not None:
            return found
    return None


def _as_grown(encoded_rgb: Array, homography: Array, lattice: Lattice, design: GridDesign) -> ChartFound | None:
    """Return the chart as its lattice grew, borne by its colours alone, or None where they do not bear it."""
    if not np.isfinite(homography).all() or np.linalg.det(jacobian(homography, np.array([2.5, 1.5]))) <= 0:
        return None
    fit = GridFit(homography, SOFT_SIDE, 0.0, np.zeros((design.rows, design.columns), bool), float("nan"))
    found = _found(encoded_rgb, fit, design)
    bad = ~(found.cell_misfit <= CELL_TOLERANCE)
    seen = _centred(found, lattice, SOFT_OFF)
    sure = found.colour_fit >= SURE_SCORE
    borne = (
        found.colour_fit >= (SOFT_SCORE if bad.any() else SOFT_SCORE_WHOLE)
        and found.pitch_px >= SMALLEST_PITCH_PX
        and bad.sum() <= (MOST_BAD_CELLS if sure else SOFT_MISFITS)
        and seen.sum() >= (SOFT_NODES_SURE if sure else SOFT_NODES)
        and all(
            spots.mean() >= SOFT_EDGE or (sure and misfits.mean() < SOFT_EDGE_BAD)
            for spots, misfits in zip(_edges(seen), _edges(bad), strict=True)
        )
        and not _leaves_picture(encoded_rgb, homography, SOFT_SIDE)
    )
    return found if borne else None


def _edges(cells: Array) -> tuple[Array, ...]:
    """Return the outer rows and columns: with one missing a chart would fit as well, but for that edge."""
    return cells[0], cells[-1], cells[:, 0], cells[:, -1]


def refine_chart(encoded_rgb: Array, found: ChartFound) -> ChartFound:
    """Lay a found chart on its edges again, in a picture of another size of the same photo.

    Parameters
    ----------
    encoded_rgb : ndarray of uint8, shape (H, W, 3)
        The picture to refine in, of any size.
    found : ChartFound
        With its homography in this picture's pixels: see `scale_chart`.

    Returns
    -------
    ChartFound
        `found` itself where the edges do not bear a better fit.
    """
    fit = fit_edges(encoded_rgb, found.homography, CHART24_ROWS, CHART24_COLUMNS, rounds=4)
    if not np.isfinite(fit.residual_px) or fit.supported < LEAST_SUPPORT:
        return found
    return _found(encoded_rgb, fit, chart24_design())


def scale_chart(found: ChartFound, scale_x: float, scale_y: float) -> ChartFound:
    """Return a found chart in the pixels of the same photo `scale_x`, `scale_y` times as wide and high."""
    to_scaled = np.array([[scale_x, 0, (scale_x - 1) / 2], [0, scale_y, (scale_y - 1) / 2], [0, 0, 1]])
    homography = to_scaled @ found.homography
    size = float(np.sqrt(scale_x * scale_y))
    return ChartFound(
        _corners(homography, found.patch_side), homography, found.patch_side, found.colour_fit,
        found.cell_misfit, found.edge_share, found.edge_residual_px * size, found.pitch_px * size,
    )  # fmt: skip


def patch_centres_px(found: ChartFound) -> Array:
    """Return the 24 patch centres [px], shape (24, 2), row by row from dark skin."""
    rows, columns = np.mgrid[0:CHART24_ROWS, 0:CHART24_COLUMNS]
    return project(found.homography, np.stack([columns, rows], -1).reshape(-1, 2).astype(float))


def patch_quads_px(found: ChartFound, *, shrink: float = 0.6) -> Array:
    """Return the 24 patches as quadrilaterals [px], shape (24, 4, 2), from the top left as printed.

    Parameters
    ----------
    found : ChartFound
    shrink : float
        Share of the patch's side kept [0-1]: below 1 leaves out the blurred rim.
    """
    half = np.array(found.patch_side) * shrink / 2
    rows, columns = np.mgrid[0:CHART24_ROWS, 0:CHART24_COLUMNS]
    centres = np.stack([columns, rows], -1).reshape(-1, 1, 2).astype(float)
    outline = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * half
    return project(found.homography, (centres + outline).reshape(-1, 2)).reshape(-1, 4, 2)


def step_width_px(encoded_rgb: Array, found: ChartFound) -> float:
    """Return the median width of the steps from patch to patch, 10 to 90 % [px]; a blur makes them wide.

    Parameters
    ----------
    encoded_rgb : ndarray of uint8, shape (H, W, 3)
        The picture the chart was found in.
    found : ChartFound

    Returns
    -------
    float
        NaN where none of the steps lies in the picture.
    """
    along = np.linspace(0.0, 1.0, 33)
    starts = np.stack(np.meshgrid(np.arange(CHART24_COLUMNS - 1), np.arange(CHART24_ROWS)), -1).reshape(-1, 1, 2)
    places = starts + np.stack([along, np.zeros_like(along)], -1)
    profile = sample(encoded_rgb, project(found.homography, places.reshape(-1, 2))).reshape(len(starts), len(along), 3)
    profile = profile[np.isfinite(profile).all(axis=(1, 2))]
    if not len(profile):
        return float("nan")
    # The channel that changes most says it; the dark between patches makes two steps of one.
    run = np.ptp(profile, axis=1)
    slope = np.abs(np.diff(profile, axis=1)).max(axis=1) / (along[1] - along[0])
    width = 0.8 * run / np.maximum(slope, 1e-9)
    return float(np.median(np.take_along_axis(width, run.argmax(1)[:, None], axis=1))) * found.pitch_px


def _centred(found: ChartFound, lattice: Lattice, off: float = 0.1) -> Array:
    """Return in the middle of which patches of the chart as it was laid a flat region was seen, shape (4, 6)."""
    place = project(np.linalg.inv(found.homography), lattice.nodes_px, seen=found.corners_px.mean(0))
    whole = np.round(place)
    last = [CHART24_COLUMNS - 1, CHART24_ROWS - 1]
    inside = (np.abs(place - whole).max(1) < off) & (whole >= 0).all(1) & (whole <= last).all(1)
    seen = np.zeros((CHART24_ROWS, CHART24_COLUMNS), bool)
    columns, rows = whole[inside].astype(int).T
    seen[rows, columns] = True
    return seen


def same_place(lattice: Lattice, other: Lattice) -> bool:
    """Return whether most of a lattice's patches are another's."""
    if not 0.8 < lattice.pitch_px / other.pitch_px < 1.25:
        return False
    # A dozen speak for all.
    some = lattice.nodes_px[:: max(1, len(lattice.nodes_px) // 12)]
    off_x, off_y = (some[:, [axis]] - other.nodes_px[:, axis] for axis in (0, 1))
    near = (np.maximum(np.abs(off_x), np.abs(off_y)) < 0.25 * lattice.pitch_px).any(1)
    return bool(near.mean() > 0.7)


def _colours_fit(match: Match) -> bool:
    own = np.diagonal(match.response)
    mixed = float(np.abs(match.response - np.diag(own)).max())
    spread = float(own.max() / max(own.min(), 1e-9))
    if match.unclipped < LEAST_UNCLIPPED:
        return False
    if match.cells < CHART24_ROWS * CHART24_COLUMNS:
        # Fewer patches fit by chance more easily.
        return match.score >= LEAST_PART_SCORE and own.min() > 0.5 and own.max() < 2 and mixed < 0.5
    if match.score >= CLEAR_SCORE:
        # So much explained may be a camera that tells colours apart badly.
        return own.min() > 0.25 and own.max() < 2.6 and spread < 4 and mixed < 0.7
    return match.score >= LEAST_SCORE and own.min() > 0.4 and own.max() < 2.2 and spread < 2.5 and mixed < 0.7


def _settle(encoded_rgb: Array, homography: Array, design: GridDesign) -> ChartFound | ChartRefused:
    """Lay a candidate on its edges and judge it."""
    if _leaves_picture(encoded_rgb, homography, (0.7, 0.7)):
        return ChartRefused("cut_off")
    fit = fit_edges(encoded_rgb, homography, design.rows, design.columns)
    if np.linalg.det(jacobian(fit.homography, np.array([2.5, 1.5]))) <= 0:
        return ChartRefused("not_found")
    if _leaves_picture(encoded_rgb, fit.homography, fit.patch_side):
        return ChartRefused("cut_off")
    found = _found(encoded_rgb, fit, design)
    bad = ~(found.cell_misfit <= CELL_TOLERANCE)
    # A bent chart strays from the edges of a flat one; where all 24 colours fit closely, they bear it alone.
    sure = found.colour_fit >= SURE_SCORE and not bad.any()
    good = ~bad if sure else ~bad & fit.supported_cells
    # A chart with its last row or column missing fits as well as one with a few patches covered, but for that edge.
    if any(edge.mean() < LEAST_EDGE_SHARE for edge in _edges(good)):
        return ChartRefused("cut_off")
    least_support = LEAST_SUPPORT_SURE if sure else LEAST_SUPPORT
    if found.colour_fit < LEAST_SCORE or found.edge_share < least_support or bad.sum() > MOST_BAD_CELLS:
        return ChartRefused("not_found")
    if found.pitch_px < SMALLEST_PITCH_PX:
        return ChartRefused("not_found")
    return found


def _found(encoded_rgb: Array, fit: GridFit, design: GridDesign) -> ChartFound:
    cells = cell_colours(encoded_rgb, fit.homography, np.arange(design.columns), np.arange(design.rows))
    match = fit_steps(cells, design.encoded_rgb)
    middle = np.array([(design.columns - 1) / 2, (design.rows - 1) / 2])
    pitch = float(np.sqrt(abs(np.linalg.det(jacobian(fit.homography, middle)))))
    misfit = cell_misfit(cells, design.encoded_rgb, match.response)
    return ChartFound(
        _corners(fit.homography, fit.patch_side), fit.homography, fit.patch_side,
        match.score if _colours_fit(match) else 0.0, misfit, fit.supported, fit.residual_px, pitch,
    )  # fmt: skip


def _corners(homography: Array, patch_side: tuple[float, float]) -> Array:
    """Return the outer corners of the patch grid [px], shape (4, 2)."""
    x, y = patch_side[0] / 2, patch_side[1] / 2
    right, below = CHART24_COLUMNS - 1 + x, CHART24_ROWS - 1 + y
    return project(homography, np.array([[-x, -y], [right, -y], [right, below], [-x, below]]))


def _leaves_picture(encoded_rgb: Array, homography: Array, patch_side: tuple[float, float]) -> bool:
    """Return whether part of the patch grid lies outside the picture."""
    corners = _corners(homography, patch_side)
    height, width = encoded_rgb.shape[:2]
    with np.errstate(invalid="ignore"):
        inside = (
            (corners >= -0.5).all() and (corners[:, 0] <= width - 0.5).all() and (corners[:, 1] <= height - 0.5).all()
        )
    return not bool(inside)
