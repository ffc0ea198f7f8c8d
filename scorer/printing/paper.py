"""A sheet of paper in millimetres from its top left corner, as a PDF that prints at 100 % scale."""

from __future__ import annotations

import io
import os
import tempfile
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from reportlab.lib.colors import Color
from reportlab.lib.units import mm
from reportlab.lib.utils import ImageReader
from reportlab.pdfgen.canvas import Canvas

from scorer.errors import OutputError
from scorer.printing.lettering import REGULAR, register_fonts

PAPERS: dict[str, tuple[float, float]] = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}
"""Width and height in mm: A4 by ISO 216, Letter by ANSI Y14.1 (8.5 x 11 inches)."""

Rgb = tuple[int, int, int]
INK: Rgb = (28, 32, 28)
QUIET: Rgb = (110, 116, 110)
FAINT: Rgb = (176, 180, 176)
LEAF: Rgb = (52, 84, 40)
WARNING: Rgb = (150, 52, 24)
BLACK: Rgb = (0, 0, 0)

_JPEG_QUALITY = 88


class Sheet:
    """A PDF under way: draws in mm, x to the right and y down from the sheet's top left corner.

    Parameters
    ----------
    paper : a name in `PAPERS`.
    title : title of the document.
    language : language of its text, such as ``es``, for programs that read it aloud.

    Raises
    ------
    ValueError : the paper is not known.
    """

    def __init__(self, paper: str, title: str, *, language: str | None = None) -> None:
        if paper not in PAPERS:
            raise ValueError(f"paper must be one of {', '.join(PAPERS)}, got {paper}")
        self.width_mm, self.height_mm = PAPERS[paper]
        self._buffer = io.BytesIO()
        register_fonts()
        size = (self.width_mm * mm, self.height_mm * mm)
        # invariant: the same input gives the same bytes
        self._canvas: Any = Canvas(self._buffer, pagesize=size, invariant=1, lang=language)
        self._canvas.setTitle(title)
        self._canvas.setViewerPreference("PrintScaling", "None")  # viewers that heed it offer 100 % first

    def rectangles(self, rectangles: Iterable[tuple[float, float, float, float]], colour: Rgb) -> None:
        """Fill rectangles (x, y, width, height in mm) as one path, so that neighbours leave no gap."""
        path = self._canvas.beginPath()
        for x, y, width, height in rectangles:
            path.rect(x * mm, (self.height_mm - y - height) * mm, width * mm, height * mm)
        self._canvas.setFillColor(_colour(colour))
        self._canvas.drawPath(path, stroke=0, fill=1)

    def line(
        self,
        start: tuple[float, float],
        end: tuple[float, float],
        *,
        colour: Rgb = INK,
        width_mm: float = 0.2,
        dashed: bool = False,
    ) -> None:
        """Draw a straight line, its middle at the points given."""
        self._canvas.setStrokeColor(_colour(colour))
        self._canvas.setLineWidth(width_mm * mm)
        self._canvas.setLineCap(0)
        self._canvas.setDash([1.2 * mm, 1.0 * mm] if dashed else [])
        self._canvas.line(start[0] * mm, (self.height_mm - start[1]) * mm, end[0] * mm, (self.height_mm - end[1]) * mm)

    def text(
        self,
        x: float,
        baseline: float,
        text: str,
        *,
        size_pt: float,
        font: str = REGULAR,
        colour: Rgb = INK,
        align: str = "left",
    ) -> None:
        """Write one line of text with its baseline at y = baseline; align is left, centre or right of x."""
        self._canvas.setFillColor(_colour(colour))
        self._canvas.setFont(font, size_pt)
        draw = {
            "left": self._canvas.drawString,
            "centre": self._canvas.drawCentredString,
            "right": self._canvas.drawRightString,
        }[align]
        draw(x * mm, (self.height_mm - baseline) * mm, text)

    def picture(self, x: float, y: float, width: float, height: float, rgb: NDArray[np.uint8]) -> None:
        """Place an (H, W, 3) uint8 red, green, blue picture in a box (mm), stretched to it; stored as JPEG."""
        bgr = cv2.cvtColor(rgb, cv2.COLOR_RGB2BGR)
        done, data = cv2.imencode(".jpg", bgr, [cv2.IMWRITE_JPEG_QUALITY, _JPEG_QUALITY])
        if not done:
            raise ValueError(f"a {rgb.dtype} picture of shape {rgb.shape} cannot be placed on a sheet")
        reader = ImageReader(io.BytesIO(data.tobytes()))
        self._canvas.drawImage(reader, x * mm, (self.height_mm - y - height) * mm, width * mm, height * mm)

    def next_page(self) -> None:
        """Go on with a fresh page."""
        self._canvas.showPage()

    def save(self, path: Path) -> None:
        """Write the PDF: the whole file or none.

        Raises
        ------
        OutputError : it cannot be written there.
        """
        self._canvas.save()
        draft = None
        try:
            with tempfile.NamedTemporaryFile(dir=path.parent, prefix=path.name, delete=False) as file:
                draft = Path(file.name)
                file.write(self._buffer.getvalue())
            draft.chmod(0o666 & ~_umask())
            draft.replace(path)
        except OSError as error:
            raise OutputError(f"{path} cannot be written ({error.strerror}); check the folder and its room.") from error
        finally:
            if draft is not None:
                draft.unlink(missing_ok=True)


def _colour(colour: Rgb) -> Color:
    return Color(*(level / 255 for level in colour))


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
