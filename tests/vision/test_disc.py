"""The sighting disc: found and measured in rendered photos with known truth, refused where it is not."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pytest

from models.simulator.files import encode_jpeg
from models.simulator.sampling import sample_spec
from models.simulator.scene import render
from models.simulator.specs import Truth
from tests.bench_disc import disc_scene
from vision.disc import DiscAsked, disc_belief, lost_result, see_disc, view_cosine
from vision.discfind import DiscPose, find_disc, print_of
from vision.errors import DesignInvalid
from vision.grade import load_grader
from vision.measure import look, measure_water
from vision.photo import Photo, open_photo
from vision.results import to_json
from vision.specs import load_disc

GRADER = load_grader(Path(__file__).parents[2] / "models/shipped/grader.npz")
SEEN_SEEDS = (18,)
"""Scenes whose disc is plainly seen."""


@cache
def scene(seed: int) -> tuple[bytes, Truth]:
    """Return a rendered photo with a disc, and its truth."""
    rendered = render(disc_scene(seed))
    return encode_jpeg(rendered), rendered.truth


def photo(seed: int) -> Photo:
    """Return a scene's photo, opened."""
    return open_photo(scene(seed)[0], "rendered.jpg")


def test_the_ring_repeats_at_no_turn():
    code = np.array([1 if letter == "1" else -1 for letter in load_disc().ring_code])
    others = [int(code @ np.roll(code, turn)) for turn in range(1, len(code))]
    assert code @ code == 24
    assert max(np.abs(others)) <= 4


def test_the_print_is_as_designed():
    design = load_disc()
    white, there = print_of(
        design, np.array([30.0, -30.0, -30.0, 30.0, 0.0]), np.array([30.0, 30.0, -30.0, -30.0, 2.0])
    )
    assert white.tolist() == [1, 0, 1, 0, 0]
    assert there.tolist() == [True, True, True, True, False]


@pytest.mark.parametrize("seed", SEEN_SEEDS)
def test_the_disc_tells_the_visible_depth(seed):
    _, truth = scene(seed)
    result = measure_water(photo(seed), grader=GRADER, disc=DiscAsked(truth.spec.disc.depth_m))
    disc = result.disc
    assert disc is not None
    rim = np.array(truth.disc_rim_px)
    # Within a tenth of its width: waves move it.
    assert np.linalg.norm(np.mean(disc.rim_px, axis=0) - rim.mean(axis=0)) < 0.1 * np.ptp(rim[:, 0])
    # Twice the 0.06 dex that is asked of the root mean square.
    assert abs(np.log10(disc.visible_depth_m.mid / truth.visible_depth_m)) < 0.12
    assert 0 < disc.contrast < 0.5
    assert result.water.clarity.grade == truth.clarity
    plain, both = result.water.plain_visible_depth_m, result.water.visible_depth_m
    assert np.log(both.high / both.low) < np.log((plain.high or 30) / plain.low)
    assert set(to_json(disc)) == {"depth_m", "contrast", "visible_depth_m", "rim_px"}


def test_a_disc_is_only_looked_for_where_its_depth_is_given():
    result = measure_water(photo(SEEN_SEEDS[0]), grader=GRADER)
    assert result.disc is None
    assert result.water.plain_visible_depth_m is None


def test_no_disc_says_so_and_leaves_the_water_as_it_is():
    seed = np.random.default_rng([3, 9])
    without = open_photo(
        encode_jpeg(render(sample_spec(seed, visible_depth_m=1.5, size_px=(1600, 1200)))), "rendered.jpg"
    )
    plain = measure_water(without, grader=GRADER)
    asked = measure_water(without, grader=GRADER, disc=DiscAsked(0.5))
    assert asked.disc is None
    assert "disc_not_found" in [each.code for each in asked.problems]
    assert asked.water == plain.water
    assert asked.usable == plain.usable


def test_a_lost_disc_bounds_from_above():
    lost_m = 1.1 * scene(SEEN_SEEDS[0])[1].visible_depth_m
    result = measure_water(photo(SEEN_SEEDS[0]), grader=GRADER, disc=DiscAsked(lost_m, lost=True))
    assert result.disc.contrast == 0
    assert disc_belief(result.disc).below(1.5 * lost_m) > 0.99
    assert result.water.visible_depth_m.high < 1.2 * lost_m
    assert lost_result(2.0).visible_depth_m.high < 2.2


@pytest.mark.parametrize("depth_m", [0.0, -0.4])
def test_a_depth_above_the_water_is_refused(depth_m):
    seen = look(photo(SEEN_SEEDS[0]), GRADER)
    with pytest.raises(ValueError, match="depth_m must be above 0"):
        see_disc(seen.photo, seen.card, seen.fit, depth_m)


@pytest.mark.parametrize("degrees", [10, 35, 55, 65])
def test_foreshortening_gives_the_view_at_the_surface(degrees):
    cos = np.cos(np.radians(degrees))
    pose = DiscPose(np.array([[0.5, 0.0, 0.0], [0.0, 0.5 * cos, 0.0]]), 1.0, 1.0)
    # At no depth the aspect is the cosine itself; the table's step is half a degree.
    assert np.degrees(np.arccos(view_cosine(pose, 1e-6))) == pytest.approx(degrees, abs=0.6)


def drawn(turn_deg: float, aspect: float, contrast: float, seed: int = 0) -> np.ndarray:
    """Draw the print flat on even grey with noise: no water, no camera."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[0:330, 0:420].astype(float)
    unit, turn = 0.5, np.radians(turn_deg)
    u, v = (x - 200) / unit, (y - 170) / (unit * aspect)
    white, _ = print_of(load_disc(), u * np.cos(turn) + v * np.sin(turn), v * np.cos(turn) - u * np.sin(turn))
    on = np.hypot(u, v) < load_disc().radius_mm
    picture = 0.2 * (1 + contrast * (white - 0.5) * on)
    return cv2.GaussianBlur(picture * (1 + 0.02 * rng.normal(size=picture.shape)), (0, 0), 1.0).astype(np.float32)


@pytest.mark.parametrize("contrast", [1.0, 0.06], ids=lambda c: f"{c:.0%}")
@pytest.mark.parametrize(("turn_deg", "aspect"), [(0, 1.0), (100, 0.6), (200, 0.45), (310, 0.8)])
def test_the_disc_is_found_at_any_turn_and_little_contrast(turn_deg, aspect, contrast):
    pose = find_disc(drawn(turn_deg, aspect, contrast), widths_px=(70, 150))
    assert pose is not None
    # A pixel and a half: a fiftieth of its width.
    assert np.hypot(pose.middle_px[0] - 200, pose.middle_px[1] - 170) < 1.5
    along = pose.affine[:, 0] / [1, aspect]
    off = np.degrees(np.arctan2(along[1], along[0])) - turn_deg
    assert abs((off + 180) % 360 - 180) < 4


def test_a_chequered_floor_is_no_disc():
    y, x = np.mgrid[0:330, 0:420]
    tiles = 0.2 * (1 + 0.5 * (((x // 40) + (y // 30)) % 2))
    assert find_disc(cv2.GaussianBlur(tiles.astype(np.float32), (0, 0), 1.0)) is None


def test_a_broken_design_is_refused(tmp_path, monkeypatch):
    import vision.specs

    (tmp_path / "disc.json").write_text('{"ring_mm": [70, 95]}')
    monkeypatch.setattr(vision.specs, "DESIGNS", tmp_path)
    with pytest.raises(DesignInvalid, match=r"disc\.json cannot be used"):
        vision.specs.load_disc.__wrapped__()
