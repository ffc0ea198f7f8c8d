"""Counts of fruit and defective fruit per bin, crew by crew: what the beta-binomial model is fitted to."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from scorer.crews.correlation import BinCounts


def checked_fruit(table: pd.DataFrame, crew: str, cluster: str, defective: str) -> pd.DataFrame:
    """The columns ``crew``, ``bin`` and ``defective`` (0 or 1), all without gaps.

    Raises
    ------
    ValueError : a column or a value is missing, or ``defective`` holds anything but yes and no.
    """
    for column in (crew, cluster, defective):
        if column not in table.columns:
            raise ValueError(f"The table of fruit has no column {column!r}: name the right one or add it.")
        missing = int(table[column].isna().sum())
        if missing:
            raise ValueError(
                f"{missing} of {len(table)} fruit have no value in the column {column!r}: fill it in, or leave those "
                "fruit out and say so beside the figures."
            )
    values = table[defective]
    if not values.isin([0, 1]).all():
        odd = values[~values.isin([0, 1])].iloc[0]
        raise ValueError(f"The column {defective!r} holds {odd!r}: it may hold only True and False, or 1 and 0.")
    return pd.DataFrame({"crew": table[crew], "bin": table[cluster], "defective": values.astype(np.int64)})


def bins_of_crews(fruit: pd.DataFrame) -> tuple[list[Any], list[BinCounts]]:
    """Names of the crews with fruit, in order, and the counts of their bins.

    Parameters
    ----------
    fruit : as ``checked_fruit`` gives it.
    """
    bins = fruit.groupby(["crew", "bin"], observed=True)["defective"].agg(["size", "sum"]).reset_index()
    names, counts = [], []
    for name, of_crew in bins.groupby("crew", observed=True):
        names.append(name)
        counts.append(BinCounts(of_crew["size"].to_numpy(np.int64), of_crew["sum"].to_numpy(np.int64)))
    return names, counts
