"""What a measured photo says, as one small set of frozen dataclasses.

In: nothing. Out: the types that pass between `vision` and `app`, and `to_json`, the shape that
`turnblue score --json` prints. Names follow the JSON: a quantity carries its unit, an sRGB triple is
0 to 1 and gamma-encoded, a pixel position is of the photo as a person sees it (EXIF orientation applied).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields, is_dataclass
from enum import StrEnum
from typing import Any

from vision.flags import BY_NAME
from vision.tuples import Point, Triple


class Clarity(StrEnum):
    """How far one sees into the water, best first; bounds in `CLARITY_LOWER_M`."""

    CRYSTAL = "crystal"
    CLEAR = "clear"
    HAZY = "hazy"
    CLOUDY = "cloudy"
    OPAQUE = "opaque"


class Severity(StrEnum):
    """How much living algae the water holds, least first; bounds in `SEVERITY_LOWER_UG_L`."""

    NONE = "none"
    TRACE = "trace"
    LIGHT = "light"
    MODERATE = "moderate"
    HEAVY = "heavy"


CLARITY_LOWER_M: Mapping[Clarity, float] = {
    Clarity.CRYSTAL: 7.5,
    Clarity.CLEAR: 3.0,
    Clarity.HAZY: 1.5,
    Clarity.CLOUDY: 0.6,
    Clarity.OPAQUE: 0.0,
}
"""Smallest visible depth of each clarity grade [m]. Source: the project's own definition of its grades."""

SEVERITY_LOWER_UG_L: Mapping[Severity, float] = {
    Severity.NONE: 0.0,
    Severity.TRACE: 3.0,
    Severity.LIGHT: 10.0,
    Severity.MODERATE: 40.0,
    Severity.HEAVY: 120.0,
}
"""Smallest chlorophyll-a of each severity grade [micrograms/L]. Source: the project's own definition."""


def clarity_of(visible_depth_m: float) -> Clarity:
    """Return the clarity grade of a visible depth.

    Parameters
    ----------
    visible_depth_m : float
        Depth at which a black-and-white disc is lost from sight [m], not negative and not NaN.

    Raises
    ------
    ValueError
        If `visible_depth_m` is negative or NaN.

    Examples
    --------
    >>> clarity_of(3.0), clarity_of(0.59)
    (<Clarity.CLEAR: 'clear'>, <Clarity.OPAQUE: 'opaque'>)
    """
    if not visible_depth_m >= 0:
        raise ValueError(f"visible_depth_m must be 0 or more, got {visible_depth_m!r}")
    return next(grade for grade, lower in CLARITY_LOWER_M.items() if visible_depth_m >= lower)


def severity_of(chlorophyll_ug_l: float) -> Severity:
    """Return the severity grade of a chlorophyll-a concentration.

    Parameters
    ----------
    chlorophyll_ug_l : float
        Chlorophyll-a of living algae [micrograms/L], not negative and not NaN.

    Raises
    ------
    ValueError
        If `chlorophyll_ug_l` is negative or NaN.

    Examples
    --------
    >>> severity_of(2.9), severity_of(120.0)
    (<Severity.NONE: 'none'>, <Severity.HEAVY: 'heavy'>)
    """
    if not chlorophyll_ug_l >= 0:
        raise ValueError(f"chlorophyll_ug_l must be 0 or more, got {chlorophyll_ug_l!r}")
    return [grade for grade, lower in SEVERITY_LOWER_UG_L.items() if chlorophyll_ug_l >= lower][-1]


@dataclass(frozen=True)
class Interval:
    """A value with its 80 % interval; `high` is None where the photo bounds it from below only."""

    low: float
    mid: float
    high: float | None


@dataclass(frozen=True)
class Grade:
    """One grade with the probability of every class of its scale; they sum to 1."""

    grade: str
    probabilities: Mapping[str, float]


def within_one(grade: str, probabilities: Mapping[str, float], order: Sequence[str]) -> float:
    """Return the probability that a grade is right or off by one class, `order` being its scale's classes."""
    place = list(order).index(grade)
    return float(sum(probabilities[name] for name in order[max(place - 1, 0) : place + 2]))


@dataclass(frozen=True)
class Problem:
    """One doubt or refusal: `code` is a name of `flags.FLAGS`, `say` a sentence for the tech."""

    code: str
    say: str


def problem(name: str, say: str | None = None) -> Problem:
    """Return the flag `name` as a problem, with its standing sentence unless `say` gives a closer one.

    Raises
    ------
    ValueError
        If no flag has that name.

    Examples
    --------
    >>> problem("no_water").say[:18]
    'No water was seen '
    """
    if name not in BY_NAME:
        raise ValueError(f"name must be one of {sorted(BY_NAME)}, got {name!r}")
    return Problem(name, say if say is not None else BY_NAME[name].say)


@dataclass(frozen=True)
class PatchResult:
    """One patch of the card: as photographed, as corrected, as it should be.

    `held_out_delta_e00` is the CIEDE2000 between corrected and reference when the correction was fitted
    without this patch; NaN (null in JSON) where the patch was dropped (`used` false).
    """

    name: str
    measured_srgb: Triple
    normalised_srgb: Triple
    reference_srgb: Triple
    held_out_delta_e00: float
    used: bool = True
    clipped_share: float = 0.0


@dataclass(frozen=True)
class ErrorSummary:
    """Median and 95th percentile of CIEDE2000 over a card's patches."""

    median: float
    p95: float


@dataclass(frozen=True)
class CardResult:
    """The card found in a photo and how well its colours could be corrected.

    `corners_px` run top left, top right, bottom right, bottom left of the card as printed.
    `calibrated` says whether the printed colours of this card were measured. `card_id` is null where
    the card carries none or it could not be read. `correction` names the colour model chosen. `calibration` is the id
    of the print's measurement, empty without one; `print_delta_e00` the standard deviation of the print about the
    references used, `structure_delta_e00` what the correction leaves of a patch [CIEDE2000].
    """

    kind: str
    corners_px: tuple[Point, ...]
    calibrated: bool
    patches: tuple[PatchResult, ...]
    held_out_delta_e00: ErrorSummary
    card_id: int | None = None
    correction: str = ""
    calibration: str = ""
    print_delta_e00: float = math.nan
    structure_delta_e00: float = math.nan


@dataclass(frozen=True)
class WaterResult:
    """The water's two grades and its two physical figures, and the region they were read from.

    `normalised_lab` (D65) is the water's middle colour, `lab_covariance` its covariance and `colour_delta_e00` the
    root mean square CIEDE2000 it may be off by. Where a sighting disc was measured too, `clarity` and
    `visible_depth_m` are what both say together, and `plain_visible_depth_m` what the water alone says.
    """

    region_px: tuple[Point, ...]
    clarity: Grade
    severity: Grade
    visible_depth_m: Interval
    chlorophyll_ug_l: Interval
    normalised_srgb: Triple = (math.nan, math.nan, math.nan)
    normalised_lab: Triple = (math.nan, math.nan, math.nan)
    lab_covariance: tuple[Triple, ...] = ()
    colour_delta_e00: float = math.nan
    plain_visible_depth_m: Interval | None = None


@dataclass(frozen=True)
class DiscResult:
    """The sighting disc at a depth, its contrast, and the visible depth that follows by the disc alone.

    `contrast` is the share left of the white-black difference, 0 where the tech lost the disc from sight at that depth.
    `rim_px` is where its rim was found, empty where it was not looked for.
    """

    depth_m: float
    contrast: float
    visible_depth_m: Interval
    rim_px: tuple[Point, ...] = ()


@dataclass(frozen=True)
class StripReading:
    """One analyte of a test strip with its 80 % interval; an end that the key does not bound is NaN (null)."""

    analyte: str
    value: float
    low: float
    high: float
    unit: str
    flags: tuple[str, ...] = ()


@dataclass(frozen=True)
class StripResult:
    """What a test strip says, by the strip kind `profile`.

    `pads_px` are the pads' corners in the kind's order; `light` is "card" or
    "white_ground", what set the colours right.
    """

    profile: str
    readings: tuple[StripReading, ...]
    pads_px: tuple[tuple[Point, ...], ...] = ()
    light: str = "card"


@dataclass(frozen=True)
class PhotoResult:
    """Everything one photo says; the only thing `app` receives from `vision`."""

    photo: str
    sha256: str
    taken_at: str | None
    usable: bool
    problems: tuple[Problem, ...]
    card: CardResult | None
    water: WaterResult | None
    disc: DiscResult | None
    strip: StripResult | None
    versions: Mapping[str, str] = field(default_factory=dict)


def to_json(result: Any) -> Any:
    """Turn a result into what `json.dumps` accepts.

    Dataclasses become objects, tuples become lists, NaN and infinity become None (JSON has no NaN),
    and floats are rounded to six decimals.

    Parameters
    ----------
    result : dataclass, mapping, sequence or scalar
        Any of the types of this module, or a value inside one.

    Examples
    --------
    >>> to_json(Interval(1.0, 2.0, None))
    {'low': 1.0, 'mid': 2.0, 'high': None}
    """
    # First what there is most of, the outline's numbers.
    if type(result) is float:
        return round(result, 6) if math.isfinite(result) else None
    if type(result) is tuple:
        return [to_json(value) for value in result]
    if is_dataclass(result) and not isinstance(result, type):
        return {part.name: to_json(getattr(result, part.name)) for part in fields(result)}
    if isinstance(result, Mapping):
        return {str(key): to_json(value) for key, value in result.items()}
    if isinstance(result, (tuple, list)):
        return [to_json(value) for value in result]
    if isinstance(result, float):
        return round(result, 6) if math.isfinite(result) else None
    return result
