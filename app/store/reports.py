"""Reports that were made, the customers' links, and the company's logo, in the log.

In: an open `Log`. Out: rows, and `LinkRow`. A link's token is never here, only its sha256. A report is appended with
everything it said, so that it can be made again as it was, whatever is corrected later.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from app.errors import NotInLog
from app.store.log import Log, new_id
from app.store.photos import sha256_of
from app.store.rows import Row, clean_text, from_json, time_text, to_row


@dataclass(frozen=True)
class LinkRow:
    """A customer's link as kept: which recovery it shows, in which language and time zone, and until when."""

    id: str
    recovery_id: str
    token_sha256: str
    language: str
    zone: str
    made_at: datetime
    made_by: str
    expires_at: datetime
    withdrawn_at: datetime | None = None

    def is_open(self, now: datetime) -> bool:
        """Return whether it still opens: neither expired nor withdrawn."""
        return self.withdrawn_at is None and now < self.expires_at


def append_report(
    log: Log,
    recovery_id: str,
    *,
    form: str,
    content: Any,
    measurement_ids: Sequence[str],
    at: datetime,
    who: str,
) -> str:
    """Append a report with what it said and the measurements it rests on; return its id.

    Parameters
    ----------
    form : str
        "pdf" or "png".
    content : JSON value
        Everything it said.
    """
    row = {
        "id": new_id("p"),
        "recovery_id": recovery_id,
        "made_at": time_text(at),
        "made_by": clean_text(who),
        "form": form,
        "measurement_ids": json.dumps(list(measurement_ids)),
        "content": json.dumps(content, allow_nan=False),
    }
    with log.atomic():
        log._db.table("reports").insert(row)
    return str(row["id"])


def report_row(log: Log, report_id: str) -> Row:
    """Return a report's row.

    Raises
    ------
    NotInLog
        If there is none of that id.
    """
    return log._one("reports", report_id, "report")


def reports_of(log: Log, recovery_id: str) -> list[Row]:
    """Return a recovery's reports, newest first, without what they said."""
    return log._rows(
        "select id, recovery_id, made_at, made_by, form, measurement_ids from reports "
        "where recovery_id = ? order by julianday(made_at) desc, rowid desc",
        recovery_id,
    )


def add_link(log: Log, link: LinkRow) -> None:
    """Keep a new link; the recovery must be there."""
    with log.atomic():
        log._one("recoveries", link.recovery_id, "recovery")
        row = to_row(link, leave_out=("id",))
        log._put("links", {"id": link.id}, row, at=link.made_at, who=link.made_by)


def link_row(log: Log, link_id: str) -> LinkRow | None:
    """Return a link, None where there is none of that id."""
    return next((from_json(LinkRow, row) for row in log._rows("select * from links where id = ?", link_id)), None)


def pool_id_of(log: Log, link: LinkRow) -> str:
    """Return the pool whose recovery a link shows."""
    return str(log._one("recoveries", link.recovery_id, "recovery")["pool_id"])


def links_of(log: Log, recovery_id: str) -> tuple[LinkRow, ...]:
    """Return a recovery's links, newest first."""
    query = "select * from links where recovery_id = ? order by julianday(made_at) desc, rowid desc"
    return tuple(from_json(LinkRow, row) for row in log._rows(query, recovery_id))


def close_link(log: Log, link_id: str, *, at: datetime, who: str) -> None:
    """Withdraw a link for good; one that is withdrawn already stays as it is.

    Raises
    ------
    NotInLog
        If there is none of that id.
    """
    with log.atomic():
        found = link_row(log, link_id)
        if found is None:
            raise NotInLog(f"There is no link {link_id} in the log.", "See a pool's links on its page.")
        if found.withdrawn_at is None:
            log._put("links", {"id": link_id}, {"withdrawn_at": time_text(at)}, at=at, who=who)


def keep_logo(log: Log, png: bytes) -> str:
    """Keep a logo's picture and return its sha256."""
    sha256 = sha256_of(png)
    with log.atomic():
        log._db.table("logos").insert({"sha256": sha256, "png": png}, ignore=True)
    return sha256


def logo(log: Log, sha256: str) -> bytes | None:
    """Return a kept logo as PNG, None where there is none of that sha256."""
    return next((row["png"] for row in log._rows("select png from logos where sha256 = ?", sha256)), None)
