"""The hosting page's files: the unit and the proxy's example fit the program, and work."""

import re
import shlex
import shutil
import subprocess
import sys
import time
import urllib.error
import urllib.request
from datetime import UTC, datetime
from pathlib import Path
from urllib.parse import urlencode

import pytest

import app
from app import actions, people
from app.access import Role
from app.cli import main
from app.dashboard import company_sign_in, doors
from app.dashboard.start import SETTINGS
from app.serve import HEALTH_PATH, STOP_TIMEOUT_S, free_port
from app.store.accounts import note_failure
from app.store.photos import sha256_of

HOSTING = Path(app.__file__).parent / "hosting"
SECRET = "cedar lantern ninety gravel"


def unit():
    lines = [
        line.split("=", 1)
        for line in (HOSTING / "turnblue.service").read_text().splitlines()
        if re.match(r"\w+=", line)
    ]
    return dict(lines)


def proxy():
    return (HOSTING / "nginx.conf").read_text()


def test_unit_starts_a_command_that_is_there():
    command = shlex.split(unit()["ExecStart"])
    assert command[0].endswith("/turnblue")
    with main.commands[command[1]].make_context("serve", command[2:]) as context:
        asked = context.params
    assert (asked["address"], asked["this_port"], asked["no_browser"]) == ("127.0.0.1", True, True)
    assert f"127.0.0.1:{asked['port']};" in proxy()
    # It must have ended by itself before the machine makes it to.
    assert float(unit()["TimeoutStopSec"]) > STOP_TIMEOUT_S
    assert "TURNBLUE_HOME=/var/lib/turnblue" in unit()["Environment"]


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="no systemd here")
def test_unit_is_sound(tmp_path):
    text = (HOSTING / "turnblue.service").read_text()
    program = unit()["ExecStart"].split()[0]
    user = subprocess.run(["id", "-un"], capture_output=True, text=True).stdout.strip()
    there = re.sub(r"=turnblue$", f"={user}", text.replace(program, sys.executable), flags=re.MULTILINE)
    copy = tmp_path / "turnblue.service"
    copy.write_text(there.replace("StateDirectory=" + user, "StateDirectory=turnblue"))
    done = subprocess.run(["systemd-analyze", "verify", str(copy)], capture_output=True, text=True, timeout=60)
    complaints = [line for line in (done.stdout + done.stderr).splitlines() if "turnblue.service" in line]
    assert complaints == []


@pytest.mark.skipif(shutil.which("nginx") is None, reason="no nginx here")
def test_proxy_takes_its_file(tmp_path):
    made = ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-subj", "/CN=pools.example", "-days", "1"]
    subprocess.run([*made, "-keyout", tmp_path / "k.pem", "-out", tmp_path / "c.pem"], check=True, capture_output=True)
    site = re.sub(r"/etc/letsencrypt/live/pools.example/fullchain.pem", str(tmp_path / "c.pem"), proxy())
    site = re.sub(r"/etc/letsencrypt/live/pools.example/privkey.pem", str(tmp_path / "k.pem"), site)
    whole = tmp_path / "nginx.conf"
    whole.write_text(f"pid {tmp_path}/pid;\nerror_log stderr;\nevents {{}}\nhttp {{\naccess_log off;\n{site}\n}}\n")
    done = subprocess.run(["nginx", "-t", "-c", str(whole)], capture_output=True, text=True, timeout=30)
    assert done.returncode == 0, done.stderr


def test_proxys_file_is_well_formed():
    text = re.sub(r"#.*", "", proxy())
    assert text.count("{") == text.count("}")
    for line in filter(None, map(str.strip, text.splitlines())):
        assert line.endswith((";", "{", "}")), line
    # It takes photos as large as Streamlit does, with a little for the form around them.
    largest = int(re.search(r"client_max_body_size (\d+)m;", text).group(1))
    assert int(SETTINGS["server.maxUploadSize"]) < largest < 1.2 * int(SETTINGS["server.maxUploadSize"])
    # Every place hands on who asks and how, set and never appended.
    places = [each for each in re.findall(r"location [^{]+\{([^}]*)\}", text) if "proxy_pass" in each]
    assert places
    for place in places:
        sent = dict(re.findall(r"proxy_set_header (\S+)\s+(\S+);", place))
        assert sent["Host"] == "$host"
        assert (sent["X-Forwarded-For"], sent["X-Forwarded-Proto"]) == ("$remote_addr", "$scheme")
    assert "$proxy_add_x_forwarded_for" not in text


def test_links_are_in_no_proxys_log():
    place = re.search(r"location /r/ \{([^}]*)\}", proxy()).group(1)
    assert "access_log off;" in place
    assert any(door.path.startswith("/r/") for door in doors.DOORS)


@pytest.mark.skipif(shutil.which("nginx") is None, reason="no nginx here")
def test_proxy_takes_no_file_before_its_certificate_is_there(tmp_path):
    # So the page gets the certificate first; the tool that edits nginx's files would stop at its own check.
    whole = tmp_path / "nginx.conf"
    site = proxy().replace("/etc/letsencrypt", str(tmp_path))
    whole.write_text(f"pid {tmp_path}/pid;\nerror_log stderr;\nevents {{}}\nhttp {{\naccess_log off;\n{site}\n}}\n")
    done = subprocess.run(["nginx", "-t", "-c", str(whole)], capture_output=True, text=True, timeout=30)
    assert done.returncode != 0
    assert "cannot load certificate" in done.stderr
    page = (HOSTING / "README.md").read_text()
    assert page.index("certbot certonly") < page.index("cp nginx.conf")


def test_certificate_is_renewed_where_the_page_says():
    page = (HOSTING / "README.md").read_text()
    root = re.search(r"--webroot -w (\S+)", page).group(1)
    place = re.search(r"location /.well-known/acme-challenge/ \{([^}]*)\}", proxy()).group(1)
    assert f"root {root};" in place


def test_page_names_what_is_there():
    page = (HOSTING / "README.md").read_text()
    known = {door.path for door in doors.DOORS} | {HEALTH_PATH}
    for path in re.findall(r"(?:8501|pools\.example)(/[\w/-]+)", page):
        assert path in known, path
    for variable in re.findall(r"^(TURNBLUE_\w+)=", page, re.MULTILINE):
        assert variable in vars(company_sign_in).values(), variable
    for file in re.findall(r"\]\(([\w.]+)\)", page):
        assert (HOSTING / file).is_file()
    for command in re.findall(r"turnblue account ([\w-]+)", page):
        assert command in main.commands["account"].commands
    for days, what in ((people.IDLE_DAYS, "days after its last use"), (people.FAILURES_COUNTED_MIN, "minutes")):
        assert f"{days} {what}" in page
    assert (people.FAILURES_OF_NAME, people.FAILURES_OF_ADDRESS) == (10, 50)


class _Stay(urllib.request.HTTPRedirectHandler):
    def redirect_request(self, *_given):
        return None


def through_proxy(port, path, *, client="192.0.2.7", form=None, cookie=None):
    """Ask as nginx.conf hands a request on: the headers are read out of it."""
    place = next(each for each in re.findall(r"location / \{([^}]*)\}", proxy()) if "proxy_pass" in each)
    means = {"$host": "pools.example", "$remote_addr": client, "$scheme": "https"}
    sent = {
        name: means[value] for name, value in re.findall(r"proxy_set_header (\S+)\s+(\S+);", place) if value in means
    }
    assert len(sent) == 3
    sent |= {"Origin": "https://pools.example"} if form else {}
    sent |= {"Cookie": cookie} if cookie else {}
    body = urlencode(form).encode() if form else None
    request = urllib.request.Request(f"http://127.0.0.1:{port}{path}", data=body, headers=sent)
    try:
        return urllib.request.build_opener(_Stay).open(request, timeout=20)
    except urllib.error.HTTPError as answer:
        return answer


@pytest.fixture
def running(tmp_path, monkeypatch):
    """Run `turnblue serve` as the unit does, with accounts, and give its port and its process."""
    monkeypatch.setenv("TURNBLUE_HOME", str(tmp_path / "home"))
    with actions.open_log() as log:
        people.add_account(log, "Olive", Role.OWNER, password=SECRET, at=datetime.now(UTC))
    port = free_port(18_800)
    started = [part if part != "8501" else str(port) for part in shlex.split(unit()["ExecStart"])[1:]]
    program = subprocess.Popen(
        [sys.executable, "-c", "from app.cli import main; main()", *started],
        cwd=HOSTING.parents[1],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )
    try:
        assert "answers at" in program.stdout.readline()
        yield port, program
    finally:
        program.kill()
        program.wait()
        program.stdout.close()


@pytest.mark.slow
def test_behind_the_proxy_people_sign_in_by_their_own_address_and_it_stops_in_time(running):
    port, program = running
    with through_proxy(port, "/healthz") as health:
        assert health.read() == b"ok"
        assert health.headers["strict-transport-security"] == "max-age=31536000"
    with through_proxy(port, "/") as refused:
        assert refused.status == 401
    # One address is shut out by its failures, all but the last noted here; another of the same proxy is not.
    with actions.open_log() as log:
        before = [sha256_of(b"at:192.0.2.7")] * (people.FAILURES_OF_ADDRESS - 1)
        note_failure(log, before, at=datetime.now(UTC), keep_s=900.0)
    with through_proxy(port, "/sign-in", form={"name": "Olive", "password": "guess number x"}) as wrong:
        assert (wrong.status, "do not fit" in wrong.read().decode()) == (401, True)
    with through_proxy(port, "/sign-in", form={"name": "Olive", "password": SECRET}) as shut_out:
        assert "Too many sign-ins failed" in shut_out.read().decode()
    with through_proxy(port, "/sign-in", client="192.0.2.8", form={"name": "Olive", "password": SECRET}) as entered:
        assert entered.status == 303
        cookie = entered.headers["set-cookie"]
    assert cookie.startswith("__Host-turnblue=")
    with through_proxy(port, "/", cookie=cookie.split(";")[0]) as page:
        assert (page.status, b"<title>Streamlit" in page.read()) == (200, True)
    begun = time.monotonic()
    program.terminate()
    assert program.wait(float(unit()["TimeoutStopSec"])) == 0
    assert time.monotonic() - begun < STOP_TIMEOUT_S
    with actions.open_log() as log:
        printed = (log.folder / "dashboard.log").read_text()
    for secret in (SECRET, "guess number x", cookie.split(";")[0].split("=")[1]):
        assert secret not in printed
