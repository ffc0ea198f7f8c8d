"""One row per fruit of a season, with what is known of its bin: what crew figures are made from.

The rows come from the records or from the plain tables of scoring; `countable` takes those that may be counted, each
fruit once, and says how many others there were and why.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import pandas as pd

from scorer.score_tables import KINDS, SETTLED, UNSURE
from scorer.verdict import NOT_JUDGED

FRUIT_ROW_DTYPES: Final = {
    "photo": "str",
    "fruit": "int64",
    "crew": "str",
    "bin": "str",
    "tray": "str",
    "side": "str",
    "method": "str",
    "block": "str",
    "cultivar": "str",
    "picked_at": "datetime64[s]",
    "taken_at": "datetime64[s]",
    "hold": "str",
    "photo_verdict": "str",
    "verdict": "str",
    "downgraded": "bool",
    "scored_downgraded": "bool",
    "brown_fraction": "float64",
    "checked_downgraded": "boolean",
    "check_chance": "float64",
    **dict.fromkeys((*KINDS, UNSURE), "bool"),
}
"""``verdict`` and ``downgraded`` go by the marks as people said they are, ``scored_downgraded`` by the score alone;
``checked_downgraded`` is an officer's on the whole fruit, missing where nobody looked, ``check_chance`` the chance with
which it was drawn for checking; each kind says whether the fruit bears a mark of it. Times are the site's own."""

RETAKE: Final = "in photos that are to be taken again"
TOO_SOON: Final = "in photos taken less than 48 h after picking, or nobody knows when"
NOT_TOLD: Final = "not judged, for want of a scale or a size"
NO_CREW: Final = "of bins whose crew nobody named"
SEEN_LATER: Final = "seen again in a later photo of the same side of the tray"
OTHER_SIDE: Final = "seen again from the other side"
REASONS_NOT_COUNTED: Final = (NO_CREW, RETAKE, TOO_SOON, NOT_TOLD, SEEN_LATER, OTHER_SIDE)

_TRAY: Final = ["crew", "bin", "picked_at", "tray"]
_LOT_TIME: Final = "%Y-%m-%d %H:%M"


@dataclass(frozen=True)
class Countable:
    """Fruit that count, each once.

    Parameters
    ----------
    fruit : rows as of FRUIT_ROW_DTYPES with ``lot`` (bin and time of picking in one text: what fruit of one bin share),
        ``day`` (of picking, as text), ``hour`` (of picking, 0 to 23) and ``defective`` (that is ``downgraded``).
    left_out : how many fruit do not count, by reason; only reasons that occur.
    """

    fruit: pd.DataFrame
    left_out: dict[str, int]

    @property
    def sentence(self) -> str:
        """What counts and what does not, in words."""
        counts = f"{len(self.fruit)} fruit count."
        if not self.left_out:
            return counts
        reasons = "; ".join(f"{number} {reason}" for reason, number in self.left_out.items())
        return f"{counts} Left out: {reasons}."


def rows_of_tables(photo: pd.DataFrame, fruit: pd.DataFrame, marks: pd.DataFrame) -> pd.DataFrame:
    """Rows of FRUIT_ROW_DTYPES from the tables of scoring; nobody has checked any of these fruit yet.

    Parameters
    ----------
    photo, fruit, marks : with the columns of ``scorer.score_tables``.
    """
    about = photo[["photo", *_TRAY, "side", "method", "block", "cultivar", "taken_at", "hold", "verdict"]]
    rows = fruit[["photo", "fruit", "verdict", "downgraded", "brown_fraction"]]
    rows = rows.assign(scored_downgraded=rows["downgraded"]).merge(
        about.rename(columns={"verdict": "photo_verdict"}), on="photo", how="left", validate="many_to_one"
    )
    kinds = marks[["photo", "fruit", "kind"]].drop_duplicates()
    borne = pd.crosstab([kinds["photo"], kinds["fruit"]], kinds["kind"]).reindex(columns=[*KINDS, UNSURE], fill_value=0)
    rows = rows.merge(borne.astype(bool).reset_index(), on=["photo", "fruit"], how="left")
    return fruit_rows(rows)


def fruit_rows(rows: pd.DataFrame) -> pd.DataFrame:
    """Bring rows to the columns and types of FRUIT_ROW_DTYPES; a kind that is missing is a mark that is not there."""
    rows = rows.reindex(columns=list(FRUIT_ROW_DTYPES))
    kinds = [*KINDS, UNSURE]
    rows[kinds] = rows[kinds].astype("boolean").fillna(False)
    return rows.astype(FRUIT_ROW_DTYPES).reset_index(drop=True)


def countable(rows: pd.DataFrame, *, any_hold: bool = False) -> Countable:
    """Take the rows that may be counted, each fruit once.

    Of photos of one side of a tray the latest counts (a tray without a number is its bin's only one). Where a tray was
    turned over, only the first side counts: fruit of a crew whose trays are turned would else have two chances to be
    found out. Bins without a name are told apart by their photos.

    Parameters
    ----------
    rows : with the columns FRUIT_ROW_DTYPES.
    any_hold : whether fruit count that were photographed before marks had time to show, or nobody knows when.
    """
    left_out: dict[str, int] = {}

    def without(kept: pd.DataFrame, drop: pd.Series[bool], reason: str) -> pd.DataFrame:
        if drop.any():
            left_out[reason] = int(drop.sum())
        return kept[~drop]

    kept = without(rows, rows["crew"].isna() | (rows["crew"] == ""), NO_CREW)
    kept = without(kept, kept["photo_verdict"].isin(["retake", "refused"]), RETAKE)
    if not any_hold:
        kept = without(kept, kept["hold"] != SETTLED, TOO_SOON)
    kept = without(kept, kept["verdict"] == NOT_JUDGED, NOT_TOLD)
    kept = without(kept, ~kept["photo"].isin(_latest(kept, [*_TRAY, "side"])), SEEN_LATER)
    first_side = kept.assign(side=kept["side"].fillna("")).sort_values(["side", "photo"], kind="stable")
    kept = without(kept, ~kept["photo"].isin(_one_photo(first_side, _TRAY, keep="first")), OTHER_SIDE)
    picked = kept["picked_at"]
    lot = kept["bin"].fillna(kept["photo"]) + _written(picked, f" {_LOT_TIME}").fillna("")
    fruit = kept.assign(
        lot=lot.astype("str"),
        day=_written(picked, "%Y-%m-%d"),
        hour=picked.dt.hour.astype("Int64"),
        defective=kept["downgraded"],
    ).reset_index(drop=True)
    return Countable(fruit, {reason: left_out[reason] for reason in REASONS_NOT_COUNTED if reason in left_out})


def _written(moments: pd.Series[Any], form: str) -> pd.Series[str]:
    """Moments as text; each is written once, for the fruit of a bin share one."""
    place, found = pd.factorize(moments)
    written = pd.Series(pd.DatetimeIndex(found).strftime(form), dtype="str")
    return written.reindex(place).set_axis(moments.index)  # no place (-1) is no text


def _latest(rows: pd.DataFrame, keys: list[str]) -> set[str]:
    return _one_photo(rows.sort_values(["taken_at", "photo"], kind="stable"), keys, keep="last")


def _one_photo(rows: pd.DataFrame, keys: list[str], *, keep: str) -> set[str]:
    """Photos, one for each combination of the keys, and all of those whose bin nobody named."""
    photos = rows.drop_duplicates("photo", keep="last")
    named = photos[photos["bin"].notna()]
    one = named.drop_duplicates(keys, keep="first" if keep == "first" else "last")
    return set(one["photo"]) | set(photos.loc[photos["bin"].isna(), "photo"])
