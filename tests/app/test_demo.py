"""The demo: whole or not there, told from one seed, rendered and then measured for real."""

import subprocess
import sys
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path

import pytest
from fake_measuring import FakeMeasurer

from app import actions, demo, measuring
from app.demo import MARKER, DemoFailed, make_demo, photo_names, photo_requests
from app.demo_data import COMPANY, POOLS
from app.records import CauseKind, Standing, StepKind
from vision.results import clarity_of, severity_of

NOW = datetime(2026, 6, 3, 14, 30, tzinfo=UTC)
BY_ID = {each.pool.id: each for each in POOLS}


def render_words(requests, folder, done):
    """Write photos that say their own truth, for `FakeMeasurer`."""
    for request in requests:
        water = request["water"]
        grade = f"good {clarity_of(water['visible_depth_m'])} {severity_of(water['chlorophyll_ug_l'])} 0.9"
        words = f"flagged card_glare {request['name']}" if request["spoil"] else f"{grade} {request['name']}"
        (folder / f"{request['name']}.jpg").write_text(words)
        done()


@pytest.fixture
def pretend(monkeypatch):
    """Render words and measure them: everything but the simulator and the grader is real."""
    monkeypatch.setattr(demo, "render_photos", render_words)
    monkeypatch.setattr(measuring, "shipped_measurer", lambda: FakeMeasurer())


def test_the_company_says_that_it_is_invented():
    assert COMPANY.invented


@pytest.mark.parametrize("each", POOLS, ids=lambda each: each.pool.id)
def test_each_story_goes_forward_in_time_and_by_whole_days(each):
    days = [visit.days_ago for visit in each.visits]
    assert all(earlier >= later for earlier, later in pairwise(days))
    assert each.opened_days_ago >= days[0]
    # Nothing lies in the present day: whatever the hour, no visit is in the future.
    assert days[-1] >= 1


def test_there_is_one_request_a_photo_and_no_two_alike():
    names = [request["name"] for request in photo_requests(POOLS, NOW)]
    assert len(set(names)) == len(names)
    assert sorted(names) == sorted(
        name for each in POOLS for number in range(len(each.visits)) for name in photo_names(each, number)
    )


def test_a_pool_is_rendered_from_the_same_spot_from_visit_to_visit():
    requests = [each for each in photo_requests((BY_ID["saltgrass-9"],), NOW) if each["name"].endswith("a")]
    assert len({(each["seed"], str(each["pool"]), str(each["stance"])) for each in requests}) == 1
    assert len({each["water"]["visible_depth_m"] for each in requests}) == len(requests)


def test_photos_carry_the_time_of_their_visit():
    request = next(photo_requests((BY_ID["sandpiper-lane-12"],), NOW))
    assert request["taken_at"] == "2026-06-02T10:00:00+00:00"


def test_the_stories_stand_at_their_stages(pretend, tmp_path):
    make_demo(tmp_path / "demo", now=NOW)
    with actions.open_log(tmp_path / "demo") as log:
        assert actions.company(log) == COMPANY
        (done,) = actions.recoveries_of(log, "orchard-bend-22")
        board = {row.recovery.pool.id: row for row in actions.board(log, now=NOW)}
    assert done.closed_at is not None
    assert set(board) == set(BY_ID) - {"orchard-bend-22"}
    steps = {pool_id: row.step.step for pool_id, row in board.items()}
    assert steps["heron-court-4"] is StepKind.RESTORE_POWER
    stalled = board["copper-beech-31"].progress
    assert stalled.standing is Standing.STALLED
    assert stalled.causes[0].kind is CauseKind.CYANURIC_ACID
    assert steps["old-quarry-2"] in (StepKind.FLOCCULATE, StepKind.VACUUM)
    assert steps["kestrel-close-5"] is StepKind.MEASURE_AGAIN
    assert steps["saltgrass-9"] in (StepKind.BALANCE, StepKind.HAND_OVER)
    assert board["saltgrass-9"].progress.standing is Standing.READY
    assert board["heron-court-4"].progress.standing is Standing.WAITING_ON_EQUIPMENT
    # Some variety to look at: no two thirds of the board say the same.
    assert len(set(steps.values())) >= 5


def test_progress_counts_every_photo_twice_and_ends_full(pretend, tmp_path):
    told = []
    make_demo(tmp_path / "demo", now=NOW, progress=lambda done, of: told.append((done, of)), pools=POOLS[:2])
    photos = len(list(photo_requests(POOLS[:2], NOW)))
    assert told == [(done, 2 * photos) for done in range(1, 2 * photos + 1)]


def test_a_whole_demo_is_left_as_it_is(pretend, tmp_path, monkeypatch):
    make_demo(tmp_path / "demo", now=NOW, pools=POOLS[:1])
    before = sorted((path, path.stat().st_mtime_ns) for path in (tmp_path / "demo").rglob("*.jpg"))
    monkeypatch.setattr(demo, "render_photos", lambda *_: pytest.fail("it rendered again"))
    make_demo(tmp_path / "demo", now=NOW + timedelta(hours=3), pools=POOLS[:1])
    assert sorted((path, path.stat().st_mtime_ns) for path in (tmp_path / "demo").rglob("*.jpg")) == before


def test_a_demo_of_days_ago_is_put_aside_and_none_of_the_new_ones_pools_is_overdue(pretend, tmp_path):
    for days in (0, 3, 3, 6):
        make_demo(tmp_path / "demo", now=NOW + timedelta(days=days), pools=POOLS[:2])
    assert sorted(path.name for path in tmp_path.iterdir()) == ["demo", "demo.2026-06-03", "demo.2026-06-06"]
    with actions.open_log(tmp_path / "demo") as log:
        assert not any(row.progress.overdue for row in actions.board(log, now=NOW + timedelta(days=6)))


def test_a_demo_broken_off_is_never_shown_and_made_anew(pretend, tmp_path, monkeypatch):
    with monkeypatch.context() as broken:
        broken.setattr(demo, "act_out", lambda *_: (_ for _ in ()).throw(KeyboardInterrupt))
        with pytest.raises(KeyboardInterrupt):
            make_demo(tmp_path / "demo", now=NOW, pools=POOLS[:1])
    assert not (tmp_path / "demo").exists()
    make_demo(tmp_path / "demo", now=NOW, pools=POOLS[:1])
    assert (tmp_path / "demo" / MARKER).is_file()
    assert [path.name for path in tmp_path.iterdir()] == ["demo"]


def test_a_folder_with_something_else_is_left_alone(tmp_path):
    (tmp_path / "mine.txt").write_text("mine")
    with pytest.raises(DemoFailed, match=r"holds something else. Name an empty folder"):
        make_demo(tmp_path, now=NOW)
    assert (tmp_path / "mine.txt").read_text() == "mine"


def test_an_empty_folder_is_filled(pretend, tmp_path):
    make_demo(tmp_path, now=NOW, pools=POOLS[:1])
    assert (tmp_path / MARKER).is_file()


def test_now_needs_a_zone(tmp_path):
    with pytest.raises(ValueError, match="now must have a zone"):
        make_demo(tmp_path / "demo", now=NOW.replace(tzinfo=None))


def test_a_simulator_that_fails_says_why(tmp_path):
    impossible = [{"name": "a", "seed": 1, "water": {"visible_depth_m": 30.0, "chlorophyll_ug_l": 200.0}}]
    with pytest.raises(DemoFailed, match="The demo's photos could not be rendered"):
        demo.render_photos(impossible, tmp_path, lambda: None)


@pytest.mark.slow
def test_one_pool_rendered_and_measured_for_real(tmp_path):
    story = BY_ID["mill-race-7"]
    short = replace(story, visits=(story.visits[0], story.visits[-1]))
    make_demo(tmp_path / "demo", now=NOW, pools=(short,))
    with actions.open_log(tmp_path / "demo") as log:
        (recovery,) = actions.open_recoveries(log)
        rows = [actions.measurements_of(log, sha256)[0] for visit in recovery.visits for sha256 in visit.photo_sha256s]
    assert len(rows) == 3
    assert all(row.result["card"]["kind"] == "turnblue" for row in rows)
    algae_ug_l = [row.result["water"]["chlorophyll_ug_l"]["mid"] for row in rows]
    # The truth falls from 170 to 1.2: whatever the grader's doubts, a tenth of that fall must be seen.
    assert algae_ug_l[0] > 10 * max(algae_ug_l[1:])


def test_the_simulator_is_a_program_of_its_own():
    # The app may not import the models: the demo asks for photos as anyone would, on the command line.
    code = "import sys, app.demo; sys.exit(any(name.split('.')[0] == 'models' for name in sys.modules))"
    root = Path(demo.__file__).resolve().parents[1]
    assert subprocess.run([sys.executable, "-c", code], cwd=root, check=False).returncode == 0
