"""The printed card: download it, print it at true size, and how to use it."""

from __future__ import annotations

from pathlib import Path
from tempfile import TemporaryDirectory

import streamlit as st

from app.dashboard import widgets
from app.dashboard.session import Desk

PAPERS = {"letter": "US Letter", "a4": "A4"}
"""Page sizes, by the card's own names."""


def show(desk: Desk) -> None:
    """Offer the card's PDF and say how it is used."""
    from app.report.card_pdf import HOW, LARGEST_NUMBER, SMALL

    st.title("The printed card")
    with st.container(key="tb-text"):
        number = st.number_input("Card number", min_value=0, max_value=LARGEST_NUMBER, value=1, step=1, width=240)
        paper = st.segmented_control(
            "Paper",
            list(PAPERS),
            format_func=PAPERS.__getitem__,
            default="letter" if desk.us else "a4",
            required=True,
            width="stretch",
        )
        st.download_button(
            "Download the card (PDF)",
            data=card_pdf(int(number), paper),
            file_name=f"turnblue_card_{int(number):03d}.pdf",
            mime="application/pdf",
            type="primary",
            icon=":material/download:",
        )
        st.subheader("How to use it")
        for line in HOW:
            st.markdown(f"- {line}")
        widgets.show_html(widgets.cautions_html((SMALL,)))


@st.cache_data(max_entries=8, show_spinner="Setting the card ...")
def card_pdf(card_number: int, paper: str) -> bytes:
    """Return the card's print-ready PDF."""
    from app.report.card_pdf import Paper, write_card_pdf

    with TemporaryDirectory() as folder:
        path = Path(folder) / "card.pdf"
        write_card_pdf(path, card_number=card_number, paper=Paper(paper))
        return path.read_bytes()
