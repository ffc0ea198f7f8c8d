"""The crew sheets of a season in the records, with examples cut from the photos that are kept."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from sqlalchemy import Engine

from scorer.access.roles import Person, Right
from scorer.advice.crew_sheet import CrewSheet
from scorer.advice.practice_table import Practices
from scorer.advice.sheets import crew_sheets
from scorer.errors import ScorerError
from scorer.language import Language
from scorer.limits import Limits
from scorer.photo import open_photo
from scorer.records.marks import marks_of_crews


class KeptPhotos(Protocol):
    """Where photos are kept with their masks, by the SHA-256 of their bytes."""

    def photo_path(self, sha256: str) -> Path | None:
        """The photo, or None where it is not kept."""

    def mark_mask(self, sha256: str) -> NDArray[np.uint16] | None:
        """Numbers of its marks, pixel by pixel, or None."""


@dataclass(frozen=True)
class _Examples:
    """Photos and masks by a photo's name."""

    kept: KeptPhotos
    sha256: dict[str, str]

    def picture(self, photo: str) -> NDArray[np.uint8] | None:
        path = self.kept.photo_path(self.sha256[photo])
        try:
            return None if path is None else np.ascontiguousarray(open_photo(path).bgr[..., ::-1])
        except ScorerError:
            return None

    def mark_mask(self, photo: str) -> NDArray[np.uint16] | None:
        return self.kept.mark_mask(self.sha256[photo])


def sheets_of_season(
    person: Person,
    engine: Engine,
    fruit: pd.DataFrame,
    kept: KeptPhotos,
    *,
    crews: Sequence[str],
    language: Language,
    limits: Limits,
    practices: Practices,
    target: float | None = None,
) -> list[CrewSheet]:
    """One sheet for each of these crews; see ``scorer.advice.sheets.crew_sheets``.

    Raises
    ------
    AccessError : the person may not print crew sheets.
    ScorerError : there is no such crew, or the records cannot be read.
    """
    person.must(Right.PRINT_SHEETS)
    marks = marks_of_crews(engine, crews)
    sha256 = dict(zip(marks["photo"], marks["sha256"], strict=True))
    return crew_sheets(
        fruit,
        marks.drop(columns="sha256"),
        crews=crews,
        language=language,
        limits=limits,
        practices=practices,
        target=target,
        photos=_Examples(kept, sha256),
    )
