"""Every page at both sizes against the success criteria of WCAG 2.1, levels A and AA, as far as axe-core checks them."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

import pytest

from tests.browser.chromium import Axe, Browser, Page, expect
from tests.browser.opened_pages import SIZES, TITLES, drawn, open_page, picture_name, visiting
from tests.browser.season import IN_SEASON
from tests.serving import Served

WCAG_21_AA: Final = ("wcag2a", "wcag2aa", "wcag21a", "wcag21aa")
"""Tags by which axe-core's documentation names the rules of these criteria."""

OF_STREAMLIT: Final[dict[tuple[str, str], str]] = {}
"""What is left inside Streamlit's own widgets: rule and a part of the element's HTML, and why it must stay."""


def open_all(page: Page) -> None:
    """Open all that can be folded out."""
    folded = page.locator("details:not([open]) > summary")
    while folded.count():
        folded.first.click()
        drawn(page)


def tap_on(name: str) -> Callable[[Page], None]:
    """Choose one of the page's parts by its name."""

    def tap(page: Page) -> None:
        page.get_by_role("radio", name=name, exact=True).click()
        expect(page.get_by_role("radio", name=name, exact=True)).to_be_checked()
        drawn(page)

    return tap


def choose_mark(page: Page) -> None:
    picture = page.get_by_role("group", name="Tray with its fruit and marks")
    picture.get_by_role("button").last.focus()
    page.keyboard.press("Enter")
    expect(page.get_by_text("Something else? Tap what it is")).to_be_visible()
    drawn(page)


def hand_in_again(page: Page) -> None:
    """Hand in a photo that is known already, and one file that is no photo."""
    page.locator("input[type=file]").set_input_files([IN_SEASON[0], Path(__file__)])
    expect(page.get_by_text("the trays can be put away")).to_be_visible()
    expect(page.get_by_text("is no photo")).to_be_visible()
    drawn(page)


STATES: Final[dict[str, tuple[str, Callable[[Page], None]]]] = {
    **{address or "start": (address, open_all) for address in TITLES},
    "hand-in, with photos": ("hand-in", hand_in_again),
    "tray, a mark chosen": ("tray", choose_mark),
    "second-look, by lot": ("second-look", tap_on("Fruit drawn by lot")),
    "crews, kinds": ("crews", tap_on("Kinds of marks")),
    "crews, days": ("crews", tap_on("Day by day")),
    "crews, rest": ("crews", tap_on("Against the rest")),
    "crews, mix": ("crews", tap_on("At the same mix")),
    "crews, cost": ("crews", tap_on("What it costs")),
    "plan, bins": ("plan", tap_on("Which bins")),
    "plan, door": ("plan", tap_on("When may a check stop")),
    "prices": ("limits-and-prices", tap_on("Prices")),
}
"""Pages as they open, with all that can be folded out, and what a tap brings up on them."""


@pytest.mark.parametrize("size", SIZES)
def test_no_page_breaks_a_criterion_that_can_be_checked(
    browser: Browser, served: Served, screenshots: Path, size: str
) -> None:
    found = []
    with visiting(browser, size) as visitor:
        page = visitor.new_page()
        for state, (address, reach) in STATES.items():
            open_page(page, served, address)
            if state in ("start", address):
                page.screenshot(path=screenshots / picture_name(size, address))
            reach(page)
            found += [f"{state}: {violation}" for violation in violations(page)]
    assert not found, "\n".join(found)


def test_a_page_that_breaks_a_criterion_is_found(page: Page) -> None:
    """The reference of the check itself: text too faint by criterion 1.4.3, and a picture without words by 1.1.1."""
    page.set_content('<html lang="en"><title>x</title><p style="color:#aaa">faint</p><img src="data:,"></html>')
    assert {rule for rule, _ in broken(page)} == {"color-contrast", "image-alt"}


@pytest.mark.parametrize("address", TITLES)
def test_headings_of_a_page_go_down_one_level_at_a_time(page: Page, served: Served, address: str) -> None:
    """G141, a sufficient technique of W3C for criterion 1.3.1: headings organise a page; one title, no level skipped."""
    open_page(page, served, address)
    main = page.get_by_test_id("stMain")
    levels = [int(name[1]) for name in main.locator("h1,h2,h3,h4,h5,h6").evaluate_all("all => all.map(e => e.tagName)")]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(later - earlier <= 1 for earlier, later in zip(levels, levels[1:], strict=False)), levels


def violations(page: Page) -> list[str]:
    """What is broken, but for what is Streamlit's own."""
    return [
        f"{rule}: {html}"
        for rule, html in broken(page)
        if not any(rule == known and part in html for known, part in OF_STREAMLIT)
    ]


def broken(page: Page) -> list[tuple[str, str]]:
    """Rules that are broken, each with the HTML of an element that breaks it."""
    options = {"runOnly": {"type": "tag", "values": list(WCAG_21_AA)}, "resultTypes": ["violations"]}
    response: dict[str, Any] = Axe().run(page, options=options).response
    return [(rule["id"], node["html"][:300]) for rule in response["violations"] for node in rule["nodes"]]
