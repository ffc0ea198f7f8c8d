"""How brown a batch's fruit are against the training fruit, of which the card keeps the quantiles only."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from scorer.look_drift.alike import effective_number, likeness
from scorer.look_drift.measure_row import MeasureRow
from scorer.look_drift.reference import BROWN_LEVELS
from scorer.look_drift.stability_index import BINS, index_by_chance, shares_in_bins, stability_index
from scorer.look_drift.two_samples import p_of_gap

Floats = NDArray[np.float64]

BROWN: Final = "brown_fraction"
"""What the row is called among the measures."""


def brown_row(quantiles: Floats, training_fruit: int, fruit: pd.DataFrame) -> MeasureRow:
    """Hold the brown fractions of a batch's fruit against quantiles of the training fruit's.

    Index and gap of the distribution functions are taken at the quantiles, between which nothing is known of the
    training fruit: a gap there is missed, none is made up. Fruit of one photo are alike as the batch has them.

    Parameters
    ----------
    quantiles : (21,) brown fractions at BROWN_LEVELS.
    training_fruit : fruit that they come from.
    fruit : brown_fraction and photo.
    """
    values = fruit["brown_fraction"].to_numpy(float)
    if not len(values):
        return MeasureRow(BROWN, np.nan, np.nan, np.nan, np.nan, np.nan)
    icc = likeness(fruit["brown_fraction"], pd.Series(BROWN, fruit.index), fruit["photo"])
    even = np.ones(len(values))
    number_now = effective_number(even, fruit["photo"], icc)
    number_before = training_fruit * number_now / len(values)  # as alike on training trays as on the batch's photos
    edges, shares = _bins(quantiles)
    shares_now = shares_in_bins(values, even, edges)
    places, levels = _function(quantiles)
    reached = np.searchsorted(np.sort(values), places, side="right") / len(values)
    return MeasureRow(
        BROWN,
        psi=float(stability_index(shares, shares_now, 0.5 / number_before, 0.5 / number_now)),
        psi_by_chance=index_by_chance(shares, number_before, number_now),
        p=p_of_gap(float(np.abs(reached - levels).max()), number_before, number_now),
        usual_before=float(quantiles[len(quantiles) // 2]),
        usual_now=float(np.median(values)),
    )


def mean_of_quantiles(quantiles: Floats) -> float:
    """Mean of a distribution that runs straight from quantile to quantile."""
    return float(np.trapezoid(quantiles, BROWN_LEVELS))


def _function(quantiles: Floats) -> tuple[Floats, Floats]:
    """Places where the distribution function is known, rising, and its values there."""
    places = np.unique(quantiles)
    return places, BROWN_LEVELS[np.searchsorted(quantiles, places, side="right") - 1]


def _bins(quantiles: Floats) -> tuple[Floats, Floats]:
    """Inner edges of ten bins, and the training share of each; fewer where many fruit are the same, as clean are."""
    every = (len(quantiles) - 1) // BINS
    edges = np.unique(quantiles[every:-1:every])
    edges = edges[edges < quantiles[-1]]
    places, levels = _function(quantiles)
    return edges, np.diff([0.0, *levels[np.searchsorted(places, edges)], 1.0])
