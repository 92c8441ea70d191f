"""`turnblue card`: write the card to print; measure a print run; see whether a card has faded.

In: what the user typed. Out: results on standard output, messages on standard error. `turnblue card` without a further
word writes the card, as it always did: its options belong to the hidden command `write`.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import click

from app.commands.options import FOLDER, JSON, present

if TYPE_CHECKING:
    from app.cards import CardStanding, PrintRun

INTO_FILE = click.Path(path_type=Path, dir_okay=False)


class _Writes(click.Group):
    """A group that does `write` where no command of its own is named."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """Put `write` before arguments that begin with no command."""
        own = (*self.commands, *ctx.help_option_names)
        if not args or args[0] not in own:
            args = ["write", *args]
        return super().parse_args(ctx, args)

    def format_options(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Show the options of `write`, which need no word before them, then the commands."""
        self.commands["write"].format_options(ctx, formatter)
        self.format_commands(ctx, formatter)


@click.group(cls=_Writes)
def card() -> None:
    """Write the reference card to print, at true size, or its geometry; or measure it.

    Example: turnblue card -o card.pdf --paper a4
    """


@card.command(hidden=True)
@click.option("-o", "--output", type=INTO_FILE, default="turnblue-card.pdf", show_default=True)
@click.option("--number", type=click.IntRange(0), default=0, show_default=True, help="The number printed on the card.")
@click.option("--paper", type=click.Choice(["letter", "a4"]), default="letter", show_default=True)
@click.option(
    "--disc",
    type=INTO_FILE,
    is_flag=False,
    flag_value="turnblue-disc.pdf",
    help="Write the sighting disc for the pole instead, into this file.",
)
@JSON
def write(output: Path, number: int, paper: str, disc: Path | None, as_json: bool) -> None:
    """Write the reference card to print, at true size, or its geometry."""
    from app import actions, console

    if disc is not None:
        if as_json:
            click.echo(console.json_line(actions.disc_geometry()))
            return
        actions.write_disc(disc, paper=paper)
        click.echo(f"Wrote {disc}. Print it at 100 %; its second page says how to mount and use it.", err=True)
        return
    if as_json:
        click.echo(console.json_line(actions.card_geometry()))
        return
    actions.write_card(output, number=number, paper=paper)
    click.echo(f"Wrote {output}. Print it at 100 % on matte, waterproof paper.", err=True)


@card.command()
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="FILE|PHOTO...")
@click.option("--from", "first_number", type=click.IntRange(0), help="First card number of the print run (else all).")
@click.option("--to", "last_number", type=click.IntRange(0), help="Last card number of the print run.")
@click.option("--note", default="", help="Printer and paper, for people.")
@click.option("-o", "--output", type=INTO_FILE, help="Write the measurement into this file and not into the log.")
@FOLDER
@JSON
def calibrate(
    files: tuple[Path, ...],
    first_number: int | None,
    last_number: int | None,
    note: str,
    output: Path | None,
    folder: Path | None,
    as_json: bool,
) -> None:
    """Measure how a print run of the card came out, from a CGATS file or photos beside a 24-patch chart.

    For photos lay card and chart side by side, flat, in even shade, both whole in the picture; two or three are best.

    Example: turnblue card calibrate IMG_2101.jpg IMG_2102.jpg --from 1 --to 40 --note "matte film"
    """
    from app import actions, cards

    read = [(path.name, cards.read_file(path)) for path in files]
    if output is not None:
        found = cards.calibration_of(read, first_number=first_number, last_number=last_number)
        cards.write_calibration(output, found)
    else:
        with actions.open_log(folder) as log:
            run = cards.calibrate(
                log, read, at=present(), note=note, first_number=first_number, last_number=last_number
            )
        found = run.calibration
    if as_json:
        click.echo(json.dumps(found.to_json()))
    click.echo(cards.calibration_say(found), err=as_json)


@card.command()
@click.option("--withdraw", metavar="RUN", help="Use this measurement no longer.")
@FOLDER
@JSON
def runs(withdraw: str | None, folder: Path | None, as_json: bool) -> None:
    """List the measured print runs; the last that holds for a card is used.

    Example: turnblue card runs
    """
    from app import actions, cards

    with actions.open_log(folder) as log:
        if withdraw is not None:
            cards.withdraw_print_run(log, withdraw, at=present())
        listed = cards.print_runs(log)
    if as_json:
        click.echo(json.dumps([_run_json(each) for each in listed]))
        return
    for each in listed:
        withdrawn = "" if each.withdrawn_at is None else "; withdrawn"
        note = f" ({each.note})" if each.note else ""
        click.echo(f"{each.id}, {each.made_at:%Y-%m-%d}{note}: {cards.calibration_say(each.calibration)}{withdrawn}")
    if not listed:
        click.echo("No print run was measured yet: every range is wider than it need be.")


@card.command()
@click.argument("number", type=click.IntRange(0), required=False)
@FOLDER
@JSON
def drift(number: int | None, folder: Path | None, as_json: bool) -> None:
    """Say of each card whether it has faded, from its photos in the log.

    Example: turnblue card drift
    """
    from app import actions, cards

    with actions.open_log(folder) as log:
        listed = cards.cards(log, number=number)
    if as_json:
        click.echo(json.dumps([cards.standing_json(each) for each in listed]))
        return
    for each in listed:
        click.echo(_standing_say(each))
    if not listed:
        click.echo("No photo in the log shows a card whose number could be read.")


def _run_json(run: PrintRun) -> dict[str, object]:
    withdrawn = None if run.withdrawn_at is None else run.withdrawn_at.isoformat()
    kept = {"id": run.id, "made_at": run.made_at.isoformat(), "note": run.note, "withdrawn_at": withdrawn}
    return kept | run.calibration.to_json()


def _standing_say(standing: CardStanding) -> str:
    """Return one card's standing as a line."""
    from app.cards import drift_say

    measured = "measured" if standing.calibrated else "not measured"
    return f"Card {standing.number}: {standing.photos} photos, print {measured}. {drift_say(standing.drift)}"
