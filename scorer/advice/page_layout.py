"""The blocks of a crew sheet, from top to bottom, each at the scale that the page as a whole is set in."""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from scorer.advice.examples import Example
from scorer.advice.flow import Block, beside, can_print, cap_mm, gap, line_mm, paragraph, stacked, text_lines
from scorer.advice.interval_bar import BAND_MEANS, interval_bar
from scorer.advice.kind_words import MARK_WORDS
from scorer.advice.practices import ChosenPractice
from scorer.advice.share_words import comparison_sentence, note_words, sample_words, share_sentence
from scorer.language import message
from scorer.printing.lettering import BOLD, fit, width_of
from scorer.printing.paper import FAINT, INK, LEAF, QUIET, WARNING, Rgb, Sheet

if TYPE_CHECKING:
    from scorer.advice.crew_sheet import CrewSheet

MARGIN_MM: Final = 15.0
MOST_EXAMPLES: Final = 3
FAIR_USE: Final = message(
    "For finding the cause together with the crew, and for coaching. Not for pay or discipline: a sample of this size "
    "cannot carry that, and variety, weather, bins and wash mark fruit as well as picking does."
)

_PICTURE_MM = 56.0  # height, at most
_CHIP_MM, _ANSWER_MM = 9.0, 27.0
_WHITE: Rgb = (255, 255, 255)
_SPACE_FOR_NAME_MM = 13.0
_NAME_CHOICES = ((32.0, 1), (26.0, 1), (21.0, 2), (17.0, 2), (13.0, 2))  # size in points, lines


def clean_name(name: str) -> str:
    """A name on one line, its accents joined to their letters."""
    shown = (" " if unicodedata.category(letter).startswith(("C", "Z")) else letter for letter in name)
    return " ".join(unicodedata.normalize("NFC", "".join(shown)).split())


@dataclass(frozen=True)
class _FittedName:
    """A crew's name: its lines, or None for a line to write on; their size; and a note where either was needed."""

    lines: list[str] | None
    size_pt: float
    note: str = ""


def _fitted_name(crew: str, width_mm: float, scale: float) -> _FittedName:
    """Set a crew's name as large as it fits in a width."""
    name = clean_name(crew)
    if not name or not can_print(name):
        return _FittedName(None, 0.0, f"crew {name or '(without a name)'} cannot be printed; write it on the line.")
    choices = tuple((size_pt * scale, most) for size_pt, most in _NAME_CHOICES)
    lines, size_pt, cut = fit(name, width_mm, font=BOLD, choices=choices)
    return _FittedName(lines, size_pt, f"crew {name} is cut on the sheet." if cut else "")


class PageLayout:
    """Blocks of one page, from top to bottom, at one scale."""

    def __init__(self, sheet: CrewSheet, width_mm: float, scale: float) -> None:
        self.sheet, self.language = sheet, sheet.language
        self.left_mm, self.width_mm, self.scale = MARGIN_MM, width_mm, scale
        self.name = _fitted_name(sheet.crew, width_mm, scale)

    def blocks(self) -> list[Block]:
        """All that the sheet has, in reading order."""
        every = [self._heading(), self._verdict(), self._examples(), self._checks(), self._cautions(), self._fair_use()]
        return [block for block in every if block.height_mm > 0]

    def _pt(self, size_pt: float) -> float:
        return size_pt * self.scale

    def _paragraph(
        self, text: str, size_pt: float, *, left_mm: float = 0, width_mm: float = 0, font: str = "", colour: Rgb = INK
    ) -> Block:
        """Text at the page's scale; ``left_mm`` from the margin."""
        width_mm = width_mm or self.width_mm - left_mm
        options = {"font": font} if font else {}
        return paragraph(text, self.left_mm + left_mm, width_mm, size_pt=self._pt(size_pt), colour=colour, **options)

    def _rule(self, colour: Rgb, width_mm: float = 0.5) -> Block:
        ends = self.left_mm, self.left_mm + self.width_mm
        return Block(
            width_mm,
            lambda sheet, top_mm: sheet.line((ends[0], top_mm), (ends[1], top_mm), colour=colour, width_mm=width_mm),
        )

    def _heading(self) -> Block:
        title = self._paragraph(self.language.text("Crew sheet"), 11, font=BOLD, colour=LEAF)
        parts = [title]
        if self.sheet.period:
            period = self.language.period(*self.sheet.period)
            right_mm = self.left_mm + self.width_mm
            parts.append(text_lines([period], right_mm, size_pt=self._pt(11), colour=QUIET, align="right"))
        if self.name.lines is None:
            name = gap(_SPACE_FOR_NAME_MM * self.scale)
        else:
            name = text_lines(self.name.lines, self.left_mm, size_pt=self.name.size_pt, font=BOLD)
        return stacked([beside(parts), name, self._rule(LEAF, 0.9)], 1.2 * self.scale)

    def _verdict(self) -> Block:
        share, language = self.sheet.share, self.language
        bar = interval_bar(share, self.sheet.compared, language, self.left_mm, self.width_mm, self.scale)
        parts = [self._paragraph(share_sentence(share, language), 18, font=BOLD), bar]
        if self.sheet.compared and share.interval:
            parts.append(self._paragraph(comparison_sentence(share, self.sheet.compared, language), 12))
        below = [sample_words(share, self.sheet.days, language) + ".", note_words(share.note, language)]
        if share.interval:
            below.append(language.text(BAND_MEANS, percent=language.percent(share.confidence, 1)))
        parts.append(self._paragraph(" ".join(filter(None, below)), 10.5, colour=QUIET))
        return stacked(parts, 2.2 * self.scale)

    def _examples(self) -> Block:
        if not self.sheet.examples:
            return gap(0)
        title = self._title(self.language.text("What it looks like on this crew's fruit"), LEAF)
        between_mm = 4.5
        column_mm = (self.width_mm - between_mm * (MOST_EXAMPLES - 1)) / MOST_EXAMPLES
        columns = [
            self._example(each, number * (column_mm + between_mm), column_mm)
            for number, each in enumerate(self.sheet.examples)
        ]
        return stacked([title, beside(columns)], 1.8 * self.scale)

    def _example(self, example: Example, left_mm: float, width_mm: float) -> Block:
        """One picture, upright and whole in the box that there is for it, with its caption."""
        words = self.language.text(MARK_WORDS[example.kind])
        if example.area_mm2:
            words = f"{words}, {self.language.number(example.area_mm2)}\u00a0mm²"
        height, width = example.picture.shape[:2]
        mm_per_px = min(width_mm / width, _PICTURE_MM * self.scale / height)
        x, size_mm = self.left_mm + left_mm, (width * mm_per_px, height * mm_per_px)

        def draw(sheet: Sheet, top_mm: float) -> None:
            sheet.picture(x, top_mm, *size_mm, example.picture)

        caption = self._paragraph(words, 11.5, left_mm=left_mm, width_mm=width_mm, font=BOLD)
        return stacked([Block(size_mm[1], draw), caption], 1.0 * self.scale)

    def _title(self, words: str, colour: Rgb, beside_it: str = "") -> Block:
        parts = [self._paragraph(words, 14, font=BOLD, colour=colour)]
        if beside_it:
            left_mm = width_of(words, BOLD, self._pt(14)) + 4
            if left_mm + width_of(beside_it, BOLD, self._pt(10.5)) < self.width_mm:
                lift = gap((line_mm(self._pt(14)) - line_mm(self._pt(10.5))) * 0.8)
                parts.append(stacked([lift, self._paragraph(beside_it, 10.5, left_mm=left_mm, colour=QUIET)]))
            else:
                parts = [stacked([parts[0], self._paragraph(beside_it, 10.5, colour=QUIET)])]
        return stacked([beside(parts), self._rule(FAINT, 0.3)], 0.6)

    def _checks(self) -> Block:
        words = self.language.text("Two things to check")
        title = self._title(words, LEAF, self.language.text("Yes is the good answer; talk over every no."))
        cards = [self._check(number, each) for number, each in enumerate(self.sheet.advice.chosen, start=1)]
        notes = " ".join(self.language.say(note) for note in self.sheet.advice.notes)
        parts = [title, *cards]
        if notes:
            parts.append(self._paragraph(notes, 9.5, colour=QUIET))
        return stacked(parts, 2.6 * self.scale)

    def _check(self, number: int, chosen: ChosenPractice) -> Block:
        """A number, the question with boxes to tick, why it matters, and why it was chosen."""
        left_mm, answer_mm = (_CHIP_MM + 4) * self.scale, _ANSWER_MM * self.scale
        width_mm = self.width_mm - left_mm
        question = beside(
            [
                self._paragraph(
                    self.language.text(chosen.line.question),
                    14,
                    left_mm=left_mm,
                    width_mm=width_mm - answer_mm - 4,
                    font=BOLD,
                ),
                self._answers(self.left_mm + self.width_mm - answer_mm),
            ]
        )
        texts = [question, self._paragraph(self.language.text(chosen.line.why), 11.5, left_mm=left_mm)]
        if chosen.reasons:
            reasons = " ".join(self.language.say(each) for each in chosen.reasons)
            because = self.language.text("Why this one: {reasons}", reasons=reasons)
            texts.append(self._paragraph(because, 10.5, left_mm=left_mm, colour=QUIET))
        return beside([self._chip(str(number), LEAF), stacked(texts, 0.7 * self.scale)])

    def _chip(self, words: str, colour: Rgb) -> Block:
        side_mm = _CHIP_MM * self.scale
        size_pt = self._pt(15)

        def draw(sheet: Sheet, top_mm: float) -> None:
            sheet.rectangles([(self.left_mm, top_mm, side_mm, side_mm)], colour)
            baseline_mm = top_mm + (side_mm + cap_mm(size_pt)) / 2
            middle_mm = self.left_mm + side_mm / 2
            sheet.text(middle_mm, baseline_mm, words, size_pt=size_pt, font=BOLD, colour=_WHITE, align="centre")

        return Block(side_mm, draw)

    def _answers(self, left_mm: float) -> Block:
        """Boxes to tick for yes and no."""
        size_pt, box_mm = self._pt(11), 4.2 * self.scale
        words = (self.language.text("yes"), self.language.text("no"))
        half_mm = _ANSWER_MM * self.scale / 2

        def draw(sheet: Sheet, top_mm: float) -> None:
            for number, word in enumerate(words):
                x, y = left_mm + number * half_mm, top_mm + 0.8 * self.scale
                corners = ((x, y), (x + box_mm, y), (x + box_mm, y + box_mm), (x, y + box_mm))
                for start, end in zip(corners, (*corners[1:], corners[0]), strict=True):
                    sheet.line(start, end, colour=INK, width_mm=0.35)
                sheet.text(x + box_mm + 1.2, y + box_mm - 0.6 * self.scale, word, size_pt=size_pt)

        return Block(box_mm + 1.6 * self.scale, draw)

    def _cautions(self) -> Block:
        """Two columns, so that the lines stay short enough to read."""
        title = self._title(self.language.text("Take care"), WARNING)
        between_mm = 8 * self.scale
        column_mm = (self.width_mm - between_mm) / 2
        texts = [self.language.text(caution) for caution in self.sheet.advice.cautions]
        columns: list[list[Block]] = [[], []]
        for text in texts:
            which = 0 if sum(b.height_mm for b in columns[0]) <= sum(b.height_mm for b in columns[1]) else 1
            columns[which].append(self._caution(text, which * (column_mm + between_mm), column_mm))
        return stacked([title, beside([stacked(column, 1.4 * self.scale) for column in columns])], 1.8 * self.scale)

    def _caution(self, text: str, left_mm: float, width_mm: float) -> Block:
        """One caution behind an exclamation mark."""
        indent_mm = 4 * self.scale
        mark = self._paragraph("!", 11, left_mm=left_mm, width_mm=indent_mm, font=BOLD, colour=WARNING)
        words = self._paragraph(text, 10.5, left_mm=left_mm + indent_mm, width_mm=width_mm - indent_mm)
        return beside([mark, words])

    def _fair_use(self) -> Block:
        head = self._paragraph(self.language.text("Fair use"), 10.5, font=BOLD, colour=LEAF)
        return stacked([self._rule(LEAF, 0.9), head, self._paragraph(self.language.text(FAIR_USE), 10.5)], 1.0)
