"""Marks as a site's model sees them: what the shipped forest holds each for, and each measure against what is usual."""

from __future__ import annotations

from typing import Any, Self

import numpy as np
from numpy.typing import ArrayLike, NDArray
from sklearn.base import BaseEstimator, TransformerMixin
from sklearn.utils.validation import check_is_fitted, validate_data

from scorer.forest import Forest
from scorer.lean import log_opinion, squashed

Float64 = NDArray[np.float64]

_OF_NORMAL = 1.349
"""Width of the middle half of a normal distribution in standard deviations."""


class OpinionAndMeasures(TransformerMixin, BaseEstimator):  # type: ignore[misc]
    """Rows of measures become rows of log-probabilities and squashed measures, which a logistic regression can weigh.

    Parameters
    ----------
    forest : holds marks for kinds by their measures; None gives the measures alone.
    usual, spread : (F,) of the measures; None takes median and spread of the middle half of the rows fitted.

    Attributes
    ----------
    usual_, spread_ : (F,); n_features_in_ : F.
    """

    def __init__(
        self, forest: Forest | None = None, usual: ArrayLike | None = None, spread: ArrayLike | None = None
    ) -> None:
        self.forest = forest
        self.usual = usual
        self.spread = spread

    def fit(self, X: ArrayLike, y: Any = None) -> Self:
        """Learn what is usual from rows (N, F), where it was not given."""
        rows = validate_data(self, X, dtype=np.float64, ensure_all_finite="allow-nan")
        self.usual_ = np.nanmedian(rows, axis=0) if self.usual is None else np.asarray(self.usual, float)
        self.spread_ = spread_of(rows) if self.spread is None else np.asarray(self.spread, float)
        return self

    def transform(self, X: ArrayLike) -> Float64:
        """(N, K + F), or (N, F) without a forest, of rows (N, F)."""
        check_is_fitted(self)
        rows = validate_data(self, X, dtype=np.float64, ensure_all_finite="allow-nan", reset=False)
        measures = squashed(rows, self.usual_, self.spread_)
        if self.forest is None:
            return measures
        return np.hstack([log_opinion(self.forest.probabilities(rows)), measures])

    def __sklearn_tags__(self) -> Any:
        """Measures may be unknown."""
        tags = super().__sklearn_tags__()
        tags.input_tags.allow_nan = True
        return tags


def spread_of(rows: Float64) -> Float64:
    """Spread (F,) of rows (N, F): that of the middle half, as the standard deviation of a normal distribution.

    Where the middle half is all alike it is the standard deviation, and 1 where all are.
    """
    lower, upper = np.nanquantile(rows, [0.25, 0.75], axis=0)
    middle = (upper - lower) / _OF_NORMAL
    spread = np.where(middle > 0, middle, np.nanstd(rows, axis=0))
    return np.asarray(np.where(spread > 0, spread, 1.0))
