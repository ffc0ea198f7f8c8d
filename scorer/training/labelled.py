"""Labelled trays, which models are fitted on; here read as the tray simulator writes them."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Final, TypeAlias

import cv2
import numpy as np
from numpy.typing import NDArray

KIND_OF_TRUTH: Final = {
    "sap": "sap_burn",
    "abrasion": "abrasion",
    "cut": "cut",
    "puncture": "stem_puncture",
    "crease": "crease",
}

LEAST_IOU: Final = 0.9
"""Overlap with a true fruit from which a found one may be learned from; our own choice."""


@dataclass(frozen=True)
class TrueMark:
    """A mark whose truth is known: label in the mark mask, kind, visible area and mean contrast in CIE76.

    Whoever outlines a mark by hand saw it: its contrast is infinite.
    """

    label: int
    kind: str
    area_mm2: float
    contrast_delta_e: float


@dataclass(frozen=True)
class LabelledTray:
    """A photo and what is truly on it, in the grid of the upright photo at full size.

    Parameters
    ----------
    photo : path of the photo.
    fruit_mask : (H, W) uint16; None where nobody outlined the fruit, and those found are taken for whole ones.
    mark_mask : (H, W) uint16.
    marks : label -> TrueMark.
    whole : whether what lies on no mark is known to be none; else it is unknown.
    tray, who : name of the tray, and of whoever labelled it; empty where it was drawn with its truth.
    """

    photo: Path
    fruit_mask: NDArray[np.uint16] | None
    mark_mask: NDArray[np.uint16]
    marks: dict[int, TrueMark]
    whole: bool = True
    tray: str = ""
    who: str = ""

    def is_one_fruit(self, found: NDArray[np.bool_]) -> bool:
        """Whether pixels (H, W) that were taken for one fruit are that: a true fruit, nearly whole, and little else.

        What lies on a piece of floor that was taken for skin must not be learned as skin without marks, or dark places
        of all kinds are judged to be none.
        """
        if self.fruit_mask is None:
            return True
        size = (found.shape[1], found.shape[0])
        true = cv2.resize(self.fruit_mask, size, interpolation=cv2.INTER_NEAREST_EXACT)
        numbers = np.bincount(true[found])
        if len(numbers) < 2:
            return False
        number = int(numbers[1:].argmax()) + 1
        either = np.count_nonzero(found | (true == number))
        return bool(numbers[number] >= LEAST_IOU * either)


TrayReader: TypeAlias = Callable[[], LabelledTray]
"""Reads one labelled tray when it is its turn, so that not all lie in memory; fit to be sent to another process."""


def labelled_photos(folder: Path) -> list[Path]:
    """Photos of a labelled folder (``photos`` beside ``truth``), sorted by name."""
    return sorted(p for p in (folder / "photos").iterdir() if p.suffix.lower() in (".jpg", ".png"))


def read_labelled(photo: Path) -> LabelledTray:
    """Read a photo's truth."""
    truth = photo.parent.parent / "truth"
    described = json.loads((truth / f"{photo.stem}.json").read_text(encoding="utf-8"))
    masks = [cv2.imread(str(truth / f"{photo.stem}.{name}.png"), cv2.IMREAD_UNCHANGED) for name in ("fruit", "marks")]
    marks = {
        int(mark["id"]): TrueMark(
            int(mark["id"]),
            KIND_OF_TRUTH[mark["kind"]],
            float(mark["visible_area_mm2"]),
            float(mark["contrast_delta_e"]),
        )
        for fruit in described["fruit"]
        for mark in fruit["marks"]
    }
    fruit_mask, mark_mask = (np.asarray(mask, np.uint16) for mask in masks)
    return LabelledTray(photo, fruit_mask, mark_mask, marks, tray=photo.stem)
