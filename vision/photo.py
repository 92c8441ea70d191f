"""A photo as a person sees it: orientation and colour profile applied, capture time and sha256 known.

In: the bytes of a JPEG, PNG, WebP or HEIC file. Out: `Photo`, which decodes itself at the size asked for: a phone's
12 megapixels are read small first and in full only where something needs it. Pixels come as sRGB, 8 bits.
"""

from __future__ import annotations

import hashlib
import io
import warnings
from dataclasses import dataclass, field
from datetime import datetime
from functools import lru_cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import ExifTags, Image, ImageCms

from vision.errors import PhotoUnreadable

Pixels = NDArray[np.uint8]

FORMATS = {"JPEG", "MPO", "PNG", "WEBP", "HEIF"}
"""Pillow's names of the formats read; MPO is a JPEG that carries further pictures behind the first."""

LARGEST_PIXELS = 120_000_000
"""Largest photo read [px]: above the 108 megapixels of the largest phone sensors (common practice, no source)."""

SMALLEST_SIDE_PX = 240
"""Shortest side on which a card can be read at all [px]: the project's own bound."""

REDUCED_FORMATS = {"JPEG", "MPO"}
"""Forms whose decoder gives a half, a quarter or an eighth of the size, in a third to half of the time (libjpeg)."""

HINT = "Send a JPEG, PNG, WebP or HEIC picture straight from the phone."

_TURNS = {2: (None, 1), 3: (cv2.ROTATE_180, None), 4: (None, 0), 6: (cv2.ROTATE_90_CLOCKWISE, None)} | {
    5: (cv2.ROTATE_90_CLOCKWISE, 1),
    7: (cv2.ROTATE_90_COUNTERCLOCKWISE, 1),
    8: (cv2.ROTATE_90_COUNTERCLOCKWISE, None),
}
"""EXIF orientation -> rotation, then flip (cv2 codes). Source: EXIF 2.32 (CIPA DC-008), tag 0x0112."""


@dataclass(frozen=True)
class Picture:
    """Pixels at some size, shape (H, W, 3), sRGB, and how many photo pixels one of its pixels spans."""

    rgb: Pixels
    reduction: float

    def to_photo(self, points_px: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return points of this picture as points of the full photo, shape (..., 2)."""
        return (np.asarray(points_px, dtype=np.float64) + 0.5) * self.reduction - 0.5

    def from_photo(self, points_px: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return points of the full photo as points of this picture, shape (..., 2)."""
        return (np.asarray(points_px, dtype=np.float64) + 0.5) / self.reduction - 0.5


@dataclass(frozen=True)
class Photo:
    """One photo file, opened: its header is read, its pixels when asked for.

    `size_px` is width, height as a person sees it. `taken_at` is ISO 8601, without a zone where the camera wrote
    none, None where it wrote no time. `profile` is "srgb", "none", "broken" or the profile's own description.
    """

    name: str
    content: bytes = field(repr=False)
    sha256: str
    size_px: tuple[int, int]
    taken_at: str | None
    orientation: int
    profile: str
    icc: bytes | None = field(default=None, repr=False)
    format: str = "JPEG"
    _read: dict[int, Picture] = field(default_factory=dict, repr=False, compare=False)

    def read(self, at_least_px: int | None = None) -> Picture:
        """Return the pixels with a long side of at least `at_least_px`, or all of them.

        Parameters
        ----------
        at_least_px : int, optional
            The smallest long side wanted [px]. The photo is read at a half, a quarter or an eighth where that
            is enough. None reads it in full.

        Raises
        ------
        PhotoUnreadable
            If the pixels cannot be decoded.
        """
        long_side = max(self.size_px)
        reduction = 1
        while at_least_px is not None and reduction < 8 and long_side / (reduction * 2) >= at_least_px:
            reduction *= 2
        if reduction not in self._read:
            finer = [each for each in self._read if each < reduction]
            if not finer and reduction > 2 and self.format not in REDUCED_FORMATS:
                # Decoded in full all the same: keep the half of it, which is what may be wanted next.
                finer = [2]
                self._read[2] = Picture(self._decode(2), 2.0)
            if finer:
                pixels = _shrink(self._read[max(finer)].rgb, reduction // max(finer))
            else:
                pixels = self._decode(reduction)
            self._read[reduction] = Picture(pixels, float(reduction))
        return self._read[reduction]

    def forget(self) -> None:
        """Drop the decoded pixels; they are read again when asked for."""
        self._read.clear()

    def _decode(self, reduction: int) -> Pixels:
        if self.format in REDUCED_FORMATS:
            pixels = _decode_jpeg(self.content, reduction)
        else:
            pixels = _decode_any(self.content)
        pixels = _turn(pixels, self.orientation)
        if self.format not in REDUCED_FORMATS:
            pixels = _shrink(pixels, reduction)
        if self.icc is not None and self.profile not in {"srgb", "broken"}:
            pixels = _to_srgb(pixels, self.icc)
        return pixels


def _unreadable(sentence: str) -> PhotoUnreadable:
    return PhotoUnreadable(sentence, HINT)


def _decode_jpeg(content: bytes, reduction: int) -> Pixels:
    """Decode with libjpeg's own reduction (OpenCV: half the time of Pillow on a full photo)."""
    codes = {
        1: cv2.IMREAD_COLOR,
        2: cv2.IMREAD_REDUCED_COLOR_2,
        4: cv2.IMREAD_REDUCED_COLOR_4,
        8: cv2.IMREAD_REDUCED_COLOR_8,
    }
    flags = int(codes[reduction]) | int(cv2.IMREAD_IGNORE_ORIENTATION)
    try:
        pixels = cv2.imdecode(np.frombuffer(content, np.uint8), flags)
    except cv2.error as error:
        raise _unreadable("This picture is damaged and cannot be read.") from error
    if pixels is None:
        raise _unreadable("This picture is damaged and cannot be read.")
    cv2.cvtColor(pixels, cv2.COLOR_BGR2RGB, dst=pixels)
    return np.asarray(pixels, dtype=np.uint8)


def _decode_any(content: bytes) -> Pixels:
    """Decode a PNG, WebP or HEIC with Pillow, first frame, transparency over white."""
    _register_heif()
    try:
        with Image.open(io.BytesIO(content)) as image:
            if image.mode in {"I;16", "I", "F", "I;16B", "I;16L"}:
                deep = np.asarray(image, dtype=np.float64)
                grey = np.clip(deep / 257, 0, 255).round().astype(np.uint8)
                return np.repeat(grey[..., None], 3, axis=2)
            if "A" in image.getbands() or "transparency" in image.info:
                front = image.convert("RGBA")
                ground = Image.new("RGBA", front.size, "white")
                return np.asarray(Image.alpha_composite(ground, front).convert("RGB"))
            return np.array(image.convert("RGB"))
    except (OSError, ValueError, SyntaxError, EOFError, RuntimeError, Image.DecompressionBombError) as error:
        raise _unreadable("This picture is damaged and cannot be read.") from error


def _turn(pixels: Pixels, orientation: int) -> Pixels:
    if orientation not in _TURNS:
        return pixels
    rotation, flip = _TURNS[orientation]
    if rotation is not None:
        pixels = np.asarray(cv2.rotate(pixels, rotation), dtype=np.uint8)
    if flip is not None:
        pixels = np.asarray(cv2.flip(pixels, flip), dtype=np.uint8)
    return pixels


def _shrink(pixels: Pixels, reduction: int) -> Pixels:
    if reduction == 1:
        return pixels
    height, width = pixels.shape[:2]
    size = (-(-width // reduction), -(-height // reduction))
    return np.asarray(cv2.resize(pixels, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)


@lru_cache(maxsize=1)
def _register_heif() -> None:
    """Teach Pillow HEIC, on first need: the import costs more than a JPEG's decoding."""
    import pillow_heif

    pillow_heif.register_heif_opener()


@lru_cache(maxsize=8)
def _transform(icc: bytes) -> Any:
    """Return the transform from an embedded profile to sRGB, or None where the profile is broken."""
    try:
        source = ImageCms.ImageCmsProfile(io.BytesIO(icc))
        return ImageCms.buildTransform(
            source, ImageCms.createProfile("sRGB"), "RGB", "RGB", ImageCms.Intent.RELATIVE_COLORIMETRIC
        )
    except (ImageCms.PyCMSError, OSError, ValueError, TypeError):
        return None


def _profile_name(icc: bytes | None) -> str:
    if not icc:
        return "none"
    if _transform(icc) is None:
        return "broken"
    try:
        description = ImageCms.getProfileDescription(ImageCms.ImageCmsProfile(io.BytesIO(icc))).strip()
    except (ImageCms.PyCMSError, OSError, ValueError, TypeError):
        return "unnamed"
    return "srgb" if "srgb" in description.lower().replace(" ", "") else description or "unnamed"


def _to_srgb(pixels: Pixels, icc: bytes) -> Pixels:
    image = Image.fromarray(pixels)
    ImageCms.applyTransform(image, _transform(icc), inPlace=True)
    return np.array(image)


def _taken_at(exif: Image.Exif) -> str | None:
    """Return the capture time as ISO 8601, or None where it is missing or nonsense."""
    try:
        inner = exif.get_ifd(ExifTags.IFD.Exif)
        written = inner.get(ExifTags.Base.DateTimeOriginal) or exif.get(ExifTags.Base.DateTime)
        offset = inner.get(ExifTags.Base.OffsetTimeOriginal) or inner.get(ExifTags.Base.OffsetTime)
    except (ValueError, KeyError, TypeError, OSError, SyntaxError, AttributeError):
        return None
    if not isinstance(written, str):
        return None
    try:
        moment = datetime.strptime(written.strip("\x00 "), "%Y:%m:%d %H:%M:%S")
    except ValueError:
        return None
    if isinstance(offset, str):
        try:
            zone = datetime.strptime(offset.strip("\x00 "), "%z").tzinfo
            return moment.replace(tzinfo=zone).isoformat()
        except ValueError:
            pass
    return moment.isoformat()


def _is_cut_short(content: bytes) -> bool:
    """Tell whether a JPEG ends before its end mark; a thumbnail's own end mark lies near the start."""
    return content.rfind(b"\xff\xd9") < len(content) // 3


def open_photo(source: Path | bytes, name: str | None = None) -> Photo:
    """Open a photo: read its header, capture time and colour profile, not yet its pixels.

    Parameters
    ----------
    source : Path or bytes
        The file, or its content.
    name : str, optional
        The name to report; by default the file's own.

    Raises
    ------
    PhotoUnreadable
        If the file is missing, empty, no photo of a known format, cut short, CMYK, larger than
        `LARGEST_PIXELS` or smaller than `SMALLEST_SIDE_PX`.
    """
    if isinstance(source, Path):
        name = name or source.name
        try:
            content = source.read_bytes()
        except OSError as error:
            raise _unreadable(f"The file {name} could not be opened.") from error
    else:
        content = source
    label = name or "photo"
    if not content:
        raise _unreadable(f"The file {label} is empty.")
    try:
        image = _open_header(content)
    except (OSError, ValueError, SyntaxError, EOFError, RuntimeError, Image.DecompressionBombError) as error:
        raise _unreadable(f"The file {label} is not a photo that can be read.") from error
    with image:
        if image.format not in FORMATS:
            raise _unreadable(f"The file {label} is a {image.format} file, not a photo from a phone.")
        if image.mode in {"CMYK", "YCCK", "LAB"}:
            raise _unreadable(f"The file {label} is made for a printing press ({image.mode}), not a phone's photo.")
        width, height = image.size
        if width * height > LARGEST_PIXELS:
            raise _unreadable(f"The file {label} is too large: {width} x {height} pixels.")
        if min(width, height) < SMALLEST_SIDE_PX:
            raise _unreadable(f"The file {label} is too small to measure: {width} x {height} pixels.")
        if image.format in {"JPEG", "MPO"} and _is_cut_short(content):
            raise _unreadable(f"The file {label} is cut short: only part of it arrived.")
        try:
            exif = image.getexif()
            orientation = int(exif.get(ExifTags.Base.Orientation, 1) or 1)
            taken_at = _taken_at(exif)
        except (ValueError, TypeError, KeyError, OSError, SyntaxError, AttributeError):
            orientation, taken_at = 1, None
        # A HEIC decoder turns the picture itself and leaves the tag as a record.
        orientation = 1 if image.format == "HEIF" else orientation
        icc = image.info.get("icc_profile")
        icc = icc if isinstance(icc, bytes) and icc else None
        kind = str(image.format)
    turned = orientation in {5, 6, 7, 8}
    return Photo(
        name=label,
        content=content,
        sha256=hashlib.sha256(content).hexdigest(),
        size_px=(height, width) if turned else (width, height),
        taken_at=taken_at,
        orientation=orientation,
        profile=_profile_name(icc),
        icc=icc,
        format=kind,
    )


def _open_header(content: bytes) -> Image.Image:
    """Open with Pillow; its size warning becomes our own refusal further on."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        if content[4:8] == b"ftyp":
            _register_heif()
        return Image.open(io.BytesIO(content))
