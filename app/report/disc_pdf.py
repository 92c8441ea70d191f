"""Write the printable sighting disc as a true-size PDF, with how to make it, mount it and use it.

In: the disc's design. Out: two pages, A4 or US Letter, black on white.
"""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

from app.errors import TurnblueError
from app.report.card_pdf import SIZES_MM, Paper
from vision.specs import DiscDesign, load_disc

TEMPLATE = Path(__file__).with_name("disc.typ")
TOP_MM = 6.0
"""Where the disc begins on the page [mm]."""
ARC_DEG = 1.5
"""Longest step along an arc [degrees]: 0.03 mm off a circle of 100 mm."""

FIRST = (
    "Print at 100 % (no “fit to page”) in black at the best quality, on matte waterproof film or on paper to be sealed "
    "with matt film. The next page says how to mount and use it."
)
HOW = (
    "Check that the line measures 50 mm. Cut the disc out along its grey line.",
    "Glue it flat onto a stiff disc of the same size, of plastic or aluminium, that does not float. A matt surface: "
    "gloss mirrors the sky. Drill the middle for the screw that holds a weight where it is light.",
    "Fix it to the lower end of a telescopic pole by an angle bracket at its rim, so that it hangs level when the pole "
    "is upright and the pole stands beside it, never before it.",
    "Mark the pole every 5 cm (2 in) from the disc's face upwards; tape does. Depth is read at the water's surface.",
    "At the pool, lay the card beside the water as always, in the same light as the water where the disc hangs.",
    "Lower the disc within an arm's length or two of the edge, pole on the far side of it, until its outer ring is "
    "only just told apart; then raise it by a third. The disc must not touch the floor.",
    "One photo with the whole card and the whole disc in it, from close by and steeply down, the disc at least a "
    "twentieth of the picture's width. Keep glare off the disc.",
    "Read the depth off the pole and type it in with the photo. If the disc is lost from sight before, say so: that "
    "too bounds how far one sees.",
    "Replace the print when its black has greyed or its white has yellowed.",
)
"""Our own wording; common practice, no source."""

CAUTIONS = (
    "Keep a pole away from overhead lines and other electricity: a metal pole conducts. Use one of fibreglass where "
    "there is any doubt.",
    "Do not lean out over the water: what cannot be reached from a firm stand is not measured. Nobody enters water "
    "whose floor is not seen. Keep children and others away from the edge.",
    "Do not hold the disc in right after a dose: wait as the product's label says, and rinse disc and pole afterwards.",
)
"""Common practice, no source; labels and local codes come first."""


def write_disc_pdf(path: Path, *, paper: Paper = Paper.A4) -> None:
    """Write the sighting disc's print-ready pages.

    Parameters
    ----------
    path : Path
        Where the PDF goes; an existing file is replaced.
    paper : Paper
        The page.

    Raises
    ------
    TurnblueError
        If the file cannot be written.
    """
    import typst

    sheet = disc_sheet(load_disc(), paper=paper)
    pdf = typst.compile(TEMPLATE.read_bytes(), sys_inputs={"sheet": json.dumps(sheet)}, ignore_system_fonts=True)
    try:
        path.write_bytes(pdf)
    except OSError as error:
        raise TurnblueError(f"The disc could not be written to {path}.", "Choose a folder you can write to.") from error


def disc_sheet(design: DiscDesign, *, paper: Paper) -> dict[str, Any]:
    """Return everything the pages show, as data: black shapes [mm from the disc's middle], lines to read."""
    hub, quadrant = design.hub_radius_mm, design.quadrant_radius_mm
    black = [_sector(0.0, quadrant, 90, 180), _sector(0.0, quadrant, 270, 360), _sector(0.0, hub, 0, 360)]
    width = 360 / len(design.ring_code)
    start = None
    for place in range(len(design.ring_code) + 1):
        dark = place < len(design.ring_code) and design.ring_code[place] == "0"
        if dark and start is None:
            start = place
        elif not dark and start is not None:
            black.append(_sector(*design.ring_mm, start * width, place * width))
            start = None
    return {
        "title": design.name,
        "paper": SIZES_MM[paper],
        "top_mm": TOP_MM,
        "radius_mm": design.radius_mm,
        "black": black,
        "first": FIRST,
        "how": HOW,
        "cautions": CAUTIONS,
    }


def _sector(inner_mm: float, outer_mm: float, start_deg: float, end_deg: float) -> list[tuple[float, float]]:
    """Return the outline of a part of a ring; angles run clockwise on the page from the right."""
    count = max(2, math.ceil((end_deg - start_deg) / ARC_DEG) + 1)
    turns = [math.radians(start_deg + (end_deg - start_deg) * i / (count - 1)) for i in range(count)]
    outer = [(outer_mm * math.cos(turn), outer_mm * math.sin(turn)) for turn in turns]
    inner = [(inner_mm * math.cos(turn), inner_mm * math.sin(turn)) for turn in reversed(turns)]
    return outer + (inner if inner_mm > 0 else [(0.0, 0.0)])
