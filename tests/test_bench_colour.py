"""The benchmark of card and colour, small: its tables come out, its judge is just, its peers are called rightly."""

import re
from dataclasses import replace

import cv2
import numpy as np
import pytest

from tests.bench import colours, finding, negatives
from tests.bench.peers import opencv_peer
from tests.bench.runners import run_turnblue
from tests.bench.scene import Lie, card_target, chart_target, encode, photograph, project
from tests.bench.spectral import chart_reflectances, true_linear
from tests.bench_colour import main

SMALL_PX = (1600, 1200)


def plain(target, **lie):
    """Photograph a target on plain grey, small; return the photo (RGB) and the homography."""
    ground = np.full((SMALL_PX[1], SMALL_PX[0], 3), 0.25, np.float32)
    return photograph(ground, target, Lie(**{"width_share": 0.3, "tilt_deg": 15, "turn_deg": 20, "seed": 3} | lie))


@pytest.fixture
def small(monkeypatch, tmp_path):
    """Cases of an eighth of the size, easy ones only, on textures that need no rendered pool."""
    monkeypatch.setattr(finding, "PHOTO_PX", SMALL_PX)
    monkeypatch.setattr(finding, "SIZES", (0.3,))
    monkeypatch.setattr(finding, "BLURS", (0,))
    monkeypatch.setattr(finding, "TILTS", (0, 30))
    monkeypatch.setattr(finding, "POOLS", ())
    texture = lambda index, size, folder: negatives.texture("concrete", index, size)  # noqa: E731
    monkeypatch.setattr(finding, "ground", texture)
    return tmp_path


@pytest.mark.parametrize("kind", ["card", "chart"])
def test_easy_cases_are_found_and_counted(small, kind):
    cases = finding.make_photos(kind, 3, 5, small)
    answers = run_turnblue({"target": kind, "photos": [str(small / case.photo) for case in cases]})
    text, failing = finding.table(cases, answers)
    assert failing["turnblue"] == {"marks": [], "wrong": [], "none": []}
    assert re.search(r"^all +3 +3$", text, re.MULTILINE)
    # The same cases are the same photos: nothing is rendered again.
    before = {file: file.stat().st_mtime_ns for file in small.glob("*.jpg")}
    assert finding.make_photos(kind, 3, 5, small) == cases
    assert {file: file.stat().st_mtime_ns for file in small.glob("*.jpg")} == before


def test_judge_tells_right_from_wrong(small):
    (case, _, _), *_ = finding.draw_cases("card", 1, 5)
    true = np.array(case.corners)
    diagonal = np.linalg.norm(true[0] - true[2])
    assert finding.judge(case, {"corners": true.tolist()}) == "right"
    assert finding.judge(case, {"corners": (true + 0.05 * diagonal).tolist()}) == "wrong"
    # Turned by a quarter: the place is right, the patches would not be.
    assert finding.judge(case, {"corners": np.roll(true, 1, axis=0).tolist()}) == "wrong"
    assert finding.judge(case, {"corners": None}) == "none"
    (case, _, _), *_ = finding.draw_cases("chart", 1, 5)
    centres = np.array(case.centres)
    assert finding.judge(case, {"centres": centres[::-1].tolist()}) == "right"
    assert finding.judge(case, {"centres": centres[::-1].tolist(), "ordered": True}) == "wrong"
    assert finding.judge(case, {"centres": centres[:20].tolist()}) == "wrong"


def test_peers_find_what_is_plainly_there():
    photo, homography = plain(chart_target())
    bgr = np.ascontiguousarray(photo[..., ::-1])
    found = np.array(opencv_peer.chart_answer(bgr, 1)["centres"])
    true = project(homography, chart_target().centres_mm)
    assert np.linalg.norm(true[:, None] - found[None], axis=2).min(axis=1).max() < 5
    photo, homography = plain(card_target())
    marks = opencv_peer.marks_of(np.ascontiguousarray(photo[..., ::-1]), None, negatives.OWN_IDS)
    assert set(marks) == set(negatives.OWN_IDS)


@pytest.mark.parametrize("method", list(colours.METHODS))
def test_peers_leave_a_true_camera_alone(method):
    """Colours that are right already: a method called wrongly would spoil them."""
    true = np.clip(true_linear(chart_reflectances()), 0, 1)
    # The chart's cyan lies outside sRGB and its white near the end: the rest must stay.
    errors = colours.held_out(colours.METHODS[method], encode(true), true)
    assert np.median(errors) < 0.5


def test_colour_table_counts_patches_left_out():
    each = np.array([1.0, 2.0, 3.0, np.nan])
    errors = {("a method", name, 0): [each] for name in colours.ILLUMINANTS}
    text = colours._table(errors, [0])
    assert f"2.00/3.00 -{len(colours.ILLUMINANTS)}" in text.splitlines()[-2]


def test_negatives_are_counted_by_kind(monkeypatch, tmp_path, capsys):
    monkeypatch.setattr(negatives, "SIZE_PX", (400, 300))
    # Pictures 3 and on: none that needs a rendered pool.
    assert main(["negatives", "--negatives", "3", "--start", "3", "--alone", "--folder", str(tmp_path)]) == 0
    text = capsys.readouterr().out
    assert re.search(r"^all +3 +0$", text, re.MULTILINE)
    assert {line.split()[0] for line in text.splitlines()[3:6]} == set(negatives.KINDS[3:6])


def test_a_card_among_negatives_is_counted(monkeypatch, tmp_path):
    photo, _ = plain(card_target())
    monkeypatch.setattr(negatives, "picture", lambda *_: ("text", np.ascontiguousarray(photo[..., ::-1])))
    seen, false = negatives._search((range(1), 1, tmp_path, True))
    assert seen["text"] == 1
    assert false["turnblue"]["text"] == 1
    assert len(list(tmp_path.glob("false_text_*_turnblue.jpg"))) == 1


def test_unknown_table_is_refused(capsys):
    with pytest.raises(SystemExit) as stopped:
        main(["nothing"])
    assert stopped.value.code == 2
    assert "no table nothing" in capsys.readouterr().err


def test_same_lie_same_photo():
    lie = Lie(width_share=0.3, seed=9)
    photos = [photograph(np.full((300, 400, 3), 0.3, np.float32), chart_target(), replace(lie))[0] for _ in range(2)]
    assert (photos[0] == photos[1]).all()
    assert cv2.absdiff(*photos).max() == 0
