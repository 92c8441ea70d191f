"""Read what tells where a photo belongs: QR codes in it, when and where it was taken, and by which camera.

In: an opened photo. Out: `PhotoClues`. What a code means is not known here.
"""

from __future__ import annotations

import io
import math
import warnings
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from PIL import ExifTags, Image

from vision.photo import Photo, Pixels

READ_AT_PX = (1600, 640)
"""Long sides at which codes are looked for [px]: a tag that fills a tenth of the width, then one that fills the
picture or is a little blurred (our own trials on rendered tags)."""

LONGEST_TEXT = 400
"""Longest text of a code that is kept [characters]: far more than a tag of ours."""


@dataclass(frozen=True)
class PhotoClues:
    """What a photo tells of where it belongs.

    `texts` are the texts of the QR codes in it. `taken_at` is ISO 8601, without a zone where the camera wrote none.
    Latitude and longitude are in degrees (WGS 84), north and east positive; None where there are none.
    """

    texts: tuple[str, ...]
    taken_at: str | None
    latitude_deg: float | None
    longitude_deg: float | None
    camera: str


def read_clues(photo: Photo) -> PhotoClues:
    """Return what a photo tells of where it belongs.

    Raises
    ------
    PhotoUnreadable
        If its pixels cannot be decoded.
    """
    latitude_deg, longitude_deg, camera = _written(photo.content)
    return PhotoClues(_codes(photo), photo.taken_at, latitude_deg, longitude_deg, camera)


def _codes(photo: Photo) -> tuple[str, ...]:
    """Return the texts of all QR codes found, each once."""
    # By marker-like corners: of eight drawn tags askew it read all, the plain detector six or seven.
    detector = cv2.QRCodeDetectorAruco()
    for long_side_px in READ_AT_PX:
        grey = cv2.cvtColor(_no_larger(photo.read(long_side_px).rgb, long_side_px), cv2.COLOR_RGB2GRAY)
        try:
            found, texts, _corners, _straight = detector.detectAndDecodeMulti(grey)
        except cv2.error:
            # Some patterns that are no codes break the detector's geometry: no code is read then.
            continue
        read = tuple(dict.fromkeys(text[:LONGEST_TEXT] for text in texts if text)) if found else ()
        if read:
            return read
    return ()


def _no_larger(rgb: Pixels, long_side_px: int) -> Pixels:
    """Return the picture with a long side of at most `long_side_px`."""
    factor = long_side_px / max(rgb.shape[:2])
    if factor >= 1:
        return rgb
    size = (max(1, round(rgb.shape[1] * factor)), max(1, round(rgb.shape[0] * factor)))
    return np.asarray(cv2.resize(rgb, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)


def _written(content: bytes) -> tuple[float | None, float | None, str]:
    """Return latitude, longitude [deg] and the camera as the photo's EXIF has them; nonsense is as nothing."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            with Image.open(io.BytesIO(content)) as image:
                exif = image.getexif()
                gps = exif.get_ifd(ExifTags.IFD.GPSInfo)
    except (OSError, ValueError, KeyError, TypeError, SyntaxError, AttributeError, Image.DecompressionBombError):
        return None, None, ""
    named = [str(exif.get(tag, "")).strip("\x00 ") for tag in (ExifTags.Base.Make, ExifTags.Base.Model)]
    camera = " ".join(each for each in named if each)[:80]
    latitude_deg = _degrees(gps, ExifTags.GPS.GPSLatitude, ExifTags.GPS.GPSLatitudeRef, "S", 90.0)
    longitude_deg = _degrees(gps, ExifTags.GPS.GPSLongitude, ExifTags.GPS.GPSLongitudeRef, "W", 180.0)
    if latitude_deg is None or longitude_deg is None or latitude_deg == longitude_deg == 0.0:
        # Cameras without a fix write zeros.
        return None, None, camera
    return latitude_deg, longitude_deg, camera


def _degrees(gps: Any, tag: int, reference: int, negative: str, most: float) -> float | None:
    """Return one coordinate [deg]. Source of the form: EXIF 2.32 (CIPA DC-008), GPS tags 0x0001 to 0x0004."""
    try:
        degrees, minutes, seconds = (float(each) for each in gps[tag])
    except (KeyError, TypeError, ValueError, ZeroDivisionError):
        return None
    value = degrees + minutes / 60 + seconds / 3600
    if not math.isfinite(value) or not 0 <= value <= most:
        return None
    return -value if str(gps.get(reference, "")).strip("\x00 ").upper() == negative else value
