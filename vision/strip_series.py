"""Teach a kind of strip from photos of strips: of known values, or a fresh one for its pads' places and dry colours.

In: photos of strips and the values they showed. Out: a `StripKind`. Where the pads lie is found without knowing the
kind: the longest line of spots alike in size.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vision.errors import NoStripSeen
from vision.photo import Photo
from vision.strip_find import find_strip
from vision.strip_key import ALIKE, Cell, Swatch, TypedScale, direction_of, laid_swatch, scale_of, triple
from vision.strip_kind import NOMINAL_PAD_MM, Pad, StripKind
from vision.strip_light import StripLight, strip_light
from vision.strip_region import Blob, Region, blobs, regions
from vision.strip_sample import sample_pad

Array = NDArray[Any]

STRIP_SD = 0.6
"""Standard deviation of a single strip's pad about others of its value [CIEDE2000 a component]: the project's own."""


def propose_pads(photo: Photo) -> tuple[tuple[Swatch, ...], StripLight, tuple[Pad, ...], bool]:
    """Find the pads of a strip of no known kind.

    Returns
    -------
    swatches, light, pads, true_size
        The pads from left to right; where they lie along the strip [mm], true only in the card's slot.

    Raises
    ------
    NoCardFound
        If there is no card and no white ground.
    NoStripSeen
        If no pad is seen.
    """
    light = strip_light(photo)
    best: tuple[Region, list[Blob]] | None = None
    for region in regions(photo, light):
        row = _row_of_pads([each for each in blobs(region) if each.fill > 0.6], region)
        if row and (best is None or len(row) > len(best[1])):
            best = region, row
        if best is not None and len(best[1]) >= 2:
            break
    if best is None:
        raise NoStripSeen("No strip's pads were seen in this photo:", "lay the strip in the card's slot, pads up.")
    region, row = best
    light = light if region.name == "slot" else light.beside(region.plastic_lab)
    size = float(np.median([each.size_px for each in row]))
    px_per_mm = region.px_per_mm or size / NOMINAL_PAD_MM
    u = (row[-1].at - row[0].at) / abs(row[-1].at - row[0].at) if len(row) > 1 else direction_of(row)
    half = 0.5 * size * u
    swatches = tuple(laid_swatch(photo, light, region, Cell(each.at, half, 1j * half), STRIP_SD) for each in row)
    start = (row[0].at / u).real
    pads = tuple(
        Pad(((each.at / u).real - start) / px_per_mm + 0.8 * NOMINAL_PAD_MM, size / px_per_mm, size / px_per_mm)
        for each in row
    )
    return swatches, light, pads, region.px_per_mm is not None


def _row_of_pads(seen: list[Blob], region: Region) -> list[Blob]:
    """Return the longest line of spots alike in size and not far from each other; else the most coloured one."""
    if not seen:
        return []
    best: list[Blob] = []
    for one in seen:
        for other in seen:
            if one is other:
                continue
            u = (other.at - one.at) / abs(other.at - one.at)
            if u.real < 0 or (region.level and abs(u.imag) > 0.25):
                continue
            size = np.sqrt(one.size_px * other.size_px)
            line = [
                each
                for each in seen
                if abs(((each.at - one.at) / u).imag) < 0.35 * size and 1 / ALIKE < each.size_px / size < ALIKE
            ]
            line = _unbroken(sorted(line, key=lambda each: (each.at / u).real), 4.0 * size)
            if (len(line), _strength(line, region)) > (len(best), _strength(best, region)):
                best = line
    if len(best) > 1:
        return best
    return [max(seen, key=lambda each: np.sqrt(each.area_px) * np.linalg.norm(each.lab - region.plastic_lab))]


def _unbroken(line: list[Blob], reach: float) -> list[Blob]:
    """Return the longest stretch of a line without a gap over `reach`."""
    best: list[Blob] = []
    run: list[Blob] = []
    for each in line:
        run = [*run, each] if run and abs(each.at - run[-1].at) < reach else [each]
        best = run if len(run) > len(best) else best
    return best


def _strength(line: list[Blob], region: Region) -> float:
    return float(sum(np.linalg.norm(each.lab - region.plastic_lab) for each in line))


def kind_from_strips(
    name: str, photos: Sequence[Photo], said: TypedScale, *, lot: str = "", expires_on: str | None = None
) -> StripKind:
    """Build a kind from photos of strips, each with its known value: all its pads together read one analyte.

    Parameters
    ----------
    photos : sequence of Photo
        One a value of `said.values`; several may have the same value.
    said : TypedScale
        The values, one a photo.

    Raises
    ------
    NoCardFound, NoStripSeen
        If a photo shows no strip by a card or on white ground, or fewer than two values are left.
    """
    proposed = [propose_pads(photo) for photo in photos]
    counts = [len(swatches) for swatches, *_ in proposed]
    count = max(set(counts), key=lambda each: (counts.count(each), each))
    pads, true_size = next((p, true) for s, _, p, true in proposed if len(s) == count)
    whole = [n for n, each in enumerate(counts) if each == count]
    colours = {n: np.array([each.lab for each in proposed[n][0]]) for n in whole}
    flips = _ends([said.values[n] for n in whole], [colours[n] for n in whole])
    colours = {n: colours[n][::-1] if flip else colours[n] for n, flip in zip(whole, flips, strict=True)}
    if flips[whole.index(whole[0])]:
        span = pads[0].centre_mm + pads[-1].centre_mm
        pads = tuple(replace(each, centre_mm=span - each.centre_mm) for each in reversed(pads))
    kind = _averaged(name, said, colours, pads, true_size, proposed[0][1].kind, lot, expires_on)
    rest = [n for n in range(len(photos)) if n not in colours]
    for n in rest:
        # A strip with a pale pad shows fewer spots: look again, now that we know what for.
        light = proposed[n][1]
        found = find_strip(photos[n], light, kind)
        if found is not None and found.in_picture.all():
            samples = [sample_pad(photos[n], light, quad, found.plastic_lab, light.kind) for quad in found.quads_px]
            colours[n] = np.array([each.lab for each in samples])
    if rest:
        kind = _averaged(name, said, colours, pads, true_size, proposed[0][1].kind, lot, expires_on)
    return kind


def _averaged(
    name: str,
    said: TypedScale,
    colours: Mapping[int, Array],
    pads: tuple[Pad, ...],
    true_size: bool,
    light: str,
    lot: str,
    expires_on: str | None,
) -> StripKind:
    """Return the kind whose swatches are the mean colours of each value's strips."""
    values = sorted({said.values[n] for n in colours})
    if len(values) < 2:
        raise NoStripSeen("Strips of two values or more are needed to teach a kind:", "add photos of others.")
    columns = []
    for value in values:
        own = np.array([colours[n] for n in colours if said.values[n] == value])
        sd = STRIP_SD / np.sqrt(len(own))
        columns.append([Swatch((), triple(lab), float(sd)) for lab in own.mean(axis=0)])
    scale = scale_of(replace(said, values=tuple(values)), columns, tuple(range(len(pads))))
    return StripKind(
        name=name,
        pads=pads,
        scales=(scale,),
        width_mm=pads[0].width_mm,
        true_size=true_size,
        lot=lot,
        expires_on=expires_on,
        light=light,
        provenance=f"Taught from {len(colours)} photos of strips with known values.",
    )


def _ends(values: Sequence[float], colours: Sequence[Array]) -> list[bool]:
    """Return which strips lie the other way round: the turns that make neighbours in value most alike in colour."""
    order = list(np.argsort(values, kind="stable"))
    cost = np.zeros(2)
    back: list[Array] = []
    for one, other in itertools.pairwise(order):
        a, b = colours[one], colours[other]
        step = np.array([[np.linalg.norm(x - y, axis=1).sum() for x in (a, a[::-1])] for y in (b, b[::-1])])
        total = step + cost
        back.append(total.argmin(axis=1))
        cost = total.min(axis=1)
    turn = int(cost.argmin())
    turns = [turn]
    for each in reversed(back):
        turn = int(each[turn])
        turns.append(turn)
    turns.reverse()
    flips = [False] * len(order)
    for place, n in enumerate(order):
        flips[n] = bool(turns[place])
    return flips


def with_dry_colours(kind: StripKind, photo: Photo) -> StripKind:
    """Return the kind with its pads' places and dry colours, from a photo of a fresh strip in the card's slot.

    Raises
    ------
    NoCardFound, NoStripSeen
        If the strip is not seen with all its pads.
    """
    swatches, _, pads, true_size = propose_pads(photo)
    if len(swatches) != len(kind.pads):
        raise NoStripSeen(
            f"The strip shows {len(swatches)} pads, its key {len(kind.pads)} rows:",
            "lay a fresh strip in the card's slot, its tip to the left, and photograph it again.",
        )
    return replace(
        kind,
        pads=tuple(replace(pad, dry_lab=each.lab) for pad, each in zip(pads, swatches, strict=True)),
        true_size=true_size,
    )
