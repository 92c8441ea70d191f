"""Charts of a recovery, made from its records: visible depth and algae on one time axis, doses marked.

In: a `Recovery`. Out: an Altair chart, with nothing fetched from the network, in our own palette (`PALETTE`),
which is told apart by place, shape and words too, never by colour alone. Nothing is measured or stored here.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any

from app.records import Chemical, Recovery, Visit
from app.treatment.forecast import GOAL_DEPTH_M
from app.words import mark
from vision.results import CLARITY_LOWER_M, SEVERITY_LOWER_UG_L, Clarity, Interval, Severity

if TYPE_CHECKING:
    import altair as alt

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


PALETTE: Mapping[str, Palette] = {
    "light": Palette("#FAFAF6", "#12202B", "#46555F", "#C9CEC9", "#EFF1EC", "#1B5C96", "#5E6B00", "#A63A10"),
    "dark": Palette("#0F171D", "#EEF3F4", "#A9B7BF", "#33434E", "#16212A", "#7DB8EE", "#C3D160", "#FF9E73"),
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


def recovery_panels(
    recovery: Recovery,
    *,
    now: datetime,
    days_to_clear: Interval | None = None,
    depth_unit: str = "m",
    m_per_unit: float = 1.0,
    ground: str = "light",
    narrow: bool = False,
    say: Callable[[str], str] = str,
) -> tuple[alt.LayerChart, alt.LayerChart]:
    """Draw how far one sees and how much algae there is, over one time axis, doses marked on both.

    Two panels rather than one concatenated chart, because only a single view can follow its container's width;
    their time axes have the same ends and their left axes the same width, so one stands exactly above the other.

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
    narrow : bool
        Drawn for a phone: lower and with fewer ticks.
    say : callable
        Says a message in the reader's language; English as it is by default.

    Returns
    -------
    tuple of altair.LayerChart
        First: visible depth, logarithmic, its 80 % interval as a bar, the clarity grades as bands.
        Second: chlorophyll-a, logarithmic, with the severity grades as bands. Dashed rules: doses.

    Raises
    ------
    ValueError
        If `ground` is none of those named, or `m_per_unit` is not above 0.
    """
    import altair as alt

    if ground not in PALETTE:
        raise ValueError(f"ground must be one of {sorted(PALETTE)}, got {ground!r}")
    palette = PALETTE[ground]
    depth, algae, doses = depth_rows(recovery, m_per_unit=m_per_unit), algae_rows(recovery), dose_rows(recovery, say)
    forecast = forecast_rows(days_to_clear, now, m_per_unit=m_per_unit)
    # Months' names are the browser's own, English: elsewhere days are written in figures.
    days = "%b %-d" if say is str or getattr(say, "language", "en") == "en" else "%-d/%-m"
    span = _time_span(recovery, now, *(datetime.fromisoformat(row["latest"]) for row in forecast))
    height = 150 if narrow else 180
    day_step = max(1, math.ceil((span[1] - span[0]) / timedelta(days=4 if narrow else 6)))
    ends = [end.isoformat() for end in span]

    def panel(
        rows: list[dict[str, Any]],
        *,
        expected: list[dict[str, Any]],
        lower: Mapping[Any, float],
        smallest: float,
        title: str,
        colour: str,
        shape: str,
        dated: bool,
    ) -> alt.LayerChart:
        top = max([max(lower.values()) * 2.2, *(row["high"] * 1.1 for row in rows)])
        time = alt.X(
            "at:T",
            title=None,
            scale=alt.Scale(domain=ends),
            axis=alt.Axis(
                format=days,
                # Whole days, at most six of them: no day's name twice.
                tickCount=alt.TimeIntervalStep(interval="day", step=day_step),
                labelOverlap=True,
                labels=dated,
                ticks=dated,
                grid=False,
            ),
        )
        value_scale = alt.Scale(type="log", domain=[smallest, top], nice=False)
        # One axis carries numbers, the bands carry the grades' words: two ways to read the same height.
        value = alt.Y(
            "mid:Q",
            scale=value_scale,
            axis=alt.Axis(
                title=None, values=_ticks(smallest, top), format="~g", grid=False, minExtent=30, maxExtent=30
            ),
        )
        bands = [{**row, "grade": say(GRADE_SAY[row["grade"]])} for row in _bands(lower, smallest, top)]
        ground_bands = (
            _chart_of(bands)
            .mark_rect(color=palette.band)
            .encode(y=alt.Y("bottom:Q", scale=value_scale), y2="top:Q", opacity=alt.Opacity("tint:Q", scale=None))
        )
        words = (
            _chart_of(bands)
            .mark_text(align="right", baseline="middle", dx=-4, fontSize=11, color=palette.quiet)
            .encode(y=alt.Y("middle:Q", scale=value_scale), x=alt.value("width"), text="grade:N")
        )
        dose_rule = (
            _chart_of(doses)
            .mark_rule(color=palette.dose, strokeDash=[4, 3], strokeWidth=1.5)
            .encode(
                x=time,
                tooltip=[
                    alt.Tooltip("poured:N", title=say(mark("Poured"))),
                    alt.Tooltip("at:T", title=say(mark("At"))),
                ],
            )
        )
        dose_mark = (
            _chart_of(doses)
            .mark_point(shape="triangle-down", filled=True, size=70, color=palette.dose, opacity=1, yOffset=4)
            .encode(x=time, y=alt.value(0), tooltip=[alt.Tooltip("poured:N", title=say(mark("Poured")))])
        )
        base = _chart_of(rows).encode(x=time)
        line = base.mark_line(color=colour, strokeWidth=2, opacity=0.55).encode(y=value)
        bar = base.mark_rule(color=colour, strokeWidth=3, opacity=0.55).encode(
            y=alt.Y("low:Q", scale=value_scale), y2="high:Q"
        )
        dot = base.mark_point(shape=shape, filled=True, size=95, color=colour, opacity=1).encode(
            y=value,
            tooltip=[
                alt.Tooltip("at:T", title=say(mark("At")), format=f"{days} %H:%M"),
                alt.Tooltip("mid:Q", title=title, format=".3~g"),
                alt.Tooltip("low:Q", title=say(mark("Low (80 % interval)")), format=".3~g"),
                alt.Tooltip("high:Q", title=say(mark("High")), format=".3~g"),
            ],
        )
        arrow = (
            base.transform_filter("datum.bound")
            .mark_point(shape="triangle-up", filled=True, size=60, color=colour, opacity=1, yOffset=-12)
            .encode(y=value)
        )
        told = [
            alt.Tooltip(f"{name}:T", title=say(message), format=days)
            for name, message in (
                ("soonest", mark("Clear, soonest")),
                ("middle", mark("Most likely")),
                ("latest", mark("Latest (80 %)")),
            )
        ]
        span_bar = (
            _chart_of(expected)
            .mark_rule(color=colour, strokeWidth=11, opacity=0.35, strokeCap="round")
            .encode(x="soonest:T", x2="latest:T", y=alt.Y("goal:Q", scale=value_scale))
            .encode(tooltip=told)
        )
        span_mark = (
            _chart_of(expected)
            .mark_point(shape="stroke", angle=90, size=260, strokeWidth=2.5, color=colour, opacity=1)
            .encode(x="middle:T", y=alt.Y("goal:Q", scale=value_scale), tooltip=told)
        )
        heading = alt.TitleParams(title, anchor="start", fontSize=13, color=colour, offset=10)
        return alt.LayerChart(
            layer=[ground_bands, span_bar, span_mark, words, dose_rule, dose_mark, bar, line, dot, arrow],
            width="container",
            height=height,
            title=heading,
        )

    shown_clarity = {grade: bound / m_per_unit for grade, bound in CLARITY_LOWER_M.items()}
    upper = panel(
        depth,
        expected=forecast,
        lower=shown_clarity,
        smallest=SMALLEST_SHOWN_M / m_per_unit,
        title=f"{say(mark('Visible depth'))}, {depth_unit}",
        colour=palette.depth,
        shape="circle",
        dated=False,
    )
    lower_panel = panel(
        algae,
        expected=[],
        lower=SEVERITY_LOWER_UG_L,
        smallest=SMALLEST_SHOWN_UG_L,
        title=say(mark("Living algae, chlorophyll-a in µg/L")),
        colour=palette.algae,
        shape="diamond",
        dated=True,
    )
    return _dressed(upper, palette), _dressed(lower_panel, palette)


def recovery_chart(recovery: Recovery, *, now: datetime, width_px: int = 640, **options: Any) -> alt.VConcatChart:
    """Draw both panels of `recovery_panels` as one chart of a fixed width, for paper and pictures.

    Parameters
    ----------
    width_px : int
        Width of the panels without their axes [px], above 0.
    options
        As of `recovery_panels`.
    """
    import altair as alt

    if width_px <= 0:
        raise ValueError(f"width_px must be above 0, got {width_px!r}")
    panels = recovery_panels(recovery, now=now, **options)
    configured = panels[0].config
    for panel in panels:
        panel.config = alt.Undefined
    both = alt.vconcat(*(panel.properties(width=width_px) for panel in panels), spacing=14)
    both.config = configured
    return both


def _dressed(panel: alt.LayerChart, palette: Palette) -> alt.LayerChart:
    """Return a panel with our colours and typeface."""
    dressed: alt.LayerChart = (
        panel.configure(background="transparent", font=FONT, padding={"left": 0, "right": 2, "top": 2, "bottom": 2})
        .configure_view(stroke=palette.line)
        .configure_axis(
            labelColor=palette.ink,
            labelFontSize=12,
            domainColor=palette.line,
            tickColor=palette.line,
        )
    )
    return dressed


def _chart_of(rows: list[dict[str, Any]]) -> alt.Chart:
    """Return an empty chart over rows that lie in the chart itself: nothing is fetched."""
    import altair as alt

    return alt.Chart(alt.Data(values=rows))  # type: ignore[no-untyped-call]


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
