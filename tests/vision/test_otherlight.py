"""Ground that no one light could make beside the card is called; dark, white, blue and brick ground is not.

`python -m tests.vision.test_otherlight FOLDER...` prints how often rendered photos (N.jpg with their truth N.json) are
called, by whether the card's other light was planted.
"""

import json
import sys
from pathlib import Path

import numpy as np
import pytest

from vision import colour
from vision.otherlight import other_light
from vision.photo import Picture
from vision.water import Region, View

HEIGHT, WIDTH = 600, 800


def seen(ground_lab, *, gain=(1.0, 1.0, 1.0), spread=8.0, water=0.4, seed=1):
    """A view from above: water above, ground of patches about `ground_lab` and some grey below, lit `gain` times."""
    rng = np.random.default_rng(seed)
    lab = np.array(ground_lab) + rng.normal(0, spread, (HEIGHT // 20, WIDTH // 20, 3)) * [1.5, 0.7, 1]
    # Something about any ground is grey: joints, coping, soil. Nothing returns more light than falls on it.
    grey = rng.random(lab.shape[:2]) < 0.15
    lab[grey] = np.array([55, 1, 5]) + rng.normal(0, 4, (int(grey.sum()), 3))
    ground = np.clip(colour.lab_to_linear_rgb(lab), 0.002, 0.9) * gain
    linear = np.repeat(np.repeat(ground, 20, axis=0), 20, axis=1).astype(np.float32)
    whole = np.zeros((HEIGHT, WIDTH), bool)
    whole[: int(water * HEIGHT)] = True
    linear[whole] = (0.05, 0.2, 0.15)
    card = np.array([[350, 420], [470, 420], [470, 500], [350, 500.0]])
    homography = np.array([[120 / 180, 0, 350], [0, 80 / 120, 420], [0, 0, 1.0]])
    lab = np.zeros((HEIGHT, WIDTH, 3), np.float32)
    view = View(Picture(np.zeros((HEIGHT, WIDTH, 3), np.uint8), 1), linear, lab, homography, card, whole & False)
    return view, Region(whole, whole, (), water, 1.0)


GROUNDS = {
    "concrete": (65, 1, 6),
    "white_coping": (88, 0, 3),
    "dark_slate": (25, 0, -2),
    "sandstone": (70, 6, 22),
    "red_brick": (42, 25, 25),
    "lawn": (45, -20, 30),
    "blue_deck": (50, -5, -14),
}


@pytest.mark.parametrize("name", GROUNDS)
def test_usual_ground_is_not_called(name):
    assert not other_light(*seen(GROUNDS[name]))


@pytest.mark.parametrize("name", ["concrete", "sandstone", "white_coping"])
@pytest.mark.parametrize(
    "gain",
    [(5.0, 5.0, 5.0), (0.45, 1.0, 2.6), (2.6, 1.1, 0.18)],
    ids=["card_in_shade", "card_by_lamp", "card_in_blue_shade_of_its_own"],
)
def test_other_light_is_called(name, gain):
    assert other_light(*seen(GROUNDS[name], gain=gain))


def test_little_ground_says_nothing():
    assert not other_light(*seen(GROUNDS["concrete"], gain=(5.0, 5.0, 5.0), water=0.98))


def main(folders):
    """Print hits and false alarms over rendered photos."""
    from vision.grade import load_grader
    from vision.measure import look
    from vision.photo import open_photo

    grader = load_grader(Path(__file__).parents[2] / "models" / "shipped" / "grader.npz")
    said = {True: [], False: []}
    for folder in folders:
        for truth in sorted(Path(folder).glob("*.json")):
            spoilers = json.loads(truth.read_text()).get("spoilers")
            planted = spoilers == ["card_other_light"]
            if spoilers != [] and not planted:
                continue
            looked = look(open_photo(truth.with_suffix(".jpg")), grader)
            if looked.view is not None and looked.region is not None:
                said[planted].append(other_light(looked.view, looked.region))
    for planted, calls in said.items():
        print(f"planted {planted}: {len(calls)} rendered photos, called {np.mean(calls):.3f}")


if __name__ == "__main__":
    main(sys.argv[1:])
