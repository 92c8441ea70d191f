"""The customer's page: one report as one self-contained HTML document that fetches nothing.

In: `Report`, its pictures, the day the link ends. Out: HTML text, everything from outside escaped, and the headers it
is served with. Styles and the one script carry a nonce; nothing else may run.
"""

from __future__ import annotations

import base64
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from html import escape
from pathlib import Path

from app.report.content import Line, Report, Shown
from app.report.depth_chart import draw_depth
from app.words import LANGUAGES, translate

FONT = "system-ui, -apple-system, 'Segoe UI', Roboto, 'Noto Sans', sans-serif"
"""The phone's own typeface."""

CHART_PX = 460.0
"""Width of the chart [px]: on a phone of 390 its letters are then as large as the rest."""


@dataclass(frozen=True)
class CustomerPage:
    """What a link opens: the report, its pictures (JPEG by "before", "now" and sha256), the logo, the last day."""

    report: Report
    pictures: Mapping[str, bytes]
    logo: bytes | None
    until: str


def headers(nonce: str) -> dict[str, str]:
    """Return the headers of a customer's page: nothing from elsewhere, no frame, no copy kept, no address passed on."""
    policy = (
        f"default-src 'none'; img-src data:; style-src 'nonce-{nonce}'; script-src 'nonce-{nonce}'; "
        "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    )
    return {
        "Content-Security-Policy": policy,
        "X-Content-Type-Options": "nosniff",
        "X-Frame-Options": "DENY",
        "Referrer-Policy": "no-referrer",
        "Cache-Control": "no-store, private",
        "X-Robots-Tag": "noindex, nofollow, noarchive",
        "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
        "Cross-Origin-Resource-Policy": "same-origin",
    }


def customer_html(page: CustomerPage, *, nonce: str) -> str:
    """Return the page of one report.

    Parameters
    ----------
    page : CustomerPage
        What it shows.
    nonce : str
        A fresh random text; styles and script carry it.
    """
    report = page.report
    _ = translate(report.language)
    parts = [
        _head_html(page),
        f'<main><p class="quiet about">{escape(report.pool)} · {escape(report.as_of)}</p>'
        f'<h1 class="{report.tone}">{escape(report.headline)}</h1><p class="lead">{escape(report.summary)}</p>',
        _pair_html(page),
        _way_html(report),
        '<div class="boxes">',
        _box_html(report.clear_title, report.clear, report.clear_more),
        _box_html(report.depth_title, report.depth, report.depth_more),
        "</div>",
        _listed_html(report.next_title, report.next),
        f'<section class="mind">{_listed_html(report.mind_title, report.mind)}</section>',
        _listed_html(report.done_title, report.done),
    ]
    compared = report.before is not None and report.now is not None and {"before", "now"} <= set(page.pictures)
    if compared:
        slide = escape(_("Slide between before and now"))
        # Said under the picture: on it the words would cover half of what is compared.
        rendered = f"<small>{escape(report.rendered)}</small>" if report.rendered else ""
        parts.append(f'<h2>{slide}</h2><div id="compare" data-label="{slide}"></div><p class="quiet">{rendered}</p>')
    if report.chart.marks:
        chart = draw_depth(report.chart, title=report.chart_title, font=FONT, width_px=CHART_PX)
        say = f"{report.chart_say} {report.goal_say}"
        parts.append(
            f'<h2>{escape(report.chart_title)}</h2><div class="chart">{chart}</div><p class="quiet">{escape(say)}</p>'
        )
    if report.visits:
        rendered = f'<p class="quiet"><small>{escape(report.rendered)}</small></p>' if report.rendered else ""
        lines = "".join(_visit_html(each, page.pictures) for each in reversed(report.visits))
        parts.append(f'<h2>{escape(report.visits_title)}</h2>{rendered}<ul class="visits">{lines}</ul>')
    until = _("This page shows this pool alone. It can be opened until {day}.", day=page.until)
    small = "".join(f"<p>{escape(each)}</p>" for each in (*report.small, until))
    parts.append(f"</main><footer>{small}</footer>")
    script = ""
    if compared:
        script = f'<script nonce="{escape(nonce)}">{_file("compare.js")}{_START}</script>'
    return _document(report.language, f"{report.pool}: {report.headline}", "".join(parts), nonce, script)


_START = """
{ const [before, now, compare] = ["before", "now", "compare"].map((name) => document.getElementById(name));
  const label = compare.dataset.label, beforeLabel = before.dataset.label, nowLabel = now.dataset.label;
  buildCompare(compare, { before: before.src, now: now.src, beforeLabel, nowLabel, label }); }
"""


def closed_html(*, nonce: str) -> str:
    """Return the page of a link that does not open: the same for unknown, expired and withdrawn, in every language."""
    said = []
    for language in LANGUAGES:
        _ = translate(language)
        said.append(
            f'<section lang="{language}"><h1>{escape(_("This link is not open"))}</h1><p class="lead">'
            f"{escape(_('It has ended or was withdrawn. Ask your pool company for a new one.'))}</p></section>"
        )
    return _document("en", "Turnblue", f"<main>{''.join(said)}</main>", nonce, "")


def _document(language: str, title: str, body: str, nonce: str, script: str) -> str:
    """Return a whole document."""
    style = "".join(_file(name) for name in ("customer.css", "compare.css"))
    return (
        f'<!doctype html><html lang="{escape(language)}"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        '<meta name="robots" content="noindex"><link rel="icon" href="data:,">'
        f'<title>{escape(title)}</title><style nonce="{escape(nonce)}">{style}</style></head>'
        f"<body>{body}{script}</body></html>"
    )


def _file(name: str) -> str:
    """Return a style or script that lies beside this module."""
    return Path(__file__).with_name(name).read_text(encoding="utf-8")


def _head_html(page: CustomerPage) -> str:
    """Return the company's logo or name, and its phone number to tap on."""
    report = page.report
    name = f"<b>{escape(report.company)}</b>"
    if page.logo is not None:
        logo = base64.b64encode(page.logo).decode("ascii")
        name = f'<img alt="{escape(report.company)}" src="data:image/png;base64,{logo}">'
    dial = "".join(each for each in report.phone if each.isdigit() or each == "+")
    phone = f'<a href="tel:{dial}">{escape(report.phone)}</a>' if dial else escape(report.phone)
    return f"<header>{name}{phone}</header>"


def _pair_html(page: CustomerPage) -> str:
    """Return before and now side by side, or the one photo there is."""
    shown = [(name, each) for name, each in (("before", page.report.before), ("now", page.report.now)) if each]
    figures = "".join(_figure_html(name, each, page) for name, each in shown if name in page.pictures)
    if not figures:
        return f'<p class="quiet">{escape(page.report.honest)}</p>'
    one = " one" if figures.count("<figure>") == 1 else ""
    return f'<div class="pair{one}">{figures}</div><p class="quiet"><small>{escape(page.report.honest)}</small></p>'


def _figure_html(name: str, shown: Shown, page: CustomerPage) -> str:
    """Return one photo with its day and what it says."""
    rendered = f"<small>{escape(page.report.rendered)}</small>" if page.report.rendered else ""
    label = ", ".join(each for each in (shown.label, shown.day) if each)
    return (
        f'<figure><span><b>{escape(shown.label)}</b><span class="quiet">{escape(shown.day)}</span></span>'
        f'<img id="{name}" alt="{escape(shown.alt)}" data-label="{escape(label)}" '
        f'src="{_jpeg(page.pictures[name])}"><figcaption>{rendered}<b>{escape(shown.seen)}</b>{escape(shown.water)}'
        "</figcaption></figure>"
    )


def _way_html(report: Report) -> str:
    """Return where it stands between start and goal."""
    if report.share is None:
        return ""
    width = 100 * max(report.share, 0.02)
    return (
        f'<div class="way {report.tone}"><svg viewBox="0 0 100 6" preserveAspectRatio="none" role="img" '
        f'aria-label="{escape(report.share_say)}"><rect class="all" width="100" height="6"/>'
        f'<rect class="done" width="{width:.1f}" height="6"/></svg><p><span>{escape(report.start_label)}</span>'
        f"<b>{escape(report.share_say)}</b><span>{escape(report.goal_label)}</span></p></div>"
    )


def _box_html(title: str, value: str, more: str) -> str:
    return f"<div><small>{escape(title)}</small><b>{escape(value)}</b><small>{escape(more)}</small></div>"


def _listed_html(title: str, lines: Sequence[str]) -> str:
    items = "".join(f"<li>{escape(each)}</li>" for each in lines)
    return f"<h2>{escape(title)}</h2><ul>{items}</ul>"


def _visit_html(line: Line, pictures: Mapping[str, bytes]) -> str:
    """Return one visit: its photo small, what the water was like, what was done."""
    picture = f'<img alt="" src="{_jpeg(pictures[line.sha256])}">' if line.sha256 in pictures else "<i></i>"
    more = "".join(f"<p>{escape(each)}</p>" for each in (line.water, line.done) if each)
    return f"<li>{picture}<div><p><b>{escape(line.day)}</b></p>{more}</div></li>"


def _jpeg(content: bytes) -> str:
    return f"data:image/jpeg;base64,{base64.b64encode(content).decode('ascii')}"
