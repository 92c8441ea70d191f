"""Chooses a pool out of few or of thousands (a box for few, a search on the server's side for many), and a language.

In: the desk and the box's label. Out: a pool's id, or what else was offered. A box never carries more than `FEW` pools:
five thousand names take a phone seconds at every tap.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import streamlit as st

from app import actions
from app.dashboard import widgets
from app.dashboard.session import Desk
from app.dashboard.speech import _
from app.records import Pool
from app.words import LANGUAGES

FEW = 30
"""Pools in one box, and hits shown of a search (our choice)."""


def choose_language(label: str, was: str, *, key: str, before: Mapping[str, str] | None = None) -> str:
    """Let a person choose a language; `before` are other answers, put first, with their names."""
    names = {**(before or {}), **LANGUAGES}
    return str(
        st.segmented_control(
            label,
            list(names),
            format_func=names.__getitem__,
            default=was,
            required=True,
            width="stretch",
            key=key,
        )
    )


def choose_pool(
    desk: Desk,
    label: str,
    *,
    key: str,
    first: Sequence[Pool] = (),
    others: Mapping[str, str] | None = None,
    without: Sequence[str] = (),
    preset: bool = False,
) -> str | None:
    """Ask for a pool.

    Parameters
    ----------
    first : sequence of Pool
        Pools offered before the others, whatever is searched.
    others : mapping, optional
        What else can be chosen, by its value, after the pools.
    without : sequence of str
        Ids of pools that are not offered.
    preset : bool
        Begin with the first one chosen.

    Returns
    -------
    str or None
        A pool's id, a key of `others`, or None where nothing is chosen.
    """
    names = {each.id: each.name for each in first}
    found = search(desk, _("Find the pool"), key=f"{key}-words")
    names |= {each.id: each.name for each in found if each.id not in names}
    names = {each: name for each, name in names.items() if each not in without} | dict(others or {})
    return st.selectbox(
        label,
        list(names),
        index=0 if preset and names else None,
        format_func=names.__getitem__,
        placeholder=_("Choose the pool"),
        key=key,
    )


def search(desk: Desk, label: str, *, key: str) -> list[Pool]:
    """Return at most `FEW` pools; where there are more, ask what to search for, and say how many fit."""
    found = actions.find_pools(desk.log, most=FEW)
    if found.count > FEW:
        words = st.text_input(label, type="search", placeholder=_("Search"), key=key)
        found = actions.find_pools(desk.log, words or "", most=FEW) if words else found
        if found.count > FEW:
            say = _(
                "{count} pools fit, the first {few} are offered: type more of the name.", count=found.count, few=FEW
            )
            widgets.show_html(f'<div class="tb-quiet">{say}</div>')
        elif not found.count:
            widgets.show_html(widgets.say_html(_("No pool fits."), _("Name, owner and town are searched.")))
    return [each.pool for each in found.rows]
