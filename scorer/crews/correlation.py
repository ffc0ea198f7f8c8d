"""How alike fruit of one bin are, estimated over all crews together by the beta-binomial likelihood.

Model: bin i of crew c has its own chance of a defective fruit, drawn from a beta distribution with mean ``p_c`` and
variance ``icc * p_c * (1 - p_c)``; its fruit are then independent. Every crew has its own ``p_c``, all share ``icc``,
the correlation between two fruit of a bin (Skellam 1948; Griffiths 1973).

A crew's share is taken from its own fruit only: nothing draws it towards the other crews.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

ICC_NODES: Final = 40
SHARE_NODES: Final = 128
MIXING_NODES: Final = 512
"""So many that a curve's error moves no end of an interval by a hundredth of its standard deviation."""
_REACH: Final = 6.0
"""Standard deviations of a crew's share, on the angular scale, that its nodes reach to either side."""
_NEGLIGIBLE: Final = 18.0
"""Log of how much less likely than the best an icc must be to be left out: exp(-18) is 1.5e-8."""
_ANY_ICC: Final = np.linspace(0, np.sqrt(0.9), 24) ** 2


@dataclass(frozen=True)
class BinCounts:
    """Fruit of one crew, counted by bin.

    Parameters
    ----------
    fruit, defective : (bins,) counts, with 0 <= defective <= fruit and fruit >= 1.
    """

    fruit: Ints
    defective: Ints

    @property
    def tells_correlation(self) -> bool:
        """Whether the way defective fruit lie among the bins can tell anything of the correlation."""
        defective, fruit = self.defective.sum(), self.fruit.sum()
        return len(self.fruit) > 1 and bool((self.fruit > 1).any()) and 0 < defective < fruit


@dataclass(frozen=True)
class ShareCurve:
    """What the fruit of one crew say of its share, for every icc of a row of them.

    Parameters
    ----------
    angle : (icc, nodes + 1) arcsin(sqrt(share)) in rad, rising along each row.
    cumulated : (icc, nodes + 1) probability that the share lies below, from 0 to 1.
    log_evidence : (icc,) log probability of the crew's bins, its share averaged out.
    """

    angle: Floats
    cumulated: Floats
    log_evidence: Floats

    def quantiles(self, below: Sequence[float], weight: Floats) -> Floats:
        """Shares that the true one lies below with the probabilities ``below``, icc averaged out by ``weight``."""
        held = weight > 0
        angle = np.linspace(self.angle[held].min(), self.angle[held].max(), MIXING_NODES + 1)
        rows = zip(weight[held], self.angle[held], self.cumulated[held], strict=True)
        cumulated = sum((w * np.interp(angle, at, part) for w, at, part in rows), np.zeros(len(angle)))
        shares: Floats = np.sin(np.interp(below, cumulated, angle)) ** 2
        return shares


@dataclass(frozen=True)
class Correlation:
    """The icc as the season tells it: values of it, and how probable each is.

    Parameters
    ----------
    icc, weight : (nodes,) values of the icc in 0 to 1, rising, and their probabilities, which sum to 1.
    seen : whether any crew's bins could tell of it; otherwise the weights are the assumption made beforehand.
    """

    icc: Floats
    weight: Floats
    seen: bool

    @property
    def median(self) -> float:
        """The icc that the true one lies below as probably as above."""
        middle = np.cumsum(self.weight) - self.weight / 2
        return float(np.interp(0.5, middle, self.icc))


def mean_bin_fruit(fruit: Ints) -> float:
    """Fruit in the bin of a fruit taken at random, sum(m^2) / sum(m): the bin size in Kish's design effect."""
    return float((fruit.astype(np.float64) ** 2).sum() / fruit.sum())


def design_effect(fruit: Ints, icc: float) -> float:
    """How many times the variance of a share grows for fruit coming in bins: 1 + (m - 1) icc.

    Kish (1965), Survey Sampling, section 5.4; for bins of unlike size with m = sum(m^2) / sum(m) (Kish 1987).

    Parameters
    ----------
    fruit : (bins,) fruit in each bin.
    icc : correlation between two fruit of a bin.
    """
    return 1 + (mean_bin_fruit(fruit) - 1) * icc


def log_likelihood(bins: BinCounts, share: Floats, icc: Floats) -> Floats:
    """Log probability of these very bins, but for the binomial coefficients, which no share or icc changes.

    Written as products of single fruit, sum over j of log(p (1 - icc) + j icc) for the defective fruit j = 0, 1, ...
    of each bin, likewise with 1 - p for the sound, less log(1 - icc + j icc) for all (Griffiths 1973; Smith 1983,
    Applied Statistics algorithm AS 189): it holds at icc = 0, where gamma functions do not.

    Parameters
    ----------
    bins : the crew's.
    share, icc : arrays that broadcast, share inside of 0 to 1 and 0 <= icc < 1.
    """
    total: Floats = np.zeros(np.broadcast_shapes(share.shape, icc.shape))
    for count, chance in ((bins.defective, share), (bins.fruit - bins.defective, 1 - share)):
        first = chance * (1 - icc)
        for j, reached in enumerate(_bins_with_more_than(count)):
            total += reached * np.log(first + j * icc)
    for j, reached in enumerate(_bins_with_more_than(bins.fruit)):
        total -= reached * np.log1p((j - 1) * icc)
    return total


def _bins_with_more_than(count: Ints) -> Ints:
    """How many bins hold more than 0, 1, 2, ... of the counted fruit."""
    return len(count) - np.cumsum(np.bincount(count))[:-1]


def share_curve(bins: BinCounts, icc: Floats) -> ShareCurve:
    """A crew's share given its own bins, for each ``icc`` (n,), beforehand Beta(1/2, 1/2).

    That prior, Jeffreys' for independent fruit, is level on the scale of arcsin(sqrt(share)), where the standard
    deviation is about sqrt(design effect / fruit) / 2 whatever the share.
    """
    fruit, defective = bins.fruit.sum(), bins.defective.sum()
    middle = np.arcsin(np.sqrt((defective + 0.5) / (fruit + 1)))
    reach = _REACH / 2 * np.sqrt((1 + (mean_bin_fruit(bins.fruit) - 1) * icc) / fruit)
    low, high = np.maximum(0, middle - reach)[:, None], np.minimum(np.pi / 2, middle + reach)[:, None]
    angle = low + (high - low) * np.linspace(0, 1, SHARE_NODES + 1)
    log_density = log_likelihood(bins, np.sin((angle[:, 1:] + angle[:, :-1]) / 2) ** 2, icc[:, None])
    top = log_density.max(axis=1, keepdims=True)
    cumulated = np.zeros_like(angle)
    np.cumsum(np.exp(log_density - top), axis=1, out=cumulated[:, 1:])
    total = cumulated[:, -1:].copy()
    log_evidence = (np.log(total * (high - low)) + top)[:, 0]
    return ShareCurve(angle, cumulated / total, log_evidence)


def fit_crews(crews: Sequence[BinCounts]) -> tuple[Correlation, tuple[ShareCurve, ...]]:
    """The icc that all crews share, from the beta-binomial likelihood, and each crew's curve at those values of it.

    Every crew's own share is averaged out of the likelihood; putting its best share instead would bring the icc out
    too low where there are many crews of few bins each (Neyman and Scott 1948). Beforehand 1 / design effect, the
    part of a sample of fruit that counts as independent, is taken to lie anywhere from 1 / m to 1 alike, m being
    the fruit per bin: the uniform shrinkage prior (Daniels 1999; Natarajan and Kass 2000), under which an icc of 0.05
    is middling for bins of 20.

    Parameters
    ----------
    crews : the bins of every crew with fruit, at least one crew; those with one bin, or without both sound and
        defective fruit, tell nothing of the icc and do not count for it.
    """
    bin_fruit = mean_bin_fruit(np.concatenate([bins.fruit for bins in crews]))
    if bin_fruit == 1:
        independent = np.zeros(1)
        return Correlation(independent, np.ones(1), seen=False), _curves(crews, independent)
    telling = [bins.tells_correlation for bins in crews]
    low, high = 1 / bin_fruit, 1.0
    while True:
        width = (high - low) / ICC_NODES
        part = high - width * (np.arange(ICC_NODES) + 0.5)  # falling, so that the icc rises
        icc = (1 / part - 1) / (bin_fruit - 1)
        curves = _curves(crews, icc)
        log_weight = np.zeros(ICC_NODES)
        for curve, tells in zip(curves, telling, strict=True):
            log_weight += curve.log_evidence if tells else 0
        log_weight -= log_weight.max()
        held = np.flatnonzero(log_weight > -_NEGLIGIBLE)
        if len(held) >= ICC_NODES / 3:
            weight = np.where(log_weight > -_NEGLIGIBLE, np.exp(log_weight), 0)
            return Correlation(icc, weight / weight.sum(), seen=any(telling)), curves
        # The likely values fill few nodes, so look again at those only; the next node to either side may hold some.
        low, high = max(low, part[held[-1]] - 1.5 * width), min(high, part[held[0]] + 1.5 * width)


def _curves(crews: Sequence[BinCounts], icc: Floats) -> tuple[ShareCurve, ...]:
    return tuple(share_curve(bins, icc) for bins in crews)


def times_likelier_apart(crews: Sequence[BinCounts]) -> Floats:
    """How many times likelier a crew's bins are by a higher icc of their own than by what the others say of it.

    Parameters
    ----------
    crews : the bins of every crew with fruit.

    Returns
    -------
    (crews,) ratios of probabilities; 1 where a lower icc fits the crew better, or nothing can be compared.
    """
    ratios = np.ones(len(crews))
    telling = [index for index, bins in enumerate(crews) if bins.tells_correlation]
    if len(telling) < 2:
        return ratios
    evidence = np.stack([share_curve(crews[index], _ANY_ICC).log_evidence for index in telling])
    prior = np.gradient(_ANY_ICC)
    for row, index in enumerate(telling):
        others = np.delete(evidence, row, axis=0).sum(axis=0)
        weight = np.exp(others - others.max()) * prior
        weight /= weight.sum()
        best = int(evidence[row].argmax())
        if _ANY_ICC[best] > weight @ _ANY_ICC:
            ratios[index] = 1 / (weight @ np.exp(evidence[row] - evidence[row, best]))
    return ratios
