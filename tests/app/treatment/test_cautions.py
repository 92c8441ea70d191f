"""Cautions: every chemical and piece of work has them, with a source, and what must not meet does not."""

import pytest

from app.records import Chemical, FilterKind, Pool, Surface
from app.treatment import cautions
from app.treatment.cautions import Topic, may_share_step
from tests.app.treatment.recovery_logs import a_pool


@pytest.mark.parametrize("chemical", list(Chemical))
def test_every_chemical_warns_and_names_its_source(chemical):
    warned = cautions.of_chemical(chemical)
    assert warned
    assert all(each.say and each.source for each in warned)
    assert any("never water onto chemical" in each.say for each in warned)
    assert any("safety data sheet" in each.say for each in warned)


@pytest.mark.parametrize("topic", list(Topic))
def test_every_piece_of_work_warns(topic):
    assert cautions.WORK[topic]


@pytest.mark.parametrize(
    ("one", "other"),
    [
        (Chemical.SODIUM_HYPOCHLORITE, Chemical.HYDROCHLORIC_ACID),
        (Chemical.SODIUM_HYPOCHLORITE, Chemical.SODIUM_BISULFATE),
        (Chemical.CALCIUM_HYPOCHLORITE, Chemical.TRICHLOR),
        (Chemical.CALCIUM_HYPOCHLORITE, Chemical.DICHLOR),
        (Chemical.SODIUM_HYPOCHLORITE, Chemical.CALCIUM_HYPOCHLORITE),
        (Chemical.TRICHLOR, Chemical.HYDROCHLORIC_ACID),
        (Chemical.HYDROCHLORIC_ACID, Chemical.SODIUM_CARBONATE),
        (Chemical.SODIUM_THIOSULFATE, Chemical.CALCIUM_HYPOCHLORITE),
        (Chemical.CALCIUM_CHLORIDE, Chemical.SODIUM_BICARBONATE),
        (Chemical.COPPER_ALGAECIDE, Chemical.SODIUM_HYPOCHLORITE),
    ],
)
def test_these_never_share_a_step(one, other):
    assert not may_share_step([one, other])
    assert not may_share_step([other, Chemical.CLARIFIER, one])


def test_these_may():
    assert may_share_step([])
    assert may_share_step([Chemical.SODIUM_HYPOCHLORITE])
    assert may_share_step([Chemical.SODIUM_HYPOCHLORITE, Chemical.SODIUM_HYPOCHLORITE])
    assert may_share_step([Chemical.SODIUM_HYPOCHLORITE, Chemical.SODIUM_BROMIDE])


def test_gas_and_explosion_are_named_where_they_threaten():
    acid = " ".join(each.say for each in cautions.of_chemical(Chemical.HYDROCHLORIC_ACID))
    assert "chlorine gas" in acid
    assert "never water into acid" in acid
    assert "explode" in " ".join(each.say for each in cautions.of_chemical(Chemical.TRICHLOR))


@pytest.mark.parametrize(
    ("changes", "word"),
    [
        ({"surface": Surface.VINYL}, "Vinyl"),
        ({"surface": Surface.FIBREGLASS}, "Fibreglass"),
        ({"indoor": True}, "fans on"),
        ({"salt_cell": True}, "salt cell"),
    ],
)
def test_the_pool_adds_its_own(changes, word):
    assert any(word in each.say for each in cautions.of_pool(a_pool(**changes)))
    plain: Pool = a_pool(filter_kind=FilterKind.SAND)
    assert not any(word in each.say for each in cautions.of_pool(plain))


def test_lists_keep_order_and_say_nothing_twice():
    said = cautions.say_all([*cautions.WORK[Topic.POURING], *cautions.WORK[Topic.POURING]])
    assert len(said) == len(set(said)) == len(cautions.WORK[Topic.POURING])
