"""What people said of items, a row for each saying, and which of several sayings of one person counts.

An item is a fruit or a mark; its name is the same for all who judged it and no other item's, on whatever tray.
"""

from __future__ import annotations

from typing import Final

import pandas as pd

SAID_COLUMNS: Final = ("item", "tray", "who", "said_at", "said")
_AT_ONE_TIME: Final = ["item", "who", "said_at"]


def check_sayings(said: pd.DataFrame) -> pd.DataFrame:
    """The columns SAID_COLUMNS without rows that stand there twice, once the table is known to be whole.

    Raises
    ------
    ValueError : a column is missing, a cell is empty, or one item lies on two trays.
    """
    missing = [column for column in SAID_COLUMNS if column not in said.columns]
    if missing:
        raise ValueError(f"What people said has no column {', '.join(missing)}: give {', '.join(SAID_COLUMNS)}.")
    rows = said[list(SAID_COLUMNS)]
    for column in SAID_COLUMNS:
        if rows[column].isna().any():
            raise ValueError(f"What people said lacks {column} in some row: fill it in or leave that row out.")
    on_trays = rows.drop_duplicates(["item", "tray"])["item"]
    if on_trays.duplicated().any():
        item = on_trays[on_trays.duplicated()].iloc[0]
        raise ValueError(f"Item {item} lies on two trays: give every item a name of its own.")
    return rows.drop_duplicates(ignore_index=True)


def contradicting(rows: pd.DataFrame) -> pd.Series[bool]:
    """For each row of ``check_sayings``, whether its person said something else of the item at the same time."""
    return rows.groupby(_AT_ONE_TIME)["said"].transform("nunique") > 1


def words_in_force(rows: pd.DataFrame) -> pd.DataFrame:
    """The newest saying of each person on each item.

    Where a person's newest sayings contradict each other, none of theirs counts for that item: which one was meant
    is not ours to guess (``scorer.agreement.disagreements.two_sayings`` lists them).

    Parameters
    ----------
    rows : of ``check_sayings``.

    Returns
    -------
    Rows of it, at most one for each item and person, in their order.
    """
    newest = rows["said_at"] == rows.groupby(["item", "who"])["said_at"].transform("max")
    return rows[newest & ~contradicting(rows)].reset_index(drop=True)


def first_and_again(rows: pd.DataFrame, at_least_days: float) -> pd.DataFrame:
    """What a person said of an item first, and what they said when they came to it again.

    Again is the first saying that is ``at_least_days`` or more after their first; sayings that contradict each other
    at one time are left out beforehand.

    Returns
    -------
    DataFrame with a row for each person and item judged twice so: item, tray, who, first, again.
    """
    told = rows[~contradicting(rows)].sort_values("said_at", kind="stable")
    first = told.drop_duplicates(["item", "who"])
    both = first.merge(told[["item", "who", "said_at", "said"]], on=["item", "who"], suffixes=("", "_again"))
    gap = both["said_at_again"] - both["said_at"]
    apart = both[(gap > pd.Timedelta(0)) & (gap >= pd.Timedelta(days=at_least_days))]
    twice = apart.drop_duplicates(["item", "who"]).rename(columns={"said": "first", "said_again": "again"})
    return twice[["item", "tray", "who", "first", "again"]].reset_index(drop=True)
