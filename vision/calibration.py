"""What the colours of a printed card really are, once measured: read from a file, checked, put in the design's place.

In: a CGATS.17 text file of a spectrophotometer, or the JSON that Turnblue keeps. Out: `Calibration`: the measured
colours of one print run, by patch, with how sure they are; `calibrated` puts them in the place of the design's. A
measurement that cannot be this card's raises `CalibrationInvalid` with a sentence. `beside_chart.py` measures a card
in a photo.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from vision import colour
from vision.cgats import HINT, read_cgats
from vision.errors import CalibrationInvalid
from vision.specs import CardDesign, PatchDesign, load_card
from vision.tuples import Triple

if TYPE_CHECKING:
    from vision.card import CardFound

Array = NDArray[Any]

FORMAT = "turnblue.calibration/1"
"""Form of a calibration kept as JSON."""

INSTRUMENT_DELTA_E00 = 0.7
"""Standard deviation of a patch measured with an instrument about the patch photographed: instrument 0.3, place on the
patch and sheet to sheet of one run 0.6 [CIEDE2000] (from memory)."""

FEWEST_MEASURED = 36
"""Fewest patches that must be measured; the others keep no colour and are not used. Three quarters (our own)."""

MOST_MEDIAN_DELTA_E00, MOST_DELTA_E00 = 14.0, 45.0
"""CIEDE2000 from the design, median and greatest, above which a measurement is not of this card: an unprofiled print is
within a third of these (common practice, no source)."""


@dataclass(frozen=True)
class MeasuredPatch:
    """A patch as printed: CIELAB (D65), and the standard deviation of that [CIEDE2000]."""

    name: str
    lab: Triple
    sd_delta_e00: float


@dataclass(frozen=True)
class Calibration:
    """The measured colours of one print run of the card.

    `first_number` and `last_number` are the cards it holds for, None for all; `method` is "instrument" or
    "chart_photo".
    """

    method: str
    patches: tuple[MeasuredPatch, ...]
    first_number: int | None = None
    last_number: int | None = None

    @property
    def id(self) -> str:
        """Return twelve hexadecimal digits that change with the colours and the cards they hold for."""
        return hashlib.sha256(json.dumps(self.to_json()).encode()).hexdigest()[:12]

    @property
    def sd_delta_e00(self) -> float:
        """Return the standard deviation of a patch, root mean square over the patches [CIEDE2000]."""
        return float(np.sqrt(np.mean([patch.sd_delta_e00**2 for patch in self.patches])))

    def holds_for(self, number: int | None) -> bool:
        """Tell whether it holds for a card of that number; a card whose number was not read is in no numbered run."""
        if self.first_number is None and self.last_number is None:
            return True
        low, high = self.first_number or 0, self.last_number
        return number is not None and low <= number and (high is None or number <= high)

    def off_design(self, design: CardDesign) -> dict[str, float]:
        """Return how far each measured patch is from the design [CIEDE2000], by name."""
        wanted = {patch.name: patch.reference_lab for patch in design.patches}
        return {each.name: float(colour.delta_e00(each.lab, wanted[each.name])) for each in self.patches}

    def to_json(self) -> dict[str, Any]:
        """Return it as what `json.dumps` accepts; `calibration_of_json` reads it again."""
        return {
            "format": FORMAT,
            "method": self.method,
            "first_number": self.first_number,
            "last_number": self.last_number,
            "patches": _patches_json(self),
        }


def _patches_json(calibration: Calibration) -> list[dict[str, Any]]:
    return [
        {"name": p.name, "lab": [round(v, 4) for v in p.lab], "sd_delta_e00": round(p.sd_delta_e00, 4)}
        for p in calibration.patches
    ]


def calibration_of_json(entry: Mapping[str, Any]) -> Calibration:
    """Return the calibration that `Calibration.to_json` gave.

    Raises
    ------
    CalibrationInvalid
        If the entry is none.
    """
    try:
        if entry["format"] != FORMAT:
            raise ValueError(f"its form is {entry['format']!r}")
        patches = tuple(
            MeasuredPatch(str(p["name"]), as_triple(np.array(p["lab"], dtype=np.float64)), float(p["sd_delta_e00"]))
            for p in entry["patches"]
        )
        bounds = [None if entry[key] is None else int(entry[key]) for key in ("first_number", "last_number")]
        method = str(entry["method"])
    except (KeyError, TypeError, ValueError) as error:
        raise CalibrationInvalid("This file is no calibration of a card.", HINT) from error
    return checked_calibration(Calibration(method, patches, bounds[0], bounds[1]))


def read_calibration(content: bytes) -> Calibration:
    """Read a calibration file: CGATS text, or the JSON that Turnblue itself writes.

    Raises
    ------
    CalibrationInvalid
        If it is neither, or not of this card.
    """
    if content.lstrip()[:1] == b"{":
        try:
            entry = json.loads(content.decode("utf-8"))
        except ValueError as error:
            raise CalibrationInvalid("This file is damaged.", HINT) from error
        return calibration_of_json(entry)
    measured = read_cgats(content)
    adapt = colour.bradford_matrix(colour.WHITE_D50_XYZ, colour.WHITE_D65_XYZ)
    lab = colour.xyz_to_lab(colour.lab_to_xyz(measured.lab_d50, colour.WHITE_D50_XYZ) @ adapt.T)
    return checked_calibration(Calibration("instrument", _matched(measured.names, lab, load_card())))


def _plain(name: str) -> str:
    """Return a name without case, spaces and signs: "Blue deep" and "blue_deep" are the same patch."""
    return re.sub(r"[^a-z0-9]", "", name.casefold())


def _matched(names: Sequence[str], lab: Array, design: CardDesign) -> tuple[MeasuredPatch, ...]:
    """Return the design's patches as measured, matched by name, or by order where the file only counts.

    A patch measured more than once is averaged, its readings' spread added to the instrument's.
    """
    rows: dict[str, list[int]] = {}
    for index, name in enumerate(names):
        rows.setdefault(_plain(name), []).append(index)
    if not any(_plain(patch.name) in rows for patch in design.patches):
        if [_plain(n) for n in names] != [str(i + 1) for i in range(len(design.patches))]:
            known = ", ".join(patch.name for patch in design.patches[:3])
            raise CalibrationInvalid(
                "No sample of this file has the name of a patch of the card.",
                f"Name the samples as the card's patches ({known} ...; see: turnblue card --json), or number them 1 to "
                f"{len(design.patches)} row by row.",
            )
        rows = {_plain(patch.name): [index] for index, patch in enumerate(design.patches)}
    patches = []
    for patch in design.patches:
        readings = lab[rows.get(_plain(patch.name), [])]
        if len(readings) == 0:
            continue
        middle = readings.mean(axis=0)
        apart = float(np.sqrt(np.mean(colour.delta_e00(readings, middle) ** 2)))
        patches.append(MeasuredPatch(patch.name, as_triple(middle), float(np.hypot(INSTRUMENT_DELTA_E00, apart))))
    return tuple(patches)


def checked_calibration(calibration: Calibration) -> Calibration:
    """Return the calibration, or say why it cannot be this card's."""
    design = load_card()
    names = {patch.name for patch in design.patches}
    strange = [patch.name for patch in calibration.patches if patch.name not in names]
    if strange:
        raise CalibrationInvalid(f"The card has no patch {strange[0]!r}.", HINT)
    if len(calibration.patches) < FEWEST_MEASURED:
        missing = [name for name in (p.name for p in design.patches) if name not in _names(calibration)]
        raise CalibrationInvalid(
            f"Only {len(calibration.patches)} of the card's {len(names)} patches were measured; missing are "
            f"{', '.join(missing[:5])}{' and others' if len(missing) > 5 else ''}.",
            "Measure every patch once.",
        )
    off = calibration.off_design(design)
    worst = max(off, key=lambda name: off[name])
    if np.median(list(off.values())) > MOST_MEDIAN_DELTA_E00 or off[worst] > MOST_DELTA_E00:
        raise CalibrationInvalid(
            f"These colours are not this card's: {worst} is {off[worst]:.0f} CIEDE2000 from its design, the middle one "
            f"{np.median(list(off.values())):.0f}.",
            "Check that the patches were measured in their order, and that the card was printed in colour.",
        )
    greys = [(w.reference_lab[0], each.lab[0]) for each in calibration.patches for w in design.patches
             if w.name == each.name and re.fullmatch(r"N\d", w.name)]  # fmt: skip
    steps = [lighter[1] - darker[1] for darker, lighter in zip(sorted(greys), sorted(greys)[1:], strict=False)]
    if steps and min(steps) <= 0:
        raise CalibrationInvalid(
            "The grey patches do not get lighter from N2 to N9.", "Check that the patches were measured in their order."
        )
    return calibration


def _names(calibration: Calibration) -> set[str]:
    return {patch.name for patch in calibration.patches}


def choose(calibrations: Sequence[Calibration], card: CardFound) -> Calibration | None:
    """Return the calibration that holds for a card, the last that does; None where none does, or it is the chart."""
    if card.design.kind != "turnblue":
        return None
    return next((each for each in reversed(calibrations) if each.holds_for(card.number)), None)


def calibrated(card: CardFound, calibration: Calibration) -> CardFound:
    """Return a found card with the measured colours as its references; patches not measured are as out of the photo.

    Parameters
    ----------
    card : CardFound
        The project's own card.
    calibration : Calibration
        Of its print run.
    """
    measured = {patch.name: patch for patch in calibration.patches}
    patches = tuple(_measured(patch, measured.get(patch.name)) for patch in card.design.patches)
    unknown = np.array([patch.name not in measured for patch in card.design.patches])
    samples = replace(card.samples, encoded_rgb=np.where(unknown[:, None], np.nan, card.samples.encoded_rgb))
    return replace(card, design=replace(card.design, patches=patches), samples=samples)


def _measured(patch: PatchDesign, measured: MeasuredPatch | None) -> PatchDesign:
    if measured is None:
        return patch
    srgb = np.clip(colour.encode_srgb(colour.lab_to_linear_rgb(measured.lab)), 0, 1)
    return replace(patch, reference_lab=measured.lab, reference_srgb=as_triple(srgb))


def as_triple(values: Array) -> Triple:
    """Return three values as a tuple."""
    a, b, c = (float(v) for v in values)
    return a, b, c
