"""What happened, one JSON line an event, for whoever operates the program; never a name, an address or a note.

In: an event's name and plain figures. Out: a line on the place that TURNBLUE_LOG names ("stderr" or a file);
nothing where it names none. A text that is no short code of ours is replaced by "-": a slip in a caller cannot put a
person's words into the log.
"""

from __future__ import annotations

import json
import os
import re
import sys
import threading
from datetime import UTC, datetime

EVENTS_VARIABLE = "TURNBLUE_LOG"
"""Environment variable that says where events go: "stderr", or a file to append to."""

CODE = re.compile(r"[a-z0-9_.:+-]{1,40}")
"""A text that may stand in an event: our own codes, ids, versions, the beginning of a sha256."""

_LOCK = threading.Lock()


def note(event: str, **figures: str | float | int | bool | None) -> None:
    """Write one event.

    Parameters
    ----------
    event : str
        What happened, as "photo_measured".
    figures : str, number, bool or None
        By name; a text must be a code (`CODE`), else "-" stands in its place.
    """
    place = os.environ.get(EVENTS_VARIABLE, "").strip()
    if not place:
        return
    line = json.dumps(
        {"at": datetime.now(UTC).isoformat(timespec="milliseconds"), **_plain({"event": event, **figures})}
    )
    try:
        with _LOCK:
            if place == "stderr":
                print(line, file=sys.stderr, flush=True)
            else:
                # One write a line: lines of several processes do not mix (O_APPEND).
                handle = os.open(place, os.O_WRONLY | os.O_APPEND | os.O_CREAT, 0o600)
                try:
                    os.write(handle, line.encode() + b"\n")
                finally:
                    os.close(handle)
    except OSError:
        pass  # a full disk must not keep a photo from being measured


def _plain(figures: dict[str, str | float | int | bool | None]) -> dict[str, str | float | int | bool | None]:
    """Return the figures with every text that is no code replaced."""
    return {
        name: value if not isinstance(value, str) or CODE.fullmatch(value) else "-" for name, value in figures.items()
    }
