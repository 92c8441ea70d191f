"""The printed card: download it, print it at true size, and how to use it."""

from __future__ import annotations

from pathlib import Path
from tempfile import TemporaryDirectory

import streamlit as st

from app.dashboard import widgets
from app.dashboard.session import Desk

HOW = (
    "Print at 100 % (no fitting to the page) on matte, waterproof paper, and check the printed ruler with a rule.",
    "Lay it flat at the water's edge or hold it there: card and water in the same light, both in sun or both in shade.",
    "Stand at the pool's edge, look down into the deep end, and let the water fill most of the picture.",
    "All four corner marks in the picture, no fingers on the patches, no sun's glare on them.",
    "Wipe it dry before the photo. A dirty, faded or creased card gives wider ranges: print a fresh one.",
)
"""How to use the card, in our words; common practice of colour photography, no source."""


def show(_desk: Desk) -> None:
    """Offer the card's PDF and say how it is used."""
    st.title("The printed card")
    number = st.number_input("Card number", min_value=1, max_value=9999, value=1, step=1)
    st.download_button(
        "Download the card (PDF)",
        data=card_pdf(int(number)),
        file_name=f"turnblue_card_{int(number):04d}.pdf",
        mime="application/pdf",
        type="primary",
        icon=":material/download:",
    )
    st.subheader("How to use it")
    for line in HOW:
        st.markdown(f"- {line}")
    widgets.show_html(widgets.cautions_html(("Do not lean over the water for a picture: keep both feet on the deck.",)))


@st.cache_data(max_entries=8, show_spinner="Setting the card ...")
def card_pdf(card_number: int) -> bytes:
    """Return the card's print-ready PDF."""
    from app.report.card_pdf import write_card_pdf

    with TemporaryDirectory() as folder:
        path = Path(folder) / "card.pdf"
        write_card_pdf(path, card_number=card_number)
        return path.read_bytes()
