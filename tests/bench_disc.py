"""Print how well the sighting disc tells the visible depth on rendered photos: `python -m tests.bench_disc --count 60`.

In: a count, a first seed. Out: a table of figures on standard output. Every scene is rendered, none is a real pool:
waters from 0.25 to 9 m of visible depth, five kinds of light, phones, cards on coping, deck and in the hand. The disc
hangs at a share of the visible depth drawn between 0.15 and 0.38, at most 2 m deep; the pole is read with an error of
1 cm. Photos in which the card lies in other light than the water are drawn too, as they come.

`--pairs N` renders two photos each of N pools instead, and prints what share of the grader's error the two have in
common (`app.treatment.change.SHARED_OF_ERROR`). `--without N` looks for a disc in N pools that have none.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from models.simulator.disc import with_disc
from models.simulator.files import encode_jpeg
from models.simulator.sampling import sample_light, sample_pool, sample_spec, sample_water
from models.simulator.scene import render
from models.simulator.specs import SceneSpec, Truth
from vision.disc import DiscAsked
from vision.discfind import find_disc
from vision.grade import Grader, load_grader
from vision.measure import look, measure_water
from vision.photo import Photo, open_photo
from vision.results import PhotoResult, clarity_of

GRADER = Path(__file__).parent.parent / "models/shipped/grader.npz"
DEPTH_SHARES = (0.15, 0.38)
DEEPEST_M = 2.0
READING_ERROR_M = 0.01
HELD_OUT_CAMERAS = (5000, 9000)
"""Phone models that no training photo was taken with."""
LIGHTS, LIGHT_SHARES = ("sun", "part_shade", "shade", "overcast", "low_sun"), (0.35, 0.12, 0.20, 0.28, 0.05)


@dataclass(frozen=True)
class Case:
    """One rendered photo with a disc: its truth, the depth as read, what was measured."""

    truth: Truth
    read_m: float
    result: PhotoResult


def disc_scene(seed: int, depths: tuple[float, float] = (0.25, 9.0)) -> SceneSpec:
    """Return a scene with a disc, drawn from a seed; visible depth between `depths`, spread evenly in its logarithm."""
    rng = np.random.default_rng([seed, 77])
    for attempt in range(80):
        visible_m = float(np.exp(rng.uniform(*np.log(depths))))
        green = float(np.exp(rng.uniform(np.log(0.5), np.log(min(200, 60 / visible_m)))))
        light = str(rng.choice(LIGHTS, p=LIGHT_SHARES))
        camera = int(rng.integers(*HELD_OUT_CAMERAS))
        depth_m = round(min(float(rng.uniform(*DEPTH_SHARES)) * visible_m, DEEPEST_M), 2)
        try:
            spec = sample_spec(
                np.random.default_rng([seed, attempt]),
                visible_depth_m=visible_m,
                chlorophyll_ug_l=green,
                light=light,
                camera=camera,
                seed=int(rng.integers(2**31)),
            )
        except ValueError:
            continue
        found = with_disc(spec, rng, depth_m)
        if found is not None:
            return found
    raise ValueError(f"no scene with a disc came of seed {seed}")


def photo_of(spec: SceneSpec) -> tuple[Photo, Truth]:
    """Render a scene and return it as a phone's photo."""
    rendered = render(spec)
    return open_photo(encode_jpeg(rendered), "rendered.jpg"), rendered.truth


def measure_case(seed: int, grader: Grader) -> Case:
    """Render and measure one scene."""
    spec = disc_scene(seed)
    assert spec.disc is not None
    photo, truth = photo_of(spec)
    read_m = max(round(spec.disc.depth_m + READING_ERROR_M * np.random.default_rng([seed, 5]).normal(), 2), 0.03)
    return Case(truth, read_m, measure_water(photo, grader=grader, disc=DiscAsked(read_m)))


def figures(cases: list[Case]) -> list[str]:
    """Return the figures of measured cases as lines."""
    found = [case for case in cases if case.result.disc is not None]
    lines = [f"photos rendered {len(cases)}, disc found {len(found)} ({len(found) / len(cases):.0%})"]
    if not found:
        return lines
    true = np.array([case.truth.visible_depth_m for case in found])
    seen = [case.result.disc.visible_depth_m for case in found if case.result.disc is not None]
    error = np.log10(np.array([each.mid for each in seen]) / true)
    inside = [each.low <= t and (each.high is None or t <= each.high) for each, t in zip(seen, true, strict=True)]
    right = [str(clarity_of(each.mid)) == case.truth.clarity for each, case in zip(seen, found, strict=True)]
    lines += [
        f"visible depth by the disc: rms {np.sqrt((error**2).mean()):.3f} dex, bias {error.mean():+.3f}, "
        f"median of size {np.median(abs(error)):.3f}, greatest {abs(error).max():.3f}",
        f"80 % interval holds the truth in {np.mean(inside):.0%}",
        f"clarity exact by the disc alone {np.mean(right):.0%}",
    ]
    graded = [case for case in found if case.result.water is not None]
    both = [case.result.water.clarity.grade == case.truth.clarity for case in graded if case.result.water]
    whole = [case.result.water.visible_depth_m for case in graded if case.result.water]
    plain = [case.result.water.plain_visible_depth_m for case in graded if case.result.water]
    depth = np.array([case.truth.visible_depth_m for case in graded])

    def rms(intervals: list[object]) -> float:
        return float(np.sqrt(np.mean(np.log10(np.array([each.mid for each in intervals]) / depth) ** 2)))  # type: ignore[attr-defined]

    lines += [
        f"photo and disc together: clarity exact {np.mean(both):.0%}, rms {rms([*whole]):.3f} dex",
        f"photo alone, same scenes: clarity exact "
        f"{np.mean([str(clarity_of(p.mid)) == c.truth.clarity for p, c in zip(plain, graded, strict=True) if p]):.0%}, "
        f"rms {rms([*plain]):.3f} dex",
    ]
    fair = np.array([0.7 <= (case.truth.card_light_ratio or 0) <= 1.3 for case in found])
    if fair.any():
        lines.append(f"of these with the card in the water's light ({fair.sum()}): rms {rms_of(error[fair]):.3f} dex")
    for low, high in ((0.0, 0.6), (0.6, 1.5), (1.5, 3.0), (3.0, 20.0)):
        within = (true >= low) & (true < high)
        if within.any():
            lines.append(f"  {low:g} to {high:g} m: {within.sum()} found, rms {rms_of(error[within]):.3f} dex")
    return lines


def rms_of(errors: np.ndarray) -> float:
    """Return the root mean square."""
    return float(np.sqrt(np.mean(np.square(errors))))


def pair_errors(seed: int, grader: Grader) -> tuple[tuple[float, float], tuple[float, float]] | None:
    """Render one pool twice, at other water, light and stance by the same phone; return errors of depth and algae."""
    rng = np.random.default_rng([seed, 31])
    pool, camera = sample_pool(np.random.default_rng([seed, 32])), int(rng.integers(*HELD_OUT_CAMERAS))
    errors = []
    for visit in range(2):
        try:
            spec = sample_spec(
                np.random.default_rng([seed, 33, visit]),
                pool=pool,
                water=sample_water(np.random.default_rng([seed, 34, visit])),
                light=sample_light(np.random.default_rng([seed, 35, visit])),
                camera=camera,
                seed=int(rng.integers(2**31)),
            )
        except ValueError:
            return None
        photo, truth = photo_of(spec)
        result = measure_water(photo, grader=grader)
        water = result.water
        if not result.usable or water is None or water.visible_depth_m.high is None:
            return None
        errors.append(
            (
                float(np.log(water.visible_depth_m.mid / truth.visible_depth_m)),
                float(np.log(water.chlorophyll_ug_l.mid / max(truth.chlorophyll_ug_l, 0.05))),
            )
        )
    return (errors[0], errors[1])


def pair_figures(pairs: list[tuple[tuple[float, float], tuple[float, float]]]) -> list[str]:
    """Return the share of the error's variance that two photos of a pool have in common, as lines."""
    lines = [f"pools photographed twice and usable both times: {len(pairs)}"]
    for index, name in enumerate(("visible depth", "chlorophyll")):
        one, two = (np.array([pair[visit][index] for pair in pairs]) for visit in range(2))
        middle = np.median(np.concatenate([one, two]))
        # Both orders of a pair count: the share is the covariance within pairs over the variance (intraclass).
        share = float(
            np.mean((one - middle) * (two - middle)) / np.mean(np.square(np.concatenate([one, two]) - middle))
        )
        lines.append(f"{name}: shared share of the error's variance {share:.2f} (standard error about "
                     f"{(1 - share**2) / np.sqrt(len(pairs)):.2f})")  # fmt: skip
    return lines


def false_finds(count: int, seed: int, grader: Grader) -> str:
    """Look for a disc in pools without one; return how often one is found."""
    found = 0
    for number in range(count):
        photo, _ = photo_of(sample_spec(np.random.default_rng([seed + number, 9]), size_px=(1600, 1200)))
        looked = look(photo, grader)
        if looked.fit is None or looked.card is None:
            continue
        picture = photo.read(1600)
        grey = looked.fit.correct_pixels(picture.rgb) @ np.array([0.2126, 0.7152, 0.0722], np.float32)
        found += find_disc(grey, hide=(picture.from_photo(looked.card.corners_px),)) is not None
    return f"pools without a disc {count}: found all the same in {found}"


def main() -> int:
    """Run the trial."""
    parser = argparse.ArgumentParser(description="Try the sighting disc on rendered photos.")
    parser.add_argument("--count", type=int, default=60, metavar="N")
    parser.add_argument("--seed", type=int, default=1000, metavar="FIRST")
    parser.add_argument("--pairs", type=int, default=0, metavar="N")
    parser.add_argument("--without", type=int, default=0, metavar="N")
    asked = parser.parse_args()
    cv2.setNumThreads(1)
    grader = load_grader(GRADER)
    if asked.pairs:
        tried = [pair_errors(asked.seed + number, grader) for number in range(asked.pairs)]
        print("\n".join(pair_figures([each for each in tried if each is not None])))
    elif asked.without:
        print(false_finds(asked.without, asked.seed, grader))
    else:
        cases = []
        for number in range(asked.count):
            cases.append(measure_case(asked.seed + number, grader))
            print(f"measured {number + 1}/{asked.count}", file=sys.stderr)
        print("\n".join(["Rendered photos, not real pools.", *figures(cases)]))
    return 0


if __name__ == "__main__":
    sys.exit(main())
