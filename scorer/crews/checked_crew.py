"""One crew's fruit with both words, and how far a share made from both may be off.

The share is w mean(said) + mean over checked of (checked - w said), w being the weight of the scorer's word and each
checked fruit weighed by how many it stands for; see ``scorer.crews.prediction_powered``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class CheckedCrew:
    """A crew's fruit.

    Parameters
    ----------
    name : the crew's.
    bin : (fruit,) numbers of the bins, from 0.
    said : (fruit,) the scorer's word, 0 or 1.
    checked : (fruit,) an officer's word, 0 or 1; 0 where there is none.
    pull : (fruit,) how many fruit each checked one stands for, 0 for those not checked.
    """

    name: Any
    bin: NDArray[np.int64]
    said: Floats
    checked: Floats
    pull: Floats

    @classmethod
    def of(cls, name: Any, rows: pd.DataFrame) -> CheckedCrew:
        """From its rows of ``scorer.crews.both_words.BothWords``."""
        return cls(
            name,
            pd.factorize(rows["bin"])[0].astype(np.int64),
            rows["said"].to_numpy(np.float64),
            rows["officer"].fillna(0.0).to_numpy(np.float64),
            rows["stands_for"].to_numpy(np.float64),
        )

    @property
    def looked_at(self) -> NDArray[np.bool_]:
        """Which fruit an officer checked."""
        return self.pull > 0

    @property
    def bins_checked(self) -> int:
        """In how many bins fruit were checked."""
        return len(np.unique(self.bin[self.looked_at]))

    @property
    def scale(self) -> Floats:
        """The pull, so that it sums to the crew's fruit."""
        scale: Floats = self.pull * (len(self.said) / self.pull.sum())
        return scale

    def pulled(self, values: Floats) -> float:
        """Mean of values over the checked fruit, each for as many as it stands for."""
        return float(np.average(values, weights=self.pull))

    def bin_sums(self, values: Floats) -> Floats:
        """Sums of values over the fruit of each bin."""
        return np.asarray(np.bincount(self.bin, values), dtype=np.float64)

    def gap(self, weight: float) -> Floats:
        """How far the officer's word lies from the weighted word of the scorer, less its mean; of checked fruit."""
        gap = self.checked - weight * self.said
        return gap - self.pulled(gap)

    def variance_of_checking(self, weight: float) -> float:
        """The part of the figure's variance that comes from not having checked every fruit."""
        scale = self.scale
        seen = float((scale * np.maximum(scale - 1, 0)) @ self.gap(weight) ** 2) / len(self.said) ** 2
        return max(seen, self.variance_unseen())

    def variance_unseen(self) -> float:
        """The least that checking leaves, when errors may be there that no check has shown yet.

        Sum over those called sound and those called defective, n checked of N: (N / fruit)^2 (1 - n / N) q (1 - q) /
        (n + 2), the rate of errors q with one wrong and one right fruit added to those seen (Agresti and Caffo 2000,
        The American Statistician 54: 280-288).
        """
        least = 0.0
        for word in (0.0, 1.0):
            called = self.said == word
            if not called.any():
                continue
            checked = int(self.looked_at[called].sum())
            wrong = self.pull[called] @ (self.checked[called] != word) / max(self.pull[called].sum(), 1.0)
            rate = (checked * wrong + 1) / (checked + 2)
            left = 1 - self.looked_at[called].mean()
            least += called.mean() ** 2 * left * rate * (1 - rate) / (checked + 2)
        return float(least)

    def parts(self) -> tuple[Floats, Floats]:
        """What each bin adds to the error of the figure: without the scorer's word, and for a weight of 1 of it."""
        word = self.scale * (self.checked - self.pulled(self.checked))
        score = (self.said - self.said.mean()) - self.scale * (self.said - self.pulled(self.said))
        return self.bin_sums(word), self.bin_sums(score)

    def freedom(self, weight: float) -> float:
        """Effective degrees of freedom of the spread between bins, as if their fruit were independent.

        (sum v)^2 / sum(v^2) - 1 with v the variance to be expected of a bin's part, so that bins that hardly count add
        hardly any (Satterthwaite 1946, Biometrics Bulletin 2: 110-114); J - 1 for J bins that count alike.
        """
        of_check, of_word = self.pulled(self.gap(weight) ** 2), weight**2 * self.said.var()
        expected = self.bin_sums(self.scale**2 * of_check + of_word)
        if not expected.any():
            return float(len(expected) - 1)
        return max(1.0, float(expected.sum() ** 2 / (expected**2).sum()) - 1)

    def luck(self, tail: float) -> float:
        """The share by which so many checked fruit are all sound with the probability ``tail``."""
        return float(1 - tail ** (1 / independent(self.pull)))


def independent(pull: Floats) -> float:
    """How many fruit of like pull the checked ones are worth, (sum w)^2 / sum(w^2) (Kish 1965)."""
    return float(pull.sum() ** 2 / max((pull**2).sum(), 1e-300))
