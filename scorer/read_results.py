"""Read the plain tables of a results folder back, as strictly as they were written."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from pathlib import Path
from typing import Any

import pandas as pd

from scorer.csv_tables import text_from_csv
from scorer.errors import ResultsError
from scorer.score_tables import FRUIT_DTYPES, MARK_DTYPES, PHOTO_DTYPES

_YES_NO = {"yes": True, "no": False}
_TIME = "%Y-%m-%d %H:%M:%S"


def read_results(folder: Path) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """Tables of photos, fruit and marks as ``scorer score --out`` wrote them; marks with their measures.

    Raises
    ------
    ResultsError : a table is missing, cannot be read, lacks a column, or holds what does not belong there.
    """
    photo = _read(folder / "photos.csv", PHOTO_DTYPES)
    fruit = _read(folder / "fruit.csv", FRUIT_DTYPES)
    marks = _read(folder / "marks.csv", MARK_DTYPES)
    strangers = set(fruit["photo"]) - set(photo["photo"])
    if strangers:
        raise ResultsError(
            f"{folder / 'fruit.csv'} names the photo {min(strangers)}, which photos.csv does not: the two "
            "tables do not belong together; score again."
        )
    return photo, fruit, marks


def _read(path: Path, dtypes: Mapping[str, str]) -> pd.DataFrame:
    try:
        table = pd.read_csv(path, dtype="str", keep_default_na=False, encoding="utf-8-sig")
    except FileNotFoundError as error:
        raise ResultsError(f"There is no {path.name} in {path.parent}: name the folder that --out named.") from error
    except (OSError, ValueError) as error:  # ValueError is what pandas makes of text that is no CSV, or no UTF-8
        first_line = str(error).strip().splitlines()[0]
        raise ResultsError(f"{path} cannot be read as a table ({first_line}); score again.") from error
    missing = [name for name in dtypes if name not in table.columns]
    if missing:
        raise ResultsError(f"{path} has no column {missing[0]}: it is of another version, or edited; score again.")
    for name in table.columns:
        table[name] = _typed(path, table[name], dtypes.get(name))
    return table


def _typed(path: Path, cells: pd.Series[str], dtype: str | None) -> pd.Series[Any]:
    """Cells as their column's type; empty ones are missing. Columns nobody knows are measures if they hold numbers."""
    filled = cells.mask(cells == "")
    if dtype == "str":
        return filled.map(partial(text_from_csv, is_path=cells.name == "photo"), na_action="ignore").astype("str")
    if dtype is None:
        numbers = pd.to_numeric(filled, errors="coerce")
        return cells if (numbers.isna() & filled.notna()).any() else numbers
    read: pd.Series[Any]
    if dtype == "bool":
        read, what = cells.map(_YES_NO), "yes or no"
    elif dtype in ("int64", "float64"):
        read, what = pd.to_numeric(filled, errors="coerce"), "a number"
    else:
        read, what = pd.to_datetime(filled, errors="coerce", format=_TIME), "a time such as 2026-03-14 09:26:53"
    odd = cells[read.isna() & (filled.notna() | (dtype in ("bool", "int64")))]
    if len(odd):
        raise ResultsError(
            f"{path}, column {cells.name}, line {odd.index[0] + 2}: {odd.iloc[0]!r} stands where {what} belongs; "
            "score again."
        )
    return read.astype(dtype)  # type: ignore[call-overload, no-any-return]
