"""Original photos in a store that fsspec reads: S3-compatible, or any other it knows.

In: the store's address, as `s3://bucket/photos`. Out: the same answers as the folder of `app.store.photos` gives.
fsspec comes with the extra `[cluster]`; what a store needs besides (s3fs for S3, its keys) is fsspec's own matter.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from app.errors import LogUnusable, PhotoDamaged
from app.store.photos import Found, photo_place, sha256_of, write_durably

KEYS = re.compile(r"(?<=//)[^/\s'\"]*@|(?<=[?&])[^\s'\"]+")
"""Where an address may carry a name and password or a key: before its host, and after its question mark."""


def without_keys(text: str) -> str:
    """Return a text that may hold an address, without what opens the store.

    Examples
    --------
    >>> without_keys("s3://KEY:SECRET@photos/a failed, as did https://store.example/a?sig=SECRET")
    's3://***photos/a failed, as did https://store.example/a?***'
    """
    return KEYS.sub("***", text)


class PhotoBucket:
    """Originals below one address."""

    def __init__(self, address: str) -> None:
        self._address = address.rstrip("/")
        try:
            import fsspec

            self._files, root = fsspec.core.url_to_fs(self._address)
        except (ImportError, ValueError) as error:
            raise LogUnusable(
                f"The photos' store {without_keys(address)!r} cannot be used ({without_keys(str(error))}).",
                "Install Turnblue with the extra [cluster] and what fsspec asks for, or mend photos.address.",
            ) from error
        self._root = str(root).rstrip("/")

    def _at(self, place: str) -> str:
        """Return the store's own name of a file."""
        return f"{self._root}/{place}"

    def keep(self, content: bytes) -> str:
        """Keep the bytes for good and return their sha256; what was written is read back before it counts.

        Raises
        ------
        LogUnusable
            If the store does not take them.
        """
        sha256 = sha256_of(content)
        name = self._at(photo_place(sha256))
        try:
            if not (self._files.exists(name) and self._files.cat_file(name) == content):
                self._files.makedirs(name.rpartition("/")[0], exist_ok=True)
                self._files.pipe_file(name, content)
                if self._files.cat_file(name) != content:
                    raise OSError("it gave other bytes back")
        except OSError as error:
            raise LogUnusable(
                f"The photo could not be saved ({without_keys(error.strerror or str(error))}).",
                "Check that the photos' store answers and is not full, and send it again.",
            ) from error
        return sha256

    def read(self, sha256: str) -> bytes:
        """Return the bytes, checked against their sha256.

        Raises
        ------
        PhotoDamaged
            If they are missing or no longer those received.
        """
        try:
            content: bytes = self._files.cat_file(self._at(photo_place(sha256)))
        except OSError as error:
            raise PhotoDamaged(
                f"The original photo {sha256[:12]} is missing from the photos' store.", "Restore it from a backup."
            ) from error
        if sha256_of(content) != sha256:
            raise PhotoDamaged(
                f"The original photo {sha256[:12]} is no longer what was received.", "Restore it from a backup."
            )
        return content

    def address(self, sha256: str) -> str:
        """Return the photo's address."""
        return f"{self._address}/{photo_place(sha256)}"

    def found(self) -> Iterator[Found]:
        """Give every file below the address."""
        about: dict[str, Any]
        for folder, _folders, files in self._files.walk(self._root, detail=True):
            for about in files.values():
                place = str(about["name"])[len(self._root) :].lstrip("/")
                written = about.get("created") or about.get("LastModified") or about.get("mtime") or 0.0
                written_s = written.timestamp() if hasattr(written, "timestamp") else float(written)
                if folder is not None:
                    yield Found(place, int(about.get("size") or 0), written_s)

    def put_aside(self, place: str, aside: Path) -> None:
        """Move a file into the folder `aside` of this machine."""
        from app.store.photos import free_name

        write_durably(free_name(aside, Path(place).name), self._files.cat_file(self._at(place)))
        self._files.rm_file(self._at(place))

    def remove_unfinished(self, place: str) -> None:
        """Do nothing: such a store has a file whole or not at all."""
