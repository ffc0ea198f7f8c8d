"""Where each crew stands among all, without being fooled by small samples: shrunken shares and chances, never a rank.

A crew of few fruit that happened on bad luck stands far out without being worse. So crews are taken as drawn from a
population of crews like them, how unlike these are is learnt from the season itself, and each crew's share is drawn
towards the others' as far as its own fruit say little (hierarchical model; e.g. Gelman and others 2013, Bayesian Data
Analysis, chapter 5). Crew shares are normal on the scale of arcsin(sqrt(share)); bins are beta-binomial with one icc,
as in ``scorer.crews.correlation``. Middle, spread of crews and icc are integrated over a grid.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from scorer.crews.bins_of_crews import bins_of_crews, checked_fruit
from scorer.crews.correlation import BinCounts, fit_crews, log_likelihood

Floats = NDArray[np.float64]

STANDING_COLUMNS: Final = (
    "crew",
    "fruit",
    "share",
    "shrunken",
    "low",
    "high",
    "chance_highest",
    "chance_above",
    "in_words",
)
SINGLED_OUT: Final = 0.9
"""Chance from which it is said that a crew has the highest share; our own choice."""
_NODES: Final = 240
_MIDDLES: Final = 40
_SPREADS: Final = np.linspace(0.01, 0.40, 14)
"""Standard deviations between crews on the angular scale: from all alike to 1 % beside 35 %."""
_NEGLIGIBLE: Final = 8.0
"""Log of how much less likely than the best a point of the grid must be to be left out: exp(-8) is 0.0003."""


@dataclass(frozen=True)
class Standings:
    """All crews.

    Parameters
    ----------
    table : one row per crew, by name, with the columns STANDING_COLUMNS.
    sentence : whether any crew can be singled out.
    """

    table: pd.DataFrame
    sentence: str


def crew_standings(
    table: pd.DataFrame,
    *,
    limit: float,
    crew: str = "crew",
    cluster: str = "bin",
    defective: str = "defective",
    confidence: float = 0.95,
) -> Standings:
    """Shrunken shares, the chance that a crew has the highest share of all, and that it lies above a limit.

    Chances are what this season's fruit say under the model; that a crew is near certain to be above the limit does not
    say that picking is the cause.

    Parameters
    ----------
    table : one row per fruit.
    limit : share that the shed does not want to exceed, inside of 0 to 1.
    crew, cluster, defective : names of its columns, as for ``defect_share``.
    confidence : of the interval of the shrunken share.

    Raises
    ------
    ValueError : as ``defect_share``, or the limit is out of range.
    """
    if not 0 < limit < 1:
        raise ValueError(f"The limit {limit!r} must be a share between 0 and 1, for instance 0.05.")
    names, crews = bins_of_crews(checked_fruit(table, crew, cluster, defective))
    if not crews:
        return Standings(pd.DataFrame(columns=list(STANDING_COLUMNS)), "There is no fruit, so nothing can be said.")
    shares, curves, chance_highest = _posterior(crews)
    tail = (1 - confidence) / 2
    rows: list[dict[str, Any]] = []
    for name, bins, curve, highest in zip(names, crews, curves, chance_highest, strict=True):
        cumulated = np.cumsum(curve) - curve / 2
        low, high = np.interp([tail, 1 - tail], cumulated, shares)
        above = float(1 - np.interp(limit, shares, cumulated))
        rows.append(
            {
                "crew": name,
                "fruit": int(bins.fruit.sum()),
                "share": float(bins.defective.sum() / bins.fruit.sum()),
                "shrunken": float(curve @ shares),
                "low": float(low),
                "high": float(high),
                "chance_highest": float(highest) if len(crews) > 1 else np.nan,
                "chance_above": above,
                "in_words": _in_words(above, limit),
            }
        )
    return Standings(pd.DataFrame(rows, columns=list(STANDING_COLUMNS)), _sentence(names, chance_highest))


def _posterior(crews: list[BinCounts]) -> tuple[Floats, Floats, Floats]:
    """Shares (nodes,), each crew's probability at them (crews, nodes), and its chance to have the highest (crews,)."""
    angle = np.pi / 2 * (np.arange(_NODES) + 0.5) / _NODES
    shares = np.sin(angle) ** 2
    icc = fit_crews(crews)[0].icc  # nodes that are alike probable beforehand
    likelihood = np.stack([log_likelihood(bins, shares[None, :], icc[:, None]) for bins in crews], axis=1)
    top = likelihood.max(axis=2, keepdims=True)
    likelihood = np.exp(likelihood - top)  # (icc, crews, nodes)
    middles = np.pi / 2 * (np.arange(_MIDDLES) + 0.5) / _MIDDLES
    prior = np.exp(-0.5 * ((angle - middles[:, None, None]) / _SPREADS[None, :, None]) ** 2)
    prior /= prior.sum(axis=2, keepdims=True)  # (middles, spreads, nodes)
    prior = prior.reshape(-1, _NODES)
    evidence = likelihood @ prior.T  # (icc, crews, priors)
    log_weight = (np.log(np.maximum(evidence, 1e-300)) + top).sum(axis=1)
    log_weight -= log_weight.max()
    curves, highest = np.zeros((len(crews), _NODES)), np.zeros(len(crews))
    total = 0.0
    for at_icc, at_prior in np.argwhere(log_weight > -_NEGLIGIBLE):
        weight = float(np.exp(log_weight[at_icc, at_prior]))
        given = likelihood[at_icc] * prior[at_prior]
        given /= given.sum(axis=1, keepdims=True)
        curves += weight * given
        highest += weight * _chance_highest(given)
        total += weight
    return shares, curves / total, highest / total


def _chance_highest(curves: Floats) -> Floats:
    """Chance of each of independent crews to have the highest share, ties shared out alike."""
    below = np.cumsum(curves, axis=1) - curves / 2
    log_below = np.log(np.maximum(below, 1e-300))
    others = np.exp(log_below.sum(axis=0) - log_below)
    chance = (curves * others).sum(axis=1)
    return np.asarray(chance / chance.sum())


def _in_words(above: float, limit: float) -> str:
    if 0.1 < above < 0.9:
        return f"cannot be told from {100 * limit:g} %"
    return f"{'above' if above > 0.5 else 'below'} {100 * limit:g} %, as far as can be told"


def _sentence(names: list[Any], chance_highest: Floats) -> str:
    if len(names) < 2:
        return "There is one crew only, so there is nothing to compare it with."
    first = int(chance_highest.argmax())
    if chance_highest[first] < SINGLED_OUT:
        return "No crew can be singled out as having the highest share: the differences may be luck."
    return f"{names[first]} has the highest share of all crews with a chance of {100 * chance_highest[first]:.0f} %."
