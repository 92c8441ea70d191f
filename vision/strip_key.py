"""Teach a kind of strip from a photo of its printed key.

In: a photo of the label beside a card, and the numbers that a person typed. Out: `KeyProposal`, the grid of swatches as
found, to be looked at and corrected by hand; then a `StripKind`.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.errors import NoStripSeen
from vision.photo import Photo
from vision.strip_kind import Pad, Scale, StripKind
from vision.strip_light import StripLight, strip_light
from vision.strip_region import Blob, Region, flat_patches, loose_picture
from vision.strip_sample import PAD_SD, sample_pad
from vision.tuples import Point, Triple
from vision.uncertainty import spread_of

Array = NDArray[Any]

LEAST_SWATCH_SHARE = 0.006
"""Least side of a swatch over the photo's long side: the project's own."""
MOST_SWATCH_SHARE = 0.12
"""Largest side of a swatch over the photo's long side: the project's own."""
ALIKE = 1.5
"""Factor within which swatches of one key, or pads of one strip, are alike in size: the project's own."""
KEY_SD = 0.5
"""Standard deviation of a printed swatch about the pad it stands for [CIEDE2000 a component]: the project's own."""


@dataclass(frozen=True)
class Swatch:
    """One swatch or pad as found: its four corners in the photo, its CIELAB colour, and whether it was only guessed.

    `sd` is the standard deviation of its colour [CIEDE2000 a component].
    """

    quad_px: tuple[Point, ...]
    lab: Triple
    sd: float
    guessed: bool = False


@dataclass(frozen=True)
class KeyProposal:
    """A key as found: its rows, top to bottom, each with its swatches from left to right."""

    rows: tuple[tuple[Swatch, ...], ...]
    light: str


@dataclass(frozen=True)
class TypedScale:
    """What a person typed about one row of a key, or about the strips of a series."""

    analyte: str
    unit: str
    values: tuple[float, ...]
    read_from_s: float | None = None
    read_until_s: float | None = None
    note: str = ""


def propose_key(photo: Photo, counts: Sequence[int] | None = None) -> KeyProposal:
    """Find the swatches of a printed key in a photo of it beside a card.

    Parameters
    ----------
    photo : Photo
        The photo: label and card in one light, the key's rows roughly level.
    counts : sequence of int, optional
        How many swatches each row has, top to bottom; a pale one that was not seen is then put where it should lie.

    Raises
    ------
    NoCardFound
        If there is no card and no white ground.
    NoStripSeen
        If no grid of swatches is seen.
    """
    light = strip_light(photo)
    region = loose_picture(photo, light)
    long_side = max(region.lab.shape[:2])
    least, most = (LEAST_SWATCH_SHARE * long_side) ** 2, (MOST_SWATCH_SHARE * long_side) ** 2
    seen = [each for each in flat_patches(region.lab, region.inside, least=least, most=most) if _boxy(each)]
    seen = _largest_family(seen)
    if len(seen) < 2:
        raise NoStripSeen(
            "No colour key was seen in this photo:",
            "photograph the label straight on, its key filling half of the picture beside the card, without glare.",
        )
    rows = _rows(seen, direction_of(seen, _reading_direction(light)))
    if counts is not None and len(rows) > len(counts):
        # Something else in the picture looks like a row: the fullest are the key's.
        fullest = sorted(range(len(rows)), key=lambda n: -len(rows[n]))[: len(counts)]
        rows = [rows[n] for n in sorted(fullest)]
    cells = _filled(rows, counts)
    light = light.beside(_label_lab(region, seen))
    return KeyProposal(
        tuple(tuple(laid_swatch(photo, light, region, cell, KEY_SD) for cell in row) for row in cells), light.kind
    )


def _label_lab(region: Region, seen: list[Blob]) -> Array:
    """Return the label's colour between its swatches, shape (3,)."""
    hull = np.zeros(region.lab.shape[:2], np.uint8)
    boxes = np.array([[(x0, y0), (x1, y0), (x1, y1), (x0, y1)] for x0, y0, x1, y1 in (each.box for each in seen)])
    cv2.fillConvexPoly(hull, cv2.convexHull(boxes.reshape(-1, 2).astype(np.int32)), 1)
    for x0, y0, x1, y1 in (each.box for each in seen):
        hull[max(0, y0 - 2) : y1 + 2, max(0, x0 - 2) : x1 + 2] = 0
    between = region.lab[hull > 0]
    return np.asarray(np.median(between, axis=0) if len(between) else np.zeros(3), dtype=np.float64)


@dataclass(frozen=True)
class Cell:
    """A swatch's rectangle in the region: middle, half sides as complex steps, and whether it was guessed."""

    at: complex
    along: complex
    across: complex
    guessed: bool = False


def _boxy(each: Blob) -> bool:
    return max(each.sides_px) < 4.0 * min(each.sides_px)


def _largest_family(seen: list[Blob]) -> list[Blob]:
    """Return the largest set of spots alike in size that lie among each other."""
    best: list[Blob] = []
    for one in seen:
        like = [
            each
            for each in seen
            if 1 / ALIKE < each.size_px / one.size_px < ALIKE
            and 1 / ALIKE < max(each.sides_px) / max(one.sides_px) < ALIKE
        ]
        near = _connected(like, reach=4.0 * max(one.sides_px), start=one)
        if len(near) > len(best):
            best = near
    return best


def _connected(like: list[Blob], *, reach: float, start: Blob) -> list[Blob]:
    """Return the spots that hang together with `start` by steps of at most `reach`."""
    points = np.array([each.at for each in like])
    inside = np.array([each is start for each in like])
    while True:
        near = (np.abs(points[:, None] - points[None, inside]) < reach).any(axis=1)
        if (near == inside).all():
            return [each for each, kept in zip(like, inside, strict=True) if kept]
        inside = near


def _reading_direction(light: StripLight) -> complex:
    """Return where a line of print beside the card runs: as on the card, else along the photo's x axis."""
    if light.card is None:
        return 1 + 0j
    corners = light.card.corners_px
    x, y = corners[1] + corners[2] - corners[0] - corners[3]
    return complex(x, y)


def direction_of(seen: list[Blob], towards: complex = 1 + 0j) -> complex:
    """Return the unit step along the rows: that side of the swatches which is closest to a direction."""
    turns = np.array([each.turn_deg for each in seen])
    # Sides repeat every 90 degrees: the mean of the fourfold angle.
    mean = np.angle(np.exp(4j * np.radians(turns)).mean()) / 4
    sides = [complex(np.exp(1j * (mean + turn * np.pi / 2))) for turn in range(4)]
    return max(sides, key=lambda side: (side * towards.conjugate()).real)


def _rows(seen: list[Blob], u: complex) -> list[list[Cell]]:
    """Return the swatches as rows, top to bottom, each from left to right; `u` is the unit step along them."""
    turned = np.array([each.at for each in seen]) / u
    wide, high = _sides(seen, u)
    order = np.argsort(turned.real)
    rows: list[list[int]] = []
    for n in order:
        # A swatch belongs to the row whose last one lies level with it: rows of a bent label may climb.
        level = [row for row in rows if abs(turned[row[-1]].imag - turned[n].imag) < 0.45 * high]
        if level:
            min(level, key=lambda row: abs(turned[row[-1]].imag - turned[n].imag)).append(int(n))
        else:
            rows.append([int(n)])
    rows.sort(key=lambda row: float(np.mean(turned[row].imag)))
    half_u, half_v = 0.5 * wide * u, 0.5j * high * u
    return [[Cell(seen[n].at, half_u, half_v) for n in row] for row in rows]


def _sides(seen: list[Blob], u: complex) -> tuple[float, float]:
    """Return the swatches' usual width along the rows and height across them [px]."""
    wide, high = [], []
    for each in seen:
        level = abs(np.cos(np.radians(each.turn_deg) - np.angle(u))) > 0.7
        wide.append(each.sides_px[0] if level else each.sides_px[1])
        high.append(each.sides_px[1] if level else each.sides_px[0])
    return float(np.median(wide)), float(np.median(high))


def _filled(rows: list[list[Cell]], counts: Sequence[int] | None) -> list[list[Cell]]:
    """Return the rows with gaps, and where counts are typed, missing ends, filled by the others' columns."""
    if not any(len(row) > 1 for row in rows):
        return rows
    u = next(row[0].along / abs(row[0].along) for row in rows)
    pitch = float(np.median([abs(b.at - a.at) for row in rows for a, b in itertools.pairwise(row)]))
    starts = [min((cell.at / u).real for cell in row) for row in rows]
    left = min(starts)
    filled = []
    for number, row in enumerate(rows):
        columns = {round(((cell.at / u).real - left) / pitch): cell for cell in row}
        first, last = min(columns), max(columns)
        wanted = counts[number] if counts is not None and number < len(counts) else last - first + 1
        # A pale swatch is missed at a row's beginning rather than at its end: keys run from pale to dark.
        first = max(0, min(first, last - wanted + 1))
        filled.append([columns.get(n) or _guess(columns, n, u * pitch) for n in range(first, first + wanted)])
    return filled


def _guess(columns: Mapping[int, Cell], n: int, step: complex) -> Cell:
    """Return a cell where a swatch should lie, counted from its nearest neighbour in the row."""
    nearest = min(columns, key=lambda each: abs(each - n))
    others = sorted(columns)
    if len(others) > 1:
        step = (columns[others[-1]].at - columns[others[0]].at) / (others[-1] - others[0])
    return replace(columns[nearest], at=columns[nearest].at + (n - nearest) * step, guessed=True)


def laid_swatch(photo: Photo, light: StripLight, region: Region, cell: Cell, sd: float) -> Swatch:
    """Return a swatch with its colour."""
    ring = cell.at + np.array([-cell.along - cell.across, cell.along - cell.across, cell.along + cell.across,
                               -cell.along + cell.across])  # fmt: skip
    flat = np.column_stack([ring.real, ring.imag]).reshape(-1, 1, 2)
    quad = cv2.perspectiveTransform(flat, region.to_photo).reshape(4, 2)
    return swatch_at(photo, light, quad, sd=sd, guessed=cell.guessed)


def swatch_at(photo: Photo, light: StripLight, quad_px: Array, *, sd: float = KEY_SD, guessed: bool = False) -> Swatch:
    """Return the swatch at corners that a person may have moved, with its colour."""
    seen = sample_pad(photo, light, quad_px, np.array([100.0, 0, 0]), light.kind)
    # As so many CIEDE2000 a component: what the light leaves open, and what the swatch itself does.
    open_by_light = np.trace(np.linalg.solve(spread_of(1.0, seen.lab[None])[0], seen.covariance)) / 3 - PAD_SD**2
    corners = tuple((float(x), float(y)) for x, y in quad_px)
    return Swatch(corners, triple(seen.lab), float(np.hypot(np.sqrt(max(float(open_by_light), 0.0)), sd)), guessed)


def kind_from_key(
    name: str,
    proposal: KeyProposal,
    typed: Sequence[TypedScale],
    pads: Sequence[Pad],
    *,
    width_mm: float,
    true_size: bool = True,
    lot: str = "",
    expires_on: str | None = None,
) -> StripKind:
    """Build a kind from a key: row n of the key is scale n, on pad n of the strip.

    Raises
    ------
    NoStripSeen
        If rows, numbers and pads do not go together; the sentence names the row.
    """
    if len(proposal.rows) != len(typed):
        raise NoStripSeen(
            f"{len(proposal.rows)} rows of swatches were seen, but numbers for {len(typed)} were typed:",
            "mend the rows by hand, or photograph the key again with nothing else coloured beside it.",
        )
    if len(pads) != len(typed):
        raise NoStripSeen(f"{len(typed)} rows want {len(typed)} pads, got {len(pads)}:", "give one pad for each row.")
    scales = []
    for number, (row, said) in enumerate(zip(proposal.rows, typed, strict=True)):
        if len(row) != len(said.values):
            raise NoStripSeen(
                f"Row {number + 1} ({said.analyte.replace('_', ' ')}) shows {len(row)} swatches, but "
                f"{len(said.values)} numbers were typed:",
                "mend the row by hand, or type a number for each swatch.",
            )
        scales.append(scale_of(said, [[each] for each in row], (number,)))
    return StripKind(
        name=name,
        pads=tuple(pads),
        scales=tuple(scales),
        width_mm=width_mm,
        true_size=true_size,
        lot=lot,
        expires_on=expires_on,
        light=proposal.light,
        provenance="Taught from a photo of its printed key.",
    )


def scale_of(said: TypedScale, columns: Sequence[Sequence[Swatch]], pads: tuple[int, ...]) -> Scale:
    """Return a scale of typed values and the swatches at each, in rising order of the values."""
    order = np.argsort(said.values)
    return Scale(
        analyte=said.analyte,
        unit=said.unit,
        values=tuple(float(said.values[n]) for n in order),
        pads=pads,
        swatches=tuple(tuple(each.lab for each in columns[n]) for n in order),
        sd=tuple(float(np.mean([each.sd for each in columns[n]])) for n in order),
        read_from_s=said.read_from_s,
        read_until_s=said.read_until_s,
        note=said.note,
    )


def triple(lab: Array) -> Triple:
    """Return a colour as three floats."""
    lightness, a, b = (float(v) for v in lab)
    return lightness, a, b
