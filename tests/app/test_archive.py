"""The archive: what verify finds and mends, backups that come back byte for byte, old logs that still open."""

import hashlib
import json
import os
import shutil
import sqlite3
import threading
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from click.testing import CliRunner
from fake_measuring import FakeMeasurer

from app import actions, archive
from app.actions import PhotoIn
from app.errors import CannotRestore, LogUnusable
from app.records import Company, FilterKind, Pool, Reading, Treatment, Work
from app.store import log as log_module
from app.store.log import LOG_FILE, Log
from app.store.migrations import MIGRATIONS
from app.store.photos import ADDRESS_FILE, photo_place

NOW = datetime(2026, 6, 3, 16, 0, tzinfo=UTC)
LATER = datetime.now(UTC) + timedelta(days=2)
OLD_LOGS = Path(__file__).parent.parent / "data" / "old_logs"


@pytest.fixture
def log(tmp_path):
    with actions.open_log(tmp_path / "home") as opened:
        actions.save_company(opened, Company("Invented Pools"), at=NOW)
        pool = actions.add_pool(opened, Pool("p-1", "Cedar Lane 12", 50_000.0, FilterKind.SAND), at=NOW, by="Robin")
        recovery = actions.open_recovery(opened, pool.id, at=NOW, by="Robin")
        for number in range(3):
            actions.log_visit(
                opened,
                recovery.id,
                at=NOW + timedelta(days=number),
                by="Robin",
                photos=[PhotoIn(f"IMG_{number}.jpg", f"good hazy light 0.{number + 4}".encode())],
                readings=[Reading("ph", 7.6, 7.5, 7.7, "", "drop_count")],
                treatments=[Treatment("sodium_hypochlorite", 9.5, "L", 12.5)],
                work=[Work.BRUSHED],
                measure=FakeMeasurer(),
            )
        yield opened


def sha_of(number):
    return hashlib.sha256(f"good hazy light 0.{number + 4}".encode()).hexdigest()


def path_of(log, number):
    return log.photo_folder / photo_place(sha_of(number))


def kinds(verified):
    return [each.kind for each in verified.findings]


def rows_of(folder):
    with closing(sqlite3.connect(folder / LOG_FILE)) as file:
        return list(file.iterdump())


def files_of(folder):
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def test_whole_log_is_sound(log):
    told = archive.verify(log, now=LATER)
    assert (told.photos, told.files, told.findings, told.sound) == (3, 3, (), True)


def missing(log):
    path_of(log, 0).unlink()


def altered(log):
    path_of(log, 0).write_bytes(b"other bytes")


def cut_short(log):
    os.truncate(path_of(log, 0), 3)


@pytest.mark.parametrize(
    ("harm", "kind", "says"),
    [
        (missing, "photo_missing", "is missing. Put it back: turnblue verify --mend --spare BACKUP"),
        (altered, "photo_altered", "is no longer what was received. Put it back"),
        (cut_short, "photo_altered", "is no longer what was received. Put it back"),
    ],
)
@pytest.mark.parametrize("quick", [False, True], ids=["every byte", "sizes"])
def test_lost_or_altered_photo_is_named_and_comes_back_from_the_backup(log, tmp_path, harm, kind, says, quick):
    archive.backup(log, tmp_path / "backup", at=NOW)
    harm(log)
    told = archive.verify(log, now=LATER, quick=quick)
    assert (kinds(told), told.sound) == ([kind], False)
    assert told.findings[0].say.startswith(f"The photo IMG_0.jpg ({sha_of(0)[:12]}) {says}")
    # Without a spare it is said, not mended.
    assert not archive.verify(log, now=LATER, mend=True).sound
    mended = archive.verify(log, now=LATER, mend=True, spare=tmp_path / "backup")
    assert (kinds(mended), mended.sound) == ([kind], True)
    assert archive.verify(log, now=LATER).findings == ()
    # What was there instead is kept, not overwritten.
    assert len(list((log.folder / "aside").glob("*"))) == (0 if kind == "photo_missing" else 1)


def test_same_size_other_bytes_are_seen_only_when_every_byte_is_read(log):
    path = path_of(log, 0)
    path.write_bytes(path.read_bytes()[::-1])
    assert kinds(archive.verify(log, now=LATER, quick=True)) == []
    assert kinds(archive.verify(log, now=LATER)) == ["photo_altered"]


def test_file_without_a_row_is_taken_into_the_log_once_it_is_no_arrival(log):
    content = b"kept, then the power went"
    sha256 = log.photos_kept.keep(content)
    assert kinds(archive.verify(log, now=datetime.now(UTC))) == []
    assert kinds(archive.verify(log, now=LATER)) == ["photo_unnoted"]
    assert archive.verify(log, now=LATER, mend=True).sound
    assert log.photo(sha256)["original_name"] == archive.FOUND_NAME
    assert log.photo_bytes(sha256) == content
    assert archive.verify(log, now=LATER).findings == ()


def test_unfinished_and_strange_files_leave_the_photos(log):
    folder = path_of(log, 0).parent
    (folder / ".incoming-x1").write_bytes(b"half")
    (folder / "holiday.jpg").write_bytes(b"not ours")
    (folder / ("a" * 64)).write_bytes(b"in the wrong place")
    told = archive.verify(log, now=LATER)
    assert sorted(kinds(told)) == ["file_strange", "file_strange", "file_unfinished"]
    assert archive.verify(log, now=LATER, mend=True).sound
    assert archive.verify(log, now=LATER).findings == ()
    assert {path.name for path in (log.folder / "aside").iterdir()} == {"holiday.jpg", "a" * 64}


@pytest.mark.parametrize(
    ("statement", "where"),
    [
        ("update pools set volume_l = 1", "pools p-1"),
        ("update readings set value = 1", "readings v-"),
        ("update treatments set amount = 900", "treatments v-"),
        ("delete from work where visit_id = (select min(visit_id) from work)", "work v-"),
        ("insert into recoveries (id, pool_id, opened_at, closed_at) values "
         "('r-x', 'p-1', '2026-01-01T00:00:00+00:00', '2026-01-02T00:00:00+00:00')", "recoveries r-x"),
    ],
    ids=["a volume", "a reading", "an amount", "a list removed", "a row slipped in"],
)  # fmt: skip
def test_row_changed_around_the_program_is_found(log, statement, where):
    with closing(sqlite3.connect(log.folder / LOG_FILE)) as other:
        other.execute(statement)
        other.commit()
    told = archive.verify(log, now=LATER)
    assert set(kinds(told)) == {"row_altered"}
    assert all(each.what.startswith(where) for each in told.findings)
    assert not archive.verify(log, now=LATER, mend=True).sound


def test_damaged_database_is_a_sentence(log, tmp_path):
    log._connection.execute("pragma wal_checkpoint(truncate)")
    log.close()
    path = log.folder / LOG_FILE
    whole = bytearray(path.read_bytes())
    whole[4096 * 3 : 4096 * 20] = bytes(4096 * 17)
    path.write_bytes(bytes(whole))
    told = run("verify", "--folder", log.folder)
    assert told.exit_code == 1
    assert "Restore it from a backup." in " ".join(told.output.split())


# Backup and restore


def test_backup_comes_back_byte_for_byte(log, tmp_path):
    made = archive.backup(log, tmp_path / "backup", at=NOW)
    assert (made.photos, made.copied, made.lost) == (3, 3, ())
    about = archive.restore(tmp_path / "backup", tmp_path / "restored")
    assert about.photos == 3
    assert files_of(tmp_path / "restored" / "photos") == files_of(log.photo_folder)
    snapshot = tmp_path / "backup" / "snapshots" / f"{made.snapshot}.sqlite3"
    assert (tmp_path / "restored" / LOG_FILE).read_bytes() == snapshot.read_bytes()
    with Log(tmp_path / "restored") as restored:
        assert restored.open_recoveries() == log.open_recoveries()
        assert archive.verify(restored, now=LATER).findings == ()
    assert rows_of(tmp_path / "restored") == rows_of(log.folder)


def test_second_backup_copies_only_what_is_new(log, tmp_path):
    archive.backup(log, tmp_path / "backup", at=NOW)
    before = {path: path.stat().st_mtime_ns for path in (tmp_path / "backup" / "photos").rglob("*") if path.is_file()}
    content = b"good clear none 0.9"
    log.add_photo(content, name="new.jpg", received_at=NOW, kind="water", who="Robin")
    made = archive.backup(log, tmp_path / "backup", at=NOW)
    assert (made.copied, made.copied_bytes) == (1, len(content))
    assert {path: path.stat().st_mtime_ns for path in before} == before
    assert [name[:4] for name in archive.snapshots(tmp_path / "backup")] == ["0001", "0002"]
    # The older snapshot still comes back as it was.
    assert archive.restore(tmp_path / "backup", tmp_path / "older", snapshot="0001").photos == 3


def test_backup_while_people_work_is_of_one_moment(log, tmp_path):
    stop, recovery = threading.Event(), log.open_recoveries()[0].id
    saved = [0]

    def work():
        with Log(log.folder) as other:
            while not stop.is_set():
                from tests.crashes import save_one

                save_one(other, recovery, saved[0])
                saved[0] += 1

    worker = threading.Thread(target=work)
    worker.start()
    try:
        for _ in range(4):
            made = archive.backup(log, tmp_path / "backup", at=NOW)
            assert made.lost == ()
    finally:
        stop.set()
        worker.join()
    assert saved[0] > 5
    for number, name in enumerate(archive.snapshots(tmp_path / "backup")):
        archive.restore(tmp_path / "backup", tmp_path / f"restored-{number}", snapshot=name)
        with Log(tmp_path / f"restored-{number}") as restored:
            assert archive.verify(restored, now=LATER).findings == ()
            # A visit and its photo are saved as one, and come back as one.
            assert all(len(visit.photo_sha256s) == 1 for visit in restored.open_recoveries()[0].visits)


def test_backup_says_what_it_could_not_copy_and_keeps_what_it_had(log, tmp_path):
    archive.backup(log, tmp_path / "backup", at=NOW)
    kept = files_of(tmp_path / "backup" / "photos")
    altered(log)
    path_of(log, 1).unlink()
    made = archive.backup(log, tmp_path / "backup", at=NOW, check=True)
    assert made.lost == ()
    assert files_of(tmp_path / "backup" / "photos") == kept
    assert set(archive.backup(log, tmp_path / "fresh", at=NOW).lost) == {sha_of(0), sha_of(1)}
    with pytest.raises(CannotRestore, match=r"is missing .*Nothing was put in its place"):
        archive.restore(tmp_path / "fresh", tmp_path / "restored")
    assert not (tmp_path / "restored").exists()
    assert not list(tmp_path.glob(".restored*"))


def test_checked_backup_mends_itself(log, tmp_path):
    archive.backup(log, tmp_path / "backup", at=NOW)
    rotten = tmp_path / "backup" / "photos" / photo_place(sha_of(2))
    rotten.write_bytes(rotten.read_bytes()[::-1])
    assert archive.backup(log, tmp_path / "backup", at=NOW).copied == 0
    assert archive.backup(log, tmp_path / "backup", at=NOW, check=True).copied == 1
    assert rotten.read_bytes() == path_of(log, 2).read_bytes()


def test_backup_that_fails_midway_is_none(log, tmp_path, monkeypatch):
    def disk_full(*_):
        raise OSError(28, "No space left on device")

    archive.backup(log, tmp_path / "backup", at=NOW)
    log.add_photo(b"new", name="new.jpg", received_at=NOW, kind="water", who="Robin")
    with monkeypatch.context() as patch:
        patch.setattr("app.store.photos.os.fsync", disk_full)
        with pytest.raises(LogUnusable, match=r"(failed|saved) .No space left on device"):
            archive.backup(log, tmp_path / "backup", at=NOW)
    assert len(archive.snapshots(tmp_path / "backup")) == 1
    assert archive.backup(log, tmp_path / "backup", at=NOW).photos == 4
    # What the broken one left behind is gone.
    assert len(list((tmp_path / "backup" / "snapshots").iterdir())) == 4


def test_only_so_many_snapshots_are_kept(log, tmp_path, monkeypatch):
    monkeypatch.setattr(archive, "KEPT_SNAPSHOTS", 2)
    for _ in range(4):
        archive.backup(log, tmp_path / "backup", at=NOW)
    assert [name[:4] for name in archive.snapshots(tmp_path / "backup")] == ["0003", "0004"]


@pytest.mark.parametrize("content", [b"", b"{}", b"[1]", b'{"made_at": 1}', b"\xff\xfe"])
def test_damaged_description_of_a_snapshot_is_a_sentence(log, tmp_path, content):
    name = archive.backup(log, tmp_path / "backup", at=NOW).snapshot
    (tmp_path / "backup" / archive.SNAPSHOTS / f"{name}.json").write_bytes(content)
    with pytest.raises(CannotRestore, match=f"The description of the snapshot {name} is damaged. Restore an older one"):
        archive.restore(tmp_path / "backup", tmp_path / "restored")
    assert not (tmp_path / "restored").exists()


def test_what_cannot_be_backed_up_or_restored_says_why(log, tmp_path):
    with pytest.raises(LogUnusable, match=r"is lost with it. Name a folder on another disk"):
        archive.backup(log, log.folder / "backup", at=NOW)
    with pytest.raises(CannotRestore, match="holds no such backup"):
        archive.restore(tmp_path, tmp_path / "restored")
    made = archive.backup(log, tmp_path / "backup", at=NOW)
    with pytest.raises(CannotRestore, match=r"holds something already. Name an empty folder; nothing was changed"):
        archive.restore(tmp_path / "backup", log.folder)
    snapshot = tmp_path / "backup" / "snapshots" / f"{made.snapshot}.sqlite3"
    snapshot.write_bytes(snapshot.read_bytes()[:-1])
    with pytest.raises(CannotRestore, match=r"is damaged. Restore an older one"):
        archive.restore(tmp_path / "backup", tmp_path / "restored")


# Old logs


@pytest.mark.parametrize("path", sorted(OLD_LOGS.glob("*.sqlite3")), ids=lambda path: path.stem)
def test_old_log_opens_and_a_copy_of_it_is_kept(path, tmp_path):
    (tmp_path / LOG_FILE).write_bytes(path.read_bytes())
    before = rows_of(tmp_path)
    with Log(tmp_path) as log:
        assert log._rows("pragma user_version") == [{"user_version": len(MIGRATIONS)}]
        (recovery,) = log.open_recoveries()
        (visit,) = recovery.visits
        assert (recovery.pool.name, visit.note, visit.readings[0].value) == ("Cedar Lane 12", "Oak leaves", 7.6)
        assert visit.assessment.usable
        history = log.history_of("visits", visit.id)
        assert [row["who"] for row in history] == ["Robin", "Sam"]
        # Its photo's file is not part of this folder; all else is sound.
        assert kinds(archive.verify(log, now=LATER)) == ["photo_missing"]
    old = int(path.stem.partition("_")[2])
    kept = [each for each in (tmp_path / "before-migration").glob("*") if old < len(MIGRATIONS)]
    assert [each.name for each in kept] == ([f"log-schema-{old}.sqlite3"] if old < len(MIGRATIONS) else [])
    for each in kept:
        (tmp_path / "again").mkdir()
        shutil.copy(each, tmp_path / "again" / LOG_FILE)
        assert rows_of(tmp_path / "again") == before


def test_old_logs_are_there():
    assert (OLD_LOGS / "schema_2.sqlite3").is_file()


def test_migration_without_room_for_a_copy_changes_nothing(tmp_path, monkeypatch):
    def disk_full(*_, **__):
        raise OSError(28, "No space left on device")

    (tmp_path / LOG_FILE).write_bytes((OLD_LOGS / "schema_2.sqlite3").read_bytes())
    before = rows_of(tmp_path)
    monkeypatch.setattr(log_module, "copy_database", disk_full)
    with pytest.raises(LogUnusable, match=r"was not brought up to date.*nothing was changed"):
        Log(tmp_path)
    assert rows_of(tmp_path) == before


# Photos in a store that is no folder


@pytest.fixture
def bucket(tmp_path):
    fsspec = pytest.importorskip("fsspec", reason="fsspec comes with the extra [cluster]")
    address = f"memory://photos-{tmp_path.name}"
    (tmp_path / "bucket-home").mkdir()
    (tmp_path / "bucket-home" / ADDRESS_FILE).write_text(address)
    yield tmp_path / "bucket-home"
    fsspec.filesystem("memory").rm(f"/photos-{tmp_path.name}", recursive=True)


def test_photos_may_lie_in_any_store(bucket, tmp_path):
    with Log(bucket) as log:
        sha256 = log.add_photo(b"content", name="a.jpg", received_at=NOW, kind="water", who="Robin")
        assert log.photo_bytes(sha256) == b"content"
        assert not log.photo_folder.exists()
        assert log.photos_kept.address(sha256).endswith(photo_place(sha256))
        assert archive.verify(log, now=LATER).findings == ()
        assert archive.verify(log, now=LATER).files == 1
        assert archive.backup(log, tmp_path / "backup", at=NOW).copied == 1
        log.photos_kept._files.pipe_file(log.photos_kept._at(photo_place(sha256)), b"altered")
        assert kinds(archive.verify(log, now=LATER)) == ["photo_altered"]
        assert archive.verify(log, now=LATER, mend=True, spare=tmp_path / "backup").sound
        assert archive.verify(log, now=LATER).findings == ()
    assert archive.restore(tmp_path / "backup", tmp_path / "restored").photos == 1


def test_store_that_cannot_be_used_is_a_sentence(tmp_path):
    (tmp_path / ADDRESS_FILE).write_text("nosuchstore://x")
    with pytest.raises(LogUnusable, match=r"The photos' store 'nosuchstore://x' cannot be used"):
        Log(tmp_path)


@pytest.mark.parametrize(
    "address", ["nosuchstore://KEY:secret-1@x/photos", "nosuchstore://x/photos?sig=secret-1"], ids=["before", "after"]
)
def test_what_opens_the_store_is_in_no_sentence(tmp_path, address):
    (tmp_path / ADDRESS_FILE).write_text(address)
    with pytest.raises(LogUnusable, match=r"The photos' store 'nosuchstore://.*\*\*\*.*' cannot be used") as refused:
        Log(tmp_path)
    assert "secret-1" not in str(refused.value)
    assert "KEY" not in str(refused.value)


# The commands


def run(*words):
    from app.cli import main

    return CliRunner().invoke(main, [str(word) for word in words])


def test_commands_say_what_was_found_and_done(log, tmp_path):
    home = ("--folder", log.folder)
    made = run("backup", tmp_path / "backup", *home)
    assert (made.exit_code, made.output.split(": ")[1]) == (0, "3 photos, 3 of them new (0.0 MB).\n")
    altered(log)
    told = run("verify", *home)
    assert told.exit_code == 1
    assert told.stdout.startswith(f"! The photo IMG_0.jpg ({sha_of(0)[:12]}) is no longer what was received.")
    assert told.stdout.endswith("3 photos, 3 files: see above.\n")
    mended = run("verify", "--mend", "--spare", tmp_path / "backup", *home)
    assert mended.exit_code == 0
    assert "+ The photo IMG_0.jpg" in mended.stdout
    (line,) = run("verify", "--json", *home).stdout.splitlines()
    assert json.loads(line) == {"photos": 3, "files": 3, "sound": True}
    back = run("restore", tmp_path / "backup", "--folder", tmp_path / "restored")
    assert (back.exit_code, back.stdout.endswith(", 3 photos, each checked.\n")) == (0, True)
    again = run("restore", tmp_path / "backup", "--folder", tmp_path / "restored")
    assert again.exit_code == 1
    assert again.stderr.strip().endswith("Name an empty folder; nothing was changed.")
