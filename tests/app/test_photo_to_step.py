"""One whole path: a rendered photo in, a graded visit, its pictures and its next step out."""

import io
import json
import os
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

import pytest
from PIL import Image

from app import actions, config
from app.records import Equipment, FilterKind, Pool, StepKind
from tests.vision.steady_grader import write_steady
from vision.results import Clarity, Severity

ROOT = Path(actions.__file__).parents[1]
NOW = datetime(2026, 6, 3, 16, 0, tzinfo=UTC)
REQUEST = {
    "name": "IMG_1", "seed": 1, "size_px": [1200, 900],
    "pool": {"seed": 41, "shape": "kidney", "length_m": 11.0, "width_m": 5.5, "shallow_m": 1.05, "deep_m": 2.4,
             "finish": "white"},
    "water": {"visible_depth_m": 2.2, "chlorophyll_ug_l": 22.0, "seed": 3},
    "light": "overcast", "camera": 1, "card": {"kind": "turnblue", "placement": "hand"},
    "taken_at": "2026-06-03T09:14:07-07:00",
}  # fmt: skip
"""One photo as the simulator is asked for it."""


@pytest.fixture(scope="module")
def steady_grader(tmp_path_factory):
    """A model file that grades every water hazy and light: here the path is tested, not the grading."""
    return write_steady(tmp_path_factory.mktemp("model") / "grader.npz")


@pytest.fixture(scope="module")
def rendered(tmp_path_factory):
    folder = tmp_path_factory.mktemp("rendered")
    (folder / "requests.json").write_text(json.dumps([REQUEST, {**REQUEST, "name": "IMG_2", "card": None}]))
    subprocess.run(
        [sys.executable, "-m", "models.simulator", folder / "requests.json", folder],
        cwd=ROOT, env={**os.environ, "PYTHONPATH": str(ROOT)}, check=True, capture_output=True,
    )  # fmt: skip
    return folder


@pytest.fixture
def log(tmp_path, monkeypatch, steady_grader):
    monkeypatch.setenv(config.GRADER_VARIABLE, str(steady_grader))
    with actions.open_log(tmp_path / "home") as opened:
        yield opened


@pytest.mark.slow
def test_photo_becomes_a_graded_visit_with_its_pictures_and_next_step(log, rendered):
    pool = actions.add_pool(log, Pool("", "Cedar Lane 12", 56_781.0, FilterKind.SAND, depth_deep_m=2.4))
    recovery = actions.open_recovery(log, pool.id, at=NOW)
    names = ("IMG_1.jpg", "IMG_2.jpg")
    photos = [actions.PhotoIn(name, (rendered / name).read_bytes()) for name in names]
    broken = actions.PhotoIn("cut.jpg", photos[0].content[:4000])
    works = Equipment(power_on=True, pump_runs=True, flow_holds=True)
    # Three photos: measured by worker programs.
    saved = actions.log_visit(
        log, recovery.id, at=NOW, by="Robin", photos=[*photos, broken], equipment=works, floor_seen=False
    )

    with_card, without = saved.measured
    assert [each.result.photo for each in saved.measured] == list(names)
    assert with_card.result.usable
    assert with_card.result.card.kind == "turnblue"
    assert not without.result.usable
    assert [each.code for each in without.result.problems] == ["no_card"]
    ((name, sentence),) = saved.refused
    assert name == "cut.jpg"
    assert sentence.startswith("The file cut.jpg is cut short")

    assessment = actions.recovery(log, recovery.id).visits[0].assessment
    assert (assessment.clarity, assessment.severity) == (Clarity.HAZY, Severity.LIGHT)
    assert assessment.photo_sha256 == with_card.sha256
    assert log.photo(with_card.sha256)["taken_at"] == "2026-06-03T09:14:07-07:00"
    assert actions.photo_bytes(log, with_card.sha256) == photos[0].content

    normal = Image.open(io.BytesIO(actions.normalised_picture(log, with_card.sha256, width_px=300)))
    assert normal.size == (300, 225)
    assert dict(normal.getexif()) == {}
    assert Image.open(io.BytesIO(actions.check_picture(log, without.sha256))).format == "JPEG"
    assert sorted(path.suffix for path in log.cache_folder.iterdir()) == [".jpg", ".jpg"]

    step = actions.next_step(log, recovery.id, now=NOW)
    assert step.step is StepKind.DOSE
    (row,) = actions.board(log, now=NOW)
    assert row.assessment == assessment
    assert row.step == step

    # All were measured by this very program and model, the unreadable one too: there is nothing to do.
    assert list(actions.rescore(log, write=True, at=NOW)) == []


@pytest.mark.slow
def test_score_writes_what_was_found_and_true_colours_under_the_photos_own_name(log, rendered, tmp_path):
    paths = [rendered / "IMG_1.jpg", rendered / "IMG_2.jpg"]
    outcomes = list(
        actions.score(paths, normalised_folder=tmp_path / "true", check_folder=tmp_path / "found", workers_asked=2)
    )
    assert [outcome.result.usable for outcome in outcomes] == [True, False]
    assert sorted(path.name for path in (tmp_path / "found").iterdir()) == ["IMG_1.jpg", "IMG_2.jpg"]
    # Without a card there are no true colours to write.
    assert [path.name for path in (tmp_path / "true").iterdir()] == ["IMG_1.jpg"]
    with Image.open(tmp_path / "true" / "IMG_1.jpg") as true:
        assert true.size == (1200, 900)
