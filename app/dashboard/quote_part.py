"""What a recovery is expected to take, as one part of the pool's page: for the office to say before the start.

In: the desk and a recovery. Out: visits, days, method, chemicals, what is in it and what is not, the cautions; money
only for those who may see it.
"""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

import streamlit as st

from app import actions
from app.access import Right
from app.dashboard import widgets, words
from app.dashboard.session import Desk
from app.dashboard.speech import _
from app.errors import TurnblueError
from app.records import Chemical, Quote, QuoteLine, Recovery
from app.treatment.trend import water_of


def show(desk: Desk, recovery: Recovery) -> None:
    """Show the quote once the water was measured; open while nothing was poured yet, folded away after."""
    if recovery.closed_at is not None or not any(water_of(each.assessment) for each in recovery.visits):
        return
    begun = any(visit.treatments for visit in recovery.visits)
    with st.expander(_("Quote, from the first measured visit"), expanded=not begun, icon=":material/request_quote:"):
        try:
            quote = actions.quote(desk.log, recovery.id, now=desk.now)
        except TurnblueError as error:
            widgets.show_html(widgets.say_html(_(error.sentence), _(error.hint)))
            return
        money = desk.actor.may(Right.MONEY)
        widgets.show_html(quote_html(quote, money=money))
        if money:
            st.page_link(desk.pages["prices"], label=_("Price list"), icon=":material/sell:")


def quote_html(quote: Quote, *, money: bool) -> str:
    """Return a quote; without `money` it names no price."""
    span = _("{low} to {high}", low=f"{quote.visits.low:.0f}", high=f"{quote.visits.high or quote.visits.mid:.0f}")
    days = _("{low} to {high}", low=f"{quote.days.low:.0f}", high=f"{quote.days.high or quote.days.mid:.0f}")
    facts = [(_("Visits"), span), (_("Days"), days)]
    if money and quote.cost is not None:
        most = quote.cost.high if quote.cost.high is not None else quote.cost.mid
        low, high = f"{quote.currency}{quote.cost.low:,.0f}", f"{quote.currency}{most:,.0f}"
        facts.append((_("In all"), _("{low} to {high}", low=low, high=high)))
    missing = ""
    if money and quote.missing_prices:
        named = ", ".join(item_say(each).lower() for each in quote.missing_prices)
        missing = widgets.say_html(_("No cost yet."), _("The price list lacks: {items}.", items=named))
    lines = "".join(f"<li>{_line_html(each, quote.currency, money=money)}</li>" for each in quote.chemicals)
    sources = "".join(f"<li>{escape(each)}</li>" for each in quote.sources)
    return (
        f'<section class="tb-quote" aria-label="{escape(_("Quote"))}">{widgets.facts_html(facts)}'
        f'<p class="tb-quiet">{escape(_("Four times in five it stays within these."))}</p>'
        f"<p>{escape(_(quote.method))}</p>{missing}<h3>{escape(_('Chemicals'))}</h3><ul>{lines}</ul>"
        f"{_listed(_('In it'), quote.includes)}{_listed(_('Not in it'), quote.excludes)}"
        f"{_listed(_('What would change it'), quote.would_change)}{widgets.cautions_html(quote.cautions)}"
        f"<details><summary>{escape(_('Sources'))}</summary><ul>{sources}</ul></details></section>"
    )


def _listed(title: str, sentences: Sequence[str]) -> str:
    """Return sentences of the quote as a list under a title."""
    return widgets.listed_html(title, [_(each) for each in sentences])


def item_say(item: str) -> str:
    """Return a priced item as words."""
    named = {"visit": _("One visit"), "start": _("The start, once")}
    return named.get(item) or _(words.CHEMICAL[Chemical(item)])


def _line_html(line: QuoteLine, currency: str, *, money: bool) -> str:
    """Return one chemical, from how much to how much, and its cost."""
    cost = ""
    if money and line.cost_low is not None and line.cost_high is not None:
        low, high = f"{currency}{line.cost_low:,.2f}", f"{currency}{line.cost_high:,.2f}"
        cost = f" ({_('{low} to {high}', low=low, high=high)})"
    return f"{escape(_(words.CHEMICAL[line.chemical]))}: {escape(_(line.say))}{escape(cost)}"
