"""Photos of a day without signal: taken in, sorted, asked about, made visits; and tags that are read."""

import io
import json
import random
import zipfile
from contextlib import suppress
from datetime import UTC, datetime, timedelta

import cv2
import numpy as np
import pytest
import typst
from click.testing import CliRunner
from drawn_photos import drawn_photo
from fake_measuring import FakeMeasurer

from app import actions, config, intake, measuring
from app.access import Actor, Role
from app.cli import main
from app.errors import IntakeRefused, NotInLog
from app.records import FilterKind, Pool
from app.report.card_pdf import Paper
from app.report.tags_pdf import TEMPLATE, modules, tags_pdf, tags_sheet
from app.tag import code_in, tag_code, tag_text
from vision.photo import open_photo
from vision.tag import read_clues

NOW = datetime(2026, 6, 4, 18, 0, tzinfo=UTC)
DAY = datetime(2026, 6, 3, 8, 0, tzinfo=UTC)
ADDRESS = "https://pools.example"


@pytest.fixture
def log(tmp_path, monkeypatch):
    monkeypatch.setenv("TURNBLUE_HOME", str(tmp_path / "home"))
    # Real photos, so no line of text says what to answer: every photo is told as one without a card.
    monkeypatch.setattr(measuring, "shipped_measurer", lambda: FakeMeasurer(instead="flagged no_card"))
    with actions.open_log() as opened:
        yield opened


def add_pools(log, count, *, start=True):
    pools = [actions.add_pool(log, Pool("", f"Round {n}", 56_000.0, FilterKind.SAND), at=DAY) for n in range(count)]
    if start:
        for pool in pools:
            actions.open_recovery(log, pool.id, at=DAY - timedelta(days=1))
    return pools


def at(minutes):
    return DAY + timedelta(minutes=minutes)


def test_sixty_mixed_photos_of_ten_pools_in_random_order_are_all_in_their_visits(log):
    pools = add_pools(log, 10)
    photos, truth = [], {}
    for place, pool in enumerate(pools):
        start, spot = 40 * place, (40.0 + 0.01 * place, -75.0)
        for number in range(6):
            text = tag_text(pool.id, ADDRESS) if number == 0 else ""
            content = drawn_photo(text=text, taken_at=at(start + number), position=spot, seed=10 * place + number)
            photos.append(actions.PhotoIn(f"IMG_{place}{number}.jpg", content, "other"))
        truth[pool.id] = {f"IMG_{place}{number}.jpg" for number in range(1, 6)}
    assert len(photos) == 60
    random.Random(3).shuffle(photos)
    taken = intake.take_in(log, [*photos, photos[7]], at=NOW, by="Kit")
    # The same photo twice is one.
    assert (taken.taken, taken.known, taken.refused) == (60, 1, ())
    assert intake.waiting(log).sorting.questions == ()

    done = intake.confirm(log, at=NOW, by="Kit")
    assert len(done) == 10
    for each in done:
        visit = log.visit(each.visit.id)
        assert {log.photo(sha256)["original_name"] for sha256 in visit.photo_sha256s} == truth[each.pool.id]
        assert visit.by == "Kit"
        assert each.said == ("The pool's position is known from now on, from its tag's photo.",)
    assert [each.visit.at for each in done] == [at(40 * place) for place in range(10)]
    # Nothing waits, and confirming or dropping them in again makes no second visit.
    assert intake.waiting(log).sorting.visits == ()
    assert intake.confirm(log, at=NOW) == ()
    assert intake.take_in(log, photos, at=NOW).known == 60
    assert sum(len(each.visits) for each in actions.open_recoveries(log)) == 10
    # Now a photo without a tag finds its pool by where it was taken.
    late = drawn_photo(taken_at=at(2000), position=(40.0701, -75.0), seed=99)
    intake.take_in(log, [actions.PhotoIn("late.jpg", late)], at=NOW + timedelta(days=1))
    found = intake.waiting(log).sorting.visits
    assert [(each.pool_id, each.why[:15]) for each in found] == [(pools[7].id, "by its position")]


def test_what_is_asked_waits_for_its_answer_and_outlives_the_program(log):
    pools = add_pools(log, 2)
    photos = [
        actions.PhotoIn("tag.jpg", drawn_photo(text=tag_text(pools[0].id), taken_at=at(0), seed=1)),
        actions.PhotoIn("a.jpg", drawn_photo(taken_at=at(1), seed=2)),
        actions.PhotoIn("lost.jpg", drawn_photo(taken_at=at(90), seed=3)),
        actions.PhotoIn("bad.jpg", b"no photo at all"),
    ]
    intake.take_in(log, photos, at=NOW)
    with actions.open_log() as elsewhere:
        found = intake.waiting(elsewhere)
        assert [each.name for each in found.unread] == ["bad.jpg"]
        assert "not a photo" in found.unread[0].unread
        (question,) = found.sorting.questions
        lost = question.photos[0]
        assert (lost.name, question.choices[0]) == ("lost.jpg", pools[0].id)
        intake.leave_out(elsewhere, [each.sha256 for each in found.unread], at=NOW)
        with pytest.raises(NotInLog, match="no pool"):
            intake.answer(elsewhere, [lost.sha256], "p-none")
        intake.answer(elsewhere, [lost.sha256], pools[1].id)
    done = intake.confirm(log, at=NOW)
    assert [(each.pool.name, len(each.visit.photo_sha256s)) for each in done] == [("Round 0", 1), ("Round 1", 1)]
    assert intake.waiting(log).unread == ()


def test_a_pool_without_a_recovery_waits_until_one_is_started(log):
    (pool,) = add_pools(log, 1, start=False)
    photos = [drawn_photo(text=tag_text(pool.id), taken_at=at(0), seed=1), drawn_photo(taken_at=at(1), seed=2)]
    intake.take_in(log, [actions.PhotoIn(f"{n}.jpg", each) for n, each in enumerate(photos)], at=NOW)
    (held,) = intake.confirm(log, at=NOW)
    assert (held.visit, held.said[0][:11]) == (None, "No recovery")
    (kept,) = intake.confirm(log, at=NOW, start=[pool.id])
    assert actions.recovery(log, kept.visit.recovery_id).opened_at == at(0)


def test_photos_of_a_visit_that_was_begun_with_signal_are_added_to_it(log):
    (pool,) = add_pools(log, 1)
    recovery = actions.open_recoveries(log)[0]
    begun = actions.log_visit(log, recovery.id, at=at(3), by="Kit").visit
    photos = [drawn_photo(text=tag_text(pool.id), taken_at=at(0), seed=1), drawn_photo(taken_at=at(5), seed=2)]
    intake.take_in(log, [actions.PhotoIn(f"{n}.jpg", each) for n, each in enumerate(photos)], at=NOW)
    (kept,) = intake.confirm(log, at=NOW)
    assert kept.visit.id == begun.id
    assert kept.said[0] == "Added to the visit of 2026-06-03 08:03."


def test_a_tech_sees_no_other_pools_tag_and_no_others_photos(log):
    mine, theirs = add_pools(log, 2)
    tags = [drawn_photo(text=tag_text(each.id), taken_at=at(n), seed=n) for n, each in enumerate((mine, theirs))]
    intake.take_in(log, [actions.PhotoIn("office.jpg", tags[0])], at=NOW)
    narrow = Actor(Role.TECH, "Kit", "a-000000000001", frozenset({mine.id}))
    with log.acting_as(narrow):
        assert intake.waiting(log).sorting.lone_tags == ()
        intake.take_in(log, [actions.PhotoIn("tech.jpg", tags[1])], at=NOW)
        assert intake.waiting(log).sorting.questions[0].say == "Its tag is of no pool you have."
        assert intake.pool_of_tag(log, tag_code(theirs.id)) is None
        assert intake.pool_of_tag(log, tag_code(mine.id)) == mine


def test_drafts_are_told_until_saved(log):
    add_pools(log, 1)
    recovery = actions.open_recoveries(log)[0]
    visit = actions.log_visit(log, recovery.id, at=NOW, by="Kit").visit
    intake.begin_draft(log, visit.id, at=NOW, by="Kit")
    assert [(each.visit_id, each.begun_by) for each in intake.drafts(log)] == [(visit.id, "Kit")]
    intake.end_draft(log, visit.id)
    assert intake.drafts(log) == ()


def test_what_is_typed_before_a_visit_began_goes_with_it_and_ends_with_it(log):
    recovery = open_recovery_of(log)
    keep = {"sheet_id": "t-1", "visit_id": None, "at": NOW, "by": "Kit"}
    intake.keep_typed(log, recovery.id, {"note": "gate", "well": True}, **keep)
    intake.keep_typed(log, recovery.id, {"note": "gate sticks"}, **keep)
    (draft,) = intake.drafts(log)
    assert (draft.recovery_id, draft.visit_id, draft.sheet_id, draft.begun_by) == (recovery.id, "", "t-1", "Kit")
    # Another device sees nothing of it before it takes it up.
    assert intake.typed_at(log, recovery.id, sheet_id="t-2", visit_id=None) == {}
    visit = actions.log_visit(log, recovery.id, at=NOW, by="Kit").visit
    intake.begin_draft(log, visit.id, at=NOW, by="Kit")
    intake.give_sheet(log, visit.id, sheet_id="t-1")
    assert [each.visit_id for each in intake.drafts(log)] == [visit.id]
    typed = intake.typed_at(log, recovery.id, sheet_id="t-2", visit_id=visit.id)
    assert typed == {"note": "gate sticks", "well": True}
    intake.end_draft(log, visit.id)
    assert intake.drafts(log) == ()
    assert intake.typed_at(log, recovery.id, sheet_id="t-1", visit_id=visit.id) == {}


def test_on_two_devices_at_one_visit_this_ones_words_count_here(log):
    recovery = open_recovery_of(log)
    visit = actions.log_visit(log, recovery.id, at=NOW, by="Kit").visit
    for sheet, note in (("t-1", "here"), ("t-2", "there")):
        intake.keep_typed(log, recovery.id, {"note": note, sheet: 1}, sheet_id=sheet, visit_id=visit.id, at=NOW)
    typed = intake.typed_at(log, recovery.id, sheet_id="t-1", visit_id=visit.id)
    assert typed == {"note": "here", "t-1": 1, "t-2": 1}
    # The visit was saved before: these are changes to it, not another visit begun.
    assert [each.changes for each in intake.drafts(log)] == [True, True]


def test_a_sheet_is_of_its_own_recovery_alone(log):
    recovery, other = open_recovery_of(log), open_recovery_of(log, "Birch 7")
    intake.keep_typed(log, recovery.id, {"note": "gate"}, sheet_id="t-1", visit_id=None, at=NOW)
    assert intake.typed_at(log, other.id, sheet_id="t-1", visit_id=None) == {}
    intake.throw_sheet(log, other.id, sheet_id="t-1")
    visit = actions.log_visit(log, other.id, at=NOW, by="Kit").visit
    intake.give_sheet(log, visit.id, sheet_id="t-1")
    assert [(each.recovery_id, each.visit_id) for each in intake.drafts(log)] == [(recovery.id, "")]
    intake.throw_sheet(log, recovery.id, sheet_id="t-1")
    assert intake.drafts(log) == ()


def open_recovery_of(log, name="Cedar 12"):
    """Return an open recovery of a pool of its own."""
    pool = actions.add_pool(log, Pool("", name, 56_000.0, FilterKind.SAND), at=NOW)
    return actions.open_recovery(log, pool.id, at=NOW)


# Zips


def packed(files, *, method=zipfile.ZIP_STORED):
    kept = io.BytesIO()
    with zipfile.ZipFile(kept, "w", method) as target:
        for name, content in files:
            target.writestr(name, content)
    kept.seek(0)
    return kept


def test_a_zip_is_read_without_following_its_names(tmp_path):
    link = zipfile.ZipInfo("link.jpg")
    link.external_attr = 0o120777 << 16
    files = [("../../evil.jpg", b"1"), ("C:\\x\\y.JPG", b"2"), (link, b"/etc/passwd"), ("a/", b""), ("notes.txt", b"3")]
    files += [("__MACOSX/._a.jpg", b"4"), ("inner.zip", b"5"), ("sub/b.heic", b"6")]
    found = list(intake.photos_in_zip(packed(files), "x.zip"))
    assert [(each.name, each.content) for each in found] == [("evil.jpg", b"1"), ("y.JPG", b"2"), ("b.heic", b"6")]
    assert list(tmp_path.iterdir()) == []


def test_a_bomb_is_refused_by_what_comes_out_of_it(monkeypatch):
    monkeypatch.setattr(config, "MAX_PHOTO_MB", 1)
    bomb = packed([("a.jpg", bytes(30_000_000)), ("b.jpg", b"fine")], method=zipfile.ZIP_DEFLATED)
    assert len(bomb.getvalue()) < 100_000
    refused, fine = intake.photos_in_zip(bomb, "x.zip")
    assert tuple(refused) == ("a.jpg", "The file is larger than 1 MB.")
    assert fine.content == b"fine"
    monkeypatch.setattr(intake, "MOST_MB", 2)
    many = packed([(f"{n}.jpg", bytes(900_000)) for n in range(9)], method=zipfile.ZIP_DEFLATED)
    with pytest.raises(IntakeRefused, match="unpacks to more than 2 MB"):
        list(intake.photos_in_zip(many, "x.zip"))


@pytest.mark.parametrize("content", [b"", b"PK\x03\x04 no zip", bytes(500)], ids=["empty", "begun", "zeros"])
def test_what_is_no_zip_gets_a_sentence(content):
    with pytest.raises(IntakeRefused, match="no zip that can be read"):
        list(intake.photos_in_zip(io.BytesIO(content), "x.zip"))


def test_a_damaged_zip_never_ends_in_another_error():
    whole = packed([(f"{n}.jpg", bytes([n]) * 300) for n in range(6)], method=zipfile.ZIP_DEFLATED).getvalue()
    rng = np.random.default_rng(5)
    for _ in range(400):
        spoiled = bytearray(whole)
        for place in rng.integers(0, len(whole), 3):
            spoiled[place] = rng.integers(256)
        # Anything else than a refusal would fail here.
        with suppress(IntakeRefused):
            list(intake.photos_in_zip(io.BytesIO(bytes(spoiled)), "x.zip"))


def renamed(content, at, piece):
    """Return a zip with `piece` written at that place of its end record."""
    place = len(content) - 22 + at
    return content[:place] + piece + content[place + len(piece) :]


@pytest.mark.parametrize(
    ("at", "piece"),
    [(0, b""), (8, b"PK\x05\x06")],
    ids=["as it is", "another end in its end record"],
)
def test_a_long_directory_is_refused_before_it_is_read(monkeypatch, at, piece):
    long = renamed(packed([(f"{n:0200}.jpg", b"") for n in range(40)]).getvalue(), at, piece)
    # Python's reader takes it.
    assert len(zipfile.ZipFile(io.BytesIO(long)).namelist()) == 40
    monkeypatch.setattr(intake, "LONGEST_LIST", 6000)
    monkeypatch.setattr(zipfile.ZipInfo, "__init__", lambda *_given: pytest.fail("its directory was read"))
    with pytest.raises(IntakeRefused, match="too large"):
        list(intake.photos_in_zip(io.BytesIO(long), "x.zip"))


def test_a_small_zip_does_not_fill_the_disk(monkeypatch):
    # Each is no larger than a photo, all of them are small in the zip, and none is like another.
    monkeypatch.setattr(intake, "ALWAYS_MB", 2)
    bomb = packed([(f"{n}.jpg", bytes([n]) * 900_000) for n in range(9)], method=zipfile.ZIP_DEFLATED)
    taken = []
    with pytest.raises(IntakeRefused, match=r"x\.zip unpacks to more than 2 MB"):
        taken.extend(intake.photos_in_zip(bomb, "x.zip"))
    assert sum(len(each.content) for each in taken) <= 2_000_000


def test_too_many_files_are_refused(monkeypatch, tmp_path):
    monkeypatch.setattr(intake, "MOST_FILES", 3)
    with pytest.raises(IntakeRefused, match="more than 3 files"):
        list(intake.photos_in_zip(packed([(f"{n}.jpg", b"x") for n in range(4)]), "x.zip"))
    for n in range(4):
        (tmp_path / f"{n}.jpg").write_bytes(b"x")
    with pytest.raises(IntakeRefused, match="more than 3 photos"):
        list(intake.photos_in(tmp_path))


def test_a_folder_is_read_without_following_links(tmp_path):
    (tmp_path / "a" / "b").mkdir(parents=True)
    (tmp_path / "a" / "b" / "x.jpg").write_bytes(b"x")
    (tmp_path / "secret").write_bytes(b"s")
    (tmp_path / "a" / "y.jpg").symlink_to(tmp_path / "secret")
    assert [each.name for each in intake.photos_in(tmp_path / "a")] == ["x.jpg"]


# Tags


def test_a_tag_tells_nothing_and_leads_to_the_pool():
    text = tag_text("oak-street-12", ADDRESS)
    assert "oak" not in text
    assert code_in(text) == code_in(tag_text("oak-street-12")) == tag_code("oak-street-12")
    assert code_in(text + "&by=x") == tag_code("oak-street-12")
    assert [code_in(each) for each in ("", "hello", text[:-1], text + "x", f"{ADDRESS}/pool?tag=")] == [None] * 5


@pytest.mark.parametrize("width", [480, 800, 1600, 3000], ids=lambda each: f"{each} px")
@pytest.mark.parametrize("address", ["", ADDRESS], ids=["code alone", "address"])
def test_a_tag_is_read_in_a_drawn_photo(width, address):
    photo = drawn_photo(text=tag_text("oak", address), taken_at=DAY, position=(-33.5, 151.25), seed=width, width=width)
    clues = read_clues(open_photo(photo))
    assert [code_in(each) for each in clues.texts] == [tag_code("oak")]
    assert clues.taken_at == "2026-06-03T08:00:00+00:00"
    # Seconds of arc are kept as fractions: a millionth of a degree is 0.1 m.
    assert (clues.latitude_deg, clues.longitude_deg) == pytest.approx((-33.5, 151.25), abs=1e-6)
    assert clues.camera == "Invented Invented P1"


def test_a_soiled_tag_is_still_read():
    size = 400
    square = np.pad(np.where(np.array(modules(tag_text("oak", ADDRESS))), 25, 235).astype(np.uint8), 4)
    square[:4], square[-4:], square[:, :4], square[:, -4:] = 235, 235, 235, 235
    picture = cv2.resize(square, (size, size), interpolation=cv2.INTER_NEAREST)
    # Mud over an eighth of the code's side, away from its corners.
    cv2.circle(picture, (size // 2, size // 2), size // 16, 120, -1)
    ok, kept = cv2.imencode(".jpg", cv2.GaussianBlur(cv2.cvtColor(picture, cv2.COLOR_GRAY2BGR), (0, 0), 1.5))
    assert ok
    assert [code_in(each) for each in read_clues(open_photo(kept.tobytes())).texts] == [tag_code("oak")]


def test_a_photo_without_tag_and_position_says_so():
    clues = read_clues(open_photo(drawn_photo(position=(0.0, 0.0), seed=4)))
    assert (clues.texts, clues.taken_at, clues.latitude_deg) == ((), None, None)


@pytest.mark.parametrize("address", ["", ADDRESS], ids=["code alone", "address"])
def test_the_printed_page_holds_six_tags_that_are_read(address):
    pools = [(f"p{n}", f"Cedar Lane {n} #*_$ \\") for n in range(6)]
    assert tags_pdf(pools, address=address).startswith(b"%PDF")
    sheet = tags_sheet(pools, address=address, paper=Paper.LETTER)
    # 100 pixels an inch: one page, as a screen shows it.
    png = typst.compile(
        TEMPLATE.read_bytes(),
        sys_inputs={"sheet": json.dumps(sheet)},
        format="png",
        ppi=100,
        ignore_system_fonts=True,
    )
    assert isinstance(png, bytes)
    read = {code_in(each) for each in read_clues(open_photo(png)).texts}
    assert read == {tag_code(pool_id) for pool_id, _ in pools}


# The command line


def run(*words):
    return CliRunner().invoke(main, [str(each) for each in words])


def test_intake_at_the_command_line_from_folder_to_visit(log, tmp_path):
    first, second = add_pools(log, 2)
    folder = tmp_path / "dropped"
    folder.mkdir()
    (folder / "1.jpg").write_bytes(drawn_photo(text=tag_text(first.id), taken_at=at(0), seed=1))
    (folder / "2.jpg").write_bytes(drawn_photo(taken_at=at(1), seed=2))
    (folder / "3.jpg").write_bytes(drawn_photo(taken_at=at(300), seed=3))
    told = run("intake", folder)
    assert told.exit_code == 0, told.output
    assert "Round 0" in told.output
    assert "Asked: 3.jpg" in told.output
    assert "3 photos taken in" in told.stderr
    done = run("intake", "--answer", "3.jpg=Round 1", "--confirm", "--by", "Kit", "--json")
    assert done.exit_code == 0, done.output
    said = json.loads(done.stdout)
    assert [each["pool_id"] for each in said["saved"]] == [first.id, second.id]
    assert (said["visits"], said["asked"]) == ([], [])
    assert run("intake").stdout == "No photo waits.\n"


@pytest.mark.parametrize(
    ("words", "say"),
    [
        (["--answer", "x.jpg"], "write it as PHOTO=POOL"),
        (["--answer", "x.jpg=Round 0"], "No waiting photo is 'x.jpg'"),
        (["nowhere.zip"], "could not be opened"),
    ],
    ids=["no answer", "no such photo", "no such file"],
)
def test_intake_says_what_is_wrong(log, words, say):
    add_pools(log, 1)
    told = run("intake", *words)
    assert told.exit_code in (1, 2)
    assert say in told.stderr


def test_tags_at_the_command_line(log, tmp_path):
    assert "no pool to print" in run("tags", tmp_path / "t.pdf").stderr
    add_pools(log, 2)
    assert run("tags", tmp_path / "t.pdf", "round 1").exit_code == 0
    assert (tmp_path / "t.pdf").read_bytes().startswith(b"%PDF")
    assert "no address" in run("tags", tmp_path / "t.pdf", "--address", "pools.example").stderr
    assert "No pool is called" in run("tags", tmp_path / "t.pdf", "elsewhere").stderr
