"""More: the other pages, the company's settings, what the figures mean, the cautions that hold for every pool."""

from __future__ import annotations

from dataclasses import replace

import streamlit as st

from app import actions, config, learning, people, reports
from app.access import Right
from app.dashboard import choose, widgets
from app.dashboard.session import Desk
from app.dashboard.speech import _
from app.errors import TurnblueError
from app.treatment.cautions import WORK, Topic
from app.words import LANGUAGES, mark

UNITS = {"us": mark("US: ft, gal, ppm"), "metric": mark("Metric: m, L, mg/L")}
"""The two ways to show and type amounts."""

GRADES = (
    mark(
        "Clarity and visible depth say how far one sees into the water: the depth at which a "
        "black-and-white disc is lost "
        "from sight. Severity says how much living algae the water holds. The two are independent: milky blue water is "
        "cloudy with no living algae, so it wants filtering, not chlorine."
    ),
    mark(
        "Every figure comes with the interval it lies in four times out of five. A photo in doubt is never the ground "
        "for a dose: the next step is then to measure again."
    ),
)
"""What the figures mean."""


def show(desk: Desk) -> None:
    """Show the ways on, the settings, what the figures mean, the cautions, and the versions."""
    st.title(_("More"))
    with st.container(key="tb-text"):
        with st.container(key="tb-do"):
            st.page_link(desk.pages["strips"], label=_("Test strips"), icon=":material/colorize:", width="stretch")
            if desk.actor.may(Right.MONEY):
                st.page_link(desk.pages["prices"], label=_("Price list"), icon=":material/sell:", width="stretch")
            st.page_link(
                desk.pages["card"], label=_("Print the reference card"), icon=":material/print:", width="stretch"
            )
            st.page_link(
                desk.pages["accounts"], label=_("Accounts and signing out"), icon=":material/person:", width="stretch"
            )
        show_language(desk)
        if desk.actor.may(Right.COMPANY):
            show_company(desk)
        st.subheader(_("What the figures mean"))
        for line in GRADES:
            st.markdown(_(line))
        show_how_right(desk)
        every = [each for topic in Topic for each in WORK[topic]]
        widgets.show_html(widgets.cautions_html([each.say for each in every]))
        with st.expander(_("Where these cautions come from")):
            for source in dict.fromkeys(each.source for each in every):
                st.markdown(f"- {source}")
        st.subheader(_("This installation"))
        facts = [("Turnblue", config.version())]
        if desk.actor.may(Right.ARCHIVE):
            facts.append((_("Log"), str(desk.folder)))
        widgets.show_html(widgets.facts_html(facts))
        if desk.company.invented:
            say = _("The company, its pools and its people are invented, and the photos are rendered by a computer.")
            st.markdown(say)


def show_how_right(desk: Desk) -> None:
    """Show how often the grades given were right, of those that a person confirmed or corrected."""
    st.subheader(_("How right the grades were"))
    told = learning.drift(desk.log)
    for line in (told.clarity.say(), told.severity.say()):
        st.markdown(_(line))
    st.markdown(
        _(
            "The grader was fitted on rendered photos; only your own confirmed grades say how right it is at your "
            "pools. Confirm one on its pool's page, under its visit."
        )
    )


def show_language(desk: Desk) -> None:
    """Show and change the language that the signed-in person reads; without accounts it is the company's."""
    own = people.own_account(desk.log)
    if own is None:
        return
    st.subheader(_("My language"))
    company = _("The company's ({language})", language=LANGUAGES[desk.company.team_language])
    say = _("Turnblue speaks to me in")
    chosen = choose.choose_language(say, own.language, key="my-language", before={"": company})
    if chosen != own.language:
        people.choose_language(desk.log, chosen, at=desk.now)
        st.rerun()


def show_company(desk: Desk) -> None:
    """Show and change the company's name, phone number, units, languages and public address."""
    st.subheader(_("Company"))
    with st.form("company", border=False):
        name = st.text_input(_("Name"), value=desk.company.name)
        phone = st.text_input(_("Phone"), value=desk.company.phone)
        units = st.segmented_control(
            _("Units"),
            list(UNITS),
            format_func=lambda each: _(UNITS[each]),
            default=desk.units.name,
            required=True,
            width="stretch",
        )
        team = choose.choose_language(
            _("Turnblue speaks to our people in"), desk.company.team_language, key="team-language"
        )
        language = choose.choose_language(
            _("Customers are written to in"), desk.company.language, key="customer-language"
        )
        address = st.text_input(
            _("Public address"),
            value=desk.company.public_address,
            placeholder="https://pools.example",
        )
        say = _("Where others reach Turnblue: it begins customers' links and what the pools' tags open.")
        widgets.show_html(f'<div class="tb-quiet">{say}</div>')
        saved = st.form_submit_button(_("Save the company"), type="primary", width="stretch")
    if saved:
        changed = replace(
            desk.company,
            name=name.strip(),
            phone=phone.strip(),
            units=units,
            language=language,
            team_language=team,
            public_address=address,
        )
        try:
            actions.save_company(desk.log, changed, at=desk.now)
        except TurnblueError as error:
            widgets.show_html(widgets.refusal_html(error))
        else:
            st.rerun()
    show_logo(desk)


def show_logo(desk: Desk) -> None:
    """Show the company's logo as reports carry it, take another, or take it away."""
    st.markdown("**" + _("Logo on reports") + "**")
    shown = reports.company_logo(desk.log)
    if shown is not None:
        st.image(shown, width=240, alt=_("The company's logo"))
        if st.button(_("Take the logo away"), width="stretch"):
            reports.save_logo(desk.log, None, at=desk.now)
            st.rerun()
    chosen = st.file_uploader(_("PNG or JPEG, wider than tall"), type=["png", "jpg", "jpeg", "webp"], key="logo")
    if chosen is not None and st.session_state.get("logo-kept") != chosen.file_id:
        reports.save_logo(desk.log, chosen.getvalue(), at=desk.now)
        st.session_state["logo-kept"] = chosen.file_id
        st.rerun()
