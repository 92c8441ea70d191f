"""Is this installation fit to work: versions, disk, schema, model, card, picture formats, worker programs.

In: the log's folder, which is only looked at, and the time. Out: one `Check` each, "ok", "look" or "bad", with a
sentence. Nothing is created, and an old log is not brought up to date by it.
"""

from __future__ import annotations

import io
import os
import shutil
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from importlib.metadata import PackageNotFoundError
from importlib.metadata import version as installed
from pathlib import Path
from typing import Any

from app import config
from app.crew import MEASURING, Crew, Limits, TaskFailed
from app.errors import TurnblueError
from app.store.health import look_at
from app.store.log import LOG_FILE
from vision.errors import VisionError

LIBRARIES = ("numpy", "opencv-python-headless", "pillow", "pillow-heif", "sqlite-utils", "streamlit", "typst")
"""Libraries whose version changes what the program can read or how it looks."""

LEAST_SQLITE = (3, 37, 0)
"""Strict tables came with SQLite 3.37 (2021-11-27); source: sqlite.org/stricttables.html."""

LOW_DISK_BYTES, NO_DISK_BYTES = 5e9, 0.5e9
"""Free space below which to look, and below which it is bad: about 1,000 and 100 photos of 5 MB (our choice)."""

OLD_BACKUP = timedelta(days=7)
"""Age from which a backup is called old (our choice)."""

CLOCK_SLACK = timedelta(minutes=2)
"""How far behind the log's last change the clock may be: two machines' clocks differ (our choice)."""


@dataclass(frozen=True)
class Check:
    """One thing looked at: "ok", "look" (it works, but see to it) or "bad"."""

    name: str
    state: str
    say: str


def examine(folder: Path, *, now: datetime) -> tuple[Check, ...]:
    """Look at everything.

    Parameters
    ----------
    folder : Path
        The log's folder; it may be missing.
    now : datetime
        The present, with its zone.
    """
    looks: tuple[Callable[[], Check | Iterator[Check]], ...] = (
        _python,
        _libraries,
        _pictures,
        _profiles,
        _model,
        _card,
        _worker,
        lambda: _place(folder),
        lambda: _log(folder, now),
        lambda: _backup(folder, now),
    )
    checks: list[Check] = []
    for look in looks:
        found = look()
        checks += [found] if isinstance(found, Check) else found
    return tuple(checks)


def _python() -> Check:
    found = ".".join(map(str, sys.version_info[:3]))
    fit = (3, 11) <= sys.version_info[:2] < (3, 14)
    say = f"Turnblue {config.version()}, Python {found}"
    return Check("program", "ok" if fit else "bad", say if fit else f"{say}: it wants Python 3.11 to 3.13.")


def _libraries() -> Iterator[Check]:
    missing, there = [], []
    for name in LIBRARIES:
        try:
            there.append(f"{name} {installed(name)}")
        except PackageNotFoundError:
            missing.append(name)
    say = f"Missing: {', '.join(missing)}. Install Turnblue again." if missing else ", ".join(there)
    yield Check("libraries", "bad" if missing else "ok", say)
    yield _sqlite()


def _sqlite() -> Check:
    from app.store.health import sqlite_version

    found = sqlite_version()
    fit = tuple(map(int, found.split("."))) >= LEAST_SQLITE
    return Check("SQLite", "ok" if fit else "bad", found if fit else f"{found} is too old; 3.37 or newer is needed.")


def _pictures() -> Check:
    """Write and read a small picture of each kind that phones send."""
    from PIL import Image

    try:
        import pillow_heif

        pillow_heif.register_heif_opener()
        kinds = ["JPEG", "PNG", "WEBP", "HEIF"]
    except ImportError:
        kinds = ["JPEG", "PNG", "WEBP"]
    read = []
    for kind in kinds:
        kept = io.BytesIO()
        try:
            Image.new("RGB", (64, 48), "teal").save(kept, kind)
            Image.open(io.BytesIO(kept.getvalue())).load()
            read.append(kind)
        except (OSError, KeyError, ValueError, RuntimeError):
            continue
    lacks = [kind for kind in ("JPEG", "PNG", "WEBP", "HEIF") if kind not in read]
    if not lacks:
        return Check("photos", "ok", "reads JPEG, PNG, WebP and HEIC")
    return Check("photos", "bad", f"Cannot read {', '.join(lacks)}: install Turnblue again.")


def _profiles() -> Check:
    """Try to turn a colour profile into sRGB: phones send Display P3."""
    from PIL import Image, ImageCms

    try:
        profile = ImageCms.createProfile("sRGB")
        ImageCms.profileToProfile(Image.new("RGB", (4, 4)), profile, profile)
    except (ImageCms.PyCMSError, OSError, ValueError, ImportError) as error:
        return Check("colour profiles", "bad", f"Photos' colour profiles cannot be applied ({error}).")
    return Check("colour profiles", "ok", "photos' embedded colour profiles are applied")


def _model() -> Check:
    from app.measuring import shipped_measurer

    try:
        versions = shipped_measurer().versions()
    except (TurnblueError, VisionError) as error:
        return Check("model", "bad", str(error))
    except ImportError as error:
        return Check("model", "bad", f"A part of the program is missing ({error}): install Turnblue again.")
    return Check(
        "model", "ok", f"grader {versions['grader']}, measuring {versions['turnblue']}; fitted on rendered photos"
    )


def _card() -> Check:
    from vision.specs import load_card

    try:
        card = load_card()
    except VisionError as error:
        return Check("card", "bad", str(error))
    return Check("card", "ok", f"the design has {len(card.patches)} patches and {len(card.markers)} marks")


@dataclass(frozen=True)
class _Grow:
    """The task of asking for more memory than a photo may have."""

    def __call__(self) -> int:
        """Return the size that was had [bytes]."""
        return len(bytearray(MEASURING.memory_mb * 1_000_000))


def _worker() -> Check:
    """Start a worker program and see whether it keeps its limits."""
    crew = Crew(1)
    try:
        crew.run(_Grow(), Limits())
    except TaskFailed as failed:
        if failed.code == "too_big":
            return Check("worker programs", "ok", "start, and keep the memory limit")
        return Check("worker programs", "bad", failed.sentence)
    except TurnblueError as error:
        return Check("worker programs", "bad", str(error))
    finally:
        crew.dismiss()
    return Check(
        "worker programs", "look", "start, but this system keeps no memory limit: a hostile picture may fill it"
    )


def _place(folder: Path) -> Iterator[Check]:
    """Look at the folder and its disk."""
    there = folder
    while not there.exists():
        there = there.parent
    free = shutil.disk_usage(there).free
    state = "bad" if free < NO_DISK_BYTES else "look" if free < LOW_DISK_BYTES else "ok"
    yield Check("disk", state, f"{free / 1e9:.1f} GB free" + ("" if state == "ok" else ": make room"))
    if not folder.exists():
        yield Check("folder", "look", f"{folder} is not there yet; the first command that needs it makes it")
        return
    if not os.access(folder, os.W_OK):
        yield Check("folder", "bad", f"{folder} cannot be written to: mend its permissions.")
    elif os.name == "posix" and folder.stat().st_mode & 0o077:
        yield Check("folder", "look", f"{folder} can be read by others on this machine: chmod 700 it.")
    else:
        yield Check("folder", "ok", str(folder))


def _log(folder: Path, now: datetime) -> Iterator[Check]:
    """Look at the log without opening it for writing."""
    if not (folder / LOG_FILE).is_file():
        yield Check("log", "look", "there is no log yet")
        return
    try:
        found = look_at(folder)
    except TurnblueError as error:
        yield Check("log", "bad", str(error))
        return
    schema = f"schema {found.schema} of {found.newest_schema}"
    if found.schema > found.newest_schema:
        yield Check("log", "bad", f"{schema}: a newer Turnblue wrote it; update this one.")
    elif found.schema < found.newest_schema:
        yield Check("log", "look", f"{schema}: brought up to date when it is next opened, after a copy of it is made")
    else:
        yield Check("log", "ok", f"{schema}; {found.photos} photos, {found.size_bytes / 1e6:.1f} MB of rows")
    if found.print_runs:
        yield Check("calibration", "ok", f"{found.print_runs} print runs of the card are measured")
    else:
        yield Check("calibration", "look", "no print run of the card is measured: ranges are wider; see turnblue card")
    if found.last_change is not None and now < found.last_change - CLOCK_SLACK:
        say = f"says {now:%Y-%m-%d %H:%M}, but the log was changed at {found.last_change:%Y-%m-%d %H:%M}: set it"
        yield Check("clock", "look", say)
    else:
        yield Check("clock", "ok", f"{now:%Y-%m-%d %H:%M %Z}".strip())


def _backup(folder: Path, now: datetime) -> Check:
    """Look at when the log was last backed up."""
    import json

    try:
        told: dict[str, Any] = json.loads((folder / "last-backup.json").read_text(encoding="utf-8"))
        at = datetime.fromisoformat(told["at"])
    except (OSError, ValueError, KeyError):
        return Check("backup", "look", "none was made yet: turnblue backup FOLDER")
    old = now - at > OLD_BACKUP
    say = f"made {at:%Y-%m-%d %H:%M}" + (": older than a week" if old else "")
    if told.get("lost"):
        return Check("backup", "bad", f"{say}; {told['lost']} photos could not be copied: turnblue verify")
    return Check("backup", "look" if old else "ok", say)
