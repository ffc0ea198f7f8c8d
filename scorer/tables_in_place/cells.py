"""What an edited cell says: plain Python values, for editors hand back gaps and numpy's numbers."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
import pandas as pd

from scorer.errors import TableError


def rows_of(frames: Mapping[str, pd.DataFrame], part: str, keys: tuple[str, ...]) -> Iterator[dict[str, Any]]:
    """Rows of one frame as plain values without gaps; rows that say nothing are none.

    Parameters
    ----------
    frames : the edited frames by the part they are of.
    part : the one wanted.
    keys : columns that must not say the same in two rows.

    Raises
    ------
    TableError : two rows are of the same thing.
    """
    seen = set()
    for raw in frames[part].to_dict("records"):
        row = {str(name): plain for name, value in raw.items() if (plain := _plain(value)) is not None}
        if not any(row.values()):
            continue
        named = tuple(row.get(key, "") for key in keys)
        if named in seen:
            words = " ".join(str(key) for key in named) or "The same"
            raise TableError(f"{words} stands twice in {part}; remove one of the two rows.")
        seen.add(named)
        yield row


def _plain(value: Any) -> Any:
    if value is None or value is pd.NA or value is pd.NaT:
        return None
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float):
        if np.isnan(value):
            return None
        return int(value) if value.is_integer() else value
    return value.strip() if isinstance(value, str) else value
