"""Charts of a recovery, made from its records: visible depth and algae on one time axis, doses marked.

In: a `Recovery`. Out: SVG text, drawn here, so that a page loads no drawing program for it, in our own palette
(`PALETTE`), which is told apart by place, shape and words too, never by colour alone. Nothing is measured or stored.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo
from html import escape
from typing import Any

from app.records import Chemical, Recovery, Visit
from app.report.svg import line, text
from app.treatment.forecast import GOAL_DEPTH_M
from app.words import Speech, mark, translate
from vision.results import CLARITY_LOWER_M, SEVERITY_LOWER_UG_L, Clarity, Interval, Severity

SMALLEST_SHOWN_M = 0.1
"""Lower edge of the depth axis [m]: nothing shallower is told apart by a photo from the pool's edge (our choice)."""
SMALLEST_SHOWN_UG_L = 1.0
"""Lower edge of the algae axis [micrograms/L]: well inside the grade `none` (our choice)."""


@dataclass(frozen=True)
class Palette:
    """The chart's colours on one ground; `paper` is the ground they were chosen for."""

    paper: str
    ink: str
    quiet: str
    line: str
    band: str
    depth: str
    algae: str
    dose: str
    good: str


PALETTE: Mapping[str, Palette] = {
    "light": Palette("#FAFAF6", "#12202B", "#46555F", "#C9CEC9", "#EFF1EC", "#1B5C96", "#5E6B00", "#A63A10", "#1F6B4A"),
    "dark": Palette("#0F171D", "#EEF3F4", "#A9B7BF", "#33434E", "#16212A", "#7DB8EE", "#C3D160", "#FF9E73", "#7FD3A8"),
}
"""Ours: blue against olive against brick keeps apart with any of the common colour-vision deficiencies, and
each stands on its ground at 4.5:1 or more (checked by tests/app/report/test_charts.py)."""

FONT = "system-ui, -apple-system, 'Segoe UI', Roboto, 'Noto Sans', sans-serif"
"""The device's own typeface."""


POURED_SAY: Mapping[Chemical, str] = {
    Chemical.SODIUM_HYPOCHLORITE: mark("sodium hypochlorite"),
    Chemical.CALCIUM_HYPOCHLORITE: mark("calcium hypochlorite"),
    Chemical.DICHLOR: mark("dichlor"),
    Chemical.TRICHLOR: mark("trichlor"),
    Chemical.SODIUM_BROMIDE: mark("sodium bromide"),
    Chemical.COPPER_ALGAECIDE: mark("copper algaecide"),
    Chemical.FLOCCULANT: mark("flocculant"),
    Chemical.CLARIFIER: mark("clarifier"),
    Chemical.HYDROCHLORIC_ACID: mark("hydrochloric acid"),
    Chemical.SODIUM_BISULFATE: mark("sodium bisulfate"),
    Chemical.SODIUM_BICARBONATE: mark("sodium bicarbonate"),
    Chemical.SODIUM_CARBONATE: mark("sodium carbonate"),
    Chemical.CALCIUM_CHLORIDE: mark("calcium chloride"),
    Chemical.CYANURIC_ACID: mark("cyanuric acid"),
    Chemical.SODIUM_THIOSULFATE: mark("sodium thiosulfate"),
}
"""What was poured, as it stands beside a dose's mark."""

GRADE_SAY: Mapping[str, str] = {
    "crystal": mark("crystal"),
    "clear": mark("clear"),
    "hazy": mark("hazy"),
    "cloudy": mark("cloudy"),
    "opaque": mark("opaque"),
    "none": mark("none"),
    "trace": mark("trace"),
    "light": mark("light"),
    "moderate": mark("moderate"),
    "heavy": mark("heavy"),
}
"""The grades' bands in words."""


def depth_rows(recovery: Recovery, *, m_per_unit: float = 1.0) -> list[dict[str, Any]]:
    """Return one row a visit whose photo gave a visible depth, oldest first.

    Parameters
    ----------
    recovery : Recovery
        Its visits are read, nothing else.
    m_per_unit : float
        Metres in one shown unit of depth, above 0: 1 for m.

    Returns
    -------
    list of dict
        `at` (ISO 8601), `low`, `mid`, `high` [shown unit], `bound` true where the photo bounds it from below
        only (`high` is then `mid`, and an arrow is drawn), `clarity`, `severity`.

    Raises
    ------
    ValueError
        If `m_per_unit` is not above 0.
    """
    if not m_per_unit > 0:
        raise ValueError(f"m_per_unit must be above 0, got {m_per_unit!r}")
    rows = []
    for visit in _measured(recovery):
        assessment = visit.assessment
        if assessment is None or assessment.visible_depth_m is None:
            continue
        depth = assessment.visible_depth_m
        rows.append(
            {
                "at": visit.at.isoformat(),
                "low": depth.low / m_per_unit,
                "mid": depth.mid / m_per_unit,
                "high": (depth.mid if depth.high is None else depth.high) / m_per_unit,
                "bound": depth.high is None,
                "clarity": assessment.clarity.value if assessment.clarity else "",
                "severity": assessment.severity.value if assessment.severity else "",
            }
        )
    return rows


def algae_rows(recovery: Recovery) -> list[dict[str, Any]]:
    """Return one row a visit whose photo gave a chlorophyll-a figure [micrograms/L], oldest first."""
    rows = []
    for visit in _measured(recovery):
        assessment = visit.assessment
        if assessment is None or assessment.chlorophyll_ug_l is None:
            continue
        algae = assessment.chlorophyll_ug_l
        rows.append(
            {
                "at": visit.at.isoformat(),
                "low": max(algae.low, SMALLEST_SHOWN_UG_L),
                "mid": max(algae.mid, SMALLEST_SHOWN_UG_L),
                "high": max(algae.mid if algae.high is None else algae.high, SMALLEST_SHOWN_UG_L),
                "severity": assessment.severity.value if assessment.severity else "",
            }
        )
    return rows


def dose_rows(recovery: Recovery, say: Callable[[str], str] = str) -> list[dict[str, Any]]:
    """Return one row a visit at which something was poured: `at` and `poured`, a short text said by `say`."""
    return [
        {
            "at": visit.at.isoformat(),
            "poured": ", ".join(
                f"{say(POURED_SAY[each.chemical])} {each.amount:.3g} {each.unit}" for each in visit.treatments
            ),
        }
        for visit in recovery.visits
        if visit.treatments
    ]


def forecast_rows(days: Interval | None, now: datetime, *, m_per_unit: float = 1.0) -> list[dict[str, Any]]:
    """Return when clear water is expected, one row or none: `soonest`, `middle`, `latest` (ISO 8601), `goal`.

    Parameters
    ----------
    days : Interval or None
        Days from `now` until clear, with their 80 % interval; None or without an upper end makes no row.
    now : datetime
        Aware.
    m_per_unit : float
        Metres in one shown unit of depth.
    """
    if days is None or not days.high:
        return []
    ends = {"soonest": days.low, "middle": days.mid, "latest": days.high}
    times = {name: (now + timedelta(days=each)).isoformat() for name, each in ends.items()}
    return [{**times, "goal": GOAL_DEPTH_M / m_per_unit}]


WIDTHS_PX = {"wide": 620.0, "narrow": 360.0}
"""The two sizes drawn, for a desktop's column and a phone; the style sheet shows the one that fits."""

LEFT_PX, RIGHT_PX, TITLE_PX, DAYS_PX = 34.0, 74.0, 30.0, 26.0
"""Room for the numbers, the grades' words, a panel's title, the days [px]."""

DAY_PX = 62.0
"""Least distance between two days' names [px]."""


@dataclass(frozen=True)
class Axis:
    """One panel's height: a logarithmic scale from `smallest` to `top`, drawn between two heights [px]."""

    smallest: float
    top: float
    roof_px: float
    floor_px: float

    def y(self, value: float) -> float:
        """Return where a value lies [px]; what lies outside is drawn on the edge."""
        share = math.log(min(max(value, self.smallest), self.top) / self.smallest) / math.log(self.top / self.smallest)
        return self.floor_px - share * (self.floor_px - self.roof_px)


def draw_recovery(
    recovery: Recovery,
    *,
    now: datetime,
    days_to_clear: Interval | None = None,
    depth_unit: str = "m",
    m_per_unit: float = 1.0,
    ground: str = "light",
    size: str = "wide",
    zone: tzinfo = UTC,
    speech: Speech | None = None,
) -> str:
    """Draw how far one sees and how much algae there is, one above the other over one time axis, doses marked.

    Parameters
    ----------
    recovery : Recovery
        Visits with at least one usable measurement make a line; without any the axes stand empty.
    now : datetime
        Right end of an open recovery's time axis; aware.
    days_to_clear : Interval, optional
        The forecast from `now`; drawn on the depth's panel where the water counts as clear.
    depth_unit : str
        Name of the shown unit of depth.
    m_per_unit : float
        Metres in one of it, above 0.
    ground : str
        "light" or "dark": the paper it is drawn for.
    size : str
        A name of `WIDTHS_PX`.
    zone : tzinfo
        In which days are named.
    speech : Speech, optional
        The reader's language; English by default.

    Returns
    -------
    str
        SVG. Upper panel: visible depth, logarithmic, its 80 % interval as a bar. Lower: chlorophyll-a, the same. The
        grades are bands, their words beside them. Dashed lines from a triangle: doses.

    Raises
    ------
    ValueError
        If `ground` or `size` is none of those named, or `m_per_unit` is not above 0.
    """
    if ground not in PALETTE:
        raise ValueError(f"ground must be one of {sorted(PALETTE)}, got {ground!r}")
    if size not in WIDTHS_PX:
        raise ValueError(f"size must be one of {sorted(WIDTHS_PX)}, got {size!r}")
    say, palette, width = speech or translate("en"), PALETTE[ground], WIDTHS_PX[size]
    depth, algae = depth_rows(recovery, m_per_unit=m_per_unit), algae_rows(recovery)
    doses = dose_rows(recovery, say)
    forecast = forecast_rows(days_to_clear, now, m_per_unit=m_per_unit)
    span = _time_span(recovery, now, *(datetime.fromisoformat(row["latest"]) for row in forecast))
    height = 170.0 if size == "wide" else 150.0
    lower_roof = 2 * TITLE_PX + height
    total = lower_roof + height + DAYS_PX
    right = width - RIGHT_PX

    def x(at: datetime | str) -> float:
        at = datetime.fromisoformat(at) if isinstance(at, str) else at
        return LEFT_PX + (right - LEFT_PX) * ((at - span[0]) / (span[1] - span[0]))

    def panel(
        rows: list[dict[str, Any]],
        lower: Mapping[Clarity, float] | Mapping[Severity, float],
        smallest: float,
        roof: float,
        title: str,
        colour: str,
    ) -> list[str]:
        top = max([max(lower.values()) * 2.2, *(row["high"] * 1.1 for row in rows)])
        axis = Axis(smallest, top, roof, roof + height)
        parts = [text(0, roof - 11, title, "start", colour, bold=True)]
        for band in _bands(lower, smallest, top):
            ceiling, bottom = axis.y(band["top"]), axis.y(band["bottom"])
            if band["tint"]:
                size_px = f'width="{right - LEFT_PX:.1f}" height="{bottom - ceiling:.1f}"'
                parts.append(f'<rect x="{LEFT_PX:g}" y="{ceiling:.1f}" {size_px} fill="{palette.band}"/>')
            middle = (ceiling + bottom) / 2 + 4
            parts.append(text(right + 6, middle, say(GRADE_SAY[band["grade"]]), "start", palette.quiet))
        for value in _ticks(smallest, top):
            parts.append(text(LEFT_PX - 6, axis.y(value) + 4.5, f"{value:g}", "end", palette.ink))
        frame = f'width="{right - LEFT_PX:.1f}" height="{height:g}" fill="none" stroke="{palette.line}"'
        parts.append(f'<rect x="{LEFT_PX:g}" y="{roof:.1f}" {frame}/>')
        for row in doses:
            at = x(row["at"])
            parts.append(line(at, roof + 9, at, roof + height, palette.dose, 1.5, dash="4 3"))
            parts.append(f'<path d="M{at - 5.5:.1f} {roof:.1f}h11l-5.5 9z" fill="{palette.dose}"/>')
        for row in forecast if lower is shown_clarity else []:
            goal, soonest, latest = axis.y(row["goal"]), x(row["soonest"]), x(row["latest"])
            parts.append(
                f'<rect x="{soonest:.1f}" y="{goal - 6:.1f}" width="{max(latest - soonest, 3):.1f}" height="12" rx="6" '
                f'fill="{palette.good}" fill-opacity="0.3" stroke="{palette.good}"/>'
            )
            parts.append(line(x(row["middle"]), goal - 6, x(row["middle"]), goal + 6, palette.good, 2.5))
        path = " ".join(f"{x(row['at']):.1f},{axis.y(row['mid']):.1f}" for row in rows)
        if len(rows) > 1:
            parts.append(f'<polyline points="{path}" fill="none" stroke="{colour}" stroke-width="2" opacity="0.55"/>')
        for row in rows:
            at, middle = x(row["at"]), axis.y(row["mid"])
            parts.append(line(at, axis.y(row["low"]), at, axis.y(row["high"]), colour, 4, opacity=0.5))
            if lower is shown_clarity:
                parts.append(f'<circle cx="{at:.1f}" cy="{middle:.1f}" r="5" fill="{colour}"/>')
            else:
                parts.append(f'<path d="M{at:.1f} {middle - 6:.1f}l6 6l-6 6l-6 -6z" fill="{colour}"/>')
            if row.get("bound"):
                parts.append(f'<path d="M{at - 5:.1f} {middle - 9:.1f}h10l-5 -8z" fill="{colour}"/>')
        return parts

    shown_clarity = {grade: bound / m_per_unit for grade, bound in CLARITY_LOWER_M.items()}
    depth_title = f"{say(mark('Visible depth'))}, {depth_unit}"
    algae_title = say(mark("Living algae, chlorophyll-a in µg/L"))
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:g} {total:g}" width="{width:g}" '
        f'height="{total:g}" font-family="{escape(FONT)}">',
        *panel(depth, shown_clarity, SMALLEST_SHOWN_M / m_per_unit, TITLE_PX, depth_title, palette.depth),
        *panel(algae, SEVERITY_LOWER_UG_L, SMALLEST_SHOWN_UG_L, lower_roof, algae_title, palette.algae),
    ]
    floor, free_from = lower_roof + height, LEFT_PX + 8
    for day in _days(span, zone):
        at = x(day)
        if at >= free_from and at <= right - 8:
            free_from = at + DAY_PX
            parts.append(line(at, floor, at, floor + 5, palette.quiet, 1))
            parts.append(text(at, floor + 20, say.short_day(day), "middle", palette.ink))
    return "".join([*parts, "</svg>"])


def _days(span: tuple[datetime, datetime], zone: tzinfo) -> list[datetime]:
    """Return each midnight within both ends, in the reader's zone."""
    first = span[0].astimezone(zone).replace(hour=0, minute=0, second=0, microsecond=0)
    count = (span[1] - span[0]).days + 2
    return [day for day in (first + timedelta(days=number) for number in range(count)) if span[0] <= day <= span[1]]


def _measured(recovery: Recovery) -> list[Visit]:
    return [visit for visit in recovery.visits if visit.assessment is not None and visit.assessment.usable]


def _time_span(recovery: Recovery, now: datetime, *more: datetime) -> tuple[datetime, datetime]:
    """Return both ends of the time axis with a little room, so that no mark sits on the edge."""
    times = [recovery.opened_at, *(visit.at for visit in recovery.visits), recovery.closed_at or now, *more]
    room = max((max(times) - min(times)) * 0.04, timedelta(hours=6))
    return min(times) - room, max(times) + room


def _bands(
    lower: Mapping[Clarity, float] | Mapping[Severity, float], smallest: float, top: float
) -> list[dict[str, Any]]:
    """Return each grade's band on a logarithmic axis, every other one tinted; `middle` is the geometric one."""
    ordered = sorted(lower.items(), key=lambda each: each[1])
    bottoms = [max(bound, smallest) for _, bound in ordered]
    tops = [*bottoms[1:], top]
    return [
        {
            "grade": grade.value,
            "bottom": bottom,
            "top": ceiling,
            "middle": (bottom * ceiling) ** 0.5,
            "tint": float(number % 2),
        }
        for number, ((grade, _), bottom, ceiling) in enumerate(zip(ordered, bottoms, tops, strict=True))
    ]


def _ticks(smallest: float, top: float) -> list[float]:
    """Return round numbers for a logarithmic axis: 1, 3, 10, 30 and so on within its ends."""
    steps = [each * 10.0**power for power in range(-2, 5) for each in (1, 3)]
    return [each for each in steps if smallest <= each <= top]
