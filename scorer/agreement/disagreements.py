"""Where people differ: the items, most divided first, and what one person said twice at the same time."""

from __future__ import annotations

from typing import Final

import pandas as pd

from scorer.agreement.sayings import SAID_COLUMNS, check_sayings, contradicting, words_in_force

DISAGREEMENT_COLUMNS: Final = ("item", "tray", "divided", "who", "said_at", "said")


def disagreements(said: pd.DataFrame) -> pd.DataFrame:
    """The items on which people differ, with who said what and when.

    Each person's newest word counts. An item is as divided as the share of pairs of people who differ on it, which
    is one less the agreement on it in Fleiss (1971).

    Parameters
    ----------
    said : a row for each saying: item, tray, who, said_at, said; see ``scorer.agreement.sayings``.

    Returns
    -------
    DataFrame with DISAGREEMENT_COLUMNS, a row for each person's word on such an item. The rows of an item stand
    together; the most divided item (``divided``, above 0 to 1) comes first, among equals the one more people judged.

    Raises
    ------
    ValueError : a column is missing, a cell is empty, or one item lies on two trays.
    """
    words = words_in_force(check_sayings(said))
    people = words.groupby("item")["who"].transform("size")
    alike = words.groupby(["item", "said"])["who"].transform("size")
    agreeing = (alike - 1).groupby(words["item"]).transform("sum")
    pairs = people * (people - 1)
    words = words.assign(people=people, divided=1 - agreeing / pairs.where(pairs > 0))
    order = {"divided": False, "people": False, "tray": True, "item": True, "who": True}
    differing = words[words["divided"] > 0].sort_values(list(order), ascending=list(order.values()))
    return differing[list(DISAGREEMENT_COLUMNS)].reset_index(drop=True)


def two_sayings(said: pd.DataFrame) -> pd.DataFrame:
    """What one person said of one item at one time, where it cannot all be meant.

    Parameters
    ----------
    said : as for ``disagreements``.

    Returns
    -------
    DataFrame with SAID_COLUMNS, sorted by tray, item, person, time and word; empty where nobody contradicts themselves.

    Raises
    ------
    ValueError : as for ``disagreements``.
    """
    rows = check_sayings(said)
    order = ["tray", "item", "who", "said_at", "said"]
    return rows.loc[contradicting(rows), list(SAID_COLUMNS)].sort_values(order).reset_index(drop=True)
