"""Grades that a person confirmed or corrected, in the log.

In: an open `Log`. Out: `Confirmed`. A confirmation is appended beside the measurement it was made before; the newest
of a photo counts.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from app.store.log import Log
from app.store.rows import clean_text, from_json, time_text
from vision.results import Clarity, Severity


@dataclass(frozen=True)
class Confirmed:
    """One photo's confirmed grades, the given ones, and what is known of its pool.

    `given_*` are None where the photo got no grade, `clarity` or `severity` where nobody said it. `model_id` is the
    grader's that gave the grades, `usable` whether it stood by them.
    """

    sha256: str
    pool_id: str
    confirmed_at: datetime
    confirmed_by: str
    clarity: Clarity | None
    severity: Severity | None
    given_clarity: Clarity | None
    given_severity: Severity | None
    usable: bool
    model_id: str
    depth_shallow_m: float | None
    depth_deep_m: float | None


def add_confirmation(
    log: Log,
    sha256: str,
    measurement_id: str,
    *,
    clarity: Clarity | None,
    severity: Severity | None,
    at: datetime,
    who: str,
) -> None:
    """Append a confirmation."""
    row = {
        "measurement_id": measurement_id,
        "sha256": sha256,
        "confirmed_at": time_text(at),
        "confirmed_by": clean_text(who),
        "clarity": clarity,
        "severity": severity,
    }
    with log.atomic():
        log._db.table("confirmations").insert(row)


def confirmations(log: Log) -> tuple[Confirmed, ...]:
    """Return every photo's newest confirmation, oldest first; photos without a visit are left out."""
    rows = log._rows(
        "select c.sha256, r.pool_id, c.confirmed_at, c.confirmed_by, c.clarity, c.severity, "
        "json_extract(m.result, '$.water.clarity.grade') as given_clarity, "
        "json_extract(m.result, '$.water.severity.grade') as given_severity, "
        "coalesce(json_extract(m.result, '$.usable'), 0) as usable, m.model_id, p.depth_shallow_m, p.depth_deep_m "
        "from confirmations as c join measurements as m on m.id = c.measurement_id "
        "join photos as f on f.sha256 = c.sha256 join visits as v on v.id = f.visit_id "
        "join recoveries as r on r.id = v.recovery_id join pools as p on p.id = r.pool_id "
        "where c.seq = (select max(seq) from confirmations where sha256 = c.sha256) and is_mine(r.pool_id) "
        "order by c.seq"
    )
    return tuple(from_json(Confirmed, {**row, "usable": bool(row["usable"])}) for row in rows)
