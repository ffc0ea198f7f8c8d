"""On a phone: nothing sticks out, targets are as large as a thumb, and all comes from the shed's own computer."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from itertools import cycle
from typing import Final
from urllib.parse import urlsplit

import pytest

from app.words import Words
from scorer.charts.on_page import ROW_PX
from scorer.language import load_language
from tests.browser.chromium import Browser, Locator, Page, expect
from tests.browser.opened_pages import SIZES, TITLES, drawn, open_page, visiting
from tests.serving import Served

WIDTH_PX: Final = SIZES["phone"][0]
THUMB_PX: Final = 44
"""Height of a target by WCAG 2.1, success criterion 2.5.5. It is of level AAA: here it is the size that was chosen."""

STICKING_OUT: Final = """main => {
    const scrolls = (one) => one && one !== main
        && (['auto', 'scroll', 'hidden'].includes(getComputedStyle(one).overflowX) || scrolls(one.parentElement));
    const out = (box) => box.width > 1 && (box.right > innerWidth + 1 || box.left < -1);
    return [...main.querySelectorAll('*')]
        .filter((one) => one.checkVisibility({ opacityProperty: true }) && !scrolls(one.parentElement))
        .filter((one) => out(one.getBoundingClientRect()))
        .map((one) => one.outerHTML.slice(0, 120));
}"""
"""Elements that reach over the side, but for those in a box that scrolls or hides by itself."""
TARGETS: Final = "button, a[href], summary, label:has(input), input:not([type=file], label input, [tabindex='-1'])"
OF_STREAMLIT: Final = '[kind="elementToolbar"]'
"""Small signs over a table that Streamlit draws as part of it: all they do can be done without them."""
LOW_TARGETS: Final = """([main, wanted, left_out, least]) => {
    const under = (root) => [...root.querySelectorAll('*')]
        .flatMap((one) => [one, ...(one.shadowRoot ? under(one.shadowRoot) : [])]);
    const height = (one) => (one.matches('input') ? one.parentElement : one).getBoundingClientRect().height;
    return under(main)
        .filter((one) => one.matches(wanted) && !one.matches(left_out) && one.checkVisibility())
        .filter((one) => one.getBoundingClientRect().width > 1 && height(one) < least - 0.5)
        .map((one) => `${Math.round(height(one))} px: ${one.outerHTML.slice(0, 160)}`);
}"""
"""Targets that are lower than wanted; a field is tapped on the box around it."""


@dataclass(frozen=True)
class Heard:
    """What a browser told of while it was on the pages."""

    hosts: set[str] = field(default_factory=set)
    errors: list[str] = field(default_factory=list)

    def listen(self, page: Page) -> None:
        page.on("request", lambda request: self._hear(request.url))
        page.on("websocket", lambda socket: self._hear(socket.url))
        page.on("pageerror", lambda error: self.errors.append(f"{page.url}: {error}"))

    def _hear(self, url: str) -> None:
        if urlsplit(url).scheme not in ("data", "blob"):  # these are within the page
            self.hosts.add(urlsplit(url).netloc)


@pytest.fixture(scope="module")
def heard() -> Heard:
    return Heard()


@pytest.fixture(scope="module")
def phone(browser: Browser, heard: Heard) -> Iterator[Page]:
    with visiting(browser, "phone") as visitor:
        page = visitor.new_page()
        heard.listen(page)
        yield page


@pytest.mark.parametrize("address", TITLES)
def test_a_page_fits_a_phone(phone: Page, served: Served, address: str) -> None:
    open_page(phone, served, address)
    assert phone.evaluate("document.documentElement.scrollWidth") <= WIDTH_PX
    assert sticking_out(phone) == []
    assert low_targets(phone) == []
    tab_reaches_the_first_control(phone)


def sticking_out(page: Page) -> list[str]:
    return list(page.get_by_test_id("stMainBlockContainer").evaluate(STICKING_OUT))


def low_targets(page: Page) -> list[str]:
    main = page.get_by_test_id("stMainBlockContainer").element_handle()
    return list(page.evaluate(LOW_TARGETS, [main, TARGETS, OF_STREAMLIT, THUMB_PX]))


def tab_reaches_the_first_control(page: Page) -> None:
    """WCAG 2.1, success criterion 2.1.1: all that can be done can be done by keyboard."""
    main = page.get_by_test_id("stMainBlockContainer")
    for _ in range(30):
        page.keyboard.press("Tab")
        if main.locator(":focus").count():
            return
    pytest.fail(f"Tab does not reach {page.url}")


def test_a_row_of_the_crews_chart_is_as_high_as_a_thumb_and_takes_a_tap_anywhere(phone: Page, served: Served) -> None:
    open_page(phone, served, "crews")
    chart, figures = phone.get_by_test_id("stVegaLiteChart").first, phone.get_by_test_id("stTable").first
    names = chart.locator(".role-axis-label text").filter(has_not_text="%")
    expect(names.first).to_be_visible()
    crews = names.all_text_contents()
    rows = [box_of(row_of_chart(chart, crew)) for crew in crews]
    assert [row["height"] for row in rows] == [pytest.approx(ROW_PX, abs=0.5)] * len(crews)
    assert ROW_PX >= THUMB_PX
    for crew, across in zip(crews, cycle(("its name", "its middle", "its end")), strict=False):
        row, name = box_of(row_of_chart(chart, crew)), box_of(names.get_by_text(crew, exact=True))
        x = {"its name": name["x"] + 5, "its middle": row["x"] + row["width"] / 2}.get(
            across, row["x"] + row["width"] - 5
        )
        phone.touchscreen.tap(x, row["y"] + 3)
        expect(figures.get_by_role("row")).to_have_count(2)  # its head and the crew
        expect(figures.get_by_role("row").last).to_contain_text(crew)
        drawn(phone)


def test_nothing_on_the_crews_chart_is_drawn_over_a_name(phone: Page, served: Served) -> None:
    open_page(phone, served, "crews")
    chart = phone.get_by_test_id("stVegaLiteChart").first
    names = chart.locator(".role-axis-label text").filter(has_not_text="%")
    expect(names.first).to_be_visible()
    ends = max(box["x"] + box["width"] for box in map(box_of, names.all()))
    signs = chart.locator(".mark-rule line, .mark-symbol path")
    assert signs.count() >= 2 * names.count()
    assert min(box_of(sign)["x"] for sign in signs.all()) > ends


def row_of_chart(chart: Locator, crew: str) -> Locator:
    """The row of a crew from end to end, which is its last sign: Vega gives each its values as its label."""
    return chart.locator(f'path[aria-label*="crew: {crew}"]').last


def box_of(one: Locator) -> Mapping[str, float]:
    one.scroll_into_view_if_needed()
    box = one.bounding_box()
    assert box is not None
    return box


def test_pages_ask_their_own_server_alone_and_none_of_them_fails(phone: Page, served: Served, heard: Heard) -> None:
    open_page(phone, served, "tray")  # besides those that the tests above opened
    assert heard.hosts == {urlsplit(served.address).netloc}
    assert heard.errors == []


def test_a_request_to_another_host_is_heard(page: Page) -> None:
    """The reference of the check above: a page that does ask elsewhere, at an address that stands for no host."""
    heard = Heard()
    heard.listen(page)
    page.set_content('<img src="http://elsewhere.invalid/x.png"><script>throw new Error("loud")</script>')
    page.wait_for_load_state()
    assert heard.hosts == {"elsewhere.invalid"}  # RFC 2606, section 2: never a real host
    assert len(heard.errors) == 1


def test_a_target_too_low_and_an_element_too_wide_are_seen(phone: Page) -> None:
    phone.set_content(
        '<meta name="viewport" content="width=device-width"><main data-testid="stMainBlockContainer">'
        '<p style="width:2000px">wide</p><button style="height:20px">low</button></main>'
    )
    assert len(sticking_out(phone)) == 1
    assert len(low_targets(phone)) == 1


def test_whoever_chooses_spanish_reads_titles_in_spanish(page: Page, served: Served) -> None:
    spanish = Words(load_language("es"))
    open_page(page, served, "crews")
    expect(page.get_by_role("heading", level=1)).to_have_text(TITLES["crews"])
    page.get_by_role("radio", name="Español").click()
    title = spanish.text(TITLES["crews"])
    assert title != TITLES["crews"]
    expect(page.get_by_role("heading", level=1)).to_have_text(title)
    drawn(page)
    page.get_by_role("link", name=spanish.text(TITLES["plan"])).first.click()
    expect(page.get_by_role("heading", level=1)).to_have_text(spanish.text(TITLES["plan"]))


def test_a_browser_that_asks_for_spanish_gets_it_unasked(browser: Browser, served: Served) -> None:
    with visiting(browser, "phone", language="es-PE") as visitor:
        page = visitor.new_page()
        open_page(page, served, "hand-in")
        expect(page.get_by_role("heading", level=1)).to_have_text(Words(load_language("es")).text(TITLES["hand-in"]))
