"""Photos sorted into visits by tag, time and position: known rounds in any order, and what must be asked."""

import random
from datetime import UTC, datetime, timedelta, timezone

import pytest

from app.sorting import LEFT_OUT, Arrived, Place, distance_m, sort_photos, strip_of
from app.tag import tag_code

DAY = datetime(2026, 6, 3, 8, 0, tzinfo=UTC)
POOLS = [f"p{number}" for number in range(10)]
PLACES = [Place(each, tag_code(each), 40.0 + 0.01 * place, -75.0) for place, each in enumerate(POOLS)]
"""Ten pools 1.1 km apart."""


def photo(name, minutes=None, *, pool="", at_pool=None, camera="one", zone=UTC):
    """Return a photo `minutes` after eight; `pool` is whose tag it shows, `at_pool` where it was taken."""
    place = PLACES[POOLS.index(at_pool)] if at_pool else None
    return Arrived(
        sha256=name,
        name=name,
        taken_at=None if minutes is None else (DAY + timedelta(minutes=minutes)).astimezone(zone),
        latitude_deg=place.latitude_deg if place else None,
        longitude_deg=place.longitude_deg if place else None,
        camera=camera,
        codes=(tag_code(pool),) if pool else (),
    )


def visits_of(sorting):
    return [(each.pool_id, [one.name for one in each.photos]) for each in sorting.visits]


def day_round(*, positions):
    """Return sixty photos of ten pools, six each, two of them of the tag, and which belong together."""
    photos, truth = [], []
    for place, pool in enumerate(POOLS):
        start = 25 * place
        at_pool = pool if positions else None
        shots = [photo(f"{pool}-{number}", start + 1 + number, at_pool=at_pool) for number in range(4)]
        tags = [photo(f"{pool}-tag{number}", start + 5 * number, pool=pool, at_pool=at_pool) for number in range(2)]
        photos += [*shots, *tags]
        truth.append((pool, [each.name for each in shots]))
    return photos, truth


@pytest.mark.parametrize("positions", [True, False], ids=["with positions", "without"])
@pytest.mark.parametrize("seed", range(5))
def test_a_round_of_sixty_photos_in_any_order_is_in_its_ten_visits(seed, positions):
    photos, truth = day_round(positions=positions)
    assert len(photos) == 60
    random.Random(seed).shuffle(photos)
    sorting = sort_photos(photos, PLACES)
    assert visits_of(sorting) == truth
    assert sorting.questions == ()
    assert {each.why for each in sorting.visits} == {"by its tag"}


def test_the_order_given_changes_nothing_where_times_are_equal():
    photos = [photo("t", 0, pool="p1"), photo("b", 0), photo("a", 0)]
    assert [visits_of(sort_photos(each, PLACES)) for each in (photos, photos[::-1])] == [[("p1", ["a", "b"])]] * 2


def test_the_same_photo_twice_is_one():
    photos = [photo("t", 0, pool="p1"), photo("a", 1), photo("a", 1)]
    assert visits_of(sort_photos(photos, PLACES)) == [("p1", ["a"])]


def test_without_a_tag_the_position_decides_where_one_pool_is_near():
    sorting = sort_photos([photo("a", 0, at_pool="p4"), photo("b", 2, at_pool="p4")], PLACES)
    assert visits_of(sorting) == [("p4", ["a", "b"])]
    assert sorting.visits[0].why == "by its position, 0 m from the pool"


def test_two_pools_near_each_other_are_asked_about():
    # 0.0005 degrees of latitude are 56 m: neighbours.
    neighbours = [*PLACES, Place("next door", tag_code("next door"), 40.0405, -75.0)]
    sorting = sort_photos([photo("a", 0, at_pool="p4")], neighbours)
    assert sorting.visits == ()
    assert sorting.questions[0].choices[:2] == ("p4", "next door")


@pytest.mark.parametrize(
    ("photos", "say"),
    [
        ([photo("a", 0), photo("t", 5, pool="p1"), photo("b", 6)], "No tag was photographed before it"),
        ([photo("t", 0, pool="p1"), photo("b", 1), photo("a", 45)], "No tag was photographed before it"),
        ([photo("a"), photo("t", 5, pool="p1"), photo("b", 6)], "does not say when"),
        ([photo("t", 0, pool="p1"), photo("b", 1), photo("x", 20, pool="gone"), photo("a", 21)], "of no pool you have"),
        ([photo("t", 0, pool="p1", at_pool="p1"), photo("b", 1), photo("a", 9, at_pool="p7")], "taken elsewhere"),
    ],
    ids=["before the tag", "after a long pause", "without a time", "unknown tag", "elsewhere"],
)
def test_what_is_unclear_is_asked_and_not_guessed(photos, say):
    places = [Place(each.pool_id, each.code) for each in PLACES]
    sorting = sort_photos(photos, places)
    assert visits_of(sorting) == [("p1", ["b"])]
    assert [say in each.say for each in sorting.questions] == [True]
    assert "a" in [each.name for each in sorting.questions[0].photos]


def test_a_photo_of_two_tags_is_asked_about():
    two = Arrived("ab", "ab", DAY, codes=(tag_code("p1"), tag_code("p2")))
    question = sort_photos([two], PLACES).questions[0]
    assert question.choices == ("p1", "p2")


def test_an_answer_joins_the_stop_it_belongs_to_or_makes_one():
    photos = [photo("a", 0), photo("t", 5, pool="p1"), photo("b", 6), photo("late", 300), photo("never")]
    answered = sort_photos(photos, PLACES, answers={"a": "p1", "late": "p1", "never": LEFT_OUT})
    assert visits_of(answered) == [("p1", ["a", "b"]), ("p1", ["late"])]
    assert answered.visits[0].at == DAY
    assert answered.questions == ()
    assert [each.name for each in answered.left_out] == ["never"]


def test_an_answer_of_a_pool_that_is_not_seen_counts_for_nothing():
    assert sort_photos([photo("a", 0)], PLACES, answers={"a": "hidden"}).visits == ()


def test_two_phones_at_two_pools_at_once_are_kept_apart():
    photos = [photo("t1", 0, pool="p1"), photo("a", 2), photo("c", 4)]
    photos += [photo("t2", 1, pool="p2", camera="two"), photo("b", 3, camera="two")]
    assert visits_of(sort_photos(photos, PLACES)) == [("p1", ["a", "c"]), ("p2", ["b"])]


def test_two_stops_at_one_pool_in_a_day_are_two_visits():
    photos = [photo("t", 0, pool="p1"), photo("a", 1), photo("u", 240, pool="p1"), photo("b", 241)]
    assert visits_of(sort_photos(photos, PLACES)) == [("p1", ["a"]), ("p1", ["b"])]


def test_times_with_and_without_a_zone_are_read_in_the_zone_given():
    west = timezone(timedelta(hours=-7))
    bare = photo("a", 3, zone=west)
    bare = Arrived(bare.sha256, bare.name, bare.taken_at.replace(tzinfo=None), camera="one")
    photos = [photo("t", 0, pool="p1", zone=west), bare]
    assert visits_of(sort_photos(photos, PLACES, zone=west)) == [("p1", ["a"])]


def test_a_tag_that_nothing_followed_is_told():
    sorting = sort_photos([photo("t", 0, pool="p1"), photo("u", 1, pool="p2"), photo("a", 2)], PLACES)
    assert [each.name for each in sorting.lone_tags] == ["t"]
    assert visits_of(sorting) == [("p2", ["a"])]


def test_every_photo_is_somewhere_once():
    photos, _ = day_round(positions=False)
    photos += [photo("x", 700), photo("y"), photo("z", 900, pool="gone"), photo("lone", 1000, pool="p3")]
    sorting = sort_photos(photos, PLACES, answers={"p0-0": LEFT_OUT})
    every = [each.name for visit in sorting.visits for each in (*visit.photos, *visit.tags)]
    every += [each.name for question in sorting.questions for each in question.photos]
    every += [each.name for each in (*sorting.lone_tags, *sorting.left_out)]
    assert sorted(every) == sorted(each.name for each in photos)


def test_the_last_of_several_photos_is_the_strip():
    sorting = sort_photos([photo("t", 0, pool="p1"), photo("a", 1), photo("b", 2)], PLACES)
    assert strip_of(sorting.visits[0]).name == "b"
    assert strip_of(sort_photos([photo("t", 0, pool="p1"), photo("a", 1)], PLACES).visits[0]) is None


def test_distance_between_two_cities_of_a_table():
    # One degree along the equator: 2 pi R / 360 of the mean radius, 111.195 km.
    first, second = Place("a", "", 0.0, 179.5), Place("b", "", 0.0, -179.5)
    assert distance_m(first, second) == pytest.approx(111_195, abs=1)
    assert distance_m(first, Place("c", "")) is None
