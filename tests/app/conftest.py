"""Lets this folder's tests, and the worker programs they start, import the helper module beside them."""

import sys
from pathlib import Path

import pytest

HERE = str(Path(__file__).parent)
if HERE not in sys.path:
    sys.path.insert(0, HERE)


@pytest.fixture(autouse=True)
def the_programs_own_main():
    """Give the program its own `__main__` back: a page tried without a browser puts the page's script there, and
    processes that are started later would run that page again."""
    kept = sys.modules["__main__"]
    yield
    sys.modules["__main__"] = kept


@pytest.fixture(autouse=True)
def nobodys_log(monkeypatch, tmp_path_factory):
    """Keep tests out of the log of whoever runs them."""
    monkeypatch.setenv("TURNBLUE_HOME", str(tmp_path_factory.mktemp("home") / "log"))
