"""A list of fruit verdicts as CSV: which fruit of which photo is downgraded and which is sound, by whom, when.

Columns: ``photo``, ``fruit`` (its number on the photo, as in ``fruit.csv``), ``verdict`` (downgraded or sound; or yes
and no, to whether it is downgraded), and where lines are by several people or of several times ``who`` and ``said_at``;
comma or semicolon, UTF-8. Lines whose verdict is empty say nothing.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import Any, Final
from zoneinfo import ZoneInfo

from scorer.csv_lines import CsvLine, csv_lines
from scorer.csv_tables import text_from_csv
from scorer.errors import LabelsError
from scorer.labels.label_file import (
    UTC_ZONE,
    LabelFile,
    file_name,
    listed,
    moment_said,
    person_of,
    read_bytes,
    said_by_caller,
    source_of,
    told,
)
from scorer.labels.labels import Labels, label_table
from scorer.labels.photos_there import PhotoNames, PhotoThere, base_name

LARGEST_FILE_BYTES: Final = 20_000_000
MOST_FRUIT: Final = 65_535
"""The largest number that a fruit can have in a mask."""
COLUMNS: Final = ("photo", "fruit", "verdict", "who", "said_at")
NEEDED: Final = ("photo", "fruit", "verdict")
_DOWNGRADED: Final = {
    **dict.fromkeys(("downgraded", "yes", "y"), True),
    **dict.fromkeys(("sound", "not downgraded", "no", "n"), False),
}


def photo_names_in_list(path: Path) -> list[str]:
    """What a list calls its photos: to look for those only.

    Raises
    ------
    LabelsError : it cannot be read as such a list.
    """
    data, _ = read_bytes(path, most_bytes=LARGEST_FILE_BYTES)
    return [base_name(_photo(line)) for line in _lines(data, file_name(path))]


def read_verdicts(
    path: Path,
    photos: Mapping[str, PhotoThere],
    who: str | None = None,
    said_at: datetime | None = None,
    *,
    zone: ZoneInfo = UTC_ZONE,
) -> LabelFile:
    """Read what people said of fruit.

    Parameters
    ----------
    path : CSV file with a header line.
    photos : those that can be meant, by SHA-256; see ``scorer.labels.photos_there``.
    who : who says it on lines that do not tell.
    said_at : when it was said on lines that do not tell, with its zone.
    zone : of times in the list that are written without one.

    Raises
    ------
    LabelsError : the list cannot be used; nothing of it is. It says which line is wrong: a cell that cannot be meant, a
        photo that is not there, nobody who says it, no time; or which two lines contradict each other.
    ClockError : a time is one that the zone's clocks left out.
    """
    name = file_name(path)
    data, sha256 = read_bytes(path, most_bytes=LARGEST_FILE_BYTES)
    lines = [line for line in _lines(data, name) if line.cells["verdict"].strip()]
    if not lines:
        raise LabelsError(f"{name} has no verdict on any line; write downgraded or sound beside each fruit.")
    meant = _photos_meant(lines, photos, name)
    unless_told = person_of(who, "The name given"), said_by_caller(said_at)
    first: dict[tuple[Any, ...], tuple[CsvLine, bool]] = {}
    rows: dict[tuple[Any, ...], dict[str, Any]] = {}  # the same said twice at the same time is said once
    for line in lines:
        row = _verdict(line, f"{name}, line {line.number}", *unless_told, zone)
        row |= {"sha256": meant[_photo(line)].sha256, "source": source_of(name, sha256)}
        key = row["sha256"], row["fruit"], row["who"]
        before, downgraded = first.setdefault(key, (line, row["downgraded"]))
        if downgraded != row["downgraded"]:
            raise LabelsError(
                f"{name}, lines {before.number} and {line.number} contradict each other: {row['who']} calls fruit "
                f"{row['fruit']} of {told(_photo(line))} downgraded and sound; keep one of them, or put a later look "
                "into a list of its own."
            )
        rows[*key, row["said_at"]] = row
    labels = Labels(label_table("photos"), label_table("outlines"), label_table("verdicts", rows.values()))
    return LabelFile(name, sha256, "verdicts", labels)


def _lines(data: bytes, name: str) -> list[CsvLine]:
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise LabelsError(f"{name}, line {line}: not UTF-8 text; save the file as CSV UTF-8.") from error
    lines = list(csv_lines(text, name, lambda row: _header(row, name), LabelsError))
    if not lines:
        raise LabelsError(f"{name} has no lines; give a header line and one line for each fruit.")
    return lines


def _header(row: list[str], name: str) -> list[str]:
    columns = [cell.strip().casefold() for cell in row]
    for column in columns:
        if column not in COLUMNS:
            raise LabelsError(f"{name}, line 1: unknown column {told(column)}; the columns are {', '.join(COLUMNS)}.")
        if columns.count(column) > 1:
            raise LabelsError(f"{name}, line 1: column {column} stands there twice; remove one.")
    missing = [column for column in NEEDED if column not in columns]
    if missing:
        raise LabelsError(f"{name}, line 1: the column {missing[0]} is missing; add it.")
    return columns


def _photo(line: CsvLine) -> str:
    return text_from_csv(line.cells["photo"].strip(), is_path=True)


def _photos_meant(lines: list[CsvLine], photos: Mapping[str, PhotoThere], name: str) -> dict[str, PhotoThere]:
    """The photo of each name in the list."""
    names = PhotoNames(photos)
    first = {_photo(line): line for line in reversed(lines)}
    for written, line in first.items():
        if not base_name(written):
            raise LabelsError(f"{name}, line {line.number}: no photo is named; give its name.")
    found = {written: names.called(written) for written in first}
    gone = sorted(written for written, meant in found.items() if not meant)
    if gone:
        raise LabelsError(
            f"{name} has verdicts for {len(gone)} photos that are not there ({listed(gone)}); "
            "put them where they are looked for, under these names."
        )
    for written, meant in found.items():
        if len(meant) > 1:
            raise LabelsError(
                f"{name}, line {first[written].number}: {told(written)} can be any of {len(meant)} photos of that "
                "name; give its path as in the tables."
            )
    return {written: meant[0] for written, meant in found.items()}


def _verdict(line: CsvLine, where: str, who: str | None, said_at: datetime | None, zone: ZoneInfo) -> dict[str, Any]:
    word = " ".join(line.cells["verdict"].casefold().split())
    if word not in _DOWNGRADED:
        raise LabelsError(f"{where}: verdict is {told(line.cells['verdict'])}; write downgraded or sound.")
    number = line.cells["fruit"].strip()
    if not (number.isascii() and number.isdecimal() and len(number) < 9 and 1 <= int(number) <= MOST_FRUIT):
        raise LabelsError(f"{where}: fruit is {told(number)}; it is a number from 1 to {MOST_FRUIT}.")
    person = person_of(text_from_csv(line.cells.get("who", "").strip()), f"{where}: who") or who
    if person is None:
        raise LabelsError(f"{where} does not tell who says it; fill in the column who, or say who labelled.")
    moment = moment_said(line.cells.get("said_at"), zone, f"{where}: said_at") or said_at
    if moment is None:
        raise LabelsError(f"{where} does not tell when it was said; fill in the column said_at, or say when.")
    return {"fruit": int(number), "downgraded": _DOWNGRADED[word], "who": person, "said_at": moment}
