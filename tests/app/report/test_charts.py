"""The recovery's chart: what it holds, on which grounds, and that nothing is fetched."""

from datetime import UTC, datetime, timedelta

import pytest

from app.records import Assessment, Chemical, FilterKind, Pool, Recovery, Treatment, Visit
from app.report.charts import PALETTE, algae_rows, depth_rows, dose_rows, recovery_chart, recovery_panels
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
@pytest.mark.parametrize("narrow", [True, False], ids=["phone", "desktop"])
def test_the_panels_hold_their_rows_and_fetch_nothing(ground, narrow):
    panels = recovery_panels(RECOVERY, now=NOW, depth_unit="ft", m_per_unit=0.3048, ground=ground, narrow=narrow)
    specs = [panel.to_dict() for panel in panels]
    for spec in specs:
        assert "'url'" not in str(spec)
        assert "sodium hypochlorite 30 L" in str(spec)  # doses are marked on both
        assert spec["layer"][0]["encoding"]["y"]["scale"]["type"] == "log"
    assert PALETTE[ground].depth in str(specs[0])
    assert "Visible depth, ft" in str(specs[0])
    assert PALETTE[ground].algae in str(specs[1])


def test_both_panels_have_one_time_axis():
    domains = {
        str(layer["encoding"]["x"]["scale"]["domain"])
        for panel in recovery_panels(RECOVERY, now=NOW)
        for layer in panel.to_dict()["layer"]
        if layer["encoding"].get("x", {}).get("scale")
    }
    assert len(domains) == 1


def test_for_paper_both_are_one_chart_of_the_asked_width():
    spec = recovery_chart(RECOVERY, now=NOW, width_px=500).to_dict()
    assert [panel["width"] for panel in spec["vconcat"]] == [500, 500]
    assert "config" in spec


def test_an_empty_recovery_still_has_axes():
    empty = Recovery("r", POOL, START, None, ())
    assert all(panel.to_dict()["layer"] for panel in recovery_panels(empty, now=NOW))


def luminance_of(colour):
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    linear = [each / 12.92 if each <= 0.04045 else ((each + 0.055) / 1.055) ** 2.4 for each in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@pytest.mark.parametrize("ground", PALETTE, ids=str)
@pytest.mark.parametrize("ink", ["ink", "quiet", "depth", "algae", "dose"])
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
        ({"width_px": 0}, "width_px must be above 0"),
    ],
    ids=["ground", "unit", "width"],
)
def test_wrong_arguments_are_named(wrong, message):
    with pytest.raises(ValueError, match=message):
        recovery_chart(RECOVERY, now=NOW, **wrong)
