"""The interval of a crew's share, drawn: a band from its low to its high end, the share, and a line to compare."""

from __future__ import annotations

from typing import Final

from scorer.advice.flow import Block, cap_mm, line_mm
from scorer.advice.share_words import Comparison, Share, per_base
from scorer.language import Language, message
from scorer.printing.lettering import BOLD, REGULAR, width_of
from scorer.printing.paper import FAINT, INK, LEAF, QUIET, WARNING, Rgb, Sheet

BAND_MEANS: Final = message(
    "The band holds the truth in about {percent} of such samples; it allows for fruit of one bin being alike."
)

_BAND: Rgb = (176, 203, 158)
_SCALES: Final = (
    (0.01, 0.002),
    (0.02, 0.005),
    (0.05, 0.01),
    (0.1, 0.02),
    (0.2, 0.05),
    (0.3, 0.05),
    (0.4, 0.1),
    (0.6, 0.1),
    (0.8, 0.2),
    (1.0, 0.2),
)
"""End of the scale and step of its ticks."""
_ROOM: Final = 1.15
"""The scale ends so far beyond the highest value, at least."""
_INSET_MM: Final = 9.0


def interval_bar(
    share: Share, other: Comparison | None, language: Language, left_mm: float, width_mm: float, scale: float
) -> Block:
    """Draw the interval on a scale that begins at 0; a block without height where there is no interval.

    The crew is the band and the upright bar on it, what it is held against a dashed line with its name: shapes, so that
    nothing hangs on colour.
    """
    if share.interval is None:
        return Block(0.0, lambda sheet, top_mm: None)
    bar = _Bar(share, share.interval, other, language, left_mm + _INSET_MM, width_mm - 2 * _INSET_MM, scale)
    return Block(bar.height_mm, bar.draw)


class _Bar:
    """Where everything on the scale lies, in mm from the block's top."""

    def __init__(
        self,
        share: Share,
        interval: tuple[float, float],
        other: Comparison | None,
        language: Language,
        left_mm: float,
        width_mm: float,
        scale: float,
    ) -> None:
        self.share, self.other, self.language = share, other, language
        self.low, self.high = interval
        self.left_mm, self.width_mm = left_mm, width_mm
        self.first_mm, self.last_mm = left_mm - _INSET_MM, left_mm + width_mm + _INSET_MM
        self.end, self.step = _scale_of(max(self.high, share.value, other.share if other else 0.0))
        self.number_pt, self.tick_pt, self.name_pt = 15 * scale, 9.5 * scale, 10.5 * scale
        self.band_top_mm = line_mm(self.number_pt) + 0.6
        self.band_mm = 7.0 * scale
        self.axis_mm = self.band_top_mm + self.band_mm + 1.6
        self.ticks_mm = self.axis_mm + 1.4 + cap_mm(self.tick_pt)
        self.name_mm = self.ticks_mm + 1.5 + cap_mm(self.name_pt)
        self.height_mm = self.name_mm + 1.2

    def draw(self, sheet: Sheet, top_mm: float) -> None:
        self._axis(sheet, top_mm)
        self._band(sheet, top_mm)
        name_from_mm = self._other(sheet, top_mm, self.other) if self.other else self.last_mm
        self._unit(sheet, top_mm, name_from_mm)

    def _x(self, value: float) -> float:
        return self.left_mm + self.width_mm * value / self.end

    def _axis(self, sheet: Sheet, top_mm: float) -> None:
        axis_mm = top_mm + self.axis_mm
        sheet.line((self._x(0), axis_mm), (self._x(self.end), axis_mm), colour=FAINT, width_mm=0.35)
        base = self.share.base
        for tick in range(round(self.end / self.step) + 1):
            x = self._x(tick * self.step)
            sheet.line((x, axis_mm), (x, axis_mm + 1.2), colour=FAINT, width_mm=0.35)
            words = self.language.number(tick * self.step * base, decimals=1)
            sheet.text(x, top_mm + self.ticks_mm, words, size_pt=self.tick_pt, colour=QUIET, align="centre")

    def _band(self, sheet: Sheet, top_mm: float) -> None:
        band_mm, middle_mm = top_mm + self.band_top_mm, top_mm + self.band_top_mm + self.band_mm / 2
        low, high, here = self._x(self.low), self._x(self.high), self._x(self.share.value)
        sheet.rectangles([(low, band_mm, high - low, self.band_mm)], _BAND)
        sheet.rectangles([(x - 0.35, band_mm, 0.7, self.band_mm) for x in (low, high)], LEAF)
        sheet.rectangles([(here - 0.9, band_mm - 0.8, 1.8, self.band_mm + 1.6)], LEAF)
        words = per_base(self.share.value, self.share.base, self.language)
        sheet.text(here, band_mm - 1.6, words, size_pt=self.number_pt, font=BOLD, colour=LEAF, align="centre")
        baseline_mm = middle_mm + cap_mm(self.number_pt) / 2
        first, last = self.share.ends or (0, self.share.base)
        for x, value, align, away in ((low, first, "right", -1.6), (high, last, "left", 1.6)):
            words = self.language.number(value)
            sheet.text(x + away, baseline_mm, words, size_pt=0.8 * self.number_pt, colour=INK, align=align)

    def _unit(self, sheet: Sheet, top_mm: float, free_until_mm: float) -> None:
        """Say what the scale counts: at its left end, or at its right where the name of the other stands there."""
        words = self.language.text("downgraded of {base} fruit", base=self.share.base)
        left = self.first_mm + width_of(words, REGULAR, self.tick_pt) + 3 <= free_until_mm
        x, align = (self.first_mm, "left") if left else (self.last_mm, "right")
        sheet.text(x, top_mm + self.name_mm, words, size_pt=self.tick_pt, colour=QUIET, align=align)

    def _other(self, sheet: Sheet, top_mm: float, other: Comparison) -> float:
        """Draw what the crew is held against; returns where its name begins."""
        x = self._x(other.share)
        ends = (x, top_mm + self.band_top_mm - 0.8), (x, top_mm + self.name_mm - cap_mm(self.name_pt) - 1.0)
        sheet.line(*ends, colour=WARNING, width_mm=0.6, dashed=True)
        words = f"{self.language.text(other.words)}: {per_base(other.share, self.share.base, self.language)}"
        half_mm = width_of(words, REGULAR, self.name_pt) / 2
        at_mm = min(max(x, self.first_mm + half_mm), self.last_mm - half_mm)
        sheet.text(at_mm, top_mm + self.name_mm, words, size_pt=self.name_pt, colour=WARNING, align="centre")
        return at_mm - half_mm


def _scale_of(highest: float) -> tuple[float, float]:
    """End of the scale and the step of its ticks, for the highest value on it."""
    return next((scale for scale in _SCALES if scale[0] >= _ROOM * highest), _SCALES[-1])
