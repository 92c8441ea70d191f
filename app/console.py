"""Results as text: tables and paragraphs for people, JSON lines for machines.

In: outcomes, recoveries, steps, doses. Out: strings. No printing, no measuring.
"""

from __future__ import annotations

import json
import math
import textwrap
from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import Any

from app.actions import Refused, RescoreSummary, VisitLogged
from app.records import Assessment, Chemical, Dose, Pool, PriceList, Quote, Recovery, Step
from app.treatment.units import say_amount, say_depth, say_pool_volume
from app.workers import Outcome
from vision.results import Interval, PhotoResult, StripResult, problem, to_json

WIDTH = 100
"""Longest line of a paragraph [characters]."""


def json_line(value: Any) -> str:
    """Return a result, record or mapping as one line of JSON; times as ISO 8601."""
    return json.dumps(to_json(value), default=_time_text, ensure_ascii=False, allow_nan=False)


def _time_text(value: object) -> str:
    """Return a time as text."""
    if isinstance(value, datetime):
        return value.isoformat()
    raise TypeError(f"value must be made of records, numbers, texts and times, got {value!r}")


def outcome_json(outcome: Outcome, sha256: str | None) -> str:
    """Return a photo's line; one that could not be read has one too, so that lines match the photos given.

    Parameters
    ----------
    outcome : Outcome
        What became of the photo.
    sha256 : str or None
        The sha256 of a file that could not be measured; null where it has no bytes to be read.
    """
    if outcome.result is not None:
        return json_line(outcome.result)
    unread = PhotoResult(
        photo=outcome.job.name,
        sha256=sha256 or "",
        taken_at=None,
        usable=False,
        problems=(problem("photo_unreadable", outcome.sentence),),
        card=None,
        water=None,
        disc=None,
        strip=None,
    )
    return json_line({**to_json(unread), "sha256": sha256})


def table(heads: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """Return rows as a table with aligned columns.

    Examples
    --------
    >>> print(table(["pool", "L"], [["Long name", "1"]]))
    pool       L
    ---------  -
    Long name  1
    """
    cells = [list(heads), *(list(row) for row in rows)]
    widths = [max(len(row[column]) for row in cells) for column in range(len(heads))]
    cells.insert(1, ["-" * width for width in widths])
    lines = ("  ".join(text.ljust(width) for text, width in zip(row, widths, strict=True)) for row in cells)
    return "\n".join(line.rstrip() for line in lines)


NAMED_PHOTOS = 4
"""Up to so many photos a doubt is said of are named; of more the number is given."""


def strip_text(strip: StripResult) -> str:
    """Return a strip's readings as one line, each with its 80 % range; an end that the key does not bound is open."""
    told = []
    for each in strip.readings:
        low, high = ("" if math.isnan(end) else f"{end:.3g}" for end in (each.low, each.high))
        name = "pH" if each.analyte == "ph" else each.analyte.replace("_", " ")
        doubt = f" ({', '.join(each.flags)})" if each.flags else ""
        told.append(f"{name} {each.value:.3g} ({low} to {high}){f' {each.unit}' if each.unit else ''}{doubt}")
    return "; ".join(told)


def score_table(outcomes: Sequence[Outcome], units: str) -> str:
    """Return what photos say as a table, and below it the doubts about each."""
    rows: list[list[str]] = []
    said: dict[str, list[str]] = {}
    for outcome in outcomes:
        name, result = outcome.job.name, outcome.result
        if result is None:
            rows.append([name, "not read", "", "", ""])
            continue
        water = result.water
        usable = "yes" if result.usable else "no"
        if result.strip is not None:
            rows.append([name, usable, strip_text(result.strip), "", ""])
        elif water is None:
            rows.append([name, usable, "", "", ""])
        else:
            rows.append(
                [
                    name,
                    usable,
                    _graded(water.clarity.grade, water.clarity.probabilities[water.clarity.grade]),
                    _graded(water.severity.grade, water.severity.probabilities[water.severity.grade]),
                    depth_range(water.visible_depth_m, units),
                ]
            )
        for each in result.problems:
            said.setdefault(each.say, []).append(name)
    told = table(["photo", "usable", "clarity", "severity", "one sees (80 % range)"], rows)
    # What is said of many photos is said once.
    doubts = [
        f"{', '.join(names) if len(names) <= NAMED_PHOTOS else f'{len(names)} photos'}: {say}"
        for say, names in said.items()
    ]
    return "\n".join([told, *([""] if doubts else []), *(paragraph(each) for each in doubts)])


def _graded(grade: str, probability: float) -> str:
    """Return a grade with its probability."""
    return f"{grade} {probability:.0%}"


def depth_range(depth_m: Interval, units: str) -> str:
    """Return a visible depth with its interval in people's units."""
    if depth_m.high is None:
        return f"{say_depth(depth_m.low, units)} or more"
    return f"{say_depth(depth_m.mid, units)} ({say_depth(depth_m.low, units)} to {say_depth(depth_m.high, units)})"


def water_line(assessment: Assessment | None, units: str) -> str:
    """Return what a visit's photos said of the water in a few words."""
    if assessment is None:
        return "no photo measured"
    if not assessment.usable or assessment.clarity is None or assessment.severity is None:
        return "photo not usable"
    seen = "" if assessment.visible_depth_m is None else f", one sees {depth_range(assessment.visible_depth_m, units)}"
    return f"{assessment.clarity}, algae {assessment.severity}{seen}"


def pools_table(pools: Sequence[Pool], recoveries: Sequence[Recovery], units: str) -> str:
    """Return all pools with their open recovery, if any."""
    if not pools:
        return "No pools yet. Add one in the dashboard (turnblue serve), or look at the demo: turnblue demo"
    by_pool = {each.pool.id: each for each in recoveries}
    rows = []
    for pool in pools:
        recovery = by_pool.get(pool.id)
        last = None if recovery is None or not recovery.visits else recovery.visits[-1]
        rows.append(
            [
                pool.name,
                say_pool_volume(pool.volume_l, units),
                pool.filter_kind.value,
                "" if recovery is None else recovery.id,
                "" if last is None else f"{last.at:%Y-%m-%d %H:%M}",
                "" if last is None else water_line(last.assessment, units),
            ]
        )
    return table(["pool", "volume", "filter", "recovery", "last visit", "water"], rows)


def pools_json(pools: Sequence[Pool], recoveries: Sequence[Recovery]) -> list[str]:
    """Return one JSON object a pool, with its open recovery's id, start and number of visits (null without one)."""
    by_pool = {each.pool.id: each for each in recoveries}
    lines = []
    for pool in pools:
        recovery = by_pool.get(pool.id)
        told = None
        if recovery is not None:
            told = {"id": recovery.id, "opened_at": recovery.opened_at, "visits": len(recovery.visits)}
        lines.append(json_line({**to_json(pool), "recovery": told}))
    return lines


def logged_json(logged: VisitLogged, refused: Sequence[Refused], step: Step) -> str:
    """Return a saved visit, what its photos said and the next step, as one JSON object."""
    photos = [{**to_json(each.result), "measurement_id": each.measurement_id} for each in logged.measured]
    unread = [{"photo": each.name, "say": each.sentence} for each in refused]
    return json_line({"visit": logged.visit, "photos": photos, "refused": unread, "next": step})


def logged_text(recovery: Recovery, logged: VisitLogged, step: Step, units: str) -> str:
    """Return a saved visit, what its photos said and the next step, for people."""
    lines = [f"Saved the visit {logged.visit.id}: {water_line(logged.visit.assessment, units)}."]
    lines += [paragraph(f"{each.name}: {doubt.say}") for each in logged.measured for doubt in each.result.problems]
    return "\n".join([*lines, "", step_text(recovery, step)])


def rescored_text(told: RescoreSummary, written: bool) -> str:
    """Return what measuring anew changed, or would change."""
    rows = [
        [each.name, each.photo_sha256[:12], water_line(each.before, "us"), water_line(each.after, "us")]
        for each in told.listed
    ]
    lines = [table(["photo", "sha256", "before", "now"], rows), ""] if rows else []
    if told.changed > len(rows):
        lines += [f"and {told.changed - len(rows)} more; --json lists all.", ""]
    if told.changed > 1:
        lines += [table(["before", "now", "photos"], [[was, now, str(n)] for was, now, n in told.moves]), ""]
    lines.append(f"{told.changed} of {told.measured} photos are told otherwise.")
    if told.photos > told.measured:
        lines.append(f"{told.photos - told.measured} were measured by this program and model before.")
    lines.append(
        f"{told.written} measurements appended." if written else "Nothing was written; --write appends what is new."
    )
    return "\n".join(lines)


def step_text(recovery: Recovery, step: Step) -> str:
    """Return a recovery's next step: what, why, what to do, when to return, and the cautions."""
    lines = [f"{recovery.pool.name}: {step.title}", "", "Why"]
    lines += [paragraph(each.say, "- ") for each in step.why]
    lines += ["", "Do"]
    for number, action in enumerate(step.do, start=1):
        lines.append(paragraph(action.say, f"{number}. "))
        if action.dose is not None:
            lines += [paragraph(action.dose.arithmetic, "   = ")]
    if step.return_in_hours is not None:
        lines += ["", paragraph(f"{_return_in(step.return_in_hours)} Look for: {step.look_for}")]
    if step.causes:
        lines += ["", "Likely causes, most likely first"]
        lines += [paragraph(f"{each.share:.0%} {each.say} Check: {each.check}", "- ") for each in step.causes[:4]]
    if step.would_change:
        lines += ["", "What would change this", *(paragraph(each, "- ") for each in step.would_change)]
    doses = [action.dose for action in step.do if action.dose is not None]
    lines += _warned(
        [each.cautions for each in doses] + [step.cautions], [each.sources for each in doses] + [step.sources]
    )
    return "\n".join(lines)


def _return_in(hours: float) -> str:
    """Return when to come back, as a sentence."""
    return f"Return in {hours:g} hours." if hours >= 1 else "Go now."


def _warned(cautions: Sequence[Sequence[str]], sources: Sequence[Sequence[str]]) -> list[str]:
    """Return the lines of cautions and sources, each said once in the order first met."""
    lines = []
    for head, mark, told in (("Cautions", "! ", cautions), ("Sources", "- ", sources)):
        once = dict.fromkeys(each for several in told for each in several)
        if once:
            lines += ["", head, *(paragraph(each, mark) for each in once)]
    return lines


def dose_text(dose: Dose) -> str:
    """Return a dose: the amount, its arithmetic, the cautions and the sources."""
    lines = [f"{dose.say} of {dose.chemical.value.replace('_', ' ')}", paragraph(dose.arithmetic, "= ")]
    if dose.cost is not None:
        lines.append(f"  costs {dose.currency}{dose.cost.mid:,.2f}")
    lines += [paragraph(each, "+ ") for each in dose.side_effects]
    lines += _warned([dose.cautions], [dose.sources])
    return "\n".join(lines)


def rounds_text(rounds: Sequence[Sequence[Chemical]], hours: float) -> str:
    """Return in which rounds several chemicals go in."""
    lines = ["", f"In rounds, the pump running at least {hours:g} h between two, never from one bucket"]
    lines += [
        f"{number}. {' and '.join(each.value.replace('_', ' ') for each in chemicals)}"
        for number, chemicals in enumerate(rounds, start=1)
    ]
    return "\n".join(lines)


def prices_text(prices: PriceList, units: str) -> str:
    """Return the company's price list as a table."""
    if not prices.prices:
        return "No prices yet. Set one with: turnblue prices sodium_hypochlorite 4.50 --per 1gal"
    rows = [
        [
            each.item.replace("_", " "),
            f"{prices.currency}{each.price:,.2f}",
            f"for {say_amount(each.per_amount, each.unit, units)}" if each.unit else "each",
        ]
        for each in prices.prices
    ]
    return table(["item", "price", ""], rows)


def quote_text(recovery: Recovery, quote: Quote) -> str:
    """Return a quote: what it takes, what it costs, what is in it and what is not, and the cautions."""
    lines = [f"{recovery.pool.name}: {quote.say}", "", paragraph(quote.method), "", "Chemicals"]
    for line in quote.chemicals:
        cost = "" if line.cost_high is None else f", {quote.currency}{line.cost_low:,.2f} to {line.cost_high:,.2f}"
        lines.append(paragraph(f"{line.chemical.value.replace('_', ' ')}: {line.say}{cost}", "- "))
    if quote.missing_prices:
        missing = ", ".join(each.replace("_", " ") for each in quote.missing_prices)
        lines += ["", paragraph(f"No cost: the price list lacks {missing}. Set them with: turnblue prices ITEM PRICE")]
    for head, told in (("In it", quote.includes), ("Not in it", quote.excludes), ("May change it", quote.would_change)):
        lines += ["", head, *(paragraph(each, "- ") for each in told)]
    lines += _warned([quote.cautions], [quote.sources])
    return "\n".join(lines)


def paragraph(text: str, mark: str = "") -> str:
    """Return a text in lines of at most `WIDTH`, the first behind `mark`, the others indented as far."""
    return textwrap.fill(
        text,
        WIDTH,
        initial_indent=mark,
        subsequent_indent=" " * len(mark),
        break_long_words=False,
        break_on_hyphens=False,
    )
