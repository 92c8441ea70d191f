"""Take a pad's or swatch's colour from a photo, dirt and wet shine left out, with what the light leaves open.

In: a photo, its `StripLight`, the pad's corners. Out: `PadSample`, CIELAB with its covariance.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.photo import Photo
from vision.strip_light import FOREIGN_LIGHT_SD, StripLight
from vision.uncertainty import spread_of

Array = NDArray[Any]

PAD_SD = 0.8
"""Standard deviation of a pad's colour from strip to strip, and of what dye and print do differently before a camera
[CIEDE2000 a component]: the project's own, set on rendered strips so that 80 % intervals cover 80 %."""
WANTED_PAD_PX = 16.0
"""Side of a pad to which the photo is read [px]: the project's own."""
INNER_SHARE = 0.5
"""Part of a pad's side that is sampled: its rim bleeds into the plastic (the project's own)."""
GLARE_SHARE = 0.25
"""Share of clipped pixels from which a pad counts as in glare: the project's own."""
CLIPPED_LEVEL = 252
"""8-bit level from which a pixel counts as clipped: JPEG ringing keeps within three levels of 255."""
BARE_STEP = 5.0
"""Colour difference from the plastic within which a pad is not there or washed out [CIELAB units, lightness counted
for 0.6]: the project's own."""
CUT_RATIO = 0.5
"""A pad is cut where one end is bare and this share of the other's distance from the plastic is not: our own."""


@dataclass(frozen=True)
class PadSample:
    """A pad's colour as read: CIELAB with its covariance, and what is wrong with it.

    `glare`: too much of it is clipped. `bare`: it shows the plastic. `cut`: one end of it shows the plastic, the other
    does not. `white`: its distance from the plastic [CIELAB units, lightness counted for 0.6].
    """

    lab: Array
    covariance: Array
    glare: bool
    bare: bool
    cut: bool
    white: float


def sample_pad(photo: Photo, light: StripLight, quad_px: Array, plastic_lab: Array, taught_by: str) -> PadSample:
    """Return a pad's colour from its inner part, dirt and wet shine left out.

    Parameters
    ----------
    quad_px : ndarray, shape (4, 2)
        The pad's corners in the photo.
    plastic_lab : ndarray, shape (3,)
        The plastic beside it.
    taught_by : str
        What set the key's colours right: "card" or "white_ground".
    """
    side = float(np.sqrt(cv2.contourArea(quad_px.astype(np.float32))))
    picture = photo.read(int(max(photo.size_px) / max(1.0, side / WANTED_PAD_PX)))
    grid = (np.arange(14) + 0.5) / 14 * INNER_SHARE + (1 - INNER_SHARE) / 2
    u, v = np.meshgrid(grid, grid)
    weights = np.stack([(1 - u) * (1 - v), u * (1 - v), u * v, (1 - u) * v], axis=-1).reshape(-1, 4)
    at_px = weights @ quad_px
    local = picture.from_photo(at_px).astype(np.float32).reshape(14, 14, 2)
    values = cv2.remap(
        picture.rgb, local[..., 0], local[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    ).reshape(-1, 3)
    values = np.asarray(values, dtype=np.float64)
    clipped = (values >= CLIPPED_LEVEL).all(axis=1)
    middle = np.median(values, axis=0)
    spread = 1.4826 * np.median(np.abs(values - middle), axis=0)
    near = (np.abs(values - middle) <= 2.5 * spread + 2.0).all(axis=1)
    encoded = values[near].mean(axis=0) / 255
    looked = light.look(encoded[None], at_px.mean(axis=0)[None])
    lab, covariance = looked.lab[0], looked.covariance[0] + spread_of(PAD_SD, looked.lab)[0]
    if taught_by != light.kind:
        covariance = covariance + spread_of(FOREIGN_LIGHT_SD, looked.lab)[0]
    white = white_distance(lab, plastic_lab)
    # Columns of the grid run along the strip: the pad's two ends.
    rows = values.reshape(14, 14, 3)
    ends = np.array([np.median(part.reshape(-1, 3), axis=0) for part in (rows[:, :3], rows[:, -3:])])
    by_end = [white_distance(each, plastic_lab) for each in light.look(ends / 255, at_px[[0, 13]]).lab]
    return PadSample(
        lab,
        covariance,
        glare=bool(clipped.mean() > GLARE_SHARE),
        bare=white < BARE_STEP,
        cut=min(by_end) < BARE_STEP < CUT_RATIO * max(by_end),
        white=white,
    )


def white_distance(lab: Array, plastic_lab: Array) -> float:
    """Return how far a colour is from the plastic [CIELAB units, lightness counted for 0.6: shadows are no colour]."""
    return float(np.linalg.norm((lab - plastic_lab) * np.array([0.6, 1.0, 1.0])))
