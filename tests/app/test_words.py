"""What is said in each language: every message translated, its places kept, numbers and days as they are written."""

import re
from datetime import date

import pytest
from messages_in_code import messages

from app.words import LANGUAGES, Speech, read_catalogue, translate

OTHERS = [each for each in LANGUAGES if each != "en"]


def places(text):
    return sorted(re.findall(r"\{(\w+)\}", text))


def test_the_code_has_messages():
    # A search that finds nothing would let every other test here pass.
    assert len(messages()) > 100
    assert ("Chlorine added once", "Chlorine added {count} times") in messages()


@pytest.mark.parametrize("language", OTHERS)
def test_every_message_is_translated(language):
    catalogue = read_catalogue(language)
    missing = []
    for message, path in messages().items():
        one = message if isinstance(message, str) else message[0]
        said = catalogue[one].string if one in catalogue else ""
        if not said or (not isinstance(message, str) and not all(said)):
            missing.append((path, message))
        elif catalogue[one].fuzzy:
            missing.append((path, message, "fuzzy"))
    assert missing == []


@pytest.mark.parametrize("language", OTHERS)
def test_every_translation_keeps_its_places(language):
    wrong = []
    for message in read_catalogue(language):
        if not message.id:
            continue
        both = [message.id, message.string] if isinstance(message.id, str) else [message.id[1], message.string[1]]
        if places(both[0]) != places(both[1]):
            wrong.append(both)
    assert wrong == []


@pytest.mark.parametrize("language", OTHERS)
def test_no_translation_is_left_over(language):
    known = {each if isinstance(each, str) else each[0] for each in messages()}
    ids = [each.id if isinstance(each.id, str) else each.id[0] for each in read_catalogue(language) if each.id]
    assert [each for each in ids if each not in known] == []


def test_a_message_is_said_and_filled_in():
    assert translate("en")("Next visit: {day}", day="Wed") == "Next visit: Wed"
    assert translate("es")("Next visit: {day}", day="mié") == "Próxima visita: mié"


@pytest.mark.parametrize(("count", "said"), [(1, "Cloro agregado una vez"), (3, "Cloro agregado 3 veces")])
def test_counts_take_their_form(count, said):
    assert translate("es").several("Chlorine added once", "Chlorine added {count} times", count) == said


@pytest.mark.parametrize(
    ("language", "units", "day", "number", "listed"),
    [
        ("en", "us", "Wed, Jun 3", "1,234.5", "a, b, and c"),
        ("en", "metric", "Wed 3 Jun", "1,234.5", "a, b and c"),
        ("es", "us", "mié, 3 de jun", "1,234.5", "a, b y c"),
        ("es", "metric", "mié, 3 jun", "1.234,5", "a, b y c"),
    ],
)
def test_days_numbers_and_lists_are_written_as_each_place_does(language, units, day, number, listed):
    # As CLDR has them (Babel 2.17 and later); a newer CLDR may write a day otherwise.
    _ = translate(language, units)
    assert _.day(date(2026, 6, 3)) == day
    assert _.number(1234.5, 1) == number
    assert _.listed(["a", "b", "c"]) == listed


def test_an_unknown_language_is_named():
    with pytest.raises(ValueError, match="language must be one of"):
        translate("xx")
    assert isinstance(translate("es"), Speech)
