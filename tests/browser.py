"""A browser for the tests of pages: that of the system, and a reason where there is none."""

from __future__ import annotations

import os
import shutil
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

import roomplan

if TYPE_CHECKING:
    from collections.abc import Iterator

    from playwright.sync_api import Browser, Page, Route

SCRIPTS = Path(roomplan.__file__).parent / "show" / "page"

# Set where a run must not pass without a browser.
REQUIRED = "ROOMPLAN_TESTS_NEED_BROWSER"

_NAMES = ("chromium", "chromium-browser", "google-chrome", "chrome")
_OPTIONS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--mute-audio",
    "--autoplay-policy=no-user-gesture-required",
)
# Served to the tests alone, from no server: modules as they are written, beside an empty page.
MODULES = "http://modules.test/"


def _missing(reason: str) -> None:
    if os.environ.get(REQUIRED):
        pytest.fail(f"{REQUIRED} is set, but {reason}")
    pytest.skip(reason)


@contextmanager
def open_browser() -> Iterator[Browser]:
    """Start a browser, or skip with the reason."""
    try:
        from playwright.sync_api import sync_playwright
    except ImportError:
        _missing("playwright is not installed")
        raise
    found = next(filter(None, map(shutil.which, _NAMES)), None)
    if found is None:
        _missing("there is no Chromium")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=found, args=list(_OPTIONS))
        yield browser
        browser.close()


def serve_modules(page: Page) -> None:
    """Go to an empty page that can import the scripts by their names."""

    def answer(route: Route) -> None:
        name = route.request.url.removeprefix(MODULES)
        if name:
            route.fulfill(body=(SCRIPTS / name).read_bytes(), content_type="text/javascript")
        else:
            route.fulfill(body="<!doctype html><title>modules</title>", content_type="text/html")

    page.route(f"{MODULES}**", answer)
    page.goto(MODULES)
