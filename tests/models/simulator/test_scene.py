"""Rendered photos against their own truth."""

import io
import json
import subprocess
import sys
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image

from models.simulator.camera import colour_matrix, sensitivities
from models.simulator.files import RequestWrong, encode_jpeg, spec_of_request, write_request
from models.simulator.geometry import basin_of, outline_of, view_of
from models.simulator.palette import mix_palette
from models.simulator.sampling import sample_spec, sample_water
from models.simulator.scene import render
from models.simulator.specs import SPOILERS, PoolSpec, SceneSpec, StanceSpec
from vision.results import Clarity, Severity, clarity_of, severity_of
from vision.specs import load_card

SMALL = (800, 600)


def draw(seed: int, **fixed: object) -> SceneSpec:
    return sample_spec(np.random.default_rng(0), seed=seed, **fixed)  # type: ignore[arg-type]


def test_same_spec_same_bits() -> None:
    spec = draw(5, size_px=SMALL)
    first, again = render(spec, masks=True), render(spec, masks=True)
    assert np.array_equal(first.photo_rgb, again.photo_rgb)
    assert first.truth == again.truth
    assert encode_jpeg(first) == encode_jpeg(again)
    other = render(replace(spec, seed=6))
    assert not np.array_equal(first.photo_rgb, other.photo_rgb)


@pytest.mark.parametrize("seed", range(300, 306))
def test_card_corners_where_the_markers_say(seed: int) -> None:
    spec = draw(seed, size_px=(1600, 1200), placement="hand", light="overcast")
    assert spec.card is not None
    # A flat card and a steady phone: a bent card's corners are not where its markers point.
    spec = replace(
        spec,
        card=replace(spec.card, bend_m=0.0, droplets=0, dirt=0.0),
        camera=replace(spec.camera, defocus_px=0.4, motion_px=0.0, haze=0.0, noise=0.5),
    )
    rendered = render(spec)
    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50), parameters)
    found, ids, _ = detector.detectMarkers(cv2.cvtColor(rendered.photo_rgb, cv2.COLOR_RGB2BGR))
    design = load_card()
    wanted = {marker.id: marker.corners_mm for marker in design.markers}
    assert ids is not None
    pairs = [(wanted[i], quad[0]) for i, quad in zip(ids.ravel(), found, strict=True) if i in wanted]
    assert len(pairs) >= 3
    source = np.array([corner for corners, _ in pairs for corner in corners])
    target = np.array([corner for _, quad in pairs for corner in quad])
    homography, _ = cv2.findHomography(source, target, 0)
    corners = cv2.perspectiveTransform(design.corners_mm[None], homography)[0]
    # Single marker corners are found to about 0.6 px (bright paper spreads over black); 12 or more of them average.
    assert np.abs(corners - np.array(rendered.truth.card_corners_px)).max() < 1.5


@pytest.mark.parametrize("clarity", list(Clarity))
@pytest.mark.parametrize("severity", list(Severity))
def test_every_pair_of_grades_that_physics_allows(clarity: Clarity, severity: Severity) -> None:
    # With 40 micrograms/L or more the algae's own scattering and absorption end the view: crystal water with moderate
    # algae would need c + K under 1.07 per m, clear water with heavy algae under 2.67, and both have more than
    # that at a quarter of the mean scattering per chlorophyll.
    depth = {"crystal": 7.6, "clear": 3.1, "hazy": 1.6, "cloudy": 0.8, "opaque": 0.3}[clarity]
    chlorophyll = {"none": 0.5, "trace": 5.0, "light": 12.0, "moderate": 45.0, "heavy": 125.0}[severity]
    impossible = {("crystal", "moderate"), ("crystal", "heavy"), ("clear", "heavy")}
    rng = np.random.default_rng(3)
    if (clarity, severity) in impossible:
        with pytest.raises(ValueError, match="cannot be seen"):
            sample_water(rng, chlorophyll_ug_l=chlorophyll, visible_depth_m=depth)
        return
    water = sample_water(rng, chlorophyll_ug_l=chlorophyll, visible_depth_m=depth)
    truth = render(draw(9, size_px=(400, 300), water=water, card="turnblue")).truth
    assert (truth.clarity, truth.severity) == (clarity, severity)
    assert truth.visible_depth_m == pytest.approx(depth, rel=1e-6)


def test_free_draws_reach_every_possible_pair() -> None:
    pairs = set()
    for seed in range(900):
        water = sample_water(np.random.default_rng(seed))
        from models.simulator.optics import visible_depth_m

        pairs.add((clarity_of(visible_depth_m(water)), severity_of(water.chlorophyll_ug_l)))
    assert len(pairs) >= 20


@pytest.mark.parametrize("fault", SPOILERS)
def test_spoilers(fault: str) -> None:
    rendered = render(draw(21, size_px=SMALL, spoil=(fault,)), masks=True)
    truth = rendered.truth
    assert rendered.photo_rgb.shape == (600, 800, 3)
    assert truth.spoilers == (fault,)
    assert (truth.card_corners_px is None) == (fault == "no_card")
    assert rendered.water_mask is not None
    if fault == "no_water":
        assert truth.water_share == 0
        assert truth.water_polygon_px == ()
    else:
        assert truth.water_share > 0.05
    if fault == "card_cut_off":
        corners = np.array(truth.card_corners_px)
        assert ((corners < 0) | (corners > (800, 600))).any()


def test_water_mask_is_water() -> None:
    # The same scene with black and with bright water differs where the mask says water, and nowhere far from it.
    spec = draw(33, size_px=SMALL, light="overcast")
    spec = replace(
        spec, camera=replace(spec.camera, local_tone=0.0, noise=0.01, defocus_px=0.0, motion_px=0.0, haze=0.0)
    )
    milky = replace(spec.water, dead_scatter_550_per_m=25.0)
    dark = replace(spec.water, dead_scatter_550_per_m=0.0, cdom_440_per_m=30.0)
    a, b = (render(replace(spec, water=w, camera=replace(spec.camera)), masks=True) for w in (milky, dark))
    assert np.array_equal(a.water_mask, b.water_mask)
    change = np.abs(a.photo_rgb.astype(int) - b.photo_rgb).max(axis=2)
    assert a.water_mask is not None
    inside = cv2.erode(a.water_mask.astype(np.uint8), np.ones((5, 5))) > 0
    assert np.median(change[inside]) > 40


def test_floor_contrast_fades_with_the_beam() -> None:
    # A tiled floor's fine contrast relative to a cleaner water must fall about as exp(-(c + K) z).
    pool = PoolSpec(pattern="tile", pattern_m=0.3, finish_srgb=(0.85, 0.85, 0.85), second_srgb=(0.2, 0.2, 0.2),
                    profile="flat",
                    steps=False, drain=False, shallow_m=1.2, deep_m=1.2, cove_m=0.05)  # fmt: skip
    base = draw(
        3,
        size_px=SMALL,
        light="overcast",
        pool=pool,
        card=None,
        stance=StanceSpec(pitch_deg=70, back_m=-0.9, height_m=1.6),
    )
    base = replace(
        base,
        extras=replace(base.extras, leaves=0, floor_debris=0.0, benthic_algae=0.0, pollen=0.0, buoy=False, rail=False),
        light=replace(base.light, wave_slope_rms=1e-5),
        camera=replace(base.camera, local_tone=0, contrast=0, toe=0, saturation=1, sharpening=0, noise_reduction=0,
                       noise=0.01, shoulder=6.0, haze=0, defocus_px=0, motion_px=0, vignetting=0, exposure_ev=-1.0),
    )  # fmt: skip
    clear = replace(
        base.water, chlorophyll_ug_l=0.1, dead_scatter_550_per_m=0.0, cdom_440_per_m=0.005, detritus_440_per_m=0.0
    )
    turbid = replace(clear, dead_scatter_550_per_m=1.5)
    contrasts = []
    for water in (clear, turbid):
        green = render(replace(base, water=water)).photo_rgb[150:450, 200:600, 1].astype(float) / 255
        linear = ((green + 0.055) / 1.055) ** 2.4
        contrasts.append((np.quantile(linear, 0.6) - np.quantile(linear, 0.02)) / np.quantile(linear, 0.6))
    from models.simulator.optics import attenuations

    extra = sum(attenuations(turbid)) - sum(attenuations(clear))
    # The veil brightens the turbid water as well, so relative contrast falls at least as fast as the beam and not
    # slower than half of it (coarse parts of the joints fade less; two-scale transfer).
    ratio = contrasts[1] / contrasts[0]
    assert np.exp(-2.2 * extra * 1.3) < ratio < np.exp(-0.6 * extra * 1.2)


def test_cameras_see_white_as_white_and_differ() -> None:
    seen = []
    for model in range(6):
        spec = draw(2, camera=model)
        camera = replace(spec.camera, white_balance_strength=1.0, white_balance_error=(0.0, 0.0))
        palette = mix_palette(replace(spec, camera=camera))
        # A white surface under the light the camera balanced for is neutral; 2 % is the smooth spectrum's own tint.
        white = palette.response @ palette.light.lit
        np.testing.assert_allclose(white, 1.0, rtol=0.02)
        seen.append(sensitivities(camera.base, camera.variation))
        assert np.allclose(colour_matrix(camera.base, camera.variation, camera.matrix_error).sum(axis=1), 1)
    assert min(np.abs(a - b).max() for i, a in enumerate(seen) for b in seen[:i]) > 0.01


@pytest.mark.parametrize("shape", ["rectangle", "oval", "kidney", "freeform"])
def test_basin_agrees_with_its_outline(shape: str) -> None:
    pool = PoolSpec(shape=shape)
    basin = basin_of(pool)
    outline = outline_of(pool)
    rim = basin.at(basin.wall, outline[:, :1].astype(np.float32), outline[:, 1:].astype(np.float32))
    # Bilinear on a 4 cm grid: a corner of the rectangle is off by less than a cell.
    assert np.abs(rim).max() < 0.04
    assert basin.depth.max() <= pool.deep_m + 1e-6


def test_view_looks_into_the_pool() -> None:
    pool = PoolSpec()
    view = view_of(pool, StanceSpec(), 26.0, (1600, 1200))
    assert np.allclose(view.rotation @ view.rotation.T, np.eye(3))
    assert np.linalg.det(view.rotation) == pytest.approx(1)
    middle = view.project(np.array([[view.foot[0], 0.0, -pool.freeboard_m]]))
    assert 0 < middle[0, 0] < 1600
    assert 0 < middle[0, 1] < 1200


def test_jpeg_is_turned_and_dated() -> None:
    rendered = render(draw(4, size_px=(320, 240)))
    turned = replace(rendered.truth.spec, camera=replace(rendered.truth.spec.camera, turned=True))
    rendered = render(turned)
    at = datetime.fromisoformat("2026-06-03T09:14:07-07:00")
    with Image.open(io.BytesIO(encode_jpeg(rendered, taken_at=at))) as image:
        assert image.size == (240, 320)
        exif = image.getexif()
        assert exif[0x0112] == 6
        assert exif.get_ifd(0x8769)[0x9003] == "2026:06:03 09:14:07"
        assert exif.get_ifd(0x8769)[0x9011] == "-07:00"
        from PIL import ImageOps

        upright = np.asarray(ImageOps.exif_transpose(image)).astype(int)
    assert upright.shape == rendered.photo_rgb.shape
    # JPEG at 80 and more with halved colour: a few levels on average.
    assert np.abs(upright - rendered.photo_rgb).mean() < 6


def test_request_of_one_pool_keeps_the_pool(tmp_path: Path) -> None:
    request = {"name": "a", "seed": 1, "size_px": [480, 360], "pool": {"seed": 5, "shape": "oval"},
               "water": {"visible_depth_m": 0.5, "chlorophyll_ug_l": 90.0},
               "taken_at": "2026-06-03T09:14:07-07:00"}  # fmt: skip
    later = {**request, "name": "b", "seed": 2, "water": {"visible_depth_m": 3.5, "chlorophyll_ug_l": 1.0}}
    assert spec_of_request(request).pool == spec_of_request(later).pool
    path = write_request(request, tmp_path)
    truth = json.loads((tmp_path / "a.json").read_text())
    assert path.name == "a.jpg"
    assert truth["rendered"] is True
    assert truth["visible_depth_m"] == pytest.approx(0.5)
    assert truth["severity"] == "moderate"
    assert truth["spec"]["pool"]["shape"] == "oval"
    assert len(truth["card_corners_px"]) == 4


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({"water": {"visible_depth_m": 9.0, "chlorophyll_ug_l": 180.0}}, "cannot be seen 9 m into"),
        ({"colour": 1}, "unknown key 'colour'"),
        ({"pool": {"finish": "gold"}}, "pool finish must be one of"),
        ({"pool": {"depth": 2}}, "pool has no field 'depth'"),
        ({"light": "moon"}, "light must be one of"),
        ({"spoil": ["rain"]}, "spoil must be a list out of"),
        ({"seed": -1}, "seed must be a whole number"),
        ({"size_px": [10, 10]}, "size_px must be"),
        ({"name": "../a"}, "name must be letters"),
        ({"card": "other"}, "card must be"),
        ({"taken_at": "yesterday"}, "taken_at must be an ISO 8601 time"),
    ],
    ids=lambda value: next(iter(value)) if isinstance(value, dict) else "",
)
def test_wrong_request_says_what_is_wrong(change: dict[str, object], sentence: str, tmp_path: Path) -> None:
    request = {"name": "a", "seed": 1, "size_px": [320, 240]} | change
    with pytest.raises(RequestWrong, match=sentence):
        write_request(request, tmp_path)


def test_command_line(tmp_path: Path) -> None:
    requests = tmp_path / "requests.json"
    requests.write_text(json.dumps([{"name": "one", "seed": 3, "size_px": [320, 240], "masks": True}]))
    command = [sys.executable, "-m", "models.simulator", str(requests), str(tmp_path / "out")]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0
    assert done.stderr.strip() == "rendered 1/1 one.jpg"
    assert {p.name for p in (tmp_path / "out").iterdir()} == {"one.jpg", "one.json", "one_water.png"}
    requests.write_text('[{"name": "one", "seed": 3, "light": "moon"}]')
    failed = subprocess.run(command, capture_output=True, text=True, check=False)
    assert failed.returncode == 1
    assert failed.stderr.startswith("Request 'one': light must be one of")
    assert len(failed.stderr.strip().splitlines()) == 1
    requests.write_text("{")
    assert subprocess.run(command, capture_output=True, text=True, check=False).returncode == 1


def test_run_time_does_not_load_the_colour_library() -> None:
    code = "import sys, models.simulator.scene, models.simulator.files; sys.exit('colour' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
