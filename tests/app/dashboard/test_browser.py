"""The dashboard in a real browser, phone and desktop: a visit with two photos, every page, nothing from elsewhere."""

import json
import subprocess
import sys
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from in_browser import TIMEOUT_MS, VIEWPORTS, assert_sound, go, served, settle

import app
from app import actions
from app.demo import at_hour, make_demo, photo_requests
from app.demo_data import POOLS

ROOT = Path(app.__file__).resolve().parents[1]
PAGES = ("", "visit", "pools", "dose", "more", "card", "pool?recovery={recovery}", "visit?recovery={recovery}")

pytestmark = [pytest.mark.browser, pytest.mark.slow]


@pytest.fixture(scope="module")
def demo_log(tmp_path_factory, browser):
    """A small demo, rendered and measured for real; return its folder."""
    folder = tmp_path_factory.mktemp("dashboard") / "log"
    by_id = {each.pool.id: each for each in POOLS}
    make_demo(folder, now=datetime.now(UTC), pools=(by_id["sandpiper-lane-12"], by_id["kestrel-close-5"]))
    return folder


@pytest.fixture(scope="module")
def new_photos(tmp_path_factory):
    """Two photos of the next visit, not in the log: one good, one without the card."""
    folder = tmp_path_factory.mktemp("photos")
    story = next(each for each in POOLS if each.pool.id == "sandpiper-lane-12")
    visit = replace(story.visits[-1], chlorophyll_ug_l=150.0, photos=2)
    requests = list(photo_requests((replace(story, visits=(visit,)),), datetime.now(UTC)))
    requests[1]["spoil"] = ["no_card"]
    (folder / "requests.json").write_text(json.dumps(requests))
    subprocess.run(
        [sys.executable, "-m", "models.simulator", str(folder / "requests.json"), str(folder)],
        cwd=ROOT,
        check=True,
        capture_output=True,
    )
    return [str(folder / f"{request['name']}.jpg") for request in requests]


@pytest.fixture(scope="module")
def address(demo_log):
    with served(demo_log) as url:
        yield url


@pytest.fixture(scope="module")
def recovery_id(demo_log):
    with actions.open_log(demo_log) as log:
        return next(each.id for each in actions.open_recoveries(log) if each.pool.id == "sandpiper-lane-12")


@pytest.fixture(params=VIEWPORTS, ids=str)
def page(request, browser):
    context = browser.new_context(**VIEWPORTS[request.param], timezone_id="America/Phoenix")
    opened = context.new_page()
    opened.set_default_timeout(TIMEOUT_MS)
    yield opened
    context.close()


@pytest.mark.parametrize("path", PAGES, ids=lambda each: each or "board")
def test_every_page_is_sound(page, address, recovery_id, path):
    asked = []
    page.on("request", lambda request: asked.append(request.url))
    go(page, f"{address}/{path.format(recovery=recovery_id)}")
    assert_sound(page)
    elsewhere = [url for url in asked if not url.startswith((address, "data:", "blob:", "ws://127.0.0.1"))]
    assert elsewhere == []


def test_a_visit_with_two_photos(page, address, demo_log, new_photos, recovery_id, request):
    go(page, f"{address}/")
    page.get_by_role("link", name="Open Sandpiper Lane 12").click()
    page.get_by_role("link", name="Add a visit").click()
    page.wait_for_selector('[data-testid="stFileUploaderDropzoneInput"]', state="attached")
    settle(page)
    # Each viewport makes its own visit: the same two photos belong to one visit only.
    paths = photos_of_one_run(new_photos, request.node.callspec.params["page"])
    page.set_input_files('[data-testid="stFileUploaderDropzoneInput"]', paths)
    page.wait_for_selector("text=Photo 2 of 2")
    settle(page)
    assert_sound(page)
    body = page.inner_text("body")
    assert "Photo 1 of 2: measured" in body
    assert "One sees down to" in body
    assert "Photo 2 of 2: retake" in body
    assert "No reference card was found" in body
    widths = page.locator('[data-testid="stImage"] img').evaluate_all("all => all.map(each => each.naturalWidth)")
    assert len(widths) == 2
    assert min(widths) >= 400
    assert "visit=" in page.url

    page.get_by_role("radiogroup", name="Power").get_by_text("On").click()
    page.get_by_role("radiogroup", name="Pump").get_by_text("Runs").click()
    page.get_by_role("radiogroup", name="Flow").get_by_text("Holds").click()
    page.get_by_label("Free chlorine", exact=True).fill("4")
    page.get_by_label("Your name").fill("Rio")
    page.get_by_role("button", name="Save the visit").click()
    page.wait_for_selector("text=Saved: Sandpiper Lane 12")
    settle(page)
    assert_sound(page)
    step = page.locator(".tb-step")
    assert step.count() == 1
    assert step.locator("h2").inner_text().strip()
    assert "Take care" in step.inner_text()
    # The largest words of the page are the step's: read at arm's length.
    assert float(step.locator("h2").evaluate("each => parseFloat(getComputedStyle(each).fontSize)")) >= 24
    with actions.open_log(demo_log) as log:
        visit = actions.recovery(log, recovery_id).visits[-1]
    assert visit.by == "Rio"
    assert visit.equipment.power_on is True
    assert visit.assessment.usable
    assert len(visit.photo_sha256s) == 2


def photos_of_one_run(paths, run):
    """Return copies of photos that differ in a comment after the picture's end, so that each is its own file."""
    copies = []
    for path in map(Path, paths):
        copy = path.with_name(f"{run}_{path.name}")
        copy.write_bytes(path.read_bytes() + run.encode())
        copies.append(str(copy))
    return copies


SMALL = """() => [...document.querySelectorAll('button, a, summary, input')]
  .filter(e => e.offsetParent && e.getClientRects().length && e.type !== 'file')
  .filter(e => !e.closest('.vega-embed, [data-testid="stElementToolbar"]'))
  .map(e => [e, e.closest('[data-testid="stNumberInputContainer"], .react-aria-TextField, ' +
    '[data-testid="stMultiSelect"] .react-aria-ComboBox, label') || e])
  .map(([e, field]) => [e, field.getBoundingClientRect().height])
  .filter(([e, height]) => height > 1 && height < 46)
  .map(([e, height]) => `${e.tagName} ${e.innerText || e.ariaLabel} ${height}`)"""
"""Returns what is tapped and lower than 46 px."""


def test_everything_tapped_is_large_enough(browser, address, recovery_id):
    context = browser.new_context(**VIEWPORTS["phone"])
    page = context.new_page()
    page.set_default_timeout(TIMEOUT_MS)
    for path in ("", f"visit?recovery={recovery_id}", f"pool?recovery={recovery_id}", "pools"):
        go(page, f"{address}/{path}")
        for _ in range(40):
            # What has just come up may still be growing.
            if not (small := page.evaluate(SMALL)):
                break
            page.wait_for_timeout(250)
        assert small == [], path
    context.close()


@pytest.mark.parametrize(("scheme", "ground"), [("light", "rgb(250, 250, 246)"), ("dark", "rgb(15, 23, 29)")])
def test_light_and_dark_follow_the_device(browser, address, scheme, ground):
    context = browser.new_context(**VIEWPORTS["phone"], color_scheme=scheme)
    page = context.new_page()
    page.set_default_timeout(TIMEOUT_MS)
    go(page, f"{address}/")
    assert page.evaluate("getComputedStyle(document.querySelector('.stApp')).backgroundColor") == ground
    context.close()


def test_the_first_visitor_may_come_by_any_address(browser, tmp_path):
    # A fresh server must not take our folder of pages for its own kind and show a blank one.
    with served(tmp_path / "log") as url:
        page = browser.new_page()
        page.set_default_timeout(TIMEOUT_MS)
        go(page, f"{url}/pools")
        assert "Name, volume and filter are needed." in page.inner_text("body")
        page.close()


def test_from_an_empty_log_to_the_first_pool(browser, tmp_path):
    with served(tmp_path / "log") as url:
        page = browser.new_page(**VIEWPORTS["phone"])
        page.set_default_timeout(TIMEOUT_MS)
        go(page, f"{url}/")
        page.get_by_role("link", name="Add a pool").click()
        page.get_by_label("Name on the route sheet").fill("Elm 3")
        page.get_by_label("Volume, gal").fill("15000")
        page.get_by_role("radiogroup", name="Filter").get_by_text("Sand").click()
        page.get_by_role("button", name="Save and start the recovery").click()
        page.wait_for_selector('[data-testid="stFileUploaderDropzoneInput"]', state="attached")
        settle(page)
        assert_sound(page)
        assert "Elm 3" in page.inner_text("body")
        page.close()
    with actions.open_log(tmp_path / "log") as log:
        (recovery,) = actions.open_recoveries(log)
    assert recovery.pool.name == "Elm 3"
    assert at_hour(datetime.now(UTC), 1, 0) < recovery.opened_at < datetime.now(UTC) + timedelta(minutes=1)
