"""Requests in, photo files out: the JSON request format and JPEG with EXIF.

In: a request (the format is documented in `__main__`) or a `Rendered`. Out: a `SceneSpec`; the bytes of a JPEG as a
phone would have stored it.
"""

from __future__ import annotations

import io
import json
import re
from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from PIL import Image

from models.simulator.disc import with_disc
from models.simulator.sampling import sample_camera, sample_light, sample_pool, sample_spec, sample_water
from models.simulator.scene import render
from models.simulator.specs import SPOILERS, PoolSpec, Rendered, SceneSpec, StanceSpec, changed

REQUEST_KEYS = {
    "name", "seed", "size_px", "pool", "water", "light", "camera", "stance", "card", "spoil", "taken_at", "masks",
    "disc",
}  # fmt: skip
"""What a request may hold; documented in `models.simulator.__main__`."""


class RequestWrong(ValueError):
    """A request cannot be rendered; the message is one sentence that names the request."""


def _object(value: Any, what: str) -> dict[str, Any]:
    if value is None:
        return {}
    if not isinstance(value, Mapping):
        raise ValueError(f"{what} must be an object, got {value!r}.")
    return dict(value)


def _whole(value: Any, what: str) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or value < 0:
        raise ValueError(f"{what} must be a whole number from 0, got {value!r}.")
    return value


def spec_of_request(request: Mapping[str, Any]) -> SceneSpec:
    """Return the scene a request asks for.

    Raises
    ------
    RequestWrong
        If a key, a value or a combination is not possible; the sentence says which.
    """
    name = request.get("name")
    try:
        return _spec_of_request(request)
    except (ValueError, TypeError, KeyError) as error:
        raise RequestWrong(f"Request {name!r}: {error}") from error


def _spec_of_request(request: Mapping[str, Any]) -> SceneSpec:
    unknown = set(request) - REQUEST_KEYS
    if unknown:
        raise ValueError(f"unknown key {sorted(unknown)[0]!r}; known are {', '.join(sorted(REQUEST_KEYS))}.")
    if not isinstance(request.get("name"), str) or not re.fullmatch(r"[A-Za-z0-9._-]+", request["name"]):
        raise ValueError("name must be letters, digits, dot, underscore or hyphen.")
    seed = _whole(request.get("seed"), "seed")
    size = request.get("size_px", [1600, 1200])
    if not (
        isinstance(size, (list, tuple))
        and len(size) == 2
        and all(isinstance(v, int) and 160 <= v <= 8000 for v in size)
    ):
        raise ValueError(f"size_px must be [width, height], each 160 to 8000, got {size!r}.")
    spoil = request.get("spoil") or []
    if not isinstance(spoil, (list, tuple)) or any(fault not in SPOILERS for fault in spoil):
        raise ValueError(f"spoil must be a list out of {', '.join(SPOILERS)}, got {spoil!r}.")

    pool = _object(request.get("pool"), "pool")
    pool_seed = _whole(pool.pop("seed", seed), "pool.seed")
    drawn = sample_pool(
        np.random.default_rng([pool_seed, 11]), finish=pool.pop("finish", None), deck=pool.pop("deck", None)
    )
    pool_spec: PoolSpec = changed(drawn, pool, what="pool")
    if pool_spec.shape not in ("rectangle", "oval", "kidney", "freeform"):
        raise ValueError(f"pool.shape must be rectangle, oval, kidney or freeform, got {pool_spec.shape!r}.")
    if not (
        2 <= pool_spec.width_m <= 30
        and 2 <= pool_spec.length_m <= 60
        and 0.3 <= pool_spec.shallow_m <= 4
        and 0.3 <= pool_spec.deep_m <= 4.4
    ):
        raise ValueError("pool must be 2 to 60 m long, 2 to 30 m wide and 0.3 to 4.4 m deep.")

    water = _object(request.get("water"), "water")
    water_seed = _whole(water.pop("seed", pool_seed), "water.seed")
    water_spec = sample_water(np.random.default_rng([water_seed, 12]), **water)

    wanted = request.get("light")
    if wanted is None or isinstance(wanted, str):
        light = sample_light(np.random.default_rng([seed, 13]), "dusk" if "dusk" in spoil else wanted)
    else:
        overrides = _object(wanted, "light")
        kind = "dusk" if "dusk" in spoil else overrides.pop("kind", None)
        light = sample_light(np.random.default_rng([seed, 13]), kind)
        edge = overrides.pop("shade_edge", light.shade_edge)
        light = replace(changed(light, overrides, what="light"), shade_edge=None if edge is None else tuple(edge))

    asked = request.get("camera")
    if asked is None or isinstance(asked, int):
        camera = sample_camera(np.random.default_rng([seed, 14]), None if asked is None else _whole(asked, "camera"))
    else:
        overrides = _object(asked, "camera")
        model = overrides.pop("model", None)
        camera = sample_camera(
            np.random.default_rng([seed, 14]), None if model is None else _whole(model, "camera.model")
        )
        camera = changed(camera, overrides, what="camera")

    card: Any = request.get("card", "turnblue")
    card_overrides: dict[str, Any] = {}
    placement = None
    if isinstance(card, Mapping):
        card_overrides = dict(card)
        placement = card_overrides.pop("placement", None)
        card = card_overrides.pop("kind", "turnblue")
    if card not in ("turnblue", "chart24", None):
        raise ValueError(f'card must be "turnblue", "chart24" or null, got {card!r}.')
    if placement not in (None, "coping", "deck", "hand"):
        raise ValueError(f"card.placement must be coping, deck or hand, got {placement!r}.")
    spec = sample_spec(
        np.random.default_rng(seed),
        pool=pool_spec,
        water=water_spec,
        light=light,
        camera=camera,
        card=card,
        placement=placement,
        size_px=(size[0], size[1]),
        spoil=tuple(spoil),
        seed=seed,
    )
    stance = _object(request.get("stance"), "stance")
    if stance:
        fixed: StanceSpec = changed(spec.stance, stance, what="stance")
        spec = sample_spec(
            np.random.default_rng(seed), pool=pool_spec, water=water_spec, light=light, camera=camera, stance=fixed,
            card=card, placement=placement, size_px=(size[0], size[1]), spoil=tuple(spoil), seed=seed,
        )  # fmt: skip
    if spec.card is not None and card_overrides:
        spec = replace(spec, card=changed(spec.card, card_overrides, what="card"))
    disc = _object(request.get("disc"), "disc")
    return _with_disc(spec, disc, seed) if disc else spec


def _with_disc(spec: SceneSpec, disc: dict[str, Any], seed: int) -> SceneSpec:
    """Return the scene with the sighting disc held in."""
    depth_m = disc.pop("depth_m", None)
    if isinstance(depth_m, bool) or not isinstance(depth_m, (int, float)) or not 0.02 <= depth_m <= 4:
        raise ValueError(f"disc.depth_m must be 0.02 to 4 m, got {depth_m!r}.")
    held = with_disc(spec, np.random.default_rng([seed, 15]), float(depth_m))
    if held is None:
        raise ValueError("no place shows the whole disc at that depth: change stance, pool or depth.")
    return replace(held, disc=changed(held.disc, disc, what="disc")) if disc else held


def encode_jpeg(rendered: Rendered, *, taken_at: datetime | None = None) -> bytes:
    """Return the photo as JPEG with EXIF: orientation as the phone was held, and the time if given.

    Parameters
    ----------
    taken_at : datetime, optional
        When the photo was taken; an aware one also writes OffsetTimeOriginal.
    """
    camera = rendered.truth.spec.camera
    image = Image.fromarray(rendered.photo_rgb)
    exif = Image.Exif()
    if camera.turned:
        # Stored turned left; orientation 6 tells the reader to turn it right by 90 degrees (EXIF 2.32, tag 0x0112).
        image = image.transpose(Image.Transpose.ROTATE_90)
        exif[0x0112] = 6
    else:
        exif[0x0112] = 1
    exif[0x010E] = "Rendered photo, not a real pool"
    exif[0x0131] = "Turnblue simulator"
    if taken_at is not None:
        inner = exif.get_ifd(0x8769)
        inner[0x9003] = taken_at.strftime("%Y:%m:%d %H:%M:%S")
        offset = taken_at.strftime("%z")
        if offset:
            inner[0x9011] = f"{offset[:3]}:{offset[3:5]}"
    out = io.BytesIO()
    image.save(out, "JPEG", quality=camera.jpeg_quality, exif=exif.tobytes(), subsampling=2)
    return out.getvalue()


def write_request(request: Mapping[str, Any], folder: Path) -> Path:
    """Render one request into a folder and return the path of its photo.

    Raises
    ------
    RequestWrong
        If the request cannot be rendered.
    """
    spec = spec_of_request(request)
    taken_at = None
    if request.get("taken_at") is not None:
        try:
            taken_at = datetime.fromisoformat(str(request["taken_at"]))
        except ValueError as error:
            raise RequestWrong(
                f"Request {request['name']!r}: taken_at must be an ISO 8601 time, got {request['taken_at']!r}."
            ) from error
    rendered = render(spec, masks=bool(request.get("masks")))
    path = folder / f"{request['name']}.jpg"
    path.write_bytes(encode_jpeg(rendered, taken_at=taken_at))
    truth = rendered.truth.to_json() | {"name": request["name"], "taken_at": request.get("taken_at")}
    (folder / f"{request['name']}.json").write_text(json.dumps(truth, indent=1) + "\n", encoding="utf-8")
    if rendered.water_mask is not None:
        cv2.imwrite(str(folder / f"{request['name']}_water.png"), rendered.water_mask.astype(np.uint8) * 255)
    return path
