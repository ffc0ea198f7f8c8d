"""Sum a batch per picking crew, and say when it is too little to judge a crew by."""

from __future__ import annotations

import pandas as pd

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
ONE_COUNT_PER_PHOTO = "Fruit photographed more than once (both sides, or days later) count once per photo."

CREW_COLUMNS = ("crew", "bins", "photos", "left_out", "fruit", "over_limit", "share", "enough")


def summarise_crews(photo: pd.DataFrame, fruit: pd.DataFrame) -> pd.DataFrame:
    """Count fruit that a limit downgraded, per crew.

    Parameters
    ----------
    photo, fruit : tables with the columns PHOTO_COLUMNS and FRUIT_COLUMNS.

    Returns
    -------
    One row per crew, by name, with the columns CREW_COLUMNS. ``left_out`` counts photos that were refused or
    are to be taken again; their fruit do not count, nor do fruit that were not judged for want of a scale.
    ``share`` is over_limit / fruit, missing without fruit; ``enough``: whether a crew may be judged by it.
    """
    crews = photo["crew"].fillna(NO_CREW).replace("", NO_CREW)
    counts = ~photo["verdict"].isin(["retake", "refused"])
    judged = fruit[fruit["photo"].isin(photo.loc[counts, "photo"]) & (fruit["verdict"] != NOT_JUDGED)]
    rows = []
    for crew in sorted(crews.unique(), key=lambda name: (name == NO_CREW, name)):
        of_crew = photo[crews == crew]
        kept = of_crew[counts[of_crew.index]]
        own = judged[judged["photo"].isin(of_crew["photo"])]
        bins, over = int(kept["bin"].dropna().nunique()), int(own["downgraded"].sum())
        rows.append(
            {
                "crew": crew,
                "bins": bins,
                "photos": len(of_crew),
                "left_out": len(of_crew) - len(kept),
                "fruit": len(own),
                "over_limit": over,
                "share": over / len(own) if len(own) else float("nan"),
                "enough": len(own) >= FEWEST_FRUIT and bins >= FEWEST_BINS,
            }
        )
    return pd.DataFrame(rows, columns=list(CREW_COLUMNS))
