"""The shelf of models: whole or refused in words, and which one is in use, with who, when and why, and back."""

from __future__ import annotations

import hashlib
import itertools
import json
import pickle
import re
import shutil
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from pathlib import Path
from threading import Barrier

import pandas as pd
import pytest
import skops.io
from markdown_it import MarkdownIt

from scorer.access.roles import Person, Role
from scorer.errors import AccessError, ModelError
from scorer.kinds import CARD_FILE, CLASSES, KINDS_FILE, load_model
from scorer.model_card import CARD_TEXT_FILE, NO_INTERVALS, NOT_SAID, card_text, write_card_text
from scorer.model_shelf.compare import BETTER, NO_EVIDENCE, WORSE, Comparison
from scorer.model_shelf.history import (
    HISTORY_DTYPES,
    PROMOTED,
    ROLLED_BACK,
    history_of,
    in_use,
    promote,
    rollback,
    step_in_use,
)
from scorer.model_shelf.shelf import SHIPPED, KeptModel, Shelf, add_model, folder_of, kept_models, shelf_beside
from scorer.records.database import records_url
from scorer.resources import models_folder
from tests.other_models import change_card, put_file, write_other_model

ANALYST = Person("Jarrah", frozenset({Role.ANALYST}))
OTHER = Person("Wattle", frozenset({Role.ANALYST}))
MANAGER = Person("Banksia", frozenset({Role.MANAGER}))
OFFICER = Person("Acacia", frozenset({Role.OFFICER}))
NAMELESS = Person(" ", frozenset({Role.ANALYST}))
TRIED = "tried on Monday's trays"


@pytest.fixture(scope="module")
def fitted(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Two fitted models as training would leave them."""
    folder = tmp_path_factory.mktemp("fitted")
    return {name: write_other_model(folder / name, shift=shift) for name, shift in (("North Block", 1.0), ("b2", 2.0))}


@pytest.fixture
def shelf(tmp_path: Path) -> Shelf:
    return shelf_beside(records_url(tmp_path / "season.sqlite"))


@pytest.fixture
def kept(shelf: Shelf, fitted: dict[str, Path]) -> tuple[KeptModel, KeptModel]:
    one, two = (add_model(ANALYST, shelf, folder) for folder in fitted.values())
    return one, two


def said(verdict: str, new: KeptModel, old_sha256: str | None = None) -> Comparison:
    """What a comparison with the shipped model, or another one, came to."""
    old_sha256 = old_sha256 or load_model().sha256
    return Comparison(old_sha256, new.sha256, 9, 90, None, (), verdict, f"{verdict.capitalize()}, on 90 fruit.")


def test_the_shelf_lies_beside_the_records_and_has_the_shipped_model_always(tmp_path: Path, shelf: Shelf) -> None:
    assert shelf.folder == tmp_path / "season.models"
    (only,) = kept_models(shelf)
    assert (only.name, only.sha256, only.trouble) == (SHIPPED, load_model().sha256, "")
    assert only.made_on == load_model().card["made_on"]
    assert in_use(shelf) is None
    assert not shelf.folder.exists(), "looking makes nothing"


def test_a_model_is_kept_whole_under_a_name_with_its_hash(shelf: Shelf, fitted: dict[str, Path]) -> None:
    source = fitted["North Block"]
    kept = add_model(ANALYST, shelf, source)
    wanted = hashlib.sha256(
        (source / "detector.skops").read_bytes() + (source / "kinds.skops").read_bytes()
    ).hexdigest()
    assert kept.sha256 == wanted
    assert kept.name == f"north-block-{wanted[:12]}"
    assert folder_of(shelf, kept.name) == kept.folder
    copied = {path.name: path.read_bytes() for path in kept.folder.iterdir()}
    assert {name: copied[name] for name in ("detector.skops", "kinds.skops", "card.json")} == {
        name: (source / name).read_bytes() for name in ("detector.skops", "kinds.skops", "card.json")
    }
    assert copied[CARD_TEXT_FILE].decode() == card_text(kept.card)
    assert [path.name for path in shelf.folder.iterdir()] == [kept.name], "nothing unfinished is left"
    assert load_model(kept.folder).sha256 == wanted
    again = add_model(ANALYST, Shelf(shelf.folder / "elsewhere"), kept.folder)
    assert again.name == kept.name, "the hash is not put there twice"


def test_the_same_model_twice_is_told(shelf: Shelf, fitted: dict[str, Path], tmp_path: Path) -> None:
    kept = add_model(ANALYST, shelf, fitted["b2"])
    renamed = shutil.copytree(fitted["b2"], tmp_path / "another name")
    with pytest.raises(ModelError, match=f"has this model already, as {kept.name}; there is nothing to add"):
        add_model(ANALYST, shelf, renamed)
    change_card(renamed, mark_from=0.6)
    with pytest.raises(ModelError, match=f"as {kept.name}, with another card"):
        add_model(ANALYST, shelf, renamed)
    with pytest.raises(ModelError, match="as shipped; there is nothing to add"):
        add_model(ANALYST, shelf, models_folder() / "marks")


@pytest.mark.parametrize("person", [MANAGER, OFFICER])
def test_without_the_right_no_model_is_kept_or_put_to_use(
    shelf: Shelf, fitted: dict[str, Path], kept: tuple[KeptModel, KeptModel], person: Person
) -> None:
    before = sorted(shelf.folder.rglob("*"))
    with pytest.raises(AccessError, match="may not train and compare models"):
        add_model(person, shelf, fitted["b2"])
    with pytest.raises(AccessError, match="may not put a model to use"):
        promote(person, shelf, kept[0].name, TRIED)
    with pytest.raises(AccessError, match="may not put a model to use"):
        rollback(person, shelf, TRIED)
    assert sorted(shelf.folder.rglob("*")) == before


def flip_a_bit(folder: Path) -> None:
    content = bytearray((folder / KINDS_FILE).read_bytes())
    content[len(content) // 2] ^= 1
    (folder / KINDS_FILE).write_bytes(bytes(content))


def put_a_foreign_type(folder: Path) -> None:
    put_file(folder, KINDS_FILE, skops.io.dumps(partial(print, "run me")))


def put_a_pickle(folder: Path) -> None:
    put_file(folder, KINDS_FILE, pickle.dumps({"kinds": list(CLASSES)}))


def put_a_card_that_is_none(folder: Path) -> None:
    (folder / CARD_FILE).write_text("[" * 50_000)


def remove_usual(folder: Path) -> None:
    card = json.loads((folder / CARD_FILE).read_text())
    del card["usual"]
    (folder / CARD_FILE).write_text(json.dumps(card))


BAD: dict[str, tuple[Callable[[Path], object], str]] = {
    "a tampered file": (flip_a_bit, r"kinds\.skops is not the file that its card describes"),
    "a foreign type": (put_a_foreign_type, r"types that are not trusted \(.*partial"),
    "a pickle renamed": (put_a_pickle, r"the model cannot be read"),
    "a missing file": (lambda folder: (folder / KINDS_FILE).unlink(), r"kinds\.skops is missing"),
    "no card": (lambda folder: (folder / CARD_FILE).unlink(), r"card\.json is missing"),
    "a card without end": (put_a_card_that_is_none, "card"),
    "a card that lacks something": (remove_usual, "is not one that scorer writes"),
    "a limit that is none": (lambda folder: change_card(folder, mark_from=7), "no probabilities"),
}


@pytest.mark.parametrize(("spoil", "words"), BAD.values(), ids=BAD)
def test_one_bad_folder_is_told_and_the_others_stay(
    shelf: Shelf, kept: tuple[KeptModel, KeptModel], spoil: Callable[[Path], object], words: str
) -> None:
    spoil(kept[0].folder)
    there = {model.name: model for model in kept_models(shelf)}
    assert set(there) == {SHIPPED, kept[0].name, kept[1].name}
    assert re.search(words, there[kept[0].name].trouble)
    assert "\n" not in there[kept[0].name].trouble
    assert there[kept[0].name].sha256 == ""
    assert there[SHIPPED].trouble == there[kept[1].name].trouble == ""
    with pytest.raises(ModelError, match=words):
        promote(ANALYST, shelf, kept[0].name, TRIED)
    assert in_use(shelf) is None


@pytest.mark.parametrize(("spoil", "words"), BAD.values(), ids=BAD)
def test_a_bad_folder_is_not_taken_onto_the_shelf(
    shelf: Shelf, fitted: dict[str, Path], tmp_path: Path, spoil: Callable[[Path], object], words: str
) -> None:
    folder = shutil.copytree(fitted["b2"], tmp_path / "offered")
    spoil(folder)
    with pytest.raises(ModelError, match=words):
        add_model(ANALYST, shelf, folder)
    assert not shelf.folder.exists() or not list(shelf.folder.iterdir())


def test_a_good_model_under_the_name_of_another_is_told(shelf: Shelf, kept: tuple[KeptModel, KeptModel]) -> None:
    shutil.rmtree(kept[0].folder)
    shutil.copytree(kept[1].folder, kept[0].folder)
    (trouble,) = [model.trouble for model in kept_models(shelf) if model.name == kept[0].name]
    assert "the folder's name is not that of the model in it" in trouble


@pytest.mark.parametrize("name", ["", "..", "history", "../season.models", "north-block", "/etc", "north\0block"])
def test_no_name_reaches_outside_the_shelf(shelf: Shelf, kept: tuple[KeptModel, KeptModel], name: str) -> None:
    with pytest.raises(ModelError, match="There is no model"):
        folder_of(shelf, name)


def test_models_go_into_use_and_back_with_who_when_and_why(shelf: Shelf, kept: tuple[KeptModel, KeptModel]) -> None:
    one, two = kept
    started = pd.Timestamp.now("UTC")
    promote(ANALYST, shelf, one.name, "", said(BETTER, one))
    assert in_use(shelf) == one.folder
    promote(OTHER, shelf, two.name, "a trial\nfor a week")
    assert in_use(shelf) == two.folder
    rollback(ANALYST, shelf, "rubs were missed")
    assert in_use(shelf) == one.folder
    rollback(ANALYST, shelf, "cautious")
    assert in_use(shelf) is None
    table = history_of(shelf)
    assert {name: str(dtype) for name, dtype in table.dtypes.items()} == HISTORY_DTYPES
    assert table["number"].tolist() == [4, 3, 2, 1]
    assert table["name"].tolist() == [SHIPPED, one.name, two.name, one.name]
    assert table["sha256"].tolist() == [load_model().sha256, one.sha256, two.sha256, one.sha256]
    assert table["did"].tolist() == [ROLLED_BACK, ROLLED_BACK, PROMOTED, PROMOTED]
    assert table["who"].tolist() == ["Jarrah", "Jarrah", "Wattle", "Jarrah"]
    assert table["why"].tolist() == ["cautious", "rubs were missed", "a trial for a week", ""]
    assert table["comparison"].tolist() == ["", "", "", "Better, on 90 fruit."]
    assert table["at"].between(started, pd.Timestamp.now("UTC")).all()
    with pytest.raises(ModelError, match="No model was put to use that could be taken back"):
        rollback(ANALYST, shelf, "again")


def test_steps_are_files_that_are_only_added(shelf: Shelf, kept: tuple[KeptModel, KeptModel]) -> None:
    seen: dict[str, bytes] = {}
    for act in (
        lambda: promote(ANALYST, shelf, kept[0].name, TRIED),
        lambda: promote(ANALYST, shelf, SHIPPED, TRIED),
        lambda: rollback(ANALYST, shelf, TRIED),
    ):
        act()
        now = {path.name: path.read_bytes() for path in (shelf.folder / "history").iterdir()}
        assert {name: now[name] for name in seen} == seen
        assert len(now) == len(seen) + 1
        seen = now
    assert sorted(seen) == ["000001.json", "000002.json", "000003.json"]
    assert in_use(shelf) == kept[0].folder


def test_a_worse_model_is_refused_unless_told_why(shelf: Shelf, kept: tuple[KeptModel, KeptModel]) -> None:
    worse = said(WORSE, kept[0])
    with pytest.raises(ModelError, match=r"found to be worse; say why .* Worse, on 90 fruit\."):
        promote(ANALYST, shelf, kept[0].name, "  ", worse)
    assert in_use(shelf) is None
    step = promote(ANALYST, shelf, kept[0].name, "the buyer wants it", worse)
    assert (step.why, step.comparison) == ("the buyer wants it", "Worse, on 90 fruit.")
    assert in_use(shelf) == kept[0].folder


def test_a_model_that_was_not_compared_is_refused_unless_told_why(
    shelf: Shelf, kept: tuple[KeptModel, KeptModel]
) -> None:
    with pytest.raises(ModelError, match="was not compared with the model in use"):
        promote(ANALYST, shelf, kept[0].name)
    assert promote(ANALYST, shelf, kept[0].name, "", said(NO_EVIDENCE, kept[0])).number == 1


@pytest.mark.parametrize(("verdict", "refusal"), [(NO_EVIDENCE, ""), (BETTER, ""), (WORSE, "is found to be worse")])
def test_what_the_card_says_of_trays_held_out_counts(tmp_path: Path, shelf: Shelf, verdict: str, refusal: str) -> None:
    folder = write_other_model(tmp_path / "held-out", shift=0.3)
    change_card(folder, compared={"with": load_model().sha256, "verdict": verdict, "sentence": "As tried."})
    name = add_model(ANALYST, shelf, folder).name
    if refusal:
        with pytest.raises(ModelError, match=refusal):
            promote(ANALYST, shelf, name)
    assert promote(ANALYST, shelf, name, "all the same" if refusal else "").comparison == "As tried."


def test_what_the_card_says_of_another_model_than_the_one_in_use_does_not_count(tmp_path: Path, shelf: Shelf) -> None:
    folder = write_other_model(tmp_path / "held-out", shift=0.3)
    change_card(folder, compared={"with": "0" * 64, "verdict": BETTER, "sentence": "As tried."})
    name = add_model(ANALYST, shelf, folder).name
    with pytest.raises(ModelError, match="was not compared with the model in use"):
        promote(ANALYST, shelf, name)


def test_a_comparison_of_other_models_does_not_count(shelf: Shelf, kept: tuple[KeptModel, KeptModel]) -> None:
    for other in (said(BETTER, kept[1]), said(BETTER, kept[0], kept[1].sha256)):
        with pytest.raises(ModelError, match=rf"The comparison is of .*; compare {kept[0].name} with"):
            promote(ANALYST, shelf, kept[0].name, "", other)
    promote(ANALYST, shelf, kept[0].name, TRIED)
    with pytest.raises(ModelError, match="The comparison is of"):
        promote(
            ANALYST, shelf, kept[1].name, "", said(BETTER, kept[1])
        )  # with the shipped one, which is in use no more
    assert promote(ANALYST, shelf, kept[1].name, "", said(BETTER, kept[1], kept[0].sha256)).name == kept[1].name


def test_what_is_in_use_nobody_and_no_reason_are_told(shelf: Shelf, kept: tuple[KeptModel, KeptModel]) -> None:
    with pytest.raises(ModelError, match="shipped is the model in use already"):
        promote(ANALYST, shelf, SHIPPED, TRIED)
    with pytest.raises(ModelError, match="Nobody is named"):
        promote(NAMELESS, shelf, kept[0].name, TRIED)
    with pytest.raises(ModelError, match="There is no model 'moon'"):
        promote(ANALYST, shelf, "moon", TRIED)
    promote(ANALYST, shelf, kept[0].name, TRIED)
    with pytest.raises(ModelError, match="is the model in use already"):
        promote(ANALYST, shelf, kept[0].name, TRIED)
    with pytest.raises(ModelError, match="Say in a word why"):
        rollback(ANALYST, shelf, " ")


@pytest.mark.parametrize(("spoil", "words"), BAD.values(), ids=BAD)
def test_a_damaged_model_in_use_is_refused_and_no_other_takes_its_place(
    shelf: Shelf, kept: tuple[KeptModel, KeptModel], spoil: Callable[[Path], object], words: str
) -> None:
    promote(ANALYST, shelf, kept[0].name, TRIED)
    load_model(kept[0].folder)  # the memory of the process must not hide what happens to the disk
    spoil(kept[0].folder)
    with pytest.raises(ModelError, match=rf"The model {kept[0].name} cannot be used \(.*{words}.*restore its folder"):
        in_use(shelf)
    step = step_in_use(shelf)
    assert step is not None
    assert step.name == kept[0].name
    rollback(ANALYST, shelf, "its folder is damaged")
    assert in_use(shelf) is None


def test_a_model_in_use_whose_limits_were_changed_on_its_card_is_refused(
    shelf: Shelf, kept: tuple[KeptModel, KeptModel]
) -> None:
    promote(ANALYST, shelf, kept[0].name, TRIED)
    change_card(kept[0].folder, mark_from=0.9)
    with pytest.raises(ModelError, match="is not what it was when Jarrah put it to use"):
        in_use(shelf)


def test_a_model_in_use_that_is_gone_is_refused_and_one_before_that_is_gone_is_not_gone_back_to(
    shelf: Shelf, kept: tuple[KeptModel, KeptModel]
) -> None:
    one, two = kept
    promote(ANALYST, shelf, one.name, TRIED)
    promote(ANALYST, shelf, two.name, TRIED)
    shutil.rmtree(one.folder)
    with pytest.raises(ModelError, match=rf"The model {one.name} cannot be used \(There is no model"):
        rollback(ANALYST, shelf, TRIED)
    assert in_use(shelf) == two.folder
    shutil.rmtree(two.folder)
    with pytest.raises(ModelError, match=f"The model {two.name} cannot be used"):
        in_use(shelf)
    promote(ANALYST, shelf, SHIPPED, "the folders are lost")
    assert in_use(shelf) is None


@pytest.mark.parametrize("content", ["", "{}", "[1]", "{'number': 1}", '{"number": 1, "at": "yesterday"}'])
def test_a_damaged_history_is_told(shelf: Shelf, kept: tuple[KeptModel, KeptModel], content: str) -> None:
    promote(ANALYST, shelf, kept[0].name, TRIED)
    (shelf.folder / "history" / "000001.json").write_text(content)
    for ask in (in_use, history_of, partial(promote, ANALYST, name=kept[1].name, why=TRIED)):
        with pytest.raises(ModelError, match=r"Step 000001 of the models' history cannot be read .* from a copy"):
            ask(shelf=shelf)


def test_a_step_that_is_missing_is_told(shelf: Shelf, kept: tuple[KeptModel, KeptModel]) -> None:
    promote(ANALYST, shelf, kept[0].name, TRIED)
    promote(ANALYST, shelf, kept[1].name, TRIED)
    (shelf.folder / "history" / "000001.json").unlink()
    with pytest.raises(ModelError, match=r"Step 1 of the models' history is missing"):
        in_use(shelf)


def promote_with_others(shelf: Shelf, name: str, person: Person, ready: Barrier) -> str:
    """Put a model to use at the same moment as others; gives their name, or why it was refused."""
    ready.wait()
    try:
        return promote(person, shelf, name, TRIED).who
    except ModelError as error:
        return str(error)


def test_of_two_at_once_one_wins_and_the_other_is_told(shelf: Shelf, kept: tuple[KeptModel, KeptModel]) -> None:
    told: list[str] = []
    with ThreadPoolExecutor(2) as both:
        for _ in range(200):
            ready = Barrier(2)
            calls = zip(kept, (ANALYST, OTHER), strict=True)
            asked = [both.submit(promote_with_others, shelf, model.name, person, ready) for model, person in calls]
            answers = [each.result() for each in asked]
            steps = history_of(shelf)
            won = [answer for answer in answers if answer in (ANALYST.name, OTHER.name)]
            # one after the other is no clash: then both steps stand
            assert sorted(steps["who"]) == sorted(won)
            told += [f"{steps['name'][0]}: {answer}" for answer in answers if answer not in won]
            shutil.rmtree(shelf.folder / "history")
            if told:
                break
    assert re.fullmatch(
        r"(\S+): (Jarrah|Wattle) put \1 to use at [\d-]{10} [\d:]{5} UTC, while you were deciding, so your change was "
        "not made; look at that model first\\.",
        told[0],
    )


def test_the_shipped_cards_text_is_that_of_its_card() -> None:
    folder = models_folder() / "marks"
    text = (folder / CARD_TEXT_FILE).read_text(encoding="utf-8")
    assert text == card_text(load_model().card)
    assert load_model().card["limits_of_use"] in text
    assert NOT_SAID["labels"] in text
    assert NO_INTERVALS in text


def test_a_cards_text_says_all_that_is_on_it_and_is_markdown(tmp_path: Path) -> None:
    labels = {"T001.jpg": "a" * 64, "T002.jpg": "b" * 64}
    card = {
        "name": "north *block* | <b>",
        "labels": labels,
        "software": {"scikit-learn": "1.6.0", "scorer": "0.1.0"},
        "figures_by_tray": {"f1": {"value": 0.8125, "low": 0.71, "high": 0.9}, "fruit": 40},
        "look": {"light": "shade", "ground": "crate"},
        "limits_of_use": "Only\n# for tests | and <i>no</i> others.",
        "invented_entry": [1, 2, 3],
    }
    (tmp_path / CARD_FILE).write_text(json.dumps(card))
    text = write_card_text(tmp_path).read_text(encoding="utf-8")
    assert "0.8125 (95 % interval 0.71 to 0.9)" in text
    assert NO_INTERVALS not in text
    assert all(value in text for value in (*labels.values(), "1.6.0", "shade", "crate", "invented entry", "1, 2, 3"))
    tokens = MarkdownIt("commonmark").enable("table").parse(text)  # markdown-it, a reader of CommonMark
    inline = [child for token in tokens for child in token.children or []]
    assert not [child for child in inline if child.type in ("html_inline", "em_open")]
    assert not [token for token in tokens if token.type == "html_block"]
    pairs = itertools.pairwise(tokens)
    headings = [after.content for token, after in pairs if (token.type, token.tag) == ("heading_open", "h2")]
    assert headings == [
        "Limits of use",
        "What it was fitted on",
        "How good it was found to be",
        "Look it was fitted on",
        "Software",
        "Also on the card",
    ]
    assert sum(token.type == "table_open" for token in tokens) == 4, "labels, figures, look, software"


@pytest.mark.parametrize("content", ["", "[]", "{"])
def test_a_card_that_is_none_has_no_text(tmp_path: Path, content: str) -> None:
    (tmp_path / CARD_FILE).write_text(content)
    with pytest.raises(ModelError, match="card"):
        write_card_text(tmp_path)
