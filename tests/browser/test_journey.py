"""From a photo on a phone to a crew's sheet: what people do on the pages, and that figures follow as records say."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Hashable, Iterator
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from pypdf import PdfReader
from sqlalchemy import Engine

from app.words import Words
from scorer.access.roles import Person, Role
from scorer.advice.kind_words import MARK_WORDS
from scorer.arrivals.to_rescore import models_of_scores
from scorer.crews.shares import defect_share
from scorer.fruit_rows import countable
from scorer.language import load_language
from scorer.model_shelf.history import in_use
from scorer.model_shelf.shelf import kept_models, shelf_beside
from scorer.records.database import open_records
from scorer.records.fruit import season_fruit
from scorer.records.mark_words import words_of
from scorer.records.photos import find_photos
from scorer.records.scores import newest_scores_of
from scorer.records.words_in_force import NOT_A_MARK
from tests.browser.chromium import Locator, Page, expect
from tests.browser.opened_pages import drawn, give_name, open_page
from tests.browser.season import KEPT_BACK, LAST, settings_of
from tests.serving import Served

ANYBODY = Person("", frozenset(Role))
WORDS = Words(load_language("en"))
OFFICER = "Jarrah"
CREW = "Curlew"


@pytest.fixture
def records(season: Path) -> Iterator[Engine]:
    engine = open_records(settings_of(season).records_url, create=False)
    yield engine
    engine.dispose()


def photo_named(records: Engine, name: str) -> pd.Series:
    return find_photos(ANYBODY, records, names=[name]).iloc[0]


def share_of(records: Engine, crew: str) -> float:
    """A crew's share, worked out anew from the records."""
    shares = defect_share(countable(season_fruit(records)).fruit, cluster="lot")
    return share_in(shares, crew)


def share_in(table: pd.DataFrame, crew: str) -> float:
    (share,) = table.loc[table["crew"] == crew, "share"].to_list()
    return float(share)


def tray_picture(page: Page) -> Locator:
    return page.get_by_role("group", name="Tray with its fruit and marks")


def rows(page: Page) -> Locator:
    """Rows of the table of figures; the chart's own tip is a table, too."""
    return page.get_by_test_id("stTable").get_by_role("row")


def row_of(page: Page, crew: str) -> Locator:
    return rows(page).filter(has_text=crew)


def tap(page: Page, outlined: Locator) -> None:
    """Tap in the middle of an outline on the picture; the number beside it lies outside."""
    outlined.scroll_into_view_if_needed()
    box = outlined.locator("path.over").bounding_box()
    assert box is not None
    page.mouse.click(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)


def downgraded_by_one_mark(records: Engine, crew: str) -> tuple[pd.Series, pd.Series]:
    """A photo of the crew, and the one mark of a fruit in it that is downgraded."""
    fruit = countable(season_fruit(records)).fruit
    for row in fruit[fruit["defective"] & (fruit["crew"] == crew)].itertuples():
        photo = photo_named(records, str(row.photo))
        marks = newest_scores_of(records, str(photo["sha256"])).marks
        of_fruit = marks[marks["fruit"] == row.fruit]
        if len(of_fruit) == 1:
            return photo, of_fruit.iloc[0]
    pytest.fail(f"no fruit of {crew} is downgraded by one mark alone")


def test_handed_in_photos_get_their_word_within_the_page_and_each_leads_to_its_tray(
    page: Page, served: Served, records: Engine
) -> None:
    open_page(page, served, "hand-in")
    give_name(page, OFFICER)
    page.locator("input[type=file]").set_input_files(KEPT_BACK)
    expect(page.get_by_text("the trays can be put away")).to_be_visible()
    expect(page.get_by_test_id("stMarkdown").get_by_text("good", exact=True)).to_have_count(len(KEPT_BACK))
    for path in KEPT_BACK:
        assert photo_named(records, path.name)["verdict"] == "good"
    page.get_by_role("link", name="Look at it").last.click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Look at a tray")
    expect(page.get_by_text(KEPT_BACK[0].name).first).to_be_visible()
    expect(tray_picture(page).get_by_role("button").first).to_be_visible()


def test_two_taps_take_a_mark_away_and_fruit_and_crew_follow_as_the_records_say(
    page: Page, served: Served, records: Engine
) -> None:
    photo, mark = downgraded_by_one_mark(records, CREW)
    before = WORDS.percent(share_of(records, CREW))
    open_page(page, served, "crews")
    expect(row_of(page, CREW)).to_contain_text(before)

    open_page(page, served, f"tray?photo={photo['sha256']}")
    give_name(page, OFFICER)
    tap(page, tray_picture(page).get_by_role("button", name=f"{MARK_WORDS[mark['kind']]} {mark['mark']}", exact=True))
    expect(page.get_by_text("downgraded", exact=True)).to_be_visible()
    page.get_by_role("radio", name="not a mark", exact=True).click()
    expect(page.get_by_role("heading", name="Not a mark")).to_be_visible()
    expect(page.get_by_text("downgraded", exact=True)).to_have_count(0)

    said = words_of(ANYBODY, records, str(photo["sha256"]))
    assert list(said[["who", "said_now"]].iloc[0]) == [OFFICER, NOT_A_MARK]
    fruit = season_fruit(records).set_index(["photo", "fruit"]).loc[(photo["photo"], mark["fruit"])]
    expect(page.get_by_text(str(fruit["verdict"]), exact=True)).to_be_visible()
    after = WORDS.percent(share_of(records, CREW))
    assert after != before
    open_page(page, served, "crews")
    expect(row_of(page, CREW)).to_contain_text(after)


def test_a_missed_mark_is_drawn_with_the_mouse_is_listed_and_can_be_taken_back(
    page: Page, served: Served, records: Engine
) -> None:
    sha256 = str(photo_named(records, "T048_a.jpg")["sha256"])
    open_page(page, served, f"tray?photo={sha256}")
    give_name(page, OFFICER)
    draw_around_the_middle(page, tray_picture(page).get_by_role("button", name="Fruit 4", exact=True))
    page.get_by_role("dialog").get_by_role("button", name="Abrasion").click()
    expect(tray_picture(page).get_by_role("button", name="Abrasion +")).to_be_visible()
    (word,) = words_of(ANYBODY, records, sha256).to_dict("records")
    assert (word["fruit"], word["said_now"], word["counts"]) == (4, "abrasion", True)

    page.get_by_text("What people said of this tray").click()
    expect(page.get_by_text(f"{OFFICER}: Fruit 4: Abrasion")).to_be_visible()
    page.get_by_role("button", name="Take back").click()
    expect(tray_picture(page).get_by_role("button", name="Abrasion +")).to_have_count(0)
    assert not words_of(ANYBODY, records, sha256)["counts"].any()


def draw_around_the_middle(page: Page, fruit: Locator) -> None:
    """Draw a small square in the middle of a fruit."""
    page.get_by_role("button", name="Draw a missed mark").click()
    box = fruit.bounding_box()
    assert box is not None
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    page.mouse.move(x - 8, y - 8)
    page.mouse.down()
    for across, down in ((8, -8), (8, 8), (-8, 8), (-8, -6)):
        page.mouse.move(x + across, y + down, steps=4)
    page.mouse.up()


def test_from_a_row_of_the_chart_two_clicks_lead_to_a_trays_picture(
    page: Page, served: Served, records: Engine
) -> None:
    others = set(countable(season_fruit(records)).fruit["crew"]) - {CREW}
    open_page(page, served, "crews")
    chart = page.get_by_test_id("stVegaLiteChart").first
    # Vega gives each sign on the chart its values as its label; the last of a crew is its whole row, on top.
    chart.locator(f'path[aria-label*="crew: {CREW}"]').last.click()
    expect(rows(page)).to_have_count(2)  # its head and the crew
    expect(row_of(page, CREW)).to_be_visible()
    for other in others:  # the photos behind the figure are drawn last
        expect(page.get_by_test_id("stMarkdown").get_by_text(f"{other} · ")).to_have_count(0)
    page.get_by_role("link", name="Look at it").first.click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Look at a tray")
    expect(page.get_by_text(f"{CREW} · ").first).to_be_visible()
    expect(tray_picture(page).locator("image")).to_be_visible()
    address = tray_picture(page).locator("image").get_attribute("href")
    answer = page.request.get(served.address.rstrip("/") + str(address))
    assert answer.body().startswith(b"\xff\xd8\xff")  # JPEG: ITU-T T.81, table B.1


def test_a_crew_sheet_comes_as_a_pdf_with_the_crews_name_and_share(
    page: Page, served: Served, records: Engine, tmp_path: Path
) -> None:
    open_page(page, served, "crew-sheets")
    crew = sorted(countable(season_fruit(records)).fruit["crew"].unique())[0]
    page.get_by_role("button", name="Make the sheets").click()
    sheet = downloaded(page, "Crew sheets (PDF)", tmp_path)
    (first,) = PdfReader(sheet).pages
    text = first.extract_text()
    assert crew in text
    assert f"Of every 100 fruit about {round(100 * share_of(records, crew))} were downgraded" in text


def test_the_figures_come_as_a_report_and_as_a_zip_of_tables(
    page: Page, served: Served, records: Engine, tmp_path: Path
) -> None:
    open_page(page, served, "crews")
    page.get_by_text("Take the figures along").click()
    page.get_by_role("button", name="Write report, workbook and tables").click()
    report = downloaded(page, "Report (PDF)", tmp_path)
    assert CREW in "".join(sheet.extract_text() for sheet in PdfReader(report).pages)
    with zipfile.ZipFile(downloaded(page, "All tables (zip)", tmp_path)) as archive:
        assert archive.testzip() is None
        names = archive.namelist()
        tables = {name: pd.read_csv(io.BytesIO(archive.read(name))) for name in names if name.endswith(".csv")}
    assert {Path(name).suffix for name in names} >= {".pdf", ".xlsx", ".csv"}
    shares = next(table for table in tables.values() if {"crew", "share", "low", "high"} <= set(table.columns))
    assert share_in(shares, CREW) == pytest.approx(share_of(records, CREW), abs=1e-5)


def downloaded(page: Page, button: str, folder: Path) -> Path:
    with page.expect_download() as coming:
        page.get_by_role("button", name=button).click()
    path = folder / coming.value.suggested_filename
    coming.value.save_as(path)
    return path


def test_another_model_is_put_to_use_and_scores_what_is_handed_in_from_then_on_while_old_scores_stay(
    page: Page, served: Served, records: Engine
) -> None:
    shelf = shelf_beside(records.url)
    shipped, other = kept_models(shelf)
    before = {row["sha256"]: models_of_scores(records, row["sha256"]) for row in photos_in(records)}
    assert {model for models in before.values() for model in models} == {shipped.sha256}
    open_page(page, served, "models")
    give_name(page, OFFICER)
    page.get_by_role("combobox").click()
    page.get_by_role("option", name=other.name).click()
    expect(page.get_by_text("Whether its probabilities hold")).to_be_visible()
    page.get_by_role("textbox", name="Why?").fill("to try it on a new block")
    page.keyboard.press("Enter")
    drawn(page)
    page.get_by_role("button", name=f"Put {other.name} to use").click()
    expect(page.get_by_text("In use: north-block")).to_be_visible()
    drawn(page)
    assert in_use(shelf) == other.folder

    open_page(page, served, "hand-in")
    give_name(page, OFFICER)
    page.locator("input[type=file]").set_input_files(LAST)
    expect(page.get_by_test_id("stMarkdown").get_by_text(LAST.name)).to_be_visible()
    expect(page.get_by_test_id("stMarkdown").get_by_text("waiting for its turn")).to_have_count(0)
    assert models_of_scores(records, str(photo_named(records, LAST.name)["sha256"])) == [other.sha256]
    assert {sha256: models_of_scores(records, sha256) for sha256 in before} == before


def photos_in(records: Engine) -> list[dict[Hashable, Any]]:
    return find_photos(ANYBODY, records).to_dict("records")
