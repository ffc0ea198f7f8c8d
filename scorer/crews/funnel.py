"""A funnel: each crew's share against how much its fruit are worth, within the limits that luck alone keeps.

Small samples scatter widely, large ones little: the limits close in on the share of all like a funnel (Spiegelhalter
2005, Statistics in Medicine 24: 1185-1202, from memory). Fruit of a bin resemble each other, so fruit count as fruit /
design effect.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import special

INNER, OUTER = 0.95, 0.998
"""Parts of crews that are like all others between the limits: 2 and about 3 standard deviations."""
BEYOND_OUTER, BEYOND_INNER, INSIDE = "beyond the outer limits", "between the limits", "inside"
CURVE_COLUMNS: Final = ("effective_fruit", "low95", "high95", "low998", "high998")
POINT_COLUMNS: Final = ("crew", "effective_fruit", "share", "beyond", "above")
_POINTS: Final = 120
_LEAST_EFFECTIVE: Final = 5.0
_HALVINGS: Final = 50


@dataclass(frozen=True)
class Funnel:
    """What a funnel chart shows.

    Parameters
    ----------
    middle : share of all crews' fruit; NaN without fruit.
    points : one row per crew with fruit: POINT_COLUMNS; ``above`` says on which side of the middle it lies.
    curves : limits by effective fruit: CURVE_COLUMNS; no rows where nothing or everything is defective.
    """

    middle: float
    points: pd.DataFrame
    curves: pd.DataFrame


def funnel(shares: pd.DataFrame) -> Funnel:
    """The funnel of crews.

    Parameters
    ----------
    shares : of ``defect_share``: crew, fruit, defective, share, design_effect.
    """
    known = shares[(shares["fruit"] > 0) & shares["design_effect"].notna()]
    total = known["fruit"].sum()
    middle = float(known["defective"].sum() / total) if total else np.nan
    effective = (known["fruit"] / known["design_effect"].clip(lower=1)).to_numpy(float)
    share = known["share"].to_numpy(float)
    beyond = np.full(len(known), INSIDE, dtype=object)
    curves = pd.DataFrame(columns=list(CURVE_COLUMNS), dtype="float64")
    if total and 0 < middle < 1:
        for level, word in ((INNER, BEYOND_INNER), (OUTER, BEYOND_OUTER)):
            low, high = funnel_limits(middle, effective, level)
            beyond[(share < low) | (share > high)] = word
        grid = np.geomspace(_LEAST_EFFECTIVE, max(1.15 * effective.max(), 2 * _LEAST_EFFECTIVE), _POINTS)
        limits = [*funnel_limits(middle, grid, INNER), *funnel_limits(middle, grid, OUTER)]
        curves = pd.DataFrame(dict(zip(CURVE_COLUMNS, [grid, *limits], strict=True)))
    points = pd.DataFrame(
        {
            "crew": known["crew"].to_numpy(),
            "effective_fruit": effective,
            "share": share,
            "beyond": beyond,
            "above": share > middle,
        }
    )
    return Funnel(middle, points, curves)


def funnel_limits(
    middle: float, effective_fruit: NDArray[np.float64], level: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Low and high share between which a part ``level`` of crews at ``middle`` lies, at least.

    The binomial's tails, by the incomplete beta function for counts k and fruit n that need not be whole: P(X >= k) is
    I_p(k, n - k + 1) (e.g. Abramowitz and Stegun 1964, 26.5.24). Where luck alone often leaves no defective fruit at
    all the low limit is 0, and no crew is called too good.
    """
    tail = (1 - level) / 2
    n = np.maximum(effective_fruit, 1e-3)
    high = _root(lambda k: special.betainc(k, n - k + 1, middle) - tail, n)
    low = _root(lambda k: tail - special.betaincc(k + 1, n - k, middle), n)
    none_is_usual = (1 - middle) ** n >= tail
    all_are_usual = middle**n >= tail
    return np.where(none_is_usual, 0.0, low / n), np.where(all_are_usual, 1.0, high / n)


def _root(falling: Callable[[NDArray[np.float64]], NDArray[np.float64]], n: NDArray[np.float64]) -> NDArray[np.float64]:
    """Where a falling function of counts in 0 to n passes 0, by halving."""
    low, high = np.zeros_like(n), n.copy()
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        above = falling(middle) > 0
        low, high = np.where(above, middle, low), np.where(above, high, middle)
    return np.asarray((low + high) / 2)
