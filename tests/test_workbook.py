"""The workbook read back by another library (openpyxl): figures are numbers, texts are never formulas."""

from __future__ import annotations

import io

import numpy as np
import openpyxl
import pandas as pd
from hypothesis import given
from hypothesis import strategies as st

from scorer.crew_report.workbook import SheetOfFigures, workbook


def read_back(data: bytes) -> openpyxl.Workbook:
    return openpyxl.load_workbook(io.BytesIO(data))


def test_figures_are_numbers_with_their_format_and_words_stand_above() -> None:
    table = pd.DataFrame({"crew": ["Brolga"], "fruit": [120], "share": [0.0825], "icc": [0.04], "high": [np.nan]})
    sheet = read_back(workbook([SheetOfFigures("Shares", table, ["One row for each crew.", "95 % intervals."])]))[
        "Shares"
    ]
    assert [cell.value for cell in sheet["A"]][:5] == [
        "One row for each crew.",
        "95 % intervals.",
        None,
        "crew",
        "Brolga",
    ]
    row = sheet[5]
    assert [cell.value for cell in row] == ["Brolga", 120, 0.0825, 0.04, None]
    assert row[2].number_format == "0.0%"
    assert row[3].number_format == "0.###"


@given(st.sampled_from("=+-@\t|"), st.text(st.characters(min_codepoint=32, max_codepoint=0x2FFF), max_size=30))
def test_no_text_becomes_a_formula_or_a_link(sign: str, rest: str) -> None:
    for text in (sign + rest, "http://" + rest, "=1+1"):
        cell = read_back(workbook([SheetOfFigures("x", pd.DataFrame({"crew": [text]}))]))["x"]["A2"]
        assert cell.data_type != "f"
        assert cell.hyperlink is None
        assert cell.value == (text or None)


def test_names_of_sheets_keep_the_rules_of_the_format() -> None:
    book = read_back(
        workbook([SheetOfFigures("by block: [north/south] and far too long a name", pd.DataFrame({"a": [1]}))])
    )
    (name,) = book.sheetnames
    assert len(name) <= 31
    assert not set("[]:*?/\\") & set(name)


def test_the_same_figures_give_the_same_bytes() -> None:
    sheets = [SheetOfFigures("Shares", pd.DataFrame({"crew": ["Curlew"], "share": [0.1]}))]
    assert workbook(sheets) == workbook(sheets)


def test_yes_and_no_are_words() -> None:
    sheet = read_back(workbook([SheetOfFigures("x", pd.DataFrame({"told_apart": [True, False]}))]))["x"]
    assert [sheet["A2"].value, sheet["A3"].value] == ["yes", "no"]
