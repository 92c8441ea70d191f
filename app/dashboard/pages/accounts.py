"""Accounts: one's own with its password and devices; for the owner everybody's, with roles and pools seen."""

from __future__ import annotations

from collections.abc import Callable

import streamlit as st

from app import actions, people
from app.access import Account, Right, Role
from app.dashboard import widgets, words
from app.dashboard.session import Desk
from app.errors import TurnblueError

ROLES = (Role.TECH, Role.OFFICE, Role.OWNER)
"""The roles an account can have, in the order of the buttons."""

ROLE = {
    Role.TECH: "Tech",
    Role.OFFICE: "Office",
    Role.OWNER: "Owner",
}
"""What a role is called."""

ROLE_SAY = (
    "**Tech**: sees pools, saves visits and photos, starts a recovery. "
    "**Office**: also adds pools, closes recoveries, makes customers' reports and links, sets prices. "
    "**Owner**: also the company's settings, accounts, export and backup."
)
"""What each role may do, in short; `app.access.RIGHTS` says it whole."""

ALL, SOME = "All pools", "Only assigned"
"""What a tech sees."""


def show(desk: Desk) -> None:
    """Show one's own account, and for the owner all of them."""
    st.title("Accounts")
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
            "Nobody needs to sign in at this machine.",
            "With accounts, techs and the office can use Turnblue from their own phones and desks. From then on "
            "everybody signs in, you too, so the first account is yours.",
        )
    )
    place = st.empty()
    with place.container(), st.form("first-account", border=False):
        name = st.text_input("Your name", autocomplete="username")
        password = ask_new_password("Password")
        saved = st.form_submit_button("Make me the owner", type="primary", width="stretch")
    if saved and tried(lambda: people.add_account(desk.log, name, Role.OWNER, password=password, at=desk.now)):
        with place.container():
            widgets.show_html(widgets.say_html("Your account is there.", "Sign in with it now."))
            show_link("/sign-in", "Sign in")


def show_own(desk: Desk, own: Account) -> None:
    """Show who is signed in and where, the way out, and the form for another password."""
    sees = "all pools" if own.actor.pool_ids is None else f"assigned pools ({len(own.pool_ids)})"
    widgets.show_html(widgets.facts_html((("Signed in as", own.name), ("Role", ROLE[own.role]), ("Sees", sees))))
    show_link("/sign-out", "Sign out on this device")
    signed_in = people.own_sessions(desk.log)
    with st.expander(f"Signed in on {len(signed_in)} {'device' if len(signed_in) == 1 else 'devices'}"):
        for each in signed_in:
            used = words.day_say(desk.local(each.seen_at), desk.local(desk.now))
            st.markdown(f"- {each.device}, last used {used}")
        if st.button("Sign out everywhere", width="stretch"):
            people.sign_out_everywhere(desk.log, at=desk.now)
            st.rerun()
    with st.expander("Change my password"), st.form("own-password", border=False):
        old = st.text_input("Present password", type="password", autocomplete="current-password")
        new = ask_new_password("New password")
        if st.form_submit_button("Change it and sign out everywhere", type="primary", width="stretch") and tried(
            lambda: people.change_own_password(desk.log, old, new, at=desk.now)
        ):
            widgets.show_html(widgets.say_html("The password is changed.", "Sign in with the new one."))
            show_link("/sign-in", "Sign in")


def show_everybody(desk: Desk, own: Account) -> None:
    """Show all accounts, each with its form, and the form for a new one."""
    st.subheader("Everybody")
    st.markdown(ROLE_SAY)
    pools = {pool.id: pool.name for pool in actions.pools(desk.log)}
    for account in people.accounts(desk.log):
        closed = ", closed" if account.closed_at is not None else ""
        with st.expander(f"{account.name}: {ROLE[account.role]}{closed}"):
            if account.closed_at is None:
                show_form(desk, account, pools)
            show_doors(desk, account, own)
    with st.expander("Add an account", icon=":material/person_add:"):
        show_form(desk, None, pools)


def show_form(desk: Desk, was: Account | None, pools: dict[str, str]) -> None:
    """Show the form of an account, filled with what it is; save it where that is asked for."""
    key = was.id if was else "new"
    with st.form(f"account-{key}", border=False):
        name = st.text_input("Name to sign in with", value=was.name if was else "", key=f"name-{key}")
        role = st.segmented_control(
            "Role",
            ROLES,
            format_func=ROLE.__getitem__,
            default=was.role if was else Role.TECH,
            required=True,
            key=f"role-{key}",
            width="stretch",
        )
        sees = st.segmented_control(
            "A tech sees",
            (ALL, SOME),
            default=ALL if was is None or was.sees_all else SOME,
            required=True,
            key=f"sees-{key}",
            width="stretch",
        )
        assigned = st.multiselect(
            "Assigned pools",
            list(pools),
            default=[each for each in pools if was and each in was.pool_ids],
            format_func=pools.__getitem__,
            key=f"pools-{key}",
        )
        email = st.text_input(
            "E-mail, for the company's own sign-in", value=was.email if was else "", key=f"email-{key}"
        )
        saved = st.form_submit_button("Save" if was else "Add the account", type="primary", width="stretch")
    if not saved:
        return
    asked = Account(was.id if was else "", name, role or Role.TECH, email, sees == ALL, frozenset(assigned))
    if was is not None and tried(lambda: people.change_account(desk.log, asked, at=desk.now)):
        told(f"{name} is saved.", "It holds from their next tap on.")
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
        told(f"{asked.name}'s password: {password}", ONCE)


def show_doors(desk: Desk, account: Account, own: Account) -> None:
    """Offer a new password, signing out everywhere, and closing or opening an account."""
    if account.closed_at is not None:
        if st.button("Open it again", key=f"open-{account.id}", width="stretch"):
            people.reopen_account(desk.log, account.id, at=desk.now)
            told(f"{account.name}'s account is open again.", "Its password is the old one.")
        return
    if account.id == own.id:
        return
    if st.button("Give a new password", key=f"password-{account.id}", width="stretch"):
        password = people.new_password()
        people.set_password(desk.log, account.id, password, at=desk.now)
        told(f"{account.name}'s password: {password}", ONCE)
    if st.button("Sign out everywhere (a lost phone)", key=f"out-{account.id}", width="stretch"):
        people.end_sessions(desk.log, account.id, at=desk.now)
        told(f"{account.name} is signed out everywhere.", "They can sign in again with their password.")
    if st.button("Close this account", key=f"close-{account.id}", width="stretch") and tried(
        lambda: people.close_account(desk.log, account.id, at=desk.now)
    ):
        told(f"{account.name}'s account is closed.", "What they did stays. It can be opened again below.")


ONCE = "Write it down and hand it over: it is shown this once. They can change it on this page."
"""What is said beside a new password."""


def ask_new_password(label: str) -> str:
    """Ask for a new password."""
    return st.text_input(
        f"{label}, at least {people.PASSWORD_SHORTEST} characters", type="password", autocomplete="new-password"
    )


def tried(act: Callable[[], object]) -> bool:
    """Do something that can be refused; show the refusal, and return whether it was done."""
    try:
        act()
    except TurnblueError as error:
        widgets.show_html(widgets.say_html(error.sentence, error.hint, act=True))
        return False
    return True


def told(title: str, sentence: str) -> None:
    """Show the page anew with a sentence on top."""
    st.session_state["account_told"] = (title, sentence)
    st.rerun()


def show_link(address: str, label: str) -> None:
    """Show a link to one of our plain pages, in this same tab."""
    st.html(f'<a class="tb-go" href="{address}" target="_self">{label}</a>')
