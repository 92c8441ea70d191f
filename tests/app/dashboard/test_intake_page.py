"""Pages of photos without signal, of tags, and of visits taken up again, opened and clicked without a browser."""

import io
import sys
import zipfile
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
import streamlit as st
from streamlit.testing.v1 import AppTest
from streamlit.util import calc_hash

sys.path.insert(0, str(Path(__file__).parents[1]))

from drawn_photos import drawn_photo
from fake_measuring import FakeMeasurer

from app import actions, intake, measuring, strips
from app.dashboard.start import ENTRY
from app.records import Equipment, FilterKind, Pool
from app.tag import tag_code, tag_text

JPEG = "image/jpeg"


@pytest.fixture
def home(tmp_path, monkeypatch):
    monkeypatch.setenv("TURNBLUE_HOME", str(tmp_path / "log"))
    monkeypatch.setattr(measuring, "shipped_measurer", lambda: FakeMeasurer(instead="flagged card_glare"))
    return tmp_path / "log"


@pytest.fixture
def two(home):
    """Two pools, the first with an open recovery; return their ids."""
    now = datetime.now(UTC)
    with actions.open_log(home) as log:
        pools = [actions.add_pool(log, Pool("", name, 56_000.0, FilterKind.SAND), at=now) for name in ("Oak", "Elm")]
        actions.open_recovery(log, pools[0].id, at=now - timedelta(days=2))
    return [each.id for each in pools]


def tap_page(name, **query):
    at = AppTest.from_file(str(ENTRY), default_timeout=60)
    at.query_params.update(query)
    at._page_hash = calc_hash(name)
    return sound(at.run())


def sound(at):
    assert not at.exception, at.exception[0].message
    return at


def shown(at):
    return "\n".join([str(each.value) for each in at.markdown] + [each.proto.body for each in at.get("html")])


def named(elements, label):
    return next(each for each in elements if each.label.startswith(label))


def test_photos_dropped_in_are_sorted_asked_about_and_saved(home, two):
    yesterday = datetime.now(UTC) - timedelta(days=1)
    tag = drawn_photo(text=tag_text(two[0]), taken_at=yesterday, seed=1)
    lost = drawn_photo(taken_at=yesterday + timedelta(hours=3), seed=3)
    zipped = io.BytesIO()
    with zipfile.ZipFile(zipped, "w") as target:
        target.writestr("water.jpg", drawn_photo(taken_at=yesterday + timedelta(minutes=1), seed=2))
    at = tap_page("intake")
    assert "No photo waits" in shown(at)
    files = [("lost.jpg", lost, JPEG), ("a.zip", zipped.getvalue(), "application/zip"), ("tag.jpg", tag, JPEG)]
    at.file_uploader[0].set_value(files)
    sound(at.run())
    assert "3 photos taken in" in shown(at)
    # On another device, the question waits.
    at = tap_page("intake")
    assert "No tag was photographed before it" in shown(at)
    question = named(at.selectbox, "Pool")
    assert question.options == ["Oak", "Elm"]
    sound(question.select_index(1).run())
    assert [each.value for each in at.subheader] == ["Oak", "Elm"]
    named(at.checkbox, "No recovery is open").check()
    sound(named(at.button, "Save 2 visits").click().run())
    assert "Saved: Oak" in shown(at)
    assert "Saved: Elm" in shown(at)
    with actions.open_log(home) as log:
        visits = {each.pool.id: each.visits for each in actions.open_recoveries(log)}
        assert [len(visits[each][0].photo_sha256s) for each in two] == [1, 1]
        assert intake.waiting(log).sorting.visits == ()


def test_a_visit_sorted_to_the_wrong_pool_is_given_to_another(home, two):
    yesterday = datetime.now(UTC) - timedelta(days=1)
    photos = [drawn_photo(text=tag_text(two[0]), taken_at=yesterday, seed=1), drawn_photo(taken_at=yesterday, seed=2)]
    with actions.open_log(home) as log:
        intake.take_in(log, [actions.PhotoIn(f"{n}.jpg", each) for n, each in enumerate(photos)], at=yesterday)
    at = tap_page("intake")
    sound(named(at.button, "Not this pool").click().run())
    sound(named(at.selectbox, "The pool it is").select_index(0).run())
    assert [each.value for each in at.subheader] == ["Elm"]
    assert "A tag that no photo followed" in shown(at)
    sound(next(each for each in at.button if each.key.startswith("out-")).click().run())
    assert "A tag that no photo followed" not in shown(at)


def test_a_tag_opens_the_new_visit_of_its_pool(home, two):
    at = tap_page("visit", tag=tag_code(two[0]))
    assert at.title[0].value == "Visit: Oak"
    assert at.query_params["recovery"]


def test_a_tag_of_a_pool_without_a_recovery_offers_to_start_one(home, two):
    at = tap_page("visit", tag=tag_code(two[1]))
    assert "Elm has no open recovery" in shown(at)
    sound(named(at.button, "Start a recovery").click().run())
    assert at.title[0].value == "Visit: Elm"


def test_a_tag_of_no_pool_is_told(two):
    assert "This tag is of no pool you have." in shown(tap_page("visit", tag="0" * 12))


def test_a_photo_of_the_tag_proposes_its_pool(home, two):
    at = tap_page("visit")
    named(at.file_uploader, "Or begin with a photo").set_value(
        [("tag.jpg", drawn_photo(text=tag_text(two[0]), seed=1), JPEG)]
    )
    sound(at.run())
    assert at.title[0].value == "Visit: Oak"
    with actions.open_log(home) as log:
        assert actions.open_recoveries(log)[0].visits == ()


def test_a_photo_of_the_water_begins_the_visit_at_the_pool_nearest_to_it(home, two):
    with actions.open_log(home) as log:
        pool = next(each for each in actions.pools(log) if each.id == two[0])
        actions.update_pool(log, replace(pool, latitude_deg=40.0, longitude_deg=-75.0))
    at = tap_page("visit")
    photo = drawn_photo(position=(40.0001, -75.0), seed=1)
    named(at.file_uploader, "Or begin with a photo").set_value([("a.jpg", photo, JPEG)])
    sound(at.run())
    assert at.title[0].value == "Visit: Oak"
    with actions.open_log(home) as log:
        (visit,) = actions.open_recoveries(log)[0].visits
        assert at.query_params["visit"] == visit.id
        assert len(visit.photo_sha256s) == 1


def test_a_visit_begun_is_offered_on_any_device_until_it_is_saved(home, two):
    with actions.open_log(home) as log:
        recovery = actions.open_recoveries(log)[0].id
    at = tap_page("visit", recovery=recovery)
    at.file_uploader[0].set_value([("a.jpg", drawn_photo(seed=1), JPEG)])
    sound(at.run())
    elsewhere = tap_page("visit")
    sound(named(elsewhere.button, "Go on: Oak, begun").click().run())
    named(elsewhere.checkbox, "All well").check()
    sound(named(elsewhere.button, "Save the visit").click().run())
    with actions.open_log(home) as log:
        (visit,) = actions.open_recoveries(log)[0].visits
        assert (len(visit.photo_sha256s), visit.equipment.power_on, visit.equipment.flow_holds) == (1, True, True)
        assert intake.drafts(log) == ()
    assert not any(each.label.startswith("Go on:") for each in tap_page("visit").button)


def test_a_visit_whose_measuring_broke_off_is_a_draft_with_its_photo(home, two, monkeypatch):
    with actions.open_log(home) as log:
        recovery = actions.open_recoveries(log)[0].id

    def cut_off(*_given, **_more):
        # As where the browser is gone: Streamlit ends the run.
        st.stop()

    monkeypatch.setattr(actions, "add_photos", cut_off)
    at = tap_page("visit", recovery=recovery)
    at.file_uploader[0].set_value([("a.jpg", drawn_photo(seed=1), JPEG)])
    at.run()
    with actions.open_log(home) as log:
        assert len(intake.drafts(log)) == 1
        assert log.photo_count() == 1


def test_tags_are_offered_on_the_pools_page(two):
    at = tap_page("pools")
    assert any(each.label == "Print pool tags" for each in at.expander)


def test_a_visit_takes_six_taps_and_two_photos_from_its_tag_to_done(home, two, monkeypatch):
    monkeypatch.setattr(measuring, "shipped_measurer", lambda: FakeMeasurer(instead="good opaque heavy 0.9"))
    now = datetime.now(UTC)
    well = Equipment(power_on=True, pump_runs=True, flow_holds=True)
    with actions.open_log(home) as log:
        strips.save_kind(log, strips.generic_kind(), at=now)
        recovery = actions.open_recoveries(log)[0].id
        yesterday = [actions.PhotoIn("y.jpg", drawn_photo(seed=9))]
        actions.log_visit(log, recovery, at=now - timedelta(days=1), by="Kit", photos=yesterday, equipment=well)
    taps = 0
    # The camera's own taps are not counted: opening the tag's link, and taking each picture.
    at = tap_page("visit", tag=tag_code(two[0]))
    at.file_uploader[0].set_value([("water.jpg", drawn_photo(seed=1), JPEG)])
    taps += 1
    sound(at.run())
    # The strip's part is closed: one tap opens it, one begins its photo.
    named(at.file_uploader, "Strip in the card's slot").set_value([("strip.jpg", drawn_photo(seed=2), JPEG)])
    taps += 2
    sound(at.run())
    named(at.checkbox, "All well").check()
    taps += 1
    next(each for each in at.button_group if "advised" in each.label).set_value(True)
    taps += 1
    sound(named(at.button, "Save the visit").click().run())
    taps += 1
    assert taps <= 6
    assert "Saved: Oak" in shown(at)
    assert "Next step" in shown(at)
    with actions.open_log(home) as log:
        visit = actions.recovery(log, recovery).visits[-1]
        assert visit.equipment.pump_runs
        assert len(visit.treatments) == 1
        assert log.photo_count() == 3
