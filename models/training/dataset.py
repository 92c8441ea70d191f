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
from dataclasses import asdict, dataclass, replace
from functools import partial
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from tqdm import tqdm

from models.simulator.boxworld import render_boxworld
from models.simulator.files import encode_jpeg
from models.simulator.flatlay import render_flatlay
from models.simulator.plain import render_plain
from models.simulator.sampling import TRAINING_MODELS, sample_pool, sample_spec, sample_water
from models.simulator.scene import render
from models.simulator.specs import SceneSpec, StanceSpec
from models.simulator.variety import STAINED_SHARE, stain, widen, widen_water
from vision.card import find_card
from vision.errors import VisionError
from vision.features import FEATURES, KnownPool, features_of
from vision.fitness import FITNESS_FEATURES, WAYS, fitness_of
from vision.flags import spoils
from vision.grade import Grader
from vision.measure import PIPELINE, Looked, look, print_delta_e00, usable_patches
from vision.normalise import fit_colours
from vision.photo import open_photo
from vision.water import CELL_PX, View, cell_features, view_of

Array = NDArray[Any]

NO_WATER_SHARE, CHART_SHARE = 0.06, 0.4
"""Share of photos without water, and of those with the 24-patch chart in place of the card."""
SIZES_PX = ((1600, 1200), (1040, 780), (780, 1040), (960, 720), (720, 960), (1080, 720), (1120, 640), (640, 1120))
"""Sizes of the photos [px]: the working picture is 800 px long, and rendering more only takes longer."""
STEEP_SHARE = 0.3
"""Share of photos that are tried from right at the edge, looking steeply down, the card in the hand."""
DEPTHS_M, CHLOROPHYLLS_UG_L = (0.12, 20.0), (0.15, 450.0)
"""Range that photos are spread over, evenly in the logarithm: the grader's steps but for their open ends."""
FLATLAY_START = 5_000_000
FLATLAY_SHARE, HELD_OUT_FLATLAY_SHARE = 0.25, 0.1
"""First number of the photos of a card on dry ground, and how many there are to each pool photo in fitting and held
out (the project's own: more in fitting, for they are hard to tell)."""
SPOILED_START = 6_000_000
SPOILED_SHARE, HELD_OUT_SPOILED_SHARE = 0.4, 0.5
SPOILED_WAYS = ("dusk", "card_other_light", "lens_fogged", "hand_over_lens", "motion_blur")
"""First number of the spoiled photos, how many there are to each pool photo in fitting and held out, and their faults
in turn."""
HARD_SPOILED_START = 6_500_000
HARD_SPOILED_SHARE = 0.4
HARD_WAYS = ("card_other_light", "motion_blur", "no_water")
"""First number of more spoiled photos to fit on, how many there are to each pool photo, and their faults in turn: those
that were passed most often (the project's own)."""
PLAIN_START = 7_000_000
PLAIN_SHARE = 0.35
"""First number of the photos by the plain renderer (`models.simulator.plain`), and how many there are to each pool
photo."""
HELD_OUT_START = 10_000_000
HELD_OUT_SPOILED_START = 11_000_000
"""First number of the held-out photos: other seeds, pools and cameras than any training photo's."""
SAME_SCENE_START, WAYS_A_SCENE = 12_000_000, 10
"""First number of the photos of held-out pools, each pool and water photographed in so many ways."""
SERIES_START, SERIES_UG_L = 13_000_000, (0.3, 0.8, 2.0, 5.0, 12.0, 30.0, 75.0, 180.0)
"""First number of the dilution series: one held-out scene a series, and the chlorophyll of its photos."""
HELD_OUT_PLAIN_START, HELD_OUT_DRY_START = 14_000_000, 15_000_000
"""First numbers of held-out photos by the plain renderer, and of a card on dry ground."""
BOX_START = 16_000_000
BOX_SHARE = 0.35
"""First number of the photos by the third renderer (`models.simulator.boxworld`), and how many there are to each pool
photo."""


@dataclass(frozen=True)
class Vectors:
    """Photos whose water was found, one a row.

    Attributes
    ----------
    features : ndarray, shape (N, F)
        With the pool's depths as a log would have them, and in half of the rows its floor colour.
    fitness : ndarray, shape (N, Q)
    depth_m, chlorophyll_ug_l, number : ndarray, shape (N,)
        The truth, and the photo's number.
    way : ndarray, shape (N,)
        How the photo is spoiled: place in `fitness.WAYS`, 0 where it is fit.
    doubted : ndarray of bool, shape (N,)
        Whether a stage before the grader spoils the photo already.
    overlap : ndarray, shape (N,)
        Water found and true, intersection over union [0-1].
    refused_number, refused_way : ndarray, shape (M,)
        Photos that did not get so far: no card, or no water.
    refused_for_water : ndarray of bool, shape (M,)
        Whether it was no water.
    """

    features: Array
    fitness: Array
    depth_m: Array
    chlorophyll_ug_l: Array
    number: Array
    way: Array
    doubted: Array
    overlap: Array
    refused_number: Array
    refused_way: Array
    refused_for_water: Array

    def rows(self, which: Array) -> Vectors:
        """Return some of the rows, the refused ones left as they are."""
        own = {name: getattr(self, name)[which] for name in ROW_ARRAYS}
        return Vectors(
            **own, refused_number=self.refused_number, refused_way=self.refused_way,
            refused_for_water=self.refused_for_water,
        )  # fmt: skip

    @property
    def cardless(self) -> frozenset[int]:
        """Return the refused photos in which no card was found to go by."""
        return frozenset(int(number) for number in self.refused_number[~self.refused_for_water])


ROW_ARRAYS = ("features", "fitness", "depth_m", "chlorophyll_ug_l", "number", "way", "doubted", "overlap")
"""Names of the arrays of `Vectors` that have one entry a row."""
WAY_OF = {
    "dusk": WAYS.index("under_exposed"), "card_other_light": WAYS.index("other_light"),
    "lens_fogged": WAYS.index("fogged"), "hand_over_lens": WAYS.index("covered"),
    "motion_blur": WAYS.index("blurred"), "no_water": WAYS.index("no_water"),
}  # fmt: skip
"""The way of each fault of the simulator."""


def spec_of(number: int) -> SceneSpec:
    """Return the scene of a photo's number: training below `HELD_OUT_START`, held out from there on.

    Scenes are stranger than the simulator's usual ones (`models.simulator.variety`). Visible depth and chlorophyll are
    drawn evenly over their range; where physics forbids the pair, the chlorophyll is kept and the depth left to the
    simulator.

    Raises
    ------
    ValueError
        If no stance shows both the water and the card.
    """
    if number >= SERIES_START:
        return _series_spec(number)
    if number >= SAME_SCENE_START:
        return _same_scene_spec(number)
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
        ways = HARD_WAYS if HARD_SPOILED_START <= number < HELD_OUT_START else SPOILED_WAYS
        spoil = (ways[number % len(ways)],)
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
            spec = sample_spec(rng, chlorophyll_ug_l=chlorophyll, **common, **asked)
            return widen(rng, spec)
        except ValueError:
            continue
    raise ValueError(f"Photo {number} has no stance from which both the water and the card are seen.")


def _same_scene_spec(number: int) -> SceneSpec:
    """Return one of the ways to photograph a pool: other camera, light, stance and card."""
    scene, _ = divmod(number - SAME_SCENE_START, WAYS_A_SCENE)
    own = np.random.default_rng([17, scene])
    pool = sample_pool(own)
    chlorophyll = float(np.exp(own.uniform(*np.log(CHLOROPHYLLS_UG_L))))
    water = widen_water(own, sample_water(own, chlorophyll_ug_l=chlorophyll))
    water = stain(own, water, share=STAINED_SHARE)
    rng = np.random.default_rng([18, number])
    camera = TRAINING_MODELS + int(rng.integers(TRAINING_MODELS))
    card = "chart24" if rng.random() < CHART_SHARE else "turnblue"
    size_px = SIZES_PX[int(rng.integers(len(SIZES_PX)))]
    return sample_spec(rng, pool=pool, water=water, camera=camera, card=card, size_px=size_px, seed=number)


def _series_spec(number: int) -> SceneSpec:
    """Return one step of a dilution series: the same photo of the same pool, more algae from step to step."""
    series, step = divmod(number - SERIES_START, len(SERIES_UG_L))
    rng = np.random.default_rng([19, series])
    camera = TRAINING_MODELS + int(rng.integers(TRAINING_MODELS))
    spec = sample_spec(
        rng, chlorophyll_ug_l=SERIES_UG_L[0], visible_depth_m=8.0, camera=camera, size_px=SIZES_PX[0],
        seed=SERIES_START + series,
    )  # fmt: skip
    return replace(spec, water=replace(spec.water, chlorophyll_ug_l=SERIES_UG_L[step]), seed=number)


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
    if number >= BOX_START:
        box = render_boxworld(number)
        _keep(folder, number, box.pixels, box.water, box.truth)
        return number
    if FLATLAY_START <= number < SPOILED_START or number >= HELD_OUT_DRY_START:
        dry = render_flatlay(number)
        _keep(folder, number, dry, np.zeros(dry.shape[:2], np.uint8), {"rendered": True, "spoilers": ["no_water"]})
        return number
    if PLAIN_START <= number < HELD_OUT_START or HELD_OUT_PLAIN_START <= number < HELD_OUT_DRY_START:
        plain = render_plain(number)
        _keep(folder, number, plain.pixels, plain.water, plain.truth)
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


def _keep(folder: Path, number: int, pixels: Array, water: Array, truth: dict[str, Any]) -> None:
    """Write a photo of the plainer renderers."""
    quality = [cv2.IMWRITE_JPEG_QUALITY, 80 + number % 16]
    cv2.imwrite(str(folder / f"{number}.jpg"), pixels[..., ::-1], quality)
    cv2.imwrite(str(folder / f"{number}.png"), water)
    (folder / f"{number}.json").write_text(json.dumps(truth))


@dataclass(frozen=True)
class Cells:
    """A photo's cells: features (rows, columns, F), float16, share of water, and which are sure enough to learn by."""

    features: Array
    share: Array
    sure: Array


def cells_of(folder: Path, number: int) -> Cells | None:
    """Return the cells of a photo, or None where its card was not found.

    Cells under four fifths or over one fifth water are not sure: their truth is no yes or no.
    """
    cv2.setNumThreads(1)
    try:
        photo = open_photo(folder / f"{number}.jpg")
        card = find_card(photo)
        usable = usable_patches(card)
        fit = fit_colours(
            card.samples, card.design, usable=usable, print_delta_e00=print_delta_e00(card, photo, None),
            print_known=card.design.kind == "chart24",
        )  # fmt: skip
        view = view_of(photo, card, fit)
    except (VisionError, ValueError):
        return None
    mask = cv2.imread(str(folder / f"{number}.png"), cv2.IMREAD_GRAYSCALE)
    return cells_in(view, mask > 127)


def cells_in(view: View, water: Array) -> Cells:
    """Return the cells of a photo whose water is known, a mask of any size."""
    features = cell_features(view)
    rows, columns = features.shape[:2]
    share = cv2.resize(water.astype(np.float32), (columns, rows), interpolation=cv2.INTER_AREA)
    card_mask = np.zeros((rows, columns), np.uint8)
    cv2.fillConvexPoly(card_mask, np.round(view.card_px / CELL_PX).astype(np.int32), 1)
    sure = ((share < 0.2) | (share > 0.8)) & (card_mask == 0)
    return Cells(features.astype(np.float16), share.astype(np.float16), sure)


@dataclass(frozen=True)
class Row:
    """One photo's row of `Vectors`; the arrays are None where it was refused."""

    number: int
    way: int
    features: Array | None = None
    fitness: Array | None = None
    depth_m: float = 0.0
    chlorophyll_ug_l: float = 0.0
    doubted: bool = True
    overlap: float = 0.0
    no_water: bool = False


def row_of(folder: Path, grader: Grader, number: int, *, cardless: frozenset[int] = frozenset()) -> Row:
    """Return the row of one photo; those known to be `cardless` are refused without a look."""
    cv2.setNumThreads(1)
    truth = json.loads((folder / f"{number}.json").read_text())
    if number in cardless:
        return Row(number, way_of(truth))
    try:
        looked = look(open_photo(folder / f"{number}.jpg"), grader)
    except VisionError:
        return Row(number, way_of(truth))
    mask = cv2.imread(str(folder / f"{number}.png"), cv2.IMREAD_GRAYSCALE)
    return looked_row(looked, truth, mask > 127, number)


def way_of(truth: dict[str, Any]) -> int:
    """Return the way in which a photo is spoiled, 0 where it is fit."""
    return next((WAY_OF[name] for name in truth["spoilers"] if name in WAY_OF), 0)


def looked_row(looked: Looked, truth: dict[str, Any], water: Array, number: int) -> Row:
    """Return the row of a photo that was looked at; `water` is the true mask, of any size."""
    view, region, card, fit = looked.view, looked.region, looked.card, looked.fit
    if view is None or region is None or card is None or fit is None:
        return Row(number, way_of(truth), no_water=view is not None)
    height, width = region.whole.shape
    true = cv2.resize(water.astype(np.uint8) * 255, (width, height), interpolation=cv2.INTER_AREA) > 127
    return Row(
        number,
        way_of(truth),
        features_of(view, region, card, known_of(truth, number)),
        fitness_of(view, region, card, fit),
        truth.get("visible_depth_m", 1.0),
        truth.get("chlorophyll_ug_l", 1.0),
        spoils(each.code for each in looked.problems),
        float((region.whole & true).sum() / max((region.whole | true).sum(), 1)),
    )


def known_of(truth: dict[str, Any], number: int) -> KnownPool | None:
    """Return what a log would know of the pool: its depths, and every other time its floor's colour."""
    if "spec" in truth:
        pool = truth["spec"]["pool"]
        depths, (r, g, b) = (pool["deep_m"], pool["shallow_m"]), pool["finish_srgb"]
    elif "plain_depths_m" in truth:
        depths, (r, g, b) = truth["plain_depths_m"][::-1], truth["plain_floor_srgb"]
    else:
        return None
    rng = np.random.default_rng([13, number])
    # The log's depths are paced out, not surveyed: 5 % off.
    deep, shallow = (depth * float(np.exp(rng.normal(0, 0.05))) for depth in depths)
    return KnownPool(shallow, deep, (r, g, b) if number % 2 == 0 else None)


def over_photos(work: Callable[[int], Any], numbers: Iterable[int], *, jobs: int, say: str) -> list[Any]:
    """Run `work` on every number on `jobs` processes, in order, with a progress bar on a terminal."""
    numbers = list(numbers)
    bar = partial(tqdm, total=len(numbers), desc=say, disable=not sys.stderr.isatty())
    if jobs == 1:
        return [work(number) for number in bar(numbers)]
    with ProcessPoolExecutor(jobs, mp_context=get_context("spawn")) as pool:
        return list(bar(pool.map(work, numbers, chunksize=4)))


def make_vectors(
    folder: Path, grader: Grader, numbers: Iterable[int], *, jobs: int, cardless: frozenset[int] = frozenset()
) -> Vectors:
    """Return the feature vectors of many photos; kept in the folder for the next run that asks for the same.

    In `cardless` photos another grader's look found no card: this one's, which knows other water, finds none either.
    """
    numbers = list(numbers)
    kept = folder / f"vectors-{_key(grader, numbers)}.npz"
    if kept.exists():
        with np.load(kept, allow_pickle=False) as stored:
            return Vectors(**{name: stored[name] for name in stored.files})
    vectors = vectors_of(
        over_photos(partial(row_of, folder, grader, cardless=cardless), numbers, jobs=jobs, say="features")
    )
    np.savez(kept, **asdict(vectors))
    return vectors


def vectors_of(rows: list[Row]) -> Vectors:
    """Return rows as arrays."""
    whole = [row for row in rows if row.features is not None]
    refused = [row for row in rows if row.features is None]
    return Vectors(
        **{name: np.array([getattr(row, name) for row in whole]) for name in ROW_ARRAYS},
        refused_number=np.array([row.number for row in refused], dtype=np.int64),
        refused_way=np.array([row.way for row in refused], dtype=np.int64),
        refused_for_water=np.array([row.no_water for row in refused], dtype=bool),
    )


def _key(grader: Grader, numbers: list[int]) -> str:
    """Return what vectors follow from as a short name: photos, water network, pipeline, features."""
    made = hashlib.sha256(json.dumps([numbers, PIPELINE, FEATURES, FITNESS_FEATURES]).encode())
    for look_at, network in enumerate(grader.water):
        for name, array in sorted(network.to_arrays(f"water{look_at}").items()):
            made.update(name.encode() + np.ascontiguousarray(array).tobytes())
    return made.hexdigest()[:12]


def training_numbers(count: int) -> list[int]:
    """Return the numbers of `count` pool photos, and of the dry, the spoiled and the others' that go with them."""
    numbers = list(range(count))
    for start, share in (
        (FLATLAY_START, FLATLAY_SHARE), (SPOILED_START, SPOILED_SHARE), (HARD_SPOILED_START, HARD_SPOILED_SHARE),
        (PLAIN_START, PLAIN_SHARE),
    ):  # fmt: skip
        numbers += range(start, start + round(share * count))
    return numbers + box_numbers(count)


def held_out_numbers(count: int) -> list[int]:
    """Return the numbers of `count` held-out photos, and the spoiled and the dry ones that go with them."""
    numbers = list(range(HELD_OUT_START, HELD_OUT_START + count))
    for start, share in (
        (HELD_OUT_SPOILED_START, HELD_OUT_SPOILED_SHARE),
        (HELD_OUT_DRY_START, HELD_OUT_FLATLAY_SHARE),
    ):
        numbers += range(start, start + round(share * count))
    return numbers


def plain_numbers(count: int) -> list[int]:
    """Return the numbers of the held-out photos by the plain renderer that go with `count` held-out ones."""
    return list(range(HELD_OUT_PLAIN_START, HELD_OUT_PLAIN_START + count // 2))


def box_numbers(count: int) -> list[int]:
    """Return the numbers of the photos by the third renderer that go with `count` pool photos."""
    return list(range(BOX_START, BOX_START + round(BOX_SHARE * count)))


def whole(folder: Path, numbers: Iterable[int]) -> list[int]:
    """Return the numbers whose photos were rendered whole: a few scenes are impossible and have none."""
    return [number for number in numbers if (folder / f"{number}.json").exists()]
