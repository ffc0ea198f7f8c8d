"""One measure of a batch against the same measure where the model learned: index, what chance makes of it, and test."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from scorer.look_drift.alike import effective_number, likeness
from scorer.look_drift.stability_index import (
    MUCH,
    decile_edges,
    index_by_chance,
    shares_in_bins,
    stability_index,
)
from scorer.look_drift.two_samples import largest_gap, p_of_gap

Floats = NDArray[np.float64]

LEVEL: Final = 0.01
"""Below this a p, adjusted for all measures, speaks against chance; the index by chance is its upper 1 %."""


@dataclass(frozen=True)
class MeasureRow:
    """How one measure has moved.

    Parameters
    ----------
    measure : one of MEASURES, or ``brown_fraction``.
    psi : population stability index; missing where the batch has no values.
    psi_by_chance : what it stays below in 99 of 100 batches that look as the training marks do.
    p : of the two-sample test, not adjusted for other measures; missing where ``psi`` is.
    usual_before, usual_now : medians where the model learned and in the batch.
    """

    measure: str
    psi: float
    psi_by_chance: float
    p: float
    usual_before: float
    usual_now: float

    @property
    def beyond_chance(self) -> bool:
        """Whether the index is large, and larger than chance makes it."""
        return self.psi > max(MUCH, self.psi_by_chance)


def measure_row(measure: str, before: pd.DataFrame, now: pd.DataFrame) -> MeasureRow:
    """Hold a batch's marks against training marks by one measure.

    The training marks are weighed so that kinds are mixed as in the batch. Both count for as many independent marks as
    they are worth, by the greater of the likenesses within training trays and within the batch's photos.

    Parameters
    ----------
    before, now : with the columns measure, kind and photo; ``before`` has marks of each kind in ``now``.
    """
    before, now = (side.loc[np.isfinite(side[measure]), [measure, "kind", "photo"]] for side in (before, now))
    before = before[before["kind"].isin(set(now["kind"]))]
    if now.empty or before.empty:
        return MeasureRow(measure, np.nan, np.nan, np.nan, np.nan, np.nan)
    weights = weights_by_kind(before["kind"], now["kind"])
    values_before, values_now = (side[measure].to_numpy(float) for side in (before, now))
    even = np.ones(len(now))
    icc = max(likeness(side[measure], side["kind"], side["photo"]) for side in (before, now))
    numbers = effective_number(weights, before["photo"], icc), effective_number(even, now["photo"], icc)
    edges = decile_edges(values_before, weights)
    shares = shares_in_bins(values_before, weights, edges), shares_in_bins(values_now, even, edges)
    return MeasureRow(
        measure,
        psi=float(stability_index(*shares, *(0.5 / number for number in numbers))),
        psi_by_chance=index_by_chance(shares[0], *numbers),
        p=p_of_gap(largest_gap(values_before, weights, values_now), *numbers),
        usual_before=_weighted_median(values_before, weights),
        usual_now=float(np.median(values_now)),
    )


def weights_by_kind(before: pd.Series[Any], now: pd.Series[Any]) -> Floats:
    """(len(before),) weights that mix the kinds before as they are mixed now; they sum to the marks of now."""
    per_mark = now.value_counts() / before.value_counts()
    return np.asarray(before.map(per_mark).fillna(0), dtype=np.float64)


def _weighted_median(values: Floats, weights: Floats) -> float:
    order = np.argsort(values, kind="stable")
    reached = np.cumsum(weights[order]) / weights.sum()
    return float(values[order][np.searchsorted(reached, 0.5 - 1e-12)])
