"""Sort photos taken without signal into visits, by tag, time and position; what is unclear becomes a question.

In: what is known of each photo, where the pools are, and what a person has answered. Out: `Sorting`: visits, questions
with choices, and tags that nothing followed. Pure. A photo goes into a visit by a rule that names its reason, or by
a person's word; else it is asked about, never guessed.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta, tzinfo

from app.words import mark, said

SAME_STOP = timedelta(minutes=30)
"""Longest pause between two photos of one stop (our choice): a strip's minute, a filter's cleaning."""

SAME_PLACE_M = 100.0
"""Farthest that photos of one stop lie apart [m]: a garden, and a phone's position among houses (common practice, no
source: 5 to 30 m)."""

AT_POOL_M = 60.0
"""Nearest pool within which a photo without a tag is that pool's [m], where no other is half as near (our choice)."""

CHOICES = 4
"""Pools offered with a question; any other can be chosen too."""

LEFT_OUT = "-"
"""The answer that leaves a photo out of all visits."""

EARTH_RADIUS_M = 6_371_008.8
"""Mean radius [m]: IUGG value R1 of GRS 80 (Moritz 2000, Journal of Geodesy 74, 128-133); from memory."""


@dataclass(frozen=True)
class Arrived:
    """What is known of one photo: `codes` are those of the tags in it; a time without a zone is the camera's own."""

    sha256: str
    name: str
    taken_at: datetime | None = None
    latitude_deg: float | None = None
    longitude_deg: float | None = None
    camera: str = ""
    codes: tuple[str, ...] = ()


@dataclass(frozen=True)
class Place:
    """One pool: the code of its tag, and where it is, where that is known [deg]."""

    pool_id: str
    code: str
    latitude_deg: float | None = None
    longitude_deg: float | None = None


@dataclass(frozen=True)
class SortedVisit:
    """Photos of one stop at one pool, in the order taken; `tags` are its tag's photos; `why` says by what."""

    pool_id: str
    at: datetime | None
    photos: tuple[Arrived, ...]
    tags: tuple[Arrived, ...] = ()
    why: str = ""


@dataclass(frozen=True)
class Question:
    """Photos that belong together, why it is not clear to which pool, and the likeliest pools, best first."""

    photos: tuple[Arrived, ...]
    say: str
    choices: tuple[str, ...] = ()


@dataclass(frozen=True)
class Sorting:
    """What came of the photos; `lone_tags` are tags' photos that no other photo followed."""

    visits: tuple[SortedVisit, ...] = ()
    questions: tuple[Question, ...] = ()
    lone_tags: tuple[Arrived, ...] = ()
    left_out: tuple[Arrived, ...] = ()


@dataclass
class _Stop:
    """A run of photos that a pause or a tag ends."""

    pool_id: str | None
    photos: list[Arrived] = field(default_factory=list)
    tags: list[Arrived] = field(default_factory=list)
    why: str = ""
    say: str = ""
    near: tuple[str, ...] = ()

    @property
    def all(self) -> list[Arrived]:
        """Return tags and photos."""
        return [*self.tags, *self.photos]


def distance_m(first: Arrived | Place, second: Arrived | Place) -> float | None:
    """Return how far apart two positions are [m], None where one is not known (haversine on a sphere).

    Examples
    --------
    >>> round(distance_m(Place("a", "", 0.0, 0.0), Place("b", "", 0.0, 1.0)))
    111195
    """
    if None in (first.latitude_deg, first.longitude_deg, second.latitude_deg, second.longitude_deg):
        return None
    north, other_north = (math.radians(each.latitude_deg or 0.0) for each in (first, second))
    east = math.radians((second.longitude_deg or 0.0) - (first.longitude_deg or 0.0))
    half = math.sin((other_north - north) / 2) ** 2
    half += math.cos(north) * math.cos(other_north) * math.sin(east / 2) ** 2
    return 2 * EARTH_RADIUS_M * math.asin(min(1.0, math.sqrt(half)))


def sort_photos(
    photos: Iterable[Arrived], places: Sequence[Place], *, answers: Mapping[str, str] | None = None, zone: tzinfo = UTC
) -> Sorting:
    """Sort photos into visits.

    Parameters
    ----------
    photos : iterable of Arrived
        In any order; of the same sha256 only the first counts.
    places : sequence of Place
        The pools that the person sees.
    answers : mapping, optional
        By a photo's sha256 the id of the pool it belongs to, or `LEFT_OUT`: a person's word, over every rule.
    zone : tzinfo
        Zone of the times that a camera wrote without one.

    Returns
    -------
    Sorting
        Each photo is in it once.
    """
    known = {each.pool_id for each in places}
    said = {sha256: pool for sha256, pool in (answers or {}).items() if pool in known or pool == LEFT_OUT}
    every = list({each.sha256: each for each in reversed(list(photos))}.values())
    left_out = [each for each in every if said.get(each.sha256) == LEFT_OUT]
    told = [each for each in every if said.get(each.sha256, LEFT_OUT) != LEFT_OUT]
    free = [each for each in every if each.sha256 not in said]
    stops: list[_Stop] = []
    # Two phones' photos mix in time, and each phone's clock errs by itself.
    for camera in sorted({each.camera for each in free}):
        own = [each for each in free if each.camera == camera]
        stops += _stops([each for each in own if each.taken_at is not None], places, zone)
        stops += [_Stop(None, [each], say=mark("Its file does not say when it was taken.")) for each in _timeless(own)]
    for stop in stops:
        if stop.pool_id is None:
            _place(stop, stops, places, zone)
    visits = [each for each in stops if each.pool_id is not None]
    _give(told, said, visits, zone)
    visits = _joined(visits, zone)
    done = [_visit(each, zone) for each in visits if each.photos]
    return Sorting(
        visits=tuple(sorted(done, key=lambda each: (each.at is None, each.at or datetime.max.replace(tzinfo=UTC)))),
        questions=tuple(Question(tuple(each.all), each.say, each.near) for each in stops if each.pool_id is None),
        lone_tags=tuple(tag for each in visits if not each.photos for tag in each.tags),
        left_out=tuple(left_out),
    )


def _time(photo: Arrived, zone: tzinfo) -> datetime:
    """Return when a photo was taken, which is known."""
    if photo.taken_at is None:
        raise ValueError(f"photo must have a time, got {photo!r}")
    return photo.taken_at if photo.taken_at.tzinfo is not None else photo.taken_at.replace(tzinfo=zone)


def _timeless(photos: Sequence[Arrived]) -> list[Arrived]:
    return [each for each in photos if each.taken_at is None]


def _stops(photos: Sequence[Arrived], places: Sequence[Place], zone: tzinfo) -> list[_Stop]:
    """Return one camera's photos as stops: a tag begins one, a long pause or a jump to elsewhere ends one."""
    by_code = {each.code: each for each in places}
    stops: list[_Stop] = []
    for photo in sorted(photos, key=lambda each: (_time(each, zone), not each.codes, each.name, each.sha256)):
        last = stops[-1] if stops else None
        paused = last is None or _time(photo, zone) - max(_time(each, zone) for each in last.all) > SAME_STOP
        if len(photo.codes) > 1:
            choices = tuple(by_code[code].pool_id for code in photo.codes if code in by_code)
            stops.append(_Stop(None, [photo], say=mark("Tags of more than one pool are in it."), near=choices))
        elif photo.codes:
            place = by_code.get(photo.codes[0])
            if last is not None and not paused and place is not None and last.pool_id == place.pool_id:
                last.tags.append(photo)
            elif place is None:
                stops.append(_Stop(None, tags=[photo], say=mark("Its tag is of no pool you have.")))
            else:
                stops.append(_Stop(place.pool_id, tags=[photo], why=mark("by its tag")))
        elif last is None or paused:
            stops.append(_Stop(None, [photo], say=mark("No tag was photographed before it at this stop.")))
        elif _elsewhere(photo, last, places):
            say = mark("It was taken elsewhere than the photos before it, and no tag between them.")
            stops.append(_Stop(None, [photo], say=say))
        else:
            last.photos.append(photo)
    return stops


def _elsewhere(photo: Arrived, stop: _Stop, places: Sequence[Place]) -> bool:
    """Return whether a photo's position contradicts its stop's: that of its photos, else that of its pool."""
    apart = [each for each in (distance_m(photo, other) for other in stop.all) if each is not None]
    if not apart:
        pools = [each for each in places if each.pool_id == stop.pool_id]
        apart = [each for each in (distance_m(photo, pool) for pool in pools) if each is not None]
    return bool(apart) and min(apart) > SAME_PLACE_M


def _place(stop: _Stop, stops: Sequence[_Stop], places: Sequence[Place], zone: tzinfo) -> None:
    """Give a stop without a tag its pool by position where only one pool is near; else say what may be chosen."""
    if stop.tags or len({code for each in stop.photos for code in each.codes}) > 1:
        return
    near = _nearest(stop, places)
    timed = stop.photos[0].taken_at is not None
    if timed and near and near[0][0] <= AT_POOL_M and (len(near) == 1 or near[1][0] > 2 * near[0][0] + AT_POOL_M):
        stop.pool_id, stop.why = (
            near[0][1],
            said("by its position, {metres} m from the pool", metres=f"{near[0][0]:.0f}"),
        )
        return
    choices = [pool_id for _, pool_id in near[:CHOICES]]
    if timed:
        at = _time(stop.photos[0], zone)
        tagged = [each for each in stops if each.pool_id is not None and each.tags and each.why == "by its tag"]
        tagged.sort(key=lambda each: abs((_time(each.all[0], zone) - at).total_seconds()))
        choices += [each.pool_id for each in tagged if each.pool_id is not None]
    stop.near = tuple(dict.fromkeys([*stop.near, *choices]))[:CHOICES]


def _nearest(stop: _Stop, places: Sequence[Place]) -> list[tuple[float, str]]:
    """Return how far each pool whose position is known lies from a stop's farthest photo [m], nearest first."""
    found = []
    for place in places:
        apart = [each for each in (distance_m(photo, place) for photo in stop.photos) if each is not None]
        if apart:
            found.append((max(apart), place.pool_id))
    return sorted(found)


def _give(told: Sequence[Arrived], answered: Mapping[str, str], visits: list[_Stop], zone: tzinfo) -> None:
    """Put photos where a person said: into that pool's stop nearest in time, else into one of their own."""
    timed = sorted((each for each in told if each.taken_at is not None), key=lambda each: _time(each, zone))
    for photo in [*timed, *_timeless(told)]:
        of_pool = [each for each in visits if each.pool_id == answered[photo.sha256]]
        chosen = None
        if photo.taken_at is None:
            chosen = of_pool[0] if of_pool else None
        else:
            near = [(_pause(photo, each, zone), place) for place, each in enumerate(of_pool)]
            near = [each for each in near if each[0] <= SAME_STOP]
            chosen = of_pool[min(near)[1]] if near else None
        if chosen is None:
            chosen = _Stop(answered[photo.sha256], why=mark("as you said"))
            visits.append(chosen)
        (chosen.tags if photo.codes else chosen.photos).append(photo)


def _pause(photo: Arrived, stop: _Stop, zone: tzinfo) -> timedelta:
    """Return the time between a photo and the nearest photo of a stop."""
    timed = [each for each in stop.all if each.taken_at is not None]
    return min((abs(_time(photo, zone) - _time(each, zone)) for each in timed), default=timedelta(0))


def _joined(visits: Sequence[_Stop], zone: tzinfo) -> list[_Stop]:
    """Return the stops with those at one pool within one pause made one: two phones, a tag taken twice."""
    kept: list[_Stop] = []
    for stop in visits:
        timed = [each for each in stop.all if each.taken_at is not None]
        for other in kept:
            if other.pool_id == stop.pool_id and any(_pause(each, other, zone) <= SAME_STOP for each in timed):
                other.photos += stop.photos
                other.tags += stop.tags
                break
        else:
            kept.append(stop)
    return kept


def _visit(stop: _Stop, zone: tzinfo) -> SortedVisit:
    """Return a stop as a visit, its photos in the order taken, those without a time last."""

    def order(photo: Arrived) -> tuple[bool, float, str]:
        return photo.taken_at is None, 0.0 if photo.taken_at is None else _time(photo, zone).timestamp(), photo.name

    timed = [_time(each, zone) for each in stop.all if each.taken_at is not None]
    return SortedVisit(
        pool_id=stop.pool_id or "",
        at=min(timed, default=None),
        photos=tuple(sorted(stop.photos, key=order)),
        tags=tuple(sorted(stop.tags, key=order)),
        why=stop.why,
    )


def strip_of(visit: SortedVisit) -> Arrived | None:
    """Return the photo that shows the strip where strips were photographed: the last of two and more."""
    return visit.photos[-1] if len(visit.photos) > 1 else None
