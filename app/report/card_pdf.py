"""Write the printable reference card as a true-size PDF, with how to print and use it.

In: the card's design and a card number. Out: one page, A4 or US Letter, colours given as sRGB.
"""

from __future__ import annotations

import json
from enum import StrEnum
from pathlib import Path
from typing import Any

from app.errors import TurnblueError
from app.words import mark
from vision.specs import CardDesign, load_card

TEMPLATE = Path(__file__).with_name("card.typ")
LARGEST_NUMBER = 999
"""Card numbers run from 0: the number mark's dictionary holds a thousand."""
TOP_MM = 22.0
"""Where the card begins on the page [mm]."""

HOW = (
    mark(
        "Print at 100 % (no “fit to page”) on matte, waterproof paper or film, in colour at the "
        "printer's best quality. "
        "The line on the card must measure 20 mm."
    ),
    mark("Cut along the marks. Do not laminate with gloss film: it mirrors the sun."),
    mark(
        "At the pool, lay the card flat on the coping beside the water, dry, in the same light as the "
        "water: both in sun "
        "or both in shade. Keep fingers off its corners."
    ),
    mark(
        "Stand at the edge, look down into the water, the deep end if you can. Card in the picture, at "
        "least a tenth of "
        "its width; water over more than half of it."
    ),
    mark("Test strip: dip, lay it in the slot, wait the time on its label, take the picture straight from above."),
    mark("Store the card dark and dry. Replace it when its colours fade, or each season."),
)
"""Our own wording; common practice, no source."""

SMALL = mark(
    "Lean over no water alone and keep children away from the edge. Handle test chemicals and pool chemicals as their "
    "labels say."
)


class Paper(StrEnum):
    """Page sizes the card is printed on."""

    A4 = "a4"
    LETTER = "letter"


SIZES_MM = {Paper.A4: (210.0, 297.0), Paper.LETTER: (215.9, 279.4)}
"""Width and height: ISO 216:2007 (A4) and ANSI/ASME Y14.1 size A (Letter), both from memory."""


def write_card_pdf(path: Path, *, card_number: int = 0, paper: Paper = Paper.A4) -> None:
    """Write the card's print-ready page.

    Parameters
    ----------
    path : Path
        Where the PDF goes; an existing file is replaced.
    card_number : int
        The number printed and encoded on the card, 0 to `LARGEST_NUMBER`.
    paper : Paper
        The page.

    Raises
    ------
    TurnblueError
        If the number is out of range or the file cannot be written.
    """
    import typst

    if not 0 <= card_number <= LARGEST_NUMBER:
        raise TurnblueError(
            f"A card number lies between 0 and {LARGEST_NUMBER}, not {card_number}.", "Choose another number."
        )
    sheet = card_sheet(load_card(), card_number=card_number, paper=paper)
    pdf = typst.compile(TEMPLATE.read_bytes(), sys_inputs={"sheet": json.dumps(sheet)}, ignore_system_fonts=True)
    try:
        path.write_bytes(pdf)
    except OSError as error:
        raise TurnblueError(f"The card could not be written to {path}.", "Choose a folder you can write to.") from error


def card_sheet(design: CardDesign, *, card_number: int, paper: Paper) -> dict[str, Any]:
    """Return everything the page shows, as data: patches, dark cells of the marks, lines to read."""
    cells = []
    for marker in design.markers:
        cells += _dark_cells(marker.dictionary, marker.id, marker.corners_mm[0], marker.corners_mm[2])
    corners = design.number_marker_corners_mm
    cells += _dark_cells(str(design.number_marker_dictionary), card_number, corners[0], corners[2])
    return {
        "title": "Turnblue reference card",
        "paper": SIZES_MM[paper],
        "top_mm": TOP_MM,
        "width_mm": design.width_mm,
        "height_mm": design.height_mm,
        "patches": [
            {"rect": patch.rect_mm, "rgb": [round(255 * value) for value in patch.reference_srgb]}
            for patch in design.patches
        ],
        "dark_cells": cells,
        "strip_slot": design.strip_slot_mm,
        "number": f"{card_number:03d}",
        "how": HOW,
        "small": SMALL,
    }


def _dark_cells(
    dictionary: str, marker_id: int, low: tuple[float, float], high: tuple[float, float]
) -> list[tuple[float, float, float, float]]:
    """Return the black runs of a marker as rectangles x, y, width, height [mm], one run a row."""
    import cv2

    named = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, dictionary))
    count = named.markerSize + 2
    bits = cv2.aruco.generateImageMarker(named, marker_id, count, borderBits=1)
    side = (high[0] - low[0]) / count
    runs = []
    for row in range(count):
        start = None
        for column in range(count + 1):
            dark = column < count and bits[row, column] == 0
            if dark and start is None:
                start = column
            elif not dark and start is not None:
                runs.append((low[0] + start * side, low[1] + row * side, (column - start) * side, side))
                start = None
    return runs
