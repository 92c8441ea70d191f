"""The archive's commands: verify, backup, restore, doctor.

In: what the user typed. Out: a result for people or as JSON; exit code 1 where something is wrong.
"""

from __future__ import annotations

from pathlib import Path

import click

from app.commands.options import FOLDER, JSON, counting_bar, present

THERE = click.Path(path_type=Path, file_okay=False, exists=True)


@click.command()
@click.option("--mend", is_flag=True, help="Mend what can be mended (else only say it).")
@click.option("--spare", type=THERE, help="A backup to take missing and altered photos from, with --mend.")
@click.option("--quick", is_flag=True, help="Look at the photos' sizes alone.")
@FOLDER
@JSON
@click.pass_context
def verify(ctx: click.Context, mend: bool, spare: Path | None, quick: bool, folder: Path | None, as_json: bool) -> None:
    """Check that no photo and no row is lost or altered, and mend what can be.

    Example: turnblue verify --mend --spare /mnt/backup
    """
    from app import actions, archive, console

    with actions.open_log(folder) as log, counting_bar() as count:
        told = archive.verify(log, now=present(), mend=mend, spare=spare, quick=quick, progress=count)
    if as_json:
        click.echo(console.json_line({"photos": told.photos, "files": told.files, "sound": told.sound}))
        for each in told.findings:
            click.echo(console.json_line(each))
    else:
        for each in told.findings:
            click.echo(console.paragraph(each.say, "+ " if each.mended else "! "))
        click.echo(f"{told.photos} photos, {told.files} files: " + ("all is well." if told.sound else "see above."))
    ctx.exit(0 if told.sound else 1)


@click.command()
@click.argument("into", type=click.Path(path_type=Path, file_okay=False))
@click.option("--check", is_flag=True, help="Also read every photo that the backup has already.")
@FOLDER
@JSON
@click.pass_context
def backup(ctx: click.Context, into: Path, check: bool, folder: Path | None, as_json: bool) -> None:
    """Back up rows and photos into a folder while people work; only what is new is copied.

    The backup holds addresses, photos and password checks: keep it where only its owner reads.

    Example: turnblue backup /mnt/backup
    """
    from app import actions, archive, console

    with actions.open_log(folder) as log, counting_bar() as count:
        made = archive.backup(log, into, at=present(), check=check, progress=count)
    if as_json:
        click.echo(console.json_line(made))
    else:
        click.echo(
            f"{made.snapshot}: {made.photos} photos, {made.copied} of them new ({made.copied_bytes / 1e6:.1f} MB)."
        )
    for sha256 in made.lost:
        click.echo(f"The photo {sha256[:12]} could not be copied: see turnblue verify.", err=True)
    ctx.exit(1 if made.lost else 0)


@click.command()
@click.argument("backup_folder", type=THERE)
@click.option("--snapshot", help="Which one, by its name or the beginning of it (else the newest).")
@FOLDER
@JSON
def restore(backup_folder: Path, snapshot: str | None, folder: Path | None, as_json: bool) -> None:
    """Make a log out of a backup, every byte checked; the folder must be empty or missing.

    Example: turnblue restore /mnt/backup --folder ~/restored
    """
    from app import archive, config, console

    into = config.home_folder(folder)
    with counting_bar() as count:
        about = archive.restore(backup_folder, into, snapshot=snapshot, progress=count)
    if as_json:
        click.echo(console.json_line(about))
    else:
        click.echo(f"{into}: the log as of {about.made_at}, {about.photos} photos, each checked.")


@click.command()
@FOLDER
@JSON
@click.pass_context
def doctor(ctx: click.Context, folder: Path | None, as_json: bool) -> None:
    """Check the installation and the log's place: versions, disk, schema, model, card, picture formats.

    Example: turnblue doctor
    """
    from app import config, console
    from app.doctor import examine

    checks = examine(config.home_folder(folder), now=present())
    if as_json:
        click.echo("\n".join(map(console.json_line, checks)))
    else:
        click.echo(console.table(["", "check", "found"], [[each.state, each.name, each.say] for each in checks]))
    ctx.exit(1 if any(each.state == "bad" for each in checks) else 0)


COMMANDS = (verify, backup, restore, doctor)
