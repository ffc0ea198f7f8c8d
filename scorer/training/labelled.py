"""Read labelled trays: photos with their truth, as the tray simulator writes them."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Final

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
    """A mark whose truth is known: label in the mark mask, kind, visible area and mean contrast in CIE76."""

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
    fruit_mask, mark_mask : (H, W) uint16.
    marks : label -> TrueMark.
    """

    photo: Path
    fruit_mask: NDArray[np.uint16]
    mark_mask: NDArray[np.uint16]
    marks: dict[int, TrueMark]

    def is_one_fruit(self, found: NDArray[np.bool_]) -> bool:
        """Whether pixels (H, W) that were taken for one fruit are that: a true fruit, nearly whole, and little else.

        What lies on a piece of floor that was taken for skin must not be learned as skin without marks, or dark places
        of all kinds are judged to be none.
        """
        size = (found.shape[1], found.shape[0])
        true = cv2.resize(self.fruit_mask, size, interpolation=cv2.INTER_NEAREST_EXACT)
        numbers = np.bincount(true[found])
        if len(numbers) < 2:
            return False
        number = int(numbers[1:].argmax()) + 1
        either = np.count_nonzero(found | (true == number))
        return bool(numbers[number] >= LEAST_IOU * either)


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
    return LabelledTray(photo, fruit_mask, mark_mask, marks)
