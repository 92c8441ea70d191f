"""The company's price list: of each chemical as it is poured, of a visit, of the start."""

from __future__ import annotations

from dataclasses import replace
from html import escape

import streamlit as st

from app import actions
from app.dashboard import widgets
from app.dashboard.quote_part import item_say
from app.dashboard.session import Desk
from app.dashboard.speech import _
from app.errors import TurnblueError
from app.records import Chemical, PriceList
from app.treatment.prices import OTHER_ITEMS
from app.treatment.products import PRODUCTS
from app.treatment.units import read_amount, say_amount

USUAL = {("L", "us"): "1 gal", ("L", "metric"): "1 L", ("kg", "us"): "1 lb", ("kg", "metric"): "1 kg"}
"""How much of a chemical a price is usually said for, by what it is poured in and the company's units."""


def show(desk: Desk) -> None:
    """Show the list, and set or take away one price."""
    st.title(_("Prices"))
    prices = actions.price_list(desk.log)
    with st.container(key="tb-text"):
        if prices.prices:
            widgets.show_html(prices_html(prices, desk))
        else:
            widgets.show_html(
                widgets.say_html(
                    _("No price is set yet."), _("Quotes and doses show a cost once what they need is priced here.")
                )
            )
        set_one(desk, prices)
        set_currency(desk, prices)


def prices_html(prices: PriceList, desk: Desk) -> str:
    """Return the list as a table."""
    rows = "".join(
        f'<tr><th scope="row">{escape(item_say(each.item))}</th>'
        f"<td>{escape(f'{prices.currency}{each.price:,.2f}')}</td>"
        f"<td>{escape(say_amount(each.per_amount, each.unit, desk.units.name) if each.unit else _('each'))}</td></tr>"
        for each in prices.prices
    )
    return (
        f'<div class="tb-ledger" role="region" aria-label="{_("Price list")}" tabindex="0"><table><thead><tr>'
        f'<th scope="col">{_("Item")}</th><th scope="col">{_("Price")}</th><th scope="col">{_("For")}</th></tr></thead>'
        f"<tbody>{rows}</tbody></table></div>"
    )


def set_one(desk: Desk, prices: PriceList) -> None:
    """Ask for one item's price and save it; a priced one can be taken off the list."""
    st.subheader(_("Set a price"))
    items = [*(each.value for each in Chemical), *OTHER_ITEMS]
    item = st.selectbox(_("Item"), items, format_func=item_say, key="price-item") or items[0]
    known = next((each for each in prices.prices if each.item == item), None)
    unit = PRODUCTS[Chemical(item)].unit if item not in OTHER_ITEMS else ""
    price = st.number_input(
        _("Price, {currency}", currency=prices.currency),
        min_value=0.0,
        value=None if known is None else known.price,
        step=0.5,
        format="%.2f",
        key=f"price-of-{item}",
    )
    amount = ""
    if unit:
        shown = USUAL[unit, desk.units.name]
        if known is not None:
            shown = say_amount(known.per_amount, known.unit, desk.units.name)
        amount = st.text_input(_("For how much (1 gal, 50 lb, 5 L)"), value=shown, key=f"price-for-{item}")
    if st.button(_("Save the price"), type="primary", width="stretch"):
        if price is None or price <= 0:
            widgets.show_html(widgets.say_html(_("There is no price yet."), _("Type one above 0."), act=True))
            return
        save(desk, item, price, amount)
    if known is not None and st.button(_("Take {item} off the list", item=item_say(item)), width="stretch"):
        actions.set_price(desk.log, item, 0.0, per_amount=0.0, unit=known.unit, at=desk.now)
        st.rerun()


def save(desk: Desk, item: str, price: float, amount: str) -> None:
    """Save a price for an amount as typed, or say what is wrong with it."""
    per_amount, unit = 1.0, ""
    try:
        if amount:
            per_amount, unit = read_amount(amount)
        actions.set_price(desk.log, item, price, per_amount=per_amount, unit=unit, at=desk.now)
    except ValueError:
        widgets.show_html(
            widgets.say_html(_("This amount cannot be read."), _("Write it as 1 gal, 50 lb or 5 L."), act=True)
        )
        return
    except TurnblueError as error:
        widgets.show_html(widgets.refusal_html(error))
        return
    st.rerun()


def set_currency(desk: Desk, prices: PriceList) -> None:
    """Ask for the currency, as it stands before an amount."""
    typed = st.text_input(_("Currency, as it stands before an amount"), value=prices.currency, max_chars=4)
    if typed.strip() and typed.strip() != prices.currency:
        actions.save_price_list(desk.log, replace(prices, currency=typed.strip()), at=desk.now)
        st.rerun()
