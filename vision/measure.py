"""Open first: a photo in, everything it says out, stage by stage.

In: a photo file, a `Grader`, and what is known of the pool. Out: `PhotoResult`. The stages stand here in their order,
each in the module of its name: open, find the card, normalise, find the water, take features, grade. A photo that can
be read but not measured gives a result that says why; only a file that is no photo raises.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date
from functools import cache, wraps
from pathlib import Path
from typing import Any, ParamSpec, TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image
from threadpoolctl import ThreadpoolController

from vision import colour
from vision.belief import belief_in, clarity_grade, interval_of, together
from vision.calibration import Calibration, calibrated, choose
from vision.card import CardFound, find_card
from vision.disc import DiscAsked, disc_belief, lost_result, see_disc
from vision.errors import NoCardFound, NoWaterSeen
from vision.features import KnownPool, features_of
from vision.fitness import fitness_of, unfit
from vision.flags import spoils
from vision.grade import Grader, grade_features, settled, weak
from vision.normalise import FEWEST_PATCHES, ColourFit, fit_colours
from vision.photo import Photo, open_photo
from vision.results import (
    CardResult,
    Clarity,
    DiscResult,
    ErrorSummary,
    PatchResult,
    PhotoResult,
    Problem,
    Severity,
    WaterResult,
    problem,
)
from vision.strip import StripAsked, read_strip
from vision.tuples import Point, Triple
from vision.uncertainty import (
    CHART_DELTA_E00,
    PROFILE_DELTA_E00,
    TRAINED_PRINT_DELTA_E00,
    UNMEASURED_PRINT_DELTA_E00,
    spread_of,
)
from vision.water import SMALL_SHARE, Region, View, drawn_water, find_water, no_water, view_of
from vision.widening import shifted_features

Array = NDArray[Any]
P = ParamSpec("P")
R = TypeVar("R")

PIPELINE = "0.5.1"
"""Version of the stages between a photo and its features: raised whenever the same photo may give other numbers."""

POOR_MEDIAN, POOR_P95 = 6.0, 20.0
"""Held-out CIEDE2000 above which the card's colours do not fit its design: the project's own, over twice what an
unmeasured print and a phone explain together."""
DARK_WHITE = 0.06
"""Linear level of the lightest patch under which a photo is too dark: two of eight bits are left for the water."""
BRIGHT_SHARE = 0.3
"""Share of clipped patches from which a photo counts as over-exposed: the project's own."""
LEAST_PATCH_SHARE = 0.6
"""Share of the card's patches that must be fit to use: the project's own."""
BLURRED_SHARE = 0.55
"""Edge width over patch side from which the patches' middles are mixed with their rims (sampled part 0.56)."""
BLURRED_SHARE_UNREAD = 0.33
"""The same for a card whose marks are unreadable: the project's own, from rendered blurs (a blur of a quarter of a
patch gives 0.39)."""
SHARP_EDGE_PX = 2.0
"""Edge width under which a picture is as sharp as pixels can be (`align.Alignment`): patches that are mixed all the
same are too few pixels wide. The project's own."""
UNEVEN_RATIO = 1.8
"""Change of the light over the card from which it is said to be uneven: the project's own."""


@cache
def _pools() -> ThreadpoolController:
    return ThreadpoolController()


def on_one_thread(work: Callable[P, R]) -> Callable[P, R]:
    """Return `work` with its matrix products on one thread: they are small, and other photos want the other cores."""

    @wraps(work)
    def held(*given: P.args, **named: P.kwargs) -> R:
        with _pools().limit(limits=1, user_api="blas"):
            return work(*given, **named)

    return held


@dataclass(frozen=True)
class Looked:
    """A photo as far as it could be looked at; what comes after a failed stage is None."""

    photo: Photo
    problems: tuple[Problem, ...]
    card: CardFound | None = None
    fit: ColourFit | None = None
    view: View | None = None
    region: Region | None = None
    calibration: Calibration | None = None


def look(
    photo: Photo,
    grader: Grader,
    *,
    outline_px: tuple[Point, ...] | None = None,
    calibrations: tuple[Calibration, ...] = (),
) -> Looked:
    """Take a photo as far as its water: card, colours, region.

    Parameters
    ----------
    photo : Photo
        An opened photo.
    grader : Grader
        Knows water from its surroundings.
    outline_px : tuple of Point, optional
        The water as a person drew it, in photo pixels; by default it is found.
    calibrations : tuple of Calibration
        The print runs that were measured; the last that holds for the card is used.

    Raises
    ------
    PhotoUnreadable
        If the pixels cannot be decoded.
    """
    problems: list[Problem] = []
    if photo.profile == "broken":
        problems.append(problem("broken_profile"))
    try:
        card = find_card(photo)
    except NoCardFound as refusal:
        return Looked(photo, (*problems, problem(refusal.code, str(refusal))))
    calibration = choose(calibrations, card)
    card = card if calibration is None else calibrated(card, calibration)
    usable = usable_patches(card)
    problems += card_problems(card, usable)
    if card.design.kind == "turnblue" and calibration is None:
        problems.append(problem("card_not_calibrated"))
    if usable.mean() < LEAST_PATCH_SHARE:
        blinding = "over_exposed" if any(each.code == "over_exposed" for each in problems) else "card_blinded"
        problems += [] if blinding == "over_exposed" else [problem(blinding)]
        if usable.sum() < FEWEST_PATCHES:
            return Looked(photo, tuple(problems), card, calibration=calibration)
    fit = fit_colours(
        card.samples,
        card.design,
        usable=usable,
        print_delta_e00=print_delta_e00(card, photo, calibration),
        print_known=card.design.kind == "chart24" or calibration is not None,
    )
    problems += fit_problems(card, fit, usable)
    view = view_of(photo, card, fit)
    try:
        region = drawn_water(view, outline_px) if outline_px else find_water(view, grader.water)
    except NoWaterSeen as refusal:
        refused = (*problems, problem("no_water", str(refusal)))
        return Looked(photo, refused, card, fit, view, calibration=calibration)
    if region.share < SMALL_SHARE:
        problems.append(problem("water_region_small"))
    return Looked(photo, tuple(problems), card, fit, view, region, calibration)


def print_delta_e00(card: CardFound, photo: Photo, calibration: Calibration | None) -> float:
    """Return how far the card's patches may be from the references used, standard deviation [CIEDE2000]."""
    if calibration is not None:
        printed = calibration.sd_delta_e00
    else:
        printed = UNMEASURED_PRINT_DELTA_E00 if card.design.kind == "turnblue" else CHART_DELTA_E00
    return float(np.hypot(printed, PROFILE_DELTA_E00 if photo.profile == "broken" else 0.0))


def middle_colour(view: View, region: Region) -> Array:
    """Return the median of the water's normalised colours, linear sRGB, shape (3,): of every second pixel and row."""
    return np.asarray(np.median(view.linear[::2, ::2][region.mask[::2, ::2]], axis=0), dtype=np.float64)


@on_one_thread
def measure_water(
    source: Path | Photo,
    *,
    grader: Grader,
    known: KnownPool | None = None,
    outline_px: tuple[Point, ...] | None = None,
    calibrations: tuple[Calibration, ...] = (),
    disc: DiscAsked | None = None,
) -> PhotoResult:
    """Measure the water of one photo.

    Parameters
    ----------
    source : Path or Photo
        The photo's file, or the photo opened.
    grader : Grader
        From `grade.load_grader`.
    known : KnownPool, optional
        The pool's depths and floor colour, where the log has them.
    outline_px : tuple of Point, optional
        The water as a person drew it, in photo pixels.
    calibrations : tuple of Calibration
        The print runs of the card that were measured. Without one for this card every interval is wider.
    disc : DiscAsked, optional
        The sighting disc's depth as the tech read it; only then is the disc looked for.

    Returns
    -------
    PhotoResult
        `usable` is false and `problems` says why where the photo cannot be measured.

    Raises
    ------
    PhotoUnreadable
        If the file is no photo that can be read.
    """
    photo = source if isinstance(source, Photo) else open_photo(source)
    looked = look(photo, grader, outline_px=outline_px, calibrations=calibrations)
    problems = list(looked.problems)
    water = None
    spoiled = None
    if looked.view is not None and looked.region is not None and looked.card is not None and looked.fit is not None:
        fitness = fitness_of(looked.view, looked.region, looked.card, looked.fit)
        # What a person drew is water, whatever it looks like.
        spoiled = unfit(fitness, grader.fitness, water_drawn=outline_px is not None)
    if spoiled == "no_water":
        problems.append(problem("no_water", str(no_water())))
        looked = replace(looked, region=None)
    if looked.view is not None and looked.region is not None and looked.card is not None and looked.fit is not None:
        features = features_of(looked.view, looked.region, looked.card, known)
        middle = middle_colour(looked.view, looked.region)
        sure = looked.fit.uncertainty(middle)
        beyond = beyond_trained(looked.fit)
        shifted = shifted_features(features, middle, spread_of(beyond, sure.lab[None])[0]) if beyond > 0 else None
        graded = grade_features(features, grader, shifted=shifted)
        said = {each.code for each in problems}
        names = graded.flags if spoiled is None else (*graded.flags, spoiled)
        problems += [problem(name) for name in names if name not in said]
        water = WaterResult(
            region_px=looked.region.outline_px,
            clarity=graded.clarity,
            severity=graded.severity,
            visible_depth_m=graded.visible_depth_m,
            chlorophyll_ug_l=graded.chlorophyll_ug_l,
            normalised_srgb=_triple(np.clip(colour.encode_srgb(middle), 0, 1)),
            normalised_lab=_triple(sure.lab),
            lab_covariance=tuple(_triple(row) for row in sure.covariance),
            colour_delta_e00=float(sure.delta_e00_sd),
        )
    seen = None if disc is None else measure_disc(looked, disc)
    if isinstance(seen, Problem):
        problems.append(seen)
        seen = None
    if water is not None and seen is not None:
        water = with_disc(water, seen)
        if settled(water.clarity, [*Clarity]) and settled(water.severity, [*Severity]):
            problems = [each for each in problems if each.code != "undecided"]
        if not weak(water.clarity, [*Clarity]):
            problems = [each for each in problems if each.code != "clarity_weak"]
    photo.forget()
    return PhotoResult(
        photo=photo.name,
        sha256=photo.sha256,
        taken_at=photo.taken_at,
        usable=water is not None and not spoils(each.code for each in problems),
        problems=tuple(problems),
        card=None if looked.card is None else card_result(looked.card, looked.fit, looked.calibration),
        water=water,
        disc=seen,
        strip=None,
        versions={"turnblue": PIPELINE, "grader": grader.id},
    )


@on_one_thread
def measure_strip(
    source: Path | Photo, asked: StripAsked, *, calibrations: tuple[Calibration, ...] = ()
) -> PhotoResult:
    """Measure the test strip of one photo.

    Parameters
    ----------
    source : Path or Photo
        The photo's file, or the photo opened.
    asked : StripAsked
        What kind of strip the tech says it is, and when it was dipped.
    calibrations : tuple of Calibration
        The card's print runs that were measured.

    Returns
    -------
    PhotoResult
        `strip` is None and `problems` says why where the strip is not read.

    Raises
    ------
    PhotoUnreadable
        If the file is no photo that can be read.
    """
    photo = source if isinstance(source, Photo) else open_photo(source)
    seconds = asked.seconds_after(photo.taken_at)
    read = read_strip(photo, asked.kind, seconds=seconds, calibrations=calibrations)
    problems = list(read.problems)
    if asked.today is not None and asked.kind.expired(date.fromisoformat(asked.today)):
        problems.append(problem("strip_expired"))
    light = read.light
    card = None
    if light is not None and light.card is not None:
        card = card_result(light.card, light.fit, light.calibration)
        if card.kind == "turnblue" and light.calibration is None:
            problems.append(problem("card_not_calibrated"))
    photo.forget()
    return PhotoResult(
        photo=photo.name,
        sha256=photo.sha256,
        taken_at=photo.taken_at,
        usable=read.result is not None,
        problems=tuple(problems),
        card=card,
        water=None,
        disc=None,
        strip=read.result,
        versions={"turnblue": PIPELINE, "grader": ""},
    )


def measure_disc(looked: Looked, disc: DiscAsked) -> DiscResult | Problem | None:
    """Return what the sighting disc says, or why it says nothing; None where there is no card to measure it by.

    Parameters
    ----------
    looked : Looked
        From `look`.
    disc : DiscAsked
        Its depth, and whether the tech lost it from sight there.
    """
    if disc.lost:
        return lost_result(disc.depth_m)
    if looked.card is None or looked.fit is None:
        return None
    outline = None if looked.region is None else looked.region.outline_px
    seen = see_disc(looked.photo, looked.card, looked.fit, disc.depth_m, water_px=outline)
    if seen is None:
        return problem("disc_not_found")
    return problem("disc_undecided") if seen.undecided else seen.result(disc.depth_m)


def with_disc(water: WaterResult, disc: DiscResult) -> WaterResult:
    """Return the water's clarity as photo and disc say it together, weighed by their uncertainties."""
    plain = belief_in(water.visible_depth_m, water.clarity.probabilities)
    both = together([plain, disc_belief(disc)])
    return replace(
        water,
        clarity=clarity_grade(both),
        visible_depth_m=interval_of(both),
        plain_visible_depth_m=water.visible_depth_m,
    )


def beyond_trained(fit: ColourFit) -> float:
    """Return the print's error beyond that of the photos the grader was fitted on, a component [CIEDE2000]."""
    return float(np.sqrt(max(fit.print_delta_e00**2 - TRAINED_PRINT_DELTA_E00**2, 0) / 3))


def usable_patches(card: CardFound) -> NDArray[np.bool_]:
    """Return which patches are inside the photo and not clipped, shape (N,)."""
    inside = np.isfinite(card.samples.encoded_rgb).all(axis=1)
    return np.asarray(inside & (card.samples.clipped_share <= 0.1), dtype=np.bool_)


def card_problems(card: CardFound, usable: NDArray[np.bool_]) -> list[Problem]:
    """Return what is doubtful about the card's picture before its colours are fitted.

    Parameters
    ----------
    card : CardFound
        The card.
    usable : ndarray of bool, shape (N,)
        From `usable_patches`.
    """
    problems = []
    samples, reference = card.samples, card.design.reference_lab
    inside = np.isfinite(samples.encoded_rgb).all(axis=1)
    clipped = inside & ~usable
    # A clipped patch as light as white is over-exposure; a clipped dark one is a reflection of the sun.
    glare = clipped & (reference[:, 0] < 60)
    washed = clipped & (reference[:, 0] >= 60)
    if clipped.mean() > BRIGHT_SHARE and washed.sum() >= 0.8 * (inside & (reference[:, 0] >= 60)).sum():
        problems.append(problem("over_exposed"))
    elif glare.sum() >= 2:
        names = ", ".join(patch.name for patch, hit in zip(card.design.patches, glare, strict=True) if hit)
        problems.append(
            problem(
                "card_glare",
                f"{int(glare.sum())} patches of the card are in glare ({names}): tilt it away from the sun and retake.",
            )
        )
    light = inside & (reference[:, 0] > 90)
    if light.any() and colour.decode_srgb(samples.encoded_rgb[light]).max(axis=1).mean() < DARK_WHITE:
        problems.append(problem("under_exposed"))
    # Where not one mark could be read, less will do: the gaps between patches have run together and hide how wide.
    unread = card.design.markers and not card.markers_seen
    share = BLURRED_SHARE_UNREAD if unread else BLURRED_SHARE
    if np.isfinite(card.edge_width_px) and card.edge_width_px > share * card.patch_px:
        problems.append(problem("card_too_small" if card.edge_width_px < SHARP_EDGE_PX else "blurred"))
    if not inside.all():
        problems.append(problem("card_cut_off"))
    return problems


def fit_problems(card: CardFound, fit: ColourFit, usable: NDArray[np.bool_]) -> list[Problem]:
    """Return what is doubtful about the card's colours once fitted."""
    problems = []
    errors = fit.held_out_delta_e00[fit.used]
    if np.median(errors) > POOR_MEDIAN or np.quantile(errors, 0.95) > POOR_P95:
        problems.append(problem("poor_colour_fit"))
    if fit.gradient > UNEVEN_RATIO:
        problems.append(problem("card_uneven_light"))
    if fit.used.sum() < LEAST_PATCH_SHARE * len(card.design.patches) <= usable.sum():
        problems.append(problem("card_blinded"))
    return problems


def card_result(card: CardFound, fit: ColourFit | None, calibration: Calibration | None = None) -> CardResult:
    """Return the card as a result: patches as photographed, as corrected and as they should be."""
    patches = []
    for index, patch in enumerate(card.design.patches):
        measured = card.samples.encoded_rgb[index]
        corrected = np.full(3, np.nan) if fit is None else colour.encode_srgb(fit.normalised_linear[index])
        patches.append(
            PatchResult(
                name=patch.name,
                measured_srgb=_triple(measured),
                normalised_srgb=_triple(np.clip(corrected, 0, 1)),
                reference_srgb=patch.reference_srgb,
                held_out_delta_e00=float("nan") if fit is None else float(fit.held_out_delta_e00[index]),
                used=fit is not None and bool(fit.used[index]),
                clipped_share=float(card.samples.clipped_share[index]),
            )
        )
    errors = np.array([np.nan]) if fit is None else fit.held_out_delta_e00[fit.used]
    return CardResult(
        kind=card.design.kind,
        corners_px=tuple((float(x), float(y)) for x, y in card.corners_px),
        calibrated=card.design.kind == "chart24" or calibration is not None,
        patches=tuple(patches),
        held_out_delta_e00=ErrorSummary(float(np.median(errors)), float(np.quantile(errors, 0.95))),
        card_id=card.number,
        correction="" if fit is None else fit.model,
        calibration="" if calibration is None else calibration.id,
        print_delta_e00=float("nan") if fit is None else fit.print_delta_e00,
        structure_delta_e00=float("nan") if fit is None else fit.structure_sigma * float(np.sqrt(3)),
    )


def _triple(values: Array) -> Triple:
    r, g, b = (float(v) for v in values)
    return r, g, b


def normalised_image(
    source: Path | Photo, *, long_side_px: int | None = None, calibrations: tuple[Calibration, ...] = ()
) -> Image.Image | None:
    """Return a photo colour-normalised, as a person sees it, or None where it holds no card to go by.

    Parameters
    ----------
    source : Path or Photo
        The photo.
    long_side_px : int, optional
        Size of the picture wanted [px]; by default the photo's own.
    calibrations : tuple of Calibration
        The print runs of the card that were measured.

    Raises
    ------
    PhotoUnreadable
        If the file is no photo that can be read.
    """
    photo = source if isinstance(source, Photo) else open_photo(source)
    try:
        card = find_card(photo)
    except NoCardFound:
        return None
    calibration = choose(calibrations, card)
    card = card if calibration is None else calibrated(card, calibration)
    usable = usable_patches(card)
    if usable.sum() < FEWEST_PATCHES:
        return None
    known = card.design.kind == "chart24" or calibration is not None
    fit = fit_colours(card.samples, card.design, usable=usable, print_known=known)
    picture = photo.read(long_side_px)
    pixels = picture.rgb
    if long_side_px is not None and max(pixels.shape[:2]) > long_side_px:
        factor = long_side_px / max(pixels.shape[:2])
        pixels = np.asarray(
            cv2.resize(pixels, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA), dtype=np.uint8
        )
    return Image.fromarray(encode_pixels(fit.correct_pixels(pixels)))


def encode_pixels(linear: Array) -> NDArray[np.uint8]:
    """Return linear sRGB as 8-bit sRGB, clipped, shape (H, W, 3)."""
    levels = np.clip(linear * 4095 + 0.5, 0, 4095).astype(np.uint16)
    table = np.round(np.clip(colour.encode_srgb(np.arange(4096) / 4095), 0, 1) * 255).astype(np.uint8)
    return np.asarray(table[levels], dtype=np.uint8)
