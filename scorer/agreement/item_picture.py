"""A picture of one thing that people differ on: cut out of the photo, with each one's outline, and who said what.

Each person has a line style and a colour, so that any one of them is enough; colours are those of Okabe and Ito
(2008), "Color Universal Design".
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from scorer.drawing import INK, PAPER, WHITE, Colour, Picture
from scorer.resources import fonts_folder

WIDTH_PX: Final = 640
LEAST_SIDE_PX: Final = 64
"""Of the part of the photo that is shown, so that a tiny mark is seen with some skin around it; our own choice."""
ROOM: Final = 2.0
"""Side of that part, in longer sides of what is outlined."""
_LINES: Final[tuple[tuple[Colour, tuple[int, int]], ...]] = (
    ((66, 228, 240), (1, 0)),
    ((233, 180, 86), (12, 9)),
    ((167, 121, 204), (3, 7)),
    ((0, 94, 213), (22, 6)),
)
"""Colour (B, G, R) and lengths of line and gap in px, for one person after the other."""
_LINE_PX, _TEXT_PX, _ROW_PX, _EDGE_PX, _SAMPLE_PX = 2, 19, 30, 12, 54

Box = tuple[int, int, int, int]
"""Left, top, right, bottom; right and bottom lie just outside."""


@dataclass(frozen=True)
class Word:
    """What one person said.

    Parameters
    ----------
    text : who said what, as it is to be read.
    outline : (H, W) bool over the whole photo, what they outlined; None where they did not.
    """

    text: str
    outline: NDArray[np.bool_] | None


def item_picture(bgr: Picture, title: str, words: Sequence[Word], scored: NDArray[np.bool_] | None = None) -> Picture:
    """Draw what people differ on.

    Parameters
    ----------
    bgr : (H, W, 3) uint8 upright photo in full pixels. Not changed.
    title : what the thing is called.
    words : one for each person.
    scored : (H, W) bool, what was scored there; drawn as an unbroken white line.

    Returns
    -------
    (height, WIDTH_PX, 3) uint8 BGR: the part of the photo around all outlines, or all of it without any, above a strip
    with the title and the words.
    """
    styles = [_LINES[number % len(_LINES)] for number in range(len(words))]
    drawn = [(word.outline, *style) for word, style in zip(words, styles, strict=True) if word.outline is not None]
    if scored is not None:
        drawn.insert(0, (scored, WHITE, (1, 0)))
    left, top, right, bottom = _part([outline for outline, _, _ in drawn], (bgr.shape[1], bgr.shape[0]))
    part = bgr[top:bottom, left:right]
    size = (WIDTH_PX, max(1, round(WIDTH_PX * part.shape[0] / part.shape[1])))
    smaller = part.shape[1] > WIDTH_PX
    picture = cv2.resize(part, size, interpolation=cv2.INTER_AREA if smaller else cv2.INTER_CUBIC)
    for outline, colour, dash in drawn:
        _trace(picture, outline[top:bottom, left:right], colour, dash)
    samples = [style if word.outline is not None else None for word, style in zip(words, styles, strict=True)]
    rows = list(zip([word.text for word in words], samples, strict=True))
    if scored is not None:
        rows.append(("as it was scored", (WHITE, (1, 0))))
    if not drawn:
        rows.append(("The whole photo, for no outline is known.", None))
    return np.vstack([picture, _strip(title, rows)])


def _part(outlines: Sequence[NDArray[np.bool_]], size: tuple[int, int]) -> Box:
    """A square around all outlines, pushed into the picture of this width and height; all of it without any."""
    if not outlines:
        return 0, 0, *size
    rows, columns = np.nonzero(np.logical_or.reduce(outlines))
    ends = [(int(places.min()), int(places.max()) + 1) for places in (columns, rows)]
    side = max(LEAST_SIDE_PX, round(ROOM * max(end - start for start, end in ends)))
    spans = []
    for (start, end), whole in zip(ends, size, strict=True):
        length = min(side, whole)
        first = min(max((start + end - length) // 2, 0), whole - length)
        spans.append((first, first + length))
    return spans[0][0], spans[1][0], spans[0][1], spans[1][1]


def _trace(picture: Picture, outline: NDArray[np.bool_], colour: Colour, dash: tuple[int, int]) -> None:
    """Draw the line around what is outlined: a dark line under a light one, so that one of them shows on any skin."""
    height, width = picture.shape[:2]
    large = cv2.resize(outline.astype(np.uint8), (width, height), interpolation=cv2.INTER_NEAREST)
    rings, _ = cv2.findContours(large, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    runs = [run for ring in rings for run in _runs(ring[:, 0, :], dash)]
    for ground, thickness in ((INK, 2 * _LINE_PX + 1), (colour, _LINE_PX)):
        cv2.polylines(picture, runs, False, ground, thickness, cv2.LINE_AA)


def _runs(ring: NDArray[np.int32], dash: tuple[int, int]) -> list[NDArray[np.int32]]:
    """A closed line, point by point, cut into runs and gaps."""
    closed = np.vstack([ring, ring[:1]])
    line, gap = dash
    if not gap:
        return [closed]
    return [closed[start : start + line + 1] for start in range(0, len(closed), line + gap)]


def _strip(title: str, rows: Sequence[tuple[str, tuple[Colour, tuple[int, int]] | None]]) -> Picture:
    """The strip with the words, each behind a sample of its line where it has one."""
    height = _ROW_PX * (len(rows) + 1) + _EDGE_PX
    image = Image.new("RGB", (WIDTH_PX, height), PAPER[::-1])
    pen = ImageDraw.Draw(image)
    left = 2 * _EDGE_PX + _SAMPLE_PX
    pen.text((_EDGE_PX, 8), _fitting(title, WIDTH_PX - 2 * _EDGE_PX, bold=True), INK[::-1], _font(bold=True))
    for number, (text, _) in enumerate(rows, start=1):
        place = (left, 8 + number * _ROW_PX)
        pen.text(place, _fitting(text, WIDTH_PX - left - _EDGE_PX, bold=False), INK[::-1], _font(bold=False))
    strip = np.array(image)[:, :, ::-1].copy()
    for number, (_, style) in enumerate(rows, start=1):
        if style is None:
            continue
        middle = number * _ROW_PX + _ROW_PX // 2 + 4
        along = np.arange(_EDGE_PX, _EDGE_PX + _SAMPLE_PX, dtype=np.int32)
        line, gap = style[1]
        starts = range(0, len(along), line + gap) if gap else (0,)
        runs = [along[start : start + line + 1] if gap else along for start in starts]
        for ground, thickness in ((INK, 2 * _LINE_PX + 1), (style[0], _LINE_PX)):
            ends = [np.array([[run[0], middle], [run[-1], middle]], np.int32) for run in runs]
            cv2.polylines(strip, ends, False, ground, thickness, cv2.LINE_AA)
    return strip


def _fitting(text: str, width_px: float, *, bold: bool) -> str:
    """A text on one line, cut to a width."""
    line = " ".join(text.split())
    if _font(bold=bold).getlength(line) <= width_px:
        return line
    while line and _font(bold=bold).getlength(f"{line}…") > width_px:
        line = line[:-1]
    return f"{line.rstrip()}…"


@cache
def _font(*, bold: bool) -> ImageFont.FreeTypeFont:
    name = "DejaVuSansCondensed-Bold.ttf" if bold else "DejaVuSansCondensed.ttf"
    return ImageFont.truetype(str(fonts_folder() / name), _TEXT_PX)
