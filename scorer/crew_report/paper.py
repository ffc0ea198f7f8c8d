"""The figures as a PDF to read and to print: sections of words, charts and small tables, flowing over the pages."""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final
from xml.sax.saxutils import escape

import pandas as pd
from reportlab.lib.colors import HexColor
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.lib.utils import ImageReader
from reportlab.pdfbase.pdfmetrics import stringWidth
from reportlab.platypus import (
    CondPageBreak,
    Image,
    KeepTogether,
    Paragraph,
    SimpleDocTemplate,
    Spacer,
    Table,
    TableStyle,
)

from scorer.charts.look import CLAY, FAINT, INK, QUIET
from scorer.charts.write import PPI
from scorer.printing.lettering import BOLD, REGULAR, register_fonts
from scorer.printing.paper import PAPERS

_MARGIN_MM: Final = 18.0
_FRAME_PADDING_PT: Final = 6.0  # that the layout keeps inside of the margins
_CHART_WIDTH_MM: Final = 165.0
_PX_PER_MM: Final = 96 / 25.4  # of a chart's own pixels, at which its letters are as large as the text
_BODY: Final = ParagraphStyle("body", fontName=REGULAR, fontSize=10, leading=14, textColor=HexColor(INK), spaceAfter=4)
_QUIET: Final = ParagraphStyle("quiet", parent=_BODY, fontSize=8.5, leading=11.5, textColor=HexColor(QUIET))
_CARE: Final = ParagraphStyle(
    "care", parent=_BODY, borderColor=HexColor(CLAY), borderWidth=0.8, borderPadding=6, spaceBefore=8, spaceAfter=12
)
_TITLE: Final = ParagraphStyle("title", parent=_BODY, fontName=BOLD, fontSize=20, leading=25, spaceAfter=2)
_HEAD: Final = ParagraphStyle("head", parent=_BODY, fontName=BOLD, fontSize=13, leading=17, spaceBefore=12)
_CELL: Final = ParagraphStyle("cell", parent=_BODY, fontSize=8.5, leading=10.5, spaceAfter=0)
_CELL_HEAD: Final = ParagraphStyle("cell head", parent=_CELL, fontName=BOLD)
_CELL_PADDING_PT: Final = 6.0
_EASY_WIDTH_PT: Final = 60.0  # up to which a text has its line to itself
_ROWS_KEPT_TOGETHER: Final = 14
_LEAST_BEGINNING_MM: Final = 45.0


@dataclass(frozen=True)
class Section:
    """A part of the report.

    Parameters
    ----------
    title : what it tells.
    sentences : what the figures say, in words; set above the charts.
    charts : PNG pictures.
    table : already in words: every cell is set as it is. None for no table.
    notes : set small below: what the figures rest on.
    """

    title: str
    sentences: Sequence[str] = ()
    charts: Sequence[bytes] = ()
    table: pd.DataFrame | None = None
    notes: Sequence[str] = ()


def report_pdf(
    title: str, under: str, fair_use: Sequence[str], sections: Sequence[Section], *, paper: str = "A4"
) -> bytes:
    """The report as PDF bytes; the same input gives the same bytes.

    Parameters
    ----------
    title, under : head of the first page, and the line below it.
    fair_use : framed on the first page; its first sentence stands at the foot of every page.
    sections : in order.
    paper : a name in ``scorer.printing.paper.PAPERS``.
    """
    register_fonts()
    width, height = (side * mm for side in PAPERS[paper])
    buffer = io.BytesIO()
    margin = _MARGIN_MM * mm
    document = SimpleDocTemplate(
        buffer,
        pagesize=(width, height),
        leftMargin=margin,
        rightMargin=margin,
        topMargin=margin,
        bottomMargin=margin + 6 * mm,
        title=title,
        invariant=1,
    )
    parts: list[Any] = [Paragraph(escape(title), _TITLE), Paragraph(escape(under), _QUIET)]
    parts.append(Paragraph("<br/>".join(escape(sentence) for sentence in fair_use), _CARE))
    for section in sections:
        parts += _flow(section, document.width - 2 * _FRAME_PADDING_PT)

    def foot(canvas: Any, _: Any) -> None:
        canvas.saveState()
        canvas.setFont(REGULAR, 8)
        canvas.setFillColor(HexColor(QUIET))
        canvas.drawString(margin, 11 * mm, fair_use[0])
        canvas.drawRightString(width - margin, 11 * mm, f"{canvas.getPageNumber()}")
        canvas.restoreState()

    document.build(parts, onFirstPage=foot, onLaterPages=foot)
    return buffer.getvalue()


def _flow(section: Section, width: float) -> list[Any]:
    """The section's parts; its head never stands alone at the foot of a page."""
    head: list[Any] = [Paragraph(escape(section.title), _HEAD)]
    head += [Paragraph(escape(sentence), _BODY) for sentence in section.sentences]
    charts = [_chart(picture) for picture in section.charts]
    whole = section.table is not None and 0 < len(section.table) <= _ROWS_KEPT_TOGETHER
    table = [_table(section.table, width)] if section.table is not None and len(section.table) else []
    parts: list[Any] = [CondPageBreak(_LEAST_BEGINNING_MM * mm)]
    if charts:
        parts += [KeepTogether([*head, charts[0]]), *charts[1:], *([KeepTogether(table)] if whole else table)]
    else:
        parts += [KeepTogether([*head, *table])] if whole else [*head, *table]
    if table:
        parts.append(Spacer(0, 2 * mm))
    return [*parts, *(Paragraph(escape(note), _QUIET) for note in section.notes)]


def _chart(png: bytes) -> Image:
    """A picture at the size at which its letters are as large as the text, or as wide as the page."""
    width_px, height_px = ImageReader(io.BytesIO(png)).getSize()
    width_mm = min(width_px / (_PX_PER_MM * PPI / 72), _CHART_WIDTH_MM)
    return Image(io.BytesIO(png), width=width_mm * mm, height=width_mm * mm * height_px / width_px, hAlign="LEFT")


def _table(table: pd.DataFrame, width: float) -> Table:
    cells: list[list[Any]] = [[Paragraph(escape(str(name)), _CELL_HEAD) for name in table.columns]]
    cells += [[Paragraph(escape(str(value)), _CELL) for value in row] for row in table.itertuples(index=False)]
    style = [
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("LINEBELOW", (0, 0), (-1, 0), 0.8, HexColor(INK)),
        ("LINEBELOW", (0, 1), (-1, -1), 0.3, HexColor(FAINT)),
        ("LEFTPADDING", (0, 0), (-1, -1), _CELL_PADDING_PT / 3),
        ("RIGHTPADDING", (0, 0), (-1, -1), _CELL_PADDING_PT * 2 / 3),
        ("TOPPADDING", (0, 0), (-1, -1), 2.5),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 2.5),
    ]
    return Table(cells, colWidths=_column_widths(table, width), repeatRows=1, style=TableStyle(style))


def _column_widths(table: pd.DataFrame, width: float) -> list[float]:
    """Widths in points: each column's longest word first, then the rest by what its longest text asks for."""
    least, asked = [], []
    for name in table.columns:
        texts = [(str(name), BOLD), *((str(value), REGULAR) for value in table[name])]
        words = ((word, font) for text, font in texts for word in text.split() or [""])
        word = max(stringWidth(word, font, _CELL.fontSize) for word, font in words)
        text = max(stringWidth(text, font, _CELL.fontSize) for text, font in texts)
        easy = text if text <= _EASY_WIDTH_PT else _EASY_WIDTH_PT + (text - _EASY_WIDTH_PT) ** 0.75
        least.append(word + _CELL_PADDING_PT + 1)
        asked.append(max(easy + _CELL_PADDING_PT + 1 - least[-1], 1.0))
    spare = width - sum(least)
    if spare <= 0:
        return [width * one / sum(least) for one in least]
    return [word + spare * more / sum(asked) for word, more in zip(least, asked, strict=True)]
