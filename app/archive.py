"""The archive's safety: is all there and unaltered, what can be mended, backups and their return.

In: an open `Log`, a folder, the time. Out: what was found and done, each as a sentence. Photos are checked against
their sha256, rows against their history, both while people work.
"""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import asdict, dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from app import config
from app.access import Right, needs, touches_no_log
from app.errors import CannotRestore, LogUnusable, PhotoDamaged
from app.events import note
from app.measuring import Watch
from app.store import checks
from app.store.log import LOG_FILE, Log
from app.store.photos import (
    ARRIVING,
    Found,
    PhotoFolder,
    copy_durably,
    free_name,
    make_folder,
    photo_place,
    sha256_of,
    sha256_of_file,
    write_durably,
)

SETTLED = timedelta(minutes=5)
"""Age from which a file without a row is no longer one that is just arriving (our choice: an upload's patience)."""

PAGE = 500
"""Photos read from the log at a time (our choice)."""

SNAPSHOTS = "snapshots"
"""Folder of a backup with the databases; its photos lie in `photos` as in a log."""

KEPT_SNAPSHOTS = 30
"""Snapshots kept in a backup (our choice: a month of nightly ones); photos are kept for good."""

FOUND_NAME = "found-by-verify"
"""Name of a photo whose own is not known: its file was kept, but the save ended before it was noted."""


@dataclass(frozen=True)
class Finding:
    """One thing that is wrong, and whether it was mended.

    `kind` is a code, `what` an id, a sha256 or a place, `say` the sentence with what to do or what was done.
    """

    kind: str
    what: str
    say: str
    mended: bool = False


@dataclass(frozen=True)
class Verified:
    """What a check found: how many photos the log has, how many files lay beside them, and what is wrong."""

    photos: int
    files: int
    findings: tuple[Finding, ...]

    @property
    def sound(self) -> bool:
        """Whether nothing is wrong any more."""
        return all(each.mended for each in self.findings)


@dataclass(frozen=True)
class Backup:
    """A backup as made: its snapshot's name, and what was copied; `lost` names photos that could not be."""

    snapshot: str
    photos: int
    copied: int
    copied_bytes: int
    lost: tuple[str, ...]


@dataclass(frozen=True)
class Snapshot:
    """What is written beside a snapshot: enough to know it again."""

    made_at: str
    sha256: str
    size_bytes: int
    photos: int
    version: str


# Check and mend


@needs(Right.ARCHIVE)
def verify(
    log: Log,
    *,
    now: datetime,
    mend: bool = False,
    spare: Path | None = None,
    quick: bool = False,
    settled: timedelta = SETTLED,
    progress: Watch | None = None,
) -> Verified:
    """Check that nothing is lost or altered, and mend what can be mended.

    Parameters
    ----------
    now : datetime
        The present.
    mend : bool
        Mend, not only say.
    spare : Path, optional
        A backup to take missing and altered photos from.
    quick : bool
        Look at sizes alone; do not read every byte.
    settled : timedelta
        How old a file without a row must be; younger ones may be arriving just now.
    progress : callable, optional
        Told how many photos are checked, of how many.
    """
    task = _Check(log, now, mend, None if spare is None else PhotoFolder(spare / "photos"), quick, settled, progress)
    found = [*_database(task), *_photos(task)]
    files = 0
    for each in log.photos_kept.found():
        files += 1
        finding = _file(task, each)
        if finding is not None:
            found.append(finding)
    note("verified", photos=log.photo_count(), findings=len(found), mended=sum(each.mended for each in found))
    return Verified(log.photo_count(), files, tuple(found))


@dataclass(frozen=True)
class _Check:
    log: Log
    now: datetime
    mend: bool
    spare: PhotoFolder | None
    quick: bool
    settled: timedelta
    progress: Watch | None

    @property
    def aside(self) -> Path:
        """The folder for files that are not what they should be."""
        return self.log.folder / "aside"


def _database(task: _Check) -> Iterator[Finding]:
    """Check the database alone."""
    damage = checks.damaged_pages(task.log)
    if damage and task.mend and all("index" in each for each in damage):
        checks.rebuild_indexes(task.log)
        left = checks.damaged_pages(task.log)
        yield Finding("index_damaged", LOG_FILE, f"Indexes were damaged ({damage[0]}) and made anew.", not left)
        damage = left
    for each in damage:
        yield Finding("database_damaged", LOG_FILE, f"The database is damaged: {each}. Restore it from a backup.")
    for each in checks.broken_references(task.log):
        yield Finding("reference_broken", LOG_FILE, f"In the database {each}. Restore it from a backup.")
    for each in checks.foreign_measurements(task.log):
        yield Finding(
            "measurement_foreign", each, f"The measurement {each} is of another photo. Rescore with a newer version."
        )
    for table, row_id in checks.denied_rows(task.log):
        yield Finding(
            "row_altered",
            f"{table} {row_id}",
            f"The row {row_id} of {table} is not what its history last said: it was changed around the program.",
        )


def _photos(task: _Check) -> Iterator[Finding]:
    """Check every photo that the log mentions."""
    after = done = 0
    total = task.log.photo_count()
    while rows := task.log.photos(after=after, most=PAGE):
        after = rows[-1]["place"]
        for row in rows:
            finding = _photo(task, row["sha256"], row["size_bytes"], row["original_name"])
            if finding is not None:
                yield finding
            done += 1
            if task.progress is not None:
                task.progress(done, total)


def _photo(task: _Check, sha256: str, size_bytes: int, name: str) -> Finding | None:
    """Check one photo that the log mentions, and bring it back from the spare where that is asked."""
    try:
        if task.quick and isinstance(task.log.photos_kept, PhotoFolder):
            size = (task.log.photo_folder / photo_place(sha256)).stat().st_size
            kind = "" if size == size_bytes else "photo_altered"
        else:
            kind = "" if len(task.log.photos_kept.read(sha256)) == size_bytes else "photo_altered"
    except FileNotFoundError:
        kind = "photo_missing"
    except PhotoDamaged as error:
        kind = "photo_missing" if "missing" in error.sentence else "photo_altered"
    if not kind:
        return None
    wrong = "is missing" if kind == "photo_missing" else "is no longer what was received"
    if task.mend and (content := _spare_bytes(task, sha256)) is not None:
        if kind == "photo_altered":
            task.log.photos_kept.put_aside(photo_place(sha256), task.aside)
        task.log.photos_kept.keep(content)
        return Finding(kind, sha256, f"The photo {name} ({sha256[:12]}) {wrong[3:]}; it was put back.", True)
    return Finding(
        kind, sha256, f"The photo {name} ({sha256[:12]}) {wrong}. Put it back: turnblue verify --mend --spare BACKUP"
    )


def _spare_bytes(task: _Check, sha256: str) -> bytes | None:
    """Return a photo's bytes from the backup named, or from what was put aside; None where neither has them."""
    for content in _candidates(task, sha256):
        if sha256_of(content) == sha256:
            return content
    return None


def _candidates(task: _Check, sha256: str) -> Iterator[bytes]:
    """Give what may be a photo's bytes."""
    if task.spare is not None:
        with suppress(PhotoDamaged):
            yield task.spare.read(sha256)
    for path in sorted(task.aside.glob(f"{sha256}*")):
        yield path.read_bytes()


def _file(task: _Check, found: Found) -> Finding | None:
    """Check one file among the photos: does the log mention it, and is it one?"""
    name = Path(found.place).name
    # A clock that was set back makes a file look as if from the future: that is no arrival either.
    if abs(task.now.timestamp() - found.written_at_s) < task.settled.total_seconds():
        return None
    if name.startswith(ARRIVING):
        if task.mend:
            task.log.photos_kept.remove_unfinished(found.place)
            return Finding(
                "file_unfinished", found.place, "A save was broken off; its unfinished file was removed.", True
            )
        return Finding("file_unfinished", found.place, "A save was broken off and left an unfinished file.")
    is_name = len(name) == 64 and set(name) <= set("0123456789abcdef") and found.place == photo_place(name)
    if is_name and task.log.photo(name) is not None:
        return None
    content = _whole(task, name) if is_name else None
    if content is None:
        if task.mend:
            task.log.photos_kept.put_aside(found.place, task.aside)
            return Finding(
                "file_strange", found.place, f"A file that is no photo of the log was moved to {task.aside}.", True
            )
        return Finding("file_strange", found.place, "A file lies among the photos that is none of the log's.")
    if task.mend:
        written = datetime.fromtimestamp(found.written_at_s, UTC)
        task.log.add_photo(content, name=FOUND_NAME, received_at=written, kind=None, who="verify")
        return Finding(
            "photo_unnoted", name, f"The photo {name[:12]} was kept but not noted; it was taken into the log.", True
        )
    return Finding(
        "photo_unnoted", name, f"The photo {name[:12]} was kept, but its save ended before it was noted in the log."
    )


def _whole(task: _Check, sha256: str) -> bytes | None:
    """Return a file's bytes where they are those its name says."""
    try:
        return task.log.photos_kept.read(sha256)
    except PhotoDamaged:
        return None


# Back up and restore


@needs(Right.ARCHIVE)
def backup(log: Log, folder: Path, *, at: datetime, check: bool = False, progress: Watch | None = None) -> Backup:
    """Back the log up into `folder` while people work: first its rows as of now, then the photos they mention.

    A photo is on disk before its row and is never removed, so every photo of the snapshot is there to be copied. Only
    photos that the backup lacks are copied; the snapshot counts when its description is written, at the very end.

    Parameters
    ----------
    folder : Path
        A backup made before, or an empty or missing folder; not inside the log's.
    check : bool
        Read the photos that the backup has already, and copy those anew that are not what they should be.
    progress : callable, optional
        Told how many photos are done, of how many.

    Raises
    ------
    LogUnusable
        If the folder does not take it.
    """
    if folder.resolve().is_relative_to(log.folder.resolve()):
        raise LogUnusable("A backup inside the log's own folder is lost with it.", "Name a folder on another disk.")
    try:
        return _backed_up(log, folder, at, check, progress)
    except OSError as error:
        raise LogUnusable(
            f"The backup into {folder} failed ({error.strerror or error}).",
            "Check that its disk is not full and can be written to; the backups made before are as they were.",
        ) from error


def _backed_up(log: Log, folder: Path, at: datetime, check: bool, progress: Watch | None) -> Backup:
    """Make the backup."""
    name = f"{_next_number(folder):04d}-{at.astimezone(UTC):%Y%m%dT%H%M%SZ}"
    database = folder / SNAPSHOTS / f"{name}.sqlite3"
    photos = PhotoFolder(folder / "photos")
    log.copy_to(database)
    copied = copied_bytes = done = after = 0
    lost = []
    with Log.read_only(database) as frozen:
        total = frozen.photo_count()
        while rows := frozen.photos(after=after, most=PAGE):
            after = rows[-1]["place"]
            for row in rows:
                if not _has(photos, row["sha256"], row["size_bytes"], check):
                    try:
                        copied_bytes += len(content := log.photos_kept.read(row["sha256"]))
                        photos.keep(content)
                        copied += 1
                    except PhotoDamaged:
                        lost.append(row["sha256"])
                done += 1
                if progress is not None:
                    progress(done, total)
    about = Snapshot(at.isoformat(), sha256_of_file(database), database.stat().st_size, total, config.version())
    write_durably(database.with_suffix(".json"), json.dumps(asdict(about)).encode())
    _forget_old(folder)
    write_durably(log.folder / "last-backup.json", json.dumps({"at": at.isoformat(), "lost": len(lost)}).encode())
    note("backed_up", photos=total, copied=copied, bytes=copied_bytes, lost=len(lost))
    return Backup(name, total, copied, copied_bytes, tuple(lost))


def _has(photos: PhotoFolder, sha256: str, size_bytes: int, check: bool) -> bool:
    """Tell whether a backup has a photo."""
    if check:
        try:
            photos.read(sha256)
        except PhotoDamaged:
            return False
        return True
    path = photos.folder / photo_place(sha256)
    return path.is_file() and path.stat().st_size == size_bytes


def _next_number(folder: Path) -> int:
    """Return the next snapshot's number; numbers, not times, say which is newest: a clock may be set back."""
    numbers = [path.name.partition("-")[0] for path in (folder / SNAPSHOTS).glob("*-*.*")]
    return max((int(each) for each in numbers if each.isdigit()), default=0) + 1


def _forget_old(folder: Path) -> None:
    """Remove the oldest snapshots beyond those kept, and databases that were never described."""
    described = snapshots(folder)
    for path in (folder / SNAPSHOTS).glob("*.sqlite3"):
        if path.stem not in described[-KEPT_SNAPSHOTS:]:
            path.with_suffix(".json").unlink(missing_ok=True)
            path.unlink(missing_ok=True)


@touches_no_log
def snapshots(folder: Path) -> tuple[str, ...]:
    """Return the names of a backup's snapshots, oldest first."""
    return tuple(sorted(path.stem for path in (folder / SNAPSHOTS).glob("*.json")))


@touches_no_log
def restore(folder: Path, into: Path, *, snapshot: str | None = None, progress: Watch | None = None) -> Snapshot:
    """Make a log out of a backup; nothing is there until all of it is, every byte checked.

    Parameters
    ----------
    folder : Path
        The backup.
    into : Path
        A missing or empty folder.
    snapshot : str, optional
        The snapshot's name or the beginning of it; by default the newest.
    progress : callable, optional
        Told how many photos are done, of how many.

    Raises
    ------
    CannotRestore
        If there is no such snapshot, it is not what was written, a photo of it is missing or altered, or `into`
        holds something.
    """
    names = [each for each in snapshots(folder) if each.startswith(snapshot or "")]
    if not names:
        raise CannotRestore(f"{folder} holds no such backup.", "Name the folder that turnblue backup wrote into.")
    if into.exists() and (not into.is_dir() or any(into.iterdir())):
        raise CannotRestore(f"{into} holds something already.", "Name an empty folder; nothing was changed.")
    database = folder / SNAPSHOTS / f"{names[-1]}.sqlite3"
    try:
        about = _described(database)
        if sha256_of_file(database) != about.sha256:
            raise CannotRestore(f"The snapshot {names[-1]} is damaged.", "Restore an older one with --snapshot.")
        _build(folder, database, into, about, progress)
    except (OSError, PhotoDamaged) as error:
        raise CannotRestore(f"The log could not be restored ({error}).", "Nothing was put in its place.") from error
    note("restored", photos=about.photos)
    return about


def _described(database: Path) -> Snapshot:
    """Return what was written beside a snapshot."""
    text = database.with_suffix(".json").read_text(encoding="utf-8", errors="replace")
    try:
        return Snapshot(**json.loads(text))
    except (ValueError, TypeError) as error:
        raise CannotRestore(
            f"The description of the snapshot {database.stem} is damaged.", "Restore an older one with --snapshot."
        ) from error


def _build(folder: Path, database: Path, into: Path, about: Snapshot, progress: Watch | None) -> None:
    """Build the log beside its place, then move it there."""
    into.parent.mkdir(parents=True, exist_ok=True)
    making = free_name(into.parent, f".{into.name}.restoring")
    make_folder(making)
    try:
        source, target = PhotoFolder(folder / "photos"), PhotoFolder(making / "photos")
        after = done = 0
        with Log.read_only(database) as frozen:
            while rows := frozen.photos(after=after, most=PAGE):
                after = rows[-1]["place"]
                for row in rows:
                    target.keep(source.read(row["sha256"]))
                    done += 1
                    if progress is not None:
                        progress(done, about.photos)
        copy_durably(database, making / LOG_FILE)
        if into.is_dir():
            into.rmdir()
        os.replace(making, into)
    except BaseException:
        shutil.rmtree(making, ignore_errors=True)
        raise
