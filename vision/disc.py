"""The sighting disc on its pole: the contrast left of it at a depth gives c + K, hence the visible depth.

In: a photo, its card and colour correction, the depth read from the pole. Out: `DiscSeen`: the contrast left, the
visible depth with its 80 % interval.

**Derivation.** A level disc at depth z reflects what light comes down to it. Above its white (reflectance w) and its
black (b), just over the print, the radiances differ by

    dL(0) = (w - b) E(z) / pi,        E(z) = t_d E exp(-K z) / (1 - 1.5 r)

E being the light on the water, t_d what the surface lets through, K the diffuse attenuation, and the last factor what
the surface throws back down of the water's own reflectance r (Lee et al. 1998). On the way up, r = z / cos(theta_w)
long by Snell's law, sin(theta) = n sin(theta_w), the water adds the same light over white and black, so that it falls
out of the difference, and the beam attenuation c takes its share (Duntley's law of radiance differences, 1952;
Preisendorfer 1986, Limnology and Oceanography 31:909):

    dL(r) = dL(0) exp(-c z / cos(theta_w))

The surface lets t(theta) through (Fresnel) and spreads it over n^2 the solid angle. The reference card, in the same
light E, gives the photo's scale: a normalised colour of 1 is the radiance E w / pi of paper white. Hence the share left

    C = dL / [(w - b) E / pi] = [t_d t(theta) / (n^2 (1 - 1.5 r))] exp(-(K + c / cos(theta_w)) z).

The mirrored sky adds the same to both colours and falls out too. C is taken in red, green and blue, and every water
that could leave these three is weighed (`waterlight.depth_belief`): visible depth 8 / (c + K) with c and K averaged
over the eye's response follows without taking a broad band for one wavelength, and c and K part as they do in such
waters.

**What is measured.** Duntley's law holds for detail smaller than the angle by which the water scatters: light scattered
forward by a few degrees is lost to detail but not to a disc as a whole. So the whole print is fitted as a sharp part
(camera's blur only) plus a part blurred by what scattering along r spreads, plus light that changes smoothly over the
disc; C is the sharp part's.

**Interval.** Noise and waves: what prints turned otherwise find in the fit's remainder. Light on the card against light
on the water, the phone's local tone curve, print, surface: `GAIN_SPREAD`. Camera's colours: `COLOUR_SPREAD` or the
card's held-out error where that is worse. Pole: `DEPTH_ERROR_M`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.align import project
from vision.belief import DepthBelief, at_most, belief_in, interval_of
from vision.card import CardFound
from vision.discfind import DiscPose, find_disc, print_of
from vision.normalise import ColourFit
from vision.photo import Photo
from vision.results import DiscResult
from vision.specs import load_disc
from vision.tuples import Point
from vision.waterlight import REFRACTIVE_INDEX, Fitted, depth_belief, surface_passed

Array = NDArray[Any]

LOOK_PX = 1600
"""Least long side at which the disc is looked for [px]: a disc of a twentieth of it has rings of ten pixels."""

GAIN_SPREAD = 0.20
"""Spread of the logarithm of C by what is not the water: light on the card tilted otherwise or shaded (0.12), local
tone mapping (0.13), print and wear (0.04), surface (0.04). Our own estimates."""

LOCAL_TONE = 0.10
"""Power of the ratio of light by which phones lift what is dark: the water is darker than the card, so that its detail
comes out stronger (common practice, no source; 0 to 0.25 is believed)."""

COLOUR_SPREAD = 0.10
"""Error of one channel of C beside the others, as a share of its luminance: metamerism and the colour matrix (our own
estimate, about 3 CIEDE2000)."""

DEPTH_ERROR_M = 0.012
"""Standard error of a depth read from marks 5 cm apart at a moving surface [m] (common practice, no source)."""

SPREADS_RAD = (0.04, 0.06, 0.085, 0.12, 0.17)
"""Angles over which forward scattering spreads light [rad], tried in turn: half of what turbid harbour water scatters
goes within 6 degrees (Petzold 1972, from memory)."""

BLURS = (0.85, 1.1, 1.45)
"""Blurs tried, over that of the card's edges: the disc lies elsewhere in the field, under waves."""

INDEPENDENT_SAMPLES = 60.0
"""As many samples of the disc count as independent where one way of taking it apart is weighed against another: far
fewer than pixels, for none of them is quite how water scatters (our own choice)."""

CARD_SCALE = (0.12, 1.5)
"""Pixels per mm of a disc over those of the card: from a card held up close to one lying behind the disc."""

STANDING_M = 1.7
"""Height of the phone over the water that the view's angle is worked out for [m]; it matters little (common practice,
no source)."""

LEAST_CONTRAST_ERRORS = 5.0
"""Errors by which C must stand out of nought for the disc to count as found: the project's own."""

MOST_RATIO = 2.4
"""Ratio of the interval's ends from which the disc leaves the depth open: a plain photo does as well. Held too near the
surface, the sharp part and what is scattered forward cannot be told apart."""


@dataclass(frozen=True)
class DiscAsked:
    """The disc as the tech says it hangs: its depth [m], and whether it is lost from sight there."""

    depth_m: float
    lost: bool = False


@dataclass(frozen=True)
class DiscSeen:
    """The disc as measured.

    Attributes
    ----------
    pose : DiscPose
        Where it lies, in photo pixels.
    contrast : float
        Share left of the white-black difference, luminance [0-1].
    contrast_error : float
        Its standard error by noise and waves.
    view_deg : float
        The view's angle from the vertical in air, by the disc's foreshortening.
    belief : DepthBelief
        Probability of each visible depth.
    """

    pose: DiscPose
    contrast: float
    contrast_error: float
    view_deg: float
    belief: DepthBelief

    @property
    def undecided(self) -> bool:
        """Return whether the interval is too wide to say anything that a plain photo does not."""
        return self.belief.quantile(0.9) > MOST_RATIO * self.belief.quantile(0.1)

    def result(self, depth_m: float) -> DiscResult:
        """Return what the photo says of the disc."""
        turn = np.linspace(0, 2 * np.pi, 32, endpoint=False)
        rim = load_disc().radius_mm * np.column_stack([np.cos(turn), np.sin(turn)])
        at = rim @ self.pose.affine[:, :2].T + self.pose.affine[:, 2]
        return DiscResult(
            round(depth_m, 4), self.contrast, interval_of(self.belief), tuple((float(x), float(y)) for x, y in at)
        )


def lost_result(depth_m: float) -> DiscResult:
    """Return the result of a disc that the tech lost from sight at a depth: it bounds the visible depth from above.

    Raises
    ------
    ValueError
        If the depth is not above 0.
    """
    return DiscResult(round(depth_m, 4), 0.0, interval_of(at_most(depth_m)))


def disc_belief(disc: DiscResult) -> DepthBelief:
    """Return the belief that a disc's result stands for."""
    return at_most(disc.depth_m) if disc.contrast <= 0 else belief_in(disc.visible_depth_m)


def see_disc(
    photo: Photo,
    card: CardFound,
    fit: ColourFit,
    depth_m: float,
    *,
    water_px: tuple[Point, ...] | None = None,
    depth_error_m: float = DEPTH_ERROR_M,
) -> DiscSeen | None:
    """Find the disc in a photo and measure what contrast is left of it.

    Parameters
    ----------
    photo : Photo
    card : CardFound
    fit : ColourFit
        The photo's colour correction.
    depth_m : float
        Depth of the disc below the surface, read from the pole [m].
    water_px : tuple of Point, optional
        Outline of the water in photo pixels, to look inside of.
    depth_error_m : float
        Standard error of that reading [m].

    Returns
    -------
    DiscSeen or None
        None where no disc is found, or its contrast does not stand out of the noise.

    Raises
    ------
    ValueError
        If the depth is not above 0.
    PhotoUnreadable
        If the pixels cannot be decoded.
    """
    if not depth_m > 0:
        raise ValueError(f"depth_m must be above 0, got {depth_m!r}")
    picture = photo.read(LOOK_PX)
    linear = fit.correct_pixels(picture.rgb)
    grey = linear @ np.array([0.2126, 0.7152, 0.0722], dtype=np.float32)
    per_mm = _card_px_per_mm(card) / picture.reduction
    across = 2 * load_disc().radius_mm * per_mm
    pose = find_disc(
        grey,
        hide=(picture.from_photo(card.corners_px),),
        within=None if not water_px else picture.from_photo(np.array(water_px)),
        widths_px=(CARD_SCALE[0] * across, CARD_SCALE[1] * across) if card.design.kind == "turnblue" else None,
    )
    if pose is None:
        return None
    cos_air = view_cosine(pose, depth_m)
    cos_water = float(np.sqrt(1 - (1 - cos_air**2) / REFRACTIVE_INDEX**2))
    blur_px = card.edge_width_px / picture.reduction / 2.56 if np.isfinite(card.edge_width_px) else 1.0
    fits, dark = _take_apart(linear, pose, max(blur_px, 0.5), depth_m / cos_water)
    luminance = np.array([0.2126, 0.7152, 0.0722])
    likeliest = max(fits, key=lambda fit: fit.support)
    contrast, contrast_error = (float(each[:, 0] @ luminance) for each in (likeliest.parts, likeliest.errors))
    if contrast < LEAST_CONTRAST_ERRORS * contrast_error:
        return None
    card_level = float(np.exp(np.mean(np.log(np.maximum(fit.normalised_linear[fit.used] @ luminance, 0.004)))))
    off_colour = float(np.nanmedian(fit.held_out_delta_e00[fit.used])) / 30
    belief = depth_belief(
        fits,
        depth_m=depth_m,
        depth_error_m=depth_error_m,
        cos_water=cos_water,
        surface=surface_passed(cos_air, dark),
        gain_middle=LOCAL_TONE * np.log(card_level / max(dark, 0.004)),
        gain_spread=GAIN_SPREAD,
        colour_spread=max(COLOUR_SPREAD, off_colour),
    )
    affine = pose.affine * picture.reduction
    affine[:, 2] += (picture.reduction - 1) / 2
    in_photo = DiscPose(affine, pose.agreement, pose.ring_agreement)
    return DiscSeen(in_photo, contrast, contrast_error, float(np.degrees(np.arccos(cos_air))), belief)


def _card_px_per_mm(card: CardFound) -> float:
    """Return the pixels that a millimetre of the card spans, the longer way."""
    across = project(card.homography, card.design.corners_mm)
    sides = np.linalg.norm(across - np.roll(across, -1, axis=0), axis=1)
    sizes = np.array([card.design.width_mm, card.design.height_mm] * 2)
    return float((sides / sizes).max())


def view_cosine(pose: DiscPose, depth_m: float) -> float:
    """Return the cosine of the view's angle from the vertical in air, by the disc's foreshortening.

    A level disc under water is seen narrower than wide by (D / sin t) / (dD / dt), where D = h tan t + z tan t_w is how
    far off it lies; h is the phone's height, z the depth, t and t_w the angles in air and water. For z = 0 that is
    cos t. Kept under 70 degrees, where the water mirrors more than it shows.
    """
    long, short = pose.axes_mm
    angles = np.radians(np.linspace(2, 70, 137))
    n = REFRACTIVE_INDEX
    sin_w = np.sin(angles) / n
    cos_w = np.sqrt(1 - sin_w**2)
    off = STANDING_M * np.tan(angles) + depth_m * sin_w / cos_w
    slope = STANDING_M / np.cos(angles) ** 2 + depth_m * np.cos(angles) / (n * cos_w**3)
    aspect = off / np.sin(angles) / slope
    return float(np.cos(np.interp(-short / long, -aspect, angles)))


def _take_apart(linear: Array, pose: DiscPose, blur_px: float, path_m: float) -> tuple[list[Fitted], float]:
    """Return ways of taking the print's picture apart, and the reflectance of the water there.

    Parameters
    ----------
    linear : ndarray, shape (H, W, 3)
        Normalised linear sRGB.
    blur_px : float
        The camera's blur, standard deviation [px].
    path_m : float
        Length of the way up through the water [m].
    """
    design = load_disc()
    long, short = pose.axes_mm
    side = int(np.clip(2.2 * design.radius_mm * long, 48, 260))
    step = 2.2 * design.radius_mm / side
    places = (np.arange(side) + 0.5) * step - 1.1 * design.radius_mm
    x, y = np.meshgrid(places, places)
    a = pose.affine
    at_x, at_y = a[0, 0] * x + a[0, 1] * y + a[0, 2], a[1, 0] * x + a[1, 1] * y + a[1, 2]
    seen = cv2.remap(
        np.ascontiguousarray(linear), at_x.astype(np.float32), at_y.astype(np.float32), cv2.INTER_LINEAR
    ).astype(np.float64)
    white = _print_smooth(x, y, step)
    on_disc = np.hypot(x, y) <= design.radius_mm
    use = np.hypot(x, y) < design.ring_mm[1] + 1
    rest = _smooth_light(x, y)[use]
    luminance = np.array([0.2126, 0.7152, 0.0722])
    grey = (seen @ luminance)[use]
    tried = []
    for blur in BLURS:
        sigma = blur * blur_px
        sharp = cv2.GaussianBlur(white, (0, 0), sigmaX=sigma / long / step, sigmaY=sigma / short / step)[use]
        for angle in SPREADS_RAD:
            sigma_mm = float(np.hypot(1000 * angle * path_m, sigma / long))
            both = np.dstack([white * on_disc, on_disc.astype(np.float64)])
            wide = cv2.GaussianBlur(both, (0, 0), min(sigma_mm / step, side))[use]
            # The disc hides what lies behind it, which may be lighter or darker: its own blurred cover, free of sign.
            tried.append(np.column_stack([sharp, wide, rest]))
    # One set of weights for all, so that their costs can be compared: the middle one's.
    weight = _robust(tried[len(tried) // 2], grey)
    lefts = [grey - columns @ _solve(columns, grey, weight) for columns in tried]
    costs = [_cost(weight, left) for left in lefts]
    best = int(np.argmin(costs))
    null = _null_error(seen[use], tried[best], weight, x, y, use, step, blur_px / long)
    # What turned prints find is the sharp part's error; all others stand to it as least squares says.
    scale = null[:, None] / np.sqrt(_covariance(tried[best], weight)[0, 0])
    fits = []
    for columns, cost in zip(tried, costs, strict=True):
        terms = np.stack([_solve(columns, seen[..., channel][use], weight) for channel in range(3)])
        spread = _covariance(columns, weight)
        sizes = np.sqrt(np.diag(spread))
        fits.append(
            Fitted(
                parts=terms[:, :2] / (1 - design.black_reflectance),
                errors=scale * sizes,
                together=float(np.clip(spread[0, 1] / sizes.prod(), -0.98, 0.98)),
                support=-0.5 * INDEPENDENT_SAMPLES * (cost - costs[best]),
            )
        )
    dark = float(np.median(grey)) - 0.5 * float(fits[best].parts.sum(axis=1) @ luminance)
    return fits, dark


def _covariance(columns: Array, weight: Array) -> Array:
    """Return the covariance of the first two terms for a remainder of variance 1, shape (2, 2)."""
    normal = columns.T @ (columns * weight[:, None]) + 1e-9 * np.eye(columns.shape[1])
    return np.asarray(np.linalg.inv(normal)[:2, :2])


def _cost(weight: Array, left: Array) -> float:
    """Return the logarithm of the weighted mean square that is left."""
    return float(np.log((weight * left**2).sum() / weight.sum() + 1e-12))


def _print_smooth(x: Array, y: Array, step: float) -> Array:
    """Return the print's white averaged over each sample, shape of `x`."""
    design = load_disc()
    offsets = (np.arange(4) + 0.5) / 4 - 0.5
    total = np.zeros_like(x)
    for dx in offsets:
        for dy in offsets:
            total += print_of(design, x + dx * step, y + dy * step)[0]
    return np.asarray(total / 16)


def _smooth_light(x: Array, y: Array) -> Array:
    """Return light that changes smoothly over the disc, as columns: constant, slopes, curves."""
    u, v = x / 100, y / 100
    return np.stack([np.ones_like(u), u, v, u * u, u * v, v * v], axis=-1)


def _solve(columns: Array, values: Array, weight: Array) -> Array:
    """Return the least-squares terms; the wide part is not let below nought."""
    weighted = columns * weight[:, None]
    ridge = 1e-8 * np.eye(columns.shape[1]) * len(values)
    terms = np.linalg.solve(weighted.T @ columns + ridge, weighted.T @ values)
    if terms[1] < 0:
        keep = [0, *range(2, columns.shape[1])]
        terms = np.zeros(columns.shape[1])
        terms[keep] = np.linalg.solve((weighted.T @ columns + ridge)[np.ix_(keep, keep)], (weighted.T @ values)[keep])
    return np.asarray(terms)


def _robust(columns: Array, values: Array) -> Array:
    """Return weights (Tukey) that leave out the pole and glints."""
    weight = np.ones_like(values)
    for _ in range(4):
        left = values - columns @ _solve(columns, values, weight)
        spread = 1.4826 * float(np.median(np.abs(left))) + 1e-6
        weight = (1 - np.minimum(np.abs(left) / (4.7 * spread), 1) ** 2) ** 2
    return weight


def _null_error(
    seen: Array, columns: Array, weight: Array, x: Array, y: Array, use: Array, step: float, blur_mm: float
) -> Array:
    """Return the error of the sharp part: what the print turned otherwise finds in the remainder, shape (3,)."""
    remainder = np.stack([seen[:, c] - columns @ _solve(columns, seen[:, c], weight) for c in range(3)], axis=-1)
    found = []
    for turn in np.radians(np.arange(22.5, 360, 22.5)):
        c, s = np.cos(turn), np.sin(turn)
        turned = _print_smooth(c * x - s * y, s * x + c * y, step)
        trial = columns.copy()
        trial[:, 0] = cv2.GaussianBlur(turned, (0, 0), max(blur_mm / step, 0.4))[use]
        found.append([_solve(trial, remainder[:, channel], weight)[0] for channel in range(3)])
    return np.asarray(np.sqrt(np.mean(np.square(found), axis=0)) + 2e-4)
