"""Tests of two models on the same trays: McNemar's of their verdicts, and draws of whole trays for any other figure.

McNemar 1947, Psychometrika 12: 153-157; with the correction for continuity Edwards 1948, Psychometrika 13: 185-187.
Trays drawn again: Efron and Tibshirani 1993, An Introduction to the Bootstrap, chapter 13; taken for each other: the
same, chapter 15.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.stats import bootstrap
from statsmodels.stats.contingency_tables import mcnemar

Floats = NDArray[np.float64]
Figure = Callable[[Floats], Floats]
"""A figure or a difference, of sums (..., 2, K) by the old model and by the new; vectorised over what goes before."""

LEVEL: Final = 0.05
EXACT_BELOW: Final = 25


@dataclass(frozen=True)
class McNemar:
    """Fruit that only one of two models judged rightly, and whether that is more than chance.

    Parameters
    ----------
    only_old, only_new : so many fruit.
    chi2, chi2_corrected : statistics with one degree of freedom, without and with the correction for continuity; 0
        where there are no such fruit.
    p_exact, p_chi2, p_chi2_corrected : two-sided.
    p : the one that counts: exact below EXACT_BELOW such fruit, else corrected.
    """

    only_old: int
    only_new: int
    chi2: float
    chi2_corrected: float
    p_exact: float
    p_chi2: float
    p_chi2_corrected: float

    @property
    def p(self) -> float:
        """The p value that counts."""
        return self.p_exact if self.only_old + self.only_new < EXACT_BELOW else self.p_chi2_corrected


def mcnemar_test(only_old: int, only_new: int) -> McNemar:
    """McNemar's test of paired verdicts, by the numbers of fruit that only one of the two judged rightly."""
    if only_old + only_new == 0:
        return McNemar(0, 0, 0.0, 0.0, 1.0, 1.0, 1.0)
    table = [[0, only_old], [only_new, 0]]
    plain, corrected = (mcnemar(table, exact=False, correction=each) for each in (False, True))
    exact = float(mcnemar(table, exact=True).pvalue)
    return McNemar(
        only_old,
        only_new,
        float(plain.statistic),
        float(corrected.statistic),
        exact,
        float(plain.pvalue),
        float(corrected.pvalue),
    )


def interval_of(sums: Floats, difference: Figure, *, seed: int, resamples: int) -> tuple[float, float]:
    """95 % interval of a difference, over trays drawn again with replacement, both models' together.

    Draws in which the figure does not exist, as without any mark of the kinds, are passed by.

    Parameters
    ----------
    sums : (trays, 2, K) of each tray, by the old model and by the new.
    difference : of such sums over trays (..., 2, K), vectorised.
    """

    def of_drawn(places: NDArray[np.intp], axis: int) -> Floats:
        return difference(sums[places].sum(axis=axis - 2 if axis < 0 else axis))

    drawn = bootstrap(
        (np.arange(len(sums)),),
        of_drawn,
        vectorized=True,
        n_resamples=resamples,
        batch=1_000,
        method="percentile",
        rng=np.random.default_rng(seed),
    ).bootstrap_distribution
    low, high = np.nanquantile(drawn, [LEVEL / 2, 1 - LEVEL / 2])
    return float(low), float(high)


def p_of_swaps(sums: Floats, difference: Figure, *, seed: int, resamples: int) -> float:
    """Two-sided p of a difference, over the two models' trays taken for each other.

    All ways where they are no more than ``resamples``, else so many drawn at random, with what was found counted among
    them (Phipson and Smyth 2010, Statistical Applications in Genetics and Molecular Biology 9: 39). Parameters as in
    ``interval_of``.
    """
    trays, found = len(sums), float(difference(sums.sum(axis=0)))
    if 2**trays <= resamples + 1:
        swapped = (np.arange(2**trays)[:, None] >> np.arange(trays)) & 1 == 1
    else:
        swapped = np.random.default_rng(seed).random((resamples, trays)) < 0.5
    extreme = 0
    for some in np.array_split(swapped, max(len(swapped) // 1_000, 1)):
        taken = np.where(some[..., None, None], sums[:, ::-1], sums).sum(axis=1)
        extreme += int(np.count_nonzero(np.abs(difference(taken)) >= abs(found) - 1e-9 * max(abs(found), 1)))
    if len(swapped) == 2**trays:
        return extreme / len(swapped)
    return (extreme + 1) / (len(swapped) + 1)
