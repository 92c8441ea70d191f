"""What a photo rests on, for a dispute: its own sha256, when it was taken and arrived, what measured it.

In: what the log keeps of one photo. Out: `Exhibit`, names and values as finished text. Pure. The position a phone
wrote into the photo is neither read nor said.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, tzinfo
from typing import Any

from app.words import Speech


@dataclass(frozen=True)
class PhotoKept:
    """One photo as the log keeps it, with the measurement that speaks for it.

    `taken_at` is the text the phone wrote into the file, None where it wrote none; `result` is the measurement as
    `turnblue score` prints it, None where there is none.
    """

    sha256: str
    original_name: str
    size_bytes: int
    taken_at: str | None
    received_at: datetime
    visit_at: datetime
    measurement_id: str
    measured_at: datetime | None
    result: Mapping[str, Any] | None


@dataclass(frozen=True)
class Exhibit:
    """One photo's page: which picture, and names and values below it."""

    sha256: str
    title: str
    facts: tuple[tuple[str, str], ...]


def evidence_title(_: Speech) -> str:
    """Return the heading of the evidence pages."""
    return _("Evidence")


def evidence_says(_: Speech) -> tuple[str, ...]:
    """Return what the evidence pages are and how they are checked."""
    return (
        _(
            "Each picture below is a smaller copy as taken, without position data. The original files are kept "
            "unaltered; the sha256 of a file changes when any part of it does."
        ),
        _("To check one, work out the sha256 of the original file and compare it with the one printed here."),
    )


def exhibit(photo: PhotoKept, *, zone: tzinfo, _: Speech) -> Exhibit:
    """Return one photo's evidence in words."""
    result = photo.result or {}
    card, versions = result.get("card"), result.get("versions") or {}
    facts = [
        (_("Original file"), photo.original_name),
        (_("Size"), f"{_.number(photo.size_bytes)} B"),
        ("sha256", photo.sha256),
        (_("Taken (as the phone wrote it)"), photo.taken_at or _("not written in the file")),
        (_("Received"), _.moment(photo.received_at.astimezone(zone))),
        (_("Visit"), _.moment(photo.visit_at.astimezone(zone))),
        (
            _("Measured"),
            _("not measured") if photo.measured_at is None else _.moment(photo.measured_at.astimezone(zone)),
        ),
        (_("Measurement"), photo.measurement_id or _("none")),
        (_("Card"), _card_say(card, _)),
        (_("Program"), f"turnblue {versions.get('turnblue', '?')}"),
        (_("Model"), str(versions.get("grader", "?"))),
        (_("Can be used"), _("Yes") if result.get("usable") else _("No")),
    ]
    problems = [str(each["code"]) for each in result.get("problems", ())]
    if problems:
        facts.append((_("Doubts"), ", ".join(problems)))
    title = _("Photo of {day}", day=_.day(photo.visit_at.astimezone(zone)))
    return Exhibit(photo.sha256, title, tuple(facts))


def _card_say(card: Mapping[str, Any] | None, _: Speech) -> str:
    """Return which card was in the photo and how well its colours were met."""
    if card is None:
        return _("none found")
    number = "" if card.get("card_id") is None else f" {card['card_id']:03d}"
    median = card["held_out_delta_e00"]["median"]
    met = "" if median is None else _("; colours met to {error} CIEDE2000", error=_.number(median, 1))
    return f"{card['kind']}{number}{met}"
