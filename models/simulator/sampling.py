"""Draw realistic scenes: pools, water, light, stances, cameras and cards that occur together.

In: a random generator and what is to be held fixed. Out: a `SceneSpec`. Ranges are common practice without a source
unless one is named; they are wider than what is usual, because variety is what a grader learns from.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np

from models.simulator.camera import CameraSpec
from models.simulator.geometry import View, basin_of, view_of
from models.simulator.illuminants import LightSpec
from models.simulator.optics import WaterSpec, solve_dead_matter, visible_depth_m
from models.simulator.specs import (
    SPOILERS,
    CardSpec,
    ExtrasSpec,
    PoolSpec,
    SceneSpec,
    Srgb,
    StanceSpec,
)
from models.simulator.surfaces import BANDS, COPINGS, DECKS, FINISHES
from models.simulator.surround import sunlit_share
from models.simulator.target import design_of, light_on_card, pose_of

Rng = np.random.Generator

CHLOROPHYLL_RANGE_UG_L = (0.1, 400.0)
"""From blue water to the greenest pools; log-uniform."""

VISIBLE_DEPTH_RANGE_M = (0.2, 25.0)
"""Drawn between what the algae allow and this least depth, log scale, towards the clear (else half were opaque)."""

LEAST_SCATTER_RATIO = 0.25
"""Least scattering of algae over Gordon & Morel's mean; their data scatter by a factor of 2 to 3 (from memory)."""

LIGHT_KINDS = ("sun", "part_shade", "shade", "overcast", "low_sun", "dusk")

CARD_SHARE_RANGE = (0.05, 0.32)
"""Width of the card over the photo's width."""

LEAST_CARD_PX = 125.0
"""A smaller card's markers are below 3 px a cell (in photos too small for that, a tenth of the
width will do); a phone's 12 megapixels give 200 px at 5 %."""

LIGHT_RATIO_RANGE = (0.55, 1.6)
"""Light on the card over light on the water in photos without a fault (our choice)."""

TRAINING_MODELS = 24
"""Phone models 0 to 23; ask for higher numbers to get phones that no training photo was taken with."""


def _log_uniform(rng: Rng, low: float, high: float) -> float:
    return float(math.exp(rng.uniform(math.log(low), math.log(high))))


def _near(rng: Rng, colour: tuple[int, int, int], spread: float = 0.03) -> Srgb:
    """Return an 8-bit colour as sRGB 0-1, lightness and tint varied."""
    lift = 1.0 + 2 * spread * rng.normal()
    r, g, b = (float(np.clip(v / 255 * lift + spread * 0.5 * rng.normal(), 0.03, 0.97)) for v in colour)
    return (r, g, b)


def sample_pool(rng: Rng, *, finish: str | None = None, deck: str | None = None) -> PoolSpec:
    """Draw a pool."""
    shape = str(rng.choice(["rectangle", "oval", "kidney", "freeform"], p=[0.45, 0.15, 0.2, 0.2]))
    name = finish or str(rng.choice(list(FINISHES), p=[0.24, 0.1, 0.16, 0.08, 0.08, 0.12, 0.12, 0.10]))
    if name not in FINISHES:
        raise ValueError(f"pool finish must be one of {', '.join(FINISHES)}, got {name!r}.")
    main, second, pattern, size = FINISHES[name]
    deck_name = deck or str(rng.choice(list(DECKS), p=[0.35, 0.25, 0.13, 0.17, 0.10]))
    if deck_name not in DECKS:
        raise ValueError(f"pool deck must be one of {', '.join(DECKS)}, got {deck_name!r}.")
    width = float(rng.uniform(3.0, 6.0))
    length = float(width * rng.uniform(1.4, 2.3))
    profile = str(rng.choice(["slope", "hopper", "flat"], p=[0.5, 0.3, 0.2]))
    shallow = float(rng.uniform(0.9, 1.25))
    return PoolSpec(
        shape=shape,
        length_m=length,
        width_m=width,
        shallow_m=shallow,
        deep_m=shallow + (0.1 if profile == "flat" else float(rng.uniform(0.4, 1.5))),
        profile=profile,
        freeboard_m=float(rng.uniform(0.05, 0.2)),
        finish=name,
        finish_srgb=_near(rng, main),
        second_srgb=_near(rng, second),
        pattern=pattern,
        pattern_m=float(size * rng.uniform(0.7, 1.5)),
        cove_m=float(rng.uniform(0.05, 0.15) if shape == "rectangle" else rng.uniform(0.15, 0.4)),
        band_srgb=_near(rng, BANDS[int(rng.integers(len(BANDS)))]),
        band_m=float(rng.uniform(0.05, 0.2)),
        band_tile_m=float(rng.choice([0.05, 0.1, 0.15, 0.2])),
        steps=bool(rng.random() < 0.75),
        ledge=bool(rng.random() < 0.2),
        drain=bool(rng.random() < 0.85),
        lane_line=bool(rng.random() < 0.08),
        coping_srgb=_near(rng, COPINGS[int(rng.integers(len(COPINGS)))]),
        coping_m=float(rng.uniform(0.2, 0.45)),
        coping_pattern=str(rng.choice(["stone", "brick"], p=[0.75, 0.25])),
        deck=deck_name,
        deck_srgb=_near(rng, DECKS[deck_name], 0.04),
        deck_m=float(rng.uniform(1.2, 4.0)),
        seed=int(rng.integers(1, 10_000)),
    )


def sample_water(
    rng: Rng, *, chlorophyll_ug_l: float | None = None, visible_depth_m: float | None = None, **fixed: float
) -> WaterSpec:
    """Draw a water, solving the dead matter for the visible depth.

    Without `visible_depth_m` the depth is drawn between `VISIBLE_DEPTH_RANGE_M[0]` and what the drawn
    algae and dissolved matter allow, so that clarity does not follow from severity except where physics says so.

    Raises
    ------
    ValueError
        If physics forbids the depth at this chlorophyll.
    """
    chl = _log_uniform(rng, *CHLOROPHYLL_RANGE_UG_L) if chlorophyll_ug_l is None else chlorophyll_ug_l
    if not 0 <= chl <= 2000:
        raise ValueError(f"chlorophyll_ug_l must be 0 to 2000, got {chl!r}.")
    a_algae = 0.03 * chl**0.8
    draws: dict[str, Any] = {
        "chlorophyll_ug_l": float(chl),
        "scatter_ratio": float(np.clip(math.exp(rng.normal(-0.2, 0.6)), LEAST_SCATTER_RATIO, 4.0)),
        "algae_backscatter_share": _log_uniform(rng, 0.006, 0.022),
        "absorption_factor": float(np.clip(math.exp(rng.normal(0, 0.2)), 0.6, 1.6)),
        "package_ug_l": _log_uniform(rng, 0.5, 15.0),
        "green_gap": float(rng.uniform(0.1, 0.55)),
        "chlorophyll_b_ratio": float(rng.uniform(0.1, 0.8)),
        "carotenoid_ratio": float(rng.uniform(0.0, 0.4) ** 1.5),
        "phycocyanin_ratio": float(rng.uniform(0.1, 0.6)) if rng.random() < 0.12 else 0.0,
        "dead_scatter_exponent": float(rng.uniform(0.0, 0.8)),
        "dead_backscatter_share": float(rng.uniform(0.013, 0.026)),
        "cdom_440_per_m": _log_uniform(rng, 0.004, 0.12) + float(rng.uniform(0.01, 0.22)) * a_algae,
        "cdom_slope_per_nm": float(rng.uniform(0.011, 0.019)),
        "detritus_440_per_m": _log_uniform(rng, 0.001, 0.03) + float(rng.uniform(0.0, 0.12)) * a_algae,
        "detritus_slope_per_nm": float(rng.uniform(0.008, 0.013)),
    }
    share = float(rng.random()) ** 0.6
    for name, value in fixed.items():
        if name not in draws and name != "dead_scatter_550_per_m":
            raise ValueError(f"water has no field {name!r}.")
        draws[name] = float(value)
    water = WaterSpec(**draws)
    if "dead_scatter_550_per_m" in fixed:
        return water
    clearest = _clearest(water)
    if visible_depth_m is None:
        top = min(_depth_without_dead(water), VISIBLE_DEPTH_RANGE_M[1])
        low = min(VISIBLE_DEPTH_RANGE_M[0], 0.5 * top)
        return solve_dead_matter(water, math.exp(math.log(low) + share * math.log(0.98 * top / low)))
    if _depth_without_dead(water) < visible_depth_m:
        # The drawn algae are too turbid for the depth asked: thin scattering and dissolved matter towards the least.
        low, high = 0.0, 1.0
        for _ in range(30):
            mid = 0.5 * (low + high)
            if _depth_without_dead(_between(water, clearest, mid)) < visible_depth_m:
                low = mid
            else:
                high = mid
        water = _between(water, clearest, high)
    return solve_dead_matter(water, visible_depth_m)


def _depth_without_dead(water: WaterSpec) -> float:
    return visible_depth_m(replace(water, dead_scatter_550_per_m=0.0))


def _clearest(water: WaterSpec) -> WaterSpec:
    """Return the clearest water with these algae that the ranges allow."""
    return replace(
        water,
        scatter_ratio=min(water.scatter_ratio, LEAST_SCATTER_RATIO),
        absorption_factor=min(water.absorption_factor, 0.8),
        package_ug_l=max(water.package_ug_l, 8.0),
        green_gap=max(water.green_gap, 0.5),
        carotenoid_ratio=0.0,
        phycocyanin_ratio=0.0,
        cdom_440_per_m=min(water.cdom_440_per_m, 0.004),
        detritus_440_per_m=min(water.detritus_440_per_m, 0.001),
    )


def _between(a: WaterSpec, b: WaterSpec, share: float) -> WaterSpec:
    mixed = {}
    for name in a.__dataclass_fields__:
        x, y = getattr(a, name), getattr(b, name)
        mixed[name] = x if x == y else x + (y - x) * share
    return WaterSpec(**mixed)


def sample_light(rng: Rng, kind: str | None = None) -> LightSpec:
    """Draw the light of a kind, or of a drawn kind (never dusk)."""
    if kind is None:
        kind = str(rng.choice(["sun", "part_shade", "shade", "overcast", "low_sun"], p=[0.38, 0.2, 0.14, 0.2, 0.08]))
    if kind not in LIGHT_KINDS:
        raise ValueError(f"light must be one of {', '.join(LIGHT_KINDS)}, got {kind!r}.")
    sunny = kind in ("sun", "part_shade", "shade")
    zenith = float(rng.uniform(12, 62)) if sunny else float(rng.uniform(64, 80))
    share = {
        "sun": rng.uniform(0.72, 0.88),
        "part_shade": rng.uniform(0.7, 0.86),
        "shade": rng.uniform(0.7, 0.86),
        "overcast": 0.0,
        "low_sun": rng.uniform(0.45, 0.68),
        "dusk": 0.0,
    }[kind]
    cct = {"low_sun": rng.uniform(3300, 4600)}.get(kind, rng.uniform(4900, 5800))
    sky = {"overcast": rng.uniform(5800, 7600), "dusk": rng.uniform(8000, 20000)}.get(kind, rng.uniform(8000, 18000))
    lux = {
        "sun": rng.uniform(3e4, 1e5),
        "part_shade": rng.uniform(3e4, 9e4),
        "shade": rng.uniform(3e3, 1.5e4),
        "overcast": rng.uniform(3e3, 2.5e4),
        "low_sun": rng.uniform(5e3, 2.5e4),
        "dusk": _log_uniform(rng, 2.0, 30.0),
    }[kind]
    edge = None
    if kind == "part_shade":
        edge = (float(rng.uniform(0, 360)), float(rng.normal(0, 1.3)), float(rng.choice([0.02, 0.1, 0.3, 0.6])))
    cover = {"overcast": 1.0, "dusk": 0.3}.get(kind, float(rng.choice([0.0, 0.1, 0.3, 0.5])))
    return LightSpec(
        kind=kind,
        sun_zenith_deg=zenith,
        sun_azimuth_deg=float(rng.uniform(0, 360)),
        sun_share=float(share),
        sun_cct_k=float(cct),
        sky_cct_k=float(sky),
        illuminance_lux=float(lux),
        cloud_cover=cover,
        in_shade=kind == "shade",
        shade_edge=edge,
        green_bounce=float(rng.uniform(0.0, 0.15 if kind in ("shade", "part_shade") else 0.1)),
        surround=str(rng.choice(["trees", "house", "fence", "open"], p=[0.4, 0.25, 0.25, 0.1])),
        tree_height_deg=float(rng.uniform(7, 32)),
        wave_slope_rms=_log_uniform(rng, 0.003, 0.05),
        wave_size_m=float(rng.uniform(1.4, 3.2)),
        seed=int(rng.integers(1, 10_000)),
    )


def sample_camera(rng: Rng, model: int | None = None) -> CameraSpec:
    """Draw a phone model's fixed traits from its number, and the photo's own faults from `rng`."""
    number = int(rng.integers(TRAINING_MODELS)) if model is None else model
    if number < 0:
        raise ValueError(f"camera must be a number from 0, got {number}.")
    own = np.random.default_rng([60_221, number])
    base = str(own.choice(["A", "B", "C"], p=[0.5, 0.1, 0.4]))
    traits = CameraSpec(
        model=number,
        base=base,
        variation=0 if number == 0 else number,
        focal_eq_mm=float(own.uniform(23.5, 28)),
        matrix_error=float(own.uniform(0.0, 0.03)),
        contrast=float(own.uniform(0.05, 0.45)),
        shoulder=float(own.uniform(2.2, 6.0)),
        toe=float(max(0.0, own.normal(0.0, 0.006))),
        local_tone=float(own.uniform(0.0, 0.25)),
        saturation=float(own.uniform(0.98, 1.22)),
        noise=float(own.uniform(0.5, 2.2)),
        noise_reduction=float(own.uniform(0.1, 0.8)),
        sharpening=float(own.uniform(0.1, 0.9)),
        vignetting=float(own.uniform(0.0, 0.25)),
        white_balance_strength=float(own.uniform(0.7, 1.0)),
    )
    return replace(
        traits,
        white_balance_error=(float(rng.normal(0, 0.07)), float(rng.normal(0, 0.08))),
        exposure_ev=float(np.clip(rng.normal(0, 0.3), -0.9, 0.9)),
        defocus_px=float(rng.uniform(0.3, 1.1)),
        motion_px=float(max(0.0, rng.normal(0, 1.2))),
        motion_deg=float(rng.uniform(0, 180)),
        haze=float(max(0.0, rng.normal(-0.02, 0.03))),
        jpeg_quality=int(rng.integers(80, 96)),
        turned=bool(rng.random() < 0.4),
    )


def _sample_stance(rng: Rng, size_px: tuple[int, int], focal: float, crouch: bool) -> StanceSpec:
    height = float(rng.uniform(0.6, 1.1)) if crouch else float(rng.uniform(1.2, 1.9))
    pitch = float(rng.uniform(16, 52))
    width, rows = size_px
    half = math.degrees(math.atan(0.5 * rows / (focal / 43.27 * math.hypot(width, rows))))
    # Stand back so far that the near edge lies in the lower third of the photo, or right at the edge.
    edge_angle = pitch + half * float(rng.uniform(0.45, 0.95))
    back = height / math.tan(math.radians(min(edge_angle, 84.0)))
    if rng.random() < 0.12:
        back = float(rng.uniform(-0.1, 0.2))
    return StanceSpec(
        edge_share=float(rng.random()),
        back_m=float(back),
        height_m=height,
        yaw_deg=float(np.clip(rng.normal(0, 22), -55, 55)),
        pitch_deg=pitch,
        roll_deg=float(np.clip(rng.normal(0, 2.5), -8, 8)),
    )


def _water_seen(pool: PoolSpec, view: View, light: LightSpec) -> tuple[float, float]:
    """Return roughly which share of the photo is water, and the light on it over that in the open sun."""
    width, height = view.size_px
    xs, ys = np.meshgrid((np.arange(24) + 0.5) / 24 * width, (np.arange(24) + 0.5) / 24 * height)
    rays = np.stack(
        [(xs - view.middle_px[0]) / view.focal_px, (ys - view.middle_px[1]) / view.focal_px, np.ones_like(xs)], -1
    )
    world = rays @ view.rotation
    down = world[..., 2] < -0.02
    t = (view.position[2] + pool.freeboard_m) / np.maximum(-world[..., 2], 0.02)
    x = (view.position[0] + t * world[..., 0]).astype(np.float32)
    y = (view.position[1] + t * world[..., 1]).astype(np.float32)
    basin = basin_of(pool)
    wet = (basin.at(basin.wall, x, y) > 0) & down
    if light.in_shade or light.sun_share <= 0 or not wet.any():
        return float(wet.mean()), 1.0
    sun = float(sunlit_share(light, x[wet][None], y[wet][None]).mean())
    return float(wet.mean()), light.sun_share * sun + 1.0 - light.sun_share


def _sample_card(rng: Rng, kind: str, placement: str | None) -> CardSpec:
    place = placement or str(rng.choice(["coping", "deck", "hand"], p=[0.5, 0.22, 0.28]))
    chart = kind == "chart24"
    return CardSpec(
        kind=kind,
        placement=place,
        width_m=float(rng.choice([0.25, 0.25, 0.10])) if chart else 0.18 * float(rng.choice([1.0, 1.0, 1.0, 1.41])),
        turn_deg=float(rng.normal(0, 28)) if rng.random() < 0.85 else float(rng.uniform(-180, 180)),
        hand_m=float(rng.uniform(0.4, 0.75)),
        hand_tilt_deg=(float(rng.normal(10, 18)), float(rng.normal(0, 14))),
        print_error=0.0 if chart else float(abs(rng.normal(0, 0.9))),
        print_seed=int(rng.integers(1, 1000)),
        fade=float(max(0, rng.normal(-0.1, 0.25))),
        dirt=float(max(0, rng.normal(-0.2, 0.5))),
        droplets=int(rng.integers(3, 40)) if rng.random() < 0.12 else 0,
        bend_m=float(rng.normal(0, 0.003)) if rng.random() < 0.5 else 0.0,
        gloss=float(rng.uniform(0.0, 0.04)),
        number=int(rng.integers(1, 1000)),
    )


def _ground_spot(rng: Rng, card: CardSpec, pool: PoolSpec, view: View) -> tuple[float, float] | None:
    """Return (along, across) of a place on coping or deck that the photo shows, or None."""
    width, height = view.size_px
    px = np.column_stack([rng.uniform(0.04, 0.96, 300) * width, rng.uniform(0.2, 0.97, 300) * height, np.ones(300)])
    px[:, :2] = (px[:, :2] - np.array(view.middle_px)) / view.focal_px
    ray = px @ view.rotation
    t = view.position[2] / np.maximum(-ray[:, 2], 0.05)
    ground = view.position[:2] + t[:, None] * ray[:, :2]
    basin = basin_of(pool)
    x, y = (ground[:, i].astype(np.float32)[None] for i in range(2))
    away = -basin.at(basin.wall, x, y)[0]
    design = design_of(card.kind)
    reach = 0.5 * card.width_m * math.hypot(1.0, design.height_mm / design.width_mm)
    if card.placement == "coping":
        good = (away > 0.85 * reach) & (away < 0.85 * reach + max(0.25, pool.coping_m))
    else:
        good = (away > pool.coping_m + reach) & (away < pool.coping_m + reach + 0.8)
    found = np.flatnonzero(good & (t < 5))
    if not len(found):
        return None
    spot = ground[found[0]] - view.foot
    return float(spot @ view.right_along), float(spot @ view.outwards)


def _place(rng: Rng, card: CardSpec, pool: PoolSpec, stance: StanceSpec, view: View, cut_off: bool) -> CardSpec | None:
    """Return the card laid or held where it is seen (or cut off by the photo's edge), or None if this try failed."""
    if card.placement == "hand":
        low = stance.pitch_deg < 30
        card = replace(card, hand_px=(float(rng.uniform(0.22, 0.78)), float(rng.uniform(0.5 if low else 0.4, 0.82))))
        if cut_off:
            x = float(rng.choice([0.0, 1.0]))
            card = replace(card, hand_px=(x + float(rng.uniform(-0.03, 0.03)), card.hand_px[1]))
    else:
        spot = _ground_spot(rng, card, pool, view)
        if spot is None:
            return None
        card = replace(card, along_m=spot[0], across_m=spot[1])
    pose = pose_of(card, view)
    if (view.depth_of(pose.corners) < 0.15).any() or float(
        pose.normal @ (view.position - pose.corners.mean(axis=0))
    ) <= 0:
        return None
    px = view.project(pose.corners)
    width, height = view.size_px
    margin = 0.012 * width if card.kind == "turnblue" else 0.10 * float(np.ptp(px[:, 0]))
    inside = (px[:, 0] > margin) & (px[:, 0] < width - margin) & (px[:, 1] > margin) & (px[:, 1] < height - margin)
    span = float(np.linalg.norm(px[1] - px[0])) / width
    facing = float(
        pose.normal
        @ (view.position - pose.corners.mean(axis=0))
        / np.linalg.norm(view.position - pose.corners.mean(axis=0))
    )
    if facing < 0.42 or not max(CARD_SHARE_RANGE[0], min(LEAST_CARD_PX / width, 0.105)) <= span <= CARD_SHARE_RANGE[1]:
        return None
    if cut_off:
        return card if 1 <= inside.sum() <= 3 else None
    return card if inside.all() else None


def sample_spec(
    rng: Rng,
    *,
    chlorophyll_ug_l: float | None = None,
    visible_depth_m: float | None = None,
    pool: PoolSpec | None = None,
    water: WaterSpec | None = None,
    light: LightSpec | str | None = None,
    camera: CameraSpec | int | None = None,
    stance: StanceSpec | None = None,
    card: CardSpec | str | None = "turnblue",
    placement: str | None = None,
    size_px: tuple[int, int] | None = None,
    spoil: tuple[str, ...] = (),
    seed: int | None = None,
) -> SceneSpec:
    """Draw a scene.

    Parameters
    ----------
    chlorophyll_ug_l, visible_depth_m : float, optional
        Fix one or both physical figures; both together can be impossible.
    pool, water, light, camera, stance, card : optional
        Fix parts: whole specs, or a light kind, a phone model's number, a card kind (None = no card).
    placement : str, optional
        coping, deck or hand.
    size_px : (int, int), optional
        Width and height; drawn landscape or portrait of 1600 x 1200 otherwise.
    spoil : tuple of str
        Faults out of `SPOILERS`.

    Raises
    ------
    ValueError
        On an unknown name, or where physics forbids the pair of figures.
    """
    for fault in spoil:
        if fault not in SPOILERS:
            raise ValueError(f"spoil must be out of {', '.join(SPOILERS)}, got {fault!r}.")
    own = int(rng.integers(2**31)) if seed is None else seed
    # Each part draws from its own stream: fixing one leaves the others as they were.
    streams = {
        name: np.random.default_rng([own, i])
        for i, name in enumerate(("pool", "water", "light", "camera", "stance", "card", "extras", "spoil"))
    }
    pool = pool or sample_pool(streams["pool"])
    water = water or sample_water(streams["water"], chlorophyll_ug_l=chlorophyll_ug_l, visible_depth_m=visible_depth_m)
    if "dusk" in spoil:
        light = "dusk"
    if not isinstance(light, LightSpec):
        light = sample_light(streams["light"], light)
    if not isinstance(camera, CameraSpec):
        camera = sample_camera(streams["camera"], camera)
    rs = streams["spoil"]
    if "motion_blur" in spoil:
        camera = replace(camera, motion_px=float(rs.uniform(16, 45)))
    if "lens_fogged" in spoil:
        camera = replace(camera, haze=float(rs.uniform(0.55, 0.85)))
    if size_px is None:
        size_px = (1600, 1200) if streams["stance"].random() < 0.55 else (1200, 1600)
    if "no_card" in spoil:
        card = None
    if isinstance(card, str):
        card = _sample_card(streams["card"], card, placement)
        card = _spoil_card(card, spoil, rs)
        drawn = True
    else:
        drawn = False
    chosen_stance, chosen_card = _compose(streams["stance"], pool, size_px, camera, light, stance, card, drawn, spoil)
    ex = streams["extras"]
    green = min(1.0, math.log1p(water.chlorophyll_ug_l) / 6)
    dead = min(1.0, water.dead_scatter_550_per_m / 6)
    extras = ExtrasSpec(
        leaves=int(ex.poisson(12)) if ex.random() < 0.35 else 0,
        floor_debris=float(ex.uniform(0.1, 0.6)) if ex.random() < 0.25 + 0.3 * dead else 0.0,
        benthic_algae=float(ex.uniform(0.1, 0.75)) * green if ex.random() < 0.15 + 0.5 * green else 0.0,
        pollen=float(ex.uniform(0.1, 0.8)) if ex.random() < 0.08 else 0.0,
        buoy=bool(ex.random() < 0.08),
        skimmer=bool(ex.random() < 0.6),
        rail=bool(ex.random() < 0.2),
        seed=int(ex.integers(1, 10_000)),
    )
    return SceneSpec(
        pool=pool,
        water=water,
        light=light,
        stance=chosen_stance,
        camera=camera,
        card=chosen_card,
        extras=extras,
        size_px=size_px,
        seed=own,
        spoil=tuple(spoil),
    )


def _spoil_card(card: CardSpec, spoil: tuple[str, ...], rng: Rng) -> CardSpec:
    if "glare_on_card" in spoil:
        card = replace(card, glare=float(rng.uniform(1.0, 2.5)), gloss=0.05)
    if "card_other_light" in spoil:
        warm = rng.random() < 0.5
        card = replace(
            card,
            light_gain=float(rng.uniform(0.25, 0.6) if rng.random() < 0.5 else rng.uniform(1.5, 2.2)),
            light_cct_k=float(rng.uniform(2600, 3600) if warm else rng.uniform(11000, 20000)),
        )
    return card


def _compose(
    rng: Rng,
    pool: PoolSpec,
    size_px: tuple[int, int],
    camera: CameraSpec,
    light: LightSpec,
    stance: StanceSpec | None,
    card: CardSpec | None,
    drawn: bool,
    spoil: tuple[str, ...],
) -> tuple[StanceSpec, CardSpec | None]:
    """Draw stances until enough water and the whole card are seen."""
    cut_off = "card_cut_off" in spoil
    for attempt in range(300):
        if card is not None and drawn and attempt == 150 and card.placement != "hand":
            card = replace(card, placement="hand", turn_deg=float(rng.normal(0, 20)))
        if card is not None and drawn and card.placement == "hand":
            # A hand turns the card until it is lit and faces the phone.
            share = float(rng.uniform(0.13, 0.30)) * (size_px[0] / max(size_px))
            card = replace(
                card,
                hand_m=float(np.clip(card.width_m * 0.75 / share, 0.3, 1.0)),
                hand_tilt_deg=(float(rng.normal(10, 18)), float(rng.normal(0, 14))),
            )
        near = card is not None and card.placement != "hand" and (card.width_m < 0.12 or size_px[0] < 1400)
        crouch = card is not None and card.placement != "hand" and rng.random() < (0.7 if near else 0.35)
        trial = stance or _sample_stance(rng, size_px, camera.focal_eq_mm, crouch)
        view = view_of(pool, trial, camera.focal_eq_mm, size_px)
        water_share, water_light = _water_seen(pool, view, light)
        if stance is None and "no_water" not in spoil and water_share < 0.28:
            continue
        if card is None or not drawn:
            return trial, card
        placed = _place(rng, card, pool, trial, view, cut_off)
        if placed is None:
            continue
        ratio = light_on_card(placed, view, light) / water_light
        if not spoil and attempt < 260 and not LIGHT_RATIO_RANGE[0] <= ratio <= LIGHT_RATIO_RANGE[1]:
            # A card in other light than the water is a fault of its own: good photos avoid it.
            continue
        return trial, placed
    raise ValueError("No place was found from which both the water and the whole card are seen: change stance or card.")
