"""Results are whole files that a spreadsheet and another program read alike."""

from __future__ import annotations

import csv
import errno
import io
import os
import resource
import subprocess
import sys
from pathlib import Path

import cv2
import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from scorer.errors import OutputError
from scorer.results import (
    LONGEST_STEM_BYTES,
    TABLES,
    prepare_results,
    remove_unfinished,
    result_stems,
    table_as_csv,
    write_masks,
    write_picture,
    write_tables,
    write_whole,
)
from scorer.score_tables import (
    FRUIT_COLUMNS,
    MARK_COLUMNS,
    PHOTO_COLUMNS,
    TrayScore,
    empty_fruit,
    empty_marks,
    photo_table,
)
from tests.drawn_trays import draw_tray, score_drawing

# The columns that the people who measure scorer rely on, word for word.
CONTRACT = {
    "photos.csv": "photo, sha256, taken_at, crew, bin, picked_at, method, side, card_found, mm_per_px, "
    "camera_height_mm, colour_residual, focus, verdict, reasons, fruit, seconds",
    "fruit.csv": "photo, crew, bin, fruit, length_mm, width_mm, mass_g, size_code, visible_area_mm2, "
    "brown_area_mm2, brown_fraction, sap_burn_mm2, abrasion_mm2, other_mm2, marks, class, downgraded, "
    "verdict, reason",
    "marks.csv": "photo, fruit, mark, kind, probability, area_mm2, length_mm, width_mm",
}


def rows_of(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_columns_are_those_of_the_contract(tmp_path: Path) -> None:
    score = score_drawing()
    write_tables(tmp_path, score.photo, score.fruit, score.marks)
    for name, columns in CONTRACT.items():
        header = (tmp_path / name).read_text(encoding="utf-8").splitlines()[0].split(",")
        wanted = columns.split(", ")
        assert header[: len(wanted)] == wanted
        assert header[len(wanted) :] == (["solidity"] if name == "marks.csv" else [])


def test_empty_tables_keep_their_columns(tmp_path: Path) -> None:
    write_tables(tmp_path, photo_table([]), empty_fruit(), empty_marks())
    for name, columns in zip(TABLES, (PHOTO_COLUMNS, FRUIT_COLUMNS, MARK_COLUMNS), strict=True):
        assert (tmp_path / name).read_text(encoding="utf-8") == ",".join(columns) + "\n"


def test_cells_are_written_by_one_rule(tmp_path: Path) -> None:
    score = score_drawing()
    photo = score.photo.assign(taken_at=pd.Timestamp("2026-03-14 09:26:53"), mm_per_px=0.123456789)
    write_tables(tmp_path, photo, score.fruit, score.marks)
    row = rows_of(tmp_path / "photos.csv")[0]
    assert row["taken_at"] == "2026-03-14 09:26:53"
    assert (row["mm_per_px"], row["seconds"], row["fruit"], row["card_found"]) == (
        "0.12346",
        "0.500",
        "6",
        "no",
    )
    assert (row["focus"], row["reasons"], row["picked_at"]) == ("", "", "")
    row = rows_of(tmp_path / "fruit.csv")[5]
    assert (row["length_mm"], row["brown_fraction"], row["downgraded"]) == ("105.26", "0.01235", "yes")
    row = rows_of(tmp_path / "marks.csv")[1]
    assert (row["area_mm2"], row["probability"], row["solidity"], row["length_mm"]) == (
        "40.00",
        "0.9000",
        "0.12346",
        "",
    )


def test_numbers_that_are_no_figures_stay_empty() -> None:
    table = pd.DataFrame({"a_mm": [np.inf, np.nan, -0.0001, 1e-9], "b": [None, 3.0, -0.0, 1234567.0]})
    assert table_as_csv(table) == "a_mm,b\n,\n,3\n0.00,0\n0.00,1.2346e+06\n"


# The signs that start a formula: OWASP, "CSV Injection" (owasp.org/www-community/attacks/CSV_Injection).
@pytest.mark.parametrize("sign", ["=", "+", "-", "@", "\t=", "\r=", "\n@", " =", "\uff1d"])
def test_no_cell_of_text_becomes_a_formula(sign: str) -> None:
    table = pd.DataFrame({"photo": [f"{sign}1+1.jpg"], "crew": [f'{sign}cmd|" /C calc"!A0']})
    (row,) = csv.DictReader(io.StringIO(table_as_csv(table)))
    assert row["photo"].startswith("./")
    assert Path(row["photo"]).stem == f"{sign.strip()}1+1", "still the photo's path"
    assert row["crew"].startswith("'")
    assert len(table_as_csv(table).splitlines()) == 2


@given(st.lists(st.text(max_size=12), min_size=1, max_size=5))
def test_any_text_comes_back_from_the_csv_in_its_row(crews: list[str]) -> None:
    table = pd.DataFrame({"crew": crews, "place": range(len(crews))})
    back = list(csv.DictReader(io.StringIO(table_as_csv(table), newline="")))
    assert [row["place"] for row in back] == [str(place) for place in range(len(crews))]
    assert not any(row["crew"].startswith(("=", "+", "-", "@", "\t", "\r")) for row in back)


def test_unique_stems_are_kept() -> None:
    assert result_stems(["a/tray_1.jpg", "tray_2.heic"]) == {
        "a/tray_1.jpg": "tray_1",
        "tray_2.heic": "tray_2",
    }


def test_clashing_stems_are_named_by_folder_then_by_ending() -> None:
    photos = ["tray_1.jpg", "sub/tray_1.jpg", "sub/tray_1.heic", "sub/Tray_2.png", "tray_2.png"]
    assert result_stems(photos) == {
        "tray_1.jpg": "tray_1",
        "sub/tray_1.jpg": "sub__tray_1__jpg",
        "sub/tray_1.heic": "sub__tray_1__heic",
        "sub/Tray_2.png": "sub__Tray_2",
        "tray_2.png": "tray_2",
    }


@given(st.sets(st.from_regex(r"([abA]|a__b/){0,3}[abA_]{1,6}\.(jpg|JPG|png)", fullmatch=True), max_size=12))
def test_no_two_photos_ever_share_a_stem(photos: set[str]) -> None:
    stems = result_stems(sorted(photos))
    assert len({stem.casefold() for stem in stems.values()}) == len(photos)
    assert not any("/" in stem for stem in stems.values())


def test_long_folders_still_give_file_names() -> None:
    deep = "/".join(["\u0906\u092e" * 20] * 6)
    stems = result_stems([f"{deep}/tray.jpg", f"{deep}x/tray.jpg"])
    assert all(len(stem.encode()) <= LONGEST_STEM_BYTES for stem in stems.values())
    assert len(set(stems.values())) == 2


def test_masks_come_back_number_for_number(tmp_path: Path) -> None:
    score = score_drawing()
    marks = score.mark_mask.copy()
    marks[0, 0] = 65535
    prepare_results(tmp_path, masks=True, pictures=False)
    write_masks(tmp_path, "tray_1", TrayScore(score.photo, score.fruit, score.marks, score.fruit_mask, marks))
    for kind, mask in (("fruit", score.fruit_mask), ("marks", marks)):
        back = cv2.imread(str(tmp_path / "masks" / f"tray_1.{kind}.png"), cv2.IMREAD_UNCHANGED)
        assert back.dtype == np.uint16
        assert np.array_equal(back, mask)


def test_a_picture_is_written_as_jpeg(tmp_path: Path) -> None:
    photo, _, _ = draw_tray()
    prepare_results(tmp_path, masks=False, pictures=True)
    write_picture(tmp_path, "tray_1", photo)
    back = cv2.imread(str(tmp_path / "pictures" / "tray_1.jpg"))
    assert np.abs(back.astype(int) - photo).mean() < 2


def test_a_file_is_replaced_whole_and_nothing_is_left_beside_it(tmp_path: Path) -> None:
    write_whole(tmp_path / "a.csv", b"old")
    write_whole(tmp_path / "a.csv", b"new", to_disk=True)
    assert (tmp_path / "a.csv").read_bytes() == b"new"
    assert [path.name for path in tmp_path.iterdir()] == ["a.csv"]


FILL = """
import resource, signal, sys
from pathlib import Path
from scorer.errors import OutputError
from scorer.results import write_whole
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (10_000, 10_000))
try:
    write_whole(Path(sys.argv[1]), bytes(50_000))
except OutputError as error:
    print(error)
"""


def test_a_disk_that_takes_no_more_leaves_the_old_file(tmp_path: Path) -> None:
    """The kernel's limit on file size stands in for a full disk: write() fails midway just so, with EFBIG."""
    path = tmp_path / "photos.csv"
    path.write_bytes(b"old")
    assert resource.getrlimit(resource.RLIMIT_FSIZE)[0] == resource.RLIM_INFINITY
    run = subprocess.run([sys.executable, "-c", FILL, str(path)], capture_output=True, text=True, check=True)
    assert f"photos.csv cannot be written ({os.strerror(errno.EFBIG)})" in run.stdout
    assert len(run.stdout.splitlines()) == 1
    assert path.read_bytes() == b"old"
    assert [path.name for path in tmp_path.iterdir()] == ["photos.csv"]


def test_a_folder_that_is_gone_is_one_sentence(tmp_path: Path) -> None:
    (tmp_path / "file").write_bytes(b"")
    for folder in ("gone", "file"):
        with pytest.raises(OutputError, match="cannot be written"):
            write_whole(tmp_path / folder / "photos.csv", b"x")


def test_unfinished_files_of_a_broken_run_are_cleared_and_others_stay(tmp_path: Path) -> None:
    prepare_results(tmp_path, masks=True, pictures=True)
    (tmp_path / "masks" / ".tray_1.fruit.png.99.unfinished").write_bytes(b"half")
    (tmp_path / "notes.txt").write_text("mine")
    remove_unfinished(tmp_path)
    assert sorted(path.name for path in tmp_path.rglob("*")) == ["masks", "notes.txt", "pictures"]


def test_a_folder_that_is_a_file_is_refused(tmp_path: Path) -> None:
    (tmp_path / "results").write_text("not a folder")
    with pytest.raises(OutputError, match="results cannot be made"):
        prepare_results(tmp_path / "results", masks=True, pictures=False)


def test_scores_check_their_tables_and_masks() -> None:
    score = score_drawing()
    with pytest.raises(ValueError, match="fruit must have the columns"):
        TrayScore(score.photo, score.marks, score.marks, score.fruit_mask, score.mark_mask)
    with pytest.raises(ValueError, match="uint16"):
        TrayScore(score.photo, score.fruit, score.marks, score.fruit_mask.astype(np.int32), score.mark_mask)
    with pytest.raises(ValueError, match="shape"):
        TrayScore(score.photo, score.fruit, score.marks, score.fruit_mask, score.mark_mask[1:])
    with pytest.raises(ValueError, match="each number once"):
        TrayScore(score.photo, score.fruit, score.marks.assign(mark=1), score.fruit_mask, score.mark_mask)
    with pytest.raises(ValueError, match="one row"):
        TrayScore(photo_table([]), score.fruit, score.marks, score.fruit_mask, score.mark_mask)
    with pytest.raises(ValueError, match="unknown columns"):
        photo_table([{"weight": 3}])
