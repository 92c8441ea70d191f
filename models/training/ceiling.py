"""How far can any grader get? `python -m models.training.ceiling [--count N]`, some three minutes on one core.

In: nothing. Out, printed: the figures of a grader that is given the water's own colours, no picture between: at five
known depths (three by the wall, the shallow and the deep floor), with and without the pool's depths and floor, and the
deep end's colour alone, which is most of what a photo shows; each with a good measurement's error. What it misses, the
optics leave open: waters drawn as in training (`models.simulator.variety`) that look alike and are not.
"""

from __future__ import annotations

import argparse
import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.simulator.optics import above_surface, optics_of, shallow_reflectance, visible_depth_m
from models.simulator.sampling import sample_pool, sample_water
from models.simulator.spectra import reflectance_of, srgb_weights
from models.simulator.variety import STAINED_SHARE, stain, widen_water
from models.training.dataset import CHLOROPHYLLS_UG_L, DEPTHS_M
from models.training.fit import targets_of
from vision.results import CLARITY_LOWER_M, SEVERITY_LOWER_UG_L

Array = NDArray[Any]

SHALLOW_M = (0.1, 0.25, 0.5)
"""Depths at which the colours are seen besides the pool's two ends [m]."""
SUN_COS_IN_WATER = 0.86
"""Cosine of diffuse light's mean angle under water, as the simulator's shade."""
LIGHT_SPREAD, COLOUR_SPREAD, MIRRORED = 0.08, 0.03, 0.006
"""A good measurement's error: of the light and of each channel (logarithm), and light mirrored that is left in."""


def true_colours(number: int) -> tuple[Array, Array, float, float]:
    """Return a water's colours at five depths (linear sRGB, shape (5, 3)), what is known of the pool, and the truth."""
    rng = np.random.default_rng([99, number])
    pool = sample_pool(rng)
    depth_m, chlorophyll = (float(np.exp(rng.uniform(*np.log(span)))) for span in (DEPTHS_M, CHLOROPHYLLS_UG_L))
    try:
        water = sample_water(rng, chlorophyll_ug_l=chlorophyll, visible_depth_m=depth_m)
    except ValueError:
        water = sample_water(rng, chlorophyll_ug_l=chlorophyll)
    water = stain(rng, widen_water(rng, water), share=STAINED_SHARE)
    optics, albedo = optics_of(water), reflectance_of(pool.finish_srgb)
    depths = np.array([*SHALLOW_M, pool.shallow_m, pool.deep_m])[:, None]
    r = shallow_reflectance(
        optics.a, optics.bb, water.path_gain * depths, albedo, sun_cos_in_water=SUN_COS_IN_WATER
    )  # fmt: skip
    colours = math.pi * above_surface(water.column_gain * r.column + r.bottom) @ srgb_weights().T
    gain = np.exp(rng.normal(0, LIGHT_SPREAD) + rng.normal(0, COLOUR_SPREAD, 3))
    colours = colours * gain + abs(rng.normal(0, MIRRORED))
    known = np.array([math.log(pool.shallow_m), math.log(pool.deep_m), *pool.finish_srgb])
    return colours, known, visible_depth_m(water), water.chlorophyll_ug_l


def main(arguments: list[str] | None = None) -> None:
    """Print the figures."""
    from sklearn.neural_network import MLPRegressor

    parser = argparse.ArgumentParser(prog="python -m models.training.ceiling", description=__doc__)
    parser.add_argument("--count", type=int, default=3000)
    count = parser.parse_args(arguments).count
    drawn = [true_colours(number) for number in range(count)]
    logs = np.log(np.maximum(np.array([each[0] for each in drawn]), 1e-4).reshape(count, -1) + 1e-3)
    known = np.array([each[1] for each in drawn])
    targets = targets_of(np.array([each[2] for each in drawn]), np.array([each[3] for each in drawn]))
    fit = np.arange(count) < 0.8 * count
    shown = {
        "five depths, depths and floor known": np.hstack([logs, known]),
        "five depths": logs,
        "deep end, depths and floor known": np.hstack([logs[:, -3:], known]),
        "deep end": logs[:, -3:],
    }
    for name, seen in shown.items():
        scores = (seen - seen[fit].mean(axis=0)) / (seen[fit].std(axis=0) + 1e-9)
        for figure, (grade, lowers) in enumerate((("clarity", CLARITY_LOWER_M), ("severity", SEVERITY_LOWER_UG_L))):
            edges = np.log10(sorted(value for value in lowers.values() if value > 0))
            model = MLPRegressor(
                hidden_layer_sizes=(96, 48), alpha=0.01, max_iter=120, early_stopping=True, n_iter_no_change=12,
                random_state=0,
            )  # fmt: skip
            said = model.fit(scores[fit], targets[fit, figure]).predict(scores[~fit])
            true = targets[~fit, figure]
            off = np.abs(np.searchsorted(edges, said) - np.searchsorted(edges, true))
            rms = float(np.sqrt(np.mean((said - true) ** 2)))
            print(f"{name}: {grade} exact {(off == 0).mean():.3f}, within one {(off <= 1).mean():.3f}, {rms:.3f} dex")


if __name__ == "__main__":
    main()
