"""Pictures that can be made again from an original, kept so that a page need not wait for them twice.

In: a name and a way to make the picture. Out: its bytes. The folder may be emptied at any time.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Callable
from pathlib import Path


def kept_picture(folder: Path, name: str, make: Callable[[], bytes]) -> bytes:
    """Return the picture of that name, made where it is not kept yet.

    Parameters
    ----------
    folder : Path
        The cache; made where it is missing.
    name : str
        File name that changes whenever the picture would: it holds the measurement's id and the size.
    make : callable
        Returns the picture's bytes.

    Notes
    -----
    A cache that cannot be written (disk full) costs time, not the picture.
    """
    path = folder / name
    try:
        return path.read_bytes()
    except OSError:
        pass
    content = make()
    aside = ""
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        handle, aside = tempfile.mkstemp(prefix=".making-", dir=folder)
        with os.fdopen(handle, "wb") as file:
            file.write(content)
        os.replace(aside, path)
    except OSError:
        if aside:
            Path(aside).unlink(missing_ok=True)
    return content
