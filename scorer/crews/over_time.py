"""Shares of defective fruit over time: which days stand out from a crew's own usual spread, and whether it drifts.

Two charts of one crew (or of all): a share for each day with limits widened for the spread between bins and days
(``scorer.crews.share_chart``), for a single bad day; and an exponentially weighted mean (``scorer.crews.drift``) for a
slow drift that no single day shows. Both hold a crew against its own season only.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

from scorer.crews.bins_of_crews import checked_fruit
from scorer.crews.drift import drift_after
from scorer.crews.share_chart import limits_by_other_days, moving_range_sigma, spread_of_days, standardised

FEWEST_PERIODS: Final = 8
"""Days from which limits are drawn. With fewer the moving range, on which they rest, says little; our own choice."""

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
_LIMITS: Final = ("centre", "low", "high", "drift", "drift_centre", "drift_low", "drift_high")


@dataclass(frozen=True)
class OverTime:
    """A crew's season, day by day.

    Parameters
    ----------
    table : one row per period, in order, with the columns OVER_TIME_COLUMNS. ``share`` with ``centre``, the share of
        the whole season, ``low`` and ``high`` is the chart of single days; ``drift`` with ``drift_centre``,
        ``drift_low`` and ``drift_high`` is the weighted mean, from the day after the first ones that it is held
        against. Limits are missing where there are too few days. ``signal`` and ``drift_signal`` are USUAL or one of
        the other words.
    sigma_z : times as wide as for independent fruit from one steady process the days spread, by Laney's formula, at
        least 1; missing without limits.
    sentences : the signals in words, or why there can be none.
    """

    table: pd.DataFrame
    sigma_z: float
    sentences: tuple[str, ...]


def over_time(
    fruit: pd.DataFrame,
    name: str,
    *,
    period: str = "day",
    crew: str = "crew",
    cluster: str = "lot",
    defective: str = "defective",
) -> OverTime:
    """Both charts of the fruit of one crew, or of all crews together.

    Parameters
    ----------
    fruit : one row per fruit.
    name : whose fruit they are, for the sentences.
    period, crew, cluster, defective : names of its columns; periods in the order in which they sort. Fruit without a
        period are left out and counted in a sentence. Without a column ``crew`` all are taken for one crew's; it only
        keeps bins of the same name under different crews apart.

    Raises
    ------
    ValueError
        A column or a value is missing, or ``defective`` holds anything but yes and no.
    """
    if period not in fruit.columns:
        raise ValueError(f"The table of fruit has no column {period!r}: name the right one or add it.")
    known = fruit[fruit[period].notna()]
    missing = len(fruit) - len(known)
    sentences = [f"{missing} fruit of {name} have no {period} and are left out here."] if missing else []
    table = _counts(known if crew in known else known.assign(**{crew: name}), period, crew, cluster, defective)
    bad, of = table["defective"].to_numpy(), table["fruit"].to_numpy()
    centre = bad.sum() / max(of.sum(), 1)
    if len(table) < FEWEST_PERIODS or not 0 < centre < 1:
        sentences.append(_no_limits(name, len(table), period, centre))
        table = table.assign(**dict.fromkeys(_LIMITS, np.nan), signal=USUAL, drift_signal=USUAL)
        return OverTime(table[list(OVER_TIME_COLUMNS)], np.nan, tuple(sentences))
    low, high = limits_by_other_days(bad, of)
    signal = _beyond(table["share"].to_numpy(), low, high, HIGH, LOW)
    table = _with_drift(table.assign(centre=centre, low=low, high=high, signal=signal))
    sigma_z = max(moving_range_sigma(standardised(bad, of, centre)), 1.0)
    return OverTime(table[list(OVER_TIME_COLUMNS)], sigma_z, (*sentences, *_in_words(table, name, period)))


def baseline_periods(periods: int) -> int:
    """How many of the first periods a drift is held against: a third of them, and FEWEST_PERIODS at least."""
    return max(FEWEST_PERIODS, periods // 3)


def _counts(known: pd.DataFrame, period: str, crew: str, cluster: str, defective: str) -> pd.DataFrame:
    """One row per period, in order: period, bins, fruit, defective, share."""
    fruit = checked_fruit(known, crew, cluster, defective).assign(period=known[period])
    fruit["bin"] = fruit.groupby(["crew", "bin"], observed=True).ngroup()
    counts = fruit.groupby("period", sort=True, observed=True).agg(
        bins=("bin", "nunique"), fruit=("defective", "size"), defective=("defective", "sum")
    )
    table = counts.reset_index().astype({"bins": "int64", "fruit": "int64", "defective": "int64"})
    return table.assign(share=table["defective"] / table["fruit"])


def _with_drift(table: pd.DataFrame) -> pd.DataFrame:
    """The weighted means of the days after the first ones; nothing for those."""
    bad, of = table["defective"].to_numpy(), table["fruit"].to_numpy()
    first = baseline_periods(len(table))
    drift = drift_after(bad, of, first, spread_of_days(bad, of))
    nothing = np.full(first, np.nan)
    columns = {"drift": drift.mean, "drift_low": drift.low, "drift_high": drift.high}
    joined = {name: np.concatenate([nothing, values]) for name, values in columns.items()}
    signal = [*[USUAL] * first, *_beyond(drift.mean, drift.low, drift.high, DRIFTING_UP, DRIFTING_DOWN)]
    return table.assign(**joined, drift_centre=drift.centre, drift_signal=signal)


def _beyond(value: np.ndarray, low: np.ndarray, high: np.ndarray, above: str, below: str) -> np.ndarray:
    return np.select([value > high, value < low], [above, below], USUAL)


def _no_limits(name: str, periods: int, period: str, centre: float) -> str:
    if periods == 0:
        return f"{name}: no fruit with a {period}, so nothing can be said over time."
    if periods < FEWEST_PERIODS:
        many = f"{periods} {period}{'s' if periods > 1 else ''}"
        return f"{name}: {many} only; limits can be drawn from {FEWEST_PERIODS} on."
    what = "no fruit is defective" if centre == 0 else "every fruit is defective"
    return f"{name}: {what} on any {period}, so there is no spread to hold a {period} against."


def _in_words(table: pd.DataFrame, name: str, period: str) -> list[str]:
    said = []
    for row in table[table["signal"] != USUAL].to_dict("records"):
        beyond, limit = ("more", row["high"]) if row["signal"] == HIGH else ("less", row["low"])
        said.append(
            f"{name}, {row['period']}: {row['defective']} of {row['fruit']} fruit, {beyond} than its usual spread "
            f"(limit {100 * limit:.0f} %): ask what was different that {period}."
        )
    said += _drift_in_words(table, name, period)
    if said:
        return said
    first = baseline_periods(len(table))
    no_drift = "no drift is seen" if len(table) > first else f"drift can be looked for from {first + 1} {period}s on"
    return [
        f"{name}: no {period} stands out from its usual spread, and {no_drift}; a {period} stands out beyond about "
        f"{100 * table['high'].median():.0f} %, so smaller changes may go unseen."
    ]


def _drift_in_words(table: pd.DataFrame, name: str, period: str) -> list[str]:
    drifting = table["drift_signal"] != USUAL
    if drifting.iloc[-1]:
        now = table["drift_signal"].iloc[-1]
        begins = table["period"][(table["drift_signal"] == now)[::-1].cumprod()[::-1].astype(bool)].iloc[0]
        return [
            f"{name}: {now}; seen since {begins}, the weighted mean now at {100 * table['drift'].iloc[-1]:.0f} % "
            f"against {100 * table['drift_centre'].iloc[-1]:.0f} % in its first {baseline_periods(len(table))} "
            f"{period}s."
        ]
    if drifting.any():
        first, last = table.loc[drifting, "period"].iloc[[0, -1]]
        return [f"{name}: away from its first {period}s' share for a while ({first} to {last}), and back since."]
    return []
