"""Computes how much of one chemical makes one change in one pool, and spells the arithmetic out.

In: a chemical, the pool's volume in L, the change wanted in mg/L (or a label rate), the strength on the label. Out: a
`Dose` in L or kg with its range, the amount as a tech pours it, the calculation in one line, side effects, cautions and
sources. `dose_for` is the one entry for the command and the page; the others are what the plan asks for.
Long because every refusal is a sentence and every dose spells itself out; one formula serves all chemicals.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from app.errors import TurnblueError
from app.records import Chemical, Dose
from app.treatment import cautions, limits
from app.treatment.chemistry import alkalinity_to_reach_ph
from app.treatment.products import (
    PRODUCTS,
    THIOSULFATE_RANGE,
    StrengthBasis,
    active_g,
    aged_trade_pct,
    effects,
    trade_pct,
)
from app.treatment.units import (
    L_PER_GAL,
    check_units,
    gallons,
    litres,
    pounds,
    say_amount,
    say_concentration,
    say_pool_volume,
)
from app.words import mark, said, said_list, said_several
from vision.results import Severity

VOLUME_DOUBT = 0.10
"""Share by which a pool's volume, and so a dose, may be off either way. Our own choice."""

LARGEST_POOL_L = 5_000_000.0
"""Largest pool believed: a 50 m pool holds about half of this [L]. Our own choice, against a slipped digit."""


class CannotDose(TurnblueError):
    """A dose was asked for that cannot be computed from what was given."""

    code = "cannot_dose"


@dataclass(frozen=True)
class LabelRate:
    """A product's own rate as its label prints it: `amount` ("L" or "kg" by `unit`) for `per_volume_l` of pool."""

    amount: float
    unit: str
    per_volume_l: float


def dose_for(
    chemical: Chemical,
    *,
    volume_l: float,
    change_mg_l: float | None = None,
    most_mg_l: float | None = None,
    label_rate: LabelRate | None = None,
    strength_pct: float | None = None,
    basis: StrengthBasis = StrengthBasis.TRADE,
    age_days: float = 0.0,
    storage_c: float = 25.0,
    volume_doubt: float = VOLUME_DOUBT,
    units: str = "us",
) -> Dose:
    """Compute the dose of one chemical for one change in one pool.

    Parameters
    ----------
    chemical : Chemical
        What is poured.
    volume_l : float
        The pool's volume [L].
    change_mg_l : float, optional
        By how much, always above 0 [mg/L]: free chlorine up (the chlorines) or down (thiosulfate), total alkalinity up
        (bicarbonate, carbonate) or down (the acids) as CaCO3, calcium hardness up as CaCO3, or cyanuric acid up.
        Not for chemicals dosed by label.
    most_mg_l : float, optional
        Upper end of the sensible change [mg/L]; without it the range is the pool volume's doubt of 10 %.
    label_rate : LabelRate, optional
        Needed for copper algaecide, flocculant and clarifier; for sodium bromide 16 fl oz for 15,000 gal (common
        practice) where missing.
    strength_pct : float, optional
        As labelled [%]; the product's usual strength where missing, and the arithmetic says so.
    basis : StrengthBasis, optional
        What the figure means for liquid chlorine: "trade" (default), "weight_chlorine" or "weight_hypochlorite".
    age_days, storage_c : float, optional
        Liquid chlorine only: days since it was made and storage temperature [deg C].
    volume_doubt : float, optional
        Share by which the volume may be off either way, 0 to 0.5; `low` and `high` follow from it.
    units : str, optional
        "us" or "metric", for `say` and `arithmetic`; `amount`, `low` and `high` are always L or kg.

    Returns
    -------
    Dose
        `amount` is exact, `say` is rounded to what can be poured.

    Raises
    ------
    CannotDose
        If the volume, change, strength or label rate is missing or impossible; the sentence says which, the hint what
        to do.
    ValueError
        If `units` is unknown.

    Notes
    -----
    No cap is applied here but the one on belief: this is arithmetic. `clearing_dose` keeps to the daily cap.

    Examples
    --------
    >>> dose_for(Chemical.SODIUM_HYPOCHLORITE, volume_l=56_781.2, change_mg_l=10.0).say
    '1.25 gal'
    """
    check_units(units)
    _check_volume(volume_l)
    if not 0 <= volume_doubt <= 0.5:
        raise CannotDose("The doubt about the volume cannot be.", "Give it between 0 and 50 %, or measure the pool.")
    product = PRODUCTS[chemical]
    if not product.changes:
        return _by_label(chemical, volume_l=volume_l, label_rate=label_rate, units=units)
    change = _check_change(chemical, change_mg_l, most_mg_l)
    strength, notes = _strength(chemical, strength_pct, basis, age_days, storage_c)
    amount = _amount(chemical, volume_l, change, strength)
    low, high = amount * (1 - volume_doubt), amount * (1 + volume_doubt)
    if most_mg_l is not None:
        low, high = amount, _amount(chemical, volume_l, most_mg_l, strength)
    if chemical == Chemical.SODIUM_THIOSULFATE:
        low, high = (amount * each / product.mg_per_mg for each in THIOSULFATE_RANGE)
        half = mark("Half of it first: how much it takes depends on the water, by a factor of 8. Then test again.")
        notes.append(half)
    if volume_doubt != VOLUME_DOUBT and most_mg_l is None:
        notes.append(
            said(
                "The volume may be off by {percent} either way: {low} to {high}.",
                percent=f"{volume_doubt:.0%}",
                low=say_amount(low, product.unit, units),
                high=say_amount(high, product.unit, units),
            )
        )
    warned = cautions.of_chemical(chemical)
    return Dose(
        chemical=chemical,
        strength_pct=strength,
        amount=amount,
        unit=product.unit,
        low=low,
        high=high,
        say=say_amount(amount, product.unit, units),
        arithmetic=said_list([_arithmetic(chemical, volume_l, change, strength, units), *notes], joint=" "),
        cautions=cautions.say_all(warned),
        sources=tuple(dict.fromkeys((product.source, *cautions.sources_of(warned)))),
        side_effects=_side_effects(chemical, amount, volume_l, strength, units),
    )


def clearing_dose(
    severity: Severity,
    floor_seen: bool,
    *,
    volume_l: float,
    free_chlorine_mg_l: float = 0.0,
    poured_today_mg_l: float = 0.0,
    at_least_to_mg_l: float = 0.0,
    strength_pct: float | None = None,
    units: str = "us",
) -> Dose | None:
    """Compute the liquid chlorine that this water takes, within the daily cap; None where it takes none.

    Parameters
    ----------
    severity : Severity
        How green the water is.
    floor_seen : bool
        Whether the deepest floor is seen.
    volume_l : float
        The pool's volume [L].
    free_chlorine_mg_l : float, optional
        Free chlorine in the water now: that much less is poured [mg/L].
    poured_today_mg_l : float, optional
        Free chlorine already poured within a day: it counts against the dose and the cap [mg/L].
    at_least_to_mg_l : float, optional
        Free chlorine to reach in any case, as on a second day [mg/L].
    strength_pct : float, optional
        The stock's trade %; 12.5 is assumed where missing, and the arithmetic says so.
    units : str, optional
        "us" or "metric".

    Raises
    ------
    CannotDose
        If the volume or strength is impossible.

    Examples
    --------
    >>> clearing_dose(Severity.HEAVY, False, volume_l=56_781.2).say
    '8 gal'
    """
    _check_volume(volume_l)
    wanted = max(wanted_raise_mg_l(severity, floor_seen), at_least_to_mg_l)
    # What is in the water and what went in today both count: neither is poured twice.
    in_already = max(free_chlorine_mg_l, poured_today_mg_l)
    room = limits.MAX_RAISE_MG_L - max(poured_today_mg_l, 0.0)
    change = min(wanted - in_already, room)
    if change < limits.COUNTS_AS_DOSE_MG_L:
        return None
    most = max(min(wanted * limits.RANGE_UP - in_already, room), change)
    dose = dose_for(
        Chemical.SODIUM_HYPOCHLORITE,
        volume_l=volume_l,
        change_mg_l=change,
        most_mg_l=most,
        strength_pct=strength_pct,
        units=units,
    )
    low = dose.low
    if at_least_to_mg_l > in_already:
        # On a second day common practice asks for no more than this; the table asks for more where it is greener.
        low = min(low, dose.amount * (at_least_to_mg_l - in_already) / change)
    return replace(dose, low=low, sources=(*dose.sources, "Amount by how green it is: " + limits.OUR_OWN))


def wanted_raise_mg_l(severity: Severity, floor_seen: bool) -> float:
    """Return the free chlorine that water this green takes at first [mg/L], from `limits.DOSE_GAL_PER_15000`.

    Examples
    --------
    >>> round(wanted_raise_mg_l(Severity.HEAVY, False), 1)
    66.7
    """
    seen, not_seen = limits.DOSE_GAL_PER_15000[severity]
    return limits.raise_mg_l(seen if floor_seen else not_seen, 15_000)


@dataclass(frozen=True)
class SplitDose:
    """A clearing dose of which a part is poured as granules instead, in another round.

    `bags` is the common count, one for a gallon replaced; `granules` is the weight that really replaces it.
    """

    liquid: Dose
    granules: Dose
    bags: int
    say: str


def split_with_granules(
    dose: Dose, *, volume_l: float, granules_pct: float | None = None, units: str = "us"
) -> SplitDose:
    """Split a dose of liquid chlorine: half of it liquid, half as calcium hypochlorite granules.

    Common practice, no source: 4 gal and 4 bags do the work of 8 gal. Bags differ, so the weight is given beside them.

    Raises
    ------
    ValueError
        If `dose` is not liquid chlorine.

    Examples
    --------
    >>> heavy = clearing_dose(Severity.HEAVY, False, volume_l=56_781.2)
    >>> split_with_granules(heavy, volume_l=56_781.2).say
    '4 gal and 4 bags (6 lb 8 oz of granules of 65 %)'
    """
    if dose.chemical != Chemical.SODIUM_HYPOCHLORITE or dose.strength_pct is None:
        raise ValueError(f"dose must be sodium hypochlorite, got {dose.chemical!r}")
    half_mg_l = dose.amount / 2 * active_g(dose.chemical, dose.strength_pct) * 1000 / volume_l
    liquid = dose_for(
        dose.chemical, volume_l=volume_l, change_mg_l=half_mg_l, strength_pct=dose.strength_pct, units=units
    )
    granules = dose_for(
        Chemical.CALCIUM_HYPOCHLORITE, volume_l=volume_l, change_mg_l=half_mg_l, strength_pct=granules_pct, units=units
    )
    bags = max(1, round(gallons(liquid.amount) * dose.strength_pct / limits.STOCK_TRADE_PCT))
    say = said_several(
        "{liquid} and {count} bag ({granules} of granules of {percent} %)",
        "{liquid} and {count} bags ({granules} of granules of {percent} %)",
        bags,
        liquid=liquid.say,
        granules=granules.say,
        percent=f"{granules.strength_pct:g}",
    )
    return SplitDose(liquid, granules, bags, say)


def ph_dose(
    chemical: Chemical,
    *,
    volume_l: float,
    ph_from: float,
    ph_to: float,
    total_alkalinity_mg_l: float,
    cyanuric_acid_mg_l: float = 0.0,
    temperature_c: float = 25.0,
    strength_pct: float | None = None,
    units: str = "us",
) -> Dose:
    """Compute the acid or soda ash for a pH change, acid in one go no more than the limit.

    Parameters
    ----------
    chemical : Chemical
        Hydrochloric acid or sodium bisulfate to lower pH, sodium carbonate to raise it.
    volume_l, ph_from, ph_to, total_alkalinity_mg_l, cyanuric_acid_mg_l, temperature_c
        Pool volume [L] and what `chemistry.alkalinity_to_reach_ph` takes.
    strength_pct : float, optional
        As labelled [%].
    units : str, optional
        "us" or "metric".

    Raises
    ------
    CannotDose
        If the chemical moves pH the other way, or the readings do not fit together.
    """
    lowers = chemical in cautions.ACIDS
    if not (lowers or chemical == Chemical.SODIUM_CARBONATE) or (ph_to < ph_from) != lowers:
        raise CannotDose(
            said(
                "{product} does not take pH from {low} to {high}.",
                product=PRODUCTS[chemical].name,
                low=f"{ph_from:g}",
                high=f"{ph_to:g}",
            ),
            "Use acid to lower pH and soda ash to raise it.",
        )
    try:
        change = alkalinity_to_reach_ph(
            ph_from=ph_from,
            ph_to=ph_to,
            total_alkalinity_mg_l=total_alkalinity_mg_l,
            cyanuric_acid_mg_l=cyanuric_acid_mg_l,
            temperature_c=temperature_c,
            carbon_per_alkalinity=0.0 if lowers else 0.5,
        )
    except ValueError as error:
        raise CannotDose(
            "These readings of pH, alkalinity and cyanuric acid do not fit together.", "Test all three again."
        ) from error
    capped = min(abs(change), limits.ALKALINITY_DROP_MG_L) if lowers else abs(change)
    dose = dose_for(chemical, volume_l=volume_l, change_mg_l=capped, strength_pct=strength_pct, units=units)
    ends = {"low": f"{ph_from:g}", "high": f"{ph_to:g}"}
    note = said("Takes pH from {low} towards {high}.", **ends)
    if capped < abs(change):
        note = said("Takes pH from {low} towards {high}; no more in one go: test again after four hours.", **ends)
    return replace(dose, low=dose.amount / 2, arithmetic=said_list([dose.arithmetic, note], joint=" "))


def _amount(chemical: Chemical, volume_l: float, change_mg_l: float, strength_pct: float) -> float:
    """Return L or kg for the change: volume x change x active mg for each mg, over active g in one L or kg."""
    return volume_l * change_mg_l * PRODUCTS[chemical].mg_per_mg / 1000 / active_g(chemical, strength_pct)


def _by_label(chemical: Chemical, *, volume_l: float, label_rate: LabelRate | None, units: str) -> Dose:
    """Return the dose by the product's own rate."""
    product = PRODUCTS[chemical]
    source = "The product's label, as typed in"
    if label_rate is None:
        if chemical != Chemical.SODIUM_BROMIDE:
            raise CannotDose(
                said("{product} is dosed by its label.", product=product.name.capitalize()),
                "Type the label's rate: so much product for so much water.",
            )
        label_rate = LabelRate(limits.BROMIDE_ML_PER_L / 1000, "L", 1.0)
        source = "16 fl oz for 15,000 gal: " + limits.COMMON_PRACTICE
    if label_rate.unit not in ("L", "kg"):
        raise ValueError(f"label_rate.unit must be 'L' or 'kg', got {label_rate.unit!r}")
    if not all(math.isfinite(each) and each > 0 for each in (label_rate.amount, label_rate.per_volume_l)):
        raise CannotDose("The label's rate must be above zero.", "Read it from the label and type it again.")
    amount = label_rate.amount * volume_l / label_rate.per_volume_l
    shown = litres(15_000) if source.startswith("16") else label_rate.per_volume_l
    warned = cautions.of_chemical(chemical)
    return Dose(
        chemical=chemical,
        strength_pct=None,
        amount=amount,
        unit=label_rate.unit,
        low=amount * (1 - VOLUME_DOUBT),
        high=amount * (1 + VOLUME_DOUBT),
        say=say_amount(amount, label_rate.unit, units),
        arithmetic=said(
            "{rate_amount} for {rate_volume}, so {amount} for {volume}. The label's rate comes first.",
            rate_amount=say_amount(label_rate.amount * shown / label_rate.per_volume_l, label_rate.unit, units),
            rate_volume=say_pool_volume(shown, units),
            amount=say_amount(amount, label_rate.unit, units),
            volume=say_pool_volume(volume_l, units),
        ),
        cautions=cautions.say_all(warned),
        sources=tuple(dict.fromkeys((source, *cautions.sources_of(warned)))),
    )


def _strength(
    chemical: Chemical, strength_pct: float | None, basis: StrengthBasis, age_days: float, storage_c: float
) -> tuple[float, list[str]]:
    """Return the strength to reckon with (trade % for liquid chlorine) and what has to be said about it."""
    product = PRODUCTS[chemical]
    assumed = strength_pct is None
    strength = product.strength_pct if strength_pct is None else strength_pct
    if strength is None or not 0 < strength <= 100:
        raise CannotDose(
            said("A strength of {percent} % cannot be.", percent=f"{strength_pct:g}"),
            "Read the per cent from the label.",
        )
    if chemical != Chemical.SODIUM_HYPOCHLORITE:
        guess = said("Strength not known: {percent} % assumed.", percent=f"{strength:g}")
        return strength, [guess] if assumed and strength < 100 else []
    try:
        fresh = trade_pct(strength, basis)
        left = aged_trade_pct(fresh, age_days=age_days, storage_c=storage_c)
    except ValueError as error:
        raise CannotDose(
            "The strength, age or storage temperature of the liquid chlorine cannot be.",
            "Strength is above 0 and at most 25 %, age 0 days or more, storage 32 to 140 deg F (0 to 60 deg C).",
        ) from error
    notes: list[str] = [mark("Strength not known: 12.5 trade % assumed.")] if assumed else []
    if basis == StrengthBasis.TRADE:
        weight = trade_pct(strength, StrengthBasis.WEIGHT_HYPOCHLORITE)
        notes.append(
            said(
                "{percent} % read as trade % ({grams} g/L available chlorine); if the label means % by weight of "
                "sodium hypochlorite, pour {share} of this.",
                percent=f"{strength:g}",
                grams=f"{strength * 10:g}",
                share=f"{fresh / weight:.0%}",
            )
        )
    else:
        notes.append(
            said("The label's {percent} % by weight is {trade} trade %.", percent=f"{strength:g}", trade=f"{fresh:.1f}")
        )
    if age_days > 0:
        left_say = said("After {days} days about {trade} trade % is left.", days=f"{age_days:g}", trade=f"{left:.1f}")
        notes.append(left_say)
    return left, notes


def _arithmetic(chemical: Chemical, volume_l: float, change_mg_l: float, strength_pct: float, units: str) -> str:
    """Write the calculation as one line, in the units of the person who reads it."""
    product = PRODUCTS[chemical]
    amount = _amount(chemical, volume_l, change_mg_l, strength_pct)
    change = f"{change_mg_l:.4g} {'ppm' if units == 'us' else 'mg/L'}"
    factor = "" if product.mg_per_mg == 1 else f" x {product.mg_per_mg:g}"
    strength = f"{strength_pct:.4g} %"
    if units == "metric":
        per = "1,000,000" if product.unit == "kg" else "1,000"
        active = strength if product.unit == "kg" else f"{active_g(chemical, strength_pct):.4g} g/L"
        return f"{volume_l:,.0f} L x {change}{factor} / {per} / {active} = {amount:.3g} {product.unit}."
    pool_gal = gallons(volume_l)
    if product.unit == "kg":
        return (
            f"{pool_gal:,.0f} gal x 8.345 lb/gal x {change}{factor} / 1,000,000 / {strength} = {pounds(amount):.3g} lb."
        )
    grams = active_g(chemical, strength_pct)
    return said(
        "{volume} gal x {change} / {strength} ppm in the jug ({grams} g/L) = {amount} gal.",
        volume=f"{pool_gal:,.0f}",
        change=f"{change}{factor}",
        strength=f"{grams * 1000:,.0f}",
        grams=f"{grams:.4g}",
        amount=f"{amount / L_PER_GAL:.3g}",
    )


def _side_effects(
    chemical: Chemical, amount: float, volume_l: float, strength_pct: float, units: str
) -> tuple[str, ...]:
    """Say what else the water takes up."""
    found = effects(chemical, amount, volume_l=volume_l, strength_pct=strength_pct)
    changes = PRODUCTS[chemical].changes
    told: list[str] = []
    for name, value, message in (
        ("cyanuric_acid", found.cyanuric_acid_mg_l, mark("adds {amount} cyanuric acid")),
        ("calcium_hardness", found.calcium_hardness_mg_l, mark("adds {amount} calcium hardness")),
        ("salt", found.salt_mg_l, mark("adds {amount} salt")),
    ):
        if name != changes and value >= 0.05:
            told.append(said(message, amount=say_concentration(value, units)))
    if found.ph:
        told.append(found.ph)
    return tuple(told)


def _check_volume(volume_l: float) -> None:
    """Refuse a volume that no pool has."""
    if not (math.isfinite(volume_l) and 0 < volume_l <= LARGEST_POOL_L):
        raise CannotDose(
            "The pool's volume is missing or cannot be.", "Give it in gallons or litres, or compute it from its sides."
        )


def _check_change(chemical: Chemical, change_mg_l: float | None, most_mg_l: float | None) -> float:
    """Refuse a change that is missing, not above zero, or beyond what any water takes."""
    if change_mg_l is None or not (math.isfinite(change_mg_l) and 0 < change_mg_l <= 1000):
        raise CannotDose(
            said(
                "By how much {product} is to change the water is missing or cannot be.", product=PRODUCTS[chemical].name
            ),
            "Give the change as a number above 0, at most 1,000 ppm (mg/L); the chemical itself says up or down.",
        )
    if most_mg_l is not None and not (math.isfinite(most_mg_l) and most_mg_l >= change_mg_l):
        raise CannotDose("The most to pour is less than the dose.", "Give an upper end at or above the change.")
    return change_mg_l
