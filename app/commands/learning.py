"""`turnblue confirm`: say what a photo's grades truly are.

In: what the user typed. Out: a confirmation in the log; messages on standard error.
"""

from __future__ import annotations

from pathlib import Path

import click

from app.commands.options import FOLDER, present
from vision.results import Clarity, Severity


@click.command()
@click.argument("photo", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--clarity", type=click.Choice([each.value for each in Clarity]), help="What it truly was.")
@click.option("--severity", type=click.Choice([each.value for each in Severity]), help="What it truly was.")
@click.option("--by", default="", help="Who says so.")
@FOLDER
def confirm(photo: Path, clarity: str | None, severity: str | None, by: str, folder: Path | None) -> None:
    """Confirm or correct the grades of a photo that is in the log.

    Example: turnblue confirm IMG_2041.jpg --clarity hazy --severity light
    """
    from app import actions, learning

    sha256 = actions.file_sha256(photo)
    if sha256 is None:
        raise click.UsageError(f"{photo} cannot be read.")
    with actions.open_log(folder) as log:
        learning.confirm_grade(
            log,
            sha256,
            clarity=None if clarity is None else Clarity(clarity),
            severity=None if severity is None else Severity(severity),
            at=present(),
            by=by,
        )
    click.echo("Noted.")


COMMANDS = (confirm,)
"""All commands of this topic."""
