"""How the dashboard is started: the command line that runs it, with its settings and its look.

In: the log's folder, port and address. Out: the command as a list and the environment it needs. The settings go
as flags, not as a hidden file, so they are the same from a wheel, from a clone and from any working folder.
"""

from __future__ import annotations

import ipaddress
import sys
from collections.abc import Mapping
from pathlib import Path

ENTRY = Path(__file__).parent / "script" / "turnblue_dashboard.py"
"""The script that Streamlit runs for every page; the router it calls is `main.py`."""

SERVER = ENTRY.with_name("turnblue_server.py")
"""The server that Streamlit starts; what stands before the pages is in `doors.py`."""

SETTINGS: Mapping[str, str] = {
    # No usage statistics leave the machine, and no traceback reaches a person: "none" shows one plain sentence.
    "browser.gatherUsageStats": "false",
    "client.showErrorDetails": "none",
    "client.toolbarMode": "minimal",
    "client.showSidebarNavigation": "false",
    "server.headless": "true",
    "server.showEmailPrompt": "false",
    # The program's own files do not change while it runs; a watcher would only cost memory and start-up time.
    "server.fileWatcherType": "none",
    "server.runOnSave": "false",
    # A 50-megapixel phone photo is about 25 MB; anything far larger is no photo.
    "server.maxUploadSize": "64",
    # As they are anyway; written down because the guard counts on them.
    "server.enableXsrfProtection": "true",
    "server.enableCORS": "true",
    "server.enableStaticServing": "false",
    # A phone in a pocket keeps its page for ten minutes.
    "server.disconnectedSessionTTL": "600",
    "runner.magicEnabled": "false",
}
"""Streamlit's settings, by its own names."""

FONT = "system-ui, -apple-system, 'Segoe UI', Roboto, 'Noto Sans', sans-serif"
"""The device's own typeface: nothing to fetch, and drawn for its screen."""

LOOK: Mapping[str, str] = {
    "theme.font": FONT,
    "theme.headingFont": FONT,
    "theme.baseFontSize": "17",
    "theme.baseRadius": "6px",
    "theme.showWidgetBorder": "true",
    "theme.linkUnderline": "true",
    # Dark ink on paper at 15:1 and more, so that it reads in the sun; checked by tests/app/dashboard/test_look.py.
    "theme.light.primaryColor": "#0A5A73",
    "theme.light.backgroundColor": "#FAFAF6",
    "theme.light.secondaryBackgroundColor": "#FFFFFF",
    "theme.light.textColor": "#12202B",
    "theme.light.borderColor": "#A9B2B0",
    "theme.light.linkColor": "#0A5A73",
    "theme.dark.primaryColor": "#79C4D9",
    "theme.dark.backgroundColor": "#0F171D",
    "theme.dark.secondaryBackgroundColor": "#18232B",
    "theme.dark.textColor": "#EEF3F4",
    "theme.dark.borderColor": "#4A5C68",
    "theme.dark.linkColor": "#79C4D9",
}
"""Streamlit's theme: paper and ink, one accent; the rest is in theme.css."""


def dashboard_command(*, port: int = 8501, address: str = "127.0.0.1", open_browser: bool = False) -> list[str]:
    """Return the command line that runs the dashboard with this Python.

    Parameters
    ----------
    port : int
        Port to listen on; 1 to 65535.
    address : str
        Address to listen on; the machine itself unless told otherwise.
    open_browser : bool
        Open the default browser once it answers.

    Raises
    ------
    ValueError
        If `port` is no port.

    Examples
    --------
    >>> dashboard_command(port=8700)[1:4]
    ['-m', 'streamlit', 'run']
    """
    if not 1 <= port <= 65535:
        raise ValueError(f"port must be 1 to 65535, got {port!r}")
    options = {
        **SETTINGS,
        **LOOK,
        "server.port": str(port),
        "server.address": address,
        "server.headless": "false" if open_browser else "true",
    }
    flags = [f"--{name}={value}" for name, value in options.items()]
    return [sys.executable, "-m", "streamlit", "run", str(SERVER), *flags]


def dashboard_environment(folder: Path, environment: Mapping[str, str]) -> dict[str, str]:
    """Return `environment` as the dashboard needs it: its log's folder, and this program on Python's path.

    The entry script lies inside the package, so from a clone that was not installed Python would not find
    the package beside it.
    """
    root = str(Path(__file__).resolve().parents[2])
    path = environment.get("PYTHONPATH", "")
    return {
        **environment,
        "TURNBLUE_HOME": str(folder),
        "PYTHONPATH": f"{root}:{path}" if path else root,
    }


def is_loopback(host: str) -> bool:
    """Return whether a name or address is this machine's own.

    Examples
    --------
    >>> [is_loopback(each) for each in ("localhost", "127.0.0.1", "::1", "10.0.0.5", "localhost.example.com")]
    [True, True, True, False, False]
    """
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False
