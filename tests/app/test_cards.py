"""Print runs kept and used, cards listed, fading said; `turnblue card` as it always was."""

import importlib.util
import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from fake_measuring import fake_card, fake_water

from app import actions, cards
from app.cli import main
from app.errors import CalibrationRefused, NotInLog
from app.measuring import inputs_of, job_of
from app.records import FilterKind, Pool
from vision.calibration import Calibration, MeasuredPatch
from vision.drift import FADED_DELTA_E00
from vision.errors import CalibrationInvalid
from vision.results import Clarity, PatchResult, PhotoResult, Severity
from vision.specs import load_card

NOW = datetime(2026, 6, 3, 9, 0, tzinfo=UTC)
SHADE = Path(__file__).parents[2] / "sample_images" / "heavy_opaque_shade.jpg"


def as_designed(**numbers):
    patches = tuple(MeasuredPatch(p.name, p.reference_lab, 0.7) for p in load_card().patches)
    return Calibration("instrument", patches, **numbers)


def measured_file(shift=0.0):
    """A CGATS file of the card, each patch `shift` lighter than designed."""
    from vision import colour

    adapt = colour.bradford_matrix(colour.WHITE_D65_XYZ, colour.WHITE_D50_XYZ)
    lab = load_card().reference_lab + np.array([shift, 0, 0])
    d50 = colour.xyz_to_lab(colour.lab_to_xyz(lab) @ adapt.T, colour.WHITE_D50_XYZ)
    rows = [f"{p.name}\t" + "\t".join(f"{v:.4f}" for v in row) for p, row in zip(load_card().patches, d50, strict=True)]
    head = ["CGATS.17", "BEGIN_DATA_FORMAT", "SAMPLE_NAME\tLAB_L\tLAB_A\tLAB_B", "END_DATA_FORMAT", "BEGIN_DATA"]
    return "\n".join([*head, *rows, "END_DATA", ""]).encode()


@pytest.fixture
def log(tmp_path):
    with actions.open_log(tmp_path / "log") as opened:
        yield opened


@pytest.fixture
def turnblue(tmp_path):
    def run(*arguments, folder=True):
        more = ("--folder", str(tmp_path / "log")) if folder else ()
        return CliRunner().invoke(main, [*arguments, *more], catch_exceptions=False)

    return run


def test_a_print_run_is_kept_used_and_withdrawn(log):
    run = cards.calibrate(
        log, [("card.txt", measured_file())], at=NOW, note="matte film", first_number=1, last_number=40
    )
    (kept,) = cards.print_runs(log)
    assert kept == run
    assert (kept.note, kept.calibration.first_number, kept.calibration.last_number) == ("matte film", 1, 40)
    assert _job(log).calibrations == (run.calibration,)
    keyed = inputs_of(_job(log))
    cards.withdraw_print_run(log, run.id, at=NOW)
    assert _job(log).calibrations == ()
    # What is measured with other print runs is another measurement.
    assert inputs_of(_job(log)) != keyed
    assert cards.print_runs(log)[0].withdrawn_at == NOW
    (change,) = log.history_of("print_runs", run.id)
    assert json.loads(change["before"]) == {"withdrawn_at": None}
    assert json.loads(change["after"])["withdrawn_at"]
    with pytest.raises(NotInLog, match="no measured print run"):
        cards.withdraw_print_run(log, run.id, at=NOW)


def _job(log):
    sha256 = actions.receive_photo(log, actions.PhotoIn("a.jpg", b"good hazy light 0.9"), received_at=NOW)
    return job_of(log, log.photo(sha256), None)


def test_kept_print_runs_cannot_be_changed_or_removed(log):
    import sqlite3

    cards.save_print_run(log, as_designed(), at=NOW)
    for statement in ("delete from print_runs", "update print_runs set content = '{}'"):
        with pytest.raises(sqlite3.IntegrityError, match="appended"):
            log._connection.execute(statement)
        log._connection.rollback()


@pytest.mark.parametrize(
    ("files", "numbers", "error", "sentence"),
    [
        ([("a.txt", b"words")], {}, CalibrationInvalid, "no table"),
        ([("a.txt", measured_file()), ("b.txt", measured_file())], {}, CalibrationRefused, "one file, or by photos"),
        ([("a.txt", measured_file()), ("b.jpg", b"\xff\xd8\xff")], {}, CalibrationRefused, "one file, or by photos"),
        ([], {}, CalibrationRefused, "one file, or by photos"),
        ([("a.txt", measured_file())], {"first_number": 9, "last_number": 3}, CalibrationRefused, "before it begins"),
    ],
    ids=["words", "two_files", "mixed", "none", "numbers"],
)
def test_what_does_not_serve_is_said(files, numbers, error, sentence):
    with pytest.raises(error, match=sentence):
        cards.calibration_of(files, **numbers)


def test_photos_beside_the_chart_are_measured_by_a_worker(log):
    scenes = _scenes()
    printed = scenes.printed_lab(3)
    run = cards.calibrate(log, [("a.jpg", scenes.beside_chart(4, lab=printed))], at=NOW)
    assert run.calibration.method == "chart_photo"
    from vision import colour

    truth = dict(zip((p.name for p in load_card().patches), printed, strict=True))
    off = [float(colour.delta_e00(p.lab, truth[p.name])) for p in run.calibration.patches]
    assert np.median(off) < 2


def _scenes():
    place = Path(__file__).parents[1] / "vision" / "calibration_scenes.py"
    spec = importlib.util.spec_from_file_location("calibration_scenes_app", place)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def seen_card(at, *, number=7, fade=0.0, seed=0):
    """A result whose card is printed alike each time, `fade` of the way to white where red."""
    rng = np.random.default_rng(seed)
    patches = []
    for patch in load_card().patches:
        rgb = np.array(patch.reference_srgb)
        red = max(rgb[0] - rgb[2], 0)
        shown = np.clip(rgb + fade * red * (1 - rgb) + rng.normal(0, 0.004, 3), 0, 1)
        patches.append(PatchResult(patch.name, tuple(shown), tuple(shown), patch.reference_srgb, 1.0))
    card = replace(fake_card(), card_id=number, patches=tuple(patches))
    water = fake_water(Clarity.HAZY, Severity.LIGHT, 0.9)
    return PhotoResult("a.jpg", "0" * 64, at.isoformat(), True, (), card, water, None, None)


def keep(log, result: PhotoResult, index, at):
    sha256 = actions.receive_photo(log, actions.PhotoIn(f"{index}.jpg", f"photo {index}".encode()), received_at=at)
    log.append_measurement(sha256, replace(result, sha256=sha256), pipeline="t", model="m", inputs="", measured_at=at)


def fill(log, *, fade, number=7, count=12):
    for index in range(count):
        at = NOW + timedelta(days=7 * index)
        keep(log, seen_card(at, number=number, fade=fade * index / count, seed=index), f"{number}-{index}", at)


def test_cards_are_listed_with_their_drift(log):
    fill(log, fade=0.9, number=7)
    fill(log, fade=0.0, number=8)
    cards.save_print_run(log, as_designed(first_number=8, last_number=8), at=NOW)
    seven, eight = cards.cards(log)
    assert (seven.number, seven.photos, seven.calibrated, seven.drift.faded) == (7, 12, False, True)
    assert (eight.number, eight.photos, eight.calibrated, eight.drift.faded) == (8, 12, True, False)
    assert seven.drift.low_delta_e00 > FADED_DELTA_E00
    assert cards.cards(log, number=8) == (eight,)
    assert cards.cards(log, number=99) == ()


@pytest.mark.parametrize(("fade", "said"), [(0.9, True), (0.0, False)], ids=["faded", "sound"])
def test_a_faded_card_is_said_of_the_next_photo(log, fade, said):
    from app.measuring import say_if_faded

    fill(log, fade=fade)
    result = say_if_faded(log, seen_card(NOW + timedelta(days=100), fade=fade))
    assert ("card_faded" in {each.code for each in result.problems}) is said
    assert result.usable


def test_card_writes_as_it_always_did(tmp_path, turnblue):
    shown = json.loads(turnblue("card", "--json", folder=False).stdout)
    assert shown["width_mm"] == 180
    target = tmp_path / "mine.pdf"
    result = turnblue("card", "-o", str(target), "--paper", "a4", "--number", "12", folder=False)
    assert result.exit_code == 0
    assert "Print it at 100 %" in result.stderr
    assert target.read_bytes().startswith(b"%PDF")
    helped = turnblue("card", "--help", folder=False).stdout
    for word in ("--output", "--number", "--paper", "--json", "calibrate", "drift", "runs", "Example:"):
        assert word in helped
    assert turnblue("card", "nonsense", folder=False).exit_code == 2


def test_calibrate_runs_and_drift_from_the_command_line(tmp_path, turnblue, log):
    source = tmp_path / "run.txt"
    source.write_bytes(measured_file(1.0))
    result = turnblue("card", "calibrate", str(source), "--from", "3", "--to", "9", "--note", "inkjet, film")
    assert result.exit_code == 0
    assert "cards 3 to 9, 48 patches measured with an instrument" in result.stdout
    listed = turnblue("card", "runs").stdout
    assert "inkjet, film" in listed
    run_id = json.loads(turnblue("card", "runs", "--json").stdout)[0]["id"]
    assert "withdrawn" in turnblue("card", "runs", "--withdraw", run_id).stdout
    assert "No photo in the log" in turnblue("card", "drift").stdout
    fill(log, fade=0.9)
    assert "print a new one" in turnblue("card", "drift").stdout
    shown = json.loads(turnblue("card", "drift", "7", "--json").stdout)
    assert shown[0]["drift"]["faded"] is True


def test_bad_calibrations_end_in_a_sentence(tmp_path, turnblue):
    wrong = tmp_path / "wrong.txt"
    wrong.write_text("nothing of the kind")
    for arguments in (("card", "calibrate", str(wrong)), ("card", "calibrate", str(tmp_path / "none.txt"))):
        result = turnblue(*arguments)
        assert result.exit_code == 1
        assert "Traceback" not in result.output
        assert len(result.stderr.splitlines()) == 1
    result = turnblue("score", str(SHADE), "--calibration", str(wrong), folder=False)
    assert result.exit_code == 1
    assert "no table" in result.stderr


def test_score_uses_a_calibration(tmp_path, turnblue):
    file = tmp_path / "run.json"
    source = tmp_path / "run.txt"
    source.write_bytes(measured_file())
    assert turnblue("card", "calibrate", str(source), "-o", str(file), folder=False).exit_code == 0
    shown = [
        json.loads(turnblue("score", str(SHADE), "--json", *more, folder=False).stdout)
        for more in ((), ("--calibration", str(file)), ("--calibration", str(source)))
    ]
    assert [each["card"]["calibrated"] for each in shown] == [False, True, True]
    assert "card_not_calibrated" not in {each["code"] for each in shown[1]["problems"]}


def test_a_calibrated_card_is_used_in_a_visits_photos(log):
    pool = actions.add_pool(log, Pool("", "Test pool", 50_000.0, FilterKind.SAND), at=NOW)
    recovery = actions.open_recovery(log, pool.id, at=NOW)
    cards.save_print_run(log, as_designed(), at=NOW)
    logged = actions.log_visit(
        log, recovery.id, at=NOW, by="Robin", photos=(actions.PhotoIn("a.jpg", SHADE.read_bytes()),)
    )
    (measured,) = logged.measured
    assert measured.result.card.calibrated
