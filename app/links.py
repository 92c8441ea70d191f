"""The customer's link: give one out, withdraw it, open it without an account.

In: an open `Log`, the time, the pool's time zone, a language. Out: a link's token, said once and kept only as its
sha256, and what the link shows: its recovery as it stands when it is opened, and nothing else.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
from dataclasses import dataclass
from datetime import datetime, timedelta

from app import actions, reports
from app.access import Actor, Right, Role, needs
from app.errors import TurnblueError
from app.report.customer_page import CustomerPage
from app.reports import CannotReport
from app.store import reports as kept
from app.store.log import Log, new_id
from app.store.reports import LinkRow
from app.words import translate

__all__ = ["LINK_DAYS", "LinkMade", "LinkNotOpen", "LinkRow", "links_of", "make_link", "open_link", "withdraw_link"]

LINK_DAYS = (7, 30, 90)
"""For how long a link may be given out [days]: a clean-up takes days to weeks (our choice)."""

TOKEN_BYTES = 32
"""Random bytes in a link's token: 256 bits, twice what OWASP asks of a session's id (from memory)."""


class LinkNotOpen(TurnblueError):
    """The link does not open: unknown, expired or withdrawn; who holds it is not told which."""

    code = "link_not_open"


@dataclass(frozen=True)
class LinkMade:
    """A link just given out. `token` is said this once: the log keeps only its sha256."""

    id: str
    token: str
    expires_at: datetime

    @property
    def path(self) -> str:
        """Return the link's place on the dashboard's address."""
        return f"/r/{self.token}"


@needs(Right.REPORT)
def make_link(
    log: Log,
    recovery_id: str,
    *,
    now: datetime,
    days: int = 30,
    zone: str = "UTC",
    language: str | None = None,
    by: str = "",
) -> LinkMade:
    """Give out a link that shows one recovery to who holds it, without an account, until it ends or is withdrawn.

    Parameters
    ----------
    days : int
        For how long; 1 to 365.

    Raises
    ------
    CannotReport
        If the days or the language cannot be.
    NotInLog
        If there is no such recovery.
    """
    if not 1 <= days <= 365:
        raise CannotReport(f"A link lasts 1 to 365 days, not {days}.", "Choose a number of days between them.")
    spoken = reports.language_of(log, language)
    link_id = new_id("k")
    token = f"{link_id}.{secrets.token_urlsafe(TOKEN_BYTES)}"
    expires_at = now + timedelta(days=days)
    link = LinkRow(link_id, recovery_id, _token_sha256(token), spoken, zone, now, by, expires_at)
    kept.add_link(log, link)
    # Its pictures are made now: who opens it on a phone does not wait for them.
    reports.pictures_of(log, reports.content_of(log, recovery_id, now, zone, spoken), small=True)
    return LinkMade(link_id, token, expires_at)


@needs(Right.REPORT)
def withdraw_link(log: Log, link_id: str, *, now: datetime, by: str = "") -> None:
    """Withdraw a link at once and for good."""
    kept.close_link(log, link_id, at=now, who=by)


@needs(Right.REPORT)
def links_of(log: Log, recovery_id: str) -> tuple[LinkRow, ...]:
    """Return the links given out for a recovery, newest first; without their tokens, which nobody keeps."""
    return kept.links_of(log, recovery_id)


@needs(Right.ANYONE)
def open_link(log: Log, token: str, *, now: datetime) -> CustomerPage:
    """Return what a link shows: its recovery as it stands now, and nothing else.

    Raises
    ------
    LinkNotOpen
        If the link is unknown, expired or withdrawn; the sentence is the same for all three.
    """
    link = kept.link_row(log, token.partition(".")[0])
    # Compared also where there is none, and in constant time: how long it takes tells nothing.
    fits = hmac.compare_digest(_token_sha256(token), link.token_sha256 if link else "0" * 64)
    if link is None or not fits or not link.is_open(now):
        raise LinkNotOpen("This link is not open.", "Ask your pool company for a new one.")
    with log.acting_as(Actor(Role.LINK, pool_ids=frozenset({kept.pool_id_of(log, link)}))):
        report = reports.content_of(log, link.recovery_id, now, link.zone, link.language)
        pictures = reports.pictures_of(log, report, small=True)
        until = translate(link.language, actions.company(log).units).day(
            link.expires_at.astimezone(reports.zone_of(link.zone))
        )
        return CustomerPage(report, pictures, reports.company_logo(log), until)


def _token_sha256(token: str) -> str:
    return hashlib.sha256(token.encode("utf-8", "replace")).hexdigest()
