"""Labels in the records: kept whole or not at all, never changed, and read back with what people said on the pages."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from alembic import command
from alembic.config import Config
from sqlalchemy import Engine, func, insert, inspect, select, text
from sqlalchemy.exc import DBAPIError

import scorer.records
from scorer.access.roles import Person, Role
from scorer.errors import AccessError, LabelsError, RecordsError
from scorer.labels.coco import read_coco
from scorer.labels.keep import Kept, keep_labels, labels_of
from scorer.labels.labels import together
from scorer.labels.photos_there import PhotoThere, photos_in_store, some_files
from scorer.labels.verdict_list import read_verdicts
from scorer.records.audit import audit_records
from scorer.records.checks import say_fruit
from scorer.records.keep import keep_score
from scorer.records.mark_words import say_kind, say_missed, take_back
from scorer.records.tables import Label, LabelImport
from scorer.records.words_in_force import NOT_A_MARK
from tests.drawn_records import MODEL, OTHER_MODEL, batch_into, tray_score
from tests.label_files import SQUARE, WHEN, annotation, coco, drawn_photos, write_json

ANALYST = Person("Jabiru", frozenset({Role.ANALYST}))
OFFICER = Person("Finch", frozenset({Role.OFFICER}))
OTHER_OFFICER = Person("Wattle", frozenset({Role.OFFICER}))
Photos = dict[str, PhotoThere]


@pytest.fixture(scope="module")
def photos(tmp_path_factory: pytest.TempPathFactory) -> Photos:
    return drawn_photos(tmp_path_factory.mktemp("photos"))


def count(engine: Engine, table: Any) -> int:
    with engine.connect() as connection:
        return connection.execute(select(func.count()).select_from(table)).scalar_one()


def coco_file(folder: Path, photos: Photos, name: str = "labels.json", **how: Any) -> Any:
    return read_coco(write_json(folder / name, how.pop("document", coco())), photos, **how)


def verdict_file(folder: Path, photos: Photos, lines: str, **how: Any) -> Any:
    path = folder / "verdicts.csv"
    path.write_text("photo,fruit,verdict\n" + lines)
    return read_verdicts(path, photos, said_at=WHEN, **how)


def test_labels_come_back_as_they_were_read(records: Engine, tmp_path: Path, photos: Photos) -> None:
    outlines = coco_file(
        tmp_path,
        photos,
        document=coco(
            annotations=[
                annotation(),
                {
                    "id": 8,
                    "image_id": 2,
                    "category_id": 2,
                    "segmentation": {"size": [150, 200], "counts": [100, 50, 29850]},
                },
            ]
        ),
    )
    verdicts = verdict_file(tmp_path, photos, "tray_1.png,1,downgraded\ntray_3.png,2,sound\n", who="Wattle")
    assert keep_labels(ANALYST, records, outlines) == Kept(photos=2, outlines=2, verdicts=0, known=False)
    assert keep_labels(ANALYST, records, verdicts) == Kept(photos=0, outlines=0, verdicts=2, known=False)
    wanted, got = together([outlines.labels, verdicts.labels]), labels_of(records)
    for name in ("photos", "outlines", "verdicts", "named"):
        assert getattr(got, name).to_dict("records") == getattr(wanted, name).to_dict("records"), name
        assert getattr(got, name).dtypes.to_dict() == getattr(wanted, name).dtypes.to_dict(), name
    assert got.sha256 == wanted.sha256
    with records.connect() as connection:
        (first, _) = connection.execute(select(LabelImport).order_by(LabelImport.id)).all()
    assert (first.source, first.form, first.imported_by) == ("labels.json", "coco", "Jabiru")


def test_the_same_file_again_adds_nothing_whatever_it_is_called(
    records: Engine, tmp_path: Path, photos: Photos
) -> None:
    keep_labels(ANALYST, records, coco_file(tmp_path, photos))
    again = coco_file(tmp_path, photos, name="copy of labels.json")
    assert keep_labels(ANALYST, records, again) == Kept(0, 0, 0, known=True)
    assert (count(records, LabelImport), count(records, Label)) == (1, 3)


def test_two_people_stay_two(records: Engine, tmp_path: Path, photos: Photos) -> None:
    for who, word in (("Finch", "downgraded"), ("Wattle", "sound")):
        keep_labels(ANALYST, records, verdict_file(tmp_path, photos, f"tray_1.png,1,{word}\n", who=who))
    verdicts = labels_of(records).newest().verdicts
    assert verdicts[["fruit", "who", "downgraded"]].to_numpy().tolist() == [[1, "Finch", True], [1, "Wattle", False]]


def test_the_very_same_words_of_a_second_person_are_not_lost(records: Engine, tmp_path: Path, photos: Photos) -> None:
    keep_labels(ANALYST, records, verdict_file(tmp_path, photos, "tray_1.png,1,sound\n", who="Finch"))
    second = verdict_file(tmp_path, photos, "tray_1.png,1,sound\n", who="Wattle")
    with pytest.raises(LabelsError, match="kept already as the labels of Finch; if Wattle said the very same, write"):
        keep_labels(ANALYST, records, second)
    assert count(records, LabelImport) == 1


def test_a_person_can_be_held_against_themselves(records: Engine, tmp_path: Path, photos: Photos) -> None:
    keep_labels(ANALYST, records, coco_file(tmp_path, photos))
    later = datetime(2026, 2, 21, tzinfo=UTC)
    document = coco(annotations=[annotation(category_id=2)])
    keep_labels(ANALYST, records, coco_file(tmp_path, photos, document=document, said_at=later))
    labels = labels_of(records)
    assert labels.outlines["kind"].tolist() == ["sap_burn", "fruit"]
    assert labels.newest().outlines["kind"].tolist() == ["fruit"]


def test_nothing_is_half_kept(records: Engine, tmp_path: Path, photos: Photos) -> None:
    """The last of many rows is one that the database refuses."""
    file = coco_file(tmp_path, photos)
    file.labels.outlines.loc[len(file.labels.outlines) - 1, "kind"] = "bruise"
    with pytest.raises(RecordsError, match="refused to record this"):
        keep_labels(ANALYST, records, file)
    assert (count(records, LabelImport), count(records, Label)) == (0, 0)


def test_labels_are_for_those_who_train(records: Engine, tmp_path: Path, photos: Photos) -> None:
    file = coco_file(tmp_path, photos)
    with pytest.raises(AccessError, match="may not train and compare models"):
        keep_labels(OFFICER, records, file)
    with pytest.raises(RecordsError, match="Nobody is named"):
        keep_labels(Person(" ", frozenset({Role.ANALYST})), records, file)
    assert count(records, Label) == 0


def label_row(**values: Any) -> dict[str, Any]:
    row = {"import_id": 1, "photo_sha256": "a" * 64, "who": "Finch", "said_at": WHEN, "field": "photo"}
    return row | {"kind": None, "fruit": None, "downgraded": None, "outline": None} | values


DRAWN = {"size_px": [200, 150], "polygons_px": [SQUARE]}
BAD_ROWS = {
    "of no file": label_row(import_id=99),
    "of no photo": label_row(photo_sha256="abc"),
    "by nobody": label_row(who=""),
    "a field nobody knows": label_row(field="mark"),
    "a kind nobody knows": label_row(field="outline", kind="bruise", outline=DRAWN),
    "an outline without a kind": label_row(field="outline", outline=DRAWN),
    "an outline that is not drawn": label_row(field="outline", kind="cut"),
    "a photo with an outline": label_row(outline=DRAWN),
    "a verdict without a word": label_row(field="verdict", fruit=1),
    "a verdict on no fruit": label_row(field="verdict", downgraded=True),
    "a verdict on fruit 0": label_row(field="verdict", fruit=0, downgraded=True),
}


@pytest.mark.parametrize("what", BAD_ROWS)
def test_the_database_itself_refuses(records: Engine, tmp_path: Path, photos: Photos, what: str) -> None:
    keep_labels(ANALYST, records, coco_file(tmp_path, photos))
    with pytest.raises(DBAPIError), records.begin() as connection:
        connection.execute(insert(Label), BAD_ROWS[what])
    assert count(records, Label) == 3


@pytest.mark.parametrize(
    "change",
    [
        "UPDATE label SET who = 'Wattle'",
        "DELETE FROM label",
        "UPDATE label_import SET source = 'other'",
        "DELETE FROM label_import",
    ],
)
def test_nothing_said_is_overwritten_or_removed(records: Engine, tmp_path: Path, photos: Photos, change: str) -> None:
    keep_labels(ANALYST, records, coco_file(tmp_path, photos))
    with pytest.raises(DBAPIError), records.begin() as connection:
        connection.execute(text(change))
    assert count(records, Label) == 3
    assert audit_records(records) == []


def test_the_audit_tells_where_labels_are_no_longer_protected(records: Engine) -> None:
    place = "" if records.dialect.name == "sqlite" else " ON label"
    with records.begin() as connection:
        connection.execute(text(f"DROP TRIGGER label_no_delete{place}"))
        connection.execute(text(f"DROP TRIGGER label_no_update{place}"))
    assert audit_records(records) == [
        "Rows of label are no longer protected from change; restore the records from a copy.",
        "Rows of label are no longer protected from removal; restore the records from a copy.",
    ]


def test_records_of_before_get_the_tables(records: Engine, tmp_path: Path, photos: Photos) -> None:
    """Down to the tables of before and up again."""
    config = Config()
    config.set_main_option("script_location", str(Path(scorer.records.__path__[0]) / "migrations"))
    with records.begin() as connection:
        config.attributes["connection"] = connection
        command.downgrade(config, "0003")
        assert not {"label", "label_import"} & set(inspect(connection).get_table_names())
        command.upgrade(config, "head")
    keep_labels(ANALYST, records, coco_file(tmp_path, photos))
    assert (count(records, Label), audit_records(records)) == (3, [])


def scored(records: Engine, model: str = MODEL) -> str:
    score = tray_score("tray_1.jpg")
    keep_score(batch_into(records, model), score.photo, score.fruit, score.marks)
    return str(score.photo["sha256"].iloc[0])


def test_words_on_marks_are_labels_of_everybody_who_spoke(records: Engine) -> None:
    sha256 = scored(records)
    say_kind(OFFICER, records, (sha256, 2, 2), "crease")
    say_kind(OTHER_OFFICER, records, (sha256, 2, 2), NOT_A_MARK)
    taken_back = say_kind(OFFICER, records, (sha256, 3, 3), "cut")
    take_back(OTHER_OFFICER, records, taken_back)
    named = labels_of(records).named
    assert named[["sha256", "fruit", "mark", "kind", "who", "model"]].to_numpy().tolist() == [
        [sha256, 2, 2, "crease", "Finch", MODEL],
        [sha256, 2, 2, NOT_A_MARK, "Wattle", MODEL],
    ]
    for measures in named["measures"]:
        assert measures["solidity"] == 0.123456789
        assert {"area_mm2", "length_mm", "width_mm"} <= set(
            measures
        )  # kept in columns of their own, measured all the same
        assert measures["area_mm2"] > 0


def test_a_persons_last_word_on_a_mark_is_their_newest(records: Engine) -> None:
    sha256 = scored(records)
    for person, kind in ((OFFICER, "crease"), (OTHER_OFFICER, "cut"), (OFFICER, "abrasion")):
        say_kind(person, records, (sha256, 1, 1), kind)
    labels = labels_of(records)
    assert labels.named["kind"].tolist() == ["crease", "cut", "abrasion"]
    assert labels.newest().named[["who", "kind"]].to_numpy().tolist() == [["Wattle", "cut"], ["Finch", "abrasion"]]


def test_words_on_an_earlier_models_score_keep_its_measures(records: Engine) -> None:
    sha256 = scored(records)
    say_kind(OFFICER, records, (sha256, 1, 1), "crease")
    scored(records, OTHER_MODEL)
    say_kind(OFFICER, records, (sha256, 1, 1), "cut")
    newest = labels_of(records).newest().named
    assert newest[["kind", "model"]].to_numpy().tolist() == [["crease", MODEL], ["cut", OTHER_MODEL]]


def test_missed_marks_and_verdicts_by_eye_are_labels(records: Engine) -> None:
    sha256 = scored(records)
    corners = list(zip(SQUARE[0::2], SQUARE[1::2], strict=True))
    say_missed(OFFICER, records, sha256, 1, "cut", corners)
    gone = say_missed(OFFICER, records, sha256, 2, "crease", corners)
    take_back(OFFICER, records, gone)
    say_fruit(OTHER_OFFICER, records, sha256, 4, True)
    say_fruit(OFFICER, records, sha256, 4, False)
    labels = labels_of(records)
    (outline,) = labels.outlines.to_dict("records")
    assert (outline["kind"], outline["polygons_px"], outline["size_px"]) == ("cut", [SQUARE], None)
    assert labels.verdicts[["fruit", "downgraded", "who"]].to_numpy().tolist() == [
        [4, True, "Wattle"],
        [4, False, "Finch"],
    ]
    assert labels.photos.empty, "nobody said that they looked at the whole photo"
    assert len(labels.sha256) == 64


def test_photos_of_the_records_are_found_in_the_store_by_name_or_hash(
    records: Engine, tmp_path: Path, photos: Photos
) -> None:
    sha256 = scored(records)
    (there, *_) = photos.values()

    def place(asked: str) -> Path | None:
        return there.path if asked == sha256 else None

    for called in (None, ["phone/tray_1.jpg"], [f"{sha256}.jpg"]):
        (found,) = photos_in_store(records, place, called=called).values()
        assert (found.name, found.sha256, found.size_px) == ("tray_1.jpg", sha256, there.size_px)
    assert photos_in_store(records, place, called=["tray_2.jpg"]) == {}
    assert photos_in_store(records, place, known=["f" * 64]) == {}
    assert photos_in_store(records, lambda _: None) == {}


def test_some_of_the_photos_at_hand_are_drawn_by_lot_besides_those_given(
    records: Engine, tmp_path: Path, photos: Photos
) -> None:
    sha256 = scored(records)
    (labelled, *_) = photos.values()
    folder = tmp_path / "others"
    folder.mkdir()
    for number in range(6):
        (folder / f"other_{number}.jpg").write_bytes(bytes([number]))
    kept = tmp_path / "kept.jpg"

    def drawn(most: int, seed: int = 0, besides: Photos | None = None) -> list[Path]:
        places = [folder, labelled.path]
        return some_files(records, {sha256: kept}.get, places, besides=besides or {}, most=most, seed=seed)

    assert {path.name for path in drawn(9)} == {"kept.jpg", labelled.path.name, *(f"other_{i}.jpg" for i in range(6))}
    assert len(drawn(9)) == 8
    assert kept not in drawn(9, besides={sha256: labelled})
    assert labelled.path not in drawn(9, besides={sha256: labelled})
    (folder / "other_0_again.jpg").write_bytes(bytes([0]))
    (folder / "gone.jpg").symlink_to(folder / "nowhere.jpg")
    assert len(drawn(9)) == 8, "the same bytes twice tell no more than once, and what cannot be read tells nothing"
    assert drawn(3) == drawn(3)
    assert len({tuple(drawn(3, seed)) for seed in range(5)}) > 1
    assert some_files(records, lambda _: None, [], besides={}, most=3, seed=0) == []
