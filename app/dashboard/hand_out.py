"""What goes out of a recovery: the customer's report, a link to it, and everything recorded as a file.

In: the desk and a recovery. Out: buttons and what they give. Files are made when asked for, not when the page opens.
"""

from __future__ import annotations

from collections.abc import Callable

import streamlit as st

from app import actions, links, reports
from app.dashboard import choose, session, widgets, words
from app.dashboard.session import Desk
from app.dashboard.speech import _
from app.records import Recovery
from app.words import LANGUAGES

MIME = {"pdf": "application/pdf", "png": "image/png", "csv": "text/csv", "json": "application/json"}
"""What each file is."""


def show(desk: Desk, recovery: Recovery) -> None:
    """Show how the customer is told, and the files."""
    st.subheader(_("For the customer"))
    zone = str(getattr(desk.zone, "key", "UTC"))
    language = choose.choose_language(_("Language"), desk.company.language, key="report-language")
    evidence = st.checkbox(
        _("Evidence pages in the PDF: original photos, sha256, times, versions"), key="report-evidence"
    )
    picture, paper = st.columns(2, gap="small")
    common = {"now": desk.now, "zone": zone, "language": language}
    with picture:
        _file_button(
            desk,
            _("Picture for a text message"),
            f"{recovery.pool.id}.png",
            lambda log: reports.write_report(log, recovery.id, form="png", **common).content,
        )
    with paper:
        _file_button(
            desk,
            _("Report as PDF"),
            f"{recovery.pool.id}.pdf",
            lambda log: reports.write_report(log, recovery.id, form="pdf", evidence=evidence, **common).content,
        )
    show_links(desk, recovery, zone, language)
    st.subheader(_("Everything recorded"))
    table, machine = st.columns(2, gap="small")
    for place, form, label in ((table, "csv", _("Table (CSV)")), (machine, "json", _("For machines (JSON)"))):
        with place:
            _file_button(
                desk,
                label,
                f"{recovery.pool.id}.{form}",
                lambda log, form=form: reports.export_recovery(log, recovery.id, form=form).encode(),
            )


def show_links(desk: Desk, recovery: Recovery, zone: str, language: str) -> None:
    """Show how to give out a link, the one just given, and those given before."""
    days = st.segmented_control(
        _("A link lasts"),
        list(links.LINK_DAYS),
        format_func=lambda each: _("{count} days", count=each),
        default=30,
        required=True,
        width="stretch",
        key="link-days",
    )
    if st.button(_("Make a link"), width="stretch", icon=":material/link:"):
        made = links.make_link(desk.log, recovery.id, now=desk.now, days=days, zone=zone, language=language)
        st.session_state["link-made"] = (recovery.id, made.id, made.path)
    given = st.session_state.get("link-made")
    given_out = links.links_of(desk.log, recovery.id)
    if given and given[0] == recovery.id and any(each.id == given[1] and each.is_open(desk.now) for each in given_out):
        widgets.show_html(
            widgets.say_html(
                _("Copy the link now: it is shown this once."), _("Who has it sees this pool, and no other.")
            )
        )
        address = session.site(desk.company)
        st.code((address or here()) + given[2], language=None, wrap_lines=True)
        if not address:
            say = _("This address opens at this machine alone.")
            hint = _("Set the public address under More, or open the dashboard by the address that others use.")
            widgets.show_html(widgets.say_html(say, hint, act=True))
    for each in given_out:
        if each.is_open(desk.now):
            until = words.day_say(desk.local(each.expires_at), desk.local(desk.now))
            made_on = words.day_say(desk.local(each.made_at), desk.local(desk.now))
            said, withdraw = st.columns([3, 2], gap="small", vertical_alignment="center")
            said.markdown(
                _(
                    "{language}, made {day}, opens until {until}",
                    language=LANGUAGES[each.language],
                    day=made_on,
                    until=until,
                )
            )
            if withdraw.button(_("Withdraw"), key=f"withdraw-{each.id}", width="stretch"):
                links.withdraw_link(desk.log, each.id, now=desk.now)
                st.rerun()


def _file_button(desk: Desk, label: str, name: str, make: Callable[[actions.Log], bytes]) -> None:
    """Show a button that makes a file when it is tapped."""
    folder, actor = desk.folder, desk.actor

    def content() -> bytes:
        # Called outside the page's run, when its own log is long closed.
        with actions.open_log(folder, actor) as log:
            return make(log)

    st.download_button(
        label,
        content,
        file_name=name,
        mime=MIME[name.rpartition(".")[2]],
        on_click="ignore",
        width="stretch",
        icon=":material/download:",
    )


def here() -> str:
    """Return the dashboard's own address as the reader's browser has it."""
    scheme, rest = (st.context.url or "http://localhost:8501").split("://", 1)
    return f"{scheme}://{rest.split('/')[0]}"
