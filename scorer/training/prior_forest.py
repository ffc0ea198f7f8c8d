"""A forest that learns a site's labels together with what the shipped model learned from: so a few can correct it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final, Self

import numpy as np
from numpy.typing import ArrayLike, NDArray
from sklearn.base import BaseEstimator, ClassifierMixin
from sklearn.utils.multiclass import check_classification_targets
from sklearn.utils.validation import _check_sample_weight, check_is_fitted, validate_data
from threadpoolctl import threadpool_limits

from scorer.training.naming import ROUNDS, forest_classifier

Float64 = NDArray[np.float64]


MOST_VALUES: Final = 255
"""Into so many bins scikit-learn's forest puts the values of a measure."""


@dataclass(frozen=True)
class LearnedBefore:
    """What a model learned from: rows (N, F), classes (N,) and how much each weighs (N,)."""

    rows: Float64
    classes: NDArray[Any]
    weights: Float64

    def and_of(self, rows: Float64, classes: NDArray[Any], times: float) -> LearnedBefore:
        """The same and more rows (M, F) and classes (M,), each of which weighs so much."""
        return LearnedBefore(
            np.vstack([self.rows, rows]),
            np.concatenate([self.classes, classes]),
            np.concatenate([self.weights, np.full(len(rows), float(times))]),
        )


class PriorForest(ClassifierMixin, BaseEstimator):  # type: ignore[misc]
    """Gradient-boosted trees fitted to rows together with those that a model has learned from before.

    Without any rows of its own it would be that model again, but for values moved by ``with_few_values``.

    Parameters
    ----------
    before : what was learned before; None is nothing.
    random_state : decides which measures each split may look at; the same rows and state give the same forest.
    rounds : trees for each class.
    times : each row weighs so much, times its own weight, beside those that were learned before.

    Attributes
    ----------
    forest_ : the fitted HistGradientBoostingClassifier; classes_ : of both; n_features_in_ : F.
    """

    def __init__(
        self, before: LearnedBefore | None = None, random_state: int = 0, rounds: int = ROUNDS, times: float = 1
    ) -> None:
        self.before = before
        self.random_state = random_state
        self.rounds = rounds
        self.times = times

    def fit(self, X: ArrayLike, y: ArrayLike, sample_weight: ArrayLike | None = None) -> Self:
        """Fit to rows (N, F), classes (N,) and, if wanted, weights (N,); a measure may be unknown (NaN)."""
        rows, named = validate_data(self, X, y, dtype=np.float64, ensure_all_finite="allow-nan")
        check_classification_targets(named)
        weights = _check_sample_weight(sample_weight, rows, dtype=np.float64, ensure_non_negative=True)
        if self.before is not None:
            rows = with_few_values(np.vstack([rows, self.before.rows]))
            named = np.concatenate([named, self.before.classes])
            weights = np.concatenate([self.times * weights, self.before.weights])
        alike = bool((weights == weights[0]).all())
        with threadpool_limits(1):  # so little data that threads wait for each other, and for whoever else is at work
            forest = forest_classifier(self.random_state, self.rounds)
            self.forest_ = forest.fit(rows, named, sample_weight=None if alike else weights / weights.mean())
        self.classes_ = self.forest_.classes_
        return self

    def predict_proba(self, X: ArrayLike) -> Float64:
        """Probability (N, K) of each class of ``classes_`` for rows (N, F)."""
        check_is_fitted(self)
        rows = validate_data(self, X, dtype=np.float64, ensure_all_finite="allow-nan", reset=False)
        return np.asarray(self.forest_.predict_proba(rows))

    def predict(self, X: ArrayLike) -> NDArray[Any]:
        """Most probable class (N,) of rows (N, F)."""
        check_is_fitted(self)
        rows = validate_data(self, X, dtype=np.float64, ensure_all_finite="allow-nan", reset=False)
        return np.asarray(self.forest_.predict(rows))

    def __sklearn_tags__(self) -> Any:
        """Measures may be unknown."""
        tags = super().__sklearn_tags__()
        tags.input_tags.allow_nan = True
        return tags


def with_few_values(rows: Float64) -> Float64:
    """Rows (N, F) with at most MOST_VALUES values a column: each is moved to the nearest of its column's quantiles.

    A forest bins such columns midway between their values, so what it learns holds for the values as they were; and it
    need not look for the quantiles of rows that weigh unlike, for which scikit-learn 1.9 takes seconds.
    """
    moved = rows.copy()
    for column in moved.T:
        known = ~np.isnan(column)
        values = np.unique(column[known])
        if len(values) > MOST_VALUES:
            values = np.unique(np.quantile(column[known], np.linspace(0, 1, MOST_VALUES)))
            column[known] = values[np.searchsorted((values[1:] + values[:-1]) / 2, column[known])]
    return moved
