"""How often the scorer is right, counted from fruit that an officer checked by eye."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from scorer.crews.both_words import BothWords, both_words


@dataclass(frozen=True)
class ErrorRates:
    """How often the scorer is right, counted from checked fruit.

    Parameters
    ----------
    found, defective : defective fruit that the scorer called so, of those there were.
    left_alone, sound : sound fruit that it called so, of those there were.

    All four are whole where checked fruit count alike, else what they are worth as independent fruit.
    """

    found: float
    defective: float
    left_alone: float
    sound: float

    @property
    def sensitivity(self) -> float:
        """Share of defective fruit that the scorer finds; NaN without any."""
        return self.found / self.defective if self.defective else np.nan

    @property
    def specificity(self) -> float:
        """Share of sound fruit that it leaves alone; NaN without any."""
        return self.left_alone / self.sound if self.sound else np.nan

    @property
    def tells_apart(self) -> bool:
        """Whether the scorer beats chance, as counted and after the pull to 1/2 that the interval gives small counts.

        Where only the second fails, the formula would divide by a number below 0 and turn the share round.
        """
        pulled = (self.found + 1) / (self.defective + 2) + (self.left_alone + 1) / (self.sound + 2)
        return self.sensitivity + self.specificity > 1 and pulled > 1


def error_rates(
    table: pd.DataFrame, *, crew: str = "crew", cluster: str = "lot", defective: str = "defective"
) -> ErrorRates:
    """How often the scorer is right among the checked fruit of all crews.

    Checked fruit are counted as ``counted`` says; where their chances to be drawn were kept and unlike, fruit that had
    a small chance count for more, so that drawing doubtful fruit more often does not make the scorer look worse, nor
    drawing those called defective make it look keener.

    Parameters
    ----------
    table : one row per fruit: crew, the cluster, ``defective``, the scorer's word, ``checked_downgraded``, an officer's
        or missing, and, if there is one, ``check_chance`` (see ``scorer.crews.both_words``).
    crew, cluster, defective : names of its columns.

    Raises
    ------
    ValueError : see ``both_words``.
    """
    return rates_of(both_words(table, crew=crew, cluster=cluster, defective=defective))


def rates_of(words: BothWords) -> ErrorRates:
    """The same from words that were read already."""
    checked = words.fruit[words.fruit["stands_for"] > 0]
    # Fruit of a crew that was checked less do not count for more: Se and Sp are taken as the same for all crews.
    weight = checked["stands_for"] / checked.groupby("crew", observed=True)["stands_for"].transform("mean")
    right = checked["said"] == checked["officer"]
    counts: list[float] = []
    for word in (1, 0):
        of_word = checked["officer"] == word
        counts += counted(
            right[of_word].to_numpy(bool),
            weight[of_word].to_numpy(np.float64),
            checked.loc[of_word, "bin"].to_numpy(np.int64),
        )
    return ErrorRates(*counts)


def counted(right: NDArray[np.bool_], weight: NDArray[np.float64], cluster: NDArray[np.int64]) -> tuple[float, float]:
    """How many are right of how many, as independent fruit of like weight.

    n = (sum w)^2 / sum(w^2) / D (Kish 1965), D being how many times the spread of errors between bins is larger than
    fruit by fruit, at least 1: J / (J - 1) sum over bins((sum of w (x - p))^2) over n / (n - 1) sum(w^2 (x - p)^2).
    The scorer errs by the photo, so errors of one bin may resemble each other. Plain counts come back for like weights
    and errors that do not keep to bins.

    Parameters
    ----------
    right : (n,) whether the scorer was right, x.
    weight : (n,) above 0.
    cluster : (n,) numbers of the bins.
    """
    total = weight.sum()
    if not total:
        return 0.0, 0.0
    share = float(weight @ right / total)
    worth = float(total**2 / (weight**2).sum())
    off = weight * (right - share)
    fruit, bins = len(off), len(np.unique(cluster))
    if bins > 1 and off.any():
        between = bins / (bins - 1) * (np.bincount(cluster, off) ** 2).sum()
        worth /= max(1.0, float(between / (fruit / (fruit - 1) * (off**2).sum())))
    return share * worth, worth
