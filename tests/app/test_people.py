"""Accounts: signing in and out, who is refused and how, what is kept, what a tech sees."""

import sqlite3
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from app import actions, people
from app.access import AT_THIS_MACHINE, NO_ONE, Role
from app.errors import AccountRefused, NotAllowed, NotInLog, NotSignedIn, SignInRefused
from app.records import FilterKind, Pool

NOW = datetime(2026, 6, 3, 9, 0, tzinfo=UTC)
SECRET = "cedar lantern ninety gravel"


@pytest.fixture(autouse=True)
def quick_hashes(monkeypatch):
    """Hash with argon2's cheapest parameters: what is tested is what we do around it."""
    import argon2

    real = argon2.PasswordHasher
    monkeypatch.setattr(argon2, "PasswordHasher", lambda: real(time_cost=1, memory_cost=8, parallelism=1))
    people._hash_of_nothing.cache_clear()
    yield
    people._hash_of_nothing.cache_clear()


@pytest.fixture
def log(tmp_path):
    with actions.open_log(tmp_path / "home") as opened:
        yield opened


@pytest.fixture
def staffed(log):
    people.add_account(log, "Olive", Role.OWNER, password=SECRET, at=NOW)
    people.add_account(log, "Robin", Role.TECH, password=SECRET, at=NOW)
    return log


def try_in(log, name="Robin", password=SECRET, *, address="192.0.2.7", now=NOW):
    return people.sign_in(log, name, password, address=address, device="Android", now=now)


def test_before_accounts_the_one_at_the_machine_is_the_owner(log):
    assert people.actor_of(log, None, now=NOW) is AT_THIS_MACHINE


def test_with_accounts_nobody_is_anybody_without_a_session(staffed):
    for token in (None, "", "x" * 43):
        assert people.actor_of(staffed, token, now=NOW) is NO_ONE


def test_first_account_must_be_an_owners(log):
    with pytest.raises(AccountRefused, match="no owner would be left"):
        people.add_account(log, "Robin", Role.TECH, password=SECRET, at=NOW)
    assert not people.has_accounts(log)


def test_sign_in_whatever_the_case_of_the_name(staffed):
    session = try_in(staffed, "  rObIn ")
    assert people.actor_of(staffed, session.token, now=NOW).name == "Robin"


@pytest.mark.parametrize(
    ("name", "password"),
    [
        ("Robin", "wrong wrong wrong"), ("Nobody", SECRET), ("", ""), ("Robin", ""), ("Rob\ud800in", SECRET),
        ("x" * 10**6, "y" * 10**6),
    ],
    ids=["wrong", "unknown", "empty", "no password", "half character", "a megabyte"],
)  # fmt: skip
def test_every_refusal_says_the_same(staffed, name, password):
    with pytest.raises(SignInRefused) as refused:
        try_in(staffed, name, password)
    assert (
        str(refused.value) == "Name and password do not fit. Check both and try again, or ask the owner for a new one."
    )


def test_unknown_name_costs_as_many_hashes_as_a_known_one(staffed, monkeypatch):
    checked = []
    real = people._fits
    monkeypatch.setattr(
        people, "_fits", lambda hashed, password: checked.append(hashed.split("$")[:4]) or real(hashed, password)
    )
    for name in ("Robin", "Nobody"):
        with pytest.raises(SignInRefused):
            try_in(staffed, name, "wrong wrong wrong")
    # The same algorithm with the same parameters both times.
    assert len(checked) == 2
    assert checked[0] == checked[1]


def test_closed_account_is_refused_and_signed_out(staffed):
    session = try_in(staffed)
    robin = people.find_account(staffed, "robin")
    people.close_account(staffed, robin.id, at=NOW)
    assert people.actor_of(staffed, session.token, now=NOW) is NO_ONE
    with pytest.raises(SignInRefused, match="do not fit"):
        try_in(staffed)
    people.reopen_account(staffed, robin.id, at=NOW)
    assert people.actor_of(staffed, session.token, now=NOW) is NO_ONE
    assert try_in(staffed).actor.role is Role.TECH


def test_too_many_failures_of_a_name_are_refused_for_a_while(staffed):
    for place in range(people.FAILURES_OF_NAME):
        with pytest.raises(SignInRefused, match="do not fit"):
            try_in(staffed, password="guess number x", address=f"192.0.2.{place}")
    with pytest.raises(SignInRefused, match=r"Too many sign-ins failed\. Wait 15 minutes"):
        try_in(staffed, address="192.0.2.200")
    assert try_in(staffed, "Olive", address="192.0.2.200").actor.role is Role.OWNER
    later = NOW + timedelta(minutes=people.FAILURES_COUNTED_MIN, seconds=1)
    assert try_in(staffed, now=later).actor.name == "Robin"


def test_name_padded_beyond_what_is_looked_up_is_counted_as_the_name_itself(staffed):
    # Each try another text and another address, all of them looked up as Robin.
    for number in range(people.FAILURES_OF_NAME):
        with pytest.raises(SignInRefused, match="do not fit"):
            try_in(staffed, f"Robin{' ' * 400}{number}", "wrong", address=f"192.0.2.{number}")
    with pytest.raises(SignInRefused, match="Too many"):
        try_in(staffed, "Robin", address="198.51.100.1")


def test_too_many_failures_from_an_address_are_refused_whatever_the_name(staffed):
    for place in range(people.FAILURES_OF_ADDRESS):
        with pytest.raises(SignInRefused, match="do not fit"):
            try_in(staffed, f"guess {place}", "guess number x")
    with pytest.raises(SignInRefused, match="Too many"):
        try_in(staffed, "Olive")
    assert try_in(staffed, "Olive", address="192.0.2.8").actor.role is Role.OWNER


def test_failures_are_counted_by_network_where_one_person_has_a_whole_one():
    assert people.network_of("2001:db8:0:1:ffff::9") == people.network_of("2001:db8:0:1::1") == "2001:db8:0:1::/64"
    assert people.network_of("192.0.2.7") == "192.0.2.7"
    assert people.network_of("") == ""


def test_many_guesses_at_once_are_counted_too(staffed, monkeypatch):
    monkeypatch.setattr(people, "_fits", lambda hashed, password: False)

    def guess(place):
        with actions.open_log(staffed.folder, NO_ONE) as own:
            try:
                try_in(own, password=f"guess number {place}", address=f"192.0.2.{place}")
            except SignInRefused as error:
                return error.sentence
        return "in"

    with ThreadPoolExecutor(8) as pool:
        said = list(pool.map(guess, range(40)))
    assert said.count("Name and password do not fit.") == people.FAILURES_OF_NAME
    assert said.count("Too many sign-ins failed.") == 40 - people.FAILURES_OF_NAME


def test_success_forgets_the_names_failures(staffed):
    for _ in range(3):
        for place in range(people.FAILURES_OF_NAME - 1):
            with pytest.raises(SignInRefused):
                try_in(staffed, password="guess number x", address=f"192.0.2.{place}")
        try_in(staffed, address="192.0.2.99")


def test_session_lasts_while_it_is_used_and_ends_when_it_is_not(staffed):
    token, now = try_in(staffed).token, NOW
    for _ in range(8):
        now += timedelta(days=people.IDLE_DAYS - 20)
        assert people.actor_of(staffed, token, now=now).name == "Robin"
    assert people.actor_of(staffed, token, now=now + timedelta(days=people.IDLE_DAYS)) is NO_ONE


def test_session_ends_after_a_year_however_much_it_is_used(staffed):
    token = try_in(staffed).token
    for day in range(0, people.LONGEST_DAYS, 20):
        assert people.actor_of(staffed, token, now=NOW + timedelta(days=day)).name == "Robin"
    assert people.actor_of(staffed, token, now=NOW + timedelta(days=people.LONGEST_DAYS)) is NO_ONE


def test_sign_out_here_and_everywhere(staffed):
    first, second = try_in(staffed), try_in(staffed)
    people.sign_out(staffed, first.token)
    assert people.actor_of(staffed, first.token, now=NOW) is NO_ONE
    assert people.actor_of(staffed, second.token, now=NOW).name == "Robin"
    third = try_in(staffed)
    with staffed.acting_as(third.actor):
        assert [each.device for each in people.own_sessions(staffed)] == ["Android", "Android"]
        assert people.sign_out_everywhere(staffed, at=NOW) == 2
    assert people.actor_of(staffed, second.token, now=NOW) is NO_ONE


def test_new_password_signs_out_everywhere(staffed):
    token = try_in(staffed).token
    with staffed.acting_as(people.actor_of(staffed, token, now=NOW)):
        with pytest.raises(SignInRefused, match="The old password does not fit"):
            people.change_own_password(staffed, "no no no no", "another " + SECRET, at=NOW)
        people.change_own_password(staffed, SECRET, "another " + SECRET, at=NOW)
    assert people.actor_of(staffed, token, now=NOW) is NO_ONE
    assert try_in(staffed, password="another " + SECRET).actor.name == "Robin"


def test_nothing_in_the_logs_files_lets_anyone_in(staffed):
    token = try_in(staffed).token
    with pytest.raises(SignInRefused):
        try_in(staffed, SECRET, "typed into the wrong field")
    staffed._connection.execute("pragma wal_checkpoint(truncate)")
    for path in staffed.folder.rglob("*"):
        content = path.read_bytes() if path.is_file() else b""
        for secret in (SECRET, token, "192.0.2.7", "typed into the wrong field"):
            assert secret.encode() not in content, (path.name, secret)
    kept = staffed._rows("select hash from passwords")
    assert all(row["hash"].startswith("$argon2id$v=19$") for row in kept)
    history = str(staffed._rows("select * from history"))
    assert "$argon2" not in history


def test_history_names_who_is_signed_in_not_who_they_say_they_are(staffed):
    with staffed.acting_as(try_in(staffed, "Olive").actor):
        pool = actions.add_pool(staffed, Pool("", "Cedar", 56_000.0, FilterKind.SAND), at=NOW, by="Somebody else")
    assert staffed.history_of("pools", pool.id)[0]["who"] == "Olive"


@pytest.mark.parametrize(
    ("password", "said"),
    [
        ("short", "too short: at least 12"),
        ("x" * 201, "too long: at most 200"),
        ("aaaaaaaabbbbbbbb", "easily guessed"),
        ("morganmorgan", "easily guessed"),
        ("password123456", "easily guessed"),
    ],
    ids=["short", "long", "few letters", "the name", "the usual"],
)
def test_poor_password_is_refused_by_a_sentence(staffed, password, said):
    with pytest.raises(AccountRefused, match=said):
        people.add_account(staffed, "Morgan", Role.TECH, password=password, at=NOW)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"name": "  olive "}, "Another account has that name"),
        ({"name": "\u202e"}, "A name has 1 to 80 characters"),
        ({"name": " "}, "A name has 1 to 80 characters"),
        ({"email": "nobody"}, "is no e-mail address"),
        ({"email": "OLIVE@example.com"}, "Another account has that e-mail address"),
    ],
    ids=["name taken", "unprintable", "blank", "no address", "address taken"],
)
def test_impossible_account_is_refused_by_a_sentence(staffed, change, said):
    people.change_account(staffed, replace(people.find_account(staffed, "Olive"), email="olive@example.com"), at=NOW)
    with pytest.raises(AccountRefused, match=said):
        people.change_account(staffed, replace(people.find_account(staffed, "Robin"), **change), at=NOW)


@pytest.mark.parametrize("how", ["close", "demote"])
def test_last_owner_stays(staffed, how):
    olive = people.find_account(staffed, "Olive")
    acts = {
        "close": lambda: people.close_account(staffed, olive.id, at=NOW),
        "demote": lambda: people.change_account(staffed, replace(olive, role=Role.TECH), at=NOW),
    }
    with pytest.raises(AccountRefused, match="no owner would be left"):
        acts[how]()
    assert people.find_account(staffed, "Olive") == olive


def test_new_passwords_are_long_and_all_different():
    made = {people.new_password() for _ in range(500)}
    assert len(made) == 500
    assert all(len(each) == 19 for each in made)


def test_companys_own_sign_in_needs_a_verified_known_address(staffed):
    people.add_account(staffed, "Sam", Role.OFFICE, password=None, email="sam@example.com", at=NOW)
    given = {"device": "Mac", "now": NOW}
    assert people.sign_in_by_email(staffed, "SAM@example.com", verified=True, **given).actor.name == "Sam"
    for email, verified in (("sam@example.com", False), ("else@example.com", True), ("", True)):
        with pytest.raises(SignInRefused, match="No account has the e-mail address"):
            people.sign_in_by_email(staffed, email, verified=verified, **given)
    with pytest.raises(SignInRefused, match="do not fit"):
        try_in(staffed, "Sam", "")


def test_tech_sees_the_pools_assigned_and_the_others_are_as_if_they_were_not(staffed):
    own = actions.add_pool(staffed, Pool("", "Cedar", 56_000.0, FilterKind.SAND), at=NOW)
    other = actions.add_pool(staffed, Pool("", "Birch", 56_000.0, FilterKind.SAND), at=NOW)
    theirs, hidden = (actions.open_recovery(staffed, each.id, at=NOW) for each in (own, other))
    robin = people.find_account(staffed, "Robin")
    token = try_in(staffed).token
    with staffed.acting_as(people.actor_of(staffed, token, now=NOW)):
        assert len(actions.pools(staffed)) == 2
    people.change_account(staffed, replace(robin, sees_all=False, pool_ids=frozenset({own.id})), at=NOW)
    with staffed.acting_as(people.actor_of(staffed, token, now=NOW)):
        assert [each.name for each in actions.pools(staffed)] == ["Cedar"]
        assert [row.recovery.id for row in actions.board(staffed, now=NOW)] == [theirs.id]
        for refused in (
            lambda: actions.recovery(staffed, hidden.id),
            lambda: actions.find_recovery(staffed, hidden.id),
            lambda: actions.find_recovery(staffed, "Birch"),
            lambda: actions.log_visit(staffed, hidden.id, at=NOW, by="Robin"),
            lambda: actions.open_recovery(staffed, other.id, at=NOW),
        ):
            with pytest.raises(NotInLog):
                refused()
        with pytest.raises(NotAllowed, match="The tech role may not do this"):
            people.accounts(staffed)


def test_no_one_is_told_to_sign_in(staffed):
    with (
        staffed.acting_as(NO_ONE),
        pytest.raises(NotSignedIn, match=r"You are not signed in\. Sign in and try again\."),
    ):
        actions.pools(staffed)


def test_earlier_log_gets_the_tables_and_keeps_what_it_has(tmp_path):
    with actions.open_log(tmp_path) as log:
        actions.add_pool(log, Pool("", "Cedar", 56_000.0, FilterKind.SAND), at=NOW)
    with sqlite3.connect(tmp_path / "log.sqlite3") as raw:
        tables = {row[0] for row in raw.execute("select name from sqlite_master where type = 'table'")}
    raw.close()
    assert {"accounts", "passwords", "sessions", "assignments", "failed_sign_ins"} <= tables


@pytest.mark.parametrize(
    "text",
    ["'); drop table pools; --", '" or 1=1 --', "<script>alert(1)</script>", "{{7*7}} ${7*7} %s {0}", "\x00\u202eé"],
)
def test_text_in_any_field_is_kept_as_text_and_finds_only_itself(staffed, text):
    kept = actions.add_pool(staffed, Pool("", text, 56_000.0, FilterKind.SAND, owner=text, note=text), at=NOW, by=text)
    assert actions.pools(staffed) == (kept,)
    assert (kept.name, kept.owner, kept.note) == (text, text, text)
    with pytest.raises(NotInLog):
        actions.recovery(staffed, text)
    with pytest.raises(SignInRefused, match="do not fit"):
        try_in(staffed, text, text)
