"""The pages as a visitor opens them: which there are, in which sizes, and when one is drawn to its end."""

from __future__ import annotations

import re
import sys
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from app.screens import start
from app.sections import SECTIONS
from tests.browser.chromium import Browser, BrowserContext, Page, expect
from tests.browser.season import ZONE
from tests.serving import Served, settings_in, started

TITLES: Final[Mapping[str, str]] = {"": start.TITLE} | {
    module.ADDRESS: module.TITLE for _, modules in SECTIONS for module in modules
}
"""Title of every page by its address."""
SIZES: Final = {"desktop": (1280, 900), "phone": (360, 740)}
"""Width and height in CSS pixels; 360 is that of common small phones (common practice, no source)."""
PATIENCE_MS: Final = 60_000


@contextmanager
def app_over(season: Path) -> Iterator[Served]:
    """The pages over the season in a folder, started as anybody would start them."""
    settings = settings_in(season)
    command = [sys.executable, "-m", "scorer", "app", "--records", str(season / "season.sqlite"), "--zone", ZONE]
    with started([*command, "--port", str(settings.port), "--no-browser"], settings) as served:
        yield served


@contextmanager
def visiting(browser: Browser, size: str = "desktop", language: str = "en-AU") -> Iterator[BrowserContext]:
    """A visitor of their own, with a screen of that size."""
    width, height = SIZES[size]
    context = browser.new_context(
        viewport={"width": width, "height": height}, locale=language, has_touch=size == "phone"
    )
    context.set_default_timeout(PATIENCE_MS)
    expect.set_options(timeout=PATIENCE_MS)
    try:
        yield context
    finally:
        context.close()


def open_page(page: Page, served: Served, address: str) -> None:
    """Open the page at an address and wait until it is drawn."""
    page.goto(served.address + address)
    drawn(page)


def drawn(page: Page) -> None:
    """Wait until a page is drawn to its end."""
    expect(page.get_by_role("heading", level=1)).to_be_visible()
    expect(page.get_by_test_id("stApp")).to_have_attribute("data-test-script-state", "notRunning")
    expect(page.get_by_test_id("stSkeleton")).to_have_count(0)


def tap_on(name: str) -> Callable[[Page], None]:
    """Choose one of a page's parts by its name."""

    def tap(page: Page) -> None:
        page.get_by_role("radio", name=name, exact=True).click()
        expect(page.get_by_role("radio", name=name, exact=True)).to_be_checked()
        drawn(page)

    return tap


def give_name(page: Page, name: str) -> None:
    """Say who is at the page, and wait until the page has it."""
    page.get_by_role("textbox", name="Your name").fill(name)
    page.keyboard.press("Enter")
    drawn(page)


def picture_name(size: str, address: str) -> str:
    """Name of the file with the screenshot of a page."""
    return f"{size}_{re.sub(r'[^a-z0-9-]+', '_', address) or 'start'}.png"
