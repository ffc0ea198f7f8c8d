"""Sum a batch per picking crew, photo by photo, and say when it is too little to judge a crew by."""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import dataclass, field

import pandas as pd

from scorer.score_tables import SETTLED
from scorer.verdict import NOT_JUDGED

FEWEST_FRUIT = 30
FEWEST_BINS = 5
"""Fewer fruit or bins than these say more of chance than of the crew; common practice, no source."""

NO_CREW = "(no crew named)"
TOO_FEW = "too few to judge a crew by"
FAIR_USE = (
    "Marks can come from the variety, the weather, the bins or the wash as well as from picking: use "
    "these figures to look for the cause together with the crew, over many bins; never to cut pay or blame."
)
FOR_COACHING = "For coaching; not for pay or discipline on a sample of this size."
ONE_COUNT_PER_PHOTO = "Fruit photographed more than once (both sides, or days later) count once per photo."
ONLY_SETTLED = (
    "Only photos taken 48 h or more after picking count here, for marks need one to two days to show; "
    "--held any counts all."
)
ANY_HOLD = "Photos count however soon after picking they were taken; marks need one to two days to show."

CREW_COLUMNS = ("crew", "bins", "photos", "retake", "unsettled", "fruit", "over_limit", "share", "enough")


@dataclass
class _Tally:
    bins: set[str] = field(default_factory=set)
    photos: int = 0
    retake: int = 0
    unsettled: int = 0
    fruit: int = 0
    over_limit: int = 0


class CrewTally:
    """Counts of fruit that a limit downgraded, per crew; grows photo by photo, and keeps no photo.

    Parameters
    ----------
    any_hold : whether photos count that were taken before marks had time to show, or nobody knows when.
    """

    def __init__(self, *, any_hold: bool = False) -> None:
        self.any_hold = any_hold
        self._of_crew: defaultdict[str, _Tally] = defaultdict(_Tally)

    def add(self, photo: pd.DataFrame, fruit: pd.DataFrame) -> None:
        """Count photos and their fruit: tables with the columns PHOTO_COLUMNS and FRUIT_COLUMNS."""
        judged, over = Counter[str](), Counter[str]()
        for name, verdict, downgraded in zip(
            *(fruit[column].tolist() for column in ("photo", "verdict", "downgraded")), strict=True
        ):
            judged[name] += verdict != NOT_JUDGED
            over[name] += verdict != NOT_JUDGED and bool(downgraded)
        for name, crew, bin_, verdict, hold in zip(
            *(photo[column].tolist() for column in ("photo", "crew", "bin", "verdict", "hold")), strict=True
        ):
            tally = self._of_crew[NO_CREW if pd.isna(crew) or not crew else crew]
            tally.photos += 1
            if verdict in ("retake", "refused"):
                tally.retake += 1
            elif not self.any_hold and hold != SETTLED:
                tally.unsettled += 1
            else:
                if not pd.isna(bin_):
                    tally.bins.add(bin_)
                tally.fruit += judged[name]
                tally.over_limit += over[name]

    def table(self) -> pd.DataFrame:
        """One row per crew, by name, with the columns CREW_COLUMNS.

        ``retake`` counts photos that were refused or are to be taken again, ``unsettled`` those taken too soon or
        nobody knows when; their fruit do not count, nor do fruit that were not judged for want of a scale. ``share``
        is over_limit / fruit, missing without fruit; ``enough``: whether a crew may be judged by it.
        """
        rows = []
        for crew in sorted(self._of_crew, key=lambda name: (name == NO_CREW, name)):
            tally = self._of_crew[crew]
            rows.append(
                {
                    "crew": crew,
                    "bins": len(tally.bins),
                    "photos": tally.photos,
                    "retake": tally.retake,
                    "unsettled": tally.unsettled,
                    "fruit": tally.fruit,
                    "over_limit": tally.over_limit,
                    "share": tally.over_limit / tally.fruit if tally.fruit else float("nan"),
                    "enough": tally.fruit >= FEWEST_FRUIT and len(tally.bins) >= FEWEST_BINS,
                }
            )
        return pd.DataFrame(rows, columns=list(CREW_COLUMNS))


def summarise_crews(photo: pd.DataFrame, fruit: pd.DataFrame, *, any_hold: bool = False) -> pd.DataFrame:
    """The table of ``CrewTally`` for whole tables of photos and fruit."""
    tally = CrewTally(any_hold=any_hold)
    tally.add(photo, fruit)
    return tally.table()
