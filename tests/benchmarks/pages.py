"""Speed of the pages with a large season, as a real browser sees it, and memory of the server while photos come in.

Other work on the machine counts in, so its load is printed beside. What the server has worked out once it keeps, so
each filter is timed with three choices that nobody has made before.
"""

from __future__ import annotations

import os
import shutil
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from statistics import median
from typing import Any, Final

from playwright.sync_api import Browser, Page, sync_playwright

from app.settings import AppSettings
from scorer.access.roles import Person, Role
from scorer.records.database import open_records
from scorer.tables_in_place.edit import begin_own
from scorer.tables_in_place.names import PRICES, TableName
from tests.benchmarks.settled import after_click_s, first_paint_s, now_ms, open_page, runs_since, settled_s
from tests.benchmarks.uploads import memory_of_uploads, resident_mb
from tests.large_season import BLOCKS, CREWS, METHODS, fill_large_season
from tests.serving import settings_in, started

GOAL_PAGE_S: Final = 2.0
GOAL_CLICK_S: Final = 1.0
TIMES: Final = 3
ANALYST: Final = Person("Finch", frozenset({Role.ANALYST}))

CONTENT: Final = {
    "": "a[data-testid='stPageLink-NavLink']",
    "hand-in": ".st-key-photo_drop",
    "tray": ".st-key-find_tray",
    "second-look": ".st-key-right button",
    "crews": ".st-key-shares canvas",
    "crew-sheets": ".st-key-make_sheets button",
    "plan": ".st-key-question",
    "card-and-tags": ".st-key-tag_crew",
    "limits-and-prices": "[data-testid='stDataFrame']",
    "models": "[data-testid='stExpander']",
    "health": ".st-key-audit button",
    "phones": "[data-testid='stAlert']",
}
"""Pages by address, and what of each must be there besides its title."""
PARTS: Final = ("photos", "kinds", "days", "rest", "mix", "cost")
"""Parts of the crews' page, in the order in which it shows them."""


def chromium_path() -> str | None:
    """The browser of this machine."""
    return shutil.which("chromium")


def print_pages(fruit: int, say: Callable[[str], object]) -> None:
    """Make the season, start the server, and say the tables line by line.

    Parameters
    ----------
    fruit : of the season.
    say : takes each line.
    """
    with tempfile.TemporaryDirectory() as work, _browser() as browser:
        settings = settings_in(Path(work))
        engine = open_records(settings.records_url)
        fill_large_season(engine, fruit=fruit)
        engine.dispose()
        settings.tables_folder.mkdir(parents=True, exist_ok=True)
        begin_own(ANALYST, settings.tables_folder, TableName(PRICES, "example"), "shed")
        say(f"a season of {fruit} fruit; load of the machine {_load()} on {os.cpu_count()} processors\n")
        begun = time.perf_counter()
        with started(_command(settings), settings) as served:
            say(f"from the command until it answers {time.perf_counter() - begun:6.2f} s")
            say(f"first visitor, crews' page        {_paint(browser, served.address, 'crews'):6.2f} s\n")
            for measured in (_pages, _filters, _parts, _words):
                for line in measured(browser, served.address, served.process.pid):
                    say(line)
                say(f"load of the machine {_load()}\n")
            say(memory_of_uploads(browser, served.address, served.process.pid, Path(work)))


def _command(settings: AppSettings) -> list[str]:
    records, port = str(settings.records_url.database), str(settings.port)
    return [sys.executable, "-m", "scorer", "app", "--records", records, "--port", port, "--no-browser"]


@contextmanager
def _browser() -> Iterator[Browser]:
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium_path(), args=["--no-sandbox"])
        try:
            yield browser
        finally:
            browser.close()


def _load() -> str:
    return f"{os.getloadavg()[0]:.1f}"


def _paint(browser: Browser, address: str, page: str) -> float:
    return first_paint_s(browser, f"{address}/{page}", CONTENT[page])


def _pages(browser: Browser, address: str, process: int) -> Iterator[str]:
    yield f"first paint, s        median  longest   goal < {GOAL_PAGE_S:.0f}   server, MB"
    for page in CONTENT:
        times = [_paint(browser, address, page) for _ in range(TIMES)]
        yield f"{page or 'start':20} {_figures(times, GOAL_PAGE_S)} {resident_mb(process):12.0f}"


def _filters(browser: Browser, address: str, _: int) -> Iterator[str]:
    yield f"crews' page: click, s median  longest   goal < {GOAL_CLICK_S:.0f}"
    choices: dict[str, list[Callable[[Page], float]]] = {
        "one crew": [_choosing("crew", name) for name in CREWS[:TIMES]],
        "one block": [_choosing("block", name) for name in BLOCKS[:TIMES]],
        "one way of picking": [_choosing("method", name.replace("_", " ")) for name in METHODS],
        "from a day": [_typing_day("first_day", f"2025101{day}") for day in range(TIMES)],
        "until a day": [_typing_day("last_day", f"2025112{day}") for day in range(TIMES)],
        "early photos, too": [_early],
        "tapping a crew": [_tapping(row) for row in range(TIMES)],
    }
    for name, clicks in choices.items():
        times = [_on_crews(browser, address, click) for click in clicks]
        yield f"{name:20} {_figures(times, GOAL_CLICK_S)}"


def _parts(browser: Browser, address: str, _: int) -> Iterator[str]:
    yield f"its parts: click, s   median  longest   goal < {GOAL_CLICK_S:.0f}"
    for part in PARTS[1:]:
        yield f"{part:20} {_figures([_on_crews(browser, address, _part(part))], GOAL_CLICK_S)}"
        narrow = [_on_crews(browser, address, _part(part), _choosing("block", name)) for name in BLOCKS[:TIMES]]
        yield f"{part + ', of a block':20} {_figures(narrow, GOAL_CLICK_S)}"


def _words(browser: Browser, address: str, _: int) -> Iterator[str]:
    """Words on marks change the season, so whatever was kept of it is worked out anew."""
    yield f"second look: click, s median  longest   goal < {GOAL_CLICK_S:.0f}"
    page = browser.new_page()
    open_page(page, f"{address}/second-look", CONTENT["second-look"])
    times = [after_click_s(page, page.locator(".st-key-right button").click) for _ in range(TIMES)]
    page.close()
    yield f"it is right          {_figures(times, GOAL_CLICK_S)}"
    yield f"crews' page thereafter, first paint {_paint(browser, address, 'crews'):6.2f} s"


def _figures(times: list[float], goal: float) -> str:
    return f"{median(times):7.2f} {max(times):8.2f}   {'reached' if median(times) < goal else 'MISSED':8}"


def _on_crews(browser: Browser, address: str, *clicks: Callable[[Page], float]) -> float:
    """Time of the first click, after the others were made in turn."""
    page = browser.new_page(viewport={"width": 1280, "height": 2400})
    try:
        open_page(page, f"{address}/crews", CONTENT["crews"])
        for click in clicks[1:]:
            click(page)
        return clicks[0](page)
    finally:
        page.close()


def _opened(page: Page) -> None:
    page.get_by_text("Narrow down").click()


def _choosing(column: str, value: str) -> Callable[[Page], float]:
    def click(page: Page) -> float:
        _opened(page)
        page.locator(f".st-key-only_{column} input").click()
        return after_click_s(page, page.get_by_role("option", name=value, exact=True).click, CONTENT["crews"])

    return click


def _typing_day(field: str, digits: str) -> Callable[[Page], float]:
    def click(page: Page) -> float:
        _opened(page)
        page.locator(f".st-key-{field} [role=spinbutton]").first.click()
        page.keyboard.type(digits[:-1])
        return after_click_s(page, lambda: page.keyboard.type(digits[-1]), CONTENT["crews"])

    return click


def _early(page: Page) -> float:
    return after_click_s(page, page.locator(".st-key-any_hold label").click, CONTENT["crews"])


def _part(part: str) -> Callable[[Page], float]:
    button = f".st-key-part button >> nth={PARTS.index(part)}"
    return lambda page: after_click_s(page, page.locator(button).click, CONTENT["crews"])


def _tapping(row: int) -> Callable[[Page], float]:
    """Tap along a crew's line of the chart until its point or interval is hit."""

    def click(page: Page) -> float:
        box: Any = page.locator(".st-key-shares canvas").bounding_box()
        line = box["y"] + 6 + (row + 0.5) * (box["height"] - 60) / len(CREWS)
        for part in range(50, 98, 2):
            since = now_ms(page)
            page.mouse.click(box["x"] + box["width"] * part / 100, line)
            page.wait_for_timeout(100)
            if runs_since(page, since):
                return settled_s(page, since, CONTENT["crews"])
        raise LookupError("No point of the chart was hit.")

    return click
