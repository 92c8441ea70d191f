"""The correction on patches whose true colours and camera are known."""

from dataclasses import replace

import numpy as np
import pytest

from vision import colour
from vision.card import PatchSamples
from vision.colourmodel import DARKEST, HEAD, Problem, light_terms, metric_at
from vision.normalise import MODELS, fit_colours
from vision.smoothing import smoothing_of
from vision.specs import load_card, load_chart24


def photographed(design, *, gains=(1.0, 1.0, 1.0), matrix=None, contrast=1.0, gradient=(0.0, 0.0), noise=0.0, seed=0):
    """Photograph a card with a made-up camera: matrix, gains, gradient, then a power as tone curve."""
    linear = colour.lab_to_linear_rgb(design.reference_lab)
    places = np.array([patch.centre_mm for patch in design.patches])
    middle = np.array([design.width_mm, design.height_mm]) / 2
    place = (places - middle) / middle.max()
    mixed = linear @ (np.eye(3) if matrix is None else np.asarray(matrix)).T
    lit = mixed * np.array(gains) * np.exp(place @ np.array(gradient))[:, None]
    toned = 0.18 * (np.maximum(lit, DARKEST) / 0.18) ** contrast
    encoded = colour.encode_srgb(toned) + np.random.default_rng(seed).normal(0, noise, toned.shape)
    clipped = (encoded >= 0.995).any(axis=1).astype(float)
    return PatchSamples(np.clip(encoded, 0, 1), clipped, np.zeros(len(encoded)))


DESIGNS = [load_card(), load_chart24()]
KINDS = [design.kind for design in DESIGNS]


@pytest.mark.parametrize("design", DESIGNS, ids=KINDS)
def test_untouched_colours_stay(design):
    fit = fit_colours(photographed(design), design)
    # Chart cyan is outside the gamut and cannot be photographed as it is: one patch may be off.
    errors = fit.held_out_delta_e00[fit.used]
    assert np.median(errors) < 0.2
    # Colours between the patches stay too.
    rng = np.random.default_rng(1)
    linear = rng.uniform(0.05, 0.7, (300, 3))
    moved = colour.delta_e00(
        colour.linear_rgb_to_lab(fit.correct(colour.encode_srgb(linear))), colour.linear_rgb_to_lab(linear)
    )
    assert np.quantile(moved, 0.95) < 1.0


CAMERAS = {
    "warm_light": {"gains": (1.3, 1.0, 0.55)},
    "dark": {"gains": (0.3, 0.3, 0.3)},
    "contrasty": {"contrast": 1.3},
    "flat": {"contrast": 0.8, "gains": (0.9, 1.0, 1.1)},
    "mixed_channels": {"matrix": [[0.8, 0.15, 0.05], [0.1, 0.8, 0.1], [0.02, 0.18, 0.8]]},
    "gradient": {"gradient": (0.5, -0.3)},
    "all": {
        "gains": (0.8, 0.6, 0.4),
        "matrix": [[0.85, 0.1, 0.05], [0.05, 0.85, 0.1], [0.0, 0.1, 0.9]],
        "contrast": 1.15,
        "gradient": (0.3, 0.2),
    },
}


@pytest.mark.parametrize("name", CAMERAS)
@pytest.mark.parametrize("design", DESIGNS, ids=KINDS)
def test_camera_is_undone(design, name):
    fit = fit_colours(photographed(design, noise=0.001, **CAMERAS[name]), design)
    errors = fit.held_out_delta_e00[fit.used]
    # The model holds these cameras but for clipping and the priors' pull: well under the eye's threshold of about 1.
    assert np.median(errors) < 0.7


def test_gradient_is_measured():
    design = load_card()
    fit = fit_colours(photographed(design, gradient=(0.5, 0.0)), design)
    # The places run from -1 to 1, so the ends differ by e.
    assert fit.gradient == pytest.approx(np.e, rel=0.05)


def test_held_out_is_what_leaving_out_gives():
    """The folds' short runs agree with a whole fit made without the patch."""
    design = load_card()
    samples = photographed(design, noise=0.01, **CAMERAS["all"])
    whole = fit_colours(samples, design)
    for index in (3, 12, 30):
        usable = whole.used.copy()
        usable[index] = False
        alone = fit_colours(samples, design, usable=usable)
        if alone.model != whole.model or alone.used.sum() != whole.used.sum() - 1:
            continue
        lab = colour.linear_rgb_to_lab(alone.normalised_linear[index])
        again = float(colour.delta_e00(lab, design.reference_lab[index]))
        assert again == pytest.approx(whole.held_out_delta_e00[index], abs=0.1)


def test_dirty_patches_are_left_out():
    design = load_card()
    samples = photographed(design, noise=0.002)
    samples.encoded_rgb[[5, 20, 33]] = [0.25, 0.2, 0.12]
    fit = fit_colours(samples, design)
    assert not fit.used[[5, 20, 33]].any()
    assert fit.used.sum() >= 44
    assert np.median(fit.held_out_delta_e00[fit.used]) < 0.7


def test_clipped_patches_are_left_out():
    design = load_card()
    samples = photographed(design)
    samples.clipped_share[:10] = 0.5
    assert not fit_colours(samples, design).used[:10].any()


def test_too_few_patches_is_a_mistake_of_the_caller():
    design = load_card()
    with pytest.raises(ValueError, match="14 usable patches or more, got 5"):
        fit_colours(photographed(design), design, usable=np.arange(48) < 5)


def test_pixels_and_colours_are_corrected_alike():
    design = load_card()
    fit = fit_colours(photographed(design, noise=0.004, **CAMERAS["all"]), design)
    pixels = np.random.default_rng(2).integers(0, 256, (40, 50, 3), dtype=np.uint8)
    np.testing.assert_allclose(fit.correct_pixels(pixels), fit.correct(pixels / 255), rtol=2e-4, atol=2e-5)


@pytest.mark.parametrize("name", ["mixed_channels", "all"])
def test_what_is_left_of_the_patches_is_spread_smoothly(name):
    """A camera with a smooth error that no matrix holds: spread where the print is known, and only there."""
    design = load_card()
    rng = np.random.default_rng(8)
    lab = design.reference_lab
    error = np.zeros((48, 3))
    for knot in rng.uniform([20, -50, -50], [95, 50, 50], (10, 3)):
        error += np.exp(-(((lab - knot) / 30) ** 2).sum(axis=1))[:, None] * rng.normal(0, 3, 3)
    camera = CAMERAS[name]
    strange = [
        replace(patch, reference_lab=tuple(moved)) for patch, moved in zip(design.patches, lab + error, strict=True)
    ]
    samples = photographed(replace(design, patches=tuple(strange)), noise=0.001, **camera)
    plain, smooth = (fit_colours(samples, design, print_known=known) for known in (False, True))
    assert plain.smoothing is None
    assert smooth.smoothing is not None
    both = plain.used & smooth.used
    held_out = [np.sqrt(np.mean(fit.held_out_delta_e00[both] ** 2)) for fit in (plain, smooth)]
    assert held_out[1] < 0.95 * held_out[0]
    pixels = np.random.default_rng(2).integers(8, 248, (40, 50, 3), dtype=np.uint8)
    by_table, exact = smooth.correct_pixels(pixels), smooth.correct(pixels / 255)
    away = colour.delta_e00(*(colour.linear_rgb_to_lab(np.maximum(each, 0.002)) for each in (by_table, exact)))
    # Bins of eight levels: under what an eye sees.
    assert np.quantile(away, 0.99) < 0.5


def test_smoothing_leaves_colours_far_from_the_patches_alone():
    design = load_chart24()
    rng = np.random.default_rng(3)
    smoothing = smoothing_of(design.reference_lab + rng.normal(0, 2, (24, 3)), design.reference_lab, np.ones(24))
    far = colour.lab_to_linear_rgb(np.array([[50, 140, -140], [60, -130, 130], [10, 100, 100.0]]))
    np.testing.assert_allclose(smoothing.apply(far), far, atol=2e-3)


def test_white_is_preserved():
    """Whatever the mix, a grey stays grey: rows of the matrix sum to 1 by construction."""
    design = load_card()
    fit = fit_colours(photographed(design, noise=0.01, **CAMERAS["all"]), design)
    grey = fit.correct(np.repeat(samples_grey(design, CAMERAS["all"])[:, None], 1, axis=1).reshape(-1, 3))
    lab = colour.linear_rgb_to_lab(grey)
    # Noise of 2.5 levels on 48 patches leaves about a unit of chroma.
    assert np.hypot(lab[:, 1], lab[:, 2]).max() < 2.5


def samples_grey(design, camera):
    samples = photographed(design, **camera)
    return samples.encoded_rgb[:8]


def test_correction_never_falls_with_light():
    """Brighter in, brighter out, over the whole range and past the tones seen."""
    design = load_card()
    for name, camera in CAMERAS.items():
        fit = fit_colours(photographed(design, noise=0.01, **camera), design)
        ramp = fit.correct(np.repeat(np.linspace(0.02, 1, 200)[:, None], 3, axis=1))
        assert (np.diff(ramp @ colour.RGB_TO_XYZ[1]) > 0).all(), name
        # Nowhere beyond thrice the white: no wild extrapolation.
        assert ramp.max() < 3 * max(1.0, fit.correct(np.array([1.0, 1, 1])).max()), name


@pytest.mark.parametrize("terms", [0, 3, 6], ids=MODELS)
def test_slopes_are_the_differences(terms):
    """The Jacobian against finite differences."""
    rng = np.random.default_rng(5)
    s, place, lab = rng.normal(-0.5, 0.8, (6, 3)), light_terms(rng.uniform(-1, 1, (6, 2))), rng.uniform(20, 60, (6, 3))
    problem = Problem(s, place, lab, metric_at(lab), terms)
    theta = rng.normal(0, 0.1, (1, HEAD + {0: 0, 3: 6, 6: 15}[terms]))
    _, slope, _ = problem.residuals(theta)
    step = 1e-6
    for index in range(theta.shape[1]):
        up, down = theta.copy(), theta.copy()
        up[0, index] += step
        down[0, index] -= step
        difference = (problem.residuals(up)[0] - problem.residuals(down)[0]) / (2 * step)
        np.testing.assert_allclose(slope[..., index], difference, rtol=1e-4, atol=1e-4)


def test_metric_gives_small_differences():
    rng = np.random.default_rng(6)
    lab = np.column_stack([rng.uniform(20, 90, 50), rng.uniform(-40, 40, (50, 2))])
    move = rng.normal(0, 0.2, (50, 3))
    got = np.linalg.norm(np.einsum("nij,nj->ni", metric_at(lab), move), axis=1)
    want = colour.delta_e00(lab, lab + move)
    # A quadratic form holds to a few percent for steps of a few tenths.
    np.testing.assert_allclose(got, want, rtol=0.1, atol=0.01)
