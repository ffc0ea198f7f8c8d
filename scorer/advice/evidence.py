"""What a crew's marks of one kind show: where on the fruit they lie, and when in the shift, with the numbers behind it.

Marks of one bin resemble each other, and a fruit with one bad hour bears many of them. So a pattern is taken as seen
only when the interval that knows of bins (``scorer.crews.shares``) keeps clear of one half, and only from so many marks
and bins on. A pattern decides no more than what to look at first; it does not prove where the marks come from.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import time
from typing import Final

import numpy as np
import pandas as pd
from scipy.stats import mannwhitneyu

from scorer.advice.practice_table import EARLY, START_MM, Pattern, Span
from scorer.crews.shares import defect_share
from scorer.language import Saying

FEWEST_MARKS: Final = 8
FEWEST_BINS: Final = 3
"""Fewer marks or bins than these are not asked where they lie; our own choice."""
MOSTLY_CONFIDENCE: Final = 0.8
"""Of the interval that must keep clear of one half: wrong in 1 of 10 costs a minute's look; our own choice."""
FEWEST_BINS_A_HALF: Final = 4
LATE_RISK: Final = 0.05
"""How often bins that do not differ by the hour would look as if they did; our own choice."""
_LAST_HOUR: Final = 23


@dataclass(frozen=True)
class Sighting:
    """A pattern that a crew's marks show, and the sentence with its numbers."""

    pattern: Pattern
    saying: Saying


def start_mm(marks: pd.DataFrame) -> pd.Series[float]:
    """Distance in mm of each mark's nearest point from the stem end, 0 where the mark reaches it.

    The mark is taken for an ellipse of its length and width, lying as ``stem_direction`` says: towards the stem end it
    reaches sqrt((length/2 cos)^2 + (width/2 sin)^2) beyond its middle, the support function of an ellipse (Rockafellar
    1970, Convex Analysis, section 13). Missing where a measure is.

    Parameters
    ----------
    marks : with ``stem_distance_mm``, ``stem_direction`` (the cosine), ``length_mm`` and ``width_mm``.
    """
    cosine = marks["stem_direction"].clip(0, 1)
    along, across = marks["length_mm"] / 2 * cosine, marks["width_mm"] / 2 * np.sqrt(1 - cosine**2)
    nearest: pd.Series[float] = marks["stem_distance_mm"] - np.hypot(along, across)
    return nearest.clip(lower=0)


def mostly(table: pd.DataFrame, crew: object, *, true: str) -> bool:
    """Whether more than half of what a crew's bins yield is so, beyond what chance and bins may do.

    Parameters
    ----------
    table : ``crew``, ``bin`` and the bool column ``true``; rows of other crews tell how alike a bin's rows are.
    """
    shares = defect_share(table, defective=true, confidence=MOSTLY_CONFIDENCE)
    return bool((shares.loc[shares["crew"] == crew, "low"] > 0.5).any())


def sightings(
    patterns: Iterable[Pattern], kind: str, fruit: pd.DataFrame, marks: pd.DataFrame, crew: object
) -> dict[str, Sighting]:
    """Patterns of one kind of mark that a crew shows, by id, in their order.

    Parameters
    ----------
    patterns : those of the table; the ones of other kinds are passed over.
    kind : of the marks.
    fruit : one row per fruit of all crews: photo, fruit, crew, bin, and ``hour`` of picking (0 to 23), if known.
    marks : one row per mark with the crew and bin of its fruit and such measures as there are.
    crew : the one to look at.
    """
    own = marks[marks["kind"] == kind]
    found: dict[str, Sighting] = {}
    for pattern in patterns:
        if pattern.kind != kind:
            continue
        of_shift = bool(pattern.shift)
        saying = _of_shift(pattern, fruit, own, crew) if of_shift else _of_place(pattern, own, crew)
        if saying is not None:
            found[pattern.id] = Sighting(pattern, saying)
    return found


def enough_marks(marks: pd.DataFrame) -> bool:
    """Whether there are marks and bins enough to ask where the marks lie."""
    return len(marks) >= FEWEST_MARKS and marks["bin"].nunique() >= FEWEST_BINS


def _of_place(pattern: Pattern, marks: pd.DataFrame, crew: object) -> Saying | None:
    measured = _measured(marks, pattern.measures)
    of_crew = measured[measured["crew"] == crew]
    if not enough_marks(of_crew):
        return None
    if not mostly(measured, crew, true="fits"):
        return None
    return Saying(pattern.words, {"count": int(of_crew["fits"].sum()), "total": len(of_crew)})


def _measured(marks: pd.DataFrame, spans: Mapping[str, Span]) -> pd.DataFrame:
    """Crew and bin of the marks that have all the measures, and whether they fit the spans."""
    if START_MM in spans and {"stem_distance_mm", "stem_direction", "length_mm", "width_mm"} <= set(marks.columns):
        marks = marks.assign(**{START_MM: start_mm(marks)})
    if not set(spans) <= set(marks.columns):
        return marks.iloc[:0][["crew", "bin"]].assign(fits=False)
    known = marks[marks[list(spans)].notna().all(axis=1)]
    fits = pd.Series(True, index=known.index)
    for measure, span in spans.items():
        fits &= known[measure].between(span.low, span.high)
    return known[["crew", "bin"]].assign(fits=fits)


def _of_shift(pattern: Pattern, fruit: pd.DataFrame, marks: pd.DataFrame, crew: object) -> Saying | None:
    """Whether the bins of one half of the day bear the kind more often than those of the other (Mann and Whitney 1947).

    Bins are compared, not fruit, by the share of their fruit with the kind; the day is cut at the crew's middle hour.
    """
    of_crew = fruit[fruit["crew"] == crew]
    if "hour" not in of_crew.columns or of_crew["hour"].isna().all():
        return None
    of_crew = of_crew[of_crew["hour"].notna()]
    bearing = set(zip(marks["photo"], marks["fruit"], strict=True))
    timed = of_crew.assign(
        hour=of_crew["hour"].astype(float),
        bears=[each in bearing for each in zip(of_crew["photo"], of_crew["fruit"], strict=True)],
    )
    bins = timed.groupby("bin").agg(hour=("hour", "median"), bears=("bears", "sum"), fruit=("bears", "size"))
    cut = min(int(np.floor(bins["hour"].median())) + 1, _LAST_HOUR)
    late = bins["hour"] >= cut
    there, other = (~late, late) if pattern.shift == EARLY else (late, ~late)
    if min(there.sum(), other.sum()) < FEWEST_BINS_A_HALF:
        return None
    share = bins["bears"] / bins["fruit"]
    if share.nunique() == 1 or mannwhitneyu(share[there], share[other], alternative="greater").pvalue > LATE_RISK:
        return None
    return Saying(
        pattern.words,
        {
            "count": int(bins.loc[there, "bears"].sum()),
            "total": int(bins.loc[there, "fruit"].sum()),
            "other_count": int(bins.loc[other, "bears"].sum()),
            "other_total": int(bins.loc[other, "fruit"].sum()),
            "hour": time(cut),
        },
    )
