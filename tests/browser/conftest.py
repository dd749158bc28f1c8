"""One browser for the session. Where Debian's chromium is missing the tests are skipped; with
``CI`` set they fail, so that no green run can hide a missing browser."""

from __future__ import annotations

import os
from collections.abc import Iterator

import pytest

from browser.stage import Stage, chromium


@pytest.fixture(scope="session")
def stage() -> Iterator[Stage]:
    """The browser, in a loop of its own."""
    if chromium() is None:
        told = "chromium is not installed; sudo apt install chromium"
        if os.environ.get("CI"):
            pytest.fail(told)
        pytest.skip(told)
    found = Stage()
    found.open()
    yield found
    found.close()
