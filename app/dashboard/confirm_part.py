"""Confirm or correct a photo's grades: what the company's own grader is fitted to.

In: a recovery. Out: one part of the pool's page; a confirmation in the log where somebody taps the button.
"""

from __future__ import annotations

from html import escape

import streamlit as st

from app import learning
from app.access import Right
from app.dashboard import widgets, words
from app.dashboard.session import Desk
from app.records import Recovery
from vision.results import Clarity, Severity


def show(desk: Desk, recovery: Recovery) -> None:
    """Show the part to those who may log visits, where a photo was graded."""
    graded = {
        visit.assessment.photo_sha256: visit
        for visit in reversed(recovery.visits)
        if visit.assessment and visit.assessment.clarity and visit.assessment.severity
    }
    if not graded or not desk.actor.may(Right.VISIT):
        return
    with st.expander("Was the grade right?"):
        st.markdown(
            "Say what the water truly was: by the sighting disc, by what of the floor was seen, by a chlorophyll "
            "reading. How often the grades were right stands under More."
        )
        day = {
            name: words.begin(words.when_say(desk.local(visit.at), desk.local(desk.now), us=desk.us))
            for name, visit in graded.items()
        }
        chosen = st.selectbox("Photo of", list(graded), format_func=day.__getitem__, key=f"right-{recovery.id}")
        given = graded[chosen].assessment
        if given is None:
            return
        said = {each.sha256: each for each in learning.confirmed(desk.log)}.get(chosen)
        if said is not None:
            named = [words.CLARITY[said.clarity]] if said.clarity else []
            named += [f"algae {words.SEVERITY[said.severity].lower()}"] if said.severity else []
            by = f" by {said.confirmed_by}" if said.confirmed_by else ""
            line = f"Confirmed{by}: {', '.join(named)}."
            widgets.show_html(f'<p class="tb-quiet">{escape(line)}</p>')
        clarity = st.selectbox(
            "Clarity", list(Clarity), index=list(Clarity).index(given.clarity), format_func=words.CLARITY.__getitem__,
            key=f"right-clarity-{chosen}",
        )  # fmt: skip
        severity = st.selectbox(
            "Living algae", list(Severity), index=list(Severity).index(given.severity),
            format_func=words.SEVERITY.__getitem__, key=f"right-severity-{chosen}",
        )  # fmt: skip
        if st.button("It was so", key=f"right-button-{recovery.id}"):
            learning.confirm_grade(desk.log, chosen, clarity=clarity, severity=severity, at=desk.now)
            st.rerun()
