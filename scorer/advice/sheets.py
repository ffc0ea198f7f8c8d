"""The sheets of a season's crews, from its fruit, marks and photos."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from typing import Protocol

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from scorer.advice.crew_sheet import CrewSheet
from scorer.advice.examples import cut_examples
from scorer.advice.practice_table import Practices
from scorer.advice.practices import choose_practices
from scorer.advice.share_words import ALL_CREWS, TARGET, Comparison, share_of_crew
from scorer.crews.shares import defect_share
from scorer.errors import ScorerError
from scorer.language import Language
from scorer.limits import Limits


class MarkPictures(Protocol):
    """Photos to cut examples from, by their names, and where their marks lie."""

    def picture(self, photo: str, /) -> NDArray[np.uint8] | None:
        """The upright photo, (H, W, 3) red, green, blue; None where it is not to be had."""

    def mark_mask(self, photo: str, /) -> NDArray[np.uint16] | None:
        """Numbers of its marks, pixel by pixel; None where they are not to be had."""


def crew_sheets(
    fruit: pd.DataFrame,
    marks: pd.DataFrame,
    *,
    crews: Iterable[str],
    language: Language,
    limits: Limits,
    practices: Practices,
    target: float | None = None,
    photos: MarkPictures | None = None,
    confidence: float = 0.95,
) -> list[CrewSheet]:
    """One sheet for each crew.

    Parameters
    ----------
    fruit : countable fruit of all crews, see ``scorer.fruit_rows``.
    marks : as in ``marks.csv``.
    crews : whose sheets; none for all.
    limits : the table that fruit were judged by, for its wound lengths.
    target : share to hold crews against; None takes that of all crews together.
    photos : to cut examples from; None for a sheet without pictures.

    Raises
    ------
    ScorerError : there is no such crew.
    """
    there = sorted(str(name) for name in fruit["crew"].unique())
    wanted = list(crews) or there
    unknown = [name for name in wanted if name not in there]
    if unknown:
        raise ScorerError(f"There is no crew {unknown[0]} among the fruit that count; there are {', '.join(there)}.")
    shares = defect_share(fruit, cluster="lot", confidence=confidence)
    compared = Comparison(ALL_CREWS, fruit["defective"].mean()) if target is None else Comparison(TARGET, target)
    sheets = []
    for crew in wanted:
        own = fruit[fruit["crew"] == crew]
        advice = choose_practices(
            fruit, marks, crew, practices=practices, open_wounds_mm=limits.open_wounds_mm, cluster="lot"
        )
        examples = (
            ()
            if photos is None
            else cut_examples(
                fruit,
                marks,
                crew,
                kinds=[kind.kind for kind in advice.kinds],
                open_photo=photos.picture,
                open_mark_mask=photos.mark_mask,
                cluster="lot",
            )
        )
        days = sorted(own["day"].dropna().unique())
        period = (date.fromisoformat(days[0]), date.fromisoformat(days[-1])) if days else None
        share = share_of_crew(shares, crew, confidence=confidence)
        sheets.append(CrewSheet(crew, share, len(days), advice, language, compared, period, examples))
    return sheets
