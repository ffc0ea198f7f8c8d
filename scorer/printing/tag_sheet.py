"""Sheets of bin tags: a QR code that the photo is read by, and the same in plain text for people."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import qrcode
from numpy.typing import NDArray
from qrcode.exceptions import DataOverflowError

from scorer.errors import OutputError
from scorer.printing.lettering import BOLD, REGULAR, fit, printable
from scorer.printing.paper import BLACK, FAINT, LEAF, QUIET, Sheet
from scorer.tag import LONGEST_FIELD, Tag, encode_tag

TAG_MM = (62.0, 40.0)
"""Width and height of a tag."""

_COLUMNS, _ROWS = 3, 6
_HEAD_MM = 26.0
_PLAIN_CODE_MM, _LARGE_CODE_MM = 28.0, 33.0
_PLAIN_UP_TO = 6  # QR version whose modules are still 0.68 mm in the plain size, about 3 px in a photo
_LARGEST_VERSION = 10  # 0.58 mm in the large size; a finer code would not be read from a photo
_GAP_MM = 2.6


_MARGIN_MM = 3.0
_LABEL_PT = 5.0
_BIN_CHOICES = ((17.0, 1), (14.0, 1), (12.0, 1), (10.0, 1), (9.0, 2), (8.0, 2), (7.0, 2), (6.0, 2), (5.0, 3))
_CREW_CHOICES = ((10.0, 2), (9.0, 2), (8.0, 2), (7.0, 2), (6.0, 3), (5.0, 3))
_SMALL_CHOICES = ((8.0, 1), (7.0, 1), (6.5, 2), (6.0, 2), (5.0, 2))


@dataclass(frozen=True)
class _Block:
    """One field set for the tag: its label, and its lines, or None for a line to write on by hand."""

    name: str
    left_mm: float
    width_mm: float
    lines: list[str] | None
    size_pt: float
    note: str = ""

    @property
    def font(self) -> str:
        return BOLD if self.name in ("bin", "crew") else REGULAR

    @property
    def leading_mm(self) -> float:
        return self.size_pt * 0.36 + 0.5

    @property
    def height_mm(self) -> float:
        return 7.0 if self.lines is None else 1.6 + len(self.lines) * self.leading_mm


def print_tags(tags: Sequence[Tag], path: Path, *, paper: str = "A4") -> tuple[str, ...]:
    """Write a PDF of bin tags, 18 on a sheet, with lines to cut along.

    Parameters
    ----------
    tags : at least one; printed in their order.
    path : the PDF to write; a file of that name is replaced.
    paper : "A4" or "Letter".

    Returns
    -------
    A sentence for every field that is in the code but not, or not in full, in the plain text: the name is too
    long, or the fonts lack its script; then the tag has an empty line there, to be written on by hand.

    Raises
    ------
    OutputError : there are no tags, a tag names neither crew nor bin, a name or the whole text is too long
        for a code that can be read from a photo, or the PDF cannot be written.
    ValueError : the paper is not known.
    """
    if not tags:
        raise OutputError("There are no tags to print; give at least one crew or bin.")
    codes = [_code(number, tag) for number, tag in enumerate(tags, start=1)]
    sheet = Sheet(paper, "Bin tags")
    left_mm = (sheet.width_mm - _COLUMNS * TAG_MM[0]) / 2
    notes: list[str] = []
    for index, (tag, code) in enumerate(zip(tags, codes, strict=True)):
        place = index % (_COLUMNS * _ROWS)
        if place == 0:
            if index:
                sheet.next_page()
            _frame(sheet, left_mm, min(len(tags) - index, _COLUMNS * _ROWS))
        row, column = divmod(place, _COLUMNS)
        x, y = left_mm + column * TAG_MM[0], _HEAD_MM + row * TAG_MM[1]
        side_mm = _draw_code(sheet, code, x, y)
        notes += [f"Tag {index + 1}: {note}" for note in _write_fields(sheet, tag, x, y, side_mm)]
    sheet.save(path)
    return tuple(notes)


def _code(number: int, tag: Tag) -> NDArray[np.bool_]:
    """Modules of the QR code without quiet zone; error correction M."""
    if not tag.crew and not tag.bin:
        raise OutputError(f"Tag {number} names neither a crew nor a bin; fill one of them in.")
    long = [text for text in (tag.crew, tag.bin, tag.method, tag.side) if text and len(text) > LONGEST_FIELD]
    if long:
        raise OutputError(f"Tag {number}: {long[0]} is longer than {LONGEST_FIELD} letters; shorten it.")
    text = encode_tag(tag)
    code = qrcode.QRCode(error_correction=qrcode.constants.ERROR_CORRECT_M, border=0)
    code.add_data(text.encode("ascii"))
    try:
        code.make(fit=True)
        too_long = code.version > _LARGEST_VERSION
    except (DataOverflowError, ValueError):
        too_long = True
    if too_long:
        raise OutputError(
            f"Tag {number} ({tag.crew or tag.bin}) has too much text for a code that a photo can show "
            f"({len(text)} letters as encoded); shorten its names."
        )
    return np.array(code.get_matrix(), dtype=bool)


def _frame(sheet: Sheet, left_mm: float, count: int) -> None:
    """Head of the sheet and the lines to cut along, around the tags that are there."""
    sheet.text(left_mm, 13.5, "Bin tags", size_pt=15, font=BOLD, colour=LEAF)
    sheet.text(
        left_mm,
        19.5,
        "Print at 100 % on white matt paper and cut along the lines. One tag to a bin; lay it flat beside "
        "the card, its code fully in view.",
        size_pt=8.5,
        colour=QUIET,
    )
    width_mm, height_mm = TAG_MM
    for place in range(count):
        row, column = divmod(place, _COLUMNS)
        x, y = left_mm + column * width_mm, _HEAD_MM + row * height_mm
        if row == 0:
            _cut(sheet, (x, y), (x + width_mm, y))
        if column == 0:
            _cut(sheet, (x, y), (x, y + height_mm))
        _cut(sheet, (x + width_mm, y), (x + width_mm, y + height_mm))
        _cut(sheet, (x, y + height_mm), (x + width_mm, y + height_mm))


def _cut(sheet: Sheet, start: tuple[float, float], end: tuple[float, float]) -> None:
    sheet.line(start, end, colour=FAINT, width_mm=0.2, dashed=True)


def _draw_code(sheet: Sheet, code: NDArray[np.bool_], x: float, y: float) -> float:
    """Draw the code with its quiet zone of four modules; returns its side with that zone."""
    modules = len(code)
    version = (modules - 17) // 4
    side_mm = _PLAIN_CODE_MM if version <= _PLAIN_UP_TO else _LARGE_CODE_MM
    module_mm = side_mm / modules
    quiet_mm = 4 * module_mm  # ISO/IEC 18004 asks for four
    left_mm, top_mm = x + quiet_mm, y + (TAG_MM[1] - side_mm) / 2
    cells = [
        (left_mm + column * module_mm, top_mm + row * module_mm, module_mm, module_mm)
        for row, column in np.argwhere(code).tolist()
    ]
    sheet.rectangles(cells, BLACK)
    return side_mm + 2 * quiet_mm


def _write_fields(sheet: Sheet, tag: Tag, x: float, y: float, code_mm: float) -> list[str]:
    """Write the fields right of the code; returns what could not be written, or not in full."""
    left_mm = x + code_mm
    width_mm = TAG_MM[0] - code_mm - _GAP_MM
    picked = f"{tag.picked_at:%Y-%m-%d %H:%M}" if tag.picked_at else None
    both = bool(tag.method and tag.side)
    method_mm = width_mm * (0.62 if both else 1.0)
    side_left_mm = left_mm + (method_mm if both else 0.0)
    rows = [
        [_block("bin", tag.bin, left_mm, width_mm, _BIN_CHOICES)],
        [_block("crew", tag.crew, left_mm, width_mm, _CREW_CHOICES)],
        [_block("picked", picked, left_mm, width_mm, _SMALL_CHOICES)],
        [
            _block("method", tag.method, left_mm, method_mm - (1.0 if both else 0.0), _SMALL_CHOICES),
            _block("side", tag.side, side_left_mm, left_mm + width_mm - side_left_mm, _SMALL_CHOICES),
        ],
    ]
    filled = [[block for block in row if block] for row in rows if any(row)]
    heights_mm = [max(block.height_mm for block in row) for row in filled]
    room_mm = TAG_MM[1] - 2 * _MARGIN_MM - sum(heights_mm)
    gap_mm = min(2.6, room_mm / len(filled))
    top_mm = y + _MARGIN_MM + (room_mm - gap_mm * (len(filled) - 1)) / 2
    for row, height_mm in zip(filled, heights_mm, strict=True):
        for block in row:
            _write(sheet, block, top_mm)
        top_mm += height_mm + gap_mm
    return [block.note for row in filled for block in row if block.note]


def _block(
    name: str, text: str | None, left_mm: float, width_mm: float, choices: tuple[tuple[float, int], ...]
) -> _Block | None:
    if not text:
        return None
    if not printable(text):
        note = f"{name} {text} is in a script that cannot be printed; write it on the line."
        return _Block(name, left_mm, width_mm, None, _LABEL_PT, note)
    font = BOLD if name in ("bin", "crew") else REGULAR
    lines, size_pt, cut = fit(text, width_mm, font=font, choices=choices)
    note = f"{name} {text} is cut in the plain text; the code has all of it." if cut else ""
    return _Block(name, left_mm, width_mm, lines, size_pt, note)


def _write(sheet: Sheet, block: _Block, top_mm: float) -> None:
    baseline_mm = top_mm + 1.4
    sheet.text(block.left_mm, baseline_mm, block.name, size_pt=_LABEL_PT, colour=QUIET)
    if block.lines is None:
        end_mm = top_mm + block.height_mm
        sheet.line((block.left_mm, end_mm), (block.left_mm + block.width_mm, end_mm), colour=QUIET, width_mm=0.15)
        return
    for line in block.lines:
        baseline_mm += block.leading_mm
        sheet.text(block.left_mm, baseline_mm, line, size_pt=block.size_pt, font=block.font)
