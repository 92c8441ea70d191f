"""Where things lie: the log's folder, the shipped model, the program's version.

In: what the user named on the command line, else the environment. Out: paths and plain settings. Nothing is
created here, and nothing is read but the installed package's own version.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path

HOME_VARIABLE = "TURNBLUE_HOME"
"""Environment variable that names the log's folder."""

GRADER_VARIABLE = "TURNBLUE_GRADER"
"""Environment variable that names another grader than the shipped one."""

TRACE_VARIABLE = "TURNBLUE_TRACE"
"""Environment variable that, when set, shows what worker programs print, a programmer's mistake for instance."""

SHIPPED_FOLDER = Path(__file__).resolve().parent.parent / "models" / "shipped"
"""The model files of this installation, read as data; the `models` package itself is never imported."""

GRADER_FILE = "grader.npz"
"""The shipped grader in `SHIPPED_FOLDER`."""

DEFAULT_PORT = 8501
"""The port asked for first; the next free one is taken where it is in use."""

PORTS_TRIED = 50
"""How many ports from the asked one on are tried."""

MAX_PHOTO_MB = 60
"""Largest photo taken [MB]; the largest phone pictures, 200 megapixels as JPEG, are about 50 (from memory)."""


def home_folder(asked: Path | None = None, environment: Mapping[str, str] | None = None) -> Path:
    """Return the log's folder: the one asked for, else the environment's, else the user's own.

    Parameters
    ----------
    asked : Path, optional
        Folder named on the command line.
    environment : mapping, optional
        Environment variables; this process's own when left out.

    Examples
    --------
    >>> home_folder(None, {"TURNBLUE_HOME": "/srv/pools"}).as_posix()
    '/srv/pools'
    """
    if asked is not None:
        return asked.expanduser()
    named = (os.environ if environment is None else environment).get(HOME_VARIABLE, "").strip()
    return Path(named).expanduser() if named else Path.home() / ".turnblue"


def grader_path(environment: Mapping[str, str] | None = None) -> Path:
    """Return the path of the grader's model file: the environment's, else the shipped one."""
    named = (os.environ if environment is None else environment).get(GRADER_VARIABLE, "").strip()
    return Path(named).expanduser() if named else SHIPPED_FOLDER / GRADER_FILE


def version() -> str:
    """Return the program's version, "0+source" where it runs from a tree that is not installed."""
    from importlib.metadata import PackageNotFoundError
    from importlib.metadata import version as installed_version

    try:
        return installed_version("turnblue")
    except PackageNotFoundError:
        return "0+source"
