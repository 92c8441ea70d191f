"""Tell by its colours which printed grid a lattice of patches is, where it begins and which way up it lies.

In: the colours of a lattice's cells and the printed grid's reference colours. Out: the best `Match`. Steps between
neighbouring cells are compared, not the cells: light that falls off over the grid, or a shadow's edge, then disturbs
few of them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from vision.grid import Lattice, project

Array = npt.NDArray[Any]

SOFTENING = 0.12
"""Added to encoded values before the logarithm [0-1], so that stray light on the dark patches weighs little. Ours."""

CLIPPED = 0.985
"""Encoded value from which a channel counts as clipped [0-1] (251 of 255). Ours."""

DROWNED = 0.02
"""Encoded value up to which a channel counts as lost in the dark or outside the colour space [0-1]. Ours."""

RIDGE = 0.05
"""Pull of the colour fit towards "as printed" [squared log]; one pair of unlike patches outweighs it. Ours."""

STEP_SCALE = 0.2
"""Misfit of a step between two cells at which its weight falls to a quarter [natural log]. Ours."""

LEAST_KNOWN = 0.28
"""Least share of the steps between cells that must lie in the picture for a grid to be told at all. Ours: twelve of
24 patches, less what the picture's edge takes."""

LEAST_SCREEN = 0.3
"""Least share of the steps' variance that the plain fit must explain for a place to be looked at closely. Ours."""

CELL_TOLERANCE = 0.35
"""Largest misfit of a cell that belongs [natural log of softened encoded values]. Ours, from rendered charts."""


@dataclass(frozen=True)
class GridDesign:
    """A printed grid: `encoded_rgb` [0-1], shape (rows, columns, 3); NaN where a cell holds no colour."""

    encoded_rgb: Array

    @property
    def rows(self) -> int:
        """Rows of the grid."""
        return int(self.encoded_rgb.shape[0])

    @property
    def columns(self) -> int:
        """Columns of the grid."""
        return int(self.encoded_rgb.shape[1])


@dataclass(frozen=True)
class Match:
    """A lattice told apart.

    `to_lattice` maps the design's (column, row) to the lattice's; `fit` is the share of the colour steps' variance
    that the design explains [0-1], `kept` the share of the steps that this rests on; `cells` how many cells lie in
    the picture, `unclipped` the share of their steps that is neither clipped nor drowned; `response` the map from the
    design's colour steps to the camera's, shape (3, 3).
    """

    to_lattice: Array
    fit: float
    kept: float
    cells: int
    unclipped: float
    response: Array

    @property
    def score(self) -> float:
        """One figure to rank by: what is explained, times what it rests on."""
        return self.fit * self.kept


def cell_colours(encoded_rgb: Array, homography: Array, columns: Array, rows: Array) -> Array:
    """Return the median colour of each cell's middle [0-1], NaN outside the picture.

    Parameters
    ----------
    encoded_rgb : ndarray of uint8, shape (H, W, 3)
    homography : ndarray, shape (3, 3)
        Grid units (cell centres at whole numbers) to pixels.
    columns, rows : ndarray of int, shape (C,) and (R,)

    Returns
    -------
    ndarray, shape (R, C, 3)
    """
    spots = np.linspace(-0.2, 0.2, 5)
    u = (columns[:, None] + spots).ravel()
    v = (rows[:, None] + spots).ravel()
    points = project(homography, np.stack(np.meshgrid(u, v), -1).reshape(-1, 2))
    height, width = encoded_rgb.shape[:2]
    with np.errstate(invalid="ignore"):
        inside = (points >= 0).all(1) & (points[:, 0] <= width - 1) & (points[:, 1] <= height - 1)
    places = np.where(inside[:, None], points, 0).astype(np.float32).reshape(len(v), len(u), 2)
    seen = cv2.remap(encoded_rgb, places[..., 0], places[..., 1], cv2.INTER_LINEAR)
    blocks = (
        seen.reshape(len(rows), 5, len(columns), 5, 3).transpose(0, 2, 1, 3, 4).reshape(len(rows), len(columns), 25, 3)
    )
    whole = inside.reshape(len(rows), 5, len(columns), 5).all((1, 3))
    return np.where(whole[..., None], np.median(blocks, axis=2) / 255.0, np.nan)


def match_grid(encoded_rgb: Array, lattice: Lattice, design: GridDesign) -> Match | None:
    """Return where on a lattice the design fits best, or None where it can lie nowhere.

    Parameters
    ----------
    encoded_rgb : ndarray of uint8, shape (H, W, 3)
    lattice : Lattice
    design : GridDesign
    """
    reach = max(design.rows, design.columns) - 2
    low, high = lattice.nodes.min(0) - reach, lattice.nodes.max(0) + reach
    columns, rows = np.arange(low[0], high[0] + 1), np.arange(low[1], high[1] + 1)
    if len(columns) * len(rows) > 1600:
        return None
    cells = cell_colours(encoded_rgb, lattice.homography, columns, rows)
    node_map = np.zeros((len(rows), len(columns)))
    node_map[lattice.nodes[:, 1] - low[1], lattice.nodes[:, 0] - low[0]] = 1
    tried: list[tuple[float, int, int, int]] = []
    for turn in range(4):
        tried += _screen(cells, node_map, np.rot90(design.encoded_rgb, turn), turn)
    if not tried:
        return None
    tried.sort(reverse=True)
    matches = []
    for _, turn, row, column in tried[:4]:
        reference = np.rot90(design.encoded_rgb, turn)
        window = cells[row : row + reference.shape[0], column : column + reference.shape[1]]
        found = fit_steps(window, reference)
        to_lattice = _turned(turn, design, low + np.array([column, row]))
        matches.append(replace(found, to_lattice=to_lattice))
    return max(matches, key=lambda match: match.score)


def _turned(turn: int, design: GridDesign, start: Array) -> Array:
    """Return the matrix from the design's (column, row) to the lattice's, for `np.rot90(design, turn)` at `start`."""
    rows, columns = np.mgrid[0 : design.rows, 0 : design.columns]
    turned_rows, turned_columns = np.rot90(rows, turn), np.rot90(columns, turn)

    # Where the design's cells (0, 0), (1, 0) and (0, 1) have come to lie.
    def where(column: int, row: int) -> Array:
        at = np.argwhere((turned_rows == row) & (turned_columns == column))[0]
        return np.array([at[1], at[0]], float)

    origin = where(0, 0)
    along, down = where(1, 0) - origin, where(0, 1) - origin
    matrix = np.eye(3)
    matrix[:2, 0], matrix[:2, 1], matrix[:2, 2] = along, down, origin + start
    return matrix


def _soft_log(encoded: Array) -> Array:
    out: Array = np.log(encoded + SOFTENING)
    return out


def _steps(values: Array) -> Array:
    """Return the differences between neighbouring cells, shape (..., pairs, 3)."""
    across = values[..., :, 1:, :] - values[..., :, :-1, :]
    down = values[..., 1:, :, :] - values[..., :-1, :, :]
    head = values.shape[:-3]
    return np.concatenate([across.reshape(*head, -1, 3), down.reshape(*head, -1, 3)], axis=-2)


def _screen(cells: Array, node_map: Array, reference: Array, turn: int) -> list[tuple[float, int, int, int]]:
    """Return (explained share, turn, row, column) of every window that holds enough of the seen patches."""
    rows, columns = reference.shape[:2]
    if cells.shape[0] < rows or cells.shape[1] < columns:
        return []
    windows = np.lib.stride_tricks.sliding_window_view(cells, (rows, columns), axis=(0, 1))
    seen = np.lib.stride_tricks.sliding_window_view(node_map, (rows, columns)).sum((2, 3))
    at = np.argwhere(seen >= 6)
    if not len(at):
        return []
    steps = _steps(_soft_log(windows[at[:, 0], at[:, 1]].transpose(0, 2, 3, 1)))
    wanted = _steps(_soft_log(reference))
    known = np.asarray(np.isfinite(steps).all(2) & np.isfinite(wanted).all(1))
    weight = known.astype(float)[..., None]
    steps, wanted = np.where(known[..., None], steps, 0), np.nan_to_num(wanted)
    # A deep shadow's edge gives steps larger than any pair of patches has: bound them.
    steps = np.clip(steps, -1.8, 1.8)
    squares = (wanted[:, :, None] * wanted[:, None, :]).reshape(-1, 9)
    normal = (known.astype(float) @ squares).reshape(-1, 3, 3) + RIDGE * np.eye(3)
    solved = np.linalg.solve(normal, wanted.T @ steps)
    left = steps - (wanted @ solved) * weight
    total = (steps**2).sum((1, 2)) + 1e-9
    share = 1 - (left**2).sum((1, 2)) / total
    share[(total / np.maximum(weight.sum((1, 2)), 1)) < 0.01] = -1
    share[known.sum(1) < LEAST_KNOWN * len(wanted)] = -1
    # A camera raises every channel with its own: what does not is no photo of this grid.
    own = np.diagonal(solved, axis1=1, axis2=2)
    share[(own < 0.2).any(1) | (own > 3.5).any(1)] = -1
    order = np.argsort(-share)[:3]
    return [(float(share[i]), turn, int(at[i, 0]), int(at[i, 1])) for i in order if share[i] > LEAST_SCREEN]


def fit_steps(window: Array, reference: Array) -> Match:
    """Fit a camera's colours to the reference, standing up to covered, clipped and half-shaded cells.

    Parameters
    ----------
    window, reference : ndarray, shape (R, C, 3)
        Encoded colours [0-1]; NaN where unknown.

    Returns
    -------
    Match
        With `to_lattice` the identity.
    """
    seen, wanted = _soft_log(window), _soft_log(reference)
    good = np.asarray(np.isfinite(window).all(2) & np.isfinite(reference).all(2))
    with np.errstate(invalid="ignore"):
        # A clipped channel says only "at least this" (or, at nought, "at most"): left out, each channel for itself.
        high, low = window >= CLIPPED, (window <= DROWNED) | (reference <= DROWNED)
    known = np.isfinite(_steps(np.where(good[..., None].repeat(3, 2), 0.0, np.nan)))
    free = known & np.isfinite(_steps(np.where(high | low, np.nan, 0.0)))
    steps, ideal = np.nan_to_num(_steps(seen)), np.nan_to_num(_steps(wanted))
    weight = free.astype(float)
    response, left = np.eye(3), steps
    squares = (ideal[:, :, None] * ideal[:, None, :]).reshape(-1, 9)
    for _ in range(8):
        normal = (weight.T @ squares).reshape(3, 3, 3) + RIDGE * np.eye(3)
        wanted_by = ((weight * steps).T @ ideal + RIDGE * np.eye(3))[..., None]
        response = np.linalg.solve(normal, wanted_by)[..., 0].T
        left = steps - ideal @ response
        # One weight for a pair: a finger or a shadow's edge takes all channels.
        size = np.sqrt((left**2 * free).sum(1) / np.maximum(free.sum(1), 1))
        weight = free / (1 + (size / STEP_SCALE)[:, None] ** 2) ** 2
    total = (weight * steps**2).sum()
    fit = float(1 - (weight * left**2).sum() / total) if total > 1e-6 else 0.0
    kept = float(weight.sum() / max(free.sum(), 1))
    unclipped = float(free.sum() / max(known.sum(), 1))
    return Match(np.eye(3), fit, kept, int(good.sum()), unclipped, response)


def cell_misfit(window: Array, reference: Array, response: Array) -> Array:
    """Return each cell's distance from the fit after the local light (median of its surroundings) is taken out.

    Parameters
    ----------
    window, reference : ndarray, shape (R, C, 3)
        Encoded colours [0-1]; NaN where unknown.
    response : ndarray, shape (3, 3)
        Of the `Match`.

    Returns
    -------
    ndarray, shape (R, C)
        Root mean square over the channels [natural log of softened encoded values]; NaN where a cell is unknown.
    """
    seen, wanted = _soft_log(window), _soft_log(reference)
    good = np.asarray(np.isfinite(window).all(2) & np.isfinite(reference).all(2))
    with np.errstate(invalid="ignore"):
        high = np.asarray(window >= CLIPPED)
        low = np.asarray((window <= DROWNED) | (reference <= DROWNED))
    rest = np.where(good[..., None], seen - wanted @ response, np.nan)
    usable = np.where(high | low, np.nan, rest)
    rows, columns = good.shape
    out = np.full((rows, columns), np.nan)
    for row in range(rows):
        for column in range(columns):
            if not good[row, column]:
                continue
            around = usable[max(0, row - 1) : row + 2, max(0, column - 1) : column + 2].reshape(-1, 3)
            around = around[np.isfinite(around).any(1)]
            if len(around) < 2 or not np.isfinite(around).any(0).all():
                out[row, column] = 0.0
                continue
            off = rest[row, column] - np.nanmedian(around, axis=0)
            # Clipped: the true value is higher than seen, so only a surplus is a misfit; drowned the other way.
            off = np.where(high[row, column], np.maximum(off, 0), off)
            off = np.where(low[row, column], np.minimum(off, 0), off)
            out[row, column] = np.sqrt((off**2).mean())
    return out
