"""The customer's chart: how far one sees into the water, visit by visit, on the way to the goal; one SVG for all.

In: `Track`, numbers already in the shown unit. Out: SVG text, the same for paper, picture and page. Told apart by
shape and place, never by colour alone; no script, no font of its own, nothing fetched.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from html import escape
from itertools import pairwise

from app.report.charts import PALETTE
from app.report.svg import line, text

_ON_PAPER = PALETTE["light"]
INK, QUIET, LINE, DEPTH = _ON_PAPER.ink, _ON_PAPER.quiet, _ON_PAPER.line, _ON_PAPER.depth
DOSE, GOOD = _ON_PAPER.dose, _ON_PAPER.good

WIDTH, HEIGHT = 680.0, 260.0
"""Size of the picture [px]; it is scaled as a whole."""
LEFT, RIGHT, TOP, BOTTOM = 58.0, 20.0, 24.0, 34.0
"""Room around the field for labels [px]."""


@dataclass(frozen=True)
class Mark:
    """One photo: when [s since 1970], and the visible depth with its interval [shown unit]; `bound`: at least."""

    at: float
    low: float
    mid: float
    high: float | None
    bound: bool = False


@dataclass(frozen=True)
class Track:
    """What the chart shows; times in seconds since 1970, depths in the shown unit.

    `expected` is when the goal is expected to be reached: soonest, middle, latest; None where no date is given.
    """

    marks: tuple[Mark, ...]
    doses: tuple[float, ...]
    expected: tuple[float, float, float] | None
    goal: float
    goal_label: str
    start: float
    end: float
    ticks: tuple[tuple[float, str], ...]
    unit: str


def draw_depth(
    track: Track, *, title: str, font: str = "Libertinus Serif, Georgia, serif", width_px: float = WIDTH
) -> str:
    """Return the chart as SVG.

    Parameters
    ----------
    track : Track
        Without marks the field stays empty.
    title : str
        Read out to who cannot see it.
    font : str
        Typefaces, the first that is there is taken.
    width_px : float
        Width [px]; narrower, the letters are larger beside it.
    """
    room = max((track.end - track.start) * 0.04, 6 * 3600.0)
    begin, finish = track.start - room, track.end + room
    figures = [track.goal, *(each for mark in track.marks for each in (mark.low, mark.mid, mark.high) if each)]
    bottom, top = min(figures) / 1.25, max(max(figures), track.goal * 1.5) * 1.2

    def x(at: float) -> float:
        return LEFT + (width_px - LEFT - RIGHT) * (at - begin) / (finish - begin)

    def y(depth: float) -> float:
        share = math.log(depth / bottom) / math.log(top / bottom)
        return HEIGHT - BOTTOM - (HEIGHT - TOP - BOTTOM) * share

    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width_px:g} {HEIGHT:g}" width="{width_px:g}" '
        f'height="{HEIGHT:g}" role="img" font-family="{escape(font)}"><title>{escape(title)}</title>'
    ]
    floor = HEIGHT - BOTTOM
    for value in _ticks(bottom, top):
        parts.append(line(LEFT, y(value), width_px - RIGHT, y(value), LINE, 0.8))
        parts.append(text(LEFT - 8, y(value) + 4.5, f"{value:g}", "end", INK))
    parts.append(text(LEFT - 8, TOP - 9, track.unit, "end", QUIET))
    parts.append(line(LEFT, floor, width_px - RIGHT, floor, INK, 1))
    free_from = LEFT - 30
    for at, label in track.ticks:
        if free_from <= x(at) - 30 and x(at) <= width_px - RIGHT - 12:
            free_from = x(at) + 30
            parts.append(line(x(at), floor, x(at), floor + 5, INK, 1))
            parts.append(text(x(at), floor + 20, label, "middle", INK))
    goal = y(track.goal)
    parts.append(line(LEFT, goal, width_px - RIGHT, goal, GOOD, 2, dash="7 5"))
    taken = [x(at) for at in (*track.doses, *(mark.at for mark in track.marks))]
    at_px = _widest(taken, LEFT, width_px - RIGHT)
    # Under the goal where the course runs just above it.
    course = [y(mark.mid) for mark in track.marks if abs(x(mark.at) - at_px) < (width_px - LEFT - RIGHT) / 3]
    above = all(not goal - 60 < each < goal + 4 for each in course)
    parts.append(text(at_px, goal - 11 if above else goal + 21, track.goal_label, "middle", GOOD, bold=True))
    if track.expected is not None:
        soonest, middle, latest = (x(each) for each in track.expected)
        parts.append(
            f'<rect x="{soonest:.1f}" y="{goal - 7:.1f}" width="{max(latest - soonest, 3):.1f}" height="14" rx="7" '
            f'fill="{GOOD}" fill-opacity="0.28" stroke="{GOOD}" stroke-width="1.2"/>'
        )
        parts.append(line(middle, goal - 7, middle, goal + 7, GOOD, 2))
    for at in track.doses:
        parts.append(line(x(at), TOP + 9, x(at), floor, DOSE, 1, dash="2 4"))
        parts.append(f'<path d="M{x(at) - 6:.1f} {TOP:.1f}h12l-6 10z" fill="{DOSE}"/>')
    path = " ".join(f"{x(mark.at):.1f},{y(mark.mid):.1f}" for mark in track.marks)
    if len(track.marks) > 1:
        parts.append(f'<polyline points="{path}" fill="none" stroke="{DEPTH}" stroke-width="2" stroke-opacity="0.55"/>')
    for mark in track.marks:
        high = mark.high or mark.mid
        parts.append(line(x(mark.at), y(mark.low), x(mark.at), y(high), DEPTH, 5, opacity=0.35))
        parts.append(f'<circle cx="{x(mark.at):.1f}" cy="{y(mark.mid):.1f}" r="5.5" fill="{DEPTH}"/>')
        if mark.bound:
            parts.append(f'<path d="M{x(mark.at) - 5:.1f} {y(mark.mid) - 9:.1f}h10l-5 -8z" fill="{DEPTH}"/>')
    return "".join([*parts, "</svg>"])


def _widest(taken: list[float], left: float, right: float) -> float:
    """Return the middle of the widest space between things that stand at these places [px], where words cross none.

    Examples
    --------
    >>> _widest([30.0, 40.0, 90.0], 20.0, 100.0)
    65.0
    """
    places = sorted([left, *taken, right])
    gaps = list(pairwise(places))
    one, other = max(gaps, key=lambda gap: gap[1] - gap[0])
    return (one + other) / 2


def _ticks(bottom: float, top: float) -> list[float]:
    """Return round numbers on a logarithmic axis."""
    every = [step * 10.0**power for power in range(-2, 4) for step in (1, 2, 5)]
    return [each for each in every if bottom <= each <= top]
