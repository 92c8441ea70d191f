"""The guard before every address: who asks, and whether they may.

In: an ASGI application and the doors that are open or guarded. Out: the same application, reached only by those who
may. Whoever has no account of an account-holding company gets the sign-in page, and nothing else of us answers; before
there are accounts only this machine itself is answered.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from typing import Any
from urllib.parse import quote

from starlette.concurrency import run_in_threadpool
from starlette.requests import HTTPConnection
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.websockets import WebSocketClose

from app import actions, people
from app.access import AT_THIS_MACHINE, NO_ONE, Actor, Right
from app.dashboard.headers import Application, Receive, Scope, Send
from app.dashboard.start import is_loopback
from app.errors import TurnblueError

SECURE_COOKIE = "__Host-turnblue"
"""The session's cookie over HTTPS: by its prefix no other site or subdomain can have set it (RFC 6265bis, 4.1.3.2)."""

PLAIN_COOKIE = "turnblue"
"""The session's cookie on this machine itself, where there is no HTTPS."""

OPEN_FILES = re.compile(r"/static/[\w.-]+(/[\w.-]+)*|/favicon\.png|/manifest\.json|/_stcore/health")
"""Streamlit's own published scripts and its health: nothing of the company's is in them."""

FORWARDED = ("forwarded", "x-forwarded-for", "x-forwarded-host", "x-real-ip", "via")
"""Headers that tell that someone else's request was handed on to us."""

ONLY_HERE = (
    "This Turnblue has no accounts yet, so it answers only at the machine it runs on. "
    "There, add the first one: turnblue account add NAME --role owner\n"
)
"""What everybody else is told before there are accounts."""

GuardedBy = Callable[[str], Right | None]
"""Tells which right an address needs, None where it is none of ours."""


def session_token(cookies: Mapping[str, str], *, secure: bool | None = None) -> str | None:
    """Return the session's token out of a request's cookies; over HTTPS only the cookie that no other site can set."""
    names = (SECURE_COOKIE,) if secure else (SECURE_COOKIE, PLAIN_COOKIE)
    return next((cookies[name] for name in names if cookies.get(name)), None)


def is_secure(request: HTTPConnection) -> bool:
    """Return whether a request came over HTTPS, by itself or up to a proxy on this machine."""
    return request.url.scheme in ("https", "wss")


def is_at_this_machine(request: HTTPConnection) -> bool:
    """Return whether a request was made on this machine itself, to one of its own names.

    The name matters as much as the address: a strange page can make its own name point here ("rebinding"), and
    its scripts then ask us from this very machine.
    """
    if any(name in request.headers for name in FORWARDED):
        return False
    return is_loopback(request.client.host if request.client else "") and is_loopback(request.url.hostname or "")


def who_asks(request: HTTPConnection) -> Actor | None:
    """Return whose request it is; None where there are no accounts yet and it is not made at this machine."""
    with actions.open_log(None, NO_ONE) as log:
        if people.has_accounts(log):
            token = session_token(request.cookies, secure=is_secure(request))
            return people.actor_of(log, token, now=datetime.now(UTC))
    return AT_THIS_MACHINE if is_at_this_machine(request) else None


class Gate:
    """Let a request pass where its person may.

    Parameters
    ----------
    app : callable
        The ASGI application behind.
    guarded_by : callable
        Which right an address of ours needs. All of Streamlit's need `Right.LOOK`, but `OPEN_FILES`.
    """

    def __init__(self, app: Application, guarded_by: GuardedBy) -> None:
        self.app = app
        self.guarded_by = guarded_by

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request, or hand it on."""
        if scope["type"] not in ("http", "websocket"):
            await self.app(scope, receive, send)
            return
        right = self.guarded_by(scope["path"])
        if right is Right.ANYONE or (right is None and OPEN_FILES.fullmatch(scope["path"])):
            await self.app(scope, receive, send)
            return
        request = HTTPConnection(scope)
        try:
            actor = await run_in_threadpool(who_asks, request)
        except TurnblueError as error:
            await _refuse(scope, receive, send, PlainTextResponse(f"{error}\n", status_code=503))
            return
        if actor is None:
            await _refuse(scope, receive, send, PlainTextResponse(ONLY_HERE, status_code=403))
        elif actor.may(right or Right.LOOK):
            scope["turnblue.actor"] = actor
            await self.app(scope, receive, send)
        elif actor is NO_ONE:
            await _refuse(scope, receive, send, _to_sign_in(request))
        else:
            await _refuse(scope, receive, send, PlainTextResponse("Your role may not do this.\n", status_code=403))


def _to_sign_in(request: HTTPConnection) -> Response:
    """Send a person to the sign-in page, and a program away."""
    if request.scope.get("method") != "GET" or "text/html" not in request.headers.get("accept", ""):
        return PlainTextResponse("You are not signed in.\n", status_code=401)
    wanted = request.url.path + (f"?{request.url.query}" if request.url.query else "")
    return RedirectResponse("/sign-in" if wanted == "/" else f"/sign-in?next={quote(wanted, safe='')}", status_code=303)


async def _refuse(scope: Scope, receive: Receive, send: Send, answer: Response) -> None:
    """Answer in place of the application; a socket is closed before it opens."""
    closed: Any = WebSocketClose(code=1008) if scope["type"] == "websocket" else answer
    if scope["type"] == "http":
        answer.headers["Cache-Control"] = "no-store"
    await closed(scope, receive, send)
