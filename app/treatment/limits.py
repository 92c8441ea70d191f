"""Holds the figures the advice keeps to: caps, thresholds and rates, each with its source.

In: nothing. Out: constants, and `LIMITS`, the same as a table that can be shown. "Common practice, no source" is what
the trade does; "our own" is a choice of this project; "from memory" was not read again where it comes from.
"""

from __future__ import annotations

from dataclasses import dataclass

from app.treatment.units import KPA_PER_PSI, M_PER_FT, litres
from vision.results import Severity

COMMON_PRACTICE = "common practice, no source"
"""How a fact of the trade without a published source is marked."""

OUR_OWN = "our own choice, anchored on common practice"
"""How a figure chosen by this project is marked."""


@dataclass(frozen=True)
class Limit:
    """One figure: its name, value, unit, what it says, and where it comes from."""

    name: str
    value: float
    unit: str
    say: str
    source: str


STOCK_TRADE_PCT = 12.5
"""Strength assumed for liquid chlorine of unknown strength [trade %]. Common practice, no source."""


def raise_mg_l(stock_gal: float, pool_gal: float, trade_pct: float = STOCK_TRADE_PCT) -> float:
    """Return the free chlorine [mg/L] that `stock_gal` of liquid chlorine adds to `pool_gal` of water.

    Trade % x 10 is g/L of available chlorine (Indiana 327 IAC 8-3.4-24).

    Examples
    --------
    >>> round(raise_mg_l(8, 15_000), 2), round(raise_mg_l(2, 15_000), 2)
    (66.67, 16.67)
    """
    return stock_gal * trade_pct * 10_000 / pool_gal


MAX_RAISE_MG_L = raise_mg_l(10, 15_000)
"""Most free chlorine ever advised in one day [mg/L]: 10 gal of 12.5 % in 15,000 gal, 20 gal in 30,000 gal
(83.3 mg/L). Common practice, no source."""

RANGE_UP = 10 / 8
"""How far a dose may be raised on the tech's judgement: 8 gal, up to 10. Common practice, no source."""

USELESS_SHARE = 0.6
"""A pour below this share of the dose is used up by the organics: 2 gal, or a case of four, where 8 gal are needed
(a half at most). Common practice, no source, for the cases; the share is our own."""

DOSE_GAL_PER_15000: dict[Severity, tuple[float, float]] = {
    Severity.NONE: (0.0, 0.0),
    Severity.TRACE: (1.5, 3.0),
    Severity.LIGHT: (3.0, 5.0),
    Severity.MODERATE: (4.5, 6.5),
    Severity.HEAVY: (6.0, 8.0),
}
"""Gallons of 12.5 % liquid chlorine for 15,000 gal: where the floor is seen, and where it is not. Our own table,
anchored on common practice: heavy with the floor not seen takes 8 gal (up to 10), 2 gal there do nothing, and
every dose lifts free chlorine above 10 mg/L."""

REPEAT_TO_MG_L = 12.5
"""Free chlorine aimed at when it is raised again, so that it is above 10 mg/L [mg/L]. Common practice says above
10; the margin is our own."""

STILL_HIGH_MG_L = 10.0
"""Free chlorine at which more is not added: the last dose is still working [mg/L]. Common practice, no source."""

HELD_MG_L = 3.0
"""Free chlorine that has stood a day in water without green: nothing is left that uses it up, so more would do
nothing [mg/L]. Our own choice, against dosing dead water."""

UPKEEP_MG_L = 4.0
"""Free chlorine that dead, milky water is kept at while it is filtered: what is alive cannot come back [mg/L]. Our own
choice, inside the band for swimming."""

CYA_BLOCKS_MG_L = 150.0
"""Cyanuric acid above which a clearing dose is likely to be held back [mg/L]. Our own choice: at 83 mg/L of free
chlorine, the most of a day, it holds nearly all of it (three-reaction model, Wahman & Alexander 2019)."""

FILTER_ONLY_H = 48.0
"""Time until the next visit where nothing is left but filtering [h]: two days, so that photos can tell clearing from
standing still. Our own choice."""

LAST_DOSE_FRESH_H = 36.0
"""For so long after a clearing dose the water is judged daily [h]: it should be turning by day 3. Our own choice."""

FLOC_CHLORINE_MG_L = 10.0
"""Free chlorine before a flocculant, at most [mg/L]. Common practice, no source."""

BROMIDE_ML_PER_L = 16 * 29.5735295625 / litres(15_000)
"""Sodium bromide product for one litre of pool water [mL]: 16 fl oz for 15,000 gal. Common practice, no source; the
product's label comes first."""

COUNTS_AS_DOSE_MG_L = 5.0
"""A pour that raises free chlorine by less than this is upkeep, not a clearing dose [mg/L]. Our own choice."""

RUN_AFTER_DOSE_H = 24.0
"""Pump running without a break after a dose before the water is judged: 24 to 48 h [h]. Common practice."""

DOSE_GAP_H = 20.0
"""No second clearing dose sooner than this after the first [h]. Our own choice: next-day visits are not to the hour."""

SETTLE_H = 36.0
"""Pump off after a flocculant: 24 to 48 h, so 36 [h]. Common practice, no source."""

SETTLE_LEAST_H = 24.0
"""Least settling time after a flocculant [h]. Common practice, no source."""

SETTLE_MOST_H = 48.0
"""Longest settling time after a flocculant [h]. Common practice, no source."""

STALE_AFTER_H = 72.0
"""A measurement older than this says too little about the water for a dose [h]. Our own choice."""

FLOC_FORGOTTEN_H = 168.0
"""For so long after a flocculant a pump that stands still is taken to be off on purpose [h]. Our own choice."""

VACUUM_SESSIONS = 2
"""Vacuum sessions as a rule: two to three. Common practice, no source."""

FLOC_ROUNDS = 2
"""Rounds of flocculant before another way is tried. Our own choice."""

HELD_IN_VAIN_DAYS = 1.5
"""Days of high chlorine beside algae that live on, after which it is asked what holds it. Our own choice."""

DOSES_BEFORE_DOUBT = 2
"""Clearing doses without improvement after which the cause is looked for before more is poured. Our own choice."""

PRESSURE_RISE_KPA = 8 * KPA_PER_PSI
"""Rise over the clean pressure at which a filter is cleaned: 8 to 10 psi, so 8 [kPa]. From memory; common practice."""

SLUDGE_DRAIN_M = 4 * 0.0254
"""Sludge on the floor above which draining is weighed: more than 3 to 4 inches, so 4 [m]. Common practice."""

DEEP_END_M = 8 * M_PER_FT
"""Deepest water assumed where it was never noted [m]. Our own choice, on the careful side."""

PH_BAND = (7.2, 7.8)
"""Source: CDC Model Aquatic Health Code 5.7.3.4, as reported by a trade magazine; NY 10 NYCRR 6-1.19 and Montana
ARM 37.115.1308 give the same band."""

PH_BELIEVED = (6.0, 9.5)
"""A pH outside this is tested again before anything is poured. Our own choice."""

PH_GOAL = 7.5
"""Middle of `PH_BAND`."""

ALKALINITY_BAND_MG_L = (60.0, 180.0)
"""Source: Pima County AZ, 60 to 180 mg/L as CaCO3; NY 10 NYCRR 6-1.19 has 80 to 120, Montana 60 to 220."""

ALKALINITY_GOAL_MG_L = 90.0
"""Inside New York's 80 to 120 mg/L (10 NYCRR 6-1.19)."""

CYA_LEAST_MG_L = 30.0
"""Lower end of 30 to 50 mg/L outdoors. Source: ANSI standard of 2009 as quoted by the US EPA webinar, 30 Jan 2018."""

CYA_GOAL_MG_L = 40.0
"""Middle of 30 to 50 mg/L; source as `CYA_LEAST_MG_L`."""

CYA_MOST_MG_L = 90.0
"""Source: CDC Model Aquatic Health Code, 90 ppm kept in the 2018 vote, as reported; later editions: check."""

FREE_CHLORINE_BAND_MG_L = (2.0, 10.0)
"""Least with cyanuric acid, and most, for swimming. Source: CDC Model Aquatic Health Code, from memory."""

FREE_CHLORINE_GOAL_MG_L = 4.0
"""Source: ANSI standard of 2009 as quoted by the US EPA webinar, 30 Jan 2018: ideal 2 to 4."""

ALKALINITY_DROP_MG_L = 12.5
"""Most total alkalinity taken out by acid in one go [mg/L as CaCO3]: 1 quart of muriatic acid for 10,000 gal, then
test again. From memory; common practice."""

LIMITS: tuple[Limit, ...] = (
    Limit("max_raise", MAX_RAISE_MG_L, "mg/L", "Most free chlorine added in one day", COMMON_PRACTICE),
    Limit("repeat_to", REPEAT_TO_MG_L, "mg/L", "Free chlorine aimed at when it is raised again", OUR_OWN),
    Limit("still_high", STILL_HIGH_MG_L, "mg/L", "Free chlorine at which no more is added", COMMON_PRACTICE),
    Limit("held", HELD_MG_L, "mg/L", "Free chlorine that shows that nothing is left to kill", OUR_OWN),
    Limit("floc_chlorine", FLOC_CHLORINE_MG_L, "mg/L", "Free chlorine before a flocculant, at most", COMMON_PRACTICE),
    Limit("run_after_dose", RUN_AFTER_DOSE_H, "h", "Pump run after a dose before judging", COMMON_PRACTICE),
    Limit("dose_gap", DOSE_GAP_H, "h", "Least time between two clearing doses", OUR_OWN),
    Limit("upkeep", UPKEEP_MG_L, "mg/L", "Free chlorine kept in dead, milky water", OUR_OWN),
    Limit("cya_blocks", CYA_BLOCKS_MG_L, "mg/L", "Cyanuric acid that holds a dose back", OUR_OWN),
    Limit("filter_only", FILTER_ONLY_H, "h", "Next visit where only filtering is left", OUR_OWN),
    Limit("settle", SETTLE_H, "h", "Pump off after a flocculant", COMMON_PRACTICE),
    Limit("stale_after", STALE_AFTER_H, "h", "Age at which a measurement gives no dose", OUR_OWN),
    Limit("pressure_rise", PRESSURE_RISE_KPA, "kPa", "Rise over clean pressure to clean at", "from memory"),
    Limit("sludge_drain", SLUDGE_DRAIN_M, "m", "Sludge above which draining is weighed", COMMON_PRACTICE),
    Limit("ph_least", PH_BAND[0], "", "Lowest pH at hand-over", "CDC MAHC 5.7.3.4, as reported"),
    Limit("ph_most", PH_BAND[1], "", "Highest pH at hand-over", "CDC MAHC 5.7.3.4, as reported"),
    Limit("alkalinity_least", ALKALINITY_BAND_MG_L[0], "mg/L", "Lowest total alkalinity", "Pima County AZ"),
    Limit("cya_least", CYA_LEAST_MG_L, "mg/L", "Lowest cyanuric acid outdoors", "ANSI 2009, by US EPA webinar 2018"),
    Limit("cya_most", CYA_MOST_MG_L, "mg/L", "Highest cyanuric acid", "CDC MAHC, 2018 vote, as reported"),
    Limit("chlorine_most", FREE_CHLORINE_BAND_MG_L[1], "mg/L", "Highest for swimming", "CDC MAHC, from memory"),
    Limit("acid_drop", ALKALINITY_DROP_MG_L, "mg/L", "Most alkalinity taken out in one go", "from memory"),
)
"""What the advice keeps to, to be read by people."""
