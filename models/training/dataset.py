"""Rendered photos with their truth, as features: always through the stages of `vision.measure`.

In: a folder and a count. Out: in the folder the photos (JPEG), their truth (JSON) and their water masks (PNG), then
the arrays the fit works on. Every photo follows from its number alone, so a run can stop and go on, and the same
command makes the same files.
"""

from __future__ import annotations

import hashlib
import json
import sys
from collections.abc import Callable, Iterable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from tqdm import tqdm

from models.simulator.files import encode_jpeg
from models.simulator.flatlay import render_flatlay
from models.simulator.sampling import TRAINING_MODELS, sample_spec
from models.simulator.scene import render
from models.simulator.specs import SceneSpec, StanceSpec
from models.simulator.variety import widen
from vision.card import find_card
from vision.errors import VisionError
from vision.features import FEATURES, KnownPool, features_of, with_known
from vision.grade import Grader
from vision.measure import PIPELINE, look, usable_patches
from vision.normalise import fit_colours
from vision.photo import open_photo
from vision.water import CELL_PX, cell_features, view_of

Array = NDArray[Any]

CELLS_A_PHOTO = 260
"""Cells taken of each photo to learn water by: neighbours say much the same."""
NO_WATER_SHARE, CHART_SHARE = 0.06, 0.4
"""Share of photos without water, and of those with the 24-patch chart in place of the card."""
SIZES_PX = ((1600, 1200), (1040, 780), (780, 1040), (960, 720), (720, 960), (1080, 720), (1120, 640), (640, 1120))
"""Sizes of the photos [px]: the working picture is 800 px long, and rendering more only takes longer."""
STEEP_SHARE = 0.3
"""Share of photos that are tried from right at the edge, looking steeply down, the card in the hand."""
DEPTHS_M, CHLOROPHYLLS_UG_L = (0.12, 20.0), (0.15, 450.0)
"""Range that photos are spread over, evenly in the logarithm: the grader's steps but for their open ends."""
FLATLAY_START = 5_000_000
FLATLAY_SHARE = 0.12
"""First number of the photos of a card on dry ground, and how many there are to each pool photo."""
SPOILED_START = 6_000_000
SPOILED_SHARE = 0.25
SPOILED_WAYS = ("dusk", "card_other_light", "lens_fogged", "hand_over_lens", "motion_blur")
"""First number of the spoiled photos, how many there are to each pool photo, and their faults in turn."""
HELD_OUT_START = 10_000_000
HELD_OUT_SPOILED_START = 11_000_000
"""First number of the held-out photos: other seeds, pools and cameras than any training photo's."""


@dataclass(frozen=True)
class Vectors:
    """Feature vectors, shape (N, F), with the truth of each row and the number of its photo."""

    features: Array
    depth_m: Array
    chlorophyll_ug_l: Array
    number: Array


def spec_of(number: int) -> SceneSpec:
    """Return the scene of a photo's number: training below `HELD_OUT_START`, held out from there on.

    Scenes are stranger than the simulator's usual ones (`models.simulator.variety`). Visible depth and chlorophyll are
    drawn evenly over their range; where physics forbids the pair, the chlorophyll is kept and the depth left to the
    simulator.
    """
    rng = np.random.default_rng([11, number])
    first = TRAINING_MODELS if number >= HELD_OUT_START else 0
    depth = float(np.exp(rng.uniform(*np.log(DEPTHS_M))))
    chlorophyll = float(np.exp(rng.uniform(*np.log(CHLOROPHYLLS_UG_L))))
    # A third of real green pools' algae lie below 3: "none" is the class of every finished recovery.
    if rng.random() < 0.15:
        chlorophyll = float(np.exp(rng.uniform(np.log(0.05), np.log(3.0))))
    spoiled = SPOILED_START <= number < HELD_OUT_START or number >= HELD_OUT_SPOILED_START
    spoil: tuple[str, ...] = ("no_water",) if rng.random() < NO_WATER_SHARE else ()
    if spoiled:
        spoil = (SPOILED_WAYS[number % len(SPOILED_WAYS)],)
    common: dict[str, Any] = {
        "camera": first + int(rng.integers(TRAINING_MODELS)),
        "card": "chart24" if rng.random() < CHART_SHARE else "turnblue",
        "spoil": spoil,
        "seed": number,
        "size_px": SIZES_PX[int(rng.integers(len(SIZES_PX)))],
    }
    steep = {"stance": _steep_stance(rng), "placement": "hand"} if rng.random() < STEEP_SHARE else {}
    # What is asked for may be impossible: then first the stance, then the depth is left to the simulator.
    for asked in (
        {"visible_depth_m": depth, **steep},
        {"visible_depth_m": depth},
        {},
    ):
        try:
            return widen(rng, sample_spec(rng, chlorophyll_ug_l=chlorophyll, **common, **asked))
        except ValueError:
            continue
    raise ValueError(f"Photo {number} has no stance from which both the water and the card are seen.")


def _steep_stance(rng: np.random.Generator) -> StanceSpec:
    """Return a stance at the edge or leaning out over it, looking steeply down."""
    return StanceSpec(
        edge_share=float(rng.random()),
        back_m=float(rng.uniform(-0.4, 0.5)),
        height_m=float(rng.uniform(1.0, 2.1)),
        yaw_deg=float(np.clip(rng.normal(0, 25), -60, 60)),
        pitch_deg=float(rng.uniform(35, 78)),
        roll_deg=float(np.clip(rng.normal(0, 4), -10, 10)),
    )


def render_one(folder: Path, number: int) -> int:
    """Render one photo into the folder unless it is there."""
    truth_path = folder / f"{number}.json"
    if truth_path.exists():
        return number
    cv2.setNumThreads(1)
    if FLATLAY_START <= number < SPOILED_START:
        pixels = render_flatlay(number)
        quality = 80 + number % 16
        cv2.imwrite(str(folder / f"{number}.jpg"), pixels[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, quality])
        cv2.imwrite(str(folder / f"{number}.png"), np.zeros(pixels.shape[:2], np.uint8))
        truth_path.write_text(json.dumps({"rendered": True, "spoilers": ["no_water"]}))
        return number
    try:
        spec = spec_of(number)
    except ValueError:
        # No stance shows both the card and the water: there is no such photo.
        return number
    rendered = render(spec, masks=True)
    assert rendered.water_mask is not None
    (folder / f"{number}.jpg").write_bytes(encode_jpeg(rendered))
    cv2.imwrite(str(folder / f"{number}.png"), rendered.water_mask.astype(np.uint8) * 255)
    # The truth is written last: where it is, the photo is whole.
    truth_path.write_text(json.dumps(rendered.truth.to_json()))
    return number


def cells_of(folder: Path, number: int) -> tuple[Array, Array] | None:
    """Return features and labels of some cells of a photo, or None where its card was not found.

    Cells under four fifths or over one fifth water are left out: their truth is no yes or no.
    """
    cv2.setNumThreads(1)
    try:
        photo = open_photo(folder / f"{number}.jpg")
        card = find_card(photo)
        usable = usable_patches(card)
        view = view_of(photo, card, fit_colours(card.samples, card.design, usable=usable))
    except (VisionError, ValueError):
        return None
    features = cell_features(view)
    rows, columns = features.shape[:2]
    mask = cv2.imread(str(folder / f"{number}.png"), cv2.IMREAD_GRAYSCALE)
    share = cv2.resize(mask, (columns, rows), interpolation=cv2.INTER_AREA).astype(np.float64) / 255
    card_mask = np.zeros((rows, columns), np.uint8)
    cv2.fillConvexPoly(card_mask, np.round(view.card_px / CELL_PX).astype(np.int32), 1)
    clear = ((share < 0.2) | (share > 0.8)) & (card_mask == 0)
    index = np.flatnonzero(clear.ravel())
    rng = np.random.default_rng([12, number])
    index = rng.choice(index, min(CELLS_A_PHOTO, len(index)), replace=False)
    flat = features.reshape(-1, features.shape[2])
    return flat[index].astype(np.float32), (share.ravel()[index] > 0.5).astype(np.int8)


def vectors_of(folder: Path, grader: Grader, number: int) -> list[tuple[Array, float, float, int]]:
    """Return the rows of one photo: with the pool's depth and floor not known and, for half the photos, known."""
    cv2.setNumThreads(1)
    truth = json.loads((folder / f"{number}.json").read_text())
    if "no_water" in truth["spoilers"]:
        return []
    try:
        photo = open_photo(folder / f"{number}.jpg")
        looked = look(photo, grader)
    except VisionError:
        return []
    if looked.region is None or looked.view is None or looked.card is None or looked.fit is None:
        return []
    rows = []
    pool = truth["spec"]["pool"]
    known = [None]
    if number % 2 == 0:
        rng = np.random.default_rng([13, number])
        # The log's depths are paced out, not surveyed: 5 % off.
        deep, shallow = (pool[name] * float(np.exp(rng.normal(0, 0.05))) for name in ("deep_m", "shallow_m"))
        known.append(KnownPool(shallow, deep, tuple(pool["finish_srgb"])))
    features = features_of(looked.view, looked.region, looked.card, looked.fit)
    for each in known:
        rows.append((with_known(features, each), truth["visible_depth_m"], truth["chlorophyll_ug_l"], number))
    return rows


def over_photos(work: Callable[[int], Any], numbers: Iterable[int], *, jobs: int, say: str) -> list[Any]:
    """Run `work` on every number on `jobs` processes, in order, with a progress bar on a terminal."""
    numbers = list(numbers)
    bar = partial(tqdm, total=len(numbers), desc=say, disable=not sys.stderr.isatty())
    if jobs == 1:
        return [work(number) for number in bar(numbers)]
    with ProcessPoolExecutor(jobs, mp_context=get_context("spawn")) as pool:
        return list(bar(pool.map(work, numbers, chunksize=4)))


def make_vectors(folder: Path, grader: Grader, numbers: Iterable[int], *, jobs: int) -> Vectors:
    """Return the feature vectors of many photos; kept in the folder for the next run that asks for the same."""
    numbers = list(numbers)
    kept = folder / f"vectors-{_key(grader, numbers)}.npz"
    if kept.exists():
        with np.load(kept, allow_pickle=False) as stored:
            return Vectors(**{name: stored[name] for name in stored.files})
    rows = [
        row
        for each in over_photos(partial(vectors_of, folder, grader), numbers, jobs=jobs, say="features")
        for row in each
    ]
    vectors = Vectors(
        features=np.array([row[0] for row in rows]),
        depth_m=np.array([row[1] for row in rows]),
        chlorophyll_ug_l=np.array([row[2] for row in rows]),
        number=np.array([row[3] for row in rows]),
    )
    np.savez(kept, **{name: getattr(vectors, name) for name in ("features", "depth_m", "chlorophyll_ug_l", "number")})
    return vectors


def _key(grader: Grader, numbers: list[int]) -> str:
    """Return what vectors follow from as a short name: photos, water network, pipeline, features."""
    made = hashlib.sha256(json.dumps([numbers, PIPELINE, FEATURES]).encode())
    for name, array in sorted(grader.water.to_arrays("water").items()):
        made.update(name.encode() + np.ascontiguousarray(array).tobytes())
    return made.hexdigest()[:12]


def training_numbers(count: int) -> list[int]:
    """Return the numbers of `count` pool photos and the dry ones that go with them."""
    return [*range(count), *range(FLATLAY_START, FLATLAY_START + round(FLATLAY_SHARE * count))]


def whole(folder: Path, numbers: Iterable[int]) -> list[int]:
    """Return the numbers whose photos were rendered whole: a few scenes are impossible and have none."""
    return [number for number in numbers if (folder / f"{number}.json").exists()]
