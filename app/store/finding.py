"""Finds pools among thousands: by what a person types, one page at a time, by name, by place.

In: an open `Log`. Out: `Pool`s, how many fit, and light rows where a whole pool is not needed. Nothing here reads all
pools as records: that alone takes longer than a page may.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime

from app.records import Pool
from app.store.log import Log, folded
from app.store.rows import Row, from_json

NAMED_AT_ONCE = 500
"""Ids in one query: below SQLite's least limit of variables, 999 (sqlite.org/limits.html, from memory)."""


@dataclass(frozen=True)
class RecoveryLine:
    """A recovery without its visits: of which pool, from when to when."""

    id: str
    pool_id: str
    opened_at: datetime
    closed_at: datetime | None


def find_pools(log: Log, words: str, *, start: int, most: int) -> tuple[tuple[Pool, ...], int]:
    """Return the pools whose name, owner or town holds `words`, by name, `most` from number `start` on; and how many.

    Case and accents do not matter; no words fit every pool.
    """
    seen, told = _seen(log)
    if words.strip():
        seen += " and instr(folded(name || char(10) || owner || char(10) || town), ?)"
        told = (*told, folded(words.strip()))
    count = int(log._rows(f"select count(*) as n from pools where {seen}", *told)[0]["n"])
    query = f"select * from pools where {seen} order by name collate nocase, id limit ? offset ?"
    return tuple(from_json(Pool, row) for row in log._rows(query, *told, most, start)), count


def pools_named(log: Log, words: str, *, begun: bool = False) -> tuple[Pool, ...]:
    """Return the pools that are called so by id or name, or with `begun` those whose name begins so."""
    wanted = folded(words.strip())
    fits = "substr(folded(name), 1, length(?1)) = ?1" if begun else "folded(name) = ?1 or folded(id) = ?1"
    query = f"select * from pools where ({fits}) and is_mine(id) order by name collate nocase, id"
    found = tuple(from_json(Pool, row) for row in log._rows(query, wanted))
    # Two that differ in an accent alone are told apart by it.
    exact = words.strip().casefold()
    same = tuple(
        each
        for each in found
        if (each.name.casefold().startswith(exact) if begun else exact in (each.id.casefold(), each.name.casefold()))
    )
    return same or found


def pools_by_id(log: Log, pool_ids: Collection[str]) -> dict[str, Pool]:
    """Return those of the pools named that are there and that the actor sees, by id."""
    wanted, found = sorted(set(pool_ids)), {}
    for first in range(0, len(wanted), NAMED_AT_ONCE):
        part = wanted[first : first + NAMED_AT_ONCE]
        query = f"select * from pools where id in ({', '.join('?' * len(part))}) and is_mine(id)"
        found |= {row["id"]: from_json(Pool, row) for row in log._rows(query, *part)}
    return found


def pool_places(log: Log) -> list[Row]:
    """Return id, latitude_deg and longitude_deg of all pools."""
    seen, told = _seen(log)
    return log._rows(f"select id, latitude_deg, longitude_deg from pools where {seen}", *told)


def pools_in_recovery(log: Log) -> frozenset[str]:
    """Return the ids of the pools that have an open recovery."""
    query = "select pool_id from recoveries where closed_at is null and is_mine(pool_id)"
    return frozenset(row["pool_id"] for row in log._rows(query))


def recovery_lines(log: Log, pool_ids: Collection[str]) -> dict[str, tuple[RecoveryLine, ...]]:
    """Return the recoveries of pools without their visits, newest first, by pool."""
    wanted, found = sorted(set(pool_ids)), dict.fromkeys(pool_ids, ())
    for first in range(0, len(wanted), NAMED_AT_ONCE):
        part = wanted[first : first + NAMED_AT_ONCE]
        query = (
            f"select * from recoveries where pool_id in ({', '.join('?' * len(part))}) and is_mine(pool_id) "
            "order by julianday(opened_at) desc, id"
        )
        for row in log._rows(query, *part):
            line = RecoveryLine(
                row["id"],
                row["pool_id"],
                datetime.fromisoformat(row["opened_at"]),
                None if row["closed_at"] is None else datetime.fromisoformat(row["closed_at"]),
            )
            found[line.pool_id] = (*found[line.pool_id], line)
    return found


def _seen(log: Log) -> tuple[str, tuple[str, ...]]:
    """Return the condition for pools that the actor sees; who sees all pays nothing for it."""
    return ("1", ()) if log.actor.sees_all else ("is_mine(id)", ())
