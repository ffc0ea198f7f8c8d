"""`scorer score --records` and `scorer records`: the season's memory as a person meets it on the command line."""

from __future__ import annotations

import shutil
from pathlib import Path

import pandas as pd
import pytest

from scorer.kinds import DETECTOR_FILE, load_model
from tests.drawn_trays import write_drawing
from tests.other_models import write_other_model
from tests.test_cli import run

SAMPLES = Path(__file__).resolve().parent.parent / "sample_images"


@pytest.fixture
def photos(tmp_path: Path) -> Path:
    for number in (1, 2):
        write_drawing(tmp_path / "photos" / f"tray_{number}.jpg", (1600 + number, 1200))
    return tmp_path / "photos"


def test_a_second_run_scores_nothing_again_and_tells_the_same(photos: Path, tmp_path: Path) -> None:
    records = tmp_path / "season.sqlite"
    first = run("score", photos, "--records", records, "--out", tmp_path / "first")
    assert first.exit_code == 0, first.output
    again = run("score", photos, "--records", records, "--out", tmp_path / "again")
    assert again.exit_code == 0, again.output
    assert "2 of them before, as the records show" in again.output
    for name in ("photos.csv", "fruit.csv", "marks.csv"):
        assert (tmp_path / "first" / name).read_text() == (tmp_path / "again" / name).read_text()
    checked = run("records", "check", "--records", records)
    assert checked.exit_code == 0, checked.output
    assert "Nothing is wrong" in checked.output


def test_a_photo_that_was_moved_and_renamed_is_known(photos: Path, tmp_path: Path) -> None:
    records = tmp_path / "season.sqlite"
    run("score", photos, "--records", records)
    moved = tmp_path / "archive" / "monday"
    moved.mkdir(parents=True)
    shutil.move(photos / "tray_1.jpg", moved / "T-7.jpg")
    result = run("score", tmp_path / "archive", "--records", records)
    assert "1 photos scored, 1 of them before" in result.output
    exported = run("records", "export", "--records", records, "--out", tmp_path / "export")
    assert exported.exit_code == 0, exported.output
    assert sorted(pd.read_csv(tmp_path / "export" / "photos.csv")["photo"]) == ["monday/T-7.jpg", "tray_2.jpg"]


def test_masks_that_are_wanted_later_are_made_and_the_records_stay(photos: Path, tmp_path: Path) -> None:
    records, out = tmp_path / "season.sqlite", tmp_path / "out"
    run("score", photos, "--records", records)
    result = run("score", photos, "--records", records, "--out", out, "--masks")
    assert result.exit_code == 0, result.output
    assert len(list((out / "masks").iterdir())) == 4
    listed = run("records", "list", "--records", records)
    assert listed.exit_code == 0, listed.output
    model = next(line for line in listed.output.splitlines() if "0.1.0" in line)
    assert model.split()[-2:] == ["2", "0"], "two scores, no decision"


def test_a_real_sample_goes_into_the_records_with_its_tag_and_hold(tmp_path: Path) -> None:
    photo = SAMPLES / "T014_a.jpg"
    records = tmp_path / "season.sqlite"
    result = run("score", photo, "--records", records, "--zone", "Australia/Darwin")
    assert result.exit_code == 0, result.output
    run("records", "export", "--records", records, "--out", tmp_path / "export")
    (row,) = pd.read_csv(tmp_path / "export" / "photos.csv").to_dict("records")
    assert (row["crew"], row["bin"], row["hours_since_picking"], row["hold"]) == ("Bowerbird", "T014", 53, "settled")
    assert row["picked_at"] == "2026-01-12 06:30:00"
    marks = pd.read_csv(tmp_path / "export" / "marks.csv")
    assert len(marks) == pd.read_csv(tmp_path / "export" / "fruit.csv")["marks"].sum() > 0
    assert marks["because"].notna().all()


def test_a_site_stays_in_its_time_zone(photos: Path, tmp_path: Path) -> None:
    records = tmp_path / "season.sqlite"
    assert run("score", photos, "--records", records, "--zone", "America/Lima").exit_code == 0
    assert run("score", photos, "--records", records).exit_code == 0, "the records know the site's zone"
    other = run("score", photos, "--records", records, "--zone", "Asia/Kolkata")
    assert other.exit_code == 1
    assert "kept in the time zone America/Lima, not Asia/Kolkata" in other.output
    assert run("score", photos, "--records", records, "--zone", "Asia/Kolkata", "--site", "north").exit_code == 0


def test_pruning_shows_first_and_removes_when_told(photos: Path, tmp_path: Path) -> None:
    records = tmp_path / "season.sqlite"
    run("score", photos, "--records", records)
    shown = run("records", "prune", "--records", records)
    assert "0 scores and 0 photos without a score would go." in shown.output
    listed = run("records", "list", "--records", records)
    model = next(line for line in listed.output.splitlines() if "0.1.0" in line).split()[0]
    told = run("records", "prune", "--records", records, "--model", model)
    assert "2 scores and 2 photos without a score would go." in told.output
    assert "give --remove" in told.output
    assert "removed" in run("records", "prune", "--records", records, "--model", model, "--remove").output
    assert run("records", "export", "--records", records, "--out", tmp_path / "export").exit_code == 0
    assert pd.read_csv(tmp_path / "export" / "photos.csv").empty


@pytest.mark.parametrize("command", ["list", "check", "prune", "export"])
def test_records_that_are_not_there_are_one_sentence(tmp_path: Path, command: str) -> None:
    more = ("--out", tmp_path / "export") if command == "export" else ()
    result = run("records", command, "--records", tmp_path / "gone.sqlite", *more)
    assert result.exit_code == 1
    assert "There are no records at" in result.output
    assert "Traceback" not in result.output
    assert list(tmp_path.iterdir()) == []


def test_something_wrong_is_exit_code_1(photos: Path, tmp_path: Path) -> None:
    import sqlite3

    records = tmp_path / "season.sqlite"
    run("score", photos, "--records", records)
    with sqlite3.connect(records) as connection:
        connection.execute("DELETE FROM fruit")
    connection.close()
    result = run("records", "check", "--records", records)
    assert result.exit_code == 1
    assert "are recorded; remove its score and score it again" in result.output


def test_a_read_only_place_is_one_sentence(photos: Path, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    result = run("score", photos, "--records", tmp_path / "file" / "season.sqlite")
    assert result.exit_code == 1
    assert "cannot be made" in result.output
    assert "Traceback" not in result.output


def test_with_records_the_model_in_use_beside_them_scores_and_without_them_the_shipped_one(tmp_path: Path) -> None:
    records, photo = tmp_path / "season.sqlite", SAMPLES / "T014_a.jpg"
    dull = write_other_model(tmp_path / "dull", shift=8.0)
    run("models", "add", dull, "--records", records)
    (kept,) = (tmp_path / "season.models").iterdir()
    run("models", "promote", kept.name, "--records", records, "--why", "a trial")

    def marks(*where: str | Path) -> int:
        run("score", photo, *where)
        return len(pd.read_csv(Path(where[-1]) / "marks.csv"))

    few = marks("--records", records, "--out", tmp_path / "in_use")
    many = marks("--out", tmp_path / "shipped")
    assert few < many, "the other model takes nearly all skin for clean"
    listed = run("records", "list", "--records", records).output
    assert kept.name[-12:] in listed
    assert load_model().sha256[:12] not in listed

    (kept / DETECTOR_FILE).write_bytes(b"no model")
    refused = run("score", SAMPLES / "T021_a.jpg", "--records", records)
    assert refused.exit_code == 1
    assert f"The model {kept.name} cannot be used" in refused.output
    assert "T021_a" not in run("records", "list", "--records", records).output
