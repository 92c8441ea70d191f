"""What every run of a page is given: the open log, the company, the time, the links; and the pictures.

In: the running Streamlit session. Out: a `Desk`. The log is opened for each run and closed after it, because a
database connection must not wander from thread to thread; pictures and the grader are kept by what makes them.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import streamlit as st

from app import actions, people
from app.access import NO_ONE, Actor
from app.config import home_folder
from app.dashboard.company_sign_in import PUBLIC_URL
from app.dashboard.gate import session_token
from app.dashboard.speech import _, speaking
from app.dashboard.units import Units, units_of
from app.errors import TurnblueError
from app.records import Company
from app.words import language_of, translate
from vision.errors import VisionError

if TYPE_CHECKING:
    from app.store.log import Log

CHECK_WIDTH_PX = 1200
"""Width of a check picture [px]: sharp on a phone held across, about 150 kB (our choice)."""


@dataclass(frozen=True)
class Desk:
    """What a page works with. `pages` are the links by name, `nav` the ones in the head, `actor` who is signed in."""

    log: Log
    folder: Path
    company: Company
    units: Units
    now: datetime
    zone: tzinfo
    pages: Mapping[str, Any]
    nav: tuple[str, ...]
    ground: str
    actor: Actor

    def local(self, at: datetime) -> datetime:
        """Return a time in the reader's own zone."""
        return at.astimezone(self.zone)

    @property
    def us(self) -> bool:
        """Whether times and units are written the US way."""
        return self.units.name == "us"


@contextmanager
def desk(pages: Mapping[str, Any], nav: tuple[str, ...]) -> Iterator[Desk]:
    """Open the log for one run and give the page what it works with.

    Raises
    ------
    TurnblueError
        If the log cannot be opened; its sentence says why.
    """
    folder = home_folder(None, os.environ)
    with actions.open_log(folder, NO_ONE) as log:
        # Looked up anew at every run: who is signed out, or has another role now, is so at once.
        now = datetime.now(UTC)
        log.actor = people.actor_of(log, session_token(st.context.cookies), now=now)
        company = actions.company(log)
        units = units_of(company.units)
        with speaking(translate(language_of(log.actor.language, company.team_language), units.name)):
            yield Desk(
                log=log,
                folder=folder,
                company=company,
                units=units,
                now=now,
                zone=reader_zone(),
                pages=pages,
                nav=nav,
                ground=ground(),
                actor=log.actor,
            )


def reader_zone() -> tzinfo:
    """Return the time zone of the reader's device, UTC where it does not say."""
    name = st.context.timezone
    if name:
        try:
            return ZoneInfo(name)
        except (ZoneInfoNotFoundError, ValueError):
            pass
    return UTC


def ground() -> str:
    """Return "dark" where the reader's device is set so, else "light"."""
    return "dark" if getattr(st.context.theme, "type", None) == "dark" else "light"


def query(name: str) -> str:
    """Return one value of the address line, empty where it is not there."""
    return str(st.query_params.get(name, ""))


def site(company: Company) -> str:
    """Return the address at which others reach the dashboard, empty where it is not known.

    The company's setting comes first, then the server's (`PUBLIC_URL`), then the address in this browser; this
    machine's own name opens on no phone.
    """
    known = company.public_address or os.environ.get(PUBLIC_URL, "").strip().rstrip("/")
    if known:
        return known
    scheme, rest = (st.context.url or "http://localhost").split("://", 1)
    host = rest.split("/")[0]
    return "" if host.split(":")[0] in ("localhost", "127.0.0.1", "[") else f"{scheme}://{host}"


def page_number(name: str, words: str) -> int:
    """Return which page of a list is shown, counted from 0; another search begins at the first one again."""
    if st.session_state.get(f"{name}-turned-for") != words:
        st.session_state[f"{name}-turned-for"] = words
        st.session_state[f"{name}-page"] = 0
    return int(st.session_state[f"{name}-page"])


def show_turner(name: str, page: int, count: int, at_once: int) -> None:
    """Show which part of a list this is, and the way to the others."""

    def turn(to: int) -> None:
        st.session_state[f"{name}-page"] = to

    last = (count - 1) // at_once
    first = page * at_once + 1
    said = _("{first} to {last} of {count}", first=first, last=min(first + at_once - 1, count), count=f"{count:,}")
    st.html(f'<div class="tb-quiet" role="status">{said}</div>')
    if last:
        with st.container(horizontal=True, key=f"tb-turn-{name}"):
            st.button(_("Earlier page"), on_click=turn, args=(page - 1,), disabled=page == 0, key=f"{name}-back")
            st.button(_("Next page"), on_click=turn, args=(page + 1,), disabled=page >= last, key=f"{name}-on")


def picture(desk: Desk, sha256: str, *, width_px: int) -> tuple[bytes | None, bool]:
    """Return a photo as JPEG and whether it is in the card's colours.

    A photo without a usable card comes as it was taken; one that is no photo at all is None.
    """
    try:
        return actions.normalised_picture(desk.log, sha256, width_px=width_px), True
    except (TurnblueError, VisionError):
        pass
    try:
        return actions.plain_picture(desk.log, sha256, width_px=width_px), False
    except (TurnblueError, VisionError):
        return None, False


def check_picture(desk: Desk, sha256: str) -> bytes | None:
    """Return the picture that shows what was found in a photo as JPEG, None where there is none."""
    try:
        return actions.check_picture(desk.log, sha256, width_px=CHECK_WIDTH_PX)
    except (TurnblueError, VisionError):
        return None
