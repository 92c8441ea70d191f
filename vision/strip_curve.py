"""Read a pad's colour along the smooth, monotone curve through its key's swatches.

In: a `Scale`, the colours of its pads with their uncertainty. Out: `Along`: the value with its 80 % interval, whether
it lies off either end, and how far off the curve the colour is. Several pads of one scale are one curve in as many
times three dimensions.

The curve runs through the swatches in CIELAB by monotone cubics (Fritsch and Carlson 1980) over its own length; the
value runs along it likewise, concentrations on a scale between linear and logarithmic. Either end is drawn out
straight by one step, so that a colour past the last swatch is told from one on it.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vision import colour
from vision.strip_kind import UNITLESS, Scale
from vision.uncertainty import spread_of

Array = NDArray[Any]

PER_STEP = 40
"""Points of the curve between two swatches."""
OUTSIDE_STEPS = 1.0
"""How far either end is drawn out [steps]: the project's own."""
TAIL = 0.10
"""Probability left out at either end of an 80 % interval."""
OFF_CURVE = 0.001
"""A colour so improbable at its distance from the curve is off the key: the project's own."""
BULGE, BULGE_MOST = 400.0, 0.15
"""The curve's own standard deviation halfway between two swatches [CIEDE2000 a component]: their difference squared
over this, at most this share of it. The project's own: 0.25 between swatches 10 apart, 2.3 at 30."""
FLAT_STEP = 2.0
"""Least length given to a step [CIELAB units], so that two like swatches do not fall together: our own."""


@dataclass(frozen=True)
class Curve:
    """A key's curve: `lab`, shape (T, pads, 3), at steps `t`, shape (T,), with values, shape (T,).

    `t` counts swatches from 0; below 0 and above the last is off the key. `key` is the covariance of the swatches
    themselves along it, shape (T, pads, 3, 3).
    """

    t: Array
    lab: Array
    values: Array
    key: Array


@dataclass(frozen=True)
class Along:
    """Where on its key a colour lies.

    `value`, `low`, `high` hold the 80 % interval, cut at the key's ends; `t` is the step. `below` and `above` say that
    more likely than not it lies off that end. `distance2` is the squared distance from the curve in standard
    deviations and `off_key` says that it is beyond what chance explains.
    """

    value: float
    low: float
    high: float
    t: float
    below: bool
    above: bool
    distance2: float
    off_key: bool


def pchip(x: Array, y: Array, at: Array) -> Array:
    """Return monotone cubic interpolation of `y` over `x`; straight on beyond the ends.

    Parameters
    ----------
    x : ndarray, shape (N,)
        Rising.
    y : ndarray, shape (N, ...)
        What is interpolated.
    at : ndarray, shape (T,)
        Where.

    References
    ----------
    Fritsch and Carlson (1980), SIAM J. Numer. Anal. 17(2), 238-246; slopes by the weighted harmonic mean.

    Examples
    --------
    >>> pchip(np.array([0.0, 1, 2]), np.array([0.0, 1, 4]), np.array([0.5, 1.0, 3.0])).round(3).tolist()
    [0.312, 1.0, 8.0]
    """
    h = np.diff(x)
    h_wide = h.reshape(-1, *[1] * (y.ndim - 1))
    d = np.diff(y, axis=0) / h_wide
    slope = np.empty_like(y)
    if len(x) == 2:
        slope[:] = d[0]
    else:
        w1, w2 = 2 * h_wide[1:] + h_wide[:-1], h_wide[1:] + 2 * h_wide[:-1]
        same = d[:-1] * d[1:] > 0
        safe0, safe1 = np.where(same, d[:-1], 1.0), np.where(same, d[1:], 1.0)
        slope[1:-1] = np.where(same, (w1 + w2) / (w1 / safe0 + w2 / safe1), 0.0)
        slope[0], slope[-1] = _end(h[0], h[1], d[0], d[1]), _end(h[-1], h[-2], d[-1], d[-2])
    at = np.asarray(at, dtype=np.float64)
    inside = np.clip(at, x[0], x[-1])
    i = np.clip(np.searchsorted(x, inside, side="right") - 1, 0, len(x) - 2)
    u = ((inside - x[i]) / h[i]).reshape(-1, *[1] * (y.ndim - 1))
    hi = h[i].reshape(u.shape)
    out = (
        (1 + 2 * u) * (1 - u) ** 2 * y[i]
        + u * (1 - u) ** 2 * hi * slope[i]
        + u * u * (3 - 2 * u) * y[i + 1]
        + u * u * (u - 1) * hi * slope[i + 1]
    )
    over = (at - inside).reshape(u.shape)
    return np.asarray(out + over * np.where(over < 0, slope[0], slope[-1]), dtype=np.float64)


def _end(h0: float, h1: float, d0: Array, d1: Array) -> Array:
    """Return the slope at an end by three points, kept from turning round."""
    slope = ((2 * h0 + h1) * d0 - h0 * d1) / (h0 + h1)
    slope = np.where(np.sign(slope) != np.sign(d0), 0.0, slope)
    steep = (np.sign(d0) != np.sign(d1)) & (np.abs(slope) > 3 * np.abs(d0))
    return np.asarray(np.where(steep, 3 * d0, slope))


@lru_cache(maxsize=256)
def curve_of(scale: Scale) -> Curve:
    """Return the curve through a scale's swatches."""
    lab, values = scale.lab, np.array(scale.values)
    step = np.sqrt((colour.delta_e00(lab[1:], lab[:-1]) ** 2).sum(axis=1))
    length = np.concatenate([[0.0], np.cumsum(np.maximum(step, FLAT_STEP))])
    steps = np.arange(len(values), dtype=np.float64)
    count = int(PER_STEP * (len(values) - 1 + 2 * OUTSIDE_STEPS)) + 1
    t = np.linspace(-OUTSIDE_STEPS, len(values) - 1 + OUTSIDE_STEPS, count)
    s = np.interp(t, steps, length)
    s = np.where(t < 0, t * (length[1] - length[0]), s)
    s = np.where(t > steps[-1], length[-1] + (t - steps[-1]) * (length[-1] - length[-2]), s)
    along = pchip(length, lab, s)
    sd = np.interp(t, steps, np.array(scale.sd))[:, None]
    # Between swatches the true curve may bulge: by the square of their distance, most in the middle.
    place = np.clip(t, 0, len(values) - 1)
    i = np.minimum(place.astype(int), len(values) - 2)
    apart = colour.delta_e00(lab[1:], lab[:-1])[i]
    bulge = np.minimum(apart**2 / BULGE, BULGE_MOST * apart) * (4 * (place - i) * (1 - place + i))[:, None]
    key = spread_of(1.0, along.reshape(-1, 3)).reshape(*along.shape, 3) * (sd**2 + bulge**2)[..., None, None]
    return Curve(t=t, lab=along, values=_values(scale, length, s), key=key)


def _values(scale: Scale, length: Array, s: Array) -> Array:
    """Return the value along the curve: pH by itself, concentrations on an inverse hyperbolic sine."""
    values = np.array(scale.values)
    if scale.analyte in UNITLESS:
        return pchip(length, values, s)
    # Linear near nought and logarithmic far from it, the bend at the first step above nought.
    bend = float(values[values > 0][0])
    inner = np.clip(s, 0.0, length[-1])
    return np.asarray(np.clip(bend * np.sinh(pchip(length, np.arcsinh(values / bend), inner)), values[0], values[-1]))


def read_along(scale: Scale, lab: Array, covariance: Array, *, seen: Array | None = None, leave: float = 1.0) -> Along:
    """Return where on its key a colour lies.

    Parameters
    ----------
    scale : Scale
        The key.
    lab : ndarray, shape (pads, 3)
        CIELAB (D65) of the scale's pads, in its order.
    covariance : ndarray, shape (pads, 3, 3)
        Their uncertainty, the key's own not included.
    seen : ndarray of bool, shape (pads,), optional
        Which pads count; by default all.
    leave : float
        Factor on the squared distance from which a colour is off the key, above 1 where the light is in doubt.

    Raises
    ------
    ValueError
        If no pad is seen.
    """
    seen = np.ones(len(lab), dtype=bool) if seen is None else np.asarray(seen, dtype=bool)
    if not seen.any():
        raise ValueError("seen must hold one pad or more, got none")
    curve = curve_of(scale)
    log_p, distance2 = along_the_curve(curve, lab[seen], covariance[seen], np.flatnonzero(seen))
    last = len(scale.values) - 1
    possible = np.ones(len(curve.t), dtype=bool)
    if scale.values[0] == 0 and scale.analyte not in UNITLESS:
        # Nothing lies below nought: a colour there is nought.
        possible = curve.t >= 0
    p = np.where(possible, np.exp(log_p - log_p[possible].max()), 0.0)
    p /= p.sum()
    mass = np.cumsum(p) - p / 2
    low_t, mid_t, high_t = (float(np.interp(q, mass, curve.t)) for q in (TAIL, 0.5, 1 - TAIL))
    best = float(distance2.min())
    dof = 3 * int(seen.sum()) - 1
    value, low, high = (float(np.interp(v, curve.t, curve.values)) for v in (mid_t, low_t, high_t))
    first, top = scale.values[0], scale.values[-1]
    return Along(
        value=float(np.clip(value, first, top)),
        low=float(np.clip(low, first, top)),
        high=float(np.clip(high, first, top)),
        t=mid_t,
        below=mid_t < 0,
        above=mid_t > last,
        distance2=best,
        off_key=best > leave * chi2_bound(dof),
    )


def along_the_curve(curve: Curve, lab: Array, covariance: Array, pads: Array) -> tuple[Array, Array]:
    """Return the log likelihood along a curve and the squared distance from it, shapes (T,).

    `pads` names which of the curve's pads `lab` and `covariance` are of.
    """
    log_p = np.zeros(len(curve.t))
    distance2 = np.zeros(len(curve.t))
    for row, pad in enumerate(pads):
        total = covariance[row] + curve.key[:, pad]
        off = lab[row] - curve.lab[:, pad]
        d2 = np.einsum("ti,tij,tj->t", off, np.linalg.inv(total), off)
        distance2 += d2
        log_p += -0.5 * d2 - 0.5 * np.linalg.slogdet(total)[1]
    return log_p, distance2


def chi2_bound(dof: int) -> float:
    """Return the chi-squared value passed with probability `OFF_CURVE` (Wilson and Hilferty 1931)."""
    z = 3.0902  # standard normal quantile of 0.999
    return float(dof * (1 - 2 / (9 * dof) + z * np.sqrt(2 / (9 * dof))) ** 3)
