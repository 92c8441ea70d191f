"""The false-card table: pictures that hold no card; whatever is found in one is false.

In: a count and a seed; picture `i` depends on the seed and i only. Out: false finds by kind and method, as text; each
false picture is kept in the folder. Kinds: rendered pools and dry grounds without a card, crops of them and of real
photos without one, textures, tilings, swatches, text, noise, and signs much like the card's marks (other ids, other
dictionaries, QR-like squares). Real photos are looked for beside the project, or where TURNBLUE_REAL_PHOTOS says.
"""

from __future__ import annotations

import os
import sys
import time
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from contextlib import ExitStack
from functools import lru_cache
from multiprocessing import get_context
from pathlib import Path

import cv2
import numpy as np

from tests.bench.grounds import DECODE8, TEXTURES, pool_photo, texture
from tests.bench.scene import (
    CHART_SRGB,
    DESIGN,
    RASTER_PER_MM,
    card_patches,
    card_target,
    chart_target,
    decode,
    develop,
)  # fmt: skip

SIZE_PX = (1200, 900)
POOL_PX = (1600, 1200)
POOLS_RENDERED = 24
OWN_IDS = (10, 11, 25, 47)
"""The card's marks in DICT_4X4_50; asserted against the design when run."""
DICTIONARIES = ("DICT_4X4_50", "DICT_5X5_100", "DICT_6X6_250", "DICT_7X7_50", "DICT_4X4_1000", "DICT_APRILTAG_36h11")
WORDS = ("POOL", "Depth 3 ft", "NO DIVING", "pH 7.4", "Caution", "FILTER", "12.5 %", "keep dry", "1234567890")


def real_photos() -> list[Path]:
    """Return real photos without a card, where there are any."""
    home = Path(os.environ.get("TURNBLUE_REAL_PHOTOS", Path(__file__).parents[3] / "shared" / "real_photos"))
    return sorted((home / "no_card").glob("*.jpg")) if (home / "no_card").is_dir() else []


@lru_cache(maxsize=6)
def _whole(path: str) -> np.ndarray:
    return cv2.imread(path)


def _pool(number: int, folder: Path) -> str:
    """Return the file of a rendered pool without a card."""
    file = folder / f"pool_{number}.png"
    if not file.exists():
        folder.mkdir(parents=True, exist_ok=True)
        # Renamed when whole: several processes may want it at once.
        part = file.with_name(f"part_{os.getpid()}_{file.name}")
        cv2.imwrite(str(part), pool_photo({}, 5000 + number, POOL_PX)[..., ::-1], [cv2.IMWRITE_PNG_COMPRESSION, 1])
        part.replace(file)
    return str(file)


def _crop(picture: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Return a part of a picture, flipped and turned at random, at about `SIZE_PX`."""
    height, width = picture.shape[:2]
    share = rng.uniform(0.25, 1.0)
    w, h = int(share * width), int(share * height)
    x, y = int(rng.integers(0, width - w + 1)), int(rng.integers(0, height - h + 1))
    part = np.rot90(picture[y : y + h, x : x + w], int(rng.integers(4)))
    part = part[:, ::-1] if rng.random() < 0.5 else part
    scale = SIZE_PX[0] / max(part.shape[:2])
    out = cv2.resize(np.ascontiguousarray(part), None, fx=scale, fy=scale,
                     interpolation=cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC)  # fmt: skip
    gain = rng.uniform(0.6, 1.3, 3) if rng.random() < 0.5 else np.ones(3) * rng.uniform(0.6, 1.3)
    return np.clip(out * gain, 0, 255).astype(np.uint8)


def _linear_photo(linear: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Light, blur and develop a linear picture, BGR."""
    width = linear.shape[1]
    ramp = np.exp(np.linspace(-0.5, 0.5, width) * rng.normal(0, 0.6)).astype(np.float32)
    lit = linear.astype(np.float32) * ramp[None, :, None] * np.exp(rng.normal(0, 0.12, 3)).astype(np.float32)
    lit = cv2.GaussianBlur(lit, (0, 0), float(rng.uniform(0.4, 2.5)))
    return np.ascontiguousarray(develop(lit, rng.uniform(0, 0.4), rng.uniform(0.003, 0.015), rng)[..., ::-1])


def _laid(things: list[np.ndarray], rng: np.random.Generator) -> np.ndarray:
    """Lay flat linear pictures on a texture, turned and foreshortened."""
    picture = texture(str(rng.choice(TEXTURES)), int(rng.integers(40)), SIZE_PX)
    width, height = SIZE_PX
    for thing in things:
        h, w = thing.shape[:2]
        size = rng.uniform(0.06, 0.45) * width / max(h, w)
        turn = rng.uniform(0, 2 * np.pi)
        corners = (np.array([[0, 0], [w, 0], [w, h], [0, h]]) - [w / 2, h / 2]) * size
        corners = corners * [1, rng.uniform(0.55, 1)]
        corners = corners @ np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]]).T
        corners = corners / (1 + corners @ (rng.uniform(-0.25, 0.25, 2) / width))[:, None]
        corners = corners + rng.uniform(0.15, 0.85, 2) * [width, height]
        soft = cv2.GaussianBlur(thing, (0, 0), 0.45 / size) if size < 1 else thing
        source = np.array([[0, 0], [w, 0], [w, h], [0, h]], np.float32) - 0.5
        matrix = cv2.getPerspectiveTransform(source, corners.astype(np.float32))
        mask = cv2.warpPerspective(np.ones((h, w), np.float32), matrix, SIZE_PX)[..., None]
        picture = picture * (1 - mask) + cv2.warpPerspective(soft, matrix, SIZE_PX) * mask
    return _linear_photo(picture, rng)


def _tiling(rng: np.random.Generator, kind: str) -> np.ndarray:
    """Return a plane of cells: chequered, tiles, mosaic."""
    rows, columns = (int(v) for v in rng.integers(3, 40, 2))
    colours = rng.uniform(0.02, 0.9, (rows, columns, 3)) ** rng.uniform(0.6, 2)
    if kind == "chequer":
        odd = (np.add.outer(np.arange(rows), np.arange(columns)) % 2)[..., None]
        colours = np.where(odd, rng.uniform(0.5, 0.9), rng.uniform(0.01, 0.08)) * np.ones(3)
    elif kind == "tiles":
        colours = rng.uniform(0.05, 0.8, 3) * np.exp(rng.normal(0, 0.15, (rows, columns, 1)))
    cell, gap = 24, int(rng.integers(0, 6))
    sheet = np.repeat(np.repeat(colours, cell, axis=0), cell, axis=1).astype(np.float32)
    if gap:
        line = (np.arange(rows * cell) % cell < gap)[:, None] | (np.arange(columns * cell) % cell < gap)[None]
        sheet[line] = rng.choice([0.03, 0.3, 0.85])
    return sheet


def _swatches(rng: np.random.Generator) -> np.ndarray:
    """Return a board of colour swatches that is no 24-patch chart: other counts or other colours."""
    rows, columns = [(4, 6), (3, 6), (4, 5), (5, 7), (2, 6), (6, 9), (3, 4), (1, 6)][int(rng.integers(8))]
    sheet = np.full((rows * 40 + 12, columns * 40 + 12, 3), rng.choice([0.03, 0.2, 0.85]), np.float32)
    grey = rng.random() < 0.2
    for r in range(rows):
        for c in range(columns):
            colour = rng.uniform(0.02, 0.85, 3)
            sheet[r * 40 + 9 : r * 40 + 43, c * 40 + 9 : c * 40 + 43] = colour.mean() if grey else colour
    return sheet


def _sign(rng: np.random.Generator) -> np.ndarray:
    """Return one square sign: a marker of another id or dictionary, or a QR-like square."""
    if rng.random() < 0.3:
        cells = int(rng.choice([21, 25, 29]))
        bits = rng.integers(0, 2, (cells + 8, cells + 8)).astype(np.float32)
        bits[:4], bits[-4:], bits[:, :4], bits[:, -4:] = 1, 1, 1, 1
        for y, x in ((4, 4), (4, cells - 3), (cells - 3, 4)):
            bits[y : y + 7, x : x + 7] = 0
            bits[y + 1 : y + 6, x + 1 : x + 6] = 1
            bits[y + 2 : y + 5, x + 2 : x + 5] = 0
    else:
        name = str(rng.choice(DICTIONARIES))
        book = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, name))
        number = int(rng.integers(len(book.bytesList)))
        while name.startswith("DICT_4X4") and number in OWN_IDS:
            number = int(rng.integers(len(book.bytesList)))
        inner = cv2.aruco.generateImageMarker(book, number, book.markerSize + 2, borderBits=1) / 255
        bits = np.pad(inner, 1, constant_values=1).astype(np.float32)
    side = max(4, 220 // len(bits))
    grey = 0.035 + 0.85 * np.repeat(np.repeat(bits, side, axis=0), side, axis=1)
    return np.repeat(grey[..., None], 3, axis=2).astype(np.float32)


def _text(rng: np.random.Generator) -> np.ndarray:
    """Return a printed sheet of words and boxes."""
    sheet = np.full((420, 300, 3), int(rng.integers(200, 240)), np.uint8)
    ink = tuple(int(v) for v in rng.integers(20, 130, 3))
    for _ in range(int(rng.integers(6, 24))):
        at = (int(rng.integers(0, 200)), int(rng.integers(20, 420)))
        cv2.putText(sheet, str(rng.choice(WORDS)), at, int(rng.integers(0, 7)), float(rng.uniform(0.4, 1.4)), ink, 2)
        if rng.random() < 0.4:
            x, y = (int(v) for v in rng.integers(0, 280, 2))
            cv2.rectangle(sheet, (x, y), (x + int(rng.integers(10, 90)), y + int(rng.integers(10, 90))),
                          tuple(int(v) for v in rng.integers(20, 230, 3)), int(rng.choice([-1, 2, 5])))  # fmt: skip
    return DECODE8[sheet]


def _spoiled(rng: np.random.Generator) -> np.ndarray:
    """Return a thing much like a card that is none: mirrored, its colours shuffled, or its marks another's."""
    kind = int(rng.integers(4))
    if kind == 0:
        return np.ascontiguousarray(chart_target().raster[:, ::-1])
    if kind == 1:
        return chart_target(rng.permutation(decode(np.array(CHART_SRGB.split(), float).reshape(24, 3) / 255))).raster
    if kind == 2:
        return np.ascontiguousarray(card_target().raster[::3, ::3][:, ::-1])
    # Boards of the card's plan with other marks and other colours.
    board = card_target(rng.uniform(0.03, 0.85, (len(card_patches()[0]), 3))).raster[::3, ::3].copy()
    for quad in card_target().covers_mm:
        x0, y0 = (quad[0] * RASTER_PER_MM / 3).astype(int)
        x1, y1 = (quad[2] * RASTER_PER_MM / 3).astype(int)
        sign = _sign(rng)
        board[y0:y1, x0:x1] = cv2.resize(sign, (x1 - x0, y1 - y0), interpolation=cv2.INTER_AREA)
    return board


def _flatlay(rng: np.random.Generator) -> np.ndarray:
    """Return a dry ground of the simulator with sheets on it, and no card."""
    from models.simulator import flatlay

    picture = flatlay._ground(rng, *SIZE_PX)
    for _ in range(int(rng.integers(0, 5))):
        flatlay.lay_flat(picture, rng, flatlay._sheet(rng), rng.uniform(0.1, 0.5), rng.uniform(0, 1, 2))
    return np.ascontiguousarray(flatlay.photograph(picture, rng)[..., ::-1])


def _noise(rng: np.random.Generator) -> np.ndarray:
    cell = int(rng.choice([1, 2, 4, 8, 16, 40]))
    channels = 3 if rng.random() < 0.5 else 1
    small = rng.uniform(0, 1, (SIZE_PX[1] // cell + 1, SIZE_PX[0] // cell + 1, channels))
    if rng.random() < 0.3:
        small = np.round(small)
    how = cv2.INTER_NEAREST if rng.random() < 0.6 else cv2.INTER_CUBIC
    out = cv2.resize(small, SIZE_PX, interpolation=how).reshape(SIZE_PX[1], SIZE_PX[0], -1)
    return np.clip(np.repeat(out, 3 // out.shape[2], axis=2) * 255, 0, 255).astype(np.uint8)


KINDS = (
    "pool", "pool", "real", "flatlay", "texture", "tiling", "swatches", "signs", "signs", "text", "noise", "spoiled",
)  # fmt: skip


def picture(index: int, seed: int, folder: Path) -> tuple[str, np.ndarray]:
    """Return picture `index`: its kind and its pixels, uint8 BGR."""
    rng = np.random.default_rng([seed, index, 99])
    kind = KINDS[index % len(KINDS)]
    real = real_photos()
    if kind == "real" and not real:
        kind = "flatlay"
    few = int(rng.integers(1, 5))
    if kind == "pool":
        return kind, _crop(_whole(_pool(int(rng.integers(POOLS_RENDERED)), folder)), rng)
    if kind == "real":
        return kind, _crop(_whole(str(real[int(rng.integers(len(real)))])), rng)
    if kind == "flatlay":
        return kind, _flatlay(rng)
    if kind == "texture":
        return kind, _linear_photo(texture(str(rng.choice(TEXTURES)), index, SIZE_PX), rng)
    if kind == "noise":
        return kind, _noise(rng)
    make = {"tiling": lambda: _tiling(rng, str(rng.choice(["chequer", "tiles", "mosaic"]))),
            "swatches": lambda: _swatches(rng), "signs": lambda: _sign(rng), "text": lambda: _text(rng),
            "spoiled": lambda: _spoiled(rng)}[kind]  # fmt: skip
    return kind, _laid([make() for _ in range(few if kind != "spoiled" else 1)], rng)


def _search(part: tuple[range, int, Path, bool]) -> tuple[Counter, dict[str, Counter]]:
    """Search a part of the pictures; return how many of each kind and, by method, what was found in them."""
    from tests.bench.peers.opencv_peer import chart_answer, marks_of
    from vision.card import find_card
    from vision.errors import NoCardFound
    from vision.photo import open_photo

    indices, seed, folder, alone = part
    seen: Counter = Counter()
    false: dict[str, Counter] = {"turnblue": Counter()}
    for index in indices:
        kind, bgr = picture(index, seed, folder / "pools")
        seen[kind] += 1
        content = cv2.imencode(".jpg", bgr, [cv2.IMWRITE_JPEG_QUALITY, 90])[1].tobytes()
        try:
            card = find_card(open_photo(content, f"{kind}_{index}"))
            false["turnblue"][kind] += 1
            (folder / f"false_{kind}_{seed}_{index}_{card.design.kind}.jpg").write_bytes(content)
        except NoCardFound as refusal:
            if refusal.code not in ("no_card", "card_in_doubt"):
                false.setdefault(f"said {refusal.code}", Counter())[kind] += 1
        if alone:
            continue
        photo = cv2.imdecode(np.frombuffer(content, np.uint8), cv2.IMREAD_COLOR)
        for name, found in (
            ("aruco", bool(marks_of(photo, None, OWN_IDS))),
            ("aruco .01", bool(marks_of(photo, 0.01, OWN_IDS))),
            ("mcc", chart_answer(photo, 1)["centres"] is not None),
        ):
            false.setdefault(name, Counter())[kind] += found
    return seen, false


def run(count: int, seed: int, folder: Path, *, alone: bool = False, start: int = 0, jobs: int = 1) -> str:
    """Return the table of pictures `start` to `start + count`; `alone` leaves the peers out."""
    from vision.specs import load_card

    if {marker.id for marker in load_card().markers} != set(OWN_IDS):
        raise ValueError(f"OWN_IDS no longer names the marks of {DESIGN.name}")
    seen: Counter = Counter()
    false: dict[str, Counter] = {}
    begin = time.monotonic()
    parts = [(range(at, min(at + 40, start + count)), seed, folder, alone) for at in range(start, start + count, 40)]
    with ExitStack() as stack:
        answers = map(_search, parts)
        if jobs > 1:
            # Begun anew, not forked: a fork of a process whose OpenCV has threads may stand still.
            crew = ProcessPoolExecutor(jobs, get_context("spawn"), cv2.setNumThreads, (1,))
            answers = stack.enter_context(crew).map(_search, parts)
        for kinds, finds in answers:
            seen += kinds
            for name, each in finds.items():
                false.setdefault(name, Counter()).update(each)
            print(f"{sum(seen.values())}/{count} {time.monotonic() - begin:.0f} s, "
                  f"false {sum(false['turnblue'].values())}", file=sys.stderr, flush=True)  # fmt: skip
    lines = [f"{'kind':12s}{'pictures':>9s}" + "".join(m.rjust(22) for m in false)]
    for kind in sorted(seen):
        lines.append(f"{kind:12s}{seen[kind]:9d}" + "".join(str(each[kind]).rjust(22) for each in false.values()))
    total = sum(seen.values())
    lines.append(f"{'all':12s}{total:9d}" + "".join(str(sum(e.values())).rjust(22) for e in false.values()))
    lines.append("(aruco: any of the card's own marks read; said ...: refused, but not as 'no card')")
    return "\n".join(lines) + ("" if real_photos() else "\nNo real photos found: pictures of that kind are flatlays.")
