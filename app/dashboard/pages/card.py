"""The printed card: download and print it, how to use it, which cards have faded, and how a print run came out."""

from __future__ import annotations

import math
from pathlib import Path
from tempfile import TemporaryDirectory

import streamlit as st

from app import cards
from app.access import Right
from app.cards import CardStanding
from app.dashboard import widgets
from app.dashboard.session import Desk
from app.dashboard.speech import _, several
from app.errors import TurnblueError
from app.words import mark
from vision.errors import VisionError

PAPERS = {"letter": mark("US Letter"), "a4": "A4"}
"""Page sizes, by the card's own names."""


def show(desk: Desk) -> None:
    """Offer the card's PDF, say how it is used, and show how the cards out there are."""
    from app.report.card_pdf import HOW, LARGEST_NUMBER, SMALL

    st.title(_("The printed card"))
    with st.container(key="tb-text"):
        number = st.number_input(_("Card number"), min_value=0, max_value=LARGEST_NUMBER, value=1, step=1, width=240)
        paper = st.segmented_control(
            _("Paper"),
            list(PAPERS),
            format_func=lambda each: _(PAPERS[each]),
            default="letter" if desk.us else "a4",
            required=True,
            width="stretch",
        )
        st.download_button(
            _("Download the card (PDF)"),
            data=card_pdf(int(number), paper),
            file_name=f"turnblue_card_{int(number):03d}.pdf",
            mime="application/pdf",
            type="primary",
            icon=":material/download:",
        )
        st.subheader(_("How to use it"))
        for line in HOW:
            st.markdown(f"- {_(line)}")
        widgets.show_html(widgets.cautions_html((SMALL,)))
        show_cards(desk)
        show_print_runs(desk)


def show_cards(desk: Desk) -> None:
    """Show each card that photos were taken with, the faded ones first."""
    st.subheader(_("Your cards"))
    found = sorted(cards.cards(desk.log), key=lambda each: (not each.drift.faded, each.number))
    if not found:
        widgets.show_html(
            widgets.say_html(
                _("No card has been seen yet."), _("Each photo with a card whose number can be read counts here.")
            )
        )
        return
    for each in found:
        if each.drift.faded:
            widgets.show_html(widgets.say_html(card_say(each.number), _(cards.drift_say(each.drift)), act=True))
    told = [each for each in found if math.isfinite(each.drift.drift_delta_e00)]
    if told:
        widgets.show_html(cards_html(told))
    early = [str(each.number) for each in found if each not in told]
    if early:
        # One line for all of them: a new company's cards have nothing to tell yet.
        say = _("Too few photos yet to tell whether it fades: {cards}.", cards=", ".join(early))
        widgets.show_html(f'<div class="tb-quiet">{say}</div>')
    drawn = [each for each in found if each.drift.series]
    if not drawn:
        return
    number = st.selectbox(_("Show over time"), [each.number for each in drawn], format_func=card_say)
    from app.report.card_chart import drift_chart

    chosen = next(each for each in drawn if each.number == number)
    st.altair_chart(
        drift_chart(chosen.drift, ground=desk.ground),
        theme=None,
        width="stretch",
        alt=_("Change of card {number} over time", number=number),
    )
    changed = ", ".join(f"{name} {value:.1f}" for name, value in chosen.drift.by_patch[:4])
    say = _("Changed most: {patches}. One unit is about what an eye can just see.", patches=changed)
    widgets.show_html(f'<div class="tb-quiet">{say}</div>')


def cards_html(found: list[CardStanding]) -> str:
    """Return the cards as a table."""
    rows = "".join(
        f"<tr><th>{each.number}</th><td>{_(cards.drift_say(each.drift))}<small>{counted_say(each)}</small></td></tr>"
        for each in found
    )
    head = f"<tr><th>{_('Card')}</th><th>{_('Colours')}</th></tr>"
    return (
        f'<div class="tb-ledger" role="region" aria-label="{_("Cards")}" tabindex="0">'
        f"<table><thead>{head}</thead><tbody>{rows}</tbody></table></div>"
    )


def counted_say(each: CardStanding) -> str:
    """Return in how many photos a card was seen, and whether its print was measured."""
    photos = several("{count} photo", "{count} photos", each.photos)
    return f"{photos}, {_('print measured') if each.calibrated else _('print not measured')}"


def card_say(number: int) -> str:
    """Return what a card is called."""
    return _("Card {number}", number=number)


def show_print_runs(desk: Desk) -> None:
    """Show the measured print runs, and take a new measurement from whoever may."""
    st.subheader(_("How your cards were printed"))
    told = st.session_state.pop("print_run_told", None)
    if told:
        widgets.show_html(widgets.say_html(*told))
    runs = [run for run in cards.print_runs(desk.log) if run.withdrawn_at is None]
    for run in runs:
        st.markdown(f"- {desk.local(run.made_at):%Y-%m-%d}: {_(cards.calibration_say(run.calibration))}")
    if not runs:
        st.markdown(
            _(
                "No print was measured yet. Printers differ, so every range is wider than it need be. Measure one card "
                "of each print run: with a spectrophotometer (a CGATS.17 text file), or in two or three photos of the "
                "card lying beside a 24-patch colour chart, both flat, in even shade, free of glare."
            )
        )
    if desk.actor.may(Right.COMPANY):
        with st.expander(_("Measure a print run")):
            take_print_run(desk)


def take_print_run(desk: Desk) -> None:
    """Take a file or photos and keep what they say of the print."""
    files = st.file_uploader(
        _("A CGATS.17 text file, or photos beside the chart"), accept_multiple_files=True, key="print-run-files"
    )
    every = st.checkbox(_("For all cards"), value=True)
    first, last = None, None
    if not every:
        first = int(st.number_input(_("From card"), min_value=0, value=1, step=1, width=240))
        last = int(st.number_input(_("To card"), min_value=0, value=40, step=1, width=240))
    note = st.text_input(_("Printer and paper"))
    if not st.button(_("Measure it"), disabled=not files):
        return
    given = [(file.name, file.getvalue()) for file in files]
    try:
        with st.spinner(_("Measuring the print ...")):
            run = cards.calibrate(
                desk.log, given, at=desk.now, by=desk.actor.name, note=note, first_number=first, last_number=last
            )
    except (TurnblueError, VisionError) as error:
        widgets.show_html(widgets.refusal_html(error))
        return
    st.session_state["print_run_told"] = (_("Kept."), f"{_(cards.calibration_say(run.calibration))}.")
    st.rerun()


@st.cache_data(max_entries=8, show_spinner="Setting the card ...")
def card_pdf(card_number: int, paper: str) -> bytes:
    """Return the card's print-ready PDF."""
    from app.report.card_pdf import Paper, write_card_pdf

    with TemporaryDirectory() as folder:
        path = Path(folder) / "card.pdf"
        write_card_pdf(path, card_number=card_number, paper=Paper(paper))
        return path.read_bytes()
