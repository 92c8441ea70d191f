"""What a rendered scene is made of and what is true of it, as frozen dataclasses.

In: nothing. Out: `PoolSpec`, `StanceSpec`, `CardSpec`, `ExtrasSpec`, `DiscSpec`, `SceneSpec`, `Truth`, `Rendered`. The
water, the light and the camera are described where their physics is (`optics`, `illuminants`, `camera`).
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.simulator.camera import CameraSpec
from models.simulator.illuminants import LightSpec
from models.simulator.optics import WaterSpec

Srgb = tuple[float, float, float]
"""Surface colour as seen under D65, gamma-encoded sRGB [0-1]."""

SPOILERS = (
    "no_card",
    "glare_on_card",
    "dusk",
    "motion_blur",
    "lens_fogged",
    "hand_over_lens",
    "no_water",
    "card_other_light",
    "card_cut_off",
)
"""Faults a request can ask for."""


@dataclass(frozen=True)
class PoolSpec:
    """One pool: plan, depths, finish, surroundings. The same pool can be photographed many times.

    Plan coordinates are metres, x along the length from shallow (-) to deep (+), z up from the deck.

    Attributes
    ----------
    shape : rectangle, oval, kidney or freeform.
    shallow_m, deep_m : water depths at the two ends [m].
    profile : slope (one plane), hopper (flat, slope, flat) or flat.
    freeboard_m : deck above water [m].
    finish, finish_srgb, second_srgb, pattern, pattern_m : floor and walls: name, two colours and how they mix
        (plain, tile, pebble, print, mottled), size of the pattern [m].
    cove_m : radius between wall and floor [m].
    band_srgb, band_m, band_tile_m : tile band at the waterline, its reach below the water, its tile.
    steps, ledge, drain, lane_line : fittings there are.
    coping_srgb, coping_m, coping_pattern ; deck, deck_srgb, deck_m : what surrounds it.
    """

    shape: str = "rectangle"
    length_m: float = 9.0
    width_m: float = 4.5
    shallow_m: float = 1.0
    deep_m: float = 2.0
    profile: str = "slope"
    freeboard_m: float = 0.12
    finish: str = "white"
    finish_srgb: Srgb = (0.91, 0.91, 0.89)
    second_srgb: Srgb = (0.75, 0.77, 0.77)
    pattern: str = "mottled"
    pattern_m: float = 0.3
    cove_m: float = 0.2
    band_srgb: Srgb = (0.25, 0.42, 0.62)
    band_m: float = 0.15
    band_tile_m: float = 0.15
    steps: bool = True
    ledge: bool = False
    drain: bool = True
    lane_line: bool = False
    coping_srgb: Srgb = (0.78, 0.75, 0.70)
    coping_m: float = 0.3
    coping_pattern: str = "stone"
    deck: str = "concrete"
    deck_srgb: Srgb = (0.72, 0.70, 0.66)
    deck_m: float = 2.5
    seed: int = 1


@dataclass(frozen=True)
class StanceSpec:
    """Where the phone is: on the edge's outline, how far back, how high, which way.

    Attributes
    ----------
    edge_share : place along the pool's outline [0-1].
    back_m : distance behind the edge [m]; negative reaches out over the water.
    height_m : above the deck [m].
    yaw_deg : from the straight look across the edge, positive to the right.
    pitch_deg : below the horizon. roll_deg : of the phone.
    """

    edge_share: float = 0.1
    back_m: float = 0.8
    height_m: float = 1.5
    yaw_deg: float = 0.0
    pitch_deg: float = 35.0
    roll_deg: float = 0.0


@dataclass(frozen=True)
class CardSpec:
    """The card in the scene.

    Attributes
    ----------
    kind : turnblue or chart24.
    placement : coping, deck or hand.
    width_m : true width of the printed card [m].
    along_m, across_m : where its middle lies, from the photographer's foot along the edge (right) and from the
        edge outwards from the water [m] (coping, deck).
    turn_deg : rotation on the ground or in the hand.
    hand_px : middle in the photo as a share of width and height; hand_m : distance [m]; hand_tilt_deg : two tilts.
    print_error : size of the printer's colour error (1 = about 2 to 3 dE). print_seed draws it.
    fade, dirt, droplets, bend_m : wear.
    light_gain, light_cct_k : the card's own light against the scene's; cct None = same light.
    gloss : sky reflected by the sheet [0-1]; glare : strength of a glare streak.
    number : the printed card's number.
    """

    kind: str = "turnblue"
    placement: str = "coping"
    width_m: float = 0.18
    along_m: float = 0.0
    across_m: float = 0.15
    turn_deg: float = 0.0
    hand_px: tuple[float, float] = (0.5, 0.75)
    hand_m: float = 0.5
    hand_tilt_deg: tuple[float, float] = (20.0, 0.0)
    print_error: float = 0.5
    print_seed: int = 1
    fade: float = 0.0
    dirt: float = 0.0
    droplets: int = 0
    bend_m: float = 0.0
    light_gain: float = 1.0
    light_cct_k: float | None = None
    gloss: float = 0.01
    glare: float = 0.0
    number: int = 7


@dataclass(frozen=True)
class ExtrasSpec:
    """Things in and on the pool."""

    leaves: int = 0
    floor_debris: float = 0.0
    benthic_algae: float = 0.0
    pollen: float = 0.0
    buoy: bool = False
    skimmer: bool = True
    rail: bool = False
    seed: int = 1


@dataclass(frozen=True)
class DiscSpec:
    """The sighting disc on its pole in the water.

    Attributes
    ----------
    depth_m : its depth below the surface [m].
    along_m, out_m : from the photographer's foot along the edge (right) and out over the water [m].
    turn_deg : of the print. tilt : slope of disc and pole along x and y.
    white, black : reflectances of its print over the paper's nominal white.
    forward_share, spread_rad : share of the scattering that goes forward by small angles, and how wide it spreads.
    pole_side_deg : where the pole stands at the rim, seen from the photographer: 0 is the far side, 90 the right.
    pole_above_m : how much of the pole stands out of the water [m].
    """

    depth_m: float = 0.5
    along_m: float = 0.0
    out_m: float = 0.7
    turn_deg: float = 20.0
    tilt: tuple[float, float] = (0.0, 0.0)
    white: float = 1.0
    black: float = 0.04
    forward_share: float = 0.85
    spread_rad: float = 0.1
    pole_side_deg: float = 0.0
    pole_above_m: float = 1.2


@dataclass(frozen=True)
class SceneSpec:
    """Everything a photo depends on; `render` of the same spec gives the same bits."""

    pool: PoolSpec = field(default_factory=PoolSpec)
    water: WaterSpec = field(default_factory=WaterSpec)
    light: LightSpec = field(default_factory=LightSpec)
    stance: StanceSpec = field(default_factory=StanceSpec)
    camera: CameraSpec = field(default_factory=CameraSpec)
    card: CardSpec | None = field(default_factory=CardSpec)
    extras: ExtrasSpec = field(default_factory=ExtrasSpec)
    disc: DiscSpec | None = None
    size_px: tuple[int, int] = (1600, 1200)
    seed: int = 0
    spoil: tuple[str, ...] = ()


@dataclass(frozen=True)
class Truth:
    """What is true of a rendered photo; pixels as a person sees the photo, (0, 0) the centre of the top left one.

    Attributes
    ----------
    visible_depth_m, chlorophyll_ug_l, clarity, severity : the two physical figures and their grades.
    c_per_m, k_per_m : photopic means of beam and diffuse attenuation [1/m].
    card_kind, card_corners_px : None without a card (or none of it in the photo).
    card_light_ratio : light on the card over that on level ground in the open sun; None without a card.
    water_polygon_px : outline of the open water within the photo; empty without water.
    water_share : share of the photo that is open water.
    floor_depth_seen_m : (least, greatest) water depth within the view [m]; None without water.
    disc_rim_px : where the sighting disc's rim is seen through a still surface; None without a disc.
    """

    visible_depth_m: float
    chlorophyll_ug_l: float
    clarity: str
    severity: str
    c_per_m: float
    k_per_m: float
    card_kind: str | None
    card_corners_px: tuple[tuple[float, float], ...] | None
    card_light_ratio: float | None
    water_polygon_px: tuple[tuple[float, float], ...]
    water_share: float
    floor_depth_seen_m: tuple[float, float] | None
    camera_name: str
    seed: int
    spoilers: tuple[str, ...]
    spec: SceneSpec
    disc_rim_px: tuple[tuple[float, float], ...] | None = None

    def to_json(self) -> dict[str, Any]:
        """Return the truth as plain JSON values."""
        return {"rendered": True, **asdict(self), "floor": self.spec.pool.finish}


@dataclass(frozen=True)
class Rendered:
    """A rendered photo (uint8 sRGB, shape (H, W, 3)), its truth, and on request its masks, shape (H, W).

    `water_mask` is open water (without card, hand, leaves and floats); `glare_mask` is where the reflection
    outshines the water.
    """

    photo_rgb: NDArray[np.uint8]
    truth: Truth
    water_mask: NDArray[np.bool_] | None = None
    glare_mask: NDArray[np.bool_] | None = None


def changed(spec: Any, overrides: dict[str, Any], *, what: str) -> Any:
    """Return a spec with some fields replaced, checking their names and kinds.

    Raises
    ------
    ValueError
        If a name is no field of the spec or a value is of another kind than the field's own.
    """
    known = spec.__dataclass_fields__
    tidy: dict[str, Any] = {}
    for name, value in overrides.items():
        if name not in known:
            raise ValueError(f"{what} has no field {name!r}; it has {', '.join(sorted(known))}.")
        old = getattr(spec, name)
        if isinstance(value, list):
            value = tuple(value)
        number = isinstance(value, (int, float)) and not isinstance(value, bool)
        wrong = (
            (isinstance(old, bool) and not isinstance(value, bool))
            or (isinstance(old, (int, float)) and not isinstance(old, bool) and not number)
            or (isinstance(old, str) and not isinstance(value, str))
            or (isinstance(old, tuple) and not (isinstance(value, tuple) and len(value) == len(old)))
        )
        if wrong:
            raise ValueError(f"{what}.{name} must be like {old!r}, got {value!r}.")
        tidy[name] = value
    return replace(spec, **tidy)
