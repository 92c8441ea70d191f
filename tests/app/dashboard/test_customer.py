"""The customer's link and the before/after picture in a real browser: opened elsewhere, drawn aside, refused."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from in_browser import TIMEOUT_MS, VIEWPORTS, assert_sound, go, served, settle

import app
from app import actions, links
from app.records import Company, FilterKind, Pool

ROOT = Path(app.__file__).parents[1]

pytestmark = [pytest.mark.browser, pytest.mark.slow]


@pytest.fixture(scope="module")
def kept(tmp_path_factory, browser):
    """A pool whose photos are rendered samples, measured for real; return the folder and the recovery's id."""
    folder, now = tmp_path_factory.mktemp("customer") / "log", datetime.now(UTC)
    with actions.open_log(folder) as log:
        actions.save_company(log, Company("Invented Pools", "555-0142", invented=True), at=now)
        pool = actions.add_pool(log, Pool("", "Oak Street 12", 56_000.0, FilterKind.SAND, note="gate 4711"), at=now)
        recovery = actions.open_recovery(log, pool.id, at=now - timedelta(days=5))
        for days, name in ((5, "heavy_opaque_shade"), (3, "milky_cloudy"), (1, "none_hazy")):
            photo = actions.PhotoIn(f"{name}.jpg", (ROOT / "sample_images" / f"{name}.jpg").read_bytes())
            actions.log_visit(log, recovery.id, at=now - timedelta(days=days), by="Kit", photos=[photo])
    return folder, recovery.id


@pytest.fixture(scope="module")
def address(kept):
    with served(kept[0]) as url:
        yield url


@pytest.fixture(params=VIEWPORTS, ids=str)
def page(request, browser):
    context = browser.new_context(**VIEWPORTS[request.param], timezone_id="America/Phoenix")
    opened = context.new_page()
    opened.set_default_timeout(TIMEOUT_MS)
    yield opened
    context.close()


def token_of(kept, **more):
    with actions.open_log(kept[0]) as log:
        return links.make_link(log, kept[1], now=datetime.now(UTC), **more)


def cut_of(compare):
    return float(compare.evaluate("each => parseFloat(each.style.getPropertyValue('--cut'))"))


def drag(page, compare, share):
    box = compare.bounding_box()
    y = box["y"] + box["height"] / 2
    page.mouse.move(box["x"] + box["width"] / 2, y)
    page.mouse.down()
    page.mouse.move(box["x"] + box["width"] * share, y, steps=5)
    page.mouse.up()


def assert_it_moves(page, compare):
    """Draw the line by mouse, by touch where there is one, and by keys."""
    compare.scroll_into_view_if_needed()
    assert cut_of(compare) == 50
    drag(page, compare, 0.2)
    # One pixel of a phone's width is a third of a per cent.
    assert cut_of(compare) == pytest.approx(20, abs=1)
    slider = compare.get_by_role("slider")
    slider.press("ArrowRight")
    assert cut_of(compare) == pytest.approx(21, abs=1)
    slider.press("End")
    assert cut_of(compare) == 100
    assert "100 %" in slider.get_attribute("aria-valuetext")
    box = compare.bounding_box()
    if page.evaluate("navigator.maxTouchPoints") > 0:
        page.touchscreen.tap(box["x"] + box["width"] * 0.7, box["y"] + box["height"] / 2)
        assert cut_of(compare) == pytest.approx(70, abs=1)


def test_the_link_opens_in_another_browser_without_an_account(page, address, kept):
    asked, wrong = [], []
    page.on("request", lambda request: asked.append(request.url))
    page.on("pageerror", lambda error: wrong.append(str(error)))
    page.on("console", lambda message: wrong.append(message.text) if message.type == "error" else None)
    answer = page.goto(address + token_of(kept).path)
    assert answer.status == 200
    assert answer.headers["cache-control"] == "no-store, private"
    assert answer.headers["referrer-policy"] == "no-referrer"
    body = page.inner_text("body")
    for expected in ("Oak Street 12", "Invented Pools", "Before", "Now", "Please keep in mind", "Rendered picture"):
        assert expected in body
    assert "4711" not in body
    assert "Kit" not in body
    assert [url for url in asked if not url.startswith((address, "data:"))] == []
    assert wrong == []  # nothing stopped by the page's own policy
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth + 1")
    assert page.context.cookies() == []
    shown = page.locator("figure img").evaluate_all("all => all.map(each => each.naturalWidth)")
    assert len(shown) == 2
    assert min(shown) >= 400
    assert_it_moves(page, page.locator(".compare"))


def test_the_link_speaks_spanish(page, address, kept):
    page.goto(address + token_of(kept, language="es").path)
    assert "Por favor, tenga en cuenta" in page.inner_text("body")
    assert page.locator("html").get_attribute("lang") == "es"


def test_a_withdrawn_link_and_one_made_up_are_refused_alike(page, address, kept):
    made = token_of(kept)
    assert page.goto(address + made.path).status == 200
    with actions.open_log(kept[0]) as log:
        links.withdraw_link(log, made.id, now=datetime.now(UTC))
    refused = []
    for path in (made.path, made.path[:-1], "/r/k-000000000000.x"):
        answer = page.goto(address + path)
        assert answer.status == 404
        refused.append(page.inner_text("body"))
    assert len(set(refused)) == 1
    assert "This link is not open" in refused[0]
    assert "Oak Street" not in refused[0]


def test_the_office_draws_the_line_and_compares_any_two_visits(page, address, kept):
    go(page, f"{address}/pool?recovery={kept[1]}")
    compare = page.locator(".compare")
    compare.wait_for()
    assert_it_moves(page, compare)
    before = compare.locator("img.before").get_attribute("src")
    page.get_by_role("combobox").first.click()
    page.get_by_role("option").nth(1).click()
    settle(page)
    page.wait_for_function("src => document.querySelector('.compare img.before')?.src !== src || "
                           "[...document.querySelectorAll('*')].some(e => e.shadowRoot?.querySelector('img.before') && "
                           "e.shadowRoot.querySelector('img.before').src !== src)", arg=before)  # fmt: skip
    assert_sound(page)


def test_the_office_makes_a_link_and_withdraws_it(page, address, kept, browser):
    go(page, f"{address}/pool?recovery={kept[1]}")
    page.get_by_role("button", name="Make a link").click()
    page.wait_for_selector("text=Copy the link now")
    url = page.locator("[data-testid=stCode]").inner_text().strip()
    assert url.startswith(address)
    elsewhere = browser.new_context(**VIEWPORTS["phone"])
    customer = elsewhere.new_page()
    assert customer.goto(url).status == 200
    page.get_by_role("button", name="Withdraw").first.click()
    page.wait_for_selector("text=Copy the link now", state="detached")
    settle(page)
    assert customer.goto(url).status == 404
    elsewhere.close()


@pytest.mark.parametrize(
    ("button", "start"),
    [("Report as PDF", b"%PDF"), ("Picture for a text message", b"\x89PNG"), ("Table (CSV)", b"pool,")],
    ids=["pdf", "png", "csv"],
)
def test_the_office_downloads_its_files(browser, address, kept, button, start):
    page = browser.new_page(**VIEWPORTS["desktop"])
    page.set_default_timeout(TIMEOUT_MS)
    go(page, f"{address}/pool?recovery={kept[1]}")
    with page.expect_download() as waiting:
        page.get_by_role("button", name=button).click()
    assert Path(waiting.value.path()).read_bytes().startswith(start)
    page.close()
