"""A real Chromium, driven; where none is installed these tests are skipped, with the reason."""

from __future__ import annotations

import importlib
import importlib.util
import os
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

CHROMIUM = Path("/usr/bin/chromium")
#: Set by `.ci/run`: there a missing browser is a failure.
REQUIRED = "DRIPLEDGER_BROWSER_REQUIRED"


def without(reason: str) -> None:
    """Skip a test that lacks something, with the reason; fail where a browser is asked for."""
    if os.environ.get(REQUIRED):
        pytest.fail(f"{reason}, and {REQUIRED} is set")
    pytest.skip(reason)


@pytest.fixture(scope="session")
def chromium() -> Iterator[Browser]:
    """Return a browser; each test opens pages of its own."""
    if not CHROMIUM.is_file():
        without(f"no browser at {CHROMIUM}")
    if importlib.util.find_spec("playwright") is None:
        without("the package 'playwright' is not installed")
    playwright = importlib.import_module("playwright.sync_api")
    with playwright.sync_playwright() as driver:
        # inside a container Chromium has no sandbox of its own
        browser = driver.chromium.launch(executable_path=str(CHROMIUM), args=["--no-sandbox"])
        yield browser
        browser.close()


@pytest.fixture
def page(chromium: Browser) -> Iterator[Page]:
    """Return a new page of 1280 by 1000 pixels with a context of its own."""
    context = chromium.new_context(viewport={"width": 1280, "height": 1000})
    yield context.new_page()
    context.close()
