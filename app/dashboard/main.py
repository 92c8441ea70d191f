"""The dashboard's router: opens the log, draws the head, runs one page, turns errors into sentences.

In: the address line. Out: one page, where the person may see it. Called by `script/turnblue_dashboard.py`, which
Streamlit runs.
"""

from __future__ import annotations

import json
from dataclasses import replace
from functools import partial
from pathlib import Path

import streamlit as st

from app.access import Right, allow
from app.dashboard import care, session, widgets
from app.dashboard.pages import about, accounts, board, card, dose, intake, pool, pools, prices, strips, visit
from app.dashboard.scripts import begin_at_top
from app.dashboard.speech import _, speaking
from app.errors import NotSignedIn, TurnblueError
from app.words import mark, translate
from vision.errors import VisionError

PAGES = {
    "board": (mark("Board"), board.show, Right.LOOK),
    "visit": (mark("Add visit"), visit.show, Right.VISIT),
    "pools": (mark("Pools"), pools.show, Right.LOOK),
    "dose": (mark("Dose"), dose.show, Right.LOOK),
    "more": (mark("More"), about.show, Right.LOOK),
    "pool": (mark("Pool"), pool.show, Right.LOOK),
    "card": (mark("Card"), card.show, Right.LOOK),
    "intake": (mark("Photos without signal"), intake.show, Right.VISIT),
    "strips": (mark("Test strips"), strips.show, Right.VISIT),
    "prices": (mark("Prices"), prices.show, Right.MONEY),
    "accounts": (mark("Accounts"), accounts.show, Right.OWN_ACCOUNT),
}
"""Each page's name in the address line, its title, its function, and the right it needs."""

NAV = ("board", "visit", "pools", "dose", "more")
"""The pages linked in the head, for those who may see them; the others are reached from a page."""


ICON = (
    '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 32 32"><rect width="32" height="32" rx="6" fill="#0A5A73"/>'
    '<path d="M5 19q5.5-5 11 0t11 0" fill="none" stroke="#FAFAF6" stroke-width="3.5"/></svg>'
)
"""The tab's mark, ours; drawn here, so that nothing is fetched for it."""


def main() -> None:
    """Run one page."""
    st.set_page_config(page_title="Turnblue", page_icon=ICON, layout="wide")
    st.html(Path(__file__).with_name("theme.css"))
    with speaking(translate("en")):
        run_page()


def said_by_style() -> str:
    """Return the words that the style sheet puts in place of Streamlit's own, in the language of this run."""
    words = {
        "photos": _("Take or choose photos"),
        "another": _("Another photo"),
        "logo": _("Choose a logo"),
        "cut": _("No connection"),
        "cut-more": _("What you typed and photographed so far is kept. It goes on by itself once there is signal."),
    }
    named = " ".join(f"--tb-say-{name}: {json.dumps(text, ensure_ascii=False)};" for name, text in words.items())
    return f"<style>:root {{ {named} }}</style>"


def run_page() -> None:
    """Open the log, draw the head, run the page that the address names; whatever is refused ends in a sentence."""
    links: dict[str, st.Page] = {}
    try:
        with session.desk(links, NAV) as desk:
            for name, (title, show, _right) in PAGES.items():
                links[name] = st.Page(partial(show, desk), title=_(title), url_path=name, default=name == "board")
            page = st.navigation(list(links.values()), position="hidden")
            name = page.url_path or "board"
            allow(desk.actor, PAGES[name][2])
            here = replace(desk, nav=tuple(each for each in NAV if desk.actor.may(PAGES[each][2])))
            st.html(said_by_style())
            widgets.show_head(here, name)
            page.run()
            # After the page, so that a saved visit's address is the one it went on to.
            begin_at_top("/".join([name, *(session.query(each) for each in ("recovery", "saved"))]))
            if not (name == "visit" and session.query("saved")):
                # A saved visit's next step warns by itself, and adds what of these it leaves out.
                widgets.show_html(care.care_html(name))
    except NotSignedIn as error:
        widgets.show_html(widgets.refusal_html(error))
        st.html(f'<a class="tb-go" href="/sign-in" target="_self">{_("Sign in")}</a>')
    except (TurnblueError, VisionError) as error:
        widgets.show_html(widgets.refusal_html(error))
