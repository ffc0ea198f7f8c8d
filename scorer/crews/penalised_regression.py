"""Logistic regression with Jeffreys' penalty, which is finite whatever the counts are.

The penalty, half the log determinant of the information, takes off the bias that few defective fruit bring, and keeps
coefficients finite where a crew or block has no defective fruit at all (Firth 1993, Biometrika 80: 27-38).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import expit, log_expit, logit

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_ROUNDING: Final = 1e-8
_ROUNDS: Final = 100
_LONGEST_STEP: Final = 2.0
_FARTHEST: Final = 100.0


@dataclass(frozen=True)
class EffectiveBins:
    """Bins as the likelihood counts them.

    Parameters
    ----------
    design : (bins, parameters) of full rank.
    bad, of : (bins,) defective fruit and all, as many as they are worth.
    """

    design: Floats
    bad: Floats
    of: Floats

    @classmethod
    def at(cls, design: Floats, bad: Floats, of: Floats, icc: float) -> EffectiveBins:
        """Bins of n fruit that count as n / (1 + (n - 1) icc), Kish's effective number."""
        worth = 1 / (1 + (of - 1) * icc)
        return cls(design, worth * bad, worth * of)

    def alike(self) -> tuple[EffectiveBins, Ints]:
        """Bins of one design as one, and where (bins,) each bin went."""
        design, place = np.unique(self.design, axis=0, return_inverse=True)
        place = place.ravel()
        bad, of = (np.bincount(place, weights=count).astype(np.float64) for count in (self.bad, self.of))
        return EffectiveBins(design, bad, of), place

    def information(self, estimate: Floats) -> Floats:
        """Fisher's information (parameters, parameters)."""
        chance = expit(self.design @ estimate)
        return np.asarray(self.design.T @ (self.design * (self.of * chance * (1 - chance))[:, None]))

    def penalised_log_likelihood(self, estimate: Floats) -> float:
        """Log-likelihood and half the log determinant of the information."""
        log_odds = self.design @ estimate
        likelihood = self.bad @ log_expit(log_odds) + (self.of - self.bad) @ log_expit(-log_odds)
        return float(likelihood + np.linalg.slogdet(self.information(estimate))[1] / 2)


@dataclass(frozen=True)
class PenalisedFit:
    """The top of the penalised likelihood.

    Parameters
    ----------
    bins : what was fitted, those of one design as one.
    estimate, covariance : coefficients, and the inverse of their information.
    leverage : (bins,) how far each of those given draws its own prediction to itself, from 0 to 1.
    """

    bins: EffectiveBins
    estimate: Floats
    covariance: Floats
    leverage: Floats

    def ends_along(self, slope: Floats, reach: float) -> tuple[Floats, Floats]:
        """Coefficients (low, high) at which the likelihood has fallen as a normal one ``reach`` sigmas off.

        They are sought along the line on which a quantity with the gradient ``slope`` changes the most for the
        likelihood that it costs; on that line a profile of the likelihood lies, to second order. For few defective
        fruit the likelihood is skewed, and its own ends are better than estimate -+ reach * error (Heinze and Schemper
        2002, Statistics in Medicine 21: 2409-2419).

        Parameters
        ----------
        slope : (parameters,) gradient of the quantity, not 0.
        reach : standard deviations.
        """
        line = self.covariance @ slope / np.sqrt(slope @ self.covariance @ slope)
        top = self.bins.penalised_log_likelihood(self.estimate)

        def lacking(sigmas: float) -> float:
            return top - self.bins.penalised_log_likelihood(self.estimate + sigmas * line) - reach**2 / 2

        return self.estimate - _end(lambda far: lacking(-far), reach) * line, self.estimate + _end(
            lacking, reach
        ) * line


def _end(lacking: Callable[[float], float], start: float) -> float:
    """Where a function that is below 0 at 0 comes above, on the right; at most _FARTHEST."""
    far = start
    while lacking(far) < 0:
        far *= 1.5
        if far > _FARTHEST:
            return _FARTHEST
    return float(brentq(lacking, 0, far, xtol=1e-6))


def penalised_fit(bins: EffectiveBins) -> PenalisedFit:
    """Fit by Firth's score.

    The score, defective - fruit * chance + leverage * (1/2 - chance), is that of a plain fit in which each bin has half
    its leverage more of sound and of defective fruit (Kosmidis and Firth 2009, Biometrika 96: 793-804): steps are those
    of that fit. Bins of one crew and mix are fitted as one, which changes neither likelihood nor information.
    """
    alike, place = bins.alike()
    design, bad, of = alike.design, alike.bad, alike.of
    estimate: Floats = np.linalg.lstsq(design, np.full(len(of), logit((bad.sum() + 0.5) / (of.sum() + 1))))[0]
    for _ in range(_ROUNDS):
        chance = expit(design @ estimate)
        covariance = np.asarray(np.linalg.inv(alike.information(estimate)), np.float64)
        leverage: Floats = ((design @ covariance) * design).sum(axis=1) * of * chance * (1 - chance)
        score = design.T @ (bad - of * chance + leverage * (0.5 - chance))
        step = np.linalg.solve(design.T @ (design * ((of + leverage) * chance * (1 - chance))[:, None]), score)
        longest = np.abs(step).max()
        if longest < _ROUNDING:
            break
        estimate = estimate + step * min(1.0, _LONGEST_STEP / longest)
    part = bins.of / of[place]  # of bins that are fitted as one each draws as it weighs
    return PenalisedFit(alike, estimate, covariance, leverage[place] * part)
