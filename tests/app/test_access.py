"""What is allowed: every use case, page and address tried by every role and by no one; the table is what was tried."""

import asyncio
import inspect
import re
from dataclasses import replace
from datetime import UTC, datetime

import access_table
import httpx2
import pytest
from access_table import ROLES, ROOT, doors, pages, use_cases
from starlette.applications import Starlette
from starlette.responses import PlainTextResponse

from app import actions, people
from app.access import NO_ONE, RIGHTS, Actor, Right, Role, allow
from app.errors import NotAllowed, NotInLog, NotSignedIn
from app.records import FilterKind, Pool

NOW = datetime(2026, 6, 3, 9, 0, tzinfo=UTC)
SECRET = "cedar lantern ninety gravel"
HIDDEN = "Birch Hollow 77"


@pytest.fixture
def log(tmp_path, monkeypatch):
    monkeypatch.setenv("TURNBLUE_HOME", str(tmp_path / "home"))
    with actions.open_log() as opened:
        yield opened


@pytest.fixture(scope="module")
def kept_log(tmp_path_factory):
    """Return one log for the many tries that are refused, or only read."""
    with actions.open_log(tmp_path_factory.mktemp("tried")) as opened:
        yield opened


def acting(role, pool_ids=None):
    return NO_ONE if role is Role.NO_ONE else Actor(role, f"the {role}", "a-000000000000", pool_ids)


# Use cases


def test_every_use_case_declares_its_right():
    assert len(use_cases()) > 40
    assert [name for name, (_found, right) in use_cases().items() if not isinstance(right, Right)] == []


def test_whatever_opens_a_log_by_itself_says_so():
    silent = []
    for module in access_table.use_case_modules():
        for name, found in access_table.public_functions(module).items():
            opens = re.search(r"\b(open_log|Log)\(", inspect.getsource(inspect.unwrap(found)).split('"""')[-1])
            if opens and not hasattr(found, "right"):
                silent.append(f"{module.__name__}.{name}")
    assert silent == []


def test_dashboard_opens_the_log_for_somebody_named():
    # Left out, the actor is the owner at this machine, which a request from anywhere must never be.
    found = {}
    for path in (ROOT / "app" / "dashboard").rglob("*.py"):
        for call in re.findall(r"(?:open_log|known_prices|restore|snapshots|\bLog)\(([^)]*)\)", path.read_text()):
            found[f"{path.name}: {call}"] = re.search(r"NO_ONE|, actor$", call) is not None or not call
    assert found
    # `def open_log()` of the health address is the one empty pair of brackets.
    assert [call for call, named in found.items() if not named] == []


@pytest.mark.parametrize("name", use_cases())
def test_use_case_is_refused_to_roles_without_its_right(name, kept_log):
    found, right = use_cases()[name]
    # Arguments of no kind: a body that was reached would say something else than the refusal.
    values = {
        each.name: object()
        for each in list(inspect.signature(found).parameters.values())[1:]
        if each.default is each.empty and each.kind is not each.VAR_KEYWORD
    }
    for role in ROLES:
        if right in RIGHTS[role]:
            allow(acting(role), right)
            continue
        expected = NotSignedIn if role is Role.NO_ONE else NotAllowed
        with kept_log.acting_as(acting(role)), pytest.raises(expected):
            found(kept_log, **values)


@pytest.fixture(scope="module")
def two_pools(kept_log):
    log = kept_log
    own = actions.add_pool(log, Pool("", "Cedar Lane 12", 56_000.0, FilterKind.SAND), at=NOW)
    hidden = actions.add_pool(log, Pool("", HIDDEN, 56_000.0, FilterKind.SAND, owner="Invented Owner"), at=NOW)
    mine, theirs = (actions.open_recovery(log, each.id, at=NOW) for each in (own, hidden))
    photo = actions.receive_photo(log, actions.PhotoIn("a.jpg", b"not a photo"), received_at=NOW)
    visit = actions.log_visit(log, theirs.id, at=NOW, by="Kit", note="key under the pot").visit
    log.give_photo(photo, visit.id, at=NOW, who="")
    return {
        "own": own, "mine": mine, "pool": hidden, "pool_id": hidden.id, "recovery_id": theirs.id, "visit_id": visit.id,
        "sha256": photo, "changed": visit,
    }  # fmt: skip


@pytest.mark.parametrize("name", [name for name, (_, right) in use_cases().items() if right in RIGHTS[Role.TECH]])
def test_tech_learns_nothing_of_pools_that_are_not_assigned(name, kept_log, two_pools):
    log = kept_log
    found, _right = use_cases()[name]
    given = {"now": NOW, "at": NOW, "by": "", "words": HIDDEN, "received_at": NOW, **two_pools}
    parameters = list(inspect.signature(found).parameters.values())[1:]
    named = {"pool", "pool_id", "recovery_id", "visit_id", "sha256", "changed"} & {each.name for each in parameters}
    values = {
        each.name: given.get(each.name, "" if each.annotation == "str" else object())
        for each in parameters
        if each.default is each.empty and each.kind is not each.VAR_KEYWORD
    }
    scoped = acting(Role.TECH, frozenset({two_pools["own"].id}))
    with log.acting_as(scoped):
        if named:
            with pytest.raises(NotInLog, match="There is no"):
                found(log, **values)
            return
        try:
            said = found(log, **values)
            said = repr(list(said) if inspect.isgenerator(said) else said)
        except Exception as error:  # whatever it is, it must not name the other pool
            said = repr(error).replace(repr(HIDDEN), "")
    for secret in (HIDDEN, "Invented Owner", "key under", two_pools["recovery_id"], two_pools["sha256"]):
        assert secret not in said


def test_a_listing_shows_the_pools_that_are_assigned(kept_log, two_pools):
    log = kept_log
    with log.acting_as(acting(Role.TECH, frozenset({two_pools["own"].id}))):
        assert [each.recovery.id for each in actions.board(log, now=NOW)] == [two_pools["mine"].id]
        assert [each.id for each in actions.pools(log)] == [two_pools["own"].id]


# Pages


@pytest.mark.parametrize("role", ROLES)
@pytest.mark.parametrize("name", pages())
def test_page_is_shown_to_roles_with_its_right_alone(name, role, kept_log, monkeypatch):
    monkeypatch.setenv("TURNBLUE_HOME", str(kept_log.folder))
    import streamlit as st
    from streamlit.testing.v1 import AppTest
    from streamlit.util import calc_hash

    from app.dashboard import main
    from app.dashboard.start import ENTRY

    shown = {each: (title, lambda desk: st.text("inside"), right) for each, (title, _, right) in main.PAGES.items()}
    monkeypatch.setattr(main, "PAGES", shown)
    monkeypatch.setattr(people, "actor_of", lambda log, token, *, now: acting(role))
    at = AppTest.from_file(str(ENTRY), default_timeout=30)
    at._page_hash = calc_hash(name)
    at.run()
    assert not at.exception
    assert ("inside" in [each.value for each in at.text]) is (pages()[name] in RIGHTS[role])
    if role is Role.NO_ONE:
        assert any('href="/sign-in"' in each.proto.body for each in at.get("html"))


# Addresses


def server():
    """Return our addresses behind the guard; "inside" stands for Streamlit's own."""
    from app.dashboard import doors as ours

    async def inside(scope, receive, send):
        if scope["type"] == "websocket":
            await send({"type": "websocket.accept"})
            await send({"type": "websocket.close", "code": 1000})
        else:
            await PlainTextResponse("inside")(scope, receive, send)

    app = Starlette(routes=ours.routes(), middleware=ours.middleware())
    app.router.default = inside
    return app


def ask(method, path, *, token=None, client="192.0.2.7", host="https://pools.example", **headers):
    """Return the answer to one request."""

    async def one():
        transport = httpx2.ASGITransport(server(), client=(client, 5555), raise_app_exceptions=False)
        async with httpx2.AsyncClient(transport=transport, base_url=host) as browser:
            sent = {name.replace("_", "-"): value for name, value in headers.items()}
            if token:
                sent["cookie"] = f"{'__Host-turnblue' if host.startswith('https') else 'turnblue'}={token}"
            return await browser.request(method, path, headers=sent)

    return asyncio.run(one())


@pytest.fixture(scope="module")
def staffed(tmp_path_factory):
    """Return a log's folder with an account of each role, and their sessions' tokens."""
    import argon2

    real, folder, now = argon2.PasswordHasher, tmp_path_factory.mktemp("staffed"), datetime.now(UTC)
    given = {Role.NO_ONE: None}
    with pytest.MonkeyPatch.context() as patched, actions.open_log(folder) as log:
        patched.setattr(argon2, "PasswordHasher", lambda: real(time_cost=1, memory_cost=8, parallelism=1))
        for role in (Role.OWNER, Role.OFFICE, Role.TECH):
            people.add_account(log, role.value, role, password=SECRET, at=now)
            given[role] = people.sign_in(log, role.value, SECRET, address="", device="", now=now).token
    return folder, given


@pytest.fixture
def tokens(staffed, monkeypatch):
    folder, given = staffed
    monkeypatch.setenv("TURNBLUE_HOME", str(folder))
    return given


STREAMLITS = (
    ("GET", "/"), ("GET", "/pool"), ("GET", "/media/0a1b.jpg"), ("PUT", "/_stcore/upload_file/s/f"),
    ("DELETE", "/_stcore/upload_file/s/f"), ("GET", "/_stcore/host-config"), ("GET", "/_stcore/metrics"),
    ("POST", "/_stcore/agent/mcp"), ("GET", "/component/x/index.html"), ("GET", "/_stcore/bidi-components/x"),
    ("GET", "/app/static/x"), ("GET", "/auth/login"), ("GET", "/oauth2callback"), ("GET", "/static/../media/0a1b.jpg"),
    ("GET", "/static/"), ("GET", "//media/0a1b.jpg"), ("GET", "/STATIC/x"), ("GET", "/nothing-of-the-kind"),
)  # fmt: skip


@pytest.mark.parametrize(("method", "path"), STREAMLITS, ids=lambda each: each)
def test_address_of_streamlit_needs_somebody_signed_in(method, path, tokens):
    for role, token in tokens.items():
        answer = ask(method, path, token=token)
        if role is Role.NO_ONE:
            assert (answer.status_code, answer.text) == (401, "You are not signed in.\n")
        else:
            assert (answer.status_code, answer.text) == (200, "inside")


@pytest.mark.parametrize("door", doors())
def test_address_of_ours_is_open_to_roles_with_its_right_alone(door, tokens):
    method, path = door.split()
    # From elsewhere, so that no form is taken: who passes the guard is told that, and stays signed in.
    for role, token in tokens.items():
        answer = ask(method, re.sub(r"{\w+}", "x" * 43, path), token=token, origin="https://elsewhere.example")
        refused = answer.text in ("You are not signed in.\n", "Your role may not do this.\n")
        assert refused is (doors()[door] not in RIGHTS[role])


@pytest.mark.parametrize("role", [Role.OWNER, Role.TECH, Role.NO_ONE])
def test_socket_needs_somebody_signed_in(role, tokens):
    sent = []

    async def connect():
        return {"type": "websocket.connect"}

    async def note(message):
        sent.append(message["type"])

    cookie = [(b"cookie", f"__Host-turnblue={tokens[role]}".encode())] if tokens[role] else []
    scope = {
        "type": "websocket", "scheme": "wss", "path": "/_stcore/stream", "raw_path": b"/_stcore/stream",
        "query_string": b"", "headers": [(b"host", b"pools.example"), *cookie], "client": ("192.0.2.7", 5555),
        "server": ("pools.example", 443), "subprotocols": [],
    }  # fmt: skip
    asyncio.run(server()(scope, connect, note))
    assert ("websocket.accept" in sent) is (role is not Role.NO_ONE)


@pytest.mark.parametrize(
    "path",
    ["/static/js/index.abc.js", "/favicon.png", "/_stcore/health", "/healthz", "/sign-in"],
    ids=lambda each: each,
)
def test_address_without_anything_of_the_company_is_open(path, tokens):
    assert ask("GET", path).status_code == 200


def test_role_that_lost_its_right_is_refused_at_once(tokens, monkeypatch):
    from app.dashboard import doors as ours

    door = ours.Door("/owners", ("GET",), lambda _request: PlainTextResponse("owned"), Right.ACCOUNTS)
    monkeypatch.setattr(ours, "DOORS", (*ours.DOORS, door))
    assert ask("GET", "/owners", token=tokens[Role.OWNER]).text == "owned"
    refused = ask("GET", "/owners", token=tokens[Role.OFFICE])
    assert (refused.status_code, refused.text) == (403, "Your role may not do this.\n")
    with actions.open_log() as log:
        office = people.find_account(log, "office")
        people.change_account(log, replace(office, role=Role.OWNER), at=NOW)
        assert ask("GET", "/owners", token=tokens[Role.OFFICE]).text == "owned"
        people.change_account(log, office, at=NOW)
        assert ask("GET", "/owners", token=tokens[Role.OFFICE]).status_code == 403


# Before there are accounts


@pytest.mark.parametrize("host", ["http://localhost:8501", "http://127.0.0.1:8501", "http://[::1]:8501"])
def test_before_accounts_this_machine_itself_is_let_in(log, host):
    assert ask("GET", "/", client="::1" if "[" in host else "127.0.0.1", host=host).text == "inside"


@pytest.mark.parametrize(
    ("client", "host", "headers"),
    [
        ("192.0.2.7", "http://localhost:8501", {}),
        ("127.0.0.1", "http://pools.example", {}),
        ("127.0.0.1", "http://localhost.example:8501", {}),
        ("127.0.0.1", "http://localhost:8501", {"x_forwarded_for": "192.0.2.7"}),
        ("127.0.0.1", "http://localhost:8501", {"forwarded": "for=192.0.2.7"}),
        ("", "http://localhost:8501", {}),
    ],
    ids=["another machine", "rebound name", "a name like ours", "behind a proxy", "behind another proxy", "unknown"],
)
def test_before_accounts_nobody_else_is_let_in(log, client, host, headers):
    refused = ask("GET", "/", client=client, host=host, **headers)
    assert refused.status_code == 403
    assert "turnblue account add" in refused.text


# The table


def test_table_in_the_developers_guide_is_the_one_that_was_tried():
    assert access_table.table() in (ROOT / "DEVELOPERS.md").read_text(), (
        "DEVELOPERS.md has another table: paste what python -m tests.app.access_table prints"
    )


def test_every_threat_names_tests_that_are_there():
    guide = (ROOT / "DEVELOPERS.md").read_text()
    section = guide.split("## Threats", 1)[1].split("\n## ", 1)[0]
    rows = [line for line in section.splitlines() if line.startswith("| ") and "---" not in line][1:]
    assert len(rows) > 15
    known = {
        name
        for path in (ROOT / "tests").rglob("test_*.py")
        for name in re.findall(r"^\s*def (test_\w+)", path.read_text(), re.MULTILINE)
    }
    for row in rows:
        named = re.findall(r"`(test_\w+)`", row)
        assert named, row
        assert [each for each in named if each not in known] == [], row
