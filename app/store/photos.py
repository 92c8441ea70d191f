"""Original photos, byte for byte, each under its sha256; never altered.

In: the bytes as received. Out: the path they lie at. A photo is on disk (written aside, synced, renamed, the folder
synced) before the log mentions it, so a crash leaves at worst a file without a row, never a row without a file.
"""

from __future__ import annotations

import hashlib
import os
import tempfile
from pathlib import Path

from app.errors import LogUnusable, PhotoDamaged


def sha256_of(content: bytes) -> str:
    """Return the sha256 of `content` as 64 lower-case hexadecimal digits.

    Examples
    --------
    >>> sha256_of(b"")[:8]
    'e3b0c442'
    """
    return hashlib.sha256(content).hexdigest()


def photo_path(folder: Path, sha256: str) -> Path:
    """Return where the photo of that sha256 lies: a folder fan-out of two levels by its first digits.

    Raises
    ------
    ValueError
        If `sha256` is not 64 lower-case hexadecimal digits.
    """
    if len(sha256) != 64 or not set(sha256) <= set("0123456789abcdef"):
        raise ValueError(f"sha256 must be 64 lower-case hexadecimal digits, got {sha256!r}")
    return folder / sha256[:2] / sha256[2:4] / sha256


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
    _make_folder(path.parent)
    handle, aside = tempfile.mkstemp(prefix=".incoming-", dir=path.parent)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        os.replace(aside, path)
    except BaseException:
        Path(aside).unlink(missing_ok=True)
        raise
    _sync_folder(path.parent)


def _make_folder(folder: Path) -> None:
    """Make `folder` and its parents, readable by its owner alone (photos of people's homes), each synced."""
    missing = []
    while not folder.is_dir():
        missing.append(folder)
        folder = folder.parent
    for each in reversed(missing):
        each.mkdir(mode=0o700, exist_ok=True)
        _sync_folder(each.parent)


def _sync_folder(folder: Path) -> None:
    """Sync a folder's names to disk; a system without that (Windows) keeps them by itself."""
    if os.name == "nt":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
