"""`turnblue confirm`, `train` and `evaluate`: teach the grader by the company's own photos.

In: what the user typed. Out: what was fitted and how it compares, on standard output; messages on standard error.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from app.commands.options import FOLDER, JSON, present
from vision.results import Clarity, Severity

if TYPE_CHECKING:
    from app.learning import Comparison


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


@click.command()
@click.option("--log", "from_log", is_flag=True, required=True, help="Weight in the log's confirmed photos.")
@JSON
@FOLDER
def train(from_log: bool, as_json: bool, folder: Path | None) -> None:
    """Fit a candidate grader with the confirmed photos; the one in use stays until `turnblue evaluate --use`.

    Example: turnblue train --log
    """
    from app import actions, learning

    del from_log
    with actions.open_log(folder) as log:
        _say(learning.train_grader(log), as_json)


@click.command()
@click.option("--use", is_flag=True, help="Take the candidate into use, if it is better.")
@JSON
@FOLDER
def evaluate(use: bool, as_json: bool, folder: Path | None) -> None:
    """Compare the candidate with the grader in use, on photos of pools it had not seen; say how right grades were.

    Example: turnblue evaluate --use
    """
    from app import actions, learning

    with actions.open_log(folder) as log:
        if not as_json:
            told = learning.drift(log)
            click.echo(f"{told.clarity.say()}\n{told.severity.say()}")
        _say(learning.compare_grader(log, use=use), as_json)


def _say(compared: Comparison, as_json: bool) -> None:
    """Print a comparison."""
    import json
    from dataclasses import asdict

    if as_json:
        click.echo(json.dumps(asdict(compared)))
        return
    click.echo(f"{compared.photos} confirmed photos of {compared.pools} pools ({compared.unread} could not be used).")
    click.echo(
        f"Right on pools left out: in use {compared.in_use_exact:.0%}, candidate {compared.candidate_exact:.0%}."
    )
    click.echo(f"Log loss there: in use {compared.in_use_loss:.3f}, candidate {compared.candidate_loss:.3f}.")
    click.echo(
        f"On rendered photos: in use {compared.rendered_in_use_loss:.3f}, "
        f"candidate {compared.rendered_candidate_loss:.3f}."
    )
    click.echo("The candidate is now in use." if compared.in_use else compared.say)


COMMANDS = (confirm, train, evaluate)
"""All commands of this topic."""
