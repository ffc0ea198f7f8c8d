"""The analyst's pages for retraining, drawn without a browser: labels taken in and told, models changed and back."""

from __future__ import annotations

import json
import shutil
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import streamlit as st
from PIL import Image
from streamlit.testing.v1 import AppTest

from app.desk import the_desk
from app.parts.plain import plain
from app.screens import health, labels, models
from app.screens.labels import _PARTS
from scorer.access.roles import Person, Role
from scorer.arrivals.rescoring import rescoring_state
from scorer.errors import ModelError
from scorer.fitting_process import REFUSED, RUNNING, state
from scorer.labels.keep import labels_of
from scorer.model_shelf.history import history_of, in_use, promote
from scorer.model_shelf.shelf import KeptModel, add_model, shelf_beside
from tests.browser.season import IN_SEASON, make_season, settings_of
from tests.label_files import annotation, coco
from tests.other_models import change_card, write_other_model
from tests.test_screens import drawn, text_of

ANALYST = Person("Finch", frozenset({Role.ANALYST}))
PHOTOS = IN_SEASON[:2]
PATIENCE_S = 120
SENTENCE = "Better, on 140 labelled fruit of 14 trays: brown area off by 21.5 mm2 a fruit instead of 28.1"


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Folder of a season of two photos, without labels, that others are copied from."""
    folder = tmp_path_factory.mktemp("made") / "season"
    folder.mkdir()
    make_season(folder, PHOTOS)
    return folder


@pytest.fixture
def season(made: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(made, tmp_path / "season"))


@pytest.fixture
def over(monkeypatch: pytest.MonkeyPatch) -> Iterator[pytest.MonkeyPatch]:
    """Lets pages be drawn over a season, and closes its records afterwards."""
    yield monkeypatch
    the_desk().engine.dispose()
    st.cache_resource.clear()


def part_of_labels(page: AppTest, name: str) -> AppTest:
    """Choose one of the parts of the page Labels."""
    page.get_by_key("labels_part").set_value(name)
    return page.run()


def labelled(who: str, *kinds: int) -> bytes:
    """A COCO file by one person, with a mark of each of these categories on the first photo, at the same places."""
    width, height = size_of(PHOTOS[0])
    images = [{"id": 1, "file_name": PHOTOS[0].name, "width": width, "height": height}]
    marks = [
        annotation([[100.0 * n, 50, 100.0 * n + 60, 50, 100.0 * n + 60, 110, 100.0 * n, 110]], id=n, category_id=kind)
        for n, kind in enumerate(kinds, start=1)
    ]
    info = {"contributor": who, "date_created": "2026-02-14T07:30:00Z"}
    categories = [{"id": 1, "name": "sap_burn"}, {"id": 2, "name": "cut"}]
    return json.dumps(coco(info=info, images=images, annotations=marks, categories=categories)).encode()


def size_of(path: Path) -> tuple[int, int]:
    with Image.open(path) as picture:
        return picture.size


def hand_in(page: AppTest, name: str, data: bytes, who: str = "") -> AppTest:
    part_of_labels(page, "take")
    page.file_uploader[0].upload(name, data)
    page.text_input(key="labelled_by").set_value(who)
    return button(page, "Take it in").click().run()


def button(page: AppTest, label: str) -> Any:
    (found,) = [one for one in page.button if one.label == label]
    return found


def test_files_are_taken_in_once_and_what_there_is_is_told_by_person_and_kind(
    over: pytest.MonkeyPatch, season: Path
) -> None:
    page = drawn(over, season, labels, ANALYST)
    hand_in(page, "finch.json", labelled("Finch", 1, 2))
    assert "Kept: 1 photos looked at whole, 2 outlines, 0 verdicts." in text_of(page)
    hand_in(page, "finch.json", labelled("Finch", 1, 2))
    assert "This file is known already; nothing was added." in text_of(page)
    verdicts = f"photo,fruit,verdict,said_at\n{PHOTOS[1].name},1,sound,2026-02-14\n".encode()
    hand_in(page, "fruit.csv", verdicts, who="Plover")
    part_of_labels(page, "there")
    people, kinds = [table.value for table in page.table]
    assert people.loc["Finch"].to_list() == [1, 2, 0, 0]
    assert people.loc["Plover"].to_list() == [0, 0, 1, 0]
    assert kinds["Outlines"].to_dict() == {"Cut": 1, "Sap burn": 1}


@pytest.mark.parametrize(
    ("name", "data", "sentence"),
    [
        ("labels.json", b"[1]", "labels.json is JSON but no COCO document"),
        ("labels.csv", b"photo,fruit,verdict\nT014_a.jpg,1,sound\n", "does not tell who says it"),
        ("../../labels.csv", b"photo,fruit\n", "labels.csv, line 1: the column verdict is missing; add it."),
    ],
)
def test_a_wrong_file_is_refused_in_words_and_nothing_of_it_is_kept(
    over: pytest.MonkeyPatch, season: Path, name: str, data: bytes, sentence: str
) -> None:
    page = drawn(over, season, labels, ANALYST)
    hand_in(page, name, data)
    (refusal,) = page.exception
    assert sentence in refusal.value
    assert len(labels_of(the_desk().engine)) == 0


def test_agreement_is_told_with_its_interval_and_what_people_differ_on_is_shown(
    over: pytest.MonkeyPatch, season: Path
) -> None:
    page = drawn(over, season, labels, ANALYST)
    hand_in(page, "finch.json", labelled("Finch", 1, 1, 2, 2, 1, 2))
    part_of_labels(page, "agree")
    assert "fewer than two people said anything, so nothing can be compared" in text_of(page)
    hand_in(page, "plover.json", labelled("Plover", 1, 1, 2, 2, 2, 2))
    part_of_labels(page, "agree")
    table = page.table[0].value
    # both say cut of 3 and sap burn of 2 of 6 marks, and differ on one: (5/6 - 1/2) / (1 - 1/2), Cohen (1960)
    assert table.loc["all kinds", "Kappa"] == "0.67"
    low, high = map(float, table.loc["all kinds", "Interval"].split(" to "))
    assert low < 0.67 < high <= 1
    assert "People differ on 1 mark or fruit." in text_of(page)
    page.button(key="draw_differing").click().run()
    assert not page.exception
    assert "Finch: Sap burn; Plover: Cut" in text_of(page)
    assert len(page.image) == 1


def test_fruit_to_label_next_lead_to_their_trays_and_a_labelled_photo_is_passed_over(
    over: pytest.MonkeyPatch, season: Path
) -> None:
    page = drawn(over, season, labels, ANALYST)
    hand_in(page, "finch.json", labelled("Finch", 1, 2))
    part_of_labels(page, "next")
    page.button(key="find_next").click()
    page.run(timeout=PATIENCE_S)
    assert not page.exception
    listed = [one.value.replace("\\", "") for one in page.markdown if "Fruit" in one.value]
    assert 1 <= len(listed) <= 4, "at most four of a tray"
    assert all(PHOTOS[1].name in one and "between " in one for one in listed)
    assert len([one for one in page.get("page_link") if one.proto.label == "Look at it"]) == len(listed)


def test_labels_too_few_to_doubt_any_are_refused_in_words(over: pytest.MonkeyPatch, season: Path) -> None:
    page = drawn(over, season, labels, ANALYST)
    hand_in(page, "finch.json", labelled("Finch", 1, 2))
    part_of_labels(page, "next")
    page.button(key="find_doubted").click()
    page.run(timeout=PATIENCE_S)
    (refusal,) = page.exception
    assert refusal.value.startswith("The labels ")


def test_a_fit_goes_on_behind_the_page_and_its_refusal_is_shown(over: pytest.MonkeyPatch, season: Path) -> None:
    page = drawn(over, season, labels, ANALYST)
    hand_in(page, "finch.json", labelled("Finch", 1, 2))
    part_of_labels(page, "fit")
    page.text_input(key="fit_name").set_value("North block")
    page.number_input(key="fit_error").set_value(5.0)
    button(page, "Fit the model").click().run()
    records = settings_of(season).records_url
    give_up = time.monotonic() + PATIENCE_S
    while (now := state(ANALYST, records)) is not None and now.state == RUNNING:
        assert time.monotonic() < give_up, "it did not end"
        time.sleep(0.1)
    assert now is not None
    assert now.state == REFUSED, now
    page.run()
    assert "North block was not fitted." in text_of(page)
    assert plain(now.said) in [one.value for one in page.markdown]
    assert now.said.startswith("The labels are on 1 tray")


def test_every_part_of_the_labels_is_drawn_over_a_season_without_any(over: pytest.MonkeyPatch, season: Path) -> None:
    page = drawn(over, season, labels, ANALYST)
    for name in _PARTS:
        part_of_labels(page, name)
        assert not page.exception, name
        assert not page.error, name


@pytest.fixture
def other(season: Path, tmp_path: Path) -> KeptModel:
    """A second model on the shelf, whose card has figures, as fitting writes them."""
    folder = write_other_model(tmp_path / "north block", shift=1.0)
    figure = {"value": 0.9, "low": 0.8, "high": 0.95}
    held_out = {
        "per_kind": {"cut": {"f1": figure, "precision": figure, "recall": figure, "n": 41}},
        "verdicts_right": figure,
        "brown_error_mm2": {"value": 21.5, "low": 18.0, "high": 25.0},
        "reliability": [{"said": 0.05, "true": 0.03, "n": 412}, {"said": 0.95, "true": 0.99, "n": 211}],
    }
    change_card(folder, figures_held_out=held_out, compared={"with": "", "verdict": "", "sentence": SENTENCE})
    return add_model(ANALYST, shelf_beside(settings_of(season).records_url), folder)


def choose(page: AppTest, model: KeptModel) -> AppTest:
    return page.selectbox(key="model").set_value(model.name).run()


def test_a_models_card_is_shown_with_its_figures_intervals_and_counts(
    over: pytest.MonkeyPatch, season: Path, other: KeptModel
) -> None:
    page = choose(drawn(over, season, models, ANALYST), other)
    assert not page.exception
    assert SENTENCE in text_of(page)
    listed, whole, kinds = [table.value for table in page.table]
    assert list(listed["State"]) == ["in use", "not in use"]
    assert list(whole["Interval"]) == ["0.8 to 0.95", "18 to 25"]
    assert kinds.loc["Cut"].to_list() == ["41", *["0.9 (0.8 to 0.95)"] * 3]
    (chart,) = page.get("vega_lite_chart")
    assert "said 95%, true 99%" in str(chart.proto), "what a screen reader says of the chart"
    assert "## Limits of use" in "\n".join(one.value for one in page.markdown)


def test_a_model_is_put_to_use_with_a_reason_and_taken_back_and_the_history_tells(
    over: pytest.MonkeyPatch, season: Path, other: KeptModel
) -> None:
    page = choose(drawn(over, season, models, ANALYST), other)
    shelf = the_desk().shelf
    page.button(key="promote").click().run()
    (refusal,) = page.exception
    assert "was not compared with the model in use" in refusal.value
    assert in_use(shelf) is None
    page = choose(drawn(over, season, models, ANALYST), other)
    page.text_input(key="why_model").set_value("better on our own trays")
    page.button(key="promote").click().run()
    assert not page.exception
    assert in_use(shelf) == other.folder
    assert f"In use: {other.name}" in text_of(page).replace("**", "")
    assert "2 photos are not scored by the model in use." in text_of(page)
    page.text_input(key="why_model").set_value("worse in the rain")
    page.button(key="rollback").click().run()
    assert not page.exception
    assert in_use(shelf) is None
    assert list(history_of(shelf)[["who", "did", "why"]].itertuples(index=False, name=None)) == [
        ("Finch", "rolled back", "worse in the rain"),
        ("Finch", "promoted", "better on our own trays"),
    ]
    assert "rolled back: the model that comes with scorer" in text_of(page)


def test_the_season_is_asked_to_be_scored_again_and_that_can_be_stopped(
    over: pytest.MonkeyPatch, season: Path, other: KeptModel
) -> None:
    page = choose(drawn(over, season, models, ANALYST), other)
    assert "0 photos are not scored by the model in use." in text_of(page)
    assert page.button(key="rescore").disabled
    page.text_input(key="why_model").set_value("to try it")
    page.button(key="promote").click().run()
    page.button(key="rescore").click().run()
    assert not page.exception
    inbox = settings_of(season).inbox_folder
    asked = rescoring_state(ANALYST, inbox)
    assert asked is not None
    assert (asked.asked_by, asked.goes_on) == ("Finch", True)
    assert "Asked for by Finch" in text_of(page)
    page.button(key="stop_rescoring").click().run()
    assert "Finch stopped it; what was scored again stays." in text_of(page)


def test_a_model_that_cannot_be_loaded_is_listed_with_its_trouble_and_cannot_be_chosen(
    over: pytest.MonkeyPatch, season: Path, other: KeptModel
) -> None:
    (other.folder / "kinds.skops").write_bytes(b"not what it was")
    page = drawn(over, season, models, ANALYST)
    assert not page.exception
    assert f"{other.name}: kinds.skops is not the file that its card describes" in text_of(page)
    assert page.selectbox(key="model").options == ["the model that comes with scorer"]
    assert "cannot be loaded" in text_of(page)


def test_a_model_in_use_that_is_gone_is_told_and_the_one_before_can_be_put_back(
    over: pytest.MonkeyPatch, season: Path, other: KeptModel
) -> None:
    promote(ANALYST, shelf_beside(settings_of(season).records_url), other.name, "to try it")
    shutil.rmtree(other.folder)
    page = drawn(over, season, models, ANALYST)
    assert not page.exception
    assert f"{other.name} is to be used, but is not there any more" in text_of(page)
    with pytest.raises(ModelError):
        in_use(the_desk().shelf)
    page.text_input(key="why_model").set_value("it is gone")
    page.button(key="rollback").click().run()
    assert in_use(the_desk().shelf) is None


@pytest.mark.parametrize("module", [health, models])
def test_what_can_be_told_of_the_newest_photos_look_stands_on_the_page(
    over: pytest.MonkeyPatch, season: Path, module: Any
) -> None:
    page = drawn(over, season, module, ANALYST)
    assert not page.exception
    assert "too few to tell whether the look has moved" in text_of(page)


def test_no_markup_of_a_foreign_card_is_taken_for_more_than_text(
    over: pytest.MonkeyPatch, season: Path, other: KeptModel
) -> None:
    marked_up = "_one_ *two* <b>three</b> [four](http:five) $six$ :red[seven] `eight`"
    change_card(other.folder, trained_on=marked_up)
    page = choose(drawn(over, season, models, ANALYST), other)
    told = [one.value for one in page.markdown if "trained on" in one.value and "one" in one.value]
    assert f"**trained on**: {plain(marked_up)}" in told
    (card,) = [one.value for one in page.markdown if one.value.startswith("###")]
    assert "$six$" not in card
    assert ":red[" not in card
    assert "<b>" not in card.replace("\\<b\\>", "")
