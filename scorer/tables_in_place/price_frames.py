"""A price table as frames to edit, one row to a value, and back to what its file is to hold."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

import pandas as pd

from scorer.errors import TableError
from scorer.tables_in_place.cells import rows_of

PRICE_COLUMNS: Final = {
    "money": {"currency": "str", "fruit_per_carton": "float64"},
    "grades": {
        "grade": "str",
        "price_per_carton": "float64",
        "for_sound_fruit": "bool",
        "part_of_downgraded": "float64",
    },
    "cartons": {"crew": "str", "cartons": "float64"},
}
"""Columns of each frame. ``money`` has one row; prices are in its currency. One grade is for sound fruit; of downgraded
fruit go ``part_of_downgraded`` (0 to 1, summing to 1, missing for none) in each."""


def price_frames(raw: Mapping[str, Any]) -> dict[str, pd.DataFrame]:
    """Frames of PRICE_COLUMNS from what the file holds, once ``scorer.crews.prices.load_prices`` has taken it."""
    packed = raw["packed_as"]
    rows: dict[str, list[tuple[Any, ...]]] = {
        "money": [(raw["currency"], raw["fruit_per_carton"])],
        "grades": [
            (grade, price, grade == packed["sound"], packed["downgraded"].get(grade))
            for grade, price in raw["price_per_carton"].items()
        ],
        "cartons": list(raw.get("cartons", {}).items()),
    }
    return {
        part: pd.DataFrame(rows[part], columns=list(dtypes)).astype(dtypes) for part, dtypes in PRICE_COLUMNS.items()
    }


def prices_as_toml(frames: Mapping[str, pd.DataFrame]) -> dict[str, Any]:
    """What the file of edited frames is to hold; only ``scorer.crews.prices.load_prices`` says whether it can be used.

    Raises
    ------
    TableError : two rows are of the same thing, or not one grade is for sound fruit.
    """
    grades = list(rows_of(frames, "grades", ("grade",)))
    sound = [row.get("grade", "") for row in grades if row.get("for_sound_fruit")]
    money = list(rows_of(frames, "money", ()))
    if len(sound) != 1:
        raise TableError(f"{len(sound)} grades are for sound fruit; choose one.")
    cartons = {row.get("crew", ""): row.get("cartons", "") for row in rows_of(frames, "cartons", ("crew",))}
    return {
        **(money[0] if money else {}),
        "price_per_carton": {row.get("grade", ""): row.get("price_per_carton", "") for row in grades},
        "packed_as": {
            "sound": sound[0],
            "downgraded": {
                row.get("grade", ""): row["part_of_downgraded"] for row in grades if "part_of_downgraded" in row
            },
        },
        "cartons": cartons,
    }
