"""Every address of the server that is ours, with who may use it; and what stands before all of them.

In: nothing. Out: routes and middleware for the server. An address is one row of `DOORS`; the rest are Streamlit's
own, and all of those need a signed-in person but `gate.OPEN_FILES`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.routing import Route, compile_path

from app import actions
from app.access import NO_ONE, Right
from app.dashboard import company_sign_in, customer, sign_in
from app.dashboard.gate import Gate
from app.dashboard.headers import Headers
from app.errors import TurnblueError


@dataclass(frozen=True)
class Door:
    """One address of ours: where, how, who answers, and which right it needs."""

    path: str
    methods: tuple[str, ...]
    answer: Callable[[Request], Any]
    right: Right


async def health(_request: Request) -> Response:
    """Say whether the server answers and its log opens; nothing else, since anyone may ask."""

    def open_log() -> None:
        with actions.open_log(None, NO_ONE) as log:
            actions.company(log)

    try:
        await run_in_threadpool(open_log)
    except TurnblueError as error:
        return PlainTextResponse(error.code, status_code=503)
    return PlainTextResponse("ok")


async def board(_request: Request) -> Response:
    """Lead to the first page, which is the board: whoever types its name means that."""
    return RedirectResponse("/")


DOORS: tuple[Door, ...] = (
    Door("/healthz", ("GET",), health, Right.ANYONE),
    Door("/board", ("GET",), board, Right.ANYONE),
    Door("/r/{token}", ("GET",), customer.answer, Right.ANYONE),
    Door("/sign-in", ("GET",), sign_in.show, Right.ANYONE),
    Door("/sign-in", ("POST",), sign_in.take, Right.ANYONE),
    Door("/sign-in/company", ("GET",), company_sign_in.go, Right.ANYONE),
    Door(company_sign_in.BACK, ("GET",), company_sign_in.back, Right.ANYONE),
    Door("/sign-out", ("GET",), sign_in.show_sign_out, Right.ANYONE),
    Door("/sign-out", ("POST",), sign_in.sign_out, Right.ANYONE),
)
"""Our own addresses. Add one here; a right other than `ANYONE` is held by the guard before the answer is called, which
then finds who asks in `request.scope["turnblue.actor"]`."""


def guarded_by(path: str) -> Right | None:
    """Return which right an address of ours needs, None where it is none of ours.

    Examples
    --------
    >>> guarded_by("/healthz").value, guarded_by("/media/1.jpg")
    ('anyone', None)
    """
    return next((door.right for door in DOORS if compile_path(door.path)[0].match(path)), None)


def routes() -> list[Route]:
    """Return our addresses as the server takes them."""
    return [Route(door.path, door.answer, methods=list(door.methods)) for door in DOORS]


def middleware() -> list[Middleware]:
    """Return what every request passes, outermost first."""
    return [Middleware(Headers), Middleware(Gate, guarded_by=guarded_by)]
