"""The command line `turnblue`: one verb a command, each one call into the actions.

In: what the user typed. Out: results on standard output, messages and progress on standard error; exit code 0 when
all went well, 1 when something could not be done, 2 on wrong usage. What is heavy is imported inside the commands.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from app.commands import archive, learning
from app.commands.account import account
from app.commands.card import card
from app.commands.intake import intake
from app.commands.options import FOLDER, JSON, counting_bar
from app.commands.options import present as _now
from app.commands.report import export, report
from app.commands.strip import asked_strip, strip_group
from app.commands.tags import tags
from app.config import DEFAULT_PORT, version
from app.errors import TurnblueError
from vision.errors import VisionError

if TYPE_CHECKING:
    from app.records import Chemical
    from app.treatment.dosing import LabelRate
    from app.workers import Outcome

T = TypeVar("T")

DEEPEST_M = 10.0
"""Deepest pool believed [m]: twice a diving pool's, against a slipped digit (our own choice)."""


class _Chemical(click.ParamType):  # type: ignore[type-arg]
    """A chemical by its generic name."""

    name = "chemical"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Chemical:
        """Return the chemical; spaces and capitals do not matter."""
        from app.records import Chemical

        try:
            return Chemical(str(value).strip().lower().replace(" ", "_").replace("-", "_"))
        except ValueError:
            self.fail(f"{value!r} is none of: {', '.join(Chemical)}.", param, ctx)


class _Volume(click.ParamType):  # type: ignore[type-arg]
    """A volume with its unit, in litres."""

    name = "volume"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Return litres."""
        from app.treatment.units import read_amount

        try:
            amount, unit = (value, "L") if isinstance(value, float) else read_amount(str(value))
        except ValueError:
            amount, unit = 0.0, ""
        if unit != "L":
            self.fail(f"{value!r} is no volume; write it as 15000gal or 56000L.", param, ctx)
        return float(amount)


class _Depth(click.ParamType):  # type: ignore[type-arg]
    """A depth with its unit, in metres."""

    name = "depth"
    longest_m = DEEPEST_M
    wrong = "is no pool's depth; write it as 8ft or 2.4m."

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Return metres."""
        from app.treatment.units import M_PER_FT

        text = str(value).strip()
        number, metres = (text[:-2], M_PER_FT) if text.endswith("ft") else (text.removesuffix("m"), 1.0)
        try:
            depth_m = float(number) * metres
        except ValueError:
            depth_m = 0.0
        if not (text.endswith(("ft", "m")) or isinstance(value, float)) or not 0 < depth_m <= self.longest_m:
            self.fail(f"{value!r} {self.wrong}", param, ctx)
        return depth_m


class _Label(click.ParamType):  # type: ignore[type-arg]
    """A product's own rate, as its label prints it."""

    name = "rate"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> LabelRate:
        """Return the rate."""
        from app.treatment.dosing import LabelRate
        from app.treatment.units import read_amount

        product, _, water = str(value).partition(" per ")
        try:
            amount, unit = read_amount(product)
        except ValueError:
            self.fail(f"{value!r} is no rate; write it as '16 fl oz per 15000gal'.", param, ctx)
        return LabelRate(amount, unit, VOLUME.convert(water, param, ctx))


class _Temperature(click.ParamType):  # type: ignore[type-arg]
    """A temperature with its unit, in degrees Celsius."""

    name = "temperature"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Return degrees Celsius."""
        from app.treatment.units import celsius

        text = str(value).strip().upper()
        try:
            number = float(text[:-1])
        except ValueError:
            self.fail(f"{value!r} is no temperature; write it as 85F or 30C.", param, ctx)
        if text[-1] not in "FC":
            self.fail(f"{value!r} is no temperature; write it as 85F or 30C.", param, ctx)
        return celsius(number) if text[-1] == "F" else number


class _Side(_Depth):
    """A side of a pool with its unit, in metres."""

    name = "length"
    longest_m = 120.0
    wrong = "is no pool's side; write it as 32ft or 10m."


CHEMICAL, VOLUME, DEPTH, LABEL = _Chemical(), _Volume(), _Depth(), _Label()
TEMPERATURE, SIDE = _Temperature(), _Side()
SHAPES = ["rectangle", "round", "oval", "stadium", "kidney", "l_shape"]
SIGHTINGS = [
    "pump_found_off", "powder_at_returns", "foam", "black_spots", "mustard_dust", "stains", "turned_by_chlorine",
    "mineral_unit",
]  # fmt: skip
INTO_FOLDER = click.Path(path_type=Path, file_okay=False)
INTO_FILE = click.Path(path_type=Path, dir_okay=False)
UNITS = click.option("--units", type=click.Choice(["us", "metric"]), default="us", show_default=True)
PORT = click.option("--port", type=click.IntRange(1, 65535), default=DEFAULT_PORT, show_default=True)
NO_BROWSER = click.option("--no-browser", is_flag=True, help="Do not open a browser.")


class _Sentences(click.Group):
    """A group whose commands' own errors end as a sentence on standard error and exit code 1."""

    def invoke(self, ctx: click.Context) -> Any:
        """Run a command."""
        try:
            return super().invoke(ctx)
        except (TurnblueError, VisionError) as error:
            click.echo(str(error), err=True)
            ctx.exit(1)


@click.group(cls=_Sentences, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(version(), prog_name="turnblue")
def main() -> None:
    """Make a photo of green water a measurement, and see each pool's way to clear blue."""


main.add_command(account)
main.add_command(card)
main.add_command(report)
main.add_command(strip_group)
main.add_command(export)
main.add_command(intake)
main.add_command(tags)
for _command in (*archive.COMMANDS, *learning.COMMANDS):
    main.add_command(_command)


@main.command()
@click.argument("photos", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="PHOTO...")
@JSON
@click.option("--normalised", type=INTO_FOLDER, help="Write each photo in true colours here.")
@click.option("--check", type=INTO_FOLDER, help="Write what was found in each photo here.")
@click.option("--shallow-end", type=DEPTH, help="The pool's depth at its shallow end, as 3.5ft or 1.1m.")
@click.option("--deep-end", type=DEPTH, help="The pool's depth at its deep end, as 8ft or 2.4m.")
@click.option("--disc-depth", type=DEPTH, help="Depth of the sighting disc, read from its pole, as 2ft or 0.6m.")
@click.option("--disc-lost", is_flag=True, help="At that depth you cannot see the disc yourself.")
@click.option(
    "--calibration", type=INTO_FILE, help="How the card's print came out: CGATS text, or from: card calibrate -o."
)
@click.option("--strip", metavar="KIND", help="Read test strips of this kind: its file, or its name in the log.")
@click.option("--seconds", type=click.FloatRange(0), help="With --strip: how long after the dip it was photographed.")
@click.option("--jobs", type=click.IntRange(1), help="How many photos at once (else one a core).")
@UNITS
@FOLDER
@click.pass_context
def score(
    ctx: click.Context,
    photos: tuple[Path, ...],
    as_json: bool,
    normalised: Path | None,
    check: Path | None,
    shallow_end: float | None,
    deep_end: float | None,
    disc_depth: float | None,
    disc_lost: bool,
    calibration: Path | None,
    strip: str | None,
    seconds: float | None,
    jobs: int | None,
    units: str,
    folder: Path | None,
) -> None:
    """Grade the water in photos taken beside the card, or read test strips.

    Example: turnblue score IMG_2041.jpg IMG_2042.jpg --check found
    """
    from app import actions, cards, console

    _refuse_same_names(photos, normalised, check)
    outcomes = []
    if disc_lost and disc_depth is None:
        raise click.UsageError("Say with --disc-depth at which depth the disc is lost from sight.")
    known, disc = actions.known_pool(shallow_end, deep_end), actions.asked_disc(disc_depth, disc_lost)
    found = actions.score(
        photos,
        known=known,
        disc=disc,
        normalised_folder=normalised,
        check_folder=check,
        workers_asked=jobs,
        calibrations=() if calibration is None else (cards.read_calibration_file(calibration),),
        strip=None if strip is None else asked_strip(strip, folder, seconds),
    )
    for outcome in _progress_bar(found, len(photos)):
        if as_json:
            click.echo(console.outcome_json(outcome, actions.file_sha256(outcome.job.path)))
        # As JSON only the unread are kept to the end: a hundred thousand results would fill the memory.
        if not as_json or outcome.result is None:
            outcomes.append(outcome)
    if not as_json:
        click.echo(console.score_table(outcomes, units))
    ctx.exit(_list_unread(outcomes))


@main.command()
@FOLDER
@JSON
def pools(folder: Path | None, as_json: bool) -> None:
    """List the pools and their open recoveries.

    Example: turnblue pools
    """
    from app import actions, console

    with actions.open_log(folder) as log:
        listed, recoveries = actions.pools(log), actions.open_recoveries(log)
        units = actions.company(log).units
    if as_json:
        click.echo("\n".join(console.pools_json(listed, recoveries)), nl=bool(listed))
    else:
        click.echo(console.pools_table(listed, recoveries, units))


@main.command()
@click.argument("recovery")
@click.argument("photos", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="PHOTO...")
@click.option("--by", default="", help="Who made the visit.")
@click.option("--note", default="", help="A note to keep with it.")
@click.option("--saw", multiple=True, type=click.Choice(SIGHTINGS), help="Something unusual that was seen; repeatable.")
@click.option("--disc-depth", type=DEPTH, help="Depth of the sighting disc in the photos, as 2ft or 0.6m.")
@click.option("--disc-lost", is_flag=True, help="At that depth you cannot see the disc yourself.")
@click.option("--seen-at", type=DEPTH, help="Depth of the deepest thing seen (a step, the floor), as 2ft or 0.6m.")
@click.option("--not-seen-at", type=DEPTH, help="Depth of the shallowest thing not seen any more.")
@FOLDER
@JSON
@click.pass_context
def visit(
    ctx: click.Context,
    recovery: str,
    photos: tuple[Path, ...],
    by: str,
    note: str,
    saw: tuple[str, ...],
    disc_depth: float | None,
    disc_lost: bool,
    seen_at: float | None,
    not_seen_at: float | None,
    folder: Path | None,
    as_json: bool,
) -> None:
    """Save a visit with its photos, grade them, and say the next step.

    RECOVERY is a recovery's id or its beginning, or a pool's name.

    Example: turnblue visit "Cedar Lane 12" IMG_2041.jpg --by Robin
    """
    from app import actions, console
    from app.records import Sighted, Sighting

    arrived, unread = actions.read_photo_files(photos)
    with actions.open_log(folder) as log:
        into = actions.find_recovery(log, recovery)
        seen = tuple(Sighting(each) for each in saw)
        sighted = Sighted(disc_depth, disc_lost or None, seen_at, not_seen_at)
        logged = actions.log_visit(
            log, into.id, at=_now(), by=by, note=note, photos=arrived, sightings=seen, sighted=sighted
        )
        step, units = actions.next_step(log, into.id, now=_now()), actions.company(log).units
    refused = (*unread, *logged.refused)
    if as_json:
        click.echo(console.logged_json(logged, refused, step))
    else:
        click.echo(console.logged_text(into, logged, step, units))
    for name, sentence in refused:
        click.echo(f"{name}: {sentence}", err=True)
    ctx.exit(1 if refused else 0)


@main.command("next")
@click.argument("recovery")
@FOLDER
@JSON
def next_step(recovery: str, folder: Path | None, as_json: bool) -> None:
    """Say a recovery's next step, why, the doses and the cautions.

    RECOVERY is a recovery's id or its beginning, or a pool's name.

    Example: turnblue next "Cedar Lane 12"
    """
    from app import actions, console

    with actions.open_log(folder) as log:
        found = actions.find_recovery(log, recovery)
        step = actions.next_step(log, found.id, now=_now())
    click.echo(console.json_line(step) if as_json else console.step_text(found, step))


@main.command()
@click.argument("chemical", type=CHEMICAL)
@click.option("--volume", "volume_l", type=VOLUME, help="The pool's water, as 15000gal or 56000L; or give its shape.")
@click.option("--shape", type=click.Choice(SHAPES), help="The pool's outline, with its sides and depths.")
@click.option("--length", type=SIDE, help="Longest inside length, or a round pool's diameter, as 32ft or 10m.")
@click.option("--width", type=SIDE, help="Widest inside width.")
@click.option("--length2", type=SIDE, help="An L's other leg, the corner not counted twice.")
@click.option("--width2", type=SIDE, help="An L's other leg's width, a kidney's narrower width.")
@click.option("--shallow", type=DEPTH, help="Depth at the shallow end, as 3ft or 1m.")
@click.option("--deep", type=DEPTH, help="Depth at the deep end; left out, the floor is level.")
@click.option("--doubt", type=click.FloatRange(0, 50), help="How far off the volume may be either way [%].")
@click.option("--raise", "raise_by", type=float, help="By how much to raise what it raises [ppm, which is mg/L].")
@click.option("--lower", "lower_by", type=float, help="By how much to lower what it lowers [ppm, which is mg/L].")
@click.option("--strength", type=float, help="Strength on the label [%].")
@click.option(
    "--basis",
    type=click.Choice(["trade", "weight_chlorine", "weight_hypochlorite"]),
    default="trade",
    show_default=True,
    help="What the label's per cent of liquid chlorine means.",
)
@click.option("--age", "age_days", type=float, default=0.0, help="Liquid chlorine: days since it was made.")
@click.option(
    "--stored-at", "storage_c", type=TEMPERATURE, default="25C", help="Liquid chlorine: kept at, as 85F or 30C."
)
@click.option("--with", "beside", type=CHEMICAL, multiple=True, help="Another chemical wanted as well; repeatable.")
@click.option("--label", type=LABEL, help="The label's own rate, as '16 fl oz per 15000gal'.")
@UNITS
@FOLDER
@JSON
def dose(
    chemical: Chemical,
    volume_l: float | None,
    raise_by: float | None,
    lower_by: float | None,
    doubt: float | None,
    beside: tuple[Chemical, ...],
    basis: str,
    folder: Path | None,
    as_json: bool,
    **rest: Any,
) -> None:
    """Say how much of a chemical one change takes, with the arithmetic, the cost and the cautions.

    The cost is by the price list of the log in --folder (or TURNBLUE_HOME), where there is one.

    Example: turnblue dose sodium_hypochlorite --volume 15000gal --raise 10 --strength 12.5
    """
    from app import actions, console
    from app.treatment.cautions import BETWEEN_ROUNDS_H
    from app.treatment.products import StrengthBasis
    from vision.results import to_json

    sides = {name: rest.pop(name) for name in ("shape", "length", "width", "length2", "width2", "shallow", "deep")}
    found = actions.dose(
        chemical,
        volume_l=_volume(volume_l, **sides),
        change_mg_l=_change(chemical, raise_by, lower_by),
        strength_pct=rest["strength"],
        label_rate=rest["label"],
        basis=StrengthBasis(basis),
        age_days=rest["age_days"],
        storage_c=rest["storage_c"],
        volume_doubt=None if doubt is None else doubt / 100,
        prices=actions.known_prices(folder),
        units=rest["units"],
    )
    rounds = actions.rounds([chemical, *beside]) if beside else ()
    if as_json:
        click.echo(console.json_line({**to_json(found), **({"rounds": rounds} if rounds else {})}))
    else:
        click.echo(console.dose_text(found) + (console.rounds_text(rounds, BETWEEN_ROUNDS_H) if rounds else ""))


@main.command()
@click.argument("item", required=False)
@click.argument("price", required=False, type=float)
@click.option("--per", help="For how much of it, as 1gal, 5L or 50lb; left out for a visit or the start.")
@click.option("--currency", help="The list's currency, as it stands before an amount.")
@FOLDER
@JSON
def prices(
    item: str | None, price: float | None, per: str | None, currency: str | None, folder: Path | None, as_json: bool
) -> None:
    """Show the company's price list, or set one price: of a chemical, of a visit, of the start.

    Example: turnblue prices sodium_hypochlorite 4.50 --per 1gal
    """
    from app import actions, console

    if (item is None) != (price is None):
        raise click.UsageError("Give both an item and its price, or neither to see the list.")
    amount, unit = _amount_of(per)
    with actions.open_log(folder) as log:
        if item is not None and price is not None:
            name = item.strip().lower().replace("-", "_").replace(" ", "_")
            actions.set_price(log, name, price, per_amount=amount, unit=unit, currency=currency, at=_now())
        elif currency is not None:
            actions.save_price_list(log, replace(actions.price_list(log), currency=currency), at=_now())
        listed, units = actions.price_list(log), actions.company(log).units
    click.echo(console.json_line(listed) if as_json else console.prices_text(listed, units))


@main.command()
@click.argument("recovery")
@FOLDER
@JSON
def quote(recovery: str, folder: Path | None, as_json: bool) -> None:
    """Say what a recovery is expected to take: visits, days, chemicals, cost, and what is not in it.

    RECOVERY is a recovery's id or its beginning, or a pool's name.

    Example: turnblue quote "Cedar Lane 12"
    """
    from app import actions, console

    with actions.open_log(folder) as log:
        found = actions.find_recovery(log, recovery)
        told = actions.quote(log, found.id, now=_now())
    click.echo(console.json_line(told) if as_json else console.quote_text(found, told))


@main.command()
@click.option("--write", is_flag=True, help="Append the new measurements (else only say what would change).")
@click.option("--jobs", type=click.IntRange(1), help="How many photos at once (else one a core).")
@click.option("--dask", "cluster", help="Measure on a Dask cluster: its scheduler's address, or local:N.")
@FOLDER
@JSON
@click.pass_context
def rescore(
    ctx: click.Context, write: bool, jobs: int | None, cluster: str | None, folder: Path | None, as_json: bool
) -> None:
    """Measure all photos of the log that the present program and model have not measured yet.

    Broken off, it goes on where it stopped.

    Example: turnblue rescore --write --dask tcp://10.0.0.5:8786
    """
    from app import actions, console

    with actions.open_log(folder) as log, counting_bar() as count:
        told = actions.rescore(log, write=write, at=_now(), progress=count, workers_asked=jobs, cluster=cluster)
        shown = told if not as_json else _printed(told, console.json_line)
        summary = actions.summarise(shown, photos=log.photo_count())
    if not as_json:
        click.echo(console.rescored_text(summary, write))
    ctx.exit(1 if summary.failed else 0)


@main.command()
@FOLDER
@PORT
@NO_BROWSER
@click.option("--no-serve", is_flag=True, help="Only make the log; do not open the dashboard.")
def demo(folder: Path | None, port: int, no_browser: bool, no_serve: bool) -> None:
    """Show an invented company with pools at every stage.

    Example: turnblue demo
    """
    from app import demo as invented

    place = invented.demo_folder() if folder is None else folder
    with counting_bar() as count:
        invented.make_demo(place, now=_now(), progress=count)
    click.echo(f"The demo's log is in {place}.", err=True)
    if not no_serve:
        _serve(place, port, no_browser)


@main.command()
@FOLDER
@PORT
@NO_BROWSER
@click.option(
    "--address",
    default="127.0.0.1",
    show_default=True,
    help="Listen here; others than this machine's own need accounts.",
)
@click.option("--this-port", is_flag=True, help="Take no other port where that one is in use.")
@click.option("--public-address", help="Where others reach it, https://pools.example: kept, for links and tags.")
def serve(
    folder: Path | None, port: int, no_browser: bool, address: str, this_port: bool, public_address: str | None
) -> None:
    """Open the dashboard on this machine.

    For other machines add accounts first (turnblue account), and put it behind HTTPS: app/hosting/README.md.

    Example: turnblue serve --port 8600
    """
    from app import actions, people

    with actions.open_log(folder) as log:
        place, has_accounts = log.folder, people.has_accounts(log)
        if public_address is not None:
            actions.save_company(log, replace(actions.company(log), public_address=public_address), at=_now())
    _serve(place, port, no_browser, address=address, this_port=this_port, has_accounts=has_accounts)


def _amount_of(text: str | None) -> tuple[float, str]:
    """Return litres or kilograms of an amount as typed, 1 of nothing where none was."""
    from app.treatment.units import read_amount

    if text is None:
        return 1.0, ""
    try:
        return read_amount(text)
    except ValueError as error:
        raise click.UsageError(f"{text!r} is no amount; write it as 1gal, 5L or 50lb.") from error


def _volume(volume_l: float | None, *, shape: str | None, **sides: float | None) -> float:
    """Return the volume given, or that of the shape given; both or neither is wrong usage."""
    from app.treatment.volume import Shape, pool_volume_l

    if (volume_l is None) == (shape is None):
        raise click.UsageError("Give the pool's --volume, or its --shape with sides and depths.")
    if volume_l is not None:
        return volume_l
    second = {"kidney": ("width2",), "l_shape": ("length2", "width2")}.get(str(shape), ())
    wanted = ("length", *(() if shape == "round" else ("width",)), *second, "shallow")
    if any(sides[name] is None for name in wanted):
        named = " ".join(f"--{name}" for name in wanted)
        raise click.UsageError(
            f"The shape {str(shape).replace('_', ' ')} needs {named}; --deep where the floor slopes."
        )
    try:
        return pool_volume_l(
            Shape(str(shape)),
            length_m=sides["length"] or 0.0,
            width_m=sides["width"],
            second_length_m=sides["length2"],
            second_width_m=sides["width2"],
            shallow_m=sides["shallow"] or 0.0,
            deep_m=sides["deep"],
        )
    except ValueError as error:
        raise click.UsageError(
            "The sides do not make this shape: a stadium is at least as long as it is wide."
        ) from error


def _change(chemical: Chemical, raise_by: float | None, lower_by: float | None) -> float | None:
    """Return the change asked for; one in the direction that the chemical does not go is wrong usage."""
    from app.treatment.products import PRODUCTS

    product = PRODUCTS[chemical]
    changed = product.changes.replace("_", " ")
    if product.changes and product.direction > 0 and lower_by is not None:
        raise click.UsageError(f"{product.name.capitalize()} raises {changed}: use --raise.")
    if product.changes and product.direction < 0 and raise_by is not None:
        raise click.UsageError(f"{product.name.capitalize()} lowers {changed}: use --lower.")
    return raise_by if lower_by is None else lower_by


def _serve(folder: Path, port: int, no_browser: bool, **more: Any) -> None:
    """Run the dashboard until it is interrupted."""
    from app.serve import serve as run_dashboard

    run_dashboard(folder, port=port, open_browser=not no_browser, say=click.echo, **more)


def _refuse_same_names(photos: Iterable[Path], *folders: Path | None) -> None:
    """Refuse photos whose pictures would overwrite each other."""
    stems = [path.stem.casefold() for path in photos]
    if any(folders) and len(set(stems)) < len(stems):
        twice = next(stem for stem in stems if stems.count(stem) > 1)
        raise click.UsageError(f"Two photos are called {twice}: their pictures would overwrite each other.")


def _list_unread(outcomes: Iterable[Outcome]) -> int:
    """List the photos that could not be read, and return the exit code."""
    unread = [outcome for outcome in outcomes if outcome.result is None]
    if unread:
        click.echo(f"{len(unread)} could not be read:", err=True)
    for outcome in unread:
        click.echo(f"  {outcome.job.path}: {outcome.sentence}", err=True)
    return 1 if unread else 0


def _printed(each_of: Iterable[T], line: Callable[[T], str]) -> Iterator[T]:
    """Print each as it comes, and give it on."""
    for each in each_of:
        click.echo(line(each))
        yield each


def _progress_bar(steps: Iterable[T], total: int) -> Iterator[T]:
    """Give the steps on, with a bar on standard error where that is a terminal."""
    with counting_bar() as count:
        for done, step in enumerate(steps, start=1):
            count(done, total)
            yield step
