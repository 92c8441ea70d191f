"""Kinds, values and scenes for trying the strip reader on rendered strips; rendered, not photographed.

In: the simulator's invented kinds. Out: the same as `StripKind` from true colours, drawn values, errors in key steps.
"""

from __future__ import annotations

import hashlib
from dataclasses import replace
from pathlib import Path

import numpy as np

from models.simulator.spectra import srgb_weights
from models.simulator.stripdyes import StripTruth, dry_reflectance
from models.simulator.strips import KeyScene, StripPhoto, StripScene, render_key, render_strip, true_swatches
from vision import colour
from vision.photo import Photo, open_photo
from vision.strip import key_steps
from vision.strip_key import TypedScale, kind_from_key, propose_key
from vision.strip_kind import Pad, Scale, StripKind

PAPER = 0.90
"""Reflectance that strip colours are given relative to."""
PLACES = (("turnblue", "slot"), ("turnblue", "loose"), ("chart24", "loose"), ("turnblue", "slot"))
"""Card and place; the slot twice, it is the usual one."""
READ_UNTIL_S = 60.0


def lab_of(reflectance: np.ndarray) -> np.ndarray:
    return colour.linear_rgb_to_lab(srgb_weights() @ reflectance / PAPER)


def pads_of(truth: StripTruth) -> tuple[Pad, ...]:
    width = min(truth.pad_mm, truth.width_mm)
    return tuple(Pad(pad.centre_mm, truth.pad_mm, width) for pad in truth.pads)


def with_dry(truth: StripTruth, kind: StripKind) -> StripKind:
    """The kind with its true dry colours, as a photo of a fresh strip teaches them."""
    lowest = {n: s.values[0] for s in truth.scales for n in s.pads}
    labs = [lab_of(dry_reflectance(pad.dye, lowest[n])) for n, pad in enumerate(truth.pads)]
    pads = tuple(replace(p, dry_lab=tuple(float(v) for v in lab)) for p, lab in zip(kind.pads, labs, strict=True))
    return replace(kind, pads=pads)


def true_kind(truth: StripTruth) -> StripKind:
    """The kind as taught from true colours."""
    scales = []
    for s in truth.scales:
        labs = np.stack([colour.linear_rgb_to_lab(true_swatches(truth, n) / PAPER) for n in s.pads], axis=1)
        swatches = tuple(tuple(tuple(float(v) for v in lab) for lab in row) for row in labs)
        scales.append(Scale(s.analyte, s.unit, s.values, s.pads, swatches, (0.3,) * len(s.values), 15.0, READ_UNTIL_S))
    return StripKind(truth.name, pads_of(truth), tuple(scales), truth.width_mm, truth.length_mm)


def taught_kind(truth: StripTruth, photo: Photo) -> StripKind:
    """The kind as taught from a photo of its printed key; no swatch moved by hand."""
    typed = [TypedScale(s.analyte, s.unit, s.values, 15.0, READ_UNTIL_S) for s in truth.scales]
    proposal = propose_key(photo, [len(s.values) for s in truth.scales])
    return kind_from_key(truth.name, proposal, typed, pads_of(truth), width_mm=truth.width_mm)


def draw_values(truth: StripTruth, rng: np.random.Generator) -> dict[str, float]:
    """Draw a value for each scale, evenly over its steps."""
    return {
        s.analyte: float(np.interp(rng.uniform(0, len(s.values) - 1), np.arange(len(s.values)), s.values))
        for s in truth.scales
    }


def step_of(values: tuple[float, ...], value: float) -> float:
    return float(np.interp(value, values, np.arange(len(values))))


def counts(truth: StripTruth, analyte: str, value: float) -> bool:
    """Whether the swatches on either side of a value differ by CIEDE2000 4 or more."""
    scale = true_kind(truth).scale_of(analyte)
    assert scale is not None
    place = min(int(step_of(scale.values, value)), len(scale.values) - 2)
    return bool(key_steps(scale)[place] >= 4)


def shoot(scene: StripScene | KeyScene, folder: Path | None = None) -> tuple[Photo, StripPhoto]:
    """Render a scene and open its photo; kept in `folder`, where one is named, for the next run."""
    if folder is None:
        shot = render_strip(scene) if isinstance(scene, StripScene) else render_key(scene)
        return open_photo(shot.jpeg(), "rendered.jpg"), shot
    folder.mkdir(parents=True, exist_ok=True)
    name = hashlib.sha256(repr(scene).encode()).hexdigest()[:24]
    kept = folder / f"{name}.npz"
    if not kept.exists():
        shot = render_strip(scene) if isinstance(scene, StripScene) else render_key(scene)
        np.savez(kept, jpeg=np.frombuffer(shot.jpeg(), np.uint8), quads=shot.quads_px)
    with np.load(kept) as file:
        content, quads = file["jpeg"].tobytes(), file["quads"]
    truth = StripPhoto(np.zeros((1, 1, 3), np.uint8), quads, getattr(scene, "values", {}), None)
    return open_photo(content, "rendered.jpg"), truth
