"""A real browser, or a word on why there is none: skipped, or a failure where SCORER_TESTS_NEED_BROWSER is set.

Whatever tests take from Playwright and axe comes through here, so that a machine without them skips these tests.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Final

import pytest

NEED_BROWSER: Final = "SCORER_TESTS_NEED_BROWSER"
CHROMIUM: Final = shutil.which("chromium")


def _without(what: str) -> None:
    if os.environ.get(NEED_BROWSER):
        pytest.fail(f"{NEED_BROWSER} is set, and there is no {what}", pytrace=False)
    pytest.skip(f"there is no {what}; set {NEED_BROWSER} to fail instead", allow_module_level=True)


if CHROMIUM is None:
    _without("chromium")
try:
    from axe_playwright_python.sync_playwright import Axe  # type: ignore[import-untyped]
    from playwright.sync_api import Browser, BrowserContext, Dialog, Locator, Page, expect, sync_playwright
except ImportError as missing:
    _without(str(missing.name))

__all__ = ["Axe", "Browser", "BrowserContext", "Dialog", "Locator", "Page", "chromium", "expect"]


@contextmanager
def chromium() -> Iterator[Browser]:
    """A browser while the block lasts; only one may be open at a time, for Playwright has one loop in a thread."""
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        try:
            yield browser
        finally:
            browser.close()
