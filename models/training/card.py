"""Write the model card: what the grader is, what it was fitted on, how good it is, and what nobody knows yet.

In: the figures of an evaluation. Out: Markdown.
"""

from __future__ import annotations

from models.training.evaluate import Report, table

TEXT = """# The grader

**What it is.** Two ensembles of small neural networks (scikit-learn, multilayer perceptrons) that give the probability
of narrow steps of visible depth and of chlorophyll-a; grades, figures and 80 % intervals all follow from these. A third
network tells water from its surroundings. The file holds plain arrays and a JSON text; loading it executes no code.

**What it was fitted on.** Rendered photos only ({rows} feature rows), made by `models/simulator` from published water
optics. **No real pool photo was available.** How well it does on real pools is not known; a company finds out by
confirming or correcting the grades of its own visits and comparing. Until then read the grades as an instrument that
was calibrated in a laboratory and never yet at a pool.

**How good it is, on rendered photos.** `folds`: each photo graded by a fit that had not seen its pool. `held-out`:
photos of phone models and pools that no fit had seen (only the bound at which a grade is left open was set on them,
which these figures do not use). `exact` and `within_one` are shares of grades;
`calibration_error` is the expected calibration error (ten bins), `coverage` that of the 80 % intervals, `rms_dex` the
root mean square of log10(median / truth).

{table}

Printed by `{command}`.

**What it cannot know.** Water seen through reflections of a bright sky; a floor so dark that clear and turbid water
look alike; coloured light from awnings or trees that the card does not share. It flags photos unlike those it was
fitted on, and leaves a grade open rather than guess between distant classes. It is no test of water safety.
"""


def card_text(reports: dict[str, Report], command: str, rows: int) -> str:
    """Return the model card."""
    return TEXT.format(rows=rows, table=table(reports), command=command)
