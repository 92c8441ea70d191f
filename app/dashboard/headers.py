"""The headers that every answer carries: what a browser may load, run, frame and tell others.

In: an ASGI application. Out: the same with headers. The policy is as narrow as Streamlit's own pages allow.
"""

from __future__ import annotations

import base64
import functools
import hashlib
import re
from collections.abc import Awaitable, Callable, Mapping, MutableMapping
from pathlib import Path
from typing import Any

import streamlit

Scope = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[MutableMapping[str, Any]]]
Send = Callable[[MutableMapping[str, Any]], Awaitable[None]]
Application = Callable[[Scope, Receive, Send], Awaitable[None]]

HEADERS: Mapping[str, str] = {
    # A file is what we say it is, never what a browser guesses from its bytes.
    "X-Content-Type-Options": "nosniff",
    # Nobody draws our pages inside theirs (the older name of frame-ancestors).
    "X-Frame-Options": "DENY",
    # An address of ours, a customer's link for instance, is told to no other site. "same-origin" and not
    # "no-referrer": with the latter browsers send `Origin: null` with our own forms, and we could not check them.
    "Referrer-Policy": "same-origin",
    # The camera is ours to ask for; the rest nobody needs.
    "Permissions-Policy": "camera=(self), geolocation=(self), microphone=(), payment=(), usb=()",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
}
"""Headers of every answer, besides the content policy. Names after the Fetch and HTML standards (WHATWG)."""

STRICT_TRANSPORT = "max-age=31536000"
"""Sent over HTTPS only (RFC 6797): for a year the browser asks for nothing without it."""


@functools.cache
def page_policy() -> str:
    """Return the content policy of Streamlit's pages.

    Its charts compile their expressions ("unsafe-eval") and its parts style themselves ("unsafe-inline" for styles);
    scripts come from here alone, and the one written into its page is named by its hash. Its components' scripts,
    the before/after picture's for one, come over its own connection and are loaded as "blob:", which only a script
    that runs already can make. With all text escaped neither gives anybody an entry; the policy keeps a slip from
    becoming one.
    """
    page = (Path(streamlit.__file__).parent / "static" / "index.html").read_text(encoding="utf-8")
    inline = re.findall(r"<script>(.*?)</script>", page, re.DOTALL)
    hashes = [base64.b64encode(hashlib.sha256(each.encode()).digest()).decode() for each in inline]
    scripts = " ".join(["'self'", "'unsafe-eval'", "blob:", *(f"'sha256-{each}'" for each in hashes)])
    return (
        f"default-src 'self'; script-src {scripts}; style-src 'self' 'unsafe-inline'; img-src 'self' data: blob:; "
        "font-src 'self' data:; media-src 'self' blob:; worker-src 'self' blob:; connect-src 'self'; "
        "object-src 'none'; base-uri 'self'; form-action 'self'; frame-ancestors 'none'"
    )


PLAIN_POLICY = (
    "default-src 'none'; style-src 'unsafe-inline'; img-src 'self' data:; form-action 'self'; base-uri 'none'; "
    "frame-ancestors 'none'"
)
"""The content policy of our own plain pages: no script at all."""


class Headers:
    """Give every answer the headers; one that carries a content policy of its own keeps it.

    Parameters
    ----------
    app : callable
        The ASGI application behind.
    """

    def __init__(self, app: Application) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""

        async def send_with_headers(message: MutableMapping[str, Any]) -> None:
            if message["type"] == "http.response.start":
                present = {name.lower() for name, _ in message.get("headers", ())}
                wanted = {**HEADERS, "Content-Security-Policy": page_policy()}
                if scope.get("scheme") == "https":
                    wanted["Strict-Transport-Security"] = STRICT_TRANSPORT
                added = [
                    (name.lower().encode(), value.encode())
                    for name, value in wanted.items()
                    if name.lower().encode() not in present
                ]
                message = {**message, "headers": [*message.get("headers", ()), *added]}
            await send(message)

        await self.app(scope, receive, send_with_headers if scope["type"] == "http" else send)
