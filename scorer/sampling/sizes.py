"""How many bins, and how many fruit from each, a question about a share of bad fruit needs at least cost.

Fruit of one bin resemble each other: same tree rows, same hands, same wait in the sun. So ten more fruit from the same
bin tell less than ten fruit from ten bins. The intra-bin correlation ``icc`` says how alike they are: 0 not at all, 1
so much that one fruit tells the whole bin. A sample of n fruit, m from each bin, is worth n / (1 + (m - 1) icc) fruit
taken one by one (Kish 1965, Survey Sampling); walking to one more bin costs minutes, looking at one more fruit costs
fewer, and the cheapest split lies between.

Every size here takes icc as known and uses normal quantiles; with few bins neither holds well, hence the least number
of bins in `SplitLimits`. No correction is made for a finite lot, for the question is how a crew picks, not what one lot
happens to hold.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist
from typing import Literal

_ROUNDING = 1e-9  # so that a number that is whole but for its last bit is not rounded up


@dataclass(frozen=True)
class SamplingMinutes:
    """What sampling costs.

    Parameters
    ----------
    per_bin : minutes to go to one more bin, open it and put it back.
    per_fruit : minutes to take out and photograph one more fruit.

    Raises
    ------
    ValueError : a time is negative or not a number, or both are 0.
    """

    per_bin: float
    per_fruit: float

    def __post_init__(self) -> None:
        for name, minutes in (("per bin", self.per_bin), ("per fruit", self.per_fruit)):
            if not (math.isfinite(minutes) and minutes >= 0):
                raise ValueError(f"minutes {name} must be 0 or more, got {minutes}")
        if self.per_bin == self.per_fruit == 0:
            raise ValueError("minutes per bin and per fruit are both 0, so no split is cheaper than another: give one")

    def of(self, bins: int, fruit_per_bin: int) -> float:
        """Minutes for ``bins`` bins of ``fruit_per_bin`` fruit."""
        return bins * (self.per_bin + fruit_per_bin * self.per_fruit)


@dataclass(frozen=True)
class SplitLimits:
    """What the shed allows.

    Parameters
    ----------
    fewest_fruit_per_bin, most_fruit_per_bin : one tray is taken from a bin, and 5 to 13 fruit lie on it.
    fewest_bins : fewer bins than these say more of chance than of the crew; common practice, no source.
    most_bins : bins that there are; None for as many as it takes.

    Raises
    ------
    ValueError : a number is below 1, or a least number is above its largest.
    """

    fewest_fruit_per_bin: int = 5
    most_fruit_per_bin: int = 13
    fewest_bins: int = 5
    most_bins: int | None = None

    def __post_init__(self) -> None:
        if not 1 <= self.fewest_fruit_per_bin <= self.most_fruit_per_bin:
            raise ValueError(
                "fruit per bin must be at least 1 and the fewest not above the most, "
                f"got {self.fewest_fruit_per_bin} to {self.most_fruit_per_bin}"
            )
        if self.fewest_bins < 1 or (self.most_bins is not None and self.most_bins < self.fewest_bins):
            raise ValueError(
                f"bins must be at least 1 and the fewest not above the most, got {self.fewest_bins} to {self.most_bins}"
            )


ONE_TRAY_PER_BIN = SplitLimits()


@dataclass(frozen=True)
class SampleSize:
    """A sample that is large enough, and what it costs. Of each crew, where there are two.

    Parameters
    ----------
    fruit, bins, fruit_per_bin : fruit in all, bins to take them from, and fruit from each of these.
    minutes : time that it takes.
    crews : crews that are sampled like this: 1 or 2.
    fruit_if_independent : fruit that it would take if fruit of one bin did not resemble each other.
    design_effect : times as many fruit as that, for they do; before rounding up to whole bins.
    sentence : all this in plain words.
    """

    fruit: int
    bins: int
    fruit_per_bin: int
    minutes: float
    crews: int
    fruit_if_independent: float
    design_effect: float
    sentence: str


def design_effect(fruit_per_bin: float, icc: float) -> float:
    """Times as many fruit as with fruit taken one by one: 1 + (m - 1) icc (Kish 1965, Survey Sampling).

    Parameters
    ----------
    fruit_per_bin : fruit from each bin; for unequal trays sum(m^2) / sum(m).
    icc : intra-bin correlation, 0 to 1.

    Raises
    ------
    ValueError : fewer fruit than 1, or icc outside 0 to 1.
    """
    if not fruit_per_bin >= 1:
        raise ValueError(f"fruit per bin must be at least 1, got {fruit_per_bin}")
    check_share("icc", icc)
    return 1 + (fruit_per_bin - 1) * icc


def check_share(name: str, share: float) -> None:
    """Refuse what is no share.

    Raises
    ------
    ValueError : ``share`` is outside 0 to 1, or not a number.
    """
    if not 0 <= share <= 1:
        raise ValueError(f"{name} must be a share from 0 to 1, got {share}")


def check_risk(name: str, risk: float) -> None:
    """Refuse a risk, power or confidence that no sample can keep.

    Raises
    ------
    ValueError : ``risk`` is not between 0 and 1, both left out.
    """
    if not 0 < risk < 1:
        raise ValueError(f"{name} must lie between 0 and 1, both left out, got {risk}")


def fruit_for_half_width(
    share: float, half_width: float, *, confidence: float = 0.95, interval: Literal["wilson", "normal"] = "wilson"
) -> float:
    """Fruit, taken one by one, for an interval of a share that reaches half_width to each side; not rounded up.

    Parameters
    ----------
    share : expected share; 0.5 asks for the most.
    half_width : half the length of the interval, above 0 and below 0.5.
    confidence : of the interval.
    interval : "wilson" solves z sqrt(n p q + z^2/4) / (n + z^2) = half_width (Wilson 1927, J. Am. Stat. Assoc. 22:
        209-212); "normal" is z^2 p q / half_width^2 (e.g. Cochran 1977, Sampling Techniques, 4.4), which promises
        too much for shares near 0 and 1.

    Raises
    ------
    ValueError : a number out of its range, or a share of 0 or 1 with the normal interval.
    """
    check_share("the share", share)
    check_risk("the confidence", confidence)
    if not 0 < half_width < 0.5:
        raise ValueError(f"the half-width must be above 0 and below 0.5, got {half_width}")
    z2 = _quantile((1 + confidence) / 2) ** 2
    spread = share * (1 - share)
    if interval == "normal":
        if spread == 0:
            raise ValueError(f"the normal interval of a share of {share:g} has no length: ask for the wilson interval")
        return z2 * spread / half_width**2
    # d^2 n^2 + (2 d^2 - p q) z^2 n + (d^2 - 1/4) z^4 = 0 has one root above 0, as d is below 1/2
    d2 = half_width**2
    middle = (2 * d2 - spread) * z2
    return (-middle + math.sqrt(middle**2 - 4 * d2 * (d2 - 0.25) * z2**2)) / (2 * d2)


def fruit_to_tell_from_target(target: float, share: float, *, power: float = 0.8, alpha: float = 0.05) -> float:
    """Fruit, taken one by one, to tell a share from a fixed target by a two-sided test; not rounded up.

    ((z_(1 - alpha/2) sqrt(p0 q0) + z_power sqrt(p1 q1)) / (p1 - p0))^2, NIST/SEMATECH e-Handbook 7.2.4.2.

    Parameters
    ----------
    target : share that is held against, p0.
    share : share that is to be told from it, p1.
    power : probability to notice it.
    alpha : probability to find a difference from the target, to either side, where there is none.

    Raises
    ------
    ValueError : a number out of its range, both shares alike, or a power below 0.5 or not above alpha.
    """
    _check_question("the target", target, "the share", share, power, alpha)
    ends = _quantile(1 - alpha / 2) * _deviation(target) + _quantile(power) * _deviation(share)
    return max((ends / (share - target)) ** 2, 1.0)  # none are bad, or all: one fruit tells


def fruit_to_tell_crews_apart(one: float, other: float, *, power: float = 0.8, alpha: float = 0.05) -> float:
    """Fruit of each of two crews, taken one by one, to tell their shares apart by a two-sided test; not rounded up.

    ((z_(1 - alpha/2) sqrt(2 p q) + z_power sqrt(p1 q1 + p2 q2)) / (p1 - p2))^2 with p the mean of both, e.g. Fleiss,
    Levin and Paik 2003, Statistical Methods for Rates and Proportions, 4.2 (from memory), without its correction for
    continuity.

    Parameters
    ----------
    one, other : share of bad fruit of each crew.
    power : probability to notice the difference.
    alpha : probability to find a difference, to either side, where there is none.

    Raises
    ------
    ValueError : a number out of its range, both shares alike, or a power below 0.5 or not above alpha.
    """
    _check_question("the share of one crew", one, "that of the other", other, power, alpha)
    pooled = math.sqrt(2) * _deviation((one + other) / 2)
    ends = _quantile(1 - alpha / 2) * pooled + _quantile(power) * math.hypot(_deviation(one), _deviation(other))
    return (ends / (one - other)) ** 2


def best_fruit_per_bin(icc: float, minutes: SamplingMinutes) -> float:
    """Fruit per bin that give the most for the time, not rounded: sqrt(c_bin / c_fruit (1 - icc) / icc).

    Cochran 1977, Sampling Techniques, 10.6. Without resemblance (icc 0), or where only bins cost, as many as can be:
    infinity.

    Raises
    ------
    ValueError : icc outside 0 to 1.
    """
    check_share("icc", icc)
    if icc == 0 or minutes.per_fruit == 0:
        return math.inf
    return math.sqrt(minutes.per_bin / minutes.per_fruit * (1 - icc) / icc)


def cheapest_split(
    fruit_if_independent: float, *, icc: float, minutes: SamplingMinutes, limits: SplitLimits = ONE_TRAY_PER_BIN
) -> tuple[int, int]:
    """Bins, and fruit from each, that are worth so many fruit taken one by one and take the least time.

    Every number of fruit per bin that the limits allow is tried, for whole bins can move the optimum away from
    `best_fruit_per_bin`. Of splits that take the same time the one with more bins is given.

    Parameters
    ----------
    fruit_if_independent : fruit that the question would take, taken one by one.
    icc : intra-bin correlation, 0 to 1.
    minutes : what bins and fruit cost.
    limits : what the shed allows.

    Returns
    -------
    Bins, and fruit per bin.

    Raises
    ------
    ValueError : a number out of its range, or more bins are needed than there are.
    """
    if not (math.isfinite(fruit_if_independent) and fruit_if_independent > 0):
        raise ValueError(f"the fruit that it would take one by one must be above 0, got {fruit_if_independent}")
    splits = []
    for per_bin in range(limits.fewest_fruit_per_bin, limits.most_fruit_per_bin + 1):
        bins = max(
            limits.fewest_bins,
            math.ceil(fruit_if_independent * design_effect(per_bin, icc) / per_bin - _ROUNDING),
        )
        splits.append((minutes.of(bins, per_bin), -bins, per_bin))
    there = [split for split in splits if limits.most_bins is None or -split[1] <= limits.most_bins]
    if not there:
        fewest = min(-bins for _, bins, _ in splits)
        raise ValueError(
            f"at least {fewest} bins of {limits.most_fruit_per_bin} fruit are needed and there are only "
            f"{limits.most_bins}: sample on more days, or ask for less"
        )
    _, negative_bins, per_bin = min(there)
    return -negative_bins, per_bin


def size_for_half_width(
    share: float,
    half_width: float,
    *,
    icc: float,
    minutes: SamplingMinutes,
    confidence: float = 0.95,
    interval: Literal["wilson", "normal"] = "wilson",
    limits: SplitLimits = ONE_TRAY_PER_BIN,
) -> SampleSize:
    """The cheapest sample that pins a share down to a wanted half-width.

    Parameters as in `fruit_for_half_width` and `cheapest_split`, whose ValueErrors it raises.
    """
    alone = fruit_for_half_width(share, half_width, confidence=confidence, interval=interval)
    purpose = (
        f"to know a share near {_percent(share)} to within {100 * half_width:.3g} points either way "
        f"with {_percent(confidence)} confidence"
    )
    return _sized(alone, purpose, crews=1, icc=icc, minutes=minutes, limits=limits)


def size_to_tell_from_target(
    target: float,
    share: float,
    *,
    icc: float,
    minutes: SamplingMinutes,
    power: float = 0.8,
    alpha: float = 0.05,
    limits: SplitLimits = ONE_TRAY_PER_BIN,
) -> SampleSize:
    """The cheapest sample of one crew that tells a share from a fixed target.

    Parameters as in `fruit_to_tell_from_target` and `cheapest_split`, whose ValueErrors it raises.
    """
    alone = fruit_to_tell_from_target(target, share, power=power, alpha=alpha)
    purpose = (
        f"to notice in {_of_100(power)} samples of 100 that a crew is at {_percent(share)} and not at the target of "
        f"{_percent(target)}; of crews at the target {_of_100(alpha)} of 100 are called different all the same"
    )
    return _sized(alone, purpose, crews=1, icc=icc, minutes=minutes, limits=limits)


def size_to_tell_crews_apart(
    one: float,
    other: float,
    *,
    icc: float,
    minutes: SamplingMinutes,
    power: float = 0.8,
    alpha: float = 0.05,
    limits: SplitLimits = ONE_TRAY_PER_BIN,
) -> SampleSize:
    """The cheapest sample of each of two crews that tells their shares apart; sizes and minutes are those of one crew.

    Parameters as in `fruit_to_tell_crews_apart` and `cheapest_split`, whose ValueErrors it raises.
    """
    alone = fruit_to_tell_crews_apart(one, other, power=power, alpha=alpha)
    purpose = (
        f"to notice in {_of_100(power)} samples of 100 that one crew is at {_percent(one)} and the other at "
        f"{_percent(other)}; of crews that are alike {_of_100(alpha)} pairs of 100 are called different all the same"
    )
    return _sized(alone, purpose, crews=2, icc=icc, minutes=minutes, limits=limits)


def _sized(
    alone: float, purpose: str, *, crews: int, icc: float, minutes: SamplingMinutes, limits: SplitLimits
) -> SampleSize:
    bins, per_bin = cheapest_split(alone, icc=icc, minutes=minutes, limits=limits)
    time = minutes.of(bins, per_bin)
    of_each = " of each crew" if crews > 1 else ""
    sentence = (
        f"Take {per_bin} fruit from each of {bins} bins{of_each} ({bins * per_bin} fruit, {_duration(time)}) {purpose}."
        f" This holds if fruit of one bin resemble each other as assumed (icc {icc:g}); a difference may come from the "
        "block, the weather or the wait as well as from the picking, which no number of fruit can tell."
    )
    return SampleSize(
        fruit=bins * per_bin,
        bins=bins,
        fruit_per_bin=per_bin,
        minutes=time,
        crews=crews,
        fruit_if_independent=alone,
        design_effect=design_effect(per_bin, icc),
        sentence=sentence,
    )


def _check_question(name: str, first: float, other_name: str, second: float, power: float, alpha: float) -> None:
    check_share(name, first)
    check_share(other_name, second)
    check_risk("the power", power)
    check_risk("alpha", alpha)
    if first == second:
        raise ValueError(f"{name} and {other_name} are both {first:g}, and no sample tells alike from alike")
    if power < 0.5 or power <= alpha:
        raise ValueError(f"the power must be at least 0.5 and above alpha, got {power:g} and {alpha:g}")


def _quantile(probability: float) -> float:
    return NormalDist().inv_cdf(probability)


def _deviation(share: float) -> float:
    """Standard deviation of one fruit that is bad with this probability."""
    return math.sqrt(share * (1 - share))


def _percent(share: float) -> str:
    return f"{100 * share:.3g} %"


def _of_100(share: float) -> str:
    return f"{100 * share:.3g}"


def _duration(minutes: float) -> str:
    return f"about {minutes / 60:.1f} hours" if minutes >= 120 else f"about {minutes:.0f} minutes"
