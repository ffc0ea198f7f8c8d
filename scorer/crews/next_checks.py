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

from scorer.crews.both_words import both_words
from scorer.crews.prediction_powered import FEWEST_BINS_CHECKED, FEWEST_CHECKED, shares_from_both
from scorer.crews.unequal_draw import chances, systematic

Floats = NDArray[np.float64]

TO_CHECK_COLUMNS: Final = ("photo", "fruit", "crew", "bin", "said", "why", "check_chance")
LEAST_DOUBT: Final = 0.01
"""No fruit is taken to be surer than this, so that each keeps a chance to be drawn."""
LEAST_PART: Final = 0.1
"""A crew that has had its checks still gets this part of what it would get if all were checked alike."""
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
    fruit : one row per fruit with the columns TO_CHECK_COLUMNS, the crew with the widest interval first, each crew's by
        photo: ``said`` is the scorer's word, ``why`` why it was likely to be drawn, ``check_chance`` the chance with
        which it was, in a crew with earlier checks made comparable with theirs. A crew that is begun is to be finished:
        chances hold for its whole list only.
    """

    seed: int
    fruit: pd.DataFrame


def draw_checks(
    table: pd.DataFrame,
    number: int,
    *,
    crew: str = "crew",
    cluster: str = "lot",
    defective: str = "defective",
    seed: int | None = None,
) -> ChecksToDo:
    """Draw fruit to check among those that nobody has checked yet, spread over crews and bins.

    Systematic drawing with unlike chances along crews and bins in order, each bin's fruit mixed. Crews share the number
    so that, with the checks they have had, each ends up near its part of all checks.

    Parameters
    ----------
    table : one row per fruit: photo, fruit, crew, bin, the cluster, ``defective``, ``checked_downgraded``, and if there
        is one ``doubt`` (0 to 1, how probably the scorer's word is wrong); else it is learnt from the checks so far.
    number : fruit to draw; all that are left where there are fewer.
    crew, cluster, defective : names of its columns.
    seed : 0 or more; None to draw one.

    Raises
    ------
    ValueError : ``number`` is not at least 1, ``seed`` is negative, a doubt is no probability, or a column or value is
        missing or wrong (see ``scorer.crews.both_words``).
    """
    _refuse(table, number, seed)
    chosen_seed = secrets.randbits(_SEED_BITS) if seed is None else seed
    draw = np.random.default_rng(chosen_seed)
    fruit = both_words(table, crew=crew, cluster=cluster, defective=defective).fruit.reset_index(drop=True)
    left = fruit[fruit["officer"].isna()]
    left = left.iloc[draw.permutation(len(left))].sort_values(["crew", "bin"], kind="stable")
    if not len(left):
        return ChecksToDo(chosen_seed, pd.DataFrame(columns=list(TO_CHECK_COLUMNS)))
    doubt = _doubt(fruit, left, table["doubt"].to_numpy(np.float64) if "doubt" in table.columns else None)
    chance = chances(np.sqrt(doubt) * _crew_weight(fruit, left["crew"], np.sqrt(doubt), number), number)
    width = _widths(table, crew, cluster, defective)
    rows = table.iloc[left.index].assign(
        crew=left["crew"].to_numpy(),
        said=np.where(left["said"] == 1, "downgraded", "not downgraded"),
        why=[_why(one, width[name]) for one, name in zip(doubt, left["crew"], strict=True)],
        check_chance=_beside_earlier(fruit, left, chance),
        _narrower=[-width[name] for name in left["crew"]],
    )
    drawn = rows[systematic(chance, draw.random())].sort_values(["_narrower", "crew", "photo", "fruit"])
    return ChecksToDo(chosen_seed, drawn[list(TO_CHECK_COLUMNS)].reset_index(drop=True))


def checks_worth(
    table: pd.DataFrame, *, crew: str = "crew", cluster: str = "lot", defective: str = "defective"
) -> pd.DataFrame:
    """Per crew, by how much NEXT_CHECKS more checks would narrow its interval, and whether it is enough.

    The part of the variance that checking leaves falls as fruit / checks - 1; the rest, that between bins, stays. Where
    no checked fruit was defective, the interval is one of luck alone and its width itself falls as 1 / checks.

    Parameters
    ----------
    table, crew, cluster, defective : as for ``shares_from_both``.

    Returns
    -------
    One row per crew: crew, checked, ``narrower_by`` (part of the interval's width; missing before there is one),
    ``enough``, and ``sentence``.
    """
    rows: list[dict[str, Any]] = []
    for row in shares_from_both(table, crew=crew, cluster=cluster, defective=defective).to_dict("records"):
        name, checked, fruit = row["crew"], row["checked"], row["fruit"]
        about = {"crew": name, "checked": checked}
        more = min(NEXT_CHECKS, fruit - checked)
        if not more:
            sentence = f"{name}: all its {fruit} fruit are checked; only more bins would tell more."
            rows.append(about | {"narrower_by": 0.0, "enough": True, "sentence": sentence})
            continue
        if pd.isna(row["low"]):
            sentence = (
                f"{name}: {checked} of {fruit} fruit checked; its figure from both words needs "
                f"{FEWEST_CHECKED} in {FEWEST_BINS_CHECKED} bins."
            )
            rows.append(about | {"narrower_by": np.nan, "enough": False, "sentence": sentence})
            continue
        gain = _gain(row["left_to_checks"], checked, more, fruit)
        enough = gain < SMALL_GAIN
        sentence = f"{name}: {more} more checks would narrow its interval by about {100 * gain:.0f} %"
        sentence += "; enough, more bins would tell more." if enough else "."
        rows.append(about | {"narrower_by": gain, "enough": enough, "sentence": sentence})
    return pd.DataFrame(rows, columns=["crew", "checked", "narrower_by", "enough", "sentence"])


def _refuse(table: pd.DataFrame, number: int, seed: int | None) -> None:
    for column in ("photo", "fruit", "bin"):
        if column not in table.columns:
            raise ValueError(f"The table of fruit has no column {column!r}: whoever looks needs it to find the fruit.")
    if number < 1:
        raise ValueError(f"The number of fruit to check must be at least 1, got {number}.")
    if seed is not None and seed < 0:
        raise ValueError(f"The seed must be 0 or more, got {seed}.")


def _gain(left_to_checks: float, checked: int, more: int, fruit: int) -> float:
    """Part of the width that ``more`` checks take away; ``left_to_checks`` is missing for an interval of luck alone."""
    if pd.isna(left_to_checks):
        return more / (checked + more)
    kept = (fruit - checked - more) / (checked + more) * checked / (fruit - checked)
    return 1 - float(np.sqrt(1 - left_to_checks * (1 - kept)))


def _beside_earlier(fruit: pd.DataFrame, left: pd.DataFrame, chance: Floats) -> Floats:
    """The chances as they are to be kept: comparable with those of fruit of the crew that were checked earlier.

    A fruit comes up in this drawing with (1 - b) chance, b being the part of its crew's fruit, among those that the
    scorer calls the same, that was checked already, as if by lot. Each drawing by itself gives the crew's share, for
    pulls are only compared within a crew. To join them, one factor for each crew lets a fruit of this drawing count as
    much as one of the earlier on the average, or more where a chance would otherwise come out above 1. Fruit that came
    only after the earlier drawing are not told from those that it left.
    """
    looked = fruit["officer"].notna()
    before = looked.groupby([fruit["crew"], fruit["said"]], observed=True).transform("mean")[left.index]
    pull = fruit["stands_for"].where(looked).groupby(fruit["crew"], observed=True).transform("mean")[left.index]
    of_crew = fruit.groupby("crew", observed=True)["said"].transform("size")[left.index]
    now = pd.Series(chance, index=left.index)
    bare, drawn = (1 - before) * now, now.groupby(left["crew"], observed=True).transform("sum")
    most = bare.groupby(left["crew"], observed=True).transform("max")
    joined: pd.Series[float] = bare / np.maximum(pull * drawn / of_crew, most)
    return np.asarray(joined.where(pull.notna(), now).to_numpy(np.float64))


def _crew_weight(fruit: pd.DataFrame, crew_left: pd.Series[Any], root_doubt: Floats, number: int) -> Floats:
    """What each fruit's root of doubt is multiplied with, so that the crews share the number fairly.

    The summed variance, the sum of a^2 / checks with a the mean root of doubt of a crew, is least with checks in
    proportion to a; crews that have had more than that get LEAST_PART of their part of these.
    """
    of_crew = pd.Series(root_doubt).groupby(crew_left.to_numpy()).agg(["mean", "sum"])
    had = fruit["officer"].notna().groupby(fruit["crew"], observed=True).sum()[of_crew.index]
    wanted = of_crew["mean"]
    short = pd.Series(True, index=of_crew.index)
    while True:
        level = (number + had[short].sum()) / wanted[short].sum()
        still = short & (level * wanted > had)
        if still.equals(short):
            break
        short = still
    part = (level * wanted - had).clip(lower=LEAST_PART * number * wanted / wanted.sum())
    return np.asarray(crew_left.map(part / of_crew["sum"]).to_numpy(np.float64))


def _widths(table: pd.DataFrame, crew: str, cluster: str, defective: str) -> dict[Any, float]:
    """How wide each crew's interval is; infinite where it has none."""
    both = shares_from_both(table, crew=crew, cluster=cluster, defective=defective)
    return dict(zip(both["crew"], (both["high"] - both["low"]).fillna(np.inf), strict=True))


def _why(doubt: float, width: float) -> str:
    crew = "its crew has no interval yet" if np.isinf(width) else f"its crew's interval is {100 * width:.0f} % wide"
    return f"its word is wrong about {100 * doubt:.0f} times of 100, and {crew}"


def _doubt(fruit: pd.DataFrame, left: pd.DataFrame, told: Floats | None) -> Floats:
    """How probably the scorer's word on each fruit that is left is wrong: as told, or learnt from the checks so far."""
    if told is not None:
        of_left = told[left.index]
        if not ((of_left >= 0) & (of_left <= 1)).all():
            raise ValueError("The column 'doubt' must hold probabilities from 0 to 1, without gaps.")
        return np.asarray(np.maximum(of_left, LEAST_DOUBT))
    checked = fruit[fruit["officer"].notna()]
    wrong = (checked["said"] != checked["officer"]) * checked["stands_for"]
    seen = checked.assign(wrong=wrong).groupby("said").agg({"wrong": "sum", "stands_for": "sum", "officer": "size"})
    seen = seen.reindex([0.0, 1.0], fill_value=0)
    wrong_of_word = seen["officer"] * seen["wrong"] / seen["stands_for"].clip(lower=1)
    rate = (wrong_of_word + _PRIOR_WRONG) / (seen["officer"] + _PRIOR_CHECKED)
    return np.asarray(np.maximum(left["said"].map(rate).to_numpy(np.float64), LEAST_DOUBT))
