"""The constancy table: the same water under other light, by other cameras, at other exposures, must keep its colour.

In: waters as spectra (the simulator's published optics), illuminants, cameras, exposures. Each photo holds the printed
card and a field of every water; it goes through the real pipeline (find, sample, fit, view, drawn water). Out: the
CIEDE2000 of each water's normalised colour from its mean over all photos, and from its true colour, as text.
"""

from __future__ import annotations

import json
import math
import warnings
from functools import cache
from pathlib import Path

import cv2
import numpy as np

from tests.bench.grounds import cloud, texture
from tests.bench.scene import PAPER, Lie, card_patches, card_target, encode, photograph
from tests.bench.spectral import Phone, camera_count, delta_e, lab_of, science, true_linear

PHOTO_PX = (1600, 1200)
LIGHTS_K = {"3000 K": (3000, 0.85), "4000 K": (4000, 0.9), "5500 K": (5500, 1.0), "6500 K": (6500, 0.95),
            "10000 K": (10000, 0.85)}  # fmt: skip
"""Colour temperature [K], and the share that white balance takes away: less at the ends, as phones do (common
practice, no source)."""
EXPOSURES = (0.4, 0.65, 0.92)
"""Linear level of a perfect white: over a stop from the darkest to the lightest."""
CONTRASTS = (0.1, 0.35)
"""Tone curve of each camera in turn."""
WATERS = {
    "dark green": (220.0, 0.3, 1.5), "green": (80.0, 0.6, 1.5), "light green": (25.0, 1.2, 1.2),
    "green cast": (6.0, 2.5, 1.5), "milky green": (15.0, 0.5, 1.5), "milky blue": (0.5, 0.8, 1.5),
    "clear, white floor": (0.3, 8.0, 1.2), "deep blue": (0.3, 12.0, 2.6),
}  # fmt: skip
"""Chlorophyll [micrograms/L], visible depth [m], depth of the floor [m]."""
FLOOR_ALBEDO = 0.6
SKY_SHARE = 0.02
"""Sky seen in the surface, as a reflectance factor: Fresnel's 2 % at normal incidence (n = 1.34)."""


@cache
def water_reflectances() -> np.ndarray:
    """Return the waters' reflectance factors, shape (N, 31)."""
    from models.simulator.optics import above_surface, optics_of, shallow_reflectance, sun_in_water_cos
    from models.simulator.sampling import sample_water

    out = []
    for i, (chlorophyll, visible, floor) in enumerate(WATERS.values()):
        # Blue pools hold hardly any dissolved matter; elsewhere it is drawn.
        pure = {"cdom_440_per_m": 0.008, "detritus_440_per_m": 0.001} if chlorophyll < 1 else {}
        water = sample_water(
            np.random.default_rng([3, i]), chlorophyll_ug_l=chlorophyll, visible_depth_m=visible, **pure
        )
        optics = optics_of(water)
        below = shallow_reflectance(
            optics.a, optics.bb, floor, FLOOR_ALBEDO, sun_cos_in_water=sun_in_water_cos(35.0), view_cos_in_water=0.9
        )
        out.append(math.pi * above_surface(below.total) + SKY_SHARE)
    return np.array(out)


@cache
def card_reflectances() -> np.ndarray:
    """Return the printed patches' spectra: the smoothest that have the design's colours, on paper."""
    from models.simulator.spectra import reflectance_of

    _, linear = card_patches()
    return PAPER * np.array([reflectance_of(tuple(np.round(encode(rgb), 4))) for rgb in linear])


def shoot(phone: Phone, kelvin: float, balance: float, exposure: float, seed: int) -> tuple[np.ndarray, list]:
    """Return a photo with the card below and a field of every water above, and the fields' outlines [px]."""
    rng = np.random.default_rng([seed, phone.camera, int(kelvin), int(100 * exposure)])
    width, height = PHOTO_PX
    flat = np.full((1, 31), 1.0)
    white, ink = (phone.sees(flat * level, kelvin, balance)[0] for level in (PAPER, 0.035))
    target = card_target(phone.sees(card_reflectances(), kelvin, balance), paper=white, ink=ink)
    ground = texture("concrete", seed, PHOTO_PX) * phone.sees(flat, kelvin, balance)[0].astype(np.float32)
    waters = phone.sees(water_reflectances(), kelvin, balance)
    ripple = 1 + 0.05 * cloud(rng, PHOTO_PX, 25) + 0.02 * cloud(rng, PHOTO_PX, 5)
    step, outlines = width // len(waters), []
    for i, rgb in enumerate(waters):
        ground[: height // 2, i * step : (i + 1) * step] = rgb * ripple[: height // 2, i * step : (i + 1) * step]
        left, right = i * step + 12, (i + 1) * step - 12
        outlines.append(((left, 12), (right, 12), (right, height // 2 - 12), (left, height // 2 - 12)))
    lie = Lie(
        width_share=0.3, tilt_deg=25, turn_deg=rng.uniform(-15, 15), axis_deg=rng.uniform(0, 360),
        middle=(0.5, 0.76), exposure=exposure, blur_px=0.8, contrast=CONTRASTS[phone.camera % 2], noise=0.006,
        seed=int(rng.integers(1 << 30)),
    )  # fmt: skip
    photo, _ = photograph(ground.astype(np.float32), target, lie)
    return photo, outlines


def normalised(path: Path, outlines: list) -> tuple[np.ndarray, dict]:
    """Return each water's normalised linear colour by the real pipeline, NaN where refused, and what was said."""
    from vision.card import find_card
    from vision.errors import NoWaterSeen
    from vision.measure import card_problems, fit_problems, usable_patches
    from vision.normalise import fit_colours
    from vision.photo import open_photo
    from vision.water import drawn_water, view_of

    photo = open_photo(path)
    card = find_card(photo)
    good = usable_patches(card)
    fit = fit_colours(card.samples, card.design, usable=good)
    view = view_of(photo, card, fit)
    said = {"photo": path.name, "model": fit.model, "held_out": float(np.nanmedian(fit.held_out_delta_e00)),
            "problems": [p.code for p in (*card_problems(card, good), *fit_problems(card, fit, good))]}  # fmt: skip
    out = np.full((len(outlines), 3), np.nan)
    for i, outline in enumerate(outlines):
        try:
            region = drawn_water(view, outline)
        except NoWaterSeen:
            continue
        out[i] = np.median(view.linear[region.mask], axis=0)
    return out, said


def run(seed: int, folder: Path, quick: bool) -> str:
    """Return the table."""
    rows, labels, saids = [], [], []
    exposures = EXPOSURES[1:2] if quick else EXPOSURES
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        for camera in range(min(2, camera_count())):
            for light, (kelvin, balance) in LIGHTS_K.items():
                for exposure in exposures:
                    photo, outlines = shoot(Phone(camera), kelvin, balance, exposure, seed)
                    path = folder / f"constancy_{camera}_{kelvin}_{int(100 * exposure)}_{seed}.jpg"
                    cv2.imwrite(str(path), photo[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 92])
                    colours, said = normalised(path, outlines)
                    rows.append(colours)
                    labels.append((camera, light, exposure))
                    saids.append(said)
    linear = np.array(rows)
    lab = lab_of(np.clip(linear, 0, None))
    # The mean is that of CIELAB, as a person would take it.
    from_mean = science().delta_E(lab, np.nanmean(lab, axis=0, keepdims=True), method="CIE 2000")
    # The design's white is paper, so waters are relative to it.
    true = true_linear(water_reflectances()) / PAPER
    from_truth = np.array([delta_e(np.clip(each, 0, None), true) for each in linear])
    return _table(from_mean, from_truth, labels, saids, folder)


def _figures(values: np.ndarray) -> str:
    return f"{np.nanmedian(values):.2f} / {np.nanquantile(values, 0.95):.2f} / {np.nanmax(values):.2f}"


def _table(from_mean: np.ndarray, from_truth: np.ndarray, labels: list, saids: list, folder: Path) -> str:
    lines = [f"{'CIEDE2000 median / p95 / most':32s}{'from its mean':>22s}{'from its truth':>22s}"]

    def line(name: str, a: np.ndarray, b: np.ndarray) -> None:
        lines.append(f"{name:32s}{_figures(a):>22s}{_figures(b):>22s}")

    for i, name in enumerate(WATERS):
        line(name, from_mean[:, i], from_truth[:, i])
    for at, values in ((0, (0, 1)), (1, LIGHTS_K), (2, EXPOSURES)):
        for value in values:
            pick = np.array([label[at] == value for label in labels])
            if pick.any():
                name = ("camera " + "AB"[value]) if at == 0 else value if at == 1 else f"exposure {value}"
                line(str(name), from_mean[pick], from_truth[pick])
    line(f"all, {len(labels)} photos", from_mean, from_truth)
    refused = int(np.isnan(from_mean).sum())
    if refused:
        lines.append(f"{refused} waters refused")
    worst = [
        said | {"waters": dict(zip(WATERS, np.round(each, 2).tolist(), strict=True))}
        for said, each in zip(saids, from_mean, strict=True)
    ]
    worst.sort(key=lambda w: -np.nanmax(list(w["waters"].values())))
    (folder / "failing_constancy.json").write_text(json.dumps(worst, indent=1))
    return "\n".join(lines)
