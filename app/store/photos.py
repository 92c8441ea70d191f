"""Original photos, byte for byte, each under its sha256; never altered.

In: the bytes as received. Out: the path they lie at. They lie in a folder of the log, or in a store that fsspec
reads (`app.store.bucket`) where the file `photos.address` in the log's folder names one. A photo is on disk (written
aside, synced, renamed, the folder synced) before the log mentions it, so a crash leaves at worst a file without a
row, never a row without a file.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from app.errors import LogUnusable, PhotoDamaged

ADDRESS_FILE = "photos.address"
"""File in the log's folder that names the store of its photos where that is no folder of the log."""

ARRIVING = ".incoming-"
"""How the name of a file begins that is being written."""


@dataclass(frozen=True)
class Found:
    """A file among the originals: its place below the store's root, its size [bytes], when it was written [s]."""

    place: str
    size_bytes: int
    written_at_s: float


class PhotoStore(Protocol):
    """Where originals are kept."""

    def keep(self, content: bytes) -> str:
        """Keep the bytes for good and return their sha256; the same bytes twice are one file."""

    def read(self, sha256: str) -> bytes:
        """Return the bytes, checked against their sha256; `PhotoDamaged` where they are missing or others."""

    def address(self, sha256: str) -> str:
        """Return the photo's address where it lies in no folder of this machine, else nothing."""

    def found(self) -> Iterator[Found]:
        """Give every file there is, photos or not."""

    def put_aside(self, place: str, aside: Path) -> None:
        """Move a file into the folder `aside`, never over another."""

    def remove_unfinished(self, place: str) -> None:
        """Remove a file whose writing was broken off."""


class PhotoFolder:
    """Originals in a folder of this machine."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def keep(self, content: bytes) -> str:
        """Keep the bytes: `keep_photo`."""
        return keep_photo(self.folder, content)

    def read(self, sha256: str) -> bytes:
        """Return the bytes: `read_photo`."""
        return read_photo(self.folder, sha256)

    def address(self, _sha256: str) -> str:
        """Return nothing: the photo has a path."""
        return ""

    def found(self) -> Iterator[Found]:
        """Give every file below the folder."""
        for folder, folders, names in os.walk(self.folder):
            folders.sort()
            for name in sorted(names):
                path = Path(folder, name)
                try:
                    about = path.lstat()
                except FileNotFoundError:
                    continue  # a photo that was arriving has taken its name
                yield Found(path.relative_to(self.folder).as_posix(), about.st_size, about.st_mtime)

    def put_aside(self, place: str, aside: Path) -> None:
        """Move a file into the folder `aside`."""
        make_folder(aside)
        target = free_name(aside, Path(place).name)
        os.replace(self.folder / place, target)
        sync_folder(aside)
        sync_folder((self.folder / place).parent)

    def remove_unfinished(self, place: str) -> None:
        """Remove a file whose writing was broken off; one that is gone already is no matter."""
        if not Path(place).name.startswith(ARRIVING):
            raise ValueError(f"place must name an unfinished file, got {place!r}")
        (self.folder / place).unlink(missing_ok=True)


def open_photos(home: Path) -> PhotoStore:
    """Return the store of a log's photos.

    Raises
    ------
    LogUnusable
        If `photos.address` names a store that cannot be used.
    """
    named = home / ADDRESS_FILE
    if not named.is_file():
        return PhotoFolder(home / "photos")
    from app.store.bucket import PhotoBucket

    return PhotoBucket(named.read_text(encoding="utf-8").strip())


def free_name(folder: Path, name: str) -> Path:
    """Return a path in `folder` for a file of that name that nothing has yet."""
    path, number = folder / name, 1
    while path.exists():
        number += 1
        path = folder / f"{name}-{number}"
    return path


def photo_place(sha256: str) -> str:
    """Return where a photo lies below its store's root: a fan-out of two levels by its first digits.

    Raises
    ------
    ValueError
        If `sha256` is not 64 lower-case hexadecimal digits.
    """
    if len(sha256) != 64 or not set(sha256) <= set("0123456789abcdef"):
        raise ValueError(f"sha256 must be 64 lower-case hexadecimal digits, got {sha256!r}")
    return f"{sha256[:2]}/{sha256[2:4]}/{sha256}"


def sha256_of(content: bytes) -> str:
    """Return the sha256 of `content` as 64 lower-case hexadecimal digits.

    Examples
    --------
    >>> sha256_of(b"")[:8]
    'e3b0c442'
    """
    return hashlib.sha256(content).hexdigest()


def sha256_of_file(path: Path) -> str:
    """Return a file's sha256, read in pieces: it may be larger than the memory."""
    told = hashlib.sha256()
    with path.open("rb") as file:
        while piece := file.read(1 << 20):
            told.update(piece)
    return told.hexdigest()


def photo_path(folder: Path, sha256: str) -> Path:
    """Return the path of the photo of that sha256 below `folder`; `ValueError` where it is none."""
    return folder / photo_place(sha256)


def keep_photo(folder: Path, content: bytes) -> str:
    """Keep `content` for good and return its sha256; the same bytes twice are one file.

    Parameters
    ----------
    folder : Path
        The folder of all originals.
    content : bytes
        The file as received.

    Raises
    ------
    LogUnusable
        If the disk does not take it.
    """
    sha256 = sha256_of(content)
    path = photo_path(folder, sha256)
    try:
        if not (path.is_file() and path.read_bytes() == content):
            write_durably(path, content)
    except OSError as error:
        raise LogUnusable(
            f"The photo could not be saved ({error.strerror or error}).",
            f"Check that the disk of {folder} is not full and can be written to, and send it again.",
        ) from error
    return sha256


def read_photo(folder: Path, sha256: str) -> bytes:
    """Return the original's bytes, checked against its sha256.

    Raises
    ------
    PhotoDamaged
        If the file is missing or its bytes are no longer those received.
    """
    path = photo_path(folder, sha256)
    try:
        content = path.read_bytes()
    except OSError as error:
        raise PhotoDamaged(
            f"The original photo {sha256[:12]} is missing from the log's folder.", "Restore it from a backup."
        ) from error
    if sha256_of(content) != sha256:
        raise PhotoDamaged(
            f"The original photo {sha256[:12]} is no longer what was received.", "Restore it from a backup."
        )
    return content


def write_durably(path: Path, content: bytes) -> None:
    """Write a file so that after a power cut it is there whole or not at all.

    The bytes go to a file beside it, are synced, take their name in one step, and the folder is synced too:
    without the last the name itself may be lost.
    """
    make_folder(path.parent)
    handle, aside = tempfile.mkstemp(prefix=ARRIVING, dir=path.parent)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        os.replace(aside, path)
    except BaseException:
        Path(aside).unlink(missing_ok=True)
        raise
    sync_folder(path.parent)


def copy_durably(source: Path, target: Path) -> None:
    """Copy a file of any size, synced; `target` is new."""
    make_folder(target.parent)
    shutil.copyfile(source, target)
    with target.open("rb+") as file:
        os.fsync(file.fileno())
    sync_folder(target.parent)


def make_folder(folder: Path) -> None:
    """Make `folder` and its parents, readable by its owner alone (photos of people's homes), each synced."""
    missing = []
    while not folder.is_dir():
        missing.append(folder)
        folder = folder.parent
    for each in reversed(missing):
        each.mkdir(mode=0o700, exist_ok=True)
        sync_folder(each.parent)


def sync_folder(folder: Path) -> None:
    """Sync a folder's names to disk; a system without that (Windows) keeps them by itself."""
    if os.name == "nt":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
