"""Saves broken in every way: nothing acknowledged is lost, and what is left can be mended. Few saves here;
`python -m tests.crashes --saves 1000` tries many."""

import os
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from app import archive
from app.errors import LogUnusable
from app.records import FilterKind, Pool
from app.store import photos
from app.store.log import Log
from tests import crashes
from tests.crashes import AT, make_log, save_one

needs_trace = pytest.mark.skipif(not crashes.can_trace(), reason="strace is missing or may not be used here")


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no kill -9")
def test_killed_at_random_moments_nothing_acknowledged_is_lost(tmp_path):
    tally = crashes.kill_saves(tmp_path / "home", 12)
    assert tally.wrong == []
    assert tally.acknowledged >= 12


@needs_trace
@pytest.mark.parametrize("every", [29, 89])
def test_disk_full_at_any_write_or_sync_is_a_sentence_and_nothing_acknowledged_is_lost(tmp_path, every):
    tally = crashes.disk_full(tmp_path / "home", 25, every=every)
    assert tally.wrong == []
    assert tally.tried > 5


@needs_trace
def test_power_cut_at_any_moment_loses_nothing_acknowledged(tmp_path):
    tally = crashes.power_cuts(tmp_path, 8, 20)
    assert tally.wrong == []
    assert (tally.tried, tally.acknowledged > 20) == (40, True)


@needs_trace
def test_power_cut_is_seen_where_nothing_is_synced(tmp_path):
    # The same simulation with a disk that passes over every sync: it must find losses, or it could find none ever.
    tally = crashes.power_cuts(tmp_path, 4, 10, deaf=True)
    assert len(tally.wrong) > 5


def sentence_of(save):
    """Return what a save is refused with, nothing where it is not."""
    try:
        save()
    except LogUnusable as error:
        return str(error)
    return ""


class Full:
    """Fails the n-th of the file system's calls that keep a photo."""

    def __init__(self, monkeypatch, fails_at):
        self.left = fails_at
        for name in ("fsync", "replace", "mkdir"):
            monkeypatch.setattr(photos.os, name, self.guard(getattr(os, name)))

    def guard(self, real):
        def call(*arguments, **options):
            self.left -= 1
            if self.left == 0:
                raise OSError(28, "No space left on device")
            return real(*arguments, **options)

        return call


@pytest.mark.parametrize("fails_at", range(1, 8))
def test_each_call_that_keeps_a_photo_may_fail(tmp_path, monkeypatch, fails_at):
    recovery_id = make_log(tmp_path)
    with Log(tmp_path) as log:
        kept = save_one(log, recovery_id, 1)
        with monkeypatch.context() as patch:
            full = Full(patch, fails_at)
            told = sentence_of(lambda: save_one(log, recovery_id, 2))
        # A photo takes fewer calls than the last of these count to.
        assert "No space left on device" in told if full.left <= 0 else told == ""
        again = save_one(log, recovery_id, 2)
        later = datetime.now(UTC) + timedelta(days=1)
        archive.verify(log, now=later, mend=True)
        assert archive.verify(log, now=later).findings == ()
        visits = {visit.id: visit.photo_sha256s for visit in log.recovery(recovery_id).visits}
        assert visits[kept[0]] == (kept[1],)
        assert visits[again[0]] == (again[1],)


@pytest.mark.parametrize("pages", range(8))
def test_database_that_cannot_grow_is_a_sentence_and_the_log_stays(tmp_path, pages):
    recovery_id = make_log(tmp_path)
    with Log(tmp_path) as log:
        grown = log._rows("pragma page_count")[0]["page_count"] + pages
        log._connection.execute(f"pragma max_page_count = {grown}")
        saved = []
        told = sentence_of(lambda: saved.extend(save_one(log, recovery_id, turn) for turn in range(500)))
    assert "Check that its disk is not full" in told
    with Log(tmp_path) as log:
        visits = {visit.id: visit.photo_sha256s for visit in log.recovery(recovery_id).visits}
        assert visits == {visit_id: (sha256,) for visit_id, sha256 in saved}
        later = datetime.now(UTC) + timedelta(days=1)
        assert {each.kind for each in archive.verify(log, now=later, mend=True).findings} <= {"photo_unnoted"}
        assert archive.verify(log, now=later).findings == ()


@pytest.fixture
def unprivileged(tmp_path):
    """Be somebody without the right to write everywhere, as long as the test runs."""
    if os.name == "nt":
        pytest.skip("Windows keeps rights otherwise")
    reachable = tmp_path
    while reachable != reachable.parent:
        if not reachable.stat().st_mode & 0o001:
            reachable.chmod(reachable.stat().st_mode | 0o011)
        reachable = reachable.parent
    before = os.geteuid()
    yield lambda: os.seteuid(65534) if before == 0 else None
    os.seteuid(before)


def test_read_only_folder_is_a_sentence(tmp_path, unprivileged):
    home = tmp_path / "home"
    recovery_id = make_log(home)
    files = {path: path.read_bytes() for path in home.rglob("*") if path.is_file()}
    for path in [home, *home.rglob("*")]:
        path.chmod(0o555 if path.is_dir() else 0o444)
    unprivileged()
    with pytest.raises(LogUnusable, match=r"cannot be (read or written|used).*"), Log(home) as log:
        save_one(log, recovery_id, 1)
    with pytest.raises(LogUnusable, match=r"cannot be used .Permission denied.. Name another with TURNBLUE_HOME"):
        Log(home / "inside")
    os.seteuid(os.getuid())
    assert {path: path.read_bytes() for path in files} == files


def test_clock_set_back_changes_no_order_and_no_answer(tmp_path):
    recovery_id = make_log(tmp_path)
    before = AT - timedelta(days=400)
    with Log(tmp_path) as log:
        _, sha256 = save_one(log, recovery_id, 1)
        log.add_pool(Pool("p-2", "Elm Street 4", 40_000.0, FilterKind.SAND), at=before, who="Robin")
        log.update_pool(
            Pool("p-2", "Elm Street 4", 42_000.0, FilterKind.SAND), at=before - timedelta(days=1), who="Sam"
        )
        history = log.history_of("pools", "p-2")
        # The history is in the order things happened, whatever the clock said.
        assert [row["who"] for row in history] == ["Robin", "Sam"]
        archive.backup(log, tmp_path / "../backup", at=AT)
        save_one(log, recovery_id, 2)
        archive.backup(log, tmp_path / "../backup", at=before)
        # The newest backup is the last one made, not the one with the latest time.
        about = archive.restore(tmp_path / "../backup", tmp_path / "../restored")
        assert about.photos == 2
        assert archive.verify(log, now=before).findings == ()
        # Files that look as if from the future are no arrivals: they are checked.
        Path(tmp_path, "photos", "stray").write_text("x")
        assert [each.kind for each in archive.verify(log, now=before).findings] == ["file_strange"]
        assert log.photo_bytes(sha256)
