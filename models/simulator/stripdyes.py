"""The chemistry of rendered test strips: what colour a pad has at a value, and six invented kinds of strip.

In: a dye's name and a value. Out: a reflectance spectrum, shape (31,). Phenol red lies between measured curves; the
other dyes are two-form dyes with Gaussian bands whose peaks are of the named dye (from memory), their strengths ours.
The kinds are invented: no maker's key, order or spacing is copied.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.simulator.spectra import WAVELENGTHS_NM, table

F64 = NDArray[np.float64]

PAPER = 0.86
"""Reflectance of the pad's fibre without dye [0-1] (our own)."""
PLASTIC = 0.84
"""Reflectance of the strip's white plastic [0-1] (our own)."""
PHENOL_RED_PKA = 7.95
"""Where the measured curves lie between acid and base form (fitted on the table's own peak values)."""
DRY_SHARE = 0.45
"""Colour strength of a pad before it is dipped, of its lowest swatch's (our own)."""


@dataclass(frozen=True)
class Dye:
    """A two-form dye: bands (peak nm, width nm, strength) of either form, and how the value turns one to the other.

    The share of the second form is v^hill / (v^hill + half^hill), or by pH where `half` is a pKa (`by_ph`).
    """

    first: tuple[tuple[float, float, float], ...]
    second: tuple[tuple[float, float, float], ...]
    half: float
    hill: float = 1.0
    by_ph: bool = False


DYES: dict[str, Dye] = {
    # Oxidised by free chlorine: pale straw to violet (band about 530 nm).
    "azine": Dye(((420, 40, 0.10),), ((530, 45, 1.5), (430, 40, 0.2)), half=6.0),
    # Oxidised with iodide: cream to blue-green (about 650 nm with a shoulder).
    "benzidine": Dye(((410, 35, 0.12),), ((650, 60, 1.5), (450, 40, 0.35)), half=5.0),
    # Oxidised pink (about 512 and 553 nm).
    "diamine": Dye(((400, 30, 0.06),), ((512, 28, 1.0), (553, 22, 1.1)), half=5.0),
    # Yellow, green, blue (444 and 617 nm).
    "green": Dye(((444, 42, 1.1), (600, 60, 0.08)), ((617, 42, 1.3), (400, 30, 0.3)), half=95.0, hill=1.3),
    # Blue to wine red on calcium and magnesium (about 610 and 540 nm).
    "calcium": Dye(((610, 48, 1.2), (420, 60, 0.25)), ((535, 42, 1.3), (430, 50, 0.3)), half=220.0, hill=1.1),
    # Orange to red-violet (about 470 and 560 nm).
    "cyanurate": Dye(((470, 40, 1.2),), ((560, 40, 1.5), (430, 40, 0.2)), half=75.0, hill=1.2),
    # Cream to salmon (about 490 nm).
    "salmon": Dye(((400, 30, 0.1),), ((490, 38, 1.3),), half=1.2),
    # Three further pH dyes for a universal strip: red to yellow, yellow to blue, yellow to violet.
    "low_ph": Dye(((525, 42, 1.5),), ((430, 45, 1.1),), half=5.0, by_ph=True),
    "middle_ph": Dye(((433, 45, 1.1),), ((617, 45, 1.5), (400, 30, 0.3)), half=7.1, by_ph=True),
    "high_ph": Dye(((435, 45, 1.0),), ((580, 42, 1.5), (400, 30, 0.2)), half=8.9, by_ph=True),
}
"""Peaks from memory, widths and strengths ours. Phenol red is not here: it is measured (data/phenol_red.csv)."""


@dataclass(frozen=True)
class PadTruth:
    """One pad: its middle along the strip [mm from the tip] and its dye."""

    centre_mm: float
    dye: str


@dataclass(frozen=True)
class ScaleTruth:
    """What one or more pads read together: analyte, unit, the key's values, and which pads."""

    analyte: str
    unit: str
    values: tuple[float, ...]
    pads: tuple[int, ...]


@dataclass(frozen=True)
class StripTruth:
    """One invented kind of strip; lengths in mm."""

    name: str
    pads: tuple[PadTruth, ...]
    scales: tuple[ScaleTruth, ...]
    length_mm: float = 80.0
    width_mm: float = 5.5
    pad_mm: float = 5.0


CHLORINE = (0.0, 0.5, 1.0, 3.0, 5.0, 10.0)
PH = (6.4, 6.8, 7.2, 7.6, 8.0, 8.4)
ALKALINITY = (0.0, 40.0, 80.0, 120.0, 180.0, 240.0)
HARDNESS = (0.0, 100.0, 250.0, 500.0, 1000.0)
CYANURIC = (0.0, 30.0, 60.0, 120.0, 240.0)
"""Values on the invented keys."""

_SCALES = {
    "free_chlorine": ("mg/L", CHLORINE, "azine"),
    "total_chlorine": ("mg/L", CHLORINE, "benzidine"),
    "ph": ("", PH, "phenol_red"),
    "total_alkalinity": ("mg/L", ALKALINITY, "green"),
    "calcium_hardness": ("mg/L", HARDNESS, "calcium"),
    "cyanuric_acid": ("mg/L", CYANURIC, "cyanurate"),
    "copper": ("mg/L", (0.0, 0.5, 1.0, 2.0, 4.0), "salmon"),
}


def _kind(
    name: str,
    analytes: tuple[str, ...],
    centres: tuple[float, ...],
    *,
    swap: dict[str, str] | None = None,
    **size: float,
) -> StripTruth:
    """Put a kind together: one pad an analyte, in this order from the tip."""
    pads, scales = [], []
    for i, (analyte, centre) in enumerate(zip(analytes, centres, strict=True)):
        unit, values, dye = _SCALES[analyte]
        pads.append(PadTruth(centre, (swap or {}).get(analyte, dye)))
        scales.append(ScaleTruth(analyte, unit, values, (i,)))
    return StripTruth(name, tuple(pads), tuple(scales), **size)


KINDS: tuple[StripTruth, ...] = (
    _kind(
        "sim six",
        ("free_chlorine", "total_chlorine", "ph", "total_alkalinity", "calcium_hardness", "cyanuric_acid"),
        (4.0, 12.0, 20.0, 28.0, 36.0, 44.0),
    ),
    _kind("sim four", ("ph", "free_chlorine", "total_alkalinity", "cyanuric_acid"), (4.0, 13.0, 22.0, 31.0)),
    _kind(
        "sim three", ("free_chlorine", "ph", "total_alkalinity"), (5.0, 15.0, 25.0), swap={"free_chlorine": "diamine"}
    ),
    _kind(
        "sim five",
        ("total_chlorine", "ph", "calcium_hardness", "free_chlorine", "total_alkalinity"),
        (4.0, 11.5, 19.0, 30.0, 37.5),
        swap={"free_chlorine": "diamine"},
        width_mm=6.0,
    ),
    _kind(
        "sim seven",
        ("calcium_hardness", "copper", "free_chlorine", "total_chlorine", "cyanuric_acid", "total_alkalinity", "ph"),
        (4.0, 11.0, 18.0, 25.0, 32.0, 39.0, 46.0),
        width_mm=5.0,
        pad_mm=4.5,
        length_mm=90.0,
    ),
    StripTruth(
        "sim universal",
        tuple(PadTruth(4.0 + 8.0 * i, dye) for i, dye in enumerate(("low_ph", "middle_ph", "phenol_red", "high_ph"))),
        (ScaleTruth("ph", "", tuple(float(v) for v in range(3, 12)), (0, 1, 2, 3)),),
        width_mm=6.0,
    ),
)
"""Six invented kinds; the last reads one pH from four pads together."""


def _bands(bands: tuple[tuple[float, float, float], ...]) -> F64:
    return np.sum([s * np.exp(-0.5 * ((WAVELENGTHS_NM - p) / w) ** 2) for p, w, s in bands], axis=0)


def absorbance(dye: str, value: float) -> F64:
    """Return a dye's absorbance at a value of its analyte, shape (31,)."""
    if dye == "phenol_red":
        curves = table("phenol_red.csv")
        share = 1.0 / (1.0 + 10.0 ** (PHENOL_RED_PKA - value))
        return np.asarray((1 - share) * curves[:, 0] + share * curves[:, -1])
    d = DYES[dye]
    if d.by_ph:
        share = 1.0 / (1.0 + 10.0 ** (d.half - value))
    else:
        share = value**d.hill / (value**d.hill + d.half**d.hill) if value > 0 else 0.0
    return np.asarray((1 - share) * _bands(d.first) + share * _bands(d.second))


def pad_reflectance(dye: str, value: float, *, strength: float = 1.0) -> F64:
    """Return a wet pad's reflectance, shape (31,): the dye in white fibre after Kubelka and Munk (1931)."""
    clean = (1 - PAPER) ** 2 / (2 * PAPER)
    ks = clean + 2.0 * strength * absorbance(dye, value)
    return np.asarray(1 + ks - np.sqrt(ks * ks + 2 * ks))


def dry_reflectance(dye: str, lowest: float) -> F64:
    """Return the reflectance of a pad that was never dipped: its lowest colour, paler and a little yellowed."""
    yellow = np.exp(-0.5 * ((WAVELENGTHS_NM - 400) / 40) ** 2) * 0.12
    return np.asarray(np.clip(pad_reflectance(dye, lowest, strength=DRY_SHARE) * 1.04 - yellow, 0.02, 0.95))


def late_reflectance(dye: str, value: float, lowest: float, minutes: float) -> F64:
    """Return a pad's reflectance when it is read late: dyes fade or brown as the pad dries."""
    gone = 1 - np.exp(-minutes / 8.0)
    fresh = pad_reflectance(dye, value, strength=1 - 0.35 * gone)
    brown = np.exp(-0.5 * ((WAVELENGTHS_NM - 420) / 70) ** 2) * 0.35 * gone
    dried = 0.35 * gone * dry_reflectance(dye, lowest)
    return np.asarray(np.clip((1 - 0.35 * gone) * fresh * (1 - brown) + dried, 0.02, 0.95))


@functools.cache
def plastic_reflectance() -> F64:
    """Return the reflectance of the strip's plastic, shape (31,)."""
    return np.asarray(PLASTIC * (1 - 0.03 * np.exp(-0.5 * ((WAVELENGTHS_NM - 400) / 25) ** 2)))
