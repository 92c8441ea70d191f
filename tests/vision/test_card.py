"""The card found where it is, and nowhere else; ugly photos refused with a reason."""

import csv
import importlib.util
import io
import os
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image

from tests.bench.negatives import picture
from vision import colour
from vision.card import colour_agreement, find_card, sample_patches
from vision.errors import NoCardFound
from vision.marks import MARK_POWERS, clear_marks, even_light
from vision.measure import usable_patches
from vision.normalise import fit_colours
from vision.photo import open_photo
from vision.specs import load_card


def _scenes():
    spec = importlib.util.spec_from_file_location("card_scenes", Path(__file__).with_name("card_scenes.py"))
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


card_photo = _scenes().card_photo

REAL = Path(os.environ.get("TURNBLUE_REAL_PHOTOS", Path(__file__).parents[3] / "shared" / "real_photos"))
needs_real = pytest.mark.skipif(not REAL.is_dir(), reason="no folder of real photos beside this project")


def found(content):
    return find_card(open_photo(content, "rendered"))


@pytest.mark.parametrize(
    ("options", "tolerance_px"),
    [
        ({}, 1.0),
        ({"turn_deg": 180.0}, 1.0),
        ({"turn_deg": 90.0, "tilt_deg": 0.0}, 1.0),
        ({"tilt_deg": 60.0, "width_share": 0.3}, 1.5),
        ({"width_share": 0.1}, 1.0),
        ({"width_share": 0.45}, 1.5),
        ({"blur_px": 3.0, "width_share": 0.25}, 2.0),
        ({"gradient": 4.0}, 1.0),
        ({"exposure": 1.6}, 1.5),
        ({"exposure": 0.15}, 1.0),
        ({"covered": 1}, 1.5),
        ({"covered": 2, "width_share": 0.25}, 2.5),
        ({"tint": (1.0, 0.75, 0.45)}, 1.0),
        ({"size_px": (1200, 1600), "width_share": 0.35}, 1.5),
        ({"size_px": (4032, 3024), "width_share": 0.06}, 2.0),
        # Marks too blurred or too few to be read: by the patches, or by the card's outline.
        ({"width_share": 0.1, "blur_px": 2.4}, 3.0),
        ({"width_share": 0.1, "blur_px": 1.6, "covered": 2, "tilt_deg": 45.0}, 3.0),
    ],
    ids=lambda value: "_".join(f"{k}_{v}" for k, v in value.items()) or "plain" if isinstance(value, dict) else "",
)
@pytest.mark.parametrize("seed", [1, 2])
def test_card_is_found_where_it_is(options, tolerance_px, seed):
    content, corners = card_photo(seed, **options)
    card = found(content)
    assert card.design.kind == "turnblue"
    # Corners are 5 mm outside the outermost printed edge, so they carry a little more than the edges' own error.
    assert np.abs(card.corners_px - corners).max() < tolerance_px


@pytest.mark.parametrize("number", [0, 7, 512, 999])
def test_number_is_read(number):
    assert found(card_photo(3, width_share=0.3, number=number)[0]).number == number


def test_number_of_a_small_card_is_read():
    # Twelve pixels a side: under three a cell in the picture it is read from.
    assert found(card_photo(3, size_px=(4032, 3024), width_share=0.12, number=512)[0]).number == 512


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_marks_that_stand_clear_are_read_by_their_outline(seed):
    content, corners = card_photo(seed, width_share=0.25)
    even = even_light(cv2.imdecode(np.frombuffer(content, np.uint8), cv2.IMREAD_GRAYSCALE), MARK_POWERS[0])
    clear = clear_marks(even)
    design = load_card()
    true = cv2.getPerspectiveTransform(np.array(design.corners_mm, np.float32), corners.astype(np.float32))
    assert set(clear) == {marker.id for marker in design.markers}
    for marker in design.markers:
        where = cv2.perspectiveTransform(np.array([marker.corners_mm], np.float32), true)[0]
        # By whole pixels of an outline: the design is laid on the edges afterwards.
        assert np.abs(clear[marker.id] - where).max() < 2.0


def test_marks_of_two_cards_are_not_mixed():
    content, _ = card_photo(4, cards=2, width_share=0.2, tilt_deg=5.0, beside=(0.5, 0.25))
    grey = cv2.imdecode(np.frombuffer(content, np.uint8), cv2.IMREAD_GRAYSCALE)
    assert clear_marks(even_light(grey, MARK_POWERS[0])) == {}


def test_the_larger_of_two_cards_or_either_is_one_card():
    content, _ = card_photo(4, cards=2, width_share=0.2, tilt_deg=5.0, beside=(0.5, 0.25))
    card = found(content)
    # All four corners belong to one card: its sides keep their shape.
    sides = np.linalg.norm(card.corners_px - np.roll(card.corners_px, -1, axis=0), axis=1)
    assert sides[0] / sides[1] == pytest.approx(1.5, rel=0.1)


def test_half_a_card_is_cut_off():
    content, _ = card_photo(5, turn_deg=0.0, tilt_deg=0.0, width_share=0.4, beside=(0.02, 0.5))
    with pytest.raises(NoCardFound, match="outside the picture") as caught:
        found(content)
    assert caught.value.code == "card_cut_off"
    assert "step back" in caught.value.hint


def test_marks_without_patches_are_doubted():
    content, corners = card_photo(6, turn_deg=0.0, tilt_deg=0.0, width_share=0.4)
    image = np.array(Image.open(io.BytesIO(content)))
    (left, top), (right, bottom) = corners[0], corners[2]
    unit = (right - left) / 180
    image[round(top + 3 * unit) : round(bottom - 3 * unit), round(left + 34 * unit) : round(right - 34 * unit)] = 240
    stream = io.BytesIO()
    Image.fromarray(image).save(stream, "PNG")
    with pytest.raises(NoCardFound, match="not the card's colours") as caught:
        found(stream.getvalue())
    assert caught.value.code == "card_in_doubt"


@pytest.mark.parametrize("kind", ["noise", "stripes", "blocks", "even"])
def test_nothing_is_found_in_textures(kind):
    rng = np.random.default_rng(9)
    shape = (900, 1200, 3)
    if kind == "noise":
        pixels = rng.integers(0, 256, shape)
    elif kind == "stripes":
        pixels = np.broadcast_to(127 + 120 * np.sin(np.arange(1200) / 7)[None, :, None], shape)
    elif kind == "blocks":
        pixels = np.kron(rng.integers(0, 256, (30, 40, 3)), np.ones((30, 30, 1)))
    else:
        pixels = np.full(shape, 128)
    stream = io.BytesIO()
    Image.fromarray(pixels.astype(np.uint8)).save(stream, "PNG")
    with pytest.raises(NoCardFound, match="lay the card flat"):
        found(stream.getvalue())


def test_clipped_patches_are_known():
    card = found(card_photo(7, spot=True, width_share=0.35)[0])
    hit = card.samples.clipped_share > 0.5
    assert 3 <= hit.sum() <= 24
    names = {patch.name for patch, clipped in zip(card.design.patches, hit, strict=True) if clipped}
    # The spot lies about 60, 40 mm.
    assert {"cream", "olive_pale"} & names or "blue_deep" in names


def test_sampling_passes_over_droplets():
    content, corners = card_photo(8, turn_deg=0.0, tilt_deg=0.0, width_share=0.5)
    photo = open_photo(content)
    card = find_card(photo)
    clean = card.samples.encoded_rgb.copy()
    pixels = photo.read().rgb
    rng = np.random.default_rng(1)
    unit = (corners[1, 0] - corners[0, 0]) / 180
    for patch in card.design.patches:
        x, y = patch.centre_mm
        # A droplet of 3 mm, lighter than the patch, somewhere in it.
        at = corners[0] + unit * (np.array([x, y]) + rng.uniform(-3, 3, 2))
        yy, xx = np.ogrid[: pixels.shape[0], : pixels.shape[1]]
        pixels[(xx - at[0]) ** 2 + (yy - at[1]) ** 2 < (1.5 * unit) ** 2] = 250
    picture = photo.read()
    dirty = sample_patches(picture, card.design, card.homography).encoded_rgb
    # A spot on a seventh of a patch moves its colour by under 2 of 255.
    assert np.abs(dirty - clean).max() < 2 / 255


@pytest.mark.parametrize("index", [100246, 100762, 100311])
def test_what_is_clipped_makes_no_card(index, tmp_path):
    """Noise of full colours agreed with the chart by a fortieth of its steps, burnt-out stripes with the card's marks.

    Steps and patches that are clipped agree with almost anything: too few were left to speak.
    """
    kind, bgr = picture(index, 1, tmp_path)
    assert kind == ("flatlay" if index == 100311 else "noise")
    content = cv2.imencode(".jpg", bgr, [cv2.IMWRITE_JPEG_QUALITY, 90])[1].tobytes()
    with pytest.raises(NoCardFound):
        found(content)


def test_agreement_is_nought_without_patches():
    card = found(card_photo(1)[0])
    nothing = card.samples.__class__(np.full((48, 3), np.nan), np.ones(48), np.zeros(48))
    assert colour_agreement(nothing, load_card()) == 0.0
    assert colour_agreement(card.samples, load_card()) > 0.9


CHARTS = ["cabinet", "classic_1", "classic_4", "classic_7", "mini_1", "mini_4", "mini_6"]


@needs_real
@pytest.mark.parametrize("name", CHARTS)
def test_real_chart_is_found_and_corrected(name):
    card = find_card(open_photo(REAL / "chart24" / f"{name}.jpg"))
    assert card.design.kind == "chart24"
    fit = fit_colours(card.samples, card.design, usable=usable_patches(card))
    # What the first release promises; the figures reached are in the changelog.
    assert np.median(fit.held_out_delta_e00[fit.used]) < 3.5


@needs_real
@pytest.mark.parametrize(
    ("name", "code"),
    [
        ("chart24/markers_no_chart.jpg", "no_card"),
        ("chart24/cabinet_partial.jpg", "card_cut_off"),
        ("no_card/pond_foam.jpg", "no_card"),
        ("no_card/bottle_and_pond.jpg", "no_card"),
        ("no_card/harbour.jpg", "no_card"),
    ],
)
def test_real_photo_without_a_whole_chart_is_refused(name, code):
    with pytest.raises(NoCardFound) as caught:
        find_card(open_photo(REAL / name))
    assert caught.value.code == code
    assert "retake" in caught.value.hint


@needs_real
def test_reference_values_are_those_of_the_photographed_charts():
    from vision.specs import load_chart24

    with (REAL / "chart24" / "reference_values.csv").open() as stream:
        rows = sorted(csv.DictReader(stream), key=lambda row: int(row["id"]))
    lab = np.array([[float(row[k]) for k in ("Lab_l", "Lab_a", "Lab_b")] for row in rows])
    ours = load_chart24().reference_lab
    np.testing.assert_allclose(colour.linear_rgb_to_lab(colour.lab_d50_to_linear_rgb(lab)), ours, atol=1e-6)
