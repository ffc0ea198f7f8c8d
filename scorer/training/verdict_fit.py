"""Fit the limit from which a proposal counts as a mark to fruit verdicts, where nobody outlined any marks.

A verdict says whether a fruit is downgraded and nothing of its marks, so it can teach one thing only: how sure the
model must be of a mark for fruit to be judged as people judge them.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from sklearn.model_selection import GroupKFold

from scorer.errors import LabelsError

LIMITS_TRIED: Final = (0.1, 0.15, 0.2, 0.25, 0.3, 0.35, 0.4, 0.5, 0.6, 0.7, 0.8)
FEWEST_TRAYS: Final = 3
FEWEST_OF_EACH: Final = 3
FOLDS: Final = 5


@dataclass(frozen=True)
class VerdictFit:
    """A limit fitted to verdicts.

    Parameters
    ----------
    mark_from : the limit.
    errors : share of verdicts that differ, of the base's limit and of the fitted one, each on trays not fitted on.
    fruit, trays : so many it rests on.
    """

    mark_from: float
    errors: tuple[float, float]
    fruit: int
    trays: int


def fit_to_verdicts(labelled: pd.DataFrame, judge: Callable[[float], Sequence[bool]], shipped: float) -> VerdictFit:
    """Choose the limit at which the fewest verdicts differ; the shipped one unless others do better than chance might.

    Parameters
    ----------
    labelled : one row per verdict: tray and downgraded; what two people said of one fruit are two rows.
    judge : given a limit, the verdict on the fruit of each row.
    shipped : the limit to start from.

    Raises
    ------
    LabelsError : the verdicts are on too few trays, or all say the same.
    """
    trays, truly = labelled["tray"].to_numpy(str), labelled["downgraded"].to_numpy(bool)
    if len(set(trays)) < FEWEST_TRAYS:
        raise LabelsError(
            f"The verdicts are on {len(set(trays))} trays; give verdicts of fruit on at least {FEWEST_TRAYS}."
        )
    if min(truly.sum(), (~truly).sum()) < FEWEST_OF_EACH:
        raise LabelsError(
            f"Of {len(truly)} verdicts {int(truly.sum())} say downgraded; give at least {FEWEST_OF_EACH} of each, for "
            "a limit between them cannot be found otherwise."
        )
    tried = sorted({*LIMITS_TRIED, shipped})
    wrong = np.array([np.asarray(judge(limit), bool) != truly for limit in tried], float)
    start = tried.index(shipped)
    held_out = np.zeros(len(truly))
    for seen, unseen in GroupKFold(min(FOLDS, len(set(trays)))).split(truly, groups=trays):
        held_out[unseen] = wrong[_best(wrong[:, seen], trays[seen], start), unseen]
    return VerdictFit(
        tried[_best(wrong, trays, start)],
        (float(wrong[start].mean()), float(held_out.mean())),
        len(truly),
        len(set(trays)),
    )


def _best(wrong: NDArray[np.float64], trays: NDArray[np.str_], start: int) -> int:
    """Place of the limit with the fewest wrong verdicts, if it saves more than its standard error over the trays."""
    saved = pd.DataFrame((wrong[start] - wrong).T).groupby(trays).sum().to_numpy()
    bound = saved.mean(axis=0) - saved.std(axis=0, ddof=1) / np.sqrt(len(saved)) if len(saved) > 1 else saved[0] * 0
    bound[start] = 0.0
    return int(bound.argmax()) if bound.max() > 0 else start
