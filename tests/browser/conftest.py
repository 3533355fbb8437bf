"""One browser for all tests; without a browser they are skipped."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from webdriver import Browser, browser_path


@pytest.fixture(scope="session")
def shared_browser() -> Iterator[Browser]:
    if browser_path() is None:
        if os.environ.get("LINELAB_BROWSER") == "required":
            pytest.fail("no browser here, but LINELAB_BROWSER=required")
        pytest.skip("no browser with its driver here (Debian: apt-get install chromium chromium-driver)")
    browser = Browser()
    yield browser
    browser.close()


@pytest.fixture
def browser(shared_browser: Browser) -> Browser:
    """The browser at desktop size, on light paper, with nothing in its logs."""
    shared_browser.size(1366, 900)
    shared_browser.media("light")
    shared_browser.devtools("Browser.setDownloadBehavior", behavior="deny")  # a test that keeps a file says where
    shared_browser.log("browser")
    shared_browser.requests()
    return shared_browser


@pytest.fixture
def page(browser: Browser, demo_folder: Path) -> Browser:
    """The demo's page, loaded anew."""
    browser.open(demo_folder / "review.html")
    return browser
