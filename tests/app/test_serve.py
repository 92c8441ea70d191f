"""Starting the dashboard: a free port, the address said when it answers, a clean stop."""

import os
import re
import signal
import socket
import subprocess
import sys
import urllib.error
import urllib.request
from pathlib import Path

import pytest

from app import serve as serve_module
from app.errors import CannotServe
from app.serve import ADDRESS, answers, free_port, serve

ROOT = Path(serve_module.__file__).parents[1]


@pytest.fixture
def taken_port():
    with socket.socket() as held:
        held.bind((ADDRESS, 0))
        held.listen()
        yield held.getsockname()[1]


def test_port_in_use_is_passed_over(taken_port):
    assert free_port(taken_port) > taken_port
    assert not answers(free_port(taken_port))


def test_no_free_port_is_a_sentence(taken_port, monkeypatch):
    monkeypatch.setattr(serve_module, "PORTS_TRIED", 1)
    with pytest.raises(CannotServe, match=rf"No port from {taken_port} on is free. Name another with --port"):
        free_port(taken_port)


def test_dashboard_that_ends_at_once_is_a_sentence(tmp_path, monkeypatch):
    broken = [sys.executable, "-c", "print('planted'); raise SystemExit(3)"]
    monkeypatch.setattr(serve_module, "dashboard_command", lambda **_options: broken)
    with pytest.raises(CannotServe, match=r"The dashboard did not start. What it printed is in .*dashboard.log"):
        serve(tmp_path, port=free_port(18_600), open_browser=False, say=print)
    assert (tmp_path / serve_module.OUTPUT_FILE).read_text() == "planted\n"


def test_dashboard_that_never_answers_is_stopped(tmp_path, monkeypatch):
    idle = [sys.executable, "-c", "import time; time.sleep(60)"]
    monkeypatch.setattr(serve_module, "dashboard_command", lambda **_options: idle)
    monkeypatch.setattr(serve_module, "READY_TIMEOUT_S", 0.3)
    started = []
    real = subprocess.Popen
    monkeypatch.setattr(serve_module.subprocess, "Popen", lambda *a, **k: started.append(real(*a, **k)) or started[-1])
    with pytest.raises(CannotServe, match="did not answer within"):
        serve(tmp_path, port=free_port(18_600), open_browser=False, say=print)
    assert started[0].poll() is not None


@pytest.mark.parametrize("address", ["0.0.0.0", "::", "192.0.2.1", "pools.example"])
def test_without_accounts_no_other_address_is_listened_on(tmp_path, address, monkeypatch):
    monkeypatch.setattr(serve_module.subprocess, "Popen", lambda *_given, **_more: pytest.fail("it was started"))
    with pytest.raises(CannotServe, match=r"without accounts everybody .* Add the first account: turnblue account add"):
        serve(tmp_path, port=18_600, open_browser=False, say=print, address=address)


def test_an_address_of_another_machine_is_a_sentence():
    with pytest.raises(CannotServe, match=r"192\.0\.2\.1 is no address of this machine"):
        free_port(18_600, "192.0.2.1")


def test_this_port_means_no_other(taken_port):
    with pytest.raises(CannotServe, match=rf"The port {taken_port} is in use"):
        free_port(taken_port, this_port=True)


@pytest.mark.slow
@pytest.mark.skipif(os.name == "nt", reason="Windows sends no SIGINT to one process")
@pytest.mark.parametrize("stop", [signal.SIGINT, signal.SIGTERM], ids=["Ctrl-C", "terminate"])
def test_serve_answers_says_so_and_stops_cleanly(tmp_path, stop):
    port = free_port(18_700)
    told = subprocess.Popen(
        [sys.executable, "-c", "from app.cli import main; main()", "serve", "--no-browser", "--port", str(port)],
        cwd=ROOT,
        env={**os.environ, "TURNBLUE_HOME": str(tmp_path / "home"), "PYTHONUNBUFFERED": "1"},
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        # A shell that started the tests in the background lets them, and all they start, ignore Ctrl-C.
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    )
    try:
        line = told.stdout.readline()
        assert re.fullmatch(r"The dashboard answers at http://localhost:\d+ \(Ctrl-C stops it\)\.\n", line)
        url = re.search(r"http://\S+", line).group()
        with urllib.request.urlopen(url, timeout=10) as page:
            assert page.status == 200
        told.send_signal(stop)
        assert told.stdout.read() == "The dashboard stopped.\n"
        assert told.wait(20) == 0
    finally:
        told.kill()
        told.wait()
        told.stdout.close()
    with pytest.raises(urllib.error.URLError):
        urllib.request.urlopen(url, timeout=2)
