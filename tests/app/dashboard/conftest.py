"""One headless Chromium for each file of browser tests."""

import pytest
from in_browser import chromium


@pytest.fixture(scope="module")
def browser():
    with chromium() as started:
        yield started
