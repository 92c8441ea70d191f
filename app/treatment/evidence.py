"""Says, for each fact a step can rest on, what was seen and at which visit.

In: `Facts`. Out: `Evidence`, by name, so that a rule names what it rests on and the plan writes it out.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable

from app.records import Chemical, ElementState, Evidence, FilterKind, Sighting, Surface
from app.treatment import limits
from app.treatment.change import last_change
from app.treatment.chemistry import acts_like_mg_l
from app.treatment.facts import Facts
from app.treatment.units import say_concentration, say_depth, say_pool_volume, say_pressure
from app.words import mark, said, said_list, said_several
from vision.flags import BY_NAME
from vision.results import Clarity, Severity

SEVERITY_SAY: dict[Severity, str] = {
    Severity.NONE: mark("no green left"),
    Severity.TRACE: mark("a green cast"),
    Severity.LIGHT: mark("plainly green"),
    Severity.MODERATE: mark("green through and through"),
    Severity.HEAVY: mark("dark green to brown"),
}
"""What a person sees, by severity."""

CLARITY_SAY: dict[Clarity, str] = {
    Clarity.CRYSTAL: mark("crystal clear"),
    Clarity.CLEAR: mark("clear"),
    Clarity.HAZY: mark("hazy"),
    Clarity.CLOUDY: mark("cloudy"),
    Clarity.OPAQUE: mark("opaque"),
}
"""Words for a clarity grade."""

FILTER_SAY = {FilterKind.CARTRIDGE: mark("The filter is cartridge."), FilterKind.DE: mark("The filter is DE.")}
"""Words for a filter kind."""

LONG_AGO_H = 48.0
"""From here on a time is said in days [h]: nobody counts 124 hours (our choice)."""

SAND_SAY = {
    True: mark("The filter is sand with a waste port."),
    False: mark("The filter is sand without a waste port."),
    None: mark("The filter is sand; waste port not noted."),
}
"""Words for a sand filter, by whether it can send to waste."""


def _grade(facts: Facts) -> Evidence | None:
    """Say how the water was graded, or why it could not be."""
    last = facts.last
    if last is None:
        return Evidence(mark("No visit has been logged yet."))
    if facts.is_measured:
        depth = facts.water.visible_depth_m
        deep = say_depth(depth.mid, facts.units)
        seen = said("at least {depth}", depth=deep) if depth.high is None else said("about {depth}", depth=deep)
        return Evidence(
            said(
                "The water is {clarity}, {severity}: one sees {depth} into it.",
                clarity=CLARITY_SAY[facts.clarity],
                severity=SEVERITY_SAY[facts.severity],
                depth=seen,
            ),
            last.id,
        )
    if last.assessment is None:
        return Evidence(mark("The last visit has no measured photo of the water."), last.id)
    reasons = [BY_NAME[name].short for name in last.assessment.flags if name in BY_NAME]
    why = said_list(reasons or [mark("Reason not noted")])
    return Evidence(said("The photo could not be measured: {reasons}.", reasons=why), last.id)


def _floor(facts: Facts) -> Evidence | None:
    """Say whether the deepest floor is seen, and who says so."""
    if facts.last is None:
        return None
    if facts.last.floor_seen is not None:
        noted = mark("The tech noted: floor seen.") if facts.floor_seen else mark("The tech noted: floor not seen.")
        return Evidence(noted, facts.last.id)
    if not facts.is_measured:
        return None
    deep = say_depth(facts.deep_end_m, facts.units)
    if facts.pool.depth_deep_m is None:
        deep = said("{depth} (depth not on record, so assumed)", depth=deep)
    if facts.floor_seen:
        return Evidence(said("By the photo the floor is seen at {depth}.", depth=deep), facts.last.id)
    return Evidence(said("By the photo the floor is not seen at {depth}.", depth=deep), facts.last.id)


def _chlorine(facts: Facts) -> Evidence | None:
    """Say what free chlorine was read."""
    if facts.last is None:
        return None
    if facts.free_chlorine_mg_l is None:
        return Evidence(mark("No free chlorine reading at the last visit."), facts.last.id)
    read = say_concentration(facts.free_chlorine_mg_l, facts.units)
    return Evidence(said("Free chlorine {amount}.", amount=read), facts.last.id)


def _held(facts: Facts) -> Evidence | None:
    """Say what the free chlorine is worth beside the cyanuric acid."""
    cya = facts.readings.get("cyanuric_acid")
    if cya is None or cya.reading.value <= 0:
        return None
    chlorine = facts.free_chlorine_mg_l or limits.REPEAT_TO_MG_L
    ph, temperature = facts.value("ph") or limits.PH_GOAL, facts.value("water_temperature")
    if not (5 <= ph <= 9 and (temperature is None or 5 <= temperature <= 35)):
        return None
    worth = acts_like_mg_l(chlorine, cya.reading.value, ph, 25.0 if temperature is None else temperature)
    unit = "ppm" if facts.units == "us" else "mg/L"
    return Evidence(
        said(
            "{chlorine} of free chlorine at {cya} of cyanuric acid acts like {worth} without it "
            "(three-reaction model, Wahman & Alexander 2019).",
            chlorine=say_concentration(chlorine, facts.units),
            cya=say_concentration(cya.reading.value, facts.units),
            worth=f"{worth:.2g} {unit}",
        ),
        cya.visit_id,
    )


def _poured(facts: Facts) -> Evidence | None:
    """Say what the chlorine poured at the last visit amounts to."""
    if facts.last is None or facts.poured_last_mg_l <= 0:
        return None
    poured = say_concentration(facts.poured_last_mg_l, facts.units)
    told = said("The chlorine poured here is {amount}.", amount=poured)
    if facts.is_measured and facts.is_short_dosed:
        wanted = say_concentration(facts.wanted_mg_l, facts.units)
        told = said(
            "The chlorine poured here is {amount}; water like this takes {wanted}.", amount=poured, wanted=wanted
        )
    return Evidence(told, facts.last.id)


def _last_dose(facts: Facts) -> Evidence | None:
    """Say when the last clearing dose went in."""
    if not facts.dose_visit_ids or facts.since_dose_h is None:
        return None
    count = len(facts.dose_visit_ids)
    return Evidence(
        said_several(
            "{count} clearing dose so far, the last {ago}.",
            "{count} clearing doses so far, the last {ago}.",
            count,
            ago=_ago(facts.since_dose_h),
        ),
        facts.dose_visit_ids[-1],
    )


def _filter(facts: Facts) -> Evidence | None:
    """Say what filter this is, the waste port of a sand filter with it."""
    if facts.is_sand:
        return Evidence(SAND_SAY[facts.pool.has_waste_port])
    return Evidence(FILTER_SAY[facts.pool.filter_kind])


def _equipment(facts: Facts) -> Evidence | None:
    """Say what is wrong at the equipment, or that it was found to run."""
    state, seen_at = facts.equipment, facts.equipment_visits
    wrong = (
        ("power_on", state.power_on is False, mark("No power at the equipment.")),
        ("pump_runs", state.pump_runs is False, mark("The pump does not run.")),
        ("flow_holds", state.flow_holds is False, mark("The pump does not hold its flow.")),
        ("manifold_sound", state.manifold_sound is False, mark("The filter's manifold is cracked.")),
        ("elements", state.elements == ElementState.TORN, mark("The filter's elements are torn.")),
        ("elements", state.elements == ElementState.WORN, mark("The filter's elements are worn.")),
        ("pump_runs", state.pump_runs is True, mark("The pump runs.")),
    )
    for part, is_so, told in wrong:
        if is_so:
            return Evidence(told, seen_at.get(part))
    return Evidence(mark("Nobody has noted whether the pump runs."), facts.last.id if facts.last else None)


def _pressure(facts: Facts) -> Evidence | None:
    """Say what the gauge shows against the clean filter."""
    now_kpa, clean_kpa = facts.equipment.filter_pressure_kpa, facts.pool.clean_pressure_kpa
    if now_kpa is None:
        return None
    stood = say_pressure(now_kpa, facts.units)
    told = said("The filter stood at {pressure}.", pressure=stood)
    if clean_kpa is not None:
        clean = say_pressure(clean_kpa, facts.units)
        told = said("The filter stood at {pressure}; clean it is {clean}.", pressure=stood, clean=clean)
    return Evidence(told, facts.equipment_visits.get("filter_pressure_kpa"))


def _volume(facts: Facts) -> Evidence | None:
    """Say the pool's volume."""
    if not facts.has_volume:
        return Evidence(mark("The pool's volume is not on record."))
    return Evidence(said("The pool holds {volume}.", volume=say_pool_volume(facts.pool.volume_l, facts.units)))


def _stock(facts: Facts) -> Evidence | None:
    """Say what strength of liquid chlorine is reckoned with."""
    if facts.stock_trade_pct is None:
        return Evidence(
            said("Strength of the stock not known: {percent} trade % assumed.", percent=f"{limits.STOCK_TRADE_PCT:g}")
        )
    visits = facts.recovery.visits
    at = next(
        visit.id
        for visit in reversed(visits)
        if any(each.chemical == Chemical.SODIUM_HYPOCHLORITE and each.strength_pct for each in visit.treatments)
    )
    return Evidence(
        said("The stock last poured here was labelled {percent} %.", percent=f"{facts.stock_trade_pct:g}"), at
    )


def _trend(facts: Facts) -> Evidence | None:
    """Say how the water changed between two visits."""
    trend = facts.trend
    if trend is None:
        return None
    depth, algae = trend.depth_factor, trend.algae_factor
    return Evidence(
        said(
            "In {days} days visible depth went to {depth} times what it was (80 % range {depth_low} to {depth_high}; "
            "at least {depth_least} expected) and the algae to {algae} times ({algae_low} to {algae_high}; at most "
            "{algae_most} expected).",
            days=f"{trend.days:.1f}",
            depth=f"{depth.mid:.2g}",
            depth_low=f"{depth.low:.2g}",
            depth_high=f"{depth.high:.2g}",
            depth_least=f"{trend.expected_depth_factor:.2g}",
            algae=f"{algae.mid:.2g}",
            algae_low=f"{algae.low:.2g}",
            algae_high=f"{algae.high:.2g}",
            algae_most=f"{trend.expected_algae_factor:.2g}",
        ),
        trend.to_visit_id,
    )


def _floc(facts: Facts) -> Evidence | None:
    """Say that a flocculant is in the water."""
    if facts.floc_visit_id is None:
        return None
    return Evidence(mark("A flocculant went in at this visit."), facts.floc_visit_id)


def _vacuum(facts: Facts) -> Evidence | None:
    """Say how often the floor was vacuumed."""
    if not facts.vacuum_visit_ids:
        return Evidence(mark("The floor has not been vacuumed yet."))
    count = len(facts.vacuum_visit_ids)
    told = said_several("The floor was vacuumed {count} time.", "The floor was vacuumed {count} times.", count)
    return Evidence(told, facts.vacuum_visit_ids[-1])


def _debris(facts: Facts) -> Evidence | None:
    """Say whether debris lies on the floor."""
    if facts.last is None or facts.last.debris_on_floor is None:
        return None
    return Evidence(
        mark("Debris lies on the floor.") if facts.last.debris_on_floor else mark("No debris on the floor."),
        facts.last.id,
    )


def _sludge(facts: Facts) -> Evidence | None:
    """Say how much sludge was felt."""
    if facts.last is None or facts.last.sludge_depth_m is None:
        return None
    depth = facts.last.sludge_depth_m
    thick = f"{depth / 0.0254:.0f} in" if facts.units == "us" else f"{depth * 100:.0f} cm"
    return Evidence(said("A pole felt {depth} of sludge on the floor.", depth=thick), facts.last.id)


def _balance(facts: Facts) -> Evidence | None:
    """Say the readings that balance rests on."""
    unknown = mark("not known")
    read = {name: facts.value(name) for name in ("ph", "total_alkalinity", "cyanuric_acid")}
    shown = {
        name: unknown if value is None else f"{value:.1f}" if name == "ph" else say_concentration(value, facts.units)
        for name, value in read.items()
    }
    told = said(
        "pH {ph}, alkalinity {alkalinity}, cyanuric acid {cya}.",
        ph=shown["ph"],
        alkalinity=shown["total_alkalinity"],
        cya=shown["cyanuric_acid"],
    )
    newest = [seen.visit_id for seen in facts.readings.values()]
    return Evidence(told, newest[-1] if newest else None)


def _time(facts: Facts) -> Evidence | None:
    """Say how long ago the last visit was."""
    if facts.last is None:
        return None
    return Evidence(said("The last visit was {ago}.", ago=_ago(facts.since_last_h)), facts.last.id)


def _ago(hours: float) -> str:
    """Return how long ago something was: in hours for two days, then in days.

    Examples
    --------
    >>> _ago(30.2), _ago(124.0)
    ('30 h ago', '5 days ago')
    """
    if hours < LONG_AGO_H:
        return said("{hours} h ago", hours=f"{hours:.0f}")
    return said("{days} days ago", days=f"{hours / 24:.0f}")


def _shell(facts: Facts) -> Evidence | None:
    """Say what the pool is lined with and whose it is."""
    shell = SHELL_SAY[facts.pool.surface]
    if facts.pool.public:
        return Evidence(said("The pool is public, its shell {shell}.", shell=shell))
    return Evidence(said("The pool is private, its shell {shell}.", shell=shell))


SHELL_SAY: dict[Surface, str] = {
    Surface.PLASTER: mark("plaster"),
    Surface.PEBBLE: mark("pebble"),
    Surface.TILE: mark("tile"),
    Surface.PAINT: mark("paint"),
    Surface.VINYL: mark("vinyl"),
    Surface.FIBREGLASS: mark("fibreglass"),
}
"""What a shell is of, in a sentence."""

SIGHTING_SAY: dict[Sighting, str] = {
    Sighting.PUMP_FOUND_OFF: mark("the pump was found off"),
    Sighting.POWDER_AT_RETURNS: mark("filter powder under the returns"),
    Sighting.FOAM: mark("foam"),
    Sighting.BLACK_SPOTS: mark("black spots on the walls"),
    Sighting.MUSTARD_DUST: mark("yellow-brown dust on the shaded walls"),
    Sighting.STAINS: mark("stains"),
    Sighting.TURNED_BY_CHLORINE: mark("water that turned brown, black or dark green when chlorine went in"),
    Sighting.MINERAL_UNIT: mark("a copper mineral unit in the pump basket"),
}
"""Words for what a tech saw besides."""


def _sightings(facts: Facts) -> Evidence | None:
    """Say what else was seen, at the newest visit where anything was."""
    for visit in reversed(facts.recovery.visits):
        if visit.sightings:
            seen = said_list([SIGHTING_SAY[each] for each in visit.sightings])
            return Evidence(said("The tech noted: {what}.", what=seen), visit.id)
    return None


ELEMENTS_SAY: dict[ElementState, str] = {
    ElementState.GOOD: mark("The filter's elements were found good."),
    ElementState.WORN: mark("The filter's elements were found worn."),
    ElementState.TORN: mark("The filter's elements were found torn."),
    ElementState.NOT_SEEN: mark("The filter's elements were not seen."),
}
"""How the filter's elements were found."""


def _elements(facts: Facts) -> Evidence | None:
    """Say how the filter's elements were found."""
    state = facts.equipment.elements
    if state is None:
        return None
    return Evidence(ELEMENTS_SAY[state], facts.equipment_visits.get("elements"))


def _sighted(facts: Facts) -> Evidence | None:
    """Say what a person saw of the water's depth at the last visit: it is weighed in with the photo."""
    last = facts.last
    if last is None:
        return None
    seen = last.sighted
    parts: list[str] = []
    if seen.disc_depth_m is not None:
        deep = say_depth(seen.disc_depth_m, facts.units)
        if seen.disc_lost:
            parts.append(said("Sighting disc lost from sight at {depth}", depth=deep))
        else:
            parts.append(said("Sighting disc photographed at {depth}", depth=deep))
    if seen.seen_at_m is not None:
        parts.append(said("Something seen at {depth}", depth=say_depth(seen.seen_at_m, facts.units)))
    if seen.not_seen_at_m is not None:
        parts.append(said("Nothing seen at {depth}", depth=say_depth(seen.not_seen_at_m, facts.units)))
    if not parts:
        return None
    return Evidence(said("{what}. Weighed in with the photo.", what=said_list(parts, joint=". ")), last.id)


def _change(facts: Facts) -> Evidence | None:
    """Say whether the water changed since the visit before, where that can be told."""
    change = last_change(facts.recovery)
    return None if change is None or facts.last is None else Evidence(change.say, facts.last.id)


def _stall(facts: Facts) -> Evidence | None:
    """Say how probable it is that the water stands still, and what of it."""
    stall = facts.stall
    if stall is None:
        return None
    days, sure = f"{stall.days:.1f}", f"{min(stall.probability, 0.99):.0%}"
    told = said(
        "By the photos of {days} days it is {percent} probable that the cloud is not going "
        "(two accounts weighed: pools like this, and water that stands still).",
        days=days,
        percent=sure,
    )
    if stall.green:
        told = said(
            "By the photos of {days} days it is {percent} probable that the green is not going "
            "(two accounts weighed: pools like this, and water that stands still).",
            days=days,
            percent=sure,
        )
    return Evidence(told, stall.to_visit_id)


EVIDENCE: dict[str, Callable[[Facts], Evidence | None]] = {
    "balance": _balance,
    "change": _change,
    "chlorine": _chlorine,
    "debris": _debris,
    "equipment": _equipment,
    "filter": _filter,
    "floc": _floc,
    "floor": _floor,
    "grade": _grade,
    "held": _held,
    "last_dose": _last_dose,
    "poured": _poured,
    "pressure": _pressure,
    "elements": _elements,
    "shell": _shell,
    "sighted": _sighted,
    "sightings": _sightings,
    "stall": _stall,
    "sludge": _sludge,
    "stock": _stock,
    "time": _time,
    "trend": _trend,
    "vacuum": _vacuum,
    "volume": _volume,
}
"""What a rule can name as its grounds."""


def write_evidence(facts: Facts, names: Iterable[str]) -> tuple[Evidence, ...]:
    """Write out the named grounds, leaving out what nobody noted."""
    return tuple(found for name in names if (found := EVIDENCE[name](facts)) is not None)
