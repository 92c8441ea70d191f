"""The look holds in the sun: contrast of every ink on every ground, large targets, no colour without a word."""

import re
from pathlib import Path

import pytest

import app.dashboard
from app.dashboard import start, widgets
from app.dashboard.start import dashboard_command, dashboard_environment
from app.records import Standing
from app.report.charts import PALETTE
from vision.results import Clarity, Severity

CSS = (Path(app.dashboard.__file__).parent / "theme.css").read_text(encoding="utf-8")


def luminance(colour):
    # WCAG 2.2, "relative luminance": sRGB to linear with the standard's own constants.
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    linear = [each / 12.92 if each <= 0.04045 else ((each + 0.055) / 1.055) ** 2.4 for each in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one, other):
    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def colours(ground):
    blocks = re.findall(r":root \{([^}]*)\}", CSS)
    return dict(re.findall(r"--tb-([a-z-]+): (#[0-9A-F]{6})", blocks[0 if ground == "light" else 1]))


def test_contrast_is_computed_right():
    # WCAG 2.2: black on white is 21:1.
    assert contrast("#000000", "#FFFFFF") == pytest.approx(21.0, abs=1e-9)


@pytest.mark.parametrize("ground", ["light", "dark"])
@pytest.mark.parametrize(
    ("ink", "paper", "least"),
    [
        ("ink", "paper", 12.0),  # read in full sun: far above the 7:1 of WCAG 2.2 level AAA
        ("ink", "sheet", 12.0),
        ("ink", "caution-sheet", 12.0),
        ("ink", "alert-sheet", 12.0),
        ("quiet", "paper", 7.0),  # WCAG 2.2 1.4.6, AAA
        ("quiet", "sheet", 7.0),
        ("alert", "alert-sheet", 4.5),  # WCAG 2.2 1.4.3, AA
        ("accent", "sheet", 4.5),
        ("on-accent", "accent", 4.5),
        ("good", "paper", 4.5),
        ("depth", "sheet", 3.0),  # WCAG 2.2 1.4.11, graphics
        ("algae", "sheet", 3.0),
        ("caution-line", "caution-sheet", 3.0),
    ],
)
def test_contrast(ground, ink, paper, least):
    named = colours(ground)
    assert contrast(named[ink], named[paper]) >= least


@pytest.mark.parametrize("ground", ["light", "dark"])
def test_the_theme_and_the_style_sheet_agree(ground):
    named = colours(ground)
    assert start.LOOK[f"theme.{ground}.backgroundColor"] == named["paper"]
    assert start.LOOK[f"theme.{ground}.textColor"] == named["ink"]
    assert start.LOOK[f"theme.{ground}.primaryColor"] == named["accent"]


def test_nothing_is_reported_and_no_traceback_is_shown():
    command = dashboard_command(port=8700)
    assert "--browser.gatherUsageStats=false" in command
    assert "--client.showErrorDetails=none" in command
    assert "--server.address=127.0.0.1" in command


def test_the_style_sheet_fetches_nothing():
    assert "http" not in CSS
    assert "@import" not in CSS


@pytest.mark.parametrize("port", [0, 65536], ids=str)
def test_no_such_port(port):
    with pytest.raises(ValueError, match="port must be 1 to 65535"):
        dashboard_command(port=port)


def test_the_environment_names_the_log_and_keeps_the_path(tmp_path):
    environment = dashboard_environment(tmp_path, {"PYTHONPATH": "elsewhere", "LANG": "C"})
    assert environment["TURNBLUE_HOME"] == str(tmp_path)
    assert environment["PYTHONPATH"].endswith(":elsewhere")
    assert environment["LANG"] == "C"


@pytest.mark.parametrize("standing", Standing, ids=str)
def test_every_standing_has_a_shape(standing):
    shape, tone = widgets.STANDING_MARK[standing]
    assert shape in widgets.SHAPES
    assert tone in ("", "act", "good")


@pytest.mark.parametrize(("grade", "full"), [(Clarity.OPAQUE, 1), (Clarity.HAZY, 3), (Clarity.CRYSTAL, 5)], ids=str)
def test_clarity_is_a_word_and_a_place_on_a_scale(grade, full):
    piece = widgets.clarity_html(grade)
    assert grade.value.capitalize() in piece
    assert piece.count('class="on"') == full


@pytest.mark.parametrize(("grade", "full"), [(Severity.NONE, 0), (Severity.LIGHT, 2), (Severity.HEAVY, 4)], ids=str)
def test_severity_is_a_word_and_a_place_on_a_scale(grade, full):
    piece = widgets.severity_html(grade)
    assert grade.value.capitalize() in piece
    assert piece.count('class="on"') == full


def test_what_comes_from_outside_is_escaped():
    assert "<script>" not in widgets.say_html("<script>", "<script>")
    assert "<b onclick" not in widgets.facts_html([("<b onclick", "<b onclick")])
    assert '"><img' not in widgets.picture_html(None, "", missing='"><img')


@pytest.mark.parametrize("ground", ["light", "dark"])
def test_charts_are_drawn_in_the_pages_own_colours(ground):
    named, palette = colours(ground), PALETTE[ground]
    drawn = {name: getattr(palette, name) for name in ("paper", "ink", "quiet", "line", "depth", "algae", "good")}
    assert drawn == {name: named[name] for name in drawn}
    assert palette.dose == named["alert"]
