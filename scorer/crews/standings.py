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
from scipy.special import logsumexp

from scorer.crews.bins_of_crews import bins_of_crews, checked_fruit
from scorer.crews.correlation import BinCounts, fit_crews, log_likelihood, times_likelier_apart
from scorer.crews.shares import TIMES_LIKELIER

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
_NODES: Final = 400
_MIDDLES: Final = np.linspace(-4, 4, 13)
"""Middles of the population, in standard deviations of what the crews say of it: a grid that did not narrow with the
season's fruit would put all of many like crews at the nearest of its points."""
_SPREADS: Final = np.linspace(0.005, 0.405, 21)
"""Standard deviations between crews on the angular scale: from all alike to 1 % beside 35 %."""
_NEGLIGIBLE: Final = 8.0
"""Log of how much less likely than the best a point of the grid must be to be left out: exp(-8) is 0.0003."""
_FAR: Final = 1e-7
"""Likelihood, as a part of the greatest, below which for every crew a share is left out."""


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
    if not 0 < confidence < 1:
        raise ValueError(f"The confidence {confidence!r} must lie between 0 and 1, for instance 0.95.")
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
    likelihood = _log_likelihood(crews, shares)
    top = likelihood.max(axis=2, keepdims=True)
    likelihood = np.exp(likelihood - top)  # (icc, crews, nodes)
    said = (likelihood * np.exp(top - top.max(axis=0))).sum(axis=0)
    populations, log_prior = _populations(angle, said)
    near = (said > _FAR * said.max(axis=1, keepdims=True)).any(axis=0)
    likelihood, populations, shares = likelihood[..., near], populations[:, near], shares[near]
    evidence = likelihood @ populations.T  # (icc, crews, populations)
    log_weight = (np.log(np.maximum(evidence, 1e-300)) + top).sum(axis=1) + log_prior
    log_weight -= log_weight.max()
    weight = np.where(log_weight > -_NEGLIGIBLE, np.exp(log_weight), 0)
    weight /= weight.sum()
    curves, highest = np.zeros((len(crews), len(shares))), np.zeros(len(crews))
    for of_icc, weight_of_icc in zip(likelihood, weight, strict=True):
        held = weight_of_icc > 0
        given = of_icc * populations[held, None, :]  # (populations, crews, nodes)
        given /= given.sum(axis=2, keepdims=True)
        curves += np.tensordot(weight_of_icc[held], given, 1)
        highest += weight_of_icc[held] @ _chance_highest(given)
    return shares, curves, highest


def _log_likelihood(crews: list[BinCounts], shares: Floats) -> Floats:
    """Log likelihood (icc, crews, nodes), all icc alike probable beforehand.

    Crews whose bins plainly differ more than the others' go by an icc of their own, as in ``defect_share``.
    """
    icc = fit_crews(crews)[0].icc
    table = np.empty((len(icc), len(crews), len(shares)))
    for crew, (bins, times_likelier) in enumerate(zip(crews, times_likelier_apart(crews), strict=True)):
        if times_likelier > TIMES_LIKELIER:
            own = fit_crews([bins])[0].icc
            of_own = log_likelihood(bins, shares[None, :], own[:, None])
            table[:, crew] = logsumexp(of_own, axis=0) - np.log(len(own))
        else:
            table[:, crew] = log_likelihood(bins, shares[None, :], icc[:, None])
    return table


def _populations(angle: Floats, said: Floats) -> tuple[Floats, Floats]:
    """Populations that crews may be drawn from (populations, nodes), and the log probability of each beforehand.

    Middle and spread are alike probable wherever they are. Middles are taken about the crews' mean, each crew for as
    much as it says of it (as in the normal model of Gelman and others, section 5.4), the closer the more is known.

    Parameters
    ----------
    angle : (nodes,) in rad.
    said : (crews, nodes) likelihood of each crew's fruit at them, but for a factor.
    """
    said = said / said.sum(axis=1, keepdims=True)
    crew_angle = said @ angle
    crew_variance = (said * (angle - crew_angle[:, None]) ** 2).sum(axis=1)
    precision = 1 / (crew_variance + _SPREADS[:, None] ** 2)  # (spreads, crews)
    step = 1 / np.sqrt(precision.sum(axis=1, keepdims=True))  # (spreads, 1)
    middle = (precision @ crew_angle)[:, None] * step**2 + step * _MIDDLES
    with np.errstate(divide="ignore"):
        log_prior = np.log(step * ((middle > 0) & (middle < np.pi / 2)))
    away = (angle - middle[:, :, None]) / _SPREADS[:, None, None]
    populations = np.exp(-0.5 * (away**2 - (away**2).min(axis=2, keepdims=True)))
    populations /= populations.sum(axis=2, keepdims=True)
    return populations.reshape(-1, len(angle)), log_prior.reshape(-1)


def _chance_highest(curves: Floats) -> Floats:
    """Chance (..., crews) of each of independent crews (..., crews, nodes) to have the highest share, ties shared."""
    below = np.maximum(np.cumsum(curves, axis=-1) - curves / 2, 1e-30)
    others = below.prod(axis=-2, keepdims=True) / below
    chance = (curves * others).sum(axis=-1)
    return np.asarray(chance / chance.sum(axis=-1, keepdims=True))


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
