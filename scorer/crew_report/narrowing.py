"""Part of a season: the fruit of some crews, blocks, methods, cultivars or days; for whom may see crew figures."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Final

import pandas as pd

from scorer.access.roles import Person, Right

BY: Final = ("crew", "block", "method", "cultivar")
NOT_SAID: Final = "not said"


@dataclass(frozen=True)
class Narrowing:
    """What is to be seen.

    Parameters
    ----------
    values : for columns of BY, the values wanted (NOT_SAID for none); a column that is not named is not narrowed.
    first_day, last_day : days of picking; None for no end.
    """

    values: Mapping[str, Sequence[str]] = field(default_factory=dict)
    first_day: date | None = None
    last_day: date | None = None


def narrowed(person: Person, fruit: pd.DataFrame, narrowing: Narrowing) -> pd.DataFrame:
    """The fruit that are to be seen.

    Parameters
    ----------
    fruit : countable fruit, see ``scorer.fruit_rows``; not changed.

    Raises
    ------
    AccessError : the person may not see crew figures.
    """
    person.must(Right.SEE_CREWS)
    kept = pd.Series(True, index=fruit.index)
    for column, wanted in narrowing.values.items():
        if wanted:
            kept &= fruit[column].fillna(NOT_SAID).isin(list(wanted))
    if narrowing.first_day is not None:
        kept &= fruit["day"] >= narrowing.first_day.isoformat()
    if narrowing.last_day is not None:
        kept &= fruit["day"] <= narrowing.last_day.isoformat()
    return fruit if kept.all() else fruit[kept]


def choices(person: Person, fruit: pd.DataFrame) -> dict[str, list[str]]:
    """The values that each column of BY has, by name.

    Raises
    ------
    AccessError : the person may not see crew figures.
    """
    person.must(Right.SEE_CREWS)
    return {
        column: [
            *sorted(str(value) for value in fruit[column].dropna().unique()),
            *([NOT_SAID] if fruit[column].isna().any() else []),
        ]
        for column in BY
    }


def photos_behind(person: Person, fruit: pd.DataFrame, *, kind: str | None = None, most: int = 24) -> list[str]:
    """Names of the photos that a figure comes from, those with the most downgraded fruit first.

    Parameters
    ----------
    kind : only photos with a fruit that bears a mark of this kind, those with the most of them first.

    Raises
    ------
    AccessError : the person may not look at trays.
    """
    person.must(Right.SEE_TRAYS)
    of = fruit[kind if kind is not None else "defective"].groupby(fruit["photo"]).sum().sort_values(ascending=False)
    if kind is not None:
        of = of[of > 0]
    return [str(name) for name in of.index[:most]]
