"""Originals: byte for byte, once each, whole or not at all."""

import os

import pytest

from app.errors import LogUnusable, PhotoDamaged
from app.store import photos
from app.store.photos import keep_photo, photo_path, read_photo, sha256_of


def test_sha256_of_a_published_value():
    # NIST FIPS 180-4 example, SHA-256 of "abc" (csrc.nist.gov, SHA256.pdf).
    assert sha256_of(b"abc") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


def test_bytes_come_back_and_the_same_photo_is_one_file(tmp_path):
    content = bytes(range(256)) * 50
    sha256 = keep_photo(tmp_path / "photos", content)
    before = photo_path(tmp_path / "photos", sha256).stat()
    assert keep_photo(tmp_path / "photos", content) == sha256
    files = [path for path in (tmp_path / "photos").rglob("*") if path.is_file()]
    assert files == [tmp_path / "photos" / sha256[:2] / sha256[2:4] / sha256]
    after = files[0].stat()
    assert (after.st_ino, after.st_mtime_ns) == (before.st_ino, before.st_mtime_ns)
    assert read_photo(tmp_path / "photos", sha256) == content


@pytest.mark.skipif(os.name == "nt", reason="Windows keeps no owner-only mode")
def test_folder_is_for_its_owner_alone(tmp_path):
    keep_photo(tmp_path / "photos", b"x")
    assert (tmp_path / "photos").stat().st_mode & 0o077 == 0


def test_write_that_fails_midway_leaves_no_file(tmp_path, monkeypatch):
    def disk_full(_handle):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(photos.os, "fsync", disk_full)
    with pytest.raises(LogUnusable, match=r"could not be saved .No space left on device.. Check that the disk"):
        keep_photo(tmp_path, b"content")
    assert [path for path in tmp_path.rglob("*") if path.is_file()] == []


def test_file_and_folder_are_synced_before_the_photo_counts(tmp_path, monkeypatch):
    events = []
    real_fsync, real_replace = os.fsync, os.replace
    is_folder = os.path.isdir

    def fsync(handle):
        events.append("folder" if is_folder(f"/proc/self/fd/{handle}") else "file")
        real_fsync(handle)

    def move(source, target):
        events.append("name")
        real_replace(source, target)

    (tmp_path / "ba" / "78").mkdir(parents=True)
    monkeypatch.setattr(photos.os, "fsync", fsync)
    monkeypatch.setattr(photos.os, "replace", move)
    if not os.path.exists("/proc/self/fd"):
        pytest.skip("this system does not say what a handle is of")
    keep_photo(tmp_path, b"abc")
    assert events == ["file", "name", "folder"]


def test_altered_or_missing_original_is_told(tmp_path):
    sha256 = keep_photo(tmp_path, b"content")
    photo_path(tmp_path, sha256).write_bytes(b"other")
    with pytest.raises(PhotoDamaged, match="no longer what was received"):
        read_photo(tmp_path, sha256)
    assert keep_photo(tmp_path, b"content") == sha256
    assert read_photo(tmp_path, sha256) == b"content"
    photo_path(tmp_path, sha256).unlink()
    with pytest.raises(PhotoDamaged, match=r"is missing from the log's folder. Restore it"):
        read_photo(tmp_path, sha256)


@pytest.mark.parametrize("name", ["", "../../etc/passwd", "A" * 64, "a" * 63])
def test_path_takes_nothing_but_a_sha256(tmp_path, name):
    with pytest.raises(ValueError, match="sha256 must be 64 lower-case hexadecimal digits"):
        photo_path(tmp_path, name)
