"""Every visit as one line of a table: who, how the water was, what was read, poured and done, and what it cost.

In: the desk and a recovery. Out: a table that scrolls sideways on a phone, its first column staying in sight.
"""

from __future__ import annotations

from html import escape

import streamlit as st

from app import actions
from app.access import Right
from app.dashboard import units, widgets, words
from app.dashboard.session import Desk
from app.dashboard.speech import _
from app.records import PriceList, Recovery, Visit
from app.report.table import cost_of

FIRST_READ = ("free_chlorine", "ph", "total_alkalinity", "cyanuric_acid")
"""Readings with a column of their own; the rest share one."""


def show(desk: Desk, recovery: Recovery) -> None:
    """Show the table, and what the chemicals cost so far."""
    if not recovery.visits:
        return
    prices = actions.price_list(desk.log) if desk.actor.may(Right.MONEY) else None
    st.subheader(_("Visit by visit"))
    widgets.show_html(ledger_html(desk, recovery, prices))
    if prices is None:
        return
    costs = [cost_of(each, prices) for visit in recovery.visits for each in visit.treatments]
    known = [each for each in costs if each is not None]
    if known:
        missing = len(costs) - len(known)
        more = f" ({_('{count} without a price', count=missing)})" if missing else ""
        say = _("Chemicals so far: {cost}", cost=f"<b>{_money(sum(known), prices)}</b>")
        widgets.show_html(f'<p class="tb-quiet">{say}{more}</p>')
    elif costs:
        say = _("No cost: no price is set for what was poured.")
        widgets.show_html(f'<p class="tb-quiet">{say}</p>')


def ledger_html(desk: Desk, recovery: Recovery, prices: PriceList | None) -> str:
    """Return the table, newest visit first; without prices there is no column of costs."""
    read = (_(words.ANALYTE_SHORT[each]) for each in FIRST_READ)
    heads = [_("Visit"), _("Water"), *read, _("Other readings"), _("Poured")]
    heads += [*([_("Cost")] if prices is not None else []), _("Done")]
    head = "".join(f'<th scope="col">{escape(each)}</th>' for each in heads)
    rows = "".join(_row_html(desk, visit, prices) for visit in reversed(recovery.visits))
    return (
        f'<div class="tb-ledger" role="region" aria-label="{escape(_("Visit by visit"))}" tabindex="0"><table>'
        f"<thead><tr>{head}</tr></thead><tbody>{rows}</tbody></table></div>"
    )


def _row_html(desk: Desk, visit: Visit, prices: PriceList | None) -> str:
    """Return one visit's row."""
    when = words.begin(words.when_say(desk.local(visit.at), desk.local(desk.now), us=desk.us))
    who = f"<small>{escape(visit.by)}</small>" if visit.by else ""
    read = {each.analyte: each for each in visit.readings}
    own = [
        escape(units.reading_say(read[name].value, read[name].unit, desk.units)) if name in read else ""
        for name in FIRST_READ
    ]
    others = [each for each in visit.readings if each.analyte not in FIRST_READ]
    cells = [
        _water_say(desk, visit),
        *own,
        "<br>".join(f"{escape(name)} {escape(value)}" for name, value in widgets.readings_say(others, desk.units)),
        "<br>".join(escape(widgets.poured_say(each, desk.units)) for each in visit.treatments),
    ]
    if prices is not None:
        costs = [cost_of(each, prices) for each in visit.treatments]
        cells.append("<br>".join(escape(_("no price")) if each is None else _money(each, prices) for each in costs))
    cells.append(escape(words.begin(", ".join(_(words.WORK[each]).lower() for each in visit.work))))
    return f'<tr><th scope="row">{escape(when)}{who}</th>{"".join(f"<td>{each}</td>" for each in cells)}</tr>'


def _water_say(desk: Desk, visit: Visit) -> str:
    """Return how the water was, in a few words."""
    water = visit.assessment
    if water is None:
        return escape(_("Not photographed"))
    if not water.usable or water.clarity is None or water.severity is None:
        return escape(_("Photo not usable"))
    depth = units.depth_say(water.visible_depth_m, desk.units)
    spread = units.depth_range_say(water.visible_depth_m, desk.units)
    more = f"<small>{escape(spread)}</small>" if spread else ""
    return f"{escape(depth)}{more}<small>{escape(words.begin(words.grades_say(water)))}</small>"


def _money(amount: float, prices: PriceList) -> str:
    return escape(f"{prices.currency}{amount:,.2f}")
