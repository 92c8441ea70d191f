"""The language in which this run of a page speaks: `_("...")` says a message in it.

In: a `Speech`, set once at the beginning of a run. Out: `_`, `several` and `speech`, used all over the pages, so that
no piece of HTML need be handed a language. Each run has its own: two people in two languages do not meet here.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar

from app.words import Speech, translate

_SPOKEN: ContextVar[Speech | None] = ContextVar("spoken", default=None)


@contextmanager
def speaking(chosen: Speech) -> Iterator[None]:
    """Speak so inside this block."""
    token = _SPOKEN.set(chosen)
    try:
        yield
    finally:
        _SPOKEN.reset(token)


def speech() -> Speech:
    """Return how this run speaks; English where nothing was set."""
    return _SPOKEN.get() or translate("en")


def _(message: str, **values: object) -> str:
    """Say a message, `{names}` in it filled in; a text of the plan or of a dose is said again."""
    return speech()(message, **values)


def several(one: str, many: str, count: int, **values: object) -> str:
    """Say a message that counts; `{count}` is filled in as well."""
    return speech().several(one, many, count, **values)


def english() -> bool:
    """Return whether this run speaks English."""
    return speech().language == "en"
