"""Events: one JSON line each, and never a person's words."""

import json

import pytest

from app import events
from app.events import note


def lines(path):
    return [json.loads(line) for line in path.read_text().splitlines()]


def test_event_is_one_json_line_with_its_time(tmp_path, monkeypatch):
    monkeypatch.setenv("TURNBLUE_LOG", str(tmp_path / "events"))
    note("photo_measured", photo="0123456789ab", usable=True, took_s=1.25)
    note("verified", photos=3)
    first, second = lines(tmp_path / "events")
    assert {name: first[name] for name in first if name != "at"} == {
        "event": "photo_measured", "photo": "0123456789ab", "usable": True, "took_s": 1.25,
    }  # fmt: skip
    assert second["event"] == "verified"
    assert first["at"] <= second["at"]
    assert (tmp_path / "events").stat().st_mode & 0o077 == 0


@pytest.mark.parametrize(
    "words", ["Robin Example", "12 Cedar Lane", "robin@example.org", 'x"}\n{"y', "a" * 41, "", "Ümläut"]
)
def test_persons_words_never_stand_in_an_event(tmp_path, monkeypatch, words):
    monkeypatch.setenv("TURNBLUE_LOG", str(tmp_path / "events"))
    note("saved", who=words)
    (line,) = lines(tmp_path / "events")
    assert line["who"] == "-"


def test_nothing_is_written_unless_asked_and_a_full_disk_is_no_matter(tmp_path, monkeypatch, capsys):
    monkeypatch.delenv("TURNBLUE_LOG", raising=False)
    note("saved")
    monkeypatch.setenv("TURNBLUE_LOG", str(tmp_path / "missing" / "events"))
    note("saved")
    assert list(tmp_path.iterdir()) == []
    monkeypatch.setenv("TURNBLUE_LOG", "stderr")
    note("saved", count=1)
    assert json.loads(capsys.readouterr().err)["count"] == 1


def test_codes_of_the_program_pass(monkeypatch):
    from vision.flags import BY_NAME

    assert [name for name in BY_NAME if not events.CODE.fullmatch(name)] == []
