"""What is water is settled by the photo's own colours, and a second part counts only where it looks like the first."""

import numpy as np
import pytest

from vision.water import _parts, settled_by_colour

WET, DRY = (55.0, -30.0, 10.0), (70.0, 3.0, 8.0)


def painted(shape, wet):
    """Return cells' colours: water's where `wet`, ground's elsewhere, a little uneven."""
    rng = np.random.default_rng(3)
    lab = np.where(wet[..., None], WET, DRY) + rng.normal(0, 1.5, (*shape, 3))
    return lab.astype(np.float32)


def test_unsure_water_goes_to_its_like():
    wet = np.zeros((40, 60), bool)
    wet[:, 20:] = True
    probability = np.where(wet, 0.98, 0.02).astype(np.float32)
    # A reflection leaves a stretch of water in doubt, a wet slab a stretch of ground.
    probability[10:25, 35:50], probability[5:15, 5:12] = 0.35, 0.6
    said = settled_by_colour(probability, painted((40, 60), wet)) > 0.5
    assert said[12:23, 37:48].all()
    assert not said[6:14, 6:11].any()


def test_sure_cells_stay_whatever_their_colour():
    wet = np.zeros((40, 60), bool)
    wet[:, 30:] = True
    probability = np.where(wet, 0.99, 0.01).astype(np.float32)
    lab = painted((40, 60), wet)
    lab[10:20, 40:50] = DRY
    assert (settled_by_colour(probability, lab)[10:20, 40:50] > 0.5).all()


@pytest.mark.parametrize("level", [0.0, 1.0])
def test_photo_of_one_kind_alone_is_left_as_it_is(level):
    probability = np.full((20, 30), level, np.float32)
    said = settled_by_colour(probability, painted((20, 30), probability > 0.5))
    np.testing.assert_array_equal(said, probability)


def test_same_photo_same_water():
    rng = np.random.default_rng(8)
    probability = rng.uniform(0, 1, (40, 60)).astype(np.float32)
    lab = painted((40, 60), probability > 0.4)
    one = settled_by_colour(probability, lab)
    np.testing.assert_array_equal(settled_by_colour(probability, lab), one)


@pytest.mark.parametrize(("colour", "sure", "kept"), [(WET, 0.95, True), (DRY, 0.95, False), (WET, 0.7, False)])
def test_second_part_counts_where_it_is_like_the_first_and_as_sure(colour, sure, kept):
    labels = np.zeros((30, 60), np.int32)
    labels[:, :35], labels[:, 40:55] = 1, 2
    probability = np.where(labels == 1, 0.96, np.where(labels == 2, sure, 0.02)).astype(np.float32)
    lab = np.zeros((30, 60, 3), np.float32)
    lab[labels == 1], lab[labels == 2] = WET, colour
    keep, sureness = _parts(labels, 3, probability, lab)
    assert sureness == pytest.approx(0.96)
    assert keep[labels == 1].all()
    assert keep[labels == 2].all() == kept
    assert not keep[labels == 0].any()
