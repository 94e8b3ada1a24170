"""A browser and a served folder, for the tests of the page."""

from __future__ import annotations

import contextlib
from pathlib import Path

import pytest


@pytest.fixture(scope="module")
def browser():
    """Headless Chromium."""
    from playwright.sync_api import sync_playwright

    from support.page import CHROMIUM, FLAGS

    if not Path(CHROMIUM).exists():
        pytest.fail(f"{CHROMIUM} is missing: make test installs it where it may")
    with sync_playwright() as play:
        found = play.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield found
        found.close()


@pytest.fixture(autouse=True)
def windows_closed(request):
    """Windows that a test leaves behind would draw on beside the next."""
    browser = request.getfixturevalue("browser") if "browser" in request.fixturenames else None
    yield
    for context in browser.contexts if browser else ():
        context.close()


@pytest.fixture
def served(tmp_path):
    """A server in an empty folder."""
    from support.page import Served

    found = Served(tmp_path)
    yield found
    with contextlib.suppress(ProcessLookupError):
        found.kill()
