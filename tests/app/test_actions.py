"""The use cases, with a measurer whose photos are lines of text."""

import io
import json
import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from fake_measuring import FakeMeasurer
from PIL import Image

from app import actions, config
from app.actions import PhotoIn
from app.crew import DIED, TOO_BUSY, Crew
from app.errors import AlreadyInLog, CannotMeasure, NotInLog, PhotoRefused, PictureUnavailable, RecoveryClosed
from app.records import Assessment, Company, Equipment, FilterKind, Pool, Progress, Standing, Step, StepKind
from app.store.rows import from_json, speak_for_water
from app.workers import Outcome
from vision.results import Clarity, Interval, PhotoResult, Severity, to_json

NOW = datetime(2026, 6, 3, 16, 0, tzinfo=UTC)
GOOD = PhotoIn("good.jpg", b"good hazy light 0.9")
FAKE = FakeMeasurer()


@pytest.fixture
def log(tmp_path):
    with actions.open_log(tmp_path / "home") as opened:
        yield opened


@pytest.fixture
def recovery(log):
    return open_pool(log, "Cedar Lane 12")


def open_pool(log, name):
    pool = actions.add_pool(log, Pool("", name, 50_000.0, FilterKind.SAND), at=NOW, by="Robin")
    return actions.open_recovery(log, pool.id, at=NOW, by="Robin")


def logged(log, recovery, *photos, **more):
    return actions.log_visit(log, recovery.id, **{"at": NOW, "by": "Robin", "measure": FAKE, **more}, photos=photos)


def test_folder_comes_from_the_argument_then_the_environment_then_home(tmp_path, monkeypatch):
    monkeypatch.setenv("TURNBLUE_HOME", str(tmp_path / "named"))
    assert config.home_folder() == tmp_path / "named"
    assert config.home_folder(tmp_path / "asked") == tmp_path / "asked"
    assert config.home_folder(None, {}).name == ".turnblue"
    assert config.grader_path({}).parent.parts[-2:] == ("models", "shipped")
    assert config.grader_path({"TURNBLUE_GRADER": "/x/y.npz"}).as_posix() == "/x/y.npz"


def test_company_has_no_name_before_it_is_saved(log):
    assert actions.company(log) == Company("")
    actions.save_company(log, Company("Invented Pools", units="metric"))
    actions.save_company(log, Company("Invented Pools", units="us"))
    assert actions.company(log).units == "us"


def test_visit_keeps_its_photo_and_what_it_said(log, recovery):
    saved = logged(log, recovery, GOOD, equipment=Equipment(power_on=True), note=" Oak leaves ")
    (measured,) = saved.measured
    assert saved.refused == ()
    assert actions.photo_bytes(log, measured.sha256) == GOOD.content
    assert saved.visit.photo_sha256s == (measured.sha256,)
    assert saved.visit.note == "Oak leaves"
    assert saved.visit.assessment == Assessment(
        measurement_id=measured.measurement_id,
        photo_sha256=measured.sha256,
        usable=True,
        flags=(),
        clarity=Clarity.HAZY,
        clarity_probability=0.9,
        severity=Severity.LIGHT,
        severity_probability=0.9,
        visible_depth_m=Interval(1.5, 1.6, 1.7),
        chlorophyll_ug_l=Interval(10.0, 11.0, 12.0),
    )
    (row,) = actions.measurements_of(log, measured.sha256)
    assert (row.id, row.model_id, row.pipeline_version) == (measured.measurement_id, "fake-1", "0.0-test")
    assert row.result == to_json(measured.result)
    assert actions.recovery(log, recovery.id).visits == (saved.visit,)


def test_kept_result_is_rebuilt_whole(log, recovery):
    (measured,) = logged(log, recovery, GOOD).measured
    (row,) = actions.measurements_of(log, measured.sha256)
    rebuilt = from_json(PhotoResult, row.result)
    assert to_json(rebuilt) == to_json(measured.result)
    assert rebuilt.water.visible_depth_m == measured.result.water.visible_depth_m
    assert rebuilt.card.corners_px == measured.result.card.corners_px
    assert rebuilt.card.patches[0] == measured.result.card.patches[0]
    assert math.isnan(rebuilt.card.patches[1].held_out_delta_e00)


def test_each_photo_of_a_batch_gets_its_own_fate(log, recovery):
    twin, other = PhotoIn("twin.jpg", GOOD.content), PhotoIn("other.jpg", b"good cloudy heavy 0.95")
    bad, flagged = PhotoIn("bad.jpg", b"unreadable"), PhotoIn("flagged.jpg", b"flagged no_card")
    empty, dies = PhotoIn("empty.jpg", b""), PhotoIn("dies.jpg", b"die now")
    told = []
    saved = logged(
        log, recovery, GOOD, twin, other, bad, flagged, empty, dies, progress=lambda done, of: told.append((done, of))
    )
    assert [each.name for each in saved.measured] == ["good.jpg", "other.jpg", "flagged.jpg"]
    refused = dict(saved.refused)
    assert list(refused) == ["empty.jpg", "bad.jpg", "dies.jpg"]
    assert refused["empty.jpg"] == "The file empty.jpg is empty. Send the photo again."
    assert refused["bad.jpg"] == "The file bad.jpg is not a photo that can be read. Send a JPEG."
    assert refused["dies.jpg"].startswith("This photo could not be measured: the measuring program stopped")
    assert told == [(number, 5) for number in range(1, 6)]
    # All that arrived is kept, readable or not; what killed its worker is set aside, and says so.
    assert len(saved.visit.photo_sha256s) == 5
    counts = {log.photo(each)["original_name"]: len(log.measurements_of(each)) for each in saved.visit.photo_sha256s}
    assert counts == {"good.jpg": 1, "other.jpg": 1, "bad.jpg": 1, "flagged.jpg": 1, "dies.jpg": 1}
    assert saved.visit.assessment.clarity is Clarity.CLOUDY


def test_visit_and_photos_stay_when_measuring_fails(log, recovery):
    saved = logged(log, recovery, PhotoIn("a.jpg", b"bug"))
    assert [(each.name, each.sentence) for each in saved.refused] == [("a.jpg", DIED)]
    (visit,) = actions.recovery(log, recovery.id).visits
    sha256 = visit.photo_sha256s[0]
    assert actions.photo_bytes(log, sha256) == b"bug"
    assert (visit.assessment.usable, visit.assessment.flags) == (False, ("set_aside",))
    # Set aside: nobody waits for it again, and every page says why.
    for picture in (actions.plain_picture, actions.check_picture):
        with pytest.raises(PictureUnavailable, match=r"was set aside: it cannot be shown. .* stopped while reading"):
            picture(log, sha256, width_px=100)


def test_visit_and_photos_stay_when_nothing_can_be_measured(log, recovery, monkeypatch):
    monkeypatch.setattr("app.measuring.shared_crew", lambda: Crew(1))
    monkeypatch.setattr("app.crew.sys.executable", "/nowhere/python")
    with pytest.raises(CannotMeasure, match="What was sent is kept"):
        logged(log, recovery, GOOD)
    (visit,) = actions.recovery(log, recovery.id).visits
    assert actions.photo_bytes(log, visit.photo_sha256s[0]) == GOOD.content
    assert visit.assessment is None


def test_busy_machine_sets_nothing_aside(log, recovery, monkeypatch):
    def too_busy(jobs, **_options):
        return (Outcome(job, None, TOO_BUSY, "too_busy") for job in jobs)

    monkeypatch.setattr("app.workers.measure_all", too_busy)
    saved = logged(log, recovery, GOOD)
    assert "measure it later" in saved.refused[0].sentence
    assert saved.visit.assessment is None


def test_photo_of_another_visit_is_refused_by_name(log, recovery):
    logged(log, recovery, GOOD)
    again = logged(log, recovery, replace(GOOD, name="again.jpg"), at=NOW + timedelta(days=1))
    ((name, sentence),) = again.refused
    assert name == "again.jpg"
    assert "is in the log already, with another visit. Take a new photo" in sentence
    assert again.visit.photo_sha256s == ()
    assert len(actions.recovery(log, recovery.id).visits) == 2


def test_photo_received_before_its_visit_is_taken_up_by_it(log, recovery):
    sha256 = actions.receive_photo(log, GOOD, received_at=NOW)
    saved = logged(log, recovery, GOOD, at=NOW + timedelta(minutes=5))
    assert saved.visit.photo_sha256s == (sha256,)
    assert log.photo(sha256)["received_at"] == NOW.isoformat()


def test_huge_file_is_refused(log, monkeypatch):
    monkeypatch.setattr(config, "MAX_PHOTO_MB", 0.00001)
    with pytest.raises(PhotoRefused, match=r"The file good.jpg is too large .* Send the picture straight from"):
        actions.receive_photo(log, GOOD, received_at=NOW)


def test_unreadable_photo_alone_makes_the_visit_unusable_not_unmeasured(log, recovery):
    saved = logged(log, recovery, PhotoIn("bad.jpg", b"unreadable"))
    assert saved.visit.assessment.usable is False
    assert saved.visit.assessment.flags == ("photo_unreadable",)
    assert saved.visit.assessment.clarity is None


def test_strip_photo_does_not_speak_for_the_water(log, recovery):
    saved = logged(log, recovery, PhotoIn("strip.jpg", b"good opaque heavy 0.99", kind="strip"), GOOD)
    assert saved.visit.assessment.clarity is Clarity.HAZY


def assessed(sha256, usable=True, p=0.9, clarity=Clarity.HAZY, flags=()):
    return Assessment("m", sha256, usable, flags, clarity, p, Severity.LIGHT, 1.0)


@pytest.mark.parametrize(
    ("candidates", "chosen"),
    [
        pytest.param([], None, id="none measured"),
        pytest.param([assessed("a", p=0.6), assessed("b", p=0.8)], "b", id="surest of the usable"),
        pytest.param([assessed("a", usable=False, p=0.99), assessed("b", p=0.5)], "b", id="usable before sure"),
        pytest.param(
            [assessed("b", clarity=Clarity.CLEAR), assessed("a", clarity=Clarity.CLOUDY)], "a", id="murkier at a tie"
        ),
        pytest.param(
            [assessed("a", usable=False, flags=("blurred", "no_water")), assessed("b", usable=False, flags=("dim",))],
            "b",
            id="fewest doubts where none is usable",
        ),
        pytest.param(
            [Assessment("m", "a", False, ("no_card",)), assessed("b", usable=False, flags=("blurred", "card_glare"))],
            "b",
            id="graded before not graded",
        ),
    ],
)  # fmt: skip
def test_one_photo_speaks_for_the_visit(candidates, chosen):
    for order in (candidates, candidates[::-1]):
        speaker = speak_for_water(order)
        assert (None if speaker is None else speaker.photo_sha256) == chosen


def test_retake_is_added_to_the_visit_and_speaks_for_it(log, recovery):
    saved = logged(log, recovery, PhotoIn("a.jpg", b"flagged blurred"))
    assert not saved.visit.assessment.usable
    again = actions.add_photos(log, saved.visit.id, [GOOD], at=NOW, by="Robin", measure=FAKE)
    assert again.visit.assessment.usable
    assert len(again.visit.photo_sha256s) == 2


def test_correction_keeps_the_old_visit_in_the_history(log, recovery):
    saved = logged(log, recovery, GOOD)
    later = NOW + timedelta(hours=1)
    changed = actions.update_visit(log, replace(saved.visit, floor_seen=True, note="fixed"), at=later, by="Sam")
    assert (changed.floor_seen, changed.note, changed.assessment) == (True, "fixed", saved.visit.assessment)
    assert [row["who"] for row in log.history_of("visits", saved.visit.id)] == ["Robin", "Sam"]
    with pytest.raises(ValueError, match="recovery_id must stay"):
        actions.update_visit(log, replace(saved.visit, recovery_id="r-other"), at=later, by="Sam")


def test_closed_recovery_takes_no_visit(log, recovery):
    assert actions.close_recovery(log, recovery.id, at=NOW).closed_at == NOW
    with pytest.raises(RecoveryClosed, match=r"recovery of Cedar Lane 12 was closed on 2026-06-03. Open a new"):
        logged(log, recovery, GOOD)
    assert log.photos() == []


def test_a_closing_is_taken_back_unless_the_pool_has_a_new_recovery(log, recovery):
    actions.close_recovery(log, recovery.id, at=NOW)
    assert actions.reopen_recovery(log, recovery.id, at=NOW).closed_at is None
    logged(log, recovery, GOOD)
    closings = [row["after"] for row in log.history_of("recoveries", recovery.id)]
    assert [json.loads(each)["closed_at"] is None for each in closings] == [True, False, True]
    actions.close_recovery(log, recovery.id, at=NOW)
    actions.open_recovery(log, recovery.pool.id, at=NOW)
    with pytest.raises(AlreadyInLog, match=r"Cedar Lane 12 has an open recovery already"):
        actions.reopen_recovery(log, recovery.id, at=NOW)


def test_recovery_is_found_by_id_beginning_or_pool(log, recovery):
    other = open_pool(log, "Birch Court 4")
    for words in (recovery.id, recovery.id[:6], recovery.id[2:8].upper(), "cedar lane 12", "Ced", recovery.pool.id):
        assert actions.find_recovery(log, words).id == recovery.id
    actions.close_recovery(log, other.id, at=NOW)
    newer = actions.open_recovery(log, other.pool.id, at=NOW + timedelta(days=30))
    assert actions.find_recovery(log, "Birch Court 4").id == newer.id
    # A pool called as the beginning of another is meant itself.
    short = open_pool(log, "Birch")
    assert actions.find_recovery(log, "birch").id == short.id
    for several in ("r-", "bir"):
        with pytest.raises(NotInLog, match=r"More than one recovery fits"):
            actions.find_recovery(log, several)
    with pytest.raises(NotInLog, match=r"More than one recovery fits 'r-'. Give the recovery's id"):
        actions.find_recovery(log, "r-")
    for nothing in ("nowhere", " ", "%"):
        with pytest.raises(NotInLog, match=r"No recovery fits .* turnblue pools"):
            actions.find_recovery(log, nothing)


def test_pool_of_the_same_id_is_refused(log, recovery):
    with pytest.raises(AlreadyInLog, match="There is a pool"):
        actions.add_pool(log, recovery.pool)


def test_rescoring_is_a_dry_run_unless_told_to_write(log, recovery):
    saved = logged(log, recovery, GOOD, PhotoIn("b.jpg", b"good clear none 0.9"))
    newer = FakeMeasurer("fake-2", instead="good clear none 0.9")
    dry = actions.rescore(log, write=False, at=NOW, measure=newer)
    assert [(each.name, each.changed, each.written) for each in dry] == [
        ("good.jpg", True, False),
        ("b.jpg", False, False),
    ]
    assert actions.recovery(log, recovery.id).visits[0].assessment == saved.visit.assessment
    wet = actions.rescore(log, write=True, at=NOW, measure=newer)
    assert [each.written for each in wet] == [True, True]
    assert actions.recovery(log, recovery.id).visits[0].assessment.clarity is Clarity.CLEAR
    again = actions.rescore(log, write=True, at=NOW, measure=newer)
    assert [(each.changed, each.written) for each in again] == [(False, False)] * 2
    sha256 = saved.visit.photo_sha256s[0]
    assert [row.model_id for row in actions.measurements_of(log, sha256)] == ["fake-2", "fake-1"]


def test_newer_program_tries_again_what_was_set_aside(log, recovery):
    logged(log, recovery, GOOD, PhotoIn("dies.jpg", b"die"))
    told = actions.rescore(log, write=True, at=NOW, measure=FakeMeasurer("fake-2", instead="good clear none 0.9"))
    tried = [(each.name, each.before.flags, each.after.usable) for each in told if each.written]
    assert tried == [("good.jpg", (), True), ("dies.jpg", ("set_aside",), True)]


def test_plain_picture_is_upright_small_and_without_position(log, recovery):
    image = Image.new("RGB", (800, 600), "teal")
    exif = image.getexif()
    exif[0x0112] = 6  # to be turned a quarter to the right
    exif[0x8825] = {1: "N", 2: (45.0, 30.0, 0.0)}
    kept = io.BytesIO()
    image.save(kept, "JPEG", exif=exif)
    sha256 = actions.receive_photo(log, PhotoIn("a.jpg", kept.getvalue()), received_at=NOW)
    for _ in range(2):  # made, then kept
        shown = Image.open(io.BytesIO(actions.plain_picture(log, sha256, width_px=120)))
        assert shown.size == (120, 160)
        assert dict(shown.getexif()) == {}
    assert [path.name for path in log.cache_folder.iterdir()] == [f"{sha256}-plain-120.jpg"]


def test_cache_that_cannot_be_written_costs_no_picture(log):
    log.cache_folder.write_text("a file where the folder should be")
    kept = io.BytesIO()
    Image.new("RGB", (400, 300), "teal").save(kept, "JPEG")
    sha256 = actions.receive_photo(log, PhotoIn("a.jpg", kept.getvalue()), received_at=NOW)
    assert actions.plain_picture(log, sha256, width_px=100).startswith(b"\xff\xd8")


def test_pictures_that_cannot_be_made_say_why(log, recovery):
    sha256 = actions.receive_photo(log, PhotoIn("a.jpg", b"flagged no_card"), received_at=NOW)
    with pytest.raises(PictureUnavailable, match="has not been measured yet"):
        actions.check_picture(log, sha256)
    logged(log, recovery, PhotoIn("a.jpg", b"flagged no_card"))
    with pytest.raises(PictureUnavailable, match=r"no card whose colours can be used.* Retake"):
        actions.normalised_picture(log, sha256, width_px=200)


def progress_of(standing, due=None, overdue=False):
    return Progress(standing, None, None, due, overdue, "")


def test_board_puts_those_first_that_need_someone_most(log, monkeypatch):
    standings = {
        "a under way": progress_of(Standing.UNDER_WAY, due=NOW + timedelta(days=2)),
        "b ready": progress_of(Standing.READY),
        "c overdue": progress_of(Standing.UNDER_WAY, overdue=True),
        "d stalled": progress_of(Standing.STALLED),
        "e photo failed": progress_of(Standing.UNDER_WAY),
        "f equipment": progress_of(Standing.WAITING_ON_EQUIPMENT),
        "g not started": progress_of(Standing.NOT_STARTED),
        "h under way sooner": progress_of(Standing.UNDER_WAY, due=NOW + timedelta(days=1)),
    }
    opened = {name: open_pool(log, name) for name in standings}
    logged(log, opened["e photo failed"], PhotoIn("x.jpg", b"flagged blurred"))
    logged(log, opened["a under way"], GOOD)
    logged(log, opened["a under way"], at=NOW + timedelta(hours=1))
    step = Step(StepKind.START, "", (), (), None, "", (), (), ())
    monkeypatch.setattr(actions, "_progress", lambda of, now: standings[of.pool.name])
    monkeypatch.setattr(actions, "_step", lambda of, now, units: step)
    rows = actions.board(log, now=NOW)
    assert [row.recovery.pool.name[0] for row in rows] == list("dcefbgha")
    last = rows[-1]
    assert last.last_visit.at == NOW + timedelta(hours=1)
    assert last.last_visit.assessment is None
    assert last.assessment.clarity is Clarity.HAZY
    assert last.thumbnail_sha256 == last.assessment.photo_sha256
    assert rows[0].thumbnail_sha256 is None


def test_depths_of_the_pool_are_told_to_the_measurer_and_kept_with_the_measurement(log):
    pool = actions.add_pool(log, Pool("p", "Deep", 50_000.0, FilterKind.SAND, depth_deep_m=2.4))
    recovery = actions.open_recovery(log, pool.id, at=NOW)
    seen = log.folder / "seen"
    saved = logged(log, recovery, GOOD, measure=FakeMeasurer(noted_in=str(seen)))
    assert "depth_shallow_m=None, depth_deep_m=2.4" in seen.read_text()
    assert '"depth_deep_m": 2.4' in log.measurements_of(saved.measured[0].sha256)[0]["inputs"]
