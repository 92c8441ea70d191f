"""`turnblue intake`: photos taken without signal, sorted into visits, asked about and confirmed.

In: what the user typed. Out: the sorting, and what was saved, on standard output; messages on standard error.
"""

from __future__ import annotations

from datetime import tzinfo
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import click

from app.commands.options import FOLDER, JSON, counting_bar, present, zone_name

if TYPE_CHECKING:
    from app.actions import Log
    from app.intake import Kept, Waiting


@click.command()
@click.argument("source", required=False, type=click.Path(path_type=Path), metavar="[FOLDER|ZIP]")
@click.option("--answer", "answers", multiple=True, metavar="PHOTO=POOL", help="Say a photo's pool; repeatable.")
@click.option("--leave-out", multiple=True, metavar="PHOTO", help="Leave a photo out of all visits; repeatable.")
@click.option("--confirm", is_flag=True, help="Save what is sorted as visits; what is asked waits.")
@click.option("--start", multiple=True, metavar="POOL", help="With --confirm: start this pool's recovery; repeatable.")
@click.option("--strip", default="", metavar="KIND", help="Strips of this kind: each visit's last photo shows one.")
@click.option("--by", default="", help="Who took the photos.")
@FOLDER
@JSON
@click.pass_context
def intake(
    ctx: click.Context,
    source: Path | None,
    answers: tuple[str, ...],
    leave_out: tuple[str, ...],
    confirm: bool,
    start: tuple[str, ...],
    strip: str,
    by: str,
    folder: Path | None,
    as_json: bool,
) -> None:
    """Take in photos of a folder or zip and sort them into visits by tag, time and position.

    Nothing becomes a visit before --confirm. Without FOLDER or ZIP it tells of the photos that wait.

    Example: turnblue intake photos.zip --confirm --by Robin
    """
    from app import actions
    from app import intake as cases

    zone, refused = ZoneInfo(zone_name()), 0
    with actions.open_log(folder) as log:
        if source is not None:
            refused = _take(log, source, by)
        _answer(log, answers, leave_out, zone)
        done: tuple[Kept, ...] = ()
        if confirm:
            kind = cases.strips.find_kind(log, strip).id if strip else ""
            pools = [actions.find_pool(log, each).id for each in start]
            with counting_bar("visit") as bar:
                done = cases.confirm(log, at=present(), by=by, zone=zone, start=pools, strip_kind_id=kind, progress=bar)
        found = cases.waiting(log, zone=zone)
    if as_json:
        click.echo(_as_json(done, found))
    else:
        click.echo(_as_text(done, found))
    ctx.exit(1 if refused or any(each.visit is None or each.refused for each in done) else 0)


def _take(log: Log, source: Path, by: str) -> int:
    """Take photos in, say what came of them, and return how many were refused."""
    from app import intake as cases

    with counting_bar() as bar:
        taken = cases.take_in(log, cases.photos_in(source), at=present(), by=by, progress=bar)
    click.echo(f"{taken.taken} photos taken in; {taken.known} were here already.", err=True)
    for name, sentence in taken.refused:
        click.echo(f"{name}: {sentence}", err=True)
    return len(taken.refused)


def _answer(log: Log, answers: tuple[str, ...], leave_out: tuple[str, ...], zone: tzinfo) -> None:
    """Note what was said of photos by their names or the beginnings of their sha256."""
    from app import actions
    from app import intake as cases

    if not answers and not leave_out:
        return
    found = cases.waiting(log, zone=zone)
    for each in answers:
        photo, mark, pool = each.rpartition("=")
        if not mark or not photo:
            raise click.UsageError(f"{each!r} is no answer; write it as PHOTO=POOL.")
        cases.answer(log, [_sha256(found, photo)], actions.find_pool(log, pool).id)
    cases.leave_out(log, [_sha256(found, each) for each in leave_out], at=present())


def _sha256(found: Waiting, words: str) -> str:
    """Return the waiting photo meant by its name or the beginning of its sha256."""
    meant = {
        each for each, name in _names(found).items() if name == words or (len(words) > 5 and each.startswith(words))
    }
    if len(meant) != 1:
        raise click.UsageError(f"{'More than one' if meant else 'No'} waiting photo is {words!r}; give its sha256.")
    return meant.pop()


def _names(found: Waiting) -> dict[str, str]:
    """Return every waiting photo's name by its sha256."""
    sorting = found.sorting
    every = [each for visit in sorting.visits for each in (*visit.photos, *visit.tags)]
    every += [each for question in sorting.questions for each in question.photos]
    names = {each.sha256: each.name for each in (*every, *sorting.lone_tags, *sorting.left_out)}
    return names | {each.sha256: each.name for each in found.unread}


def _as_text(done: tuple[Kept, ...], found: Waiting) -> str:
    """Return what was saved and what waits, for people."""
    from app import console

    lines = []
    for each in done:
        what = "waits" if each.visit is None else f"saved as {each.visit.id}"
        lines.append(f"{each.pool.name}: {what}, {len(each.sorted_visit.photos)} photos.")
        lines += [console.paragraph(say, "  ") for say in each.said]
        lines += [console.paragraph(f"{name}: {sentence}", "  ") for name, sentence in each.refused]
    if done:
        lines.append("")
    rows = [
        [
            found.pools[each.pool_id].name,
            "not known" if each.at is None else f"{each.at:%Y-%m-%d %H:%M}",
            str(len(each.photos)),
            each.why,
            "no open recovery" if each.pool_id in found.without_recovery else "",
        ]
        for each in found.sorting.visits
    ]
    if rows:
        lines += [console.table(["pool", "time", "photos", "sorted", ""], rows), "", "Save them with: --confirm"]
    for question in found.sorting.questions:
        names = ", ".join(f"{each.name} ({each.sha256[:8]})" for each in question.photos)
        lines += ["", console.paragraph(f"Asked: {names}. {question.say}")]
        choices = ", ".join(found.pools[each].name for each in question.choices)
        lines.append(console.paragraph(f"Answer with --answer PHOTO=POOL; likely: {choices or 'none'}.", "  "))
    lines += [f"A tag that no photo followed: {each.name} ({each.sha256[:8]})." for each in found.sorting.lone_tags]
    lines += [console.paragraph(f"{each.name} ({each.sha256[:8]}): {each.unread}") for each in found.unread]
    return "\n".join(lines) or "No photo waits."


def _as_json(done: tuple[Kept, ...], found: Waiting) -> str:
    """Return what was saved and what waits, as one JSON object."""
    from app import console

    def photos(several: Any) -> list[dict[str, str]]:
        return [{"name": each.name, "sha256": each.sha256} for each in several]

    return console.json_line(
        {
            "saved": [
                {"pool_id": each.pool.id, "visit_id": each.visit and each.visit.id, "say": list(each.said)}
                for each in done
            ],
            "visits": [
                {"pool_id": each.pool_id, "at": each.at, "why": each.why, "photos": photos(each.photos)}
                for each in found.sorting.visits
            ],
            "asked": [
                {"say": each.say, "choices": list(each.choices), "photos": photos(each.photos)}
                for each in found.sorting.questions
            ],
            "lone_tags": photos(found.sorting.lone_tags),
            "unread": [{"name": each.name, "sha256": each.sha256, "say": each.unread} for each in found.unread],
        }
    )
