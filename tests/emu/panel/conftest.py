"""A browser for the tests of the page: the distribution's Chromium, headless."""

import pytest

from tests import browser as browsers

PATIENCE_MS = 20_000
"""What does not happen within this time does not happen; no test waits for it otherwise."""


@pytest.fixture(scope="module")
def browser():
    """One for a module: while it is there, asyncio can run nothing else. It sees this machine alone."""
    sync_api = pytest.importorskip("playwright.sync_api", reason="install playwright: pip install playwright")
    if browsers.path() is None:
        pytest.skip(browsers.MISSING)
    sync_api.expect.set_options(timeout=PATIENCE_MS)
    with sync_api.sync_playwright() as playwright:
        started = browsers.started(playwright)
        yield started
        started.close()


@pytest.fixture
def page(browser):
    """A page in a profile of its own; what goes wrong in it fails the test."""
    context = browser.new_context(viewport={"width": 1600, "height": 1000}, accept_downloads=True)
    context.set_default_timeout(PATIENCE_MS)
    opened = context.new_page()
    wrong: list[str] = []
    opened.on("pageerror", lambda error: wrong.append(str(error)))
    opened.on("console", lambda said: wrong.append(said.text) if _is_wrong(said) else None)
    opened.on("dialog", lambda dialog: (wrong.append(f"dialog {dialog.message}"), dialog.dismiss()))
    yield opened
    context.close()
    assert wrong == []


def _is_wrong(said):
    """Whether the browser complains of something else than a server that has ended."""
    return said.type == "error" and "WebSocket connection" not in said.text
