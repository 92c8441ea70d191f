"""The dashboard's router: opens the log, draws the head, runs one page, turns errors into sentences.

In: the address line. Out: one page. Started by `app.dashboard.start.dashboard_command`.
"""

from __future__ import annotations

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


def main() -> None:
    """Run one page."""
    st.set_page_config(page_title="Turnblue", page_icon=":material/water_drop:", layout="wide")
    st.html(Path(__file__).with_name("theme.css"))
    links: dict[str, st.Page] = {}
    try:
        with session.desk(links, NAV) as desk:
            for name, (title, show) in PAGES.items():
                links[name] = st.Page(lambda show=show: show(desk), title=title, url_path=name, default=name == "board")
            page = st.navigation(list(links.values()), position="hidden")
            widgets.show_head(desk)
            page.run()
    except (TurnblueError, VisionError) as error:
        widgets.show_html(widgets.say_html(error.sentence, error.hint, act=True))


main()
