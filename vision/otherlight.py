"""Whether the card plainly lies in other light than what is about it: its white and its grey do not fit the scene.

In: a `View`, normalised by the card, and its water. Out: yes or no. A card in shade makes sunlit ground whiter than
white; a card under another colour of light casts everything else in one colour. Ground, walls and plants differ much,
so only what no usual ground does is called: a cast that even the least yellow (or most yellow) tenth of it shares.
The card in the sun and water in shade makes the scene dark, as dark ground is: that is not told apart.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision import colour
from vision.water import Region, View, places_in_plane

Array = NDArray[Any]

STEP_PX = 5
"""Side of the cells that are looked at [px of the working picture]."""
UNDER_HORIZON = 0.03
"""Height under the card plane's horizon from which a place is ground and not sky [share of the photo's height]."""
LEAST_SHARE, FEWEST_CELLS = 0.04, 40
"""Least share of the photo and fewest cells of ground that something is said of (the project's own)."""
DARK_L = 15.0
"""CIELAB lightness under which a cell's colour is mostly noise."""

WHITER_MEDIAN, WHITER_TENTH = 0.9, 1.3
"""Luminance over the card's white that half the ground, or a tenth of it, does not pass in one light: in 199 rendered
photos without a planted fault the greatest are 0.88, and 1.06 in 99 of 100."""
BLUE_MEDIAN, BLUE_TENTH = -8.0, 0.0
YELLOW_MEDIAN, YELLOW_TENTH = 40.0, 15.0
"""CIELAB b* that half the ground and its far tenth must pass together: under the lower ones the card's light is too
yellow, over the upper ones too blue. A blue deck alone does not: something about it is grey or green."""


def other_light(view: View, region: Region) -> bool:
    """Tell whether the card plainly lies in other light than the ground about it.

    Parameters
    ----------
    view : View
        The photo, normalised by its card.
    region : Region
        Its water, which is left out.
    """
    ground = ground_colours(view, region)
    if ground is None:
        return False
    luminance = ground @ colour.RGB_TO_XYZ[1]
    if np.median(luminance) > WHITER_MEDIAN or np.quantile(luminance, 0.9) > WHITER_TENTH:
        return True
    lab = colour.linear_rgb_to_lab(np.maximum(ground, 1e-3))
    b = lab[lab[:, 0] > DARK_L, 2]
    if len(b) < FEWEST_CELLS:
        return False
    low, middle, high = np.quantile(b, [0.1, 0.5, 0.9])
    return bool((middle < BLUE_MEDIAN and high < BLUE_TENTH) or (middle > YELLOW_MEDIAN and low > YELLOW_TENTH))


def ground_colours(view: View, region: Region) -> Array | None:
    """Return the mean colours of cells of ground, linear sRGB, shape (N, 3); None where too little is seen."""
    height, width = region.whole.shape
    size = (max(width // STEP_PX, 1), max(height // STEP_PX, 1))
    cells = cv2.resize(view.linear, size, interpolation=cv2.INTER_AREA).astype(np.float64)
    card = np.zeros((height, width), np.uint8)
    cv2.fillConvexPoly(card, np.round(view.card_px).astype(np.int32), 1)
    taken = cv2.resize((region.whole | (card > 0)).astype(np.float32), size, interpolation=cv2.INTER_AREA)
    x = (np.arange(size[0]) + 0.5) * width / size[0] - 0.5
    y = (np.arange(size[1]) + 0.5) * height / size[1] - 0.5
    horizon, _, _ = places_in_plane(view, np.stack(np.meshgrid(x, y), axis=-1))
    ground = (taken == 0) & (horizon > UNDER_HORIZON)
    if ground.mean() < LEAST_SHARE or ground.sum() < FEWEST_CELLS:
        return None
    return np.asarray(cells[ground], dtype=np.float64)
