"""The card's page: cards listed, the faded one said, a print run taken; no exception, the right words."""

import importlib.util
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest
from streamlit.util import calc_hash

from app import actions, cards
from app.dashboard.start import ENTRY
from app.report.card_chart import drift_chart


def _helper():
    place = Path(__file__).parents[1] / "test_cards.py"
    spec = importlib.util.spec_from_file_location("card_logs", place)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


LOGS = _helper()


@pytest.fixture
def home(tmp_path, monkeypatch):
    monkeypatch.setenv("TURNBLUE_HOME", str(tmp_path / "log"))
    with actions.open_log(tmp_path / "log") as log:
        LOGS.fill(log, fade=0.9, number=7)
        LOGS.fill(log, fade=0.0, number=8, count=4)
    return tmp_path / "log"


def card_page():
    at = AppTest.from_file(str(ENTRY), default_timeout=30)
    at._page_hash = calc_hash("card")
    at.run()
    assert not at.exception, at.exception[0].message
    return at


def said(at):
    return " ".join([each.value for each in at.markdown] + [str(each.proto.body) for each in at.get("html")])


def test_the_faded_card_is_warned_of_and_drawn(home):
    at = card_page()
    words = said(at)
    assert "Card 7" in words
    assert "This card has faded" in words
    assert "Too few photos" in words
    assert "Changed most: " in words
    assert [each.label for each in at.selectbox] == ["Show over time"]
    assert "No print was measured yet." in words


def test_a_measured_print_run_is_listed(home):
    with actions.open_log(home) as log:
        cards.calibrate(log, [("a.txt", LOGS.measured_file(2.0))], at=LOGS.NOW)
    assert "48 patches measured with an instrument" in said(card_page())


def test_the_chart_draws_every_photo_and_the_limit(home):
    with actions.open_log(home) as log:
        (standing,) = cards.cards(log, number=7)
    drawn = drift_chart(standing.drift).to_dict()
    rows = [layer["data"]["values"] for layer in drawn["layer"]]
    assert len(rows[2]) == 12
    assert rows[0] == [{"limit": cards.FADED_DELTA_E00}]
    assert "http" not in str({key: value for key, value in drawn.items() if key != "$schema"})
