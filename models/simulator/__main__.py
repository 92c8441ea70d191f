"""Render requested pool photos: `python -m models.simulator REQUESTS.json OUTDIR [--jobs N]`.

In: a JSON file with a list of requests. Out: for each one OUTDIR/NAME.jpg (JPEG with EXIF) and OUTDIR/NAME.json
(its truth). Exit 0 when all were rendered; otherwise one sentence on standard error and exit 1. Progress, one
line a photo, goes to standard error.

One request is an object; only `name` and `seed` are required, whatever is left out is drawn from the seed::

    {"name": "oak_visit1_a",                 file name without ending: letters, digits, . _ -
     "seed": 17,                             integer >= 0: same request, same bytes
     "size_px": [1600, 1200],                width, height as a person sees the photo (default 1600 x 1200)
     "pool": {"seed": 5,                     draws the whole pool from this seed: use the same object for every photo of
                                             one pool; further keys override fields of PoolSpec:
              "shape": "kidney",             rectangle | oval | kidney | freeform
              "length_m": 9.0, "width_m": 4.5, "shallow_m": 1.0, "deep_m": 2.2,
              "finish": "white",             white | grey | blue | dark | tan | pebble | print | tile
              "deck": "concrete"},           concrete | paver | wood | stone | grass
     "water": {"visible_depth_m": 0.5,       both optional; the dead matter is solved for the depth asked. Fails with a
               "chlorophyll_ug_l": 180.0},   sentence where physics forbids the pair. "seed" fixes all else of the water
                                             (the same seed keeps one pool's water alike from visit to visit).
     "light": "sun",                         sun | part_shade | shade | overcast | low_sun | dusk, or an object with
                                             "kind" and overrides of LightSpec (e.g. "sun_zenith_deg": 35)
     "camera": 3,                            integer: one phone model by number; or an object with "model" and overrides
                                             of CameraSpec
     "stance": {"pitch_deg": 35},            overrides of StanceSpec (optional)
     "card": "turnblue",                     "turnblue" (default) | "chart24" | null, or an object with "kind",
                                             "placement" (coping | deck | hand) and overrides of CardSpec
     "disc": {"depth_m": 0.6},               the sighting disc on its pole, where the photo shows it;
                                             further keys override fields of DiscSpec
     "spoil": ["glare_on_card"],             any of no_card glare_on_card dusk motion_blur lens_fogged hand_over_lens
                                             no_water card_other_light card_cut_off
     "taken_at": "2026-06-03T09:14:07-07:00",  written as EXIF DateTimeOriginal and OffsetTimeOriginal
     "masks": true}                          also write NAME_water.png (255 = open water)

NAME.json holds `rendered: true`, `visible_depth_m`, `chlorophyll_ug_l`, `clarity`, `severity`, `c_per_m`, `k_per_m`,
`card_kind`, `card_corners_px` (top left, top right, bottom right, bottom left of the card as printed; null without
card), `disc_rim_px` (null without disc), `water_polygon_px`, `camera_name`, `seed`, `spoilers` and `spec` (every
parameter).
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any


def _render_one(request: Mapping[str, Any], folder: str) -> str:
    """Render one request in a worker process."""
    import cv2

    from models.simulator.files import write_request

    cv2.setNumThreads(1)
    return write_request(request, Path(folder)).name


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command; return its exit code."""
    parser = argparse.ArgumentParser(prog="python -m models.simulator", description="Render requested pool photos.")
    parser.add_argument("requests", type=Path, metavar="REQUESTS.json")
    parser.add_argument("outdir", type=Path, metavar="OUTDIR")
    parser.add_argument("--jobs", type=int, default=1, metavar="N", help="processes at once (default 1)")
    asked = parser.parse_args(arguments)
    try:
        requests = json.loads(asked.requests.read_text(encoding="utf-8"))
        if not isinstance(requests, list) or not all(isinstance(each, dict) for each in requests):
            raise ValueError("it must hold a list of objects")
        names = [each.get("name") for each in requests]
        if len(set(map(str, names))) != len(names):
            raise ValueError("two requests have the same name")
        asked.outdir.mkdir(parents=True, exist_ok=True)
    except (OSError, ValueError) as error:
        print(f"The requests {asked.requests} cannot be used: {error}.", file=sys.stderr)
        return 1
    from models.simulator.files import RequestWrong

    try:
        if asked.jobs <= 1:
            for count, each in enumerate(requests, 1):
                name = _render_one(each, str(asked.outdir))
                print(f"rendered {count}/{len(requests)} {name}", file=sys.stderr)
        else:
            with ProcessPoolExecutor(max_workers=asked.jobs) as pool:
                done = pool.map(_render_one, requests, [str(asked.outdir)] * len(requests))
                for count, name in enumerate(done, 1):
                    print(f"rendered {count}/{len(requests)} {name}", file=sys.stderr)
    except (RequestWrong, OSError) as error:
        print(str(error), file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
