"""Feeds damaged and hostile files to the decoder and to the measuring, as a photo that somebody sends.

`python -m tests.fuzz_photos --count 20000` prints how each ended. Seeds are this project's own rendered samples in
every form that can be written, and hand-made traps (bombs, polyglots, archives). A case is known by its number:
`--only 4711` runs it again. A mutant that is told something new is mutated further. It must hold, for every case: no
end of the worker program, no more than 10 s of its work, no more than 1 GB, and a refusal is a sentence.
"""

from __future__ import annotations

import argparse
import io
import random
import re
import struct
import sys
import time
import zipfile
import zlib
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from app import config
from app.crew import MEASURING, Crew, TaskFailed
from app.workers import load_grader
from vision.errors import VisionError
from vision.results import PhotoResult

ROOT = Path(__file__).parent.parent
LONGEST_S, LARGEST_MB = 10.0, 1000.0
"""What a case may take: the requirement."""
SENTENCE = re.compile(r"[A-Z][^{}<>\\]{10,400}[.:]?$")
"""A sentence: begins with a capital, no escape, no bracket of a program."""
NO_SENTENCE = re.compile(r"Traceback|Error\b|Exception|errno|0x[0-9a-f]{4}|object at|\bNone\b|NaN")
SMALL = (360, 270)
"""Size of the seeds' pictures [px]: just above the smallest that is taken, so that many can be tried."""


@dataclass(frozen=True)
class Told:
    """How a case ended in its worker: "measured" or "refused", what was said, memory [MB] and processor time [s]."""

    how: str
    say: str
    peak_mb: float
    cpu_s: float


@dataclass(frozen=True)
class Feed:
    """The task of decoding a file at two sizes, then measuring it."""

    content: bytes

    def __call__(self) -> tuple[str, str, float, float]:
        """Return the parts of a `Told`: an answer may hold no class of another than the program itself."""
        from vision.measure import measure_water
        from vision.photo import open_photo

        forget_peak()
        started = time.process_time()
        try:
            photo = open_photo(self.content, "IMG_1.jpg")
            photo.read(200)
            photo.forget()
            photo.read()
            photo.forget()
            result = measure_water(photo, grader=load_grader(config.grader_path()))
        except VisionError as error:
            return "refused", str(error), peak_mb(), time.process_time() - started
        assert isinstance(result, PhotoResult)
        codes = ",".join(sorted(each.code for each in result.problems))
        return "measured", codes, peak_mb(), time.process_time() - started


def forget_peak() -> None:
    """Begin counting this process's largest memory anew, where the system lets us."""
    try:
        Path("/proc/self/clear_refs").write_text("5")
    except OSError:
        return


def peak_mb() -> float:
    """Return this process's largest memory since `forget_peak` [MB]; 0 where the system does not say."""
    try:
        found = re.search(r"VmHWM:\s+(\d+) kB", Path("/proc/self/status").read_text())
    except OSError:
        return 0.0
    return int(found[1]) * 1.024e-3 if found else 0.0


# Seeds


def seeds(*, large: bool = True) -> dict[str, bytes]:
    """Return the seeds by name, those of 100 megapixels and more left out where they are not asked for."""
    from PIL import Image

    samples = [Image.open(path).convert("RGB") for path in sorted((ROOT / "sample_images").glob("*.jpg"))[:3]]
    small = [image.resize(SMALL) for image in samples]
    found = {f"sample {number}": saved(image, "JPEG", quality=80) for number, image in enumerate(small)}
    return (
        found
        | written(small[0], small[1])
        | with_data(small[0])
        | traps(found["sample 0"])
        | (bombs(small[0]) if large else {})
    )


def saved(image, kind, **options) -> bytes:
    """Return a picture as a file of one kind."""
    kept = io.BytesIO()
    image.save(kept, kind, **options)
    return kept.getvalue()


def written(first, second) -> dict[str, bytes]:
    """Return a picture in every form that can be written."""
    import pillow_heif
    from PIL import Image

    pillow_heif.register_heif_opener()
    several = {"save_all": True, "append_images": [second]}
    tried: dict[str, Callable[[], bytes]] = {
        "progressive": lambda: saved(first, "JPEG", progressive=True),
        "grey": lambda: saved(first.convert("L"), "JPEG"),
        "cmyk": lambda: saved(first.convert("CMYK"), "JPEG"),
        "fine colour": lambda: saved(first, "JPEG", subsampling=0),
        "several in one": lambda: saved(first, "MPO", **several),
        "png": lambda: saved(first, "PNG"),
        "png of few colours": lambda: saved(first.convert("P"), "PNG"),
        "png of 16 bits": lambda: saved(Image.new("I;16", SMALL, 30_000), "PNG"),
        "png seen through": lambda: saved(first.convert("RGBA"), "PNG"),
        "png that moves": lambda: saved(first, "PNG", **several),
        "webp": lambda: saved(first, "WEBP"),
        "webp without loss": lambda: saved(first, "WEBP", lossless=True),
        "webp that moves": lambda: saved(first, "WEBP", **several),
        "heic": lambda: saved(first, "HEIF"),
        "heic of several": lambda: saved(first, "HEIF", **several),
        "avif": lambda: saved(first, "AVIF"),
        "tiff": lambda: saved(first, "TIFF"),
        "tiff packed": lambda: saved(first, "TIFF", compression="tiff_lzw"),
        "gif that moves": lambda: saved(first, "GIF", **several),
        "bmp": lambda: saved(first.resize((240, 240)), "BMP"),
        "icon": lambda: saved(first.resize((256, 256)), "ICO"),
        "jpeg 2000": lambda: saved(first, "JPEG2000"),
        "targa": lambda: saved(first.resize((240, 240)), "TGA"),
        "portable map": lambda: saved(first.resize((240, 240)), "PPM"),
    }
    found = {}
    for name, write in tried.items():
        try:
            found[name] = write()
        except (OSError, KeyError, ValueError):
            continue  # this Pillow does not write it
    return found


def with_data(image) -> dict[str, bytes]:
    """Return pictures that carry much beside the picture."""
    from PIL import ImageCms

    exif = image.getexif()
    exif[0x0112], exif[0x010F], exif[0x0132] = 6, "x" * 3000, "2026:06:03 09:14:07"
    exif.get_ifd(0x8769)[0x9003] = "2026:13:99 25:61:61"
    exif.get_ifd(0x8825).update({1: "N", 2: (45.0, 30.0, 0.0)})
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    return {
        "exif": saved(image, "JPEG", exif=exif),
        "exif in png": saved(image, "PNG", exif=exif),
        "exif in heic": saved(image, "HEIF", exif=exif.tobytes()),
        "profile": saved(image, "JPEG", icc_profile=profile),
        "profile in heic": saved(image, "HEIF", icc_profile=profile),
        "profile of nothing": saved(image, "JPEG", icc_profile=bytes(200)),
        "profile of noise": saved(image, "PNG", icc_profile=random.Random(1).randbytes(3000)),
    }


def traps(jpeg: bytes) -> dict[str, bytes]:
    """Return hand-made traps."""
    from PIL import Image

    archive = io.BytesIO()
    with zipfile.ZipFile(archive, "w", zipfile.ZIP_DEFLATED) as packed:
        packed.writestr("../../etc/passwd", "x")
        packed.writestr("bomb", bytes(30_000_000))
        link = zipfile.ZipInfo("link")
        link.external_attr = 0o120777 << 16
        packed.writestr(link, "/etc/passwd")
    zipped = archive.getvalue()
    comment = b"\xff\xfe" + struct.pack(">H", 60) + b"<script>alert(1)</script><?php system('x'); ?>".ljust(58)
    return {
        "nothing": b"",
        "one byte": b"\xff",
        "text": b"=cmd|' /C calc'!A0, <script>alert(1)</script>\n" * 20,
        "noise": random.Random(2).randbytes(20_000),
        "zip": zipped,
        "zip behind a jpeg": jpeg + zipped,
        "jpeg behind a zip": zipped + jpeg,
        "page in a jpeg": jpeg[:2] + comment + jpeg[2:],
        "pdf": b"%PDF-1.7\n1 0 obj<</OpenAction<</S/JavaScript/JS(x)>>>>endobj\n%%EOF",
        "postscript": b"%!PS-Adobe-3.0 EPSF-3.0\n%%BoundingBox: 0 0 400 400\n(/etc/passwd) run\nshowpage\n",
        "svg": b'<?xml version="1.0"?><!DOCTYPE x [<!ENTITY a "' + b"b" * 999 + b'">]><svg>' + b"&a;" * 999 + b"</svg>",
        "program": b"\x7fELF\x02\x01\x01" + bytes(200),
        "video": struct.pack(">I", 24) + b"ftypmp42" + bytes(12) + struct.pack(">I", 8) + b"mdat",
        "heic of nothing": struct.pack(">I", 24) + b"ftypheic" + b"\0\0\0\0mif1heic",
        "one pixel": saved(Image.new("RGB", (1, 1)), "PNG"),
        "a line": saved(Image.new("RGB", (20_000, 1)), "PNG"),
        "30,000 x 30,000 colours": png_of(30_000, 30_000, 8, 2, rows=20),
        "text bomb": png_of(300, 300, 8, 2, text=zlib.compress(bytes(90_000_000))),
        "huge gif": b"GIF89a" + struct.pack("<HH", 65_535, 65_535) + b"\x80\0\0" + bytes(6) + b"\x2c" + bytes(30),
        "jpeg that says 65,500": jpeg_size(jpeg, 65_500, 65_500),
        "jpeg that says nothing": jpeg_size(jpeg, 0, 0),
    }


def bombs(image) -> dict[str, bytes]:
    """Return small files that become large pictures, and one all of whose dots look like a mark's corners."""
    from PIL import Image

    return {
        "png of one bit": saved(image.convert("1"), "PNG"),
        "30,000 x 30,000": png_of(30_000, 30_000, 1, 0),
        "110 megapixels of nothing": png_of(11_000, 10_000, 8, 2),
        "110 megapixels seen through": png_of(11_000, 10_000, 8, 6),
        "110 megapixels of 16 bits": png_of(11_000, 10_000, 16, 2),
        "110 megapixels of jpeg": saved(Image.new("L", (11_000, 10_000)), "JPEG"),
    }


def png_of(width: int, height: int, bits: int, colour: int, *, rows: int | None = None, text: bytes = b"") -> bytes:
    """Return an even PNG of any size, cheap to make; only its first `rows` are there."""
    channels = {0: 1, 2: 3, 6: 4}[colour]
    row = bytes(1 + (width * bits * channels + 7) // 8)
    packer, packed = zlib.compressobj(1), b""
    for _ in range(height if rows is None else rows):
        packed += packer.compress(row)
    packed += packer.flush()
    head = struct.pack(">IIBBBBB", width, height, bits, colour, 0, 0, 0)
    parts = [(b"IHDR", head), *([(b"zTXt", b"note\0\0" + text)] if text else []), (b"IDAT", packed), (b"IEND", b"")]
    return b"\x89PNG\r\n\x1a\n" + b"".join(
        struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body)) for name, body in parts
    )


def jpeg_size(jpeg: bytes, width: int, height: int) -> bytes:
    """Return a JPEG whose header tells another size."""
    place = jpeg.find(b"\xff\xc0") + 5
    return jpeg[:place] + struct.pack(">HH", height, width) + jpeg[place + 4 :]


# Mutations

TOKENS = (
    b"\xff\xd8", b"\xff\xd9", b"\xff\xc0", b"\xff\xc4", b"\xff\xda", b"\xff\xe1", b"Exif\0\0", b"II*\0", b"MM\0*",
    b"IHDR", b"IDAT", b"IEND", b"iCCP", b"eXIf", b"acTL", b"RIFF", b"WEBP", b"VP8X", b"ftyp", b"meta", b"iloc", b"ispe",
    b"hvcC", b"mdat", b"\0\0\0\0", b"\xff\xff\xff\xff", b"\x7f\xff\xff\xff", b"\x80\0\0\0",
)  # fmt: skip
"""Words of the formats, put where they do not belong."""


def mutated(content: bytes, other: bytes, rng: random.Random) -> bytes:
    """Return a file damaged in one to eight ways; nearer the front more often: there the headers are."""
    mutant = bytearray(content)
    for _ in range(rng.choice((1, 1, 2, 3, 5, 8))):
        if not mutant:
            return bytes(mutant)
        reach = rng.choice((64, 700, len(mutant), len(mutant)))
        place = rng.randrange(min(reach, len(mutant)))
        length = rng.choice((1, 2, 4, 16, 256, 4096))
        way = rng.randrange(9)
        if way == 0:
            mutant[place] ^= 1 << rng.randrange(8)
        elif way == 1:
            mutant[place] = rng.choice((0, 1, 0x7F, 0x80, 0xFF, rng.randrange(256)))
        elif way == 2:
            token = rng.choice(TOKENS)
            mutant[place : place + len(token)] = token
        elif way == 3:
            mutant[place:place] = rng.choice(TOKENS) + rng.randbytes(rng.randrange(8))
        elif way == 4:
            del mutant[place : place + length]
        elif way == 5:
            mutant[place:place] = mutant[place : place + length] * rng.choice((1, 2, 50))
        elif way == 6:
            del mutant[place:]
        elif way == 7:
            mutant[place : place + length] = rng.randbytes(length)
        else:
            start = rng.randrange(max(1, len(other)))
            mutant[place:] = other[start:]
    return bytes(mutant[:3_000_000])


# The run


@dataclass
class Found:
    """What came out of all cases."""

    ended: Counter[str] = field(default_factory=Counter)
    wrong: list[str] = field(default_factory=list)
    limited: list[str] = field(default_factory=list)
    slowest: tuple[float, str] = (0.0, "")
    longest: tuple[float, str] = (0.0, "")
    largest: tuple[float, str] = (0.0, "")
    sentences: Counter[str] = field(default_factory=Counter)


def try_one(crew: Crew, name: str, content: bytes, found: Found) -> str:
    """Feed one file and note how it ended; return what was said, without its figures."""
    started = time.monotonic()
    try:
        told = Told(*crew.run(Feed(content), MEASURING))
    except TaskFailed as failed:
        told = Told(failed.code, failed.sentence, 0.0, 0.0)
        # Ended by its own limit it harmed nobody, and was told in a sentence; anything else is wrong.
        (found.limited if failed.code in ("too_big", "too_slow") else found.wrong).append(f"{name}: {failed.code}")
    # The clock says how long a person waits, the processor's time what the file itself takes on a busy machine.
    found.longest = max(found.longest, (time.monotonic() - started, name))
    took = told.cpu_s
    found.ended[told.how] += 1
    found.slowest = max(found.slowest, (took, name))
    found.largest = max(found.largest, (told.peak_mb, name))
    if took > LONGEST_S:
        found.wrong.append(f"{name}: took {took:.1f} s")
    if told.peak_mb > LARGEST_MB:
        found.wrong.append(f"{name}: took {told.peak_mb:.0f} MB")
    if told.how != "measured" and (not SENTENCE.match(told.say) or NO_SENTENCE.search(told.say)):
        found.wrong.append(f"{name}: said {told.say!r}")
    pattern = re.sub(r"\d+", "9", told.say)
    if told.how != "measured":
        found.sentences[pattern] += 1
    return f"{told.how} {pattern}"


def run(
    count: int, seed: int = 1, *, only: int | None = None, large: bool = True, say: Callable[[str], None] = print
) -> Found:
    """Feed the seeds as they are, then `count` mutants; return what came out."""
    corpus, found, crew = list(seeds(large=large).items()), Found(), Crew(1)
    known, plain = set(), len(corpus)
    try:
        for name, content in corpus if only is None else []:
            known.add(try_one(crew, name, content, found))
        say(f"seeds: {dict(found.ended)}, wrong: {found.wrong}; slowest {found.slowest}, largest {found.largest}")
        for number in range(count) if only is None else [only]:
            rng = random.Random(f"{seed} {number}")
            # The large traps are slow and were tried as they are: they are mutated seldom.
            choices = [each for each in corpus[:plain] if len(each[1]) < 120_000 or rng.random() < 0.02]
            if only is None and len(corpus) > plain and rng.random() < 0.3:
                choices = corpus[plain:]
            name, content = rng.choice(choices)
            mutant = mutated(content, rng.choice(choices)[1], rng)
            new = try_one(crew, f"case {number} from {name}", mutant, found)
            if new not in known and len(mutant) < 120_000:
                known.add(new)
                corpus.append((f"{name} > {number}", mutant))
            if number % 1000 == 999:
                say(f"{number + 1}: {dict(found.ended)}, {len(known)} kinds of answer, wrong: {found.wrong[:9]}")
    finally:
        crew.dismiss()
    return found


def main() -> None:
    """Run and print the figures."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--count", type=int, default=1000)
    asked.add_argument("--seed", type=int, default=1)
    asked.add_argument("--only", type=int, help="the number of one case, from the seeds alone")
    told = asked.parse_args()
    found = run(told.count, told.seed, only=told.only, say=lambda line: print(line, flush=True))
    print(f"ended: {dict(found.ended)}")
    print(f"slowest: {found.slowest[0]:.2f} s of work ({found.slowest[1]})")
    print(f"longest wait: {found.longest[0]:.2f} s ({found.longest[1]})")
    print(f"largest: {found.largest[0]:.0f} MB ({found.largest[1]})")
    for sentence, count in found.sentences.most_common():
        print(f"{count:6d} {sentence}")
    print(f"ended by their limits: {', '.join(found.limited) or 'none'}")
    print(f"{len(found.wrong)} wrong")
    for each in found.wrong[:40]:
        print(f"  {each}")
    sys.exit(bool(found.wrong))


if __name__ == "__main__":
    # Tasks are read by workers as this module's own.
    from tests.fuzz_photos import main as fuzz_main

    fuzz_main()
