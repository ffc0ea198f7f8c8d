"""One season for all tests in a real browser, made once; a browser and a server for each module.

Playwright is imported only once a test asks for it, so that a machine without it can still collect the rest.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from tests.browser.season import add_labels, add_other_model, make_season

if TYPE_CHECKING:
    from tests.browser.chromium import Browser, BrowserContext, Page
    from tests.serving import Served


@pytest.fixture(scope="session")
def made_season(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Folder of the season that all others are copied from."""
    folder = tmp_path_factory.mktemp("made") / "season"
    folder.mkdir()
    make_season(folder)
    add_labels(folder)
    add_other_model(folder)
    return folder


@pytest.fixture(scope="module")
def season(made_season: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Folder of a season of the module's own, to be changed as it likes."""
    return Path(shutil.copytree(made_season, tmp_path_factory.mktemp("season") / "season"))


@pytest.fixture(scope="module")
def served(season: Path) -> Iterator[Served]:
    """The pages over the module's season."""
    from tests.browser.opened_pages import app_over

    with app_over(season) as running:
        yield running


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """Of the module, not of the session: tests elsewhere open one, too, and only one may be open at a time."""
    from tests.browser.chromium import chromium

    with chromium() as opened:
        yield opened


@pytest.fixture(scope="module")
def visitor(browser: Browser) -> Iterator[BrowserContext]:
    """Somebody at a desktop; the pages of a module are theirs, so that their browser keeps what it fetched once."""
    from tests.browser.opened_pages import visiting

    with visiting(browser) as context:
        yield context


@pytest.fixture
def page(visitor: BrowserContext) -> Iterator[Page]:
    """A page of its own, which for the server is a visit of its own."""
    opened = visitor.new_page()
    yield opened
    opened.close()


@pytest.fixture(scope="session")
def screenshots(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Folder for pictures of all pages: that named by SCORER_SCREENSHOTS, else one of the test run."""
    named = os.environ.get("SCORER_SCREENSHOTS")
    folder = Path(named) if named else tmp_path_factory.mktemp("screenshots")
    folder.mkdir(parents=True, exist_ok=True)
    return folder
