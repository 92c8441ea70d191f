"""Photos of every form a phone sends, and files that are none."""

import io

import cv2
import numpy as np
import pytest
from PIL import Image, ImageCms, ImageOps

from vision.errors import PhotoUnreadable
from vision.photo import LARGEST_PIXELS, open_photo


def picture(width=640, height=480, seed=1):
    """Smooth patches of colour: what JPEG keeps well."""
    rng = np.random.default_rng(seed)
    small = Image.fromarray(rng.integers(30, 226, (6, 8, 3), dtype=np.uint8))
    return small.resize((width, height), Image.Resampling.BICUBIC)


def encoded(image, form="JPEG", **options):
    stream = io.BytesIO()
    image.save(stream, form, **options)
    return stream.getvalue()


@pytest.mark.parametrize("form", ["JPEG", "PNG", "WEBP", "HEIF"])
def test_every_form_reads_alike(form):
    import pillow_heif

    pillow_heif.register_heif_opener()
    image = picture()
    photo = open_photo(encoded(image, form, quality=95), "a")
    assert photo.size_px == (640, 480)
    # Lossy forms at quality 95 keep smooth colour to about 2 of 255 in the mean.
    assert np.abs(photo.read().rgb.astype(float) - np.asarray(image)).mean() < 2


@pytest.mark.parametrize("form", ["JPEG", "PNG"])
@pytest.mark.parametrize("orientation", range(1, 9))
def test_orientation_as_a_person_sees_it(orientation, form):
    image = picture()
    exif = Image.Exif()
    exif[0x0112] = orientation
    content = encoded(image, form, exif=exif, **({"quality": 97} if form == "JPEG" else {}))
    photo = open_photo(content, "a")
    seen = ImageOps.exif_transpose(Image.open(io.BytesIO(content))).convert("RGB")
    assert photo.size_px == seen.size
    assert np.abs(photo.read().rgb.astype(float) - np.asarray(seen)).mean() < 1
    half = photo.read(300)
    assert half.reduction == 2
    assert half.rgb.shape[:2] == (seen.height // 2, seen.width // 2)


SUBSAMPLINGS = {"444": 0x111111, "440": 0x121111, "422": 0x211111, "420": 0x221111, "411": 0x411111}
"""OpenCV's names of the sampling factors of luma and both chromas."""


@pytest.mark.parametrize("subsampling", SUBSAMPLINGS)
@pytest.mark.parametrize("progressive", [0, 1], ids=["baseline", "progressive"])
def test_every_subsampling(subsampling, progressive):
    image = np.asarray(picture())
    options = [
        cv2.IMWRITE_JPEG_QUALITY, 92, cv2.IMWRITE_JPEG_PROGRESSIVE, progressive,
        cv2.IMWRITE_JPEG_SAMPLING_FACTOR, SUBSAMPLINGS[subsampling], cv2.IMWRITE_JPEG_RST_INTERVAL, 3,
    ]  # fmt: skip
    content = cv2.imencode(".jpg", image[..., ::-1], options)[1].tobytes()
    photo = open_photo(content)
    # Chroma at a quarter of the width costs most, on patches 80 px wide.
    assert np.abs(photo.read().rgb.astype(float) - image).mean() < 3
    assert photo.read(300).reduction == 2


def test_reduced_reading_keeps_the_means():
    image = picture(1600, 1200)
    photo = open_photo(encoded(image, quality=90))
    whole = photo.read().rgb.astype(float).mean(axis=(0, 1))
    for size, reduction in ((800, 2), (400, 4), (200, 8)):
        less = photo.read(size)
        assert less.reduction == reduction
        assert np.abs(less.rgb.astype(float).mean(axis=(0, 1)) - whole).max() < 0.5


def test_places_survive_reduction():
    photo = open_photo(encoded(picture(1600, 1200)))
    less = photo.read(400)
    points = np.array([[0.0, 0.0], [799.5, 599.5], [1599.0, 1199.0]])
    np.testing.assert_allclose(less.to_photo(less.from_photo(points)), points, atol=1e-9)
    # The middle of the photo is the middle of every picture of it.
    np.testing.assert_allclose(less.from_photo(points[1]), [(less.rgb.shape[1] - 1) / 2, (less.rgb.shape[0] - 1) / 2])


def wide_gamut_profile(name="Display P3", description="wide test space"):
    """A matrix profile of a colour space of colour-science (primaries and white as published), made here."""
    import colour

    space = colour.RGB_COLOURSPACES[name]
    d50 = colour.adaptation.matrix_chromatic_adaptation_VonKries(
        colour.xy_to_XYZ(space.whitepoint), np.array([0.9642, 1.0, 0.8249]), transform="Bradford"
    )
    columns = d50 @ space.matrix_RGB_to_XYZ

    def fixed(value):
        return int(round(value * 65536)).to_bytes(4, "big", signed=True)

    def xyz(values):
        return b"XYZ \0\0\0\0" + b"".join(fixed(v) for v in values)

    # The sRGB curve for Display P3, a plain power for Adobe RGB (1998), whose gamma is 2 + 51/256.
    plain = name.startswith("Adobe")
    gamma = b"para\0\0\0\0" + (0 if plain else 3).to_bytes(2, "big") + b"\0\0"
    curve = (2 + 51 / 256,) if plain else (2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045)
    gamma += b"".join(fixed(v) for v in curve)
    text = description.encode()
    desc = b"desc\0\0\0\0" + (len(text) + 1).to_bytes(4, "big") + text + b"\0" + bytes(78)
    cprt = b"text\0\0\0\0none\0"
    tags = {b"desc": desc, b"cprt": cprt, b"wtpt": xyz([0.9642, 1, 0.8249])}
    tags |= {name: xyz(columns[:, i]) for i, name in enumerate((b"rXYZ", b"gXYZ", b"bXYZ"))}
    tags |= {name: gamma for name in (b"rTRC", b"gTRC", b"bTRC")}
    body, table, at = b"", b"", 128 + 4 + 12 * len(tags)
    for name, content in tags.items():
        content += bytes(-len(content) % 4)
        table += name + at.to_bytes(4, "big") + len(content).to_bytes(4, "big")
        body += content
        at += len(content)
    head = at.to_bytes(4, "big") + b"\0\0\0\0" + bytes([2, 0x40, 0, 0]) + b"mntrRGB XYZ " + bytes(12) + b"acsp"
    head += bytes(28) + fixed(0.9642) + fixed(1) + fixed(0.8249)
    head += bytes(128 - len(head))
    return head + len(tags).to_bytes(4, "big") + table + body


@pytest.mark.parametrize("form", ["PNG", "JPEG", "WEBP", "HEIF"])
@pytest.mark.parametrize("space", ["Display P3", "Adobe RGB (1998)"])
def test_wide_gamut_profile_becomes_srgb(space, form):
    import colour
    import pillow_heif

    pillow_heif.register_heif_opener()
    options = {} if form == "PNG" else {"quality": 98}
    content = encoded(
        Image.new("RGB", (320, 240), (90, 150, 160)), form, icc_profile=wide_gamut_profile(space), **options
    )
    photo = open_photo(content)
    assert photo.profile == "wide test space"
    want = colour.RGB_to_RGB(
        np.array([90, 150, 160]) / 255, space, "sRGB", apply_cctf_decoding=True, apply_cctf_encoding=True
    )
    # Little CMS computes in 16 bits and rounds to 8: a level and a half; a lossy form adds a level or two.
    for at_least_px in (None, 160):
        pixel = photo.read(at_least_px).rgb[20, 20]
        np.testing.assert_allclose(pixel, 255 * np.clip(want, 0, 1), atol=1.5 if form == "PNG" else 3.5)


def test_no_profile_is_taken_as_srgb():
    image = picture()
    photo = open_photo(encoded(image, "PNG"))
    assert photo.profile == "none"
    np.testing.assert_array_equal(photo.read().rgb, np.asarray(image))


def test_srgb_profile_changes_nothing():
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    image = picture()
    photo = open_photo(encoded(image, "PNG", icc_profile=profile))
    assert photo.profile == "srgb"
    np.testing.assert_array_equal(photo.read().rgb, np.asarray(image))


BROKEN = {
    "words": b"no profile at all" * 20,
    "cut_short": wide_gamut_profile()[:200],
    "curve_lost": wide_gamut_profile().replace(b"rTRC", b"xTRC"),
    "for_grey": ImageCms.ImageCmsProfile(ImageCms.createProfile("LAB")).tobytes(),
    "zeros": bytes(500),
}


@pytest.mark.parametrize("form", ["PNG", "JPEG"])
@pytest.mark.parametrize("name", BROKEN)
def test_broken_profile_is_said_and_passed_over(name, form):
    image = picture()
    options = {} if form == "PNG" else {"quality": 97}
    photo = open_photo(encoded(image, form, icc_profile=BROKEN[name], **options))
    assert photo.profile == "broken"
    assert np.abs(photo.read().rgb.astype(float) - np.asarray(image)).mean() < (0.01 if form == "PNG" else 1.5)


def test_hdr_gain_map_behind_the_photo_is_ignored():
    """A phone's HDR photo is a plain JPEG with its gain map behind it, listed in an MPF segment."""
    image, gain_map = picture(), Image.new("L", (320, 240), 255)
    stream = io.BytesIO()
    image.save(stream, "MPO", save_all=True, append_images=[gain_map], quality=95)
    photo = open_photo(stream.getvalue())
    assert photo.format == "MPO"
    assert photo.size_px == (640, 480)
    assert np.abs(photo.read().rgb.astype(float) - np.asarray(image)).mean() < 2
    assert photo.read(300).rgb.shape == (240, 320, 3)


@pytest.mark.parametrize("tail", ["gain_map", "motion_clip", "padding"])
def test_whatever_follows_the_photo_is_ignored(tail):
    image = picture()
    behind = {
        "gain_map": encoded(Image.new("L", (160, 120), 200)),
        "motion_clip": b"\0\0\0\x18ftypmp42" + np.random.default_rng(1).bytes(20_000),
        "padding": bytes(4096),
    }[tail]
    photo = open_photo(encoded(image, quality=95) + behind)
    assert photo.size_px == (640, 480)
    assert np.abs(photo.read().rgb.astype(float) - np.asarray(image)).mean() < 2


def test_first_picture_of_a_heic_with_several_is_read():
    import pillow_heif

    image = picture()
    several = pillow_heif.from_pillow(image)
    several.add_from_pillow(Image.new("RGB", (320, 240), "red"))
    stream = io.BytesIO()
    several.save(stream, quality=95, primary_index=0)
    photo = open_photo(stream.getvalue())
    assert photo.size_px == (640, 480)
    assert np.abs(photo.read().rgb.astype(float) - np.asarray(image)).mean() < 2


def test_sixteen_bits_a_channel():
    image = np.asarray(picture()).astype(np.uint16) * 257
    content = cv2.imencode(".png", np.ascontiguousarray(image[..., ::-1]))[1].tobytes()
    # From sixteen to eight bits: at most one level, by rounding.
    assert np.abs(open_photo(content).read().rgb.astype(int) - np.asarray(picture())).max() <= 1


def test_ten_bit_heic():
    import pillow_heif

    deep = (np.asarray(picture()).astype(np.uint16) * 257).tobytes()
    several = pillow_heif.HeifFile()
    several.add_frombytes("RGB;16", (640, 480), deep)
    stream = io.BytesIO()
    several.save(stream, quality=95)
    photo = open_photo(stream.getvalue())
    assert np.abs(photo.read().rgb.astype(float) - np.asarray(picture())).mean() < 2


@pytest.mark.parametrize(
    ("original", "offset", "want"),
    [
        ("2026:06:03 09:14:07", "-07:00", "2026-06-03T09:14:07-07:00"),
        ("2026:06:03 09:14:07", None, "2026-06-03T09:14:07"),
        ("2026:06:03 09:14:07", "nonsense", "2026-06-03T09:14:07"),
        ("0000:00:00 00:00:00", None, None),
        ("yesterday", None, None),
        (None, None, None),
    ],
    ids=["zone", "no_zone", "bad_zone", "zeros", "words", "none"],
)
def test_capture_time(original, offset, want):
    exif = Image.Exif()
    inner = exif.get_ifd(0x8769)
    if original:
        inner[0x9003] = original
    if offset:
        inner[0x9011] = offset
    assert open_photo(encoded(picture(), exif=exif)).taken_at == want


def test_grey_deep_and_see_through_pictures():
    grey = Image.fromarray(np.linspace(0, 65535, 320 * 240).reshape(240, 320).astype(np.uint16))
    pixels = open_photo(encoded(grey, "PNG")).read().rgb
    assert pixels.shape == (240, 320, 3)
    assert pixels[0, 0, 0] == 0
    assert pixels[-1, -1, 0] == 255
    glass = Image.new("RGBA", (320, 240), (0, 0, 0, 0))
    assert (open_photo(encoded(glass, "PNG")).read().rgb == 255).all()


def test_refusals_say_what_to_do():
    whole = encoded(picture())
    cases = {
        b"": "is empty",
        b"not a photo, only words": "not a photo that can be read",
        whole[: len(whole) // 2]: "cut short",
        encoded(picture(100, 80)): "too small to measure: 100 x 80",
        encoded(picture().convert("CMYK")): "printing press",
        encoded(picture().convert("CMYK"), progressive=True): "printing press",
        encoded(picture(), "BMP"): "BMP file",
        encoded(picture(), "GIF"): "GIF file",
    }
    for content, sentence in cases.items():
        with pytest.raises(PhotoUnreadable, match=sentence) as caught:
            open_photo(content, "a.jpg")
        assert "JPEG, PNG, WebP or HEIC" in caught.value.hint


def test_pixel_bomb_is_refused_before_decoding():
    side = int(LARGEST_PIXELS**0.5) + 100
    content = encoded(Image.new("1", (side, side)), "PNG")
    assert len(content) < 200_000
    with pytest.raises(PhotoUnreadable, match="too large"):
        open_photo(content)


def test_missing_file(tmp_path):
    with pytest.raises(PhotoUnreadable, match="could not be opened"):
        open_photo(tmp_path / "nothing.jpg")


def test_damaged_inside():
    content = bytearray(encoded(picture(), "PNG"))
    content[len(content) // 2 : len(content) // 2 + 400] = bytes(400)
    with pytest.raises(PhotoUnreadable, match="damaged"):
        open_photo(bytes(content)).read()
