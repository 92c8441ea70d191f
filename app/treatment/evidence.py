"""Says, for each fact a step can rest on, what was seen and at which visit.

In: `Facts`. Out: `Evidence`, by name, so that a rule names what it rests on and the plan writes it out.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable

from app.records import Chemical, ElementState, Evidence, FilterKind, Sighting
from app.treatment import limits
from app.treatment.change import last_change
from app.treatment.chemistry import acts_like_mg_l
from app.treatment.facts import Facts
from app.treatment.units import say_concentration, say_depth, say_pool_volume, say_pressure
from vision.flags import BY_NAME
from vision.results import Clarity, Severity

SEVERITY_SAY: dict[Severity, str] = {
    Severity.NONE: "no green left",
    Severity.TRACE: "a green cast",
    Severity.LIGHT: "plainly green",
    Severity.MODERATE: "green through and through",
    Severity.HEAVY: "dark green to brown",
}
"""What a person sees, by severity."""

CLARITY_SAY: dict[Clarity, str] = {
    Clarity.CRYSTAL: "crystal clear",
    Clarity.CLEAR: "clear",
    Clarity.HAZY: "hazy",
    Clarity.CLOUDY: "cloudy",
    Clarity.OPAQUE: "opaque",
}
"""Words for a clarity grade."""

FILTER_SAY = {FilterKind.SAND: "sand", FilterKind.CARTRIDGE: "cartridge", FilterKind.DE: "DE"}
"""Words for a filter kind."""


def _grade(facts: Facts) -> Evidence | None:
    """Say how the water was graded, or why it could not be."""
    last = facts.last
    if last is None:
        return Evidence("No visit has been logged yet.")
    if facts.is_measured:
        depth = facts.water.visible_depth_m
        seen = say_depth(depth.mid, facts.units)
        seen = f"at least {seen}" if depth.high is None else f"about {seen}"
        return Evidence(
            f"The water is {CLARITY_SAY[facts.clarity]}, {SEVERITY_SAY[facts.severity]}: one sees {seen} into it.",
            last.id,
        )
    if last.assessment is None:
        return Evidence("The last visit has no measured photo of the water.", last.id)
    reasons = [BY_NAME[name].short.lower() for name in last.assessment.flags if name in BY_NAME]
    return Evidence(f"The photo could not be measured ({', '.join(reasons) or 'reason not noted'}).", last.id)


def _floor(facts: Facts) -> Evidence | None:
    """Say whether the deepest floor is seen, and who says so."""
    if facts.last is None:
        return None
    word = "seen" if facts.floor_seen else "not seen"
    if facts.last.floor_seen is not None:
        return Evidence(f"The tech noted: floor {word}.", facts.last.id)
    if not facts.is_measured:
        return None
    deep = say_depth(facts.deep_end_m, facts.units)
    assumed = "" if facts.pool.depth_deep_m else " (depth not on record, so assumed)"
    return Evidence(f"By the photo the floor is {word} at {deep}{assumed}.", facts.last.id)


def _chlorine(facts: Facts) -> Evidence | None:
    """Say what free chlorine was read."""
    if facts.last is None:
        return None
    if facts.free_chlorine_mg_l is None:
        return Evidence("No free chlorine reading at the last visit.", facts.last.id)
    return Evidence(f"Free chlorine {say_concentration(facts.free_chlorine_mg_l, facts.units)}.", facts.last.id)


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
        f"{say_concentration(chlorine, facts.units)} of free chlorine at "
        f"{say_concentration(cya.reading.value, facts.units)} of cyanuric acid acts like {worth:.2g} {unit} without it "
        "(three-reaction model, Wahman & Alexander 2019).",
        cya.visit_id,
    )


def _poured(facts: Facts) -> Evidence | None:
    """Say what the chlorine poured at the last visit amounts to."""
    if facts.last is None or facts.poured_last_mg_l <= 0:
        return None
    said = f"The chlorine poured here is {say_concentration(facts.poured_last_mg_l, facts.units)}"
    if facts.is_measured and facts.is_short_dosed:
        said += f"; water like this takes {say_concentration(facts.wanted_mg_l, facts.units)}"
    return Evidence(said + ".", facts.last.id)


def _last_dose(facts: Facts) -> Evidence | None:
    """Say when the last clearing dose went in."""
    if not facts.dose_visit_ids or facts.since_dose_h is None:
        return None
    count = len(facts.dose_visit_ids)
    return Evidence(
        f"{count} clearing {'dose' if count == 1 else 'doses'} so far, the last {facts.since_dose_h:.0f} h ago.",
        facts.dose_visit_ids[-1],
    )


def _filter(facts: Facts) -> Evidence | None:
    """Say what filter this is, the waste port of a sand filter with it."""
    said = f"The filter is {FILTER_SAY[facts.pool.filter_kind]}"
    if facts.is_sand:
        port = {True: " with a waste port", False: " without a waste port", None: "; waste port not noted"}
        said += port[facts.pool.has_waste_port]
    return Evidence(said + ".")


def _equipment(facts: Facts) -> Evidence | None:
    """Say what is wrong at the equipment, or that it was found to run."""
    state, seen_at = facts.equipment, facts.equipment_visits
    wrong = (
        ("power_on", state.power_on is False, "No power at the equipment."),
        ("pump_runs", state.pump_runs is False, "The pump does not run."),
        ("flow_holds", state.flow_holds is False, "The pump does not hold its flow."),
        ("manifold_sound", state.manifold_sound is False, "The filter's manifold is cracked."),
        ("elements", state.elements == ElementState.TORN, "The filter's elements are torn."),
        ("elements", state.elements == ElementState.WORN, "The filter's elements are worn."),
        ("pump_runs", state.pump_runs is True, "The pump runs."),
    )
    for part, is_so, said in wrong:
        if is_so:
            return Evidence(said, seen_at.get(part))
    return Evidence("Nobody has noted whether the pump runs.", facts.last.id if facts.last else None)


def _pressure(facts: Facts) -> Evidence | None:
    """Say what the gauge shows against the clean filter."""
    now_kpa, clean_kpa = facts.equipment.filter_pressure_kpa, facts.pool.clean_pressure_kpa
    if now_kpa is None:
        return None
    said = f"The filter stood at {say_pressure(now_kpa, facts.units)}"
    if clean_kpa is not None:
        said += f"; clean it is {say_pressure(clean_kpa, facts.units)}"
    return Evidence(said + ".", facts.equipment_visits.get("filter_pressure_kpa"))


def _volume(facts: Facts) -> Evidence | None:
    """Say the pool's volume."""
    if not facts.has_volume:
        return Evidence("The pool's volume is not on record.")
    return Evidence(f"The pool holds {say_pool_volume(facts.pool.volume_l, facts.units)}.")


def _stock(facts: Facts) -> Evidence | None:
    """Say what strength of liquid chlorine is reckoned with."""
    if facts.stock_trade_pct is None:
        return Evidence(f"Strength of the stock not known: {limits.STOCK_TRADE_PCT:g} trade % assumed.")
    visits = facts.recovery.visits
    at = next(
        visit.id
        for visit in reversed(visits)
        if any(each.chemical == Chemical.SODIUM_HYPOCHLORITE and each.strength_pct for each in visit.treatments)
    )
    return Evidence(f"The stock last poured here was labelled {facts.stock_trade_pct:g} %.", at)


def _trend(facts: Facts) -> Evidence | None:
    """Say how the water changed between two visits."""
    trend = facts.trend
    if trend is None:
        return None
    depth, algae = trend.depth_factor, trend.algae_factor
    return Evidence(
        f"In {trend.days:.1f} days visible depth went to {depth.mid:.2g} times what it was "
        f"(80 % range {depth.low:.2g} to {depth.high:.2g}; at least {trend.expected_depth_factor:.2g} expected) "
        f"and the algae to {algae.mid:.2g} times ({algae.low:.2g} to {algae.high:.2g}; at most "
        f"{trend.expected_algae_factor:.2g} expected).",
        trend.to_visit_id,
    )


def _floc(facts: Facts) -> Evidence | None:
    """Say that a flocculant is in the water."""
    if facts.floc_visit_id is None:
        return None
    return Evidence("A flocculant went in at this visit.", facts.floc_visit_id)


def _vacuum(facts: Facts) -> Evidence | None:
    """Say how often the floor was vacuumed."""
    if not facts.vacuum_visit_ids:
        return Evidence("The floor has not been vacuumed yet.")
    count = len(facts.vacuum_visit_ids)
    return Evidence(f"The floor was vacuumed {count} {'time' if count == 1 else 'times'}.", facts.vacuum_visit_ids[-1])


def _debris(facts: Facts) -> Evidence | None:
    """Say whether debris lies on the floor."""
    if facts.last is None or facts.last.debris_on_floor is None:
        return None
    return Evidence(
        "Debris lies on the floor." if facts.last.debris_on_floor else "No debris on the floor.", facts.last.id
    )


def _sludge(facts: Facts) -> Evidence | None:
    """Say how much sludge was felt."""
    if facts.last is None or facts.last.sludge_depth_m is None:
        return None
    depth = facts.last.sludge_depth_m
    said = f"{depth / 0.0254:.0f} in" if facts.units == "us" else f"{depth * 100:.0f} cm"
    return Evidence(f"A pole felt {said} of sludge on the floor.", facts.last.id)


def _balance(facts: Facts) -> Evidence | None:
    """Say the readings that balance rests on."""
    parts = []
    for analyte, name in (("ph", "pH"), ("total_alkalinity", "alkalinity"), ("cyanuric_acid", "cyanuric acid")):
        value = facts.value(analyte)
        if value is None:
            parts.append(f"{name} not known")
        else:
            parts.append(
                f"{name} {value:.1f}" if analyte == "ph" else f"{name} {say_concentration(value, facts.units)}"
            )
    said = ", ".join(parts) + "."
    newest = [seen.visit_id for seen in facts.readings.values()]
    return Evidence(said[0].upper() + said[1:] if not said.startswith("pH") else said, newest[-1] if newest else None)


def _time(facts: Facts) -> Evidence | None:
    """Say how long ago the last visit was."""
    return (
        None if facts.last is None else Evidence(f"The last visit was {facts.since_last_h:.0f} h ago.", facts.last.id)
    )


def _shell(facts: Facts) -> Evidence | None:
    """Say what the pool is lined with and whose it is."""
    kind = "public" if facts.pool.public else "private"
    return Evidence(f"The pool is {kind}, its shell {facts.pool.surface.value}.")


SIGHTING_SAY: dict[Sighting, str] = {
    Sighting.PUMP_FOUND_OFF: "the pump was found off",
    Sighting.POWDER_AT_RETURNS: "filter powder under the returns",
    Sighting.FOAM: "foam",
    Sighting.BLACK_SPOTS: "black spots on the walls",
    Sighting.MUSTARD_DUST: "yellow-brown dust on the shaded walls",
    Sighting.STAINS: "stains",
    Sighting.TURNED_BY_CHLORINE: "water that turned brown, black or dark green when chlorine went in",
    Sighting.MINERAL_UNIT: "a copper mineral unit in the pump basket",
}
"""Words for what a tech saw besides."""


def _sightings(facts: Facts) -> Evidence | None:
    """Say what else was seen, at the newest visit where anything was."""
    for visit in reversed(facts.recovery.visits):
        if visit.sightings:
            said = ", ".join(SIGHTING_SAY[each] for each in visit.sightings)
            return Evidence(f"The tech noted: {said}.", visit.id)
    return None


def _elements(facts: Facts) -> Evidence | None:
    """Say how the filter's elements were found."""
    state = facts.equipment.elements
    if state is None:
        return None
    return Evidence(f"The filter's elements were found {state.value}.", facts.equipment_visits.get("elements"))


def _sighted(facts: Facts) -> Evidence | None:
    """Say what a person saw of the water's depth at the last visit: it is weighed in with the photo."""
    last = facts.last
    if last is None:
        return None
    seen, parts = last.sighted, []
    if seen.disc_depth_m is not None:
        how = "lost from sight" if seen.disc_lost else "photographed"
        parts.append(f"the sighting disc was {how} at {say_depth(seen.disc_depth_m, facts.units)}")
    if seen.seen_at_m is not None:
        parts.append(f"something was seen at {say_depth(seen.seen_at_m, facts.units)}")
    if seen.not_seen_at_m is not None:
        parts.append(f"nothing was seen at {say_depth(seen.not_seen_at_m, facts.units)}")
    if not parts:
        return None
    said = ", ".join(parts)
    return Evidence(f"{said[0].upper()}{said[1:]}; weighed in with the photo.", last.id)


def _change(facts: Facts) -> Evidence | None:
    """Say whether the water changed since the visit before, where that can be told."""
    change = last_change(facts.recovery)
    return None if change is None or facts.last is None else Evidence(change.say, facts.last.id)


def _stall(facts: Facts) -> Evidence | None:
    """Say how probable it is that the water stands still, and what of it."""
    stall = facts.stall
    if stall is None:
        return None
    what = "the green is not going" if stall.green else "the cloud is not going"
    return Evidence(
        f"By the photos of {stall.days:.1f} days it is {stall.probability:.0%} probable that {what} "
        "(two accounts weighed: pools like this, and water that stands still).",
        stall.to_visit_id,
    )


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
