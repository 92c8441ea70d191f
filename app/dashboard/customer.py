"""The customer's page: what a link opens, without an account and without Streamlit, so that a phone has it at once.

In: a request for `/r/TOKEN`. Out: one self-contained document, or the page of a link that does not open. A slip of
the program shows the latter too, never a traceback.
"""

from __future__ import annotations

import secrets
from datetime import UTC, datetime

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from app import actions, links
from app.access import NO_ONE
from app.errors import TurnblueError
from app.report.customer_page import closed_html, customer_html, headers
from vision.errors import VisionError


async def answer(request: Request) -> Response:
    """Answer a request for a customer's link."""
    nonce = secrets.token_urlsafe(16)
    status, html = await run_in_threadpool(_page, request.path_params["token"], nonce)
    return HTMLResponse(html, status_code=status, headers=headers(nonce))


def _page(token: str, nonce: str) -> tuple[int, str]:
    """Return the status and the document."""
    try:
        with actions.open_log(None, NO_ONE) as log:
            page = links.open_link(log, token, now=datetime.now(UTC))
    except (TurnblueError, VisionError):
        return 404, closed_html(nonce=nonce)
    return 200, customer_html(page, nonce=nonce)
