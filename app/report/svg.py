"""The strokes that the charts are drawn with: lines and words as SVG text.

In: places [px], colours, words. Out: SVG elements, everything from outside escaped. Pure.
"""

from __future__ import annotations

from html import escape


def line(
    x1: float, y1: float, x2: float, y2: float, colour: str, width: float, *, dash: str = "", opacity: float = 1.0
) -> str:
    """Return a straight line; `dash` are the lengths of its strokes and gaps."""
    dashed = f' stroke-dasharray="{dash}"' if dash else ""
    faint = f' stroke-opacity="{opacity}"' if opacity < 1 else ""
    return (
        f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}" stroke="{colour}" stroke-width="{width:g}" '
        f'stroke-linecap="butt"{dashed}{faint}/>'
    )


def text(x: float, y: float, said: str, anchor: str, colour: str, *, bold: bool = False) -> str:
    """Return words; `anchor` is "start", "middle" or "end", and says which part of them lies at `x`.

    Examples
    --------
    >>> text(1, 2, "< 3", "end", "#000")
    '<text x="1.0" y="2.0" font-size="14" text-anchor="end" fill="#000">&lt; 3</text>'
    """
    weight = ' font-weight="700"' if bold else ""
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" font-size="14" text-anchor="{anchor}" fill="{colour}"{weight}>'
        f"{escape(said)}</text>"
    )
