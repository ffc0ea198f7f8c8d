"""When a page has settled, by the browser's own clock: its content is there, its script has ended, nothing changes."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final

from playwright.sync_api import Browser, Page

PATIENCE_MS: Final = 180_000
STILL_MS: Final = 200
"""So long nothing of a settled page has changed; not counted in the times."""

_WATCH: Final = """
window.lastChange = 0; window.lastRun = -1;
const runs = () => { const state = document.querySelector('[data-test-script-state]')?.dataset.testScriptState;
                     if (state && state !== 'notRunning') window.lastRun = performance.now(); };
new MutationObserver(() => { window.lastChange = performance.now(); runs(); })
  .observe(document, {subtree: true, childList: true, attributes: true, characterData: true});
"""
_SETTLED: Final = """
([since, content, still]) => {
  const main = document.querySelector('[data-testid="stMain"]');
  const ended = document.querySelector('[data-test-script-state="notRunning"]');
  const unready = main?.querySelector('[data-testid="stSkeleton"], [data-stale="true"]');
  const there = main?.querySelector('h1') && main.querySelector(content);
  const quiet = performance.now() - window.lastChange > still;
  return ended && !unready && there && quiet && window.lastRun > since ? window.lastChange - since : false;
}
"""


def first_paint_s(browser: Browser, address: str, content: str) -> float:
    """Seconds from the start of navigation until the page has settled, for a visitor who has never been there.

    Parameters
    ----------
    content : CSS selector of what must be there besides the title.

    Raises
    ------
    playwright.sync_api.TimeoutError : it has not settled within PATIENCE_MS.
    """
    context = browser.new_context()
    try:
        return open_page(context.new_page(), address, content)
    finally:
        context.close()


def open_page(page: Page, address: str, content: str) -> float:
    """Open an address in a page that is to be clicked on afterwards; raises as ``first_paint_s`` does."""
    page.set_default_timeout(PATIENCE_MS)
    page.add_init_script(_WATCH)
    page.goto(address, wait_until="commit")
    return _settled_s(page, 0, content)


def after_click_s(page: Page, click: Callable[[], Any], content: str = "*") -> float:
    """Seconds from a click until the page that it set going has settled; raises as ``first_paint_s`` does."""
    since = float(page.evaluate("performance.now()"))
    click()
    return _settled_s(page, since, content)


def _settled_s(page: Page, since: float, content: str) -> float:
    found = page.wait_for_function(_SETTLED, arg=[since, content, STILL_MS], polling=20, timeout=PATIENCE_MS)
    return float(found.json_value()) / 1000
