"""The use cases: what the command line and the dashboard ask for; the only place where all rooms meet.

In: an open `Log`, records, bytes, and the time (never read from the clock here). Out: records of `app.records` and
small frozen results. What depends on the present is an argument: `at` (when it happened), `now`. Each begins with the
check of who may (`needs`); `tests/app/test_access.py` fails where one does not.

The file is long because every use case has its one function and its docstring here; none has logic worth a file.
"""

from __future__ import annotations

import json
import re
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from app import config, workers
from app.access import AT_THIS_MACHINE, Actor, Right, needs, touches_no_log
from app.errors import CompanyRefused, NotInLog, RecoveryClosed, SightingWrong
from app.measuring import (
    Measured,
    PhotoIn,
    Refused,
    Watch,
    asked_disc,
    check_picture,
    give_photos,
    known_pool,
    measure_photos,
    normalised_picture,
    plain_picture,
    receive_photo,
    shipped_measurer,
    take_photos,
)
from app.records import (
    Assessment,
    Chemical,
    Company,
    Dose,
    Equipment,
    Pool,
    PriceList,
    Progress,
    Quote,
    Reading,
    Recovery,
    Sighted,
    Sighting,
    Standing,
    Step,
    Treatment,
    Visit,
    Work,
)
from app.rescoring import Rescored, RescoreSummary, rescore, summarise
from app.store import finding
from app.store.finding import RecoveryLine
from app.store.log import LOG_FILE, Log, new_id
from app.store.photos import sha256_of_file
from app.words import said
from app.workers import Job, Measure, Outcome

if TYPE_CHECKING:
    from app.treatment.change import Change
    from app.treatment.dosing import LabelRate
    from app.treatment.products import StrengthBasis
    from vision.calibration import Calibration
    from vision.strip import StripAsked

__all__ = [
    "BoardRow",
    "Log",
    "Measured",
    "MeasurementRow",
    "PhotoIn",
    "PoolRow",
    "PoolsFound",
    "Refused",
    "RescoreSummary",
    "Rescored",
    "VisitLogged",
    "add_photos",
    "add_pool",
    "asked_disc",
    "board",
    "card_geometry",
    "check_picture",
    "checked_address",
    "checked_sighting",
    "close_recovery",
    "company",
    "disc_geometry",
    "dose",
    "file_sha256",
    "find_pool",
    "find_pools",
    "find_pools_by_id",
    "find_recovery",
    "known_pool",
    "known_prices",
    "last_change",
    "log_visit",
    "measurements_of",
    "next_step",
    "normalised_picture",
    "open_log",
    "open_recoveries",
    "open_recovery",
    "photo_bytes",
    "plain_picture",
    "pool",
    "pools",
    "price_list",
    "progress",
    "quote",
    "read_photo_files",
    "receive_photo",
    "recoveries_of",
    "recovery",
    "reopen_recovery",
    "rescore",
    "rounds",
    "save_company",
    "save_price_list",
    "score",
    "set_price",
    "summarise",
    "update_pool",
    "update_visit",
    "warm_up",
    "write_card",
    "write_disc",
]


_ADDRESS = re.compile(r"https?://[A-Za-z0-9._-]+(:\d{1,5})?|https?://\[[0-9A-Fa-f:]+\](:\d{1,5})?")
"""A host by name or number, with or without a port; a path under it is not served."""

DEEPEST_SIGHTING_M = 10.0
"""Deepest sighting believed [m]: twice a diving pool's, against a slipped digit (our own choice)."""


@dataclass(frozen=True)
class VisitLogged:
    """A visit as saved, with what its photos said."""

    visit: Visit
    measured: tuple[Measured, ...]
    refused: tuple[Refused, ...]


@dataclass(frozen=True)
class BoardRow:
    """One open recovery on the board; `assessment` is of the last visit whose photos were measured."""

    recovery: Recovery
    last_visit: Visit | None
    assessment: Assessment | None
    progress: Progress
    step: Step
    thumbnail_sha256: str | None


@dataclass(frozen=True)
class PoolRow:
    """One pool of a list, with its recoveries, newest first, without their visits."""

    pool: Pool
    recoveries: tuple[RecoveryLine, ...]


@dataclass(frozen=True)
class PoolsFound:
    """One page of the pools that fit, by name, and how many fit in all."""

    rows: tuple[PoolRow, ...]
    count: int


@dataclass(frozen=True)
class MeasurementRow:
    """One measurement as kept; `result` is the JSON that `turnblue score` prints."""

    id: str
    photo_sha256: str
    pipeline_version: str
    model_id: str
    measured_at: datetime
    result: dict[str, Any]


@touches_no_log
def open_log(folder: Path | None = None, actor: Actor = AT_THIS_MACHINE) -> Log:
    """Open the log in `folder`, by default the one `app.config` names; use it as a context manager.

    `actor` is who acts: each use case checks their right, and pools they do not see are not there for them.

    Raises
    ------
    LogUnusable, LogNewer
        If it cannot be opened.
    """
    return Log(config.home_folder(folder), actor)


@needs(Right.ANYONE)
def company(log: Log) -> Company:
    """Return the company; one without a name before it was saved."""
    return log.company() or Company(name="")


@needs(Right.COMPANY)
def save_company(log: Log, changed: Company, *, at: datetime | None = None, by: str = "") -> None:
    """Save the company's name, phone, units, languages and public address.

    Raises
    ------
    CompanyRefused
        If the public address is none.
    """
    log.save_company(replace(changed, public_address=checked_address(changed.public_address)), at=at, who=by)


@touches_no_log
def checked_address(address: str) -> str:
    """Return the address at which a dashboard is reached, without the slash at its end; empty where it is not known.

    Raises
    ------
    CompanyRefused
        If it is no http or https address of a host.

    Examples
    --------
    >>> checked_address(" https://pools.example/ ")
    'https://pools.example'
    """
    plain = address.strip().rstrip("/")
    if plain and not _ADDRESS.fullmatch(plain):
        raise CompanyRefused(
            said("{address} is no address.", address=plain), said("Write it as https://pools.example.")
        )
    return plain


@needs(Right.LOOK)
def price_list(log: Log) -> PriceList:
    """Return the company's prices; an empty list before any was set."""
    return log.price_list()


@needs(Right.MONEY)
def save_price_list(log: Log, prices: PriceList, *, at: datetime | None = None, by: str = "") -> None:
    """Save the company's prices; the old ones stay in the history."""
    log.save_price_list(prices, at=at, who=by)


@touches_no_log
def known_prices(folder: Path | None = None) -> PriceList | None:
    """Return the prices of a log that is there already; None, and nothing made, where there is none.

    Raises
    ------
    LogUnusable, LogNewer
        If there is a log that cannot be opened.
    """
    place = config.home_folder(folder)
    if not (place / LOG_FILE).is_file():
        return None
    with Log(place) as log:
        return log.price_list()


@needs(Right.MONEY)
def set_price(
    log: Log,
    item: str,
    price: float,
    *,
    per_amount: float = 1.0,
    unit: str = "",
    currency: str | None = None,
    at: datetime | None = None,
) -> PriceList:
    """Set one price of the list: of so many L or kg of a chemical, of one "visit", or the fee for the "start".

    Raises
    ------
    NoPrice
        If the item is unknown or the price cannot be.
    """
    from app.treatment.prices import set_price as with_price

    prices = with_price(log.price_list(), item, price, per_amount=per_amount, unit=unit)
    prices = prices if currency is None else replace(prices, currency=currency)
    log.save_price_list(prices, at=at, who="")
    return prices


@needs(Right.LOOK)
def pools(log: Log) -> tuple[Pool, ...]:
    """Return all pools by name."""
    return log.pools()


@needs(Right.LOOK)
def pool(log: Log, pool_id: str) -> Pool:
    """Return one pool.

    Raises
    ------
    NotInLog
        If there is none of that id.
    """
    found = finding.pools_by_id(log, [pool_id]).get(pool_id)
    if found is None:
        raise NotInLog(said("There is no pool {id} in the log.", id=pool_id), "See what there is with: turnblue pools")
    return found


@needs(Right.LOOK)
def find_pools_by_id(log: Log, pool_ids: Collection[str]) -> tuple[Pool, ...]:
    """Return those of the pools named that are there and that the actor sees."""
    return tuple(finding.pools_by_id(log, pool_ids).values())


@needs(Right.LOOK)
def find_pools(log: Log, words: str = "", *, start: int = 0, most: int = 24) -> PoolsFound:
    """Return one page of the pools whose name, owner or town holds `words`, by name, and how many fit in all.

    Parameters
    ----------
    words : str
        Case and accents do not matter; none fit every pool.
    start, most : int
        From which number on, counted from 0, and how many.
    """
    found, count = finding.find_pools(log, words, start=start, most=most)
    lines = finding.recovery_lines(log, [each.id for each in found])
    return PoolsFound(tuple(PoolRow(each, lines[each.id]) for each in found), count)


@needs(Right.POOLS)
def add_pool(log: Log, pool: Pool, *, at: datetime | None = None, by: str = "") -> Pool:
    """Add a pool and return it as kept; an empty id is replaced by a new one.

    Raises
    ------
    AlreadyInLog
        If a pool of that id is there.
    """
    pool = replace(pool, id=pool.id.strip() or new_id("p"))
    log.add_pool(pool, at=at, who=by)
    return pool


@needs(Right.POOLS)
def update_pool(log: Log, pool: Pool, *, at: datetime | None = None, by: str = "") -> None:
    """Change a pool; what it was stays in the history."""
    log.update_pool(pool, at=at, who=by)


@needs(Right.START)
def open_recovery(log: Log, pool_id: str, *, at: datetime, by: str = "") -> Recovery:
    """Open a pool's recovery.

    Raises
    ------
    AlreadyInLog
        If the pool has an open one.
    NotInLog
        If there is no such pool.
    """
    return log.recovery(log.open_recovery(pool_id, at=at, who=by))


@needs(Right.CLOSE)
def close_recovery(log: Log, recovery_id: str, *, at: datetime, by: str = "") -> Recovery:
    """Close a recovery; closing a closed one changes nothing."""
    log.close_recovery(recovery_id, at=at, who=by)
    return log.recovery(recovery_id)


@needs(Right.CLOSE)
def reopen_recovery(log: Log, recovery_id: str, *, at: datetime, by: str = "") -> Recovery:
    """Take a closing back.

    Raises
    ------
    AlreadyInLog
        If the pool has another open recovery by now.
    """
    log.reopen_recovery(recovery_id, at=at, who=by)
    return log.recovery(recovery_id)


@needs(Right.LOOK)
def recovery(log: Log, recovery_id: str) -> Recovery:
    """Return one recovery with its visits, oldest first.

    Raises
    ------
    NotInLog
        If there is none of that id.
    """
    return log.recovery(recovery_id)


@needs(Right.LOOK)
def open_recoveries(log: Log) -> tuple[Recovery, ...]:
    """Return all open recoveries, oldest first."""
    return log.open_recoveries()


@needs(Right.LOOK)
def recoveries_of(log: Log, pool_id: str) -> tuple[Recovery, ...]:
    """Return a pool's recoveries, newest first."""
    return log.recoveries_of(pool_id)


@needs(Right.LOOK)
def find_pool(log: Log, words: str) -> Pool:
    """Return the pool a person means by its id or its whole name.

    Raises
    ------
    NotInLog
        If nothing or more than one fits.
    """
    found = finding.pools_named(log, words)
    if len(found) != 1:
        how_many = "More than one pool is" if found else "No pool is"
        raise NotInLog(f"{how_many} called {words!r}.", "See them with: turnblue pools")
    return found[0]


@needs(Right.LOOK)
def find_recovery(log: Log, words: str) -> Recovery:
    """Return the recovery a person means by its id, a pool's id or name, or the beginning of its id or the name.

    A pool stands for its open recovery, else its newest.

    Raises
    ------
    NotInLog
        If nothing or more than one fits.
    """
    wanted = words.strip().casefold()
    whole = [each.id for each in finding.pools_named(log, wanted)] if wanted else []
    begun = [each.id for each in finding.pools_named(log, wanted, begun=True)] if wanted and not whole else []
    lines = finding.recovery_lines(log, whole or begun)
    found = [_open_first(lines[pool_id])[0].id for pool_id in whole or begun if lines[pool_id]]
    if not whole and wanted:
        found += [each for each in log.recovery_ids(wanted) if each not in found]
    if len(found) == 1:
        return log.recovery(found[0])
    if found:
        raise NotInLog(f"More than one recovery fits {words!r}.", "Give the recovery's id: turnblue pools lists them.")
    raise NotInLog(f"No recovery fits {words!r}.", "See pools and recoveries with: turnblue pools")


def _open_first(lines: Sequence[RecoveryLine]) -> list[RecoveryLine]:
    """Return a pool's recoveries, the open one first, then newest first."""
    return sorted(lines, key=lambda each: each.closed_at is not None)


@needs(Right.VISIT)
def log_visit(
    log: Log,
    recovery_id: str,
    *,
    at: datetime,
    by: str,
    photos: Sequence[PhotoIn] = (),
    equipment: Equipment | None = None,
    readings: Sequence[Reading] = (),
    treatments: Sequence[Treatment] = (),
    work: Sequence[Work] = (),
    floor_seen: bool | None = None,
    debris_on_floor: bool | None = None,
    sightings: Sequence[Sighting] = (),
    sighted: Sighted | None = None,
    note: str = "",
    progress: Watch | None = None,
    received_at: datetime | None = None,
    measure: Measure | None = None,
) -> VisitLogged:
    """Save a visit with its photos, measure them, and return what they said.

    First the photos' bytes are on disk, then the visit with all that was noted, then each photo is measured and
    its measurement appended: whatever happens while measuring, the visit and its photos stay.

    Parameters
    ----------
    at : datetime
        When the visit was, with its zone.
    by : str
        Who made it.
    photos : sequence of PhotoIn
        The same photo twice is taken once; a photo of another visit is refused.
    progress : callable, optional
        Told how many photos are measured, of how many.
    received_at : datetime, optional
        When the photos arrived; by default `at`.
    measure : callable, optional
        Measures one job; by default `vision` with the shipped grader.

    Raises
    ------
    RecoveryClosed
        If the recovery is closed.
    NotInLog
        If there is no such recovery.
    """
    into = _still_open(log, recovery_id)
    visit = Visit(
        id=new_id("v"),
        recovery_id=recovery_id,
        at=at,
        by=by.strip(),
        equipment=equipment or Equipment(),
        readings=tuple(readings),
        treatments=tuple(treatments),
        work=tuple(work),
        floor_seen=floor_seen,
        debris_on_floor=debris_on_floor,
        sightings=tuple(sightings),
        sighted=checked_sighting(sighted or Sighted()),
        note=note.strip(),
    )
    arrived = received_at or at
    taken, refused = take_photos(log, photos, received_at=arrived, by=by)
    with log.atomic():
        log.save_visit(visit, at=at, who=by)
        given, not_given = give_photos(log, visit.id, taken, at=arrived, by=by)
    measured, unread = measure_photos(log, given, into.pool, at=arrived, measure=measure, progress=progress)
    return VisitLogged(log.visit(visit.id), measured, (*refused, *not_given, *unread))


@needs(Right.VISIT)
def add_photos(
    log: Log,
    visit_id: str,
    photos: Sequence[PhotoIn],
    *,
    at: datetime,
    by: str,
    progress: Watch | None = None,
    measure: Measure | None = None,
) -> VisitLogged:
    """Add photos to a visit that is in the log, a retake for instance, and measure them; as `log_visit`."""
    into = _still_open(log, log.visit(visit_id).recovery_id)
    taken, refused = take_photos(log, photos, received_at=at, by=by)
    with log.atomic():
        given, not_given = give_photos(log, visit_id, taken, at=at, by=by)
    measured, unread = measure_photos(log, given, into.pool, at=at, measure=measure, progress=progress)
    return VisitLogged(log.visit(visit_id), measured, (*refused, *not_given, *unread))


@needs(Right.VISIT)
def update_visit(log: Log, changed: Visit, *, at: datetime, by: str, measure: Measure | None = None) -> Visit:
    """Correct a visit: save `changed` (a `dataclasses.replace` of the visit); what it was stays in the history.

    The assessment follows from the photos and is not changed by hand; photos are added by `add_photos`. Where the
    sighting disc's depth changes, the visit's photos are measured with it.

    Raises
    ------
    NotInLog
        If there is no such visit.
    SightingWrong
        If something is said to be seen deeper than what is said not to be seen.
    ValueError
        If the visit would move to another recovery.
    """
    before = log.visit(changed.id)
    if changed.recovery_id != before.recovery_id:
        raise ValueError(f"recovery_id must stay {before.recovery_id!r}, got {changed.recovery_id!r}")
    now, was = checked_sighting(changed.sighted), before.sighted
    log.save_visit(changed, at=at, who=by)
    if (now.disc_depth_m, now.disc_lost) != (was.disc_depth_m, was.disc_lost) and before.photo_sha256s:
        given = {sha256: (log.photo(sha256) or {}).get("original_name", sha256) for sha256 in before.photo_sha256s}
        pool = log.recovery(before.recovery_id).pool
        measure_photos(log, given, pool, at=at, measure=measure, progress=None)
    return log.visit(changed.id)


@needs(Right.LOOK)
def next_step(log: Log, recovery_id: str, *, now: datetime) -> Step:
    """Return the recommended next step of a recovery, in the company's units."""
    return _step(log.recovery(recovery_id), now, company(log).units)


@needs(Right.LOOK)
def last_change(log: Log, recovery_id: str) -> Change | None:
    """Return whether the water changed between a recovery's last two measured visits; None before there are two."""
    from app.treatment.change import last_change as find_change

    return find_change(log.recovery(recovery_id))


@touches_no_log
def checked_sighting(sighted: Sighted) -> Sighted:
    """Return what a person saw of the water's depth, where it can be so.

    Raises
    ------
    SightingWrong
        If a depth is not above 0, or what is seen lies deeper than what is not.
    """
    depths = (sighted.disc_depth_m, sighted.seen_at_m, sighted.not_seen_at_m)
    if any(each is not None and not 0 < each <= DEEPEST_SIGHTING_M for each in depths):
        raise SightingWrong(
            "A depth under water lies between 0 and 10 m (33 ft).", "Read it from the pole again and type it anew."
        )
    if sighted.seen_at_m and sighted.not_seen_at_m and sighted.seen_at_m >= sighted.not_seen_at_m:
        raise SightingWrong(
            "What is seen lies deeper than what is not seen.",
            "Give the depth of the deepest thing seen, and of the shallowest thing not seen any more.",
        )
    return sighted


@needs(Right.LOOK)
def progress(log: Log, recovery_id: str, *, now: datetime) -> Progress:
    """Return how far a recovery has come and when it is expected to be clear."""
    return _progress(log.recovery(recovery_id), now)


@needs(Right.LOOK)
def quote(log: Log, recovery_id: str, *, now: datetime) -> Quote:
    """Return what a recovery is expected to take, from its first measured visit and the company's prices.

    Raises
    ------
    CannotQuote
        If no visit was measured yet, the volume is not known, or the pool is public.
    """
    from app.treatment.quote import quote as make_quote

    return make_quote(log.recovery(recovery_id), now, prices=log.price_list(), units=company(log).units)


@needs(Right.LOOK)
def board(log: Log, *, now: datetime) -> tuple[BoardRow, ...]:
    """Return all open recoveries, those first that need someone most.

    First stalled ones, then overdue visits, then failed photos, equipment waited on, ready for hand-over, not
    started, and the rest; within each by when the next visit is due, then by the pool's name.
    """
    units = company(log).units
    rows = []
    for each in log.open_recoveries():
        last_measured = next((visit for visit in reversed(each.visits) if visit.assessment is not None), None)
        rows.append(
            BoardRow(
                recovery=each,
                last_visit=each.visits[-1] if each.visits else None,
                assessment=None if last_measured is None else last_measured.assessment,
                progress=_progress(each, now),
                step=_step(each, now, units),
                thumbnail_sha256=_thumbnail(each),
            )
        )
    return tuple(sorted(rows, key=lambda row: _urgency(row, now)))


def _thumbnail(of: Recovery) -> str | None:
    """Return the photo that shows a recovery: of the newest usable assessment, else of the newest at all."""
    assessments = [visit.assessment for visit in reversed(of.visits) if visit.assessment is not None]
    chosen = next((each for each in assessments if each.usable), assessments[0] if assessments else None)
    return None if chosen is None else chosen.photo_sha256


def _urgency(row: BoardRow, now: datetime) -> tuple[int, datetime, str]:
    """Return what the board is sorted by."""
    standing = row.progress.standing
    photo_failed = (
        row.last_visit is not None and row.last_visit.assessment is not None and not row.last_visit.assessment.usable
    )
    reasons = (
        standing is Standing.STALLED,
        row.progress.overdue,
        photo_failed,
        standing is Standing.WAITING_ON_EQUIPMENT,
        standing is Standing.READY,
        standing is Standing.NOT_STARTED,
    )
    place = reasons.index(True) if True in reasons else len(reasons)
    return place, row.progress.next_visit_due or now, row.recovery.pool.name.casefold()


@touches_no_log
def dose(
    chemical: Chemical,
    *,
    volume_l: float,
    change_mg_l: float | None = None,
    strength_pct: float | None = None,
    label_rate: LabelRate | None = None,
    basis: StrengthBasis | None = None,
    age_days: float = 0.0,
    storage_c: float = 25.0,
    volume_doubt: float | None = None,
    prices: PriceList | None = None,
    units: str = "us",
) -> Dose:
    """Return the dose of one chemical for one change in one pool, with its arithmetic and cautions.

    Parameters
    ----------
    volume_l : float
        The pool's volume [L].
    change_mg_l : float, optional
        By how much to raise or lower what the chemical changes [mg/L]; not for chemicals dosed by their label.
    strength_pct : float, optional
        Strength on the label [%]; the usual one where it is left out, and the arithmetic says so.
    label_rate : LabelRate, optional
        The label's own rate, for chemicals dosed by it.
    basis : StrengthBasis, optional
        What the label's per cent of liquid chlorine means; trade % by default.
    age_days, storage_c : float, optional
        Liquid chlorine: days since it was made, and where it was kept [deg C].
    volume_doubt : float, optional
        Share by which the volume may be off either way, at most 0.5; one in ten by default.
    prices : PriceList, optional
        The company's, for the cost.
    units : str
        "us" or "metric", for the words; the amount is in L or kg.

    Raises
    ------
    CannotDose
        If something needed is missing or impossible.
    """
    from app.treatment.dosing import VOLUME_DOUBT, dose_for
    from app.treatment.prices import with_cost
    from app.treatment.products import StrengthBasis

    found = dose_for(
        chemical,
        volume_l=volume_l,
        change_mg_l=change_mg_l,
        strength_pct=strength_pct,
        label_rate=label_rate,
        basis=basis or StrengthBasis.TRADE,
        age_days=age_days,
        storage_c=storage_c,
        volume_doubt=VOLUME_DOUBT if volume_doubt is None else volume_doubt,
        units=units,
    )
    return with_cost(found, prices)


@touches_no_log
def rounds(chemicals: Sequence[Chemical]) -> tuple[tuple[Chemical, ...], ...]:
    """Return in which rounds several chemicals go in, so that none meets what it must not meet."""
    from app.treatment.cautions import in_rounds

    return in_rounds(chemicals)


@needs(Right.LOOK)
def photo_bytes(log: Log, sha256: str) -> bytes:
    """Return an original byte for byte, checked against its sha256.

    Raises
    ------
    NotInLog, PhotoDamaged
        If the log has no such photo, or its file is missing or altered.
    """
    return log.photo_bytes(sha256)


@needs(Right.LOOK)
def measurements_of(log: Log, sha256: str) -> tuple[MeasurementRow, ...]:
    """Return all measurements of a photo, newest first."""
    return tuple(
        MeasurementRow(
            id=row["id"],
            photo_sha256=sha256,
            pipeline_version=row["pipeline_version"],
            model_id=row["model_id"],
            measured_at=datetime.fromisoformat(row["measured_at"]),
            result=json.loads(row["result"]),
        )
        for row in log.measurements_of(sha256)
    )


@touches_no_log
def score(
    paths: Sequence[Path],
    *,
    known: Any = None,
    disc: Any = None,
    normalised_folder: Path | None = None,
    check_folder: Path | None = None,
    workers_asked: int | None = None,
    measure: Measure | None = None,
    calibrations: tuple[Calibration, ...] = (),
    strip: StripAsked | None = None,
) -> Iterator[Outcome]:
    """Measure photos that need not be in any log, on all cores, in the order given.

    Parameters
    ----------
    known : vision.features.KnownPool, optional
        What is known of the pool that all these photos show.
    disc : vision.disc.DiscAsked, optional
        The sighting disc's depth in them as read from the pole, from `asked_disc`.
    normalised_folder, check_folder : Path, optional
        Where to write each photo colour-normalised, and its check picture.
    workers_asked : int, optional
        How many worker programs; by default one a core.
    calibrations : tuple of Calibration
        The measured print runs of the card, from `app.cards.calibration_of`.
    strip : StripAsked, optional
        The photos show test strips of this kind, and no water is graded.
    """
    jobs = [
        Job(
            path,
            path.name,
            known,
            None,
            normalised_folder,
            check_folder,
            disc=disc,
            calibrations=calibrations,
            strip=strip,
        )
        for path in paths
    ]
    return workers.measure_all(jobs, measure=measure or shipped_measurer(), workers=workers_asked)


@touches_no_log
def warm_up() -> None:
    """Start a worker program and have it load what it measures with, so that the first photo need not wait for it."""
    workers.warm_up(shipped_measurer())


@touches_no_log
def read_photo_files(paths: Sequence[Path]) -> tuple[tuple[PhotoIn, ...], tuple[Refused, ...]]:
    """Return files as photos that arrive, and those that cannot be opened or are too large to be one."""
    arrived, refused = [], []
    for path in paths:
        try:
            if path.stat().st_size > config.MAX_PHOTO_MB * 1e6:
                refused.append(Refused(path.name, f"The file is larger than {config.MAX_PHOTO_MB} MB."))
            else:
                arrived.append(PhotoIn(path.name, path.read_bytes()))
        except OSError as error:
            refused.append(Refused(path.name, f"The file could not be opened ({error.strerror or error})."))
    return tuple(arrived), tuple(refused)


@touches_no_log
def file_sha256(path: Path) -> str | None:
    """Return a file's sha256, None where it cannot be read, is empty or is no plain file."""
    try:
        return sha256_of_file(path) if path.is_file() and path.stat().st_size else None
    except OSError:
        return None


@touches_no_log
def card_geometry() -> dict[str, Any]:
    """Return the printable card's geometry, enough to draw it."""
    from vision.specs import load_card

    return load_card().to_json()


@touches_no_log
def disc_geometry() -> dict[str, Any]:
    """Return the printable sighting disc's geometry, enough to draw it."""
    from vision.specs import load_disc

    return load_disc().to_json()


@touches_no_log
def write_disc(path: Path, *, paper: str) -> None:
    """Write the printable sighting disc as a PDF at true size; `paper` is "letter" or "a4"."""
    from app.report.card_pdf import Paper
    from app.report.disc_pdf import write_disc_pdf

    write_disc_pdf(path, paper=Paper(paper))


@touches_no_log
def write_card(path: Path, *, number: int, paper: str) -> None:
    """Write the printable card as a PDF at true size.

    Parameters
    ----------
    number : int
        The number printed on the card.
    paper : str
        "letter" or "a4".
    """
    from app.report.card_pdf import Paper, write_card_pdf

    write_card_pdf(path, card_number=number, paper=Paper(paper))


def _still_open(log: Log, recovery_id: str) -> Recovery:
    """Return the recovery, or say that it is closed."""
    found = log.recovery(recovery_id)
    if found.closed_at is not None:
        raise RecoveryClosed(
            said(
                "The recovery of {pool} was closed on {day}.", pool=found.pool.name, day=f"{found.closed_at:%Y-%m-%d}"
            ),
            "Open a new recovery for the pool.",
        )
    return found


def _step(of: Recovery, now: datetime, units: str) -> Step:
    """Return a recovery's next step."""
    from app.treatment.plan import next_step as plan_next_step

    return plan_next_step(of, now, units=units)


def _progress(of: Recovery, now: datetime) -> Progress:
    """Return a recovery's progress."""
    from app.treatment.progress import progress as judge_progress

    return judge_progress(of, now)
