"""The tech's pages in Spanish: opened one by one, with nothing English left on them but data, sources and units."""

import re
from datetime import UTC, datetime, timedelta
from html import unescape

import pytest
from fake_measuring import FakeMeasurer
from on_page import open_page

from app import actions, intake, measuring, people, strips
from app.access import Role
from app.dashboard.main import PAGES
from app.records import (
    Chemical,
    Company,
    ElementState,
    Equipment,
    FilterKind,
    Method,
    Pool,
    Reading,
    Sighted,
    Treatment,
    Work,
)
from app.treatment.causes import rank_causes
from app.treatment.cautions import WORK
from app.treatment.facts import gather
from app.words import translate

ENGLISH = re.compile(
    r"\b(the|and|with|your|you|is|are|not|from|what|which|photo|water|pool|card|visit|save|choose|no card|clear|"
    r"cloudy|heavy|yes|days|hours|filter|pump|running|chlorine|measured|add|to|of|by|on|in|at|for)\b",
    re.IGNORECASE,
)
"""Words that stand in nearly every English sentence; "no" and "a" are Spanish too."""

OURS = re.compile(
    r"turnblue (card calibrate|next)|Turnblue|Wahman & Alexander|soda ash|skimmer|breaker|bypass|gal|fl oz|Robin|"
    r"Quillhaven|Olmo|PDF|English|in\b(?=[^a-z]|$)"
)
"""What stands as it is in both: names, commands, units, and what a tech in the Americas calls so."""


SOURCES = {caution.source for several in WORK.values() for caution in several}
"""Where a caution comes from is named as it is published."""


@pytest.fixture
def home(tmp_path, monkeypatch):
    """A company whose people read Spanish, a green pool with two visits, a strip kind; return the log's folder."""
    monkeypatch.setenv("TURNBLUE_HOME", str(tmp_path / "log"))
    monkeypatch.setattr(measuring, "shipped_measurer", lambda: FakeMeasurer())
    now = datetime.now(UTC)
    with actions.open_log(tmp_path / "log") as log:
        actions.save_company(log, Company("Quillhaven", team_language="es", invented=True), at=now)
        pool = actions.add_pool(
            log,
            Pool("olmo", "Olmo 3", 56_781.0, FilterKind.CARTRIDGE, clean_pressure_kpa=70.0, depth_deep_m=2.4, town="X"),
            at=now,
        )
        recovery = actions.open_recovery(log, pool.id, at=now - timedelta(days=2))
        for days, photo in ((2, b"good opaque heavy 0.9"), (1, b"good cloudy moderate 0.8")):
            actions.log_visit(
                log,
                recovery.id,
                at=now - timedelta(days=days),
                by="Robin",
                photos=[actions.PhotoIn(f"{days}.jpg", photo)],
                equipment=Equipment(True, True, True, 90.0, ElementState.GOOD, True),
                readings=[Reading("ph", 7.4, 7.2, 7.6, "", Method.DROP_COUNT)],
                treatments=[Treatment(Chemical.SODIUM_HYPOCHLORITE, 30.0, "L", 12.5)] if days == 2 else (),
                work=[Work.BRUSHED, Work.FILTER_CLEANED],
                floor_seen=False,
                debris_on_floor=True,
                sighted=Sighted(seen_at_m=0.6, not_seen_at_m=0.9),
            )
        strips.save_kind(log, strips.generic_kind(), at=now)
    return tmp_path / "log"


def texts(at):
    """Return everything a page says: text, pieces of HTML without sources and styles, labels, choices, hints."""
    found = [str(each.value) for each in [*at.markdown, *at.title, *at.subheader, *at.caption]]
    for each in at.get("html"):
        body = re.sub(r"(?s)/\S+/log\b|<style>.*?</style>|<details>.*?</details>", " ", each.proto.body)
        found += [*re.findall(r'(?:aria-label|alt)="([^"]*)"', body), re.sub(r"<[^>]+>", " | ", body)]
    for kind in ("button", "text_input", "number_input", "selectbox", "multiselect", "checkbox", "button_group",
                 "expander", "file_uploader", "download_button", "page_link", "popover"):  # fmt: skip
        for each in at.get(kind):
            proto = getattr(each, "proto", each)
            found += [str(getattr(proto, name, "")) for name in ("label", "placeholder", "help")]
            found += [str(getattr(option, "content", option)) for option in getattr(proto, "options", ())]
    return [unescape(each) for each in found if each.strip() and each.removeprefix("- ") not in SOURCES]


def english_in(at):
    """Return the English left on a page: each text with the words met."""
    left = {}
    for text in texts(at):
        met = ENGLISH.findall(OURS.sub(" ", text))
        if met:
            left[text[:160]] = met
    return left


def test_the_search_finds_english_left_over(home):
    with actions.open_log(home) as log:
        actions.save_company(log, Company("Quillhaven"), at=datetime.now(UTC))
    assert len(english_in(open_page("visit"))) > 3


@pytest.mark.parametrize("page", sorted(set(PAGES) - {"pool"}))
def test_page_is_spanish(home, page):
    with actions.open_log(home) as log:
        recovery = actions.open_recoveries(log)[0].id
    at = open_page(page, recovery=recovery) if page == "visit" else open_page(page)
    assert english_in(at) == {}


def test_pools_own_page_and_what_a_saved_visit_says_are_spanish(home):
    with actions.open_log(home) as log:
        recovery = actions.open_recoveries(log)[0]
    assert english_in(open_page("pool", recovery=recovery.id)) == {}
    at = open_page("visit", recovery=recovery.id, saved=recovery.visits[-1].id)
    assert english_in(at) == {}
    assert any("Siguiente paso" in each for each in texts(at))


def test_plan_says_every_step_in_spanish_with_its_amounts(home):
    _ = translate("es")
    with actions.open_log(home) as log:
        recovery = actions.open_recoveries(log)[0]
        step = actions.next_step(log, recovery.id, now=datetime.now(UTC))
    lines = [step.title, step.look_for, *step.cautions, *step.would_change, *(each.say for each in step.why)]
    lines += [text for each in step.do for text in (each.say, *((each.dose.arithmetic,) if each.dose else ()))]
    lines += [text for each in rank_causes(gather(recovery, datetime.now(UTC))) for text in (each.say, each.check)]
    for line in lines:
        told = _(line)
        assert told != line, line
        # Every figure of the English stands in the Spanish.
        figures = re.findall(r"\d[\d,.]*\d|\d", line)
        assert sorted(figures) == sorted(re.findall(r"\d[\d,.]*\d|\d", told)), (line, told)


def test_each_person_reads_the_language_they_chose(home):
    now = datetime.now(UTC)
    with actions.open_log(home) as log:
        people.add_account(log, "Olive", Role.OWNER, password="cedar lantern ninety gravel", at=now)
        own = people.find_account(log, "Olive")
        with log.acting_as(own.actor):
            people.choose_language(log, "en", at=now)
        assert people.find_account(log, "Olive").actor.language == "en"
        with log.acting_as(own.actor), pytest.raises(people.AccountRefused, match="does not speak"):
            people.choose_language(log, "xx", at=now)
        with pytest.raises(people.AccountRefused, match="no account here"):
            people.choose_language(log, "es", at=now)


def test_retake_is_asked_for_in_spanish(home):
    with actions.open_log(home) as log:
        recovery = actions.open_recoveries(log)[0].id
    at = open_page("visit", recovery=recovery)
    at.file_uploader[0].set_value([("a.jpg", b"flagged blurred", "image/jpeg")])
    at.run()
    said = " ".join(texts(at))
    assert "limpie el lente" in said
    assert "Foto 1 de 1: repetir" in said
    assert english_in(at) == {}
    with actions.open_log(home) as log:
        assert len(intake.drafts(log)) == 1
