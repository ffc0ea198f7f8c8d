"""A share from both: the scorer's word on every fruit, and an officer's word on some of them.

Prediction-powered inference (Angelopoulos, Bates, Fannjiang, Jordan and Zrnic 2023, Science 382: 669-674): the share
that the scorer says of all fruit, moved by how far its word lies from the officer's on those checked. However badly the
scorer errs, the figure is right on the average; the better it is, the fewer checks are needed. How much of the
scorer's word is taken, its weight, is chosen for the narrowest interval (Angelopoulos, Duchi and Zrnic 2023,
arXiv 2311.01453). Fruit drawn for checking with chances that are known may have unlike ones (Zrnic and Candès 2024,
arXiv 2403.03208), so that doubtful fruit can be checked more often.

Fruit of one bin resemble each other, so the spread is taken between bins.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import pandas as pd
from scipy import stats

from scorer.crews.both_words import both_words
from scorer.crews.checked_crew import CheckedCrew

FROM_BOTH_COLUMNS: Final = (
    "crew",
    "fruit",
    "bins",
    "checked",
    "said_share",
    "share",
    "low",
    "high",
    "weight",
    "left_to_checks",
    "note",
)
FEWEST_CHECKED: Final = 20
FEWEST_BINS_CHECKED: Final = 5
"""Our own choice: from fewer checked fruit, or fewer bins, intervals come out so wide that they tell nobody anything
(0.2 to 0.4 in our own simulation). To take the correction from other crews' fruit is no way out, for how far the
scorer's share is off depends on the share itself: that held the truth in only 82 to 87 of 100 cases."""

_ROUNDING: Final = 1e-15

NO_CHECKS: Final = "no fruit checked by eye are there, so this is not told"
NO_SPREAD: Final = "neither scorer nor officer found bins that differ, so the interval of the plain share is to be used"
TOO_FEW: Final = (
    f"{{}} fruit checked in {{}} bins are too few to say; it is told from {FEWEST_CHECKED} fruit in "
    f"{FEWEST_BINS_CHECKED} bins on"
)
BY_LOT: Final = "checked fruit are taken to have been drawn by lot, each with the same chance"
ALL_SOUND: Final = "no checked fruit was defective, so the interval is as wide as luck with so many checks allows"
ALL_DEFECTIVE: Final = (
    "every checked fruit was defective, so the interval is as wide as luck with so many checks allows"
)


def shares_from_both(
    table: pd.DataFrame,
    *,
    crew: str = "crew",
    cluster: str = "lot",
    defective: str = "defective",
    confidence: float = 0.95,
    weight: float | None = None,
) -> pd.DataFrame:
    """Each crew's share of defective fruit from the scorer's and the officers' words together.

    share = w mean(said) + mean over checked of (checked - w said), each checked fruit weighed by 1 / its chance of
    having been drawn; the first mean is over all fruit, checked ones too. The error of a bin is the sum of its fruit's
    parts of it, and the variance J / (J - 1) sum(error^2) / fruit^2 over the J bins (linearised ratio, e.g. Cochran
    1977, Sampling Techniques, 6.3), but never less than what checking only some of the fruit leaves, errors included
    that no check has shown yet: a few bins that lie close together by luck are no reason to be sure. The interval has t
    of effective degrees of freedom, at most J - 1, and lies on the log-odds scale but for shares within a standard
    error of 0 or 1, where that scale would stretch it over everything.
    Where all checked fruit are sound (or all defective) the normal law knows nothing of those missed: there the
    interval starts at 0 (ends at 1) and reaches at least as far as luck allows, 1 - tail^(1 / checked) (Clopper and
    Pearson 1934).

    In our own simulation (shares 0.02 to 0.2, icc 0.05, sensitivity 0.8, specificity 0.95; 6 to 20 bins of 15 or 20
    fruit, 1 to 5 of 10 checked) intervals held the truth in 92 to 98 of 100 cases.

    One weight w for all crews, 0 to 1, makes the summed variance least. A crew with fewer checks than FEWEST_CHECKED
    in FEWEST_BINS_CHECKED bins has no figure.

    Parameters
    ----------
    table : one row per fruit: crew, the cluster, ``defective``, ``checked_downgraded`` (missing where nobody looked)
        and, if there is one, ``check_chance`` (above 0 to 1, missing where nobody drew).
    crew, cluster, defective : names of its columns.
    confidence : probability, inside of 0 to 1, with which intervals are to hold the truth.
    weight : how much of the scorer's word to take, 0 to 1; None for the best. With 0 only checks count.

    Returns
    -------
    One row per crew with the columns FROM_BOTH_COLUMNS: ``said_share`` is the scorer's alone, ``weight`` how much of
    its word is taken, ``left_to_checks`` the part of the variance that checking every fruit would take away (missing
    where the interval is one of luck alone). What cannot be told is missing, and ``note`` says why.

    Raises
    ------
    ValueError : see ``scorer.crews.both_words``; or confidence or weight are out of range.
    """
    if not 0 < confidence < 1:
        raise ValueError(f"The confidence {confidence!r} must lie between 0 and 1, for instance 0.95.")
    if weight is not None and not 0 <= weight <= 1:
        raise ValueError(f"The weight {weight!r} must lie from 0 to 1; leave it out for the best.")
    words = both_words(table, crew=crew, cluster=cluster, defective=defective)
    crews = [CheckedCrew.of(name, rows) for name, rows in words.fruit.groupby("crew", observed=True, sort=True)]
    taken = _best_weight([one for one in crews if _enough(one)]) if weight is None else weight
    rows = [_row(one, taken, confidence, BY_LOT if words.by_lot else "") for one in crews]
    return pd.DataFrame(rows, columns=list(FROM_BOTH_COLUMNS))


def _enough(crew: CheckedCrew) -> bool:
    return int(crew.looked_at.sum()) >= FEWEST_CHECKED and crew.bins_checked >= FEWEST_BINS_CHECKED


def _best_weight(crews: list[CheckedCrew]) -> float:
    """The weight of the scorer's word that makes the crews' summed variance least; 1 where nothing tells."""
    along = across = 0.0
    for crew in crews:
        word, score = crew.parts()
        along -= float(word @ score) / len(crew.said) ** 2
        across += float(score @ score) / len(crew.said) ** 2
    return float(np.clip(along / across, 0, 1)) if across > 0 else 1.0


def _row(crew: CheckedCrew, weight: float, confidence: float, by_lot: str) -> dict[str, Any]:
    bins, fruit, checked = int(crew.bin.max()) + 1, len(crew.said), int(crew.looked_at.sum())
    row: dict[str, Any] = {"crew": crew.name, "fruit": fruit, "bins": bins, "checked": checked}
    row["said_share"] = float(crew.said.mean())
    if not _enough(crew):
        return row | {"note": TOO_FEW.format(checked, crew.bins_checked) if checked else NO_CHECKS}
    word, score = crew.parts()
    share = weight * row["said_share"] + crew.pulled(crew.checked - weight * crew.said)
    between = bins / (bins - 1) * float(((word + weight * score) ** 2).sum()) / fruit**2
    checking = crew.variance_of_checking(weight)
    variance = max(between, checking)
    row |= {"share": float(np.clip(share, 0, 1)), "weight": weight}
    notes = [by_lot] if by_lot else []
    found, luck = crew.checked[crew.looked_at], crew.luck((1 - confidence) / 2)
    low, high = _ends(share, float(np.sqrt(variance)), float(stats.t.ppf((1 + confidence) / 2, crew.freedom(weight))))
    if not found.any():
        return row | {"low": 0.0, "high": max(high, luck), "note": "; ".join([ALL_SOUND, *notes])}
    if found.all():
        return row | {"low": min(low, 1 - luck), "high": 1.0, "note": "; ".join([ALL_DEFECTIVE, *notes])}
    if not variance > _ROUNDING:
        return row | {"note": NO_SPREAD}
    return row | {"low": low, "high": high, "left_to_checks": checking / variance, "note": "; ".join(notes)}


def _ends(share: float, error: float, quantile: float) -> tuple[float, float]:
    """Interval on the log-odds scale, where it cannot leave 0 to 1; plain and cut within an error of 0 or 1."""
    if not error < share < 1 - error:
        low, high = np.clip([share - quantile * error, share + quantile * error], 0, 1)
        return float(low), float(high)
    reach = quantile * error / (share * (1 - share))
    middle = np.log(share / (1 - share))
    low, high = 1 / (1 + np.exp(-(middle + np.array([-reach, reach]))))
    return float(low), float(high)
