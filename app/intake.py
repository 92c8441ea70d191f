"""Photos taken without signal into the log: a folder or zip taken in, sorted into visits, asked about, confirmed.

In: an open `Log`, files, a person's answers, and the time. Out: photos that wait, their sorting, and visits. A photo is
in the log before anything is made of it; what is not clear waits for an answer, on whatever device.
"""

from __future__ import annotations

import lzma
import stat
import struct
import zipfile
import zlib
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from datetime import UTC, datetime, tzinfo
from itertools import islice
from pathlib import Path
from typing import IO, Any, cast

from app import actions, config, strips, words
from app.access import Right, needs, touches_no_log
from app.actions import Log, Measured, PhotoIn, Refused
from app.crew import TaskFailed, core_count, shared_crew
from app.errors import IntakeRefused, PhotoRefused
from app.measuring import Watch
from app.records import Method, Pool, Recovery, Visit
from app.sorting import LEFT_OUT, SAME_STOP, Arrived, Place, SortedVisit, Sorting, sort_photos, strip_of
from app.store import finding
from app.store import intake as kept
from app.store.intake import Arrival, Draft
from app.tag import code_in, tag_code
from app.words import mark
from app.workers import FindClues, Measure
from vision.errors import VisionError
from vision.tag import PhotoClues

SUFFIXES = (".jpg", ".jpeg", ".png", ".webp", ".heic", ".heif")
"""Files taken for photos by their name; what they are is found when they are decoded."""

MOST_FILES = 5000
"""Files looked at in one folder or zip: a company's photos of several weeks (our choice)."""

MOST_MB = 8000
"""Unpacked size of a zip's photos taken at once [MB], whatever the zip itself says of its size (our choice)."""

LONGEST_LIST = MOST_FILES * 600
"""Longest list of entries read of a zip [bytes]: a long name for each file (our choice)."""

MOST_GROWTH, ALWAYS_MB = 20, 20
"""How many times its own size a zip's photos may unpack to, and how many MB always: photos are packed already, and
hardly grow (our choice)."""

_SPOILED = (
    zipfile.BadZipFile,
    zlib.error,
    lzma.LZMAError,
    struct.error,
    EOFError,
    OSError,
    ValueError,
    IndexError,
    NotImplementedError,
    RuntimeError,
)
"""What Python's zip reader raises of damaged bytes (found by spoiling zips at random)."""

AT_ONCE = 32
"""Photos whose clues are looked for at once: what fits in memory beside each other (our choice)."""


@dataclass(frozen=True)
class TakenIn:
    """What came of photos that were dropped in: how many wait, how many were here before, and those refused."""

    taken: int
    known: int
    refused: tuple[Refused, ...]


@dataclass(frozen=True)
class Waiting:
    """Everything that waits: its sorting, photos that cannot be read, and the pools that these name, by id."""

    sorting: Sorting
    unread: tuple[Arrival, ...]
    pools: Mapping[str, Pool]
    without_recovery: frozenset[str]


@dataclass(frozen=True)
class Proposed:
    """Which pool one photo is of: by its tag, or by where it was taken; None where it does not tell."""

    sha256: str
    pool: Pool | None
    why: str
    is_tag: bool


@dataclass(frozen=True)
class Kept:
    """One sorted visit made a visit of the log, or the sentence that says why it waits; `said` is worth a look."""

    pool: Pool
    sorted_visit: SortedVisit
    visit: Visit | None
    said: tuple[str, ...] = ()
    measured: tuple[Measured, ...] = ()
    refused: tuple[Refused, ...] = ()


@touches_no_log
def photos_in(path: Path) -> Iterator[PhotoIn | Refused]:
    """Give the photos of a folder or a zip one by one, and what was refused.

    Raises
    ------
    IntakeRefused
        If it is neither, or cannot be opened.
    """
    if path.is_dir():
        yield from _in_folder(path)
        return
    try:
        with path.open("rb") as file:
            yield from photos_in_zip(file, path.name)
    except OSError as error:
        raise IntakeRefused(
            f"{path.name} could not be opened ({error.strerror or error}).", "Name a folder of photos, or a zip."
        ) from error


@touches_no_log
def photos_in_zip(file: IO[bytes], name: str) -> Iterator[PhotoIn | Refused]:
    """Give the photos of a zip one by one; nothing is unpacked onto the disk, so no name in it can lead anywhere.

    Links and folders are passed over. Each file is read up to the size of a photo and no further, all of them up to
    `MOST_MB` and to `MOST_GROWTH` times the zip, whatever sizes it names.

    Raises
    ------
    IntakeRefused
        If it is no zip, or holds more than `MOST_FILES`.
    """
    most = int(config.MAX_PHOTO_MB * 1e6)
    try:
        guarded = _Zip(file, name)
        unpacked_mb = min(MOST_MB, max(ALWAYS_MB, MOST_GROWTH * guarded.size // 1_000_000))
        left = unpacked_mb * 1_000_000
        with zipfile.ZipFile(cast("IO[bytes]", guarded)) as packed:
            guarded.is_listed = True
            entries = packed.infolist()
            if len(entries) > MOST_FILES:
                raise IntakeRefused(
                    words.said("{name} holds more than {count} files.", name=name, count=MOST_FILES),
                    "Send it in parts.",
                )
            for entry in entries:
                own = entry.filename.replace("\\", "/").rpartition("/")[2]
                linked = stat.S_ISLNK(entry.external_attr >> 16)
                if linked or not _is_photo(own):
                    continue
                if entry.flag_bits & 1:
                    yield Refused(own, mark("It is locked with a password. Pack the photos without one."))
                    continue
                try:
                    with packed.open(entry) as part:
                        content = part.read(min(most, left) + 1)
                except _SPOILED:
                    yield Refused(own, mark("It is damaged in the zip. Pack it again, or send the photo itself."))
                    continue
                if len(content) > left:
                    raise IntakeRefused(
                        words.said("{name} unpacks to more than {size} MB.", name=name, size=unpacked_mb),
                        "Send it in parts.",
                    )
                left -= len(content)
                if len(content) > most:
                    yield Refused(own, words.said("The file is larger than {size} MB.", size=config.MAX_PHOTO_MB))
                    continue
                yield PhotoIn(own, content, "other")
    except _SPOILED as error:
        raise IntakeRefused(
            words.said("{name} is no zip that can be read.", name=name), "Pack the photos again, or name a folder."
        ) from error


class _Zip:
    """A zip's file whose list of entries cannot be read at once where it is too long, however it names its size.

    Parameters
    ----------
    file : file object
        The zip.
    name : str
        Its name, for the person.
    """

    def __init__(self, file: IO[bytes], name: str) -> None:
        self._file, self._name, self.is_listed = file, name, False
        self.size = file.seek(0, 2)
        file.seek(0)

    def read(self, count: int = -1) -> bytes:
        """Return bytes, the rest where `count` is negative."""
        wanted = self.size - self._file.tell() if count < 0 else min(count, self.size)
        if not self.is_listed and wanted > LONGEST_LIST:
            raise IntakeRefused(words.said("{name} is too large.", name=self._name), "Send it in parts.")
        return self._file.read(count)

    def __getattr__(self, name: str) -> Any:
        """Return whatever else a file has."""
        return getattr(self._file, name)


def _is_photo(name: str) -> bool:
    """Return whether a name is a photo's; those that begin with a dot are another system's leavings."""
    return name.lower().endswith(SUFFIXES) and not name.startswith(".")


def _in_folder(folder: Path) -> Iterator[PhotoIn | Refused]:
    """Give the photos below a folder; links are not followed."""
    found = (each for each in folder.rglob("*") if not each.is_symlink() and _is_photo(each.name) and each.is_file())
    paths = sorted(islice(found, MOST_FILES + 1))
    if len(paths) > MOST_FILES:
        raise IntakeRefused(f"{folder.name} holds more than {MOST_FILES} photos.", "Send them in parts.")
    for path in paths:
        photos, refused = actions.read_photo_files([path])
        yield from (replace(each, kind="other") for each in photos)
        yield from refused


@needs(Right.VISIT)
def take_in(
    log: Log, photos: Iterable[PhotoIn | Refused], *, at: datetime, by: str = "", progress: Watch | None = None
) -> TakenIn:
    """Take photos into the log, each on disk before the next, and find what each tells of where it belongs.

    A photo that waits already, or that a visit has, is not taken twice.
    """
    taken, known, refused = 0, 0, []
    new: list[str] = []
    for photo in photos:
        if isinstance(photo, Refused):
            refused.append(photo)
            continue
        try:
            sha256 = actions.receive_photo(log, photo, received_at=at, by=by)
        except PhotoRefused as error:
            refused.append(Refused(photo.name, error.text))
            continue
        row = log.photo(sha256)
        if (row is not None and row["visit_id"] is not None) or not kept.add_arrival(log, sha256, photo.name, at=at):
            known += 1
            continue
        taken += 1
        new.append(sha256)
        if len(new) == AT_ONCE:
            _find_clues(log, new)
            new.clear()
        if progress is not None:
            progress(taken, taken)
    _find_clues(log, new)
    return TakenIn(taken, known, tuple(refused))


def _find_clues(log: Log, sha256s: Sequence[str]) -> None:
    """Have workers look for tags, times and positions in photos, and keep what they find."""
    contents = [log.photo_bytes(each) for each in sha256s]
    with ThreadPoolExecutor(max(1, min(core_count(), len(contents)))) as threads:
        found = list(threads.map(_clues_of, contents))
    for sha256, (clues, unread) in zip(sha256s, found, strict=True):
        kept.keep_clues(log, sha256, clues, unread=unread)


def _clues_of(content: bytes) -> tuple[PhotoClues | None, str]:
    """Return what a photo tells, or the sentence that says why it tells nothing."""
    try:
        return shared_crew().run(FindClues(content)), ""
    except VisionError as error:
        return None, str(error)
    except TaskFailed as failed:
        return None, failed.sentence


@needs(Right.VISIT)
def waiting(log: Log, *, zone: tzinfo = UTC) -> Waiting:
    """Return everything that waits, sorted by what is known and answered now.

    Parameters
    ----------
    zone : tzinfo
        Zone of the times that a camera wrote without one.
    """
    arrivals = kept.waiting(log)
    # Left from a stop between arriving and looking: they are looked at now.
    missed = [each.sha256 for each in arrivals if each.clues is None and not each.unread]
    if missed:
        for start in range(0, len(missed), AT_ONCE):
            part = missed[start : start + AT_ONCE]
            _find_clues(log, part)
        arrivals = kept.waiting(log)
    # Thousands of pools' tags are computed only where a photo may show one.
    places = _places(log) if arrivals else []
    answers = {each.sha256: each.answer for each in arrivals if each.answer is not None}
    sorting = sort_photos([_arrived(each) for each in arrivals if each.clues], places, answers=answers, zone=zone)
    unread = tuple(each for each in arrivals if each.clues is None and each.answer != LEFT_OUT)
    named = {each.pool_id for each in sorting.visits} | {each for one in sorting.questions for each in one.choices}
    pools = finding.pools_by_id(log, named)
    return Waiting(sorting, unread, pools, frozenset(pools) - finding.pools_in_recovery(log))


def _places(log: Log) -> list[Place]:
    """Return every pool's tag and place."""
    rows = finding.pool_places(log)
    return [Place(row["id"], tag_code(row["id"]), row["latitude_deg"], row["longitude_deg"]) for row in rows]


def _pool_with(log: Log, code: str) -> Pool | None:
    """Return the pool whose tag has that code, None where the actor sees none."""
    pool_id = next((row["id"] for row in finding.pool_places(log) if tag_code(row["id"]) == code), None)
    return None if pool_id is None else finding.pools_by_id(log, [pool_id])[pool_id]


def _arrived(arrival: Arrival) -> Arrived:
    """Return a waiting photo as it is sorted."""
    clues = arrival.clues
    if clues is None:
        raise ValueError(f"arrival must have clues, got {arrival!r}")
    codes = (code_in(text) for text in clues.texts)
    return Arrived(
        sha256=arrival.sha256,
        name=arrival.name,
        taken_at=None if clues.taken_at is None else datetime.fromisoformat(clues.taken_at),
        latitude_deg=clues.latitude_deg,
        longitude_deg=clues.longitude_deg,
        camera=clues.camera,
        codes=tuple(dict.fromkeys(code for code in codes if code is not None)),
    )


@needs(Right.VISIT)
def answer(log: Log, sha256s: Collection[str], pool_id: str) -> None:
    """Say to which pool waiting photos belong.

    Raises
    ------
    NotInLog
        If there is no such pool.
    """
    log.recoveries_of(pool_id)
    for sha256 in _of_those_waiting(log, sha256s):
        kept.keep_answer(log, sha256, pool_id)


@needs(Right.VISIT)
def leave_out(log: Log, sha256s: Collection[str], *, at: datetime) -> None:
    """Leave waiting photos out of all visits; they stay in the log."""
    for sha256 in _of_those_waiting(log, sha256s):
        kept.keep_answer(log, sha256, LEFT_OUT)
        kept.finish_arrival(log, sha256, None, at=at)


@needs(Right.VISIT)
def take_back(log: Log, sha256s: Collection[str]) -> None:
    """Take back what was said of waiting photos: they are sorted by the rules again."""
    for sha256 in _of_those_waiting(log, sha256s):
        kept.keep_answer(log, sha256, None)


def _of_those_waiting(log: Log, sha256s: Collection[str]) -> list[str]:
    """Return those of the photos named that wait and that the actor sees."""
    own = {each.sha256 for each in kept.waiting(log)}
    return [each for each in sha256s if each in own]


@needs(Right.VISIT)
def confirm(
    log: Log,
    *,
    at: datetime,
    by: str = "",
    zone: tzinfo = UTC,
    start: Collection[str] = (),
    strip_kind_id: str = "",
    progress: Watch | None = None,
    measure: Measure | None = None,
) -> tuple[Kept, ...]:
    """Make visits of all that is sorted; what is asked stays waiting.

    Parameters
    ----------
    at : datetime
        Now; a visit's own time is that of its first photo.
    start : collection of str
        Pools whose recovery is opened with the visit where none is open; a visit of another such pool waits.
    strip_kind_id : str
        Of which kind the test strips are: then the last of a visit's two and more photos is read as a strip. Empty
        where no strips were photographed.
    progress : callable, optional
        Told how many visits are saved, of how many.

    Raises
    ------
    NotInLog
        If there is no such kind of strip.
    """
    if strip_kind_id:
        strips.find_kind(log, strip_kind_id)
    found = waiting(log, zone=zone)
    done = []
    for number, each in enumerate(found.sorting.visits, start=1):
        done.append(_keep(log, each, found, at=at, by=by, start=start, kind=strip_kind_id, measure=measure))
        if progress is not None:
            progress(number, len(found.sorting.visits))
    return tuple(done)


def _keep(
    log: Log,
    sorted_visit: SortedVisit,
    found: Waiting,
    *,
    at: datetime,
    by: str,
    start: Collection[str],
    kind: str,
    measure: Measure | None,
) -> Kept:
    """Make one sorted visit a visit of the log, or part of the one that was begun at the same stop."""
    pool, said = found.pools[sorted_visit.pool_id], []
    when = sorted_visit.at or at
    if sorted_visit.at is None:
        said.append(mark("Its photos do not say when they were taken: the visit stands at the present time."))
    elif when > at:
        said.append(mark("Its photos say a time that is yet to come: the visit stands at the present time."))
        when = at
    recovery = next((each for each in log.recoveries_of(pool.id) if each.closed_at is None), None)
    if recovery is None:
        if pool.id not in start:
            return Kept(
                pool, sorted_visit, None, (mark("No recovery of this pool is open: start one, and confirm again."),)
            )
        recovery = actions.open_recovery(log, pool.id, at=when, by=by)
    strip = strip_of(sorted_visit) if kind else None
    water = [each for each in sorted_visit.photos if each is not strip]
    for photo in water:
        kept.name_kind(log, photo.sha256, "water", at=at, who=by)
    photos = [_again(log, each) for each in water]
    begun = min(recovery.visits, key=lambda each: abs(each.at - when), default=None)
    if begun is not None and abs(begun.at - when) <= SAME_STOP:
        day = f"{begun.at.astimezone(when.tzinfo):%Y-%m-%d %H:%M}"
        said.append(words.said("Added to the visit of {day}.", day=day))
        logged = actions.add_photos(log, begun.id, photos, at=at, by=by, measure=measure)
    else:
        logged = actions.log_visit(log, recovery.id, at=when, by=by, photos=photos, received_at=at, measure=measure)
    visit, refused = logged.visit, logged.refused
    if strip is not None:
        visit, more = _read_strip(log, recovery, visit, strip, kind, at=at, by=by, measure=measure)
        refused = (*refused, *more)
    for each in (*sorted_visit.photos, *sorted_visit.tags):
        kept.finish_arrival(log, each.sha256, visit.id, at=at)
    said += _learn_place(log, pool, sorted_visit, at=at, by=by)
    return Kept(pool, sorted_visit, visit, tuple(said), logged.measured, refused)


def _again(log: Log, photo: Arrived, kind: str = "water") -> PhotoIn:
    """Return a photo of the log as it arrived."""
    return PhotoIn(photo.name, log.photo_bytes(photo.sha256), kind)


def _read_strip(
    log: Log, recovery: Recovery, visit: Visit, photo: Arrived, kind: str, *, at: datetime, by: str,
    measure: Measure | None,
) -> tuple[Visit, tuple[Refused, ...]]:  # fmt: skip
    """Read a visit's strip by its photo; return the visit with its readings, and what was refused."""
    kept.name_kind(log, photo.sha256, "strip", at=at, who=by)
    taken = strips.read_at_visit(log, visit.id, _again(log, photo, "strip"), kind, at=at, by=by, measure=measure)
    if not taken.readings:
        return taken.visit, taken.refused
    analytes = {each.analyte for each in taken.readings}
    others = [
        each for each in taken.visit.readings if each.method is not Method.STRIP_PHOTO or each.analyte not in analytes
    ]
    whole = strips.judged_readings(recovery, [*others, *taken.readings], at=visit.at)
    return actions.update_visit(log, replace(taken.visit, readings=whole), at=at, by=by), taken.refused


def _learn_place(log: Log, pool: Pool, visit: SortedVisit, *, at: datetime, by: str) -> list[str]:
    """Note a pool's position from a photo of its own tag where it is not known; say so."""
    there = next((each for each in visit.tags if each.latitude_deg is not None), None)
    if there is None or pool.latitude_deg is not None:
        return []
    log.update_pool(replace(pool, latitude_deg=there.latitude_deg, longitude_deg=there.longitude_deg), at=at, who=by)
    return [mark("The pool's position is known from now on, from its tag's photo.")]


# Tags and drafts


@needs(Right.LOOK)
def pool_of_tag(log: Log, code: str) -> Pool | None:
    """Return the pool that a tag is of, None where the actor sees none."""
    return _pool_with(log, code)


@needs(Right.VISIT)
def propose_pool(log: Log, photo: PhotoIn, *, at: datetime, by: str = "") -> Proposed:
    """Take a photo into the log and say which pool it is of.

    Raises
    ------
    PhotoRefused
        If it is empty or too large.
    """
    sha256 = actions.receive_photo(log, photo, received_at=at, by=by)
    clues, unread = _clues_of(photo.content)
    if clues is None:
        return Proposed(sha256, None, unread, is_tag=False)
    arrived = _arrived(Arrival(sha256, photo.name, at, clues, "", None))
    # The hour is of no account for one photo alone; with one, a position is enough.
    sorting = sort_photos([replace(arrived, taken_at=arrived.taken_at or at)], _places(log))
    if sorting.lone_tags:
        return Proposed(sha256, _pool_with(log, sorting.lone_tags[0].codes[0]), mark("by its tag"), True)
    if sorting.visits:
        found = actions.pool(log, sorting.visits[0].pool_id)
        return Proposed(sha256, found, sorting.visits[0].why, is_tag=False)
    return Proposed(sha256, None, sorting.questions[0].say, is_tag=bool(arrived.codes))


@needs(Right.LOOK)
def write_tags(log: Log, pool_ids: Sequence[str], *, address: str = "", paper: str = "a4") -> bytes:
    """Return a PDF of the pools' tags at true size, all pools' where none is named.

    Raises
    ------
    NotInLog
        If there is no such pool.
    IntakeRefused
        If there is no pool, or the address is none.
    """
    from app.report.card_pdf import Paper
    from app.report.tags_pdf import tags_pdf

    known = finding.pools_by_id(log, pool_ids)
    chosen = [known.get(each) or actions.find_pool(log, each) for each in pool_ids] or [*log.pools()]
    if not chosen:
        raise IntakeRefused("There is no pool to print a tag for.", "Add a pool first.")
    if address and not address.startswith(("http://", "https://")):
        raise IntakeRefused(
            words.said("{address} is no address.", address=address), "Write it as https://pools.example."
        )
    return tags_pdf([(each.id, each.name) for each in chosen], address=address, paper=Paper(paper))


@needs(Right.VISIT)
def drafts(log: Log) -> tuple[Draft, ...]:
    """Return the visits that were begun and not saved, newest first."""
    return kept.drafts(log)


@needs(Right.VISIT)
def begin_draft(log: Log, visit_id: str, *, at: datetime, by: str = "") -> None:
    """Note a visit as begun and not saved, so that it is taken up again on any device."""
    kept.begin_draft(log, visit_id, at=at, who=by)


@needs(Right.VISIT)
def end_draft(log: Log, visit_id: str) -> None:
    """Note a visit as saved; what was typed at it is in it now."""
    kept.end_draft(log, visit_id)


@needs(Right.VISIT)
def keep_typed(
    log: Log,
    recovery_id: str,
    changed: Mapping[str, Any],
    *,
    sheet_id: str,
    visit_id: str | None,
    at: datetime,
    by: str = "",
) -> None:
    """Keep what was just typed at a visit and not saved yet, so that it is taken up again on any device.

    Parameters
    ----------
    changed : mapping
        Fields by name, as JSON holds them; what was typed on the sheet before stays beside them.
    sheet_id : str
        The device's own sheet; made by its first field.
    visit_id : str or None
        The visit; None before a photo has begun one.
    """
    kept.keep_typed(log, sheet_id, changed, recovery_id=recovery_id, visit_id=visit_id, at=at, who=by)


@needs(Right.VISIT)
def typed_at(log: Log, recovery_id: str, *, sheet_id: str, visit_id: str | None) -> dict[str, Any]:
    """Return what was typed on a sheet, and on others of the same visit, and is not saved yet."""
    return kept.typed_on(log, recovery_id, sheet_id=sheet_id, visit_id=visit_id)


@needs(Right.VISIT)
def give_sheet(log: Log, visit_id: str, *, sheet_id: str) -> None:
    """Give a sheet to the visit that its pool's first photo began."""
    kept.give_sheet(log, sheet_id, visit_id)


@needs(Right.VISIT)
def throw_sheet(log: Log, recovery_id: str, *, sheet_id: str) -> None:
    """Throw away what was typed on a sheet of a recovery, once it is saved or no longer wanted."""
    kept.throw_sheet(log, recovery_id, sheet_id)
