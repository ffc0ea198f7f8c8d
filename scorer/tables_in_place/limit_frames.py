"""A limit table as frames to edit, one row to a value, and back to what its file is to hold."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

import pandas as pd

from scorer.errors import TableError
from scorer.limits import Limits
from scorer.tables_in_place.cells import rows_of

LIMIT_COLUMNS: Final = {
    "about": {"part": "str", "text": "str"},
    "known": {"part": "str", "known": "str"},
    "sizes": {"size": "str", "from_g": "Int64", "to_g": "Int64"},
    "classes": {"class": "str", "words": "str"},
    "areas": {"class": "str", "size": "str", "area_cm2": "float64"},
    "wounds": {"kind": "str", "from_mm": "float64"},
}
"""Columns of each frame. ``areas`` has one row to a class and size, with the size "" where the table has no sizes;
``classes`` are from best to lowest and ``sizes`` from small to large; ``known`` says how each part is known."""

ABOUT: Final = ("name", "title", "source", "note")
PARTS: Final = ("size_codes", "classes", "open_wounds")


def limit_frames(limits: Limits) -> dict[str, pd.DataFrame]:
    """Frames of LIMIT_COLUMNS from a table."""
    rows: dict[str, list[tuple[Any, ...]]] = {
        "about": [(part, getattr(limits, part)) for part in ABOUT],
        "known": [(part, limits.known.get(part)) for part in PARTS],
        "sizes": [(size.code, size.from_g, size.to_g) for size in limits.size_codes],
        "classes": [(each.name, each.words) for each in limits.classes],
        "areas": [(each.name, code, area) for each in limits.classes for code, area in each.area_cm2.items()],
        "wounds": list(limits.open_wounds_mm.items()),
    }
    return {
        part: pd.DataFrame(rows[part], columns=list(dtypes)).astype(dtypes) for part, dtypes in LIMIT_COLUMNS.items()
    }


def limits_as_toml(frames: Mapping[str, pd.DataFrame]) -> dict[str, Any]:
    """What the file of edited frames is to hold; only ``scorer.limits.load_limits`` says whether it can be used.

    Raises
    ------
    TableError : two rows are of the same thing, or an area is of a class that is not there.
    """
    raw: dict[str, Any] = {row.get("part", ""): row.get("text", "") for row in rows_of(frames, "about", ("part",))}
    sizes = [_renamed(row, {"size": "code"}) for row in rows_of(frames, "sizes", ("size",))]
    areas = _areas(frames)
    classes = [
        {"name": row.get("class", "")} | _part(row, "words") | _area(areas.pop(row.get("class", ""), {}))
        for row in rows_of(frames, "classes", ("class",))
    ]
    if areas:
        raise TableError(f"There is an area of {next(iter(areas))!r}, which is no class; add the class or remove it.")
    wounds = {f"{row.get('kind', '')}_mm": row.get("from_mm", "") for row in rows_of(frames, "wounds", ("kind",))}
    there = {"size_codes": sizes, "classes": classes, "open_wounds": wounds}
    known = {row.get("part", ""): row.get("known", "") for row in rows_of(frames, "known", ("part",))}
    known = {part: how for part, how in known.items() if there.get(part, True)}  # how an empty part is known: no matter
    return raw | {"known": known} | {part: values for part, values in there.items() if values}


def _areas(frames: Mapping[str, pd.DataFrame]) -> dict[str, dict[str, Any]]:
    areas: dict[str, dict[str, Any]] = {}
    for row in rows_of(frames, "areas", ("class", "size")):
        of_class = areas.setdefault(row.get("class", ""), {})
        if "area_cm2" in row:
            of_class[row.get("size", "")] = row["area_cm2"]
    return areas


def _area(by_size: dict[str, Any]) -> dict[str, Any]:
    if set(by_size) == {""}:
        return {"area_cm2": by_size[""]}
    return {"area_cm2": by_size} if by_size else {}


def _part(row: dict[str, Any], name: str) -> dict[str, Any]:
    return {name: row[name]} if name in row else {}


def _renamed(row: dict[str, Any], names: Mapping[str, str]) -> dict[str, Any]:
    return {names.get(name, name): value for name, value in row.items()}
