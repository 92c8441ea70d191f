"""The printed designs as checked data: which marks and which colours lie where on a card.

In: the JSON files of `vision/designs/`. Out: frozen designs. Lengths are in mm with the origin at the card's top
left corner, x to the right and y down; colours are sRGB 0 to 1.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vision import colour
from vision.errors import DesignInvalid
from vision.tuples import Point, Triple

DESIGNS = Path(__file__).parent / "designs"
"""Where the designs lie."""


@dataclass(frozen=True)
class MarkerDesign:
    """One printed marker: its OpenCV dictionary, its id, its corners clockwise from its own top left."""

    dictionary: str
    id: int
    corners_mm: tuple[Point, Point, Point, Point]


@dataclass(frozen=True)
class PatchDesign:
    """One colour patch. `reference_lab` (D65) is exact where `reference_srgb` had to be clipped to 0-1."""

    name: str
    rect_mm: tuple[float, float, float, float]
    reference_srgb: Triple
    reference_lab: Triple

    @property
    def centre_mm(self) -> Point:
        """Return the middle of the patch."""
        x, y, width, height = self.rect_mm
        return x + width / 2, y + height / 2


@dataclass(frozen=True)
class CardDesign:
    """A reference card: the project's own (`kind` turnblue) or the 24-patch chart (`kind` chart24).

    The chart has no fixed size: its unit is a tenth of the patch pitch.
    """

    kind: str
    name: str
    width_mm: float
    height_mm: float
    patches: tuple[PatchDesign, ...]
    markers: tuple[MarkerDesign, ...] = ()
    number_marker_dictionary: str | None = None
    number_marker_corners_mm: tuple[Point, ...] = ()
    strip_slot_mm: tuple[float, float, float, float] | None = None
    ground_srgb: Triple | None = None

    @property
    def corners_mm(self) -> NDArray[np.float64]:
        """Return the card's corners, shape (4, 2), clockwise from the top left."""
        w, h = self.width_mm, self.height_mm
        return np.array([[0, 0], [w, 0], [w, h], [0, h]], dtype=np.float64)

    @property
    def reference_lab(self) -> NDArray[np.float64]:
        """Return the patches' CIELAB (D65), shape (N, 3)."""
        return np.array([patch.reference_lab for patch in self.patches])

    @property
    def neutral(self) -> NDArray[np.bool_]:
        """Return which patches are neutral (chroma under 4), shape (N,)."""
        lab = self.reference_lab
        return np.asarray(np.hypot(lab[:, 1], lab[:, 2]) < 4)

    def to_json(self) -> dict[str, Any]:
        """Return the geometry that `turnblue card --json` prints."""
        return {
            "kind": self.kind,
            "name": self.name,
            "width_mm": self.width_mm,
            "height_mm": self.height_mm,
            "ground_srgb": None if self.ground_srgb is None else [round(v, 6) for v in self.ground_srgb],
            "markers": [
                {"dictionary": m.dictionary, "id": m.id, "corners_mm": [list(c) for c in m.corners_mm]}
                for m in self.markers
            ],
            "number_marker": {
                "dictionary": self.number_marker_dictionary,
                "corners_mm": [list(c) for c in self.number_marker_corners_mm],
            },
            "patches": [
                {
                    "name": p.name,
                    "rect_mm": list(p.rect_mm),
                    "reference_srgb": [round(v, 6) for v in p.reference_srgb],
                }
                for p in self.patches
            ],
            "strip_slot": None if self.strip_slot_mm is None else list(self.strip_slot_mm),
        }


def _numbers(value: object, count: int, what: str) -> tuple[float, ...]:
    """Return `value` as `count` finite floats, or say what is wrong with it."""
    if not isinstance(value, list) or len(value) != count:
        raise DesignInvalid(f"{what} must be {count} numbers, got {value!r}.")
    if not all(isinstance(v, (int, float)) and np.isfinite(v) for v in value):
        raise DesignInvalid(f"{what} must be {count} numbers, got {value!r}.")
    return tuple(float(v) for v in value)


def _corners(value: object, what: str) -> tuple[Point, Point, Point, Point]:
    if not isinstance(value, list) or len(value) != 4:
        raise DesignInvalid(f"{what} must be four corners, got {value!r}.")
    a, b, c, d = (_numbers(corner, 2, what) for corner in value)
    return (a[0], a[1]), (b[0], b[1]), (c[0], c[1]), (d[0], d[1])


def _patch(entry: Mapping[str, Any]) -> PatchDesign:
    name = str(entry["name"])
    x, y, w, h = _numbers(entry["rect_mm"], 4, f"rect_mm of patch {name}")
    if min(w, h) <= 0:
        raise DesignInvalid(f"rect_mm of patch {name} must have a width and a height above 0.")
    if "lab_d50" in entry:
        linear = colour.lab_d50_to_linear_rgb(_numbers(entry["lab_d50"], 3, f"lab_d50 of patch {name}"))
    else:
        srgb8 = _numbers(entry["reference_srgb8"], 3, f"reference_srgb8 of patch {name}")
        if min(srgb8) < 0 or max(srgb8) > 255:
            raise DesignInvalid(f"reference_srgb8 of patch {name} must lie in 0 to 255.")
        linear = colour.decode_srgb(np.array(srgb8) / 255)
    srgb = [float(v) for v in np.clip(colour.encode_srgb(linear), 0, 1)]
    lab = [float(v) for v in colour.linear_rgb_to_lab(linear)]
    return PatchDesign(name, (x, y, w, h), (srgb[0], srgb[1], srgb[2]), (lab[0], lab[1], lab[2]))


def read_design(path: Path) -> CardDesign:
    """Read and check a card design.

    Parameters
    ----------
    path : Path
        A JSON file of the form `turnblue.card/1` or `turnblue.chart/1`.

    Raises
    ------
    DesignInvalid
        If the file is no such JSON, a field is missing or a patch lies outside the card.
    """
    try:
        entry = json.loads(path.read_text(encoding="utf-8"))
        patches = tuple(_patch(each) for each in entry["patches"])
        markers = tuple(
            MarkerDesign(str(m["dictionary"]), int(m["id"]), _corners(m["corners_mm"], f"marker {m['id']}"))
            for m in entry.get("markers", ())
        )
        number = entry.get("number_marker")
        slot = entry.get("strip_slot_mm")
        ground = entry.get("ground_srgb8")
        ground_srgb = _numbers(ground, 3, "ground_srgb8") if ground is not None else None
        slot_mm = _numbers(slot, 4, "strip_slot_mm") if slot is not None else None
        design = CardDesign(
            kind=str(entry["kind"]),
            name=str(entry["name"]),
            width_mm=float(entry["width_mm"]),
            height_mm=float(entry["height_mm"]),
            patches=patches,
            markers=markers,
            number_marker_dictionary=None if number is None else str(number["dictionary"]),
            number_marker_corners_mm=() if number is None else _corners(number["corners_mm"], "number_marker"),
            strip_slot_mm=None if slot_mm is None else (slot_mm[0], slot_mm[1], slot_mm[2], slot_mm[3]),
            ground_srgb=None
            if ground_srgb is None
            else (ground_srgb[0] / 255, ground_srgb[1] / 255, ground_srgb[2] / 255),
        )
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise DesignInvalid(
            f"The design file {path.name} cannot be used: {error!r}.", "Install Turnblue again."
        ) from error
    for patch in design.patches:
        x, y, w, h = patch.rect_mm
        if x < 0 or y < 0 or x + w > design.width_mm or y + h > design.height_mm:
            raise DesignInvalid(f"Patch {patch.name} of {path.name} lies outside the card.")
    if len({patch.name for patch in design.patches}) != len(design.patches):
        raise DesignInvalid(f"Two patches of {path.name} have the same name.")
    return design


@cache
def load_card() -> CardDesign:
    """Return the project's own printable card."""
    return read_design(DESIGNS / "card.json")


@cache
def load_chart24() -> CardDesign:
    """Return the 24-patch colour rendition chart, six columns by four rows from dark skin to black."""
    return read_design(DESIGNS / "chart24.json")


@dataclass(frozen=True)
class DiscDesign:
    """The sighting disc: four quadrants, and around them a ring of sectors that tells disc and turn.

    Lengths in mm from the disc's middle; angles run clockwise as printed from the x axis. The quadrants from 0 and from
    180 degrees are white, the others black. `ring_code` has one letter a sector, 1 white; the hub is where the
    screw goes that holds it. `black_reflectance` is the print's black over the paper's white.
    """

    name: str
    radius_mm: float
    hub_radius_mm: float
    quadrant_radius_mm: float
    ring_mm: tuple[float, float]
    ring_code: str
    black_reflectance: float

    def to_json(self) -> dict[str, Any]:
        """Return the geometry that `turnblue card --disc --json` prints."""
        return {"kind": "disc"} | {name: getattr(self, name) for name in self.__dataclass_fields__}


@cache
def load_disc() -> DiscDesign:
    """Return the project's own sighting disc.

    Raises
    ------
    DesignInvalid
        If its file cannot be used.
    """
    try:
        entry = json.loads((DESIGNS / "disc.json").read_text(encoding="utf-8"))
        ring = _numbers(entry["ring_mm"], 2, "ring_mm")
        design = DiscDesign(
            name=str(entry["name"]),
            radius_mm=float(entry["radius_mm"]),
            hub_radius_mm=float(entry["hub_radius_mm"]),
            quadrant_radius_mm=float(entry["quadrant_radius_mm"]),
            ring_mm=(ring[0], ring[1]),
            ring_code=str(entry["ring_code"]),
            black_reflectance=float(entry["black_reflectance"]),
        )
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise DesignInvalid(
            f"The design file disc.json cannot be used: {error!r}.", "Install Turnblue again."
        ) from error
    radii = (0.0, design.hub_radius_mm, design.quadrant_radius_mm, *design.ring_mm, design.radius_mm)
    if list(radii) != sorted(radii) or set(design.ring_code) != {"0", "1"} or not 0 <= design.black_reflectance < 1:
        raise DesignInvalid("The sighting disc's radii, ring or black are out of order.", "Install Turnblue again.")
    return design
