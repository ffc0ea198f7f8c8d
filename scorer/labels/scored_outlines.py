"""The outlines of what was scored, from the masks that are kept: where a mark or fruit lies that a word was said of."""

from __future__ import annotations

from typing import Any, Protocol

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from pycocotools import mask as coco_mask

from scorer.labels.labels import Labels, label_table, together
from scorer.labels.of_words import SAID_IN_RECORDS
from scorer.records.words_in_force import NOT_A_MARK

Mask = NDArray[np.uint16]


class ScoredMasks(Protocol):
    """Where the masks of scored photos are, by the photo's SHA-256; ``scorer.arrivals.store.PhotoStore`` is one."""

    def model_of_masks(self, sha256: str) -> str | None:
        """The model whose marks a photo's masks number; None where nobody noted it."""

    def mark_mask(self, sha256: str) -> Mask | None:
        """(H, W) uint16 in full pixels of the upright photo, 0 or the mark's number; None where there is none."""

    def fruit_mask(self, sha256: str) -> Mask | None:
        """The same for fruit."""


def marks_of(masks: ScoredMasks, sha256: str, model: str) -> Mask | None:
    """Where the marks lie that this model scored; None where that is not known."""
    return masks.mark_mask(sha256) if masks.model_of_masks(sha256) == model else None


def rle_in_mask(mask: Mask | None, number: int) -> dict[str, Any] | None:
    """What a number covers in a mask, as COCO's compressed run lengths; None where it covers nothing."""
    if mask is None or not (covered := mask == number).any():
        return None
    encoded: dict[str, Any] = coco_mask.encode(np.asfortranarray(covered, np.uint8))
    return encoded


def scored_words(named: pd.DataFrame, masks: ScoredMasks) -> list[dict[Any, Any]]:
    """Rows of ``Labels.named``, each with the ``rle`` of its mark, None where it is not known."""
    found: list[dict[Any, Any]] = []
    for (sha256, model), words in named.groupby(["sha256", "model"], sort=True):
        mask = marks_of(masks, str(sha256), str(model))
        found += [word | {"rle": rle_in_mask(mask, word["mark"])} for word in words.to_dict("records")]
    return found


def with_scored_outlines(labels: Labels, masks: ScoredMasks) -> Labels:
    """Labels in which words on scored marks are outlines too, where the mark's mask is known.

    Marks that somebody says are none stay without; so do those on photos that they looked at whole and outlined
    themselves, or a mark would be there twice.

    Parameters
    ----------
    labels : each person's last word, as ``Labels.newest`` gives it.
    """
    whole = set(zip(labels.photos["sha256"], labels.photos["who"], strict=True))
    rows = []
    for word in scored_words(labels.named, masks):
        rle = word["rle"]
        if rle is None or word["kind"] == NOT_A_MARK or (word["sha256"], word["who"]) in whole:
            continue
        height, width = rle["size"]
        about = {name: word[name] for name in ("sha256", "who", "said_at", "kind")}
        drawn = {"size_px": (width, height), "rle": rle["counts"].decode("ascii")}
        rows.append(about | drawn | {"source": SAID_IN_RECORDS})
    added = Labels(label_table("photos"), label_table("outlines", rows), label_table("verdicts"))
    return together([labels, added])
