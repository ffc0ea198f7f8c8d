"""The share of defective fruit per crew, with an interval that knows that fruit of one bin resemble each other.

Twenty fruit of one bin come from a few trees, one picker and one hour; they say less than twenty fruit of twenty
bins. How much less cannot be seen from the few bins of one crew, so that it is estimated over all crews together, and
what stays unknown of it widens every interval. See ``scorer.crews.correlation`` for the model.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import pandas as pd
from scipy.special import expit, logsumexp

from scorer.crews.bins_of_crews import bins_of_crews, checked_fruit
from scorer.crews.correlation import (
    BinCounts,
    Correlation,
    ShareCurve,
    design_effect,
    fit_crews,
    log_likelihood,
    times_likelier_apart,
)

DEFECT_SHARE_COLUMNS: Final = (
    "crew",
    "fruit",
    "clusters",
    "defective",
    "share",
    "low",
    "high",
    "design_effect",
    "icc",
    "note",
)

NO_FRUIT: Final = "no fruit, so nothing can be said of this crew"
ONE_BIN: Final = (
    "one bin only: its own fruit cannot tell how far bins differ, so the interval takes that from the other crews"
)
NO_BINS_TO_COMPARE: Final = (
    "no crew has two bins, so nobody can tell how alike fruit of a bin are: there is no honest interval"
)
NOTHING_TO_COMPARE: Final = (
    "no crew with two bins or more has both sound and defective fruit, so how alike fruit of a bin are is assumed, "
    "not seen: take the interval as rough"
)
BINS_DIFFER_MORE: Final = (
    "its bins differ more than those of the other crews can explain, so the interval goes by its own bins alone"
)
TIMES_LIKELIER: Final = 20.0
"""How many times likelier than by the other crews' icc its bins must be by one of their own to go by that alone; our
own choice. Of crews that do keep to the others' icc fewer than 1 in 100 go so by chance (our own simulation)."""
_LOG_ODDS: Final = np.linspace(-20, 20, 2001)  # of shares where luck is looked up


def defect_share(
    table: pd.DataFrame,
    *,
    crew: str = "crew",
    cluster: str = "bin",
    defective: str = "defective",
    confidence: float = 0.95,
) -> pd.DataFrame:
    """Share of defective fruit per crew, with an interval for the share of all fruit that the crew picks like these.

    The interval is the equal-tailed one of the beta-binomial model with one icc for all crews and, for each crew, the
    prior Beta(1/2, 1/2) on its share; the icc is averaged out by what all crews say of it, or by what the crew's own
    bins say where they plainly differ more than the others' icc can explain (the note tells). Where fruit are
    independent it is Jeffreys' interval (Brown, Cai and DasGupta 2001). For a crew without a defective fruit it
    starts at 0 and ends where such luck would have the probability (1 - confidence) / 2, as they advise against
    Jeffreys' being too short there; mirrored for a crew without a sound one.

    It rests on: bins drawn as if at random from all that the crew picked; one icc for all crews, whatever their
    share; bins that do not follow each other; shares of bins that spread about as a beta distribution does. Within a
    crew, one bin far worse than the rest counts for less than its fruit, so that the share need not lie in the middle
    of its interval. It says how far chance may have moved a share, not what caused it.

    Parameters
    ----------
    table : one row per fruit.
    crew, cluster, defective : names of its columns; ``defective`` holds booleans or 0 and 1. A bin belongs to one
        crew: the same name under another crew is another bin.
    confidence : probability, inside of 0 to 1, with which intervals are to hold the truth.

    Returns
    -------
    One row per crew, by name or, for a categorical, by the order of its categories and with those that have no fruit:
    ``crew``; ``fruit``, ``clusters``, ``defective`` as counts; ``share``, ``low``, ``high`` from 0 to 1;
    ``design_effect`` by Kish's formula from the crew's bin sizes and ``icc``; ``icc``, the median of what all crews
    say of the correlation (of what its own bins say for a crew that goes by those; missing where no crew has two
    bins or no bin two fruit); ``note``, which says in plain words what the sample cannot tell, or is empty.

    Raises
    ------
    ValueError
        A column or a value is missing, ``defective`` holds anything but yes and no, or ``confidence`` is out of range.
    """
    if not 0 < confidence < 1:
        raise ValueError(f"The confidence {confidence!r} must lie between 0 and 1, for instance 0.95.")
    fruit = checked_fruit(table, crew, cluster, defective)
    names, counts = bins_of_crews(fruit)
    of_crew = dict(zip(names, _rows(counts, (1 - confidence) / 2), strict=True))
    listed = list(fruit["crew"].cat.categories) if isinstance(fruit["crew"].dtype, pd.CategoricalDtype) else names
    rows = [{"crew": name, **of_crew.get(name, _NOTHING)} for name in listed]
    return pd.DataFrame(rows, columns=list(DEFECT_SHARE_COLUMNS))


_NOTHING: Final[dict[str, Any]] = {
    "fruit": 0,
    "clusters": 0,
    "defective": 0,
    "share": np.nan,
    "low": np.nan,
    "high": np.nan,
    "design_effect": np.nan,
    "icc": np.nan,
    "note": NO_FRUIT,
}


def _rows(crews: list[BinCounts], tail: float) -> list[dict[str, Any]]:
    """What the table says of each crew with fruit, but for its name."""
    if not crews:
        return []
    correlation, curves = fit_crews(crews)
    alone = all((bins.fruit == 1).all() for bins in crews)  # fruit are then independent whatever the icc
    comparable = alone or any(len(bins.fruit) > 1 for bins in crews)
    rows = []
    for bins, shared_curve, times_likelier in zip(crews, curves, times_likelier_apart(crews), strict=True):
        apart = times_likelier > TIMES_LIKELIER
        own, (curve,) = fit_crews([bins]) if apart else (correlation, (shared_curve,))
        icc = own.median if comparable and not alone else np.nan
        fruit, defective = int(bins.fruit.sum()), int(bins.defective.sum())
        low, high = _interval(bins, curve, own, tail) if comparable else (np.nan, np.nan)
        rows.append(
            {
                "fruit": fruit,
                "clusters": len(bins.fruit),
                "defective": defective,
                "share": defective / fruit,
                "low": low,
                "high": high,
                "design_effect": 1.0 if alone else design_effect(bins.fruit, icc),
                "icc": icc,
                "note": _note(bins, apart=apart, comparable=comparable, seen=alone or correlation.seen),
            }
        )
    return rows


def _note(bins: BinCounts, *, apart: bool, comparable: bool, seen: bool) -> str:
    if not comparable:
        return NO_BINS_TO_COMPARE
    if not seen:
        return NOTHING_TO_COMPARE
    if len(bins.fruit) == 1:
        return ONE_BIN
    return BINS_DIFFER_MORE if apart else ""


def _interval(bins: BinCounts, curve: ShareCurve, correlation: Correlation, tail: float) -> tuple[float, float]:
    """Low and high end of a crew's share, each missing the truth with the probability ``tail``."""
    fruit, defective = bins.fruit.sum(), bins.defective.sum()
    if defective == 0:
        return 0.0, _share_of_bare_luck(bins, correlation, tail)
    if defective == fruit:
        return 1 - _share_of_bare_luck(BinCounts(bins.fruit, bins.fruit - bins.defective), correlation, tail), 1.0
    low, high = curve.quantiles([tail, 1 - tail], correlation.weight)
    return float(low), float(high)


def _share_of_bare_luck(bins: BinCounts, correlation: Correlation, tail: float) -> float:
    """The share by which bins without a defective fruit come up with the probability ``tail``."""
    luck_of_icc = log_likelihood(bins, expit(_LOG_ODDS), correlation.icc[:, None])
    log_luck = logsumexp(luck_of_icc, axis=0, b=correlation.weight[:, None])
    return float(expit(np.interp(-np.log(tail), -log_luck, _LOG_ODDS)))
