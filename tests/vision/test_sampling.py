"""Patches sampled through dirt, droplets, sparkles, glare and moire; and whole cards with all of it. Rendered."""

import importlib.util
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from vision import colour
from vision.card import CLIPPED_LEVEL, CardFound, sample_patches
from vision.measure import card_problems, usable_patches
from vision.normalise import fit_colours
from vision.photo import Picture
from vision.specs import load_card

DESIGN = load_card()
PX_PER_MM = 2.5
"""Patches of 30 px, of which 17 are sampled; a card that fills a quarter of a small photo's width has about as many."""


def _flat_card():
    spec = importlib.util.spec_from_file_location("card_scenes_s", Path(__file__).with_name("card_scenes.py"))
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module.flat_card()


@pytest.fixture(scope="module")
def clean():
    """The card seen square on, evenly lit and sharp but for half a pixel, in linear light."""
    size = (int(DESIGN.width_mm * PX_PER_MM), int(DESIGN.height_mm * PX_PER_MM))
    return 0.8 * cv2.GaussianBlur(cv2.resize(_flat_card(), size, interpolation=cv2.INTER_AREA), (0, 0), 0.5)


def sampled(linear, seed=0):
    """Photograph the picture (noise, eight bits) and sample the patches."""
    noisy = linear + np.random.default_rng(seed).normal(0, 0.003, linear.shape)
    rgb = np.round(255 * np.clip(noisy, 0, 1) ** (1 / 2.2)).astype(np.uint8)
    return sample_patches(Picture(rgb, 1), DESIGN, np.diag([PX_PER_MM, PX_PER_MM, 1.0]))


def off(samples, reference):
    """Return CIEDE2000 of each patch from its clean sample."""
    lab = [colour.linear_rgb_to_lab(np.nan_to_num(each.encoded_rgb) ** 2.2) for each in (samples, reference)]
    return colour.delta_e00(*lab)


def centre_px(index):
    return np.array(DESIGN.patches[index].centre_mm) * PX_PER_MM


def dirt(picture, rng, index):
    """A brown smear over a third of what is sampled of the patch."""
    x, y = centre_px(index) + rng.uniform(-6, 6, 2)
    soft = np.zeros(picture.shape[:2], np.float32)
    cv2.ellipse(soft, (int(x), int(y)), (7, 4), float(rng.uniform(0, 180)), 0, 360, 1.0, -1)
    soft = cv2.GaussianBlur(soft, (0, 0), 0.8)[..., None]
    return picture * (1 - 0.75 * soft * (1 - np.array([0.5, 0.35, 0.2])))


def droplets(picture, rng, index):
    """Five drops: a dark rim, a lens of the same colour, a white spark."""
    out = picture.copy()
    for _ in range(5):
        x, y = (centre_px(index) + rng.uniform(-13, 13, 2)).astype(int)
        cv2.circle(out, (int(x), int(y)), 3, tuple(float(v) for v in 0.55 * picture[y, x]), 1, cv2.LINE_AA)
        cv2.circle(out, (int(x) - 1, int(y) - 1), 1, (1.4, 1.4, 1.4), -1)
    return out


def sparkles(picture, rng, index):
    """Grains of the paper's coat that mirror the sun: single bright pixels, one in fifteen."""
    out = picture.copy()
    x, y = (centre_px(index) - 15).astype(int)
    hit = rng.random((30, 30)) < 1 / 15
    out[y : y + 30, x : x + 30][hit] = 1.3
    return out


def moire(picture, rng, index):
    """The print's raster beats with the sensor's: coloured waves of a fifth of the level, three to nine pixels long."""
    y, x = np.mgrid[: picture.shape[0], : picture.shape[1]]
    period, turn = rng.uniform(3, 9), rng.uniform(0, np.pi)
    wave = np.sin(2 * np.pi * (x * np.cos(turn) + y * np.sin(turn)) / period)
    return picture * (1 + 0.2 * wave[..., None] * np.array([1, -0.5, 0.6]))


@pytest.mark.parametrize(
    ("spoil", "most"),
    # Clean sampling is good to 0.1 to 0.3 (eight bits, noise); an eye sees 1.
    [(dirt, 1.0), (droplets, 1.0), (sparkles, 1.0), (moire, 1.5)],
    ids=["dirt", "droplets", "sparkles", "moire"],
)
def test_a_spoiled_patch_keeps_its_colour(clean, spoil, most):
    reference = sampled(clean)
    rng = np.random.default_rng(5)
    worst = []
    for index in (3, 8, 14, 21, 30, 40):
        samples = sampled(spoil(clean, rng, index), seed=index)
        worst.append(off(samples, reference)[index])
    assert np.median(worst) < most
    assert max(worst) < 2.5 * most


def test_the_plain_mean_would_not_do(clean):
    """What the sampling is for: the mean of the same pixels is several times as far off."""
    rng = np.random.default_rng(5)
    reference = sampled(clean)
    robust, plain = [], []
    for index in (3, 8, 14, 21, 30, 40):
        spoiled = dirt(clean, rng, index)
        robust.append(off(sampled(spoiled), reference)[index])
        x, y = (centre_px(index) - 8).astype(int)
        means = [picture[y : y + 17, x : x + 17].mean(axis=(0, 1)) for picture in (spoiled, clean)]
        plain.append(float(colour.delta_e00(*(colour.linear_rgb_to_lab(each) for each in means))))
    assert np.median(robust) < 0.4 * np.median(plain)


@pytest.mark.parametrize("share", [0.0, 0.25, 0.5, 1.0])
def test_the_clipped_share_is_known(clean, share):
    picture = clean.copy()
    index = 30
    x, y = (centre_px(index) - 8.4).astype(int)
    picture[y : y + 18, x : x + round(17.4 * share)] = 1.5
    samples = sampled(picture)
    assert samples.clipped_share[index] == pytest.approx(share, abs=0.1)
    assert np.delete(samples.clipped_share, index).max() < 0.1


def test_spread_tells_spoiled_patches(clean):
    whole = sampled(clean).spread
    wavy = sampled(moire(clean, np.random.default_rng(1), 0)).spread
    assert np.median(wavy) > 3 * np.median(whole)


def card_of(samples):
    matrix = np.diag([PX_PER_MM, PX_PER_MM, 1.0])
    return CardFound(DESIGN, matrix, DESIGN.corners_mm * PX_PER_MM, samples, (10, 11, 25, 47), 30.0, 1.0, 7)


@pytest.mark.parametrize(
    ("patch_px", "edge_px", "said"),
    [(30.0, 1.4, None), (5.0, 1.8, None), (3.0, 1.9, "card_too_small"), (12.0, 8.0, "blurred")],
)
def test_mixed_patches_are_blurred_or_too_small(clean, patch_px, edge_px, said):
    card = replace(card_of(sampled(clean)), patch_px=patch_px, edge_width_px=edge_px)
    codes = {each.code for each in card_problems(card, usable_patches(card))} & {"blurred", "card_too_small"}
    assert codes == ({said} if said else set())


def test_patches_in_glare_are_dropped_and_named(clean):
    hit = ("N2", "N3", "blue_deep", "green_deep")
    picture = clean.copy()
    for index, patch in enumerate(DESIGN.patches):
        if patch.name in hit:
            x, y = (int(v) for v in centre_px(index))
            cv2.circle(picture, (x, y), 13, (2.0, 2.0, 2.0), -1)
    card = card_of(sampled(picture))
    usable = usable_patches(card)
    assert {p.name for p, good in zip(DESIGN.patches, usable, strict=True) if not good} == set(hit)
    (said,) = [each for each in card_problems(card, usable) if each.code == "card_glare"]
    for name in hit:
        assert name in said.say
    fit = fit_colours(card.samples, DESIGN, usable=usable)
    assert np.median(fit.held_out_delta_e00[fit.used]) < 1.0


def test_veiling_glare_that_does_not_clip_is_left_out_by_the_fit(clean):
    """A soft reflection of the sky over three dark patches: light, not clipped, and not the patches' colour."""
    picture = clean.copy()
    names = ("N2", "brown_dark", "olive_dark")
    indices = [index for index, patch in enumerate(DESIGN.patches) if patch.name in names]
    for index in indices:
        x, y = (int(v) for v in centre_px(index))
        veil = np.zeros(picture.shape[:2], np.float32)
        cv2.circle(veil, (x, y), 16, 1.0, -1)
        picture = picture + 0.2 * veil[..., None] * np.array([0.8, 0.95, 1.2])
    card = card_of(sampled(picture))
    fit = fit_colours(card.samples, DESIGN, usable=usable_patches(card))
    assert not fit.used[indices].any()
    assert fit.used.sum() >= 44


def test_a_card_dirty_wet_and_wavy_all_over_still_fits(clean):
    rng = np.random.default_rng(9)
    picture = moire(clean, rng, 0)
    for index in range(48):
        for spoil in (dirt, droplets):
            if rng.random() < 0.4:
                picture = spoil(picture, rng, index)
    samples = sampled(picture)
    fit = fit_colours(samples, DESIGN)
    got = colour.linear_rgb_to_lab(fit.correct(sampled(clean).encoded_rgb))
    # The clean card's colours, corrected by the spoiled card's fit.
    assert np.median(colour.delta_e00(got, DESIGN.reference_lab)) < 1.5


def test_patches_outside_the_picture_are_not_numbers(clean):
    samples = sampled(clean[:, : int(100 * PX_PER_MM)])
    for index, patch in enumerate(DESIGN.patches):
        outside = patch.rect_mm[0] + patch.rect_mm[2] * 0.78 > 100
        assert np.isnan(samples.encoded_rgb[index]).all() == outside
        if outside:
            assert samples.clipped_share[index] == 1.0
    assert CLIPPED_LEVEL > 250
