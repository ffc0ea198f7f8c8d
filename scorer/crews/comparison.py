"""Every crew against the rest: whether it is more than luck, all comparisons taken together.

Among twenty crews that are all alike one will stand out at the usual 5 %. The p values are therefore adjusted so that
even one false accusation among all crews stays rare (Holm 1979, Scandinavian Journal of Statistics 6: 65-70).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from statsmodels.stats.multitest import multipletests

from scorer.crews.bins_of_crews import bins_of_crews, checked_fruit
from scorer.crews.correlation import BinCounts, Correlation, ShareCurve, fit_crews, times_likelier_apart
from scorer.crews.shares import TIMES_LIKELIER

Floats = NDArray[np.float64]

COMPARISON_COLUMNS: Final = (
    "crew",
    "fruit",
    "share",
    "rest_share",
    "difference",
    "low",
    "high",
    "p",
    "p_holm",
    "in_words",
)
MORE: Final = "more than the rest, and more than luck explains"
LESS: Final = "less than the rest, and more than luck explains"
LUCK: Final = "cannot be told from luck"
ALONE: Final = "no other crew to compare with"
NO_BINS: Final = "no crew has two bins, so nobody can say how far luck goes"
FEWEST_BINS: Final = 3
TOO_FEW_BINS: Final = f"fewer than {FEWEST_BINS} bins, too few to compare"
_DRAWS: Final = 20_000
_SEED: Final = 1


def compare_crews(
    table: pd.DataFrame,
    *,
    crew: str = "crew",
    cluster: str = "bin",
    defective: str = "defective",
    confidence: float = 0.95,
) -> pd.DataFrame:
    """Each crew's share of defective fruit against that of all other crews' fruit together.

    The rest is the other crews' shares, each for as much as its part of their fruit. What the fruit say of each share
    is taken from the beta-binomial model with one icc (``scorer.crews.correlation``) and drawn 20,000 times from a
    fixed seed; p is twice the part of draws on the wrong side of no difference, and the interval is that of the draws.

    Each interval and each p is for its crew alone; the words go by ``p_holm``, so that an interval may leave out 0 and
    the words still say luck.

    In our own simulation of 6 crews that are alike (6 or 12 bins of 15 or 20 fruit, shares 0.02 to 0.20, icc 0.05 and
    0.10; 400 and 200 seasons of each of the 32 mixtures) any crew at all was called different in 5 of 100 seasons, as
    is meant, and in 0 to 9 by mixture, fewest at the share 0.02; p lay below 0.05 for 2 to 8 of 100 crews. A crew whose
    bins differ far more than the others' is called different too often nevertheless: at a share of 0.1 in about 11 of
    100 seasons with an icc of 0.3 among others' 0.05, and in 22 with 0.6.

    Parameters
    ----------
    table : one row per fruit.
    crew, cluster, defective, confidence : as for ``defect_share``.

    Returns
    -------
    One row per crew, by name, with the columns COMPARISON_COLUMNS; shares and differences from 0 to 1.

    Raises
    ------
    ValueError : as ``defect_share``.
    """
    if not 0 < confidence < 1:
        raise ValueError(f"The confidence {confidence!r} must lie between 0 and 1, for instance 0.95.")
    names, crews = bins_of_crews(checked_fruit(table, crew, cluster, defective))
    fruit = np.array([bins.fruit.sum() for bins in crews], float)
    shares = np.array([bins.defective.sum() for bins in crews], float) / np.maximum(fruit, 1)
    rows: list[dict[str, Any]] = [
        {"crew": name, "fruit": int(fruit[i]), "share": shares[i]} for i, name in enumerate(names)
    ]
    if len(crews) < 2 or all(len(bins.fruit) < 2 for bins in crews):
        word = ALONE if len(crews) < 2 else NO_BINS
        return pd.DataFrame([row | {"in_words": word} for row in rows], columns=list(COMPARISON_COLUMNS))
    drawn = draw_shares(crews)
    for i, row in enumerate(rows):
        others = np.delete(fruit, i) / np.delete(fruit, i).sum()
        apart = drawn[:, i] - np.delete(drawn, i, axis=1) @ others
        row["rest_share"] = float(np.delete(shares, i) @ others)
        row["difference"] = row["share"] - row["rest_share"]
        row["low"], row["high"] = np.quantile(apart, [(1 - confidence) / 2, (1 + confidence) / 2])
        row["p"] = two_sided(apart) if len(crews[i].fruit) >= FEWEST_BINS else np.nan
    return pd.DataFrame(_with_words(rows, confidence), columns=list(COMPARISON_COLUMNS))


def draw_shares(crews: Sequence[BinCounts], draws: int = _DRAWS) -> Floats:
    """Shares (draws, crews) that the fruit make probable, the same at each call.

    All crews of a draw have one icc, but for those whose bins plainly differ more: these go by their own, as in
    ``defect_share``.
    """
    random = np.random.default_rng(_SEED)
    correlation, curves = fit_crews(crews)
    of_icc = _draws_of_icc(correlation, draws, random)
    drawn = np.empty((draws, len(crews)))
    for column, (curve, times_likelier) in enumerate(zip(curves, times_likelier_apart(crews), strict=True)):
        if times_likelier > TIMES_LIKELIER:
            own, (own_curve,) = fit_crews([crews[column]])
            drawn[:, column] = random.permutation(_draw(own_curve, _draws_of_icc(own, draws, random), random))
        else:
            drawn[:, column] = _draw(curve, of_icc, random)
    return np.asarray(np.sin(drawn) ** 2)


def _draws_of_icc(correlation: Correlation, draws: int, random: np.random.Generator) -> NDArray[np.int64]:
    """How many draws fall to each icc."""
    nodes = len(correlation.icc)
    return np.bincount(random.choice(nodes, draws, p=correlation.weight), minlength=nodes)


def _draw(curve: ShareCurve, of_icc: NDArray[np.int64], random: np.random.Generator) -> Floats:
    """Angles of shares, in the order of the icc that they go with."""
    nodes = zip(of_icc, curve.cumulated, curve.angle, strict=True)
    return np.concatenate([np.interp(random.random(number), below, angle) for number, below, angle in nodes])


def two_sided(apart: Floats) -> float:
    """Twice the part of draws on the rarer side of 0, at least 1 of the draws and at most 1."""
    below = int((apart < 0).sum())
    rarer = max(min(below, len(apart) - below), 1)
    return 2 * rarer / len(apart)


def _with_words(rows: list[dict[str, Any]], confidence: float) -> list[dict[str, Any]]:
    tested = [row for row in rows if not np.isnan(row["p"])]
    if tested:
        adjusted = multipletests([row["p"] for row in tested], method="holm")[1]
        for row, p_holm in zip(tested, adjusted, strict=True):
            row["p_holm"] = float(p_holm)
            sure = p_holm < 1 - confidence
            row["in_words"] = LUCK if not sure else MORE if row["difference"] > 0 else LESS
    return [{"in_words": TOO_FEW_BINS} | row for row in rows]
