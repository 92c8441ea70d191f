"""Sign-in by the company's own OpenID Connect provider: the way there and the way back.

In: requests, and three environment variables. Out: redirections, and a session where the provider vouches for an
e-mail address that an account has. The protocol (authorization code with PKCE, state, nonce, signed tokens) is
Authlib's; it comes with the extra `[oidc]`.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from datetime import UTC, datetime
from importlib.util import find_spec
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from app import actions, people
from app.access import NO_ONE
from app.errors import SignInRefused
from app.people import Session

ISSUER = "TURNBLUE_OIDC_ISSUER"
"""The provider's address, below which `.well-known/openid-configuration` lies."""

CLIENT_ID = "TURNBLUE_OIDC_CLIENT_ID"
"""What the provider calls us."""

CLIENT_SECRET = "TURNBLUE_OIDC_CLIENT_SECRET"
"""What we prove that with; from the environment, so that it stands in no file of ours and on no command line."""

PUBLIC_URL = "TURNBLUE_URL"
"""The address that people type; the provider sends them back below it. Left out, the request's own is taken."""

BACK = "/sign-in/company/back"
"""Where the provider sends people back to; registered there under our full address."""


def is_configured(environment: Mapping[str, str] | None = None) -> bool:
    """Return whether the company has named its provider, and the extra `[oidc]` is installed."""
    named = os.environ if environment is None else environment
    return all(named.get(each, "").strip() for each in (ISSUER, CLIENT_ID, CLIENT_SECRET)) and all(
        find_spec(each) for each in ("authlib", "httpx2")
    )


async def go(request: Request) -> Response:
    """Send the person to the company's provider."""
    if not is_configured():
        return RedirectResponse("/sign-in", status_code=303)
    request.session["next"] = request.query_params.get("next", "")
    return await _provider().authorize_redirect(request, _public(request) + BACK)  # type: ignore[no-any-return]


async def back(request: Request) -> Response:
    """Take what the provider says of the person, and sign them in where an account has their address."""
    from app.dashboard.sign_in import device_of, signed_in

    if not is_configured():
        return RedirectResponse("/sign-in", status_code=303)
    said = await _vouched(request)

    def sign_in() -> Session:
        with actions.open_log(None, NO_ONE) as log:
            return people.sign_in_by_email(
                log,
                str(said.get("email", "")),
                verified=said.get("email_verified") is True,
                device=device_of(request.headers.get("user-agent", "")),
                now=datetime.now(UTC),
            )

    try:
        session = await run_in_threadpool(sign_in)
    except SignInRefused:
        return RedirectResponse("/sign-in?refused=company", status_code=303)
    return signed_in(request, session, str(request.session.pop("next", "")))


async def _vouched(request: Request) -> Mapping[str, Any]:
    """Return the checked claims of the provider's token, empty where it or the way here was not sound."""
    from authlib.common.errors import AuthlibBaseError
    from httpx2 import HTTPError
    from joserfc.errors import JoseError

    try:
        token = await _provider().authorize_access_token(request)
    except (AuthlibBaseError, JoseError, HTTPError, ValueError):
        return {}
    return token.get("userinfo") or {}


def _public(request: Request) -> str:
    """Return our own address as people type it."""
    named = os.environ.get(PUBLIC_URL, "").strip().rstrip("/")
    return named or f"{request.url.scheme}://{request.headers.get('host', '')}"


def _provider() -> Any:
    """Return Authlib's client of the provider that the environment names."""
    from authlib.integrations.starlette_client import OAuth

    clients = OAuth()
    return clients.register(
        "company",
        client_id=os.environ[CLIENT_ID].strip(),
        client_secret=os.environ[CLIENT_SECRET].strip(),
        server_metadata_url=os.environ[ISSUER].strip().rstrip("/") + "/.well-known/openid-configuration",
        client_kwargs={"scope": "openid email", "code_challenge_method": "S256"},
    )
