"""More: what Turnblue does, the cautions that hold for every pool, the card, the versions."""

from __future__ import annotations

import streamlit as st

from app import config
from app.dashboard import widgets
from app.dashboard.session import Desk
from app.treatment.cautions import WORK, Topic

GRADES = (
    "Clarity and visible depth say how far one sees into the water: the depth at which a black-and-white disc is lost "
    "from sight. Severity says how much living algae the water holds. The two are independent: milky blue water is "
    "cloudy with no living algae, so it wants filtering, not chlorine.",
    "Every figure comes with the interval it lies in four times out of five. A photo in doubt is never the ground "
    "for a dose: the next step is then to measure again.",
)
"""What the figures mean."""


def show(desk: Desk) -> None:
    """Show the cautions, what the figures mean, and the ways on."""
    st.title("Safety, card and versions")
    every = [each for topic in Topic for each in WORK[topic]]
    widgets.show_html(widgets.cautions_html([each.say for each in every]))
    with st.expander("Where these cautions come from"):
        for source in dict.fromkeys(each.source for each in every):
            st.markdown(f"- {source}")
    with st.container(key="tb-do"):
        st.page_link(desk.pages["card"], label="Print the reference card", icon=":material/print:", width="stretch")
    st.subheader("What the figures mean")
    for line in GRADES:
        st.markdown(line)
    st.subheader("This installation")
    widgets.show_html(
        widgets.facts_html((("Turnblue", config.version()), ("Company", desk.company.name or "not named yet")))
    )
    if desk.company.invented:
        st.markdown("The company, its pools and their owners are invented, and the photos are rendered by a computer.")
