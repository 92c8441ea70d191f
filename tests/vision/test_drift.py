"""Cards that fade, are dirty once, or are only photographed by other phones; all made up.

A phone is a matrix, a tone curve and a smooth error of its own; fading takes ink away: yellow and magenta most.
Run as a program it prints how often fading is seen: `python -m tests.vision.test_drift [histories]`.
"""

import sys

import numpy as np
import pytest

from vision import colour
from vision.card import PatchSamples
from vision.drift import FADED_DELTA_E00, CardSeen, card_drift
from vision.normalise import fit_colours
from vision.results import PatchResult
from vision.specs import load_card

DESIGN = load_card()
LAB = DESIGN.reference_lab
PLACES = np.array([patch.centre_mm for patch in DESIGN.patches]) / 90 - [1, 2 / 3]
INKS = np.array([0.1, 0.8, 1.0])
"""Shares of cyan, magenta and yellow ink that go together: dyes fade unlike (common practice, no source)."""


def smooth_error(rng, size):
    """A smooth error over CIELAB of about `size`, as a camera that is not the eye has it, shape (48, 3)."""
    out = np.zeros((48, 3))
    for knot in rng.uniform([20, -50, -50], [95, 50, 50], (8, 3)):
        out += np.exp(-(((LAB - knot) / 30) ** 2).sum(axis=1))[:, None] * rng.normal(0, size, 3)
    return out


def faded(lab, share):
    """The print with `share` of its least lasting ink gone; greys are black ink and stay."""
    linear = np.clip(colour.lab_to_linear_rgb(lab), 1e-3, 1)
    coloured = np.hypot(lab[:, 1], lab[:, 2]) > 4
    gone = linear ** (1 - share * INKS)
    return colour.linear_rgb_to_lab(np.where(coloured[:, None], gone, linear))


def history(seed, *, fade, photos=18, days=120.0, phones=3, late_phone=False, dirty=False):
    """The photos of one card: `fade` of its ink gone at the end, each by one of `phones`."""
    rng = np.random.default_rng([21, seed])
    printed = LAB + smooth_error(rng, 3.0)
    kinds = [
        (np.eye(3) + rng.normal(0, 0.06, (3, 3)), rng.uniform(0.9, 1.15), smooth_error(rng, 1.6))
        for _ in range(phones + 1)
    ]
    seen = []
    for index, at in enumerate(np.sort(rng.uniform(0, days, photos))):
        matrix, contrast, error = kinds[phones if late_phone and at > days / 2 else rng.integers(phones)]
        lab = faded(printed, fade * at / days) + error
        mixed = np.maximum(colour.lab_to_linear_rgb(lab) @ (matrix / matrix.sum(axis=1, keepdims=True)).T, 1e-3)
        light = np.exp(PLACES @ rng.normal(0, 0.15, 2))[:, None] * rng.uniform(0.6, 1.0, 3)
        encoded = colour.encode_srgb(0.18 * (mixed * light / 0.18) ** contrast) + rng.normal(0, 0.004, (48, 3))
        if dirty and index == 2:
            encoded[:6] *= 0.7
        samples = PatchSamples(np.clip(encoded, 0, 1), (encoded > 0.993).any(axis=1).astype(float), np.zeros(48))
        fit = fit_colours(samples, DESIGN)
        normalised = np.clip(colour.encode_srgb(fit.normalised_linear), 0, 1)
        patches = tuple(
            PatchResult(patch.name, (0, 0, 0), tuple(normalised[i]), patch.reference_srgb, 0.0, bool(fit.used[i]))
            for i, patch in enumerate(DESIGN.patches)
        )
        seen.append(CardSeen(float(at), patches))
    return seen


@pytest.mark.parametrize("seed", range(2))
def test_a_faded_card_is_seen(seed):
    drift = card_drift(history(seed, fade=0.45, photos=12))
    assert drift.faded
    assert drift.low_delta_e00 > FADED_DELTA_E00
    assert drift.by_patch[0][1] > drift.drift_delta_e00


@pytest.mark.parametrize("what", [{}, {"dirty": True}, {"late_phone": True}], ids=["same", "dirty_once", "new_phone"])
def test_a_sound_card_is_not_called_faded(what):
    drift = card_drift(history(3, fade=0.0, photos=12, **what))
    assert not drift.faded
    assert drift.drift_delta_e00 < FADED_DELTA_E00


def test_the_series_rises_with_the_fading():
    drift = card_drift(history(4, fade=0.4, photos=12))
    days, change = np.array(drift.series).T
    assert np.corrcoef(days, change)[0, 1] > 0.6


def test_few_photos_or_days_say_nothing_yet():
    for some in (history(1, fade=0.35, photos=5), history(1, fade=0.35, photos=7, days=10), []):
        drift = card_drift(some)
        assert np.isnan(drift.drift_delta_e00)
        assert not drift.faded


def test_order_does_not_matter():
    whole = history(2, fade=0.3, photos=7)
    assert card_drift(whole[::-1]) == card_drift(whole)


def main(count):
    """Print how often a card is called faded, by how much ink is gone."""
    for what in ({}, {"late_phone": True}):
        for fade in (0.0, 0.1, 0.2, 0.3, 0.4):
            drifts = [card_drift(history(seed, fade=fade, **what)) for seed in range(100, 100 + count)]
            middle = np.median([each.drift_delta_e00 for each in drifts])
            said = np.mean([each.faded for each in drifts])
            print(f"{what or 'same phones'}: {fade:.0%} of the ink gone: drift {middle:.1f}, called faded {said:.0%}")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 12)
