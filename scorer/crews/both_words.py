"""The scorer's word on every fruit, an officer's on some of them, and how many fruit each of those stands for."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

from scorer.crews.bins_of_crews import checked_fruit

OFFICER: Final = "checked_downgraded"
CHANCE: Final = "check_chance"


@dataclass(frozen=True)
class BothWords:
    """What was said of each fruit, and by whom.

    Parameters
    ----------
    fruit : one row per fruit, in the order and with the index of the table: ``crew``; ``bin``, a number of its own for
        each bin of each crew; ``said`` by the scorer, 0 or 1; ``officer``, 0 or 1, missing where nobody looked;
        ``stands_for``, 1 / the chance with which a checked fruit was drawn, 0 where nobody looked.
    by_lot : whether checked fruit are there whose chance nobody kept. They are taken to have been drawn by lot, each
        with the part of its crew's fruit that was checked.
    """

    fruit: pd.DataFrame
    by_lot: bool


def both_words(table: pd.DataFrame, *, crew: str, cluster: str, defective: str) -> BothWords:
    """Read both words from a table of fruit.

    Parameters
    ----------
    table : one row per fruit, with OFFICER (missing where nobody looked) and, if there is one, CHANCE.
    crew, cluster, defective : names of its other columns; ``defective`` is the scorer's word.

    Raises
    ------
    ValueError : a column or a value is missing, a word is neither yes nor no, or a chance is not above 0 to 1.
    """
    known = checked_fruit(table, crew, cluster, defective)
    if OFFICER not in table.columns:
        raise ValueError(f"The table of fruit has no column {OFFICER!r}: add it, empty where nobody looked.")
    words = table[OFFICER]
    odd = words[words.notna() & ~words.isin([0, 1])]
    if len(odd):
        raise ValueError(f"The column {OFFICER!r} holds {odd.tolist()[0]!r}: it may hold only True, False and nothing.")
    looked = words.notna()
    chance = table[CHANCE].astype("float64") if CHANCE in table.columns else pd.Series(np.nan, index=table.index)
    wrong = chance[looked & chance.notna() & ~((chance > 0) & (chance <= 1))]
    if len(wrong):
        raise ValueError(f"The column {CHANCE!r} holds {wrong.iloc[0]:g}: a chance lies above 0 and is at most 1.")
    even = looked.groupby(known["crew"], observed=True).transform("mean").astype("float64")
    fruit = pd.DataFrame(
        {
            "crew": known["crew"],
            "bin": known.groupby(["crew", "bin"], observed=True).ngroup(),
            "said": known["defective"].astype("float64"),
            "officer": words.astype("boolean").to_numpy(np.dtype("float64"), na_value=np.nan),
            "stands_for": (1 / chance.fillna(even).where(looked)).fillna(0.0),
        }
    )
    return BothWords(fruit, bool((looked & chance.isna()).any()))
