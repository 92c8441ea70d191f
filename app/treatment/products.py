"""Describes each chemical that can be poured: what it changes, how strong it is, and what it leaves behind.

In: a chemical, its labelled strength and how that is meant. Out: available chlorine, strength after storage, and
the side effects of an amount poured. Figures are from molar masses (IUPAC abridged atomic weights) unless a source
is named.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

from app.records import Chemical, Treatment
from app.treatment.limits import STOCK_TRADE_PCT


class StrengthBasis(StrEnum):
    """What a label's per cent means; the three are different numbers for the same jug."""

    TRADE = "trade"
    WEIGHT_CHLORINE = "weight_chlorine"
    WEIGHT_HYPOCHLORITE = "weight_hypochlorite"


@dataclass(frozen=True)
class Product:
    """One chemical as it is sold.

    Attributes
    ----------
    name : str
        As a tech calls it; generic.
    changes : str
        What it is dosed for: free_chlorine, total_alkalinity, calcium_hardness, cyanuric_acid, or "" (label rate).
    direction : int
        +1 where it raises that, -1 where it lowers it.
    unit : str
        "L" for a liquid, "kg" for powder, granules and tablets.
    mg_per_mg : float
        Active ingredient for 1 mg/L of change in one litre [mg].
    strength_pct : float or None
        Active ingredient assumed where the label's figure is unknown [%].
    cya_per_mg, hardness_per_mg, salt_per_mg : float
        Cyanuric acid, calcium hardness (as CaCO3) and salt (as NaCl) left for each mg of change.
    ph : str
        What it does to pH, in words.
    source : str
        Where the figures come from.
    """

    name: str
    changes: str
    direction: int
    unit: str
    mg_per_mg: float
    strength_pct: float | None
    cya_per_mg: float = 0.0
    hardness_per_mg: float = 0.0
    salt_per_mg: float = 0.0
    ph: str = ""
    source: str = "Molar masses"


_NEAR_NEUTRAL = "lifts pH when poured; it comes back down as the chlorine is used up"

PRODUCTS: dict[Chemical, Product] = {
    Chemical.SODIUM_HYPOCHLORITE: Product(
        "liquid chlorine (sodium hypochlorite)", "free_chlorine", 1, "L", 1.0, 12.5, salt_per_mg=1.648,
        ph=_NEAR_NEUTRAL, source="Trade % x 10 = g/L available chlorine: Indiana 327 IAC 8-3.4-24",
    ),
    Chemical.CALCIUM_HYPOCHLORITE: Product(
        "calcium hypochlorite granules", "free_chlorine", 1, "kg", 1.0, 65.0, hardness_per_mg=0.706, salt_per_mg=0.824,
        ph=_NEAR_NEUTRAL,
    ),
    Chemical.DICHLOR: Product(
        "dichlor granules", "free_chlorine", 1, "kg", 1.0, 55.4, cya_per_mg=0.9103, salt_per_mg=0.824,
        ph="lowers pH a little", source="Molar masses; Wahman & Alexander 2019, Environ. Eng. Sci. 36(3):283",
    ),
    Chemical.TRICHLOR: Product(
        "trichlor", "free_chlorine", 1, "kg", 1.0, 90.0, cya_per_mg=0.6068, salt_per_mg=0.824, ph="lowers pH",
        source="Molar masses; Wahman & Alexander 2019, Environ. Eng. Sci. 36(3):283",
    ),
    Chemical.HYDROCHLORIC_ACID: Product(
        "muriatic acid (hydrochloric acid)", "total_alkalinity", -1, "L", 0.7285, 31.45, salt_per_mg=1.168,
        ph="lowers pH",
    ),
    Chemical.SODIUM_BISULFATE: Product(
        "dry acid (sodium bisulfate)", "total_alkalinity", -1, "kg", 2.399, 93.0, ph="lowers pH; leaves sulfate",
    ),
    Chemical.SODIUM_BICARBONATE: Product(
        "baking soda (sodium bicarbonate)", "total_alkalinity", 1, "kg", 1.6787, 100.0, ph="moves pH towards 8.3",
    ),
    Chemical.SODIUM_CARBONATE: Product(
        "soda ash (sodium carbonate)", "total_alkalinity", 1, "kg", 1.0590, 100.0, ph="raises pH",
    ),
    Chemical.CALCIUM_CHLORIDE: Product(
        "calcium chloride", "calcium_hardness", 1, "kg", 1.1088, 77.0, salt_per_mg=1.168,
    ),
    Chemical.CYANURIC_ACID: Product(
        "cyanuric acid (stabiliser)", "cyanuric_acid", 1, "kg", 1.0, 100.0, ph="lowers pH a little",
    ),
    Chemical.SODIUM_THIOSULFATE: Product(
        "sodium thiosulfate", "free_chlorine", -1, "kg", 1.9, 100.0, ph="lowers pH",
        source="AWWA Field Guide Table 7-2, 1.9 mg for 1 mg of chlorine at pH 7, by way of an excerpt",
    ),
    Chemical.SODIUM_BROMIDE: Product("sodium bromide algaecide", "", 1, "L", 0.0, None, source="label rate"),
    Chemical.COPPER_ALGAECIDE: Product("copper algaecide", "", 1, "L", 0.0, None, source="label rate"),
    Chemical.FLOCCULANT: Product("flocculant", "", 1, "L", 0.0, None, source="label rate"),
    Chemical.CLARIFIER: Product("clarifier", "", 1, "L", 0.0, None, source="label rate"),
}  # fmt: skip
"""What each chemical is and does. Default strengths are usual labels, from memory; 12.5 is common practice."""

ACID_KG_PER_L = 1.16
"""Density of muriatic acid of 31.45 % [kg/L]. From memory; NY 10 NYCRR 6-1.30's pint rule agrees with it."""

THIOSULFATE_RANGE = (0.875, 7.001)
"""Sodium thiosulfate pentahydrate for 1 mg of chlorine, to sulfate and to tetrathionate: which one happens depends
on pH and mixing, so one exact dose cannot be given. Stoichiometry."""

HYPOCHLORITE_PER_CHLORINE = 1.05
"""Mass of NaOCl for one of available chlorine. Source: White, Handbook of Chlorination (1972), by way of a supplier's
sheet; 74.44 / 70.91 by molar masses."""

GRAVITY_PER_TRADE_PCT = 0.16 / 12.5
"""Specific gravity gained for each trade %: a straight line from water through 1.16 at 12.5. The point is the source
of `HYPOCHLORITE_PER_CHLORINE`; the line between is our own."""

HALF_LIFE_10_PCT_25_C_DAYS = 220.0
"""Half-life of 10 % liquid chlorine at 25 deg C [days]. From memory of a widely reprinted table; stock with metals in
it, or in the sun, goes off faster."""

DECAY_OVER_R_K = 11_750.0
"""Activation energy over the gas constant [K], from 220 days at 25 deg C and 3.5 at 60 in the same table; it gives 15
deg C to 8 %. From memory."""


def trade_pct(strength_pct: float, basis: StrengthBasis = StrengthBasis.TRADE) -> float:
    """Turn a labelled strength of liquid chlorine into trade % (10 g/L of available chlorine each).

    Parameters
    ----------
    strength_pct : float
        The label's figure, above 0 and at most 25 [%].
    basis : StrengthBasis, optional
        What the figure means: trade %, % by weight as chlorine, or % by weight as sodium hypochlorite.

    Raises
    ------
    ValueError
        If `strength_pct` is not above 0 and at most 25.

    References
    ----------
    White, Handbook of Chlorination (1972), by way of a supplier's sheet: wt % Cl2 = trade % / SG.

    Examples
    --------
    >>> round(trade_pct(10.78, StrengthBasis.WEIGHT_CHLORINE), 1), trade_pct(12.5)
    (12.5, 12.5)
    """
    if not 0 < strength_pct <= 25:
        raise ValueError(f"strength_pct must be above 0 and at most 25 for liquid chlorine, got {strength_pct!r}")
    if basis == StrengthBasis.TRADE:
        return strength_pct
    by_weight = strength_pct
    if basis == StrengthBasis.WEIGHT_HYPOCHLORITE:
        by_weight = strength_pct / HYPOCHLORITE_PER_CHLORINE
    # trade = weight x SG and SG = 1 + g trade, so trade = weight / (1 - g weight).
    return by_weight / (1 - GRAVITY_PER_TRADE_PCT * by_weight)


def aged_trade_pct(fresh_trade_pct: float, *, age_days: float, storage_c: float = 25.0) -> float:
    """Compute what is left of liquid chlorine after storage [trade %].

    Second order in strength, so strong stock goes off faster: C = C0 / (1 + k C0 t), with k by Arrhenius.

    Parameters
    ----------
    fresh_trade_pct : float
        Strength when made [trade %].
    age_days : float
        Time since then, 0 or more [days].
    storage_c : float, optional
        Storage temperature, 0 to 60 [deg C].

    Raises
    ------
    ValueError
        If the age is negative or the temperature out of range.

    Examples
    --------
    >>> round(aged_trade_pct(10.0, age_days=220, storage_c=25.0), 2)
    5.0
    """
    if not (math.isfinite(age_days) and age_days >= 0):
        raise ValueError(f"age_days must be 0 or more, got {age_days!r}")
    if not 0 <= storage_c <= 60:
        raise ValueError(f"storage_c must be 0 to 60, got {storage_c!r}")
    k_25 = 1 / (HALF_LIFE_10_PCT_25_C_DAYS * 10.0)
    k = k_25 * math.exp(DECAY_OVER_R_K * (1 / 298.15 - 1 / (storage_c + 273.15)))
    return fresh_trade_pct / (1 + k * fresh_trade_pct * age_days)


@dataclass(frozen=True)
class SideEffects:
    """What an amount poured changes in the water [mg/L]; hardness and alkalinity as CaCO3, salt as NaCl."""

    free_chlorine_mg_l: float = 0.0
    total_alkalinity_mg_l: float = 0.0
    calcium_hardness_mg_l: float = 0.0
    cyanuric_acid_mg_l: float = 0.0
    salt_mg_l: float = 0.0
    ph: str = ""


def effects(chemical: Chemical, amount: float, *, volume_l: float, strength_pct: float | None = None) -> SideEffects:
    """Compute everything an amount poured changes in the water, the wanted and the unwanted.

    Parameters
    ----------
    chemical : Chemical
        What was poured.
    amount : float
        How much, in the product's unit: L for a liquid, kg for the rest.
    volume_l : float
        The pool's volume, above 0 [L].
    strength_pct : float, optional
        As labelled, trade % for liquid chlorine; the product's usual strength where missing.

    Raises
    ------
    ValueError
        If the amount is negative or the volume not above 0.

    Examples
    --------
    >>> round(effects(Chemical.TRICHLOR, 1.0, volume_l=90_000.0).cyanuric_acid_mg_l, 2)
    6.07
    """
    product = PRODUCTS[chemical]
    if not (math.isfinite(amount) and amount >= 0):
        raise ValueError(f"amount must be a finite number, 0 or more, got {amount!r}")
    if not (math.isfinite(volume_l) and volume_l > 0):
        raise ValueError(f"volume_l must be above 0, got {volume_l!r}")
    if not product.changes:
        return SideEffects()
    strength = strength_pct or product.strength_pct
    change = amount * active_g(chemical, strength or 0.0) * 1000 / volume_l / product.mg_per_mg
    wanted = product.direction * change
    return SideEffects(
        free_chlorine_mg_l=wanted if product.changes == "free_chlorine" else 0.0,
        total_alkalinity_mg_l=wanted if product.changes == "total_alkalinity" else 0.0,
        calcium_hardness_mg_l=wanted if product.changes == "calcium_hardness" else product.hardness_per_mg * change,
        cyanuric_acid_mg_l=wanted if product.changes == "cyanuric_acid" else product.cya_per_mg * change,
        salt_mg_l=product.salt_per_mg * change,
        ph=product.ph,
    )


def active_g(chemical: Chemical, strength_pct: float) -> float:
    """Return grams of active ingredient in one L or one kg of a product of this strength.

    Raises
    ------
    ValueError
        If the strength is not above 0 and at most 100 %.
    """
    if not 0 < strength_pct <= 100:
        raise ValueError(f"strength_pct must be above 0 and at most 100, got {strength_pct!r}")
    if chemical == Chemical.HYDROCHLORIC_ACID:
        return strength_pct * 10 * ACID_KG_PER_L
    return strength_pct * 10


def chlorine_poured_mg_l(treatment: Treatment, volume_l: float) -> float:
    """Compute the free chlorine that a logged treatment brought to the water, 0 for other chemicals [mg/L].

    Examples
    --------
    >>> round(chlorine_poured_mg_l(Treatment(Chemical.SODIUM_HYPOCHLORITE, 30.283, "L", 12.5), 56_781.0), 1)
    66.7
    """
    amount = treatment.amount
    if treatment.unit == "kg" and PRODUCTS[treatment.chemical].unit == "L":
        amount /= 1 + GRAVITY_PER_TRADE_PCT * (treatment.strength_pct or STOCK_TRADE_PCT)
    found = effects(treatment.chemical, amount, volume_l=volume_l, strength_pct=treatment.strength_pct)
    return max(found.free_chlorine_mg_l, 0.0)
