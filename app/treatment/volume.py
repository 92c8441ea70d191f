"""Computes how much water a pool holds from its shape, its sides and its depths.

In: lengths in m (inside measures, at the water line). Out: litres. Plain geometry; the two shapes that nobody can
compute exactly from two measures (kidney, oval) say so.
"""

from __future__ import annotations

import math
from enum import StrEnum

L_PER_M3 = 1000.0
"""Litres in a cubic metre, exact."""

KIDNEY_FACTOR = 0.45
"""Area of a kidney = 0.45 (A + B) L, with A and B the two widths. Source: from memory; an approximation."""


class Shape(StrEnum):
    """The outline of a pool, seen from above."""

    RECTANGLE = "rectangle"
    ROUND = "round"
    OVAL = "oval"
    STADIUM = "stadium"
    KIDNEY = "kidney"
    L_SHAPE = "l_shape"


def surface_m2(
    shape: Shape,
    *,
    length_m: float,
    width_m: float | None = None,
    second_length_m: float | None = None,
    second_width_m: float | None = None,
) -> float:
    """Compute the water's surface.

    Parameters
    ----------
    shape : Shape
        Outline.
    length_m : float
        Longest inside length; the diameter of a round pool [m].
    width_m : float, optional
        Widest inside width; needed for every shape but a round pool [m].
    second_length_m, second_width_m : float, optional
        The other leg of an L, not counting the corner twice; of a kidney the narrower of its two widths
        (`second_width_m`) [m].

    Returns
    -------
    float
        Surface [m2].

    Raises
    ------
    ValueError
        If a side that the shape needs is missing, not positive or not finite, or if a stadium is wider than long.

    Notes
    -----
    An oval is computed as an ellipse, a stadium as a rectangle between two half circles.

    Examples
    --------
    >>> surface_m2(Shape.RECTANGLE, length_m=10.0, width_m=5.0)
    50.0
    """
    length = _side("length_m", length_m)
    if shape == Shape.ROUND:
        return math.pi * (length / 2) ** 2
    width = _side("width_m", width_m)
    if shape == Shape.OVAL:
        return math.pi / 4 * length * width
    if shape == Shape.STADIUM:
        if width > length:
            raise ValueError(f"length_m must be at least width_m for a stadium, got {length!r} and {width!r}")
        return math.pi * (width / 2) ** 2 + width * (length - width)
    if shape == Shape.KIDNEY:
        return KIDNEY_FACTOR * (width + _side("second_width_m", second_width_m)) * length
    if shape == Shape.L_SHAPE:
        return length * width + _side("second_length_m", second_length_m) * _side("second_width_m", second_width_m)
    return length * width


def mean_depth_m(*, shallow_m: float, deep_m: float | None = None) -> float:
    """Return the mean depth of a floor that slopes evenly from one end to the other.

    Exact for a rectangle that slopes along its length; a hopper-shaped deep end holds less than this says: compute
    such a pool in parts with `prismoid_l`.

    Raises
    ------
    ValueError
        If a depth is not positive and finite.
    """
    shallow = _side("shallow_m", shallow_m)
    return shallow if deep_m is None else (shallow + _side("deep_m", deep_m)) / 2


def pool_volume_l(
    shape: Shape,
    *,
    length_m: float,
    width_m: float | None = None,
    second_length_m: float | None = None,
    second_width_m: float | None = None,
    shallow_m: float,
    deep_m: float | None = None,
) -> float:
    """Compute a pool's volume from its outline and its depths.

    Parameters
    ----------
    shape, length_m, width_m, second_length_m, second_width_m
        As for `surface_m2`.
    shallow_m, deep_m : float
        Water depth at the shallow end and at the deep end; `deep_m` missing means a level floor [m].

    Returns
    -------
    float
        Volume [L].

    Raises
    ------
    ValueError
        As for `surface_m2` and `mean_depth_m`.

    Examples
    --------
    >>> round(pool_volume_l(Shape.RECTANGLE, length_m=10.0, width_m=5.0, shallow_m=1.0, deep_m=2.0))
    75000
    """
    surface = surface_m2(
        shape,
        length_m=length_m,
        width_m=width_m,
        second_length_m=second_length_m,
        second_width_m=second_width_m,
    )
    return surface * mean_depth_m(shallow_m=shallow_m, deep_m=deep_m) * L_PER_M3


def prismoid_l(*, top_m2: float, middle_m2: float, bottom_m2: float, height_m: float) -> float:
    """Compute the volume between two level sections, as of a hopper-shaped deep end [L].

    The prismoidal rule V = H (A1 + 4 Am + A2) / 6, exact for a frustum.

    Raises
    ------
    ValueError
        If a section is negative or the height is not positive.

    Examples
    --------
    >>> prismoid_l(top_m2=6.0, middle_m2=6.0, bottom_m2=6.0, height_m=2.0)
    12000.0
    """
    for name, area in (("top_m2", top_m2), ("middle_m2", middle_m2), ("bottom_m2", bottom_m2)):
        if not (math.isfinite(area) and area >= 0):
            raise ValueError(f"{name} must be a finite number, 0 or more, got {area!r}")
    return _side("height_m", height_m) * (top_m2 + 4 * middle_m2 + bottom_m2) / 6 * L_PER_M3


def _side(name: str, length_m: float | None) -> float:
    """Return a length that must be there, finite and above 0."""
    if length_m is None or not (math.isfinite(length_m) and length_m > 0):
        raise ValueError(f"{name} must be a length above 0 m, got {length_m!r}")
    return length_m
