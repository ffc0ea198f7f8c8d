"""Which labels are likely errors, told by what a model that never saw them makes of the same items.

Confident learning: Northcutt, Jiang and Chuang (2021), J. Artif. Intell. Res. 70: 1373-1411. A model is more ready
with some kinds than with others, so each kind has a threshold of its own: what the model gives it on average where
people said it. Where another kind reaches its threshold, and people's is not the likeliest, the label is doubtful.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

DOUBTFUL_COLUMNS: Final = (
    "label",
    "suggested",
    "probability_of_label",
    "probability_of_suggested",
    "doubt",
    "doubtful",
)
_ROUNDING: Final = 1e-6


def doubtful_labels(labels: pd.DataFrame, probabilities: pd.DataFrame) -> pd.DataFrame:
    """Every label with how doubtful it is, the likely errors first: for a second look, none is left out.

    Doubt is half of one plus the lead of the likeliest other kind over the label's, the normalised margin turned round
    of the paper: 0 where the model is sure of the label, 1 where it is sure of another kind.

    Parameters
    ----------
    labels : one row per label with the column ``label``, a kind; other columns are passed over.
    probabilities : the same rows (same index), a column for each kind, from 0 to 1 with a sum of 1. They must be out
        of fold: by a model that was fitted without any item of the same tray, or it repeats what it was told.

    Returns
    -------
    DataFrame with DOUBTFUL_COLUMNS and the index of ``labels``: ``doubtful`` rows first, each part by falling
    ``doubt``; ``suggested`` and its probability are missing where nothing is suggested.

    Raises
    ------
    ValueError : rows do not match, a label is no kind of the model, or the probabilities are none.
    """
    chance, column = _checked(labels, probabilities)
    rows = np.arange(len(chance))
    of_label = chance[rows, column]
    thresholds = _thresholds(chance, column)
    over = np.where(chance >= thresholds - _ROUNDING, chance, -1.0)
    best = over.argmax(axis=1)
    likeliest = chance.max(axis=1, initial=0.0)
    doubtful = (over[rows, best] >= 0) & (best != column) & (of_label < likeliest)
    others = chance.copy()
    others[rows, column] = -np.inf
    names = np.asarray(probabilities.columns, dtype=object)
    table = pd.DataFrame(
        {
            "label": labels["label"],
            "suggested": pd.Series(np.where(doubtful, names[best], None), labels.index, dtype="str"),
            "probability_of_label": of_label,
            "probability_of_suggested": np.where(doubtful, chance[rows, best], np.nan),
            "doubt": (1 + others.max(axis=1, initial=-1.0) - of_label) / 2,
            "doubtful": doubtful,
        },
        index=labels.index,
    )
    return table.sort_values(["doubtful", "doubt"], ascending=False, kind="stable")


def _thresholds(chance: NDArray[np.float64], column: NDArray[np.int64]) -> NDArray[np.float64]:
    """What the model gives each kind on average where people said it; infinite for a kind that nobody said."""
    kinds = chance.shape[1]
    count = np.bincount(column, minlength=kinds)
    total = np.bincount(column, chance[np.arange(len(chance)), column], minlength=kinds)
    thresholds: NDArray[np.float64] = np.full(kinds, np.inf)
    np.divide(total, count, out=thresholds, where=count > 0)
    return thresholds


def _checked(labels: pd.DataFrame, probabilities: pd.DataFrame) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """The probabilities as an array, and the column of each label in it."""
    if "label" not in labels.columns:
        raise ValueError("The labels have no column label: name the column that holds the kinds so.")
    if not labels.index.equals(probabilities.index):
        raise ValueError("Labels and probabilities are not of the same rows: give both the same index.")
    if not probabilities.columns.is_unique or len(probabilities.columns) < 2:
        raise ValueError(
            "The probabilities must have a column for each of two kinds or more: see what the model knows."
        )
    column = probabilities.columns.get_indexer(pd.Index(labels["label"])).astype(np.int64)
    if (column < 0).any():
        unknown = labels["label"].to_numpy()[column < 0][0]
        raise ValueError(f"The label {unknown} is no kind of the model: give it a column of probabilities.")
    chance = probabilities.to_numpy(np.float64)
    # Comparisons with NaN are false, so a missing probability is refused here too.
    if not ((chance >= 0).all() and (np.abs(chance.sum(axis=1) - 1) <= _ROUNDING).all()):
        raise ValueError("The probabilities of some row are below 0 or do not sum to 1: give what predict_proba gives.")
    return chance, column
