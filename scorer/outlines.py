"""Outlines of fruit and marks from their masks, short enough to send to a browser."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

Ring = tuple[tuple[int, int], ...]


@dataclass(frozen=True)
class Outline:
    """Where one fruit or mark lies.

    Parameters
    ----------
    number : that it has in the mask.
    rings : closed lines of (x, y) in full pixels, the longest first.
    box_px : left, top, right, bottom; right and bottom lie just outside.
    """

    number: int
    rings: tuple[Ring, ...]
    box_px: tuple[int, int, int, int]


def outlines_of(mask: NDArray[np.uint16], *, error_px: float = 1.0) -> tuple[Outline, ...]:
    """The outlines of all numbers in a mask, by number.

    Parameters
    ----------
    mask : (H, W) uint16, 0 where there is nothing.
    error_px : how far a line may stray from the true outline (Douglas and Peucker 1973, Cartographica 10: 112-122).
    """
    found = []
    for number, window in enumerate(ndimage.find_objects(mask), start=1):
        if window is None:
            continue
        rows, columns = window
        alone = np.pad((mask[window] == number).astype(np.uint8), 1)
        lines, _ = cv2.findContours(alone, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
        corner = np.array([columns.start - 1, rows.start - 1])
        short = [cv2.approxPolyDP(line, error_px, closed=True)[:, 0, :] + corner for line in lines]
        rings = tuple(
            tuple((int(x), int(y)) for x, y in ring) for ring in sorted(short, key=len, reverse=True) if len(ring) > 2
        )
        found.append(Outline(number, rings, (columns.start, rows.start, columns.stop, rows.stop)))
    return tuple(found)


def box_around(ring: Ring, size_px: tuple[int, int], *, margin: float = 0.5) -> tuple[int, int, int, int]:
    """A box around a line, wider by a part of its longer side, within a picture of (width, height) pixels."""
    points = np.array(ring)
    (left, top), (right, bottom) = points.min(axis=0), points.max(axis=0)
    wider = round(margin * max(right - left, bottom - top, 20))
    width, height = size_px
    return (
        int(max(left - wider, 0)),
        int(max(top - wider, 0)),
        int(min(right + wider + 1, width)),
        int(min(bottom + wider + 1, height)),
    )


def number_under(mask: NDArray[np.uint16], ring: Ring) -> int | None:
    """The number that most of the area within a line has in a mask; None where there is nothing within."""
    covered = np.zeros(mask.shape, np.uint8)
    cv2.fillPoly(covered, [np.array(ring, np.int32)], (1,))
    counts = np.bincount(mask[covered > 0])
    return int(counts[1:].argmax()) + 1 if counts[1:].any() else None
