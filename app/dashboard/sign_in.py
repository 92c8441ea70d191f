"""Signing in and out: plain pages and forms that work without a script, and the session's cookie.

In: requests. Out: pages and redirections. The forms take nothing from other sites (their `Origin` is checked), and no
answer tells whether a name has an account.
"""

from __future__ import annotations

import re
from datetime import UTC, datetime
from html import escape
from pathlib import Path
from urllib.parse import parse_qs, urlsplit

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import HTMLResponse, PlainTextResponse, RedirectResponse, Response

from app import actions, people
from app.access import NO_ONE, Role
from app.dashboard import company_sign_in
from app.dashboard.gate import PLAIN_COOKIE, SECURE_COOKIE, is_at_this_machine, is_secure, session_token, who_asks
from app.dashboard.headers import PLAIN_POLICY
from app.errors import SignInRefused, TurnblueError
from app.people import LONGEST_DAYS, Session
from app.records import Company
from app.words import Speech, language_of, mark, translate

FORM_LARGEST_BYTES = 16_384
"""Largest form taken [bytes]: a name, a password, an address of ours."""

DEVICES = (
    ("iPhone", "iPhone"), ("iPad", "iPad"), ("Android", "Android"), ("Windows", "Windows"), ("Mac OS X", "Mac"),
    ("CrOS", "Chromebook"), ("Linux", "Linux"),
)  # fmt: skip
"""What a browser's own description holds, and what the device is then called; the first that fits."""

NO_ACCOUNTS = mark(
    "Nobody needs to sign in at the machine that Turnblue runs on. There, the owner adds the first account: "
    "{command}, or on the page {page}."
)
"""What the sign-in page says before there are accounts."""


async def show(request: Request) -> Response:
    """Show the sign-in page; who is signed in already goes on."""
    try:
        actor = await run_in_threadpool(who_asks, request)
    except TurnblueError as error:
        return PlainTextResponse(f"{error}\n", status_code=503)
    if actor is None or actor.role is Role.NO_ONE:
        return await _page(request)
    return RedirectResponse(safe_next(request.query_params.get("next", "")), status_code=303)


async def take(request: Request) -> Response:
    """Sign a person in by the form, and send them where they wanted to go."""
    form = await _own_form(request)
    if form is None:
        return _refused_form()

    def sign_in() -> Session:
        with actions.open_log(None, NO_ONE) as log:
            return people.sign_in(
                log,
                form.get("name", ""),
                form.get("password", ""),
                address=request.client.host if request.client else "",
                device=device_of(request.headers.get("user-agent", "")),
                now=datetime.now(UTC),
            )

    try:
        session = await run_in_threadpool(sign_in)
    except SignInRefused as refused:
        return await _page(request, refused=refused, name=form.get("name", ""), wanted=form.get("next", ""))
    return signed_in(request, session, form.get("next", ""))


async def show_sign_out(request: Request) -> Response:
    """Ask before signing out: the answer is a form, so that no strange page can do it."""
    _ = await run_in_threadpool(_speech_for, request)
    return _plain_page(
        _("Sign out"),
        f'<form method="post" action="/sign-out"><p>{_("Photos and visits that were saved stay saved.")}</p>'
        f"<button>{_('Sign out on this device')}</button></form>"
        f'<p><a href="/">{_("Stay signed in")}</a></p>',
        _,
    )


def _speech_for(request: Request) -> Speech:
    """Return how to speak to who asks: as they chose, else in the company's language."""
    with actions.open_log(None, NO_ONE) as log:
        token = session_token(request.cookies, secure=is_secure(request))
        actor, company = people.actor_of(log, token, now=datetime.now(UTC)), actions.company(log)
    return translate(language_of(actor.language, company.team_language))


async def sign_out(request: Request) -> Response:
    """End the session and take its cookie away."""
    if await _own_form(request) is None:
        return _refused_form()
    token = session_token(request.cookies, secure=is_secure(request))

    def end() -> None:
        with actions.open_log(None, NO_ONE) as log:
            people.sign_out(log, token)

    await run_in_threadpool(end)
    answer = RedirectResponse("/sign-in", status_code=303)
    for name in (SECURE_COOKIE, PLAIN_COOKIE):
        answer.delete_cookie(name, path="/", secure=name == SECURE_COOKIE, httponly=True, samesite="lax")
    return answer


def signed_in(request: Request, session: Session, wanted: str) -> Response:
    """Return the answer that gives a browser its session and sends it on.

    The cookie is out of scripts' reach and not sent with what other sites ask of us; over HTTPS it never goes
    without.
    """
    answer = RedirectResponse(safe_next(wanted), status_code=303, headers={"Cache-Control": "no-store"})
    secure = is_secure(request)
    answer.set_cookie(
        SECURE_COOKIE if secure else PLAIN_COOKIE,
        session.token,
        max_age=LONGEST_DAYS * 86_400,
        path="/",
        secure=secure,
        httponly=True,
        samesite="lax",
    )
    return answer


def safe_next(wanted: str) -> str:
    r"""Return an address of our own to go on to: `wanted` where it is one, else the first page.

    Examples
    --------
    >>> [safe_next(each) for each in ("/pool?recovery=r-1", "//elsewhere.example", "/\\elsewhere", "https://x", "")]
    ['/pool?recovery=r-1', '/', '/', '/', '/']
    """
    plain = re.fullmatch(r"/(?![/\\])[\w./?=&%-]*", wanted, re.ASCII)
    return wanted if plain and not wanted.startswith(("/sign-", "/_stcore")) else "/"


def device_of(user_agent: str) -> str:
    """Return what a device is called in the list of places where a person is signed in."""
    return next((name for part, name in DEVICES if part in user_agent), "Another device")


def is_own_form(request: Request) -> bool:
    """Return whether a form was sent from a page of ours.

    A browser says with every form where it comes from, and a page cannot change that (Fetch standard, "Origin" and
    "Sec-Fetch-Site"). A request without either comes from no browser, so it carries no person's cookie.
    """
    site, origin = request.headers.get("sec-fetch-site"), request.headers.get("origin")
    if site is not None and site not in ("same-origin", "none"):
        return False
    return origin is None or urlsplit(origin).netloc == request.headers.get("host")


async def _own_form(request: Request) -> dict[str, str] | None:
    """Return a form's fields, None where it is not ours, too large or no such form."""
    if not is_own_form(request):
        return None
    body = bytearray()
    async for part in request.stream():
        body += part
        if len(body) > FORM_LARGEST_BYTES:
            return None
    try:
        fields = parse_qs(body.decode("utf-8", "replace"), max_num_fields=8, errors="replace")
    except ValueError:
        return None
    return {name: values[0] for name, values in fields.items()}


def _refused_form() -> Response:
    return PlainTextResponse("This form did not come from our own page. Go back and try again.\n", status_code=403)


async def _page(
    request: Request, *, refused: SignInRefused | None = None, name: str = "", wanted: str | None = None
) -> Response:
    """Return the sign-in page, with what was wrong."""

    def read() -> tuple[Company, bool]:
        with actions.open_log(None, NO_ONE) as log:
            return actions.company(log), people.has_accounts(log)

    company, has_accounts = await run_in_threadpool(read)
    _ = translate(language_of("", company.team_language))
    title = _("Sign in to {company}", company=company.name) if company.name else _("Sign in")
    if not has_accounts:
        command = "<code>turnblue account add NAME --role owner</code>"
        page = f'<a href="/accounts">{_("Accounts")}</a>'
        return _plain_page(_("No accounts yet"), f"<p>{_(NO_ACCOUNTS, command=command, page=page)}</p>", _)
    wanted = safe_next(request.query_params.get("next", "") if wanted is None else wanted)
    parts = []
    if refused or request.query_params.get("refused"):
        said = _("Your company's sign-in did not let you in. Try again, or ask the owner.")
        if refused:
            said = f"{_(refused.sentence)} {_(refused.hint)}".strip()
        parts.append(f'<p class="act" role="alert">{escape(said)}</p>')
    if not is_secure(request) and not is_at_this_machine(request):
        say = _(
            "This connection is not encrypted: others on this network can read the password. Ask the owner for the "
            "address that begins with https."
        )
        parts.append(f'<p class="act" role="alert">{say}</p>')
    field = escape(wanted, quote=True)
    if company_sign_in.is_configured():
        parts.append(
            f'<p><a class="button" href="/sign-in/company?next={field}">{_("Sign in with the company account")}</a></p>'
        )
    parts.append(
        '<form method="post" action="/sign-in">'
        f'<input type="hidden" name="next" value="{field}">'
        f'<label for="name">{_("Name")}</label>'
        f'<input id="name" name="name" value="{escape(name[:80], quote=True)}" autocomplete="username" '
        'autocapitalize="none" spellcheck="false" maxlength="80" required>'
        f'<label for="password">{_("Password")}</label>'
        '<input id="password" name="password" type="password" autocomplete="current-password" maxlength="200" required>'
        f"<button>{_('Sign in')}</button></form>"
        f'<p class="quiet">{_(STAYS)}</p>'
    )
    return _plain_page(title, "".join(parts), _, status=401 if refused else 200)


STAYS = mark("You stay signed in on this device. Forgot the password? The owner gives you a new one.")
"""What the sign-in page says last."""


def _plain_page(title: str, body: str, spoken: Speech, *, status: int = 200) -> Response:
    """Return a page of ours that runs no script and is kept by nobody on the way."""
    style = Path(__file__).with_name("plain.css").read_text(encoding="utf-8")
    html = (
        f'<!doctype html><html lang="{spoken.language}"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f'<meta name="color-scheme" content="light dark"><title>{escape(title)}</title><style>{style}</style></head>'
        f"<body><main><h1>{escape(title)}</h1>{body}</main></body></html>"
    )
    return HTMLResponse(
        html, status_code=status, headers={"Content-Security-Policy": PLAIN_POLICY, "Cache-Control": "no-store"}
    )
