"""Logistic regression that starts from what is held already: its coefficients have a normal prior with a mean.

With no labels it says what the prior says; each label moves it, the more the less the prior is sure of a coefficient.
So a few labels of a site correct a model that learned from many others, and cannot overthrow it.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final, Self

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import minimize
from scipy.special import log_softmax, softmax
from sklearn.base import BaseEstimator, ClassifierMixin
from sklearn.utils.multiclass import check_classification_targets
from sklearn.utils.validation import _check_sample_weight, check_is_fitted, validate_data

Float64 = NDArray[np.float64]

GRADIENT_AT_MOST: Final = 1e-8
MOST_ROUNDS: Final = 500


class PriorLogistic(ClassifierMixin, BaseEstimator):  # type: ignore[misc]
    """Multinomial logistic regression, the most probable coefficients under a normal prior.

    The negative log-posterior is strictly convex and its second derivatives are used, so there is one solution and any
    machine finds it to rounding.

    Parameters
    ----------
    classes : all classes, also those that no label names; None takes those of the labels.
    prior_mean : (K, F) mean of the coefficients, classes in sorted order; None is zero.
    prior_sd : how far a coefficient may lie from its mean, one number or (F,) for each column; 0 holds it there.
    intercept_sd : the same for each class's intercept, whose mean is 0.

    Attributes
    ----------
    classes_ : (K,) sorted; coef_ : (K, F); intercept_ : (K,); n_features_in_ : F.
    """

    def __init__(
        self,
        classes: Sequence[Any] | None = None,
        prior_mean: ArrayLike | None = None,
        prior_sd: ArrayLike = 1.0,
        intercept_sd: float = 1.0,
    ) -> None:
        self.classes = classes
        self.prior_mean = prior_mean
        self.prior_sd = prior_sd
        self.intercept_sd = intercept_sd

    def fit(self, X: ArrayLike, y: ArrayLike, sample_weight: ArrayLike | None = None) -> Self:
        """Fit to rows (N, F), classes (N,) and, if wanted, weights (N,).

        Raises
        ------
        ValueError : a label is none of the classes, there are fewer than two, or the prior has another shape.
        """
        rows, named = validate_data(self, X, y, dtype=np.float64)
        check_classification_targets(named)
        weights = _check_sample_weight(sample_weight, rows, dtype=np.float64, ensure_non_negative=True)
        self.classes_ = np.unique(named if self.classes is None else np.asarray(self.classes))
        strange = np.setdiff1d(named, self.classes_)
        if len(strange):
            raise ValueError(f"labels name {', '.join(map(str, strange))}, which is none of the classes")
        if len(self.classes_) < 2:
            raise ValueError("the classifier cannot be fitted on one class; there must be two classes or more")
        mean = self._mean(rows.shape[1])
        posterior = _Posterior(
            rows=np.column_stack([rows, np.ones(len(rows))]),
            truth=np.asarray(named[:, None] == self.classes_, np.float64),
            weights=weights,
            mean=np.column_stack([mean, np.zeros(len(mean))]),
            sd=np.append(np.broadcast_to(np.asarray(self.prior_sd, float), rows.shape[1]), self.intercept_sd),
        )
        fitted = posterior.most_probable()
        self.coef_, self.intercept_ = fitted[:, :-1], fitted[:, -1]
        return self

    def predict_proba(self, X: ArrayLike) -> Float64:
        """Probability (N, K) of each class of ``classes_`` for rows (N, F)."""
        check_is_fitted(self)
        rows = validate_data(self, X, dtype=np.float64, reset=False)
        return np.asarray(softmax(rows @ self.coef_.T + self.intercept_, axis=1))

    def predict(self, X: ArrayLike) -> NDArray[Any]:
        """Most probable class (N,) of rows (N, F)."""
        chances = self.predict_proba(X)
        return np.asarray(self.classes_[chances.argmax(axis=1)])

    def _mean(self, features: int) -> Float64:
        shape = (len(self.classes_), features)
        if self.prior_mean is None:
            return np.zeros(shape)
        mean = np.asarray(self.prior_mean, float)
        if mean.shape != shape:
            raise ValueError(f"the prior's mean has the shape {mean.shape}; {shape} fits these classes and columns")
        return mean


class _Posterior:
    """Negative log-posterior of coefficients (K, F + 1) in units of their prior, and its derivatives."""

    def __init__(self, *, rows: Float64, truth: Float64, weights: Float64, mean: Float64, sd: Float64) -> None:
        self._rows = rows * sd  # coefficients in units of their spread: a spread of 0 leaves the mean
        self._offset = rows @ mean.T
        self._truth, self._weights, self._mean, self._sd = truth, weights, mean, sd

    def most_probable(self) -> Float64:
        shape = self._mean.shape
        found = minimize(
            self._value,
            np.zeros(shape[0] * shape[1]),
            jac=self._gradient,
            hess=self._curvature,
            method="trust-exact",
            options={"gtol": GRADIENT_AT_MOST * max(float(self._weights.sum()), 1.0), "maxiter": MOST_ROUNDS},
        )
        return np.asarray(self._mean + found.x.reshape(shape) * self._sd)

    def _odds(self, flat: Float64) -> Float64:
        return np.asarray(self._offset + self._rows @ flat.reshape(self._mean.shape).T)

    def _value(self, flat: Float64) -> float:
        likelihood = self._weights @ (self._truth * log_softmax(self._odds(flat), axis=1)).sum(axis=1)
        return float(flat @ flat / 2 - likelihood)

    def _gradient(self, flat: Float64) -> Float64:
        surplus = (softmax(self._odds(flat), axis=1) - self._truth) * self._weights[:, None]
        return np.asarray((surplus.T @ self._rows).ravel() + flat)

    def _curvature(self, flat: Float64) -> Float64:
        chances = softmax(self._odds(flat), axis=1)
        kinds, columns = self._mean.shape
        curvature = np.zeros((kinds, columns, kinds, columns))
        for one in range(kinds):
            for other in range(one, kinds):
                bend = self._weights * chances[:, one] * ((one == other) - chances[:, other])
                block = self._rows.T @ (self._rows * bend[:, None])
                curvature[one, :, other] = curvature[other, :, one] = block
        size = kinds * columns
        return curvature.reshape(size, size) + np.eye(size)
