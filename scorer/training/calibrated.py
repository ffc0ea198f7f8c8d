"""Probabilities that hold: sharpened or softened by how well they foretold trays that the classifier had not seen."""

from __future__ import annotations

from typing import Any, Final, Self

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import minimize_scalar
from scipy.special import log_softmax, softmax
from sklearn.base import BaseEstimator, ClassifierMixin, clone
from sklearn.calibration import CalibratedClassifierCV
from sklearn.frozen import FrozenEstimator
from sklearn.linear_model import LogisticRegression
from sklearn.model_selection import GroupKFold
from sklearn.utils.multiclass import check_classification_targets
from sklearn.utils.validation import _check_sample_weight, check_is_fitted, validate_data

Float64 = NDArray[np.float64]

FOLDS: Final = 5
SOFTEST, SHARPEST = 0.25, 4.0
LEAST: Final = 1e-12


class CalibratedByTray(ClassifierMixin, BaseEstimator):  # type: ignore[misc]
    """A classifier whose probabilities are raised to a power and normed, the power found on folds apart by tray.

    That is temperature scaling (Guo et al. 2017, section 4.2); one power moves no decision between classes. With
    fewer than two groups nothing is known to be unseen, and the power is 1.

    Parameters
    ----------
    estimator : classifier with ``predict_proba``, such as PriorForest; None is a LogisticRegression.
    folds : at most so many.

    Attributes
    ----------
    estimator_ : fitted to all rows; sharpness_ : the power; classes_; n_features_in_.
    held_out_ : (N, K) calibrated probabilities of the rows fitted, each from a fit without its group.
    """

    def __init__(self, estimator: Any = None, folds: int = FOLDS) -> None:
        self.estimator = estimator
        self.folds = folds

    def fit(
        self,
        X: ArrayLike,
        y: ArrayLike,
        groups: ArrayLike | None = None,
        sample_weight: ArrayLike | None = None,
    ) -> Self:
        """Fit to rows (N, F), classes (N,), and if wanted groups (N,) such as trays and weights (N,)."""
        rows, named = validate_data(self, X, y, dtype=np.float64, ensure_all_finite="allow-nan")
        check_classification_targets(named)
        weights = _check_sample_weight(sample_weight, rows, dtype=np.float64)
        whole = self._fitted(rows, named, weights)
        self.estimator_, self.classes_ = whole, whole.classes_
        own = np.unique(np.zeros(len(rows)) if groups is None else np.asarray(groups), return_inverse=True)[1]
        count = min(self.folds, int(own.max()) + 1)
        if count < 2:
            self.sharpness_, self.held_out_ = 1.0, np.asarray(whole.predict_proba(rows))
            return self
        apart = np.full((len(rows), len(self.classes_)), np.nan)
        for seen, unseen in GroupKFold(count).split(rows, named, own):
            fold = self._fitted(rows[seen], named[seen], weights[seen])
            apart[np.ix_(unseen, np.searchsorted(self.classes_, fold.classes_))] = fold.predict_proba(rows[unseen])
        scores = np.log(np.maximum(np.nan_to_num(apart), LEAST))
        self.sharpness_ = sharpness_for(scores, np.searchsorted(self.classes_, named), weights)
        self.held_out_ = softmax(self.sharpness_ * scores, axis=1)
        return self

    def predict_proba(self, X: ArrayLike) -> Float64:
        """Probability (N, K) of each class for rows (N, F)."""
        check_is_fitted(self)
        rows = validate_data(self, X, dtype=np.float64, ensure_all_finite="allow-nan", reset=False)
        scores = np.log(np.maximum(self.estimator_.predict_proba(rows), LEAST))
        return np.asarray(softmax(self.sharpness_ * scores, axis=1))

    def predict(self, X: ArrayLike) -> NDArray[Any]:
        """Most probable class (N,) of rows (N, F)."""
        chances = self.predict_proba(X)
        return np.asarray(self.classes_[chances.argmax(axis=1)])

    def _fitted(self, rows: Float64, named: NDArray[Any], weights: Float64) -> Any:
        fresh = LogisticRegression() if self.estimator is None else clone(self.estimator)
        last = f"{fresh.steps[-1][0]}__" if hasattr(fresh, "steps") else ""
        return fresh.fit(rows, named, **{f"{last}sample_weight": weights})


def sharpness_for(scores: Float64, truth: NDArray[np.intp], weights: Float64) -> float:
    """Power that makes the truth (N,) most probable, from log-probabilities (N, K); between SOFTEST and SHARPEST."""

    def loss(log_sharpness: float) -> float:
        said = log_softmax(np.exp(log_sharpness) * scores, axis=1)
        return -float(weights @ said[np.arange(len(said)), truth]) / max(float(weights.sum()), LEAST)

    found = minimize_scalar(loss, bounds=(np.log(SOFTEST), np.log(SHARPEST)), method="bounded")
    return float(np.exp(found.x))


def as_shipped(fitted: CalibratedByTray) -> CalibratedClassifierCV:
    """A calibrated PriorForest as scikit-learn itself holds such a model, which is what is kept and scored with.

    Parameters
    ----------
    fitted : with a Pipeline whose last step is a PriorForest.
    """
    forest = fitted.estimator_.steps[-1][1].forest_
    classes = forest.classes_
    asked_for = np.repeat(classes, FOLDS)  # rows of each class for each fold, of which it learns nothing that is kept
    rows = np.zeros((len(asked_for), forest.n_features_in_))
    held = CalibratedClassifierCV(FrozenEstimator(forest), method="temperature").fit(rows, asked_for)
    held.calibrated_classifiers_[0].calibrators[0].beta_ = fitted.sharpness_
    return held
