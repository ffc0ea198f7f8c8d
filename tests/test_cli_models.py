"""`scorer models`: keep, compare and change models as a person does on the command line; and how trays are judged."""

from __future__ import annotations

import getpass
import json
import shutil
from dataclasses import replace
from functools import partial
from pathlib import Path

import cv2
import numpy as np
import pytest

from scorer.errors import ModelError
from scorer.kinds import DETECTOR_FILE, NOT_A_MARK, load_model
from scorer.model_shelf.compare import COMPARED_KINDS
from scorer.model_shelf.history import history_of, in_use
from scorer.model_shelf.judged import judge_trays, labelled_trays
from scorer.model_shelf.shelf import Shelf
from scorer.training.labelled import LabelledTray, TrueMark, read_labelled
from scorer.tray import score_photo
from tests.other_models import write_other_model
from tests.test_cli import run

TRAYS = Path(__file__).resolve().parent / "reference_trays"


@pytest.fixture(scope="module")
def dull(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A model that takes nearly all skin for clean."""
    return write_other_model(tmp_path_factory.mktemp("fitted") / "dull", shift=8.0)


@pytest.fixture(scope="module")
def one_tray(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tray_alone(tmp_path_factory.mktemp("trays"))


def tray_alone(folder: Path) -> Path:
    for part in ("photos", "truth"):
        (folder / part).mkdir()
        for path in (TRAYS / part).glob("tray_1005.*"):
            shutil.copy(path, folder / part)
    return folder


@pytest.fixture
def records(tmp_path: Path) -> Path:
    return tmp_path / "season.sqlite"


def name_of(records: Path) -> str:
    (folder,) = [path for path in records.with_suffix(".models").iterdir() if path.name != "history"]
    return folder.name


def test_a_model_is_kept_listed_put_to_use_and_taken_back(records: Path, dull: Path) -> None:
    added = run("models", "add", dull, "--records", records, "--who", "Jarrah")
    assert added.exit_code == 0, added.output
    name = name_of(records)
    assert f"{name} is kept" in added.output

    refused = run("models", "promote", name, "--records", records)
    assert refused.exit_code == 1
    assert "was not compared with the model in use" in refused.output
    shelf = Shelf(records.with_suffix(".models"))
    assert in_use(shelf) is None

    promoted = run("models", "promote", name, "--records", records, "--why", "a trial", "--who", "Jarrah")
    assert promoted.exit_code == 0, promoted.output
    assert f"{name} ({name[-12:]}) is in use from now on" in promoted.output
    assert in_use(shelf) == shelf.folder / name

    listed = run("models", "list", "--records", records)
    assert listed.exit_code == 0, listed.output
    rows = [line.split() for line in listed.output.splitlines()]
    assert [name, "yes", name[-12:]] in [row[:3] for row in rows]
    assert any(row[:1] == ["shipped"] and "yes" not in row for row in rows)
    assert any("Jarrah" in row and "promoted" in row for row in rows)

    back = run("models", "rollback", "--records", records, "--why", "rubs were missed")
    assert back.exit_code == 0, back.output
    assert "shipped" in back.output
    assert in_use(shelf) is None
    assert history_of(shelf)["who"].tolist() == [getpass.getuser(), "Jarrah"]
    assert not records.exists(), "no records are made on the way"


def test_a_damaged_folder_is_listed_with_what_is_wrong(records: Path, dull: Path) -> None:
    run("models", "add", dull, "--records", records)
    name = name_of(records)
    run("models", "promote", name, "--records", records, "--why", "a trial")
    (records.with_suffix(".models") / name / DETECTOR_FILE).write_bytes(b"not a model")
    listed = run("models", "list", "--records", records)
    assert listed.exit_code == 0
    assert "detector.skops is not the file that its card describes" in listed.output
    for command in (("promote", name, "--why", "again"), ("compare", name, "--trays", TRAYS)):
        refused = run("models", *command, "--records", records)
        assert refused.exit_code == 1
        assert refused.output.count("Error: ") == 1
        assert "Traceback" not in refused.output


def test_two_models_are_compared_on_labelled_trays(records: Path, dull: Path, one_tray: Path) -> None:
    run("models", "add", dull, "--records", records)
    name = name_of(records)
    compared = run("models", "compare", name, "--records", records, "--trays", one_tray)
    assert compared.exit_code == 0, compared.output
    assert "No evidence: " in compared.output
    assert "label fruit on at least 6 trays" in compared.output
    promoted = run("models", "promote", name, "--records", records, "--trays", one_tray)
    assert promoted.exit_code == 0, promoted.output
    (said,) = history_of(Shelf(records.with_suffix(".models")))["comparison"]
    assert said in promoted.output


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        (("compare", "shipped"), 2, "--trays"),
        (("compare", "shipped", "--trays", "empty"), 2, "holds no labelled trays"),
        (("compare", "shipped", "--trays", "empty", "--limits", "moon"), 2, "moon"),
        (("compare", "moon", "--trays", str(TRAYS)), 1, "There is no model 'moon'"),
        (("compare", "shipped", "--against", "moon", "--trays", str(TRAYS)), 1, "There is no model 'moon'"),
        (("promote", "../shipped", "--why", "x"), 1, "There is no model '../shipped'"),
        (("promote", "shipped", "--why", "x"), 1, "in use already"),
        (("rollback",), 2, "--why"),
        (("rollback", "--why", "x"), 1, "No model was put to use"),
        (("rollback", "--why", "x", "--who", " "), 1, "Nobody is named"),
        (("add", "empty"), 1, "card.json is missing"),
        (("add", "gone"), 1, "card.json is missing"),
    ],
)
def test_wrong_input_is_told_in_one_sentence(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, arguments: tuple[str, ...], code: int, words: str
) -> None:
    (tmp_path / "empty").mkdir()
    monkeypatch.chdir(tmp_path)
    result = run("models", *arguments, "--records", tmp_path / "season.sqlite")
    assert result.exit_code == code, result.output
    assert words in " ".join(result.output.split())
    assert "Traceback" not in result.output
    assert sorted(path.name for path in tmp_path.iterdir()) == ["empty"]


def test_models_are_judged_on_the_same_fruit_and_a_dull_one_misses_marks(dull: Path) -> None:
    shipped, other = judge_trays(labelled_trays(TRAYS), [load_model(), load_model(dull)])
    assert (shipped.sha256, other.sha256) == (load_model().sha256, load_model(dull).sha256)
    same = ["tray", "fruit", "true_downgraded", "true_brown_mm2"]
    assert shipped.fruit[same].equals(other.fruit[same])
    truth = {path.stem: json.loads(path.read_text()) for path in (TRAYS / "truth").glob("*.json")}
    brown = {
        (tray, fruit["number"]): sum(mark["visible_area_mm2"] for mark in fruit["marks"])
        for tray, told in truth.items()
        for fruit in told["fruit"]
    }
    rows = shipped.fruit.set_index(["tray", "fruit"])
    assert len(rows) >= 0.9 * len(brown), "nearly all are found, as the benchmark's goal asks"
    for place, area_mm2 in rows["true_brown_mm2"].items():
        assert area_mm2 == pytest.approx(brown[place])
    # the shed table: over 2 cm2 is no first class, nor is a cut of 5 mm or a stem puncture of 3 mm
    wounds = {
        (tray, fruit["number"]): [mark for mark in fruit["marks"] if mark["kind"] in ("cut", "puncture")]
        for tray, told in truth.items()
        for fruit in told["fruit"]
    }
    plain = {
        place: [w for w in some if w["painted_length_mm"] > 8 and w["pixels"] > 100] for place, some in wounds.items()
    }
    wounded = np.array([bool(plain[place]) for place in rows.index])
    over = rows["true_brown_mm2"] > 200
    assert rows.loc[over | wounded, "true_downgraded"].all()
    whole = np.array([not wounds[place] for place in rows.index])
    assert not rows.loc[~over & whole, "true_downgraded"].any()
    assert wounded.any()
    assert (~over & whole).any()
    missed = [(side.marks["said_kind"] == NOT_A_MARK).sum() for side in (shipped, other)]
    assert missed[1] > missed[0] + 10
    assert other.fruit["said_brown_mm2"].sum() < 0.5 * shipped.fruit["said_brown_mm2"].sum()
    asked = [side.marks.loc[side.marks["true_kind"] != NOT_A_MARK, "true_kind"].tolist() for side in (shipped, other)]
    assert asked[0] == asked[1]
    assert set(COMPARED_KINDS) <= set(asked[0])


def test_what_a_model_says_is_what_scoring_says(one_tray: Path) -> None:
    photo = one_tray / "photos" / "tray_1005.jpg"
    (judged,) = judge_trays(labelled_trays(one_tray), [load_model()])
    scored = score_photo(photo)
    true_fruit = cv2.imread(str(one_tray / "truth" / f"{photo.stem}.fruit.png"), cv2.IMREAD_UNCHANGED)
    for row in judged.fruit.to_dict("records"):
        under = scored.fruit_mask[true_fruit == row["fruit"]]
        fruit = scored.fruit.set_index("fruit").loc[int(np.bincount(under[under > 0]).argmax())]
        assert row["said_downgraded"] == fruit["downgraded"]
        assert row["said_brown_mm2"] == pytest.approx(fruit["brown_area_mm2"])


@pytest.mark.parametrize(
    ("colour", "words"), [((60, 110, 150), "no reference card was found"), ((128, 128, 128), "has no colour")]
)
def test_a_photo_that_cannot_be_judged_is_left_out_and_told(
    tmp_path: Path, colour: tuple[int, int, int], words: str
) -> None:
    folder = tray_alone(tmp_path)
    photo = folder / "photos" / "tray_1005.jpg"
    plain = np.full_like(cv2.imread(str(photo)), colour)
    cv2.imwrite(str(photo), plain)
    (judged,) = judge_trays(labelled_trays(folder), [load_model()])
    assert judged.fruit.empty
    (told,) = judged.left_out
    assert told.startswith(photo.name)
    assert words in told


@pytest.mark.parametrize("part", ["fruit.png", "marks.png", "json"])
def test_labels_that_cannot_be_read_are_told(tmp_path: Path, part: str) -> None:
    folder = tray_alone(tmp_path)
    (folder / "truth" / f"tray_1005.{part}").write_bytes(b"no labels")
    with pytest.raises(ModelError, match=r"The labels of tray_1005\.jpg cannot be read"):
        judge_trays(labelled_trays(folder), [load_model()])


def part_of_a_tray(folder: Path) -> LabelledTray:
    """What two marks outlined by hand come to: no fruit outlined, no areas known, the rest not looked at."""
    truth = read_labelled(folder / "photos" / "tray_1005.jpg")
    largest = sorted(truth.marks.values(), key=lambda mark: -mark.area_mm2)[:2]
    outlined = {mark.label: replace(mark, area_mm2=float("nan"), contrast_delta_e=float("inf")) for mark in largest}
    kept = np.where(np.isin(truth.mark_mask, list(outlined)), truth.mark_mask, 0)
    return replace(truth, fruit_mask=None, mark_mask=kept, marks=outlined, whole=False, tray="T005", who="Jarrah")


def test_marks_of_a_tray_that_is_not_labelled_whole_count_by_their_kind_only(one_tray: Path) -> None:
    (judged,) = judge_trays([partial(part_of_a_tray, one_tray)], [load_model()])
    assert judged.fruit["true_downgraded"].isna().all()
    assert judged.fruit["true_brown_mm2"].isna().all()
    assert judged.marks["true_kind"].tolist() == [mark.kind for mark in in_order_of_fruit(one_tray)]
    assert set(judged.marks["tray"]) == {"T005"}
    assert set(judged.marks["who"]) == {"Jarrah"}


def test_areas_that_nobody_gave_are_measured_on_the_skin(one_tray: Path) -> None:
    (judged,) = judge_trays([lambda: replace(part_of_a_tray(one_tray), whole=True)], [load_model()])
    truth = read_labelled(one_tray / "photos" / "tray_1005.jpg")
    largest = sorted(mark.area_mm2 for mark in truth.marks.values())[-2:]
    assert judged.fruit["true_brown_mm2"].sum() == pytest.approx(sum(largest), rel=0.1)


def in_order_of_fruit(folder: Path) -> list[TrueMark]:
    """The two marks by the place of their fruit in reading order, as scoring numbers fruit."""
    scored = score_photo(folder / "photos" / "tray_1005.jpg")
    tray = part_of_a_tray(folder)
    numbers = {label: np.bincount(scored.fruit_mask[tray.mark_mask == label]).argmax() for label in tray.marks}
    return sorted(tray.marks.values(), key=lambda mark: (numbers[mark.label], mark.label))
