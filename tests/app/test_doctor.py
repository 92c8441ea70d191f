"""The doctor: what is fit, what to look at, what is bad; nothing is changed by looking."""

import json
import os
import shutil
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from click.testing import CliRunner

from app import archive, doctor
from app.store.log import LOG_FILE, Log

OLD_LOG = Path(__file__).parent.parent / "data" / "old_logs" / "schema_2.sqlite3"
NOW = datetime.now().astimezone()


def examined(folder, now=NOW):
    return {each.name: each for each in doctor.examine(folder, now=now)}


@pytest.fixture(scope="module")
def worker():
    return doctor._worker()


@pytest.fixture(autouse=True)
def one_worker(monkeypatch, worker):
    monkeypatch.setattr(doctor, "_worker", lambda: worker)


def test_fit_installation_with_a_log(tmp_path):
    with Log(tmp_path) as log:
        archive.backup(log, tmp_path.parent / f"{tmp_path.name}-backup", at=NOW)
    tmp_path.chmod(0o700)
    found = examined(tmp_path)
    assert {name: each.say for name, each in found.items() if each.state == "bad"} == {}
    assert found["photos"].say == "reads JPEG, PNG, WebP and HEIC"
    assert found["folder"].state == found["log"].state == found["clock"].state == found["backup"].state == "ok"


def test_folder_that_is_not_there_is_not_made(tmp_path):
    found = examined(tmp_path / "none")
    assert (found["folder"].state, found["log"].state, found["backup"].state) == ("look", "look", "look")
    assert not (tmp_path / "none").exists()


def test_old_log_is_told_not_changed(tmp_path):
    shutil.copy(OLD_LOG, tmp_path / LOG_FILE)
    before = (tmp_path / LOG_FILE).read_bytes()
    found = examined(tmp_path)["log"]
    assert (found.state, found.say.startswith("schema 2 of ")) == ("look", True)
    assert "after a copy of it is made" in found.say
    assert (tmp_path / LOG_FILE).read_bytes() == before


def newer(folder):
    with Log(folder) as log:
        log._connection.execute("pragma user_version = 999")


def garbage(folder):
    (folder / LOG_FILE).write_bytes(b"no database" * 1000)


def other(folder):
    with Log(folder) as log:
        log._connection.execute("pragma application_id = 7")


@pytest.mark.parametrize(
    ("harm", "says"),
    [(newer, "a newer Turnblue wrote it"), (garbage, "cannot be read"), (other, "is not a log of Turnblue")],
)
def test_log_that_cannot_be_used_is_bad(tmp_path, harm, says):
    harm(tmp_path)
    found = examined(tmp_path)["log"]
    assert (found.state, says in found.say) == ("bad", True)


def test_clock_behind_the_log_and_old_backup_are_told(tmp_path):
    with Log(tmp_path) as log:
        log.save_company(__import__("app.records").records.Company("Invented"), at=NOW, who="Robin")
        archive.backup(log, tmp_path.parent / f"{tmp_path.name}-backup", at=NOW - timedelta(days=9))
    found = examined(tmp_path, NOW - timedelta(days=3))
    assert (found["clock"].state, "set it" in found["clock"].say) == ("look", True)
    assert examined(tmp_path)["backup"].say.endswith("older than a week")


@pytest.mark.skipif(os.name == "nt", reason="Windows keeps rights otherwise")
def test_folder_that_others_read_and_full_disk_are_told(tmp_path, monkeypatch):
    tmp_path.chmod(0o755)
    monkeypatch.setattr(doctor.shutil, "disk_usage", lambda _: type("Use", (), {"free": 1e8}))
    found = examined(tmp_path)
    assert found["folder"].say.endswith("can be read by others on this machine: chmod 700 it.")
    assert (found["disk"].state, found["disk"].say) == ("bad", "0.1 GB free: make room")


def test_missing_model_is_bad_with_its_hint(tmp_path, monkeypatch):
    monkeypatch.setenv("TURNBLUE_GRADER", str(tmp_path / "none.npz"))
    found = examined(tmp_path)["model"]
    assert (found.state, "Install Turnblue again" in found.say) == ("bad", True)


def test_worker_programs_start_and_keep_their_limit(worker):
    assert worker.state == "ok" if os.name == "posix" and os.uname().sysname == "Linux" else worker.state != "bad"


def test_command_ends_with_1_where_something_is_bad(tmp_path):
    from app.cli import main

    fine = CliRunner().invoke(main, ["doctor", "--folder", str(tmp_path), "--json"])
    assert fine.exit_code == 0
    assert {json.loads(line)["name"] for line in fine.stdout.splitlines()} >= {"program", "model", "card", "disk"}
    garbage(tmp_path)
    bad = CliRunner().invoke(main, ["doctor", "--folder", str(tmp_path)])
    assert bad.exit_code == 1
    assert "bad   log" in bad.stdout
