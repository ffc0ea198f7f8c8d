"""How far people agree beyond chance, in pairs, all together, and each with themselves later: kappa with its interval.

Cohen's kappa (Cohen 1960, Educ. Psychol. Meas. 20: 37-46) for two, Fleiss' kappa (Fleiss 1971, Psychol. Bull. 76:
378-382) for more. A kind alone is that kind against all others.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass, fields
from itertools import combinations
from typing import Final

import numpy as np
import pandas as pd

from scorer.agreement.chance_corrected import Judged, Kappa, cohen, fleiss
from scorer.agreement.intervals import FEWEST_TRAYS, Ints, by_items, by_luck, by_trays, tray_draws
from scorer.agreement.sayings import check_sayings, first_and_again, words_in_force
from scorer.language import message

ALL_KINDS: Final = message("all kinds")
BY_TRAYS: Final = message("by trays")
BY_ITEMS: Final = message("by items")
NO_INTERVAL: Final = ""
FEW_ITEMS: Final = 20
"""Our own choice: below it the formulas, which hold for many items, are marked as rough."""

ONE_PERSON: Final = message("fewer than two people said anything, so nothing can be compared")
NOTHING_SHARED: Final = message("there is nothing that all of these people judged, so nothing can be compared")
NOTHING_AGAIN: Final = message("nothing was judged again so much later, so nothing can be compared")
ONE_ITEM: Final = message("only one item was judged by all of these people, which is too few to say")
ONE_KIND: Final = message("all was said to be of one kind, so agreement beyond chance cannot be told")
ALWAYS_SAME: Final = message("one of the two said the same of every item, so agreement beyond chance cannot be told")
NEVER_SAID: Final = message("nobody said this kind of what they all judged")
LUCK_ALONE: Final = message(
    "they agree on all items or on none, so the interval is as wide as luck with so many items allows"
)
RARE: Final = message(
    "trays are too few, or the kind is on too few, so every item counts alone: the interval may be too narrow"
)
ROUGH: Final = message("fewer than {count} items, so the interval is rough").format(count=FEW_ITEMS)


@dataclass(frozen=True)
class Agreement:
    """How far people agree on items that all of them judged.

    Parameters
    ----------
    of : ALL_KINDS, or the kind that is held against all others.
    people : names; one for a person against themselves.
    items, trays : how many items all of them judged, and on how many trays.
    observed : share of agreement, 0 to 1, over pairs of people; NaN without items.
    kappa : agreement beyond chance, -1 to 1; NaN where ``note`` says why.
    low, high : 95 % interval of kappa; NaN without one.
    interval : BY_TRAYS where whole trays were drawn anew, BY_ITEMS where every item counts alone, or NO_INTERVAL.
    note : in words, why there is no figure, or what is to be known of it; empty without either.
    """

    of: str
    people: tuple[str, ...]
    items: int
    trays: int
    observed: float
    kappa: float
    low: float
    high: float
    interval: str
    note: str


AGREEMENT_COLUMNS: Final = tuple(field.name for field in fields(Agreement))


def agreement_table(said: pd.DataFrame, *, seed: int = 0) -> pd.DataFrame:
    """How far each two people agree and, from three people on, all together: over all kinds, and kind by kind.

    Each person's newest word on an item counts. All together are compared on items that everyone judged.

    Parameters
    ----------
    said : a row for each saying: item, tray, who, said_at (times), said (kinds); see ``scorer.agreement.sayings``.
    seed : of the draws of trays.

    Returns
    -------
    DataFrame with AGREEMENT_COLUMNS, ``people`` as one text with commas; one row with a note for fewer than two people.

    Raises
    ------
    ValueError : a column is missing, a cell is empty, or one item lies on two trays.
    """
    words = words_in_force(check_sayings(said))
    people = sorted(words["who"].unique())
    if len(people) < 2:
        return _table([_not_told(ALL_KINDS, tuple(people), None, ONE_PERSON)])
    tray = words.drop_duplicates("item").set_index("item")["tray"]
    wide = words.pivot(index="item", columns="who", values="said")
    groups = [*combinations(people, 2), *([tuple(people)] if len(people) > 2 else [])]
    kinds = sorted(words["said"].unique())
    rows: list[Agreement] = []
    for group in groups:
        shared = wide[list(group)].dropna()
        rows += _by_kind(shared, tray.loc[shared.index], kinds, group, NOTHING_SHARED, seed)
    return _table(rows)


def same_person_again(said: pd.DataFrame, at_least_days: float = 7, *, seed: int = 0) -> pd.DataFrame:
    """How far each person agrees with themselves on items that they judged again some days later.

    Parameters
    ----------
    said : as for ``agreement_table``.
    at_least_days : days between a person's first word on an item and the word that it is compared with.
    seed : of the draws of trays.

    Returns
    -------
    DataFrame with AGREEMENT_COLUMNS, for each person all kinds and kind by kind.

    Raises
    ------
    ValueError : as for ``agreement_table``.
    """
    rows = check_sayings(said)
    twice, found = first_and_again(rows, at_least_days), []
    for who in sorted(rows["who"].unique()):
        own = twice[twice["who"] == who]
        kinds = sorted(rows.loc[rows["who"] == who, "said"].unique())
        found += list(_by_kind(own[["first", "again"]], own["tray"], kinds, (who,), NOTHING_AGAIN, seed))
    return _table(found)


def _by_kind(
    said: pd.DataFrame, tray: pd.Series, kinds: Sequence[str], people: tuple[str, ...], nothing: str, seed: int
) -> Iterator[Agreement]:
    """Agreement over all kinds, then kind by kind; without items, one row that says so."""
    if said.empty:
        yield _not_told(ALL_KINDS, people, None, nothing)
        return
    places: Ints = pd.factorize(tray, sort=True)[0].astype(np.int64)
    codes: Ints = np.stack([pd.Index(kinds).get_indexer(pd.Index(said[name])) for name in said], axis=1).astype(
        np.int64
    )
    yield _agreement(ALL_KINDS, people, Judged(codes, places, len(kinds)), seed)
    for number, kind in enumerate(kinds):
        yield _agreement(kind, people, Judged((codes == number).astype(np.int64), places, 2), seed)


def _agreement(of: str, people: tuple[str, ...], judged: Judged, seed: int) -> Agreement:
    note = _why_not(of, judged)
    if note:
        return _not_told(of, people, judged, note)
    found = cohen(judged) if judged.people == 2 else fleiss(judged)
    (low, high), interval, note = _interval(found, judged, seed)
    return Agreement(of, people, judged.items, judged.trays, found.observed, found.kappa, low, high, interval, note)


def _why_not(of: str, judged: Judged) -> str:
    """Why kappa cannot be told from these words; empty where it can."""
    if judged.items == 1:
        return ONE_ITEM
    said_by = [np.unique(column) for column in judged.said.T]
    if len(np.unique(judged.said)) == 1:
        return NEVER_SAID if of != ALL_KINDS and judged.said[0, 0] == 0 else ONE_KIND
    if judged.people == 2 and min(map(len, said_by)) == 1:
        return ALWAYS_SAME  # Cohen's kappa is then 0 whatever the other said, and its standard error 0 too
    return ""


def _interval(found: Kappa, judged: Judged, seed: int) -> tuple[tuple[float, float], str, str]:
    """The interval of a kappa, how it was made, and what is to be known of it."""
    if found.observed in (0, 1):
        return by_luck(found.kappa, found.expected, judged.items), BY_ITEMS, LUCK_ALONE
    ends = None
    if judged.trays >= FEWEST_TRAYS:
        drawn = found.of_draws(tray_draws(judged.trays, seed))
        ends = by_trays(found.kappa, found.standard_error, drawn, judged.trays)
    if ends is not None:
        return ends, BY_TRAYS, ROUGH if judged.items < FEW_ITEMS else ""
    notes = [ROUGH] * (judged.items < FEW_ITEMS) + [RARE] * (judged.trays < judged.items)
    return by_items(found.kappa, found.standard_error, found.freedom), BY_ITEMS, "; ".join(notes)


def _not_told(of: str, people: tuple[str, ...], judged: Judged | None, note: str) -> Agreement:
    items, trays, observed = (judged.items, judged.trays, judged.observed) if judged else (0, 0, np.nan)
    return Agreement(of, people, items, trays, observed, np.nan, np.nan, np.nan, NO_INTERVAL, note)


def _table(rows: Sequence[Agreement]) -> pd.DataFrame:
    table = pd.DataFrame([asdict(row) for row in rows], columns=list(AGREEMENT_COLUMNS))
    return table.assign(people=[", ".join(row.people) for row in rows])
