"""Options that several commands share, and their clock.

In: nothing. Out: click's decorators, and the present time.
"""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import click

FOLDER = click.option(
    "--folder", type=click.Path(path_type=Path), help="The log's folder (else TURNBLUE_HOME, else ~/.turnblue)."
)
JSON = click.option("--json", "as_json", is_flag=True, help="Print JSON.")


def present() -> datetime:
    """Return the present time with this machine's zone; the only clock of the command line."""
    return datetime.now().astimezone()


def zone_name() -> str:
    """Return the name of this machine's time zone, UTC where it does not say."""
    from babel.dates import LOCALTZ

    return str(getattr(LOCALTZ, "key", None) or getattr(LOCALTZ, "zone", None) or "UTC")
