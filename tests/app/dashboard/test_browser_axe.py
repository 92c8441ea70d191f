"""axe-core in a real browser on every page, phone and desktop, light and dark: no serious or critical finding."""

from datetime import UTC, datetime, timedelta

import pytest
from in_browser import TIMEOUT_MS, VIEWPORTS, go, served, settle

from app import actions, links
from app.dashboard.main import PAGES
from app.demo import make_demo
from app.demo_data import POOLS
from app.records import Chemical
from app.words import LANGUAGES

pytestmark = [pytest.mark.browser, pytest.mark.slow]

OWN = ("pool?recovery={recovery}", "visit?recovery={recovery}", "visit?recovery={recovery}&saved={visit}")
"""Pages that show more with a recovery, or a saved visit, named."""

NOT_OURS = (
    # A chart that Vega draws: its own marks; each chart's words stand beside it.
    ".vega-embed",
)
"""What is drawn by others inside our pages and cannot be told otherwise."""


@pytest.fixture(scope="module")
def folder(tmp_path_factory, browser):
    """A small demo with a price, so that every page has something to show; return its folder."""
    made = tmp_path_factory.mktemp("axe") / "log"
    by_id = {each.pool.id: each for each in POOLS}
    make_demo(made, now=datetime.now(UTC), pools=(by_id["copper-beech-31"], by_id["kestrel-close-5"]))
    with actions.open_log(made) as log:
        actions.set_price(log, Chemical.SODIUM_HYPOCHLORITE, 4.5, unit="L", at=datetime.now(UTC) - timedelta(days=1))
    return made


@pytest.fixture(scope="module")
def recovery_id(folder):
    with actions.open_log(folder) as log:
        return next(each.id for each in actions.open_recoveries(log) if each.pool.id == "copper-beech-31")


@pytest.fixture(scope="module")
def visit_id(folder, recovery_id):
    with actions.open_log(folder) as log:
        return actions.recovery(log, recovery_id).visits[-1].id


@pytest.fixture(scope="module")
def address(folder):
    with served(folder) as url:
        yield url


def findings(page):
    """Return axe's serious and critical findings as lines, one an element."""
    from axe_playwright_python.sync_playwright import Axe

    found = Axe().run(page, context={"exclude": [[each] for each in NOT_OURS]}).response
    # What axe could not run on is no pass.
    assert found["passes"], "axe found nothing to look at"
    return [
        f"{each['impact']} {each['id']}: {node['target']} {node['html'][:160]} {node['failureSummary'][-200:]}"
        for each in found["violations"]
        if each["impact"] in ("serious", "critical")
        for node in each["nodes"]
    ]


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", VIEWPORTS, ids=str)
def test_no_page_has_a_serious_finding(browser, address, recovery_id, visit_id, size, scheme):
    context = browser.new_context(**VIEWPORTS[size], color_scheme=scheme)
    page = context.new_page()
    page.set_default_timeout(TIMEOUT_MS)
    found = {}
    for path in (*(name for name in PAGES if name != "pool"), *OWN):
        go(page, f"{address}/{path.format(recovery=recovery_id, visit=visit_id)}")
        lines = findings(page)
        if lines:
            found[path] = lines
    context.close()
    assert found == {}


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_what_opens_at_a_tap_has_none_either(browser, address, recovery_id, scheme):
    context = browser.new_context(**VIEWPORTS["phone"], color_scheme=scheme)
    page = context.new_page()
    page.set_default_timeout(TIMEOUT_MS)
    for path, opened in (("pools", 3), ("visit?recovery={recovery}", 1), ("pool?recovery={recovery}", 2)):
        go(page, f"{address}/{path.format(recovery=recovery_id)}")
        for number in range(opened):
            page.locator('[data-testid="stExpander"] summary').nth(number).click()
            settle(page)
        assert findings(page) == [], path
    context.close()


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("language", LANGUAGES)
def test_customers_page_and_the_plain_ones_have_none(browser, address, folder, recovery_id, language, scheme):
    with actions.open_log(folder) as log:
        link = links.make_link(log, recovery_id, now=datetime.now(UTC), language=language).path
    context = browser.new_context(**VIEWPORTS["phone"], color_scheme=scheme)
    page = context.new_page()
    page.set_default_timeout(TIMEOUT_MS)
    for path in (link, "/r/none", "/sign-in", "/sign-out"):
        page.goto(address + path)
        assert findings(page) == [], path
    context.close()


def test_a_planted_finding_is_found(browser):
    page = browser.new_page()
    page.set_content('<html lang="en"><title>t</title><main><h1>t</h1><p style="color:#bbb">faint</p></main></html>')
    assert any("color-contrast" in line for line in findings(page))
    page.close()
