"""Draw a score on its photo: outlines, numbers and kinds, readable without colour vision.

Each kind has a colour, a line style and a letter, so that any one of them is enough. The colours are those of
Okabe and Ito (2008), "Color Universal Design", chosen to be told apart with any colour vision.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Iterator
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import ndimage

from scorer.score_tables import TrayScore

Colour = tuple[int, int, int]
Picture = NDArray[np.uint8]

WHITE: Colour = (255, 255, 255)
INK: Colour = (30, 26, 22)
PAPER: Colour = (236, 240, 242)


@dataclass(frozen=True)
class KindStyle:
    """How one kind of mark is drawn.

    Attributes
    ----------
    letter : the first letter of the trade's word, or another of its letters where that is taken.
    words : the kind in words, for the legend.
    bgr : colour.
    dashes : lengths of lines and gaps by turns, in line widths; empty for an unbroken line.
    """

    letter: str
    words: str
    bgr: Colour
    dashes: tuple[float, ...]


STYLES = {
    "sap_burn": KindStyle("S", "sap burn", (0, 94, 213), ()),
    "abrasion": KindStyle("A", "abrasion", (178, 114, 0), (5.0, 3.5)),
    "cut": KindStyle("C", "cut", (167, 121, 204), (8.0, 3.0, 1.5, 3.0)),
    "stem_puncture": KindStyle("P", "stem puncture", (66, 228, 240), (1.2, 2.6)),
    "crease": KindStyle("K", "crease", (233, 180, 86), (12.0, 5.0)),
    "unsure": KindStyle("?", "unsure", (255, 255, 255), (2.5, 7.0)),
}
_FONT = cv2.FONT_HERSHEY_SIMPLEX
_CAP_HEIGHT = 21.0  # px of that font's capitals at scale 1


def draw_score(bgr: Picture, score: TrayScore) -> Picture:
    """Draw the fruit, their numbers, the marks and a legend.

    Parameters
    ----------
    bgr : (H, W, 3) uint8 upright photo, at any size with the proportions of the score's masks. Not changed.
    score : what was found on it.

    Returns
    -------
    (H + legend, W, 3) uint8 BGR: the photo with outlines, above a strip with the legend. Lines and letters
    grow with the photo, so that they read alike at 1 and 12 megapixels.
    """
    height, width = bgr.shape[:2]
    unit = max(height, width) / 1000  # everything drawn is a multiple of it
    picture = bgr.copy()
    labels = []
    for row, outlines in _with_outlines(score.fruit, "fruit", _at_size(score.fruit_mask, (width, height)), 0):
        _trace(picture, outlines, WHITE, 1.6 * unit, ())
        words = f"{row['fruit']} over" if row["downgraded"] else f"{row['fruit']}"
        labels.append(_Label(words, outlines[0].min(axis=0), 15 * unit, WHITE))
    grown = math.ceil(3 * unit)  # so that the line goes around the mark and hides none of it
    for row, outlines in _with_outlines(score.marks, "mark", _at_size(score.mark_mask, (width, height)), grown):
        style = STYLES[str(row["kind"])]
        _trace(picture, outlines, style.bgr, 1.5 * unit, style.dashes)
        corner = np.array([outlines[0][:, 0].max(), outlines[0][:, 1].min()])
        labels.append(_Label(f"{style.letter}{row['mark']}", corner, 11 * unit, style.bgr))
    _place(picture, labels, unit)
    return np.vstack([picture, _legend(width, unit)])


@dataclass(frozen=True)
class _Label:
    words: str
    at: NDArray[np.int_]  # (x, y) that the label's box would best begin at
    cap_height: float  # px
    ground: Colour


def _at_size(mask: NDArray[np.uint16], size: tuple[int, int]) -> NDArray[np.uint16]:
    if (mask.shape[1], mask.shape[0]) == size:
        return mask
    return np.asarray(cv2.resize(mask, size, interpolation=cv2.INTER_NEAREST).astype(np.uint16, copy=False))


def _with_outlines(
    table: pd.DataFrame, number: str, mask: NDArray[np.uint16], grown: int
) -> Iterator[tuple[dict[Hashable, Any], list[NDArray[np.int_]]]]:
    """Rows of a table with their outlines in the mask, each (n, 2) of x and y; none without pixels."""
    boxes = ndimage.find_objects(mask)
    margin = grown + 1
    for row in table.to_dict("records"):
        box = boxes[row[number] - 1] if row[number] <= len(boxes) else None
        if box is None:
            continue
        alone = np.pad((mask[box] == row[number]).astype(np.uint8), margin)
        if grown:
            alone = cv2.dilate(alone, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * grown + 1,) * 2))
        found, _ = cv2.findContours(alone, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
        corner = np.array([box[1].start - margin, box[0].start - margin])
        yield row, sorted((one[:, 0, :].astype(int) + corner for one in found), key=len, reverse=True)


def _trace(
    picture: Picture,
    outlines: list[NDArray[np.int_]],
    colour: Colour,
    width: float,
    dashes: tuple[float, ...],
) -> None:
    """Draw outlines on the picture: a dark line under a light one, so that one of them shows on any skin."""
    runs = [run for outline in outlines for run in _dashed(outline, [dash * width for dash in dashes])]
    for ground, thickness in ((INK, 2.2 * width), (colour, width)):
        cv2.polylines(picture, runs, False, ground, max(1, round(thickness)), cv2.LINE_AA)


def _dashed(outline: NDArray[np.int_], dashes: list[float]) -> list[NDArray[np.int32]]:
    """Cut a closed outline by lengths of line and gap in px; an outline too short gets shorter ones."""
    closed = np.vstack([outline, outline[:1]]).astype(float)
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
    if not dashes or along[-1] < 6:
        return [closed.astype(np.int32)]
    rounds = max(2, round(along[-1] / sum(dashes)))
    ends = np.cumsum(np.tile(dashes, rounds)) * along[-1] / (rounds * sum(dashes))
    starts = np.concatenate([[0.0], ends[:-1]])
    runs = []
    for start, end in list(zip(starts, ends, strict=True))[::2]:
        places = np.concatenate([[start], along[(along > start) & (along < end)], [end]])
        x, y = (np.interp(places, along, closed[:, axis]) for axis in (0, 1))
        runs.append(np.rint(np.stack([x, y], axis=1)).astype(np.int32))
    return runs


def _place(picture: Picture, labels: list[_Label], unit: float) -> None:
    """Write labels on the picture, each where it begins best or as near to that as no other is in the way."""
    taken: list[tuple[int, int, int, int]] = []
    for label in labels:
        width, height = _box_of(label.words, label.cap_height)
        x, y = (int(value) for value in label.at)
        ways = ((0, -1), (0, 0), (-1, -1), (-1, 0), (0, -2), (0, 1), (-1, -2), (-1, 1), (0, -3), (0, 2))
        spots = [_inside(x + across * width, y + down * height, width, height, picture) for across, down in ways]
        box = next((spot for spot in spots if not any(_overlap(spot, other) for other in taken)), spots[0])
        taken.append(box)
        cv2.rectangle(picture, box[:2], box[2:], label.ground, cv2.FILLED)
        cv2.rectangle(picture, box[:2], box[2:], INK, max(1, round(unit)))
        _write(picture, label.words, box[0], box[1], label.cap_height, _ink_on(label.ground))


def _box_of(words: str, cap_height: float) -> tuple[int, int]:
    """Width and height in px of a label, with a margin of 0.45 capitals around the words."""
    (width, _), _ = cv2.getTextSize(words, _FONT, cap_height / _CAP_HEIGHT, _stroke(cap_height))
    return round(width + 0.9 * cap_height), round(1.9 * cap_height)


def _inside(x: int, y: int, width: int, height: int, picture: Picture) -> tuple[int, int, int, int]:
    left = int(np.clip(x, 0, max(0, picture.shape[1] - width - 1)))
    top = int(np.clip(y, 0, max(0, picture.shape[0] - height - 1)))
    return left, top, left + width, top + height


def _overlap(one: tuple[int, int, int, int], other: tuple[int, int, int, int]) -> bool:
    return one[0] < other[2] and other[0] < one[2] and one[1] < other[3] and other[1] < one[3]


def _write(picture: Picture, words: str, x: int, y: int, cap_height: float, colour: Colour) -> None:
    """Write words whose label begins at (x, y)."""
    at = (round(x + 0.45 * cap_height), round(y + 1.45 * cap_height))
    scale = cap_height / _CAP_HEIGHT
    cv2.putText(picture, words, at, _FONT, scale, colour, _stroke(cap_height), cv2.LINE_AA)


def _ink_on(ground: Colour) -> Colour:
    """Dark or white, whichever stands out: luma with the weights of Rec. ITU-R BT.709."""
    blue, green, red = ground
    return INK if 0.0722 * blue + 0.7152 * green + 0.2126 * red > 115 else WHITE


def _stroke(cap_height: float) -> int:
    return max(1, round(cap_height / 7))


def _legend(width: int, unit: float) -> Picture:
    """Strip that shows each kind's line, letter and words; as many rows as the width needs."""
    cap, sample = 11 * unit, round(44 * unit)
    row_height, gap = round(34 * unit), round(16 * unit)
    places, x, row = [], gap, 0
    for style in STYLES.values():
        words = f"{style.letter}  {style.words}"
        needed = sample + _box_of(words, cap)[0] + gap
        if x > gap and x + needed > width:
            x, row = gap, row + 1
        places.append((style, words, x, row))
        x += needed
    strip = np.full(((row + 1) * row_height, width, 3), PAPER, np.uint8)
    for style, words, left, line in places:
        middle = line * row_height + row_height // 2
        half = round(8 * unit)
        corners = [(left, middle - half), (left + sample, middle - half), (left + sample, middle + half)]
        outline = _rectangle_outline([*corners, (left, middle + half)])
        _trace(strip, [outline], style.bgr, 1.5 * unit, style.dashes)
        _write(strip, words, left + sample + round(2 * unit), round(middle - 0.95 * cap), cap, INK)
    return strip


def _rectangle_outline(corners: list[tuple[int, int]]) -> NDArray[np.int_]:
    """Every pixel along the sides, as an outline from a mask has it."""
    sides = zip(corners, [*corners[1:], corners[0]], strict=True)
    steps = [np.linspace(a, b, max(abs(b[0] - a[0]), abs(b[1] - a[1])), endpoint=False) for a, b in sides]
    return np.rint(np.vstack(steps)).astype(int)
