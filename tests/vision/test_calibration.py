"""A print run's colours: read from files, taken from photos beside the chart, put to use, refused where wrong."""

import importlib.util
import json
from pathlib import Path

import numpy as np
import pytest

from vision import colour
from vision.beside_chart import calibrate_from_photos
from vision.calibration import calibrated, calibration_of_json, choose, read_calibration
from vision.card import find_card
from vision.errors import CalibrationInvalid
from vision.normalise import fit_colours
from vision.photo import open_photo
from vision.specs import load_card


def _scenes():
    spec = importlib.util.spec_from_file_location(
        "calibration_scenes", Path(__file__).with_name("calibration_scenes.py")
    )
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


SCENES = _scenes()
DESIGN = load_card()
NAMES = [patch.name for patch in DESIGN.patches]


def measured_file(lab, names=NAMES):
    """A CGATS file of CIELAB (D65) colours, said to be under D50 as instruments give them."""
    adapt = colour.bradford_matrix(colour.WHITE_D65_XYZ, colour.WHITE_D50_XYZ)
    d50 = colour.xyz_to_lab(colour.lab_to_xyz(lab) @ adapt.T, colour.WHITE_D50_XYZ)
    rows = "\n".join(f'"{name}" ' + " ".join(f"{v:.4f}" for v in row) for name, row in zip(names, d50, strict=True))
    fields = "BEGIN_DATA_FORMAT\nSAMPLE_NAME LAB_L LAB_A LAB_B\nEND_DATA_FORMAT\n"
    return f"CGATS.17\n{fields}NUMBER_OF_SETS {len(names)}\nBEGIN_DATA\n{rows}\nEND_DATA\n".encode()


def lab_of(calibration):
    return np.array([patch.lab for patch in calibration.patches])


PRINTED = SCENES.printed_lab(3)


@pytest.mark.parametrize(
    "names",
    [
        NAMES,
        [name.replace("_", " ").title() for name in NAMES],
        [str(place) for place in range(1, 49)],
    ],
    ids=["as_designed", "spaces_and_capitals", "counted"],
)
def test_file_gives_the_printed_colours(names):
    calibration = read_calibration(measured_file(PRINTED, names))
    assert calibration.method == "instrument"
    assert [patch.name for patch in calibration.patches] == NAMES
    # Four decimals are in the file.
    np.testing.assert_allclose(lab_of(calibration), PRINTED, atol=2e-3)


def test_json_round_trip():
    calibration = read_calibration(measured_file(PRINTED))
    again = read_calibration(json.dumps(calibration.to_json()).encode())
    np.testing.assert_allclose(lab_of(again), lab_of(calibration), atol=5e-5)
    assert again.id == calibration.id
    assert calibration.id != read_calibration(measured_file(PRINTED + 0.5)).id


def test_repeated_readings_are_averaged_and_their_spread_kept():
    lighter = np.array([1.0, 0, 0])
    up, down = PRINTED + lighter, PRINTED - lighter
    calibration = read_calibration(measured_file(np.vstack([up, down]), NAMES * 2))
    np.testing.assert_allclose(lab_of(calibration), PRINTED, atol=2e-3)
    assert calibration.sd_delta_e00 > read_calibration(measured_file(PRINTED)).sd_delta_e00 + 0.2


def test_some_patches_may_be_missing_and_are_then_not_used():
    calibration = read_calibration(measured_file(PRINTED[:44], NAMES[:44]))
    card = find_card(open_photo(SCENES.beside_chart(1, lab=PRINTED, with_chart=False), "rendered"))
    fit = fit_colours(calibrated(card, calibration).samples, calibrated(card, calibration).design)
    assert not fit.used[44:].any()
    assert fit.used[:44].mean() > 0.9


SHUFFLED = PRINTED[np.random.default_rng(1).permutation(48)]
SWAPPED_GREYS = PRINTED.copy()
SWAPPED_GREYS[[2, 3]] = PRINTED[[3, 2]]
WRONG = {
    "other_order": (measured_file(SHUFFLED), "not this card's"),
    "greyscale": (measured_file(PRINTED * [1, 0, 0]), "not this card's"),
    "greys_swapped": (measured_file(SWAPPED_GREYS), "do not get lighter"),
    "few": (measured_file(PRINTED[:10], NAMES[:10]), "Only 10 of the card's 48 patches"),
    "other_names": (measured_file(PRINTED, [f"X{i}" for i in range(48)]), "the name of a patch"),
    "damaged_json": (b'{"format": ', "damaged"),
    "other_json": (b'{"format": "something else"}', "no calibration of a card"),
}


@pytest.mark.parametrize("name", WRONG)
def test_wrong_files_say_why(name):
    content, sentence = WRONG[name]
    with pytest.raises(CalibrationInvalid, match=sentence) as caught:
        read_calibration(content)
    assert caught.value.hint


def test_numbers_choose_the_print_run():
    whole = read_calibration(measured_file(PRINTED))
    entry = whole.to_json() | {"first_number": 5, "last_number": 9}
    run = calibration_of_json(entry)
    assert [run.holds_for(n) for n in (None, 4, 5, 9, 10)] == [False, False, True, True, False]
    card = find_card(open_photo(SCENES.beside_chart(1, lab=PRINTED, with_chart=False), "rendered"))
    assert card.number == 7
    assert choose((whole, run), card) is run
    assert choose((), card) is None


PHOTOS = {
    "even": {},
    "shade": {"tint": (0.8, 0.95, 1.15), "gradient": (0.1, -0.05)},
    "evening": {"tint": (1.25, 1.0, 0.6), "contrast": 1.12},
    "gradient": {"gradient": (0.5, 0.3)},
}


@pytest.mark.parametrize("name", PHOTOS)
def test_photo_beside_the_chart_gives_the_printed_colours(name):
    photo = open_photo(SCENES.beside_chart(4, lab=PRINTED, **PHOTOS[name]), "rendered")
    calibration = calibrate_from_photos([photo], first_number=1, last_number=20)
    assert (calibration.method, calibration.first_number, calibration.last_number) == ("chart_photo", 1, 20)
    truth = dict(zip(NAMES, PRINTED, strict=True))
    off = np.array([colour.delta_e00(patch.lab, truth[patch.name]) for patch in calibration.patches])
    before = np.median(colour.delta_e00(DESIGN.reference_lab, PRINTED))
    # The print is about 4 off; a chart of 24 patches in one photo brings it under the eye's threshold of 2 or so.
    assert np.median(off) < min(2.0, 0.6 * before)
    # What it says of its own error holds.
    sds = np.array([patch.sd_delta_e00 for patch in calibration.patches])
    assert (off < 2.5 * sds).mean() > 0.9


def test_several_photos_are_averaged():
    photos = [
        open_photo(SCENES.beside_chart(seed, lab=PRINTED, **options), f"{seed}.jpg")
        for seed, options in enumerate(PHOTOS.values())
    ]
    calibration = calibrate_from_photos(photos)
    off = colour.delta_e00(lab_of(calibration), PRINTED)
    assert np.median(off) < 1.5


def test_calibration_brings_the_truth_to_a_misprinted_card():
    """The same grey and water colours, read by a card that is misprinted: nearer with its calibration."""
    content = SCENES.beside_chart(6, lab=PRINTED, with_chart=False, contrast=1.1, tint=(1.1, 1.0, 0.8))
    card = find_card(open_photo(content, "rendered"))
    known = calibrated(card, read_calibration(measured_file(PRINTED)))
    errors = []
    for each in (card, known):
        fit = fit_colours(each.samples, each.design)
        got = colour.linear_rgb_to_lab(fit.correct(card.samples.encoded_rgb))
        errors.append(np.median(colour.delta_e00(got, PRINTED)))
    assert errors[1] < 1.0
    assert errors[1] < 0.5 * errors[0]


def test_photos_that_do_not_serve_say_how_to_take_them():
    cases = {
        "no whole 24-patch chart": {"with_chart": False},
        "not the printed card": {"with_card": False},
    }
    for sentence, options in cases.items():
        photo = open_photo(SCENES.beside_chart(2, lab=PRINTED, **options), "a.jpg")
        with pytest.raises(CalibrationInvalid, match=sentence) as caught:
            calibrate_from_photos([photo])
        assert "side by side" in caught.value.hint


def test_photos_of_different_cards_do_not_agree():
    photos = [open_photo(SCENES.beside_chart(1, lab=PRINTED + shift), "a.jpg") for shift in ([0, 0, 0], [-9, 8, 9])]
    with pytest.raises(CalibrationInvalid, match="do not agree"):
        calibrate_from_photos(photos)
