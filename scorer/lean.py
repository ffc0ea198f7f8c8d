"""What labels of a site changed about a model: its opinion of a mark is weighed anew, and a little is added by measure.

The forest of the model stays as it is. On top of it stands a logistic regression over the logarithms of its
probabilities and over the mark's measures, which says the same as the forest as long as no label speaks against it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import softmax

Float64 = NDArray[np.float64]

FURTHEST: Final = 3.0
"""Spreads from what is usual beyond which a measure counts no further: a few labels know nothing of such marks."""
LEAST_PROBABILITY: Final = 1e-6


@dataclass(frozen=True)
class Lean:
    """Logistic regression over a forest's opinion (K classes) and F measures.

    Parameters
    ----------
    of_opinion : (K, K) weight of each log-probability of the forest in the score of each class.
    of_measures : (K, F) weight of each measure, as ``squashed`` gives it.
    start : (K,) score of each class before all that.
    usual, spread : (F,) of the measures.
    """

    of_opinion: Float64
    of_measures: Float64
    start: Float64
    usual: Float64
    spread: Float64

    def probabilities(self, opinion: Float64, measures: Float64) -> Float64:
        """Probabilities (N, K) from the forest's probabilities (N, K) and measures (N, F)."""
        by_measure = squashed(measures, self.usual, self.spread) @ self.of_measures.T
        return np.asarray(softmax(self._weighed(opinion) + by_measure, axis=-1))

    def one_usual(self, opinion: Float64, measures: Float64) -> Float64:
        """The same (N, F, K) with one measure after the other at its usual value, where opinion (N, F, K) has it so."""
        each = squashed(measures, self.usual, self.spread)[..., None] * self.of_measures.T  # (N, F, K)
        return np.asarray(softmax(self._weighed(opinion) + each.sum(axis=1, keepdims=True) - each, axis=-1))

    def _weighed(self, opinion: Float64) -> Float64:
        return np.asarray(log_opinion(opinion) @ self.of_opinion.T + self.start)


def log_opinion(probabilities: Float64) -> Float64:
    """Logarithms of probabilities (..., K), those next to nothing cut off."""
    return np.log(np.maximum(probabilities, LEAST_PROBABILITY))


def squashed(measures: Float64, usual: Float64, spread: Float64) -> Float64:
    """Measures (N, F) in spreads from what is usual, at most FURTHEST; an unknown one counts as usual."""
    return np.nan_to_num(np.clip((measures - usual) / spread, -FURTHEST, FURTHEST), nan=0.0)
