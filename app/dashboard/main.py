"""The dashboard's router: opens the log, draws the head, runs one page, turns errors into sentences.

In: the address line. Out: one page. Called by `script/turnblue_dashboard.py`, which Streamlit runs.
"""

from __future__ import annotations

from functools import partial
from pathlib import Path

import streamlit as st

from app.dashboard import session, widgets
from app.dashboard.pages import about, board, card, dose, pool, pools, visit
from app.errors import TurnblueError
from vision.errors import VisionError

PAGES = {
    "board": ("Board", board.show),
    "visit": ("Add visit", visit.show),
    "pools": ("Pools", pools.show),
    "dose": ("Dose", dose.show),
    "more": ("More", about.show),
    "pool": ("Pool", pool.show),
    "card": ("Card", card.show),
}
"""Each page's name in the address line, its title and its function."""

NAV = ("board", "visit", "pools", "dose", "more")
"""The pages linked in the head; the others are reached from a page."""


ICON = (
    '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 32 32"><rect width="32" height="32" rx="6" fill="#0A5A73"/>'
    '<path d="M5 19q5.5-5 11 0t11 0" fill="none" stroke="#FAFAF6" stroke-width="3.5"/></svg>'
)
"""The tab's mark, ours; drawn here, so that nothing is fetched for it."""


def main() -> None:
    """Run one page."""
    st.set_page_config(page_title="Turnblue", page_icon=ICON, layout="wide")
    st.html(Path(__file__).with_name("theme.css"))
    links: dict[str, st.Page] = {}
    try:
        with session.desk(links, NAV) as desk:
            for name, (title, show) in PAGES.items():
                links[name] = st.Page(partial(show, desk), title=title, url_path=name, default=name == "board")
            page = st.navigation(list(links.values()), position="hidden")
            widgets.show_head(desk, page.url_path or "board")
            page.run()
    except (TurnblueError, VisionError) as error:
        widgets.show_html(widgets.say_html(error.sentence, error.hint, act=True))
