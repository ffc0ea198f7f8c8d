"""Cohen's and Fleiss' kappa of words on items, with their standard errors, and of trays drawn anew."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from statsmodels.stats.inter_rater import cohens_kappa, fleiss_kappa

from scorer.agreement.intervals import Floats, Ints


@dataclass(frozen=True)
class Judged:
    """What the same people said of the same items.

    Parameters
    ----------
    said : (items, people) numbers of kinds, 0 to kinds - 1; one item or more, two people or more.
    tray : (items,) numbers of trays, from 0 without gaps.
    kinds : how many kinds there are.
    """

    said: Ints
    tray: Ints
    kinds: int

    @property
    def items(self) -> int:
        """How many items."""
        return len(self.said)

    @property
    def people(self) -> int:
        """How many people."""
        return int(self.said.shape[1])

    @property
    def trays(self) -> int:
        """On how many trays the items lie."""
        return int(self.tray.max()) + 1

    @property
    def counts(self) -> Ints:
        """How many people said each kind of each item, (items, kinds)."""
        counts: Ints = (self.said[:, :, None] == np.arange(self.kinds)).sum(axis=1)
        return counts

    @property
    def agreed(self) -> Floats:
        """Share of the pairs of people who agree on each item, (items,)."""
        shares: Floats = (self.counts * (self.counts - 1)).sum(axis=1) / (self.people * (self.people - 1))
        return shares

    @property
    def observed(self) -> float:
        """Share of agreement over items and pairs of people."""
        return float(self.agreed.mean())


@dataclass(frozen=True)
class Kappa:
    """A kappa and what its interval is made from.

    Parameters
    ----------
    kappa, observed, expected : agreement beyond chance, agreement, and agreement by chance.
    standard_error, freedom : over items, and its degrees of freedom (infinite: normal).
    of_draws : gives from how often each tray comes up, (draws, trays), the (draws,) kappas; NaN for one kind only.
    """

    kappa: float
    observed: float
    expected: float
    standard_error: float
    freedom: float
    of_draws: Callable[[Ints], Floats]


def cohen(judged: Judged) -> Kappa:
    """Cohen's kappa of two people, with the standard error of Fleiss, Cohen and Everitt (1969, Psychol. Bull. 72: 323).

    Parameters
    ----------
    judged : words of two people, neither of whom said the same of all items.
    """
    kinds = judged.kinds
    cell = (judged.tray * kinds + judged.said[:, 0]) * kinds + judged.said[:, 1]
    of_tray = np.bincount(cell, minlength=judged.trays * kinds**2).reshape(judged.trays, kinds, kinds)

    def of_draws(drawn: Ints) -> Floats:
        return _cohen_kappas(np.tensordot(drawn, of_tray, axes=1))

    table = of_tray.sum(axis=0)
    with np.errstate(all="ignore"):  # statsmodels also tests against 0, which full disagreement does not allow
        found = cohens_kappa(table)
        standard_error = float(np.sqrt(max(found.var_kappa, 0.0)))
    expected = float((table.sum(axis=0) @ table.sum(axis=1)) / table.sum() ** 2)
    return Kappa(float(found.kappa), judged.observed, expected, standard_error, np.inf, of_draws)


def _cohen_kappas(tables: Ints) -> Floats:
    """Kappa of each of many tables, (draws, kinds, kinds)."""
    share = tables / tables.sum(axis=(1, 2), keepdims=True)
    observed = np.trace(share, axis1=1, axis2=2)
    expected = (share.sum(axis=1) * share.sum(axis=2)).sum(axis=1)
    return _beyond(observed, expected)


def fleiss(judged: Judged) -> Kappa:
    """Fleiss' kappa of several people, with the standard error of Gwet (2021, Educ. Psychol. Meas. 81: 781-790).

    The variance of Fleiss (1971) and of Fleiss, Nee and Landis (1979) holds only where people agree by chance alone,
    so Gwet shows, and makes no interval; his is the linearised one, with Student's t for one item less.

    Parameters
    ----------
    judged : words of two people or more, more than one kind among them, on two items or more.
    """
    counts, agreed, items = judged.counts, judged.agreed, judged.items
    kappa = float(fleiss_kappa(counts))
    share = counts.sum(axis=0) / counts.sum()
    expected = float(share @ share)
    of_item = (agreed - expected) / (1 - expected)
    by_chance = counts @ share / judged.people
    linear = of_item - 2 * (1 - kappa) * (by_chance - expected) / (1 - expected)
    standard_error = float(np.sqrt(((linear - kappa) ** 2).sum() / (items * (items - 1))))
    sums = np.zeros((judged.trays, judged.kinds + 2))
    np.add.at(sums, judged.tray, np.column_stack([counts, agreed, np.ones(items)]))

    def of_draws(drawn: Ints) -> Floats:
        total = drawn @ sums
        shares = total[:, :-2] / total[:, :-2].sum(axis=1, keepdims=True)
        return _beyond(total[:, -2] / total[:, -1], (shares**2).sum(axis=1))

    return Kappa(kappa, judged.observed, expected, standard_error, items - 1, of_draws)


def _beyond(observed: Floats, expected: Floats) -> Floats:
    """Agreement beyond chance; NaN where chance alone would make it full."""
    room = 1 - expected
    kappas: Floats = np.full(len(room), np.nan)
    np.divide(observed - expected, room, out=kappas, where=room > 1e-12)
    return kappas
