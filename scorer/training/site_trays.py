"""A site's labels as labelled trays: for each photo and person one, with the marks that they outlined."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from scorer.kinds import CLASSES, NOT_A_MARK
from scorer.labels.labels import Labels, mask_of
from scorer.labels.photos_there import PhotoThere
from scorer.marks.measure import MEASURES
from scorer.records.words_in_force import NOT_A_MARK as SAID_NOT_A_MARK
from scorer.training.labelled import LabelledTray, TrueMark

FRUIT = "fruit"
"""What an outline of a whole fruit is called among kinds of marks."""


@dataclass(frozen=True)
class OutlinedTray:
    """Reads what one person outlined on one photo; a TrayReader that can be sent to another process.

    Parameters
    ----------
    photo : where it lies, what it is called, and its size.
    who : outlined the marks.
    whole : whether they looked at the whole photo.
    outlines : rows of ``Labels.outlines``.
    """

    photo: PhotoThere
    who: str
    whole: bool
    outlines: tuple[Mapping[Any, Any], ...]

    def __call__(self) -> LabelledTray:
        """The tray; where outlines overlap, the later one is on top."""
        shape = self.photo.size_px[::-1]
        marks, fruit = np.zeros(shape, np.uint16), np.zeros(shape, np.uint16)
        found: dict[int, TrueMark] = {}
        for outline in self.outlines:
            covered = mask_of(outline, self.photo.size_px)
            if outline["kind"] == FRUIT:
                fruit[covered] = fruit.max() + 1
                continue
            label = len(found) + 1
            marks[covered] = label
            found[label] = TrueMark(label, str(outline["kind"]), float("nan"), float("inf"))
        return LabelledTray(
            self.photo.path,
            fruit if fruit.any() else None,
            marks,
            found,
            whole=self.whole,
            tray=self.photo.sha256,
            who=self.who,
        )


def outlined_trays(labels: Labels, photos: Mapping[str, PhotoThere]) -> list[OutlinedTray]:
    """One tray for each photo that is there and each person who looked at it whole or outlined a mark on it.

    Parameters
    ----------
    labels : each person's last word, as ``Labels.newest`` gives it.
    photos : by SHA-256.
    """
    looked_at = set(zip(labels.photos["sha256"], labels.photos["who"], strict=True))
    of: dict[tuple[str, str], list[Mapping[Any, Any]]] = {key: [] for key in looked_at}
    for row in labels.outlines.to_dict("records"):
        of.setdefault((row["sha256"], row["who"]), []).append(row)
    return [
        OutlinedTray(photos[sha256], who, (sha256, who) in looked_at, tuple(of[sha256, who]))
        for sha256, who in sorted(of)
        if sha256 in photos
    ]


def named_marks(labels: Labels) -> pd.DataFrame:
    """What people said of scored marks, with the measures they were scored by, as rows to learn names from.

    Marks on photos that the same person outlined whole are left out, for they are measured anew there.

    Returns
    -------
    MEASURES, kind (one of CLASSES), fruit, tray (SHA-256 of the photo) and who.
    """
    whole = set(zip(labels.photos["sha256"], labels.photos["who"], strict=True))
    rows = []
    for row in labels.named.to_dict("records"):
        kind = NOT_A_MARK if row["kind"] == SAID_NOT_A_MARK else row["kind"]
        if kind not in CLASSES or (row["sha256"], row["who"]) in whole or not row["measures"]:
            continue
        measured = {name: row["measures"].get(name) for name in MEASURES}
        rows.append(measured | {"kind": kind, "fruit": row["fruit"], "tray": row["sha256"], "who": row["who"]})
    table = pd.DataFrame(rows, columns=[*MEASURES, "kind", "fruit", "tray", "who"])
    return table.astype(dict.fromkeys(MEASURES, "float64"))
