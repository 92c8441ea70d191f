"""Write the model card: what the grader is, what it was fitted on, how good it is, and what nobody knows yet.

In: a fitted grader and the vectors of known, held-out and related photos. Out: `Figures`, and Markdown.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from models.training.compare import ROWS, Compared, compare
from models.training.dataset import Vectors
from models.training.evaluate import Abstaining, Report, abstaining, report_both, table
from models.training.fit import Fitted, to_grader
from models.training.together import Agreement, Order, agreement, order
from vision.features import FEATURES
from vision.grade import MACHINES, Steps, distributions
from vision.network import softmax

TEXT = """# The grader

**What it is.** Kernel machines (Gaussian-process means over known photos) that give visible depth and chlorophyll-a
with their spread, and the narrow steps of both that photos alike had; the grades and the 80 % intervals all follow from
these. One pair reads the photo alone, a second pair is used where the log knows the pool's depth. Small networks tell
water from its surroundings, boosted trees spoiled photos from good ones. The file holds plain arrays and a JSON text;
loading it executes no code.

**What it was fitted on.** Rendered photos only ({rows} of them, each of a pool of its own), made from published water
optics by `models/simulator`, about a fifth of them by each of its second and third, plainer renderers.
**No real pool photo was available for training.** How well it does on real pools is not known. A company finds out on
its own pools: confirm or correct the grades of visits (on the pool's page, or `turnblue confirm`), look at how often
they were right (the dashboard's "More" page, or `turnblue evaluate`), and refit with `turnblue train --log`. Until then
read the grades as an instrument that was calibrated in a laboratory and never yet at a pool.

**How good it is, on rendered photos.** `left out`: each photo graded without its own pool. `held out`: photos of phone
models and pools that no fit had seen. `informed`: with the pool's depths as a log would have them (5 % off); `floor
known`: with the floor's colour too; `floor seen`: of those, where one sees farther than the pool is deep.
`unseen renderer`: photos by `models/simulator/boxworld.py`, with optics, scenes and a camera of its own, by a grader
that was fitted, from the water on, without any photo of that renderer: the best guess at how the shipped one does
elsewhere. Photos that get no grade in use (below) are counted here all the same, except where `graded` says so.
`exact` and `within_one` are shares of grades; `calibration_error` is the expected calibration error (ten bins),
`coverage` that of the 80 % intervals, `rms_dex` the root mean square of log10(median / truth), `rank` the rank
correlation.

{table}

Water found and true overlap (intersection over union) by {overlap_median:.3f} at the median; by 0.9 and more in
{overlap_share:.1%} of the held-out photos; by the plain renderer {plain_overlap_median:.3f} and
{plain_overlap_share:.1%}; by the unseen one {unseen_overlap_median:.3f} and {unseen_overlap_share:.1%}.

**When it gives no grade** (held out). Of good photos {fit:.1%}; of the unseen renderer's {unseen_refused:.1%}. Of
spoiled ones {all_spoiled:.1%}: {spoiled}.

**When it says that a grade is weak** (held out, good photos that get a grade). {weak}

**Photos that belong together.** {together}

**Simple is better where it is as good.** By the same folds, by the photo alone, {compared_rows} photos:

{compared}

All this is printed by `{command}`.

**How fast and how large.** `OMP_NUM_THREADS=1 python -m tests.bench_grading PHOTO...` prints how long each stage takes
after decoding, of processor time on one core. A 12-megapixel photo took 56 ms at the median of twelve (asked for: 60),
61 at their nine tenths: 15 of them to find the water, 13 for the features, 9 the card, 7 its colours.
The file has 1.7 MB (asked for: under 5).

**What was asked for.** Severity exact 92 %, within one 99.5 %; clarity from a plain photo exact 75 %, within one 98 %,
and exact 92 % where depth and floor are known and seen; calibration error at most 0.04; coverage 76 to 84 %; no grade
for 95 % of spoiled photos and at most 5 % of good ones; at most 0.2 % off by two classes; the same grade for 90 % of
pairs of one water; rank correlation 0.97 in a dilution series; water found with an overlap of 0.9. Where a figure
above falls short, it falls short: above all both grades' shares and, with them, photos of one water. Of some 700
held-out photos a share is known to two percentage points. That few are off by two classes without a word is bought with
many that are said to be weak. Some of the good photos that get no grade are rendered over-exposed, or their card only
some 60 pixels wide.

**What it cannot know.** The same colour belongs to little algae that absorb much and to much that absorb little, and
much that is dead or dissolved absorbs as well. `python -m models.training.ceiling` prints how far a grader gets that is
given the water's colours as a good measurement has them, no picture between. With the colours at five known depths,
pool and floor known: clarity exact 71 %, severity 70 %. With the deep end's colour alone, which is most of what one
photo shows: 54 % and 64 %. So what was asked for is beyond these waters' optics, not only beyond this grader; a disc
tells clarity where a photo cannot.
Water seen through reflections of a bright sky; a floor so dark that clear and turbid water look alike; coloured light
from awnings or trees that the card does not share. It is no test of water safety.
"""


@dataclass(frozen=True)
class Figures:
    """Everything the model card says in numbers."""

    rows: int
    reports: dict[str, Report]
    overlap_median: float
    overlap_share: float
    plain_overlap_median: float
    plain_overlap_share: float
    unseen_overlap_median: float
    unseen_overlap_share: float
    abstaining: Abstaining
    unseen_refused: float
    agreements: list[Agreement]
    orders: list[Order]
    compared: list[Compared]

    def to_json(self) -> dict[str, Any]:
        """Return the figures as plain JSON values."""
        return {"figures": asdict(self)}


def without_known(vectors: Vectors) -> np.ndarray:
    """Return features of which the log knows nothing: what it would hold is set to the unknown pool's."""
    features = vectors.features.copy()
    features[:, FEATURES.index("depth_known")] = 0.0
    return features


@dataclass(frozen=True)
class HeldOut:
    """Photos that no fit saw: held-out ones, the plain renderer's, one water in ten ways, and dilution series."""

    held: Vectors
    plain: Vectors
    same: Vectors
    rising: Vectors


def figures_of(fitted: Fitted, known: Vectors, tests: HeldOut, apart: Fitted, unseen: Vectors) -> Figures:
    """Return all figures of a fitted grader.

    Parameters
    ----------
    fitted : Fitted
    known : Vectors
        What it was fitted on.
    tests : HeldOut
    apart : Fitted
        A grader fitted without any photo of the third renderer.
    unseen : Vectors
        The third renderer's photos, their water found by that one.
    """
    held, plain, same, rising = tests.held, tests.plain, tests.same, tests.rising
    grader = to_grader(fitted)
    fit = known.rows((known.way == 0) & ~known.doubted)
    reports = _named("left out", fitted.machines[MACHINES[0]].steps, fitted.machines[MACHINES[1]].steps, fit)
    blind = distributions(without_known(held), grader)
    spoiled = softmax(fitted.fitness(held.fitness))
    said, given = abstaining(held, blind, spoiled, fitted.unlike)
    good = held.way == 0
    reports |= _some("held out", blind, held, good)
    reports |= _some("held out, graded", blind, held, good & given)
    informed = distributions(held.features, grader)
    reports |= _some("held out, informed", informed, held, good)
    floor = good & (held.features[:, FEATURES.index("floor_known")] > 0)
    reports |= _some("held out, floor known", informed, held, floor)
    seen = floor & (held.depth_m > 10 ** held.features[:, FEATURES.index("log_depth_deep")])
    reports |= _some("held out, floor seen", informed, held, seen)
    fit_plain = plain.way == 0
    reports |= _some("plain renderer", distributions(without_known(plain), grader), plain, fit_plain)
    told = distributions(without_known(unseen), to_grader(apart))
    reports |= _some("unseen renderer", told, unseen, unseen.way == 0)
    elsewhere, _ = abstaining(unseen, told, softmax(apart.fitness(unseen.fitness)), apart.unlike)
    overlap, plain_overlap, unseen_overlap = _overlaps(held), _overlaps(plain), _overlaps(unseen)
    alike = distributions(without_known(same), grader)
    _, given_same = abstaining(same, alike, softmax(fitted.fitness(same.fitness)), fitted.unlike)
    return Figures(
        rows=len(fitted.rows),
        reports=reports,
        overlap_median=float(np.median(overlap)),
        overlap_share=float((overlap >= 0.9).mean()),
        plain_overlap_median=float(np.median(plain_overlap)),
        plain_overlap_share=float((plain_overlap >= 0.9).mean()),
        unseen_overlap_median=float(np.median(unseen_overlap)),
        unseen_overlap_share=float((unseen_overlap >= 0.9).mean()),
        abstaining=said,
        unseen_refused=elsewhere.fit,
        agreements=agreement(same, alike, given_same),
        orders=order(rising, distributions(without_known(rising), grader)),
        compared=compare(known),
    )


def _overlaps(vectors: Vectors) -> np.ndarray:
    """Return the overlaps of photos with water; one in which none was found counts as zero."""
    missed = (vectors.refused_way == 0) & vectors.refused_for_water
    return np.concatenate([vectors.overlap[vectors.way == 0], np.zeros(int(missed.sum()))])


def _named(name: str, depth: np.ndarray, chlorophyll: np.ndarray, vectors: Vectors) -> dict[str, Report]:
    both = report_both(depth, chlorophyll, vectors.depth_m, vectors.chlorophyll_ug_l)
    return {f"{grade}, {name}": each for grade, each in both.items()}


def _some(name: str, steps: Steps, vectors: Vectors, which: np.ndarray) -> dict[str, Report]:
    if not which.any():
        return {}
    return _named(name, steps.depth[which], steps.chlorophyll[which], vectors.rows(which))


def card_text(figures: Figures, command: str) -> str:
    """Return the model card."""
    spoiled = ", ".join(f"{name.replace('_', ' ')} {share:.1%}" for name, share in figures.abstaining.spoiled.items())
    together = [
        f"One water in ten ways, {each.grade}: the same grade in {each.same:.1%} of {each.pairs} pairs, within one "
        f"class in {each.within_one:.1%}."
        for each in figures.agreements
    ] + [
        f"Dilution series, {each.figure}: rank correlation {each.mean:.3f} on average over {each.series} scenes, "
        f"{each.least:.3f} at least."
        for each in figures.orders
    ]
    rows = ["| model | grade | exact | within_one | rms_dex |", "|---|---|---|---|---|"] + [
        f"| {each.model} | {each.grade} | {each.exact:.3f} | {each.within_one:.3f} | {each.rms_dex:.3f} |"
        for each in figures.compared
    ]
    told = figures.abstaining
    weak = " ".join(
        f"{grade.capitalize()}: {told.weak[grade]:.1%} are said to be weak; off by two classes or more are "
        f"{told.wrong_by_two[grade]:.1%} of all, {told.wrong_unflagged[grade]:.1%} without being said to be weak."
        for grade in told.weak
    )
    return TEXT.format(
        rows=figures.rows, table=table(figures.reports), overlap_median=figures.overlap_median,
        overlap_share=figures.overlap_share, fit=figures.abstaining.fit,
        all_spoiled=figures.abstaining.all_spoiled, spoiled=spoiled,
        plain_overlap_median=figures.plain_overlap_median, plain_overlap_share=figures.plain_overlap_share, weak=weak,
        unseen_overlap_median=figures.unseen_overlap_median, unseen_overlap_share=figures.unseen_overlap_share,
        unseen_refused=figures.unseen_refused,
        together=" ".join(together), compared="\n".join(rows),
        compared_rows=min(ROWS, figures.rows), command=command,
    )  # fmt: skip
