"""Accounts in a real browser, phone and desktop: the first one, signing in, what each role is shown, the way out."""

from datetime import UTC, datetime

import pytest
from in_browser import TIMEOUT_MS, VIEWPORTS, assert_sound, served, settle, unfold

from app import actions, people
from app.access import RIGHTS, Role
from app.dashboard.main import PAGES
from app.records import Company, FilterKind, Pool

SECRET = "cedar lantern ninety gravel"
OWN, OTHER = "Cedar Lane 12", "Birch Hollow 77"

pytestmark = [pytest.mark.browser, pytest.mark.slow]


@pytest.fixture(params=VIEWPORTS, ids=str)
def page(request, browser):
    context = browser.new_context(**VIEWPORTS[request.param])
    opened = context.new_page()
    opened.set_default_timeout(TIMEOUT_MS)
    yield opened
    context.close()


def fill_log(folder, *, accounts):
    """Make a log with two pools, and an account of each role where asked for; return the recoveries' ids by pool."""
    now = datetime.now(UTC)
    with actions.open_log(folder) as log:
        actions.save_company(log, Company("Quillhaven Pool Care", invented=True), at=now)
        pools = [actions.add_pool(log, Pool("", name, 56_000.0, FilterKind.SAND), at=now) for name in (OWN, OTHER)]
        opened = {pool.name: actions.open_recovery(log, pool.id, at=now).id for pool in pools}
        if accounts:
            people.add_account(log, "Olive", Role.OWNER, password=SECRET, at=now)
            people.add_account(log, "Sam", Role.OFFICE, password=SECRET, at=now)
            people.add_account(log, "Robin", Role.TECH, password=SECRET, at=now, sees_all=False, pools=[pools[0].id])
    return opened


@pytest.fixture(scope="module")
def staffed(tmp_path_factory):
    folder = tmp_path_factory.mktemp("accounts") / "log"
    opened = fill_log(folder, accounts=True)
    with served(folder) as url:
        yield url, opened, folder


def enter(page, url, name, password=SECRET):
    page.goto(url)
    page.fill("#name", name)
    page.fill("#password", password)
    page.get_by_role("button", name="Sign in").click()


def at(page, url, path, text):
    """Open a page and wait until it says `text`; return all it says."""
    page.goto(f"{url}/{path}")
    page.get_by_text(text).first.wait_for()
    settle(page)
    return page.inner_text("body")


def test_sign_in_page_is_sound_and_says_what_was_wrong(page, staffed):
    url = staffed[0]
    enter(page, f"{url}/pools", "Olive", "wrong wrong wrong")
    assert "Name and password do not fit." in page.get_by_role("alert").inner_text()
    assert page.input_value("#name") == "Olive"
    for field in ("#name", "#password"):
        assert page.locator(field).bounding_box()["height"] >= 48
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    page.fill("#password", SECRET)
    page.keyboard.press("Enter")
    # Back where the person wanted to go.
    page.wait_for_url("**/pools")


@pytest.mark.parametrize(
    ("name", "shown", "hidden"),
    [
        ("Olive", {"accounts": "Everybody", "pools": "Add a pool", "more": "Company"}, {}),
        ("Sam", {"pools": "Add a pool"}, {"accounts": "Everybody", "more": "Save the company"}),
        ("Robin", {"": "1 open"}, {"accounts": "Everybody", "pools": "Add a pool", "more": "Save the company"}),
    ],
    ids=["owner", "office", "tech"],
)  # fmt: skip
@pytest.mark.parametrize("page", ["phone"], indirect=True)
def test_each_role_is_shown_its_own(page, staffed, name, shown, hidden):
    url, opened, _ = staffed
    enter(page, url, name)
    page.get_by_text("open").first.wait_for()
    known = {"": "Board", "accounts": "Signed in as", "pools": "Pools", "more": "More"}
    for path, words in shown.items():
        assert words in at(page, url, path, known[path])
        assert_sound(page)
    for path, words in hidden.items():
        assert words not in at(page, url, path, known[path])
    body = at(page, url, f"pool?recovery={opened[OTHER]}", "There is no recovery" if name == "Robin" else OTHER)
    assert (OTHER in body) is (name != "Robin")
    for path in ("", "pools"):
        page.goto(f"{url}/{path}")
        page.get_by_text(OWN).first.wait_for()
        assert (OTHER in page.inner_text("body")) is (name != "Robin")


@pytest.mark.parametrize(("name", "role"), [(None, Role.NO_ONE), ("Robin", Role.TECH), ("Sam", Role.OFFICE)], ids=str)
@pytest.mark.parametrize("page", ["phone"], indirect=True)
def test_each_role_is_refused_the_pages_it_may_not_have(page, staffed, name, role):
    url, opened, _ = staffed
    if name:
        enter(page, url, name)
        page.get_by_text("open").first.wait_for()
    for path, (_title, _show, right) in PAGES.items():
        if right in RIGHTS[role]:
            continue
        page.goto(f"{url}/{path}" if path != "board" else url)
        if role is Role.NO_ONE:
            page.wait_for_selector("#password")
            continue
        page.get_by_text(f"The {role.value} role may not do this.").wait_for()
        assert page.get_by_role("button", name="Save").count() == 0
    # Another's pool by its address, and what a page of it would load, are not there for a tech.
    if role is Role.TECH:
        for query in (f"pool?recovery={opened[OTHER]}", f"visit?recovery={opened[OTHER]}"):
            body = at(page, url, query, "There is no recovery" if query.startswith("pool") else "Visit")
            assert OTHER not in body


@pytest.mark.parametrize("page", ["phone"], indirect=True)
def test_signing_out_and_being_signed_out(page, staffed):
    url, _, folder = staffed
    enter(page, url, "Sam")
    page.get_by_text("2 open").wait_for()
    at(page, url, "accounts", "Signed in as")
    page.get_by_role("link", name="Sign out on this device").click()
    page.get_by_role("button", name="Sign out on this device").click()
    page.wait_for_selector("#password")
    page.goto(f"{url}/pools")
    page.wait_for_selector("#password")
    enter(page, url, "Sam")
    page.get_by_text("2 open").wait_for()
    with actions.open_log(folder) as log:
        people.end_sessions(log, people.find_account(log, "Sam").id, at=datetime.now(UTC))
    # The page is still open on its socket; the next tap finds the door closed.
    page.get_by_role("link", name="Pools").click()
    page.get_by_text("You are not signed in.").wait_for()
    assert OTHER not in page.inner_text("body")


def test_first_account_closes_the_house(browser, tmp_path):
    fill_log(tmp_path / "log", accounts=False)
    with served(tmp_path / "log") as url:
        context = browser.new_context(**VIEWPORTS["phone"])
        page = context.new_page()
        page.set_default_timeout(TIMEOUT_MS)
        at(page, url, "accounts", "Nobody needs to sign in at this machine")
        page.get_by_label("Your name").fill("Olive")
        page.get_by_label("Password, at least 12 characters").fill("short")
        page.get_by_role("button", name="Make me the owner").click()
        page.get_by_text("The password is too short").wait_for()
        page.get_by_label("Password, at least 12 characters").fill(SECRET)
        page.get_by_role("button", name="Make me the owner").click()
        page.get_by_text("Your account is there").wait_for()
        page.get_by_role("link", name="Sign in").click()
        enter(page, url, "Olive")
        page.get_by_text("2 open").wait_for()
        at(page, url, "accounts", "Everybody")
        unfold(page, "Add an account")
        page.get_by_label("Name to sign in with").last.fill("Kit")
        page.get_by_role("button", name="Add the account").click()
        told = page.get_by_text("Kit's password:")
        told.wait_for()
        password = told.inner_text().split("Kit's password: ")[1].split()[0]
        context.close()
        other = browser.new_context(**VIEWPORTS["phone"])
        enter(other.new_page(), url, "Kit", password)
        other.pages[0].get_by_text("2 open").wait_for(timeout=TIMEOUT_MS)
        other.close()
