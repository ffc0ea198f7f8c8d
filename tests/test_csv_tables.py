"""Tables that a spreadsheet and another program read alike, and that are whole while they grow."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from scorer.csv_tables import TABLES, CsvTables, table_as_csv
from scorer.score_tables import (
    FRUIT_COLUMNS,
    MARK_COLUMNS,
    PHOTO_COLUMNS,
    empty_fruit,
    empty_marks,
    photo_table,
)
from tests.drawn_trays import score_drawing

# The columns that the people who measure scorer rely on, word for word.
CONTRACT = {
    "photos.csv": "photo, sha256, taken_at, crew, bin, picked_at, method, side, card_found, mm_per_px, "
    "camera_height_mm, colour_residual, focus, verdict, reasons, fruit, seconds",
    "fruit.csv": "photo, crew, bin, fruit, length_mm, width_mm, mass_g, size_code, visible_area_mm2, "
    "brown_area_mm2, brown_fraction, sap_burn_mm2, abrasion_mm2, other_mm2, marks, class, downgraded, "
    "verdict, reason",
    "marks.csv": "photo, fruit, mark, kind, probability, area_mm2, length_mm, width_mm",
}

MORE = {
    "photos.csv": ["tray", "block", "cultivar", "hours_since_picking", "hold"],
    "fruit.csv": ["x_mm", "y_mm"],
    "marks.csv": ["solidity"],
}
"""Columns beyond the contract; those of marks are the drawn score's."""


def rows_of(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def write(folder: Path, photo: pd.DataFrame, fruit: pd.DataFrame, marks: pd.DataFrame) -> None:
    tables = CsvTables(folder)
    tables.add(photo, fruit, marks)
    tables.finish()


def test_columns_are_those_of_the_contract(tmp_path: Path) -> None:
    score = score_drawing()
    write(tmp_path, score.photo, score.fruit, score.marks)
    for name, columns in CONTRACT.items():
        header = (tmp_path / name).read_text(encoding="utf-8").splitlines()[0].split(",")
        wanted = columns.split(", ")
        assert header[: len(wanted)] == wanted
        assert header[len(wanted) :] == MORE[name]


def test_empty_tables_keep_their_columns(tmp_path: Path) -> None:
    write(tmp_path, photo_table([]), empty_fruit(), empty_marks())
    for name, columns in zip(TABLES, (PHOTO_COLUMNS, FRUIT_COLUMNS, MARK_COLUMNS), strict=True):
        assert (tmp_path / name).read_text(encoding="utf-8") == ",".join(columns) + "\n"


def test_cells_are_written_by_one_rule(tmp_path: Path) -> None:
    score = score_drawing()
    photo = score.photo.assign(taken_at=pd.Timestamp("2026-03-14 09:26:53"), mm_per_px=0.123456789)
    write(tmp_path, photo, score.fruit, score.marks)
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


def test_tables_grow_photo_by_photo_and_show_what_was_put_down(tmp_path: Path) -> None:
    whole = [score_drawing(f"tray_{number}.jpg") for number in (1, 2)]
    tables = CsvTables(tmp_path)
    tables.add(whole[0].photo, whole[0].fruit, empty_marks())
    assert not (tmp_path / "photos.csv").exists()
    tables.put_down()
    assert [row["photo"] for row in rows_of(tmp_path / "photos.csv")] == ["tray_1.jpg"]
    assert len(rows_of(tmp_path / "fruit.csv")) == 6
    tables.add(whole[1].photo, whole[1].fruit, whole[1].marks)
    assert len(rows_of(tmp_path / "photos.csv")) == 1, "what stands there is whole, not growing"
    tables.finish()
    assert [row["photo"] for row in rows_of(tmp_path / "photos.csv")] == ["tray_1.jpg", "tray_2.jpg"]
    assert len(rows_of(tmp_path / "marks.csv")) == 6
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted(TABLES)


def test_rows_of_other_columns_are_refused_rather_than_shifted(tmp_path: Path) -> None:
    score = score_drawing()
    tables = CsvTables(tmp_path)
    tables.add(score.photo, score.fruit, score.marks)
    with pytest.raises(ValueError, match="gloss"):
        tables.add(score.photo, score.fruit, score.marks.assign(gloss=1.0))
    tables.finish()
    assert len(rows_of(tmp_path / "marks.csv")) == 6
