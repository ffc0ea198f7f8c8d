"""Single sampling plans by attributes: look at n fruit of a delivery, and let it pass with at most Ac bad ones.

Binomial where the question is the process behind the delivery, hypergeometric where it is one lot so small that the
sample is a good part of it. Both take fruit drawn one by one at random from all of the lot. Whole trays from a few
bins tell less, for fruit of one bin resemble each other: `passed_with_trays` says how much less.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import partial

import numpy as np
import pandas as pd
from scipy import special, stats

from scorer.sampling.sequential import chances_of_bad_on_tray, check_good_and_bad
from scorer.sampling.sizes import check_risk, check_share

MOST_FRUIT = 100_000
"""Plans that need more fruit than these are refused."""

_ROUNDING = 1e-9  # so that 5 % of 100 fruit are 5, whatever the last bit
_ROUNDING_CHANCE = 1e-12  # so that a chance of 0.95 keeps a risk of 0.05


@dataclass(frozen=True)
class AcceptancePlan:
    """A single sampling plan.

    Parameters
    ----------
    fruit : fruit to look at, n.
    accept_at_most : bad fruit with which the delivery still passes, Ac.

    Raises
    ------
    ValueError : not 0 <= Ac < n.
    """

    fruit: int
    accept_at_most: int

    def __post_init__(self) -> None:
        if not 0 <= self.accept_at_most < self.fruit:
            raise ValueError(
                f"a plan must accept at least 0 bad fruit and fewer than it looks at, got {self.accept_at_most} of "
                f"{self.fruit}"
            )

    @property
    def reject_from(self) -> int:
        """Bad fruit from which the delivery does not pass, Re."""
        return self.accept_at_most + 1

    @property
    def sentence(self) -> str:
        """The plan in plain words."""
        return (
            f"Look at {self.fruit} fruit drawn at random: with {self.accept_at_most} bad or fewer the delivery passes, "
            f"with {self.reject_from} or more it does not."
        )


def passed_from_process(plan: AcceptancePlan, share: float) -> float:
    """Probability that a plan lets a delivery pass from a process that makes this share bad: binomial.

    Raises
    ------
    ValueError : ``share`` is outside 0 to 1.
    """
    check_share("the share", share)
    return float(stats.binom.cdf(plan.accept_at_most, plan.fruit, share))


def passed_from_lot(plan: AcceptancePlan, bad_in_lot: int, lot_fruit: int) -> float:
    """Probability that a plan lets this very lot pass: hypergeometric.

    Parameters
    ----------
    plan : the plan.
    bad_in_lot, lot_fruit : bad fruit and all fruit of the lot.

    Raises
    ------
    ValueError : the lot holds fewer fruit than the plan looks at, or than are bad.
    """
    _check_lot(plan, lot_fruit)
    if not 0 <= bad_in_lot <= lot_fruit:
        raise ValueError(f"bad fruit must be 0 to the {lot_fruit} fruit of the lot, got {bad_in_lot}")
    return float(stats.hypergeom.cdf(plan.accept_at_most, lot_fruit, bad_in_lot, plan.fruit))


def passed_with_trays(plan: AcceptancePlan, share: float, *, fruit_per_bin: int, icc: float) -> float:
    """Probability that a plan lets a delivery pass whose fruit come as trays, one from each of some bins.

    Beta-binomial trays, added up exactly; the last tray holds what is left over.

    Parameters
    ----------
    plan : the plan.
    share : mean share of bad fruit over bins.
    fruit_per_bin : fruit on a tray.
    icc : intra-bin correlation, 0 to 1; with 0 the same as `passed_from_process`.

    Raises
    ------
    ValueError : a number out of its range.
    """
    on_tray = chances_of_bad_on_tray(fruit_per_bin, share, icc)
    trays, left_over = divmod(plan.fruit, fruit_per_bin)
    bad = np.ones(1)
    for _ in range(trays):  # counts above Ac never come back, so they need not be kept
        bad = np.convolve(bad, on_tray)[: plan.reject_from]
    if left_over:
        bad = np.convolve(bad, chances_of_bad_on_tray(left_over, share, icc))[: plan.reject_from]
    return min(float(bad.sum()), 1.0)


def share_passed_with(plan: AcceptancePlan, probability: float) -> float:
    """The share of bad fruit of a process that a plan lets pass with this probability.

    P(X <= Ac) = probability, solved by the beta distribution: its quantile at 1 - probability for Ac + 1 and n - Ac
    (Clopper and Pearson 1934, Biometrika 26: 404-413).

    Raises
    ------
    ValueError : ``probability`` is not between 0 and 1.
    """
    check_risk("the probability", probability)
    return float(stats.beta.ppf(1 - probability, plan.accept_at_most + 1, plan.fruit - plan.accept_at_most))


def smallest_plan(
    good_share: float,
    bad_share: float,
    *,
    producers_risk: float = 0.05,
    consumers_risk: float = 0.10,
    lot_fruit: int | None = None,
) -> AcceptancePlan:
    """The plan with the fewest fruit that keeps both risks.

    For each acceptance number in turn the fewest fruit that keep the consumer's risk are taken; the first that keep
    the producer's risk as well are the answer, for that number of fruit grows with the acceptance number.

    Parameters
    ----------
    good_share : to pass with probability 1 - producers_risk or more, p1.
    bad_share : to pass with probability consumers_risk or less, p2.
    producers_risk, consumers_risk : the two risks.
    lot_fruit : fruit of the lot, for a plan on this very lot: with at most p1 of them bad it is to pass, with at
        least p2 it is not. None for the process behind it.

    Raises
    ------
    ValueError : a number out of its range, bad_share not above good_share, or more than `MOST_FRUIT` are needed.
    """
    check_good_and_bad(good_share, bad_share, producers_risk, consumers_risk)
    if lot_fruit is None:
        most = MOST_FRUIT

        def passed(fruit: int, at_most: int, bad: float) -> float:
            return float(special.bdtr(at_most, fruit, bad))  # the binomial's, a hundred times as fast

        good, bad = good_share, bad_share
    else:
        if lot_fruit < 1:
            raise ValueError(f"a lot must hold at least 1 fruit, got {lot_fruit}")
        most = lot_fruit

        def passed(fruit: int, at_most: int, bad: float) -> float:
            return float(stats.hypergeom.cdf(at_most, lot_fruit, bad, fruit))

        good = math.floor(good_share * lot_fruit + _ROUNDING)
        bad = math.ceil(bad_share * lot_fruit - _ROUNDING)
    fruit = 0
    for at_most in range(most):
        keeps = partial(_keeps, passed, at_most, bad, consumers_risk)
        fruit = _fewest(keeps, max(fruit, at_most + 1), most)
        if fruit > most:
            break
        if passed(fruit, at_most, good) >= 1 - producers_risk - _ROUNDING_CHANCE:
            return AcceptancePlan(fruit, at_most)
    raise ValueError(
        f"no plan of up to {most} fruit tells {100 * good_share:g} % from {100 * bad_share:g} % with these risks: take "
        "shares that lie further apart, or larger risks"
    )


def oc_curve(plan: AcceptancePlan, shares: Iterable[float], *, lot_fruit: int | None = None) -> pd.DataFrame:
    """The operating characteristic of a plan: how often a delivery passes, by its share of bad fruit.

    Parameters
    ----------
    plan : the plan.
    shares : shares of bad fruit, 0 to 1; of a lot the nearest that it can have is taken.
    lot_fruit : fruit of the lot; None for the process behind it.

    Returns
    -------
    One row for each share: share and passed (probability); of a lot share is bad_in_lot / lot_fruit, and bad_in_lot
    stands beside it.

    Raises
    ------
    ValueError : a share outside 0 to 1, or a lot of fewer fruit than the plan looks at.
    """
    wanted = list(shares)
    for share in wanted:
        check_share("the share", share)
    if lot_fruit is None:
        rows = [(share, passed_from_process(plan, share)) for share in wanted]
        return pd.DataFrame(rows, columns=["share", "passed"]).astype("float64")
    _check_lot(plan, lot_fruit)
    counts = [math.floor(share * lot_fruit + 0.5) for share in wanted]
    table = pd.DataFrame(
        [(bad / lot_fruit, bad, passed_from_lot(plan, bad, lot_fruit)) for bad in counts],
        columns=["share", "bad_in_lot", "passed"],
    )
    return table.astype({"share": "float64", "bad_in_lot": "int64", "passed": "float64"})


# MIL-STD-105E, table I, level II: most fruit of a lot, and fruit to look at, for the code letters C to L (read); B,
# which no lot here asks for but an arrow leads to, from memory. ISO 2859-1 has the same cells (from memory).
_LOTS_UP_TO = (25, 50, 90, 150, 280, 500, 1200, 3200, 10000)
_FEWEST_OF_THE_TABLE = 16
_SIZES = (3, 5, 8, 13, 20, 32, 50, 80, 125, 200)
# Table II-A, normal inspection: from one code letter, or one AQL, to the next these follow each other.
_AQLS_PERCENT = (1.0, 1.5, 2.5, 4.0, 6.5, 10.0)
_STEPS: tuple[int | None, ...] = (0, None, None, 1, 2, 3, 5, 7, 10, 14, 21)
_STEP_OF_ZERO = 3  # code letters after B, and AQLs after 1.0, from where 0 is first accepted: C at 2.5
_UP, _DOWN = -1, 1


def plan_of_the_table(lot_fruit: int, aql_percent: float) -> AcceptancePlan:
    """The plan of ISO 2859-1 and MIL-STD-105E for a lot: level II, normal inspection, single sampling.

    The tables stand for series of lots and their rules for switching between normal, tightened and reduced
    inspection; for one lot alone choose both risks with `smallest_plan`.

    Parameters
    ----------
    lot_fruit : fruit of the lot, 16 to 10000.
    aql_percent : acceptance quality limit in percent: 1, 1.5, 2.5, 4, 6.5 or 10.

    Raises
    ------
    ValueError : a lot or an AQL that is not in the table.
    """
    if not _FEWEST_OF_THE_TABLE <= lot_fruit <= _LOTS_UP_TO[-1]:
        raise ValueError(
            f"the table is for lots of {_FEWEST_OF_THE_TABLE} to {_LOTS_UP_TO[-1]} fruit, got {lot_fruit}: look at "
            "every fruit of a smaller lot, and divide a larger one"
        )
    if aql_percent not in _AQLS_PERCENT:
        known = ", ".join(f"{aql:g}" for aql in _AQLS_PERCENT)
        raise ValueError(f"the table has the AQLs {known} %, got {aql_percent:g}")
    letter = 1 + next(i for i, most in enumerate(_LOTS_UP_TO) if lot_fruit <= most)
    step = letter + _AQLS_PERCENT.index(aql_percent)
    # A cell without a number points up to the row above if it stands next to the 0 or past the 21, else down.
    while True:
        place = step - _STEP_OF_ZERO
        if 0 <= place < len(_STEPS) and (at_most := _STEPS[place]) is not None:
            return AcceptancePlan(_SIZES[letter], at_most)
        move = _UP if place == 1 or place >= len(_STEPS) else _DOWN
        letter, step = letter + move, step + move


def _keeps(passed: Callable[[int, int, float], float], at_most: int, bad: float, risk: float, fruit: int) -> bool:
    return passed(fruit, at_most, bad) <= risk + _ROUNDING_CHANCE


def _fewest(holds: Callable[[int], bool], least: int, most: int) -> int:
    """The smallest number from least to most for which ``holds``, which holds from there on; most + 1 if none."""
    below, above = least - 1, most + 1
    while above - below > 1:
        middle = (below + above) // 2
        if holds(middle):
            above = middle
        else:
            below = middle
    return above


def _check_lot(plan: AcceptancePlan, lot_fruit: int) -> None:
    if lot_fruit < plan.fruit:
        raise ValueError(f"the plan looks at {plan.fruit} fruit and the lot holds only {lot_fruit}")
