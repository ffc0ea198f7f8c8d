"""Every page at both sizes against the criteria of WCAG 2.1, levels A and AA, as far as axe-core can check them."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise
from pathlib import Path
from typing import Any, Final

import pytest

from tests.browser.chromium import Axe, Browser, Page, expect
from tests.browser.opened_pages import SIZES, TITLES, drawn, open_page, picture_name, tap_on, visiting
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


def show_pictures(page: Page) -> None:
    page.get_by_role("button", name="Show pictures of them").click()
    expect(page.get_by_role("img", name="Reed: Cut; Sedge: Sap burn")).to_be_visible()
    drawn(page)


def choose_other_model(page: Page) -> None:
    page.get_by_role("combobox").tap()  # MORE is brought up on the phone only
    page.get_by_role("option", name="north-block").click()
    expect(page.get_by_text("Whether its probabilities hold")).to_be_visible()
    drawn(page)
    open_all(page)


MORE: Final[dict[str, dict[str, Callable[[Page], None]]]] = {
    "hand-in": {"with photos": hand_in_again},
    "tray": {"a mark chosen": choose_mark},
    "second-look": {"by lot": tap_on("Fruit drawn by lot")},
    "crews": {
        "kinds": tap_on("Kinds of marks"),
        "days": tap_on("Day by day"),
        "rest": tap_on("Against the rest"),
        "mix": tap_on("At the same mix"),
        "cost": tap_on("What it costs"),
    },
    "plan": {"bins": tap_on("Which bins"), "door": tap_on("When may a check stop")},
    "limits-and-prices": {"prices": tap_on("Prices")},
    "labels": {
        "a file": tap_on("Take in a file"),
        "agreement": tap_on("Agreement"),
        "pictures": show_pictures,
        "next": tap_on("Label next"),
        "fit": tap_on("Fit a model"),
    },
    "models": {"another model": choose_other_model},
}
"""What more can be brought up on a page, one after the other; on the phone, for all has less room there."""


@pytest.mark.parametrize("size", SIZES)
def test_no_page_breaks_a_criterion_that_can_be_checked(
    browser: Browser, served: Served, screenshots: Path, size: str
) -> None:
    found = []
    with visiting(browser, size) as visitor:
        page = visitor.new_page()
        for address, title in TITLES.items():
            open_page(page, served, address)
            page.screenshot(path=screenshots / picture_name(size, address))
            found += headings_out_of_order(page)
            for state, reach in {"all open": open_all, **(MORE.get(address, {}) if size == "phone" else {})}.items():
                reach(page)
                found += [f"{title}, {state}: {violation}" for violation in violations(page)]
    assert not found, "\n".join(found)


def test_a_page_that_breaks_a_criterion_is_found(page: Page) -> None:
    """The check itself: text too faint by criterion 1.4.3, a picture without words by 1.1.1, a level left out."""
    page.set_content('<html lang="en"><title>x</title><p style="color:#aaa">faint</p><img src="data:,"></html>')
    assert {rule for rule, _ in broken(page)} == {"color-contrast", "image-alt"}
    page.set_content('<main data-testid="stMain"><h1>x</h1><h3>y</h3></main>')
    assert headings_out_of_order(page)


def headings_out_of_order(page: Page) -> list[str]:
    """What is wrong with a page's headings by G141, a technique of W3C for criterion 1.3.1."""
    headings = page.get_by_test_id("stMain").locator("h1,h2,h3,h4,h5,h6")
    levels = [int(name[1]) for name in headings.evaluate_all("all => all.map(one => one.tagName)")]
    right = levels[:1] == [1] and 1 not in levels[1:] and all(b - a <= 1 for a, b in pairwise(levels))
    return [] if right else [f"{page.url}: headings of levels {levels}"]


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
