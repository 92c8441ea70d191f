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

import numpy as np
from numpy.typing import NDArray

from vision.calibration import Calibration
from vision.colour import delta_e00
from vision.errors import NoCardFound
from vision.photo import Photo
from vision.results import Problem, StripReading, StripResult, problem
from vision.strip_curve import Along, read_along
from vision.strip_find import StripFound, find_strip
from vision.strip_kind import Scale, StripKind
from vision.strip_light import StripLight, strip_light
from vision.strip_naming import is_gone, named
from vision.strip_sample import PadSample, sample_pad

Array = NDArray[Any]

WHITE_GROUND_LEAVE = 4.0
"""Factor on the squared distance from which a colour is off the key without a card, where the camera's own colours
stay in: the project's own."""
LONGEST_S = 86400.0
"""Longest time after a dip that is believed [s]: the project's own."""


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
    leave = WHITE_GROUND_LEAVE if light.kind == "white_ground" else 1.0
    along = tuple(_read_scale(scale, samples, leave) for scale in kind.scales)
    reason = named(kind, found, samples, along, seconds, leave=leave)
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


def _read_scale(scale: Scale, samples: tuple[PadSample, ...], leave: float) -> Along | None:
    """Return where a scale's pads lie on its key; None where none of them can be read."""
    own = [samples[number] for number in scale.pads]
    lab, covariance = np.array([each.lab for each in own]), np.array([each.covariance for each in own])
    seen = np.array([not each.glare and not is_gone(scale, place, each) for place, each in enumerate(own)])
    return read_along(scale, lab, covariance, seen=seen, leave=leave) if seen.any() else None


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
