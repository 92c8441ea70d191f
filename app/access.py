"""Who may do what: the roles, the rights of each as one table, and the check every use case begins with.

In: the acting person. Out: nothing, or a refusal. Pure: no log, no screen, no clock. A use case names its right with
`needs`; a test tries every use case, page and address by every role and by no one, and prints the table.
"""

from __future__ import annotations

import functools
import inspect
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Any, TypeVar

from app.errors import NotAllowed, NotSignedIn
from app.words import mark, said

F = TypeVar("F", bound=Callable[..., Any])


class Role(StrEnum):
    """What a person is in the company; a customer has no account, only links."""

    OWNER = "owner"
    OFFICE = "office"
    TECH = "tech"
    LINK = "link"
    """Who opened a customer's link: only ever acts inside the use case that proved the link, for that one pool."""
    NO_ONE = "no_one"


class Right(StrEnum):
    """One thing that may be allowed."""

    ANYONE = "anyone"
    """Sign in, and open a link that was given out: the link itself is the key."""
    LOOK = "look"
    """See pools, recoveries, visits, photos and what follows from them; a tech only their own pools'."""
    VISIT = "visit"
    """Save visits and photos, and correct them; a tech only at their own pools."""
    START = "start"
    """Open a pool's recovery."""
    CLOSE = "close"
    """Close a recovery."""
    POOLS = "pools"
    """Add and change pools."""
    MONEY = "money"
    """See and set the price list."""
    REPORT = "report"
    """Make reports for customers, give out links to them and withdraw them."""
    COMPANY = "company"
    """Change the company's settings."""
    ARCHIVE = "archive"
    """Measure everything anew, check, export, back up and restore."""
    OWN_ACCOUNT = "own_account"
    """Change one's own password, and sign oneself out everywhere."""
    ACCOUNTS = "accounts"
    """Add, change and close accounts, and say which pools a tech sees."""


_TECH = frozenset({Right.ANYONE, Right.LOOK, Right.VISIT, Right.START, Right.OWN_ACCOUNT})
_OFFICE = _TECH | {Right.CLOSE, Right.POOLS, Right.MONEY, Right.REPORT}

RIGHTS: Mapping[Role, frozenset[Right]] = {
    Role.NO_ONE: frozenset({Right.ANYONE}),
    Role.LINK: frozenset({Right.ANYONE, Right.LOOK}),
    Role.TECH: _TECH,
    Role.OFFICE: _OFFICE,
    Role.OWNER: frozenset(Right),
}
"""What each role may do; the only place where this is said."""


@dataclass(frozen=True)
class Actor:
    """The person who acts.

    `pool_ids` are the pools they see, None for all. `account_id` is empty for the owner at this machine's own
    command line or unguarded dashboard, and for no one. `language` is the one they chose to read, empty where they did
    not.
    """

    role: Role
    name: str = ""
    account_id: str = ""
    pool_ids: frozenset[str] | None = None
    language: str = ""

    def may(self, right: Right) -> bool:
        """Return whether the person has a right."""
        return right in RIGHTS[self.role]

    @property
    def sees_all(self) -> bool:
        """Return whether the person sees every pool, so that none need be asked about."""
        return self.pool_ids is None and self.role is not Role.NO_ONE

    def sees(self, pool_id: str | None) -> bool:
        """Return whether the person sees a pool; what belongs to no pool yet is seen by who sees them all."""
        if self.role is Role.NO_ONE:
            return False
        return self.pool_ids is None or pool_id in self.pool_ids


ROLE_SAY: Mapping[Role, str] = {
    Role.OWNER: mark("owner"),
    Role.OFFICE: mark("office"),
    Role.TECH: mark("tech"),
    Role.LINK: mark("link"),
    Role.NO_ONE: mark("no one"),
}
"""What a role is called in a sentence."""

AT_THIS_MACHINE = Actor(Role.OWNER)
"""Who sits at the machine that holds the log: whoever can read its files owns it anyway."""

NO_ONE = Actor(Role.NO_ONE)
"""Nobody that is known."""


def allow(actor: Actor, right: Right) -> None:
    """Return where the person has the right.

    Raises
    ------
    NotSignedIn
        If nobody is signed in and the right needs somebody.
    NotAllowed
        If the person's role does not have it.
    """
    if actor.may(right):
        return
    if actor.role is Role.NO_ONE:
        raise NotSignedIn("You are not signed in.", "Sign in and try again.")
    raise NotAllowed(
        said("The {role} role may not do this.", role=ROLE_SAY[actor.role]),
        "Ask the owner of the company's Turnblue, or sign in as another.",
    )


def needs(right: Right) -> Callable[[F], F]:
    """Make a use case begin with the check of a right.

    The use case takes the log first, and `log.actor` is who acts. Where it names a pool, recovery, visit or photo
    (by an argument of one of the names in `log.scoped`), one that the person does not see is as one that is not there.
    """

    def guard(use_case: F) -> F:
        names = tuple(inspect.signature(use_case).parameters)

        @functools.wraps(use_case)
        def guarded(log: Any, *arguments: Any, **options: Any) -> Any:
            allow(log.actor, right)
            if log.actor.pool_ids is not None:
                log.check_seen({**dict(zip(names[1:], arguments, strict=False)), **options})
            return use_case(log, *arguments, **options)

        guarded.right = right  # type: ignore[attr-defined]
        return guarded  # type: ignore[return-value]

    return guard


def touches_no_log(use_case: F) -> F:
    """Say of a use case that it reads and changes no log, so that there is nothing to guard."""
    use_case.right = None  # type: ignore[attr-defined]
    return use_case


@dataclass(frozen=True)
class Account:
    """One person's account: sign-in name, role, e-mail for the company's own sign-in, pools seen, language read."""

    id: str
    name: str
    role: Role
    email: str = ""
    sees_all: bool = True
    pool_ids: frozenset[str] = frozenset()
    closed_at: datetime | None = None
    language: str = ""

    @property
    def actor(self) -> Actor:
        """Return the account's person as one who acts."""
        narrow = self.role is Role.TECH and not self.sees_all
        return Actor(self.role, self.name, self.id, self.pool_ids if narrow else None, self.language)
