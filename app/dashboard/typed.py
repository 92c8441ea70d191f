"""What is typed at a visit and not saved yet: on the server as it is typed, taken up again on any device.

In: the recovery, the visit where a photo has begun one, and fields by name. Out: a `Sheet`, which gives each field its
key and its beginning, and keeps what changes. A part of the form is a fragment: a tap sends that part alone, over a
poor connection too, and no tap waits for another.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import StrEnum
from typing import Any, TypeVar
from uuid import uuid4

import streamlit as st
from streamlit.runtime.scriptrunner import get_script_run_ctx

from app import actions, intake, people
from app.access import NO_ONE
from app.dashboard import session, widgets
from app.dashboard.gate import session_token
from app.dashboard.scripts import script
from app.dashboard.session import Desk
from app.dashboard.speech import _, speaking, speech
from app.errors import TurnblueError
from app.records import Recovery, Visit
from app.words import Speech

LIVE = "500ms"
"""Pause after which words being typed are kept: shorter would send single letters (our choice)."""

TAPPED = "tapped-beside-the-form"
"""Where the session keeps which button was tapped, until a whole run of the page takes it up."""

T = TypeVar("T")


@dataclass(frozen=True)
class Sheet:
    """What is typed at one visit on one device; `loaded` is what was typed before, here or elsewhere."""

    id: str
    recovery_id: str
    visit_id: str | None
    loaded: Mapping[str, Any]
    spoken: Speech

    def key(self, name: str) -> str:
        """Return a field's key in the session."""
        return f"typed-{self.id}-{name}"

    def field(self, name: str, was: Any, options: Sequence[Any] | None = None) -> str:
        """Begin a field with what was typed before, else with `was`; return its key.

        `options` are what can be chosen: a choice typed before is taken as it is among them, and left out where it
        is none any more.
        """
        key = self.key(name)
        if key not in st.session_state:
            st.session_state[key] = _chosen(self.loaded[name], options, was) if name in self.loaded else was
        self._kept.setdefault(name, _plain(st.session_state[key]))
        return key

    @property
    def _kept(self) -> dict[str, Any]:
        """The fields as they lie on the server, by name."""
        kept: dict[str, Any] = st.session_state.setdefault(f"kept-{self.id}", {})
        return kept

    def keep(self, desk: Desk) -> None:
        """Keep what has changed since it was last kept."""
        now = {
            name: _plain(st.session_state[self.key(name)]) for name in self._kept if self.key(name) in st.session_state
        }
        changed = {name: value for name, value in now.items() if value != self._kept[name]}
        if not changed:
            return
        at = datetime.now(UTC)
        # The page's own log may be long closed, and who was signed in then may be so no more.
        with actions.open_log(desk.folder, NO_ONE) as log:
            log.actor = people.actor_of(log, session_token(st.context.cookies), now=at)
            intake.keep_typed(
                log,
                self.recovery_id,
                changed,
                sheet_id=self.id,
                visit_id=self.visit_id,
                at=at,
                by=st.session_state.get("by", ""),
            )
        self._kept.update(changed)


def open_sheet(desk: Desk, recovery: Recovery, visit: Visit | None) -> Sheet:
    """Return the sheet of this visit on this device; another visit's begins anew, one broken off goes on."""
    at = st.session_state.get("sheet")
    visit_id = None if visit is None else visit.id
    if at is None or at[1:] != (recovery.id, visit_id):
        at = (f"t-{uuid4().hex[:12]}", recovery.id, visit_id)
        asked = session.query("sheet")
        if asked and any(each.sheet_id == asked for each in intake.drafts(desk.log) if each.recovery_id == recovery.id):
            at = (asked, recovery.id, visit_id)
        st.session_state["sheet"] = at
    loaded = intake.typed_at(desk.log, recovery.id, sheet_id=at[0], visit_id=visit_id)
    return Sheet(at[0], recovery.id, visit_id, loaded, speech())


def begin_visit(desk: Desk, recovery: Recovery, visit: Visit) -> None:
    """Note a visit as begun by a photo; what this device has typed at its pool so far goes with it."""
    intake.begin_draft(desk.log, visit.id, at=desk.now, by=st.session_state.get("by", ""))
    at = st.session_state.get("sheet")
    if at is not None and at[1:] == (recovery.id, None):
        intake.give_sheet(desk.log, visit.id, sheet_id=at[0])
        st.session_state["sheet"] = (at[0], recovery.id, visit.id)


def close_sheet(desk: Desk, sheet: Sheet) -> None:
    """Throw the sheet away: what stood on it is saved."""
    intake.throw_sheet(desk.log, sheet.recovery_id, sheet_id=sheet.id)
    st.session_state.pop("sheet", None)


@st.fragment
def part(desk: Desk, sheet: Sheet, ask: Callable[..., T], *arguments: Any) -> T:
    """Show one part of the form; return what it asks for, and keep what was typed in it."""
    with speaking(sheet.spoken):
        answer = ask(desk, sheet, *arguments)
        try:
            sheet.keep(desk)
        except TurnblueError as error:
            widgets.show_html(widgets.refusal_html(error))
            widgets.show_html(widgets.say_html("", _("What you type here is not kept until you save."), act=True))
    context = get_script_run_ctx()
    if context is not None and context.fragment_ids_this_run and TAPPED in st.session_state:
        # The tap that left this field came with it, and its button stands outside this part.
        st.rerun()
    return answer


def tapped(label: str, name: str, **options: Any) -> bool:
    """Show a button beside the form, and return whether it was tapped.

    A tap straight out of a field that is still being typed in is sent together with it, as a run of that field's part
    alone, in which a plain button would be forgotten.
    """

    def note() -> None:
        st.session_state[TAPPED] = name

    st.button(label, key=f"tap-{name}", on_click=note, **options)
    if st.session_state.get(TAPPED) != name:
        return False
    del st.session_state[TAPPED]
    return True


def show_script() -> None:
    """Have numbers sent while they are typed, as words are."""
    script("typed")(key="tb-typed-script")


def _plain(value: Any) -> Any:
    """Return a field's value as JSON holds it."""
    if isinstance(value, list | tuple):
        return [_plain(each) for each in value]
    return value.value if isinstance(value, StrEnum) else value


def _chosen(typed: Any, options: Sequence[Any] | None, was: Any) -> Any:
    """Return what was typed as the field takes it: among its options where it has some."""
    if options is None or typed is None:
        return typed
    by_value = {_plain(each): each for each in options}
    if isinstance(typed, list):
        return [by_value[each] for each in typed if each in by_value]
    return by_value.get(typed, was)
