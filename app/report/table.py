"""A recovery as a table for spreadsheets and as JSON for machines: everything that was recorded, one fact a row.

In: a `Recovery` and the measurements of its photos. Out: CSV text (RFC 4180) and a JSON-ready mapping, in SI units with
the unit beside each number. Pure. A cell that a spreadsheet would run as a formula is made plain text.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import fields
from datetime import datetime
from enum import Enum
from typing import Any

from app.records import Equipment, PriceList, Recovery, Treatment, Visit
from app.treatment.prices import unit_price
from vision.results import Interval, to_json

COLUMNS = (
    "pool", "recovery_id", "visit_id", "at", "by", "kind", "name", "value", "low", "high", "unit", "how",
    "cost", "photo_sha256", "measurement_id",
)  # fmt: skip
"""The table's columns."""

FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n")
"""A text that begins so is run by spreadsheets: OWASP, CSV Injection (from memory)."""


def harmless(cell: Any) -> Any:
    """Return a cell as a spreadsheet will not run it: texts that begin like a formula get an apostrophe before them.

    Examples
    --------
    >>> harmless("=1+1"), harmless(-0.5), harmless("Kit")
    ("'=1+1", -0.5, 'Kit')
    """
    risky = isinstance(cell, str) and cell.lstrip(" ").startswith(FORMULA_STARTS)
    return f"'{cell}" if risky else cell


def recovery_csv(recovery: Recovery, prices: PriceList | None = None) -> str:
    """Return a recovery as CSV, one fact a row, oldest visit first.

    Parameters
    ----------
    recovery : Recovery
        With its visits.
    prices : PriceList, optional
        For the cost of what was poured; left empty where the list has no price.
    """
    written = io.StringIO()
    writer = csv.writer(written, lineterminator="\r\n")
    writer.writerow(COLUMNS)
    for visit in recovery.visits:
        for fact in _facts(visit, prices):
            row = {
                "pool": recovery.pool.name,
                "recovery_id": recovery.id,
                "visit_id": visit.id,
                "at": visit.at.isoformat(),
                "by": visit.by,
                **fact,
            }
            writer.writerow([harmless(_cell(row.get(name))) for name in COLUMNS])
    return written.getvalue()


def recovery_json(
    recovery: Recovery, measurements: Sequence[Mapping[str, Any]], prices: PriceList | None = None
) -> dict[str, Any]:
    """Return a recovery with everything recorded and measured, ready for `json.dumps`.

    Parameters
    ----------
    recovery : Recovery
        With its visits.
    measurements : sequence of mapping
        Every measurement of its photos, as kept.
    prices : PriceList, optional
        For the cost of what was poured.
    """
    costs = [
        {"visit_id": visit.id, "chemical": each.chemical.value, "cost": cost_of(each, prices)}
        for visit in recovery.visits
        for each in visit.treatments
    ]
    told = {"recovery": recovery, "costs": costs, "currency": prices.currency if prices else None}
    return {**_plain(to_json(told)), "measurements": list(measurements)}


def cost_of(poured: Treatment, prices: PriceList | None) -> float | None:
    """Return what a pour cost by the company's list, None where the list has no price for it."""
    each = unit_price(prices, poured.chemical.value, poured.unit)
    return None if each is None else round(poured.amount * each, 2)


def _facts(visit: Visit, prices: PriceList | None) -> Iterator[dict[str, Any]]:
    """Give everything recorded at a visit, one fact at a time."""
    yield {"kind": "visit", "name": "visit", "value": visit.id}
    for sha256 in visit.photo_sha256s:
        yield {"kind": "photo", "name": "photo", "photo_sha256": sha256}
    water = visit.assessment
    if water is not None:
        of = {"kind": "measurement", "photo_sha256": water.photo_sha256, "measurement_id": water.measurement_id}
        yield {**of, "name": "usable", "value": water.usable, "how": " ".join(water.flags)}
        for name in ("clarity", "severity"):
            if (grade := getattr(water, name)) is not None:
                yield {**of, "name": name, "value": grade, "how": f"p={getattr(water, f'{name}_probability')}"}
        for name, unit in (("visible_depth_m", "m"), ("chlorophyll_ug_l", "ug/L")):
            figure: Interval | None = getattr(water, name)
            if figure is not None:
                yield {**of, "name": name, "value": figure.mid, "low": figure.low, "high": figure.high, "unit": unit}
    for part in fields(Equipment):
        if (found := getattr(visit.equipment, part.name)) is not None:
            unit = "kPa" if part.name.endswith("_kpa") else ""
            yield {"kind": "equipment", "name": part.name, "value": found, "unit": unit}
    for read in visit.readings:
        yield {
            "kind": "reading", "name": read.analyte, "value": read.value, "low": read.low, "high": read.high,
            "unit": read.unit, "how": " ".join([read.method, *read.flags]),
        }  # fmt: skip
    for poured in visit.treatments:
        strength = "" if poured.strength_pct is None else f"{poured.strength_pct:g} %"
        yield {
            "kind": "poured", "name": poured.chemical, "value": poured.amount, "unit": poured.unit, "how": strength,
            "cost": cost_of(poured, prices),
        }  # fmt: skip
    for work in visit.work:
        yield {"kind": "work", "name": work}
    for seen in visit.sightings:
        yield {"kind": "sighting", "name": seen}
    rest = (("floor_seen", visit.floor_seen, ""), ("debris_on_floor", visit.debris_on_floor, ""))
    for name, value, unit in (*rest, ("sludge_depth_m", visit.sludge_depth_m, "m"), ("note", visit.note or None, "")):
        if value is not None:
            yield {"kind": "note" if name == "note" else "seen", "name": name, "value": value, "unit": unit}


def _cell(value: Any) -> Any:
    """Return one value as it stands in a table."""
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, bool):
        return "yes" if value else "no"
    return "" if value is None else value


def _plain(value: Any) -> Any:
    """Return a mapping with its times as ISO 8601 text."""
    if isinstance(value, Mapping):
        return {name: _plain(each) for name, each in value.items()}
    if isinstance(value, list):
        return [_plain(each) for each in value]
    return value.isoformat() if isinstance(value, datetime) else value
