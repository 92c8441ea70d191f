"""The command line: whole output, exit codes, and nothing heavy before it is needed."""

import hashlib
import json
import re
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

import pytest
from click.testing import CliRunner
from fake_measuring import FakeMeasurer, FakeVersioned

from app import actions, cli, config
from app.records import Action, Dose, Evidence, FilterKind, Pool, Step, StepKind
from app.store.log import LOG_FILE

NOW = datetime(2026, 6, 3, 16, 0, tzinfo=UTC)
ROOT = Path(cli.__file__).parents[1]
HEAVY = {"altair", "cv2", "numpy", "pandas", "PIL", "pillow_heif", "sklearn", "sqlite_utils", "sqlite3", "streamlit",
         "tqdm", "typst", "app.actions", "app.treatment"}  # fmt: skip


@pytest.fixture
def home(tmp_path, monkeypatch):
    """A log of one pool with an open recovery, its folder named by the environment; a fake measurer and plan."""
    folder = tmp_path / "home"
    monkeypatch.setenv(config.HOME_VARIABLE, str(folder))
    monkeypatch.setattr(actions, "shipped_measurer", FakeMeasurer)
    monkeypatch.setattr("app.measuring.shipped_measurer", FakeMeasurer)
    monkeypatch.setattr(cli, "_now", lambda: NOW)
    with actions.open_log(folder) as log:
        actions.add_pool(log, Pool("p-1", "Cedar Lane 12", 56_781.0, FilterKind.SAND))
        actions.add_pool(log, Pool("p-2", "Birch Court 4", 40_000.0, FilterKind.DE))
        actions.open_recovery(log, "p-1", at=NOW)
    return folder


@pytest.fixture
def recovery_id(home):
    with actions.open_log() as log:
        return actions.open_recoveries(log)[0].id


@pytest.fixture
def planned(monkeypatch):
    """A plan that always says the same, to see how it is told."""
    from app.records import Chemical

    dose = Dose(Chemical.SODIUM_HYPOCHLORITE, 12.5, 3.78, "L", 3.5, 4.0, "1 gal", "so x so", ("Goggles.",), ("A",))
    step = Step(
        StepKind.DOSE, "Pour chlorine", (Evidence("The water is green."),), (Action("Pour 1 gal.", dose),), 24.0,
        "Blue water.", ("Torn grids.",), ("Never mix chemicals.",), ("Common practice, no source",),
    )  # fmt: skip
    monkeypatch.setattr(actions, "_step", lambda of, now, units: step)
    return step


def run(*words):
    return CliRunner().invoke(cli.main, [str(word) for word in words])


def photo(folder, name, text):
    path = folder / name
    path.write_text(text)
    return path


@pytest.mark.parametrize("words", [[], *[[name] for name in cli.main.commands]], ids=lambda words: " ".join(words))
def test_help_imports_nothing_heavy(words):
    code = (
        "import sys\nfrom app.cli import main\n"
        f"try: main({[*words, '--help']!r}, prog_name='turnblue')\nexcept SystemExit as end: assert end.code == 0\n"
        f"print(sorted(set(sys.modules) & {HEAVY!r}), file=sys.stderr)\n"
    )
    told = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    assert told.stderr.strip() == "[]"
    assert told.stdout.startswith("Usage: turnblue")


def test_every_command_has_a_sentence_and_an_example():
    for name, command in cli.main.commands.items():
        assert f"Example: turnblue {name}" in command.help
        assert command.help.split("\n")[0].endswith(".")


def test_version():
    result = run("--version")
    assert (result.exit_code, result.output) == (0, f"turnblue, version {config.version()}\n")


def test_score_prints_one_object_a_photo_in_order_and_goes_on_after_a_bad_one(home, tmp_path):
    photos = [
        photo(tmp_path, "a.jpg", "good hazy light 0.9"),
        photo(tmp_path, "b.jpg", "unreadable"),
        photo(tmp_path, "c.jpg", "flagged no_card"),
    ]
    result = run("score", *photos, "--json")
    lines = [json.loads(line) for line in result.stdout.splitlines()]
    assert [line["photo"] for line in lines] == ["a.jpg", "b.jpg", "c.jpg"]
    assert [line["usable"] for line in lines] == [True, False, False]
    # Every line has the same fields, read or not.
    assert len({tuple(line) for line in lines}) == 1
    assert lines[0]["water"]["clarity"]["grade"] == "hazy"
    assert lines[1]["sha256"] == hashlib.sha256(b"unreadable").hexdigest()
    assert lines[1]["problems"] == [
        {"code": "photo_unreadable", "say": "The file b.jpg is not a photo that can be read. Send a JPEG."}
    ]
    assert lines[2]["problems"][0]["code"] == "no_card"
    assert result.exit_code == 1
    assert result.stderr == (
        f"1 could not be read:\n  {photos[1]}: The file b.jpg is not a photo that can be read. Send a JPEG.\n"
    )


def test_score_of_photos_that_can_be_read_exits_0_even_when_not_usable(home, tmp_path):
    result = run("score", photo(tmp_path, "c.jpg", "flagged no_card"), "--json")
    assert (result.exit_code, result.stderr) == (0, "")
    assert json.loads(result.stdout)["usable"] is False


def test_score_of_a_missing_file_has_its_line_and_exits_1(home, tmp_path, monkeypatch):
    monkeypatch.setattr(actions, "shipped_measurer", lambda: opens_photos)
    result = run("score", tmp_path / "none.jpg", "--json")
    assert json.loads(result.stdout)["sha256"] is None
    assert result.exit_code == 1
    assert "none.jpg could not be opened" in result.stderr


def opens_photos(job):
    from vision.photo import open_photo

    return open_photo(job.path)


def test_score_for_people_is_a_table_with_the_doubts_below(home, tmp_path):
    photos = [
        photo(tmp_path, "a.jpg", "good hazy light 0.9"),
        photo(tmp_path, "bb.jpg", "good crystal none 0.8"),
        photo(tmp_path, "c.jpg", "flagged card_glare"),
        photo(tmp_path, "d.jpg", "unreadable"),
    ]
    result = run("score", *photos)
    assert result.exit_code == 1
    assert result.stdout == (
        "photo   usable    clarity      severity   one sees (80 % range)\n"
        "------  --------  -----------  ---------  -------------------------\n"
        "a.jpg   yes       hazy 90%     light 90%  5.2 ft (4.9 ft to 5.6 ft)\n"
        "bb.jpg  yes       crystal 80%  none 80%   24.6 ft or more\n"
        "c.jpg   no\n"
        "d.jpg   not read\n"
        "\n"
        "c.jpg: Patches of the card are in glare: tilt it away from the sun and retake.\n"
    )
    metric = run("score", photos[0], "--units", "metric")
    assert "1.6 m (1.5 m to 1.7 m)" in metric.stdout


def test_score_tells_the_measurer_the_pools_depths(home, tmp_path, monkeypatch):
    noted = tmp_path / "noted"
    monkeypatch.setattr(actions, "shipped_measurer", lambda: FakeMeasurer(noted_in=str(noted)))
    path = photo(tmp_path, "a.jpg", "good hazy light 0.9")
    assert run("score", path, "--deep-end", "8ft", "--shallow-end", "1.1 m").exit_code == 0
    assert run("score", path).exit_code == 0
    first, second = noted.read_text().splitlines()
    assert "depth_shallow_m=1.1," in first
    # 8 x 0.3048, exact
    assert float(re.search("depth_deep_m=([0-9.]+)", first)[1]) == pytest.approx(2.4384, abs=1e-9)
    assert second == "None"


@pytest.mark.parametrize(
    ("words", "told"),
    [
        pytest.param(["score"], "Missing argument 'PHOTO...'", id="no photo"),
        pytest.param(["score", "a.jpg", "--jobs", "0"], "'--jobs': 0 is not in the range x>=1", id="no jobs"),
        pytest.param(["visit", "Cedar Lane 12"], "Missing argument 'PHOTO...'", id="visit without photo"),
        pytest.param(["dose", "bleach", "--volume", "1gal"], "'bleach' is none of: sodium_hypochlorite", id="chemical"),
        pytest.param(["dose", "clarifier", "--volume", "3 lb"], "'3 lb' is no volume; write it as", id="volume"),
        pytest.param(
            ["dose", "clarifier", "--volume", "1gal", "--label", "x"], "'x' is no rate; write it as", id="label"
        ),
        pytest.param(
            ["dose", "sodium_hypochlorite", "--volume", "1gal", "--lower", "1"],
            "raises free chlorine: use --raise",
            id="raise",
        ),
        pytest.param(
            ["dose", "hydrochloric_acid", "--volume", "1gal", "--raise", "1"],
            "lowers total alkalinity: use --lower",
            id="lower",
        ),
        pytest.param(["score", "a.jpg", "--deep-end", "8"], "'8' is no pool's depth; write it as 8ft", id="unit"),
        pytest.param(["score", "a.jpg", "--deep-end", "80ft"], "'80ft' is no pool's depth", id="depth"),
        pytest.param(["fly"], "No such command 'fly'", id="no command"),
    ],
)  # fmt: skip
def test_wrong_usage_exits_2(home, words, told):
    result = run(*words)
    assert (result.exit_code, result.stdout) == (2, "")
    assert told in result.stderr


def test_pictures_of_one_name_are_refused_before_one_overwrites_the_other(home, tmp_path):
    (tmp_path / "other").mkdir()
    photos = [photo(tmp_path, "a.jpg", "good hazy light 1"), photo(tmp_path / "other", "A.png", "good hazy light 1")]
    result = run("score", *photos, "--check", tmp_path / "found")
    assert result.exit_code == 2
    assert "Two photos are called a: their pictures would overwrite each other." in result.stderr
    assert run("score", *photos).exit_code == 0


def test_pools_lists_pools_with_their_recoveries(home, recovery_id):
    result = run("pools")
    assert result.exit_code == 0
    assert result.stdout == (
        "pool           volume      filter  recovery        last visit  water\n"
        "-------------  ----------  ------  --------------  ----------  -----\n"
        "Birch Court 4  10,600 gal  de\n"
        f"Cedar Lane 12  15,000 gal  sand    {recovery_id}\n"
    )
    birch, cedar = (json.loads(line) for line in run("pools", "--json").stdout.splitlines())
    assert birch["recovery"] is None
    assert cedar["recovery"] == {"id": recovery_id, "opened_at": NOW.isoformat(), "visits": 0}
    assert (cedar["volume_l"], cedar["filter_kind"]) == (56_781.0, "sand")


def test_pools_of_an_empty_log_says_what_to_do(tmp_path):
    result = run("pools", "--folder", tmp_path / "new")
    assert (result.exit_code, result.stdout) == (
        0,
        "No pools yet. Add one in the dashboard (turnblue serve), or look at the demo: turnblue demo\n",
    )
    assert run("pools", "--json", "--folder", tmp_path / "new").stdout == ""


def test_visit_is_saved_with_its_photos_and_the_next_step_is_said(home, recovery_id, planned, tmp_path):
    good = photo(tmp_path, "IMG_1.jpg", "good hazy light 0.9")
    result = run("visit", "cedar lane 12", good, tmp_path / "none.jpg", "--by", "Robin", "--note", "Leaves")
    assert result.exit_code == 1
    assert result.stderr == "none.jpg: The file could not be opened (No such file or directory).\n"
    with actions.open_log() as log:
        (visit,) = actions.recovery(log, recovery_id).visits
    assert (visit.by, visit.note, visit.at) == ("Robin", "Leaves", NOW)
    assert result.stdout == (
        f"Saved the visit {visit.id}: hazy, algae light, one sees 5.2 ft (4.9 ft to 5.6 ft).\n"
        "\n"
        "Cedar Lane 12: Pour chlorine\n"
        "\n"
        "Why\n"
        "- The water is green.\n"
        "\n"
        "Do\n"
        "1. Pour 1 gal.\n"
        "   = so x so\n"
        "\n"
        "Return in 24 hours. Look for: Blue water.\n"
        "\n"
        "What would change this\n"
        "- Torn grids.\n"
        "\n"
        "Cautions\n"
        "! Goggles.\n"
        "! Never mix chemicals.\n"
        "\n"
        "Sources\n"
        "- A\n"
        "- Common practice, no source\n"
    )


def test_visit_as_json_has_the_photos_and_the_next_step(home, recovery_id, planned, tmp_path):
    good = photo(tmp_path, "IMG_1.jpg", "good hazy light 0.9")
    result = run("visit", recovery_id[:8], good, "--json")
    assert result.exit_code == 0
    told = json.loads(result.stdout)
    assert told["visit"]["recovery_id"] == recovery_id
    assert told["visit"]["at"] == NOW.isoformat()
    assert told["photos"][0]["water"]["severity"]["grade"] == "light"
    assert told["refused"] == []
    assert told["next"]["step"] == "dose"


def test_next_as_json_has_the_fields_of_the_contract(home, planned):
    told = json.loads(run("next", "Cedar Lane 12", "--json").stdout)
    assert set(told) >= {"step", "why", "do", "return_in_hours", "cautions", "sources"}
    assert (told["do"][0]["dose"]["amount"], told["do"][0]["dose"]["unit"]) == (3.78, "L")


def test_what_is_not_in_the_log_is_a_sentence_and_exit_1(home):
    result = run("next", "Nowhere")
    assert (result.exit_code, result.stdout) == (1, "")
    assert result.stderr == "No recovery fits 'Nowhere'. See pools and recoveries with: turnblue pools\n"


def test_log_that_cannot_be_read_is_a_sentence_and_exit_1(home):
    (home / LOG_FILE).write_bytes(b"no database" * 500)
    for side in home.glob(f"{LOG_FILE}-*"):
        side.unlink()
    result = run("pools")
    assert (result.exit_code, result.stdout) == (1, "")
    assert result.stderr.endswith("is damaged or is not a log of Turnblue. Restore it from a backup.\n")


def test_dose_says_amount_arithmetic_and_cautions():
    words = ["dose", "sodium-hypochlorite", "--volume", "15000gal", "--raise", "10", "--strength", "12.5"]
    result = run(*words)
    assert result.exit_code == 0
    first, second, *rest = result.stdout.splitlines()
    assert first == "1.25 gal of sodium hypochlorite"
    # 15,000 gal of water by 10 ppm from a jug of 125,000 ppm: 15,000 x 10 / 125,000 = 1.2 gal.
    assert second.startswith("= 15,000 gal x 10 ppm / 125,000 ppm")
    assert "Cautions" in rest
    assert "Sources" in rest
    told = json.loads(run(*words, "--json").stdout)
    # 1.2 gal x 3.785411784 L/gal
    assert told["amount"] == pytest.approx(4.542494, abs=5e-7)
    assert told["unit"] == "L"
    assert {"amount", "unit", "arithmetic", "cautions"} <= set(told)


def test_dose_that_cannot_be_computed_is_a_sentence_and_exit_1():
    result = run("dose", "flocculant", "--volume", "15000gal")
    assert (result.exit_code, result.stdout) == (1, "")
    assert "is dosed by its label. Type the label's rate" in result.stderr
    by_label = run("dose", "flocculant", "--volume", "15000gal", "--label", "32 fl oz per 30000gal")
    assert by_label.stdout.startswith("16 fl oz of flocculant\n")


def test_card_geometry_and_pdf(tmp_path):
    told = json.loads(run("card", "--json").stdout)
    assert {"width_mm", "height_mm", "markers", "patches", "strip_slot"} <= set(told)
    path = tmp_path / "card.pdf"
    result = run("card", "-o", path, "--paper", "a4")
    assert (result.exit_code, result.stdout) == (0, "")
    assert result.stderr == f"Wrote {path}. Print it at 100 % on matte, waterproof paper.\n"
    assert path.read_bytes().startswith(b"%PDF-")


def test_rescore_is_a_dry_run_unless_told(home, planned, tmp_path, monkeypatch):
    run("visit", "Cedar Lane 12", photo(tmp_path, "IMG_1.jpg", "good hazy light 0.9"))
    monkeypatch.setattr("app.rescoring.shipped_measurer", lambda: FakeVersioned("fake-2", "good clear none 0.9"))
    sha256 = hashlib.sha256(b"good hazy light 0.9").hexdigest()
    dry = run("rescore")
    assert dry.exit_code == 0
    assert dry.stdout.splitlines()[2:] == [
        f"IMG_1.jpg  {sha256[:12]}  hazy, algae light, one sees 5.2 ft (4.9 ft to 5.6 ft)  "
        "clear, algae none, one sees 10.2 ft (9.8 ft to 10.5 ft)",
        "",
        "1 of 1 photos are told otherwise.",
        "Nothing was written; --write appends what is new.",
    ]
    assert run("rescore", "--write").stdout.endswith("1 of 1 photos are told otherwise.\n1 measurements appended.\n")
    assert run("rescore", "--write").stdout == (
        "0 of 0 photos are told otherwise.\n1 were measured by this program and model before.\n"
        "0 measurements appended.\n"
    )
    monkeypatch.setattr("app.rescoring.shipped_measurer", lambda: FakeVersioned("fake-3", "good clear none 0.9"))
    assert json.loads(run("rescore", "--json").stdout)["changed"] is False


def test_demo_is_made_and_shown_in_its_own_folder(tmp_path, monkeypatch):
    made, shown = [], []

    def make_demo(folder, *, now, progress):
        progress(1, 1)
        made.append((folder, now))

    monkeypatch.setattr("app.demo.make_demo", make_demo)
    monkeypatch.setattr("app.demo.demo_folder", lambda: tmp_path / "usual")
    monkeypatch.setattr("app.serve.serve", lambda folder, **options: shown.append((folder, options)))
    monkeypatch.setattr(cli, "_now", lambda: NOW)
    result = run("demo", "--no-serve", "--folder", tmp_path / "asked")
    assert (result.exit_code, result.stdout, shown) == (0, "", [])
    assert result.stderr == f"The demo's log is in {tmp_path / 'asked'}.\n"
    assert run("demo", "--port", "8600", "--no-browser").exit_code == 0
    assert made == [(tmp_path / "asked", NOW), (tmp_path / "usual", NOW)]
    ((folder, options),) = shown
    assert folder == tmp_path / "usual"
    assert (options["port"], options["open_browser"]) == (8600, False)
