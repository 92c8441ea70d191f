"""`turnblue account ...`: add, list, change and close accounts, at the machine that holds the log.

In: what the owner typed. Out: results on standard output, messages on standard error. A password is asked for, read
from standard input or made up; never taken from the command line, where others on the machine could read it.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from app.commands.options import FOLDER, JSON, present

if TYPE_CHECKING:
    from app.actions import Log

ROLE = click.Choice(["owner", "office", "tech"])
GENERATE = click.option("--generate", is_flag=True, help="Make a password up and print it once.")
STDIN = click.option("--password-stdin", is_flag=True, help="Read the password as one line from standard input.")


@click.group()
def account() -> None:
    """Add, list, change and close accounts.

    Example: turnblue account add Robin --role tech --generate
    """


@account.command()
@click.argument("name")
@click.option("--role", type=ROLE, required=True, help="The first account must be an owner's.")
@click.option("--email", default="", help="For sign-in by the company's own provider.")
@click.option("--pool", "pools", multiple=True, help="A tech sees only this pool, by name or id; repeatable.")
@click.option("--no-password", is_flag=True, help="Only by the company's own provider; needs --email.")
@GENERATE
@STDIN
@FOLDER
def add(
    name: str,
    role: str,
    email: str,
    pools: tuple[str, ...],
    no_password: bool,
    generate: bool,
    password_stdin: bool,
    folder: Path | None,
) -> None:
    """Add an account.

    Example: turnblue account add Olive --role owner
    """
    from app import actions, people
    from app.access import Role

    password = None if no_password else _password(generate, password_stdin)
    with actions.open_log(folder) as log:
        seen = _pool_ids(log, pools)
        kept = people.add_account(
            log, name, Role(role), password=password, at=present(), email=email, sees_all=not seen, pools=seen
        )
    click.echo(f"{kept.name} can sign in as {kept.role.value}.", err=True)
    _print_once(password, generate)


@account.command("list")
@JSON
@FOLDER
def list_accounts(as_json: bool, folder: Path | None) -> None:
    """List the accounts with their roles and the pools they see.

    Example: turnblue account list
    """
    from app import actions, console, people

    with actions.open_log(folder) as log:
        listed = people.accounts(log)
    if as_json:
        click.echo(
            "\n".join(console.json_line(replace(each, pool_ids=tuple(sorted(each.pool_ids)))) for each in listed)
        )  # type: ignore[arg-type]
        return
    if not listed:
        click.echo("No accounts yet: nobody needs to sign in at this machine, and nobody else can.")
    for each in listed:
        sees = "all pools" if each.actor.pool_ids is None else f"{len(each.pool_ids)} pools"
        closed = ", closed" if each.closed_at is not None else ""
        click.echo(f"{each.name}: {each.role.value}, sees {sees}{f', {each.email}' if each.email else ''}{closed}")


@account.command()
@click.argument("name")
@click.option("--rename", help="The new name to sign in with.")
@click.option("--role", type=ROLE)
@click.option("--email", help='For sign-in by the company\'s own provider; "" takes it away.')
@click.option("--pool", "pools", multiple=True, help="A tech sees only this pool, by name or id; repeatable.")
@click.option("--all-pools", is_flag=True, help="A tech sees all pools.")
@FOLDER
def change(
    name: str,
    rename: str | None,
    role: str | None,
    email: str | None,
    pools: tuple[str, ...],
    all_pools: bool,
    folder: Path | None,
) -> None:
    """Change an account's name, role, e-mail address or the pools it sees.

    Example: turnblue account change Robin --pool "Cedar Lane 12" --pool "Oak Street 3"
    """
    from app import actions, people
    from app.access import Role

    if pools and all_pools:
        raise click.UsageError("Give either --pool or --all-pools.")
    with actions.open_log(folder) as log:
        was = people.find_account(log, name)
        people.change_account(
            log,
            replace(
                was,
                name=was.name if rename is None else rename,
                role=was.role if role is None else Role(role),
                email=was.email if email is None else email,
                sees_all=all_pools or (was.sees_all and not pools),
                pool_ids=frozenset(_pool_ids(log, pools)) if pools else was.pool_ids,
            ),
            at=present(),
        )
    click.echo("Changed; it holds at once.", err=True)


@account.command()
@click.argument("name")
@GENERATE
@STDIN
@FOLDER
def password(name: str, generate: bool, password_stdin: bool, folder: Path | None) -> None:
    """Give an account a new password and sign it out everywhere.

    Example: turnblue account password Robin --generate
    """
    from app import actions, people

    with actions.open_log(folder) as log:
        found = people.find_account(log, name)
        new = _password(generate, password_stdin)
        people.set_password(log, found.id, new, at=present())
    click.echo(f"{found.name} has a new password and is signed out everywhere.", err=True)
    _print_once(new, generate)


@account.command("sign-out")
@click.argument("name")
@FOLDER
def sign_out(name: str, folder: Path | None) -> None:
    """Sign an account out everywhere, a lost phone's for instance.

    Example: turnblue account sign-out Robin
    """
    from app import actions, people

    with actions.open_log(folder) as log:
        found = people.find_account(log, name)
        ended = people.end_sessions(log, found.id, at=present())
    click.echo(f"{found.name} was signed in {ended} times, and now nowhere.", err=True)


@account.command()
@click.argument("name")
@FOLDER
def close(name: str, folder: Path | None) -> None:
    """Close an account at once; what it did stays.

    Example: turnblue account close Robin
    """
    from app import actions, people

    with actions.open_log(folder) as log:
        closed = people.close_account(log, people.find_account(log, name).id, at=present())
    click.echo(f"{closed.name} can no longer sign in. To open it again: turnblue account reopen", err=True)


@account.command()
@click.argument("name")
@FOLDER
def reopen(name: str, folder: Path | None) -> None:
    """Open a closed account again.

    Example: turnblue account reopen Robin
    """
    from app import actions, people

    with actions.open_log(folder) as log:
        opened = people.reopen_account(log, people.find_account(log, name).id, at=present())
    click.echo(f"{opened.name} can sign in again.", err=True)


def _password(generate: bool, password_stdin: bool) -> str:
    """Return a password: made up, read from standard input, or asked for twice."""
    from app import people

    if generate and password_stdin:
        raise click.UsageError("Give either --generate or --password-stdin.")
    if generate:
        return people.new_password()
    if password_stdin:
        return sys.stdin.readline().rstrip("\r\n")
    return str(click.prompt("Password", hide_input=True, confirmation_prompt=True, err=True))


def _print_once(password: str | None, generate: bool) -> None:
    """Print a password that was made up."""
    if generate and password is not None:
        click.echo(password)


def _pool_ids(log: Log, named: tuple[str, ...]) -> list[str]:
    """Return the ids of pools by name or id."""
    from app import actions

    return [actions.find_pool(log, each).id for each in named]
