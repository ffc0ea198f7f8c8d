"""How much of the final brown area shows how soon, learnt from trays that were photographed again.

Sap and rub marks take one to two days to show on the skin (common practice, no source). How much of them shows at
some hour is not taken from there: it is estimated from the shed's own trays, and not offered before enough of them
were photographed both early and settled.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import stdtrit

from scorer.score_tables import SETTLED

TRAY_KEYS: Final = ("crew", "bin", "picked_at", "tray")
"""What names a tray; one that bears no number is the only one of its bin."""
LINK_KEYS: Final = (*TRAY_KEYS, "side")
LINK_COLUMNS: Final = ("photo", "final_photo", "hours_since_picking", "final_hours", *LINK_KEYS)
REPEAT_COLUMNS: Final = (
    *LINK_COLUMNS,
    "from_h",
    "to_h",
    "fruit",
    "final_fruit",
    "brown_area_mm2",
    "final_brown_area_mm2",
    "left_out",
)
SHARE_COLUMNS: Final = (
    "from_h",
    "to_h",
    "trays",
    "share",
    "low",
    "high",
    "missing_trays",
    "enough",
    "left_out",
)

WINDOWS_H: Final = ((0.0, 6.0), (6.0, 18.0), (18.0, 30.0), (30.0, 42.0))
FEWEST_TRAYS: Final = 12
"""From 11 degrees of freedom on, t lies within an eighth of its limit and the linearised variance is of some use."""
WIDEST_HALF: Final = 0.15
"""Half-width of the interval up to which a share tells "about half" from "about all"; our own choice."""
FEWEST_EVEN_TRAYS: Final = 8.0
"""Trays of even brown area that the trays must be worth (Kish's effective number, sum(x)^2 / sum(x^2)): where a few
hold most of it, the linearised interval holds the truth in 8 of 10 cases instead of 9 to 9.5 (our own simulation)."""
LEAST_SHARE: Final = 0.2
"""Up to this share, dividing by it blows every error up fivefold or more."""
FRUIT_MAY_DIFFER_BY: Final = 1

OUTSIDE = "outside of every window"
NO_FRUIT = "no fruit found in one of the photos"
COUNTS_DIFFER = "the photos differ by more than one fruit"
NO_AREA = "brown area not known, for want of a card"
NOT_NEAREST = "another photo of the tray lies nearer to the middle of the window"
CLEAN = "no brown area in either photo, which says nothing of the share"
REASONS_LEFT_OUT: Final = (OUTSIDE, NO_FRUIT, COUNTS_DIFFER, NO_AREA, NOT_NEAREST, CLEAN)

_PHOTO_NEEDS: Final = ("photo", *LINK_KEYS, "hours_since_picking", "hold", "verdict")
_ROUNDING: Final = 1e-9
_NOT_USED: Final = ("retake", "refused")


@dataclass(frozen=True)
class FinalFraction:
    """What an early brown fraction comes to once all marks show.

    Parameters
    ----------
    fraction, low, high : brown area as a share of the visible skin, 0 to 1, with the interval that the share's own
        uncertainty gives; NaN where nothing can be said.
    sentence : the same in words, or why not.
    """

    fraction: float
    low: float
    high: float
    sentence: str


def link_repeats(photos: pd.DataFrame) -> pd.DataFrame:
    """Pair each earlier photo of a tray with the latest settled photo of the same tray and side.

    Photos to be taken again, refused, or of unknown hour or picking time are left out, and those without a bin: they
    cannot be told to be of one tray. A missing side, tray or crew equals a missing one.

    Parameters
    ----------
    photos : one row per photo: photo, crew, bin, picked_at, tray, side, hours_since_picking, hold, verdict.

    Returns
    -------
    One row per pair with the columns LINK_COLUMNS. Earlier photos that are settled themselves count too; the final
    photo, and one of the same hour, are not paired with it.

    Raises
    ------
    ValueError : a column is missing, or a photo is named twice.
    """
    _need("photos", photos, _PHOTO_NEEDS)
    if photos["photo"].duplicated().any():
        raise ValueError(f"photos name {photos.loc[photos['photo'].duplicated(), 'photo'].iloc[0]} twice")
    known = photos[["bin", "picked_at", "hours_since_picking"]].notna().all(axis=1)
    kept = photos.loc[known & ~photos["verdict"].isin(_NOT_USED), list(_PHOTO_NEEDS)]
    kept = kept.assign(better=kept["verdict"] == "good")
    # latest last; of two photos of one hour, the better one
    kept = kept.sort_values(["hours_since_picking", "better", "photo"], ascending=[True, True, False])
    kept = kept.assign(tray_side=kept.groupby(list(LINK_KEYS), dropna=False, sort=False).ngroup())
    final = kept[kept["hold"] == SETTLED].drop_duplicates("tray_side", keep="last")
    final = final[["tray_side", "photo", "hours_since_picking"]].rename(
        columns={"photo": "final_photo", "hours_since_picking": "final_hours"}
    )
    pairs = kept.merge(final, on="tray_side", how="inner")
    pairs = pairs[pairs["hours_since_picking"] < pairs["final_hours"]]
    pairs = pairs.sort_values([*LINK_KEYS, "hours_since_picking", "photo"])
    return pairs[list(LINK_COLUMNS)].reset_index(drop=True)


def compare_repeats(
    photos: pd.DataFrame,
    fruit: pd.DataFrame,
    *,
    windows_h: Sequence[tuple[float, float]] = WINDOWS_H,
) -> pd.DataFrame:
    """Brown areas of each pair of `link_repeats`, and why a pair does not count, if so.

    Parameters
    ----------
    photos : as for `link_repeats`.
    fruit : one row per fruit: photo, brown_area_mm2 (NaN without a card).
    windows_h : hours after picking, from (included) and to (not included), in order and without overlap.

    Returns
    -------
    One row per pair with the columns REPEAT_COLUMNS; ``left_out`` is one of REASONS_LEFT_OUT, or empty for a pair
    that counts.

    Raises
    ------
    ValueError : a column is missing, a photo is named twice, or the windows are out of order.
    """
    _need("fruit", fruit, ("photo", "brown_area_mm2"))
    _check_windows(windows_h)
    pairs = link_repeats(photos)
    of_photo = fruit.groupby("photo")["brown_area_mm2"].agg(["size", "count", "sum"])
    area = of_photo["sum"].where(of_photo["size"] == of_photo["count"])
    for prefix, photo in (("", pairs["photo"]), ("final_", pairs["final_photo"])):
        pairs[f"{prefix}fruit"] = photo.map(of_photo["size"]).fillna(0).astype("int64")
        pairs[f"{prefix}brown_area_mm2"] = photo.map(area).astype("float64")
    starts = np.array([start for start, _ in windows_h], float)
    ends = np.array([end for _, end in windows_h], float)
    hours = pairs["hours_since_picking"].to_numpy(float)
    window = np.searchsorted(starts, hours, side="right") - 1
    inside = (window >= 0) & (hours < ends[window])
    pairs["from_h"] = np.where(inside, starts[window], np.nan)
    pairs["to_h"] = np.where(inside, ends[window], np.nan)
    pairs["left_out"] = _why_left_out(pairs)
    return pairs[list(REPEAT_COLUMNS)]


def browning_by_hour(
    photos: pd.DataFrame,
    fruit: pd.DataFrame,
    *,
    windows_h: Sequence[tuple[float, float]] = WINDOWS_H,
    confidence: float = 0.95,
) -> pd.DataFrame:
    """Share of the final brown area that shows already, by hours since picking.

    The share is the ratio of two sums over trays, of early and of final brown area, with the tray as the sampling
    unit (both sides together) and the interval by the linearised variance and t (Cochran 1977, Sampling Techniques,
    3rd ed., sections 6.3 and 6.4), without a correction for a finite number of trays. The trays are taken as drawn
    at random from those that the share is used for: trays of one crew, block or week say nothing of others. With a
    dozen trays of uneven brown area an interval of 95 % holds the truth in about 90 % of cases.

    Parameters
    ----------
    photos, fruit, windows_h : as for `compare_repeats`, which also tells which pairs were left out and why.
    confidence : of the interval, between 0 and 1.

    Returns
    -------
    One row per window with the columns SHARE_COLUMNS. ``trays`` counts trays with any brown area; ``share`` is NaN
    without final brown area, ``low`` (at least 0) and ``high`` are NaN under two trays. ``enough``: at least
    FEWEST_TRAYS trays, worth FEWEST_EVEN_TRAYS even ones, and a half-width of at most WIDEST_HALF. ``missing_trays``:
    about how many more trays it takes, never less than those that lack to FEWEST_TRAYS. ``left_out``: pairs that did
    not count.

    Raises
    ------
    ValueError : as for `compare_repeats`, or confidence is not between 0 and 1.
    """
    if not 0 < confidence < 1:
        raise ValueError(f"confidence must lie between 0 and 1, got {confidence}")
    pairs = compare_repeats(photos, fruit, windows_h=windows_h)
    counts = pairs["left_out"] == ""
    areas = ["brown_area_mm2", "final_brown_area_mm2"]
    of_tray = pairs[counts].groupby(["from_h", *TRAY_KEYS], dropna=False)[areas].sum()
    tray_from_h = of_tray.index.get_level_values("from_h")
    rows = []
    for from_h, to_h in windows_h:
        early, final = of_tray[tray_from_h == from_h].to_numpy(float).T
        share, spread = _ratio_of_sums(early, final)
        half = _half_width(spread, len(final), confidence)
        missing = _missing_trays(spread, final, confidence)
        rows.append(
            {
                "from_h": float(from_h),
                "to_h": float(to_h),
                "trays": len(final),
                "share": share,
                "low": max(share - half, 0.0) if math.isfinite(half) else math.nan,
                "high": share + half,
                "missing_trays": missing,
                "enough": missing == 0,
                "left_out": int((~counts & (pairs["from_h"] == from_h)).sum()),
            }
        )
    return pd.DataFrame(rows, columns=list(SHARE_COLUMNS))


def final_fraction(brown_fraction: float, hours_since_picking: float, shares: pd.DataFrame) -> FinalFraction:
    """Convert an early brown fraction into what will show in the end, where the trays allow it.

    The fraction is divided by the share of its window, and by the ends of the share's interval. That interval holds
    for the mean of many trays: a single tray, and all the more a single fruit, can end further away.

    Parameters
    ----------
    brown_fraction : brown area as a share of the visible skin, 0 to 1; NaN where not known.
    hours_since_picking : of the photo; NaN where not known.
    shares : table of `browning_by_hour`.

    Raises
    ------
    ValueError : brown_fraction is not between 0 and 1, or shares lack a column.
    """
    _need("shares", shares, SHARE_COLUMNS[:-1])
    if brown_fraction < 0 or brown_fraction > 1:
        raise ValueError(f"brown_fraction must lie between 0 and 1, got {brown_fraction}")
    if math.isnan(brown_fraction) or math.isnan(hours_since_picking):
        return _nothing("The brown fraction or the hours since picking are not known, so nothing can be converted.")
    found = shares[(shares["from_h"] <= hours_since_picking) & (hours_since_picking < shares["to_h"])]
    if found.empty:
        return _nothing(
            f"No share is worked out for {hours_since_picking:.0f} h after picking, so the fraction stands as seen."
        )
    row = found.iloc[0]
    share, low, high = float(row["share"]), float(row["low"]), float(row["high"])
    when = _hours(row)
    if not row["enough"]:
        trays = _trays(int(row["missing_trays"]))
        return _nothing(
            f"How much shows {when} is not known well enough: about {trays} more, photographed then and "
            "again from 48 h on, are missing."
        )
    if not share > LEAST_SHARE:
        return _nothing(f"Only {share:.0%} of the brown area shows {when}, too little to convert: photograph later.")
    if brown_fraction == 0:
        return _nothing(f"Nothing brown is seen yet, and {when} that does not mean that nothing will show.")
    most, least, likely = (min(brown_fraction / part, 1.0) if part > 0 else 1.0 for part in (low, high, share))
    return FinalFraction(
        likely,
        least,
        most,
        f"{when[0].upper()}{when[1:]}, {share:.0%} of the brown area shows on average, so {brown_fraction:.1%} now "
        f"comes to about {likely:.1%} ({least:.1%} to {most:.1%}) over many trays; one fruit can differ more.",
    )


def hold_sentence(shares: pd.DataFrame) -> list[str]:
    """What each window says, in plain words for those who take the photos.

    Parameters
    ----------
    shares : table of `browning_by_hour`.

    Raises
    ------
    ValueError : shares lack a column.
    """
    _need("shares", shares, SHARE_COLUMNS)
    return [_window_sentence(row) for _, row in shares.iterrows()]


def _window_sentence(row: pd.Series) -> str:
    when = _hours(row)
    when = when[0].upper() + when[1:]
    trays, missing, left_out = int(row["trays"]), int(row["missing_trays"]), int(row["left_out"])
    aside = f" {left_out} {'pair' if left_out == 1 else 'pairs'} of photos could not be used." if left_out else ""
    more = f"about {_trays(missing)} more, photographed then and again from 48 h on, {_are(missing)} missing."
    if not trays:
        return f"{when}: not known, for no marked tray was photographed then and again later; {more}{aside}"
    if math.isnan(row["share"]):
        return f"{when}: not known, for the final photos show nothing brown; {more}{aside}"
    if row["enough"] and row["share"] == 0:
        return f"{when}: nothing shows yet on any of {_trays(trays)}; on others some may.{aside}"
    if row["enough"]:
        return (
            f"{when}: {row['share']:.0%} of what turns brown shows already "
            f"({row['low']:.0%} to {row['high']:.0%}, from {_trays(trays)}).{aside}"
        )
    if trays == 1:
        return f"{when}: not known, for one tray says nothing of others; {more}{aside}"
    return (
        f"{when}: not known well enough, {_trays(trays)} say {row['share']:.0%} "
        f"({row['low']:.0%} to {row['high']:.0%}); {more}{aside}"
    )


def _hours(row: pd.Series) -> str:
    return f"from {row['from_h']:g} to {row['to_h']:g} h after picking"


def _trays(number: int) -> str:
    return f"{number} {'tray' if number == 1 else 'trays'}"


def _are(number: int) -> str:
    return "is" if number == 1 else "are"


def _nothing(sentence: str) -> FinalFraction:
    return FinalFraction(math.nan, math.nan, math.nan, sentence)


def _why_left_out(pairs: pd.DataFrame) -> pd.Series:
    """Reason for each pair, empty where it counts."""
    fruit, final_fruit = pairs["fruit"], pairs["final_fruit"]
    reason = pd.Series("", index=pairs.index, dtype="str")
    # the first reason that holds is the one told, so the last is written first
    reason[pairs[["brown_area_mm2", "final_brown_area_mm2"]].isna().any(axis=1)] = NO_AREA
    reason[(fruit - final_fruit).abs() > FRUIT_MAY_DIFFER_BY] = COUNTS_DIFFER
    reason[(fruit == 0) | (final_fruit == 0)] = NO_FRUIT
    reason[pairs["from_h"].isna()] = OUTSIDE

    counted = pairs[reason == ""]
    off_middle_h = (counted["hours_since_picking"] - (counted["from_h"] + counted["to_h"]) / 2).abs()
    counted = counted.assign(off_middle_h=off_middle_h).sort_values(["off_middle_h", "hours_since_picking", "photo"])
    again = counted.duplicated([*LINK_KEYS, "from_h"])
    reason[counted.index[again]] = NOT_NEAREST

    counted = counted[~again]
    brown = counted["brown_area_mm2"] + counted["final_brown_area_mm2"]
    of_tray = brown.groupby([counted[key] for key in (*TRAY_KEYS, "from_h")], dropna=False).transform("sum")
    reason[counted.index[of_tray == 0]] = CLEAN
    return reason


def _ratio_of_sums(part: NDArray[np.float64], whole: NDArray[np.float64]) -> tuple[float, float]:
    """Ratio of the sums and the spread of one unit, whose square over the number of units is the variance.

    Cochran 1977, section 6.4: v(R) = sum((y - R x)^2) / (n - 1) / (n mean(x)^2). The spread is NaN under two units.
    """
    total = float(whole.sum())
    if not total > 0:
        return math.nan, math.nan
    share = float(part.sum()) / total
    if len(part) < 2:
        return share, math.nan
    residual = part - share * whole
    return share, math.sqrt(float(residual @ residual) / (len(part) - 1)) / (total / len(part))


def _half_width(spread: float, trays: int, confidence: float) -> float:
    if trays < 2:
        return math.nan
    return float(stdtrit(trays - 1, 0.5 + confidence / 2)) * spread / math.sqrt(trays)


def _missing_trays(spread: float, final_mm2: NDArray[np.float64], confidence: float) -> int:
    """Trays that lack, if further ones are like those seen; 0 when there are enough."""
    trays = len(final_mm2)
    lacking = max(FEWEST_TRAYS - trays, 0)
    if not final_mm2.sum() > 0:
        return max(lacking, 1)
    if trays < 2:
        return lacking
    even_trays = float(final_mm2.sum() ** 2 / (final_mm2 @ final_mm2))
    wanted = max(trays, FEWEST_TRAYS, math.ceil(trays * FEWEST_EVEN_TRAYS / even_trays - _ROUNDING))
    if _half_width(spread, wanted, confidence) > WIDEST_HALF:
        # t is never below the normal quantile, so the search begins where that would do
        normal = float(stdtrit(math.inf, 0.5 + confidence / 2))
        wanted = max(wanted, math.floor((normal * spread / WIDEST_HALF) ** 2))
        while _half_width(spread, wanted, confidence) > WIDEST_HALF:
            wanted += 1
    return wanted - trays


def _check_windows(windows_h: Sequence[tuple[float, float]]) -> None:
    if not len(windows_h):
        raise ValueError("windows_h must name at least one window")
    bounds = [bound for window in windows_h for bound in window]
    in_order = all(early <= late for early, late in pairwise(bounds))
    if not in_order or any(start >= end for start, end in windows_h):
        raise ValueError(f"windows_h must be in order and without overlap, got {windows_h}")


def _need(name: str, table: pd.DataFrame, columns: Sequence[str]) -> None:
    missing = [column for column in columns if column not in table.columns]
    if missing:
        raise ValueError(f"{name} lack the columns {', '.join(missing)}")
