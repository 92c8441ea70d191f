"""Pages of photos without signal, of tags, and of visits taken up again, opened and clicked without a browser."""

import io
import sys
import zipfile
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
import streamlit as st

sys.path.insert(0, str(Path(__file__).parents[1]))

from drawn_photos import drawn_photo
from fake_measuring import FakeMeasurer
from on_page import clean, labelled, open_page, said

from app import actions, intake, measuring, strips
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


def test_photos_dropped_in_are_sorted_asked_about_and_saved(home, two):
    yesterday = datetime.now(UTC) - timedelta(days=1)
    tag = drawn_photo(text=tag_text(two[0]), taken_at=yesterday, seed=1)
    lost = drawn_photo(taken_at=yesterday + timedelta(hours=3), seed=3)
    zipped = io.BytesIO()
    with zipfile.ZipFile(zipped, "w") as target:
        target.writestr("water.jpg", drawn_photo(taken_at=yesterday + timedelta(minutes=1), seed=2))
    at = open_page("intake")
    assert "No photo waits" in said(at)
    files = [("lost.jpg", lost, JPEG), ("a.zip", zipped.getvalue(), "application/zip"), ("tag.jpg", tag, JPEG)]
    at.file_uploader[0].set_value(files)
    clean(at.run())
    assert "3 photos taken in" in said(at)
    # On another device, the question waits.
    at = open_page("intake")
    assert "No tag was photographed before it" in said(at)
    question = labelled(at.selectbox, "Pool")
    assert question.options == ["Oak", "Elm"]
    clean(question.select_index(1).run())
    assert [each.value for each in at.subheader] == ["Oak", "Elm"]
    labelled(at.checkbox, "No recovery is open").check()
    clean(labelled(at.button, "Save 2 visits").click().run())
    assert "Saved: Oak" in said(at)
    assert "Saved: Elm" in said(at)
    with actions.open_log(home) as log:
        visits = {each.pool.id: each.visits for each in actions.open_recoveries(log)}
        assert [len(visits[each][0].photo_sha256s) for each in two] == [1, 1]
        assert intake.waiting(log).sorting.visits == ()


def test_a_visit_sorted_to_the_wrong_pool_is_given_to_another(home, two):
    yesterday = datetime.now(UTC) - timedelta(days=1)
    photos = [drawn_photo(text=tag_text(two[0]), taken_at=yesterday, seed=1), drawn_photo(taken_at=yesterday, seed=2)]
    with actions.open_log(home) as log:
        intake.take_in(log, [actions.PhotoIn(f"{n}.jpg", each) for n, each in enumerate(photos)], at=yesterday)
    at = open_page("intake")
    clean(labelled(at.button, "Not this pool").click().run())
    clean(labelled(at.selectbox, "The pool it is").select_index(0).run())
    assert [each.value for each in at.subheader] == ["Elm"]
    assert "A tag that no photo followed" in said(at)
    clean(next(each for each in at.button if each.key.startswith("out-")).click().run())
    assert "A tag that no photo followed" not in said(at)


def test_a_tag_opens_the_new_visit_of_its_pool(home, two):
    at = open_page("visit", tag=tag_code(two[0]))
    assert at.title[0].value == "Visit: Oak"
    assert at.query_params["recovery"]


def test_a_tag_of_a_pool_without_a_recovery_offers_to_start_one(home, two):
    at = open_page("visit", tag=tag_code(two[1]))
    assert "Elm has no open recovery" in said(at)
    clean(labelled(at.button, "Start a recovery").click().run())
    assert at.title[0].value == "Visit: Elm"


def test_a_tag_of_no_pool_is_told(two):
    assert "This tag is of no pool you have." in said(open_page("visit", tag="0" * 12))


def test_a_photo_of_the_tag_proposes_its_pool(home, two):
    at = open_page("visit")
    labelled(at.file_uploader, "Or begin with a photo").set_value(
        [("tag.jpg", drawn_photo(text=tag_text(two[0]), seed=1), JPEG)]
    )
    clean(at.run())
    assert at.title[0].value == "Visit: Oak"
    with actions.open_log(home) as log:
        assert actions.open_recoveries(log)[0].visits == ()


def test_a_photo_of_the_water_begins_the_visit_at_the_pool_nearest_to_it(home, two):
    with actions.open_log(home) as log:
        pool = next(each for each in actions.pools(log) if each.id == two[0])
        actions.update_pool(log, replace(pool, latitude_deg=40.0, longitude_deg=-75.0))
    at = open_page("visit")
    photo = drawn_photo(position=(40.0001, -75.0), seed=1)
    labelled(at.file_uploader, "Or begin with a photo").set_value([("a.jpg", photo, JPEG)])
    clean(at.run())
    assert at.title[0].value == "Visit: Oak"
    with actions.open_log(home) as log:
        (visit,) = actions.open_recoveries(log)[0].visits
        assert at.query_params["visit"] == visit.id
        assert len(visit.photo_sha256s) == 1


def test_a_visit_begun_is_offered_on_any_device_until_it_is_saved(home, two):
    with actions.open_log(home) as log:
        recovery = actions.open_recoveries(log)[0].id
    at = open_page("visit", recovery=recovery)
    at.file_uploader[0].set_value([("a.jpg", drawn_photo(seed=1), JPEG)])
    clean(at.run())
    elsewhere = open_page("visit")
    clean(labelled(elsewhere.button, "Go on: Oak, begun").click().run())
    labelled(elsewhere.checkbox, "All well").check()
    clean(labelled(elsewhere.button, "Save the visit").click().run())
    with actions.open_log(home) as log:
        (visit,) = actions.open_recoveries(log)[0].visits
        assert (len(visit.photo_sha256s), visit.equipment.power_on, visit.equipment.flow_holds) == (1, True, True)
        assert intake.drafts(log) == ()
    assert not any(each.label.startswith("Go on:") for each in open_page("visit").button)


def test_a_visit_whose_measuring_broke_off_is_a_draft_with_its_photo(home, two, monkeypatch):
    with actions.open_log(home) as log:
        recovery = actions.open_recoveries(log)[0].id

    def cut_off(*_given, **_more):
        # As where the browser is gone: Streamlit ends the run.
        st.stop()

    monkeypatch.setattr(actions, "add_photos", cut_off)
    at = open_page("visit", recovery=recovery)
    at.file_uploader[0].set_value([("a.jpg", drawn_photo(seed=1), JPEG)])
    at.run()
    with actions.open_log(home) as log:
        assert len(intake.drafts(log)) == 1
        assert log.photo_count() == 1


def test_tags_are_offered_on_the_pools_page(two):
    at = open_page("pools")
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
    at = open_page("visit", tag=tag_code(two[0]))
    at.file_uploader[0].set_value([("water.jpg", drawn_photo(seed=1), JPEG)])
    taps += 1
    clean(at.run())
    # The strip's part is closed: one tap opens it, one begins its photo.
    labelled(at.file_uploader, "Strip in the card's slot").set_value([("strip.jpg", drawn_photo(seed=2), JPEG)])
    taps += 2
    clean(at.run())
    labelled(at.checkbox, "All well").check()
    taps += 1
    next(each for each in at.button_group if "advised" in each.label).set_value(True)
    taps += 1
    clean(labelled(at.button, "Save the visit").click().run())
    taps += 1
    assert taps <= 6
    assert "Saved: Oak" in said(at)
    assert "Next step" in said(at)
    with actions.open_log(home) as log:
        visit = actions.recovery(log, recovery).visits[-1]
        assert visit.equipment.pump_runs
        assert len(visit.treatments) == 1
        assert log.photo_count() == 3
