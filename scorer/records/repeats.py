"""What the records tell by trays that were photographed more than once: soon and settled, and on both sides."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import pandas as pd
from sqlalchemy import Engine

from scorer.hold_time.browning import TRAY_KEYS, browning_by_hour
from scorer.hold_time.sides import both_sides, match_sides
from scorer.limits import Limits
from scorer.records.scores import newest_scores_of, scores_of
from scorer.score_tables import SETTLED, empty_fruit, photo_table

SIDES: Final = ("a", "b")
"""What tags call the two sides of a tray whose fruit were turned over; other words mean something else to the shed."""
_USED: Final = ("good", "usable")


@dataclass(frozen=True)
class TurnedTray:
    """A tray seen from both sides.

    Parameters
    ----------
    photo_a, photo_b : its photos, by name.
    crew, bin : whose it is.
    fruit : one row per fruit as ``scorer.hold_time.sides.both_sides`` gives it.
    sentence : how the matching went, in words.
    """

    photo_a: str
    photo_b: str
    crew: str | None
    bin: str | None
    fruit: pd.DataFrame
    sentence: str


def browning_shares(engine: Engine) -> pd.DataFrame:
    """How much of the final brown area shows by hour, over all trays photographed again; see ``browning_by_hour``.

    Raises
    ------
    RecordsError : the records cannot be read.
    """
    photos, fruit = [], []
    for scores in scores_of(engine):
        photos.append(scores.photo[["photo", "sha256", *TRAY_KEYS, "side", "hours_since_picking", "hold", "verdict"]])
        fruit.append(scores.fruit[["photo", "brown_area_mm2", "visible_area_mm2", "fruit"]])
    if not photos:
        return browning_by_hour(photo_table([]), empty_fruit())
    return browning_by_hour(pd.concat(photos, ignore_index=True), pd.concat(fruit, ignore_index=True))


def turned_trays(engine: Engine, limits: Limits) -> Iterator[TurnedTray]:
    """Trays of which the latest settled photos show side a and side b, each fruit judged from both.

    Raises
    ------
    RecordsError : the records cannot be read.
    """
    photos = [scores.photo for scores in scores_of(engine)]
    if not photos:
        return
    photo = pd.concat(photos, ignore_index=True)
    photo = photo[(photo["hold"] == SETTLED) & photo["verdict"].isin(_USED) & photo["bin"].notna()]
    photo = photo.assign(side=photo["side"].str.lower()).sort_values(["hours_since_picking", "sha256"])
    for _, tray in photo.groupby(list(TRAY_KEYS), dropna=False, sort=True):
        latest = tray.drop_duplicates("side", keep="last").set_index("side")
        if set(SIDES) <= set(latest.index):
            sha256_a, sha256_b = (str(latest.loc[side, "sha256"]) for side in SIDES)
            yield _turned(engine, sha256_a, sha256_b, limits)


def _turned(engine: Engine, sha256_a: str, sha256_b: str, limits: Limits) -> TurnedTray:
    a, b = (newest_scores_of(engine, sha256) for sha256 in (sha256_a, sha256_b))
    match = match_sides(a.fruit, b.fruit)
    row = a.photo.iloc[0]
    crew, lot = (None if pd.isna(row[name]) else str(row[name]) for name in ("crew", "bin"))
    return TurnedTray(
        str(row["photo"]),
        str(b.photo["photo"].iloc[0]),
        crew,
        lot,
        both_sides(a.fruit, a.marks, b.fruit, b.marks, match, limits),
        match.sentence,
    )
