"""A grader that answers the same whatever it sees, as object and as file: for tests of what is round about it."""

import json
from pathlib import Path

import numpy as np

from vision import grade
from vision.features import FEATURES
from vision.fitness import FITNESS_FEATURES, WAYS
from vision.kernel import KernelMachine, Scores
from vision.network import Network
from vision.trees import Trees
from vision.water import CELL_FEATURES, CONTEXT_FEATURES

COUNT = len(FEATURES)


def steady_network(features, answer):
    """Return a network that gives the same values whatever the features."""
    return Network(
        np.zeros(features), np.ones(features), (np.zeros((features, len(answer))),), (np.asarray(answer, float),)
    )


def steady_trees(features, answer):
    """Return trees, one leaf each, that give the same log odds whatever the features."""
    count = len(answer)
    nodes = np.arange(count)
    return Trees(
        features, nodes[None], np.zeros(count, int), np.full(count, np.inf), np.column_stack([nodes, nodes]),
        np.asarray(answer, float),
    )  # fmt: skip


def steady_machine(value, spread):
    """Return a machine of one known photo that adds nothing to its offset."""
    weights = np.ones(COUNT, np.float32)
    return KernelMachine(
        np.zeros((1, COUNT), np.float32), weights, 1.0, np.zeros((1, 2)), np.array([value, np.log(spread)])
    )


def steady_grader(depth_m=2.0, chlorophyll_ug_l=20.0, *, spread_dex=0.02, unlike=-1.0):
    """Return a grader that gives the same distributions always; `spread_dex` says how sure it is."""
    pair = (steady_machine(np.log10(depth_m), spread_dex), steady_machine(np.log10(chlorophyll_ug_l), spread_dex))
    return grade.Grader(
        water=steady_looks(),
        fitness=steady_trees(len(FITNESS_FEATURES), [9.0] + [0.0] * (len(WAYS) - 1)),
        scores=Scores(np.tile(np.array([-1.0, 0.0, 1.0]), (COUNT, 1))),
        blind=pair,
        informed=pair,
        unlike=unlike,
        id="test",
        about={},
    )


def steady_looks():
    """Return looks that take everything for water."""
    wide = len(CELL_FEATURES) + len(CONTEXT_FEATURES)
    return tuple(steady_network(wide if look else len(CELL_FEATURES), [5.0]) for look in range(grade.WATER_LOOKS))


def write_steady(path: Path, grader=None, *, about=None, **changes):
    """Write a model file of a steady grader, with changed arrays or JSON text where asked; return its path."""
    grader = grader or steady_grader()
    machines = dict(zip(grade.MACHINES, (*grader.blind, *grader.informed), strict=True))
    text = {
        "format": grade.FORMAT, "features": list(FEATURES), "cell_features": list(CELL_FEATURES),
        "fitness_features": list(FITNESS_FEATURES), "lengths": dict.fromkeys(machines, 1.0), "unlike": grader.unlike,
    } | (about or {})  # fmt: skip
    arrays = grader.fitness.to_arrays("fitness") | {"knots": grader.scores.knots, "rows": grader.blind[0].rows}
    for index, look in enumerate(grader.water):
        arrays |= look.to_arrays(f"water{index}")
    for name, machine in machines.items():
        arrays |= {f"{name}.weights": machine.weights, f"{name}.sums": machine.sums, f"{name}.offsets": machine.offsets}
        arrays |= {f"{name}.{part}": getattr(machine, part) for part in ("levels", "votes", "shares")}
    arrays |= changes
    np.savez(path, about=np.frombuffer(json.dumps(text).encode(), np.uint8), **arrays)
    return path
