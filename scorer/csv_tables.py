"""Write tables as CSV while they grow: rows as they come, files that are whole at any time.

The tables are for a spreadsheet as much as for a program: UTF-8 CSV, a decimal point, an empty cell for
what is missing, yes/no, times as ``2026-03-14 09:26:53``. Text that a spreadsheet would run as a formula (it
begins with ``= + - @`` or their full-width forms) gets an apostrophe in front; a photo's path gets ``./``
instead, so that it stays a path.
"""

from __future__ import annotations

import os
import re
import shutil
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Final, TypeVar

import numpy as np
import pandas as pd

from scorer.errors import OutputError
from scorer.results import UNFINISHED, reason_of, remove_file
from scorer.score_tables import FRUIT_COLUMNS, MARK_COLUMNS, PHOTO_COLUMNS

Result = TypeVar("Result")

TABLES: Final = ("photos.csv", "fruit.csv", "marks.csv")
_FORMULA_SIGNS = ("=", "+", "-", "@", "\uff1d", "\uff0b", "\uff0d", "\uff20")
_PATH_GUARD, _TEXT_GUARD = "./", "'"
_CONTROL = re.compile(r"[\x00-\x1f\x7f]+")

# Digits behind the point, by the unit that ends a column's name; anything else gets five significant digits.
_DIGITS = {"_mm2": 2, "_mm": 2, "_g": 1, "fraction": 5, "probability": 4, "mm_per_px": 5, "seconds": 3}
_SECONDS_BETWEEN_COPIES = 20.0
_COPYING_SHARE = 0.05  # of the time, at most, goes into putting down what is done so far


class CsvTables:
    """The three tables of a batch, in a folder, growing photo by photo.

    Rows go to unfinished files beside the tables. From time to time, and at the end, these take the tables' names, so
    that at any moment, whatever ends the program, the tables there are whole and hold all photos up to some moment.
    """

    def __init__(self, folder: Path) -> None:
        self._grown = [_GrowingTable(folder / name) for name in TABLES]
        self._copied_at, self._copying_s = time.monotonic(), 0.0

    def add(self, photo: pd.DataFrame, fruit: pd.DataFrame, marks: pd.DataFrame) -> None:
        """Add the rows of one or more photos.

        Raises
        ------
        OutputError : the rows cannot be written; the tables before them are still there.
        """
        for grown, table in zip(self._grown, (photo, fruit, marks), strict=True):
            grown.add(table)
        waited = time.monotonic() - self._copied_at
        if waited > _SECONDS_BETWEEN_COPIES and waited > self._copying_s / _COPYING_SHARE:
            self.put_down()

    def put_down(self) -> None:
        """Let the tables show all rows added so far."""
        started = time.monotonic()
        for grown in self._grown:
            grown.put_down()
        self._copied_at = time.monotonic()
        self._copying_s = self._copied_at - started

    def finish(self) -> None:
        """Give the tables their names, whole; nothing can be added after that."""
        for grown, columns in zip(self._grown, (PHOTO_COLUMNS, FRUIT_COLUMNS, MARK_COLUMNS), strict=True):
            grown.finish(columns)


class _GrowingTable:
    """One table that grows in a file of its own; its columns are those of its first rows."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._unfinished = path.with_name(f".{path.name}.{os.getpid()}{UNFINISHED}")
        self._columns: list[str] | None = None
        self._file = _or_output_error(path, lambda: self._unfinished.open("w", encoding="utf-8", newline=""))

    def add(self, table: pd.DataFrame) -> None:
        if table.empty:
            return
        if self._columns is None:
            self._columns = [str(name) for name in table.columns]
        elif more := [str(name) for name in table.columns if name not in self._columns]:
            raise ValueError(f"{self._path.name}: rows with the further columns {more}; expected {self._columns}")
        text = table_as_csv(table.reindex(columns=self._columns), header=self._file.tell() == 0)
        _or_output_error(self._path, lambda: self._file.write(text))

    def put_down(self) -> None:
        if self._columns is None:
            return
        copy = self._unfinished.with_name(f".copy{self._unfinished.name}")

        def copy_over() -> None:
            self._file.flush()
            shutil.copyfile(self._unfinished, copy)
            copy.replace(self._path)

        _or_output_error(self._path, copy_over)

    def finish(self, columns: Sequence[str]) -> None:
        def rename() -> None:
            if self._columns is None:
                self._file.write(",".join(columns) + "\n")
            self._file.flush()
            os.fsync(self._file.fileno())
            self._file.close()
            self._unfinished.replace(self._path)

        try:
            _or_output_error(self._path, rename)
        finally:
            remove_file(self._unfinished)


def _or_output_error(path: Path, write: Callable[[], Result]) -> Result:
    try:
        return write()
    except OSError as error:
        raise OutputError(
            f"{path} cannot be written ({reason_of(error)}); make room or choose another folder, then score again."
        ) from error


def table_as_csv(table: pd.DataFrame, *, header: bool = True) -> str:
    """Text of a table by the rules on top of this module."""
    cells = pd.DataFrame({str(name): [_writer(str(name))(value) for value in table[name]] for name in table.columns})
    return cells.to_csv(index=False, header=header, lineterminator="\n")


def text_from_csv(cell: str, *, is_path: bool = False) -> str:
    """A text, or a photo's path, as it was before it was written as a cell that no spreadsheet runs."""
    guard = _PATH_GUARD if is_path else _TEXT_GUARD
    bare = cell.removeprefix(guard)
    return bare if bare.startswith(_FORMULA_SIGNS) else cell


def _writer(column: str) -> Callable[[object], str]:
    digits = next((digits for ending, digits in _DIGITS.items() if column.endswith(ending)), None)

    def write(value: object) -> str:
        if value is None or value is pd.NaT or value is pd.NA:
            return ""
        if isinstance(value, (bool, np.bool_)):
            return "yes" if value else "no"
        if isinstance(value, (int, np.integer)):
            return str(int(value))
        if isinstance(value, (float, np.floating)):
            return _number(float(value), digits)
        if isinstance(value, pd.Timestamp):
            return value.strftime("%Y-%m-%d %H:%M:%S")
        return _text(str(value), is_path=column == "photo")

    return write


def _number(value: float, digits: int | None) -> str:
    if not np.isfinite(value):
        return ""
    text = f"{value:.5g}" if digits is None else f"{value:.{digits}f}"
    return text.removeprefix("-") if float(text) == 0 else text


def _text(text: str, *, is_path: bool) -> str:
    line = _CONTROL.sub(" ", text).strip()
    if line.startswith(_FORMULA_SIGNS):
        return f"{_PATH_GUARD if is_path else _TEXT_GUARD}{line}"
    return line
