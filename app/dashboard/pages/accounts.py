"""Accounts: one's own with its password and devices; for the owner everybody's, with roles and pools seen."""

from __future__ import annotations

from collections.abc import Callable

import streamlit as st

from app import actions, people
from app.access import Account, Right, Role
from app.dashboard import choose, widgets, words
from app.dashboard.session import Desk
from app.dashboard.speech import _, several
from app.errors import TurnblueError
from app.words import mark

ROLES = (Role.TECH, Role.OFFICE, Role.OWNER)
"""The roles an account can have, in the order of the buttons."""

ROLE = {
    Role.TECH: mark("Tech"),
    Role.OFFICE: mark("Office"),
    Role.OWNER: mark("Owner"),
}
"""What a role is called."""

ROLE_SAY = mark(
    "**Tech**: sees pools, saves visits and photos, starts a recovery. "
    "**Office**: also adds pools, closes recoveries, makes customers' reports and links, sets prices. "
    "**Owner**: also the company's settings, accounts, export and backup."
)
"""What each role may do, in short; `app.access.RIGHTS` says it whole."""

ALL, SOME = mark("All pools"), mark("Only assigned")
"""What a tech sees."""


def show(desk: Desk) -> None:
    """Show one's own account, and for the owner all of them."""
    st.title(_("Accounts"))
    told = st.session_state.pop("account_told", None)
    if told:
        widgets.show_html(widgets.say_html(*told))
    with st.container(key="tb-text"):
        own = people.own_account(desk.log)
        if own is None:
            show_none_yet(desk)
        else:
            show_own(desk, own)
        if own is not None and desk.actor.may(Right.ACCOUNTS):
            show_everybody(desk, own)


def show_none_yet(desk: Desk) -> None:
    """Say that nobody needs to sign in here yet, and offer the first account."""
    widgets.show_html(
        widgets.say_html(
            _("Nobody needs to sign in at this machine."),
            _(
                "With accounts, techs and the office can use Turnblue from their own phones and desks. From then on "
                "everybody signs in, you too, so the first account is yours."
            ),
        )
    )
    place = st.empty()
    with place.container(), st.form("first-account", border=False):
        name = st.text_input(_("Your name"), autocomplete="username")
        password = ask_new_password(_("Password"))
        saved = st.form_submit_button(_("Make me the owner"), type="primary", width="stretch")
    if saved and tried(lambda: people.add_account(desk.log, name, Role.OWNER, password=password, at=desk.now)):
        with place.container():
            widgets.show_html(widgets.say_html(_("Your account is there."), _("Sign in with it now.")))
            show_link("/sign-in", _("Sign in"))


def show_own(desk: Desk, own: Account) -> None:
    """Show who is signed in and where, the way out, and the form for another password."""
    sees = _("all pools")
    if own.actor.pool_ids is not None:
        sees = _("assigned pools ({count})", count=len(own.pool_ids))
    facts = ((_("Signed in as"), own.name), (_("Role"), _(ROLE[own.role])), (_("Sees"), sees))
    widgets.show_html(widgets.facts_html(facts))
    show_link("/sign-out", _("Sign out on this device"))
    signed_in = people.own_sessions(desk.log)
    with st.expander(several("Signed in on {count} device", "Signed in on {count} devices", len(signed_in))):
        for each in signed_in:
            used = words.day_say(desk.local(each.seen_at), desk.local(desk.now))
            st.markdown("- " + _("{device}, last used {when}", device=each.device, when=used))
        if st.button(_("Sign out everywhere"), width="stretch"):
            people.sign_out_everywhere(desk.log, at=desk.now)
            st.rerun()
    with st.expander(_("Change my password")), st.form("own-password", border=False):
        old = st.text_input(_("Present password"), type="password", autocomplete="current-password")
        new = ask_new_password(_("New password"))
        if st.form_submit_button(_("Change it and sign out everywhere"), type="primary", width="stretch") and tried(
            lambda: people.change_own_password(desk.log, old, new, at=desk.now)
        ):
            widgets.show_html(widgets.say_html(_("The password is changed."), _("Sign in with the new one.")))
            show_link("/sign-in", _("Sign in"))


def show_everybody(desk: Desk, own: Account) -> None:
    """Show all accounts, each with its form, and the form for a new one."""
    st.subheader(_("Everybody"))
    st.markdown(_(ROLE_SAY))
    accounts = people.accounts(desk.log)
    # Those assigned are named however many pools there are; others are searched for.
    assigned = actions.find_pools_by_id(desk.log, {each for account in accounts for each in account.pool_ids})
    found = choose.search(desk, _("Find pools to assign"), key="assign-words")
    pools = {each.id: each.name for each in (*found, *assigned)}
    for account in accounts:
        closed = f", {_('closed')}" if account.closed_at is not None else ""
        with st.expander(f"{account.name}: {_(ROLE[account.role])}{closed}"):
            if account.closed_at is None:
                show_form(desk, account, pools)
            show_doors(desk, account, own)
    with st.expander(_("Add an account"), icon=":material/person_add:"):
        show_form(desk, None, pools)


def show_form(desk: Desk, was: Account | None, pools: dict[str, str]) -> None:
    """Show the form of an account, filled with what it is; save it where that is asked for."""
    key = was.id if was else "new"
    with st.form(f"account-{key}", border=False):
        name = st.text_input(_("Name to sign in with"), value=was.name if was else "", key=f"name-{key}")
        role = st.segmented_control(
            _("Role"),
            ROLES,
            format_func=lambda each: _(ROLE[each]),
            default=was.role if was else Role.TECH,
            required=True,
            key=f"role-{key}",
            width="stretch",
        )
        sees = st.segmented_control(
            _("A tech sees"),
            (ALL, SOME),
            format_func=_,
            default=ALL if was is None or was.sees_all else SOME,
            required=True,
            key=f"sees-{key}",
            width="stretch",
        )
        assigned = st.multiselect(
            _("Assigned pools"),
            list(pools),
            default=[each for each in pools if was and each in was.pool_ids],
            format_func=pools.__getitem__,
            key=f"pools-{key}",
        )
        email = st.text_input(
            _("E-mail, for the company's own sign-in"), value=was.email if was else "", key=f"email-{key}"
        )
        saved = st.form_submit_button(_("Save") if was else _("Add the account"), type="primary", width="stretch")
    if not saved:
        return
    asked = Account(was.id if was else "", name, role or Role.TECH, email, sees == ALL, frozenset(assigned))
    if was is not None and tried(lambda: people.change_account(desk.log, asked, at=desk.now)):
        told(_("{name} is saved.", name=name), _("It holds from their next tap on."))
    if was is None:
        add(desk, asked)


def add(desk: Desk, asked: Account) -> None:
    """Add an account with a new password, and show that once."""
    password = people.new_password()
    if tried(
        lambda: people.add_account(
            desk.log,
            asked.name,
            asked.role,
            password=password,
            at=desk.now,
            email=asked.email,
            sees_all=asked.sees_all,
            pools=sorted(asked.pool_ids),
        )
    ):
        told(_("{name}'s password: {password}", name=asked.name, password=password), _(ONCE))


def show_doors(desk: Desk, account: Account, own: Account) -> None:
    """Offer a new password, signing out everywhere, and closing or opening an account."""
    if account.closed_at is not None:
        if st.button(_("Open it again"), key=f"open-{account.id}", width="stretch"):
            people.reopen_account(desk.log, account.id, at=desk.now)
            told(_("{name}'s account is open again.", name=account.name), _("Its password is the old one."))
        return
    if account.id == own.id:
        return
    if st.button(_("Give a new password"), key=f"password-{account.id}", width="stretch"):
        password = people.new_password()
        people.set_password(desk.log, account.id, password, at=desk.now)
        told(_("{name}'s password: {password}", name=account.name, password=password), _(ONCE))
    if st.button(_("Sign out everywhere (a lost phone)"), key=f"out-{account.id}", width="stretch"):
        people.end_sessions(desk.log, account.id, at=desk.now)
        told(_("{name} is signed out everywhere.", name=account.name), _("They can sign in again with their password."))
    if st.button(_("Close this account"), key=f"close-{account.id}", width="stretch") and tried(
        lambda: people.close_account(desk.log, account.id, at=desk.now)
    ):
        told(
            _("{name}'s account is closed.", name=account.name),
            _("What they did stays. It can be opened again below."),
        )


ONCE = mark("Write it down and hand it over: it is shown this once. They can change it on this page.")
"""What is said beside a new password."""


def ask_new_password(label: str) -> str:
    """Ask for a new password."""
    return st.text_input(
        _("{label}, at least {count} characters", label=label, count=people.PASSWORD_SHORTEST),
        type="password",
        autocomplete="new-password",
    )


def tried(act: Callable[[], object]) -> bool:
    """Do something that can be refused; show the refusal, and return whether it was done."""
    try:
        act()
    except TurnblueError as error:
        widgets.show_html(widgets.refusal_html(error))
        return False
    return True


def told(title: str, sentence: str) -> None:
    """Show the page anew with a sentence on top."""
    st.session_state["account_told"] = (title, sentence)
    st.rerun()


def show_link(address: str, label: str) -> None:
    """Show a link to one of our plain pages, in this same tab."""
    st.html(f'<a class="tb-go" href="{address}" target="_self">{label}</a>')
