"""Speed of the pages with a large season, as a real browser sees it, and memory of the server while photos come in.

Other work on the machine counts in, so its load is printed beside, and how long the server itself computed. What the
server has worked out once it keeps, so each filter is timed with three choices that nobody has made before.
"""

from __future__ import annotations

import os
import shutil
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from statistics import median
from typing import Final

from playwright.sync_api import Browser, Page, sync_playwright

from app.settings import AppSettings
from scorer.access.roles import Person, Role
from scorer.records.database import open_records
from scorer.tables_in_place.edit import begin_own
from scorer.tables_in_place.names import PRICES, TableName
from tests.benchmarks.settled import after_click_s, first_paint_s, open_page
from tests.benchmarks.uploads import memory_of_uploads, resident_mb
from tests.large_season import fill_large_season
from tests.serving import settings_in, started

Click = Callable[[Page], Callable[[], object]]
"""Makes a page ready for a click, and gives the click."""

GOAL_PAGE_S: Final = 2.0
GOAL_CLICK_S: Final = 1.0
TIMES: Final = 3
OPENING_MS: Final = 700
"""So long what is opened moves, and a list that is opened meanwhile closes again."""
ANALYST: Final = Person("Finch", frozenset({Role.ANALYST}))

CONTENT: Final = {
    "": "a[data-testid='stPageLink-NavLink']",
    "hand-in": ".st-key-photo_drop",
    "tray": ".st-key-find_tray",
    "second-look": ".st-key-right button",
    "crews": ".st-key-shares svg.marks",
    "crew-sheets": ".st-key-make_sheets button",
    "plan": ".st-key-question",
    "card-and-tags": ".st-key-tag_crew",
    "limits-and-prices": "[data-testid='stDataFrame']",
    "labels": ".st-key-labels_part",
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
            server = Server(served.address.rstrip("/"), served.process.pid)
            say(f"first visitor, crews' page        {server.paint(browser, 'crews').seconds:6.2f} s\n")
            for measured in (_pages, _pages_again, _filters, _parts, _words):
                for line in measured(browser, server):
                    say(line)
                say(f"load of the machine {_load()}\n")
            say(memory_of_uploads(browser, server.address, server.process, Path(work)))


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


@dataclass(frozen=True)
class Timed:
    """How long the browser waited, and how long the server's process computed meanwhile (of all its processors)."""

    seconds: float
    computed_s: float


@dataclass(frozen=True)
class Server:
    """The server as it runs."""

    address: str
    process: int

    def timed(self, measure: Callable[[], float]) -> Timed:
        """Take the time, with what the server computed for it."""
        before = self._computed_s()
        seconds = measure()
        return Timed(seconds, self._computed_s() - before)

    def paint(self, browser: Browser, page: str) -> Timed:
        """First paint of a page."""
        return self.timed(lambda: first_paint_s(browser, f"{self.address}/{page}", CONTENT[page]))

    def again(self, browser: Browser, page: str) -> list[Timed]:
        """Later paints of a page, in a browser that has kept the scripts of the first."""
        context = browser.new_context()
        try:
            paints = [self.timed(lambda: self._open(context.new_page(), page)) for _ in range(1 + TIMES)]
        finally:
            context.close()
        return paints[1:]

    def _open(self, tab: Page, page: str) -> float:
        return open_page(tab, f"{self.address}/{page}", CONTENT[page])

    def on_crews(self, browser: Browser, click: Click, *before: Click) -> Timed:
        """A click on the crews' page, after others were made."""
        page = browser.new_page(viewport={"width": 1280, "height": 2400})
        try:
            self._open(page, "crews")
            for other in before:
                after_click_s(page, other(page), CONTENT["crews"])
            last = click(page)
            return self.timed(lambda: after_click_s(page, last, CONTENT["crews"]))
        finally:
            page.close()

    def _computed_s(self) -> float:
        used = Path(f"/proc/{self.process}/stat").read_text().rpartition(")")[2].split()[11:13]
        return sum(map(int, used)) / os.sysconf("SC_CLK_TCK")


def _pages(browser: Browser, server: Server) -> Iterator[str]:
    yield f"{_head('first paint', GOAL_PAGE_S)}   memory, MB"
    for page in CONTENT:
        paints = [server.paint(browser, page) for _ in range(TIMES)]
        yield f"{_line(page or 'start', paints, GOAL_PAGE_S)} {resident_mb(server.process):12.0f}"


def _pages_again(browser: Browser, server: Server) -> Iterator[str]:
    yield _head("with scripts kept", GOAL_PAGE_S)
    for page in CONTENT:
        yield _line(page or "start", server.again(browser, page), GOAL_PAGE_S)


def _filters(browser: Browser, server: Server) -> Iterator[str]:
    yield _head("crews' page: click", GOAL_CLICK_S)
    choices: dict[str, list[Click]] = {
        "one crew": [_choosing("crew", place) for place in range(TIMES)],
        "one block": [_choosing("block", place) for place in range(TIMES)],
        "one way of picking": [_choosing("method", place) for place in range(TIMES)],
        "from a day": [_typing_day("first_day", f"2025101{day}") for day in range(TIMES)],
        "until a day": [_typing_day("last_day", f"2025112{day}") for day in range(TIMES)],
        "early photos, too": [_early],
        "tapping a crew": [_tapping(row) for row in range(TIMES)],
    }
    for name, clicks in choices.items():
        yield _line(name, [server.on_crews(browser, click) for click in clicks], GOAL_CLICK_S)


def _parts(browser: Browser, server: Server) -> Iterator[str]:
    yield _head("its parts: click", GOAL_CLICK_S)
    for part in PARTS[1:]:
        yield _line(part, [server.on_crews(browser, _part(part))], GOAL_CLICK_S)
        narrowed = [server.on_crews(browser, _part(part), _choosing("block", place)) for place in range(TIMES)]
        yield _line(f"{part}, of a block", narrowed, GOAL_CLICK_S)


def _words(browser: Browser, server: Server) -> Iterator[str]:
    """Words on marks change the season, so whatever was kept of it is worked out anew."""
    yield _head("second look: click", GOAL_CLICK_S)
    page = browser.new_page()
    open_page(page, f"{server.address}/second-look", CONTENT["second-look"])
    right = page.locator(".st-key-right button").click
    clicks = [server.timed(lambda: after_click_s(page, right, CONTENT["second-look"])) for _ in range(TIMES)]
    yield _line("it is right", clicks, GOAL_CLICK_S)
    page.close()
    yield _line("crews' page thereafter", [server.paint(browser, "crews")], GOAL_PAGE_S)


def _head(title: str, goal: float) -> str:
    return f"{title + ', s':24} median  longest   server computed   goal < {goal:.0f}"


def _line(name: str, timed: Sequence[Timed], goal: float) -> str:
    seconds, computed = [one.seconds for one in timed], [one.computed_s for one in timed]
    reached = "reached" if median(seconds) < goal else "MISSED"
    return f"{name:24} {median(seconds):6.2f} {max(seconds):8.2f} {median(computed):17.2f}   {reached:8}"


def _open_narrowing(page: Page) -> None:
    page.get_by_text("Narrow down").click()
    page.wait_for_timeout(OPENING_MS)


def _choosing(column: str, place: int) -> Click:
    """One of what the season has of it, from the end of the list."""

    def prepare(page: Page) -> Callable[[], object]:
        _open_narrowing(page)
        page.locator(f".st-key-only_{column} input").click()
        option = page.get_by_role("option").nth(-1 - place)
        option.wait_for()
        return option.click

    return prepare


def _typing_day(field: str, digits: str) -> Click:
    def prepare(page: Page) -> Callable[[], object]:
        _open_narrowing(page)
        page.locator(f".st-key-{field} [role=spinbutton]").first.click()
        page.keyboard.type(digits)
        return page.locator("h1").click  # a day counts once its calendar is left

    return prepare


def _early(page: Page) -> Callable[[], object]:
    return page.locator(".st-key-any_hold label").click


def _part(part: str) -> Click:
    return lambda page: page.locator(".st-key-part button").nth(PARTS.index(part)).click


def _tapping(row: int) -> Click:
    return lambda page: page.locator(".st-key-shares svg.marks .mark-rect path").nth(row).click
