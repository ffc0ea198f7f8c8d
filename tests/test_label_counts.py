"""How many labels there are, by person and kind, and files of labels that are sent to be taken in."""

from __future__ import annotations

import json
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from sqlalchemy import Engine

from scorer.access.roles import Person, Role
from scorer.errors import AccessError, LabelsError
from scorer.labels.counts import counts_by_kind, counts_by_person
from scorer.labels.keep import labels_of
from scorer.labels.labels import no_labels
from scorer.labels.take_in import take_in
from scorer.records.keep import keep_score
from tests.drawn_records import batch_into
from tests.drawn_trays import score_by_hand, write_drawing
from tests.label_files import annotation, coco

ANALYST = Person("Osprey", frozenset({Role.ANALYST}))
OFFICER = Person("Wattle", frozenset({Role.OFFICER}))
DARWIN = ZoneInfo("Australia/Darwin")
SIZE = (500, 375)


@pytest.fixture
def photo(records: Engine, tmp_path: Path) -> Path:
    """A drawn photo that was handed in."""
    path = write_drawing(tmp_path / "tray_1.png", SIZE)
    score = score_by_hand(path, "tray_1.png", None)
    keep_score(batch_into(records), score.photo, score.fruit, score.marks)
    return path


def coco_bytes(who: str, *categories: int, date: str = "2026-02-14T07:30:00Z") -> bytes:
    width, height = SIZE
    images = [{"id": 1, "file_name": "tray_1.png", "width": width, "height": height}]
    marks = [annotation(id=n, category_id=category) for n, category in enumerate(categories, start=1)]
    info = {"contributor": who, "date_created": date}
    kinds = [{"id": 1, "name": "sap_burn"}, {"id": 2, "name": "cut"}, {"id": 3, "name": "fruit"}]
    return json.dumps(coco(info=info, images=images, annotations=marks, categories=kinds)).encode()


def test_labels_are_counted_by_person_and_by_kind_and_a_second_look_takes_the_firsts_place(
    records: Engine, photo: Path
) -> None:
    def send(name: str, data: bytes, who: str | None = None) -> None:
        take_in(ANALYST, records, lambda _: photo, name, data, who=who, zone=DARWIN)

    send("finch.json", coco_bytes("Finch", 1, 2, 2))
    send("finch again.json", coco_bytes("Finch", 2, 3, date="2026-02-15T07:30:00Z"))
    send("plover.json", coco_bytes("Plover", 1))
    send("fruit.csv", b"photo,fruit,verdict,said_at\ntray_1.png,1,sound,2026-02-14\n", who="Jacana")
    labels = labels_of(records)
    people = counts_by_person(labels).set_index("who")
    assert people.loc["Finch"].to_list() == [1, 2, 0, 0]
    assert people.loc["Plover"].to_list() == [1, 1, 0, 0]
    assert people.loc["Jacana"].to_list() == [0, 0, 1, 0]
    kinds = counts_by_kind(labels)
    assert list(kinds[["kind", "outlines"]].itertuples(index=False, name=None)) == [
        ("cut", 1),
        ("fruit", 1),
        ("sap_burn", 1),
    ]


def test_nothing_said_is_an_empty_table() -> None:
    assert counts_by_person(no_labels()).empty
    assert counts_by_kind(no_labels()).empty


@pytest.mark.parametrize(
    ("name", "data", "sentence"),
    [
        ("labels.xml", b"<x/>", "labels.xml ends neither in .json (COCO) nor .csv (fruit verdicts); rename it."),
        ("", b"[]", "ends neither in .json"),
        ("..", b"[]", "ends neither in .json"),
        ("labels.json", b"", "labels.json is empty; export the labels again."),
        ("C:\\looks\\labels.json", b"[]", "labels.json is JSON but no COCO document"),
        ("../../a\x00b?.JSON", b"[]", "a_b_.JSON is JSON but no COCO document"),
        ("x" * 300 + ".csv", b"photo\n", "the column fruit is missing"),
    ],
)
def test_what_is_sent_is_refused_in_words_and_lands_nowhere(
    records: Engine, photo: Path, name: str, data: bytes, sentence: str
) -> None:
    before = sorted(photo.parent.rglob("*"))
    with pytest.raises(LabelsError) as refusal:
        take_in(ANALYST, records, lambda _: photo, name, data, zone=DARWIN)
    assert sentence in str(refusal.value)
    assert len(labels_of(records)) == 0
    assert sorted(photo.parent.rglob("*")) == before


def test_whoever_may_not_train_may_not_hand_in_labels(records: Engine, photo: Path) -> None:
    with pytest.raises(AccessError, match="may not train"):
        take_in(OFFICER, records, lambda _: photo, "finch.json", coco_bytes("Finch", 1), zone=DARWIN)
    assert len(labels_of(records)) == 0
