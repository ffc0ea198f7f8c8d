"""The sheet with the reference card: the card at true size, how to use it, and the cautions of the work."""

from __future__ import annotations

import json
from itertools import pairwise
from pathlib import Path

import cv2
import numpy as np

from scorer.card.definition import CardDefinition, load_card
from scorer.errors import CardError
from scorer.printing.lettering import BOLD, REGULAR, width_of, wrap
from scorer.printing.paper import BLACK, FAINT, INK, LEAF, QUIET, WARNING, Rgb, Sheet
from scorer.resources import shared_folder

_CARD_TOP_MM = 44.0
_CROP_GAP_MM, _CROP_MM = 2.0, 6.0
_GUTTER_MM = 8.0

_HOW_TO = (
    (
        "Print",
        "at 100\u00a0% (“actual size”), never “fit to page”, on white matt paper. Glossy paper mirrors the lamps.",
    ),
    (
        "Measure",
        "the bar on the card with a ruler: from 0 to 100 it must be 100 mm. Half a millimetre off makes "
        "every area 1\u00a0% wrong: do not use the card then, print it again.",
    ),
    ("Cut", "along the corner marks and glue the card flat on stiff board. A bent card measures wrong."),
    (
        "Lay",
        "it flat on the tray floor beside the fruit, the bin's tag next to it. Keep the four black squares "
        "and the colours free of fruit, leaves, fingers and shadow.",
    ),
    (
        "Renew",
        "it when it is stained, scratched or faded. A printer's colours are never quite the nominal ones: a "
        "card measured with a colorimeter comes with a certificate file that puts this right.",
    ),
)

_CAUTIONS = (
    (
        "Sap burns",
        "Mango sap can cause a severe rash, often only 12 to 48 hours later. Keep it off skin and eyes: "
        "gloves, eye protection, long sleeves.",
    ),
    (
        "Sap on you",
        "Wash with soap and plenty of water. Sap in an eye: rinse for minutes, then see a doctor. A "
        "spreading rash: see a doctor.",
    ),
    (
        "Wash and lime",
        "These solutions are alkaline and burn. Follow the label and the safety data sheet; gloves, goggles, no dust.",
    ),
    ("Heat", "Water often, shade, rest, slow first days. Local rules for work in heat come first."),
    (
        "Fairness",
        "Figures are for coaching a crew. A few fruit say little: look at the interval, never at one tray.",
    ),
)


def print_card(path: Path, *, paper: str = "A4", card_file: Path | None = None) -> None:
    """Write the PDF of the reference card: one sheet, the card at 100 % scale with crop marks.

    Parameters
    ----------
    path : the PDF to write; a file of that name is replaced.
    paper : "A4" or "Letter".
    card_file : card definition; without one, the card that scorer looks for.

    Raises
    ------
    CardError : the card definition cannot be used.
    OutputError : the PDF cannot be written.
    ValueError : the paper is not known.
    """
    card_file = card_file or shared_folder() / "card.json"
    card = load_card(card_file)
    sheet = Sheet(paper, "Reference card for tray photos")
    left_mm = (sheet.width_mm - card.width_mm) / 2
    _heading(sheet, left_mm)
    _crop_marks(sheet, card, left_mm, _CARD_TOP_MM)
    _markers(sheet, card, left_mm, _CARD_TOP_MM)
    _patches(sheet, card, left_mm, _CARD_TOP_MM)
    _scale_bar(sheet, card_file, left_mm, _CARD_TOP_MM)
    _advice(sheet, left_mm, card.width_mm, _CARD_TOP_MM + card.height_mm + 20.0)
    sheet.save(path)


def _heading(sheet: Sheet, left_mm: float) -> None:
    sheet.text(left_mm, 20.0, "Reference card for tray photos", size_pt=19, font=BOLD, colour=LEAF)
    sheet.text(left_mm, 27.0, "It gives the photo its scale and its true colours.", size_pt=10.5, colour=QUIET)
    sheet.text(left_mm, 32.5, "Print at 100 %, then measure the bar: 100 mm.", size_pt=10.5, font=BOLD)


def _crop_marks(sheet: Sheet, card: CardDefinition, left_mm: float, top_mm: float) -> None:
    """Mark the corners outside the card only, so that no line runs into a marker's quiet zone."""
    right_mm, bottom_mm = left_mm + card.width_mm, top_mm + card.height_mm
    for x, away_x in ((left_mm, -1), (right_mm, 1)):
        for y, away_y in ((top_mm, -1), (bottom_mm, 1)):
            near, far = _CROP_GAP_MM, _CROP_GAP_MM + _CROP_MM
            sheet.line((x + away_x * near, y), (x + away_x * far, y), width_mm=0.15)
            sheet.line((x, y + away_y * near), (x, y + away_y * far), width_mm=0.15)


def _markers(sheet: Sheet, card: CardDefinition, left_mm: float, top_mm: float) -> None:
    """Draw the ArUco markers from their dictionary's own bits, as cells and not as a picture."""
    dictionary_id = getattr(cv2.aruco, card.marker_dictionary, None)
    if dictionary_id is None:
        raise CardError(f"The card names the marker dictionary {card.marker_dictionary}, which OpenCV does not have.")
    dictionary = cv2.aruco.getPredefinedDictionary(dictionary_id)
    cells = int(dictionary.markerSize) + 2  # the bits and one black cell around them
    for marker, corners_mm in card.marker_corners_mm.items():
        black = cv2.aruco.generateImageMarker(dictionary, marker, cells, borderBits=1) == 0
        x, y = corners_mm[0] + (left_mm, top_mm)
        sheet.rectangles(_runs(black, x, y, card.marker_side_mm / cells), BLACK)


def _runs(black: np.ndarray, x: float, y: float, cell_mm: float) -> list[tuple[float, float, float, float]]:
    """Rectangles of the black cells, one for each run of cells in a row."""
    rectangles = []
    for row, line in enumerate(black):
        edges = np.flatnonzero(np.diff(np.concatenate([[0], line.astype(np.int8), [0]])))
        for begin, end in pairwise(edges.tolist()):
            if line[begin]:
                rectangles.append((x + begin * cell_mm, y + row * cell_mm, (end - begin) * cell_mm, cell_mm))
    return rectangles


def _patches(sheet: Sheet, card: CardDefinition, left_mm: float, top_mm: float) -> None:
    side = card.patch_side_mm
    for centre_mm, srgb in zip(card.patch_centres_mm, card.patch_srgb, strict=True):
        x, y = centre_mm - side / 2 + (left_mm, top_mm)
        red, green, blue = (round(float(level) * 255) for level in srgb)
        sheet.rectangles([(x, y, side, side)], (red, green, blue))


def _scale_bar(sheet: Sheet, card_file: Path, left_mm: float, top_mm: float) -> None:
    """Draw the bar to measure with a ruler: its ends and ticks are the middles of thin lines."""
    try:
        bar = json.loads(card_file.read_text(encoding="utf-8"))["scale_bar"]
        start_x, start_y = (float(value) for value in bar["start"])
        length, step = float(bar["length"]), float(bar["tick_every"])
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise CardError(f"{card_file.name}: the scale bar cannot be read ({error}); restore the file.") from error
    x, y = left_mm + start_x, top_mm + start_y
    sheet.line((x, y), (x + length, y), colour=BLACK, width_mm=0.25)
    for tick in np.arange(0, length + step / 2, step):
        end = tick in (0, length)
        sheet.line((x + tick, y - 0.125), (x + tick, y + (1.6 if end else 1.2)), colour=BLACK, width_mm=0.15)
        label = f"{tick:g} mm" if tick == length else f"{tick:g}"
        sheet.text(x + tick, y + 3.2, label, size_pt=4.5, colour=INK, align="centre")


def _advice(sheet: Sheet, left_mm: float, card_mm: float, top_mm: float) -> None:
    """Two columns under the card: how to use it, and what to take care of."""
    width_mm = (card_mm - _GUTTER_MM) / 2
    numbered = [(f"{number}  {head}", body) for number, (head, body) in enumerate(_HOW_TO, start=1)]
    _column(sheet, left_mm, top_mm, width_mm, "Using the card", numbered, LEAF)
    right_mm = left_mm + width_mm + _GUTTER_MM
    _column(sheet, right_mm, top_mm, width_mm, "Take care", list(_CAUTIONS), WARNING)


def _column(
    sheet: Sheet, x: float, y: float, width_mm: float, title: str, entries: list[tuple[str, str]], colour: Rgb
) -> None:
    size_pt, leading_mm = 9.0, 4.1
    sheet.text(x, y, title, size_pt=12, font=BOLD, colour=colour)
    sheet.line((x, y + 2.2), (x + width_mm, y + 2.2), colour=FAINT)
    y += 7.6
    for head, body in entries:
        sheet.text(x, y, head, size_pt=size_pt, font=BOLD)
        indent_mm = width_of(f"{head}  ", BOLD, size_pt)
        first, *_ = wrap(body, width_mm - indent_mm, font=REGULAR, size_pt=size_pt)
        sheet.text(x + indent_mm, y, first, size_pt=size_pt)
        for line in wrap(body[len(first) :], width_mm, font=REGULAR, size_pt=size_pt):
            y += leading_mm
            sheet.text(x, y, line, size_pt=size_pt)
        y += leading_mm + 1.4
