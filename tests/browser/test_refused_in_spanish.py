"""A page in Spanish shows in Spanish why the server refuses a file, whatever language the browser itself asks for."""

from __future__ import annotations

from app.words import LANGUAGE_NAMES
from tests.browser.chromium import Page, expect
from tests.browser.opened_pages import drawn, open_page
from tests.serving import Served

LETTER = {"name": "carta.jpg", "mimeType": "image/jpeg", "buffer": b"a letter, not a photo"}


def test_a_refused_file_is_told_in_the_language_that_the_visitor_chose(page: Page, served: Served) -> None:
    open_page(page, served, "hand-in")
    page.locator("input[type=file]").set_input_files([LETTER])  # type: ignore[list-item]
    expect(page.get_by_text("carta.jpg is no photo")).to_be_visible()
    page.get_by_role("radio", name=LANGUAGE_NAMES["es"]).click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Entregar fotos")
    drawn(page)
    page.locator("input[type=file]").set_input_files([LETTER])  # type: ignore[list-item]
    expect(page.get_by_text("carta.jpg no es una foto")).to_be_visible()
    expect(page.get_by_text("carta.jpg is no photo")).to_have_count(0)
