"""Write pools' QR tags as a true-size PDF, to be cut out and hung at each pool's equipment.

In: pools by id and name, the dashboard's address. Out: A4 or US Letter pages, six tags each. The tag's own square holds
an opaque code; the name is printed for who hangs it up.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from app.report.card_pdf import SIZES_MM, Paper
from app.tag import tag_text

TEMPLATE = Path(__file__).with_name("tags.typ")

SIDE_MM = 56.0
"""Side of the code without its quiet zone [mm]: read in photos from a metre away (our own trials on rendered tags)."""

QUIET_MODULES = 4
"""White modules around the code: ISO/IEC 18004:2015, quiet zone of model 2 codes; from memory."""

CORRECTION = "q"
"""Error correction: about a quarter of the code may be dirty or torn (ISO/IEC 18004:2015, level Q; from memory)."""

HOW = "Begin each visit with a photo of this tag: then the water beside the card, then the test strip in its slot."
"""Our own wording."""


def tags_pdf(pools: Sequence[tuple[str, str]], *, address: str = "", paper: Paper = Paper.A4) -> bytes:
    """Return the pages as a PDF.

    Parameters
    ----------
    pools : sequence of (str, str)
        Id and name of each pool.
    address : str
        Where the dashboard is reached, so that a phone's camera opens the pool's new visit; empty where not known.
    paper : Paper
        The page.
    """
    import typst

    sheet = tags_sheet(pools, address=address, paper=paper)
    return bytes(
        typst.compile(TEMPLATE.read_bytes(), sys_inputs={"sheet": json.dumps(sheet)}, ignore_system_fonts=True)
    )


def tags_sheet(pools: Sequence[tuple[str, str]], *, address: str, paper: Paper) -> dict[str, Any]:
    """Return everything the pages show, as data: each tag's dark runs as shares of its side, names, lines to read."""
    tags = [{"name": name, "runs": dark_runs(tag_text(pool_id, address))} for pool_id, name in pools]
    return {"title": "Turnblue pool tags", "paper": SIZES_MM[paper], "side_mm": SIDE_MM, "tags": tags, "how": HOW}


def modules(text: str) -> tuple[tuple[bool, ...], ...]:
    """Return a QR code's modules row by row, dark ones true, without the quiet zone."""
    import segno

    return tuple(tuple(bool(each) for each in row) for row in segno.make_qr(text, error=CORRECTION).matrix)


def dark_runs(text: str) -> list[tuple[float, float, float, float]]:
    """Return a code's dark runs as x, y, width, height, in shares of its side."""
    rows = modules(text)
    unit, runs = 1 / len(rows), []
    for y, row in enumerate(rows):
        start = None
        for x, dark in enumerate((*row, False)):
            if dark and start is None:
                start = x
            elif not dark and start is not None:
                runs.append((start * unit, y * unit, (x - start) * unit, unit))
                start = None
    return runs
