"""What is handed in may be anything, under any name: it is answered in one sentence and stays in its place."""

from __future__ import annotations

import json
import re
from datetime import datetime
from pathlib import Path
from typing import Any, Final

import httpx
import pytest

from scorer.arrivals.completing import complete
from scorer.arrivals.deliveries import begin_delivery, delivery_folders, find_delivery
from scorer.records.database import open_records
from scorer.tag import Tag
from tests.browser.chromium import Browser, Dialog, Page, expect
from tests.browser.files_to_refuse import climbing_zip, picture_bomb, small_jpeg, without_tag
from tests.browser.opened_pages import TITLES, drawn, give_name, open_page, tap_on, visiting
from tests.browser.season import IN_SEASON, KEPT_BACK, OFFICER, hand_in, scored, settings_of
from tests.serving import Served

LONG: Final = "x" * 5000 + ".jpg"
FILES: Final[dict[str, tuple[str, bytes, str]]] = {
    "a name that climbs": ("../../x.jpg", small_jpeg(1), "x.jpg is only 64 x 48 px"),
    "a name that climbs in Windows": ("..\\..\\y.jpg", small_jpeg(2), "y.jpg is only 64 x 48 px"),
    "a name of markup": ("<script>alert(1)<", small_jpeg(3), "<script>alert(1)< is only 64 x 48 px"),
    "a name too long": (LONG, small_jpeg(4), f"{LONG[:120]} is only 64 x 48 px"),
    "a name that is none": ("", small_jpeg(5), "photo is only 64 x 48 px"),
    "a text": ("notes.jpg", b"no photo but a text about one", "notes.jpg is no photo"),
    "nothing": ("empty.jpg", b"", "empty.jpg is empty"),
    "a photo cut short": ("cut.jpg", IN_SEASON[0].read_bytes()[:100_000], "cut.jpg is cut short"),
    "a bomb": ("bomb.png", picture_bomb(), "bomb.png has more than 80 megapixels"),
    "a zip that climbs": ("round.zip", climbing_zip(), "climbed.jpg is only 64 x 48 px"),
}
"""Name, content, and how the answer begins."""
FIXED_NAMES: Final = re.compile(
    r"[0-9a-f]{32}(/delivery\.json|/said\.(json|lock)|/\d{5}(/(photo\.(jpg|png|heic)|(item|outcome|notes)\.json|being_scored))?)?"
)
"""All that may lie in an inbox, see ``scorer.arrivals.deliveries``: no name that somebody chose is ever a path."""
CREW: Final = "<b>x</b> *y* ![z](http://z.invalid/)"
BIN: Final = "<i>T9</i> _u_"


@pytest.fixture(scope="module")
def address(browser: Browser, served: Served) -> str:
    """Where a page posts photos to, as the browser tells it."""
    with visiting(browser) as visitor:
        page = visitor.new_page()
        open_page(page, served, "hand-in")
        with page.expect_request(re.compile("/hand-in/.*name=")) as sent:
            page.locator("input[type=file]").set_input_files(as_file("first.jpg", small_jpeg()))
        return sent.value.url.partition("?")[0]


def as_file(name: str, data: bytes) -> Any:
    return {"name": name, "mimeType": "image/jpeg", "buffer": data}


def post(address: str, name: str, data: bytes, **headers: str) -> httpx.Response:
    said = {"X-Scorer-Delivery": "yes", **headers}
    return httpx.post(address, params={"name": name}, content=data, headers=said, timeout=60, trust_env=False)


def everything_beside(season: Path) -> set[Path]:
    """All files and folders of the season, and what lies beside and above it."""
    return set(season.parent.parent.glob("*")) | set(season.parent.rglob("*"))


def told_of(season: Path) -> list[str]:
    """What was said of the photos of all deliveries so far."""
    inbox = settings_of(season).inbox_folder
    return [json.loads(path.read_text("utf-8"))["reasons"] for path in inbox.glob("*/*/outcome.json")]


def is_one_sentence(text: str) -> bool:
    return text.endswith(".") and "\n" not in text and not re.search(r"[.!?] [A-Z]", text)


def word_on(season: Path, beginning: str) -> str:
    """The one word on a photo that begins so, once all photos have theirs."""
    inbox = settings_of(season).inbox_folder
    for folder in delivery_folders(inbox):
        scored(find_delivery(OFFICER, inbox, folder.name))
    (word,) = [told for told in told_of(season) if told.startswith(beginning)]
    return word


@pytest.mark.parametrize("what", FILES)
def test_any_file_is_answered_in_one_sentence_and_stays_in_the_inbox(
    served: Served, season: Path, address: str, what: str
) -> None:
    name, data, beginning = FILES[what]
    before = everything_beside(season)
    answer = post(address, name, data)
    word = answer.json()["refused"] if answer.status_code == 400 else word_on(season, beginning)
    assert word.startswith(beginning)
    assert is_one_sentence(word), word
    inbox = settings_of(season).inbox_folder
    new = {path for path in everything_beside(season) - before if not path.name.startswith("season.sqlite-")}
    assert all(FIXED_NAMES.fullmatch(path.relative_to(inbox).as_posix()) for path in new), new


def test_nothing_is_taken_without_the_pages_own_sign_or_at_a_made_up_address(address: str) -> None:
    unsigned = httpx.post(address, params={"name": "x.jpg"}, content=small_jpeg(), trust_env=False)
    forged = post(address[:-3] + "abc", "x.jpg", small_jpeg())
    assert {unsigned.status_code, forged.status_code} == {403}
    assert is_one_sentence(forged.json()["refused"])


def test_the_page_shows_refused_files_as_text_and_says_why(page: Page, served: Served) -> None:
    shown = "<img src=x onerror=alert(1)> *.jpg"
    alerts: list[str] = []

    def note(dialog: Dialog) -> None:
        alerts.append(dialog.message)
        dialog.dismiss()

    page.on("dialog", note)
    open_page(page, served, "hand-in")
    files = [as_file(shown, small_jpeg(9)), as_file(f"no {shown}", b"a text, not a photo")]
    page.locator("input[type=file]").set_input_files(files)
    expect(page.get_by_text(f"no {shown} is no photo")).to_be_visible()
    expect(page.get_by_text("not a photo to score")).to_be_visible()
    expect(page.get_by_text(shown, exact=True)).to_be_visible()
    expect(page.get_by_text(f"{shown} is only 64 x 48 px")).to_be_visible()
    expect(page.locator("img[src=x]")).to_have_count(0)
    assert alerts == []


def test_two_officers_who_hand_in_at_once_see_and_own_each_their_photos(
    browser: Browser, served: Served, season: Path
) -> None:
    with visiting(browser) as one, visiting(browser, "phone") as other:
        pages = {"Wattle": one.new_page(), "Jarrah": other.new_page()}
        for name, page in pages.items():
            begin_by_name(page, served, name)
        for number, (name, page) in enumerate(pages.items()):  # the first still sends when the second begins
            files = [as_file(f"{name} {count}.jpg", small_jpeg(20 + 10 * number + count)) for count in range(6)]
            page.locator("input[type=file]").set_input_files(files)
        for name, page in pages.items():
            expect(page.get_by_text("6 photos are to be taken again")).to_be_visible()
            for whose in pages:
                expect(page.get_by_text(re.compile(rf"^{whose} \d\.jpg$"))).to_have_count(6 if whose == name else 0)
    items = [json.loads(path.read_text()) for path in settings_of(season).inbox_folder.glob("*/*/item.json")]
    owned = {(item["who"], item["shown"].split()[0]) for item in items if item["shown"].split()[0] in pages}
    assert owned == {("Wattle", "Wattle"), ("Jarrah", "Jarrah")}


def begin_by_name(page: Page, served: Served, name: str) -> None:
    """Give a name, and go on to hand in photos; on a phone the menu has to be opened for it."""
    open_page(page, served, "")
    if page.get_by_test_id("stExpandSidebarButton").is_visible():
        page.get_by_test_id("stExpandSidebarButton").click()
    give_name(page, name)
    page.get_by_test_id("stSidebar").get_by_role("link", name="Hand in photos").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Hand in photos")
    drawn(page)


def test_names_of_crews_and_bins_stay_text_on_all_pages(page: Page, served: Served, season: Path) -> None:
    settings = settings_of(season)
    delivery = begin_delivery(OFFICER, settings.inbox_folder)
    hand_in(delivery, "untagged.jpg", without_tag(KEPT_BACK[1]))
    (outcome,) = scored(delivery)
    engine = open_records(settings.records_url, create=False)
    complete(OFFICER, engine, delivery, Tag(crew=CREW, bin=BIN, picked_at=datetime(2026, 1, 16, 7, 15)))
    engine.dispose()
    seen = {"crews", "crew-sheets", f"tray?photo={outcome.sha256}"}  # where names stand without a further tap
    for address in {*TITLES, *seen}:
        open_page(page, served, address)
        if address in seen:
            expect(page.get_by_text(CREW).first).to_be_visible()
        nothing_is_markup(page)
    open_page(page, served, "crews")
    for name in (CREW, BIN):
        expect(page.get_by_test_id("stMarkdown").get_by_text(name).first).to_be_visible()
    for part in ("Against the rest", "At the same mix", "Day by day"):
        tap_on(part)(page)
        nothing_is_markup(page)


def nothing_is_markup(page: Page) -> None:
    """Nothing of the crew's and the bin's name has become an element, least of all one that asks another host."""
    main = page.get_by_test_id("stMain")
    expect(main.locator("b, i, em").filter(has_text=re.compile("^(x|T9|y|u)"))).to_have_count(0)
    expect(main.locator('img[src*="z.invalid"]')).to_have_count(0)
