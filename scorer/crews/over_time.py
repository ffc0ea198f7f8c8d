"""Shares of defective fruit over time: which days stand out from a crew's own usual spread, and whether it drifts.

Two charts of one crew (or of all): a share for each day with limits widened for the spread between bins and days
(Laney 2002, Quality Engineering 14: 531-537), for a single bad day; and an exponentially weighted mean (Roberts 1959,
Technometrics 1: 239-250) for a slow drift that no single day shows. Both hold a crew against its own season only.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

Floats = NDArray[np.float64]

FEWEST_PERIODS: Final = 8
"""Days from which limits are drawn. With fewer the moving range, on which they rest, says little; our own choice."""
SIGMAS: Final = 3.0
_TAIL: Final = float(stats.norm.sf(SIGMAS))
EWMA_WEIGHT: Final = 0.2
EWMA_SIGMAS: Final = 2.962
"""For this weight a steady normal process signals once in about 500 periods (Lucas and Saccucci 1990, Technometrics 32:
1-12, from memory). In our own simulation of 400 steady crews over 30 days (2 bins of 15 fruit a day, icc 0.05) a signal
stood in 9 of 100 charts of days at a share of 8 % and in 17 at 3 %, and in 8 and 14 of 100 charts of drift; 8 are meant
for single days."""
MOVING_RANGE_TO_SIGMA: Final = 1.128
"""d2 for ranges of two, e.g. NIST/SEMATECH e-Handbook 6.3.2.2."""

MOST_USUAL_RANGE: Final = 3.267
"""D4 for ranges of two, same place."""

USUAL, HIGH, LOW, DRIFTING_UP, DRIFTING_DOWN = "", "high", "low", "drifting up", "drifting down"
OVER_TIME_COLUMNS: Final = (
    "period",
    "bins",
    "fruit",
    "defective",
    "share",
    "centre",
    "low",
    "high",
    "signal",
    "drift",
    "drift_centre",
    "drift_low",
    "drift_high",
    "drift_signal",
)


@dataclass(frozen=True)
class OverTime:
    """A crew's season, day by day.

    Parameters
    ----------
    table : one row per period, in order, with the columns OVER_TIME_COLUMNS. ``share`` with ``centre``, ``low`` and
        ``high`` is the chart of single days; ``drift`` with ``drift_centre``, ``drift_low`` and ``drift_high`` is the
        weighted mean, from the day after the first ones that it is held against. Limits are missing where there are
        too few days. ``signal`` and ``drift_signal`` are USUAL or one of the other words.
    sigma_z : times as wide as for independent fruit from one steady process the days spread, at least 1; missing
        without limits.
    sentences : the signals in words, or why there can be none.
    """

    table: pd.DataFrame
    sigma_z: float
    sentences: tuple[str, ...]


def over_time(
    fruit: pd.DataFrame, name: str, *, period: str = "day", cluster: str = "lot", defective: str = "defective"
) -> OverTime:
    """Both charts of the fruit of one crew, or of all crews together.

    Parameters
    ----------
    fruit : one row per fruit.
    name : whose fruit they are, for the sentences.
    period, cluster, defective : names of its columns; periods in the order in which they sort. Fruit without a period
        are left out and counted in a sentence.
    """
    known = fruit[fruit[period].notna()]
    missing = len(fruit) - len(known)
    counts = known.groupby(period, sort=True, observed=True).agg(
        bins=(cluster, "nunique"), fruit=(defective, "size"), defective=(defective, "sum")
    )
    table = counts.reset_index(names="period").astype({"fruit": "int64", "defective": "int64"})
    table["share"] = table["defective"] / table["fruit"]
    sentences = [f"{missing} fruit of {name} have no {period} and are left out here."] if missing else []
    centre = table["defective"].sum() / max(table["fruit"].sum(), 1)
    if len(table) < FEWEST_PERIODS or not 0 < centre < 1:
        sentences.append(_no_limits(name, len(table), period, centre))
        return OverTime(_with_nothing(table), np.nan, tuple(sentences))
    sigma = np.sqrt(centre * (1 - centre) / table["fruit"].to_numpy(float))
    sigma_z = max(moving_range_sigma((table["share"].to_numpy(float) - centre) / sigma), 1.0)
    table = _with_drift(_with_single_days(table, centre, sigma_z), sigma_z)
    return OverTime(table[list(OVER_TIME_COLUMNS)], sigma_z, (*sentences, *_in_words(table, name)))


def baseline_periods(periods: int) -> int:
    """How many of the first periods a drift is held against: a third of them, and FEWEST_PERIODS at least."""
    return max(FEWEST_PERIODS, periods // 3)


def moving_range_sigma(z: Floats) -> float:
    """Spread of standardised shares by their mean moving range: mean |z_i - z_(i-1)| / 1.128 (Laney 2002).

    It sees the spread from one day to the next and is not blown up by a slow drift or a single step. Ranges beyond
    3.267 times the mean, the limit of a chart of moving ranges, belong to days that stand out and are left out, so that
    a very bad day does not hide itself (Nelson 1982, Journal of Quality Technology 14: 172-173, from memory).
    """
    ranges = np.abs(np.diff(z))
    usual = ranges[ranges <= MOST_USUAL_RANGE * ranges.mean()]
    return float(usual.mean() / MOVING_RANGE_TO_SIGMA)


def weighted_means(values: Floats, start: float, weight: float = EWMA_WEIGHT) -> Floats:
    """Exponentially weighted means m_i = weight * x_i + (1 - weight) * m_(i-1), from m_0 = start (Roberts 1959)."""
    means = np.empty(len(values))
    mean = start
    for index, value in enumerate(values):
        mean = weight * value + (1 - weight) * mean
        means[index] = mean
    return means


def laney_limits(centre: float, fruit: Floats, sigma_z: float) -> tuple[Floats, Floats]:
    """Low and high limits of p': centre -+ 3 sqrt(p (1 - p) / n) sigma_z, cut to 0 to 1 (Laney 2002)."""
    reach = SIGMAS * np.sqrt(centre * (1 - centre) / fruit) * sigma_z
    return np.clip(centre - reach, 0, 1), np.clip(centre + reach, 0, 1)


def _with_single_days(table: pd.DataFrame, centre: float, sigma_z: float) -> pd.DataFrame:
    """Limits by Laney, moved out to where a beta-binomial of the same spread has its 3-sigma tails.

    Counts of few defective fruit are skewed: by three sigmas alone a steady crew at 8 % with 30 fruit a day goes over
    the limit on 1 day of 100.
    """
    fruit = table["fruit"].to_numpy(float)
    low, high = laney_limits(centre, fruit, sigma_z)
    alike = np.clip((sigma_z**2 - 1) / np.maximum(fruit - 1, 1), 1e-9, 0.999)  # the correlation that spreads so
    a, b = centre * (1 / alike - 1), (1 - centre) * (1 / alike - 1)
    low = np.minimum(low, stats.betabinom.ppf(_TAIL, fruit, a, b) / fruit)
    high = np.maximum(high, stats.betabinom.ppf(1 - _TAIL, fruit, a, b) / fruit)
    share = table["share"].to_numpy()
    signal = np.select([share > high, share < low], [HIGH, LOW], USUAL)
    return table.assign(centre=centre, low=low, high=high, signal=signal)


def _with_drift(table: pd.DataFrame, sigma_z: float) -> pd.DataFrame:
    """The weighted mean of the shares since the first days, held against those.

    Its variance grows from 0 by v_i = (weight sigma_i)^2 + (1 - weight)^2 v_(i-1), a weighted mean itself; that of the
    first days' own mean is added, for nobody knows the true one. Held against the mean of the whole season, which a
    drift moves too, a crew gone from 6 to 20 % would be missed in 1 of 3 cases.
    """
    first = baseline_periods(len(table))
    fruit, share = table["fruit"].to_numpy(float), table["share"].to_numpy(float)
    usual = table["defective"].iloc[:first].sum() / fruit[:first].sum()
    # a crew faultless so far must not be told to drift by its first defective fruit
    chance = (table["defective"].iloc[:first].sum() + 0.5) / (fruit[:first].sum() + 1)
    variance = chance * (1 - chance) * sigma_z**2
    kept = (1 - EWMA_WEIGHT) ** 2
    own = weighted_means(EWMA_WEIGHT**2 / (1 - kept) * variance / fruit[first:], 0.0, 1 - kept)
    reach = EWMA_SIGMAS * np.sqrt(own + variance / fruit[:first].sum())
    drift = weighted_means(share[first:], usual)
    low, high = np.clip([usual - reach, usual + reach], 0, 1)
    signal = np.select([drift > high, drift < low], [DRIFTING_UP, DRIFTING_DOWN], USUAL)
    columns = {"drift": drift, "drift_low": low, "drift_high": high}
    for name, values in columns.items():
        table[name] = np.concatenate([np.full(first, np.nan), values])
    return table.assign(drift_centre=usual, drift_signal=[*[USUAL] * first, *signal])


def _with_nothing(table: pd.DataFrame) -> pd.DataFrame:
    limits = dict.fromkeys(("centre", "low", "high", "drift", "drift_centre", "drift_low", "drift_high"), np.nan)
    return table.assign(**limits, signal=USUAL, drift_signal=USUAL)[list(OVER_TIME_COLUMNS)]


def _no_limits(name: str, periods: int, period: str, centre: float) -> str:
    if periods == 0:
        return f"{name}: no fruit with a {period}, so nothing can be said over time."
    if periods < FEWEST_PERIODS:
        many = f"{periods} {period}{'s' if periods > 1 else ''}"
        return f"{name}: {many} only; limits can be drawn from {FEWEST_PERIODS} on."
    what = "no fruit is defective" if centre == 0 else "every fruit is defective"
    return f"{name}: {what} on any {period}, so there is no spread to hold a {period} against."


def _in_words(table: pd.DataFrame, name: str) -> list[str]:
    said = []
    for row in table[table["signal"] != USUAL].to_dict("records"):
        beyond, limit = ("more", row["high"]) if row["signal"] == HIGH else ("less", row["low"])
        said.append(
            f"{name}, {row['period']}: {row['defective']} of {row['fruit']} fruit, {beyond} than its usual spread "
            f"(limit {100 * limit:.0f} %): ask what was different that day."
        )
    drifting = table["drift_signal"] != USUAL
    if drifting.iloc[-1]:
        begins = table["period"][drifting[::-1].cumprod()[::-1].astype(bool)].iloc[0]
        way = "up" if table["drift_signal"].iloc[-1] == DRIFTING_UP else "down"
        said.append(
            f"{name}: drifting {way}; seen since {begins}, the weighted mean now at "
            f"{100 * table['drift'].iloc[-1]:.0f} % against {100 * table['drift_centre'].iloc[-1]:.0f} % in its first "
            f"{baseline_periods(len(table))} days."
        )
    elif drifting.any():
        first, last = table.loc[drifting, "period"].iloc[[0, -1]]
        said.append(f"{name}: away from its first days' share for a while ({first} to {last}), and back since.")
    return said or [f"{name}: no day stands out from its usual spread, and no drift is seen."]
