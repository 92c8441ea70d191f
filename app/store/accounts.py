"""Accounts, sessions, assignments and failed sign-ins in the log.

In: an open `Log`. Out: `Account` and rows. A password is here as its argon2 hash alone, a session as the sha256 of its
token, and what a failed sign-in was about as a sha256 too: who reads this file can sign in as nobody.
"""

from __future__ import annotations

import json
import unicodedata
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime

from app.access import Account, Role
from app.errors import AccountRefused
from app.store.log import Log, new_id
from app.store.rows import Row, clean_text, time_text


def name_key(name: str) -> str:
    """Return a sign-in name as it is compared: letters' case and form do not matter.

    Examples
    --------
    >>> name_key("  Robin ") == name_key("ROBIN")
    True
    """
    return unicodedata.normalize("NFKC", clean_text(name)).strip().casefold()


def accounts(log: Log) -> tuple[Account, ...]:
    """Return all accounts by name, closed ones too."""
    return _accounts(log, "1 = 1")


def account(log: Log, account_id: str) -> Account | None:
    """Return the account of that id, None where there is none."""
    return next(iter(_accounts(log, "id = ?", account_id)), None)


def account_named(log: Log, name: str) -> Account | None:
    """Return the account of that sign-in name, None where there is none."""
    return next(iter(_accounts(log, "name_key = ?", name_key(name))), None)


def account_of_email(log: Log, email: str) -> Account | None:
    """Return the account of that e-mail address, None where there is none."""
    return next(iter(_accounts(log, "email = ?", name_key(email))), None) if email.strip() else None


def any_account(log: Log) -> bool:
    """Return whether there is any account at all, closed ones too."""
    return bool(log._rows("select 1 from accounts limit 1"))


def _accounts(log: Log, condition: str, *arguments: str) -> tuple[Account, ...]:
    """Return the accounts that fulfil `condition`, by name, each with its pools."""
    rows = log._rows(
        "select *, (select json_group_array(pool_id) from assignments where account_id = accounts.id) as pool_ids "
        f"from accounts where {condition} order by name_key",
        *arguments,
    )
    return tuple(_account_of(row) for row in rows)


def _account_of(row: Row) -> Account:
    """Return a row as an account."""
    return Account(
        id=row["id"],
        name=row["name"],
        role=Role(row["role"]),
        email=row["email"] or "",
        sees_all=bool(row["sees_all"]),
        pool_ids=frozenset(json.loads(row["pool_ids"])),
        closed_at=None if row["closed_at"] is None else datetime.fromisoformat(row["closed_at"]),
        language=row["language"],
    )


def save_account(log: Log, saved: Account, *, at: datetime) -> Account:
    """Save an account, new (its id empty) or changed, with its pools, and return it as kept.

    Raises
    ------
    AccountRefused
        If the name or e-mail address is another's, or no open account of an owner would be left.
    """
    saved = replace(saved, id=saved.id or new_id("a"))
    row = {
        "name": clean_text(saved.name.strip()),
        "name_key": name_key(saved.name),
        "role": saved.role.value,
        "email": name_key(saved.email) or None,
        "sees_all": int(saved.sees_all),
        "closed_at": None if saved.closed_at is None else time_text(saved.closed_at),
        "language": saved.language,
    }
    with log.atomic():
        for column, noun in (("name_key", "name"), ("email", "e-mail address")):
            if log._rows(f"select 1 from accounts where {column} = ? and id <> ?", row[column], saved.id):
                raise AccountRefused(f"Another account has that {noun}.", "Choose another.")
        opened = log._rows("select opened_at from accounts where id = ?", saved.id)
        row["opened_at"] = opened[0]["opened_at"] if opened else time_text(at)
        log._put("accounts", {"id": saved.id}, row, at=at, who="")
        if not log._rows("select 1 from accounts where role = 'owner' and closed_at is null"):
            raise AccountRefused(
                "Then no owner would be left who can change accounts.", "Make another account an owner first."
            )
        _assign(log, saved, at)
    return replace(saved, name=str(row["name"]), email=str(row["email"] or ""))


def _assign(log: Log, saved: Account, at: datetime) -> None:
    """Make an account's pools these, with their history."""
    before = [row["pool_id"] for row in _assigned(log, saved.id)]
    after = sorted(saved.pool_ids)
    if before == after:
        return
    log._connection.execute("delete from assignments where account_id = ?", (saved.id,))
    log._db.table("assignments").insert_all({"account_id": saved.id, "pool_id": each} for each in after)
    log._note("assignments", saved.id, before or None, after or None, at=at, who="")


def _assigned(log: Log, account_id: str) -> Sequence[Row]:
    return log._rows("select pool_id from assignments where account_id = ? order by pool_id", account_id)


def password_hash(log: Log, account_id: str) -> str | None:
    """Return what a password is checked against, None where the account has none."""
    return next((row["hash"] for row in log._rows("select hash from passwords where account_id = ?", account_id)), None)


def save_password_hash(log: Log, account_id: str, hashed: str, *, at: datetime) -> None:
    """Keep what a password is checked against; the history says that it changed, and nothing more."""
    with log.atomic():
        row = {"account_id": account_id, "hash": hashed, "changed_at": time_text(at)}
        log._db.table("passwords").upsert(row, pk="account_id")
        log._note("passwords", account_id, None, None, at=at, who="")


def begin_session(
    log: Log, token_sha256: str, account_id: str, *, at: datetime, ends_at: datetime, device: str
) -> None:
    """Keep a new session, and forget those that ended."""
    with log.atomic():
        log._connection.execute("delete from sessions where julianday(ends_at) < julianday(?)", (time_text(at),))
        log._db.table("sessions").insert(
            {
                "token_sha256": token_sha256,
                "account_id": account_id,
                "begun_at": time_text(at),
                "seen_at": time_text(at),
                "ends_at": time_text(ends_at),
                "device": clean_text(device),
            }
        )
        log._note("sessions", account_id, None, {"device": clean_text(device)}, at=at, who="")


def session(log: Log, token_sha256: str) -> Row | None:
    """Return a session's row, None where there is none."""
    return next(iter(log._rows("select * from sessions where token_sha256 = ?", token_sha256)), None)


def sessions_of(log: Log, account_id: str) -> list[Row]:
    """Return where an account is signed in, last used first."""
    return log._rows(
        "select begun_at, seen_at, ends_at, device from sessions where account_id = ? order by julianday(seen_at) desc",
        account_id,
    )


def prolong_session(log: Log, token_sha256: str, *, at: datetime, ends_at: datetime) -> None:
    """Note that a session was used, and until when it lasts now."""
    with log.atomic():
        log._connection.execute(
            "update sessions set seen_at = ?, ends_at = ? where token_sha256 = ?",
            (time_text(at), time_text(ends_at), token_sha256),
        )


def end_session(log: Log, token_sha256: str) -> None:
    """Forget one session."""
    with log.atomic():
        log._connection.execute("delete from sessions where token_sha256 = ?", (token_sha256,))


def end_sessions_of(log: Log, account_id: str, *, at: datetime) -> int:
    """Forget all sessions of an account; return how many there were."""
    with log.atomic():
        ended = log._connection.execute("delete from sessions where account_id = ?", (account_id,)).rowcount
        if ended:
            log._note("sessions", account_id, {"signed_in": ended}, None, at=at, who="")
    return ended


def note_failure(log: Log, about_sha256s: Sequence[str], *, at: datetime, keep_s: float) -> None:
    """Note one failed sign-in under each of the keys, and forget those older than `keep_s`."""
    now_s = at.timestamp()
    with log.atomic():
        log._connection.execute("delete from failed_sign_ins where at_s < ?", (now_s - keep_s,))
        log._db.table("failed_sign_ins").insert_all({"about_sha256": each, "at_s": now_s} for each in about_sha256s)


def failures_since(log: Log, about_sha256: str, since: datetime) -> int:
    """Return how many sign-ins failed under a key since then."""
    query = "select count(*) as failed from failed_sign_ins where about_sha256 = ? and at_s >= ?"
    return int(log._rows(query, about_sha256, since.timestamp())[0]["failed"])


def forget_failures(log: Log, about_sha256: str) -> None:
    """Forget the failed sign-ins under a key."""
    with log.atomic():
        log._connection.execute("delete from failed_sign_ins where about_sha256 = ?", (about_sha256,))
