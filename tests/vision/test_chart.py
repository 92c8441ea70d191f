"""The 24-patch chart is found where it lies, the right way up, and nowhere else."""

import csv
import os
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from tests.vision.chart_scenes import BASE, CONDITIONS, PATCHES, negatives, render_chart, render_negative
from vision import chart
from vision.chart import (
    ChartFound,
    ChartRefused,
    find_chart,
    look_for_chart,
    look_for_soft_chart,
    patch_centres_px,
    patch_quads_px,
    refine_chart,
    scale_chart,
    step_width_px,
)
from vision.grid import find_lattices, project, within
from vision.gridmatch import match_grid

PUBLISHED = Path(__file__).parent.parent / "data" / "published" / "chart24_lab_d50.csv"
PHOTOS = Path(
    os.environ.get("TURNBLUE_REAL_PHOTOS", Path(__file__).parent.parent.parent.parent / "shared" / "real_photos")
)

# Outer corners of dark skin, bluish green, black and white, read by eye from enlarged crops of the photos, to about
# two pixels; None where the black patch cannot be told from the frame.
HAND_READ_PX = {
    "classic_1": [(420, 1429), (392, 317), (1109, 280), (1181, 1401)],
    "classic_4": [(640, 1604), (622, 536), (1228, 578), (1287, 1543)],
    "classic_7": [(1260, 522), (1300, 1645), (441, 1601), (621, 277)],
    "mini_1": [(939, 821), (934, 1279), (634, 1276), (637, 819)],
    "mini_4": [(570, 1228), (558, 806), (818, 814), (834, 1213)],
    "mini_6": [(535, 1405), (573, 853), (977, 897), (900, 1443)],
    "cabinet": [(1511, 990), (1507, 1756), None, (1002, 990)],
}


def real_photo(name, long_side):
    path = PHOTOS / name
    if not path.exists():
        pytest.skip(f"the real photo {name} is not here: set TURNBLUE_REAL_PHOTOS")
    whole = cv2.imread(str(path))
    scale = long_side / max(whole.shape[:2])
    size = (round(whole.shape[1] * scale), round(whole.shape[0] * scale))
    reduced = cv2.resize(whole, size, interpolation=cv2.INTER_AREA)
    factors = whole.shape[1] / size[0], whole.shape[0] / size[1]
    return np.ascontiguousarray(whole[..., ::-1]), np.ascontiguousarray(reduced[..., ::-1]), factors


def published_rows():
    lines = [line for line in PUBLISHED.read_text().splitlines() if not line.startswith("#")]
    return list(csv.DictReader(lines))


def test_reference_table_is_the_published_one():
    rows = published_rows()
    assert [row["name"] for row in rows] == list(chart.CHART24_NAMES)
    after = [[float(row[f"{each}_after"]) for each in "lab"] for row in rows]
    before = [[float(row[f"{each}_before"]) for each in "lab"] for row in rows]
    np.testing.assert_array_equal(after, chart.CHART24_LAB_D50)
    np.testing.assert_array_equal(before, chart.CHART24_LAB_D50_BEFORE_2014)


def test_encoded_table_agrees_with_colour_science():
    colour = pytest.importorskip("colour")
    d50 = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D50"]
    xyz = colour.Lab_to_XYZ(np.array(chart.CHART24_LAB_D50), d50)
    srgb = colour.XYZ_to_sRGB(xyz, d50, chromatic_adaptation_transform="Bradford")
    # Tables print one decimal of 255; D50's chromaticity is rounded to four or five digits from source to source.
    np.testing.assert_allclose(np.clip(srgb, 0, 1) * 255, chart.CHART24_ENCODED_RGB, atol=0.2)


@pytest.mark.parametrize("condition", CONDITIONS, ids=lambda name: name.replace(" ", "_"))
def test_rendered_chart_is_found(condition):
    scenes = CONDITIONS[condition]
    for i, scene in enumerate(scenes[:3]):
        photo, truth = render_chart(scene, 5000 + i)
        found = look_for_chart(photo)
        assert isinstance(found, ChartFound), (condition, i, found)
        off = np.linalg.norm(patch_centres_px(found) - truth.centres_px, axis=1)
        # A quarter of the pitch keeps the middle of every patch inside it.
        assert off.max() < max(1.0, 0.25 * truth.pitch_px), (condition, i, off.max(), truth.pitch_px)


@pytest.mark.parametrize("turn_deg", [0, 45, 90, 135, 180, 225, 270, 315])
def test_which_way_up_is_told_by_the_colours(turn_deg):
    photo, truth = render_chart(replace(BASE, turn_deg=float(turn_deg)), 40 + turn_deg)
    found = find_chart(photo)
    assert found is not None
    # Half a pitch would already be another patch.
    assert np.linalg.norm(found.corners_px - truth.corners_px, axis=1).max() < 0.3 * truth.pitch_px


def test_sharp_chart_is_laid_to_a_fraction_of_a_pixel():
    errors = []
    for seed in range(6):
        photo, truth = render_chart(replace(BASE, size=0.3, tilt_deg=25, blur_px=0.7), 60 + seed)
        found = find_chart(photo)
        errors.append(np.linalg.norm(patch_centres_px(found) - truth.centres_px, axis=1).mean())
    # The renderer places a patch's edge to a sixth of a pixel; the requirement is below one pixel.
    assert np.median(errors) < 0.5


def test_steps_between_patches_are_as_wide_as_the_blur_makes_them():
    wide = {}
    for sigma in (0.5, 2.0, 3.0, 4.0):
        photo, _ = render_chart(replace(BASE, size=0.35, tilt_deg=10, blur_px=sigma, light="plain"), 70)
        wide[sigma] = step_width_px(photo, find_chart(photo))
    assert list(wide.values()) == sorted(wide.values())
    # An edge under a Gaussian blur rises from 10 to 90 % over 2.563 sigma; in the narrow gaps it does not come so far.
    for sigma in (2.0, 3.0, 4.0):
        assert wide[sigma] == pytest.approx(2.563 * sigma, rel=0.2), sigma


@pytest.mark.parametrize("gap", [0.1, 0.16, 0.22])
def test_patch_side_is_measured(gap):
    photo, _ = render_chart(replace(BASE, size=0.35, tilt_deg=10, gap=gap), 70)
    found = find_chart(photo)
    # Gamma widens a bright patch on black by a quarter of a pixel a side, of 75 px pitch.
    np.testing.assert_allclose(found.patch_side, 1 - gap, atol=0.025)


def test_refined_at_a_larger_scale():
    scene = replace(BASE, size=0.3, tilt_deg=30)
    photo, truth = render_chart(scene, 80)
    small = cv2.resize(photo, (photo.shape[1] // 2, photo.shape[0] // 2), interpolation=cv2.INTER_AREA)
    rough = scale_chart(find_chart(small), 2.0, 2.0)
    fine = refine_chart(photo, rough)
    off = np.linalg.norm(patch_centres_px(fine) - truth.centres_px, axis=1).mean()
    # Below one pixel is the requirement.
    assert off < 0.6
    assert fine.pitch_px == pytest.approx(truth.pitch_px, rel=0.35)


def test_patch_quads_lie_inside_their_patches():
    photo, _ = render_chart(replace(BASE, size=0.4, tilt_deg=0, turn_deg=0.0, light="plain"), 90)
    found = find_chart(photo)
    quads = patch_quads_px(found)
    assert quads.shape == (24, 4, 2)
    np.testing.assert_allclose(quads.mean(1), patch_centres_px(found), atol=0.5)
    middle = np.round(quads.mean(1)).astype(int)
    seen = photo[middle[:, 1], middle[:, 0]].mean(1)
    # The six neutrals darken from white to black.
    assert (np.diff(seen[18:]) < 0).all()
    assert PATCHES.shape == (4, 6, 3)


@pytest.mark.parametrize("name", HAND_READ_PX)
@pytest.mark.parametrize("long_side", [1000, 1400])
def test_real_chart_lies_where_a_person_reads_it(name, long_side):
    whole, reduced, factors = real_photo(f"chart24/{name}.jpg", long_side)
    found = find_chart(reduced)
    assert found is not None
    fine = refine_chart(whole, scale_chart(found, *factors))
    for got, read in zip(fine.corners_px, HAND_READ_PX[name], strict=True):
        if read is not None:
            # The chart's outer windows stand up to 6 % of the pitch out of its regular grid, and reading errs by 2 px.
            assert np.linalg.norm(got - read) < 0.07 * fine.pitch_px + 3, (name, got, read)


@pytest.mark.parametrize("long_side", [1000, 1600])
@pytest.mark.parametrize(
    ("name", "reason"),
    [
        ("chart24/cabinet_partial.jpg", "cut_off"),
        ("chart24/markers_no_chart.jpg", "not_found"),
        ("no_card/pond_foam.jpg", "not_found"),
        ("no_card/bottle_and_pond.jpg", "not_found"),
        ("no_card/harbour.jpg", "not_found"),
    ],
)
def test_real_photo_without_a_whole_chart_is_refused(name, reason, long_side):
    _, reduced, _ = real_photo(name, long_side)
    assert look_for_chart(reduced) == ChartRefused(reason)


@pytest.mark.parametrize(
    ("crop", "reason"),
    [("rows", "cut_off"), ("columns", "cut_off"), ("half", None)],
)
@pytest.mark.parametrize("name", ["classic_4", "mini_1", "cabinet"])
def test_crop_of_a_real_chart_is_refused(name, crop, reason):
    _, reduced, _ = real_photo(f"chart24/{name}.jpg", 1400)
    found = find_chart(reduced)
    centres = patch_centres_px(found).reshape(4, 6, 2)
    # Cut in the gap before the last row or column, keeping the side with dark skin; or keep 3 x 4 patches.
    kept = {"rows": centres[:3], "columns": centres[:, :5], "half": centres[:3, :4]}[crop].reshape(-1, 2)
    low = np.floor(kept.min(0) - 0.5 * found.pitch_px).astype(int).clip(0)
    high = np.ceil(kept.max(0) + 0.5 * found.pitch_px).astype(int)
    part = np.ascontiguousarray(reduced[low[1] : high[1], low[0] : high[0]])
    refused = look_for_chart(part)
    assert isinstance(refused, ChartRefused)
    if reason is not None:
        assert refused.reason == reason


def test_pictures_without_a_whole_chart_are_refused():
    false = []
    for name, what, seed in negatives(44, seed=3):
        found = look_for_chart(render_negative(what, seed + 50_000))
        if isinstance(found, ChartFound):
            false.append((name, seed))
    assert false == []


def test_chart_leaving_the_picture_is_cut_off():
    reasons = []
    for seed in range(8):
        photo, _ = render_chart(replace(BASE, size=0.3, cut_off=True), 100 + seed)
        reasons.append(look_for_chart(photo))
    assert all(isinstance(each, ChartRefused) for each in reasons)
    # Most show enough of the chart to be known for one.
    assert sum(each.reason == "cut_off" for each in reasons) >= 4


@pytest.mark.parametrize(
    "picture",
    [
        np.zeros((40, 30, 3), np.uint8),
        np.full((1, 1, 3), 200, np.uint8),
        np.full((300, 400, 3), 255, np.uint8),
        np.random.default_rng(1).integers(0, 256, (300, 400, 3), dtype=np.uint8),
    ],
    ids=["tiny", "one_pixel", "white", "noise"],
)
def test_pictures_of_nothing_are_refused(picture):
    assert look_for_chart(picture) == ChartRefused("not_found")


@pytest.mark.parametrize(
    "wrong",
    [np.zeros((20, 20), np.uint8), np.zeros((20, 20, 4), np.uint8), np.zeros((20, 20, 3))],
    ids=["grey", "four_channels", "float"],
)
def test_wrong_arrays_are_named(wrong):
    with pytest.raises(ValueError, match="encoded_rgb must be uint8 of shape"):
        look_for_chart(wrong)


@pytest.mark.parametrize("seed", [0, 2, 3, 4])
def test_chart_without_edges_is_found_by_its_spots(seed):
    photo, truth = render_chart(replace(BASE, size=0.05, blur_px=3.4, tilt_deg=15.0), seed)
    found = look_for_soft_chart(photo)
    assert found is not None
    # Within a third of the pitch every patch's middle is still its own.
    assert np.abs(patch_centres_px(found) - truth.centres_px).max() < truth.pitch_px / 3


@pytest.mark.parametrize(("kind", "scene", "seed"), negatives(12, seed=3), ids=lambda value: str(value)[:24])
def test_no_spots_make_a_chart_where_there_is_none(kind, scene, seed):
    assert look_for_soft_chart(render_negative(scene, seed)) is None


def test_of_charts_borne_by_colours_alone_the_best_is_kept(monkeypatch):
    photo, _ = render_chart(BASE, 3)
    whole = find_chart(photo)
    fits = iter([0.75, 0.83, 0.79])
    monkeypatch.setattr(chart, "_settle", lambda *_: ChartRefused("cut_off"))
    monkeypatch.setattr(chart, "_as_grown", lambda *_: replace(whole, colour_fit=next(fits, 0.7)))
    lattice = next(each for each in find_lattices(photo) if match_grid(photo, each, chart.chart24_design()))
    assert look_for_chart(photo, [lattice] * 3).colour_fit == 0.83


def test_an_edge_without_spots_counts_where_its_colours_are_sure():
    photo, truth = render_chart(BASE, 3)
    design = chart.chart24_design()
    lattice = next(each for each in find_lattices(photo) if match_grid(photo, each, design))
    match = match_grid(photo, lattice, design)
    homography = within(lattice, match.to_lattice, design.rows, design.columns)
    place = np.round(project(np.linalg.inv(homography), lattice.nodes_px)).astype(int)
    kept = (place[:, 1] > 0) | ((place == 0).all(axis=1))
    bare = replace(lattice, nodes=lattice.nodes[kept], nodes_px=lattice.nodes_px[kept])
    assert (place[kept][:, 1] == 0).sum() <= 1
    assert chart._as_grown(photo, homography, bare, design) is not None
    # With half of the edge's patches another colour it may be another's edge.
    covered = photo.copy()
    for x, y in truth.centres_px[:3]:
        cv2.circle(covered, (round(x), round(y)), round(truth.pitch_px * 0.45), (20, 240, 20), -1)
    assert chart._as_grown(covered, homography, bare, design) is None
