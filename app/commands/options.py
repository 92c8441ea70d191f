"""What several commands share: options, the clock, the progress bar.

In: nothing. Out: click's decorators, the present time, and a bar to be told of progress.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
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


@contextmanager
def counting_bar(unit: str = "photo") -> Iterator[Callable[[int, int], None]]:
    """Give a function to be told how much is done, of how much; it draws a bar on a terminal."""
    from tqdm import tqdm  # type: ignore[import-untyped]

    with tqdm(unit=unit, disable=None, file=sys.stderr) as bar:

        def count(done: int, total: int) -> None:
            bar.total = total
            bar.update(done - bar.n)

        yield count
