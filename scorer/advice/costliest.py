"""Which kind of mark costs a crew most of its fruit: each downgraded fruit is laid to the kind that damaged it most."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import pandas as pd

from scorer.advice.evidence import mostly
from scorer.score_tables import KINDS


@dataclass(frozen=True)
class KindCost:
    """The fruit of a crew that one kind of mark damaged most.

    Parameters
    ----------
    kind : of mark.
    fruit : fruit laid to it.
    of_fruit : all the fruit that were to be laid to kinds, those among them that bear no named mark too.
    downgraded : whether these are the downgraded fruit; otherwise none was, and all marked fruit are taken.
    """

    kind: str
    fruit: int
    of_fruit: int
    downgraded: bool


@dataclass(frozen=True)
class Costliest:
    """Kinds of marks by what they cost a crew.

    Parameters
    ----------
    kinds : the dearest first; empty for a crew without a named mark.
    first_stands_out : whether the first costs more than the second beyond what chance and bins may do.
    """

    kinds: tuple[KindCost, ...]
    first_stands_out: bool


def costliest_kinds(
    fruit: pd.DataFrame, marks: pd.DataFrame, crew: object, *, open_wounds_mm: Mapping[str, float]
) -> Costliest:
    """Order the kinds of marks by the fruit that a crew loses to them.

    A fruit with an open wound is laid to the kind of its longest one, for that alone keeps it out of every class; any
    other fruit to the kind with the largest area on it. Marks that nobody could name, and those without a scale, are
    laid to no kind.

    Parameters
    ----------
    fruit : one row per fruit of all crews: photo, fruit, crew, bin, defective (bool).
    marks : one row per mark of theirs: photo, fruit, kind, area_mm2, length_mm.
    crew : the one to look at.
    open_wounds_mm : length from which a wound is open, by kind, as in ``scorer.limits.Limits``.
    """
    lost = fruit.loc[fruit["defective"].astype(bool), ["photo", "fruit", "crew", "bin"]]
    downgraded = bool((lost["crew"] == crew).any())
    if not downgraded:
        lost = fruit[["photo", "fruit", "crew", "bin"]].merge(marks[["photo", "fruit"]].drop_duplicates())
    named = lost.merge(_worst_kind(marks, open_wounds_mm), on=["photo", "fruit"])
    own = named[named["crew"] == crew]
    counts = own.groupby("worst").agg(fruit=("fruit", "size"), area=("area_mm2", "sum"))
    counts = counts.sort_values(["fruit", "area"], ascending=False, kind="stable")
    of_fruit = int((lost["crew"] == crew).sum())
    kinds = tuple(KindCost(str(kind), int(count), of_fruit, downgraded) for kind, count in counts["fruit"].items())
    if len(kinds) < 2:
        return Costliest(kinds, bool(kinds))
    either = named[named["worst"].isin([kinds[0].kind, kinds[1].kind])]
    stands_out = mostly(either.assign(first=either["worst"] == kinds[0].kind), crew, true="first")
    return Costliest(kinds, stands_out)


def _worst_kind(marks: pd.DataFrame, open_wounds_mm: Mapping[str, float]) -> pd.DataFrame:
    """For each fruit with a named mark: photo, fruit, the kind that damages it most, and that kind's area in mm2."""
    named = marks[marks["kind"].isin(KINDS) & marks["area_mm2"].notna()]
    open_from = named["kind"].map(dict(open_wounds_mm)).astype(float)
    wound_mm = named["length_mm"].where(named["length_mm"] >= open_from, 0.0)
    of_kind = named.assign(wound_mm=wound_mm).groupby(["photo", "fruit", "kind"], as_index=False)
    sums = of_kind.agg(wound_mm=("wound_mm", "max"), area_mm2=("area_mm2", "sum"))
    worst = sums.sort_values(["wound_mm", "area_mm2"], ascending=False, kind="stable")
    return worst.drop_duplicates(["photo", "fruit"]).rename(columns={"kind": "worst"})
