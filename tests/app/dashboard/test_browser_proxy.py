"""The hosting page's proxy in front of the dashboard, over HTTPS, in a real browser: signing in, a page, a link."""

import http.client
import os
import re
import shutil
import socket
import subprocess
import time
from datetime import UTC, datetime
from pathlib import Path

import pytest
from in_browser import REQUIRED, TIMEOUT_MS, VIEWPORTS, assert_sound, served, settle

import app
from app import actions, people
from app.access import Role
from app.records import Company, FilterKind, Pool

SECRET = "cedar lantern ninety gravel"
# Where a system keeps its servers is not on everybody's path.
NGINX = shutil.which("nginx", path=os.pathsep.join((os.environ.get("PATH", ""), "/usr/sbin", "/usr/local/sbin")))
PROXY = Path(app.__file__).parent / "hosting" / "nginx.conf"

pytestmark = [pytest.mark.browser, pytest.mark.slow]


def free_ports(count):
    held = [socket.socket() for _ in range(count)]
    for each in held:
        each.bind(("127.0.0.1", 0))
    ports = [each.getsockname()[1] for each in held]
    for each in held:
        each.close()
    return ports


@pytest.fixture(scope="module")
def behind(tmp_path_factory):
    """Serve a staffed log behind nginx with the file that is shipped; only names, ports and certificate are put in."""
    if NGINX is None:
        if REQUIRED:
            pytest.fail("no nginx was found")
        pytest.skip("no nginx was found")
    folder = tmp_path_factory.mktemp("proxy")
    now = datetime.now(UTC)
    with actions.open_log(folder / "log") as log:
        actions.save_company(log, Company("Quillhaven Pool Care", invented=True), at=now)
        actions.add_pool(log, Pool("", "Cedar Lane 12", 56_000.0, FilterKind.SAND), at=now)
        people.add_account(log, "Olive", Role.OWNER, password=SECRET, at=now)
    made = ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-subj", "/CN=localhost", "-days", "1"]
    subprocess.run([*made, "-keyout", folder / "k.pem", "-out", folder / "c.pem"], check=True, capture_output=True)
    plain, secure = free_ports(2)
    with served(folder / "log") as inside:
        site = PROXY.read_text()
        for old, new in (
            ("/etc/letsencrypt/live/pools.example/fullchain.pem", str(folder / "c.pem")),
            ("/etc/letsencrypt/live/pools.example/privkey.pem", str(folder / "k.pem")),
            ("listen 80;", f"listen 127.0.0.1:{plain};"),
            ("listen 443 ssl;", f"listen 127.0.0.1:{secure} ssl;"),
            ("pools.example", "localhost"),
            ("root /var/www/html;", f"root {folder}/html;"),
            ("https://$host$request_uri", f"https://$host:{secure}$request_uri"),
            # A name's own port is left out where it is the usual one.
            ("Host              $host;", f"Host              $host:{secure};"),
            ("http://127.0.0.1:8501", inside),
        ):
            assert old in site, old
            site = site.replace(old, new)
        whole = folder / "nginx.conf"
        paths = "".join(
            f"{each}_temp_path {folder}/{each};\n" for each in ("client_body", "proxy", "fastcgi", "uwsgi", "scgi")
        )
        # Its workers read this folder as who runs the test does.
        user = "user root;\n" if os.geteuid() == 0 else ""
        whole.write_text(
            f"{user}daemon off;\npid {folder}/pid;\nerror_log {folder}/errors.log;\nevents {{}}\n"
            f"http {{\naccess_log {folder}/access.log;\n{paths}{site}\n}}\n"
        )
        running = subprocess.Popen([NGINX, "-c", str(whole)], stderr=subprocess.DEVNULL)
        try:
            deadline = time.monotonic() + 30
            while not answers(secure):
                assert running.poll() is None, (folder / "errors.log").read_text()
                assert time.monotonic() < deadline, "nginx does not answer"
                time.sleep(0.1)
            yield f"http://localhost:{plain}", f"https://localhost:{secure}", folder
        finally:
            running.terminate()
            running.wait(20)


def answers(port):
    with socket.socket() as trial:
        return trial.connect_ex(("127.0.0.1", port)) == 0


def test_a_phone_signs_in_and_works_through_the_proxy(behind, browser):
    plain, secure, folder = behind
    context = browser.new_context(**VIEWPORTS["phone"], ignore_https_errors=True)
    page = context.new_page()
    page.set_default_timeout(TIMEOUT_MS)
    # Plain HTTP is sent on to HTTPS, and who is not signed in to the door.
    page.goto(plain)
    page.fill("#name", "Olive")
    page.fill("#password", SECRET)
    page.get_by_role("button", name="Sign in").click()
    page.wait_for_selector("h1")
    settle(page)
    assert page.url.startswith(secure)
    # A page that needs its socket has drawn what the log holds.
    page.goto(f"{secure}/pools")
    page.get_by_text("Cedar Lane 12").first.wait_for()
    settle(page)
    assert_sound(page)
    # The camera's interface is there on a safe address only.
    assert page.evaluate("window.isSecureContext && !!navigator.mediaDevices")
    (cookie,) = [each for each in context.cookies() if each["httpOnly"]]
    assert cookie["secure"]
    assert cookie["sameSite"] in ("Lax", "Strict")
    context.close()
    # What was asked for stands in the proxy's log without a secret or a token.
    logged = (folder / "access.log").read_text()
    assert "/pools" in logged
    assert SECRET.split()[0] not in logged
    assert cookie["value"] not in logged


def test_a_link_through_the_proxy_is_in_no_log(behind, browser):
    _, secure, folder = behind
    context = browser.new_context(ignore_https_errors=True)
    answered = context.request.get(f"{secure}/r/not-a-token-that-was-ever-given")
    assert answered.status in (404, 410)
    context.close()
    assert "not-a-token" not in (folder / "access.log").read_text()
    assert not re.search(r"\b(crit|emerg|alert)\b", (folder / "errors.log").read_text())


def test_the_renewals_address_is_served_and_all_else_goes_to_https(behind):
    plain, secure, folder = behind
    asked = folder / "html" / ".well-known" / "acme-challenge"
    asked.mkdir(parents=True)
    (asked / "token").write_text("mine")
    port = int(plain.rpartition(":")[2])
    said = []
    for path in ("/.well-known/acme-challenge/token", "/pools?x=1"):
        connection = http.client.HTTPConnection("127.0.0.1", port, timeout=10)
        connection.request("GET", path, headers={"Host": "localhost"})
        answer = connection.getresponse()
        said.append((answer.status, answer.read() if answer.status == 200 else answer.getheader("Location")))
        connection.close()
    assert said == [(200, b"mine"), (301, f"{secure}/pools?x=1")]
