"""`turnblue strip`: teach a kind of test strip, list the kinds, and read a strip.

In: what the user typed. Out: results on standard output, messages on standard error.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from app.commands.options import FOLDER, JSON, present

if TYPE_CHECKING:
    from vision.strip import StripAsked
    from vision.strip_kind import StripKind

IN_FILE = click.Path(path_type=Path, dir_okay=False, exists=True)
INTO_FILE = click.Path(path_type=Path, dir_okay=False)


@click.group(name="strip")
def strip_group() -> None:
    """Teach kinds of test strip by photos, list them, and read strips.

    Example: turnblue strip teach key.jpg --name "six pads" --row "ph: 6.2 6.8 7.2 7.8 8.4 @15-30"
    """


@strip_group.command()
@click.argument("photos", nargs=-1, required=True, type=IN_FILE, metavar="PHOTO...")
@click.option("--name", required=True, help="What you call this strip.")
@click.option("--row", "rows", multiple=True, help='A row of the key: "free_chlorine mg/L: 0 0.5 1 3 5 10 @15-30".')
@click.option("--value", "values", multiple=True, type=float, help="The photo shows a strip of this value; repeatable.")
@click.option("--analyte", default="ph", show_default=True, help="With --value: what the strips read.")
@click.option("--unit", default=None, help="With --value: its unit (else mg/L; none for pH).")
@click.option("--fresh", type=IN_FILE, help="A photo of a fresh, dry strip in the card's slot, its tip to the left.")
@click.option("--pitch", "pitch_mm", type=click.FloatRange(3, 30), help="From pad to pad [mm], without --fresh.")
@click.option("--lot", default="", help="The bottle's lot number.")
@click.option("--expires", "expires_on", help="The bottle's expiry, as 2027-05-31.")
@click.option("-o", "--output", type=INTO_FILE, help="Write the kind into this file and not into the log.")
@FOLDER
@JSON
def teach(
    photos: tuple[Path, ...],
    name: str,
    rows: tuple[str, ...],
    values: tuple[float, ...],
    analyte: str,
    unit: str | None,
    fresh: Path | None,
    pitch_mm: float | None,
    lot: str,
    expires_on: str | None,
    output: Path | None,
    folder: Path | None,
    as_json: bool,
) -> None:
    """Teach a kind of strip: from its printed key (--row), or from strips of known values (--value).

    Photograph the label's key straight on beside the card, and type each row's numbers. Or photograph strips, in the
    card's slot or on plain white paper, and give each photo's value in the order of the photos.

    Example: turnblue strip teach p4.jpg p6.jpg p8.jpg --name universal --value 4 --value 6 --value 8
    """
    from app import actions, strips
    from vision.strip_key import TypedScale

    if bool(rows) == bool(values):
        raise click.UsageError("Give --row for each row of a printed key, or --value for each photo of a strip.")
    if rows and len(photos) != 1:
        raise click.UsageError("Give one photo of the key.")
    if values:
        scale = TypedScale(analyte, unit if unit is not None else "" if analyte == "ph" else "mg/L", values)
        kind = strips.teach_from_strips(name, [_read(each) for each in photos], scale, lot=lot, expires_on=expires_on)
    else:
        kind = strips.teach_from_key(
            name,
            _read(photos[0]),
            [strips.typed_scale(each) for each in rows],
            fresh=None if fresh is None else _read(fresh),
            pitch_mm=pitch_mm,
            lot=lot,
            expires_on=expires_on,
        )
    if output is not None:
        strips.write_kind_file(kind, output)
    else:
        with actions.open_log(folder) as log:
            strips.save_kind(log, kind, at=present())
    _tell([("", kind)], as_json)


@strip_group.command("kinds")
@click.option("--withdraw", metavar="KIND", help="Use this kind no longer.")
@FOLDER
@JSON
def kinds_(withdraw: str | None, folder: Path | None, as_json: bool) -> None:
    """List the kinds of strip that were taught.

    Example: turnblue strip kinds
    """
    from app import actions, strips

    with actions.open_log(folder) as log:
        if withdraw is not None:
            strips.withdraw_kind(log, strips.find_kind(log, withdraw).id, at=present())
        listed = [(each.id, each.kind) for each in strips.kinds(log)]
    _tell(listed, as_json)
    if not listed and not as_json:
        click.echo("No kind of strip was taught yet: turnblue strip teach", err=True)


def asked_strip(named: str, folder: Path | None, seconds: float | None) -> StripAsked:
    """Return what `score --strip` asks for: a kind by its file, the shipped one ("generic"), or its name in the log."""
    from app import actions, strips
    from vision.strip import StripAsked

    if Path(named).is_file():
        kind = strips.kind_file(Path(named))
    elif named == "generic":
        kind = strips.generic_kind()
    else:
        with actions.open_log(folder) as log:
            kind = strips.find_kind(log, named).kind
    return StripAsked(kind, seconds=seconds, today=present().date().isoformat())


def _read(path: Path) -> tuple[str, bytes]:
    return path.name, path.read_bytes()


def _tell(kinds: list[tuple[str, StripKind]], as_json: bool) -> None:
    """Print kinds: a line a scale, or one JSON object a line."""
    import json

    from vision.strip_kind import to_entry

    for kind_id, kind in kinds:
        if as_json:
            click.echo(json.dumps({"id": kind_id or None, **to_entry(kind)}))
            continue
        until = f", expires {kind.expires_on}" if kind.expires_on else ""
        click.echo(f"{kind.name}{f' ({kind_id})' if kind_id else ''}: {len(kind.pads)} pads{until}")
        for scale in kind.scales:
            numbers = " ".join(f"{value:g}" for value in scale.values)
            click.echo(f"  {scale.analyte.replace('_', ' ')}{f', {scale.unit}' if scale.unit else ''}: {numbers}")
