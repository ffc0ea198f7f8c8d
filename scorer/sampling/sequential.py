"""The check at the shed door: after each tray carry on, or stop because the answer is clear.

Wald's sequential probability ratio test (Wald 1947, Sequential Analysis, chapter 5) draws two lines over the number of
fruit seen: so few bad that the delivery passes, so many that it does not. A sample of fixed size looks at every fruit
it was planned for; this one stops as soon as it can, on the average well before.

Each tray comes from a bin of its own, and fruit of one bin resemble each other. Assumption: counts are scaled to
effective fruit, n and bad both divided by the design effect 1 + (m - 1) icc, which moves the lines apart by that
factor. Wald's risks hold for single fruit without an end. So the risks of a plan here are not taken from him but
computed for its trays, exactly, where the share of bad fruit differs between bins as a beta distribution with
intra-bin correlation icc.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import islice

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from scorer.sampling.sizes import check_risk, check_share, design_effect

CARRY_ON = "carry on"
STOP_GOOD = "stop, good"
STOP_BAD = "stop, bad"

MOST_TRAYS_TRIED = 400
"""A check that takes more trays than these is no check at the door."""

MOST_FRUIT_ON_A_TRAY = 1000
"""From here on the numbers of ways to draw them leave the range of a float."""

_ROUNDING = 1e-9  # so that a count on a line counts as on it, whatever its last bit


@dataclass(frozen=True)
class DecisionLines:
    """Two parallel lines over the number of fruit seen; both in bad fruit.

    Parameters
    ----------
    accept_intercept, reject_intercept : bad fruit at which the lines start; the first is negative.
    slope : bad fruit per fruit; a share between the good and the bad one.
    """

    accept_intercept: float
    reject_intercept: float
    slope: float

    def accept_at_most(self, fruit: int) -> int:
        """Bad fruit up to which the answer after so many fruit is good; below 0 as long as it cannot be."""
        return math.floor(self.accept_intercept + self.slope * fruit + _ROUNDING)

    def reject_at_least(self, fruit: int) -> int:
        """Bad fruit from which the answer after so many fruit is bad; above ``fruit`` as long as it cannot be."""
        return math.ceil(self.reject_intercept + self.slope * fruit - _ROUNDING)

    def moved_apart(self, factor: float) -> DecisionLines:
        """The lines for fruit of which so many are worth one."""
        return DecisionLines(self.accept_intercept * factor, self.reject_intercept * factor, self.slope)

    def say(self, fruit: int, bad: int) -> str:
        """`CARRY_ON`, `STOP_GOOD` or `STOP_BAD` by the lines alone, which may go on without an end.

        Raises
        ------
        ValueError : bad fruit are fewer than 0 or more than the fruit.
        """
        _check_count(fruit, bad)
        if bad <= self.accept_at_most(fruit):
            return STOP_GOOD
        return STOP_BAD if bad >= self.reject_at_least(fruit) else CARRY_ON


@dataclass(frozen=True)
class DoorPlan:
    """A sequential check on trays that ends after a known number of them.

    Parameters
    ----------
    good_share, bad_share : shares of bad fruit that shall pass, and that shall not.
    producers_risk, consumers_risk : wanted probability to stop the good share, and to let the bad share pass.
    fruit_per_tray : fruit on a tray, each tray from a bin of its own.
    icc : intra-bin correlation.
    lines : for trays as planned, so moved apart by the design effect.
    most_trays : the answer is given after these at the latest.
    good_at_the_end : bad fruit up to which the answer is good after the last tray.
    producers_risk_reached, consumers_risk_reached : the risks that the plan has, computed exactly.
    sentence : all this in plain words.
    """

    good_share: float
    bad_share: float
    producers_risk: float
    consumers_risk: float
    fruit_per_tray: int
    icc: float
    lines: DecisionLines
    most_trays: int
    good_at_the_end: int
    producers_risk_reached: float
    consumers_risk_reached: float
    sentence: str


@dataclass(frozen=True)
class DoorAnswer:
    """What the trays seen so far say.

    Parameters
    ----------
    word : `CARRY_ON`, `STOP_GOOD` or `STOP_BAD`.
    trays, fruit, bad : what the answer rests on; trays after a stop do not count.
    sentence : the answer with its counts.
    """

    word: str
    trays: int
    fruit: int
    bad: int
    sentence: str


def decision_lines(
    good_share: float, bad_share: float, *, producers_risk: float = 0.05, consumers_risk: float = 0.10
) -> DecisionLines:
    """Wald's lines for fruit that are taken one by one.

    With k = ln(p2 q1 / (p1 q2)): accept line -ln((1 - a) / b) / k, reject line ln((1 - b) / a) / k, slope
    ln(q1 / q2) / k (Wald 1947, 5.3; NIST/SEMATECH e-Handbook, sequential sampling plans).

    Parameters
    ----------
    good_share, bad_share : p1 and p2.
    producers_risk, consumers_risk : a, to stop p1; b, to let p2 pass.

    Raises
    ------
    ValueError : shares not 0 < good < bad < 1, or risks that are not above 0 or sum to 1 or more.
    """
    check_good_and_bad(good_share, bad_share, producers_risk, consumers_risk)
    if good_share == 0 or bad_share == 1:
        raise ValueError(
            f"the good share must be above 0 and the bad share below 1, got {good_share:g} and {bad_share:g}: "
            "otherwise one fruit decides"
        )
    ratio = math.log(bad_share / good_share) + math.log((1 - good_share) / (1 - bad_share))
    return DecisionLines(
        accept_intercept=-math.log((1 - producers_risk) / consumers_risk) / ratio,
        reject_intercept=math.log((1 - consumers_risk) / producers_risk) / ratio,
        slope=math.log((1 - good_share) / (1 - bad_share)) / ratio,
    )


def check_good_and_bad(good_share: float, bad_share: float, producers_risk: float, consumers_risk: float) -> None:
    """Refuse what no plan can tell apart.

    Raises
    ------
    ValueError : shares outside 0 to 1, the bad one not above the good one, or risks that are not above 0 or sum to
        1 or more.
    """
    check_share("the good share", good_share)
    check_share("the bad share", bad_share)
    check_risk("the producer's risk", producers_risk)
    check_risk("the consumer's risk", consumers_risk)
    if bad_share <= good_share:
        raise ValueError(f"the bad share must be above the good one, got {bad_share:g} and {good_share:g}")
    if producers_risk + consumers_risk >= 1:
        raise ValueError(
            f"the risks must sum to less than 1, got {producers_risk:g} and {consumers_risk:g}; a coin does as well"
        )


def plan_door_check(
    good_share: float,
    bad_share: float,
    *,
    fruit_per_tray: int,
    icc: float,
    producers_risk: float = 0.05,
    consumers_risk: float = 0.10,
    most_trays: int | None = None,
) -> DoorPlan:
    """A check that ends: Wald's lines up to the last tray, and then one number that decides.

    Without ``most_trays`` the fewest are taken for which some number at the end keeps both risks. With it the number
    at the end is the one that keeps them best, and the risks reached say whether that is good enough.

    Parameters
    ----------
    good_share, bad_share : shares of bad fruit that shall pass, and that shall not.
    fruit_per_tray : fruit on a tray, each tray from a bin of its own.
    icc : intra-bin correlation, 0 to 1.
    producers_risk, consumers_risk : wanted probability to stop the good share, and to let the bad share pass.
    most_trays : trays after which there must be an answer.

    Raises
    ------
    ValueError : a number out of its range, or more than `MOST_TRAYS_TRIED` trays would be needed.
    """
    lines = decision_lines(good_share, bad_share, producers_risk=producers_risk, consumers_risk=consumers_risk)
    lines = lines.moved_apart(design_effect(fruit_per_tray, icc))
    if most_trays is not None and not 1 <= most_trays <= MOST_TRAYS_TRIED:
        raise ValueError(f"the most trays must be 1 to {MOST_TRAYS_TRIED}, got {most_trays}")
    good, bad = (_walk(lines, share, fruit_per_tray, icc) for share in (good_share, bad_share))
    ends = _best_ends(lines, fruit_per_tray, good, bad, producers_risk=producers_risk, consumers_risk=consumers_risk)
    if most_trays is None:
        end = next((end for end in islice(ends, MOST_TRAYS_TRIED) if end.excess <= 1), None)
    else:
        end = next(islice(ends, most_trays - 1, None))
    if end is None:
        raise ValueError(
            f"more than {MOST_TRAYS_TRIED} trays of {fruit_per_tray} fruit would be needed: take shares that lie "
            "further apart, larger trays, or larger risks"
        )
    return DoorPlan(
        good_share=good_share,
        bad_share=bad_share,
        producers_risk=producers_risk,
        consumers_risk=consumers_risk,
        fruit_per_tray=fruit_per_tray,
        icc=icc,
        lines=lines,
        most_trays=end.trays,
        good_at_the_end=end.good_at_most,
        producers_risk_reached=end.producers_risk,
        consumers_risk_reached=end.consumers_risk,
        sentence=(
            f"Take trays of {fruit_per_tray} fruit, each from a bin of its own, and stop after {end.trays} at the "
            f"latest: of deliveries with {100 * good_share:.3g} % bad fruit {100 * end.producers_risk:.1f} of 100 are "
            f"stopped by chance, of those with {100 * bad_share:.3g} % {100 * end.consumers_risk:.1f} of 100 pass, if "
            f"fruit of one bin resemble each other as assumed (icc {icc:g})."
        ),
    )


def lines_by_tray(plan: DoorPlan) -> pd.DataFrame:
    """The numbers to hold against after each tray, for a sheet at the door.

    Returns
    -------
    One row for each tray: tray, fruit (so far), good_at_most and bad_from (bad fruit so far; missing as long as that
    answer cannot be given). After the last tray there is nothing between the two, and no more bad fruit than are
    good at the end are ever waited for.
    """
    rows: list[tuple[int, int, int | None, int | None]] = []
    for tray in range(1, plan.most_trays + 1):
        fruit = tray * plan.fruit_per_tray
        good = plan.good_at_the_end if tray == plan.most_trays else plan.lines.accept_at_most(fruit)
        bad = min(plan.lines.reject_at_least(fruit), plan.good_at_the_end + 1)
        rows.append((tray, fruit, good if good >= 0 else None, bad if bad <= fruit else None))
    table = pd.DataFrame(rows, columns=["tray", "fruit", "good_at_most", "bad_from"])
    return table.astype({"tray": "int64", "fruit": "int64", "good_at_most": "Int64", "bad_from": "Int64"})


def judge_trays(plan: DoorPlan, fruit: Sequence[int], bad: Sequence[int]) -> DoorAnswer:
    """What a plan says of the trays so far; the first stop counts.

    Trays need not hold as many fruit as planned: the lines then move apart by the design effect of the trays as they
    are, 1 + (sum m^2 / sum m - 1) icc, and the number at the end keeps its distance from them. The risks of the plan
    then hold roughly, no longer exactly.

    Parameters
    ----------
    plan : the plan.
    fruit, bad : fruit on each tray and bad ones among them, in the order the trays were taken.

    Raises
    ------
    ValueError : the two differ in length, a tray holds no fruit, or more bad fruit than fruit.
    """
    if len(fruit) != len(bad):
        raise ValueError(f"fruit of {len(fruit)} trays and bad fruit of {len(bad)} do not belong together")
    planned = design_effect(plan.fruit_per_tray, plan.icc)
    above_slope = plan.good_at_the_end + 0.5 - plan.lines.slope * plan.fruit_per_tray * plan.most_trays
    fruit_so_far = bad_so_far = squares = 0
    for tray, (on_tray, bad_on_tray) in enumerate(zip(fruit, bad, strict=True), start=1):
        _check_count(on_tray, bad_on_tray)
        if on_tray == 0:
            raise ValueError(f"tray {tray} holds no fruit: leave it out")
        fruit_so_far, bad_so_far, squares = fruit_so_far + on_tray, bad_so_far + bad_on_tray, squares + on_tray**2
        factor = design_effect(squares / fruit_so_far, plan.icc) / planned
        word = plan.lines.moved_apart(factor).say(fruit_so_far, bad_so_far)
        if word == CARRY_ON:
            to_come = max(plan.most_trays - tray, 0) * plan.fruit_per_tray
            good_at_the_end = above_slope * factor + plan.lines.slope * (fruit_so_far + to_come)
            if bad_so_far > good_at_the_end:
                word = STOP_BAD
            elif tray >= plan.most_trays:
                word = STOP_GOOD
        if word != CARRY_ON:
            return _answer(word, tray, fruit_so_far, bad_so_far)
    return _answer(CARRY_ON, len(fruit), fruit_so_far, bad_so_far)


def operating_characteristic(plan: DoorPlan, shares: Iterable[float], *, true_icc: float | None = None) -> pd.DataFrame:
    """How often a plan lets a delivery pass, and how many fruit that takes, by the true share of bad fruit.

    Exact by recursion over trays and bad fruit so far, with beta-binomial trays; beside it Wald's approximations for
    lines without an end, his fruit multiplied by the design effect (Wald 1947, 3.4 and 3.5).

    Parameters
    ----------
    plan : the plan.
    shares : true shares of bad fruit, 0 to 1.
    true_icc : intra-bin correlation of the fruit as they are, to see what a wrong assumption does; None for the one
        that was planned for. Wald's columns stay with the plan's.

    Returns
    -------
    One row for each share: share, passed (probability), trays and fruit (expected), passed_wald, fruit_wald.

    Raises
    ------
    ValueError : a share or true_icc is outside 0 to 1.
    """
    rows = []
    icc = plan.icc if true_icc is None else true_icc
    effect = design_effect(plan.fruit_per_tray, plan.icc)
    for share in shares:
        check_share("the true share", share)
        passed, trays = _outcome(plan, share, icc)
        passed_wald, effective_fruit = _wald(plan, share)
        rows.append((share, passed, trays, trays * plan.fruit_per_tray, passed_wald, effective_fruit * effect))
    columns = ["share", "passed", "trays", "fruit", "passed_wald", "fruit_wald"]
    return pd.DataFrame(rows, columns=columns).astype("float64")


def chances_of_bad_on_tray(fruit: int, share: float, icc: float) -> NDArray[np.float64]:
    """Probabilities of 0 to ``fruit`` bad ones on a tray from one bin: beta-binomial, with icc 0 binomial.

    C(m, k) prod_i (p + i t) prod_j (q + j t) / prod_l (1 + l t) with t = icc / (1 - icc), i below k, j below m - k, l
    below m (Skellam 1948, J. R. Stat. Soc. B 10: 257-261): good for icc 0 and shares 0 and 1 as well, where the
    form with beta functions is not.

    Parameters
    ----------
    fruit : fruit on the tray, m.
    share : mean share of bad fruit over bins, p.
    icc : intra-bin correlation, 0 to 1; 1 for bins that are all good or all bad.

    Raises
    ------
    ValueError : fewer than 1 fruit or more than `MOST_FRUIT_ON_A_TRAY`, or share or icc outside 0 to 1.
    """
    if not 1 <= fruit <= MOST_FRUIT_ON_A_TRAY:
        raise ValueError(f"fruit on a tray must be 1 to {MOST_FRUIT_ON_A_TRAY}, got {fruit}")
    check_share("icc", icc)
    check_share("the share", share)
    if icc == 1:
        chances = np.zeros(fruit + 1)
        chances[0], chances[-1] = 1 - share, share
        return chances
    steps = np.arange(fruit) * icc / (1 - icc)
    binomial = np.array([math.comb(fruit, bad) for bad in range(fruit + 1)], dtype=np.float64)
    # divide step by step, for the products alone would leave the range of a float on a large tray
    bad_part = np.concatenate(([1.0], np.cumprod((share + steps) / (1 + steps))))
    good_part = np.array([np.prod((1 - share + steps[: fruit - bad]) / (1 + steps[bad:])) for bad in range(fruit + 1)])
    return np.asarray(binomial * bad_part * good_part)


@dataclass(frozen=True)
class _Step:
    """Probability to pass at one tray, and of every count of bad fruit to be still going after it."""

    accepted: float
    going: NDArray[np.float64]


def _walk(lines: DecisionLines, share: float, fruit_per_tray: int, icc: float) -> Iterator[_Step]:
    """Tray after tray, without an end: what the lines take out, and what goes on."""
    on_tray = chances_of_bad_on_tray(fruit_per_tray, share, icc)
    going = np.ones(1)
    fruit = 0
    while True:
        fruit += fruit_per_tray
        going = np.convolve(going, on_tray)
        good, bad = max(lines.accept_at_most(fruit) + 1, 0), lines.reject_at_least(fruit)
        accepted = float(going[:good].sum())
        going[:good] = 0
        going[bad:] = 0
        yield _Step(accepted, going)


@dataclass(frozen=True)
class _End:
    """The number that decides after the last tray, and what it leaves of both risks.

    ``excess`` is the larger of the two risks, each as a multiple of the one that is wanted.
    """

    trays: int
    good_at_most: int
    producers_risk: float
    consumers_risk: float
    excess: float


def _best_ends(
    lines: DecisionLines,
    fruit_per_tray: int,
    good: Iterator[_Step],
    bad: Iterator[_Step],
    *,
    producers_risk: float,
    consumers_risk: float,
) -> Iterator[_End]:
    """Tray after tray, the end that keeps both risks best if that tray is the last.

    ``good`` and ``bad`` walk with the good and the bad share; the risks are those that are wanted.
    """
    good_passed = bad_passed = 0.0
    for trays, (good_step, bad_step) in enumerate(zip(good, bad, strict=True), start=1):
        good_passed += good_step.accepted
        bad_passed += bad_step.accepted
        fruit = trays * fruit_per_tray
        ends = np.arange(max(lines.accept_at_most(fruit), -1), min(lines.reject_at_least(fruit), fruit + 1))
        producers = 1 - good_passed - _sum_up_to(good_step.going, ends)
        consumers = bad_passed + _sum_up_to(bad_step.going, ends)
        excess = np.maximum(producers / producers_risk, consumers / consumers_risk)
        best = int(np.argmin(excess))
        yield _End(
            trays, int(ends[best]), max(float(producers[best]), 0.0), float(consumers[best]), float(excess[best])
        )


def _sum_up_to(chances: NDArray[np.float64], ends: NDArray[np.int64]) -> NDArray[np.float64]:
    """Probability of counts up to each end; an end of -1 takes none."""
    return np.concatenate(([0.0], np.cumsum(chances)))[ends + 1]


def _outcome(plan: DoorPlan, share: float, icc: float) -> tuple[float, float]:
    """Probability to pass, and expected trays."""
    passed, trays, going = 0.0, 0.0, 1.0
    walk = _walk(plan.lines, share, plan.fruit_per_tray, icc)
    step = _Step(0.0, np.ones(1))
    for _ in range(plan.most_trays):
        trays += going
        step = next(walk)
        passed += step.accepted
        step.going[plan.good_at_the_end + 1 :] = 0  # what can no longer pass is not waited for
        going = float(step.going.sum())
    return min(passed + going, 1.0), trays


def _wald(plan: DoorPlan, share: float) -> tuple[float, float]:
    """Wald's probability to pass and expected number of fruit, for fruit taken one by one and no end."""
    lines = decision_lines(
        plan.good_share,
        plan.bad_share,
        producers_risk=plan.producers_risk,
        consumers_risk=plan.consumers_risk,
    )
    below, above, slope = -lines.accept_intercept, lines.reject_intercept, lines.slope
    if share in (0.0, 1.0):
        return (1.0, below / slope) if share == 0 else (0.0, above / (1 - slope))
    power = _wald_power(plan, share, slope)
    if power == 0:
        return above / (below + above), below * above / (slope * (1 - slope))
    upper = power * math.log((1 - plan.consumers_risk) / plan.producers_risk)
    lower = power * math.log(plan.consumers_risk / (1 - plan.producers_risk))
    if power > 0:  # the same fraction twice, each where its exponentials stay small
        passed = math.expm1(-upper) / math.expm1(lower - upper)
    else:
        passed = math.exp(-lower) * math.expm1(upper) / math.expm1(upper - lower)
    return passed, ((1 - passed) * above - passed * below) / (share - slope)


def _wald_power(plan: DoorPlan, share: float, slope: float) -> float:
    """The root h other than 0 of p (p2/p1)^h + q (q2/q1)^h = 1; 0 where the share is the slope.

    The left side is convex in h, so the root lies beyond its lowest point, seen from 0.
    """
    up = math.log(plan.bad_share / plan.good_share)
    down = math.log((1 - plan.bad_share) / (1 - plan.good_share))

    def excess(power: float) -> float:
        if max(power * up, power * down) > 700:  # the limit of a float's exponent
            return math.inf
        # terms less 1 each, for near the slope their sum differs from 1 by less than its own rounding
        return share * math.expm1(power * up) + (1 - share) * math.expm1(power * down)

    lowest = math.log((1 - share) * -down / (share * up)) / (up - down)
    if abs(share - slope) < 1e-7 * slope * (1 - slope):
        return 0.0
    inner, outer = lowest, 2 * lowest
    while excess(outer) < 0:
        outer *= 2
    for _ in range(200):
        middle = (inner + outer) / 2
        if middle in (inner, outer):
            break
        inner, outer = (middle, outer) if excess(middle) < 0 else (inner, middle)
    return (inner + outer) / 2


def _answer(word: str, trays: int, fruit: int, bad: int) -> DoorAnswer:
    meaning = {
        CARRY_ON: "too early to tell, take one more tray from another bin",
        STOP_GOOD: "few enough for the good share, no more trays are needed",
        STOP_BAD: "too many for the good share, no more trays are needed: look for the cause with the crew",
    }[word]
    seen = f"{bad} bad of {fruit} fruit on {trays} tray{'' if trays == 1 else 's'}"
    return DoorAnswer(word, trays, fruit, bad, f"{word}: {seen}, {meaning}.")


def _check_count(fruit: int, bad: int) -> None:
    if not 0 <= bad <= fruit:
        raise ValueError(f"bad fruit must be 0 to the {fruit} fruit there are, got {bad}")
