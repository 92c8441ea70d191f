"""Learn from a company's own confirmed photos: `python -m models.training.company REQUEST.json`.

In: a JSON request: `grader` (the model file in use), `photos` (each `path`, `pool`, `clarity`, `severity`,
`depth_shallow_m`, `depth_deep_m`; figures may be null), and `candidate` (where to write). Out: the candidate's model
file, and on standard output one JSON object that compares it with the one in use. Every company photo is judged by a
fit that had not seen any photo of its pool. Exit 1 with a sentence on standard error where it cannot be done.
"""

from __future__ import annotations

import argparse
import io
import json
import os
import sys
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[Any]

FEWEST_PHOTOS, FEWEST_POOLS = 10, 3
"""Confirmed photos and pools under which nothing is learnt: the project's own."""
FIRMNESS = 4.0
"""How many rendered photos a confirmed one counts for: it is a real pool of this company's (the project's own)."""
SURE_ENOUGH = 0.9
"""Share of resamples of the pools in which the candidate must be better."""
RESAMPLES = 2000
RENDERED_SLACK = 0.01
"""Rise of the log loss on rendered photos that still counts as not worse [nats a photo and figure]."""
MARGIN_DEX = 0.05
"""A confirmed class says a range: a photo read outside it is pulled in by this much past the bound."""


class CannotLearn(Exception):
    """The request cannot be carried out; the message is a sentence for the company."""


@dataclass(frozen=True)
class Own:
    """The company's photos that could be read: features (N, F), confirmed classes (-1 where not said), pools."""

    features: Array
    classes: Array
    pools: tuple[str, ...]


@dataclass(frozen=True)
class Compared:
    """Candidate and grader in use on the company's photos and on the rendered ones.

    `*_exact` are shares of confirmed grades met, of both grades together; `*_loss` the mean log loss of the confirmed
    classes; `rendered_*` that of the steps of rendered photos; `sure` the share of resamples of the pools in which the
    candidate has the smaller loss.
    """

    photos: int
    unread: int
    pools: int
    in_use_exact: float
    candidate_exact: float
    in_use_loss: float
    candidate_loss: float
    sure: float
    rendered_in_use_loss: float
    rendered_candidate_loss: float
    better: bool
    say: str


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command; return its exit code."""
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ[name] = "1"
    parser = argparse.ArgumentParser(prog="python -m models.training.company", description="Learn from own photos.")
    parser.add_argument("request", type=Path, metavar="REQUEST.json")
    request = json.loads(parser.parse_args(arguments).request.read_text(encoding="utf-8"))
    from vision.errors import VisionError

    try:
        compared = learn(request)
    except (CannotLearn, VisionError, OSError) as error:
        print(str(error), file=sys.stderr)
        return 1
    print(json.dumps(asdict(compared)))
    return 0


def learn(request: Mapping[str, Any]) -> Compared:
    """Fit the candidate, write it, and compare it with the grader in use."""
    path = Path(request["grader"])
    own, unread = read_own(path, request["photos"])
    if len(own.pools) < FEWEST_PHOTOS or len(set(own.pools)) < FEWEST_POOLS:
        raise CannotLearn(
            f"There are {len(own.pools)} confirmed photos of {len(set(own.pools))} pools that can be used; it takes "
            f"{FEWEST_PHOTOS} photos of {FEWEST_POOLS} pools to learn anything."
        )
    arrays, about = read_arrays(path)
    compared, made, made_about = fit_candidate(arrays, about, own, unread=unread)
    from models.training.fit import write_arrays

    write_arrays(Path(request["candidate"]), made, made_about)
    return compared


def read_own(grader_path: Path, photos: Sequence[Mapping[str, Any]]) -> tuple[Own, int]:
    """Return the photos' features with what was confirmed, and how many could not be read so far."""
    from vision.errors import VisionError
    from vision.features import KnownPool, features_of
    from vision.grade import load_grader
    from vision.measure import look
    from vision.photo import open_photo
    from vision.results import CLARITY_LOWER_M, SEVERITY_LOWER_UG_L

    orders = [
        [str(name) for name in sorted(lowers, key=lambda name: lowers[name])]
        for lowers in (CLARITY_LOWER_M, SEVERITY_LOWER_UG_L)
    ]
    grader = load_grader(grader_path)
    features, classes, pools = [], [], []
    for photo in photos:
        try:
            looked = look(open_photo(Path(photo["path"])), grader)
        except VisionError:
            continue
        if looked.view is None or looked.region is None or looked.card is None or looked.fit is None:
            continue
        known = KnownPool(photo.get("depth_shallow_m"), photo.get("depth_deep_m"))
        features.append(features_of(looked.view, looked.region, looked.card, known))
        said = (photo.get("clarity"), photo.get("severity"))
        classes.append([order.index(name) if name else -1 for name, order in zip(said, orders, strict=True)])
        pools.append(str(photo["pool"]))
        looked.photo.forget()
    whole = Own(np.array(features), np.array(classes, dtype=int).reshape(-1, 2), tuple(pools))
    return whole, len(photos) - len(pools)


def read_arrays(path: Path) -> tuple[dict[str, Array], dict[str, Any]]:
    """Return a model file's arrays and its JSON text."""
    with np.load(io.BytesIO(path.read_bytes()), allow_pickle=False) as stored:
        arrays = {name: stored[name] for name in stored.files}
    return arrays, json.loads(bytes(arrays.pop("about").astype(np.uint8)).decode("utf-8"))


def fit_candidate(
    arrays: dict[str, Array], about: dict[str, Any], own: Own, *, unread: int = 0
) -> tuple[Compared, dict[str, Array], dict[str, Any]]:
    """Return the comparison and the candidate's arrays and JSON text.

    Rendered photos and weights stay; earlier company photos in the file give way to the ones of now.
    """
    from models.training.evaluate import classes_of
    from models.training.fit import BOUNDS
    from models.training.kernelfit import fit_machine, steps_of
    from vision.features import FEATURES
    from vision.grade import MACHINES
    from vision.kernel import Scores

    rendered = arrays["groups"] >= 0
    names = sorted(set(own.pools))
    groups = np.concatenate([arrays["groups"][rendered], [-1 - names.index(pool) for pool in own.pools]])
    scores = Scores(arrays["knots"].astype(np.float64))(own.features).astype(np.float16)
    rows = np.concatenate([arrays["rows"][rendered], scores])
    firmness = np.where(groups >= 0, 1.0, FIRMNESS)
    made = {**arrays, "rows": rows, "groups": groups.astype(np.int64)}
    depth_known = own.features[:, FEATURES.index("depth_known")] > 0.5
    targets = np.concatenate([arrays["targets"][rendered], np.zeros((len(own.pools), 2))])
    losses: dict[str, Array] = {}
    said: dict[str, Array] = {}
    rendered_losses: dict[str, list[float]] = {"in_use": [], "candidate": []}
    for name in MACHINES:
        figure = 0 if name.endswith("depth") else 1
        log_bounds, edges = np.log10(BOUNDS[figure]), _edges(figure)
        kind = {"weights": arrays[f"{name}.weights"], "length": about["lengths"][name], "noise": about["noises"][name]}
        before = fit_machine(
            rows[: rendered.sum()].astype(np.float32), targets[: rendered.sum(), figure], log_bounds=log_bounds,
            groups=groups[: rendered.sum()], **kind,
        )  # fmt: skip
        value, steps = _in_use(arrays, about, name, scores, own.pools, before)
        confirmed = own.classes[:, figure]
        targets[rendered.sum() :, figure] = _pulled_in(value, confirmed, edges)
        # A photo whose class nobody said teaches nothing of this figure.
        use = np.concatenate([np.ones(rendered.sum(), dtype=bool), confirmed >= 0])
        fit = fit_machine(
            rows[use].astype(np.float32), targets[use, figure], log_bounds=log_bounds, groups=groups[use],
            firmness=firmness[use], **kind,
        )  # fmt: skip
        for part in ("sums", "votes"):
            fitted = getattr(fit.machine, part)
            whole = np.zeros((len(rows), fitted.shape[1]), dtype=fitted.dtype)
            whole[use] = fitted
            made[f"{name}.{part}"] = whole
        for part in ("offsets", "shares", "levels"):
            made[f"{name}.{part}"] = getattr(fit.machine, part)
        count = int(rendered.sum())
        for who, left_out in (("in_use", before.steps), ("candidate", fit.steps)):
            place = steps_of(targets[:count, figure], log_bounds)
            rendered_losses[who].append(-float(np.log(left_out[np.arange(count), place] + 1e-6).mean()))
        here = (depth_known if name.startswith("informed") else ~depth_known) & (confirmed >= 0)
        candidate = np.full_like(steps, np.nan)
        candidate[confirmed >= 0] = fit.steps[count:]
        for who, own_steps in (("in_use", steps), ("candidate", candidate)):
            classes = classes_of(own_steps, log_bounds, edges)
            loss = losses.setdefault(who, np.full((len(value), 2), np.nan))
            met = said.setdefault(who, np.full((len(value), 2), np.nan))
            loss[here, figure] = -np.log(classes[here, confirmed[here]] + 1e-6)
            met[here, figure] = (classes.cumsum(axis=1) >= 0.5).argmax(axis=1)[here] == confirmed[here]
    made["targets"] = targets
    compared = _compare(own, losses, said, {k: float(np.mean(v)) for k, v in rendered_losses.items()}, unread)
    text = f"rendered photos, and {len(own.pools)} confirmed photos of {len(names)} pools"
    kept = {key: value for key, value in about.items() if key != "figures"}
    return compared, made, {**kept, "trained_on": text, "pools": names, "company": asdict(compared)}


def _edges(figure: int) -> Array:
    """Return log10 of the bounds between the classes of a figure."""
    from models.training.evaluate import class_edges
    from vision.results import CLARITY_LOWER_M, SEVERITY_LOWER_UG_L

    return np.log10(class_edges((CLARITY_LOWER_M, SEVERITY_LOWER_UG_L)[figure]))


def _in_use(
    arrays: Mapping[str, Array], about: Mapping[str, Any], name: str, scores: Array, pools: Sequence[str], before: Any
) -> tuple[Array, Array]:
    """Return values and steps that the grader in use gives the company's photos.

    Where it was fitted on this pool's photos itself, it is asked as if it had not been: without the company's photos.
    """
    from models.training.fit import BOUNDS
    from vision.grade import machine_of

    log_bounds = np.log10(BOUNDS[0 if name.endswith("depth") else 1])
    machine = machine_of(arrays, arrays["rows"].astype(np.float32), name, float(about["lengths"][name]))
    likeness = machine.likeness(scores.astype(np.float32))
    value, steps = machine(likeness)[0], machine.steps(likeness, log_bounds)
    seen = np.isin(pools, about.get("pools", []))
    if seen.any():
        likeness = before.machine.likeness(scores[seen].astype(np.float32))
        value[seen], steps[seen] = before.machine(likeness)[0], before.machine.steps(likeness, log_bounds)
    return value, steps


def _pulled_in(value: Array, confirmed: Array, edges: Array) -> Array:
    """Return the values, those outside their confirmed class moved just inside it, shape (N,)."""
    low = np.concatenate([[-np.inf], edges])[np.maximum(confirmed, 0)] + MARGIN_DEX
    high = np.concatenate([edges, [np.inf]])[np.maximum(confirmed, 0)] - MARGIN_DEX
    return np.where(confirmed >= 0, np.clip(value, low, high), value)


def _compare(
    own: Own, losses: Mapping[str, Array], said: Mapping[str, Array], rendered: Mapping[str, float], unread: int
) -> Compared:
    """Return the comparison, and whether the candidate is to be used."""
    pools = np.array(own.pools)
    names = sorted(set(own.pools))
    gain = np.array([np.nanmean((losses["in_use"] - losses["candidate"])[pools == name]) for name in names])
    drawn = np.random.default_rng(1).integers(0, len(names), (RESAMPLES, len(names)))
    sure = float((gain[drawn].mean(axis=1) > 0).mean())
    not_worse = rendered["candidate"] <= rendered["in_use"] + RENDERED_SLACK
    better = sure >= SURE_ENOUGH and not_worse
    if better:
        say = "The candidate is better on the company's photos, pool by pool left out, and not worse on rendered ones."
    elif not not_worse:
        say = "The candidate is worse on rendered photos: keep the grader in use, and look at the confirmed grades."
    else:
        say = "It cannot be told that the candidate is better: keep the grader in use, and confirm more visits."
    return Compared(
        photos=len(own.pools), unread=unread, pools=len(names),
        in_use_exact=float(np.nanmean(said["in_use"])), candidate_exact=float(np.nanmean(said["candidate"])),
        in_use_loss=float(np.nanmean(losses["in_use"])), candidate_loss=float(np.nanmean(losses["candidate"])),
        sure=sure, rendered_in_use_loss=rendered["in_use"], rendered_candidate_loss=rendered["candidate"],
        better=better, say=say,
    )  # fmt: skip


if __name__ == "__main__":
    sys.exit(main())
