"""Photos and marks to cut examples from: masks that were written with the tables, or the photo scored once more."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import cv2
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from scorer.errors import ScorerError
from scorer.photo import open_photo
from scorer.results import MASKS, result_stems
from scorer.score_tables import TrayScore

_SAME_AREA = 0.02  # part by which a mark's area may differ and still be the same mark


@dataclass
class TrayPhotos:
    """The photos of a season, opened when they are asked for.

    Parameters
    ----------
    folder : that the photos' names are relative to.
    photos : their names.
    marks : their marks as in the tables, to tell whether a photo scored once more gives the same ones.
    results : the results folder, whose masks are taken where there are any; None for none.
    score : scores a photo again, for want of masks.
    """

    folder: Path
    photos: list[str]
    marks: pd.DataFrame
    score: Callable[[Path], TrayScore]
    results: Path | None = None
    _stems: dict[str, str] = field(init=False)

    def __post_init__(self) -> None:
        self._stems = result_stems(self.photos)

    def picture(self, photo: str) -> NDArray[np.uint8] | None:
        """The upright photo, (H, W, 3) red, green, blue; None where it cannot be opened."""
        try:
            return np.ascontiguousarray(open_photo(self.folder / photo).bgr[..., ::-1])
        except ScorerError:
            return None

    def mark_mask(self, photo: str) -> NDArray[np.uint16] | None:
        """Numbers of the photo's marks, pixel by pixel; None where they are not to be had as the tables number them."""
        if self.results is not None:
            written = self.results / MASKS / f"{self._stems[photo]}.marks.png"
            mask = cv2.imread(str(written), cv2.IMREAD_UNCHANGED) if written.exists() else None
            if mask is not None:
                return np.asarray(mask, np.uint16)
        try:
            score = self.score(self.folder / photo)
        except ScorerError:
            return None
        return score.mark_mask if self._same(photo, score.marks) else None

    def _same(self, photo: str, marks: pd.DataFrame) -> bool:
        """Whether these are the marks of the tables; another model would number others."""
        columns = ["mark", "area_mm2"]
        both = self.marks.loc[self.marks["photo"] == photo, columns].merge(marks[columns], on="mark", how="outer")
        areas = both[["area_mm2_x", "area_mm2_y"]].to_numpy(float)
        return bool(np.allclose(areas[:, 0], areas[:, 1], rtol=_SAME_AREA, equal_nan=True))
