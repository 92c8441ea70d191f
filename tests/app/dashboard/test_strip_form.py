"""The strip at a visit and the page that teaches kinds: what is shown, timed, corrected and put into the log."""

from datetime import UTC, datetime

import pytest
from fake_measuring import FakeMeasurer
from on_page import open_page, said

from app import actions, measuring, strips
from app.dashboard.pages.strips import corrected, moved, row_html
from app.dashboard.strip_form import range_say, timer_html
from app.dashboard.visit_form import only_photos
from app.records import FilterKind, Method, Pool, Reading, Visit
from models.simulator.stripdyes import KINDS
from tests.vision.strip_scenes import true_kind
from vision.strip_key import Swatch, TypedScale

NOW = datetime(2026, 6, 3, 9, 15, tzinfo=UTC)
SQUARE = ((0.0, 0.0), (10.0, 0.0), (10.0, 8.0), (0.0, 8.0))


@pytest.fixture
def home(tmp_path, monkeypatch):
    monkeypatch.setenv("TURNBLUE_HOME", str(tmp_path / "log"))
    monkeypatch.setattr(measuring, "shipped_measurer", lambda: FakeMeasurer())
    return tmp_path / "log"


@pytest.mark.parametrize(
    ("seconds", "say"),
    [(3, "wait: 12 s to go"), (20, "photograph it now"), (61, "dip a fresh strip")],
    ids=["early", "in time", "late"],
)
def test_the_timer_says_what_to_do(seconds, say):
    assert say in timer_html(seconds, 15.0, 60.0)


def test_a_range_with_an_open_end_says_so():
    plain = Reading("ph", 7.4, 7.31, 7.52, "", Method.STRIP_PHOTO)
    above = Reading("free_chlorine", 10.0, 8.0, 100.0, "mg/L", Method.STRIP_PHOTO, ("above_last_swatch",))
    assert range_say(plain) == "7.3 to 7.5"
    assert range_say(above) == "10 or more"


def test_a_visit_begun_by_a_strip_is_offered_again():
    ph = Reading("ph", 7.4, 7.3, 7.5, "", Method.STRIP_PHOTO)
    assert only_photos(Visit("v", "r", NOW, "Kit", readings=(ph,)))
    typed = Reading("ph", 7.4, 7.3, 7.5, "", Method.DROP_COUNT)
    assert not only_photos(Visit("v", "r", NOW, "Kit", readings=(ph, typed)))


def test_without_a_kind_the_visit_leads_to_teaching(home):
    with actions.open_log(home) as log:
        pool = actions.add_pool(log, Pool("oak", "Oak", 50_000.0, FilterKind.SAND), at=NOW)
        recovery = actions.open_recovery(log, pool.id, at=NOW)
    assert "No kind of strip was taught yet." in said(open_page("visit", recovery=recovery.id))


def test_the_dip_starts_the_timer(home):
    with actions.open_log(home) as log:
        pool = actions.add_pool(log, Pool("oak", "Oak", 50_000.0, FilterKind.SAND), at=NOW)
        recovery = actions.open_recovery(log, pool.id, at=NOW)
        strips.save_kind(log, true_kind(KINDS[1]), at=NOW)
    at = open_page("visit", recovery=recovery.id)
    assert "Since the dip" not in said(at)
    next(each for each in at.button if each.label == "Dipped now").click().run()
    assert "Since the dip" in said(at)


def test_a_strips_readings_are_shown_with_their_range_and_survive_saving(home):
    strip = Reading("ph", 7.43, 7.31, 7.52, "", Method.STRIP_PHOTO)
    bleached = Reading("free_chlorine", 0.0, 0.0, 0.4, "mg/L", Method.STRIP_PHOTO, ("chlorine_bleached",))
    with actions.open_log(home) as log:
        pool = actions.add_pool(log, Pool("oak", "Oak", 50_000.0, FilterKind.SAND), at=NOW)
        recovery = actions.open_recovery(log, pool.id, at=NOW)
        visit = actions.log_visit(log, recovery.id, at=NOW, by="Kit", readings=[strip, bleached]).visit
    at = open_page("visit", recovery=recovery.id, visit=visit.id)
    assert any(each.label.startswith("pH: 7.3 to 7.5") for each in at.number_input)
    assert "1:10" in said(at)
    next(each for each in at.number_input if each.label.startswith("Free chlorine:")).set_value(3.0)
    next(each for each in at.button if each.label == "Save the visit").click().run()
    assert not at.exception
    with actions.open_log(home) as log:
        kept = {each.analyte: each for each in actions.recovery(log, recovery.id).visits[0].readings}
    # Untouched it stays as measured; corrected by hand it is a reading by eye.
    assert kept["ph"] == strip
    assert (kept["free_chlorine"].value, kept["free_chlorine"].method) == (3.0, Method.STRIP_EYE)


def test_kinds_are_listed_and_withdrawn(home):
    with actions.open_log(home) as log:
        strips.save_kind(log, true_kind(KINDS[1]), at=NOW)
    at = open_page("strips")
    assert "0 30 60 120 240 mg/L" in said(at)
    next(each for each in at.button if each.label == "Use it no longer").click().run()
    with actions.open_log(home) as log:
        assert strips.kinds(log) == ()


def test_a_row_corrected_by_hand_has_as_many_swatches_as_numbers():
    row = [Swatch(tuple((x + 12 * n, y) for x, y in SQUARE), (90.0 - n, 0.0, 0.0), 1.0) for n in range(3)]
    assert corrected(b"", "", row, TypedScale("ph", "", (6.0, 7.0))) == row[:2]
    assert moved(row[0].quad_px, row[1].quad_px)[0] == (-12.0, 0.0)


def test_a_guessed_swatch_is_framed_by_dots():
    assert "dotted" in row_html(1, [Swatch(SQUARE, (80.0, 0.0, 0.0), 1.0, guessed=True)])
