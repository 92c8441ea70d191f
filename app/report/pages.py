"""Lays a report out: a PDF for paper and mail, a PNG for a text message; both made from the same content.

In: `Report`, its pictures as bytes. Out: the file's bytes. Every picture is handed in already without EXIF, and typst
writes no date into the file, so the same content makes the same bytes.
"""

from __future__ import annotations

import json
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

from app.report.content import Report
from app.report.depth_chart import draw_depth
from app.report.evidence import Exhibit, evidence_says, evidence_title
from app.words import translate

PAPER_MM = {"us": (215.9, 279.4), "metric": (210.0, 297.0)}
"""Width and height: ANSI/ASME Y14.1 size A (Letter) and ISO 216:2007 A4, both from memory."""

PICTURE_WIDTH_PX = 1080
"""Width of the picture for a text message [px]: what most phones keep of a picture sent (common practice)."""


def make_pdf(
    report: Report,
    pictures: Mapping[str, bytes],
    *,
    logo: bytes | None = None,
    exhibits: Sequence[Exhibit] = (),
    units: str = "us",
) -> bytes:
    """Return the report as a PDF.

    Parameters
    ----------
    report : Report
        What it says.
    pictures : mapping
        JPEG bytes by name: "before" and "now"; a visit's sha256, small; "original-" and an exhibit's sha256.
    logo : bytes, optional
        The company's logo as PNG.
    exhibits : sequence of Exhibit
        Evidence pages; none unless asked for.
    units : str
        "us" for Letter, "metric" for A4.
    """
    return _compile("report.typ", report, pictures, logo, exhibits, PAPER_MM[units], form="pdf")


def make_png(report: Report, pictures: Mapping[str, bytes], *, logo: bytes | None = None) -> bytes:
    """Return the report as one picture, `PICTURE_WIDTH_PX` wide and as tall as it needs."""
    return _compile("picture.typ", report, pictures, logo, (), PAPER_MM["us"], form="png")


def _compile(
    template: str,
    report: Report,
    pictures: Mapping[str, bytes],
    logo: bytes | None,
    exhibits: Sequence[Exhibit],
    paper_mm: tuple[float, float],
    *,
    form: str,
) -> bytes:
    """Lay the files out in a folder of their own and let typst make the page."""
    import typst

    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        for name, content in pictures.items():
            (folder / f"{name}.jpg").write_bytes(content)
        if logo is not None:
            (folder / "logo.png").write_bytes(logo)
        (folder / "chart.svg").write_text(draw_depth(report.chart, title=report.chart_title), encoding="utf-8")
        said = page_data(report, pictures, exhibits, logo is not None, paper_mm)
        (folder / "data.json").write_text(json.dumps(said), encoding="utf-8")
        main = folder / "main.typ"
        main.write_bytes(Path(__file__).with_name(template).read_bytes())
        # One point of the picture's page is one pixel.
        more: dict[str, Any] = {"ppi": 72.0} if form == "png" else {}
        made = typst.compile(str(main), root=str(folder), format=form, ignore_system_fonts=True, **more)
    if not isinstance(made, bytes):
        raise TypeError(f"typst must make one page of {template}, made {type(made).__name__}")
    return made


def page_data(
    report: Report,
    pictures: Mapping[str, bytes],
    exhibits: Sequence[Exhibit],
    has_logo: bool,
    paper_mm: tuple[float, float],
) -> dict[str, Any]:
    """Return what the templates read; a photo without its picture is left out."""
    _ = translate(report.language)
    said = asdict(report)

    def file_of(name: str) -> str:
        return f"{name}.jpg" if name in pictures else ""

    for name in ("before", "now"):
        if name not in pictures:
            said[name] = None
    # With one picture only, it is shown alone and large.
    if said["now"] is None and said["before"] is not None:
        said["before"] = None
    return {
        **said,
        "chart": bool(report.chart.marks),
        "visits": [{**asdict(each), "file": file_of(each.sha256)} for each in report.visits],
        "logo": has_logo,
        "paper": paper_mm,
        "evidence_title": evidence_title(_),
        "evidence_says": evidence_says(_),
        "exhibits": [{**asdict(each), "file": file_of(f"original-{each.sha256}")} for each in exhibits],
    }
