"""Which fruit an officer should look at next, so that the crews' intervals narrow most; and when it is enough.

Fruit are drawn by lot, doubtful ones with a higher chance, and the chance is kept with the check: what comes from both
words (``scorer.crews.prediction_powered``) stays right on the average, where a list of the most doubtful fruit alone
would bend it. The summed variance of the crews' shares is least when a fruit's chance goes with the root of how
probably the scorer's word on it is wrong, divided by its crew's fruit (Neyman 1934, Journal of the Royal Statistical
Society 97: 558-625; Zrnic and Candès 2024, arXiv 2403.03208).
"""

from __future__ import annotations

import secrets
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from scorer.crews.prediction_powered import FEWEST_BINS_CHECKED, FEWEST_CHECKED, shares_from_both

Floats = NDArray[np.float64]

TO_CHECK_COLUMNS: Final = ("photo", "fruit", "crew", "bin", "said", "why", "check_chance")
LEAST_DOUBT: Final = 0.01
"""No fruit is taken to be surer than this, so that each keeps a chance to be drawn."""
SMALL_GAIN: Final = 0.05
"""More checks are not worth it where they narrow an interval by less than this part of it; our own choice."""
NEXT_CHECKS: Final = 10
_SEED_BITS: Final = 32
_PRIOR_WRONG, _PRIOR_CHECKED = 1.0, 10.0  # before any check: 1 wrong of 10


@dataclass(frozen=True)
class ChecksToDo:
    """Fruit to look at.

    Parameters
    ----------
    seed : draws the same fruit again from the same table.
    fruit : one row per fruit with the columns TO_CHECK_COLUMNS, in the order of the photos: ``said`` is the scorer's
        word, ``why`` why it was likely to be drawn, ``check_chance`` the chance with which it was.
    """

    seed: int
    fruit: pd.DataFrame


def draw_checks(fruit: pd.DataFrame, number: int, *, cluster: str = "lot", seed: int | None = None) -> ChecksToDo:
    """Draw fruit to check among those that nobody has checked yet, spread over crews and bins.

    Systematic drawing with unequal chances along crews and bins in order, each bin's fruit mixed (Madow 1949, Annals of
    Mathematical Statistics 20: 333-354). Where part of a crew's fruit is checked already, ``check_chance`` counts both
    drawings, the earlier as if by lot.

    Parameters
    ----------
    fruit : one row per fruit: photo, fruit, crew, bin, the cluster, ``defective``, ``checked_downgraded``, and if there
        is one ``doubt`` (0 to 1, how probably the scorer's word is wrong); else it is learnt from the checks so far.
    number : fruit to draw; all that are left where there are fewer.
    seed : 0 or more; None to draw one.

    Raises
    ------
    ValueError : ``number`` is not at least 1, ``seed`` is negative, or a doubt is no probability.
    """
    if number < 1:
        raise ValueError(f"the number of fruit to check must be at least 1, got {number}")
    chosen_seed = secrets.randbits(_SEED_BITS) if seed is None else seed
    draw = np.random.default_rng(chosen_seed)
    left = fruit[fruit["checked_downgraded"].isna()]
    left = left.iloc[draw.permutation(len(left))].sort_values(["crew", cluster], kind="stable")
    doubt = _doubt(fruit, left)
    if not len(left):
        return ChecksToDo(chosen_seed, pd.DataFrame(columns=list(TO_CHECK_COLUMNS)))
    crew_fruit = left["crew"].map(fruit["crew"].value_counts()).to_numpy(float)
    chance = chances(np.sqrt(doubt) / crew_fruit, number)
    taken = np.diff(np.floor(np.concatenate([[0.0], np.cumsum(chance)]) + draw.random()).astype(int)) > 0
    before = left["crew"].map(fruit["checked_downgraded"].notna().groupby(fruit["crew"]).mean()).to_numpy(float)
    rows = left.assign(
        said=np.where(left["defective"], "downgraded", "not downgraded"),
        why=[f"its word is wrong about {100 * one:.0f} times of 100" for one in doubt],
        check_chance=1 - (1 - before) * (1 - chance),
    )[taken]
    return ChecksToDo(chosen_seed, rows.sort_values(["photo", "fruit"])[list(TO_CHECK_COLUMNS)].reset_index(drop=True))


def chances(weight: Floats, number: int) -> Floats:
    """Chances in proportion to weights that sum to ``number``, none above 1; all 1 where there are not more fruit.

    Parameters
    ----------
    weight : (n,) above 0.
    """
    chance = np.ones(len(weight))
    free = np.full(len(weight), number < len(weight))
    while free.any():
        chance[free] = (number - (~free).sum()) * weight[free] / weight[free].sum()
        certain = free & (chance >= 1)
        if not certain.any():
            break
        chance[certain] = 1.0
        free &= ~certain
    return chance


def checks_worth(fruit: pd.DataFrame, *, cluster: str = "lot") -> pd.DataFrame:
    """Per crew, by how much NEXT_CHECKS more checks would narrow its interval, and whether it is enough.

    The part of the variance that checking leaves falls as 1 / checks; the rest, that between bins, stays.

    Returns
    -------
    One row per crew: crew, checked, ``narrower_by`` (part of the interval's width; missing before there is one),
    ``enough``, and ``sentence``.
    """
    rows: list[dict[str, Any]] = []
    for row in shares_from_both(fruit, cluster=cluster).to_dict("records"):
        crew, checked, left = row["crew"], row["checked"], row["left_to_checks"]
        about = {"crew": crew, "checked": checked}
        if pd.isna(left):
            sentence = (
                f"{crew}: {checked} of {row['fruit']} fruit checked; its figure from both words needs "
                f"{FEWEST_CHECKED} in {FEWEST_BINS_CHECKED} bins."
            )
            rows.append(about | {"narrower_by": np.nan, "enough": False, "sentence": sentence})
            continue
        gain = 1 - float(np.sqrt(1 - left * NEXT_CHECKS / (checked + NEXT_CHECKS)))
        enough = gain < SMALL_GAIN
        sentence = f"{crew}: {NEXT_CHECKS} more checks would narrow its interval by about {100 * gain:.0f} %"
        sentence += "; enough, more bins would tell more." if enough else "."
        rows.append(about | {"narrower_by": gain, "enough": enough, "sentence": sentence})
    return pd.DataFrame(rows, columns=["crew", "checked", "narrower_by", "enough", "sentence"])


def _doubt(fruit: pd.DataFrame, left: pd.DataFrame) -> Floats:
    """How probably the scorer's word on each fruit that is left is wrong."""
    if "doubt" in left:
        told = left["doubt"].to_numpy(np.float64)
        if not ((told >= 0) & (told <= 1)).all():
            raise ValueError("the column doubt must hold probabilities from 0 to 1, without gaps")
        return np.asarray(np.maximum(told, LEAST_DOUBT))
    checked = fruit[fruit["checked_downgraded"].notna()]
    wrong = checked["defective"].astype(bool) != checked["checked_downgraded"].astype(bool)
    by_word = wrong.groupby(checked["defective"].astype(bool)).agg(["sum", "size"])
    by_word = by_word.reindex([False, True], fill_value=0)
    rate = (by_word["sum"] + _PRIOR_WRONG) / (by_word["size"] + _PRIOR_CHECKED)
    return np.asarray(np.maximum(left["defective"].astype(bool).map(rate).to_numpy(np.float64), LEAST_DOUBT))
