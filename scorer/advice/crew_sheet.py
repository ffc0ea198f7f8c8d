"""The crew sheet: one page for one crew, with its share and interval, what the damage looks like, and what to check."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Final

from scorer.advice.examples import Example
from scorer.advice.flow import stacked
from scorer.advice.page_layout import MARGIN_MM, MOST_EXAMPLES, PageLayout, clean_name
from scorer.advice.practices import Advice
from scorer.advice.share_words import Comparison, Share
from scorer.errors import OutputError
from scorer.language import Language
from scorer.printing.paper import Sheet

_TOP_MM, _BOTTOM_MM = 12.0, 11.0
_SCALES: Final = tuple(step / 40 for step in range(46, 15, -1))  # 1.15 down to 0.4, of the usual sizes
_GAP_MM, _MOST_EXTRA_MM = 4.6, 5.0  # between blocks, and what spare room may add to it


@dataclass(frozen=True)
class CrewSheet:
    """All that stands on the sheet of one crew.

    Parameters
    ----------
    crew : its name; names of pickers have no place on the sheet.
    share : its share of downgraded fruit.
    days : days of picking that the fruit are from.
    advice : the two things to check, with cautions.
    language : of the sheet.
    compared : what the share is held against; None for nothing.
    period : first and last of these days, if known.
    examples : up to three pictures of the crew's marks.

    Raises
    ------
    ValueError : there are more examples than have room, or the days contradict each other.
    """

    crew: str
    share: Share
    days: int
    advice: Advice
    language: Language
    compared: Comparison | None = None
    period: tuple[date, date] | None = None
    examples: tuple[Example, ...] = ()

    def __post_init__(self) -> None:
        if len(self.examples) > MOST_EXAMPLES:
            raise ValueError(f"A sheet has room for {MOST_EXAMPLES} examples, got {len(self.examples)}; drop some.")
        if self.days < 0 or (self.period and self.period[0] > self.period[1]):
            raise ValueError(f"{self.days} days from first to last {self.period} cannot be: correct them.")


def print_crew_sheets(sheets: Sequence[CrewSheet], path: Path, *, paper: str = "A4") -> tuple[str, ...]:
    """Write a PDF of crew sheets, one page for each.

    Everything on a page shrinks together until it fits; what is short is set larger, so that a phone shows it as well.

    Parameters
    ----------
    sheets : at least one; printed in their order.
    path : the PDF to write; a file of that name is replaced.
    paper : "A4" or "Letter".

    Returns
    -------
    A sentence for every crew whose name is cut, or left to be written on by hand because the fonts lack its script.

    Raises
    ------
    OutputError : there are no sheets, a language is in a script that the fonts cannot print, the text of a sheet does
        not fit on a page, or the PDF cannot be written.
    ValueError : the paper is not known.
    """
    if not sheets:
        raise OutputError("There are no crew sheets to print; give at least one crew.")
    first = sheets[0]
    one = len(sheets) == 1
    title = (
        f"{first.language.text('Crew sheet')}: {clean_name(first.crew)}" if one else first.language.text("Crew sheets")
    )
    page = Sheet(paper, title, language=first.language.code.replace("_", "-"))
    notes = []
    for number, sheet in enumerate(sheets):
        if number:
            page.next_page()
        notes.append(_draw(sheet, page))
    page.save(path)
    return tuple(note for note in notes if note)


def _draw(sheet: CrewSheet, page: Sheet) -> str:
    """Draw one page at the largest scale that fits; returns what could not be printed of the name."""
    room_mm = page.height_mm - _TOP_MM - _BOTTOM_MM
    width_mm = page.width_mm - 2 * MARGIN_MM
    for scale in _SCALES:
        layout = PageLayout(sheet, width_mm, scale)
        laid = layout.blocks()
        gap_mm = _GAP_MM * scale
        spare_mm = room_mm - stacked(laid, gap_mm).height_mm
        if spare_mm >= 0:
            extra_mm = min(spare_mm / max(1, len(laid) - 1), _MOST_EXTRA_MM)
            stacked(laid, gap_mm + extra_mm).draw(page, _TOP_MM)
            return layout.name.note
    raise OutputError(f"The sheet of crew {clean_name(sheet.crew)[:40]} has more text than a page holds; shorten it.")
