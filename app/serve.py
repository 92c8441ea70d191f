"""Starts the dashboard, says when it answers, and stops it cleanly.

In: the log's folder and a port. Out: nothing; returns when the dashboard has ended. The dashboard listens on this
machine alone.
"""

from __future__ import annotations

import http.client
import os
import signal
import socket
import subprocess
import sys
import time
import webbrowser
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from app.config import PORTS_TRIED
from app.dashboard.start import dashboard_command, dashboard_environment
from app.errors import CannotServe

ADDRESS = "127.0.0.1"
"""The only address listened on: nothing leaves the machine before there are accounts."""

HEALTH_PATH = "/_stcore/health"
"""Where the dashboard answers that it is up."""

READY_TIMEOUT_S = 90.0
"""How long we wait for the first answer [s]; seconds on a laptop, more on a busy machine with a cold disk."""

STOP_TIMEOUT_S = 10.0
"""How long the dashboard may take to end before it is made to [s]."""

OUTPUT_FILE = "dashboard.log"
"""What the dashboard prints, in the log's folder."""


def free_port(asked: int) -> int:
    """Return the port asked for, or the next one on this machine that is free.

    Raises
    ------
    CannotServe
        If none of the next `PORTS_TRIED` is.
    """
    for port in range(asked, min(asked + PORTS_TRIED, 65536)):
        with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as trial:
            if os.name == "posix":
                # As the dashboard itself does: a port that a stopped one left waiting counts as free.
                trial.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                trial.bind((ADDRESS, port))
            except OSError:
                continue
            return port
    raise CannotServe(f"No port from {asked} on is free.", "Name another with --port.")


def serve(folder: Path, *, port: int, open_browser: bool, say: Callable[[str], None]) -> None:
    """Run the dashboard on the log in `folder` until it is interrupted.

    Parameters
    ----------
    folder : Path
        The log's folder; it must be there.
    port : int
        Port asked for; the next free one is taken where it is in use.
    open_browser : bool
        Show it in this machine's browser once it answers.
    say : callable
        Told the address once it answers, and that it stopped.

    Raises
    ------
    CannotServe
        If it does not answer in time, or ends by itself.
    """
    port = free_port(port)
    output = folder / OUTPUT_FILE
    with output.open("ab") as printed, _stopped_by_signal():
        running = subprocess.Popen(
            dashboard_command(port=port, address=ADDRESS),
            env=dashboard_environment(folder.resolve(), os.environ),
            stdin=subprocess.DEVNULL,
            stdout=printed,
            stderr=printed,
            # An interrupt at the terminal is ours to pass on, once.
            start_new_session=True,
        )
        try:
            _wait_until_ready(running, port, output)
            url = f"http://localhost:{port}"
            say(f"The dashboard answers at {url} (Ctrl-C stops it).")
            if open_browser and _has_screen():
                webbrowser.open(url)
            if running.wait() != 0:
                raise CannotServe("The dashboard ended by itself.", f"What it printed is in {output}.")
        except KeyboardInterrupt:
            say("The dashboard stopped.")
        finally:
            _stop(running)


def _wait_until_ready(running: subprocess.Popen[bytes], port: int, output: Path) -> None:
    """Return when the dashboard answers."""
    deadline = time.monotonic() + READY_TIMEOUT_S
    while not answers(port):
        if running.poll() is not None:
            raise CannotServe("The dashboard did not start.", f"What it printed is in {output}.")
        if time.monotonic() > deadline:
            raise CannotServe(
                f"The dashboard did not answer within {READY_TIMEOUT_S:.0f} seconds.", f"See {output}, or try again."
            )
        time.sleep(0.1)


def answers(port: int) -> bool:
    """Return whether a dashboard on this machine answers at that port."""
    connection = http.client.HTTPConnection(ADDRESS, port, timeout=2)
    try:
        connection.request("GET", HEALTH_PATH)
        return connection.getresponse().status == http.HTTPStatus.OK
    except (OSError, http.client.HTTPException):
        return False
    finally:
        connection.close()


def _stop(running: subprocess.Popen[bytes]) -> None:
    """End the dashboard: asked first, then made to."""
    if running.poll() is None:
        running.terminate()
        try:
            running.wait(STOP_TIMEOUT_S)
        except subprocess.TimeoutExpired:
            running.kill()
            running.wait()


@contextmanager
def _stopped_by_signal() -> Iterator[None]:
    """Take a request to terminate as an interrupt, so that the dashboard never outlives us."""

    def interrupt(_number: int, _frame: object) -> None:
        raise KeyboardInterrupt

    before = signal.signal(signal.SIGTERM, interrupt)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)


def _has_screen() -> bool:
    """Return whether a browser would open on a screen, not as text in this terminal."""
    return sys.platform in ("win32", "darwin") or bool(os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY"))
