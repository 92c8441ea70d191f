"""Read a test strip: find its pads, set their colours right, read each along its key; or say why it is not read.

In: a photo and a `StripKind`, and how long after the dip it was taken, where that is known. Out: `StripRead`: readings
with 80 % intervals, and problems. A strip that is not of this kind, dry, late, face down or cut in half is named and
not read: a number would be believed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.calibration import Calibration
from vision.colour import delta_e00
from vision.errors import NoCardFound
from vision.flags import BY_NAME
from vision.photo import Photo
from vision.results import Problem, StripReading, StripResult, problem
from vision.strip_curve import Along, read_along
from vision.strip_find import StripFound, find_strip
from vision.strip_kind import Scale, StripKind
from vision.strip_light import FOREIGN_LIGHT_SD, StripLight, strip_light
from vision.uncertainty import spread_of

Array = NDArray[Any]

PAD_SD = 0.85
"""Standard deviation of a pad's colour from strip to strip, and of what dye and print do differently before a camera
[CIEDE2000 a component]: the project's own, set on rendered strips so that 80 % intervals cover 80 %."""
WANTED_PAD_PX = 16.0
"""Side of a pad to which the photo is read [px]: the project's own."""
INNER_SHARE = 0.5
"""Part of a pad's side that is sampled: its rim bleeds into the plastic (the project's own)."""
GLARE_SHARE = 0.25
"""Share of clipped pixels from which a pad counts as in glare: the project's own."""
CLIPPED_LEVEL = 252
"""8-bit level from which a pixel counts as clipped: JPEG ringing keeps within three levels of 255."""
BARE_STEP = 5.0
"""Colour difference from the plastic within which a pad is not there or washed out [CIELAB units, lightness counted
for 0.6]: the project's own."""
HALF_SHARE = 0.4
"""Share of bare pads from which a strip counts as half: the project's own."""
OFF_SHARE = 0.34
"""Share of pads off the key from which the strip is not of this kind: the project's own."""
FAR_OFF = 6.0
"""Squared distance over what chance explains from which one pad alone shows another kind: the project's own."""
LATE_GRACE = 1.25
"""Part by which the read time may be overrun before a strip counts as late: the project's own; labels give whole or
half minutes (from memory)."""
LONGEST_S = 86400.0
"""Longest time after a dip that is believed [s]: the project's own."""
DRY_SCALES = 3
"""Scales that must all show their first swatch or less for a strip to be taken as dry: pool water that has neither
alkalinity nor hardness nor pH is not met (the project's own)."""
DRY_MARGIN = 6.0
"""How much likelier the taught dry colours must be [half squared standard deviations]: the project's own."""


@dataclass(frozen=True)
class StripAsked:
    """What is known of a strip's photo beforehand.

    `kind` is what the tech says it is. `seconds` is how long after the dip it was taken [s]; where that is not known,
    `dipped_at` (ISO 8601 with its zone) tells it against the photo's own time. `today` is the day (ISO) by which the
    lot's expiry is judged. `dilution` is kept for whoever asked: 10 for one part of sample in ten.
    """

    kind: StripKind
    seconds: float | None = None
    dipped_at: str | None = None
    today: str | None = None
    dilution: float = 1.0

    def seconds_after(self, taken_at: str | None) -> float | None:
        """Return how long after the dip a photo was taken [s], None where it cannot be told.

        A camera that wrote no zone is taken to be in the zone of the dip. A photo from before the dip or from a day
        after it was taken by a clock that is wrong, or is another strip's.

        Examples
        --------
        >>> kind = StripKind("", (), (), 5.0)
        >>> StripAsked(kind, dipped_at="2026-06-03T09:14:00-07:00").seconds_after("2026-06-03T09:14:40")
        40.0
        """
        if self.seconds is not None or self.dipped_at is None or taken_at is None:
            return self.seconds
        dipped, taken = datetime.fromisoformat(self.dipped_at), datetime.fromisoformat(taken_at)
        taken = taken if taken.tzinfo else taken.replace(tzinfo=dipped.tzinfo)
        seconds = (taken - dipped).total_seconds()
        return seconds if 0 <= seconds <= LONGEST_S else None


@dataclass(frozen=True)
class PadSample:
    """A pad's colour: CIELAB, covariance, and whether it is in glare or bare plastic."""

    lab: Array
    covariance: Array
    glare: bool
    bare: bool


@dataclass(frozen=True)
class StripRead:
    """What a photo of a strip says.

    `result` is None where the strip is not read; `problems` say why, or what is doubtful. `found`, `samples` and
    `along` are what it rests on, in the kind's order of pads and scales.
    """

    result: StripResult | None
    problems: tuple[Problem, ...]
    light: StripLight | None = None
    found: StripFound | None = None
    samples: tuple[PadSample, ...] = ()
    along: tuple[Along | None, ...] = ()


def read_strip(
    photo: Photo, kind: StripKind, *, seconds: float | None = None, calibrations: Sequence[Calibration] = ()
) -> StripRead:
    """Read a strip of a known kind in a photo.

    Parameters
    ----------
    photo : Photo
        An opened photo, of a strip in the card's slot, beside any card, or on plain white ground.
    kind : StripKind
        What the tech says it is.
    seconds : float, optional
        How long after the dip the photo was taken [s].
    calibrations : sequence of Calibration
        The card's print runs that were measured.

    Returns
    -------
    StripRead

    Raises
    ------
    PhotoUnreadable
        If the pixels cannot be decoded.
    """
    try:
        light = strip_light(photo, calibrations)
    except NoCardFound as refusal:
        return StripRead(None, (problem(refusal.code, str(refusal)),))
    doubts = [problem("white_ground")] if light.kind == "white_ground" else []
    found = find_strip(photo, light, kind)
    if found is None:
        return StripRead(None, (*doubts, problem("strip_not_found")), light)
    light = light if found.place == "slot" else light.beside(found.plastic_lab)
    samples = tuple(sample_pad(photo, light, quad, found.plastic_lab, kind.light) for quad in found.quads_px)
    along = tuple(_read_scale(scale, samples) for scale in kind.scales)
    reason = named(kind, found, samples, along, seconds)
    if reason is not None:
        return StripRead(None, (*doubts, reason), light, found, samples, along)
    doubts += _timing(kind, seconds)
    readings = tuple(_reading(scale, each) for scale, each in zip(kind.scales, along, strict=True) if each)
    missing = [scale for scale, each in zip(kind.scales, along, strict=True) if each is None]
    if missing:
        names = ", ".join(scale.analyte.replace("_", " ") for scale in missing)
        doubts.append(problem("pad_missing", f"The pad for {names} is missing, washed out or in glare: not read."))
    quads = tuple(tuple((float(x), float(y)) for x, y in quad) for quad in found.quads_px)
    result = StripResult(kind.name, readings, pads_px=quads, light=light.kind)
    return StripRead(result, tuple(doubts), light, found, samples, along)


def sample_pad(photo: Photo, light: StripLight, quad_px: Array, plastic_lab: Array, taught_by: str) -> PadSample:
    """Return a pad's colour from its inner part, dirt and wet shine left out.

    Parameters
    ----------
    quad_px : ndarray, shape (4, 2)
        The pad's corners in the photo.
    plastic_lab : ndarray, shape (3,)
        The plastic beside it.
    taught_by : str
        What set the key's colours right: "card" or "white_ground".
    """
    side = float(np.sqrt(cv2.contourArea(quad_px.astype(np.float32))))
    picture = photo.read(int(max(photo.size_px) / max(1.0, side / WANTED_PAD_PX)))
    grid = (np.arange(14) + 0.5) / 14 * INNER_SHARE + (1 - INNER_SHARE) / 2
    u, v = np.meshgrid(grid, grid)
    weights = np.stack([(1 - u) * (1 - v), u * (1 - v), u * v, (1 - u) * v], axis=-1).reshape(-1, 4)
    at_px = weights @ quad_px
    local = picture.from_photo(at_px).astype(np.float32).reshape(14, 14, 2)
    values = cv2.remap(
        picture.rgb, local[..., 0], local[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    ).reshape(-1, 3)
    values = np.asarray(values, dtype=np.float64)
    clipped = (values >= CLIPPED_LEVEL).all(axis=1)
    middle = np.median(values, axis=0)
    spread = 1.4826 * np.median(np.abs(values - middle), axis=0)
    near = (np.abs(values - middle) <= 2.5 * spread + 2.0).all(axis=1)
    encoded = values[near].mean(axis=0) / 255
    looked = light.look(encoded[None], at_px.mean(axis=0)[None])
    lab, covariance = looked.lab[0], looked.covariance[0] + spread_of(PAD_SD, looked.lab)[0]
    if taught_by != light.kind:
        covariance = covariance + spread_of(FOREIGN_LIGHT_SD, looked.lab)[0]
    off = (lab - plastic_lab) * [0.6, 1, 1]
    bare = bool(np.linalg.norm(off) < BARE_STEP)
    return PadSample(lab, covariance, bool(clipped.mean() > GLARE_SHARE), bare)


def _read_scale(scale: Scale, samples: tuple[PadSample, ...]) -> Along | None:
    """Return where a scale's pads lie on its key; None where none of them can be read.

    A bare pad is read all the same where its key has such a pale colour.
    """
    own = [samples[number] for number in scale.pads]
    lab, covariance = np.array([each.lab for each in own]), np.array([each.covariance for each in own])
    seen = np.array([not each.glare and not (each.bare and not _pale(scale, n)) for n, each in enumerate(own)])
    return read_along(scale, lab, covariance, seen=seen) if seen.any() else None


def _pale(scale: Scale, pad: int) -> bool:
    """Return whether one of a pad's swatches is as good as white."""
    chroma = np.hypot(scale.lab[:, pad, 1], scale.lab[:, pad, 2])
    return bool(((chroma < BARE_STEP + 2) & (scale.lab[:, pad, 0] > 84)).any())


def named(
    kind: StripKind,
    found: StripFound,
    samples: tuple[PadSample, ...],
    along: tuple[Along | None, ...],
    seconds: float | None,
) -> Problem | None:
    """Return why a strip is not to be read, None where it may be."""
    count = len(kind.pads)
    if not found.in_picture.all():
        return problem("strip_half")
    bare = np.array([each.bare for each in samples])
    pale = np.array([_pale(scale, n) for scale in kind.scales for n in range(len(scale.pads))])
    order = [number for scale in kind.scales for number in scale.pads]
    gone = bare.copy()
    gone[order] &= ~pale
    if bare.all():
        return problem("strip_not_found")
    end = max(_run(gone), _run(gone[::-1]))
    if end >= max(2, HALF_SHARE * count) or (count <= 3 and gone.sum() >= 2):
        return problem("strip_half")
    read = [(scale, each) for scale, each in zip(kind.scales, along, strict=True) if each is not None]
    off = [scale for scale, each in read if each.off_key]
    far = [scale for scale, each in read if each.off_key and each.distance2 > FAR_OFF * 14 * len(scale.pads)]
    dry = _dry(kind, samples, read)
    if dry:
        return problem("strip_dry")
    if found.left_over >= 2 or (found.left_over == 1 and off):
        return problem("strip_other_kind")
    if read and (len(off) >= max(2, OFF_SHARE * len(read)) or (far and len(off) > OFF_SHARE * len(read))):
        names = ", ".join(scale.analyte.replace("_", " ") for scale in off)
        return problem("strip_other_kind", f"{BY_NAME['strip_other_kind'].say} Off the key: {names}.")
    until = [scale.read_until_s for scale in kind.scales if scale.read_until_s is not None]
    if seconds is not None and until and seconds > LATE_GRACE * max(until):
        return problem(
            "strip_late",
            f"The strip was photographed {seconds:.0f} s after the dip; it is to be read within {max(until):.0f} s. "
            "Dip a fresh one and photograph it in time.",
        )
    return None


def _run(flags: Array) -> int:
    """Return how many of the first flags are set in a row."""
    return int(np.argmin(flags)) if not flags.all() else len(flags)


def _dry(kind: StripKind, samples: tuple[PadSample, ...], read: list[tuple[Scale, Along]]) -> bool:
    """Return whether the strip was never dipped: by its taught dry colours, else by all scales lying at their start."""
    known = [(pad, each) for pad, each in zip(kind.pads, samples, strict=True) if pad.dry_lab is not None]
    if len(known) == len(samples):
        dry = sum(
            min(float((each.lab - pad.dry_lab) @ np.linalg.solve(each.covariance * 2.0, each.lab - pad.dry_lab)), 40.0)
            for pad, each in known
        )
        wet = sum(min(each.distance2, 40.0 * len(scale.pads)) for scale, each in read)
        at_start = sum(each.t < 0.5 for _, each in read)
        return dry + 2 * DRY_MARGIN < wet or (dry < 6.0 * len(known) and at_start == len(read) and len(read) >= 2)
    return len(read) >= DRY_SCALES and all(each.t < 0.15 or each.below for _, each in read)


def _timing(kind: StripKind, seconds: float | None) -> list[Problem]:
    """Return what is doubtful about when the strip was read."""
    starts = [scale.read_from_s for scale in kind.scales if scale.read_from_s is not None]
    if seconds is not None and starts and seconds < min(starts):
        return [
            problem(
                "strip_early",
                f"The strip was photographed {seconds:.0f} s after the dip; its pads want {min(starts):.0f} s or more. "
                "Wait, and photograph it again.",
            )
        ]
    return []


def _reading(scale: Scale, along: Along) -> StripReading:
    """Return a scale's reading; an end that bounds nothing is NaN (null as JSON)."""
    flags = []
    if along.off_key:
        flags.append("off_key")
    if along.below:
        flags.append("below_first_swatch")
    if along.above:
        flags.append("above_last_swatch")
    high = float("nan") if along.above else along.high
    low = float("nan") if along.below else along.low
    return StripReading(scale.analyte, along.value, low, high, scale.unit, tuple(flags))


def key_steps(scale: Scale) -> Array:
    """Return the colour difference from each swatch to the next, all pads together [CIEDE2000], shape (values - 1,)."""
    return np.asarray(np.sqrt((delta_e00(scale.lab[1:], scale.lab[:-1]) ** 2).sum(axis=1)))
