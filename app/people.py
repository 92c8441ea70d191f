"""The use cases around accounts: signing in and out, whose session a token is, accounts and what they see.

In: an open `Log`, what was typed, and the time. Out: `Actor`, `Account`, `Session`. A password is checked against an
argon2id hash (RFC 9106), a session is a random token that the log knows by its sha256 alone.
"""

from __future__ import annotations

import functools
import ipaddress
import secrets
import threading
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from app.access import AT_THIS_MACHINE, NO_ONE, Account, Actor, Right, Role, needs, touches_no_log
from app.errors import AccountRefused, NotInLog, SignInRefused
from app.store import accounts as store
from app.store.log import ID_LETTERS, Log
from app.store.photos import sha256_of
from app.words import LANGUAGES, said

PASSWORD_SHORTEST = 12
"""Fewest characters of a password. Above the 8 of NIST SP 800-63B-3, 5.1.1.1 (from memory); no rule on its letters,
as that section advises."""

PASSWORD_LONGEST = 200
"""Most characters of a password: a limit for the hash's work only (our own choice)."""

NAME_LONGEST = 80
"""Most characters of a sign-in name (our own choice)."""

IDLE_DAYS = 60
"""A session ends when its device was not used for so long [days]: a season's pause, so that a phone stays signed in
(our own choice)."""

LONGEST_DAYS = 365
"""A session ends after so long however much it is used [days] (our own choice)."""

SEEN_EVERY_H = 12
"""How often the use of a session is written down [h]; not at every tap."""

FAILURES_COUNTED_MIN = 15
"""Over how long failed sign-ins are counted [min]."""

FAILURES_OF_NAME = 10
"""Sign-ins that may fail for one name in that time. 10 in 15 min are 350,000 a year, against 32**16 passwords of
`new_password` nothing, against a typed one of twelve letters little (our own choice)."""

FAILURES_OF_ADDRESS = 50
"""Sign-ins that may fail from one network address in that time: an office shares one (our own choice)."""

_HASHING = threading.BoundedSemaphore(2)
"""How many passwords are hashed at once: each takes 64 MB, and strangers can ask for it."""


@dataclass(frozen=True)
class Session:
    """A sign-in that went well; `token` is for the person's browser alone and is kept nowhere else."""

    token: str
    actor: Actor
    ends_at: datetime


@dataclass(frozen=True)
class SignedInAt:
    """One place where an account is signed in."""

    device: str
    begun_at: datetime
    seen_at: datetime


@needs(Right.ANYONE)
def has_accounts(log: Log) -> bool:
    """Return whether there are accounts, so that nobody gets in without one."""
    return store.any_account(log)


@needs(Right.ANYONE)
def actor_of(log: Log, token: str | None, *, now: datetime) -> Actor:
    """Return whose session a token is, `NO_ONE` where it is nobody's, has ended or its account is closed.

    Before there are accounts it is the owner at this machine; that nobody from elsewhere gets so far is the
    business of who listens (`app.dashboard.gate`, `app.serve`).
    """
    if not store.any_account(log):
        return AT_THIS_MACHINE
    key = sha256_of((token or "").encode())
    row = store.session(log, key) if token else None
    if row is None or now >= datetime.fromisoformat(row["ends_at"]):
        return NO_ONE
    account = store.account(log, row["account_id"])
    if account is None or account.closed_at is not None:
        return NO_ONE
    if now - datetime.fromisoformat(row["seen_at"]) > timedelta(hours=SEEN_EVERY_H):
        store.prolong_session(log, key, at=now, ends_at=_end(datetime.fromisoformat(row["begun_at"]), now))
    return account.actor


@needs(Right.ANYONE)
def sign_in(log: Log, name: str, password: str, *, address: str, device: str, now: datetime) -> Session:
    """Sign a person in by name and password.

    An unknown name, a closed account and a wrong password take the same time and end in the same sentence.

    Parameters
    ----------
    address : str
        The network address that asks; too many failures from it are refused for a while.
    device : str
        What it is called in the list of places where the person is signed in.

    Raises
    ------
    SignInRefused
        If they do not fit, or too many before did not.
    """
    # Cut before it is counted: a name padded beyond the cut is counted as the name it is looked up as.
    name = name[: 4 * NAME_LONGEST]
    keys = {
        "name": sha256_of(f"name:{store.name_key(name)}".encode()),
        "address": sha256_of(f"at:{network_of(address)}".encode()),
    }
    _count_try(log, keys["name"], keys["address"], now)
    nothing = _hash_of_nothing()
    found = store.account_named(log, name)
    hashed = store.password_hash(log, found.id) if found is not None and found.closed_at is None else None
    fits = _fits(hashed or nothing, password[: 4 * PASSWORD_LONGEST])
    if found is None or hashed is None or not fits:
        raise SignInRefused(
            "Name and password do not fit.", "Check both and try again, or ask the owner for a new one."
        )
    store.forget_failures(log, keys["name"])
    return _begin(log, found, device, now)


@needs(Right.ANYONE)
def sign_in_by_email(log: Log, email: str, *, verified: bool, device: str, now: datetime) -> Session:
    """Sign in the person whose e-mail address the company's own provider vouches for.

    Raises
    ------
    SignInRefused
        If the provider has not verified the address, or no open account has it.
    """
    found = store.account_of_email(log, email) if verified else None
    if found is None or found.closed_at is not None:
        raise SignInRefused(
            "No account has the e-mail address that your company's sign-in gave.", "Ask the owner to enter it."
        )
    return _begin(log, found, device, now)


@needs(Right.ANYONE)
def sign_out(log: Log, token: str | None) -> None:
    """End one session; a token of none changes nothing."""
    if token:
        store.end_session(log, sha256_of(token.encode()))


@needs(Right.OWN_ACCOUNT)
def own_account(log: Log) -> Account | None:
    """Return the acting person's account, None for the owner at this machine."""
    return store.account(log, log.actor.account_id)


@needs(Right.OWN_ACCOUNT)
def choose_language(log: Log, language: str, *, at: datetime) -> None:
    """Change the language that the acting person reads; empty: the company's.

    Raises
    ------
    AccountRefused
        If there is no account here, or the language is not known.
    """
    own = store.account(log, log.actor.account_id)
    if own is None:
        raise AccountRefused("There is no account here that could have a language.", "Set the company's.")
    if language and language not in LANGUAGES:
        raise AccountRefused(f"Turnblue does not speak {language!r}.", f"Choose one of {', '.join(LANGUAGES)}.")
    store.save_account(log, replace(own, language=language), at=at)


@needs(Right.OWN_ACCOUNT)
def own_sessions(log: Log) -> tuple[SignedInAt, ...]:
    """Return where the acting person is signed in, last used first."""
    return tuple(
        SignedInAt(row["device"], datetime.fromisoformat(row["begun_at"]), datetime.fromisoformat(row["seen_at"]))
        for row in store.sessions_of(log, log.actor.account_id)
    )


@needs(Right.OWN_ACCOUNT)
def sign_out_everywhere(log: Log, *, at: datetime) -> int:
    """End all sessions of the acting person, this one too; return how many there were."""
    return store.end_sessions_of(log, log.actor.account_id, at=at)


@needs(Right.OWN_ACCOUNT)
def change_own_password(log: Log, old: str, new: str, *, at: datetime) -> None:
    """Change the acting person's password and sign them out everywhere.

    Raises
    ------
    SignInRefused
        If the old one does not fit, or too many tries before did not.
    AccountRefused
        If the new one is too short, too long or too plain.
    """
    own = store.account(log, log.actor.account_id)
    if own is None:
        raise AccountRefused("There is no account here whose password could be changed.", "Add one first.")
    key = sha256_of(f"name:{store.name_key(own.name)}".encode())
    _count_try(log, key, None, at)
    if not _fits(store.password_hash(log, own.id) or _hash_of_nothing(), old[: 4 * PASSWORD_LONGEST]):
        raise SignInRefused("The old password does not fit.", "Type it again.")
    store.forget_failures(log, key)
    _keep_password(log, own, new, at)


@needs(Right.ACCOUNTS)
def accounts(log: Log) -> tuple[Account, ...]:
    """Return all accounts by name, closed ones too."""
    return store.accounts(log)


@needs(Right.ACCOUNTS)
def find_account(log: Log, name: str) -> Account:
    """Return the account of that name.

    Raises
    ------
    NotInLog
        If there is none.
    """
    found = store.account_named(log, name)
    if found is None:
        raise NotInLog(f"There is no account named {name!r}.", "See them with: turnblue account list")
    return found


@needs(Right.ACCOUNTS)
def add_account(
    log: Log,
    name: str,
    role: Role,
    *,
    password: str | None,
    at: datetime,
    email: str = "",
    sees_all: bool = True,
    pools: Sequence[str] = (),
) -> Account:
    """Add an account; the first one must be an owner's.

    Parameters
    ----------
    password : str, optional
        Its first password; without one the person signs in by the company's provider alone.
    sees_all : bool
        A tech sees all pools, or only those in `pools`.

    Raises
    ------
    AccountRefused
        If name, e-mail address or password cannot be, or the first account is no owner's.
    """
    new = Account("", _checked_name(name), role, _checked_email(email), sees_all, frozenset(pools))
    if password is None and not new.email:
        raise AccountRefused("Without a password or an e-mail address nobody could sign in.", "Give one of them.")
    if password is not None:
        _check_password(password, new.name)
    with log.atomic():
        kept = store.save_account(log, new, at=at)
        if password is not None:
            store.save_password_hash(log, kept.id, _hashed(password), at=at)
    return kept


@needs(Right.ACCOUNTS)
def change_account(log: Log, changed: Account, *, at: datetime) -> Account:
    """Change an account: name, role, e-mail address, which pools it sees; what it was stays in the history.

    Raises
    ------
    AccountRefused
        If the name or e-mail address is another's, or no owner would be left.
    """
    checked = replace(changed, name=_checked_name(changed.name), email=_checked_email(changed.email))
    return store.save_account(log, checked, at=at)


@needs(Right.ACCOUNTS)
def set_password(log: Log, account_id: str, password: str, *, at: datetime) -> None:
    """Give an account a new password and sign it out everywhere.

    Raises
    ------
    AccountRefused
        If it is too short, too long or too plain.
    NotInLog
        If there is no such account.
    """
    _keep_password(log, _known(log, account_id), password, at)


@needs(Right.ACCOUNTS)
def close_account(log: Log, account_id: str, *, at: datetime) -> Account:
    """Close an account and end its sessions at once; what it did stays, and it can be opened again.

    Raises
    ------
    AccountRefused
        If no owner would be left.
    """
    with log.atomic():
        closed = store.save_account(log, replace(_known(log, account_id), closed_at=at), at=at)
        store.end_sessions_of(log, account_id, at=at)
    return closed


@needs(Right.ACCOUNTS)
def reopen_account(log: Log, account_id: str, *, at: datetime) -> Account:
    """Open a closed account again."""
    return store.save_account(log, replace(_known(log, account_id), closed_at=None), at=at)


@needs(Right.ACCOUNTS)
def end_sessions(log: Log, account_id: str, *, at: datetime) -> int:
    """Sign an account out everywhere, a lost phone's for instance; return how many sessions there were."""
    return store.end_sessions_of(log, _known(log, account_id).id, at=at)


@touches_no_log
def network_of(address: str) -> str:
    """Return what failures from an address are counted under: itself, or its /64 network, one subscriber's, in IPv6.

    Examples
    --------
    >>> network_of("192.0.2.7"), network_of("2001:db8::1:2"), network_of("?")
    ('192.0.2.7', '2001:db8::/64', '?')
    """
    try:
        at = ipaddress.ip_address(address)
    except ValueError:
        return address
    return address if at.version == 4 else str(ipaddress.ip_network((at, 64), strict=False))


@touches_no_log
def new_password() -> str:
    """Return a new random password that can be read out: four times four letters (80 bits)."""
    return "-".join("".join(secrets.choice(ID_LETTERS) for _ in range(4)) for _ in range(4))


def _known(log: Log, account_id: str) -> Account:
    """Return the account, or say that there is none."""
    found = store.account(log, account_id)
    if found is None:
        raise NotInLog(f"There is no account {account_id[:14]}.", "See them with: turnblue account list")
    return found


def _begin(log: Log, account: Account, device: str, now: datetime) -> Session:
    """Begin a session of an account."""
    token, ends_at = secrets.token_urlsafe(32), _end(now, now)
    with log.acting_as(account.actor):
        store.begin_session(log, sha256_of(token.encode()), account.id, at=now, ends_at=ends_at, device=device[:60])
    return Session(token, account.actor, ends_at)


def _end(begun_at: datetime, now: datetime) -> datetime:
    """Return until when a session begun then and used now lasts."""
    return min(now + timedelta(days=IDLE_DAYS), begun_at + timedelta(days=LONGEST_DAYS))


def _count_try(log: Log, name_sha256: str, address_sha256: str | None, now: datetime) -> None:
    """Count one try as failed before it is made, so that many at once are counted too; refuse where it is too many."""
    since = now - timedelta(minutes=FAILURES_COUNTED_MIN)
    keys = [name_sha256] if address_sha256 is None else [name_sha256, address_sha256]
    limits = (FAILURES_OF_NAME, FAILURES_OF_ADDRESS)
    with log.atomic():
        too_many = any(store.failures_since(log, key, since) >= most for key, most in zip(keys, limits, strict=False))
        if not too_many:
            store.note_failure(log, keys, at=now, keep_s=60.0 * FAILURES_COUNTED_MIN)
    if too_many:
        raise SignInRefused(
            "Too many sign-ins failed.",
            said("Wait {count} minutes, or ask the owner for a new password.", count=FAILURES_COUNTED_MIN),
        )


def _keep_password(log: Log, account: Account, password: str, at: datetime) -> None:
    """Keep a checked password's hash and end the account's sessions."""
    _check_password(password, account.name)
    hashed = _hashed(password)
    with log.atomic():
        store.save_password_hash(log, account.id, hashed, at=at)
        store.end_sessions_of(log, account.id, at=at)
    store.forget_failures(log, sha256_of(f"name:{store.name_key(account.name)}".encode()))


def _hashed(password: str) -> str:
    """Return a password's argon2id hash with its salt and parameters."""
    from argon2 import PasswordHasher

    with _HASHING:
        return PasswordHasher().hash(password)


def _fits(hashed: str, password: str) -> bool:
    """Return whether a password is the hashed one; the comparison takes the same time either way."""
    from argon2 import PasswordHasher
    from argon2.exceptions import VerificationError

    with _HASHING:
        try:
            return PasswordHasher().verify(hashed, password)
        except VerificationError:
            return False


@functools.cache
def _hash_of_nothing() -> str:
    """Return a hash that no password fits, so that an unknown name takes as long as a known one."""
    return _hashed(secrets.token_urlsafe(32))


def _check_password(password: str, name: str) -> None:
    """Refuse a password that is easily guessed."""
    if len(password) < PASSWORD_SHORTEST:
        raise AccountRefused(
            said("The password is too short: at least {count} characters.", count=PASSWORD_SHORTEST),
            "Four words in a row do well.",
        )
    if len(password) > PASSWORD_LONGEST:
        raise AccountRefused(
            said("The password is too long: at most {count} characters.", count=PASSWORD_LONGEST), "Shorten it."
        )
    plain = store.name_key(password)
    if (
        len(set(plain)) < 5
        or plain in store.name_key(name) * 8
        or plain.startswith(("1234567890", "qwertyuiop", "password"))
    ):
        raise AccountRefused("The password is easily guessed.", "Four words in a row do well.")


def _checked_name(name: str) -> str:
    """Return a sign-in name that can be."""
    name = " ".join(name.split())
    if not name or len(name) > NAME_LONGEST or not name.isprintable():
        raise AccountRefused(said("A name has 1 to {count} characters.", count=NAME_LONGEST), "Give the person's name.")
    return name


def _checked_email(email: str) -> str:
    """Return an e-mail address that can be, or none."""
    email = email.strip()
    user, at, host = email.partition("@")
    if email and (not user or not at or "." not in host or len(email) > 254 or any(c.isspace() for c in email)):
        raise AccountRefused(
            f"{email[:80]!r} is no e-mail address.", "Write it as robin@example.com, or leave it empty."
        )
    return email
