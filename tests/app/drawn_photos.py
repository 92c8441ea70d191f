"""Small invented JPEGs for the intake tests: with EXIF time and position, some with a pool's tag drawn in; no water."""

import io

import numpy as np
from PIL import ExifTags, Image

from app.report.tags_pdf import modules


def drawn_photo(*, text="", taken_at=None, zone="+00:00", position=None, camera="Invented P1", seed=0, width=640):
    """Return a JPEG: noise that no other seed has, a tag askew where `text` is given, EXIF as asked."""
    rng = np.random.default_rng(seed)
    ground = rng.integers(60, 190, (width * 3 // 32, width // 8, 3), dtype=np.uint8)
    image = Image.fromarray(ground).resize((width, width * 3 // 4), Image.Resampling.BILINEAR)
    if text:
        dark = np.array(modules(text))
        square = np.pad(np.where(dark, 25, 235).astype(np.uint8), 4, constant_values=235)
        side = width // 3
        tag = Image.fromarray(square).resize((side, side), Image.Resampling.NEAREST).convert("RGBA")
        tag = tag.rotate(float(rng.uniform(-12, 12)), expand=True, resample=Image.Resampling.BICUBIC)
        image.paste(tag, (int(rng.integers(20, width // 2)), int(rng.integers(10, width // 5))), tag)
    exif = Image.Exif()
    exif[ExifTags.Base.Make], exif[ExifTags.Base.Model] = "Invented", camera
    if taken_at is not None:
        inner = exif.get_ifd(ExifTags.IFD.Exif)
        inner[ExifTags.Base.DateTimeOriginal] = f"{taken_at:%Y:%m:%d %H:%M:%S}"
        if zone:
            inner[ExifTags.Base.OffsetTimeOriginal] = zone
    if position is not None:
        gps = exif.get_ifd(ExifTags.IFD.GPSInfo)
        for value, place, refs in ((position[0], 1, "NS"), (position[1], 3, "EW")):
            gps[place] = refs[value < 0]
            whole, rest = divmod(abs(value) * 3600, 3600)
            gps[place + 1] = (whole, rest // 60, rest % 60)
    kept = io.BytesIO()
    image.save(kept, "JPEG", quality=85, exif=exif)
    return kept.getvalue()
