"""The list of fruit to check by eye: written for an officer, filled in, and read back.

Columns: ``photo``, ``fruit``, ``downgraded`` (yes, no, or empty where nobody looked) and ``check_chance``; others are
for the reader's eye.
"""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any, Final

import pandas as pd

from scorer.csv_tables import table_as_csv, text_from_csv
from scorer.errors import ChecksError
from scorer.results import write_whole

CHECK_COLUMNS: Final = ("photo", "fruit", "downgraded", "chance")
_WORDS: Final = {"yes": True, "y": True, "no": False, "n": False}
_NEEDED: Final = ("photo", "fruit", "downgraded")


def write_checks(to_do: pd.DataFrame, path: Path) -> None:
    """Write fruit to check, with an empty column ``downgraded`` to fill in.

    Parameters
    ----------
    to_do : as ``scorer.crews.next_checks.draw_checks`` gives it.

    Raises
    ------
    OutputError : the file cannot be written.
    """
    table = to_do.assign(downgraded="")
    table.insert(2, "downgraded", table.pop("downgraded"))
    write_whole(path, table_as_csv(table).encode())


def read_checks(path: Path) -> pd.DataFrame:
    """Read a filled-in list: CHECK_COLUMNS, one row per fruit that somebody looked at.

    Raises
    ------
    ChecksError : the file cannot be read, lacks a column, names a fruit twice, or holds what cannot be meant.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
        head = text.partition("\n")[0]
        separator = ";" if head.count(";") > head.count(",") else ","  # some spreadsheets write semicolons
        table = pd.read_csv(io.StringIO(text), dtype="str", keep_default_na=False, sep=separator)
    except (OSError, ValueError) as error:
        first_line = str(error).strip().splitlines()[0]
        raise ChecksError(f"{path.name} cannot be read as a table ({first_line}).") from error
    for column in _NEEDED:
        if column not in table.columns:
            raise ChecksError(f"{path.name} has no column {column}: take the list that scorer crews writes.")
    looked = table[table["downgraded"].str.strip() != ""]
    rows = [_row(path, line + 2, cells) for line, cells in zip(looked.index, looked.to_dict("records"), strict=True)]
    checks = pd.DataFrame(rows, columns=list(CHECK_COLUMNS)).astype({"downgraded": "bool", "chance": "float64"})
    twice = checks.duplicated(["photo", "fruit"])
    if twice.any():
        photo, fruit = checks.loc[twice, ["photo", "fruit"]].iloc[0]
        raise ChecksError(f"{path.name} names {photo}, fruit {fruit} twice; keep one line for each fruit.")
    return checks


def with_checks(rows: pd.DataFrame, checks: pd.DataFrame) -> pd.DataFrame:
    """Rows of ``scorer.fruit_rows`` with what somebody said of them by eye.

    Raises
    ------
    ChecksError : a check is of a fruit that is not among the rows.
    """
    keys = ["photo", "fruit"]
    joined = rows[keys].merge(checks, on=keys, how="left")
    strange = checks.merge(rows[keys], on=keys, how="left", indicator=True)
    strange = strange[strange["_merge"] == "left_only"]
    if len(strange):
        photo, fruit = strange[keys].iloc[0]
        raise ChecksError(f"{photo}, fruit {fruit} was checked but is not in these results; take their own list.")
    return rows.assign(
        checked_downgraded=joined["downgraded"].astype("boolean").to_numpy(),
        check_chance=joined["chance"].to_numpy(),
    ).astype({"checked_downgraded": "boolean"})


def _row(path: Path, line: int, cells: dict[Any, str]) -> dict[str, object]:
    word, number = cells["downgraded"].strip().lower(), cells["fruit"].strip()
    if word not in _WORDS:
        raise ChecksError(f"{path.name}, line {line}: downgraded is {cells['downgraded']!r}; write yes or no.")
    if not number.isdecimal() or int(number) < 1:
        raise ChecksError(f"{path.name}, line {line}: fruit is {cells['fruit']!r}; it is a number from 1.")
    chance = cells.get("check_chance", "").strip()
    try:
        drawn = float(chance) if chance else float("nan")
    except ValueError:
        drawn = -1.0
    if chance and not 0 < drawn <= 1:
        raise ChecksError(f"{path.name}, line {line}: check_chance is {chance!r}; leave it as scorer wrote it.")
    return {
        "photo": text_from_csv(cells["photo"].strip(), is_path=True),
        "fruit": int(number),
        "downgraded": _WORDS[word],
        "chance": drawn,
    }
