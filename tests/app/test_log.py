"""The log: schema, history, durability rules, and several writers at once."""

import json
import random
import sqlite3
import subprocess
import sys
import time
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pytest
from fake_measuring import FakeMeasurer

from app.errors import AlreadyInLog, LogBusy, LogNewer, LogUnusable, NotInLog
from app.records import (
    Chemical,
    Company,
    ElementState,
    Equipment,
    FilterKind,
    FloorColour,
    Method,
    Pool,
    Reading,
    Surface,
    Treatment,
    Visit,
    Work,
)
from app.store import log as log_module
from app.store.log import LOG_FILE, Log, new_id
from app.store.migrations import MIGRATIONS
from app.workers import Job

AT = datetime(2026, 6, 3, 9, 14, 7, tzinfo=timezone(timedelta(hours=-7)))
POOL = Pool("p-1", "Invented Street 1", 56_781.0, FilterKind.CARTRIDGE)


@pytest.fixture
def log(tmp_path):
    with Log(tmp_path / "home") as opened:
        yield opened


def full_visit(recovery_id: str) -> Visit:
    return Visit(
        id=new_id("v"),
        recovery_id=recovery_id,
        at=AT,
        by="Robin",
        equipment=Equipment(True, False, None, 120.5, ElementState.WORN, True),
        readings=(
            Reading("free_chlorine", 0.5, 0.0, 1.0, "mg/L", Method.STRIP_EYE, ("faded",)),
            Reading("ph", 7.8, 7.5, 8.1, "", Method.DROP_COUNT),
        ),
        treatments=(Treatment(Chemical.SODIUM_HYPOCHLORITE, 30.3, "L", 12.5),),
        work=(Work.BRUSHED, Work.BASKETS_EMPTIED),
        floor_seen=False,
        debris_on_floor=None,
        note="Grün 🟢 'quoted'; drop table visits",
    )


def measured(text: str, folder: Path, model: str = "fake-1"):
    path = folder / "photo.txt"
    path.write_text(text)
    return FakeMeasurer(model)(Job(path, "IMG_1.jpg"))


def test_empty_folder_becomes_a_log_of_the_present_version(tmp_path):
    with Log(tmp_path / "a" / "b") as log:
        assert log.pools() == ()
    db = sqlite3.connect(tmp_path / "a" / "b" / LOG_FILE)
    assert db.execute("pragma user_version").fetchone()[0] == len(MIGRATIONS)
    assert db.execute("pragma journal_mode").fetchone()[0] == "wal"
    tables = {row[0] for row in db.execute("select name from sqlite_master where type = 'table'")}
    db.close()
    assert tables >= {
        "company", "pools", "recoveries", "visits", "photos", "measurements", "readings", "treatments", "equipment",
        "work", "history",
    }  # fmt: skip


def test_connection_syncs_fully_and_checks_foreign_keys(log):
    assert log._rows("pragma synchronous") == [{"synchronous": 2}]
    assert log._rows("pragma foreign_keys") == [{"foreign_keys": 1}]


def test_failed_migration_leaves_the_log_as_it_was(tmp_path, monkeypatch):
    with Log(tmp_path) as log:
        log.add_pool(POOL, at=AT, who="Robin")

    def broken(db):
        db.conn.execute("create table half_made (id integer)")
        raise RuntimeError("planted")

    monkeypatch.setattr(log_module, "MIGRATIONS", (*MIGRATIONS, broken))
    with pytest.raises(RuntimeError, match="planted"):
        Log(tmp_path)
    monkeypatch.undo()
    with Log(tmp_path) as log:
        assert log.pools() == (POOL,)
        assert log._rows("select name from sqlite_master where name = 'half_made'") == []


def test_next_migration_runs_once_on_an_old_log(tmp_path, monkeypatch):
    runs = []

    def second(db):
        runs.append(1)
        db.conn.execute("alter table visits add column weather text")

    with Log(tmp_path) as log:
        log.add_pool(POOL, at=AT, who="Robin")
    monkeypatch.setattr(log_module, "MIGRATIONS", (*MIGRATIONS, second))
    for _ in range(2):
        with Log(tmp_path) as log:
            assert log._rows("pragma user_version") == [{"user_version": len(MIGRATIONS) + 1}]
            assert log.pools() == (POOL,)
    assert runs == [1]


def test_log_of_a_newer_version_is_refused_and_untouched(tmp_path):
    Log(tmp_path).close()
    db = sqlite3.connect(tmp_path / LOG_FILE)
    db.execute("pragma user_version = 99")
    db.close()
    with pytest.raises(LogNewer, match=r"written by a newer Turnblue .* Update Turnblue"):
        Log(tmp_path)


def test_other_database_is_refused(tmp_path):
    db = sqlite3.connect(tmp_path / LOG_FILE)
    db.execute("create table things (id integer)")
    db.close()
    with pytest.raises(LogUnusable, match="is not a log of Turnblue"):
        Log(tmp_path)


def test_damaged_file_is_a_sentence(tmp_path):
    (tmp_path / LOG_FILE).write_bytes(b"no database at all" * 400)
    with pytest.raises(LogUnusable, match="damaged or is not a log"):
        Log(tmp_path)


def test_folder_that_cannot_be_made_is_a_sentence(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(LogUnusable, match=r"cannot be used .* TURNBLUE_HOME"):
        Log(tmp_path / "file" / "home")


def test_everything_comes_back_as_it_went_in(log):
    pool = Pool(
        "p-2", "Whole", 40_000.5, FilterKind.DE, Surface.PEBBLE, FloorColour.DARK, 1.0, 2.4, True, 90.0, True, True,
        True, "An owner", "A town", "A note",
    )  # fmt: skip
    log.save_company(Company("Invented Pools", "555-0100", "metric", True), at=AT, who="Robin")
    log.add_pool(pool, at=AT, who="Robin")
    visit = full_visit(log.open_recovery("p-2", at=AT, who="Robin"))
    log.save_visit(visit, at=AT, who="Robin")
    assert log.company() == Company("Invented Pools", "555-0100", "metric", True)
    assert log.pools() == (pool,)
    kept = log.recovery(visit.recovery_id)
    assert kept.visits == (visit,)
    assert kept.visits[0].at.utcoffset() == timedelta(hours=-7)
    assert kept.pool == pool


def test_unchanged_save_leaves_no_history_and_a_change_leaves_before_and_after(log):
    log.add_pool(POOL, at=AT, who="Robin")
    visit = full_visit(log.open_recovery("p-1", at=AT, who="Robin"))
    log.save_visit(visit, at=AT, who="Robin")
    log.save_visit(visit, at=AT, who="Sam")
    later = AT + timedelta(days=1)
    log.save_visit(replace(visit, note="corrected", readings=visit.readings[:1]), at=later, who="Sam")
    first, second = log.history_of("visits", visit.id)
    assert (first["who"], first["before"]) == ("Robin", None)
    assert (second["who"], second["at"]) == ("Sam", later.isoformat())
    assert json.loads(second["before"])["note"] == visit.note
    assert json.loads(second["after"])["note"] == "corrected"
    _, readings = log.history_of("readings", visit.id)
    assert [each["analyte"] for each in json.loads(readings["before"])] == ["free_chlorine", "ph"]
    assert [each["analyte"] for each in json.loads(readings["after"])] == ["free_chlorine"]
    assert len(log.history_of("treatments", visit.id)) == 1


def test_pool_change_keeps_the_old_value(log):
    log.add_pool(POOL, at=AT, who="Robin")
    log.update_pool(replace(POOL, volume_l=60_000.0), at=None, who="Sam")
    change = log.history_of("pools", "p-1")[-1]
    assert json.loads(change["before"])["volume_l"] == 56_781.0
    assert json.loads(change["after"])["volume_l"] == 60_000.0
    # The caller knew no time: the log's own stamp says when it was recorded.
    assert change["at"] is None
    assert datetime.fromisoformat(change["recorded_at"]).tzinfo == UTC


@pytest.mark.parametrize(
    "statement",
    [
        "update measurements set result = '{}'",
        "delete from measurements",
        "update history set who = 'x'",
        "delete from history",
        "delete from photos",
        "update photos set original_name = 'x'",
    ],
)
def test_what_is_appended_cannot_be_altered(log, tmp_path, statement):
    sha256 = log.add_photo(b"good clear none 0.9", name="a.jpg", received_at=AT, kind="water", who="Robin")
    result = measured("good clear none 0.9", tmp_path)
    log.append_measurement(sha256, result, pipeline="1", model="m", inputs="", measured_at=AT)
    with pytest.raises(sqlite3.IntegrityError, match="never"):
        log._connection.execute(statement)


def test_foreign_keys_hold(log):
    with pytest.raises(sqlite3.IntegrityError, match="FOREIGN KEY"), log.atomic():
        log._connection.execute("insert into recoveries values ('r-x', 'no pool', '2026-01-01', null)")
    with pytest.raises(NotInLog, match="There is no recovery r-none"):
        log.save_visit(full_visit("r-none"), at=AT, who="Robin")
    with pytest.raises(NotInLog, match="There is no pool p-none"):
        log.open_recovery("p-none", at=AT, who="Robin")


def test_atomic_block_that_fails_leaves_nothing(log):
    def add_then_fail():
        with log.atomic():
            log.add_pool(POOL, at=AT, who="Robin")
            raise RuntimeError("planted")

    with pytest.raises(RuntimeError, match="planted"):
        add_then_fail()
    assert log.pools() == ()
    assert log.history_of("pools", "p-1") == []


def test_second_open_recovery_and_second_pool_of_an_id_are_refused(log):
    log.add_pool(POOL, at=AT, who="Robin")
    with pytest.raises(AlreadyInLog, match="a pool p-1 already"):
        log.add_pool(POOL, at=AT, who="Robin")
    first = log.open_recovery("p-1", at=AT, who="Robin")
    with pytest.raises(AlreadyInLog, match="has an open recovery already"):
        log.open_recovery("p-1", at=AT, who="Robin")
    log.close_recovery(first, at=AT, who="Robin")
    second = log.open_recovery("p-1", at=AT + timedelta(days=9), who="Robin")
    assert [each.id for each in log.recoveries_of("p-1")] == [second, first]
    assert [each.id for each in log.open_recoveries()] == [second]


def test_times_without_a_zone_are_a_programmers_mistake(log):
    log.add_pool(POOL, at=AT, who="Robin")
    with pytest.raises(ValueError, match="at must be a time with its zone"):
        log.open_recovery("p-1", at=datetime(2026, 1, 1), who="Robin")


def test_visits_come_oldest_first_across_time_zones(log):
    log.add_pool(POOL, at=AT, who="Robin")
    recovery_id = log.open_recovery("p-1", at=AT, who="Robin")
    # 09:14-07:00 is 16:14 UTC: after 15:00+00:00, though its text sorts before.
    early = replace(full_visit(recovery_id), at=datetime(2026, 6, 3, 15, 0, tzinfo=UTC))
    late = full_visit(recovery_id)
    for visit in (late, early):
        log.save_visit(visit, at=visit.at, who="Robin")
    assert [each.id for each in log.recovery(recovery_id).visits] == [early.id, late.id]


def test_measurement_is_there_once_for_each_version_model_and_input(log, tmp_path):
    sha256 = log.add_photo(b"good clear none 0.9", name="a.jpg", received_at=AT, kind="water", who="Robin")
    result = measured("good clear none 0.9", tmp_path)

    def append(**changes):
        how = {"pipeline": "1", "model": "m", "inputs": "", "measured_at": AT, **changes}
        return log.append_measurement(sha256, result, **how)

    first = append()
    assert append(measured_at=AT + timedelta(days=1)) == first
    others = [append(pipeline="2"), append(model="n"), append(inputs='{"region_px": []}')]
    assert len({first, *others}) == 4
    assert [row["id"] for row in log.measurements_of(sha256)] == [*reversed(others), first]
    assert log._rows("select id from newest_measurements") == [{"id": others[-1]}]
    # NaN of a dropped patch is null in the log: JSON has no NaN.
    assert json.loads(log.measurements_of(sha256)[0]["result"])["card"]["patches"][1]["held_out_delta_e00"] is None
    assert log.photo(sha256)["taken_at"] == "2026-06-03T09:14:07-07:00"


def test_file_without_a_row_is_no_harm_and_is_taken_up_again(log, monkeypatch):
    def power_cut(*_arguments, **_named):
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr(Log, "_put", power_cut)
        with pytest.raises(KeyboardInterrupt):
            log.add_photo(b"bytes", name="a.jpg", received_at=AT, kind="water", who="Robin")
    files = [path for path in log.photo_folder.rglob("*") if path.is_file()]
    assert [path.read_bytes() for path in files] == [b"bytes"]
    with Log(log.folder) as again:
        assert again.photos() == []
        sha256 = again.add_photo(b"bytes", name="a.jpg", received_at=AT, kind="water", who="Robin")
        assert again.photo_bytes(sha256) == b"bytes"
    assert [path for path in log.photo_folder.rglob("*") if path.is_file()] == files


def test_row_is_only_written_after_the_file_is_on_disk(log, monkeypatch):
    def disk_full(_folder, _content):
        raise LogUnusable("The photo could not be saved (planted).")

    monkeypatch.setattr(log_module.photos, "keep_photo", disk_full)
    with pytest.raises(LogUnusable, match="planted"):
        log.add_photo(b"bytes", name="a.jpg", received_at=AT, kind="water", who="Robin")
    assert log.photos() == []


def test_photo_of_one_visit_is_not_given_to_another(log):
    log.add_pool(POOL, at=AT, who="Robin")
    recovery_id = log.open_recovery("p-1", at=AT, who="Robin")
    one, other = full_visit(recovery_id), full_visit(recovery_id)
    sha256 = log.add_photo(b"bytes", name="a.jpg", received_at=AT, kind="water", who="Robin")
    for visit in (one, other):
        log.save_visit(visit, at=AT, who="Robin")
    log.give_photo(sha256, one.id, at=AT, who="Robin")
    log.give_photo(sha256, one.id, at=AT, who="Robin")
    with pytest.raises(AlreadyInLog, match=r"photo a.jpg is in the log already, with another visit"):
        log.give_photo(sha256, other.id, at=AT, who="Robin")
    assert log.visit(one.id).photo_sha256s == (sha256,)
    assert log.visit(other.id).photo_sha256s == ()
    with pytest.raises(NotInLog, match="There is no photo 0000"):
        log.give_photo("0" * 64, one.id, at=AT, who="Robin")


def test_text_with_half_a_character_is_kept_with_a_question_mark(log):
    log.add_pool(replace(POOL, name="Half \udce9 name"), at=AT, who="Robin")
    assert log.pools()[0].name == "Half ? name"


WRITER = """
import sys
from datetime import UTC, datetime
from pathlib import Path
from app.records import FilterKind, Pool, Visit
from app.store.log import Log, new_id

folder, mark, count = Path(sys.argv[1]), sys.argv[2], int(sys.argv[3])
now = datetime(2026, 6, 3, tzinfo=UTC)
for turn in range(count):
    with Log(folder) as log:
        log.add_pool(Pool(f"{mark}-{turn}", mark, 1000.0, FilterKind.SAND), at=now, who=mark)
        log.save_visit(Visit(new_id("v"), log.open_recovery(f"{mark}-{turn}", at=now, who=mark), now, mark),
                       at=now, who=mark)
        log.add_photo(f"{mark} {turn}".encode(), name="a.jpg", received_at=now, kind="water", who=mark)
"""


def test_two_programs_write_to_a_new_log_at_once_and_nothing_is_lost(tmp_path):
    count = 15
    root = str(Path(log_module.__file__).parents[2])
    writers = [
        subprocess.Popen(
            [sys.executable, "-c", WRITER, str(tmp_path / "home"), mark, str(count)],
            cwd=root,
            env={"PYTHONPATH": root, "PATH": ""},
            stderr=subprocess.PIPE,
        )
        for mark in ("one", "other")
    ]
    told = [writer.communicate(timeout=120)[1] for writer in writers]
    assert [(writer.returncode, each) for writer, each in zip(writers, told, strict=True)] == [(0, b"")] * 2
    with Log(tmp_path / "home") as log:
        assert len(log.pools()) == len(log.photos()) == len(log.open_recoveries()) == 2 * count
        assert all(len(each.visits) == 1 for each in log.open_recoveries())
        assert log._rows("pragma integrity_check") == [{"integrity_check": "ok"}]


KILLED = """
import sys
from datetime import UTC, datetime
from pathlib import Path
from app.records import Visit
from app.store.log import Log, new_id

now = datetime(2026, 6, 3, tzinfo=UTC)
turn = 0
while True:
    turn += 1
    with Log(Path(sys.argv[1])) as log:
        visit = Visit(new_id("v"), sys.argv[2], now, "Robin", note=str(turn))
        sha256 = log.add_photo(f"{visit.id}".encode() * 5000, name="a.jpg", received_at=now, kind="water", who="Robin")
        with log.atomic():
            log.save_visit(visit, at=now, who="Robin")
            log.give_photo(sha256, visit.id, at=now, who="Robin")
    print(visit.id, sha256, flush=True)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no kill -9")
def test_killed_at_any_point_nothing_acknowledged_is_lost(tmp_path):
    root = str(Path(log_module.__file__).parents[2])
    with Log(tmp_path) as log:
        log.add_pool(POOL, at=AT, who="Robin")
        recovery_id = log.open_recovery("p-1", at=AT, who="Robin")
    acknowledged = []
    rng = random.Random(3)
    for _ in range(6):
        writer = subprocess.Popen(
            [sys.executable, "-c", KILLED, str(tmp_path), recovery_id],
            cwd=root, env={"PYTHONPATH": root, "PATH": ""}, stdout=subprocess.PIPE, text=True,
        )  # fmt: skip
        acknowledged.append(writer.stdout.readline().split())
        time.sleep(rng.uniform(0.0, 0.15))
        writer.kill()
        acknowledged += [line.split() for line in writer.stdout.read().splitlines() if len(line) == 79]
        writer.wait()
        writer.stdout.close()
    with Log(tmp_path) as log:
        visits = {visit.id: visit for visit in log.recovery(recovery_id).visits}
        assert len(acknowledged) >= 6
        for visit_id, sha256 in acknowledged:
            assert visits[visit_id].photo_sha256s == (sha256,)
        for row in log.photos():
            assert len(log.photo_bytes(row["sha256"])) == row["size_bytes"]
        # A visit and its photo are saved as one.
        assert all(len(visit.photo_sha256s) == 1 for visit in visits.values())
        assert log._rows("pragma integrity_check") == [{"integrity_check": "ok"}]
        assert log._rows("pragma foreign_key_check") == []


def test_writer_that_never_gets_its_turn_is_told_so(tmp_path, monkeypatch):
    monkeypatch.setattr(log_module, "BUSY_TIMEOUT_S", 0.05)
    with Log(tmp_path) as first, Log(tmp_path) as second, first.atomic():
        first.add_pool(POOL, at=AT, who="Robin")
        with pytest.raises(LogBusy, match=r"busy with other changes. Wait a moment"):
            second.add_pool(POOL, at=AT, who="Sam")
        # Reading goes on meanwhile, and sees the state before.
        assert second.pools() == ()
