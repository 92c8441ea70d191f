"""`turnblue tags`: QR tags for pools' equipment, as a PDF.

In: what the user typed. Out: the file; messages on standard error.
"""

from __future__ import annotations

from pathlib import Path

import click

from app.commands.options import FOLDER


@click.command()
@click.argument("out", type=click.Path(path_type=Path, dir_okay=False), metavar="OUT.pdf")
@click.argument("pools", nargs=-1, metavar="[POOL]...")
@click.option("--address", help="Where the dashboard is reached, for phones (else the company's public address).")
@click.option("--paper", type=click.Choice(["letter", "a4"]), default="letter", show_default=True)
@FOLDER
def tags(out: Path, pools: tuple[str, ...], address: str | None, paper: str, folder: Path | None) -> None:
    """Write QR tags to hang at the pools' equipment; all pools' where none is named.

    Example: turnblue tags tags.pdf "Cedar Lane 12" --address https://pools.example
    """
    from app import actions, intake
    from app.errors import CannotWrite

    with actions.open_log(folder) as log:
        known = actions.company(log).public_address if address is None else address
        pdf = intake.write_tags(log, pools, address=known, paper=paper)
    try:
        out.write_bytes(pdf)
    except OSError as error:
        raise CannotWrite(f"{out} could not be written ({error.strerror}).", "Choose another folder.") from error
    click.echo(f"Wrote {out}: print it at 100 %, on waterproof film.", err=True)
