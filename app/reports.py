"""Reports for customers, the logo on them, and everything recorded as a file.

In: an open `Log`, the time, the pool's time zone, a language. Out: files as bytes or text. Everything a customer sees
goes through `app.report.content`, which leaves out what is not theirs; links to it are given out by `app.links`.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime, tzinfo
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from app import actions
from app.access import Right, needs
from app.crew import TaskFailed, shared_crew
from app.errors import NotInLog, TurnblueError
from app.records import Recovery
from app.report.content import Report, write_content
from app.report.evidence import Exhibit, PhotoKept, exhibit
from app.store import reports as kept
from app.store.log import Log
from app.store.rows import from_json
from app.words import LANGUAGES, said, translate
from app.workers import DrawLogo
from vision.errors import VisionError
from vision.results import to_json

__all__ = [
    "FORMS",
    "Made",
    "company_logo",
    "export_everything",
    "export_recovery",
    "remake_report",
    "reports_of",
    "save_logo",
    "write_report",
]

FORMS = ("pdf", "png")
"""The files a report is made as."""

PICTURE_PX, THUMBNAIL_PX, EVIDENCE_PX = 1000, 320, 900
"""Width of pictures in a report, of a visit's small one, and of an evidence page's [px] (our choice)."""

LOGO_PX = (900, 300)
"""Largest logo kept [px]: sharp on a page, small in a message (our choice)."""

LOGO_MB = 10.0
"""Largest logo file taken [MB] (our choice)."""


class CannotReport(TurnblueError):
    """The report asked for cannot be made."""

    code = "cannot_report"


@dataclass(frozen=True)
class Made:
    """A report as written: its id in the log, a name for the file, and the file's bytes."""

    id: str
    file_name: str
    content: bytes


def zone_of(name: str) -> tzinfo:
    """Return the time zone of that name, UTC where it is not known."""
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        return UTC


@needs(Right.REPORT)
def write_report(
    log: Log,
    recovery_id: str,
    *,
    form: str,
    now: datetime,
    zone: str = "UTC",
    language: str | None = None,
    evidence: bool = False,
    by: str = "",
) -> Made:
    """Make a customer's report and keep what it said.

    Parameters
    ----------
    form : str
        "pdf" or "png".
    now : datetime
        When it is made; aware.
    zone : str
        Name of the time zone in which days are counted.
    language : str, optional
        A key of `app.words.LANGUAGES`; the company's own by default.
    evidence : bool
        Add evidence pages to the PDF: every photo as taken, its sha256, times, card and versions.
    by : str
        Who makes it.

    Raises
    ------
    CannotReport
        If the form or language is unknown, or evidence is asked for in a picture.
    NotInLog
        If there is no such recovery.
    """
    if form not in FORMS:
        raise CannotReport(f"A report is made as {' or '.join(FORMS)}, not as {form!r}.", "Choose one of them.")
    if evidence and form != "pdf":
        raise CannotReport("Evidence pages are made as a PDF only.", "Choose pdf.")
    report = content_of(log, recovery_id, now, zone, language)
    exhibits = _exhibits(log, recovery_id, zone, report.language) if evidence else ()
    content = _made(log, report, form, exhibits, actions.company(log).units)
    said = {"report": asdict(report), "exhibits": [asdict(each) for each in exhibits]}
    said["units"], said["logo_sha256"] = actions.company(log).units, actions.company(log).logo_sha256
    report_id = kept.append_report(
        log, recovery_id, form=form, content=said, measurement_ids=report.measurement_ids, at=now, who=by
    )
    return Made(report_id, _file_name(report.pool, now.astimezone(zone_of(zone)), form), content)


@needs(Right.REPORT)
def remake_report(log: Log, report_id: str) -> Made:
    """Make a report again as it was, whatever was corrected in the log since.

    Raises
    ------
    NotInLog
        If there is no such report.
    """
    row = kept.report_row(log, report_id)
    said = json.loads(row["content"])
    report = from_json(Report, said["report"])
    exhibits = tuple(from_json(Exhibit, each) for each in said["exhibits"])
    content = _made(log, report, row["form"], exhibits, said["units"], said["logo_sha256"])
    return Made(report_id, _file_name(report.pool, datetime.fromisoformat(row["made_at"]), row["form"]), content)


@needs(Right.REPORT)
def reports_of(log: Log, recovery_id: str) -> list[Any]:
    """Return a recovery's reports, newest first: id, made_at, made_by, form, measurement_ids (JSON)."""
    return list(kept.reports_of(log, recovery_id))


@needs(Right.REPORT)
def export_recovery(log: Log, recovery_id: str, *, form: str) -> str:
    """Return everything recorded of a recovery as text: "csv" for spreadsheets, "json" for machines."""
    return _exported(log, log.recovery(recovery_id), form)


@needs(Right.ARCHIVE)
def export_everything(log: Log, *, form: str) -> Iterator[str]:
    """Give everything recorded of all pools as text, piece by piece, so that a large log does not fill the memory.

    Parameters
    ----------
    form : str
        "csv": one table. "json": one recovery a line.

    Raises
    ------
    CannotReport
        If the form is neither.
    """
    return _pieces(log, _checked_form(form))


@needs(Right.COMPANY)
def save_logo(log: Log, content: bytes | None, *, at: datetime, by: str = "") -> None:
    """Keep the company's logo, redrawn as a PNG without anything the file carried along; None takes it away.

    Raises
    ------
    CannotReport
        If the file is no picture, or too large.
    """
    sha256 = "" if content is None else kept.keep_logo(log, _as_logo(content))
    log.save_company(replace(actions.company(log), logo_sha256=sha256), at=at, who=by)


@needs(Right.ANYONE)
def company_logo(log: Log) -> bytes | None:
    """Return the company's logo as PNG, None without one."""
    return _logo(log, actions.company(log).logo_sha256)


def _checked_form(form: str) -> str:
    """Return a form of data, or say which there are."""
    if form not in ("csv", "json"):
        raise CannotReport(f"Data are written as csv or json, not as {form!r}.", "Name the file .csv or .json.")
    return form


def _pieces(log: Log, form: str) -> Iterator[str]:
    """Give every recovery's data, one after the other, by pool."""
    first = True
    for pool in log.pools():
        for recovery in reversed(log.recoveries_of(pool.id)):
            piece = _exported(log, recovery, form)
            # One header for all; every recovery's own is cut off.
            yield piece if first or form == "json" else piece.partition("\r\n")[2]
            first = False


def _exported(log: Log, recovery: Recovery, form: str) -> str:
    """Return a recovery as CSV, or as one line of JSON."""
    from app.report.table import recovery_csv, recovery_json

    prices = log.price_list()
    if _checked_form(form) == "csv":
        return recovery_csv(recovery, prices)
    measurements = [
        to_json({**asdict(row), "measured_at": row.measured_at.isoformat()})
        for visit in recovery.visits
        for sha256 in visit.photo_sha256s
        for row in actions.measurements_of(log, sha256)
    ]
    return json.dumps(recovery_json(recovery, measurements, prices), ensure_ascii=False, allow_nan=False) + "\n"


def content_of(log: Log, recovery_id: str, now: datetime, zone: str, language: str | None) -> Report:
    """Return what a report of a recovery says now."""
    return write_content(
        log.recovery(recovery_id),
        actions.progress(log, recovery_id, now=now),
        actions.next_step(log, recovery_id, now=now),
        actions.company(log),
        now=now,
        zone=zone_of(zone),
        language=language_of(log, language),
    )


def language_of(log: Log, asked: str | None) -> str:
    """Return the language asked for, else the company's."""
    language = asked or actions.company(log).language
    if language not in LANGUAGES:
        raise CannotReport(
            f"Reports are written in {' or '.join(LANGUAGES)}, not in {language!r}.", "Choose one of them."
        )
    return language


def _made(
    log: Log,
    report: Report,
    form: str,
    exhibits: tuple[Exhibit, ...],
    units: str,
    logo_sha256: str | None = None,
) -> bytes:
    """Return a report's file."""
    from app.report.pages import make_pdf, make_png

    pictures = pictures_of(log, report, small=form == "pdf")
    logo = _logo(log, actions.company(log).logo_sha256 if logo_sha256 is None else logo_sha256)
    if form == "png":
        return make_png(report, pictures, logo=logo)
    originals = {}
    for each in exhibits:
        try:
            originals[f"original-{each.sha256}"] = actions.plain_picture(log, each.sha256, width_px=EVIDENCE_PX)
        except (TurnblueError, VisionError):
            continue
    return make_pdf(report, {**pictures, **originals}, logo=logo, exhibits=exhibits, units=units)


def pictures_of(log: Log, report: Report, *, small: bool) -> dict[str, bytes]:
    """Return the pictures a report shows; one that cannot be shown is left out.

    They are named "before" and "now", and with `small` each visit's by its sha256.
    """
    places = {"before": report.before, "now": report.now}
    found = {name: _picture(log, each.sha256, PICTURE_PX) for name, each in places.items() if each is not None}
    if small:
        found |= {each.sha256: _picture(log, each.sha256, THUMBNAIL_PX) for each in report.visits if each.sha256}
    return {name: content for name, content in found.items() if content is not None}


def _picture(log: Log, sha256: str, width_px: int) -> bytes | None:
    """Return a photo in the card's colours as JPEG without EXIF, None where it cannot be."""
    try:
        return actions.normalised_picture(log, sha256, width_px=width_px)
    except (TurnblueError, VisionError):
        return None


def _exhibits(log: Log, recovery_id: str, zone: str, language: str) -> tuple[Exhibit, ...]:
    """Return every photo of a recovery as evidence, oldest first."""
    _ = translate(language, actions.company(log).units)
    found = []
    for visit in log.recovery(recovery_id).visits:
        for sha256 in visit.photo_sha256s:
            row = log.photo(sha256)
            if row is None:
                raise NotInLog(f"There is no photo {sha256[:12]} in the log.", "Restore it from a backup.")
            newest = next(iter(actions.measurements_of(log, sha256)), None)
            photo = PhotoKept(
                sha256=sha256,
                original_name=row["original_name"],
                size_bytes=row["size_bytes"],
                taken_at=row["taken_at"],
                received_at=datetime.fromisoformat(row["received_at"]),
                visit_at=visit.at,
                measurement_id=newest.id if newest else "",
                measured_at=newest.measured_at if newest else None,
                result=newest.result if newest else None,
            )
            found.append(exhibit(photo, zone=zone_of(zone), _=_))
    return tuple(found)


def _logo(log: Log, sha256: str) -> bytes | None:
    return kept.logo(log, sha256) if sha256 else None


def _as_logo(content: bytes) -> bytes:
    """Return a picture as a small PNG of pixels alone; a worker decodes it, as every foreign file."""
    if len(content) > LOGO_MB * 1e6:
        raise CannotReport(said("The logo is larger than {size} MB.", size=f"{LOGO_MB:.0f}"), "Choose a smaller file.")
    try:
        drawn = shared_crew().run(DrawLogo(content, LOGO_PX))
    except TaskFailed as failed:
        raise CannotReport("The logo is no picture that can be read.", "Choose a PNG or JPEG file.") from failed
    if drawn is None:
        raise CannotReport("The logo is no picture that can be read.", "Choose a PNG or JPEG file.")
    return drawn


def _file_name(pool: str, at: datetime, form: str) -> str:
    """Return a file name of plain letters: Mill-Race-7-2026-06-03.pdf."""
    plain = "".join(each if each.isascii() and each.isalnum() else " " for each in pool)
    return f"{'-'.join(plain.split()) or 'report'}-{at:%Y-%m-%d}.{form}"
