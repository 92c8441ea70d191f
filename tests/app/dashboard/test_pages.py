"""Every page opened and clicked without a browser: no exception, the right words, the log as it should be."""

from datetime import UTC, datetime, timedelta
from functools import partial
from html import escape

import on_page
import pytest
from fake_measuring import FakeMeasurer
from on_page import clean, labelled, said

from app import actions, measuring
from app.dashboard import main
from app.errors import GraderMissing
from app.records import (
    Chemical,
    Company,
    ElementState,
    Equipment,
    FilterKind,
    Pool,
    Sighting,
    Standing,
    Treatment,
    Work,
)
from app.treatment.causes import cautions_of
from app.treatment.products import PRODUCTS, StrengthBasis
from app.treatment.units import say_amount

open_page = partial(on_page.open_page, within_s=30)

GREEN, MILKY, FLAGGED = b"good opaque heavy 0.9", b"good cloudy none 0.8", b"flagged card_glare"
JPEG = "image/jpeg"


@pytest.fixture
def home(tmp_path, monkeypatch):
    monkeypatch.setenv("TURNBLUE_HOME", str(tmp_path / "log"))
    monkeypatch.setattr(measuring, "shipped_measurer", lambda: FakeMeasurer())
    return tmp_path / "log"


@pytest.fixture
def oak(home):
    """One green pool with a first visit yesterday; return its recovery's id."""
    now = datetime.now(UTC)
    with actions.open_log(home) as log:
        actions.save_company(log, Company("Quillhaven Pool Care", invented=True), at=now)
        pool = actions.add_pool(
            log, Pool("oak", "Oak <b>Street</b> 12", 56_781.0, FilterKind.CARTRIDGE, clean_pressure_kpa=70.0), at=now
        )
        recovery = actions.open_recovery(log, pool.id, at=now - timedelta(days=1))
        actions.log_visit(
            log,
            recovery.id,
            at=now - timedelta(hours=20),
            by="Kit",
            photos=[actions.PhotoIn("IMG_1.jpg", GREEN)],
            treatments=[Treatment(Chemical.SODIUM_HYPOCHLORITE, 30.0, "L", 12.5)],
            work=[Work.BRUSHED],
            note="Dog <script>",
        )
    return recovery.id


def recovery_of(home, recovery_id):
    with actions.open_log(home) as log:
        return actions.recovery(log, recovery_id)


PAGES = ("board", "visit", "pools", "dose", "more", "pool", "card", "prices")


@pytest.mark.parametrize("name", PAGES)
def test_every_page_opens_on_an_empty_log_and_says_what_to_do(home, name):
    at = open_page(name)
    assert said(at)


@pytest.mark.parametrize("name", PAGES)
def test_every_page_opens_on_a_log_with_a_pool(oak, name):
    at = open_page(name, recovery=oak)
    assert "Quillhaven Pool Care" in said(at)
    assert "rendered photos, invented data" in said(at)


@pytest.mark.parametrize("name", sorted(set(main.PAGES) - {"accounts", "dose"}))
def test_every_page_that_speaks_of_water_chemicals_or_equipment_says_what_to_take_care_of(oak, name):
    at = open_page(name, recovery=oak)
    assert "Take care" in said(at)


def test_the_empty_board_leads_to_the_first_pool(home):
    at = open_page("board")
    assert "No pool is being brought back yet." in said(at)


def test_the_board_shows_where_a_pool_stands(oak):
    words = said(open_page("board"))
    for expected in ("Opaque", "Heavy", "Clarity, 1 of 5", "Living algae, 4 of 4", "1 open"):
        assert expected in words


def test_what_a_person_typed_is_shown_not_run(oak):
    for page in ("board", "pool"):
        words = said(open_page(page, recovery=oak))
        assert "<b>Street" not in words
        assert "<script>" not in words


def test_a_pool_shows_its_step_its_cautions_and_its_visits(oak):
    at = open_page("pool", recovery=oak)
    words = said(at)
    for expected in ("Next step", "Take care", "Why", "One sees down to", "15,000 gal"):
        assert expected in words
    assert any("sodium hypochlorite poured, brushed" in each.label for each in at.expander)


def test_an_unknown_recovery_gets_a_sentence_and_no_traceback(oak):
    assert "no recovery" in said(open_page("pool", recovery="r-none")).lower()


def test_a_log_that_cannot_be_opened_gets_a_sentence(home):
    home.mkdir()
    (home / "turnblue.sqlite").mkdir()
    for name in home.iterdir():
        assert name.is_dir()
    with pytest.MonkeyPatch.context() as patch:

        def refuse(*_given):
            from app.errors import LogUnusable

            raise LogUnusable("The log cannot be opened.", "Check the disk.")

        patch.setattr(actions, "open_log", refuse)
        assert "The log cannot be opened." in said(open_page("board"))


def test_a_visit_with_two_photos_from_arrival_to_the_next_step(oak, home):
    at = open_page("visit", recovery=oak)
    at.file_uploader[0].set_value([("a.jpg", MILKY, JPEG), ("b.jpg", FLAGGED, JPEG)])
    clean(at.run())
    arrived = recovery_of(home, oak).visits
    # In the log before anything was saved.
    assert len(arrived) == 2
    assert len(arrived[-1].photo_sha256s) == 2
    assert at.query_params["visit"] == arrived[-1].id
    words = said(at)
    assert "Cloudy" in words
    assert "tilt it away from the sun and retake" in words

    labelled(at.button_group, "Power").set_value(True)
    labelled(at.button_group, "Pump").set_value(True)
    labelled(at.button_group, "Cartridges").set_value(ElementState.GOOD)
    labelled(at.button_group, "Work done").set_value([Work.FILTER_CLEANED, Work.BRUSHED])
    labelled(at.number_input, "Filter, psi").set_value(20.0)
    labelled(at.number_input, "Free chlorine").set_value(6.0)
    labelled(at.number_input, "pH").set_value(7.6)
    labelled(at.text_input, "Your name").set_value("Rio")
    clean(labelled(at.button, "Save the visit").click().run())
    saved = recovery_of(home, oak).visits
    assert len(saved) == 2
    visit = saved[-1]
    assert (visit.by, visit.work) == ("Rio", (Work.FILTER_CLEANED, Work.BRUSHED))
    assert visit.equipment.power_on is True
    assert visit.equipment.flow_holds is None
    # 20 psi as kPa, NIST SP 811: 6.894757 each.
    assert visit.equipment.filter_pressure_kpa == pytest.approx(137.895, abs=1e-3)
    assert {each.analyte: each.value for each in visit.readings} == {"free_chlorine": 6.0, "ph": 7.6}
    words = said(at)
    assert "Saved: Oak" in words
    assert "Next step" in words


def test_a_photo_that_is_already_in_the_log_is_refused_by_a_sentence(oak, home):
    at = open_page("visit", recovery=oak)
    at.file_uploader[0].set_value([("again.jpg", GREEN, JPEG)])
    clean(at.run())
    assert "again.jpg" in said(at)


def test_photos_stay_once_where_measuring_fails(oak, home, monkeypatch):
    def no_grader():
        raise GraderMissing("The grader is missing.", "Install Turnblue again.")

    monkeypatch.setattr(measuring, "shipped_measurer", no_grader)
    at = open_page("visit", recovery=oak)
    at.file_uploader[0].set_value([("a.jpg", MILKY, JPEG)])
    clean(at.run())
    assert "The grader is missing." in said(at)
    assert "Safe in the log, not measured yet." in said(at)
    clean(at.run())
    visits = recovery_of(home, oak).visits
    assert len(visits) == 2
    assert len(visits[-1].photo_sha256s) == 1


def test_a_visit_that_was_broken_off_is_taken_up_again(oak, home):
    at = open_page("visit", recovery=oak)
    at.file_uploader[0].set_value([("a.jpg", MILKY, JPEG)])
    clean(at.run())
    again = open_page("visit", recovery=oak)
    assert "A visit was begun" in said(again)
    clean(labelled(again.button, "Go on with it").click().run())
    clean(labelled(again.button, "Save the visit").click().run())
    assert len(recovery_of(home, oak).visits) == 2


def test_a_visit_without_a_photo_is_saved_too(oak, home):
    at = open_page("visit", recovery=oak)
    labelled(at.button_group, "Power").set_value(False)
    clean(labelled(at.button, "Save the visit").click().run())
    visits = recovery_of(home, oak).visits
    assert visits[-1].equipment.power_on is False
    assert "power" in said(at).lower()


def test_changing_a_saved_visit_keeps_what_was_noted(oak, home):
    visit = recovery_of(home, oak).visits[0]
    at = open_page("visit", recovery=oak, visit=visit.id)
    labelled(at.text_input, "Note").set_value("Gate sticks")
    clean(labelled(at.button, "Save the visit").click().run())
    changed = recovery_of(home, oak).visits[0]
    assert changed.note == "Gate sticks"
    assert (changed.treatments, changed.work, changed.by) == (visit.treatments, visit.work, visit.by)


def test_the_recommended_dose_is_filled_in_and_confirmed_with_one_tap(home):
    now = datetime.now(UTC)
    with actions.open_log(home) as log:
        actions.add_pool(log, Pool("elm", "Elm 3", 56_781.0, FilterKind.SAND), at=now)
        recovery = actions.open_recovery(log, "elm", at=now)
    at = open_page("visit", recovery=recovery.id)
    at.file_uploader[0].set_value([("a.jpg", GREEN, JPEG)])
    clean(at.run())
    # The plan asks for equipment before it doses: power, pump and flow are noted first.
    for question in ("Power", "Pump", "Flow"):
        labelled(at.button_group, question).set_value(True)
    clean(labelled(at.button, "Save the visit").click().run())
    visit = recovery_of(home, recovery.id).visits[0]
    again = open_page("visit", recovery=recovery.id, visit=visit.id)
    confirm = next(each for each in again.button_group if "advised" in each.label)
    confirm.set_value(True)
    clean(labelled(again.button, "Save the visit").click().run())
    poured = recovery_of(home, recovery.id).visits[0].treatments
    # 8 gal of 12.5 % for 15,000 gal of heavy green: the plan's own example.
    assert [(each.chemical, each.unit) for each in poured] == [(Chemical.SODIUM_HYPOCHLORITE, "L")]
    assert poured[0].amount == pytest.approx(8 * 3.785411784, rel=1e-6)


def test_a_new_pool_is_kept_in_si_and_goes_on_to_its_first_visit(home):
    at = open_page("pools")
    clean(labelled(at.button, "Save and start").click().run())
    assert "Still missing: a name, the volume, and the filter." in said(at)
    labelled(at.text_input, "Name on the route sheet").set_value("Elm 3")
    labelled(at.number_input, "Volume, gal").set_value(15_000.0)
    labelled(at.number_input, "Deep end, ft").set_value(8.0)
    labelled(at.button_group, "Filter").set_value(FilterKind.SAND)
    clean(labelled(at.button, "Save and start").click().run())
    with actions.open_log(home) as log:
        (pool,) = actions.pools(log)
        assert len(actions.open_recoveries(log)) == 1
    # The US gallon is 3.785411784 L and the foot 0.3048 m, both exact.
    assert pool.volume_l == pytest.approx(15_000 * 3.785411784, rel=1e-12)
    assert pool.depth_deep_m == pytest.approx(8 * 0.3048, rel=1e-12)
    assert pool.filter_kind is FilterKind.SAND


def test_a_closed_recovery_can_be_followed_by_a_new_one(oak, home):
    with actions.open_log(home) as log:
        actions.close_recovery(log, oak, at=datetime.now(UTC))
    at = open_page("pools")
    clean(labelled(at.button, "Start a recovery").click().run())
    with actions.open_log(home) as log:
        assert len(actions.recoveries_of(log, "oak")) == 2


def test_the_dose_page_gives_the_amount_the_arithmetic_and_the_cautions(oak):
    at = open_page("dose")
    labelled(at.selectbox, "Pool").set_value("oak")
    clean(at.run())
    words = said(at)
    # 10 mg/L in 56,781 L with 12.5 trade %: 1.25 gal, the example of the dosing module.
    assert "1.25 gal" in words
    assert "Take care" in words


@pytest.mark.parametrize("chemical", Chemical, ids=str)
def test_the_dose_page_takes_every_chemical(oak, chemical):
    at = open_page("dose")
    labelled(at.selectbox, "Pool").set_value("oak")
    labelled(at.selectbox, "Chemical").set_value(chemical)
    clean(at.run())
    if any(each.label.startswith("The label says") for each in at.text_input):
        labelled(at.text_input, "The label says").set_value("8 fl oz")
        clean(at.run())
    assert "Take care" in said(at)


def test_a_label_rate_that_cannot_be_read_gets_a_sentence(oak):
    at = open_page("dose")
    labelled(at.selectbox, "Pool").set_value("oak")
    labelled(at.selectbox, "Chemical").set_value(Chemical.CLARIFIER)
    clean(at.run())
    labelled(at.text_input, "The label says").set_value("a cup")
    clean(at.run())
    assert "This amount cannot be read." in said(at)


def test_the_dose_page_reckons_with_the_jugs_age_and_the_volumes_doubt(oak):
    at = open_page("dose")
    labelled(at.selectbox, "Pool").set_value("oak")
    labelled(at.number_input, "Days since it was made").set_value(60.0)
    labelled(at.number_input, "Kept at").set_value(95)
    labelled(at.number_input, "The volume may be off").set_value(30)
    labelled(at.selectbox, "The label's %").set_value(StrengthBasis.WEIGHT_HYPOCHLORITE)
    clean(at.run())
    expected = actions.dose(
        Chemical.SODIUM_HYPOCHLORITE,
        volume_l=56_781.0,
        change_mg_l=10.0,
        strength_pct=12.5,
        basis=StrengthBasis.WEIGHT_HYPOCHLORITE,
        age_days=60.0,
        storage_c=35.0,
        volume_doubt=0.3,
    )
    words = said(at)
    assert f"<h2>{expected.say}</h2>" in words
    assert f"{say_amount(expected.low, 'L', 'us')} to {say_amount(expected.high, 'L', 'us')}" in words
    assert "After 60 days" in words


def test_the_dose_page_computes_a_volume_from_the_shape(oak):
    at = open_page("dose")
    labelled(at.selectbox, "Pool").set_value("by-shape")
    clean(at.run())
    assert "Fill in the fields." in said(at)
    for name, feet in (("Length", 32.0), ("Width", 16.0), ("Water depth, shallow", 3.0), ("Water depth, deep", 5.0)):
        labelled(at.number_input, name).set_value(feet)
    clean(at.run())
    # 32 x 16 x 4 ft are 2,048 cubic feet of 7.48 gal: 15,320 gal.
    assert "15,300 gal" in said(at)
    assert "Take care" in said(at)


def test_chemicals_that_must_not_meet_are_put_into_rounds(oak):
    at = open_page("dose")
    labelled(at.selectbox, "Pool").set_value("oak")
    labelled(at.multiselect, "Wanted as well").set_value([Chemical.HYDROCHLORIC_ACID])
    clean(at.run())
    rounds = next(each.proto.body for each in at.get("html") if "What must not meet" in each.proto.body)
    assert "2 rounds" in rounds
    assert rounds.index("acid</li>") < rounds.index("Sodium hypochlorite")
    assert "Take care" in rounds


def test_a_price_is_set_shown_in_the_dose_and_taken_off_again(oak, home):
    at = open_page("prices")
    assert "No price is set yet." in said(at)
    labelled(at.number_input, "Price").set_value(4.5)
    clean(labelled(at.button, "Save the price").click().run())
    assert "$4.50" in said(at)
    with actions.open_log(home) as log:
        (kept,) = actions.price_list(log).prices
    # A US gallon is 3.785412 L (NIST SP 811).
    assert (kept.item, kept.price) == ("sodium_hypochlorite", 4.5)
    assert kept.per_amount == pytest.approx(3.785412, abs=1e-6)
    dose = open_page("dose")
    labelled(dose.selectbox, "Pool").set_value("oak")
    # 1.2 gal, before it is rounded to what is poured, at 4.50.
    assert "$5.40" in said(clean(dose.run()))
    clean(labelled(at.button, "Take Sodium hypochlorite").click().run())
    assert "No price is set yet." in said(at)


@pytest.mark.parametrize(
    ("amount", "expected"), [("a cup", "This amount cannot be read."), ("5 lb", "is priced by a volume")], ids=str
)
def test_a_price_for_an_amount_that_cannot_be_gets_a_sentence(oak, home, amount, expected):
    at = open_page("prices")
    labelled(at.number_input, "Price").set_value(4.5)
    labelled(at.text_input, "For how much").set_value(amount)
    clean(labelled(at.button, "Save the price").click().run())
    assert expected in said(at)
    with actions.open_log(home) as log:
        assert actions.price_list(log).prices == ()


def test_the_pool_page_quotes_from_the_first_visit(oak, home):
    words = said(open_page("pool", recovery=oak))
    quoted = words[words.index('aria-label="Quote"') :]
    for expected in ("Visits", "Days", "Not in it", "No cost yet.", "Take care", "Nobody swims"):
        assert expected in quoted
    with actions.open_log(home) as log:
        missing = actions.quote(log, oak, now=datetime.now(UTC)).missing_prices
        for item in missing:
            unit = "" if item == "visit" else PRODUCTS[Chemical(item)].unit
            actions.set_price(log, item, 10.0, unit=unit)
    words = said(open_page("pool", recovery=oak))
    assert "In all" in words[words.index('aria-label="Quote"') :]


def test_the_pool_page_ranks_why_the_water_stands_still(home):
    now = datetime.now(UTC)
    with actions.open_log(home) as log:
        pool = actions.add_pool(log, Pool("elm", "Elm 3", 56_781.0, FilterKind.DE, clean_pressure_kpa=70.0), at=now)
        recovery = actions.open_recovery(log, pool.id, at=now - timedelta(days=7))
        days = ((6, GREEN, 8.0), (5, b"good cloudy none 0.9 b", 0.0), (3, b"good cloudy none 0.9 c", 0.0))
        for days_ago, photo, gallons in (*days, (1, b"good cloudy none 0.9 d", 0.0)):
            actions.log_visit(
                log,
                recovery.id,
                at=now - timedelta(days=days_ago),
                by="Kit",
                photos=[actions.PhotoIn("IMG.jpg", photo)],
                equipment=Equipment(True, True, True, 70.0),
                treatments=[Treatment(Chemical.SODIUM_HYPOCHLORITE, 30.0, "L", 12.5)] if gallons else [],
                floor_seen=False,
                sightings=[Sighting.POWDER_AT_RETURNS],
            )
        progress = actions.progress(log, recovery.id, now=now)
    assert progress.standing is Standing.STALLED
    words = said(open_page("pool", recovery=recovery.id))
    part = words[words.index("Why it stands still") :]
    assert f"{min(progress.stall_probability, 0.99):.0%}".replace("%", "\u00a0%") in part
    first, second = progress.causes[:2]
    assert part.index(escape(first.say)) < part.index(escape(second.say))
    # What the next step says already is not said again: each check stands once, the likelier cause's first.
    assert [words.count(escape(each.check)) for each in (first, second)] == [1, 1]
    assert words.index(escape(first.check)) < words.index(escape(second.check))
    # Opening a filter is dangerous: every caution stands on the page.
    warned = cautions_of([first, second], pool)
    assert [each for each in warned if escape(each) not in words] == []
    assert warned


def test_the_card_can_be_downloaded(oak):
    at = open_page("card")
    assert [each.label for each in at.get("download_button")] == ["Download the card (PDF)"]


def test_the_company_is_named_and_its_units_chosen(oak, home):
    at = open_page("more")
    labelled(at.text_input, "Name").set_value("Reed Hollow Pools")
    labelled(at.button_group, "Units").set_value("metric")
    clean(labelled(at.button, "Save the company").click().run())
    assert "Reed Hollow Pools" in said(at)
    with actions.open_log(home) as log:
        kept = actions.company(log)
    assert (kept.name, kept.units, kept.invented) == ("Reed Hollow Pools", "metric", True)


def test_metric_companies_read_metric(oak, home):
    with actions.open_log(home) as log:
        actions.save_company(log, Company("Metric", units="metric"), at=datetime.now(UTC))
    words = said(open_page("pool", recovery=oak))
    assert "56,800 L" in words
    assert " gal" not in words


def test_what_one_sees_is_tapped_and_comes_back(oak, home):
    at = open_page("visit", recovery=oak)
    labelled(at.button_group, "Deepest thing you see").set_value(0.6096)
    labelled(at.number_input, "Sighting disc").set_value(2.5)
    labelled(at.button_group, "The disc at that depth").set_value(True)
    clean(labelled(at.button, "Save the visit").click().run())
    visit = recovery_of(home, oak).visits[-1]
    assert visit.sighted.seen_at_m == pytest.approx(0.6096)
    assert visit.sighted.disc_depth_m == pytest.approx(0.762)
    assert (visit.sighted.disc_lost, visit.sighted.not_seen_at_m) == (True, None)
    again = open_page("visit", recovery=oak, visit=visit.id)
    assert labelled(again.number_input, "Sighting disc").value == pytest.approx(2.5)


def test_what_is_seen_below_what_is_not_is_said_and_not_saved(oak, home):
    at = open_page("visit", recovery=oak)
    labelled(at.button_group, "Deepest thing you see").set_value(1.2192)
    labelled(at.button_group, "First thing you do not see").set_value(0.6096)
    clean(labelled(at.button, "Save the visit").click().run())
    assert "What is seen lies deeper than what is not seen." in said(at)
    assert len(recovery_of(home, oak).visits) == 1


def test_the_pool_page_says_whether_the_water_changed(oak, home):
    with actions.open_log(home) as log:
        photo = actions.PhotoIn("IMG_2.jpg", b"good hazy light 0.9")
        actions.log_visit(log, oak, at=datetime.now(UTC), by="Kit", photos=[photo])
    assert "Since the visit before, one sees further" in said(open_page("pool", recovery=oak))
