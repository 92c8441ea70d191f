"""What is said to customers and techs in their own language: gettext catalogues, read through Babel.

In: a language and a system of units. Out: `Speech`, which says a message, a number, a day. The messages in the code
are English; each other language has one catalogue, `app/locale/<language>/LC_MESSAGES/turnblue.po`, read as it is, so
that there is no compiled file to fall behind it. `_("...")` says a message, `_.several("...", "...", count)` one that
counts, and `mark("...")` names a message that stands in a table and is said later.

Rooms that know no language (the plan, the doses) say English by `said("... {amount} ...", amount=...)`: a text that
remembers its message and values, so that `_(text)` says it again in another language where it is shown. Tests collect
every message from the code and from the tables of rules, cautions and flags.
"""

from __future__ import annotations

import functools
import gettext
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Any

LANGUAGES: Mapping[str, str] = {"en": "English", "es": "Español"}
"""The languages spoken, each by its own name."""

CATALOGUES = Path(__file__).with_name("locale")
"""Where the catalogues lie."""

_PLACES: Mapping[tuple[str, str], str] = {
    ("en", "us"): "en_US",
    ("en", "metric"): "en_GB",
    ("es", "us"): "es_US",
    ("es", "metric"): "es",
}
"""How numbers and days are written, as CLDR names it: who measures in feet writes 1.5, in Spanish too."""


def mark(message: str) -> str:
    """Return `message` itself: it is said later, and its place in the catalogues is claimed here."""
    return message


class Said(str):
    """An English text that remembers the message it was made from and the values filled in.

    Examples
    --------
    >>> said("Next visit: {day}", day="Wed").message
    'Next visit: {day}'
    """

    message: str
    many: str
    values: Mapping[str, object]


def said(message: str, **values: object) -> Said:
    """Return a message in English, ready to be said in another language; a value may be such a text itself."""
    text = Said(message.format(**values) if values else message)
    text.message, text.many, text.values = message, "", values
    return text


def said_several(one: str, many: str, count: int, **values: object) -> Said:
    """Return a message that counts, in English, ready to be said in another language; `{count}` is filled in."""
    text = Said((one if count == 1 else many).format(count=count, **values))
    text.message, text.many, text.values = one, many, {"count": count, **values}
    return text


def said_list(parts: Sequence[str], *, joint: str = ", ") -> Said:
    """Return parts one after the other, each to be said by itself."""
    names = {f"part{number}": part for number, part in enumerate(parts)}
    text = Said(joint.join(parts))
    text.message, text.many, text.values = joint.join(f"{{{name}}}" for name in names), "", names
    return text


@dataclass(frozen=True)
class Speech:
    """One language with its way of writing numbers and days; called with a message, it says it."""

    language: str
    place: str

    def __call__(self, message: str, **values: object) -> str:
        """Say a message, `{names}` in it filled in.

        Examples
        --------
        >>> translate("es")("Yes")
        'Sí'
        """
        if isinstance(message, Said):
            return self._again(message)
        told = _catalogue(self.language).gettext(message) if message else message
        return told.format(**values) if values else told

    def _again(self, text: Said) -> str:
        """Say a text that was made in English."""
        values = {name: self(each) if isinstance(each, str) else each for name, each in text.values.items()}
        if text.many:
            count = values["count"]
            told = _catalogue(self.language).ngettext(text.message, text.many, count if isinstance(count, int) else 2)
        else:
            told = _catalogue(self.language).gettext(text.message) if text.message else ""
        return told.format(**values) if values else told

    def knows(self, message: str) -> bool:
        """Return whether a message can be said in this language; English knows all."""
        if self.language == "en":
            return True
        message = message.message if isinstance(message, Said) else message
        return _catalogue(self.language).gettext(message) != message

    def several(self, one: str, many: str, count: int, **values: object) -> str:
        """Say a message that counts; `{count}` is filled in as well."""
        return _catalogue(self.language).ngettext(one, many, count).format(count=count, **values)

    def number(self, value: float, digits: int = 0) -> str:
        """Write a number with so many digits after the point, trailing noughts left off.

        Examples
        --------
        >>> translate("es", "metric").number(1.25, 1), translate("es").number(1234.0)
        ('1,2', '1,234')
        """
        from babel.numbers import format_decimal

        pattern = "#,##0" + ("." + "#" * digits if digits else "")
        return str(format_decimal(value, format=pattern, locale=self.place))

    def figures(self, text: str) -> str:
        """Write the numbers of a text made for English (1,234.5) as this language's place does.

        Examples
        --------
        >>> translate("es", "metric").figures("30.3 L"), translate("es").figures("8.5 gal")
        ('30,3 L', '8.5 gal')
        """
        from babel.numbers import get_decimal_symbol

        return text.translate({ord("."): ",", ord(","): "."}) if get_decimal_symbol(self.place) == "," else text

    def day(self, day: date | datetime, *, long: bool = False) -> str:
        """Write a day: Wed, Jun 3; or long: Wednesday, June 3, 2026.

        Examples
        --------
        >>> translate("en").day(date(2026, 6, 3)), translate("es").day(date(2026, 6, 3))
        ('Wed, Jun 3', 'mié, 3 de jun')
        """
        from babel.dates import format_date, format_skeleton

        if long:
            return str(format_date(day, format="full", locale=self.place))
        at = day if isinstance(day, datetime) else datetime(day.year, day.month, day.day)
        return str(format_skeleton("MMMEd", at, locale=self.place))

    def short_day(self, day: date | datetime) -> str:
        """Write a day on a chart's axis: Jun 3."""
        from babel.dates import format_skeleton

        at = day if isinstance(day, datetime) else datetime(day.year, day.month, day.day)
        return str(format_skeleton("MMMd", at, locale=self.place))

    def moment(self, at: datetime) -> str:
        """Write a moment to the second with its offset from UTC, the same in every language: for evidence."""
        return at.isoformat(sep=" ", timespec="seconds")

    def listed(self, parts: list[str]) -> str:
        """Write a list in one sentence: a, b and c."""
        from babel.lists import format_list

        return str(format_list(parts, locale=self.place)) if parts else ""


def language_of(own: str, company: str) -> str:
    """Return the language that a person reads: their own where they chose one, else the company's; else English."""
    asked = own or company
    return asked if asked in LANGUAGES else "en"


def translate(language: str, units: str = "us") -> Speech:
    """Return how one speaks in a language, with numbers and days as who uses those units writes them.

    Raises
    ------
    ValueError
        If the language or the units are not known.
    """
    if (language, units) not in _PLACES:
        raise ValueError(
            f"language must be one of {sorted(LANGUAGES)} and units us or metric, got {language!r}, {units!r}"
        )
    return Speech(language, _PLACES[language, units])


@functools.cache
def _catalogue(language: str) -> gettext.NullTranslations:
    """Return a language's catalogue, read once; English needs none."""
    if language == "en":
        return gettext.NullTranslations()
    from babel.messages.mofile import write_mo

    compiled = io.BytesIO()
    write_mo(compiled, read_catalogue(language))
    compiled.seek(0)
    return gettext.GNUTranslations(compiled)


def read_catalogue(language: str) -> Any:
    """Return a language's catalogue as Babel reads it (`babel.messages.Catalog`)."""
    from babel.messages.pofile import read_po

    with (CATALOGUES / language / "LC_MESSAGES" / "turnblue.po").open("rb") as file:
        return read_po(file, locale=language)
