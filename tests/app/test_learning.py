"""Confirmed grades: kept beside the given ones, told as drift, learnt from, and taken into use only where better."""

import json
import sqlite3
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace

import pytest
from click.testing import CliRunner

from app import actions, learning, measuring
from app.cli import main
from app.errors import CannotConfirm, CannotTrain
from app.records import FilterKind, Pool
from tests.app.fake_measuring import FakeMeasurer
from vision.results import Clarity, Severity

NOW = datetime(2026, 6, 3, 16, 0, tzinfo=UTC)


@pytest.fixture
def log(tmp_path):
    with actions.open_log(tmp_path / "home") as opened:
        yield opened


def photos(log, count, *, pool="Cedar Lane 12"):
    """Log a visit of a new pool with `count` photos that all grade hazy and light."""
    made = actions.add_pool(log, Pool("", pool, 50000.0, FilterKind.SAND, depth_deep_m=2.0), at=NOW)
    recovery = actions.open_recovery(log, made.id, at=NOW)
    given = [actions.PhotoIn(f"{pool}-{n}.jpg", f"good hazy light 0.9 {pool} {n}".encode()) for n in range(count)]
    logged = actions.log_visit(log, recovery.id, photos=given, at=NOW, by="Robin", measure=FakeMeasurer())
    return [each.sha256 for each in logged.measured]


def test_confirmed_stands_beside_the_given_and_the_newest_counts(log):
    (photo,) = photos(log, 1)
    learning.confirm_grade(log, photo, clarity=Clarity.CLEAR, at=NOW, by="Robin")
    learning.confirm_grade(log, photo, clarity=Clarity.HAZY, severity=Severity.TRACE, at=NOW, by="Olive")
    (kept,) = learning.confirmed(log)
    assert (kept.given_clarity, kept.given_severity) == (Clarity.HAZY, Severity.LIGHT)
    assert (kept.clarity, kept.severity, kept.confirmed_by) == (Clarity.HAZY, Severity.TRACE, "Olive")
    assert (kept.usable, kept.depth_deep_m) == (True, 2.0)


def test_nothing_said_and_no_measurement_are_refused(log):
    (photo,) = photos(log, 1)
    with pytest.raises(CannotConfirm, match="Nothing was said"):
        learning.confirm_grade(log, photo, at=NOW)
    waiting = actions.receive_photo(log, actions.PhotoIn("new.jpg", b"good clear none 0.9"), received_at=NOW)
    with pytest.raises(CannotConfirm, match="not been measured"):
        learning.confirm_grade(log, waiting, clarity=Clarity.CLEAR, at=NOW)


def test_confirmations_are_never_altered(log):
    (photo,) = photos(log, 1)
    learning.confirm_grade(log, photo, clarity=Clarity.CLEAR, at=NOW)
    for statement in ("delete from confirmations", "update confirmations set clarity = 'hazy'"):
        with pytest.raises(sqlite3.IntegrityError, match="appended"):
            log._connection.execute(statement)


def test_drift_says_how_often_and_which_way(log):
    every = photos(log, 12)
    assert "0 confirmed so far" in learning.drift(log).clarity.say()
    for place, photo in enumerate(every):
        said = Clarity.HAZY if place < 6 else Clarity.CRYSTAL if place == 6 else Clarity.CLEAR
        learning.confirm_grade(log, photo, clarity=said, severity=Severity.LIGHT, at=NOW)
    told = learning.drift(log)
    assert (told.clarity.count, told.clarity.exact) == (12, 0.5)
    assert told.clarity.within_one == pytest.approx(11 / 12)
    # Six of twelve were given murkier than they were, one of them by two classes.
    assert told.clarity.towards == pytest.approx(7 / 12)
    assert "leaned to murkier" in told.clarity.say()
    assert told.severity.exact == 1
    assert "leaned" not in told.severity.say()
    assert told.pools == 1


FOUND = {
    "photos": 12, "unread": 1, "pools": 3, "in_use_exact": 0.5, "candidate_exact": 0.75, "in_use_loss": 1.2,
    "candidate_loss": 0.8, "sure": 0.97, "rendered_in_use_loss": 2.3, "rendered_candidate_loss": 2.3, "better": True,
    "say": "The candidate is better.",
}  # fmt: skip


def trained(monkeypatch, found):
    """Let the training program write a candidate and say `found`."""

    def run(command, **_options):
        request = json.loads(Path(command[-1]).read_text())
        if isinstance(found, str):
            return SimpleNamespace(returncode=1, stdout="", stderr=found)
        Path(request["candidate"]).write_bytes(b"candidate")
        run.request = request
        return SimpleNamespace(returncode=0, stdout=json.dumps(found), stderr="")

    monkeypatch.setattr(learning.subprocess, "run", run)
    return run


def test_candidate_is_used_only_where_it_is_better(log, monkeypatch):
    (photo,) = photos(log, 1)
    learning.confirm_grade(log, photo, clarity=Clarity.CLEAR, at=NOW)
    with pytest.raises(CannotTrain, match="no candidate"):
        learning.compare_grader(log)
    run = trained(monkeypatch, FOUND | {"better": False, "say": "Keep the grader in use."})
    assert not learning.train_grader(log).better
    (asked,) = run.request["photos"]
    assert (asked["clarity"], asked["severity"], asked["depth_deep_m"]) == ("clear", None, 2.0)
    with pytest.raises(CannotTrain, match=r"not taken into use.*Keep the grader"):
        learning.compare_grader(log, use=True)
    assert not measuring.own_grader_path(log).exists()
    trained(monkeypatch, FOUND)
    learning.train_grader(log)
    assert learning.compare_grader(log, use=True).in_use
    assert measuring.own_grader_path(log).read_bytes() == b"candidate"
    # What this program cannot read is not used to measure.
    assert measuring.own_measurer(log) is None


@pytest.mark.parametrize(
    ("said", "told"),
    [("There are 2 confirmed photos of 1 pools.", "There are 2 confirmed"), ("ModuleNotFoundError: sklearn", "train")],
    ids=["too few", "not installed"],
)
def test_failed_training_is_told_in_a_sentence(log, monkeypatch, said, told):
    trained(monkeypatch, said)
    with pytest.raises(CannotTrain, match=told):
        learning.train_grader(log)


def test_commands_speak_of_it(tmp_path, monkeypatch):
    folder = tmp_path / "home"
    with actions.open_log(folder) as log:
        photos(log, 1)
    photo = tmp_path / "IMG.jpg"
    photo.write_bytes(b"good hazy light 0.9 Cedar Lane 12 0")
    said = CliRunner().invoke(main, ["confirm", str(photo), "--clarity", "clear", "--folder", str(folder)])
    assert (said.exit_code, said.output) == (0, "Noted.\n")
    trained(monkeypatch, FOUND)
    said = CliRunner().invoke(main, ["train", "--log", "--folder", str(folder)])
    assert said.exit_code == 0, said.output
    assert "in use 50%, candidate 75%" in said.output
    said = CliRunner().invoke(main, ["evaluate", "--use", "--folder", str(folder)])
    assert "1 confirmed so far" in said.output
    assert "The candidate is now in use." in said.output
    assert CliRunner().invoke(main, ["train"]).exit_code == 2
