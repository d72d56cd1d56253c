"""The distribution's browser, headless, as the tests of pages use it."""

from __future__ import annotations

from shutil import which
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Playwright

NAMES = ("chromium", "chromium-browser", "google-chrome")
MISSING = "there is no browser: apt-get install chromium"


def path() -> str | None:
    """Where it is; None if there is none."""
    return next((found for name in NAMES if (found := which(name))), None)


def started(playwright: Playwright, *more: str) -> Browser:
    """It runs; `more` are words for its command line."""
    # A container has no user namespaces for the browser's own sandbox; it only loads our pages.
    return playwright.chromium.launch(executable_path=path(), args=["--no-sandbox", *more])
