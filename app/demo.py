"""Makes the demo: an invented company whose photos are rendered and then measured like any other.

In: a folder and the present time. Out: a log in that folder. Nothing is pre-computed: every photo is rendered by
the simulator, run as a program of its own, and logged through `actions.log_visit`, which measures it.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from app import actions
from app.demo_data import COMPANY, POOLS, DemoPool, DemoVisit
from app.errors import TurnblueError

Watch = Callable[[int, int], None]
"""Told how much is done, of how much: each photo counts twice, rendered and measured."""

SIZE_PX = (1600, 1200)
"""Size of a rendered photo [px]: enough to measure, quick to render (our choice)."""

MARKER = "demo.json"
"""File that says a folder holds a demo that was made to its end."""

FRESH_FOR = timedelta(hours=20)
"""How long a demo stands for the present: its visits are due within a day (our choice)."""

MINUTES_BETWEEN_PHOTOS = 2
"""A tech takes the second photo of a visit a little later [min]."""


STANCES: tuple[dict[str, float], ...] = (
    {"pitch_deg": 38.0, "height_m": 1.5, "back_m": 0.4, "roll_deg": 1.0},
    {"pitch_deg": 46.0, "height_m": 1.5, "back_m": 0.2, "roll_deg": -1.0},
)
"""How the phone is held for a visit's first and second photo: from the edge, down into the water."""

CARDS: tuple[dict[str, Any], ...] = (
    {"kind": "turnblue", "placement": "hand", "hand_px": [0.76, 0.76], "hand_m": 0.6, "hand_tilt_deg": [16.0, 4.0]},
    {"kind": "turnblue", "placement": "hand", "hand_px": [0.26, 0.78], "hand_m": 0.62, "hand_tilt_deg": [14.0, -5.0]},
)
"""Where the card is held: a lower corner, so that the water keeps the picture."""


CARD_OF: dict[str, dict[str, Any]] = {
    "Kit": {"number": 1, "print_seed": 1},
    "Rio": {"number": 2, "print_seed": 1},
    "Ash": {"number": 3, "print_seed": 1},
}
"""Each tech carries a card of their own, all of one print run."""

STEADY_LIGHT = {"sun_zenith_deg": 24.0, "shade_edge": None}
"""A high sun and no shadow's edge in the picture: a good tech picks such a spot."""


class DemoFailed(TurnblueError):
    """The demo could not be made."""

    code = "demo_failed"


def demo_folder() -> Path:
    """Return where the demo lies unless a folder is named."""
    return Path.home() / ".turnblue-demo"


def make_demo(
    folder: Path, *, now: datetime, progress: Watch | None = None, pools: tuple[DemoPool, ...] = POOLS
) -> None:
    """Make the demo's log in `folder`; one made within `FRESH_FOR` is left as it is, an older one is put aside.

    It is made in a folder beside it and moved into place at the end, so that a demo broken off half-way is made
    anew and never shown.

    Parameters
    ----------
    folder : Path
        An empty or missing folder, or one with a demo.
    now : datetime
        The visits lie in the days before it; aware.
    progress : callable, optional
        Told how much is done, of how much.
    pools : tuple of DemoPool
        The pools to act out.

    Raises
    ------
    ValueError
        If `now` has no zone.
    DemoFailed
        If the folder holds something else, or the photos could not be rendered.
    """
    if now.tzinfo is None:
        raise ValueError(f"now must have a zone, got {now!r}")
    if (folder / MARKER).is_file():
        made_at = datetime.fromisoformat(json.loads((folder / MARKER).read_text(encoding="utf-8"))["made_at"])
        if now - made_at < FRESH_FOR:
            return
        # Its visits lie in the days before it was made: days later every pool would be overdue.
        put_aside(folder, f"{folder.name}.{made_at:%Y-%m-%d}")
    if folder.is_dir() and any(folder.iterdir()):
        raise DemoFailed(f"The folder {folder} holds something else.", "Name an empty folder for the demo.")
    making = folder.with_name(f"{folder.name}.making")
    shutil.rmtree(making, ignore_errors=True)
    making.mkdir(mode=0o700, parents=True)
    told = _Told(progress, 2 * sum(visit.photos for pool in pools for visit in pool.visits if _photographed(visit)))
    with tempfile.TemporaryDirectory() as rendered:
        render_photos(list(photo_requests(pools, now)), Path(rendered), told.one_more)
        with actions.open_log(making) as log:
            actions.save_company(log, COMPANY, at=now)
            for pool in pools:
                act_out(log, pool, now, Path(rendered), told.one_more)
    (making / MARKER).write_text(json.dumps({"invented": True, "made_at": now.isoformat()}), encoding="utf-8")
    if folder.is_dir():
        folder.rmdir()
    making.rename(folder)


def put_aside(folder: Path, name: str) -> None:
    """Rename a folder to one of that name beside it that nothing has yet."""
    number, aside = 1, folder.with_name(name)
    while aside.exists():
        number += 1
        aside = folder.with_name(f"{name}-{number}")
    folder.rename(aside)


def act_out(log: actions.Log, demo: DemoPool, now: datetime, rendered: Path, done: Callable[[], None]) -> None:
    """Log one pool's recovery, visit by visit, as a tech would have."""
    opened = at_hour(now, demo.opened_days_ago, 8)
    actions.add_pool(log, demo.pool, at=opened)
    recovery = actions.open_recovery(log, demo.pool.id, at=opened)
    for number, visit in enumerate(demo.visits):
        photos = [
            actions.PhotoIn(f"{name}.jpg", (rendered / f"{name}.jpg").read_bytes())
            for name in photo_names(demo, number)
        ]
        actions.log_visit(
            log,
            recovery.id,
            at=at_hour(now, visit.days_ago, visit.hour),
            by=visit.by,
            photos=photos,
            equipment=visit.equipment,
            readings=visit.readings,
            treatments=visit.treatments,
            work=visit.work,
            floor_seen=visit.floor_seen,
            debris_on_floor=visit.debris_on_floor,
            note=visit.note,
            progress=lambda _done, _of: done(),
        )
    if demo.closed_days_ago is not None:
        actions.close_recovery(log, recovery.id, at=at_hour(now, demo.closed_days_ago, 18))


def at_hour(now: datetime, days_ago: int, hour: int) -> datetime:
    """Return a whole number of days before now, at that hour of its zone.

    Examples
    --------
    >>> from datetime import UTC
    >>> at_hour(datetime(2026, 6, 3, 7, 30, tzinfo=UTC), 1, 9).isoformat()
    '2026-06-02T09:00:00+00:00'
    """
    return (now - timedelta(days=days_ago)).replace(hour=hour, minute=0, second=0, microsecond=0)


def photo_names(demo: DemoPool, number: int) -> list[str]:
    """Return the names of one visit's photos, without ending."""
    visit = demo.visits[number]
    count = visit.photos if _photographed(visit) else 0
    return [f"{demo.pool.id}_{number + 1}{'abc'[photo]}" for photo in range(count)]


def photo_requests(pools: tuple[DemoPool, ...], now: datetime) -> Iterator[dict[str, Any]]:
    """Return what the simulator is asked for: one request a photo.

    A pool's seed stays from visit to visit: the same pool from the same spot with the same phone, as a tech who
    wants to compare the days would take it; only the water, the light and the time change.
    """
    for demo in pools:
        seed = int(demo.scene["seed"])
        for number, visit in enumerate(demo.visits):
            for photo, name in enumerate(photo_names(demo, number)):
                taken = at_hour(now, visit.days_ago, visit.hour) + timedelta(minutes=MINUTES_BETWEEN_PHOTOS * photo)
                yield {
                    "name": name,
                    "seed": 10 * seed + photo,
                    "size_px": list(SIZE_PX),
                    "pool": dict(demo.scene),
                    "water": {
                        "visible_depth_m": visit.visible_depth_m,
                        "chlorophyll_ug_l": visit.chlorophyll_ug_l,
                        "seed": seed,
                    },
                    "light": {"kind": visit.light, **STEADY_LIGHT},
                    "camera": seed % 5,
                    "stance": STANCES[photo],
                    "card": {**CARDS[photo], **CARD_OF[visit.by]},
                    "spoil": list(visit.spoil) if photo == 0 else [],
                    "taken_at": taken.isoformat(timespec="seconds"),
                }


def render_photos(requests: list[dict[str, Any]], folder: Path, done: Callable[[], None]) -> None:
    """Render the photos with the simulator, run as a program of its own.

    Raises
    ------
    DemoFailed
        If it ends with an error; its last line says why.
    """
    if not requests:
        return
    asked = folder / "requests.json"
    asked.write_text(json.dumps(requests), encoding="utf-8")
    root = str(Path(__file__).resolve().parents[1])
    path = os.pathsep.join(part for part in (root, os.environ.get("PYTHONPATH", "")) if part)
    running = subprocess.Popen(
        [sys.executable, "-m", "models.simulator", str(asked), str(folder), "--jobs", str(os.cpu_count() or 1)],
        env={**os.environ, "PYTHONPATH": path},
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
    )
    with running:
        last = ""
        for line in running.stderr or ():
            last = line.strip() or last
            done()
    if running.returncode != 0:
        raise DemoFailed("The demo's photos could not be rendered.", last)


class _Told:
    """Counts what is done and tells it on."""

    def __init__(self, progress: Watch | None, of: int) -> None:
        self.progress, self.done, self.of = progress, 0, of

    def one_more(self) -> None:
        self.done = min(self.done + 1, self.of)
        if self.progress is not None:
            self.progress(self.done, self.of)


def _photographed(visit: DemoVisit) -> bool:
    return visit.visible_depth_m is not None
