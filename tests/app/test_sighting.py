"""A person's own sighting and the disc's depth: into the log, out again, weighed in with the photo."""

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from click.testing import CliRunner
from fake_measuring import FakeMeasurer, FakeVersioned

from app import actions
from app.actions import PhotoIn
from app.cli import main
from app.errors import SightingWrong
from app.records import FilterKind, Pool, Sighted
from vision.results import Clarity

NOW = datetime(2026, 6, 3, 16, 0, tzinfo=UTC)
FAKE = FakeMeasurer()


@pytest.fixture
def log(tmp_path):
    with actions.open_log(tmp_path / "home") as opened:
        pool = actions.add_pool(opened, Pool("", "Cedar Lane 12", 50_000.0, FilterKind.SAND), at=NOW)
        actions.open_recovery(opened, pool.id, at=NOW)
        yield opened


def make_visit(log, sighted=None, *, said=b"good hazy light 0.9", days=0, measure=FAKE):
    recovery = actions.open_recoveries(log)[0]
    photos = [PhotoIn(f"IMG_{days}.jpg", said + b" %d" % days)]
    at = NOW + timedelta(days=days)
    return actions.log_visit(log, recovery.id, at=at, by="Robin", photos=photos, sighted=sighted, measure=measure).visit


def disc_asked(log, visit):
    """Return what each measurement of the visit's photo was told of the disc, newest first."""
    rows = log.measurements_of(visit.photo_sha256s[0])
    return [json.loads(row["inputs"] or "{}").get("disc") for row in rows]


def test_a_sighting_comes_out_of_the_log_as_it_went_in(log):
    noted = Sighted(disc_depth_m=0.6, disc_lost=True, seen_at_m=0.5, not_seen_at_m=0.9)
    visit = make_visit(log, noted)
    assert visit.sighted == noted
    changed = actions.update_visit(log, replace(visit, sighted=Sighted()), at=NOW, by="Robin", measure=FAKE)
    assert changed.sighted == Sighted()
    # Noted once and taken back once.
    assert len(log.history_of("sighted", visit.id)) == 2


def test_a_visit_without_one_leaves_no_row(log):
    assert log.history_of("sighted", make_visit(log).id) == []


def test_what_was_seen_moves_the_grade(log):
    plain = make_visit(log)
    # The photo says 1.5 to 1.7 m; the tech sees a floor 2.4 m down, so it is more than that.
    seen = make_visit(log, Sighted(seen_at_m=2.4), days=1)
    assert (plain.assessment.sighted, seen.assessment.sighted) == (False, True)
    assert seen.assessment.visible_depth_m.mid > plain.assessment.visible_depth_m.mid
    agrees = make_visit(log, Sighted(seen_at_m=1.2, not_seen_at_m=2.4), days=2).assessment
    assert agrees.clarity is Clarity.HAZY
    # The photo by itself puts a tenth below the class, and what was seen at 1.2 m takes little of it.
    assert agrees.clarity_probability > 0.85


def test_an_unusable_photo_is_not_made_usable(log):
    visit = make_visit(log, Sighted(seen_at_m=2.0), said=b"flagged no_card")
    assert not visit.assessment.usable
    assert not visit.assessment.sighted


def test_the_photos_are_measured_with_the_disc(log):
    visit = make_visit(log, Sighted(disc_depth_m=0.6), measure=FakeVersioned())
    assert disc_asked(log, visit) == [{"depth_m": 0.6, "lost": False}]
    changed = replace(visit, sighted=Sighted(disc_depth_m=0.75, disc_lost=True))
    actions.update_visit(log, changed, at=NOW, by="Robin", measure=FakeVersioned())
    assert disc_asked(log, visit)[0] == {"depth_m": 0.75, "lost": True}
    # Nothing changed of the disc: nothing is measured again.
    actions.update_visit(log, replace(changed, note="windy"), at=NOW, by="Robin", measure=FakeVersioned())
    assert len(disc_asked(log, visit)) == 2


@pytest.mark.parametrize(
    ("sighted", "said"),
    [
        (Sighted(seen_at_m=1.2, not_seen_at_m=0.6), "lies deeper than what is not seen"),
        (Sighted(disc_depth_m=0.0), "between 0 and 10 m"),
        (Sighted(disc_depth_m=60.0), "between 0 and 10 m"),
    ],
    ids=["crossed", "no depth", "slipped digit"],
)
def test_what_cannot_be_is_said_and_nothing_is_saved(log, sighted, said):
    with pytest.raises(SightingWrong, match=said):
        make_visit(log, sighted)
    assert actions.open_recoveries(log)[0].visits == ()


def test_the_next_step_says_whose_eyes_and_what_changed(log):
    make_visit(log, said=b"good opaque heavy 0.9")
    make_visit(log, Sighted(seen_at_m=1.2), days=2)
    recovery = actions.open_recoveries(log)[0]
    why = " ".join(each.say for each in actions.next_step(log, recovery.id, now=NOW + timedelta(days=2)).why)
    assert "Something seen at 3.9 ft. Weighed in with the photo." in why
    assert "the algae are fewer" in why
    assert "the algae are fewer" in actions.last_change(log, recovery.id).say


def test_one_visit_is_no_change(log):
    make_visit(log)
    assert actions.last_change(log, actions.open_recoveries(log)[0].id) is None


def test_a_lost_disc_needs_its_depth(tmp_path):
    ran = CliRunner().invoke(main, ["score", str(tmp_path / "a.jpg"), "--disc-lost"])
    assert ran.exit_code == 2
    assert "--disc-depth" in ran.output
