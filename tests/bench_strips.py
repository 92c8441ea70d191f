"""Try the strip reader on rendered strips and print its figures: `python -m tests.bench_strips --each 6`.

In: how many photos of each kind and condition, the first seed, a folder that keeps the photos. Out: the share of pads
found, errors in key steps, coverage of 80 % intervals, what is named out of range or refused, what teaching from a
printed key costs, how two cameras agree, and pH read by kinds taught from strips on white ground. All photos are
rendered.
"""

from __future__ import annotations

import argparse
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from models.simulator.stripdyes import KINDS, StripTruth
from models.simulator.strips import KeyScene, StripScene
from tests.vision.strip_scenes import (
    PLACES,
    READ_UNTIL_S,
    counts,
    draw_values,
    shoot,
    step_of,
    taught_kind,
    true_kind,
    with_dry,
)
from vision.strip import StripRead, read_strip
from vision.strip_key import TypedScale
from vision.strip_series import kind_from_strips

OUTSIDE = {
    "free_chlorine": 40.0,
    "total_chlorine": 40.0,
    "ph": 9.4,
    "total_alkalinity": 600.0,
    "calcium_hardness": 4000.0,
    "cyanuric_acid": 800.0,
    "copper": 20.0,
}
"""Values well above each key's last."""
REFUSED = ("other_kind", "face_down", "dry", "late", "half")


@dataclass
class Tally:
    """Figures of many readings."""

    errors: list[float] = field(default_factory=list)
    inside: list[bool] = field(default_factory=list)
    off: int = 0
    read: int = 0

    def add(self, truth: StripTruth, read: StripRead, values: dict[str, float], missing: tuple[int, ...] = ()) -> None:
        """Add one photo's readings."""
        if read.result is None:
            return
        by_name = {each.analyte: each for each in read.result.readings}
        for scale in truth.scales:
            if set(scale.pads) <= set(missing) or scale.analyte not in by_name:
                continue
            said, value = by_name[scale.analyte], values[scale.analyte]
            self.read += 1
            if "off_key" in said.flags:
                self.off += 1
                continue
            if counts(truth, scale.analyte, value):
                self.errors.append(abs(step_of(scale.values, said.value) - step_of(scale.values, value)))
            low = -np.inf if np.isnan(said.low) else said.low
            high = np.inf if np.isnan(said.high) else said.high
            self.inside.append(bool(low <= value <= high))

    def say(self, name: str) -> str:
        """Return the figures as a line."""
        if not self.errors:
            return f"{name}: nothing read"
        return (
            f"{name}: {self.read} readings, error median {np.median(self.errors):.3f}, "
            f"p95 {np.quantile(self.errors, 0.95):.3f} steps; 80 % intervals cover {100 * np.mean(self.inside):.1f} %; "
            f"{self.off} flagged off the key"
        )


def main_scenes(each: int, seed: int) -> list[tuple[StripTruth, StripScene]]:
    """Return scenes of all kinds in all conditions that are to be read."""
    rng = np.random.default_rng(seed)
    scenes = []
    for number in range(each):
        for k, truth in enumerate(KINDS):
            card, place = PLACES[(number + k) % len(PLACES)]
            spoilt = (int(rng.integers(len(truth.pads))),) if rng.random() < 0.25 else ()
            washed = bool(rng.random() < 0.5)
            scenes.append(
                (
                    truth,
                    StripScene(
                        truth,
                        draw_values(truth, rng),
                        card=card,
                        place=place,
                        turned=bool(rng.random() < 0.5),
                        missing=() if washed else spoilt,
                        washed=spoilt if washed else (),
                        seed=100_000 * seed + 100 * number + k,
                    ),
                )
            )
    return scenes


def found_share(truth: StripTruth, read: StripRead, quads_px: np.ndarray, scene: StripScene) -> tuple[int, int]:
    """Return how many pads were found to within a third of their side, of how many that are there."""
    there = [n for n in range(len(truth.pads)) if n not in scene.missing]
    if read.found is None:
        return 0, len(there)
    side = np.linalg.norm(quads_px[:, 1] - quads_px[:, 0], axis=1)
    off = np.linalg.norm(read.found.quads_px.mean(axis=1) - quads_px.mean(axis=1), axis=1) / side
    return int((off[there] < 1 / 3).sum()), len(there)


def bench_reading(each: int, seed: int, folder: Path | None, verbose: bool) -> None:
    """Read strips by true kinds and by kinds taught from a printed key."""
    true, taught = Tally(), Tally()
    by_place = {place: Tally() for place in PLACES}
    found = there = 0
    refused: Counter[str] = Counter()
    kinds = {truth.name: true_kind(truth) for truth in KINDS}
    for n, (truth, scene) in enumerate(main_scenes(each, seed)):
        photo, shot = shoot(scene, folder)
        read = read_strip(photo, kinds[truth.name], seconds=30.0)
        a, b = found_share(truth, read, shot.quads_px, scene)
        found, there = found + a, there + b
        if read.result is None:
            refused[read.problems[-1].code] += 1
        spoilt = scene.missing + scene.washed
        true.add(truth, read, dict(scene.values), spoilt)
        by_place[(scene.card or "", scene.place)].add(truth, read, dict(scene.values), spoilt)
        if verbose and (read.result is None or a < b):
            print(f"  {n} {truth.name} {scene.card} {scene.place} spoilt {spoilt}: found {a}/{b}", read.problems[-1:])
        if len(truth.scales) > 1:
            key = KeyScene(truth, card=scene.card or "turnblue", seed=scene.seed + 7, print_error=0.25)
            key_photo, _ = shoot(key, folder)
            try:
                own = taught_kind(truth, key_photo)
            except Exception as error:
                refused[f"key: {error}"[:60]] += 1
                continue
            taught.add(truth, read_strip(photo, own, seconds=30.0), dict(scene.values), spoilt)
    print(f"Pads found: {100 * found / there:.2f} % of {there}")
    print("Not read though good:", dict(refused) or "none")
    print(true.say("True kinds"))
    for place, tally in by_place.items():
        print("  " + tally.say(f"{place[0]}, {place[1]}"))
    print(taught.say("Kinds taught from a printed key in another light"))
    print(f"Teaching costs {np.median(taught.errors) - np.median(true.errors):+.3f} step at median")


def bench_outside(each: int, seed: int, folder: Path | None) -> None:
    """See that values above the last swatch are named so."""
    named = asked = 0
    rng = np.random.default_rng(seed + 10)
    for number in range(each):
        for k, truth in enumerate(KINDS[:5]):
            scale = truth.scales[int(rng.integers(len(truth.scales)))]
            values = {**draw_values(truth, rng), scale.analyte: OUTSIDE[scale.analyte]}
            scene = StripScene(
                truth, values, turned=bool(rng.random() < 0.5), seed=100_000 * seed + 20_000 + 10 * number + k
            )
            read = read_strip(shoot(scene, folder)[0], true_kind(truth), seconds=30.0)
            asked += 1
            said = {} if read.result is None else {each.analyte: each for each in read.result.readings}
            flags = said[scale.analyte].flags if scale.analyte in said else ()
            good = "above_last_swatch" in flags or (
                read.result is None and read.problems[-1].code == "strip_other_kind"
            )
            named += good
            if not good:
                print("  not named:", truth.name, scale.analyte, said.get(scale.analyte), read.problems[-1:])
    print(f"Out of range named: {100 * named / asked:.1f} % of {asked}")


def bench_refusing(each: int, seed: int, folder: Path | None, verbose: bool) -> None:
    """See that what is no readable strip is named, not read; dry and late without and with help."""
    for case in (*REFUSED, "late, timed", "dry, taught"):
        rng = np.random.default_rng([seed, len(case)])
        named = asked = 0
        codes: Counter[str] = Counter()
        for number in range(each):
            for k, truth in enumerate(KINDS):
                state = case.split(",")[0]
                other = KINDS[(k + 1 + int(rng.integers(5))) % 6] if state == "other_kind" else truth
                scene = StripScene(
                    other,
                    draw_values(other, rng),
                    state="wet" if state == "other_kind" else state,
                    turned=bool(rng.random() < 0.5),
                    late_min=float(rng.uniform(5, 30)),
                    seed=100_000 * seed + 30_000 + 1000 * len(case) + 10 * number + k,
                )
                kind = true_kind(truth)
                kind = with_dry(truth, kind) if case == "dry, taught" else kind
                seconds = READ_UNTIL_S + 60 * scene.late_min if case == "late, timed" else None
                read = read_strip(shoot(scene, folder)[0], kind, seconds=seconds)
                asked += 1
                named += read.result is None
                codes[read.problems[-1].code if read.result is None else "READ"] += 1
                if verbose and read.result is not None:
                    print("  read:", case, truth.name, other.name, [(r.analyte, r.flags) for r in read.result.readings])
        print(f"Refused, {case}: {100 * named / asked:.1f} % of {asked} {dict(codes)}")


def bench_two_cameras(each: int, seed: int, folder: Path | None) -> None:
    """Read the same strip by two cameras in two lights."""
    rng = np.random.default_rng(seed + 20)
    apart = []
    for number in range(each):
        for k, truth in enumerate(KINDS):
            values = draw_values(truth, rng)
            reads = []
            for camera, cct in ((int(rng.integers(40)), 4600.0), (int(rng.integers(40)), 7800.0)):
                scene = StripScene(
                    truth, values, camera=camera, light_cct_k=cct,
                    seed=100_000 * seed + 40_000 + 100 * number + 10 * k + int(cct > 6000),
                )  # fmt: skip
                reads.append(read_strip(shoot(scene, folder)[0], true_kind(truth), seconds=30.0).result)
            if None in reads:
                continue
            for one, other in zip(reads[0].readings, reads[1].readings, strict=False):
                scale = next(s for s in truth.scales if s.analyte == one.analyte)
                if one.analyte == other.analyte and counts(truth, one.analyte, values[one.analyte]):
                    apart.append(abs(step_of(scale.values, one.value) - step_of(scale.values, other.value)))
    share = 100 * np.mean(np.array(apart) <= 0.5)
    print(
        f"Two cameras, two lights: within half a step in {share:.1f} % of {len(apart)}; median {np.median(apart):.3f}"
    )


def bench_series(each: int, seed: int, folder: Path | None, verbose: bool) -> None:
    """Teach a pH kind from half of a series of strips on white ground, read the other half; the same with a card."""
    truth = KINDS[5]
    values = [3.0, 4.0, 5.0, 6.0, 7.0, 8.0, 9.0, 10.0, 11.0]
    for card in (None, "turnblue"):
        errors, unread = [], 0
        for number in range(each):
            rng = np.random.default_rng([seed, 50, number])
            camera = int(rng.integers(40))
            photos = [
                shoot(
                    StripScene(
                        truth,
                        {"ph": v},
                        card=card,
                        camera=camera,
                        turned=bool(rng.random() < 0.5),
                        seed=100_000 * seed + 50_000 + 100 * number + i,
                    ),
                    folder,
                )[0]
                for i, v in enumerate(values)
            ]
            taught = list(range(0, len(values), 2))
            said = TypedScale("ph", "", tuple(values[i] for i in taught))
            kind = kind_from_strips("series", [photos[i] for i in taught], said)
            for i in range(1, len(values), 2):
                read = read_strip(photos[i], kind)
                if read.result is None or not read.result.readings:
                    unread += 1
                    if verbose:
                        print("  unread", values[i], read.problems[-1:])
                    continue
                errors.append(abs(read.result.readings[0].value - values[i]))
        print(
            f"pH series, {'white ground' if card is None else 'card'}: error median {np.median(errors):.2f}, "
            f"p95 {np.quantile(errors, 0.95):.2f} pH of {len(errors)}, {unread} not read"
        )


def main() -> None:
    """Run the parts asked for."""
    parts = {"reading", "outside", "refusing", "cameras", "series"}
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--each", type=int, default=4, help="photos of each kind and condition")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--folder", type=Path, default=None, help="keep rendered photos here")
    parser.add_argument("--only", nargs="*", choices=sorted(parts), default=sorted(parts))
    parser.add_argument("--verbose", action="store_true")
    asked = parser.parse_args()
    print("All photos are rendered.")
    if "reading" in asked.only:
        bench_reading(asked.each, asked.seed, asked.folder, asked.verbose)
    if "outside" in asked.only:
        bench_outside(asked.each, asked.seed, asked.folder)
    if "refusing" in asked.only:
        bench_refusing(asked.each, asked.seed, asked.folder, asked.verbose)
    if "cameras" in asked.only:
        bench_two_cameras(asked.each, asked.seed, asked.folder)
    if "series" in asked.only:
        bench_series(max(1, asked.each // 2), asked.seed, asked.folder, asked.verbose)


if __name__ == "__main__":
    main()
