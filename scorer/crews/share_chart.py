"""A chart of single days: how far a crew's share strays from its other days by luck alone.

Days spread more than independent fruit would, because bins and days differ; limits are widened by that spread, taken
from the moving range (Laney 2002, Quality Engineering 14: 531-537). Two things go beyond Laney, both because a crew has
few days with few defective fruit: each day is held against the other days only, for a bad day that widens its own
limits hides itself; and limits are tails of the beta-binomial, for counts near 0 are skewed. No rule looks at runs of
days: each further rule adds false alarms, and slow changes are for ``scorer.crews.drift``.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import stats
from scipy.special import betaln, gammaln

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

SIGMAS: Final = 3.0
MOVING_RANGE_TO_SIGMA: Final = 1.128
"""d2 for ranges of two, e.g. NIST/SEMATECH e-Handbook 6.3.2.2."""
MOVING_RANGE_WORTH: Final = 0.62
"""Degrees of freedom that each moving range of two is worth, for they overlap: mean ranges of k values vary like a
sigma of 0.62 (k - 1) degrees (Wheeler, from memory; a test draws it)."""
_TAIL: Final = float(stats.norm.sf(SIGMAS))
_MOST_ALIKE: Final = 0.95
_SPREADS: Final = 25


def moving_range_sigma(z: Floats) -> float:
    """Spread of standardised shares by their mean moving range: mean |z_i - z_(i-1)| / 1.128 (Laney 2002).

    It sees the spread from one day to the next and is not blown up by a slow drift or a single step.
    """
    return float(np.abs(np.diff(z)).mean() / MOVING_RANGE_TO_SIGMA)


def laney_limits(centre: float, fruit: Floats, sigma_z: float) -> tuple[Floats, Floats]:
    """Low and high limits of p': centre -+ 3 sqrt(p (1 - p) / n) sigma_z, cut to 0 to 1 (Laney 2002)."""
    reach = SIGMAS * np.sqrt(centre * (1 - centre) / fruit) * sigma_z
    return np.clip(centre - reach, 0, 1), np.clip(centre + reach, 0, 1)


def standardised(defective: Ints, fruit: Ints, centre: float) -> Floats:
    """Shares less the centre, in standard deviations of as many independent fruit."""
    z: Floats = (defective / fruit - centre) / np.sqrt(centre * (1 - centre) / fruit)
    return z


def spread_of_days(defective: Ints, fruit: Ints) -> float:
    """Times as wide as for independent fruit that days spread, at least 1, from their moving range.

    Laney's divisor 1.128 is for normal values; of counts near 0, most ranges are short and a few long, so that it comes
    out too narrow: by a tenth and more at 3 % of 30 fruit. So the spread is sought under which a beta-binomial has the
    mean range seen. For large counts that is Laney's.

    Parameters
    ----------
    defective, fruit : (days,) counts in order, of at least two days, with both sound and defective fruit among them.
    """
    centre = float(defective.sum() / fruit.sum())
    spreads, ranges = _ranges_by_spread(centre, fruit)
    return float(np.interp(_mean_range(defective, fruit, centre), ranges, spreads))


def limits_by_other_days(defective: Ints, fruit: Ints) -> tuple[Floats, Floats]:
    """Limits (days,), low and high, of each day's share by luck alone, from all days but itself.

    The tails are those of 3 sigmas, moved out by Student's t for the spread being an estimate, and the variance is that
    of the day and of the others' mean. In our own simulation of 400 steady crews at shares of 3, 8 and 20 % (icc 0.07,
    30 or 60 fruit a day) any day stood beyond its limits in at most 1 of 100 charts of 8 or 12 days, 5 of 20 and 7 of
    30 days. A day of fourfold share (70 % at most) was seen, at 3 / 8 / 20 % of 60 fruit, in 1 / 3 / 18 of 100 charts
    of 8 days, 4 / 13 / 58 of 12 and 9 / 35 / 92 of 30 days: a day within its limits is not shown to be a good one.

    Parameters
    ----------
    defective, fruit : (days,) counts in order, of at least three days.
    """
    days = len(fruit)
    spreads, ranges = _ranges_by_spread((defective.sum() + 0.5) / (fruit.sum() + 1), fruit)
    tail = float(stats.norm.sf(stats.t.isf(_TAIL, MOVING_RANGE_WORTH * (days - 2))))
    low, high = np.empty(days), np.empty(days)
    for day in range(days):
        bad, of = np.delete(defective, day), np.delete(fruit, day)
        centre = float((bad.sum() + 0.5) / (of.sum() + 1))  # others without a defective fruit are not taken for perfect
        spread = np.interp(_mean_range(bad, of, centre), ranges, spreads)
        variance = spread**2 * (1 + fruit[day] / of.sum())
        low[day], high[day] = _tails(centre, int(fruit[day]), variance, tail)
    return low / fruit, high / fruit


def _mean_range(defective: Ints, fruit: Ints, centre: float) -> float:
    return float(np.abs(np.diff(standardised(defective, fruit, centre))).mean())


def _tails(centre: float, fruit: int, variance: float, tail: float) -> tuple[int, int]:
    """The lowest and highest counts such that those beyond have a probability of ``tail`` or less on either side."""
    below = np.cumsum(_chances(centre, fruit, np.array([_alike(variance, fruit)]))[0])
    return int(np.searchsorted(below, tail, side="right")), int(np.searchsorted(below, 1 - tail))


def _alike(variance: float, fruit: int) -> float:
    """Correlation between fruit of a day under which its count has so many times the binomial's variance."""
    return float(np.clip((variance - 1) / max(fruit - 1, 1), 1e-6, _MOST_ALIKE))


def _ranges_by_spread(centre: float, fruit: Ints) -> tuple[Floats, Floats]:
    """Spreads, and the mean range of two standardised shares under each, both rising.

    The mean difference of two like counts is 2 sum F (1 - F), F being the chance to lie at or below (Gini's mean
    difference; e.g. Kendall and Stuart 1977, The Advanced Theory of Statistics, vol. 1, 2.21).
    """
    widest = np.sqrt(1 + (int(fruit.max()) - 1) * _MOST_ALIKE)
    spreads = 1 + (max(widest, 2.0) - 1) * np.linspace(0, 1, _SPREADS) ** 2
    ranges = np.zeros(_SPREADS)
    for size, days in zip(*np.unique(fruit, return_counts=True), strict=True):
        alike = np.array([_alike(spread**2, int(size)) for spread in spreads])
        below = np.cumsum(_chances(centre, int(size), alike), axis=1)
        ranges += days * 2 * (below * (1 - below)).sum(axis=1) / np.sqrt(size * centre * (1 - centre))
    ranges /= len(fruit)
    rising = int(ranges.argmax()) + 1  # beyond, nearly all counts are 0 or all, and differ less again
    return spreads[:rising], ranges[:rising]


def _chances(centre: float, fruit: int, alike: Floats) -> Floats:
    """Beta-binomial chances (alike, fruit + 1) of 0, 1, 2, ... defective fruit (Skellam 1948)."""
    count = np.arange(fruit + 1)
    a, b = (centre * (1 / alike - 1))[:, None], ((1 - centre) * (1 / alike - 1))[:, None]
    ways = gammaln(fruit + 1) - gammaln(count + 1) - gammaln(fruit - count + 1)
    chances: Floats = np.exp(ways + betaln(count + a, fruit - count + b) - betaln(a, b))
    return chances
