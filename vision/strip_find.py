"""Find a strip of a known kind by its pads: which spots of a region are which pads, either end up.

In: a photo, its `StripLight` and a `StripKind`. Out: `StripFound`, where each pad lies in the photo. Every pair of
spots is tried as every pair of pads; each trial says where all pads would lie, and the colours there, the plastic
between them and the spots left over say how likely it is. So a pad that fell off is found by its neighbours.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.photo import Photo
from vision.strip_curve import curve_of
from vision.strip_kind import StripKind
from vision.strip_light import StripLight
from vision.strip_region import Blob, Region, blobs, regions

Array = NDArray[Any]

SCALE_SLACK = 0.12
"""How far a strip's size may be off its kind's where the photo has a scale: the project's own."""
SIZE_SLACK = 1.7
"""Factor by which a spot's size may be off a pad's: the project's own."""
MOST_TURN_DEG = 14.0
"""How far a strip may lie askew in the slot [degrees]: the project's own."""
COLOUR_SD = 5.0
"""Spread of colours while pads are looked for [CIELAB units]: wide, reading comes after (the project's own)."""
CAP = 9.0
"""Most that one pad, gap or spot counts against a trial [squared standard deviations]: the project's own."""
LEAST_COLOUR = 4.0
"""Difference of a* and b* from the plastic from which a spot is coloured [CIELAB units]: the project's own."""
FINE_SD, FINE_CAP, FINALISTS = 3.5, 14.0, 6
"""The same two for the few best trials, and how many those are: the project's own."""
LEFT_OVER = 5.0
"""What a spot that no pad explains counts against a trial: the project's own."""
AWAY_SHARE = 0.4
"""A spot within this share of a pad's length of its place is that pad: the project's own."""
WELL_FOUND = 4.5
"""Mean cost a pad under which the first region found is taken, the others not searched: the project's own."""
SHORT_SHARE = 0.62
"""A pad's spot under this share of the largest one's area is cut through: the project's own."""
MOST_SPOTS = 16
"""Spots tried: the project's own, for time."""


@dataclass(frozen=True)
class StripFound:
    """A strip in the photo.

    Attributes
    ----------
    quads_px : ndarray, shape (pads, 4, 2)
        Each pad's corners in the photo, in the kind's order.
    matched : ndarray of bool, shape (pads,)
        Which pads show as a spot of their own.
    cost : float
        Mean cost a pad; under about 3 a good likeness.
    left_over : int
        Spots in the strip's line that no pad explains.
    in_picture : ndarray of bool, shape (pads,)
        Which pads lie inside the region that was searched.
    place : str
        "slot", "loose" or "ground".
    plastic_lab : ndarray, shape (3,)
        The ground's colour between the pads.
    spots : int
        Spots seen in the region.
    short : ndarray of bool, shape (pads,)
        Which pads' spots are much smaller than the largest: cut through.
    """

    quads_px: Array
    matched: Array
    cost: float
    left_over: int
    in_picture: Array
    place: str
    plastic_lab: Array
    spots: int
    short: Array


def find_strip(photo: Photo, light: StripLight, kind: StripKind) -> StripFound | None:
    """Find the strip of a kind in a photo; None where no spot like a pad is seen.

    Parameters
    ----------
    photo : Photo
        The photo.
    light : StripLight
        From `strip_light`.
    kind : StripKind
        What is looked for.
    """
    best: StripFound | None = None
    for region in regions(photo, light):
        found = find_in(region, kind)
        if found is not None and (best is None or found.cost < best.cost):
            best = found
        if best is not None and best.cost < WELL_FOUND:
            break
    return best


def find_in(region: Region, kind: StripKind) -> StripFound | None:
    """Find the strip of a kind in one region; None where no spot is seen."""
    seen = _like_pads([each for each in blobs(region) if each.fill > 0.55], region, kind)
    # The most coloured, where there are many.
    seen = sorted(seen, key=lambda each: -float(np.linalg.norm((each.lab - region.plastic_lab)[1:])))[:MOST_SPOTS]
    if not seen:
        return None
    trials = _trials(seen, region, kind)
    if not len(trials):
        return None
    at = np.array([pad.centre_mm for pad in kind.pads])
    smooth = cv2.blur(region.lab, (max(3, int(np.median([b.size_px for b in seen]) * 0.45)),) * 2)
    costs = _costs(trials, at, seen, smooth, region, kind)
    best: StripFound | None = None
    for trial in _finalists(trials, costs, at):
        a, b, bend = complex(trials[trial, 0]), complex(trials[trial, 1]), 0j
        for _ in range(2):
            a, b, bend = _refined(a, b, bend, at, seen, kind)
        found = _found(a, b, bend, at, seen, smooth, region, kind)
        if best is None or found.cost < best.cost:
            best = found
    return best


def _finalists(trials: Array, costs: Array, at: Array) -> list[int]:
    """Return the cheapest trials that lay the pads differently: they are refined, and their colours weighed finer."""
    chosen: list[int] = []
    for trial in np.argsort(costs, kind="stable"):
        places = trials[trial, 0] * at + trials[trial, 1]
        pitch = 0.5 * abs(trials[trial, 0]) * 5.0
        if all(np.abs(trials[each, 0] * at + trials[each, 1] - places).max() > pitch for each in chosen):
            chosen.append(int(trial))
        if len(chosen) == FINALISTS or costs[trial] > costs[chosen[0]] + 3 * CAP:
            break
    return chosen


def _like_pads(seen: list[Blob], region: Region, kind: StripKind) -> list[Blob]:
    """Leave out spots that are no pad by their size or form."""
    if region.px_per_mm is None or not kind.true_size:
        return [each for each in seen if max(each.sides_px) < 3.0 * min(each.sides_px)]
    pad = np.mean([np.sqrt(each.length_mm * each.width_mm) for each in kind.pads]) * region.px_per_mm
    return [each for each in seen if pad / SIZE_SLACK < each.size_px < pad * SIZE_SLACK]


def _trials(seen: Sequence[Blob], region: Region, kind: StripKind) -> Array:
    """Return trial placements (a, b), shape (N, 2), complex: pixel = a times mm along the strip + b."""
    at = np.array([pad.centre_mm for pad in kind.pads])
    points = np.array([each.at for each in seen])
    pad_mm = float(np.mean([np.sqrt(pad.length_mm * pad.width_mm) for pad in kind.pads]))
    i, j = np.nonzero(~np.eye(len(points), dtype=bool))
    k, l = np.nonzero(np.triu(np.ones((len(at), len(at)), dtype=bool), 1))  # noqa: E741
    a = (points[j] - points[i])[:, None] / (at[l] - at[k])[None, :]
    b = points[i][:, None] - a * at[k][None, :]
    size = np.array([each.size_px for each in seen])
    pair = np.sqrt(size[i] * size[j])[:, None]
    pairs = np.stack([a, b], axis=-1)
    fits = (np.abs(a) * pad_mm < pair * SIZE_SLACK) & (np.abs(a) * pad_mm > pair / SIZE_SLACK)
    pairs = pairs[fits]
    # One spot alone: its own sides give the direction, and its size the scale where the photo has none.
    single = []
    for spot in seen:
        scale = region.px_per_mm if region.px_per_mm is not None and kind.true_size else spot.size_px / pad_mm
        turns = [0.0, 180.0] if region.level else [spot.turn_deg + 90 * n for n in range(4)]
        for turn in turns:
            one = scale * np.exp(1j * np.radians(turn))
            single += [(one, spot.at - one * centre) for centre in at]
    trials = np.concatenate([pairs, np.array(single)])
    if region.px_per_mm is not None and kind.true_size:
        off = np.abs(trials[:, 0]) / region.px_per_mm
        trials = trials[(off < 1 + SCALE_SLACK) & (off > 1 - SCALE_SLACK)]
    if region.level:
        turn = np.degrees(np.angle(trials[:, 0]))
        trials = trials[np.minimum(np.abs(turn), 180 - np.abs(turn)) < MOST_TURN_DEG]
    return np.asarray(trials)


def _sampled(smooth: Array, points: Array) -> Array:
    """Return the colours of a region at complex points, shape (..., 3); replicated outside."""
    x, y = points.real.astype(np.float32), points.imag.astype(np.float32)
    flat_x, flat_y = np.clip(x, -9e3, 3e4).reshape(-1, 1), np.clip(y, -9e3, 3e4).reshape(-1, 1)
    # In pieces: OpenCV takes no map longer than 32767.
    picked = [
        cv2.remap(smooth, flat_x[n:][:30000], flat_y[n:][:30000], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        for n in range(0, len(flat_x), 30000)
    ]
    return np.concatenate(picked).reshape(*points.shape, 3)


def _costs(trials: Array, at: Array, seen: Sequence[Blob], smooth: Array, region: Region, kind: StripKind) -> Array:
    """Return the cost of each trial, shape (N,)."""
    places = trials[:, :1] * at + trials[:, 1:]
    cost = _colour_cost(_sampled(smooth, places), kind).sum(axis=1)
    height, width = region.lab.shape[:2]
    outside = (places.real < 0) | (places.real > width - 1) | (places.imag < 0) | (places.imag > height - 1)
    cost = cost + CAP * outside.sum(axis=1)
    gaps = _gaps_mm(kind)
    if len(gaps):
        off = _sampled(smooth, trials[:, :1] * gaps + trials[:, 1:]) - region.plastic_lab
        cost = cost + 0.5 * np.minimum((off**2).sum(axis=-1) / COLOUR_SD**2, CAP).sum(axis=1)
    points = np.array([each.at for each in seen])
    pad_px = np.abs(trials[:, 0]) * float(np.mean([pad.length_mm for pad in kind.pads]))
    near = np.abs(points[None, :, None] - places[:, None, :]).min(axis=2) / pad_px[:, None]
    alike = np.abs(np.log(np.array([each.size_px for each in seen]) / pad_px[:, None])) < np.log(SIZE_SLACK)
    cost = cost + np.where(near < AWAY_SHARE, (near / 0.2) ** 2, LEFT_OVER * alike).sum(axis=1)
    # A pad with a spot of its own is better than one without.
    held = (np.abs(points[None, :, None] - places[:, None, :]) < AWAY_SHARE * pad_px[:, None, None]).any(axis=1)
    cost = cost + 1.5 * (~held).sum(axis=1)
    return np.asarray(cost)


def _colour_cost(lab: Array, kind: StripKind, sd: float = COLOUR_SD, cap: float = CAP) -> Array:
    """Return how unlike its key each pad is, shape (N, pads), capped."""
    cost = np.full(lab.shape[:2], cap)
    for scale in kind.scales:
        curve = curve_of(scale)
        steps = np.flatnonzero((curve.t >= -0.5) & (curve.t <= len(scale.values) - 0.5))[::8]
        own = lab[:, list(scale.pads)]
        off = own[:, None] - curve.lab[steps][None]
        each = np.minimum((off**2).sum(axis=-1) / sd**2, cap)
        best = each.sum(axis=2).argmin(axis=1)
        cost[:, list(scale.pads)] = each[np.arange(len(own)), best]
    return cost


def _gaps_mm(kind: StripKind) -> Array:
    """Return points between pads that should be plastic [mm]."""
    gaps = []
    for one, other in zip(kind.pads, kind.pads[1:], strict=False):
        if other.centre_mm - one.centre_mm > 0.5 * (one.length_mm + other.length_mm) + 1.2:
            gaps.append((one.centre_mm + 0.5 * one.length_mm + other.centre_mm - 0.5 * other.length_mm) / 2)
    return np.array(gaps)


def _match(places: Array, seen: Sequence[Blob], pad_px: float) -> dict[int, int]:
    """Return which spot is which pad."""
    points = np.array([each.at for each in seen])
    matched = {}
    for number, place in enumerate(places):
        nearest = int(np.abs(points - place).argmin())
        if abs(points[nearest] - place) < AWAY_SHARE * pad_px:
            matched[number] = nearest
    return matched


def _refined(
    a: complex, b: complex, bend: complex, at: Array, seen: Sequence[Blob], kind: StripKind
) -> tuple[complex, complex, complex]:
    """Lay the pads over their spots by least squares; with four spots or more a strip seen in perspective bends."""
    pad_px = abs(a) * float(np.mean([pad.length_mm for pad in kind.pads]))
    matched = _match(a * at + b + bend * at**2, seen, pad_px)
    if len(matched) < 2:
        return a, b, bend
    z = at[list(matched)]
    points = np.array([seen[n].at for n in matched.values()])
    columns = [z, np.ones_like(z)] + ([z**2] if len(matched) >= 4 else [])
    solved, *_ = np.linalg.lstsq(np.column_stack(columns).astype(complex), points, rcond=None)
    return complex(solved[0]), complex(solved[1]), complex(solved[2]) if len(matched) >= 4 else 0j


def _found(
    a: complex,
    b: complex,
    bend: complex,
    at: Array,
    seen: Sequence[Blob],
    smooth: Array,
    region: Region,
    kind: StripKind,
) -> StripFound:
    """Return the strip as laid."""
    places = a * at + b + bend * at**2
    pad_px = abs(a) * float(np.mean([pad.length_mm for pad in kind.pads]))
    matched = _match(places, seen, pad_px)
    own = np.array([n in matched for n in range(len(at))])
    area = np.array([seen[matched[n]].area_px if n in matched else np.inf for n in range(len(at))])
    short = area < SHORT_SHARE * np.max(area[np.isfinite(area)], initial=0.0)
    quads = []
    for number, pad in enumerate(kind.pads):
        along = (a + 2 * bend * at[number]) * pad.length_mm / 2
        across = 1j * (a + 2 * bend * at[number]) * pad.width_mm / 2
        ring = places[number] + np.array([-along - across, along - across, along + across, -along + across])
        quads.append(np.column_stack([ring.real, ring.imag]))
    flat = np.array(quads).reshape(-1, 1, 2)
    height, width = region.lab.shape[:2]
    inside = (places.real >= 0) & (places.real < width) & (places.imag >= 0) & (places.imag < height)
    colours = _colour_cost(_sampled(smooth, places[None]), kind, FINE_SD, FINE_CAP)[0]
    direction = a / abs(a)
    rest = [each for n, each in enumerate(seen) if n not in matched.values()]
    # Wet shine on the plastic is as white as it is: only coloured spots are pads that the kind does not have.
    rest = [each for each in rest if np.linalg.norm((each.lab - region.plastic_lab)[1:]) > LEAST_COLOUR]
    alike = [each for each in rest if pad_px / SIZE_SLACK < each.size_px < pad_px * SIZE_SLACK]
    in_line = [each for each in alike if abs(((each.at - b) / direction).imag) < 0.9 * pad_px]
    fell_off = (~own).sum() / len(at)
    cost = float(colours.mean() + LEFT_OVER * len(in_line) / len(at) + 0.5 * fell_off)
    return StripFound(
        quads_px=cv2.perspectiveTransform(flat, region.to_photo).reshape(-1, 4, 2),
        matched=own,
        cost=cost,
        left_over=len(in_line),
        in_picture=inside,
        place=region.name,
        plastic_lab=np.asarray(region.plastic_lab),
        spots=len(seen),
        short=short,
    )
