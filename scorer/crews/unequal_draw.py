"""Drawing by lot with unlike chances."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def chances(weight: Floats, number: int) -> Floats:
    """Chances in proportion to weights that sum to ``number``, none above 1; all 1 where there are not more fruit.

    Parameters
    ----------
    weight : (n,) above 0.
    """
    chance = np.ones(len(weight))
    free = np.full(len(weight), number < len(weight))
    while free.any():
        chance[free] = (number - (~free).sum()) * weight[free] / weight[free].sum()
        certain = free & (chance >= 1)
        if not certain.any():
            break
        chance[certain] = 1.0
        free &= ~certain
    return chance


def systematic(chance: Floats, start: float) -> NDArray[np.bool_]:
    """Those drawn: whose stretch of the summed chances holds one of 1 - start, 2 - start, 3 - start and so on.

    Each is drawn with its chance, neighbours seldom together (Madow 1949, Annals of Mathematical Statistics 20:
    333-354), so that the order spreads the sample.

    Parameters
    ----------
    chance : (n,) above 0 to 1.
    start : 0 to below 1, by lot.
    """
    passed = np.floor(np.concatenate([[0.0], np.cumsum(chance)]) + start)
    return np.asarray(np.diff(passed) > 0)
