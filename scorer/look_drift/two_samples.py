"""The two-sample test of Kolmogorov and Smirnov where the marks of one sample have weights and are not independent."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.stats import kstwo

Floats = NDArray[np.float64]


def largest_gap(before: Floats, weights: Floats, now: Floats) -> float:
    """Largest difference between the weighted distribution function of ``before`` and that of ``now``, 0 to 1."""
    at = np.unique(np.concatenate([before, now]))
    order = np.argsort(before, kind="stable")
    reached = np.concatenate([[0.0], np.cumsum(weights[order]) / weights.sum()])
    function_before = reached[np.searchsorted(before[order], at, side="right")]
    function_now = np.searchsorted(np.sort(now), at, side="right") / len(now)
    return float(np.abs(function_before - function_now).max())


def p_of_gap(gap: float, number_before: float, number_now: float) -> float:
    """Two-sided p of a gap between samples worth so many independent marks.

    By the distribution of one sample of n m / (n + m), as ``scipy.stats.ks_2samp`` does for large samples; exact
    tables would need whole numbers of independent marks, which weights do not leave.
    """
    number = number_before * number_now / (number_before + number_now) if number_before and number_now else 0.0
    return float(kstwo.sf(gap, round(number))) if round(number) >= 1 else 1.0
