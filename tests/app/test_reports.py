"""Reports and links on a log with real photos: what is in the files, who may open a link, and that nothing leaks."""

import io
import json
import re
import sqlite3
import struct
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from click.testing import CliRunner
from PIL import Image
from PIL.PngImagePlugin import PngInfo

import app
from app import actions, cli, links, reports
from app.access import NO_ONE, Actor, Role
from app.crew import TaskFailed
from app.errors import NotAllowed, NotInLog
from app.records import Chemical, Company, FilterKind, Pool, Treatment, Work
from app.report.customer_page import customer_html

ROOT = Path(app.__file__).parents[1]
NOW = datetime(2026, 6, 10, 16, tzinfo=UTC)
DAY = timedelta(days=1)
SECRETS = ("gate code 4711", "Dog bites", "Hidden Town", "Mx Owner", "Kit the tech", "Birch Hollow 77")
LATITUDE = ((37, 1), (46, 1), (2989, 100))
"""Planted in the photos' EXIF: degrees, minutes, seconds."""


def with_position(name):
    """Return a sample photo with a position and a maker in its EXIF."""
    with Image.open(ROOT / "sample_images" / f"{name}.jpg") as photo:
        exif = photo.getexif()
        exif[0x010F] = "PlantedMaker"
        exif[0x8825] = {1: "N", 2: tuple(a / b for a, b in LATITUDE), 3: "W", 4: tuple(a / b for a, b in LATITUDE)}
        kept = io.BytesIO()
        photo.save(kept, "JPEG", quality=95, exif=exif)
    return kept.getvalue()


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A log of two pools; the first has two visits with measured photos. Return its folder and recovery's id."""
    folder = tmp_path_factory.mktemp("reports") / "log"
    with actions.open_log(folder) as log:
        actions.save_company(log, Company("Invented Pools", "555-0142"), at=NOW)
        pool = Pool(
            "", "Oak Street 12", 56_000.0, FilterKind.SAND, note=SECRETS[0], town=SECRETS[2], owner=SECRETS[3]
        )  # fmt: skip
        own = actions.open_recovery(log, actions.add_pool(log, pool, at=NOW).id, at=NOW - 5 * DAY)
        other = actions.add_pool(log, Pool("", SECRETS[5], 40_000.0, FilterKind.DE), at=NOW)
        actions.open_recovery(log, other.id, at=NOW)
        for days, name in ((5, "heavy_opaque_shade"), (1, "none_hazy")):
            actions.log_visit(
                log,
                own.id,
                at=NOW - days * DAY,
                by=SECRETS[4],
                photos=[actions.PhotoIn(f"{name}.jpg", with_position(name))],
                treatments=[Treatment(Chemical.SODIUM_HYPOCHLORITE, 30.0, "L", 12.5)],
                work=[Work.BRUSHED],
                note=SECRETS[1],
            )
    return folder, own.id


@pytest.fixture
def log(made):
    with actions.open_log(made[0]) as opened:
        yield opened


@pytest.fixture
def recovery_id(made):
    return made[1]


def write(log, recovery_id, form="pdf", **more):
    return reports.write_report(log, recovery_id, form=form, now=NOW, zone="America/Phoenix", **more)


def carries_metadata(content):
    """Return whether a file carries EXIF or what was planted in it."""
    return any(each in content for each in (b"Exif\x00", b"eXIf", b"PlantedMaker"))


def page_count(pdf):
    return int(re.search(rb"/Type\s*/Pages\s*/Count (\d+)", pdf).group(1))


def test_the_planted_position_is_in_the_original(log, recovery_id):
    sha256 = actions.recovery(log, recovery_id).visits[0].photo_sha256s[0]
    assert carries_metadata(actions.photo_bytes(log, sha256))


@pytest.mark.parametrize("language", ["en", "es"])
def test_the_picture_is_as_wide_as_a_phone_keeps_it(log, recovery_id, language):
    content = write(log, recovery_id, "png", language=language).content
    assert content[:8] == b"\x89PNG\r\n\x1a\n"
    width, height = struct.unpack(">II", content[16:24])
    assert width == 1080
    assert 1500 < height < 3200
    # The photos are in it: a page of text alone has few colours.
    with Image.open(io.BytesIO(content)) as picture:
        assert len(picture.convert("RGB").crop((60, 300, 1020, 900)).getcolors(1 << 22)) > 5000
    assert not carries_metadata(content)


def test_the_pdf_has_its_pages_and_no_metadata_of_the_photos(log, recovery_id):
    content = write(log, recovery_id).content
    assert content[:5] == b"%PDF-"
    assert page_count(content) == 2
    # Before and now, and each visit's small one; photos stand in it as JPEG.
    assert content.count(b"/DCTDecode") >= 3
    assert not carries_metadata(content)


def test_evidence_pages_show_each_photo_with_its_sha256(log, recovery_id):
    plain, proven = write(log, recovery_id), write(log, recovery_id, evidence=True)
    assert page_count(proven.content) > page_count(plain.content)
    assert not carries_metadata(proven.content)
    said = json.loads(log._rows("select content from reports where id = ?", proven.id)[0]["content"])
    for visit, exhibit in zip(actions.recovery(log, recovery_id).visits, said["exhibits"], strict=True):
        facts = dict(exhibit["facts"])
        assert facts["sha256"] == visit.photo_sha256s[0]
        assert facts["Measurement"] == visit.assessment.measurement_id
        assert facts["Received"].startswith("2026-06-")
        assert re.match(r"(turnblue|chart24).*CIEDE2000", facts["Card"])
        assert facts["Model"] not in ("", "?")


def test_the_same_report_makes_the_same_bytes_and_can_be_made_again(log, recovery_id):
    first = write(log, recovery_id)
    assert write(log, recovery_id).content == first.content
    kept = reports.reports_of(log, recovery_id)
    assert {row["form"] for row in kept} >= {"pdf"}
    assert json.loads(kept[0]["measurement_ids"]) == [
        each.assessment.measurement_id for each in actions.recovery(log, recovery_id).visits
    ]
    visit = actions.recovery(log, recovery_id).visits[0]
    actions.update_visit(log, replace(visit, treatments=()), at=NOW, by="")
    try:
        assert write(log, recovery_id).content != first.content
        assert reports.remake_report(log, first.id).content == first.content
    finally:
        actions.update_visit(log, visit, at=NOW, by="")


@pytest.mark.parametrize(
    ("options", "sentence"),
    [
        ({"form": "docx"}, "made as pdf or png, not as 'docx'"),
        ({"form": "png", "evidence": True}, "Evidence pages are made as a PDF only"),
        ({"form": "pdf", "language": "xx"}, "written in en or es, not in 'xx'"),
    ],
    ids=["form", "evidence", "language"],
)
def test_what_cannot_be_made_is_a_sentence(log, recovery_id, options, sentence):
    with pytest.raises(reports.CannotReport, match=sentence):
        write(log, recovery_id, **options)


def test_reports_are_never_changed(log, recovery_id):
    write(log, recovery_id, "png")
    for change in ("delete from reports", "update reports set form = 'x'"):
        with pytest.raises(sqlite3.IntegrityError, match="appended, never"):
            log._connection.execute(change)


# Links


def link(log, recovery_id, **more):
    return links.make_link(log, recovery_id, now=NOW, zone="America/Phoenix", **more)


def opened(log, token, now=NOW):
    with log.acting_as(NO_ONE):
        return links.open_link(log, token, now=now)


def test_a_link_opens_without_an_account(log, recovery_id):
    page = opened(log, link(log, recovery_id, language="es").token, NOW + DAY)
    assert page.report.pool == "Oak Street 12"
    assert page.report.language == "es"
    assert {"before", "now"} <= set(page.pictures)
    assert log.actor.role is Role.OWNER  # whoever opened it acts no longer


def test_a_link_shows_the_recovery_as_it_stands(log, recovery_id):
    token = link(log, recovery_id).token
    assert opened(log, token, NOW + DAY).report.as_of != opened(log, token).report.as_of


@pytest.mark.parametrize("days", [7, 30])
def test_a_link_ends(log, recovery_id, days):
    made_link = link(log, recovery_id, days=days)
    assert opened(log, made_link.token, NOW + days * DAY - timedelta(seconds=1))
    with pytest.raises(links.LinkNotOpen):
        opened(log, made_link.token, NOW + days * DAY)


def test_a_withdrawn_link_is_refused_at_once_and_stays_so(log, recovery_id):
    made_link = link(log, recovery_id)
    links.withdraw_link(log, made_link.id, now=NOW)
    links.withdraw_link(log, made_link.id, now=NOW + DAY)
    with pytest.raises(links.LinkNotOpen):
        opened(log, made_link.token)
    (row,) = [each for each in links.links_of(log, recovery_id) if each.id == made_link.id]
    assert row.withdrawn_at == NOW


@pytest.mark.parametrize(
    "spoil",
    [
        lambda token: token[:-1] + ("A" if token[-1] != "A" else "B"),
        lambda token: token.partition(".")[0],
        lambda token: token.partition(".")[0] + ".",
        lambda token: "k-000000000000." + token.partition(".")[2],
        lambda token: "",
        lambda token: "' or 1=1 --",
        lambda token: token + "\udc80",
    ],
    ids=["one letter", "id alone", "no secret", "other id", "empty", "sql", "half a character"],
)
def test_anything_but_the_token_is_refused_in_the_same_words(log, recovery_id, spoil):
    with pytest.raises(links.LinkNotOpen) as refused:
        opened(log, spoil(link(log, recovery_id).token))
    assert str(refused.value) == "This link is not open. Ask your pool company for a new one."


def test_the_log_does_not_hold_the_token(log, recovery_id, made):
    token = link(log, recovery_id).token
    secret = token.partition(".")[2]
    assert len(secret) >= 43  # 256 bits in base64
    log._connection.execute("pragma wal_checkpoint(full)")
    for path in made[0].glob("log.sqlite3*"):
        assert secret.encode() not in path.read_bytes()


def test_two_links_never_share_a_token(log, recovery_id):
    assert link(log, recovery_id).token != link(log, recovery_id).token


def test_the_customers_page_leaks_nothing(log, recovery_id):
    for language in ("en", "es"):
        page = opened(log, link(log, recovery_id, language=language).token)
        html = customer_html(page, nonce="n")
        for secret in SECRETS:
            assert secret not in html
        assert "data:image/jpeg" in html
    for content in page.pictures.values():
        assert not carries_metadata(content)
        with Image.open(io.BytesIO(content)) as picture:
            assert dict(picture.getexif()) == {}


@pytest.mark.parametrize("days", [0, 366, -1])
def test_a_link_lasts_no_longer_than_it_should(log, recovery_id, days):
    with pytest.raises(reports.CannotReport, match="1 to 365 days"):
        link(log, recovery_id, days=days)


def test_links_need_a_recovery(log):
    with pytest.raises(NotInLog):
        link(log, "r-none")


@pytest.mark.parametrize("role", [Role.TECH, Role.LINK])
def test_only_the_office_gives_out_links(log, recovery_id, role):
    with log.acting_as(Actor(role, "x", "a-000000000000")), pytest.raises(NotAllowed):
        link(log, recovery_id)


# Logo


def png(size=(2000, 400), **more):
    kept = io.BytesIO()
    Image.new("RGB", size, (10, 90, 115)).save(kept, "PNG", **more)
    return kept.getvalue()


def test_the_logo_is_kept_small_and_bare_and_is_on_the_page(log, recovery_id):
    said = PngInfo()
    said.add_text("Comment", "PlantedComment")
    reports.save_logo(log, png(pnginfo=said), at=NOW)
    try:
        kept = reports.company_logo(log)
        assert b"PlantedComment" not in kept
        with Image.open(io.BytesIO(kept)) as picture:
            assert picture.size == (900, 180)
        assert "data:image/png" in customer_html(opened(log, link(log, recovery_id).token), nonce="n")
        assert write(log, recovery_id, "png").content
    finally:
        reports.save_logo(log, None, at=NOW)
    assert reports.company_logo(log) is None


def test_a_logo_is_decoded_by_a_worker_and_one_that_ends_it_is_a_sentence(log, monkeypatch):
    asked = []

    class Falling:
        def run(self, task):
            asked.append(task)
            raise TaskFailed("died", "It stopped.")

    monkeypatch.setattr(reports, "shared_crew", Falling)
    with pytest.raises(reports.CannotReport, match="no picture that can be read"):
        reports.save_logo(log, png(), at=NOW)
    assert len(asked) == 1


@pytest.mark.parametrize("content", [b"", b"no picture", b"<svg xmlns='http://www.w3.org/2000/svg'/>"], ids=repr)
def test_a_logo_that_is_no_picture_is_a_sentence(log, content):
    with pytest.raises(reports.CannotReport, match="no picture that can be read"):
        reports.save_logo(log, content, at=NOW)


# Everything recorded, and the command


def test_export_is_whole(log, recovery_id):
    told = json.loads(reports.export_recovery(log, recovery_id, form="json"))
    assert len(told["measurements"]) == 2
    assert told["measurements"][0]["result"]["water"]["clarity"]["grade"]
    table = reports.export_recovery(log, recovery_id, form="csv")
    assert "visible_depth_m" in table
    assert SECRETS[1] in table  # the office's own file keeps its notes
    with pytest.raises(reports.CannotReport, match="csv or json"):
        reports.export_recovery(log, recovery_id, form="xls")


def test_everything_is_exported_piece_by_piece(log, recovery_id, made, tmp_path):
    # Another pool's only recovery has no visit: it is in the JSON, and has no row in the table.
    lines = "".join(reports.export_everything(log, form="json")).splitlines()
    assert {json.loads(line)["recovery"]["pool"]["name"] for line in lines} == {"Oak Street 12", SECRETS[5]}
    table = "".join(reports.export_everything(log, form="csv"))
    assert table.count("visible_depth_m") == 2
    assert table.count("recovery_id") == 1
    command = ["export", str(tmp_path / "all.csv"), "--folder", str(made[0])]
    assert CliRunner().invoke(cli.main, command).exit_code == 0
    assert (tmp_path / "all.csv").read_bytes().decode() == table
    refused = CliRunner().invoke(cli.main, ["export", str(tmp_path / "all.xls"), "--folder", str(made[0])])
    assert (refused.exit_code, "csv or json" in refused.output) == (1, True)


def run(*words, folder):
    return CliRunner().invoke(cli.main, ["report", "Oak Street 12", *map(str, words), "--folder", str(folder)])


def test_the_command_writes_every_file(made, tmp_path):
    files = [tmp_path / f"x.{form}" for form in ("pdf", "png", "csv", "json")]
    options = [part for path in files for part in (f"--{path.suffix[1:]}", path)]
    done = run(*options, "--lang", "es", "--evidence", folder=made[0])
    assert done.exit_code == 0, done.output
    assert [path.read_bytes()[:4] for path in files[:2]] == [b"%PDF", b"\x89PNG"]
    assert json.loads(files[3].read_text())["recovery"]


def test_the_command_gives_out_and_withdraws_a_link(made, log):
    near = run("--link", folder=made[0])
    assert near.stdout.startswith("http://localhost:8501/r/")
    assert "opens at this machine alone" in near.stderr
    with actions.open_log(made[0]) as kept:
        actions.save_company(kept, replace(actions.company(kept), public_address="https://pools.example"), at=NOW)
    known = run("--link", folder=made[0])
    assert known.stdout.startswith("https://pools.example/r/")
    assert "machine alone" not in known.stderr
    given = run("--link", "--days", 7, "--address", "https://pools.example/", folder=made[0])
    assert given.exit_code == 0
    url = re.search(r"https://pools\.example/r/(k-\w+)\.\S+", given.output)
    assert url, given.output
    assert f"{url.group(1)}  open" in run("--links", folder=made[0]).output
    assert run("--withdraw", url.group(1), folder=made[0]).exit_code == 0
    assert f"{url.group(1)}  withdrawn" in run("--links", folder=made[0]).output
    assert "There is no link k-none" in run("--withdraw", "k-none", folder=made[0]).output


def test_a_file_that_cannot_be_written_is_a_sentence(made, tmp_path):
    done = run("--csv", tmp_path / "none" / "x.csv", folder=made[0])
    assert done.exit_code == 1
    assert "could not be written" in done.output
