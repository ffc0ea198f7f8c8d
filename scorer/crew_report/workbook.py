"""The figures as an XLSX workbook: a sheet for each table, with how it was made above it."""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

import numpy as np
import pandas as pd
import xlsxwriter

_SHARES: Final = ("share", "low", "high", "fraction", "chance", "difference", "power")
"""Columns whose names hold one of these words are shown in percent."""
_WIDEST: Final = 60
_LONGEST_NAME: Final = 31  # of a sheet, by the format
_FORBIDDEN: Final = str.maketrans(dict.fromkeys("[]:*?/\\'", " "))
_MADE: Final = datetime(2000, 1, 1)  # a fixed date, so that the same figures give the same file


@dataclass(frozen=True)
class SheetOfFigures:
    """One table of a workbook.

    Parameters
    ----------
    name : of the sheet.
    table : what it holds.
    words : sentences above it: what the figures are, and what they rest on.
    """

    name: str
    table: pd.DataFrame
    words: Sequence[str] = ()


def workbook(sheets: Sequence[SheetOfFigures]) -> bytes:
    """An XLSX file of the sheets, in order.

    No cell is ever a formula or a link, whatever its text begins with; what is missing is an empty cell.
    """
    buffer = io.BytesIO()
    options = {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False}
    with xlsxwriter.Workbook(buffer, options) as book:
        book.set_properties({"title": "Crew figures", "created": _MADE})
        formats = {
            "head": book.add_format({"bold": True, "bottom": 1, "text_wrap": True, "valign": "bottom"}),
            "words": book.add_format({"font_color": "#5f665f"}),
            "percent": book.add_format({"num_format": "0.0%"}),
            "number": book.add_format({"num_format": "0.###"}),
            "text": book.add_format({"text_wrap": False}),
        }
        for sheet in sheets:
            _write_sheet(book, sheet, formats)
    return buffer.getvalue()


def _write_sheet(book: Any, sheet: SheetOfFigures, formats: Mapping[str, Any]) -> None:
    page = book.add_worksheet(sheet.name.translate(_FORBIDDEN)[:_LONGEST_NAME])
    for line, sentence in enumerate(sheet.words):
        page.write_string(line, 0, sentence, formats["words"])
    top = len(sheet.words) + (1 if sheet.words else 0)
    for column, name in enumerate(sheet.table.columns):
        cells = sheet.table[name].tolist()
        page.write_string(top, column, str(name).replace("_", " "), formats["head"])
        in_percent = any(word in str(name) for word in _SHARES)
        for row, value in enumerate(cells, start=top + 1):
            _write_cell(page, row, column, value, formats, in_percent=in_percent)
        longest = max((len(_shown(value)) for value in cells), default=0)
        page.set_column(column, column, min(max(longest, len(str(name)) // 2, 6) + 2, _WIDEST))
    page.freeze_panes(top + 1, 1)


def _write_cell(
    page: Any, row: int, column: int, value: object, formats: Mapping[str, Any], *, in_percent: bool
) -> None:
    if value is None or value is pd.NA or value is pd.NaT or (isinstance(value, float) and not np.isfinite(value)):
        return
    if isinstance(value, bool):
        page.write_string(row, column, "yes" if value else "no", formats["text"])
    elif isinstance(value, int):
        page.write_number(row, column, value)
    elif isinstance(value, float):
        page.write_number(row, column, value, formats["percent" if in_percent else "number"])
    else:
        page.write_string(row, column, str(value), formats["text"])


def _shown(value: object) -> str:
    return f"{value:.3g}" if isinstance(value, float) else str(value)
