"""The figures as a PDF to read and to print: sections of words, charts and small tables, flowing over the pages."""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final
from xml.sax.saxutils import escape

import numpy as np
import pandas as pd
from reportlab.lib.colors import HexColor
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.lib.utils import ImageReader
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
_ROWS_KEPT_TOGETHER: Final = 12


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
    head = [Paragraph(escape(section.title), _HEAD)]
    head += [Paragraph(escape(sentence), _BODY) for sentence in section.sentences]
    parts: list[Any] = [CondPageBreak(45 * mm)]
    charts = [_chart(picture) for picture in section.charts]
    parts.append(KeepTogether([*head, *charts[:1]]))
    parts += charts[1:]
    if section.table is not None and len(section.table):
        table = _table(section.table, width)
        parts.append(KeepTogether([table]) if len(section.table) <= _ROWS_KEPT_TOGETHER else table)
        parts.append(Spacer(0, 2 * mm))
    parts += [Paragraph(escape(note), _QUIET) for note in section.notes]
    return parts


def _chart(png: bytes) -> Image:
    """A picture at the size at which its letters are as large as the text, or as wide as the page."""
    width_px, height_px = ImageReader(io.BytesIO(png)).getSize()
    width_mm = min(width_px / (_PX_PER_MM * 200 / 72), _CHART_WIDTH_MM)
    return Image(io.BytesIO(png), width=width_mm * mm, height=width_mm * mm * height_px / width_px, hAlign="LEFT")


def _table(table: pd.DataFrame, width: float) -> Table:
    cells: list[list[Any]] = [[Paragraph(escape(str(name)), _CELL_HEAD) for name in table.columns]]
    cells += [[Paragraph(escape(str(value)), _CELL) for value in row] for row in table.itertuples(index=False)]
    lengths = [max([len(str(name)) * 0.7, *(len(str(value)) for value in table[name])]) for name in table.columns]
    wanted = np.clip(np.sqrt(np.asarray(lengths, float)) * 3.2, 8, None)  # longer texts break rather than crowd others
    style = [
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("LINEBELOW", (0, 0), (-1, 0), 0.8, HexColor(INK)),
        ("LINEBELOW", (0, 1), (-1, -1), 0.3, HexColor(FAINT)),
        ("LEFTPADDING", (0, 0), (-1, -1), 2),
        ("RIGHTPADDING", (0, 0), (-1, -1), 4),
        ("TOPPADDING", (0, 0), (-1, -1), 2.5),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 2.5),
    ]
    return Table(cells, colWidths=list(width * wanted / wanted.sum()), repeatRows=1, style=TableStyle(style))
