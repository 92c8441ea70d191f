"""What a recovery is expected to take, as one part of the pool's page: for the office to say before the start.

In: the desk and a recovery. Out: visits, days, method, chemicals, what is in it and what is not, the cautions; money
only for those who may see it.
"""

from __future__ import annotations

from html import escape

import streamlit as st

from app import actions
from app.access import Right
from app.dashboard import widgets, words
from app.dashboard.session import Desk
from app.errors import TurnblueError
from app.records import Chemical, Quote, QuoteLine, Recovery
from app.treatment.trend import water_of


def show(desk: Desk, recovery: Recovery) -> None:
    """Show the quote once the water was measured; open while nothing was poured yet, folded away after."""
    if recovery.closed_at is not None or not any(water_of(each.assessment) for each in recovery.visits):
        return
    begun = any(visit.treatments for visit in recovery.visits)
    with st.expander("Quote, from the first measured visit", expanded=not begun, icon=":material/request_quote:"):
        try:
            quote = actions.quote(desk.log, recovery.id, now=desk.now)
        except TurnblueError as error:
            widgets.show_html(widgets.say_html(error.sentence, error.hint))
            return
        money = desk.actor.may(Right.MONEY)
        widgets.show_html(quote_html(quote, money=money))
        if money:
            st.page_link(desk.pages["prices"], label="Price list", icon=":material/sell:")


def quote_html(quote: Quote, *, money: bool) -> str:
    """Return a quote; without `money` it names no price."""
    span = f"{quote.visits.low:.0f} to {quote.visits.high or quote.visits.mid:.0f}"
    days = f"{quote.days.low:.0f} to {quote.days.high or quote.days.mid:.0f}"
    facts = [("Visits", span), ("Days", days)]
    if money and quote.cost is not None:
        most = quote.cost.high if quote.cost.high is not None else quote.cost.mid
        facts.append(("In all", f"{quote.currency}{quote.cost.low:,.0f} to {quote.currency}{most:,.0f}"))
    missing = ""
    if money and quote.missing_prices:
        named = ", ".join(item_say(each).lower() for each in quote.missing_prices)
        missing = widgets.say_html("No cost yet.", f"The price list lacks: {named}.")
    lines = "".join(f"<li>{_line_html(each, quote.currency, money=money)}</li>" for each in quote.chemicals)
    sources = "".join(f"<li>{escape(each)}</li>" for each in quote.sources)
    return (
        f'<section class="tb-quote" aria-label="Quote">{widgets.facts_html(facts)}'
        f'<p class="tb-quiet">Four times in five it stays within these.</p><p>{escape(quote.method)}</p>{missing}'
        f"<h3>Chemicals</h3><ul>{lines}</ul>"
        f"{widgets.listed_html('In it', quote.includes)}{widgets.listed_html('Not in it', quote.excludes)}"
        f"{widgets.listed_html('What would change it', quote.would_change)}{widgets.cautions_html(quote.cautions)}"
        f"<details><summary>Sources</summary><ul>{sources}</ul></details></section>"
    )


def item_say(item: str) -> str:
    """Return a priced item as words."""
    named = {"visit": "One visit", "start": "The start, once"}
    return named.get(item) or words.CHEMICAL[Chemical(item)]


def _line_html(line: QuoteLine, currency: str, *, money: bool) -> str:
    """Return one chemical, from how much to how much, and its cost."""
    cost = ""
    if money and line.cost_low is not None and line.cost_high is not None:
        cost = f" ({currency}{line.cost_low:,.2f} to {currency}{line.cost_high:,.2f})"
    return f"{escape(words.CHEMICAL[line.chemical])}: {escape(line.say)}{escape(cost)}"
