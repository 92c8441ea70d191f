"""`turnblue report`: a customer's report as a file, a link to it, and a recovery's data as a file.

In: what the user typed. Out: files, and the link on standard output; messages on standard error.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from app.commands.options import FOLDER, present, zone_name
from app.config import DEFAULT_PORT
from app.words import LANGUAGES

if TYPE_CHECKING:
    from app.actions import Log

LOCAL = (
    "This address opens at this machine alone. Give another by --address, or keep it once for all links and tags: "
    "turnblue serve --public-address https://pools.example"
)
"""What is said of a link while nobody has said where others reach the dashboard."""

INTO = click.Path(path_type=Path, dir_okay=False, allow_dash=True)


@click.command()
@click.argument("recovery")
@click.option("--pdf", type=INTO, help="Write the report as a PDF here (what is done where nothing else is asked).")
@click.option("--png", type=INTO, help="Write it as one picture for a text message here.")
@click.option("--evidence", is_flag=True, help="Add evidence pages to the PDF: photos, sha256, times, versions.")
@click.option("--csv", "as_csv", type=INTO, help="Write everything recorded of the recovery as a table here.")
@click.option("--json", "as_json", type=INTO, help="The same for machines, with every measurement.")
@click.option("--link", is_flag=True, help="Give out a link that shows this recovery without an account.")
@click.option("--days", type=click.IntRange(1, 365), default=30, show_default=True, help="How long the link lasts.")
@click.option("--address", help="Where the dashboard is reached (else the company's public address).")
@click.option("--links", "list_links", is_flag=True, help="List the links given out.")
@click.option("--withdraw", metavar="LINK", help="Withdraw a link by its id.")
@click.option("--lang", type=click.Choice(list(LANGUAGES)), help="Language (else the company's).")
@FOLDER
def report(
    recovery: str,
    pdf: Path | None,
    png: Path | None,
    evidence: bool,
    as_csv: Path | None,
    as_json: Path | None,
    link: bool,
    days: int,
    address: str | None,
    list_links: bool,
    withdraw: str | None,
    lang: str | None,
    folder: Path | None,
) -> None:
    """Make a customer's progress report, or give out a link to it.

    RECOVERY is a recovery's id or its beginning, or a pool's name.

    Example: turnblue report "Cedar Lane 12" --png cedar.png --lang es
    """
    from app import actions, links, reports

    now, zone = present(), zone_name()
    asked = any((pdf, png, as_csv, as_json, link, list_links, withdraw))
    with actions.open_log(folder) as log:
        of = actions.find_recovery(log, recovery).id
        for form, path in (("pdf", pdf), ("png", png)):
            if path is not None or (form == "pdf" and not asked):
                pages = evidence and form == "pdf"
                made = reports.write_report(log, of, form=form, now=now, zone=zone, language=lang, evidence=pages)
                _write(path or Path(made.file_name), made.content)
        for form, path in (("csv", as_csv), ("json", as_json)):
            if path is not None:
                _write(path, reports.export_recovery(log, of, form=form).encode())
        if withdraw:
            links.withdraw_link(log, withdraw, now=now)
            click.echo(f"Withdrew {withdraw}.", err=True)
        if link:
            given = links.make_link(log, of, now=now, days=days, zone=zone, language=lang)
            known = address or actions.company(log).public_address or f"http://localhost:{DEFAULT_PORT}"
            click.echo(f"{known.rstrip('/')}{given.path}")
            if not address and not actions.company(log).public_address:
                click.echo(LOCAL, err=True)
            click.echo(f"{given.id}: lasts until {given.expires_at:%Y-%m-%d}. It is said this once.", err=True)
        if list_links:
            click.echo("\n".join(_listed(log, of)) or "No link was given out.")


@click.command()
@click.argument("file", type=INTO)
@FOLDER
def export(file: Path, folder: Path | None) -> None:
    """Write everything recorded of all pools to FILE: a table (.csv), or one recovery a line (.json).

    Example: turnblue export pools.csv
    """
    from app import actions, reports

    with actions.open_log(folder) as log:
        form = file.suffix.lstrip(".").lower()
        _write(file, "".join(reports.export_everything(log, form=form)).encode())


def _listed(log: Log, recovery_id: str) -> Sequence[str]:
    """Return the links given out, one a line."""
    from app import links

    now = present()
    lines = []
    for each in links.links_of(log, recovery_id):
        state = "withdrawn" if each.withdrawn_at else "open" if each.is_open(now) else "expired"
        lines.append(f"{each.id}  {state}  given {each.made_at:%Y-%m-%d}, until {each.expires_at:%Y-%m-%d}")
    return lines


def _write(path: Path, content: bytes) -> None:
    """Write a file, or to standard output where `path` is "-"."""
    from app.errors import CannotWrite

    if str(path) == "-":
        click.get_binary_stream("stdout").write(content)
        return
    try:
        path.write_bytes(content)
    except OSError as error:
        raise CannotWrite(
            f"{path} could not be written ({error.strerror or error}).", "Choose a folder you can write to."
        ) from error
    click.echo(f"Wrote {path}.", err=True)
