"""Batches: what one photo meets with touches no other, and the order is that of the photos."""

from __future__ import annotations

import csv
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import cv2
import pandas as pd
import pytest

from scorer.batch.run import PHOTOS_SHOWN, BatchReport, Plan, score_paths
from scorer.batch.task import LOG_NAME, Outcome, Wanted
from scorer.crew_summary import NO_CREW, summarise_crews
from scorer.drawing import draw_score
from scorer.errors import OutputError
from scorer.photo import open_photo
from scorer.photo_files import find_photos, natural_order
from scorer.score_tables import HOLDS, TrayScore
from scorer.tag import Tag
from scorer.verdict import NOT_JUDGED
from tests.drawn_trays import score_by_hand, score_drawing, score_with_accidents, write_drawing


def names(folder: Path, leave_out: Path | None = None) -> list[str]:
    return [file.photo for file in find_photos([folder], leave_out=leave_out)]


def photo_rows(out: Path) -> list[dict[str, str]]:
    with (out / "photos.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_photos_are_found_in_natural_order_and_other_files_are_not(tmp_path: Path) -> None:
    for name in (
        "tray_10.jpg", "tray_2.JPG", "notes.txt", "photos.csv", ".hidden.jpg", ".trash/tray_3.jpg",
        "b/2.heic", "b/10.png", "a/1.dng", "a/x.webp",
    ):  # fmt: skip
        path = tmp_path / name
        path.parent.mkdir(exist_ok=True)
        path.write_bytes(b"")
    assert names(tmp_path) == ["tray_2.JPG", "tray_10.jpg", "a/1.dng", "a/x.webp", "b/2.heic", "b/10.png"]


def test_a_file_is_taken_whatever_its_ending_and_each_file_once(tmp_path: Path) -> None:
    path = write_drawing(tmp_path / "tray_1.jpg")
    odd = path.rename(tmp_path / "tray_1.photo")
    assert [file.photo for file in find_photos([odd, odd])] == ["tray_1.photo"]
    write_drawing(tmp_path / "tray_2.jpg")
    assert [file.photo for file in find_photos([tmp_path, tmp_path / "tray_2.jpg"])] == ["tray_2.jpg"]


def test_equal_names_in_two_folders_are_told_apart(tmp_path: Path) -> None:
    for folder in ("morning", "evening", "x/morning"):
        write_drawing(tmp_path / folder / "tray_1.jpg")
    two = find_photos([tmp_path / "morning", tmp_path / "evening"])
    assert [file.photo for file in two] == ["morning/tray_1.jpg", "evening/tray_1.jpg"]
    alike = find_photos([tmp_path / "morning", tmp_path / "x" / "morning"])
    assert len({file.photo for file in alike}) == 2


def test_results_inside_the_folder_are_no_photos(tmp_path: Path) -> None:
    write_drawing(tmp_path / "tray_1.jpg")
    write_drawing(tmp_path / "results" / "pictures" / "tray_1.jpg")
    assert names(tmp_path, leave_out=tmp_path / "results") == ["tray_1.jpg"]


def test_numbers_sort_by_size() -> None:
    assert sorted(["t10", "T9", "t09b", "\u00b2", "9"], key=natural_order) == [
        "9",
        "T9",
        "t09b",
        "t10",
        "\u00b2",
    ]


def folder_of_accidents(tmp_path: Path) -> Path:
    photos = tmp_path / "photos"
    for number in (1, 2, 10):
        write_drawing(photos / f"tray_{number}.jpg")
    write_drawing(photos / "fault_3.jpg")
    (photos / "bad_4.jpg").write_text("Meeting notes")
    (photos / "raw_5.dng").write_bytes(b"II*\0")
    return photos


@pytest.mark.parametrize("jobs", [1, 2])
def test_bad_photos_are_refused_in_their_rows_and_stop_nothing(tmp_path: Path, jobs: int) -> None:
    photos, out = folder_of_accidents(tmp_path), tmp_path / "out"
    seen: list[Outcome] = []
    plan = Plan(score_with_accidents, out=out, wanted=Wanted(masks=True), jobs=jobs)
    report = score_paths([photos], plan, on_done=seen.append)
    rows = photo_rows(out)
    wanted = ["bad_4.jpg", "fault_3.jpg", "raw_5.dng", "tray_1.jpg", "tray_2.jpg", "tray_10.jpg"]
    assert [row["photo"] for row in rows] == wanted
    assert [one.name for one in seen] == wanted
    assert [row["verdict"] for row in rows] == ["refused"] * 3 + ["good"] * 3
    assert (report.refused, report.faults) == (3, 1)
    reasons = [row["reasons"] for row in rows]
    assert "not a picture" in reasons[0]
    assert "own fault (ZeroDivisionError)" in reasons[1]
    assert "raw picture" in reasons[2]
    assert len(rows[0]["sha256"]) == 64
    assert report.fruit is not None
    assert len(report.fruit) == 18
    assert report.log == out / LOG_NAME
    log = report.log.read_text(encoding="utf-8")
    assert "fault_3.jpg" in log
    assert "score_with_accidents" in log
    assert sorted(path.name for path in (out / "masks").iterdir())[:2] == [
        "tray_1.fruit.png",
        "tray_1.marks.png",
    ]
    score_paths([photos / "tray_1.jpg"], Plan(score_with_accidents, out=out))
    assert not (out / LOG_NAME).exists(), "no log is left from an earlier run"


def test_any_number_of_jobs_gives_the_same_results(tmp_path: Path) -> None:
    for number in range(5):
        write_drawing(tmp_path / "photos" / f"tray_{number}.jpg", (400, 300))
    for jobs in (1, 2):
        plan = Plan(score_by_hand, out=tmp_path / f"{jobs}", wanted=Wanted(masks=True), jobs=jobs)
        score_paths([tmp_path / "photos"], plan)
    files = sorted(path.relative_to(tmp_path / "1") for path in (tmp_path / "1").rglob("*") if path.is_file())
    assert len(files) == 3 + 10
    for file in files:
        assert (tmp_path / "1" / file).read_bytes() == (tmp_path / "2" / file).read_bytes()


def test_a_photo_that_kills_its_process_is_refused_alone(tmp_path: Path) -> None:
    for name in ("tray_1", "death_2", "tray_3", "tray_4"):
        write_drawing(tmp_path / "photos" / f"{name}.jpg", (400, 300))
    report = score_paths([tmp_path / "photos"], Plan(score_with_accidents, out=tmp_path / "out", jobs=2))
    assert (report.photos, report.refused) == (4, 1)
    assert {row["photo"]: row["verdict"] for row in photo_rows(tmp_path / "out")} == {
        "death_2.jpg": "refused",
        "tray_1.jpg": "good",
        "tray_3.jpg": "good",
        "tray_4.jpg": "good",
    }


@pytest.mark.parametrize("jobs", [1, 2])
def test_a_full_disk_stops_the_batch_with_whole_tables(tmp_path: Path, jobs: int) -> None:
    for name in ("a_1", "disk_2", "tray_3"):
        write_drawing(tmp_path / "photos" / f"{name}.jpg", (400, 300))
    with pytest.raises(OutputError, match="disk is full"):
        score_paths([tmp_path / "photos"], Plan(score_with_accidents, out=tmp_path / "out", jobs=jobs))
    assert [row["photo"] for row in photo_rows(tmp_path / "out")] == ["a_1.jpg"]


def draw(path: Path, score: TrayScore):  # type: ignore[no-untyped-def]
    return draw_score(open_photo(path).bgr, score)


def test_equal_stems_overwrite_nothing(tmp_path: Path) -> None:
    for name in ("tray_1.jpg", "tray_1.png", "sub/tray_1.jpg"):
        write_drawing(tmp_path / "photos" / name, (400, 300))
    out = tmp_path / "out"
    plan = Plan(score_by_hand, out=out, wanted=Wanted(masks=True, draw=draw))
    report = score_paths([tmp_path / "photos"], plan)
    assert sorted(path.name for path in (out / "pictures").iterdir()) == [
        "sub__tray_1.jpg", "tray_1__jpg.jpg", "tray_1__png.jpg",
    ]  # fmt: skip
    assert len(list((out / "masks").iterdir())) == 6
    assert "tray_1__jpg" in " ".join(report.notes)
    picture = cv2.imread(str(out / "pictures" / "sub__tray_1.jpg"))
    assert picture.shape[1] == 400


def test_the_manifest_reaches_photos_and_refused_rows_and_idle_lines_are_told(tmp_path: Path) -> None:
    write_drawing(tmp_path / "photos" / "tray_1.jpg")
    (tmp_path / "photos" / "tray_2.jpg").write_bytes(b"")
    manifest = {
        "tray_1.jpg": Tag(crew="Ibis"),
        "tray_2.jpg": Tag(crew="Egret", bin="E-7"),
        "gone.jpg": Tag(crew="x"),
    }
    report = score_paths([tmp_path / "photos"], Plan(score_by_hand, out=tmp_path / "out", manifest=manifest))
    assert [row["crew"] for row in photo_rows(tmp_path / "out")] == ["Ibis", "Egret"]
    assert "gone.jpg" in " ".join(report.notes)


def test_no_photos_give_empty_tables(tmp_path: Path) -> None:
    (tmp_path / "photos").mkdir()
    report = score_paths([tmp_path / "photos"], Plan(score_by_hand, out=tmp_path / "out"))
    assert isinstance(report, BatchReport)
    assert report.fruit is not None
    assert (report.photos, len(report.fruit)) == (0, 0)
    assert photo_rows(tmp_path / "out") == []


def test_fruit_of_a_long_batch_are_in_the_tables_and_not_in_the_report(tmp_path: Path) -> None:
    for number in range(PHOTOS_SHOWN + 1):
        write_drawing(tmp_path / "photos" / f"tray_{number}.jpg", (400, 300))
    report = score_paths([tmp_path / "photos"], Plan(score_by_hand, out=tmp_path / "out"))
    assert report.fruit is None
    assert report.crews.table()["photos"].tolist() == [PHOTOS_SHOWN + 1]
    assert len(photo_rows(tmp_path / "out")) == PHOTOS_SHOWN + 1


SLOW = """
import signal, sys, time
from pathlib import Path
from scorer.batch.run import Plan, score_paths
from scorer.batch.task import Wanted
from tests.drawn_trays import score_by_hand

def slow(path, name, tag):
    if "tray_1" not in name:
        time.sleep(60)
    return score_by_hand(path, name, tag)

signal.signal(signal.SIGINT, signal.default_int_handler)  # a shell's background jobs start with it ignored
try:
    photos, out, jobs = sys.argv[1:]
    score_paths([Path(photos)], Plan(slow, out=Path(out), wanted=Wanted(masks=True), jobs=int(jobs)),
                on_done=lambda outcome: print(outcome.name, flush=True))
except KeyboardInterrupt:
    print("interrupted", flush=True)
"""


@pytest.mark.parametrize("jobs", [1, 2])
def test_ctrl_c_leaves_whole_files_of_what_was_done(tmp_path: Path, jobs: int) -> None:
    for number in (1, 2, 3):
        write_drawing(tmp_path / "photos" / f"tray_{number}.jpg", (400, 300))
    out = tmp_path / "out"
    command = [sys.executable, "-c", SLOW, str(tmp_path / "photos"), str(out), str(jobs)]
    root = Path(__file__).resolve().parent.parent
    run = subprocess.Popen(command, stdout=subprocess.PIPE, text=True, cwd=root, env=os.environ, start_new_session=True)
    assert run.stdout is not None
    assert run.stdout.readline() == "tray_1.jpg\n"
    time.sleep(0.5)
    os.killpg(run.pid, signal.SIGINT)  # as a terminal does: to every process of the command
    assert run.communicate(timeout=30)[0] == "interrupted\n"
    assert [row["photo"] for row in photo_rows(out)] == ["tray_1.jpg"]
    assert {path.name for path in out.rglob("*") if path.is_file()} == {
        "photos.csv", "fruit.csv", "marks.csv", "tray_1.fruit.png", "tray_1.marks.png",
    }  # fmt: skip


def test_crews_are_summed_without_photos_to_be_taken_again() -> None:
    scores = [
        score_drawing("1.jpg", tag=Tag(crew="Heron", bin="H-1")),
        score_drawing("2.jpg", tag=Tag(crew="Heron", bin="H-2")),
        score_drawing("3.jpg", tag=Tag(crew="Heron", bin="H-3")),
        score_drawing("4.jpg", tag=Tag(bin="?")),
    ]
    photo = pd.concat([score.photo for score in scores], ignore_index=True)
    photo.loc[2, "verdict"] = "retake"
    fruit = pd.concat([score.fruit for score in scores], ignore_index=True)
    fruit.loc[fruit.index[:3], "verdict"] = NOT_JUDGED
    crews = summarise_crews(photo, fruit).set_index("crew")
    assert crews.index.tolist() == ["Heron", NO_CREW]
    heron = crews.loc["Heron"]
    assert (heron["bins"], heron["photos"], heron["retake"]) == (2, 3, 1)
    assert (heron["fruit"], heron["over_limit"]) == (9, 4)
    assert heron["share"] == pytest.approx(4 / 9)
    assert not heron["enough"]


def test_only_settled_photos_count_per_crew_unless_any_are_wanted() -> None:
    scores = [score_drawing(f"{n}.jpg") for n in range(4)]
    photo = pd.concat([score.photo for score in scores], ignore_index=True).assign(hold=[*HOLDS])
    fruit = pd.concat([score.fruit for score in scores], ignore_index=True)
    (settled,) = summarise_crews(photo, fruit).to_dict("records")
    assert (settled["photos"], settled["unsettled"], settled["fruit"]) == (4, 3, 6)
    (every,) = summarise_crews(photo, fruit, any_hold=True).to_dict("records")
    assert (every["photos"], every["unsettled"], every["fruit"]) == (4, 0, 24)


def test_thirty_fruit_from_five_bins_are_enough() -> None:
    scores = [score_drawing(f"{n}.jpg", tag=Tag(crew="Heron", bin=f"H-{n}")) for n in range(5)]
    photo = pd.concat([score.photo for score in scores], ignore_index=True)
    fruit = pd.concat([score.fruit for score in scores], ignore_index=True)
    assert summarise_crews(photo, fruit)["enough"].tolist() == [True]
    assert summarise_crews(photo, fruit.iloc[1:])["enough"].tolist() == [False]
    assert summarise_crews(photo.assign(bin="H-1"), fruit)["enough"].tolist() == [False]
