"""The recovery's chart: what it holds, where it is drawn, on which grounds, and that nothing is fetched."""

import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from xml.etree import ElementTree

import pytest

from app.records import Assessment, Chemical, FilterKind, Pool, Recovery, Treatment, Visit
from app.report.charts import DAY_PX, PALETTE, WIDTHS_PX, algae_rows, depth_rows, dose_rows, draw_recovery
from app.words import translate
from vision.results import Clarity, Interval, Severity

START = datetime(2026, 6, 1, 9, tzinfo=UTC)
POOL = Pool("p", "Oak Street 12", 50_000.0, FilterKind.SAND)


def chart_visit(number, depth=None, algae=1.0, high=True, usable=True, poured=()):
    assessment = None
    if depth is not None:
        assessment = Assessment(
            f"m{number}",
            "0" * 64,
            usable,
            clarity=Clarity.CLOUDY,
            severity=Severity.NONE,
            visible_depth_m=Interval(depth * 0.8, depth, depth * 1.25 if high else None),
            chlorophyll_ug_l=Interval(algae * 0.5, algae, algae * 2),
        )
    return Visit(f"v{number}", "r", START + timedelta(days=number), "Kit", assessment, treatments=poured)


CHLORINE = Treatment(Chemical.SODIUM_HYPOCHLORITE, 30.0, "L", 12.5)
RECOVERY = Recovery(
    "r",
    POOL,
    START,
    None,
    (
        chart_visit(0, 0.3, 180.0, poured=(CHLORINE,)),
        chart_visit(1, 9.9, usable=False),
        chart_visit(2),
        chart_visit(3, 3.0, 0.4, high=False),
    ),
)
NOW = START + timedelta(days=4)


def test_only_usable_measurements_are_drawn_in_the_shown_unit():
    rows = depth_rows(RECOVERY, m_per_unit=0.3048)
    assert [row["at"] for row in rows] == [START.isoformat(), (START + timedelta(days=3)).isoformat()]
    # 0.3 m in feet, by the exact foot.
    assert rows[0]["mid"] == pytest.approx(0.3 / 0.3048, rel=1e-12)
    assert rows[0]["low"] < rows[0]["mid"] < rows[0]["high"]


def test_a_bound_from_below_is_marked_as_such():
    assert [row["bound"] for row in depth_rows(RECOVERY)] == [False, True]


def test_algae_below_the_axis_are_drawn_on_its_edge():
    assert algae_rows(RECOVERY)[-1]["mid"] == 1.0


def test_doses_are_named():
    assert dose_rows(RECOVERY) == [{"at": START.isoformat(), "poured": "sodium hypochlorite 30 L"}]


@pytest.mark.parametrize("ground", PALETTE, ids=str)
@pytest.mark.parametrize("size", WIDTHS_PX, ids=str)
def test_the_chart_holds_its_rows_and_fetches_nothing(ground, size):
    drawn = draw_recovery(RECOVERY, now=NOW, depth_unit="ft", m_per_unit=0.3048, ground=ground, size=size)
    root = ElementTree.fromstring(drawn)
    assert root.get("width") == f"{WIDTHS_PX[size]:g}"
    assert "href" not in drawn
    assert "Visible depth, ft" in drawn
    # Two measured visits: a dot each on the upper panel; the one bound from below has its triangle.
    assert drawn.count("<circle") == 2
    # One dose, a dashed line on each panel.
    assert drawn.count("stroke-dasharray") == 2
    assert {PALETTE[ground].depth, PALETTE[ground].algae} <= set(re.findall(r"#[0-9A-F]{6}", drawn))


def test_a_later_photo_lies_to_the_right_and_a_deeper_view_higher():
    drawn = draw_recovery(RECOVERY, now=NOW)
    first, later = re.findall(r'<circle cx="([0-9.]+)" cy="([0-9.]+)"', drawn)
    assert float(first[0]) < float(later[0])
    # Heights are counted from the top.
    assert float(first[1]) > float(later[1])


def test_all_that_is_drawn_lies_on_the_paper():
    forecast = Interval(1.0, 3.0, 9.0)
    for size, width in WIDTHS_PX.items():
        drawn = draw_recovery(RECOVERY, now=NOW, days_to_clear=forecast, size=size)
        places = [float(each) for each in re.findall(r' c?x[12]?="([-0-9.]+)"', drawn)]
        assert min(places) >= 0
        assert max(places) <= width


def test_no_two_days_names_meet():
    long = replace(RECOVERY, opened_at=START - timedelta(days=90))
    drawn = draw_recovery(long, now=NOW, size="narrow")
    days = [
        float(each)
        for each in re.findall(r'<text x="([0-9.]+)" y="[0-9.]+" font-size="14" text-anchor="middle"', drawn)
    ]
    assert len(days) > 2
    assert min(later - day for day, later in pairwise(days)) >= DAY_PX


def test_the_chart_speaks_its_readers_language():
    drawn = draw_recovery(RECOVERY, now=NOW, speech=translate("es"))
    assert "Profundidad" in drawn
    assert "Visible depth" not in drawn


def test_an_empty_recovery_still_has_axes():
    drawn = draw_recovery(Recovery("r", POOL, START, None, ()), now=NOW)
    assert drawn.count("<rect") > 2
    assert "<circle" not in drawn


def luminance_of(colour):
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    linear = [each / 12.92 if each <= 0.04045 else ((each + 0.055) / 1.055) ** 2.4 for each in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@pytest.mark.parametrize("ground", PALETTE, ids=str)
@pytest.mark.parametrize("ink", ["ink", "quiet", "depth", "algae", "dose", "good"])
def test_every_ink_stands_on_its_ground(ground, ink):
    # WCAG 2.2 1.4.3 asks 4.5:1 of text; we hold lines and points to it too.
    palette = PALETTE[ground]
    high, low = sorted((luminance_of(getattr(palette, ink)), luminance_of(palette.paper)), reverse=True)
    assert (high + 0.05) / (low + 0.05) >= 4.5


@pytest.mark.parametrize(
    ("wrong", "message"),
    [
        ({"ground": "grey"}, "ground must be one of"),
        ({"m_per_unit": 0.0}, "m_per_unit must be above 0"),
        ({"size": "huge"}, "size must be one of"),
    ],
    ids=["ground", "unit", "size"],
)
def test_wrong_arguments_are_named(wrong, message):
    with pytest.raises(ValueError, match=message):
        draw_recovery(RECOVERY, now=NOW, **wrong)
