"""Signing in and out over HTTP: the form, the cookie, the headers, the company's own provider."""

import asyncio
import json
import re
import time
from datetime import UTC, datetime
from urllib.parse import parse_qs, urlsplit

import httpx2
import pytest
from starlette.applications import Starlette
from starlette.middleware import Middleware
from starlette.middleware.sessions import SessionMiddleware
from starlette.responses import PlainTextResponse

from app import actions, people
from app.access import Role
from app.dashboard import doors
from app.dashboard.start import SETTINGS, dashboard_command
from app.records import Company

SECRET = "cedar lantern ninety gravel"
SITE = "https://pools.example"


@pytest.fixture(autouse=True)
def home(tmp_path, monkeypatch):
    import argon2

    real = argon2.PasswordHasher
    monkeypatch.setattr(argon2, "PasswordHasher", lambda: real(time_cost=1, memory_cost=8, parallelism=1))
    monkeypatch.setenv("TURNBLUE_HOME", str(tmp_path / "home"))
    people._hash_of_nothing.cache_clear()
    with actions.open_log() as log:
        now = datetime.now(UTC)
        actions.save_company(log, Company("Quillhaven <b>Pool</b> Care"), at=now)
        people.add_account(log, "Olive", Role.OWNER, password=SECRET, email="olive@example.com", at=now)
    yield tmp_path / "home"
    people._hash_of_nothing.cache_clear()


def talk(conversation, *, site=SITE):
    """Run a conversation of one browser with our addresses; "inside" stands for Streamlit's pages."""

    async def inside(scope, receive, send):
        await PlainTextResponse("inside")(scope, receive, send)

    async def run():
        # As Streamlit sets it up: its own session, which the way to the provider needs, lies inside the guard.
        layers = [*doors.middleware(), Middleware(SessionMiddleware, secret_key="x" * 32)]
        app = Starlette(routes=doors.routes(), middleware=layers)
        app.router.default = inside
        transport = httpx2.ASGITransport(app, client=("192.0.2.7", 5555))
        async with httpx2.AsyncClient(transport=transport, base_url=site) as browser:
            return await conversation(browser)

    return asyncio.run(run())


def form(browser, path="/sign-in", *, name="Olive", password=SECRET, following="", **headers):
    sent = {
        "origin": str(browser.base_url).rstrip("/"),
        **{key.replace("_", "-"): value for key, value in headers.items()},
    }
    return browser.post(path, data={"name": name, "password": password, "next": following}, headers=sent)


def test_whole_way_in_and_out():
    async def conversation(browser):
        sent_on = await browser.get("/pool?recovery=r-1", headers={"accept": "text/html"})
        assert (sent_on.status_code, sent_on.headers["location"]) == (303, "/sign-in?next=%2Fpool%3Frecovery%3Dr-1")
        page = await browser.get(sent_on.headers["location"])
        assert 'value="/pool?recovery=r-1"' in page.text
        entered = await form(browser, following="/pool?recovery=r-1")
        assert (entered.status_code, entered.headers["location"]) == (303, "/pool?recovery=r-1")
        assert (await browser.get("/pool?recovery=r-1")).text == "inside"
        assert (await browser.get("/sign-in")).headers["location"] == "/"
        assert "<form" in (await browser.get("/sign-out")).text
        assert (await browser.get("/")).text == "inside"
        left = await browser.post("/sign-out", headers={"origin": SITE})
        assert left.headers["location"] == "/sign-in"
        assert (await browser.get("/")).status_code == 401

    talk(conversation)


def test_cookie_is_out_of_scripts_reach_and_bound_to_the_site_over_https():
    async def conversation(browser):
        return (await form(browser)).headers["set-cookie"]

    cookie = talk(conversation)
    token, *marks = cookie.split("; ")
    assert re.fullmatch(r"__Host-turnblue=[\w-]{43}", token)
    assert {"HttpOnly", "Secure", "Path=/", "SameSite=lax", f"Max-Age={365 * 86400}"} <= set(marks)
    assert "Domain" not in cookie
    assert re.match(r"turnblue=[\w-]{43}; ", talk(conversation, site="http://localhost:8501"))


def test_token_taken_out_with_signing_out_opens_nothing_any_more():
    async def conversation(browser):
        await form(browser)
        token = browser.cookies["__Host-turnblue"]
        await browser.post("/sign-out", headers={"origin": SITE})
        return await browser.get("/", headers={"cookie": f"__Host-turnblue={token}"})

    assert talk(conversation).status_code == 401


def test_cookie_that_another_site_could_have_set_is_not_taken_over_https():
    async def conversation(browser):
        await form(browser)
        token = browser.cookies["__Host-turnblue"]
        browser.cookies.clear()
        return await browser.get("/", headers={"cookie": f"turnblue={token}"})

    assert talk(conversation).status_code == 401


@pytest.mark.parametrize(
    "headers",
    [
        {"origin": "https://elsewhere.example"},
        {"origin": "null"},
        {"origin": "https://pools.example.elsewhere.example"},
        {"sec_fetch_site": "cross-site"},
        {"sec_fetch_site": "same-site"},
    ],
    ids=lambda each: " ".join(each.values()),
)
@pytest.mark.parametrize("path", ["/sign-in", "/sign-out"])
def test_form_of_another_site_is_refused(path, headers):
    async def conversation(browser):
        await form(browser)
        refused = await form(browser, path, **headers)
        assert refused.status_code == 403
        assert "did not come from our own page" in refused.text
        assert "set-cookie" not in refused.headers
        return await browser.get("/")

    assert talk(conversation).text == "inside"


def test_wrong_and_unknown_get_the_same_page():
    async def conversation(browser):
        pages = [await form(browser, name=name, password="wrong wrong wrong") for name in ("Olive", "Nobod")]
        assert [page.status_code for page in pages] == [401, 401]
        # The name typed is given back, and of these five letters each; all else must be the same, headers too.
        assert pages[0].text.replace("Olive", "Nobod") == pages[1].text
        assert dict(pages[0].headers) == dict(pages[1].headers)
        return pages[0].text

    page = talk(conversation)
    assert 'role="alert">Name and password do not fit. Check both' in page
    assert "wrong wrong wrong" not in page


def test_guessing_is_slowed_down_for_a_name_and_for_an_address():
    async def conversation(browser):
        for _ in range(people.FAILURES_OF_NAME):
            assert "do not fit" in (await form(browser, password="guess number x")).text
        return (await form(browser)).text

    assert "Too many sign-ins failed. Wait 15 minutes" in talk(conversation)


@pytest.mark.parametrize(
    "following",
    ["https://elsewhere.example/", "//elsewhere.example", "/\\elsewhere.example", "/\t/elsewhere.example",
     "javascript:alert(1)", "/sign-out", "/x\r\nSet-Cookie: a=b", "/%0d%0a"],
)  # fmt: skip
def test_nobody_is_sent_elsewhere_after_signing_in(following):
    async def conversation(browser):
        entered = await form(browser, following=following)
        return entered.headers["location"], entered.headers

    location, headers = talk(conversation)
    assert location.startswith("/")
    assert "elsewhere" not in location
    assert location in ("/", "/%0d%0a")
    assert "a=b" not in str(headers)


def test_what_is_typed_or_named_is_never_markup():
    async def conversation(browser):
        return (await form(browser, name='"><script>alert(1)</script>', following='"><img src=x>')).text

    page = talk(conversation)
    assert "<script" not in page
    assert "<img" not in page
    assert "Quillhaven &lt;b&gt;Pool&lt;/b&gt; Care" in page


@pytest.mark.parametrize(
    "body", [b"name=" + b"x" * 20_000, b"\xff\xfe=%ff%00", b"a=1&" * 400, b""], ids=["large", "odd", "many", "empty"]
)
def test_odd_form_ends_in_a_sentence(body):
    async def conversation(browser):
        return await browser.post("/sign-in", content=body, headers={"origin": SITE})

    answer = talk(conversation)
    assert answer.status_code in (401, 403)
    assert "Traceback" not in answer.text


def test_every_answer_carries_the_headers():
    async def conversation(browser):
        refused = [await browser.get(path) for path in ("/healthz", "/sign-in", "/", "/media/x.jpg", "/r/" + "x" * 43)]
        await form(browser)
        return [*refused, await browser.get("/"), await browser.post("/sign-in", headers={"origin": "null"})]

    for answer in talk(conversation):
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert answer.headers["x-frame-options"] == "DENY"
        assert answer.headers["referrer-policy"] in ("same-origin", "no-referrer")
        assert "frame-ancestors 'none'" in answer.headers["content-security-policy"]
        assert (
            "object-src 'none'" in answer.headers["content-security-policy"]
            or "default-src 'none'" in answer.headers["content-security-policy"]
        )
        assert answer.headers["strict-transport-security"] == "max-age=31536000"


def test_our_plain_pages_may_run_no_script_and_are_kept_by_nobody():
    async def conversation(browser):
        return [await browser.get(path) for path in ("/sign-in", "/sign-out")]

    for page in talk(conversation):
        assert "script-src" not in page.headers["content-security-policy"]
        assert page.headers["content-security-policy"].startswith("default-src 'none'")
        assert page.headers["cache-control"] == "no-store"


def test_pages_scripts_come_from_here_alone():
    from app.dashboard.headers import page_policy

    scripts = re.search(r"script-src ([^;]+)", page_policy()).group(1).split()
    assert "'unsafe-inline'" not in scripts
    assert [each for each in scripts if not each.startswith(("'self'", "'unsafe-eval'", "'sha256-", "blob:"))] == []


def test_streamlits_own_guards_are_on():
    command = dashboard_command()
    assert SETTINGS["server.enableXsrfProtection"] == SETTINGS["server.enableCORS"] == "true"
    for flag in ("--server.enableStaticServing=false", "--server.maxUploadSize=64", "--client.showErrorDetails=none",
                 "--server.address=127.0.0.1"):  # fmt: skip
        assert flag in command


def test_health_says_whether_the_log_opens_and_nothing_else(home):
    async def conversation(browser):
        return await browser.get("/healthz")

    assert (talk(conversation).status_code, talk(conversation).text) == (200, "ok")
    (home / "log.sqlite3").write_bytes(b"not a database" * 100)
    broken = talk(conversation)
    assert (broken.status_code, broken.text) == (503, "log_unusable")


def test_the_boards_name_leads_to_the_board():
    async def conversation(browser):
        return await browser.get("/board", follow_redirects=False)

    answer = talk(conversation)
    assert (answer.status_code, answer.headers["location"]) == (307, "/")


def test_unencrypted_connection_is_called_so():
    async def conversation(browser):
        return (await browser.get("/sign-in")).text

    assert "not encrypted" in talk(conversation, site="http://192.0.2.1:8501")
    assert "not encrypted" not in talk(conversation)


def test_log_that_cannot_be_opened_ends_in_a_sentence(home):
    (home / "log.sqlite3").write_bytes(b"not a database" * 100)

    async def conversation(browser):
        return await browser.get("/")

    refused = talk(conversation)
    assert refused.status_code == 503
    assert "Restore it from a backup" in refused.text


# The company's own provider


class Provider:
    """An OpenID Connect provider of one person, asked in place of the network."""

    def __init__(self, **claims):
        from joserfc.jwk import RSAKey

        self.key = RSAKey.generate_key(2048, {"kid": "1", "use": "sig", "alg": "RS256"})
        self.signed_by = self.key
        self.claims = claims
        self.nonce = self.challenge = ""

    def answer(self, request):
        address = "https://sign-in.example"
        if request.url.path == "/.well-known/openid-configuration":
            return {
                "issuer": address,
                "authorization_endpoint": f"{address}/authorize",
                "token_endpoint": f"{address}/token",
                "jwks_uri": f"{address}/keys",
                "id_token_signing_alg_values_supported": ["RS256"],
            }
        if request.url.path == "/keys":
            return {"keys": [self.key.as_dict(private=False)]}
        from joserfc import jwt

        now = int(time.time())
        claims = {
            "iss": address,
            "aud": "turnblue",
            "sub": "7",
            "iat": now,
            "exp": now + 300,
            "nonce": self.nonce,
            **self.claims,
        }
        token = jwt.encode({"alg": "RS256", "kid": "1"}, claims, self.signed_by)
        return {"access_token": "a", "token_type": "Bearer", "id_token": token}


@pytest.fixture
def provided(monkeypatch):
    for name, value in (("ISSUER", "https://sign-in.example"), ("CLIENT_ID", "turnblue"), ("CLIENT_SECRET", "s3cret")):
        monkeypatch.setenv(f"TURNBLUE_OIDC_{name}", value)

    def with_claims(**claims):
        provider = Provider(**claims)
        asked = httpx2.AsyncClient.send

        async def send(self, request, **more):
            if request.url.host != "sign-in.example":
                return await asked(self, request, **more)
            return httpx2.Response(200, json=provider.answer(request), request=request)

        monkeypatch.setattr(httpx2.AsyncClient, "send", send)
        return provider

    return with_claims


def by_company(provider, *, tamper=None, following="/pools"):
    async def conversation(browser):
        assert "Sign in with the company account" in (await browser.get("/sign-in")).text
        sent = await browser.get("/sign-in/company", params={"next": following})
        there = urlsplit(sent.headers["location"])
        asked = {name: values[0] for name, values in parse_qs(there.query).items()}
        assert (there.netloc, asked["redirect_uri"]) == ("sign-in.example", f"{SITE}/sign-in/company/back")
        assert (asked["code_challenge_method"], asked["scope"]) == ("S256", "openid email")
        provider.nonce = asked["nonce"]
        back = {"code": "c", "state": asked["state"]}
        if tamper:
            tamper(provider, back, browser)
        returned = await browser.get("/sign-in/company/back", params=back)
        return returned.headers["location"], (await browser.get("/")).status_code

    return talk(conversation)


def test_company_sign_in_lets_in_whom_the_provider_vouches_for(provided):
    assert by_company(provided(email="Olive@Example.com", email_verified=True)) == ("/pools", 200)


def forget_cookies(provider, back, browser):
    browser.cookies.clear()


def another_key(provider, back, browser):
    provider.signed_by = Provider().key


@pytest.mark.parametrize(
    ("claims", "tamper"),
    [
        ({"email": "olive@example.com", "email_verified": False}, None),
        ({"email": "olive@example.com"}, None),
        ({"email": "else@example.com", "email_verified": True}, None),
        ({"email_verified": True}, None),
        ({"email": "olive@example.com", "email_verified": True}, lambda _p, back, _b: back.update(state="x")),
        ({"email": "olive@example.com", "email_verified": True}, forget_cookies),
        ({"email": "olive@example.com", "email_verified": True}, another_key),
        ({"email": "olive@example.com", "email_verified": True, "nonce": "x"}, None),
        ({"email": "olive@example.com", "email_verified": True, "aud": "another"}, None),
        ({"email": "olive@example.com", "email_verified": True, "exp": 1}, None),
    ],
    ids=["unverified", "not said", "unknown", "no address", "other state", "other browser", "other key", "other nonce",
         "for another", "expired"],
)  # fmt: skip
def test_company_sign_in_refuses_what_is_not_sound(provided, claims, tamper):
    location, inside = by_company(provided(**claims), tamper=tamper)
    assert (location, inside) == ("/sign-in?refused=company", 401)


def test_without_a_provider_there_is_no_way_there():
    async def conversation(browser):
        there = [await browser.get(path) for path in ("/sign-in/company", "/sign-in/company/back?code=c&state=s")]
        return [each.headers["location"] for each in there], (await browser.get("/sign-in")).text

    locations, page = talk(conversation)
    assert locations == ["/sign-in", "/sign-in"]
    assert "company account" not in page
    assert json.dumps("s3cret") not in page
