"""Which outlines of several people are one mark: overlaps against the COCO tools, and no matter who comes first."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import timedelta
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pycocotools import mask as coco_mask

from scorer.agreement.kappa import agreement_table, same_person_again
from scorer.labels.labels import Labels, label_table, mask_of, no_labels
from scorer.labels.said_of_items import item_in_words, kinds_said, verdicts_said
from scorer.labels.same_marks import LEAST_IOU, SAID_DTYPES, outlined_marks, same_mark
from scorer.language import load_language
from scorer.records.words_in_force import NOT_A_MARK
from tests.label_files import SIZE, WHEN

PHOTO, OTHER_PHOTO = "a" * 64, "b" * 64
WEEK = timedelta(days=7)


@dataclass(frozen=True)
class KeptMasks:
    """Masks of photos, each of marks that one model scored; they remember which of them were opened."""

    models: Mapping[str, str] = field(default_factory=dict)
    marks: np.ndarray | None = None
    opened: list[str] = field(default_factory=list)

    def model_of_masks(self, sha256: str) -> str | None:
        return self.models.get(sha256)

    def mark_mask(self, sha256: str) -> np.ndarray | None:
        self.opened.append(sha256)
        return self.marks

    def fruit_mask(self, sha256: str) -> np.ndarray | None:
        self.opened.append(sha256)
        return None


NO_MASKS = KeptMasks()


def square(left: float, top: float = 20, side: float = 20) -> list[float]:
    right, bottom = left + side, top + side
    return [left, top, right, top, right, bottom, left, bottom]


def outline(who: str, polygon: list[float], kind: str = "sap_burn", **more: Any) -> dict[str, Any]:
    about = {"sha256": PHOTO, "who": who, "said_at": WHEN, "source": f"{who}.json", "size_px": SIZE}
    return about | {"kind": kind, "polygons_px": [polygon]} | more


def look(who: str, **more: Any) -> dict[str, Any]:
    return {"sha256": PHOTO, "who": who, "said_at": WHEN, "source": f"{who}.json"} | more


def labels_of(outlines: list[dict[str, Any]], looks: list[dict[str, Any]] | None = None) -> Labels:
    return Labels(label_table("photos", looks or []), label_table("outlines", outlines), label_table("verdicts"))


def said(table: pd.DataFrame) -> list[list[str]]:
    return sorted(table[["item", "who", "said"]].to_numpy().tolist())


def iou(one: dict[str, Any], other: dict[str, Any]) -> float:
    a, b = (mask_of(pd.Series(row)) for row in (one, other))
    return float((a & b).sum() / (a | b).sum())


@pytest.mark.parametrize("shift", range(0, 22, 2))
def test_outlines_are_one_mark_from_an_overlap_of_0_3_on(shift: int) -> None:
    """Two squares of side 20 that are shifted by s overlap by (20 - s) / (20 + s); and so count COCO's own tools."""
    one, other = outline("Finch", square(10)), outline("Wattle", square(10 + shift))
    by_hand = max(20 - shift, 0) / (20 + shift)
    rles = [coco_mask.merge(coco_mask.frPyObjects(row["polygons_px"], SIZE[1], SIZE[0])) for row in (one, other)]
    assert iou(one, other) == pytest.approx(by_hand)
    assert coco_mask.iou([rles[0]], [rles[1]], [0])[0, 0] == pytest.approx(by_hand)
    items = outlined_marks(labels_of([one, other]))["item"].nunique()
    assert items == (1 if by_hand >= LEAST_IOU else 2)
    assert LEAST_IOU == 0.3


def test_the_best_overlap_comes_first() -> None:
    """Wattle drew two marks over Finch's one; the nearer one is the same mark."""
    table = outlined_marks(
        labels_of(
            [
                outline("Finch", square(20), "cut"),
                outline("Wattle", square(12), "crease"),
                outline("Wattle", square(24), "abrasion"),
            ]
        )
    )
    (item,) = table.loc[table["who"] == "Finch", "item"]
    assert table.loc[table["item"] == item, "said"].tolist() == ["cut", "abrasion"]
    assert table["item"].nunique() == 2


def test_marks_of_a_chain_are_not_all_one() -> None:
    """The first and the last of three shifted squares do not overlap enough."""
    rows = [outline(who, square(left)) for who, left in (("Finch", 10), ("Wattle", 19), ("Osprey", 29))]
    assert iou(rows[0], rows[1]) >= LEAST_IOU > iou(rows[0], rows[2])
    table = outlined_marks(labels_of(rows))
    of = table.set_index("who")["item"]
    assert of["Finch"] == of["Wattle"] != of["Osprey"]


def test_who_looked_at_the_whole_photo_and_outlined_nothing_said_that_there_is_no_mark() -> None:
    table = outlined_marks(
        labels_of(
            [outline("Finch", square(10)), outline("Wattle", square(80), "cut"), outline("Finch", square(0), "fruit")],
            [look("Finch"), look("Osprey"), look("Osprey", sha256=OTHER_PHOTO)],
        )
    )
    assert said(table) == [
        [f"{PHOTO} mark 1", "Finch", "sap_burn"],
        [f"{PHOTO} mark 1", "Osprey", NOT_A_MARK],
        [f"{PHOTO} mark 2", "Finch", NOT_A_MARK],
        [f"{PHOTO} mark 2", "Osprey", NOT_A_MARK],
        [f"{PHOTO} mark 2", "Wattle", "cut"],
    ], "Wattle drew one mark and did not say that the rest is clean; a whole fruit is no mark"
    assert set(table["tray"]) == {PHOTO}
    assert {name: str(dtype) for name, dtype in table.dtypes.items()} == SAID_DTYPES


def test_a_second_look_is_held_against_the_first() -> None:
    later = {"said_at": WHEN + WEEK, "source": "again.json"}
    rows = [outline("Finch", square(left), kind) for left, kind in ((10, "cut"), (60, "crease"), (110, "cut"))]
    rows += [outline("Finch", square(11), "cut", **later), outline("Finch", square(61), "abrasion", **later)]
    table = outlined_marks(labels_of(rows, [look("Finch"), look("Finch", **later)]))
    again = same_person_again(table).set_index("of")
    assert again.loc["all kinds", "items"] == 3
    assert again.loc["all kinds", "observed"] == pytest.approx(1 / 3), "cut again; crease became abrasion; cut is gone"


def test_a_corrected_file_is_no_second_look() -> None:
    """Of three outlines one was named anew and one removed; the third is the same to the pixel."""
    later = {"said_at": WHEN + WEEK, "source": "corrected.json"}
    rows = [outline("Finch", square(left), "cut") for left in (10, 60, 110)]
    rows += [outline("Finch", square(10), "cut", **later), outline("Finch", square(60), "crease", **later)]
    looks = [look("Finch"), look("Finch", **later), look("Wattle")]
    table = outlined_marks(labels_of(rows, looks))
    assert table.loc[table["who"] == "Finch", "said"].tolist() == ["cut", "crease"]
    assert set(same_person_again(table)["items"]) == {0}


def test_drawn_marks_without_a_known_size_are_matched_too() -> None:
    """Marks of the pages have no size; COCO's tools would cut them off at a picture that is too small."""
    rows = [
        outline(who, square(left, 900), size_px=None, source="records")
        for who, left in (("Finch", 700), ("Wattle", 702))
    ]
    table = outlined_marks(labels_of(rows))
    assert table["item"].nunique() == 1
    rows[1]["size_px"] = (2000, 1500)
    assert outlined_marks(labels_of(rows))["item"].nunique() == 1


@given(st.data())
def test_the_order_of_people_does_not_matter(data: st.DataObject) -> None:
    places = st.tuples(st.integers(0, 60), st.integers(0, 40), st.integers(10, 40))
    kinds = st.sampled_from(["cut", "crease"])
    rows = [
        outline(who, square(left, top, side), kind)
        for who in ("Finch", "Wattle", "Osprey")
        for (left, top, side), kind in data.draw(st.lists(st.tuples(places, kinds), max_size=4))
    ]
    looks = [look(who) for who in ("Finch", "Wattle", "Osprey") if data.draw(st.booleans())]
    first = outlined_marks(labels_of(rows, looks))
    shuffled = labels_of(data.draw(st.permutations(rows)), data.draw(st.permutations(looks)))
    again = outlined_marks(shuffled)
    assert said(again) == said(first)
    assert len(first[first["outline"].notna()]) == len(rows), "nothing that was outlined is lost"
    drawn = first[first["outline"].notna()]
    assert not drawn.duplicated(["item", "who"]).any(), "two outlines of one look are two marks"
    for _, of_item in drawn.groupby("item"):
        members = [rows[int(place)] for place in of_item["outline"]]
        assert all(iou(one, other) >= LEAST_IOU for one in members for other in members)


def test_numbers_of_no_outlines_are_none() -> None:
    assert same_mark([], []).tolist() == []
    assert outlined_marks(no_labels()).empty


def test_scored_marks_and_fruit_are_known_by_their_numbers() -> None:
    words = [
        {"sha256": PHOTO, "fruit": 1, "mark": mark, "kind": kind, "who": who, "said_at": WHEN, "model": model * 64}
        for who, mark, kind, model in (
            ("Finch", 1, "cut", "c"),
            ("Wattle", 1, NOT_A_MARK, "c"),
            ("Wattle", 2, "cut", "c"),
            ("Finch", 2, "cut", "d"),
        )
    ]
    verdicts = [
        {"sha256": PHOTO, "fruit": fruit, "downgraded": down, "who": who, "said_at": WHEN, "source": "list.csv"}
        for who, fruit, down in (("Finch", 1, True), ("Wattle", 1, False), ("Wattle", 2, True))
    ]
    labels = Labels(
        label_table("photos"),
        label_table("outlines", [outline("Finch", square(10))]),
        label_table("verdicts", verdicts),
        label_table("named", words),
    )
    kinds, of_fruit = kinds_said(labels, NO_MASKS), verdicts_said(labels)
    assert kinds["item"].nunique() == 4, "the marks of another model are others, and so is one that was outlined"
    assert said(of_fruit) == [
        [f"{PHOTO} fruit 1", "Finch", "downgraded"],
        [f"{PHOTO} fruit 1", "Wattle", "sound"],
        [f"{PHOTO} fruit 2", "Wattle", "downgraded"],
    ]
    for table in (kinds, of_fruit):
        assert agreement_table(table)["items"].tolist()[:1] == [1]
        assert {name: str(dtype) for name, dtype in table.dtypes.items()} == SAID_DTYPES
    assert item_in_words(of_fruit["item"][0], {PHOTO: "tray_1.png"}) == "tray_1.png, fruit 1"
    assert item_in_words(of_fruit["item"][0], {}) == f"photo {PHOTO[:12]}, fruit 1"
    assert np.array_equal(kinds_said(no_labels(), NO_MASKS).columns, list(SAID_DTYPES))


def scored(model: str, *marks: list[float]) -> KeptMasks:
    """Masks of a score by one model with square marks, numbered from 1."""
    mask = np.zeros(SIZE[::-1], np.uint16)
    for number, polygon in enumerate(marks, start=1):
        mask[mask_of(pd.Series(outline("Finch", polygon)))] = number
    return KeptMasks({PHOTO: model}, mask)


def word(who: str, mark: int, kind: str, model: str = "c" * 64) -> dict[str, Any]:
    return {
        "sha256": PHOTO,
        "fruit": 1,
        "mark": mark,
        "kind": kind,
        "who": who,
        "said_at": WHEN + WEEK,
        "model": model,
    }


def labels_with(words: list[dict[str, Any]], outlines: list[dict[str, Any]], looks: list[dict[str, Any]]) -> Labels:
    return Labels(
        label_table("photos", looks),
        label_table("outlines", outlines),
        label_table("verdicts"),
        label_table("named", words),
    )


def test_a_word_on_a_scored_mark_and_an_outline_of_it_are_of_one_mark() -> None:
    masks = scored("c" * 64, square(10), square(60))
    words = [word("Wattle", 1, "abrasion"), word("Wattle", 2, NOT_A_MARK)]
    labels = labels_with(words, [outline("Finch", square(13))], [look("Finch")])
    assert iou(outline("Finch", square(10)), outline("Finch", square(13))) > LEAST_IOU
    table = kinds_said(labels, masks)
    # Finch looked at the whole photo and outlined nothing where the second scored mark is, so both say it is none
    assert said(table) == sorted(
        [
            [f"{PHOTO} mark 1", "Finch", "sap_burn"],
            [f"{PHOTO} mark 1", "Wattle", "abrasion"],
            [f"{PHOTO} fruit 1, scored mark 2 (model {'c' * 12})", "Finch", NOT_A_MARK],
            [f"{PHOTO} fruit 1, scored mark 2 (model {'c' * 12})", "Wattle", NOT_A_MARK],
        ]
    )
    of_wattle = table[table["who"] == "Wattle"]
    assert sorted(of_wattle["mark"]) == [1, 2]
    assert table["outline"].notna().sum() == 1


def test_a_scored_mark_without_a_mask_or_of_another_model_stays_by_itself() -> None:
    words = [word("Wattle", 1, "abrasion", "d" * 64)]
    labels = labels_with(words, [outline("Finch", square(10))], [look("Finch")])
    for masks in (NO_MASKS, scored("c" * 64, square(10))):
        assert sorted(set(kinds_said(labels, masks)["item"])) == [
            f"{PHOTO} fruit 1, scored mark 1 (model {'d' * 12})",
            f"{PHOTO} mark 1",
        ]


def test_where_nobody_outlined_anything_scored_marks_keep_their_numbers() -> None:
    labels = labels_with([word("Wattle", 2, "cut"), word("Finch", 2, "crease")], [], [])
    table = kinds_said(labels, scored("c" * 64, square(10), square(60)))
    assert set(table["item"]) == {f"{PHOTO} fruit 1, scored mark 2 (model {'c' * 12})"}


def test_items_are_called_in_the_readers_language() -> None:
    say = load_language("es").told
    of_score = f"{PHOTO} fruit 2, scored mark 5 (model {'c' * 12})"
    assert item_in_words(of_score, {PHOTO: "tray_1.png"}, say) == (
        f"tray_1.png, fruto 2, marca medida 5 (modelo {'c' * 12})"
    )
    assert item_in_words(f"{PHOTO} mark 3", {PHOTO: "tray_1.png"}, say) == "tray_1.png, marca 3"


def test_masks_are_opened_only_of_photos_with_words_and_outlines_both() -> None:
    masks = KeptMasks({PHOTO: "c" * 64, OTHER_PHOTO: "c" * 64})
    words = [word("Wattle", 1, "cut"), word("Wattle", 2, "cut"), word("Finch", 1, "cut") | {"sha256": OTHER_PHOTO}]
    table = kinds_said(labels_with(words, [outline("Finch", square(10))], [look("Finch")]), masks)
    assert masks.opened == [PHOTO]
    assert table["item"].nunique() == 4
