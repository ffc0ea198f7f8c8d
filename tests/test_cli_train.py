"""`scorer train`: labels in and out, how people agree, and pictures of where they differ, as on the command line."""

from __future__ import annotations

import getpass
import json
import warnings
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pandas as pd
import pytest
from pycocotools.coco import COCO
from sklearn.metrics import cohen_kappa_score

from scorer.access.roles import Person, Role
from scorer.arrivals.store import store_beside
from scorer.cli.train_agreement import MOST_LISTED
from scorer.labels.keep import labels_of_files
from scorer.records.checks import say_fruit
from scorer.records.database import open_records, records_url
from scorer.records.keep import keep_score
from scorer.records.mark_words import say_kind, say_missed
from scorer.results import mask_files
from tests.drawn_records import MODEL, OTHER_MODEL, batch_into
from tests.drawn_trays import draw_tray, score_by_hand, write_drawing
from tests.label_files import SQUARE, annotation, coco, drawn_photos, write_json
from tests.test_cli import run

FINCH, WATTLE = (Person(name, frozenset({Role.OFFICER})) for name in ("Finch", "Wattle"))
SIZE = (500, 375)


@pytest.fixture
def season(tmp_path: Path) -> Path:
    """Where records are to be, beside a folder of three drawn photos."""
    drawn_photos(tmp_path / "photos")
    return tmp_path / "season.sqlite"


def take_in(season: Path, *files: Path, **options: str) -> Any:
    more = [part for name, value in options.items() for part in (f"--{name.replace('_', '-')}", value)]
    return run("train", "labels", *files, "--photos", season.parent / "photos", "--records", season, *more)


def moved(by: float) -> list[float]:
    return [value + by * (place % 2 == 0) for place, value in enumerate(SQUARE)]


def covered(reader: COCO, one: dict[str, Any]) -> Any:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)  # of numpy, about how the reader hands over its array
        return reader.annToMask(one).astype(bool)


def labelled_by_two(season: Path) -> None:
    """Finch and Wattle outline the same photos: they agree on one mark, differ on one, and one is Wattle's alone."""
    folder = season.parent
    categories = [{"id": number, "name": name} for number, name in enumerate(("sap_burn", "abrasion"), start=1)]
    of = {
        "Finch": [annotation(), annotation([moved(100)], id=8)],
        "Wattle": [
            annotation([moved(2)]),
            annotation([moved(103)], id=8, category_id=2),
            annotation([moved(50)], id=9, image_id=2),
        ],
    }
    for who, drawn in of.items():
        info = {"contributor": who, "date_created": "2026-02-14T07:30:00Z"}
        write_json(folder / f"{who}.json", coco(info=info, annotations=drawn, categories=categories))
    (folder / "fruit.csv").write_text(
        "photo,fruit,verdict,who,said_at\n"
        + "".join(f"tray_1.png,{n},{'downgraded' if n < 3 else 'sound'},Finch,2026-02-14\n" for n in range(1, 7))
        + "".join(f"tray_1.png,{n},{'downgraded' if n < 4 else 'sound'},Wattle,2026-02-15\n" for n in range(1, 7))
    )
    result = take_in(season, folder / "Finch.json", folder / "Wattle.json", folder / "fruit.csv")
    assert result.exit_code == 0, result.output


def test_labels_are_taken_in_and_told_file_by_file(season: Path) -> None:
    file = write_json(season.parent / "labels.json", coco())
    verdicts = season.parent / "fruit.csv"
    verdicts.write_text("photo,fruit,verdict\ntray_3.png,1,sound\n")
    result = take_in(season, file, verdicts, who="Osprey", said_at="2026-02-15T06:00", zone="Australia/Darwin")
    assert result.exit_code == 0, result.output
    assert "labels.json: kept 2 photos looked at whole, 1 outline by Osprey." in result.output
    assert "labels.json: 1 photos have no outline and count as looked at and clean (tray_2.png)" in result.output
    assert "fruit.csv: kept 1 verdict by Osprey." in result.output
    kept = labels_of_files(open_records(records_url(season)))
    assert (len(kept.photos), len(kept.outlines), len(kept.verdicts)) == (2, 1, 1)
    # Darwin is 9 h 30 min ahead of UTC all year (IANA time zone database)
    assert set(kept.outlines["said_at"]) == {pd.Timestamp("2026-02-14T20:30Z")}
    again = take_in(season, file, who="Osprey")
    assert again.exit_code == 0
    assert again.output == "labels.json: known already, nothing was added.\n"


def test_categories_of_other_names_are_told_by_kind(season: Path) -> None:
    categories = [{"id": 1, "name": "latex"}, {"id": 2, "name": "leaf"}]
    document = coco(categories=categories, annotations=[annotation(), annotation(id=8, category_id=2)])
    file = write_json(season.parent / "labels.json", document)
    assert take_in(season, file).exit_code == 2
    arguments = ["train", "labels", file, "--photos", season.parent / "photos", "--records", season]
    result = run(*arguments, "--kind", "latex=Sap burn", "--kind", "leaf=left-out")
    assert result.exit_code == 0, result.output
    assert "1 outlines are of categories that are left out" in result.output
    assert labels_of_files(open_records(records_url(season))).outlines["kind"].tolist() == ["sap_burn"]


def test_photos_of_the_store_are_found_without_a_folder(scored: tuple[Path, str]) -> None:
    season, sha256 = scored
    width, height = SIZE
    image = {"id": 1, "file_name": "tray_9.png", "width": width, "height": height}
    file = write_json(season.parent / "labels.json", coco(images=[image]))
    result = run("train", "labels", file, "--records", season)
    assert result.exit_code == 0, result.output
    assert labels_of_files(open_records(records_url(season))).outlines["sha256"].tolist() == [sha256]


@pytest.mark.parametrize(
    ("document", "options", "code", "words"),
    [
        (coco(images=[{"id": 1, "file_name": "gone.png", "width": 200, "height": 150}]), {}, 2, "not there (gone.png)"),
        (coco(annotations=[annotation([moved(500)])]), {}, 2, "labels.json, image 1"),
        (coco(info={}), {}, 2, "does not tell who labelled"),
        (coco(), {"said_at": "yesterday"}, 2, "--said-at is yesterday, not a date"),
        (coco(), {"kind": "latex"}, 2, "--kind latex is not NAME=KIND"),
        (coco(), {"kind": "latex=bruise"}, 2, "There is no kind bruise"),
        (coco(), {"zone": "Moon/Sea"}, 2, "no time zone Moon/Sea"),
        ("", {}, 2, "labels.json is empty"),
        ("[1]", {}, 2, "labels.json"),
    ],
)
def test_wrong_labels_are_refused_in_one_sentence_and_nothing_is_kept(
    season: Path, document: Any, options: dict[str, str], code: int, words: str
) -> None:
    good = write_json(season.parent / "good.json", coco())
    result = take_in(season, good, write_json(season.parent / "labels.json", document), **options)
    assert result.exit_code == code, result.output
    assert words in " ".join(result.output.split())
    assert result.output.count("Error: ") == 1
    assert "kept" not in result.output
    assert not season.exists(), "not even empty records are left behind"


def test_a_file_of_another_ending_is_refused(season: Path) -> None:
    file = season.parent / "labels.xml"
    file.write_text("<labels/>")
    result = take_in(season, file)
    assert result.exit_code == 2
    assert "ends neither in .json (COCO) nor .csv" in " ".join(result.output.split())


def test_which_files_were_kept_is_told_where_one_is_refused_by_the_records(season: Path) -> None:
    folder = season.parent
    verdicts, other = folder / "fruit.csv", folder / "copy.csv"
    for path in (verdicts, other):
        path.write_text("photo,fruit,verdict\ntray_1.png,1,sound\n")
    take_in(season, verdicts, who="Finch", said_at="2026-02-14")
    outlines = write_json(folder / "labels.json", coco())
    result = take_in(season, outlines, other, who="Wattle", said_at="2026-02-14")
    assert result.exit_code == 1, result.output
    assert "labels.json: kept 2 photos looked at whole, 1 outline by Wattle." in result.output
    assert "1 of 2 files were kept; not kept: copy.csv." in result.output
    assert "copy.csv is kept already as the labels of Finch" in " ".join(result.output.split())
    assert len(labels_of_files(open_records(records_url(season))).verdicts) == 1


def test_one_persons_labels_go_out_and_other_programs_read_them(season: Path) -> None:
    labelled_by_two(season)
    out = season.parent / "out.json"
    result = run("train", "export", out, "--who", "Wattle", "--records", season, "--photos", season.parent / "photos")
    assert result.exit_code == 0, result.output
    assert result.output == f"{out}: 3 outlines on 2 photos by Wattle.\n"
    reader = COCO(str(out))
    kinds = {category["id"]: category["name"] for category in reader.dataset["categories"]}
    assert sorted(kinds[one["category_id"]] for one in reader.dataset["annotations"]) == [
        "abrasion",
        "sap_burn",
        "sap_burn",
    ]
    assert {int(covered(reader, one).sum()) for one in reader.dataset["annotations"]} == {400}
    again = take_in(season, out)
    assert "kept 2 photos looked at whole, 3 outlines by Wattle" in again.output


def test_words_on_scored_marks_go_out_with_the_outlines_that_were_scored(scored: tuple[Path, str]) -> None:
    season, _ = scored
    out = season.parent / "out.json"
    result = run("train", "export", out, "--who", "Finch", "--records", season)
    assert result.exit_code == 0, result.output
    reader = COCO(str(out))
    _, _, marks = draw_tray(SIZE)
    drawn = {
        reader.loadCats(one["category_id"])[0]["name"]: covered(reader, one) for one in reader.dataset["annotations"]
    }
    assert set(drawn) == {"abrasion", "cut"}, "what is said to be no mark has no outline"
    assert np.array_equal(drawn["abrasion"], marks == 2)
    assert drawn["cut"].sum() == 400
    assert [image["looked_at_whole"] for image in reader.dataset["images"]] == [False]
    assert json.loads(out.read_text())["images"][0]["file_name"] == "tray_9.png"


def test_masks_of_another_model_than_the_words_were_said_of_are_not_relied_on(scored: tuple[Path, str]) -> None:
    season, sha256 = scored
    engine = open_records(records_url(season))
    score = score_by_hand(store_beside(engine.url).photo_path(sha256).read_bytes(), "tray_9.png", None)
    keep_score(batch_into(engine, OTHER_MODEL), score.photo.assign(sha256=sha256), score.fruit, score.marks)
    out = season.parent / "out.json"
    arguments = ("train", "export", out, "--who", "Finch", "--records", season)
    assert "2 outlines on 1 photo by Finch" in run(*arguments).output, "the masks are still of the words' own model"
    masks = {name.split(".")[-2]: data for name, data in mask_files("tray_9", score).items()}
    store_beside(engine.url).replace_masks(sha256, masks, OTHER_MODEL)
    assert run(*arguments).output == f"{out}: 1 outline on 1 photo by Finch.\n", "only the one that Finch drew"


def test_agreement_is_shown_with_what_people_differ_on(season: Path) -> None:
    labelled_by_two(season)
    file = season.parent / "agreement.csv"
    result = run("train", "agreement", "--records", season, "--photos", season.parent / "photos", "--csv", file)
    assert result.exit_code == 0, result.output
    figures = pd.read_csv(file, keep_default_na=False, na_values=[""]).set_index(["what", "compared", "of"])
    # the marks as they are numbered, and the fruit, as each of the two was told to say above
    finch, wattle = ["sap_burn", "sap_burn", "not a mark"], ["sap_burn", "abrasion", "sap_burn"]
    marks = figures.loc[("marks", "between people", "all kinds")]
    assert marks["kappa"] == pytest.approx(cohen_kappa_score(finch, wattle), abs=1e-4)
    assert (marks["items"], marks["trays"], marks["people"]) == (3, 2, "Finch, Wattle")
    fruit = figures.loc[("fruit verdicts", "between people", "all kinds")]
    assert fruit["kappa"] == pytest.approx(cohen_kappa_score([1, 1, 0, 0, 0, 0], [1, 1, 1, 0, 0, 0]), abs=1e-4)
    assert fruit["low"] < fruit["kappa"] < fruit["high"]
    assert "the same person" not in result.output, "nobody judged anything again"
    lines = [" ".join(line.split()) for line in result.output.splitlines()]
    assert "tray_1.png, mark 2 Finch sap_burn 2026-02-14 07:30" in lines
    assert "tray_2.png, mark 1 Finch not a mark 2026-02-14 07:30" in lines
    assert any(line.startswith("tray_1.png, fruit 3 Wattle downgraded") for line in lines)
    assert not any(line.startswith("tray_1.png, mark 1") for line in lines)


def test_a_person_is_held_against_themselves_after_a_week(season: Path) -> None:
    for name, day, left in (("first", "2026-02-14", 0), ("again", "2026-02-21", 1)):
        annotations = [annotation([moved(left + 30 * n)], id=n, category_id=1 + (n == 3) * left) for n in range(5)]
        categories = [{"id": 1, "name": "sap_burn"}, {"id": 2, "name": "cut"}]
        document = coco(annotations=annotations, categories=categories)
        take_in(season, write_json(season.parent / f"{name}.json", document), said_at=day)
    result = run("train", "agreement", "--records", season)
    assert result.exit_code == 0, result.output
    _, _, table = result.output.partition("Marks, the same person a week later")
    row = next(line.split() for line in table.splitlines() if line.startswith("all kinds"))
    assert row[2:6] == ["Finch", "5", "1", "0.8"], "one of five marks was called otherwise the second time"


def test_many_disagreements_are_listed_in_part_and_two_words_at_once_are_told(season: Path) -> None:
    path = season.parent / "fruit.csv"
    for who, word in (("Finch", "sound"), ("Wattle", "downgraded")):
        path.write_text(
            "photo,fruit,verdict\n" + "".join(f"tray_1.png,{n},{word}\n" for n in range(1, MOST_LISTED + 4))
        )
        take_in(season, path, who=who, said_at="2026-02-14")
    path.write_text("photo,fruit,verdict\ntray_2.png,1,sound\n")
    take_in(season, path, who="Finch", said_at="2026-02-14")
    path.write_text("photo,fruit,verdict\ntray_2.png,1,downgraded\n")
    take_in(season, path, who="Finch", said_at="2026-02-14")
    result = run("train", "agreement", "--records", season, "--photos", season.parent / "photos")
    assert "And 3 more; `scorer train disagreements` shows them." in result.output
    assert "Finch said two things at once of tray_2.png, fruit 1; neither counts." in result.output
    assert "Nobody has said anything of marks." in result.output


def test_pictures_show_the_marks_that_people_differ_on(season: Path) -> None:
    labelled_by_two(season)
    out = season.parent / "differ"
    arguments = ["--records", season, "--photos", season.parent / "photos"]
    result = run("train", "disagreements", out, *arguments)
    assert result.exit_code == 0, result.output
    assert "3 pictures, and index.csv with who said what of 3 marks and fruit." in result.output
    index = pd.read_csv(out / "index.csv")
    assert sorted({path.name for path in out.glob("*.png")}) == sorted(set(index["picture"]))
    said = index.set_index(["item", "who"])["said"]
    assert said["tray_1.png, mark 2", "Wattle"] == "abrasion"
    assert said["tray_2.png, mark 1", "Finch"] == "not a mark"
    assert said["tray_1.png, fruit 3", "Finch"] == "sound"
    (name,) = set(index.loc[index["item"] == "tray_1.png, mark 2", "picture"])
    picture = cv2.imread(str(out / name))
    assert picture.shape[1] == 640
    # 64 px of the photo from x = 89 on are drawn ten times as large: the squares begin at 110 and 113 and end at y = 40
    left_sides = {who: picture[215:385, x - 5 : x + 6].astype(int) for who, x in (("Finch", 210), ("Wattle", 240))}
    yellow, blue = (66, 228, 240), (233, 180, 86)
    lines = {
        who: (np.abs(left_sides[who] - bgr).max(axis=2) < 60).any(axis=1).mean()
        for who, bgr in (("Finch", yellow), ("Wattle", blue))
    }
    assert lines["Finch"] == 1.0
    assert 0.4 < lines["Wattle"] < 0.8, "the second line has gaps"


def test_of_pictures_the_most_divided_are_drawn_and_none_into_a_folder_in_use(season: Path) -> None:
    labelled_by_two(season)
    out = season.parent / "differ"
    arguments = ["--records", season, "--photos", season.parent / "photos"]
    result = run("train", "disagreements", out, *arguments, "--most", "2")
    assert len(list(out.glob("*.png"))) == 2, result.output
    again = run("train", "disagreements", out, *arguments)
    assert again.exit_code == 1
    assert "is not empty; choose a new folder" in " ".join(again.output.split())
    bare = run("train", "disagreements", season.parent / "bare", "--records", season)
    assert bare.exit_code == 0
    assert "3 have no picture, for their photos are not there" in bare.output
    assert pd.read_csv(season.parent / "bare" / "index.csv")["picture"].isna().all()


@pytest.fixture
def scored(tmp_path: Path) -> tuple[Path, str]:
    """Records with one scored photo in the photo store; Finch and Wattle said what its marks and fruit are."""
    season = tmp_path / "season.sqlite"
    engine = open_records(records_url(season))
    photo = write_drawing(tmp_path / "tray_9.png", SIZE)
    score = score_by_hand(photo, "tray_9.png", None)
    score = replace(score, marks=score.marks.assign(kind="sap_burn"))
    keep_score(batch_into(engine), score.photo, score.fruit, score.marks)
    sha256 = str(score.photo["sha256"].iloc[0])
    masks = {name.split(".")[-2]: data for name, data in mask_files("tray_9", score).items()}
    store_beside(engine.url).keep(photo, sha256, masks, MODEL)
    for person, mark, kind in (
        (FINCH, 2, "abrasion"),
        (FINCH, 6, "not a mark"),
        (WATTLE, 2, "cut"),
        (WATTLE, 6, "cut"),
    ):
        say_kind(person, engine, (sha256, mark, mark), kind)
    flat = np.array(SQUARE).reshape(-1, 2)
    say_missed(FINCH, engine, sha256, 1, "cut", [(float(x) + 100, float(y) + 50) for x, y in flat])
    for person, word in ((FINCH, True), (WATTLE, False)):
        say_fruit(person, engine, sha256, 3, downgraded=word)
    engine.dispose()
    return season, sha256


def test_pictures_of_scored_marks_show_what_was_scored(scored: tuple[Path, str]) -> None:
    season, _ = scored
    out = season.parent / "differ"
    result = run("train", "disagreements", out, "--records", season)
    assert result.exit_code == 0, result.output
    index = pd.read_csv(out / "index.csv")
    assert set(index["picture"]) == {"0001.png", "0002.png", "0003.png"}
    assert set(index["photo"]) == {"tray_9.png"}
    for name in set(index["picture"]):
        picture = cv2.imread(str(out / name))
        assert (picture[:600] == 255).all(axis=2).sum() > 300, "the white line around what was scored"
    agreed = run("train", "agreement", "--records", season)
    assert "tray_9.png, fruit 2, scored mark 2" in agreed.output


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        (("labels",), 2, "FILE..."),
        (("labels", "gone.json"), 2, "does not exist"),
        (("export", "out.json"), 1, "There are no records"),
        (("agreement",), 1, "There are no records"),
        (("disagreements", "out"), 1, "There are no records"),
        (("disagreements", "out", "--photos", "gone"), 2, "does not exist"),
        (("disagreements", "out", "--most", "0"), 2, "--most"),
    ],
)
def test_wrong_input_is_told_in_one_sentence(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, arguments: tuple[str, ...], code: int, words: str
) -> None:
    monkeypatch.chdir(tmp_path)
    result = run("train", *arguments, "--records", tmp_path / "season.sqlite")
    assert result.exit_code == code, result.output
    assert words in " ".join(result.output.split())
    assert list(tmp_path.iterdir()) == []


def test_records_without_labels_and_people_without_labels_are_told(season: Path) -> None:
    open_records(records_url(season)).dispose()
    for command in (("agreement",), ("disagreements", "out"), ("export", "out.json")):
        result = run("train", *command, "--records", season)
        assert result.exit_code == 1
        assert "Nobody has labelled anything in these records" in " ".join(result.output.split())
    labelled_by_two(season)
    strange = run("train", "export", season.parent / "out.json", "--records", season)
    assert strange.exit_code == 2
    said = " ".join(strange.output.split())
    assert f"{getpass.getuser()} has labelled nothing; give one of Finch, Wattle with --who." in said
    gone = run("train", "export", season.parent / "out.json", "--records", season, "--who", "Finch")
    assert gone.exit_code == 1
    assert "labelled photos are not there" in " ".join(gone.output.split())
    assert not (season.parent / "out.json").exists()


def test_nothing_to_differ_on_is_said(season: Path) -> None:
    take_in(season, write_json(season.parent / "labels.json", coco()))
    result = run("train", "disagreements", season.parent / "differ", "--records", season)
    assert (result.exit_code, result.output) == (0, "There is nothing that people differ on.\n")
    assert not (season.parent / "differ").exists()
