"""Test strips in the log and at the command line: taught, listed, read at a visit, with what follows from the dose."""

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from click.testing import CliRunner

from app import actions, strips
from app.cli import main
from app.errors import NotInLog, StripRefused
from app.records import Chemical, FilterKind, Method, Pool, Reading, Treatment
from models.simulator.stripdyes import KINDS
from models.simulator.strips import KeyScene, StripScene, render_key, render_strip
from tests.vision.strip_scenes import true_kind

FOUR = KINDS[1]
WATER = {"ph": 7.4, "free_chlorine": 2.0, "total_alkalinity": 90.0, "cyanuric_acid": 45.0}
NOW = datetime(2026, 6, 3, 9, 15, tzinfo=UTC)
ROWS = [
    "ph: 6.4 6.8 7.2 7.6 8.0 8.4 @15-60",
    "free_chlorine mg/L: 0 0.5 1 3 5 10 @15-60",
    "total_alkalinity ppm: 0 40 80 120 180 240 @15-60",
    "cyanuric_acid: 0 30 60 120 240 @15-60",
]


@pytest.fixture(scope="module")
def photos(tmp_path_factory):
    """A strip's and its key's photo, rendered, as files."""
    folder = tmp_path_factory.mktemp("strips")
    dipped = NOW - timedelta(seconds=30)
    (folder / "strip.jpg").write_bytes(
        render_strip(StripScene(FOUR, WATER, seed=11)).jpeg(taken_at=dipped + timedelta(seconds=25))
    )
    (folder / "key.jpg").write_bytes(render_key(KeyScene(FOUR, seed=12)).jpeg())
    return folder


@pytest.fixture
def log(tmp_path):
    with actions.open_log(tmp_path / "log") as opened:
        yield opened


@pytest.fixture
def visit(log):
    pool = actions.add_pool(log, Pool("oak", "Oak Street 12", 56_781.0, FilterKind.CARTRIDGE), at=NOW)
    recovery = actions.open_recovery(log, pool.id, at=NOW - timedelta(days=2))
    return actions.log_visit(log, recovery.id, at=NOW, by="Kit").visit


def test_a_row_is_typed_as_printed():
    row = strips.typed_scale(ROWS[1])
    assert (row.analyte, row.unit, row.values[:3]) == ("free_chlorine", "mg/L", (0.0, 0.5, 1.0))
    assert (row.read_from_s, row.read_until_s) == (15.0, 60.0)
    with pytest.raises(StripRefused, match="no row of a key"):
        strips.typed_scale("free chlorine high low")


def test_a_kind_taught_anew_takes_the_older_ones_place(log):
    kind = true_kind(FOUR)
    first = strips.save_kind(log, kind, at=NOW, by="Kit")
    second = strips.save_kind(log, replace(kind, lot="B 7"), at=NOW, by="Kit")
    assert [each.id for each in strips.kinds(log)] == [second.id]
    assert strips.find_kind(log, "sim f").kind.lot == "B 7"
    strips.withdraw_kind(log, second.id, at=NOW)
    assert strips.kinds(log) == ()
    with pytest.raises(NotInLog, match="No strip kind fits"):
        strips.find_kind(log, first.id)


def test_a_strip_is_read_at_a_visit_and_overridden_by_drops(log, visit, photos):
    kept = strips.save_kind(log, true_kind(FOUR), at=NOW)
    photo = actions.PhotoIn("strip.jpg", (photos / "strip.jpg").read_bytes())
    dipped = NOW - timedelta(seconds=30)
    taken = strips.read_at_visit(log, visit.id, photo, kept.id, at=NOW, by="Kit", dipped_at=dipped)
    assert taken.refused == ()
    by_name = {each.analyte: each for each in taken.readings}
    assert set(by_name) == set(WATER)
    assert all(each.method is Method.STRIP_PHOTO and each.low <= each.value <= each.high for each in taken.readings)
    # The strip's photo shows no water: it speaks for no visit and stands in no report.
    assert actions.recovery(log, visit.recovery_id).visits[-1].photo_sha256s == ()
    saved = actions.update_visit(log, replace(taken.visit, readings=taken.readings), at=NOW, by="Kit")
    assert {each.analyte for each in saved.readings} == set(WATER)
    again = actions.measurements_of(log, taken.measured.sha256)[0].result
    assert again["strip"]["profile"] == "sim four"


def test_a_strip_photographed_long_after_the_dip_is_named(log, visit, photos):
    kept = strips.save_kind(log, true_kind(FOUR), at=NOW)
    photo = actions.PhotoIn("strip.jpg", (photos / "strip.jpg").read_bytes())
    early = NOW - timedelta(minutes=6)
    taken = strips.read_at_visit(log, visit.id, photo, kept.id, at=NOW, by="Kit", dipped_at=early)
    assert taken.readings == ()
    assert [each.code for each in taken.measured.result.problems if "strip" in each.code] == ["strip_late"]


def test_a_diluted_sample_counts_tenfold(photos):
    from vision.measure import measure_strip
    from vision.photo import open_photo
    from vision.strip import StripAsked

    result = measure_strip(open_photo(photos / "strip.jpg"), StripAsked(true_kind(FOUR)))
    plain = {each.analyte: each for each in strips.readings_of(result)}
    tenth = {each.analyte: each for each in strips.readings_of(result, dilution=10.0)}
    assert tenth["free_chlorine"].value == pytest.approx(10 * plain["free_chlorine"].value)
    assert tenth["ph"].value == plain["ph"].value


def test_zero_chlorine_the_day_after_a_large_dose_leads_to_no_dose(log, visit):
    poured = Treatment(Chemical.SODIUM_HYPOCHLORITE, 30.0, "L", 12.5)
    recovery = actions.recovery(log, visit.recovery_id)
    before = replace(visit, at=NOW - timedelta(hours=8), treatments=(poured,))
    recovery = replace(recovery, visits=(before,))
    zero = Reading("free_chlorine", 0.0, 0.0, 0.3, "mg/L", Method.STRIP_PHOTO)
    (found,) = strips.judged_readings(recovery, [zero], at=NOW)
    assert found.flags == ("chlorine_bleached",)
    assert strips.judged_readings(recovery, [zero], at=NOW + timedelta(days=3))[0].flags == ()


def test_teach_and_score_at_the_command_line(photos, tmp_path):
    runner, out = CliRunner(), tmp_path / "kind.json"
    rows = [part for row in ROWS for part in ("--row", row)]
    taught = runner.invoke(
        main,
        ["strip", "teach", str(photos / "key.jpg"), "--name", "four", *rows, "--pitch", "9", "-o", str(out)],
    )
    assert taught.exit_code == 0, taught.output
    assert "four: 4 pads" in taught.output
    scored = runner.invoke(main, ["score", str(photos / "strip.jpg"), "--strip", str(out), "--json"])
    assert scored.exit_code == 0, scored.output
    said = json.loads(scored.stdout)
    assert {each["analyte"] for each in said["strip"]["readings"]} == set(WATER)


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["strip", "teach", "{key}", "--name", "x"], "Give --row"),
        (["strip", "teach", "{key}", "--name", "x", "--row", "ph 1 2"], "no row of a key"),
        (
            ["strip", "teach", "{key}", "--name", "x", "--value", "7", "--value", "8"],
            "1 photos were given, but 2 values",
        ),
        (["score", "{key}", "--strip", "nothing", "--folder", "{tmp}"], "No strip kind fits"),
    ],
    ids=["neither", "row", "counts", "unknown kind"],
)
def test_wrong_usage_is_a_sentence(photos, tmp_path, arguments, says):
    filled = [each.format(key=photos / "key.jpg", tmp=tmp_path / "log") for each in arguments]
    done = CliRunner().invoke(main, filled)
    assert done.exit_code != 0
    assert says in done.output
