"""Lines of a CSV that people filled in: comma or semicolon, empty lines passed over, each line known by its number."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from scorer.errors import ScorerError


@dataclass(frozen=True)
class CsvLine:
    """One line: its number in the file, from 1, and its cells by column."""

    number: int
    cells: dict[str, str]


def csv_lines(
    text: str, name: str, header_of: Callable[[list[str]], list[str]], refusal: type[ScorerError]
) -> Iterator[CsvLine]:
    """The lines after the header.

    Parameters
    ----------
    text : of the file.
    name : what refusals call the file.
    header_of : the columns that a header line names; refuses a header that cannot be.
    refusal : what is raised.

    Raises
    ------
    ScorerError : as ``refusal``; a line has more or fewer cells than the header, or is no CSV.
    """
    head = text.lstrip().split("\n", 1)[0]
    delimiter = ";" if head.count(";") > head.count(",") else ","
    rows = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    header: list[str] | None = None
    try:
        for row in rows:
            if not any(cell.strip() for cell in row):
                continue
            if header is None:
                header = header_of(row)
                continue
            if len(row) != len(header):
                raise refusal(
                    f"{name}, line {rows.line_num}: expected {len(header)} cells ({', '.join(header)}) "
                    f"but found {len(row)}; mend the line."
                )
            yield CsvLine(rows.line_num, dict(zip(header, row, strict=True)))
    except csv.Error as error:
        raise refusal(f"{name}, line {rows.line_num}: not a CSV line ({error}); mend its quotation marks.") from error
