"""How many independent marks a sample is worth: marks of one photo are alike, and marks may have weights."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.stats import rankdata

Floats = NDArray[np.float64]


def likeness(values: pd.Series[float], kinds: pd.Series[Any], photos: pd.Series[Any]) -> float:
    """Correlation of a measure between two marks of one photo, 0 to 1, by the analysis of variance between photos.

    The usual estimator for groups of unlike size, (MSB - MSW) / (MSB + (m0 - 1) MSW) with m0 = (N - sum(m^2) / N) /
    (photos - 1) (Donner 1986, International Statistical Review 54: 67-82; from memory), of the ranks within each kind:
    a photo full of cuts is not alike because cuts are, and one wild value decides nothing.

    Parameters
    ----------
    values, kinds, photos : (N,) one for each mark, in the same order.

    Returns
    -------
    0 where nothing can be told: no photo has two marks, or there is one photo only.
    """
    ranks = _ranks_within(np.asarray(values, dtype=np.float64), pd.factorize(kinds)[0])
    photo = pd.factorize(photos)[0]
    sizes = np.bincount(photo).astype(float)
    marks, groups = len(ranks), len(sizes)
    if groups < 2 or marks == groups:
        return 0.0
    means = np.bincount(photo, ranks) / sizes
    between = float(sizes @ (means - ranks.mean()) ** 2) / (groups - 1)
    within = float(((ranks - means[photo]) ** 2).sum()) / (marks - groups)
    usual_size = (marks - (sizes**2).sum() / marks) / (groups - 1)
    total = between + (usual_size - 1) * within
    return float(np.clip((between - within) / total, 0, 1)) if total > 0 else 0.0


def _ranks_within(values: Floats, kind: NDArray[np.intp]) -> Floats:
    """Rank of each value among those of its kind, from 0 to 1; equal values share their mean rank."""
    ranks = np.empty(len(values))
    for each in range(kind.max(initial=-1) + 1):
        own = kind == each
        ranks[own] = (rankdata(values[own]) - 0.5) / own.sum()
    return ranks


def effective_number(weights: Floats, photos: pd.Series[Any], icc: float) -> float:
    """How many independent marks of equal weight give a share the variance that these give it.

    (sum w)^2 / ((1 - icc) sum w^2 + icc sum over photos of (sum w)^2): for equal weights n / (1 + (m - 1) icc), with m
    the marks in the photo of a mark taken at random, and for an icc of 0 that of unequal weights (Kish 1965, Survey
    Sampling, sections 5.4 and 11.7).

    Parameters
    ----------
    weights, photos : (N,) one for each mark; no weight is negative.
    icc : correlation between two marks of a photo, 0 to 1.
    """
    of_photo = np.bincount(pd.factorize(photos)[0], weights)
    spread = (1 - icc) * float((weights**2).sum()) + icc * float((of_photo**2).sum())
    return float(weights.sum()) ** 2 / spread if spread > 0 else 0.0
