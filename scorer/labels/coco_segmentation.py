"""The outline of a COCO annotation: polygons or run lengths, looked at before the reference reader decodes them.

Polygons: a list of parts, each [x, y, x, y, ...]; the outline is all they cover. Run lengths: ``size`` [height, width]
and ``counts``, how many pixels follow each other without and with the mark by turns, column by column; as a list, or as
text in COCO's compressed form (cocodataset.org, "Data format", from memory; the compression: maskApi.c of pycocotools,
functions rleToString and rleFrString). The reference reader trusts what it is given, so that counts that do not fit
their picture are found here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Final

from pycocotools import mask as coco_mask

from scorer.errors import LabelsError
from scorer.labels.label_file import told

MOST_PARTS: Final = 1_000
MOST_POINTS: Final = 20_000
LONGEST_LINE_IN_ROUNDS: Final = 20
"""Times around the picture that an outline may run; the reference reader follows every line pixel by pixel."""
OUTSIDE_PX: Final = 1.0
"""How far a point may lie outside of the picture: programs round, and draw on the rim."""
_FIRST_SIGN: Final = 48
_BITS: Final = 5


@dataclass(frozen=True)
class OutlineDrawn:
    """An outline: either polygons or compressed run lengths; the other is None."""

    polygons_px: list[list[float]] | None
    rle: str | None


def outline_drawn(segmentation: Any, *, crowd: bool, size_px: tuple[int, int], where: str) -> OutlineDrawn:
    """Look at an outline as it is written.

    A crowd (``iscrowd`` 1) is several things under one outline, which COCO allows for run lengths only. Many programs
    set it on whatever was painted rather than drawn, so a crowd of run lengths is read as one outline.

    Parameters
    ----------
    segmentation : as JSON gives it.
    size_px : width and height of the picture.
    where : file, image and annotation, for messages.

    Raises
    ------
    LabelsError : it is none, does not fit the picture, is cut short, or is larger than any mark or fruit could be.
    """
    if isinstance(segmentation, dict):
        return OutlineDrawn(None, _run_lengths(segmentation, size_px, where))
    if segmentation in (None, []):
        raise LabelsError(f"{where} has no outline (a box alone tells too little); draw around the mark, or remove it.")
    if not isinstance(segmentation, list) or not all(isinstance(part, list) for part in segmentation):
        raise LabelsError(f"{where}: its segmentation is neither polygons nor run lengths; export the labels again.")
    if crowd:
        raise LabelsError(
            f"{where} is a crowd (iscrowd 1) drawn as polygons, which COCO does not have; set iscrowd to 0."
        )
    if len(segmentation) > MOST_PARTS:
        raise LabelsError(f"{where} has {len(segmentation)} parts, and at most {MOST_PARTS} are read; draw it simpler.")
    polygons = [_polygon(part, size_px, where) for part in segmentation]
    if sum(map(_line_px, polygons)) > LONGEST_LINE_IN_ROUNDS * 2 * sum(size_px):
        raise LabelsError(f"{where} has a line that runs to and fro over the whole picture; draw it again.")
    return OutlineDrawn(polygons, None)


def _polygon(part: list[Any], size_px: tuple[int, int], where: str) -> list[float]:
    if len(part) % 2:
        raise LabelsError(f"{where} has an odd number of coordinates ({len(part)}); each point needs x and y.")
    if not 3 <= len(part) // 2 <= MOST_POINTS:
        raise LabelsError(
            f"{where} has a part of {len(part) // 2} points, and 3 to {MOST_POINTS} are needed; draw it again."
        )
    for value in part:
        if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
            raise LabelsError(f"{where} has the coordinate {told(value)}, which is not a number; draw it again.")
    points = [float(value) for value in part]
    for x, y in zip(points[0::2], points[1::2], strict=True):
        if not all(-OUTSIDE_PX <= at <= side + OUTSIDE_PX for at, side in zip((x, y), size_px, strict=True)):
            width, height = size_px
            raise LabelsError(
                f"{where} has the point ({x:g}, {y:g}) outside of its picture of {width} x {height} px; "
                "draw it again on the upright photo."
            )
    return points


def _line_px(points: list[float]) -> float:
    corners = list(zip(points[0::2], points[1::2], strict=True))
    return sum(math.dist(one, other) for one, other in zip(corners, corners[1:] + corners[:1], strict=True))


def _run_lengths(segmentation: dict[str, Any], size_px: tuple[int, int], where: str) -> str:
    width, height = size_px
    size = segmentation.get("size")
    if size != [height, width]:
        raise LabelsError(
            f"{where}: its run lengths are of the size {told(size)}, and its picture's is [{height}, {width}] "
            "(height first); export the labels again."
        )
    written = segmentation.get("counts")
    text = written if isinstance(written, str) else None
    if text is not None and text[:2] in ("b'", 'b"') and text[-1] == text[1]:
        text = text[2:-1].replace("\\\\", "\\")  # how Python shows bytes, which some programs write
    counts = written if text is None else counts_of(text, where)
    pixels = width * height
    if not isinstance(counts, list) or len(counts) > pixels + 1:
        raise LabelsError(f"{where}: its counts are neither a list that fits the picture nor text; export them again.")
    for count in counts:
        if isinstance(count, bool) or not isinstance(count, int) or count < 0:
            raise LabelsError(f"{where}: its counts hold {told(count)}, not a number of pixels; export them again.")
    if sum(counts) != pixels:
        raise LabelsError(
            f"{where}: its counts are of {told(sum(counts))} pixels, and the picture has {pixels}; export them again."
        )
    if text is not None:
        return text
    packed = coco_mask.frPyObjects({"size": [height, width], "counts": counts}, height, width)
    return str(packed["counts"].decode("ascii"))


def counts_of(text: str, where: str) -> list[int]:
    """The run lengths in COCO's compressed text.

    Each sign holds five bits and whether more follow; the highest bit of the last is the number's sign. From the fourth
    on, a number is the difference to the one two before.

    Raises
    ------
    LabelsError : it is cut short, or holds what is no such sign or number.
    """
    counts: list[int] = []
    value = shift = 0
    for sign in text:
        bits = ord(sign) - _FIRST_SIGN
        if not 0 <= bits < 64 or shift > 6 * _BITS:
            raise LabelsError(f"{where}: its counts are not in COCO's compressed form; export them again.")
        value |= (bits & 31) << shift
        shift += _BITS
        if bits & 32:
            continue
        if bits & 16:
            value -= 1 << shift
        counts.append(value + counts[-2] if len(counts) > 2 else value)
        value = shift = 0
    if shift:
        raise LabelsError(f"{where}: its counts are cut short; export them again.")
    return counts
