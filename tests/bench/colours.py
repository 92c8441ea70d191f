"""The colour table: CIEDE2000 of the chart's patches, each held out of its own fit, by illuminant, camera and method.

In: rendered photos of the chart (8-bit JPEG with a tone curve and noise), spectral throughout. Every method gets the
same photographs and the same reference colours, those of the rendered spectra under D65; the peers get their patches'
means from the true places, Turnblue finds and samples the chart itself. Out: the table as text.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np

from tests.bench.grounds import texture
from tests.bench.runners import run_peers
from tests.bench.scene import Lie, chart_target, decode, encode, lay, photograph, project
from tests.bench.spectral import (
    ILLUMINANTS,
    Phone,
    camera_count,
    chart_reflectances,
    delta_e,
    lab_of,
    science,
    true_linear,
)

PHOTO_PX = (1600, 1200)
SHOTS = ((0.9, 0.15), (0.62, 0.3), (0.75, 0.0))
"""Exposure (linear level of a perfect white) and contrast of the tone curve of each photo."""
CLIPPED = 252
INNER = 0.5
"""Part of a patch's side that is averaged for the peers."""
GREYS = range(18, 24)


def shoot(phone: Phone, kelvin: float, balance: float, shot: int, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Return a photo of the chart, uint8 RGB, and the homography from its mm."""
    rng = np.random.default_rng([seed, shot, phone.camera, int(kelvin)])
    exposure, contrast = SHOTS[shot]
    target = chart_target(phone.sees(chart_reflectances(), kelvin, balance), frame=phone.sees(
        np.full((1, 31), 0.035), kelvin, balance)[0])  # fmt: skip
    lie = Lie(
        width_share=0.4, tilt_deg=20, turn_deg=rng.uniform(0, 360), axis_deg=rng.uniform(0, 360),
        middle=tuple(rng.uniform(0.42, 0.58, 2)), exposure=exposure, blur_px=0.8, contrast=contrast, noise=0.006,
        seed=int(rng.integers(1 << 30)),
    )  # fmt: skip
    grey = phone.sees(np.full((1, 31), 1.0), kelvin, balance)[0]
    ground = texture("concrete", seed, PHOTO_PX) * grey.astype(np.float32)
    return photograph(ground, target, lie, lay(target, lie, PHOTO_PX))


def patch_means(photo: np.ndarray, homography: np.ndarray) -> np.ndarray:
    """Return the patches' mean encoded colours from their true places, shape (24, 3)."""
    target = chart_target()
    grid = (np.arange(15) + 0.5) / 15 - 0.5
    offsets = np.stack(np.meshgrid(grid, grid), axis=-1).reshape(-1, 2) * INNER
    at = np.array(
        [project(homography, c + offsets * s) for c, s in zip(target.centres_mm, target.sides_mm, strict=True)]
    )
    values = cv2.remap(photo, at[..., 0].astype(np.float32), at[..., 1].astype(np.float32), cv2.INTER_LINEAR)
    return values.mean(axis=1) / 255


def grey_gains(linear: np.ndarray, true: np.ndarray, keep: np.ndarray) -> np.ndarray:
    """Return all patches corrected by a gain for each channel, fitted on the greys kept."""
    use = [i for i in GREYS if keep[i]]
    return linear * (linear[use] * true[use]).sum(axis=0) / (linear[use] ** 2).sum(axis=0)


def by_science(linear: np.ndarray, true: np.ndarray, keep: np.ndarray, method: str, **options) -> np.ndarray:
    """Return all patches corrected by a matrix of colour-science's fitted on those kept."""
    fit = linear[keep], true[keep]
    return science().colour_correction(linear, *fit, method=method, **options)


def by_ccm(encoded: np.ndarray, true: np.ndarray, keep: np.ndarray) -> np.ndarray:
    """Return all patches corrected by cv2.ccm's affine model, in linear sRGB."""
    source, target = encoded[keep].reshape(-1, 1, 3), np.clip(encode(true[keep]), 0, 1).reshape(-1, 1, 3)
    model = cv2.ccm.ColorCorrectionModel(source, target, cv2.ccm.COLOR_SPACE_SRGB)
    model.setColorSpace(cv2.ccm.COLOR_SPACE_SRGB)
    model.setCcmType(cv2.ccm.CCM_AFFINE)
    model.setDistance(cv2.ccm.DISTANCE_CIE2000)
    model.setLinearization(cv2.ccm.LINEARIZATION_GAMMA)
    model.setLinearizationGamma(2.2)
    model.compute()
    # The picture goes in and comes out as BGR, though the fit takes RGB.
    out = model.correctImage(np.ascontiguousarray(encoded[None, :, ::-1], dtype=np.float32))
    return decode(np.asarray(out)[0, :, ::-1])


METHODS = {
    "none": lambda e, t, k: decode(e),
    "grey gains": lambda e, t, k: grey_gains(decode(e), t, k),
    "3x3": lambda e, t, k: by_science(decode(e), t, k, "Cheung 2004", terms=3),
    "root-polynomial 2": lambda e, t, k: by_science(
        decode(e), t, k, "Finlayson 2015", degree=2, root_polynomial_expansion=True
    ),
    "cv2.ccm affine": by_ccm,
}
"""Peers that run here: (encoded, true linear, patches kept) to all patches corrected, linear."""


def held_out(method, encoded: np.ndarray, true: np.ndarray) -> np.ndarray:
    """Return each patch's CIEDE2000 by a fit of the others, shape (24,)."""
    out = np.empty(len(true))
    for i in range(len(true)):
        keep = np.arange(len(true)) != i
        fixed = method(encoded, true, keep)
        out[i] = delta_e(fixed[i : i + 1], true[i : i + 1])[0]
    return out


def turnblue_errors(path: Path, true: np.ndarray, *, refit: bool) -> dict[str, np.ndarray]:
    """Return Turnblue's errors of each patch, NaN where it dropped one: as it says itself, and by refitting.

    "turnblue" fits anew without each patch, which is then judged whether or not it would have been dropped; "its own
    word" is `ColourFit.held_out_delta_e00`; "published values" the same with the shipped reference instead of the
    rendered spectra's. All are NaN where the chart is not found: the table counts them.
    """
    from vision.card import find_card
    from vision.errors import NoCardFound
    from vision.measure import usable_patches
    from vision.normalise import fit_colours
    from vision.photo import open_photo

    nothing = np.full(len(true), np.nan)
    names = ("turnblue", "turnblue, its own word", "turnblue, published")
    try:
        card = find_card(open_photo(path))
    except NoCardFound:
        return dict.fromkeys(names, nothing)
    if card.design.kind != "chart24":
        return dict.fromkeys(names, nothing)
    lab = lab_of(true)
    patches = tuple(
        replace(patch, reference_srgb=tuple(np.clip(encode(rgb), 0, 1)), reference_lab=tuple(where))
        for patch, rgb, where in zip(card.design.patches, true, lab, strict=True)
    )
    design = replace(card.design, patches=patches)
    good = usable_patches(card)
    out = {
        "turnblue, its own word": fit_colours(card.samples, design, usable=good).held_out_delta_e00,
        "turnblue, published": fit_colours(card.samples, card.design, usable=good).held_out_delta_e00,
    }
    if refit:
        errors = np.full(len(true), np.nan)
        for i in np.flatnonzero(np.isfinite(card.samples.encoded_rgb).all(axis=1)):
            without = good & (np.arange(len(true)) != i)
            fit = fit_colours(card.samples, design, usable=without)
            fixed = fit.normalised_linear[i : i + 1]
            # As every other colour of the photo is corrected: with what is left of the patches near it.
            fixed = fixed if fit.smoothing is None else fit.smoothing.apply(fixed)
            errors[i] = delta_e(fixed, true[i : i + 1])[0]
        out = {"turnblue": errors, **out}
    return out


def run(seed: int, folder: Path, environments: Path | None, quick: bool) -> str:
    """Return the table."""
    true = true_linear(chart_reflectances())
    shots = range(1 if quick else len(SHOTS))
    cameras = range(camera_count())
    errors: dict[tuple[str, str, int], list[np.ndarray]] = {}
    keys, sets, worst, missed = [], [], [], []
    for name, (kelvin, balance) in ILLUMINANTS.items():
        for camera in cameras:
            for shot in shots:
                photo, homography = shoot(Phone(camera), kelvin, balance, shot, seed)
                path = folder / f"colour_{hashlib.sha256(f'{name}{camera}{shot}{seed}'.encode()).hexdigest()[:8]}.jpg"
                cv2.imwrite(str(path), photo[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 92])
                encoded = patch_means(cv2.imread(str(path))[..., ::-1], homography)
                fair = (encoded * 255 < CLIPPED).all(axis=1)
                keys.append((name, camera, fair))
                sets.append({"encoded": encoded.tolist(), "reference": encode(true).tolist()})
                for method, fix in METHODS.items():
                    errors.setdefault((method, name, camera), []).append(held_out(fix, encoded, true)[fair])
                ours = turnblue_errors(path, true, refit=True)
                if np.isnan(ours["turnblue"]).all():
                    missed.append(f"{path.name} ({name}, camera {camera}, shot {shot})")
                for method, each in ours.items():
                    errors.setdefault((method, name, camera), []).append(each[fair])
                    if method == "turnblue":
                        worst += [(float(e), path.name, name, camera, shot, i) for i, e in enumerate(each) if fair[i]]
    answers, missing = run_peers({"target": "patches", "sets": sets}, environments)
    for method, found in answers.items():
        for (name, camera, fair), answer in zip(keys, found, strict=True):
            each = delta_e(decode(np.array(answer["encoded"])), true)
            errors.setdefault((method, name, camera), []).append(each[fair])
    (folder / "failing_colour.json").write_text(
        json.dumps(sorted(worst, key=lambda w: -np.nan_to_num(w[0], nan=99))[:60], indent=1)
    )
    notes = [f"Turnblue did not find the chart in {len(missed)} of {len(keys)} photos: {', '.join(missed)}"] * bool(
        missed
    )
    return "\n".join([_table(errors, list(cameras)), *notes, *missing])


def _table(errors: dict[tuple[str, str, int], list[np.ndarray]], cameras: list[int]) -> str:
    methods = list(dict.fromkeys(method for method, _, _ in errors))
    wide = max(len(m) for m in methods) + 2
    lines = ["CIEDE2000 median / 95th percentile".ljust(36) + "".join(m.rjust(wide) for m in methods)]

    def line(label: str, names: list[str], cams: list[int]) -> str:
        out = label.ljust(36)
        for method in methods:
            each = np.concatenate([e for n in names for c in cams for e in errors[method, n, c]])
            gone = int(np.isnan(each).sum())
            text = f"{np.nanmedian(each):.2f}/{np.nanquantile(each, 0.95):.2f}" + (f" -{gone}" if gone else "")
            out += text.rjust(wide)
        return out

    for name in ILLUMINANTS:
        lines.append(line(name, [name], cameras))
        lines += [line(f"    camera {'AB'[c] if c < 2 else c}", [name], [c]) for c in cameras]
    for c in cameras:
        lines.append(line(f"all lights, camera {'AB'[c] if c < 2 else c}", list(ILLUMINANTS), [c]))
    lines.append(line("all", list(ILLUMINANTS), cameras))
    lines.append("(-n: patches a method left out of its own figures)")
    return "\n".join(lines)
