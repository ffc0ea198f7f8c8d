"""A forest that learns a site's labels together with what the shipped model learned from: so a few can correct it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Self

import numpy as np
from numpy.typing import ArrayLike, NDArray
from sklearn.base import BaseEstimator, ClassifierMixin
from sklearn.utils.multiclass import check_classification_targets
from sklearn.utils.validation import _check_sample_weight, check_is_fitted, validate_data
from threadpoolctl import threadpool_limits

from scorer.training.naming import ROUNDS, forest_classifier

Float64 = NDArray[np.float64]


@dataclass(frozen=True)
class LearnedBefore:
    """What a model learned from: rows (N, F) and classes (N,), each as much as another."""

    rows: Float64
    classes: NDArray[Any]

    def and_of(self, rows: Float64, classes: NDArray[Any], times: int = 1) -> LearnedBefore:
        """The same and more rows (M, F) and classes (M,), each as much as so many."""
        return LearnedBefore(
            np.vstack([self.rows, *[rows] * times]), np.concatenate([self.classes, *[classes] * times])
        )


class PriorForest(ClassifierMixin, BaseEstimator):  # type: ignore[misc]
    """Gradient-boosted trees fitted to rows together with those that a model has learned from before.

    Without any rows of its own it would be that model again.

    Parameters
    ----------
    before : what was learned before; None is nothing.
    random_state : decides which measures each split may look at; the same rows and state give the same forest.
    rounds : trees for each class.
    times : each row counts for so many of those that were learned before, times its weight, in whole rows.

    Attributes
    ----------
    forest_ : the fitted HistGradientBoostingClassifier; classes_ : of both; n_features_in_ : F.
    """

    def __init__(
        self, before: LearnedBefore | None = None, random_state: int = 0, rounds: int = ROUNDS, times: int = 1
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
            # as often, and not as heavy: scikit-learn bins rows that weigh unlike a hundred times more slowly
            often = np.maximum(np.rint(self.times * weights), weights > 0).astype(int)
            rows = np.vstack([np.repeat(rows, often, axis=0), self.before.rows])
            named = np.concatenate([np.repeat(named, often), self.before.classes])
            weights = np.ones(len(rows))
        with threadpool_limits(1):  # so little data that threads wait for each other, and for whoever else is at work
            forest = forest_classifier(self.random_state, self.rounds)
            alike = bool((weights == 1).all())
            self.forest_ = forest.fit(rows, named, sample_weight=None if alike else weights)
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
