"""The sighting disc's print: the data it shows, against the design; the file; the command."""

from __future__ import annotations

import json

import numpy as np
import pytest
from click.testing import CliRunner

from app.cli import main
from app.errors import TurnblueError
from app.report.card_pdf import SIZES_MM, Paper
from app.report.disc_pdf import CAUTIONS, TOP_MM, disc_sheet, write_disc_pdf
from vision.discfind import print_of
from vision.specs import load_disc


def inside(shape: list[tuple[float, float]], x: float, y: float) -> bool:
    """Return whether a point lies in a polygon (crossings of a ray)."""
    within = False
    for (x0, y0), (x1, y1) in zip(shape, shape[1:] + shape[:1], strict=True):
        if (y0 > y) != (y1 > y) and x < x0 + (y - y0) / (y1 - y0) * (x1 - x0):
            within = not within
    return within


def test_what_is_printed_is_what_is_looked_for():
    design = load_disc()
    sheet = disc_sheet(design, paper=Paper.LETTER)
    rng = np.random.default_rng(1)
    for _ in range(300):
        radius, turn = rng.uniform(2, 98), rng.uniform(0, 2 * np.pi)
        if min(abs(radius - edge) for edge in (6, 66, 70, 95)) < 0.5 or np.degrees(turn) % 15 < 0.5:
            continue
        x, y = radius * np.cos(turn), radius * np.sin(turn)
        black = any(inside(shape, x, y) for shape in sheet["black"])
        assert black == (print_of(design, np.array([x]), np.array([y]))[0][0] < 0.5)


@pytest.mark.parametrize("paper", list(Paper))
def test_the_disc_fits_its_page(paper):
    width, height = SIZES_MM[paper]
    assert 2 * load_disc().ring_mm[1] + 2 * 6 < width
    assert TOP_MM + 2 * load_disc().radius_mm + 40 < height


def test_the_command_writes_two_pages(tmp_path):
    path = tmp_path / "disc.pdf"
    ran = CliRunner().invoke(main, ["card", "--disc", str(path)])
    assert ran.exit_code == 0, ran.output
    content = path.read_bytes()
    assert content.startswith(b"%PDF")
    assert b"/Count 2" in content


def test_the_command_says_the_geometry():
    ran = CliRunner().invoke(main, ["card", "--disc", "--json"])
    assert ran.exit_code == 0, ran.output
    told = json.loads(ran.output)
    assert told["kind"] == "disc"
    assert told["ring_code"] == load_disc().ring_code


def test_a_folder_that_is_not_there_is_said(tmp_path):
    with pytest.raises(TurnblueError, match="could not be written"):
        write_disc_pdf(tmp_path / "nowhere" / "disc.pdf")


def test_electricity_and_drowning_are_cautioned():
    said = " ".join(CAUTIONS)
    assert "overhead lines" in said
    assert "lean out" in said
