"""Confirmed grades: kept beside the given ones, and told as drift."""

import sqlite3
from datetime import UTC, datetime

import pytest
from click.testing import CliRunner

from app import actions, learning
from app.cli import main
from app.errors import CannotConfirm
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


def test_command_notes_what_was_said(tmp_path):
    folder = tmp_path / "home"
    with actions.open_log(folder) as log:
        photos(log, 1)
    photo = tmp_path / "IMG.jpg"
    photo.write_bytes(b"good hazy light 0.9 Cedar Lane 12 0")
    said = CliRunner().invoke(main, ["confirm", str(photo), "--clarity", "clear", "--folder", str(folder)])
    assert (said.exit_code, said.output) == (0, "Noted.\n")
