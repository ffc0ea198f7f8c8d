"""Blocks of a page that flow one below the other: each knows its height before anything is drawn."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

from reportlab.lib.units import mm

from scorer.errors import OutputError
from scorer.printing.lettering import REGULAR, printable, wrap
from scorer.printing.paper import INK, Rgb, Sheet

LEADING: Final = 1.3
"""From line to line, in sizes of the letters."""
_ASCENT: Final = 0.8  # from the top of a line to its baseline, in sizes of the letters
_CAP: Final = 0.73  # of a capital; DejaVu Sans Condensed


can_print = lru_cache(maxsize=1024)(printable)  # a page asks for the same texts at one scale after the other


@dataclass(frozen=True)
class Block:
    """Something of known height that can be drawn with its top at any height.

    Parameters
    ----------
    height_mm : how much of the page it takes.
    draw : draws it on a sheet with its top at so many mm from the sheet's.
    """

    height_mm: float
    draw: Callable[[Sheet, float], None]


def gap(height_mm: float) -> Block:
    """Room that stays white."""
    return Block(height_mm, lambda sheet, top_mm: None)


def line_mm(size_pt: float) -> float:
    """Height in mm of one line of text."""
    return float(LEADING * size_pt / mm)


def cap_mm(size_pt: float) -> float:
    """Height in mm of a capital letter."""
    return float(_CAP * size_pt / mm)


def text_lines(
    lines: Sequence[str], left_mm: float, *, size_pt: float, font: str = REGULAR, colour: Rgb = INK, align: str = "left"
) -> Block:
    """Lines of text as they are; ``left_mm`` is their middle or right end where they are aligned so."""
    step_mm = line_mm(size_pt)

    def draw(sheet: Sheet, top_mm: float) -> None:
        for number, line in enumerate(lines):
            baseline_mm = top_mm + number * step_mm + _ASCENT * size_pt / mm
            sheet.text(left_mm, baseline_mm, line, size_pt=size_pt, font=font, colour=colour, align=align)

    return Block(len(lines) * step_mm, draw)


def paragraph(
    text: str, left_mm: float, width_mm: float, *, size_pt: float, font: str = REGULAR, colour: Rgb = INK
) -> Block:
    """Text broken into lines of a width.

    Raises
    ------
    OutputError : the fonts cannot print it.
    """
    if not can_print(text):
        raise OutputError(f"The sheet's fonts cannot print the text {text[:40]!r}; choose another language.")
    lines = [line for line in wrap(text, width_mm, font=font, size_pt=size_pt) if line]
    return text_lines(lines, left_mm, size_pt=size_pt, font=font, colour=colour)


def stacked(blocks: Sequence[Block], gap_mm: float = 0.0) -> Block:
    """Blocks one below the other with a gap between them; empty ones take no gap."""
    filled = [block for block in blocks if block.height_mm > 0]

    def draw(sheet: Sheet, top_mm: float) -> None:
        for block in filled:
            block.draw(sheet, top_mm)
            top_mm += block.height_mm + gap_mm

    height_mm = sum(block.height_mm for block in filled) + gap_mm * max(0, len(filled) - 1)
    return Block(height_mm, draw)


def beside(blocks: Sequence[Block]) -> Block:
    """Blocks with the same top."""

    def draw(sheet: Sheet, top_mm: float) -> None:
        for block in blocks:
            block.draw(sheet, top_mm)

    return Block(max((block.height_mm for block in blocks), default=0.0), draw)
