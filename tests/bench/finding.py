"""The finding table: is the target found in its right place, by tilt, size, blur and light, by each method?

In: a count, a seed, a folder to keep photos in. Out: cases with truth (JSON), and from the finders' answers a table.
A case is drawn so that every tilt, size, blur and light comes up equally often; one that no person could read is
drawn anew (`usable`).
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict, dataclass
from functools import cache
from pathlib import Path

import cv2
import numpy as np

from tests.bench.grounds import POOLS, TEXTURES, ground
from tests.bench.scene import LIGHTS, Lie, Target, card_target, chart_target, finest_px, lay, photograph, project

PHOTO_PX = (4032, 3024)
SCENES = 1
"""Raised whenever the same case would be rendered otherwise: photos kept in a folder are then made anew."""
TILTS = (0, 15, 30, 45, 55, 65)
SIZES = (0.04, 0.05, 0.10, 0.25)
BLURS = (0, 1, 2, 3)
"""Gaussian sigma at a third of the photo's size [px]: up to 9 px of the photo itself."""
LEAST_CELL_PX = {"card": 1.2, "chart": 4.0}
"""Least side of a marker's cell, or of a patch, where most foreshortened [px]."""
MOST_SIGMA_PER_CELL = {"card": 0.66, "chart": 0.4}
"""Most blur sigma over that side. A card's cells a third of a patch wide: both keep sigma under a quarter to two
fifths of a patch; at 0.66 of a cell a Gaussian leaves a tenth of the contrast of black beside white cells."""
CORNER_SHARE = 0.025
"""A card is in its right place where every corner is within this share of its diagonal as photographed, or 3 px."""
MARK_SHARE = 0.15
"""A peer's mark is in its right place where every corner is within this share of its side, or 3 px."""
CENTRE_SHARE = 0.35
"""A chart is in its right place where every patch centre is within this share of the patches' pitch, or 2 px."""


@dataclass(frozen=True)
class Case:
    """One photo to be searched."""

    photo: str
    target: str
    tilt: int
    size: float
    blur: int
    light: str
    covered: int
    cell_px: float
    corners: list
    centres: list
    ground: int


def usable(target: Target, lie: Lie, homography: np.ndarray, blur_px: float) -> bool:
    """Return whether a person could still read the target: cells wide enough and not blurred away."""
    cell = finest_px(target, homography)
    return cell >= LEAST_CELL_PX[target.name] and blur_px <= MOST_SIGMA_PER_CELL[target.name] * cell


def _digest(lie: Lie) -> str:
    """Return what tells this photo from one of the same number drawn otherwise."""
    return hashlib.sha256(f"{SCENES} {lie!r} {PHOTO_PX}".encode()).hexdigest()[:6]


@cache
def _target(kind: str, variant: int) -> Target:
    return card_target() if kind == "card" else chart_target(side=(0.84, 0.88, 0.92)[variant])


def draw_cases(kind: str, count: int, seed: int) -> list[tuple[Case, Lie, Target]]:
    """Draw cases; tilt, size, blur and light go round in shuffled turns, so each value is equally often tried."""
    rng = np.random.default_rng([seed, len(kind)])
    turns = {name: [] for name in ("tilt", "size", "blur", "light", "ground")}
    values = {
        "tilt": TILTS, "size": SIZES, "blur": BLURS, "light": LIGHTS, "ground": range(len(POOLS) + len(TEXTURES)),
    }  # fmt: skip
    out: list[tuple[Case, Lie, Target]] = []
    while len(out) < count:
        drawn = {}
        for name, each in values.items():
            if not turns[name]:
                turns[name] = list(rng.permutation(len(each)))
            drawn[name] = each[turns[name].pop()]
        number = len(out)
        target = _target(kind, int(rng.integers(3)))
        blur_px = 3.0 * drawn["blur"]
        for _ in range(40):
            lie = Lie(
                width_share=drawn["size"], tilt_deg=drawn["tilt"], turn_deg=rng.uniform(0, 360),
                axis_deg=rng.uniform(0, 360), middle=tuple(rng.uniform(0.1, 0.9, 2)), light=drawn["light"],
                covered=int(rng.integers(1, 3)) if drawn["light"] == "finger" else 0,
                exposure=rng.uniform(0.75, 0.95), tint=tuple(np.exp(rng.normal(0, 0.08, 3))),
                blur_px=float(np.hypot(0.7, blur_px)), contrast=rng.uniform(0, 0.4), noise=rng.uniform(0.003, 0.012),
                seed=seed * 1000 + number,
            )  # fmt: skip
            homography = lay(target, lie, PHOTO_PX)
            k = target.raster.shape
            extent = np.array([[0, 0], [k[1], 0], [k[1], k[0]], [0, k[0]]]) / 12 + target.origin_mm
            outer = project(homography, extent)
            if (outer > 30).all() and (outer < np.array(PHOTO_PX) - 30).all():
                break
        else:
            continue
        if not usable(target, lie, homography, blur_px):
            continue
        case = Case(
            photo=f"{kind}_{seed}_{number:04d}_{_digest(lie)}.jpg", target=kind,
            tilt=drawn["tilt"], size=drawn["size"], blur=drawn["blur"], light=drawn["light"], covered=lie.covered,
            cell_px=finest_px(target, homography), corners=project(homography, target.corners_mm).tolist(),
            centres=project(homography, target.centres_mm).tolist(), ground=int(drawn["ground"]),
        )  # fmt: skip
        out.append((case, lie, target))
    return out


def make_photos(kind: str, count: int, seed: int, folder: Path) -> list[Case]:
    """Render the cases that are not in the folder yet; return all."""
    folder.mkdir(parents=True, exist_ok=True)
    cases = []
    for case, lie, target in draw_cases(kind, count, seed):
        file = folder / case.photo
        if not file.exists():
            photo, _ = photograph(ground(case.ground, PHOTO_PX, folder / "grounds"), target, lie)
            cv2.imwrite(str(file), photo[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 90])
        cases.append(case)
    (folder / f"{kind}_cases.json").write_text(json.dumps([asdict(case) for case in cases]))
    return cases


def _marks_right(corners: np.ndarray, answer: dict) -> bool:
    """Return whether each mark read lies where the card's true corners put it."""
    if not answer.get("marks"):
        return False
    card = card_target().corners_mm
    true_h = cv2.getPerspectiveTransform(card.astype(np.float32), corners.astype(np.float32))
    true = project(true_h, np.array(answer["from_mm"])).reshape(-1, 4, 2)
    found = np.array(answer["to_px"]).reshape(-1, 4, 2)
    sides = np.linalg.norm(np.roll(true, -1, axis=1) - true, axis=2).mean(axis=1)
    apart = np.linalg.norm(true - found, axis=2).max(axis=1)
    return bool((apart <= np.maximum(3.0, MARK_SHARE * sides)).all())


def judge(case: Case, answer: dict) -> str:
    """Return right, marks, wrong or none for one finder's answer about one case.

    "marks": every mark read is where it should be, but the card's far corners, carried on from one or two small
    marks, are not. That is a find, of a mark; it is no place to sample patches at.

    An answer's `corners` (card) must come in the printed order; `centres` (chart) too where `ordered` says so, else
    (peers) in any order: each true centre needs one of its own within reach.
    """
    if case.target == "card":
        if answer.get("corners") is None and not answer.get("marks"):
            return "none"
        true = np.array(case.corners)
        if answer.get("corners") is not None:
            reach = max(3.0, CORNER_SHARE * max(np.linalg.norm(true[0] - true[2]), np.linalg.norm(true[1] - true[3])))
            if np.linalg.norm(true - np.array(answer["corners"]), axis=1).max() <= reach:
                return "right"
        return "marks" if _marks_right(true, answer) else "wrong"
    if answer.get("centres") is None:
        return "none"
    true, found = np.array(case.centres), np.array(answer["centres"])
    if len(found) != len(true):
        return "wrong"
    rows = true.reshape(4, 6, 2)
    steps = np.concatenate([np.diff(rows, axis=0).reshape(-1, 2), np.diff(rows, axis=1).reshape(-1, 2)])
    reach = max(2.0, CENTRE_SHARE * float(np.linalg.norm(steps, axis=1).min()))
    apart = np.linalg.norm(true[:, None] - found[None], axis=2)
    if answer.get("ordered"):
        return "right" if np.diag(apart).max() <= reach else "wrong"
    nearest = apart.argmin(axis=1)
    return "right" if len(set(nearest)) == 24 and apart.min(axis=1).max() <= reach else "wrong"


def _corner_share(case: Case, answer: dict) -> float:
    true, found = np.array(case.corners), np.array(answer["corners"])
    diagonal = max(np.linalg.norm(true[0] - true[2]), np.linalg.norm(true[1] - true[3]))
    return float(np.linalg.norm(true - found, axis=1).max() / diagonal)


def _said(case: Case) -> str:
    return (
        f"{case.photo}: tilt {case.tilt}, size {case.size}, blur {case.blur}, {case.light} {case.covered or ''}, "
        f"finest {case.cell_px:.1f} px, ground {case.ground}"
    )


def table(cases: list[Case], answers: dict[str, list[dict]]) -> tuple[str, dict[str, dict[str, list[str]]]]:
    """Return the table as text and, by method and outcome, the photos."""
    outcome = {m: [judge(case, a) for case, a in zip(cases, found, strict=True)] for m, found in answers.items()}
    rows = [("all", [True] * len(cases))]
    for field, values in (("tilt", TILTS), ("size", SIZES), ("blur", BLURS), ("light", LIGHTS)):
        rows += [(f"{field} {value}", [getattr(case, field) == value for case in cases]) for value in values]
    wide = max(len(name) for name in outcome) + 2
    lines = ["right +marks only (wrong)".ljust(34) + "cases".rjust(6) + "".join(m.rjust(wide) for m in outcome)]
    for name, picked in rows:
        count = sum(picked)
        if not count:
            continue
        line = name.ljust(34) + str(count).rjust(6)
        for each in outcome.values():
            right = sum(o == "right" for o, p in zip(each, picked, strict=True) if p)
            wrong = sum(o == "wrong" for o, p in zip(each, picked, strict=True) if p)
            part = sum(o == "marks" for o, p in zip(each, picked, strict=True) if p)
            line += (f"{right}" + f" +{part}" * bool(part) + f" ({wrong})" * bool(wrong)).rjust(wide)
        lines.append(line)
    times = "time over imread, median".ljust(40)
    for found in answers.values():
        ratio = [a["seconds"] / a["decode_seconds"] for a in found if a.get("decode_seconds")]
        times += (f"{np.median(ratio):.2f}" if ratio else "-").rjust(wide)
    lines.append(times)
    worst = "corners off, share of diagonal, p50/p95".ljust(40)
    for found in answers.values():
        off = [_corner_share(c, a) for c, a in zip(cases, found, strict=True) if a.get("corners")]
        shown = f"{np.median(off):.4f}/{np.quantile(off, 0.95):.4f}" if off and cases[0].target == "card" else "-"
        worst += shown.rjust(wide)
    lines.append(worst)
    failing = {
        m: {o: [_said(c) for c, r in zip(cases, each, strict=True) if r == o] for o in ("marks", "wrong", "none")}
        for m, each in outcome.items()
    }
    return "\n".join(lines), failing
