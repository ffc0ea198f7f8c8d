"""The manifest: a CSV that gives what the bin tags do not say, or corrects what they say.

Columns: ``photo`` and any of ``crew, bin, picked_at, method, side, tray, block, cultivar, taken_at``; comma or
semicolon, UTF-8. An empty cell says nothing, so the photo's own tag stands; ``taken_at`` stands against the camera's
clock.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime
from pathlib import Path, PurePosixPath
from typing import Any

from scorer.csv_lines import CsvLine, csv_lines
from scorer.errors import ManifestError
from scorer.tag import LONGEST_FIELD, TWO_TAGS, Tag, clean_field, parse_time

TAG_COLUMNS = ("crew", "bin", "picked_at", "method", "side", "tray", "block", "cultivar", "taken_at")
"""Columns that a manifest may have besides ``photo``."""

TIME_COLUMNS = ("picked_at", "taken_at")


def read_manifest(path: Path) -> dict[str, Tag]:
    """Read what a manifest says of each photo.

    Parameters
    ----------
    path : CSV file with a header line; UTF-8 with or without a byte order mark, comma or semicolon.

    Returns
    -------
    Tags by photo: the photo's path relative to the folder that is scored, with forward slashes.

    Raises
    ------
    ManifestError : the file cannot be read, is not UTF-8, is empty, lacks the photo column, has an unknown or
        doubled column, names a photo twice or not at all, or has a date that cannot be read.
    """
    tags: dict[str, Tag] = {}
    for line in _lines(path, needed="photo"):
        photo = _photo(path, line)
        if photo in tags:
            raise ManifestError(
                f"{path.name}, line {line.number}: photo {photo} is named a second time; keep one line for each photo."
            )
        tags[photo] = _tag(path, line)
    return tags


def read_tag_list(path: Path) -> list[Tag]:
    """Read the tags to print from a CSV like the manifest, in which the column photo may be missing.

    Parameters
    ----------
    path : CSV file with a header line, as for `read_manifest`.

    Returns
    -------
    One tag for each line, in the order of the file.

    Raises
    ------
    ManifestError : as for `read_manifest`, and for a line that gives neither a crew nor a bin.
    """
    tags = []
    for line in _lines(path, needed=None):
        tag = _tag(path, line)
        if not tag.crew and not tag.bin:
            raise ManifestError(f"{path.name}, line {line.number}: a tag needs a crew or a bin; fill one of them in.")
        tags.append(tag)
    return tags


def merge(tag: Tag | None, override: Tag | None) -> Tag:
    """One tag from the photo's tag and the manifest's line: what the manifest gives goes first.

    A doubt that the manifest settles is dropped: that of a field it gives, and that of two tags in view when
    it gives the crew and the bin.
    """
    if tag is None or override is None:
        return tag or override or Tag()
    settled = {"picked": override.picked_at is not None}
    settled |= {name: getattr(override, name) is not None for name in TAG_COLUMNS}
    doubts = [doubt for doubt in tag.doubts if not settled.get(doubt.split(" ", 1)[0], False)]
    if settled["crew"] and settled["bin"]:
        doubts = [doubt for doubt in doubts if doubt != TWO_TAGS]
    given = {name: getattr(override, name) for name in TAG_COLUMNS if getattr(override, name) is not None}
    return replace(tag, **given, doubts=(*doubts, *override.doubts))


def _lines(path: Path, *, needed: str | None) -> Iterator[CsvLine]:
    lines = csv_lines(_text(path), path.name, lambda row: _header(path, row, needed=needed), ManifestError)
    empty = True
    for line in lines:
        empty = False
        yield line
    if empty:
        raise ManifestError(f"{path.name} is empty; give a header line and one line for each photo or tag.")


def _text(path: Path) -> str:
    try:
        raw = path.read_bytes()
    except OSError as error:
        raise ManifestError(f"{path.name} cannot be read ({error.strerror}); check its name and rights.") from error
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        raise ManifestError(f"{path.name}, line {line}: not UTF-8 text; save the file as CSV UTF-8.") from error


def _header(path: Path, row: list[str], *, needed: str | None) -> list[str]:
    names = [cell.strip().casefold() for cell in row]
    known = ("photo", *TAG_COLUMNS)
    for name in names:
        if name not in known:
            raise ManifestError(
                f"{path.name}, line 1: unknown column {name or '(without a name)'}; the columns are {', '.join(known)}."
            )
        if names.count(name) > 1:
            raise ManifestError(f"{path.name}, line 1: column {name} stands there twice; remove one.")
    if needed and needed not in names:
        raise ManifestError(f"{path.name}, line 1: the column {needed} is missing; add it.")
    return names


def _photo(path: Path, line: CsvLine) -> str:
    written = line.cells["photo"].strip().replace("\\", "/")
    photo = PurePosixPath(written)
    if not written or photo.name in ("", ".", "..") or ".." in photo.parts:
        raise ManifestError(f"{path.name}, line {line.number}: no photo is named; give its path in the folder scored.")
    if photo.is_absolute() or ":" in photo.parts[0]:
        raise ManifestError(
            f"{path.name}, line {line.number}: {written} is a full path; give it relative to the folder scored."
        )
    return photo.as_posix()


def _tag(path: Path, line: CsvLine) -> Tag:
    fields: dict[str, Any] = {name: clean_field(line.cells.get(name, "")) for name in TAG_COLUMNS}
    for name, value in fields.items():
        if value and len(value) > LONGEST_FIELD:
            raise ManifestError(
                f"{path.name}, line {line.number}: {name} is longer than {LONGEST_FIELD} characters; shorten it."
            )
    fields |= {name: _time(path, line, name, fields[name]) for name in TIME_COLUMNS}
    return Tag(**fields)


def _time(path: Path, line: CsvLine, name: str, written: str | None) -> datetime | None:
    time = parse_time(written) if written else None
    if written and time is None:
        raise ManifestError(
            f"{path.name}, line {line.number}: {name} is {written}, not a date and time; "
            "write it like 2025-02-14T07:30."
        )
    return time
