"""The dashboard served on a log, and a headless Chromium to look at it with; shared by the browser tests."""

import http.client
import os
import shutil
import signal
import socket
import subprocess
import threading
import time
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest

from app.dashboard.start import dashboard_command, dashboard_environment

REQUIRED = os.environ.get("TURNBLUE_BROWSER") == "required"
VIEWPORTS = {
    "phone": {"viewport": {"width": 390, "height": 844}, "is_mobile": True, "has_touch": True},
    "desktop": {"viewport": {"width": 1440, "height": 900}},
}
FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]

TIMEOUT_MS = 60_000
"""Measuring two photos on a busy machine with two cores takes seconds."""


def chromium_path():
    named = os.environ.get("TURNBLUE_CHROMIUM")
    found = named or next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)
    return found if found and Path(found).exists() else None


@contextmanager
def chromium():
    """Give a started Chromium; where none is installed, skip and say so, or fail where one is required."""
    path = chromium_path()
    if path is None:
        reason = "no Chromium was found (name one by TURNBLUE_CHROMIUM)"
        if REQUIRED:
            pytest.fail(reason)
        pytest.skip(reason)
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=path, args=FLAGS)
        yield started
        started.close()


@contextmanager
def served(folder):
    """Run the dashboard on a log; give its address, and end it again."""
    with socket.socket() as trial:
        trial.bind(("127.0.0.1", 0))
        port = trial.getsockname()[1]
    running = subprocess.Popen(
        dashboard_command(port=port),
        env=dashboard_environment(folder, os.environ),
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        deadline = time.monotonic() + 90
        while not answers(port):
            assert running.poll() is None, "the dashboard ended by itself"
            assert time.monotonic() < deadline, "the dashboard does not answer"
            time.sleep(0.1)
        yield f"http://127.0.0.1:{port}"
    finally:
        running.send_signal(signal.SIGTERM)
        try:
            running.wait(20)
        except subprocess.TimeoutExpired:
            running.kill()
            running.wait()


def answers(port):
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=2)
    try:
        connection.request("GET", "/_stcore/health")
        return connection.getresponse().status == 200
    except OSError:
        return False
    finally:
        connection.close()


def go(page, url):
    page.goto(url)
    page.wait_for_selector("h1")
    settle(page)


def settle(page):
    """Wait until the run has ended and what it drew has its size."""
    page.wait_for_selector('[data-testid="stApp"][data-test-script-state="notRunning"]')
    page.wait_for_timeout(500)


def until(page, holds):
    """Wait until something holds that the page does not show: no longer than a page is waited for."""
    for _ in range(TIMEOUT_MS // 100):
        if holds():
            return
        page.wait_for_timeout(100)
    pytest.fail("it did not come so far")


def unfold(page, title, *, by="click"):
    """Open a folded part of the page by its title, and wait until it stands still: a tap on what moves misses it."""
    part = page.locator("details").filter(has=page.locator("summary").get_by_text(title))
    getattr(part.locator("summary"), by)()
    still = "each => each.open && each.style.overflow !== 'hidden' && !each.getAnimations().length"
    until(page, lambda: part.evaluate(still))


def assert_sound(page):
    assert page.locator('[data-testid="stException"]').count() == 0
    assert "Traceback" not in page.inner_text("body")
    # One pixel of rounding is no scroll.
    wide = "[...document.querySelectorAll('html, [data-testid=stMain]')].filter(e => e.scrollWidth > e.clientWidth + 1)"
    assert page.evaluate(f"{wide}.length") == 0, "the page scrolls sideways"


class Wire:
    """A connection to the dashboard that can be cut and mended, as a phone's is between two bars of signal.

    In: the dashboard's address. Out: `url`, another address of the same. While it is cut nothing gets through, neither
    a request nor what is open already; mended, the page finds its way back by itself.
    """

    def __init__(self, address):
        self._to = ("127.0.0.1", int(address.rpartition(":")[2]))
        self._whole = threading.Event()
        self._whole.set()
        self._open = set()
        self._listening = socket.create_server(("127.0.0.1", 0))
        self.url = f"http://127.0.0.1:{self._listening.getsockname()[1]}"
        threading.Thread(target=self._accept, daemon=True).start()

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.cut()
        self._listening.close()

    def cut(self):
        self._whole.clear()
        for each in list(self._open):
            with suppress(OSError):
                each.shutdown(socket.SHUT_RDWR)

    def mend(self):
        self._whole.set()

    def _accept(self):
        while True:
            try:
                near, _ = self._listening.accept()
            except OSError:
                return
            try:
                far = socket.create_connection(self._to) if self._whole.is_set() else None
            except OSError:
                far = None
            if far is None:
                near.close()
                continue
            self._open |= {near, far}
            for one, other in ((near, far), (far, near)):
                threading.Thread(target=self._carry, args=(one, other), daemon=True).start()

    def _carry(self, one, other):
        with suppress(OSError):
            while part := one.recv(65_536):
                if not self._whole.is_set():
                    break
                other.sendall(part)
        for each in (one, other):
            with suppress(OSError):
                each.shutdown(socket.SHUT_RDWR)
            each.close()
            self._open.discard(each)
