"""A results folder read back is what was written; one that was damaged is refused in one sentence."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from scorer.csv_tables import CsvTables
from scorer.errors import ResultsError
from scorer.read_results import read_results
from tests.drawn_records import tray_score


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    tables = CsvTables(tmp_path)
    for name in ("=one.jpg", "two.jpg"):
        score = tray_score(name, bin="T-7")
        tables.add(score.photo, score.fruit, score.marks)
    tables.finish()
    return tmp_path


def test_tables_come_back_with_their_types_and_values(folder: Path) -> None:
    scores = [tray_score(name, bin="T-7") for name in ("=one.jpg", "two.jpg")]
    for got, name in zip(read_results(folder), ("photo", "fruit", "marks"), strict=True):
        wanted = pd.concat([getattr(score, name) for score in scores], ignore_index=True)
        texts = wanted.select_dtypes("str").columns
        wanted[texts] = wanted[texts].replace("", None)  # an empty cell is a missing one
        pd.testing.assert_frame_equal(got[list(wanted.columns)], wanted, check_exact=False, atol=1e-2, rtol=1e-3)


def test_a_folder_without_tables_is_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(ResultsError, match=r"There is no photos\.csv in .*: name the folder that --out named"):
        read_results(tmp_path)


@pytest.mark.parametrize(
    ("table", "old", "new", "said"),
    [
        ("photos.csv", "photo,", "picture,", "has no column photo"),
        ("fruit.csv", ",yes,", ",perhaps,", "'perhaps' stands where yes or no belongs"),
        ("fruit.csv", "two.jpg", "three.jpg", "names the photo three.jpg, which photos.csv does not"),
        ("photos.csv", "2026-01-12 06:30:00", "on Monday", "column picked_at, line 2: 'on Monday' stands where a time"),
        ("marks.csv", "photo,fruit", '"photo,fruit', "cannot be read as a table"),
    ],
)
def test_a_damaged_table_is_one_sentence(folder: Path, table: str, old: str, new: str, said: str) -> None:
    text = (folder / table).read_text(encoding="utf-8")
    assert old in text
    (folder / table).write_text(text.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(ResultsError, match=said) as refused:
        read_results(folder)
    assert "\n" not in str(refused.value)


def test_bytes_that_are_no_text_are_one_sentence(folder: Path) -> None:
    (folder / "fruit.csv").write_bytes(b"\xff\xfe\x00photo")
    with pytest.raises(ResultsError, match="cannot be read as a table"):
        read_results(folder)
