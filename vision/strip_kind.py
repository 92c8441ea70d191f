"""What a kind of test strip is, as checked data: where its pads lie and which colours its key shows at which values.

In: a JSON file of the form `turnblue.strip/1` (its schema lies in `vision/designs/strip_kind.schema.json`), or what
teaching made. Out: a frozen `StripKind` and the way back to JSON. Lengths are in mm along the strip; where a kind was
taught without a scale in the picture (`true_size` false) a pad counts as 5 mm long.
"""

from __future__ import annotations

import itertools
import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vision.errors import DesignInvalid
from vision.specs import DESIGNS
from vision.tuples import Triple

Array = NDArray[Any]

FORMAT = "turnblue.strip/1"
"""Name and version of the file's form."""
NOMINAL_PAD_MM = 5.0
"""Length a pad counts as where no scale is known [mm]: the project's own."""
SWATCH_SD = 1.0
"""Standard deviation of a swatch's colour where the file names none [CIEDE2000]: the project's own."""
HINT = "Teach the strip anew, or mend the file."
UNITLESS = ("ph",)
"""Analytes whose values may not be interpolated like concentrations."""


@dataclass(frozen=True)
class Pad:
    """One pad: its middle along the strip and its size [mm]; its colour before it was dipped, where known."""

    centre_mm: float
    length_mm: float
    width_mm: float
    dry_lab: Triple | None = None


@dataclass(frozen=True)
class Scale:
    """What one pad, or several together, read.

    Attributes
    ----------
    analyte : str
        free_chlorine, ph and so on; any lower-case name.
    unit : str
        mg/L, or "" for pH.
    values : tuple of float
        The key's numbers, rising.
    pads : tuple of int
        Which pads of the strip show it, from 0.
    swatches : tuple
        Their CIELAB (D65) colours: one entry a value, in it one a pad.
    sd : tuple of float
        Standard deviation of each value's swatches [CIEDE2000].
    read_from_s, read_until_s : float
        When the pad is to be read, after the dip [s].
    note : str
        What the label says besides, its temperature for instance.
    """

    analyte: str
    unit: str
    values: tuple[float, ...]
    pads: tuple[int, ...]
    swatches: tuple[tuple[Triple, ...], ...]
    sd: tuple[float, ...]
    read_from_s: float | None = None
    read_until_s: float | None = None
    note: str = ""

    @property
    def lab(self) -> Array:
        """Return the swatches, shape (values, pads, 3)."""
        return np.array(self.swatches, dtype=np.float64)


@dataclass(frozen=True)
class StripKind:
    """One kind of strip, with the lot it was taught from.

    `light` is "card" where the key was photographed beside a card, "white_ground" where plain white ground was all.
    """

    name: str
    pads: tuple[Pad, ...]
    scales: tuple[Scale, ...]
    width_mm: float
    length_mm: float | None = None
    true_size: bool = True
    lot: str = ""
    expires_on: str | None = None
    light: str = "card"
    provenance: str = ""

    def expired(self, on: date) -> bool:
        """Return whether the lot's expiry lies before `on`."""
        return self.expires_on is not None and date.fromisoformat(self.expires_on) < on

    def scale_of(self, analyte: str) -> Scale | None:
        """Return the scale that reads an analyte, None where the strip has none."""
        return next((each for each in self.scales if each.analyte == analyte), None)


def to_entry(kind: StripKind) -> dict[str, Any]:
    """Return a kind as the JSON object that `from_entry` reads."""
    return {
        "format": FORMAT,
        "name": kind.name,
        "provenance": kind.provenance,
        "lot": kind.lot,
        "expires_on": kind.expires_on,
        "light": kind.light,
        "width_mm": kind.width_mm,
        "length_mm": kind.length_mm,
        "true_size": kind.true_size,
        "pads": [
            {
                "centre_mm": round(pad.centre_mm, 3),
                "length_mm": round(pad.length_mm, 3),
                "width_mm": round(pad.width_mm, 3),
                "dry_lab": None if pad.dry_lab is None else [round(v, 3) for v in pad.dry_lab],
            }
            for pad in kind.pads
        ],
        "scales": [
            {
                "analyte": scale.analyte,
                "unit": scale.unit,
                "values": list(scale.values),
                "pads": list(scale.pads),
                "swatches_lab": [[[round(v, 3) for v in lab] for lab in row] for row in scale.swatches],
                "swatch_sd": [round(v, 3) for v in scale.sd],
                "read_from_s": scale.read_from_s,
                "read_until_s": scale.read_until_s,
                "note": scale.note,
            }
            for scale in kind.scales
        ],
    }


def from_entry(entry: Mapping[str, Any]) -> StripKind:
    """Build a kind from its JSON object.

    Raises
    ------
    DesignInvalid
        If a field is missing or cannot be; the sentence names it.
    """
    try:
        if entry["format"] != FORMAT:
            raise _wrong(f"Its form is {entry['format']!r}, not {FORMAT!r}.")
        pads = tuple(_pad(each, number) for number, each in enumerate(entry["pads"], start=1))
        scales = tuple(_scale(each, len(pads)) for each in entry["scales"])
        expires_on = entry.get("expires_on")
        if expires_on is not None:
            date.fromisoformat(str(expires_on))
        kind = StripKind(
            name=str(entry["name"]).strip(),
            pads=pads,
            scales=scales,
            width_mm=_number(entry["width_mm"], "width_mm", above=0),
            length_mm=None if entry.get("length_mm") is None else _number(entry["length_mm"], "length_mm", above=0),
            true_size=bool(entry.get("true_size", True)),
            lot=str(entry.get("lot", "")),
            expires_on=None if expires_on is None else str(expires_on),
            light=str(entry.get("light", "card")),
            provenance=str(entry.get("provenance", "")),
        )
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise _wrong(f"A field is missing or wrong: {error}.") from error
    return _checked(kind)


def _checked(kind: StripKind) -> StripKind:
    """Return the kind if its parts fit together."""
    if not kind.name:
        raise _wrong("It has no name.")
    if not kind.pads or not kind.scales:
        raise _wrong("It needs one pad and one scale or more.")
    if kind.light not in ("card", "white_ground"):
        raise _wrong(f"light must be card or white_ground, got {kind.light!r}.")
    centres = [pad.centre_mm for pad in kind.pads]
    if any(b - a <= 0.5 * pad.length_mm for a, b, pad in zip(centres, centres[1:], kind.pads, strict=False)):
        raise _wrong("Its pads must follow each other from the tip, without overlap.")
    analytes = [scale.analyte for scale in kind.scales]
    if len(set(analytes)) < len(analytes):
        raise _wrong("Two scales read the same analyte; put their pads into one scale.")
    used = [number for scale in kind.scales for number in scale.pads]
    if len(set(used)) < len(used):
        raise _wrong("A pad is used by two scales.")
    return kind


def _pad(entry: Mapping[str, Any], number: int) -> Pad:
    dry = entry.get("dry_lab")
    return Pad(
        centre_mm=_number(entry["centre_mm"], f"centre_mm of pad {number}"),
        length_mm=_number(entry["length_mm"], f"length_mm of pad {number}", above=0),
        width_mm=_number(entry["width_mm"], f"width_mm of pad {number}", above=0),
        dry_lab=None if dry is None else _lab(dry, f"dry_lab of pad {number}"),
    )


def _scale(entry: Mapping[str, Any], pad_count: int) -> Scale:
    name = str(entry["analyte"]).strip()
    values = tuple(_number(v, f"a value of {name}") for v in entry["values"])
    if not name or len(values) < 2 or any(b <= a for a, b in itertools.pairwise(values)):
        raise _wrong(f"The values of {name or 'a scale'} must be two or more, each above the one before.")
    if name not in UNITLESS and values[0] < 0:
        raise _wrong(f"The values of {name} must be 0 or more.")
    pads = tuple(int(v) for v in entry["pads"])
    if not pads or any(not 0 <= v < pad_count for v in pads):
        raise _wrong(f"The pads of {name} must be numbers from 0 to {pad_count - 1}.")
    swatches = tuple(
        tuple(_lab(lab, f"a swatch of {name}") for lab in _listed(row, len(pads), name))
        for row in _listed(entry["swatches_lab"], len(values), name)
    )
    sd = entry.get("swatch_sd") or [SWATCH_SD] * len(values)
    return Scale(
        analyte=name,
        unit=str(entry.get("unit", "")),
        values=values,
        pads=pads,
        swatches=swatches,
        sd=tuple(_number(v, f"swatch_sd of {name}", above=0) for v in _listed(sd, len(values), name)),
        read_from_s=None if entry.get("read_from_s") is None else _number(entry["read_from_s"], "read_from_s"),
        read_until_s=None if entry.get("read_until_s") is None else _number(entry["read_until_s"], "read_until_s"),
        note=str(entry.get("note", "")),
    )


def _listed(value: Any, count: int, name: str) -> Sequence[Any]:
    if not isinstance(value, Sequence) or len(value) != count:
        raise _wrong(f"The key of {name} must have {count} entries, one for each value and pad.")
    return value


def _lab(value: Any, what: str) -> Triple:
    if not isinstance(value, Sequence) or len(value) != 3:
        raise _wrong(f"{what} must be three numbers, got {value!r}.")
    lightness, a, b = (_number(v, what) for v in value)
    return lightness, a, b


def _number(value: Any, what: str, *, above: float = -math.inf) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value) or value <= above:
        raise _wrong(f"{what} must be a number{'' if above == -math.inf else f' above {above:g}'}, got {value!r}.")
    return float(value)


def _wrong(sentence: str) -> DesignInvalid:
    return DesignInvalid(f"This is no strip kind that can be used. {sentence}", HINT)


def read_kind(path: Path) -> StripKind:
    """Read and check a kind's file.

    Raises
    ------
    DesignInvalid
        If the file is missing, no JSON, or no kind.
    """
    try:
        entry = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise _wrong(f"The file {path.name} cannot be read.") from error
    if not isinstance(entry, dict):
        raise _wrong(f"The file {path.name} holds no object.")
    return from_entry(entry)


def write_kind(kind: StripKind, path: Path) -> None:
    """Write a kind's file."""
    path.write_text(json.dumps(to_entry(kind), indent=1) + "\n", encoding="utf-8")


def load_generic() -> StripKind:
    """Return the one kind that is shipped: invented, for the demo's rendered strips."""
    return read_kind(DESIGNS / "strip_generic.json")
