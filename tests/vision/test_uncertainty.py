"""Colours outside the patches, and how sure a colour is: against cameras whose truth is known.

Light, surfaces and two measured cameras are spectra (`tests/bench/spectral.py`, data of colour-science). Run as a
program it prints the errors by distance outside the patches' hull: `python -m tests.vision.test_uncertainty`.
"""

from dataclasses import replace

import numpy as np
import pytest

from tests.bench.spectral import ILLUMINANTS, Phone, camera_count, chart_reflectances, true_linear
from vision import colour
from vision.card import PatchSamples
from vision.colourmodel import DARKEST, MID_GREY
from vision.normalise import MODELS, fit_colours
from vision.specs import load_chart24
from vision.uncertainty import UNMEASURED_PRINT_DELTA_E00, outside_hull

LIGHTS = list(ILLUMINANTS)
CASES = [(camera, light) for camera in range(camera_count()) for light in LIGHTS]


def surfaces():
    """Reflectances from dull to far outside the chart: smooth bands, steep edges, and all of them darkened."""
    nm = np.linspace(400, 700, 31)
    # Pigments rise over 50 nm and more; filters would be steeper.
    edges = [1 / (1 + np.exp(-sign * (nm - at) / 15)) for at in (450, 490, 530, 570, 610, 650) for sign in (-1, 1)]
    bands = [np.exp(-(((nm - at) / width) ** 2)) for at in range(430, 680, 25) for width in (35, 60)]
    strong = 0.02 + 0.9 * np.array(edges + bands)
    dull = 0.4 + 0.25 * (np.array(edges + bands) - 0.5)
    return np.vstack([strong, dull, 0.15 * strong, 0.05 * dull])


def chart_of(reflectances):
    """The chart's design with the colours of these spectra under D65."""
    design = load_chart24()
    labs = colour.linear_rgb_to_lab(true_linear(reflectances))
    return replace(
        design, patches=tuple(replace(p, reference_lab=tuple(v)) for p, v in zip(design.patches, labs, strict=True))
    )


def seen(camera, light, reflectances, *, noise=0.001, seed=0):
    kelvin, balance = ILLUMINANTS[light]
    linear = Phone(camera).sees(reflectances, kelvin, balance) * 0.75
    encoded = colour.encode_srgb(np.maximum(linear, DARKEST)) + np.random.default_rng(seed).normal(
        0, noise, linear.shape
    )
    return np.clip(encoded, 0.004, 1)


def fitted(camera, light):
    chart = chart_reflectances()
    encoded = seen(camera, light, chart)
    clipped = (encoded > 0.99).any(axis=1).astype(float)
    return fit_colours(PatchSamples(encoded, clipped, np.zeros(24)), chart_of(chart))


def errors_of(camera, light):
    """Return fit, CIEDE2000 of the surfaces and their distance outside the hull; clipped ones are left out."""
    fit = fitted(camera, light)
    spectra = surfaces()
    encoded = seen(camera, light, spectra, noise=0)
    whole = ((encoded > 0.02) & (encoded < 0.99)).all(axis=1)
    truth = colour.linear_rgb_to_lab(true_linear(spectra[whole]))
    got = fit.correct(encoded[whole])
    return fit, got, truth, outside_hull(truth, fit.patches_lab)


@pytest.fixture(scope="module")
def trials():
    return [errors_of(camera, light) for camera, light in CASES]


def test_hull_distance_is_nought_inside_and_true_outside():
    rng = np.random.default_rng(1)
    ball = rng.normal(size=(800, 3))
    ball *= 30 / np.linalg.norm(ball, axis=1, keepdims=True)
    assert outside_hull(0.6 * ball, ball).max() == 0
    # 800 points on a sphere leave dents of about a unit.
    np.testing.assert_allclose(outside_hull(2 * ball, ball), 30, atol=1.5)


def test_saturated_and_dark_colours_are_not_thrown_far(trials):
    """Outside the hull the error grows with the distance, and never wildly: no colour is moved past all reason."""
    for fit, got, truth, away in trials:
        lab = colour.linear_rgb_to_lab(got)
        off = np.linalg.norm(lab - truth, axis=1)
        assert np.isfinite(lab).all()
        # An eighth of the distance is usual (HULL_SLOPE). At worst, under candle-like light and by a sensor far from
        # the eye, a colour comes out as far off as it lies outside, and what such a camera is off anyway.
        assert (off < 30 + away).all(), fit.model
        assert lab[:, 0].min() > -5
        assert lab[:, 0].max() < 115


def test_no_model_extrapolates_worse_than_the_simplest(trials, monkeypatch):
    """The model that is chosen, against the diagonal one on the same photos: ahead also outside the hull."""
    import vision.normalise as subject

    monkeypatch.setattr(subject, "MODELS", MODELS[:1])
    monkeypatch.setattr(subject, "zip", lambda *each, strict: zip(*each, strict=False), raising=False)
    simple = [errors_of(camera, light) for camera, light in CASES]
    far = 5.0

    def outside(trial):
        return colour.delta_e00(colour.linear_rgb_to_lab(trial[1]), trial[2])[trial[3] > far]

    chosen_errors = np.concatenate([outside(each) for each in trials])
    simple_errors = np.concatenate([outside(each) for each in simple])
    assert len(chosen_errors) > 100
    assert np.median(chosen_errors) < np.median(simple_errors)
    assert np.quantile(chosen_errors, 0.99) < 1.1 * np.quantile(simple_errors, 0.99)


@pytest.mark.parametrize(("camera", "light"), CASES, ids=lambda value: str(value).replace(" ", ""))
def test_white_and_greys_stay_grey(camera, light):
    fit = fitted(camera, light)
    greys = np.array([0.03, 0.08, 0.2, 0.5, 0.9])[:, None] * np.ones((1, 31))
    lab = colour.linear_rgb_to_lab(fit.correct(seen(camera, light, greys, noise=0)))
    # The chart's own greys are off by up to a unit, its white by three; these here are perfect.
    assert np.hypot(lab[:, 1], lab[:, 2]).max() < 3.0


def test_black_and_overbright_levels_are_bounded():
    for camera, light in CASES[::3]:
        fit = fitted(camera, light)
        corners = np.array(np.meshgrid([0, 0.003, 1], [0, 0.003, 1], [0, 0.003, 1])).reshape(3, -1).T
        out = fit.correct(corners)
        assert np.isfinite(out).all()
        white = max(1.0, fit.correct(np.ones(3)).max())
        assert out.max() < 2.5 * white
        assert out.min() > -0.6 * white


def test_what_is_said_of_the_error_holds(trials):
    """Coverage: errors against the standard deviation said, inside the hull and outside, all cameras and lights."""
    for low, high in ((-1, 0.5), (0.5, 15), (15, 60)):
        ratios = []
        for fit, got, truth, away in trials:
            here = (away > low) & (away <= high)
            sd = fit.uncertainty(got[here]).delta_e00_sd
            ratios.append(colour.delta_e00(colour.linear_rgb_to_lab(got[here]), truth[here]) / sd)
        every = np.concatenate(ratios)
        # A root mean square of one is perfect; twice is unsure by half, half is timid by twice.
        assert 0.4 < np.sqrt(np.mean(every**2)) < 1.6, (low, high)


def test_each_part_makes_it_less_sure():
    design = load_chart24()
    encoded = colour.encode_srgb(np.clip(colour.lab_to_linear_rgb(design.reference_lab), 0.001, 0.95))
    samples = PatchSamples(encoded, np.zeros(24), np.zeros(24))
    at = np.array([MID_GREY] * 3)
    plain = fit_colours(samples, design).uncertainty(at)
    vague = fit_colours(samples, design, print_delta_e00=UNMEASURED_PRINT_DELTA_E00).uncertainty(at)
    noisy = fit_colours(samples, design).uncertainty(at, sampling_sd=np.full(3, 0.02))
    far = fit_colours(samples, design).uncertainty(np.array([0.0, 0.0, 1.0]))
    for other in (vague, noisy, far):
        assert other.delta_e00_sd > plain.delta_e00_sd
    assert vague.delta_e00_sd == pytest.approx(np.hypot(plain.delta_e00_sd, UNMEASURED_PRINT_DELTA_E00), rel=0.02)
    assert plain.lab.shape == (3,)
    assert plain.covariance.shape == (3, 3)
    np.testing.assert_allclose(plain.covariance, plain.covariance.T, atol=1e-9)
    assert np.linalg.eigvalsh(plain.covariance).min() > 0


def test_clear_photos_are_surer_than_noisy_ones():
    design = load_chart24()
    sds = []
    for noise in (0.001, 0.02):
        encoded = colour.encode_srgb(np.clip(colour.lab_to_linear_rgb(design.reference_lab), 0.001, 0.95))
        encoded = np.clip(encoded + np.random.default_rng(4).normal(0, noise, encoded.shape), 0, 0.98)
        fit = fit_colours(PatchSamples(encoded, np.zeros(24), np.zeros(24)), design)
        sds.append(float(fit.uncertainty(np.array([0.1, 0.3, 0.3])).delta_e00_sd))
    assert sds[1] > 1.5 * sds[0]


def main():
    """Print errors and what was said of them by distance outside the hull."""
    trials = [errors_of(camera, light) for camera, light in CASES]
    for low, high in ((-1, 0.5), (0.5, 5), (5, 15), (15, 30), (30, 60), (60, 200)):
        errors, lab_errors, said = [], [], []
        for fit, got, truth, away in trials:
            here = (away > low) & (away <= high)
            lab = colour.linear_rgb_to_lab(got[here])
            errors.append(colour.delta_e00(lab, truth[here]))
            lab_errors.append(np.linalg.norm(lab - truth[here], axis=1))
            said.append(fit.uncertainty(got[here]).delta_e00_sd)
        off, raw, sd = np.concatenate(errors), np.concatenate(lab_errors), np.concatenate(said)
        if len(off):
            print(
                f"{low} to {high} outside: {len(off)} colours, CIEDE2000 median {np.median(off):.2f}, 95 % "
                f"{np.quantile(off, 0.95):.2f}, most {off.max():.2f}; CIELAB most {raw.max():.1f}; "
                f"said {np.median(sd):.2f}, "
                f"root mean square of the ratio {np.sqrt(np.mean((off / sd) ** 2)):.2f}"
            )


if __name__ == "__main__":
    main()
