"""Lettering: the fonts that travel with scorer, which text they can print, and how text fits a given width.

DejaVu Sans Condensed covers Latin (Vietnamese and African letters too), Greek, Cyrillic, Armenian and
Georgian. Scripts that need letters to be joined, stacked or set from right to left (Arabic, Hebrew,
Devanagari and the other South Asian scripts, Thai, Khmer) and Chinese, Japanese and Korean are not covered:
`printable` says no to them, and a sheet leaves a line to write on by hand instead of printing empty boxes.
"""

from __future__ import annotations

import unicodedata
from functools import cache

from reportlab.lib.units import mm
from reportlab.pdfbase.pdfmetrics import getFont, registerFont, stringWidth
from reportlab.pdfbase.ttfonts import TTFont

from scorer.resources import fonts_folder

REGULAR = "DejaVuSansCondensed"
BOLD = "DejaVuSansCondensed-Bold"
_RIGHT_TO_LEFT = ("R", "AL", "AN")


@cache
def register_fonts() -> None:
    """Make the fonts known to reportlab; doing so again changes nothing."""
    for name in (REGULAR, BOLD):
        registerFont(TTFont(name, fonts_folder() / f"{name}.ttf"))


def printable(text: str) -> bool:
    """Whether the fonts can print a text as it is to be read."""
    register_fonts()
    glyphs = (getFont(REGULAR).face.charToGlyph, getFont(BOLD).face.charToGlyph)
    return all(
        all(ord(character) in known for known in glyphs)
        and unicodedata.bidirectional(character) not in _RIGHT_TO_LEFT
        and not unicodedata.combining(character)  # an accent that no ready letter carries would float
        for character in unicodedata.normalize("NFC", text)
    )


def width_of(text: str, font: str, size_pt: float) -> float:
    """Width of a line of text in mm."""
    return float(stringWidth(text, font, size_pt) / mm)


def wrap(text: str, width_mm: float, *, font: str, size_pt: float) -> list[str]:
    """Break a text into lines no wider than a width: at blanks, or within a word that is wider alone."""
    lines = [""]
    for word in filter(None, text.split(" ")):  # only at plain blanks: others hold a number and its unit together
        longer = f"{lines[-1]} {word}".strip(" ")
        if width_of(longer, font, size_pt) <= width_mm:
            lines[-1] = longer
            continue
        if lines[-1]:
            lines.append("")
        for character in word:
            if lines[-1] and width_of(lines[-1] + character, font, size_pt) > width_mm:
                lines.append("")
            lines[-1] += character
    return lines


def fit(
    text: str, width_mm: float, *, font: str, choices: tuple[tuple[float, int], ...]
) -> tuple[list[str], float, bool]:
    """Set a text as large as it fits.

    Parameters
    ----------
    text, width_mm, font : what to set, how wide, in which font.
    choices : (size in points, lines allowed), the preferred first. Only the last may break within a word.

    Returns
    -------
    The lines, their size in points, and whether the text had to be cut, in which case it ends in an ellipsis.
    """
    words = len(text.split(" "))
    for size_pt, most in choices[:-1]:
        lines = wrap(text, width_mm, font=font, size_pt=size_pt)
        if len(lines) <= min(most, words):
            return lines, size_pt, False
    size_pt, most = choices[-1]
    lines = wrap(text, width_mm, font=font, size_pt=size_pt)
    if len(lines) <= most:
        return lines, size_pt, False
    last = lines[most - 1]
    while last and width_of(f"{last}…", font, size_pt) > width_mm:
        last = last[:-1]
    return [*lines[: most - 1], f"{last.rstrip()}…"], size_pt, True
