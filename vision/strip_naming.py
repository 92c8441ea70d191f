"""Name what is no readable strip: another kind, torn, dry, late, face down.

In: what was found, the pads' colours, where they lie on their keys, the time. Out: a problem that says so and what to
do, or None where the strip may be read.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from vision.flags import BY_NAME
from vision.results import Problem, problem
from vision.strip_curve import Along, chi2_bound, curve_of
from vision.strip_find import StripFound
from vision.strip_kind import Scale, StripKind
from vision.strip_sample import BARE_STEP, PadSample

Array = NDArray[Any]

WASHED_SHARE = 0.4
"""A pad this much nearer to white than any colour of its key is washed out: the project's own."""
HALF_SHARE = 0.5
"""Share of pads gone from which a strip counts as half: the project's own."""
END_SHARE = 0.4
"""The same where they are all at one end: the project's own."""
OFF_SHARE = 0.3
"""Share of pads off the key from which the strip is not of this kind: the project's own."""
TOGETHER = 1.5
"""Factor on the sum of squared distances from which all pads together are too far off: they share the light's error,
which chance does not know (the project's own)."""
LATE_GRACE = 1.25
"""Part by which the read time may be overrun before a strip counts as late: the project's own; labels give whole or
half minutes (from memory)."""
DRY_SCALES = 3
"""Scales that must all show their first swatch or less for a strip to be taken as dry: pool water that has neither
alkalinity nor hardness nor pH is not met (the project's own)."""
DRY_MARGIN = 6.0
"""How much likelier the taught dry colours must be [half squared standard deviations]: the project's own."""


def named(
    kind: StripKind,
    found: StripFound,
    samples: tuple[PadSample, ...],
    along: tuple[Along | None, ...],
    seconds: float | None,
    *,
    leave: float = 1.0,
) -> Problem | None:
    """Return why a strip is not to be read, None where it may be."""
    count = len(kind.pads)
    if not found.in_picture.all():
        return problem("strip_half")
    gone = np.zeros(count, dtype=bool)
    for scale in kind.scales:
        for place, number in enumerate(scale.pads):
            gone[number] = is_gone(scale, place, samples[number])
    if all(each.bare for each in samples):
        return problem("strip_not_found")
    bare = gone | np.array([each.bare for each in samples])
    cut = found.short | np.array([each.cut for each in samples])
    if is_half(gone, bare, cut):
        return problem("strip_half")
    read = [(scale, each) for scale, each in zip(kind.scales, along, strict=True) if each is not None]
    if is_dry(kind, samples, read):
        return problem("strip_dry")
    off = [scale for scale, each in read if each.off_key]
    if found.left_over >= 2 or (found.left_over == 1 and off):
        return problem("strip_other_kind")
    if read and (len(off) >= OFF_SHARE * len(read) or _unlikely(read, leave)):
        names = ", ".join(scale.analyte.replace("_", " ") for scale in off)
        return problem(
            "strip_other_kind", f"{BY_NAME['strip_other_kind'].say}{f' Off the key: {names}.' if off else ''}"
        )
    until = [scale.read_until_s for scale in kind.scales if scale.read_until_s is not None]
    if seconds is not None and until and seconds > LATE_GRACE * max(until):
        return problem(
            "strip_late",
            f"The strip was photographed {seconds:.0f} s after the dip; it is to be read within {max(until):.0f} s. "
            "Dip a fresh one and photograph it in time.",
        )
    return None


def is_gone(scale: Scale, place: int, sample: PadSample) -> bool:
    """Return whether a scale's pad is not there or washed out: white, or nearly, where its key has no such colour.

    `place` counts the scale's own pads.
    """
    key = curve_of(scale).lab[:, place]
    off_white = np.linalg.norm((key - np.array([97.0, 0, 0])) * np.array([0.6, 1, 1]), axis=1)
    if (off_white < BARE_STEP + 2).any():
        return False
    return bool(sample.bare or sample.white < WASHED_SHARE * off_white.min())


def is_half(gone: Array, bare: Array, cut: Array) -> bool:
    """Return whether a strip is torn: half of its pads gone, those of one end, or one end bare and the next pad cut.

    Parameters
    ----------
    gone, bare, cut : ndarray of bool, shape (pads,)
        Not there or washed out; white, be it by its key; cut through or shorter than its like.
    """
    if gone.sum() >= max(2.0, HALF_SHARE * len(gone)):
        return True
    for way in (slice(None), slice(None, None, -1)):
        if _run(gone[way]) >= max(2.0, END_SHARE * len(gone)):
            return True
        first = _run(bare[way])
        if 0 < first < len(bare) and cut[way][first]:
            return True
    return False


def _unlikely(read: list[tuple[Scale, Along]], leave: float) -> bool:
    """Return whether all pads together lie too far off the key for chance; of four or more the worst is left out."""
    each = sorted((along.distance2, 3 * len(scale.pads) - 1) for scale, along in read)
    kept = each[:-1] if len(each) >= 4 else each
    return sum(d2 for d2, _ in kept) > TOGETHER * leave * chi2_bound(sum(dof for _, dof in kept))


def _run(flags: Array) -> int:
    """Return how many of the first flags are set in a row."""
    return int(np.argmin(flags)) if not flags.all() else len(flags)


def is_dry(kind: StripKind, samples: tuple[PadSample, ...], read: list[tuple[Scale, Along]]) -> bool:
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
