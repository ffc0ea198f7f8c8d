"""The list of fruit to check: written, filled in by hand, read back, and refused where it cannot be meant."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from scorer.check_list import read_checks, with_checks, write_checks
from scorer.crews.next_checks import draw_checks
from scorer.errors import ChecksError
from scorer.fruit_rows import countable
from tests.test_fruit_rows import rows, tray


@pytest.fixture
def listed(tmp_path: Path) -> Path:
    fruit = countable(rows(tray("=a.jpg", 6), tray("b.jpg", 6, bin="T8"))).fruit
    path = tmp_path / "to_check.csv"
    write_checks(draw_checks(fruit, 4, seed=1).fruit, path)
    return path


def test_what_was_filled_in_comes_back_and_the_rest_counts_as_not_looked_at(listed: Path) -> None:
    table = pd.read_csv(listed, dtype="str", keep_default_na=False)
    assert len(table) == 4
    table.loc[0, "downgraded"], table.loc[2, "downgraded"] = "yes", "No"
    table.to_csv(listed, index=False, sep=";")  # as some spreadsheets do
    checks = read_checks(listed)
    assert checks["downgraded"].tolist() == [True, False]
    assert checks["chance"].between(0, 1).all()
    season = rows(tray("=a.jpg", 6), tray("b.jpg", 6, bin="T8"))
    seen = with_checks(season, checks)
    assert seen["checked_downgraded"].notna().sum() == 2
    assert seen["check_chance"].notna().sum() == 2


def test_a_photo_whose_name_begins_like_a_formula_is_found_again(listed: Path) -> None:
    text = listed.read_text(encoding="utf-8")
    assert "./=a.jpg" in text
    listed.write_text("photo,fruit,downgraded\n./=a.jpg,1,yes\n", encoding="utf-8")
    assert read_checks(listed)["photo"].tolist() == ["=a.jpg"]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("photo,fruit\na.jpg,1\n", "has no column downgraded"),
        ("photo,fruit,downgraded\na.jpg,1,perhaps\n", "line 2: downgraded is 'perhaps'; write yes or no"),
        ("photo,fruit,downgraded\na.jpg,one,yes\n", "line 2: fruit is 'one'"),
        ("photo,fruit,downgraded\na.jpg,1,yes\na.jpg,1,no\n", "names a.jpg, fruit 1 twice"),
        ("photo,fruit,downgraded,check_chance\na.jpg,1,yes,7\n", "check_chance is '7'"),
        ("photo,fruit,downgraded,check_chance\na.jpg,1,yes,often\n", "check_chance is 'often'"),
        ("", "cannot be read as a table"),
    ],
)
def test_a_list_that_cannot_be_meant_is_one_sentence(tmp_path: Path, text: str, said: str) -> None:
    path = tmp_path / "checks.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(ChecksError, match=said):
        read_checks(path)


def test_a_check_of_a_fruit_that_is_not_there_is_one_sentence() -> None:
    checks = pd.DataFrame({"photo": ["c.jpg"], "fruit": [1], "downgraded": [True], "chance": [0.5]})
    with pytest.raises(ChecksError, match=r"c\.jpg, fruit 1 was checked but is not in these results"):
        with_checks(rows(tray("a.jpg")), checks)
