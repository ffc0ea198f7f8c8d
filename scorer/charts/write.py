"""Turn charts into files and pictures, without a browser and without the internet."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from typing import Any, Final

import vl_convert

from scorer.errors import OutputError
from scorer.resources import fonts_folder
from scorer.results import write_whole

ENDINGS: Final = (".png", ".svg", ".pdf")
PPI: Final = 150
"""Pixels of a picture to 72 points of the chart."""


def write_chart(chart: Any, path: Path) -> None:
    """Write a chart as PNG, SVG or PDF, as the file's name says: the whole file or none.

    Raises
    ------
    OutputError : the ending is none of these, or the file cannot be written.
    """
    ending = path.suffix.lower()
    if ending not in ENDINGS:
        raise OutputError(f"{path} does not say what kind of picture it is: end its name in {', '.join(ENDINGS)}.")
    _use_fonts()
    drawn = chart.to_dict()
    if ending == ".png":
        write_whole(path, picture_of(chart))
    elif ending == ".svg":
        write_whole(path, vl_convert.vegalite_to_svg(drawn).encode())
    else:
        write_whole(path, vl_convert.vegalite_to_pdf(drawn))


def picture_of(chart: Any, *, ppi: float = PPI) -> bytes:
    """The chart as PNG bytes, ``ppi`` pixels to 72 points."""
    _use_fonts()
    return bytes(vl_convert.vegalite_to_png(chart.to_dict(), ppi=ppi))


@lru_cache(maxsize=1)
def _use_fonts() -> None:
    """Give the drawing engine the fonts that travel with scorer, so that paper looks the same on any machine."""
    vl_convert.register_font_directory(str(fonts_folder()))
