"""Says what a dose costs by the company's own price list.

In: a `Dose`, a `PriceList`. Out: the dose with its cost, or as it was where the list has no price for it.
"""

from __future__ import annotations

import math
from dataclasses import replace

from app.errors import TurnblueError
from app.records import Chemical, Dose, Price, PriceList
from app.treatment.products import PRODUCTS
from vision.results import Interval

OTHER_ITEMS = ("visit", "start")
"""What the list may price besides chemicals: one visit, and a flat fee for the start."""


class NoPrice(TurnblueError):
    """A price was given that cannot be one."""

    code = "no_price"


def unit_price(prices: PriceList | None, item: str, unit: str) -> float | None:
    """Return what one L, one kg or one of an item costs; None where the list has no price for it in that unit."""
    for price in prices.prices if prices else ():
        if price.item == item and price.unit == unit and price.per_amount > 0:
            return price.price / price.per_amount
    return None


def with_cost(dose: Dose, prices: PriceList | None) -> Dose:
    """Return the dose with the cost of its low end, its amount and its high end, where the list prices it."""
    each = unit_price(prices, dose.chemical.value, dose.unit)
    if each is None or prices is None:
        return dose
    cost = Interval(*(round(amount * each, 2) for amount in (dose.low, dose.amount, dose.high)))
    return replace(dose, cost=cost, currency=prices.currency)


def set_price(prices: PriceList, item: str, price: float, *, per_amount: float = 1.0, unit: str = "") -> PriceList:
    """Return the list with one price set; a price of 0 for 0 takes the item off.

    Parameters
    ----------
    item : str
        A chemical's name, "visit" or "start".
    price : float
        In the list's currency.
    per_amount, unit : float, str
        For how much: litres or kilograms of a chemical as it is poured, 1 and "" for a visit.

    Raises
    ------
    NoPrice
        If the item is unknown, a number cannot be, or the unit is not the one it is poured in.
    """
    units = {**{each.value: PRODUCTS[each].unit for each in Chemical}, **dict.fromkeys(OTHER_ITEMS, "")}
    if item not in units:
        raise NoPrice(f"There is no item {item!r} to price.", f"Use a chemical's name, or {' or '.join(OTHER_ITEMS)}.")
    if unit != units[item]:
        wanted = {"L": "a volume, as 1gal or 5L", "kg": "a weight, as 50lb or 10kg", "": "no amount"}[units[item]]
        raise NoPrice(f"{item.replace('_', ' ').capitalize()} is priced by {wanted}.", "Type the price that way.")
    if not all(math.isfinite(each) and each >= 0 for each in (price, per_amount)) or (per_amount == 0) != (price == 0):
        raise NoPrice("This price cannot be.", "Type a price of 0 or more for an amount above 0.")
    kept = tuple(each for each in prices.prices if each.item != item)
    added = (Price(item, price, per_amount, unit),) if per_amount > 0 else ()
    return PriceList(prices.currency, tuple(sorted((*kept, *added), key=lambda each: each.item)))
