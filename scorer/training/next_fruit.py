"""Which fruit to label next: those that the model is least sure of, spread over trays.

How unsure it is of a proposal is the entropy of its probabilities (uncertainty sampling; Lewis and Gale 1994, SIGIR:
3-12); a fruit counts with all its proposals, for one look at it labels them all. No tray gives more than a few, for
fruit of one tray teach much the same.
"""

from __future__ import annotations

from collections.abc import Collection
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.stats import entropy

from scorer.kinds import CLASSES, MarkModel, class_probabilities
from scorer.marks.measure import MEASURES

OF_A_TRAY: Final = 4
"""Fruit of a tray that are listed at most; our own choice."""
NEXT_COLUMNS: Final = ("tray", "fruit", "unsure_bits", "proposals", "between")


def next_fruit(
    proposals: pd.DataFrame,
    model: MarkModel,
    count: int,
    *,
    labelled: Collection[tuple[str, int]] = (),
    of_a_tray: int = OF_A_TRAY,
) -> pd.DataFrame:
    """The fruit from which most is to be learned, first the best.

    Parameters
    ----------
    proposals : MEASURES, tray and fruit of each proposal on the photos at hand.
    count : fruit wanted.
    labelled : fruit (tray, number) that are labelled already.
    of_a_tray : at most so many of one.

    Returns
    -------
    NEXT_COLUMNS: ``unsure_bits`` summed over the fruit's proposals, their number, and the two classes that the least
    sure of them stands between. A tie goes by tray and number.
    """
    if proposals.empty:
        return pd.DataFrame(columns=list(NEXT_COLUMNS))
    chances = class_probabilities(proposals[list(MEASURES)].to_numpy(float), model)
    table = proposals[["tray", "fruit"]].assign(bits=entropy(chances, base=2, axis=1), between=_between(chances))
    done = set(labelled)
    still_open = [(tray, fruit) not in done for tray, fruit in zip(table["tray"], table["fruit"], strict=True)]
    table = table.loc[still_open].sort_values("bits", ascending=False, kind="stable")
    of_fruit = table.groupby(["tray", "fruit"], as_index=False).agg(
        unsure_bits=("bits", "sum"), proposals=("bits", "size"), between=("between", "first")
    )
    order = of_fruit.sort_values(["unsure_bits", "tray", "fruit"], ascending=[False, True, True], kind="stable")
    spread = order[order.groupby("tray").cumcount() < of_a_tray]
    return spread.head(count)[list(NEXT_COLUMNS)].reset_index(drop=True)


def _between(chances: NDArray[np.float64]) -> list[str]:
    best = np.argsort(-chances, axis=1, kind="stable")[:, :2]
    return [f"{CLASSES[first]}, {CLASSES[second]}" for first, second in best]
