"""What the log keeps and the plan reads: frozen records, units in names, times with their zone.

In: nothing. Out: `Company`, `Pool`, `Recovery`, `Visit` and what hangs on a visit (`Assessment`, `Equipment`,
`Reading`, `Treatment`), and what the plan says (`Step`, `Progress`, `Quote`). Pure: no screen, database, network or
clock.
Every `datetime` is aware. `None` means "not known", never zero.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum

from vision.results import Clarity, Interval, Severity


class FilterKind(StrEnum):
    """How the pool's filter holds dirt back."""

    SAND = "sand"
    CARTRIDGE = "cartridge"
    DE = "de"


class Surface(StrEnum):
    """What the pool's shell is lined with."""

    PLASTER = "plaster"
    PEBBLE = "pebble"
    TILE = "tile"
    PAINT = "paint"
    VINYL = "vinyl"
    FIBREGLASS = "fibreglass"


class FloorColour(StrEnum):
    """The floor's colour, dry."""

    WHITE = "white"
    GREY = "grey"
    BLUE = "blue"
    DARK = "dark"
    TAN = "tan"
    PATTERNED = "patterned"


class ElementState(StrEnum):
    """The state of the filter's cartridges, grids or sand, as the tech saw it."""

    GOOD = "good"
    WORN = "worn"
    TORN = "torn"
    NOT_SEEN = "not_seen"


class Method(StrEnum):
    """How a reading was taken, least certain first."""

    STRIP_EYE = "strip_eye"
    STRIP_PHOTO = "strip_photo"
    DROP_COUNT = "drop_count"
    PHOTOMETER = "photometer"


class Chemical(StrEnum):
    """Generic chemicals that can be poured; brands are never named."""

    SODIUM_HYPOCHLORITE = "sodium_hypochlorite"
    CALCIUM_HYPOCHLORITE = "calcium_hypochlorite"
    DICHLOR = "dichlor"
    TRICHLOR = "trichlor"
    SODIUM_BROMIDE = "sodium_bromide"
    COPPER_ALGAECIDE = "copper_algaecide"
    FLOCCULANT = "flocculant"
    CLARIFIER = "clarifier"
    HYDROCHLORIC_ACID = "hydrochloric_acid"
    SODIUM_BISULFATE = "sodium_bisulfate"
    SODIUM_BICARBONATE = "sodium_bicarbonate"
    SODIUM_CARBONATE = "sodium_carbonate"
    CALCIUM_CHLORIDE = "calcium_chloride"
    CYANURIC_ACID = "cyanuric_acid"
    SODIUM_THIOSULFATE = "sodium_thiosulfate"


class Work(StrEnum):
    """Work done at a visit besides pouring."""

    FILTER_CLEANED = "filter_cleaned"
    BACKWASHED = "backwashed"
    BASKETS_EMPTIED = "baskets_emptied"
    BRUSHED = "brushed"
    DEBRIS_REMOVED = "debris_removed"
    VACUUMED = "vacuumed"
    VACUUMED_TO_WASTE = "vacuumed_to_waste"
    ELEMENTS_REPLACED = "elements_replaced"
    PUMP_STARTED = "pump_started"
    PUMP_STOPPED = "pump_stopped"
    HANDED_OVER = "handed_over"


class Sighting(StrEnum):
    """Something unusual that a tech saw at a visit."""

    PUMP_FOUND_OFF = "pump_found_off"
    POWDER_AT_RETURNS = "powder_at_returns"
    FOAM = "foam"
    BLACK_SPOTS = "black_spots"
    MUSTARD_DUST = "mustard_dust"
    STAINS = "stains"
    TURNED_BY_CHLORINE = "turned_by_chlorine"
    MINERAL_UNIT = "mineral_unit"


@dataclass(frozen=True)
class Sighted:
    """How far a person saw into the water at a visit, depths below the surface [m].

    `disc_depth_m` is the sighting disc's, read from its pole; `disc_lost` where the tech could not see it there.
    `seen_at_m` is the depth of the deepest thing seen (a step, the floor), `not_seen_at_m` of the shallowest not seen.
    """

    disc_depth_m: float | None = None
    disc_lost: bool | None = None
    seen_at_m: float | None = None
    not_seen_at_m: float | None = None


@dataclass(frozen=True)
class Company:
    """Who uses this log: name and phone for reports, units for people, prices for costs.

    `units` is "us" or "metric". `invented` is true in the demo, and every screen then says so. `language` is the one
    its customers are written to ("en", "es"), `team_language` the one its people read unless they chose another;
    `logo_sha256` names its logo's picture in the log, empty without one. `public_address` is where the dashboard is
    reached from outside ("https://pools.example"), for links and tags; empty where it is not known.
    """

    name: str
    phone: str = ""
    units: str = "us"
    invented: bool = False
    language: str = "en"
    logo_sha256: str = ""
    team_language: str = "en"
    public_address: str = ""


@dataclass(frozen=True)
class Pool:
    """One pool as the company knows it. Depths in m, volume in L, pressure in kPa.

    `turnover_h` is how long pump and filter take to move the pool's volume once, as the pump's flow says.
    `latitude_deg` and `longitude_deg` (WGS 84) tell which pool a photo was taken at; no customer sees them.
    """

    id: str
    name: str
    volume_l: float
    filter_kind: FilterKind
    surface: Surface = Surface.PLASTER
    floor_colour: FloorColour | None = None
    depth_shallow_m: float | None = None
    depth_deep_m: float | None = None
    has_waste_port: bool | None = None
    clean_pressure_kpa: float | None = None
    indoor: bool = False
    public: bool = False
    salt_cell: bool = False
    owner: str = ""
    town: str = ""
    note: str = ""
    turnover_h: float | None = None
    latitude_deg: float | None = None
    longitude_deg: float | None = None


@dataclass(frozen=True)
class Assessment:
    """The water of one visit as its newest usable measurement graded it.

    `flags` are names from `vision.flags`; `usable` is false where a flag spoils the measurement. `sighted` says that a
    sighting disc or the tech's own sighting is weighed in with the photo's visible depth.
    """

    measurement_id: str
    photo_sha256: str
    usable: bool
    flags: tuple[str, ...] = ()
    clarity: Clarity | None = None
    clarity_probability: float | None = None
    severity: Severity | None = None
    severity_probability: float | None = None
    visible_depth_m: Interval | None = None
    chlorophyll_ug_l: Interval | None = None
    sighted: bool = False


@dataclass(frozen=True)
class Equipment:
    """What the tech found at the equipment; None means not looked at."""

    power_on: bool | None = None
    pump_runs: bool | None = None
    flow_holds: bool | None = None
    filter_pressure_kpa: float | None = None
    elements: ElementState | None = None
    manifold_sound: bool | None = None


@dataclass(frozen=True)
class Reading:
    """One reading of the water's chemistry, with its 80 % interval and its method.

    `analyte` is one of free_chlorine, total_chlorine, ph, total_alkalinity, calcium_hardness, cyanuric_acid,
    water_temperature, or what else a strip carries; `unit` is mg/L, deg_c or "" (pH). `dilution` is 10 where the
    sample was one part in ten of chlorine-free water; value and interval are of the pool's water all the same.
    """

    analyte: str
    value: float
    low: float
    high: float
    unit: str
    method: Method
    flags: tuple[str, ...] = ()
    dilution: float = 1.0


@dataclass(frozen=True)
class Treatment:
    """One chemical that was really poured: `amount` in `unit` (L or kg), `strength_pct` as labelled."""

    chemical: Chemical
    amount: float
    unit: str
    strength_pct: float | None = None


@dataclass(frozen=True)
class Visit:
    """One stop at a pool and everything recorded at it; `sludge_depth_m` is what a pole felt on the floor."""

    id: str
    recovery_id: str
    at: datetime
    by: str
    assessment: Assessment | None = None
    equipment: Equipment = field(default_factory=Equipment)
    readings: tuple[Reading, ...] = ()
    treatments: tuple[Treatment, ...] = ()
    work: tuple[Work, ...] = ()
    floor_seen: bool | None = None
    debris_on_floor: bool | None = None
    photo_sha256s: tuple[str, ...] = ()
    note: str = ""
    sludge_depth_m: float | None = None
    sightings: tuple[Sighting, ...] = ()
    sighted: Sighted = field(default_factory=Sighted)


@dataclass(frozen=True)
class Recovery:
    """One pool's course from green to clear, with its visits oldest first."""

    id: str
    pool: Pool
    opened_at: datetime
    closed_at: datetime | None
    visits: tuple[Visit, ...]


class StepKind(StrEnum):
    """What a recovery needs next."""

    START = "start"
    RESTORE_POWER = "restore_power"
    REPAIR_PUMP = "repair_pump"
    REPAIR_FILTER = "repair_filter"
    MEASURE_AGAIN = "measure_again"
    DOSE = "dose"
    FLOCCULATE = "flocculate"
    CLEAN_FILTER = "clean_filter"
    CIRCULATE = "circulate"
    REMOVE_DEBRIS = "remove_debris"
    VACUUM = "vacuum"
    BALANCE = "balance"
    HAND_OVER = "hand_over"
    CALL_FOR_HELP = "call_for_help"
    CLOSED = "closed"


@dataclass(frozen=True)
class Dose:
    """One amount of one chemical, with its arithmetic spelt out.

    `amount` is in `unit` (L or kg); `say` is the amount as a tech pours it, in the company's units;
    `arithmetic` is the calculation as one line; `low` and `high` are the sensible range; `side_effects` are
    sentences on what else the water takes up; `cost` is of `low`, `amount` and `high` by the company's price list.
    """

    chemical: Chemical
    strength_pct: float | None
    amount: float
    unit: str
    low: float
    high: float
    say: str
    arithmetic: str
    cautions: tuple[str, ...]
    sources: tuple[str, ...]
    side_effects: tuple[str, ...] = ()
    cost: Interval | None = None
    currency: str = ""


@dataclass(frozen=True)
class Action:
    """One thing to do, in order; `dose` is set where a chemical is poured."""

    say: str
    dose: Dose | None = None


@dataclass(frozen=True)
class Evidence:
    """One fact that a step rests on, and the visit it was seen at (None for a fact of the pool)."""

    say: str
    visit_id: str | None = None


class CauseKind(StrEnum):
    """Why water that is treated may stand still."""

    PUMP_OFF = "pump_off"
    FILTER_PASSES = "filter_passes"
    FILTER_CLOGGED = "filter_clogged"
    UNDER_DOSED = "under_dosed"
    CYANURIC_ACID = "cyanuric_acid"
    DEBRIS = "debris"


@dataclass(frozen=True)
class Cause:
    """One likely cause of a stall: how likely beside the others (0 to 1), what speaks for it, and how to tell.

    `check` is the one test that tells it from the others; `mend` what to do where it comes out so.
    """

    kind: CauseKind
    say: str
    share: float
    check: str
    mend: str
    why: tuple[Evidence, ...] = ()


@dataclass(frozen=True)
class Step:
    """The recommended next step of a recovery; `causes`, most likely first, where it stands still."""

    step: StepKind
    title: str
    why: tuple[Evidence, ...]
    do: tuple[Action, ...]
    return_in_hours: float | None
    look_for: str
    would_change: tuple[str, ...]
    cautions: tuple[str, ...]
    sources: tuple[str, ...]
    causes: tuple[Cause, ...] = ()


class Standing(StrEnum):
    """Where a recovery stands, for the board."""

    NOT_STARTED = "not_started"
    WAITING_ON_EQUIPMENT = "waiting_on_equipment"
    UNDER_WAY = "under_way"
    STALLED = "stalled"
    CLEARING = "clearing"
    READY = "ready"
    DONE = "done"


@dataclass(frozen=True)
class Progress:
    """How far a recovery has come: `done_share` 0 at the start to 1 at clear; days to clear with 80 % interval.

    `days_to_clear` is None where nothing can be said yet; `say` is one sentence a customer understands.
    """

    standing: Standing
    done_share: float | None
    days_to_clear: Interval | None
    next_visit_due: datetime | None
    overdue: bool
    say: str
    stall_probability: float | None = None
    causes: tuple[Cause, ...] = ()


@dataclass(frozen=True)
class Price:
    """What `per_amount` (L, kg, or a count) of one item costs; `item` is a chemical's value, "visit" or "start"."""

    item: str
    price: float
    per_amount: float
    unit: str


@dataclass(frozen=True)
class PriceList:
    """The company's own prices in one currency, as it typed them."""

    currency: str = "$"
    prices: tuple[Price, ...] = ()


@dataclass(frozen=True)
class QuoteLine:
    """One chemical of a quote: from `low` to `high` in `unit` (L or kg), said in people's units, with its cost."""

    chemical: Chemical
    low: float
    high: float
    unit: str
    say: str
    cost_low: float | None = None
    cost_high: float | None = None


@dataclass(frozen=True)
class Quote:
    """What a recovery is expected to take, said before it starts: 80 % ranges of visits and days.

    `cost` is None where a price it needs is not on the company's list; `missing_prices` names those.
    """

    visits: Interval
    days: Interval
    method: str
    chemicals: tuple[QuoteLine, ...]
    cost: Interval | None
    currency: str
    missing_prices: tuple[str, ...]
    includes: tuple[str, ...]
    excludes: tuple[str, ...]
    would_change: tuple[str, ...]
    cautions: tuple[str, ...]
    sources: tuple[str, ...]
    say: str
