"""The tables that scoring hands over, and the rules they keep."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

PHOTO_DTYPES = {
    "photo": "str",
    "sha256": "str",
    "taken_at": "datetime64[s]",
    "crew": "str",
    "bin": "str",
    "picked_at": "datetime64[s]",
    "method": "str",
    "side": "str",
    "card_found": "bool",
    "mm_per_px": "float64",
    "camera_height_mm": "float64",
    "colour_residual": "float64",
    "focus": "float64",
    "verdict": "str",
    "reasons": "str",
    "fruit": "int64",
    "seconds": "float64",
    "tray": "str",
    "block": "str",
    "cultivar": "str",
    "hours_since_picking": "float64",
    "hold": "str",
}
FRUIT_DTYPES = {
    "photo": "str",
    "crew": "str",
    "bin": "str",
    "fruit": "int64",
    "length_mm": "float64",
    "width_mm": "float64",
    "mass_g": "float64",
    "size_code": "str",
    "visible_area_mm2": "float64",
    "brown_area_mm2": "float64",
    "brown_fraction": "float64",
    "sap_burn_mm2": "float64",
    "abrasion_mm2": "float64",
    "other_mm2": "float64",
    "marks": "int64",
    "class": "str",
    "downgraded": "bool",
    "verdict": "str",
    "reason": "str",
    "x_mm": "float64",
    "y_mm": "float64",
}
MARK_DTYPES = {
    "photo": "str",
    "fruit": "int64",
    "mark": "int64",
    "kind": "str",
    "probability": "float64",
    "area_mm2": "float64",
    "length_mm": "float64",
    "width_mm": "float64",
}
"""The measures that a kind is judged by follow these columns, whatever they are."""

PHOTO_COLUMNS = tuple(PHOTO_DTYPES)
FRUIT_COLUMNS = tuple(FRUIT_DTYPES)
MARK_COLUMNS = tuple(MARK_DTYPES)

_MISSING: dict[str, object] = {
    "bool": False,
    "int64": 0,
    "float64": np.nan,
    "str": None,
    "datetime64[s]": pd.NaT,
}

KINDS = ("sap_burn", "abrasion", "cut", "stem_puncture", "crease")
UNSURE = "unsure"
PHOTO_VERDICTS = ("good", "usable", "retake", "refused")
EARLY, BETWEEN, SETTLED, UNKNOWN_HOLD = "early", "between", "settled", "unknown"
HOLDS = (EARLY, BETWEEN, SETTLED, UNKNOWN_HOLD)
"""How long fruit were held before the photo: under 24 h, 24 to 48 h, from 48 h on, or not known."""


@dataclass(frozen=True)
class TrayScore:
    """All that was found on one tray photo.

    Attributes
    ----------
    photo : one row with the columns PHOTO_COLUMNS.
    fruit : one row per fruit with the columns FRUIT_COLUMNS; `fruit` numbers them from 1 in reading order.
    marks : one row per mark: MARK_COLUMNS, then the measures; `mark` numbers them from 1 within the photo.
    fruit_mask : (height, width) uint16 in the full upright photo's grid; 0 is none, else the fruit's number.
    mark_mask : the same for marks.
    """

    photo: pd.DataFrame
    fruit: pd.DataFrame
    marks: pd.DataFrame
    fruit_mask: NDArray[np.uint16]
    mark_mask: NDArray[np.uint16]

    def __post_init__(self) -> None:
        _check_columns("photo", self.photo, PHOTO_COLUMNS, more=False)
        _check_columns("fruit", self.fruit, FRUIT_COLUMNS, more=False)
        _check_columns("marks", self.marks, MARK_COLUMNS, more=True)
        if len(self.photo) != 1:
            raise ValueError(f"photo must have one row, got {len(self.photo)}")
        _check_numbers("fruit", self.fruit["fruit"])
        _check_numbers("mark", self.marks["mark"])
        for name, mask in (("fruit_mask", self.fruit_mask), ("mark_mask", self.mark_mask)):
            if mask.dtype != np.uint16 or mask.ndim != 2:
                raise ValueError(f"{name} must be a (height, width) uint16 array, got {mask.dtype} {mask.shape}")
        if self.fruit_mask.shape != self.mark_mask.shape:
            raise ValueError(
                f"mark_mask must have fruit_mask's shape {self.fruit_mask.shape}, got {self.mark_mask.shape}"
            )


def photo_table(rows: Sequence[dict[str, object]]) -> pd.DataFrame:
    """Table of photos from rows keyed by PHOTO_COLUMNS; what a row leaves out is missing."""
    return _table(rows, PHOTO_DTYPES)


def fruit_table(rows: Sequence[dict[str, object]]) -> pd.DataFrame:
    """Table of fruit from rows keyed by FRUIT_COLUMNS; no rows keep all columns."""
    return _table(rows, FRUIT_DTYPES)


def empty_fruit() -> pd.DataFrame:
    """Table of fruit of a tray without fruit: no rows, all columns."""
    return _table([], FRUIT_DTYPES)


def empty_marks() -> pd.DataFrame:
    """Table of marks of a tray without marks: no rows, the columns that every table of marks has."""
    return _table([], MARK_DTYPES)


def _table(rows: Sequence[dict[str, object]], dtypes: Mapping[str, Any]) -> pd.DataFrame:
    unknown = {column for row in rows for column in row} - set(dtypes)
    if unknown:
        raise ValueError(f"unknown columns {sorted(unknown)}; wanted {list(dtypes)}")
    columns = {
        name: pd.array([row.get(name, _MISSING[dtype]) for row in rows], dtype=dtype) for name, dtype in dtypes.items()
    }
    return pd.DataFrame(columns)


def _check_columns(name: str, table: pd.DataFrame, wanted: tuple[str, ...], *, more: bool) -> None:
    got = tuple(table.columns)
    if (got[: len(wanted)] if more else got) != wanted:
        raise ValueError(f"{name} must have the columns {list(wanted)}, got {list(got)}")


def _check_numbers(name: str, numbers: pd.Series) -> None:
    if len(numbers) and (numbers.min() < 1 or numbers.max() > np.iinfo(np.uint16).max or numbers.duplicated().any()):
        raise ValueError(f"{name} must be numbered from 1, each number once, got {numbers.tolist()}")
