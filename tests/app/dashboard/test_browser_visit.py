"""A visit in a real browser on a phone: from the first start to a grade, six taps, the connection cut at every step."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from in_browser import TIMEOUT_MS, VIEWPORTS, Wire, assert_sound, go, served, settle, unfold, until

import app
from app import actions, intake, strips
from app.records import Chemical, Company, Equipment, FilterKind, Pool, Work
from app.tag import tag_code
from models.simulator.stripdyes import KINDS
from models.simulator.strips import StripScene, render_strip
from tests.vision.strip_scenes import true_kind

SAMPLES = Path(app.__file__).parents[1] / "sample_images"
GREEN = "heavy_opaque_shade.jpg"
WELL = Equipment(power_on=True, pump_runs=True, flow_holds=True)
STRIP = next(each for each in KINDS if len(each.scales) >= 4)
DIPPED_INTO = {"free_chlorine": 2.0, "ph": 7.4, "total_alkalinity": 100.0, "cyanuric_acid": 40.0}
CHOOSE = '[data-testid="stFileUploaderDropzone"] button:visible'
CUT_AT = ("as the photo goes out", "while it is measured", "while the form is filled in", "as it is saved")

pytestmark = [pytest.mark.browser, pytest.mark.slow]


@pytest.fixture(scope="module")
def kept(tmp_path_factory, browser):
    """A log with one pool for each try: green since yesterday, its equipment in order, a kind of strip taught."""
    folder, now = tmp_path_factory.mktemp("visits") / "log", datetime.now(UTC)
    recoveries = {}
    with actions.open_log(folder) as log:
        actions.save_company(log, Company("Invented Pools", invented=True), at=now)
        strips.save_kind(log, true_kind(STRIP), at=now)
        for number, name in enumerate((*CUT_AT, "typed first", "six taps")):
            pool = actions.add_pool(log, Pool("", f"Try {number}", 56_000.0, FilterKind.CARTRIDGE), at=now)
            recovery = actions.open_recovery(log, pool.id, at=now - timedelta(days=1))
            recoveries[name] = recovery
            if name == "six taps":
                photo = actions.PhotoIn("y.jpg", sample(GREEN, "yesterday"))
                yesterday = now - timedelta(days=1)
                actions.log_visit(log, recovery.id, at=yesterday, by="Kit", photos=[photo], equipment=WELL)
    return folder, recoveries


@pytest.fixture(scope="module")
def address(kept):
    with served(kept[0]) as url:
        yield url


@pytest.fixture
def phone(browser):
    """Open a page on a phone of its own; each call is another phone."""
    opened = []

    def new():
        opened.append(browser.new_context(**VIEWPORTS["phone"]))
        page = opened[-1].new_page()
        page.set_default_timeout(TIMEOUT_MS)
        return page

    yield new
    for each in opened:
        each.close()


def sample(name, run):
    """Return a rendered sample photo as a file of its own: one photo speaks for one visit."""
    return (SAMPLES / name).read_bytes() + run.encode()


def upload(name, content):
    return {"name": name, "mimeType": "image/jpeg", "buffer": content}


def photos_in(folder, recovery):
    with actions.open_log(folder) as log:
        return [sha256 for visit in actions.recovery(log, recovery.id).visits for sha256 in visit.photo_sha256s]


def test_from_the_first_start_to_the_first_graded_visit(phone, tmp_path):
    with served(tmp_path / "log") as url:
        page = phone()
        go(page, f"{url}/")
        page.get_by_role("link", name="Add a pool").tap()
        page.get_by_label("Name on the route sheet").fill("Elm 3")
        page.get_by_label("Volume, gal").fill("15000")
        page.get_by_role("radiogroup", name="Filter").get_by_text("Sand").tap()
        page.get_by_role("button", name="Save and start the recovery").tap()
        page.wait_for_selector('[data-testid="stFileUploaderDropzoneInput"]', state="attached")
        settle(page)
        page.set_input_files(
            '[data-testid="stFileUploaderDropzoneInput"] >> nth=0', [upload("w.jpg", sample(GREEN, "first"))]
        )
        page.wait_for_selector("text=Photo 1 of 1: measured")
        settle(page)
        page.get_by_text("All well: power on").tap()
        # Saved straight out of a field that is still being typed in: the tap counts, and so does what was typed.
        page.get_by_label("Note").fill("gate sticks")
        page.get_by_role("button", name="Save the visit").tap()
        page.wait_for_selector("text=Saved: Elm 3")
        settle(page)
        assert_sound(page)
        # The next step is what one sees: the page begins at its top, however far down the form was.
        assert page.evaluate("document.querySelector('[data-testid=stMain]').scrollTop") == 0
        assert "Next step" in page.inner_text("body")
        assert "Take care" in page.inner_text("body")
        page.get_by_role("link", name="Done: to the board").tap()
        page.wait_for_selector("text=Seen to")
    with actions.open_log(tmp_path / "log") as log:
        (row,) = actions.board(log, now=datetime.now(UTC))
    assert row.assessment.usable
    assert row.assessment.severity.value in ("moderate", "heavy")
    assert row.last_visit.equipment.pump_runs
    assert row.last_visit.note == "gate sticks"


COUNT_TAPS = (
    "addEventListener('pointerdown', each => { if (each.isTrusted) window.taps = (window.taps ?? 0) + 1; }, true)"
)


def test_a_visit_takes_at_most_six_taps_and_two_photos(phone, address, kept):
    folder, recoveries = kept
    recovery = recoveries["six taps"]
    page = phone()
    page.add_init_script(COUNT_TAPS)
    # The camera opens the pool's tag; taking each picture is the camera's own.
    go(page, f"{address}/visit?tag={tag_code(recovery.pool.id)}")
    page.wait_for_selector("text=Visit: Try")
    settle(page)
    with page.expect_file_chooser() as asked:
        page.locator(CHOOSE).first.tap()
    asked.value.set_files([upload("water.jpg", sample("heavy_opaque.jpg", "six"))])
    page.wait_for_selector("text=Photo 1 of 1: measured")
    settle(page)
    unfold(page, "Test strip by photo", by="tap")
    strip = render_strip(StripScene(STRIP, DIPPED_INTO, seed=11)).jpeg()
    part = page.get_by_test_id("stExpander").filter(has_text="Test strip by photo")
    with page.expect_file_chooser() as asked:
        part.locator(CHOOSE).first.tap()
    asked.value.set_files([upload("strip.jpg", strip)])
    page.wait_for_selector("text=Read from the strip's photo")
    settle(page)
    page.get_by_text("All well: power on").tap()
    page.get_by_role("radiogroup", name="Sodium hypochlorite").get_by_text("Poured", exact=True).first.tap()
    page.get_by_role("button", name="Save the visit").tap()
    page.wait_for_selector("text=Saved: Try")
    settle(page)
    assert page.evaluate("window.taps") == 6
    assert "Next step" in page.inner_text("body")
    with actions.open_log(folder) as log:
        visit = actions.recovery(log, recovery.id).visits[-1]
    assert visit.assessment.usable
    assert [each.chemical for each in visit.treatments] == [Chemical.SODIUM_HYPOCHLORITE]
    assert visit.equipment.pump_runs
    assert {each.analyte for each in visit.readings} >= {"free_chlorine", "ph"}


@pytest.mark.parametrize("step", CUT_AT)
def test_a_connection_cut_at_any_step_loses_no_photo_and_the_visit_goes_on_elsewhere(phone, address, kept, step):
    folder, recoveries = kept
    recovery, photo = recoveries[step], [upload("w.jpg", sample(GREEN, step))]
    page = phone()
    with Wire(address) as wire:
        go(page, f"{wire.url}/visit?recovery={recovery.id}")
        if step == "as the photo goes out":
            wire.cut()
            page.set_input_files('[data-testid="stFileUploaderDropzoneInput"] >> nth=0', photo)
            assert photos_in(folder, recovery) == []
            wire.mend()
            # What did not get out is on the phone still; the page comes back and takes it.
            go(page, f"{wire.url}/visit?recovery={recovery.id}")
        if step == "while it is measured":
            page.set_input_files('[data-testid="stFileUploaderDropzoneInput"] >> nth=0', photo)
            until(page, lambda: _photo_count(folder) > before(kept, step))
            wire.cut()
        else:
            bring(page, f"{wire.url}/visit?recovery={recovery.id}", photo)
            settle(page)
            page.get_by_text("All well: power on").tap()
        if step == "while the form is filled in":
            page.get_by_label("Note").press_sequentially("gate sticks")
            until(page, lambda: typed_in(folder, recovery).get("note") == "gate sticks")
            wire.cut()
            # It is told in our words, not in those of the program that draws the page.
            page.wait_for_selector('section[role="dialog"] h2')
            title = "getComputedStyle(document.querySelector('section[role=dialog] h2'), '::after').content"
            assert page.evaluate(title) == '"No connection"'
        if step == "as it is saved":
            # Cut just behind the tap: it is saved whole, or not at all.
            page.get_by_role("button", name="Save the visit").tap()
            wire.cut()
        if step != "as the photo goes out":
            page.close()
    with actions.open_log(folder) as log:
        offered = {each.visit_id for each in intake.drafts(log)}
        (begun,) = actions.recovery(log, recovery.id).visits
    assert begun.id in offered or step == "as it is saved"
    if begun.id in offered:
        go_on_elsewhere(phone(), address, recovery)
    with actions.open_log(folder) as log:
        (visit,) = actions.recovery(log, recovery.id).visits
        assert visit.id not in {each.visit_id for each in intake.drafts(log)}
    assert len(visit.photo_sha256s) == 1
    assert visit.equipment.pump_runs
    assert visit.note == ("gate sticks" if step == "while the form is filled in" else "")


def test_what_was_typed_before_any_photo_is_there_on_another_phone(phone, address, kept):
    folder, recoveries = kept
    recovery = recoveries["typed first"]
    page = phone()
    with Wire(address) as wire:
        go(page, f"{wire.url}/visit?recovery={recovery.id}")
        page.get_by_text("All well: power on").tap()
        page.get_by_text("Brushed", exact=True).tap()
        page.get_by_text("Something else was poured").tap()
        page.get_by_label("Chemical 1").fill("Clarifier")
        page.get_by_label("Chemical 1").press("Enter")
        page.get_by_label("pH", exact=True).press_sequentially("7.6")
        page.get_by_label("Note").press_sequentially("gate sticks")
        page.get_by_label("Free chlorine").press_sequentially("3.5")
        # The last one is not left: a phone that dies leaves no field.
        until(page, lambda: typed_in(folder, recovery).get("read-free_chlorine") == 3.5)
        wire.cut()
        page.close()
    with actions.open_log(folder) as log:
        assert actions.recovery(log, recovery.id).visits == ()
    page = phone()
    go(page, f"{address}/visit")
    page.get_by_role("button", name=f"Go on: {recovery.pool.name}").tap()
    page.wait_for_selector("text=Throw away what was typed")
    settle(page)
    assert page.get_by_label("Free chlorine").input_value() == "3.5"
    assert page.get_by_label("pH", exact=True).input_value() == "7.6"
    # Its photo comes now; what was typed goes with the visit it begins.
    photo = [upload("w.jpg", sample(GREEN, "typed first"))]
    page.set_input_files('[data-testid="stFileUploaderDropzoneInput"] >> nth=0', photo)
    page.wait_for_selector("text=Photo 1 of 1: measured")
    settle(page)
    page.get_by_role("button", name="Save the visit").tap()
    page.wait_for_selector(f"text=Saved: {recovery.pool.name}")
    with actions.open_log(folder) as log:
        (visit,) = actions.recovery(log, recovery.id).visits
        assert intake.drafts(log) == ()
    assert {each.analyte: each.value for each in visit.readings} == {"free_chlorine": 3.5, "ph": 7.6}
    assert visit.work == (Work.BRUSHED,)
    assert visit.equipment == WELL
    assert visit.note == "gate sticks"


def typed_in(folder, recovery):
    """Return what was typed at a pool's visit and is not saved."""
    with actions.open_log(folder) as log:
        sheets = [each for each in intake.drafts(log) if each.recovery_id == recovery.id]
        typed = {}
        for each in sheets:
            visit_id = each.visit_id or None
            typed |= intake.typed_at(log, recovery.id, sheet_id=each.sheet_id, visit_id=visit_id)
    return typed


def bring(page, url, photo):
    """Choose a photo; where it does not come through, open the page again and choose it anew, as a person would."""
    from playwright.sync_api import TimeoutError as TooLate

    for _ in range(2):
        page.set_input_files('[data-testid="stFileUploaderDropzoneInput"] >> nth=0', photo)
        try:
            page.wait_for_selector("text=Photo 1 of 1: measured", timeout=TIMEOUT_MS / 2)
            return
        except TooLate:
            go(page, url)
    page.get_by_role("button", name="Go on with it").tap()
    page.wait_for_selector("text=Photo 1 of 1: measured")


def go_on_elsewhere(page, address, recovery):
    """Take the visit up again on another phone, and save it."""
    go(page, f"{address}/visit")
    page.get_by_role("button", name=f"Go on: {recovery.pool.name}").tap()
    page.wait_for_selector("text=Photo 1 of 1")
    settle(page)
    # What was tapped before the cut is tapped still.
    if not page.get_by_role("checkbox", name="All well").is_checked():
        page.get_by_text("All well: power on").tap()
    page.get_by_role("button", name="Save the visit").tap()
    page.wait_for_selector(f"text=Saved: {recovery.pool.name}")


def _photo_count(folder):
    with actions.open_log(folder) as log:
        return log.photo_count()


def before(kept, step):
    """Return how many photos the log has without this step's own."""
    return _photo_count(kept[0]) - len(photos_in(kept[0], kept[1][step]))
