"""The Pools page over many pools: searched, turned, corrected; boxes that carry a few pools of many."""

import re
from datetime import UTC, datetime

import pytest
from fake_measuring import FakeMeasurer
from on_page import clean, open_page, said

from app import actions, intake, measuring, strips
from app.dashboard.choose import FEW
from app.dashboard.pages.pools import AT_ONCE
from app.records import FilterKind, Pool

MANY = 70


@pytest.fixture
def home(tmp_path, monkeypatch):
    monkeypatch.setenv("TURNBLUE_HOME", str(tmp_path / "log"))
    monkeypatch.setattr(measuring, "shipped_measurer", lambda: FakeMeasurer())
    with actions.open_log(tmp_path / "log") as log:
        for number in range(MANY):
            pool = Pool(f"p-{number}", f"Pool {number:02d}", 50_000.0 + number, FilterKind.SAND, town="Yuma")
            actions.add_pool(log, pool, at=datetime.now(UTC))
    return tmp_path / "log"


def shown_pools(at):
    bodies = " ".join(str(each.proto.body) for each in at.get("html"))
    return re.findall(r"<h3>(Pool [^<]*)</h3>", bodies)


def named(elements, label):
    return next(each for each in elements if each.label.startswith(label))


def test_one_page_is_shown_and_the_others_are_a_tap_away(home):
    at = open_page("pools")
    assert shown_pools(at) == [f"Pool {number:02d}" for number in range(AT_ONCE)]
    assert f"1 to {AT_ONCE} of {MANY}" in said(at)
    assert named(at.button, "Earlier page").disabled
    clean(named(at.button, "Next page").click().run())
    clean(named(at.button, "Next page").click().run())
    assert shown_pools(at) == [f"Pool {number:02d}" for number in range(2 * AT_ONCE, MANY)]
    assert named(at.button, "Next page").disabled
    # Another search begins on its first page.
    clean(named(at.text_input, "Find a pool").set_value("pool 6").run())
    assert shown_pools(at) == [f"Pool {number}" for number in range(60, 70)]
    clean(named(at.text_input, "Find a pool").set_value("nowhere").run())
    assert "No pool fits." in said(at)


def test_boxes_carry_few_pools_and_find_the_others(home):
    at = open_page("dose")
    box = named(at.selectbox, "Pool")
    assert len(box.options) == FEW + 2
    clean(named(at.text_input, "Find the pool").set_value("pool 66").run())
    assert named(at.selectbox, "Pool").options[0] == "Pool 66"
    clean(named(at.selectbox, "Pool").select_index(0).run())
    assert "13,200 gal" in said(at)


def test_pool_is_corrected_and_the_position_read(home):
    at = open_page("pools")
    clean(named(at.text_input, "Find a pool").set_value("pool 07").run())
    at.session_state["change-p-7"] = True
    clean(at.run())
    forms = [each for each in at.text_input if each.label.startswith("Position")]
    forms[-1].set_value("somewhere")
    clean([each for each in at.button if each.label == "Save the pool"][-1].click().run())
    assert "The position cannot be read." in said(at)
    [each for each in at.text_input if each.label.startswith("Position")][-1].set_value("40.0001, -75.0002")
    clean([each for each in at.button if each.label == "Save the pool"][-1].click().run())
    with actions.open_log(home) as log:
        pool = actions.pool(log, "p-7")
        history = log.history_of("pools", "p-7")
    assert (pool.latitude_deg, pool.longitude_deg) == (40.0001, -75.0002)
    # What was not touched stays to the last digit, whatever is rounded to be shown.
    assert pool.volume_l == 50_007.0
    assert len(history) == 2


def test_visit_begun_by_a_strips_photo_is_a_draft_on_every_device(home):
    with actions.open_log(home) as log:
        recovery = actions.open_recovery(log, "p-1", at=datetime.now(UTC)).id
        strips.save_kind(log, strips.generic_kind(), at=datetime.now(UTC))
    at = open_page("visit", recovery=recovery)
    named(at.file_uploader, "Strip in the card's slot").set_value([("strip.jpg", b"good strip", "image/jpeg")])
    clean(at.run())
    with actions.open_log(home) as log:
        (draft,) = intake.drafts(log)
        (visit,) = actions.recovery(log, recovery).visits
        assert draft.visit_id == visit.id
        assert log.photo_count() == 1
    assert any(each.label.startswith("Go on: Pool 01") for each in open_page("visit").button)
