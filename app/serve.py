"""Starts the dashboard, says when it answers, and stops it cleanly.

In: the log's folder, an address and a port. Out: nothing; returns when the dashboard has ended. Unless it is told
otherwise and there are accounts, it listens on this machine alone.
"""

from __future__ import annotations

import errno
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
from app.dashboard.start import dashboard_command, dashboard_environment, is_loopback
from app.errors import CannotServe

ADDRESS = "127.0.0.1"
"""The address listened on unless another is asked for: this machine's own."""

HEALTH_PATH = "/_stcore/health"
"""Where the dashboard answers that it is up."""

READY_TIMEOUT_S = 90.0
"""How long we wait for the first answer [s]; seconds on a laptop, more on a busy machine with a cold disk."""

STOP_TIMEOUT_S = 10.0
"""How long the dashboard may take to end before it is made to [s]."""

OUTPUT_FILE = "dashboard.log"
"""What the dashboard prints, in the log's folder."""


def free_port(asked: int, address: str = ADDRESS, *, this_port: bool = False) -> int:
    """Return the port asked for, or the next one on this machine that is free.

    Parameters
    ----------
    this_port : bool
        Take no other: a proxy in front of us knows only that one.

    Raises
    ------
    CannotServe
        If none of the next `PORTS_TRIED` is, or the address is none of this machine's.
    """
    family = socket.AF_INET6 if ":" in address else socket.AF_INET
    for port in range(asked, min(asked + (1 if this_port else PORTS_TRIED), 65536)):
        with socket.socket(family, socket.SOCK_STREAM) as trial:
            if os.name == "posix":
                # As the dashboard itself does: a port that a stopped one left waiting counts as free.
                trial.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                trial.bind((address, port))
            except OSError as error:
                if error.errno in (errno.EADDRNOTAVAIL, None) or isinstance(error, socket.gaierror):
                    raise CannotServe(
                        f"{address} is no address of this machine.", "Name one of its own, or leave --address out."
                    ) from error
                continue
            return port
    if this_port:
        raise CannotServe(f"The port {asked} is in use.", "Stop what uses it, or name another with --port.")
    raise CannotServe(f"No port from {asked} on is free.", "Name another with --port.")


def serve(
    folder: Path,
    *,
    port: int,
    open_browser: bool,
    say: Callable[[str], None],
    address: str = ADDRESS,
    this_port: bool = False,
    has_accounts: bool = False,
) -> None:
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
    address : str
        Address to listen on.
    this_port : bool
        Take no other port.
    has_accounts : bool
        Whether the log has accounts, without which other machines are not let near.

    Raises
    ------
    CannotServe
        If it does not answer in time, or ends by itself; if other machines could reach it and there are no accounts.
    """
    if not has_accounts and not is_loopback(address):
        raise CannotServe(
            f"Other machines can reach {address}, and without accounts everybody on them could see the log.",
            "Add the first account: turnblue account add NAME --role owner. Or leave --address out.",
        )
    port = free_port(port, address, this_port=this_port)
    output = folder / OUTPUT_FILE
    with output.open("ab") as printed, _stopped_by_signal():
        running = subprocess.Popen(
            dashboard_command(port=port, address=address),
            env=dashboard_environment(folder.resolve(), os.environ),
            stdin=subprocess.DEVNULL,
            stdout=printed,
            stderr=printed,
            # An interrupt at the terminal is ours to pass on, once.
            start_new_session=True,
        )
        try:
            _wait_until_ready(running, port, address, output)
            url = f"http://{_named(address)}:{port}"
            say(f"The dashboard answers at {url} (Ctrl-C stops it).")
            if not is_loopback(address):
                say("Without HTTPS others can read passwords on the way, and phones give no camera.")
            if open_browser and _has_screen():
                webbrowser.open(url)
            if running.wait() != 0:
                raise CannotServe("The dashboard ended by itself.", f"What it printed is in {output}.")
        except KeyboardInterrupt:
            say("The dashboard stopped.")
        finally:
            _stop(running)


def _wait_until_ready(running: subprocess.Popen[bytes], port: int, address: str, output: Path) -> None:
    """Return when the dashboard answers."""
    deadline = time.monotonic() + READY_TIMEOUT_S
    while not answers(port, address):
        if running.poll() is not None:
            raise CannotServe("The dashboard did not start.", f"What it printed is in {output}.")
        if time.monotonic() > deadline:
            raise CannotServe(
                f"The dashboard did not answer within {READY_TIMEOUT_S:.0f} seconds.", f"See {output}, or try again."
            )
        time.sleep(0.1)


def answers(port: int, address: str = ADDRESS) -> bool:
    """Return whether a dashboard on this machine answers at that port."""
    connection = http.client.HTTPConnection(_ANY.get(address, address), port, timeout=2)
    try:
        connection.request("GET", HEALTH_PATH)
        return connection.getresponse().status == http.HTTPStatus.OK
    except (OSError, http.client.HTTPException):
        return False
    finally:
        connection.close()


def _named(address: str) -> str:
    """Return an address as it stands in a link."""
    if is_loopback(address):
        return "localhost"
    return f"[{address}]" if ":" in address else address


_ANY = {"0.0.0.0": "127.0.0.1", "::": "::1"}
"""Addresses that mean all of this machine's, and the one we ask ourselves at."""


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
