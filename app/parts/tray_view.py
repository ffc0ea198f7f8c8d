"""The tray's picture with its fruit and marks outlined, to zoom into, tap on and draw on."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import streamlit as st

from app.words import Words
from scorer.advice.kind_words import MARK_WORDS
from scorer.drawing import STYLES
from scorer.outlines import Ring

_HERE = Path(__file__).parent
FRUIT, MARK = "fruit", "mark"
_FRUIT_COLOUR: Final = "#ffffff"


@dataclass(frozen=True)
class Outlined:
    """A fruit or mark as the picture shows it.

    Parameters
    ----------
    number : that it is called by; of a mark that an officer drew, the number of that decision below 0.
    rings : closed lines in full pixels.
    words : what a screen reader says.
    short : what stands beside it.
    kind : of a mark; None for a fruit.
    """

    number: int
    rings: tuple[Ring, ...]
    words: str
    short: str
    kind: str | None = None

    def drawn(self) -> dict[str, Any]:
        """As the browser takes it."""
        style = STYLES[self.kind] if self.kind else None
        points = self.rings[0] if self.rings else ((0, 0),)
        left, top = min(x for x, _ in points), min(y for _, y in points)
        right = max(x for x, _ in points)
        return {
            "number": self.number,
            "rings": self.rings,
            "words": self.words,
            "short": self.short,
            "colour": "#{2:02x}{1:02x}{0:02x}".format(*style.bgr) if style else _FRUIT_COLOUR,
            "dashes": style.dashes if style else (),
            "label": (right, top) if style else (left, top),
        }


@dataclass(frozen=True)
class Touched:
    """What was done on the picture: a fruit or mark tapped, or a line drawn."""

    tapped: tuple[str, int] | None
    outlined: Ring | None


def tray_view(
    words: Words,
    *,
    photo: str,
    picture: str,
    size_px: tuple[int, int],
    fruit: Iterable[Outlined],
    marks: Iterable[Outlined],
    chosen: tuple[str, int] | None,
    may_draw: bool,
    key: str = "tray_view",
) -> Touched:
    """Show it.

    Parameters
    ----------
    photo : its SHA-256; another photo is shown whole again.
    picture : address of the photo, of any size with its proportions.
    size_px : (width, height) of the full photo, in whose pixels outlines are.
    chosen : what is drawn bold.
    may_draw : whether missed marks can be drawn.
    key : of the widget.
    """
    texts = {
        "nearer": words.text("Zoom in"),
        "farther": words.text("Zoom out"),
        "whole": words.text("Whole tray"),
        "draw": words.text("Draw a missed mark"),
        "how": words.text("Go around the mark with a finger or the mouse."),
        "again": words.text("That was too short a line; draw around the mark."),
        "tray": words.text("Tray with its fruit and marks"),
    }
    part = st.components.v2.component("tray_view", html=_read("html"), css=_read("css"), js=_read("js"))
    result = part(
        key=key,
        data={
            "photo": photo,
            "picture": picture,
            "width": size_px[0],
            "height": size_px[1],
            "fruit": [one.drawn() for one in fruit],
            "marks": [one.drawn() for one in marks],
            "chosen": chosen,
            "may_draw": may_draw,
            "words": texts,
        },
        on_tapped_change=_nothing,
        on_outlined_change=_nothing,
    )
    tapped, outlined = result.tapped, result.outlined
    return Touched(
        tapped=(str(tapped[0]), int(tapped[1])) if tapped else None,
        outlined=tuple((int(x), int(y)) for x, y in outlined) if outlined else None,
    )


def kind_name(words: Words, kind: str) -> str:
    """A kind of mark in the page's language."""
    return words.text(MARK_WORDS[kind])


def _nothing() -> None:
    """Make the browser's word start the page anew."""


def _read(ending: str) -> str:
    return (_HERE / f"tray_view.{ending}").read_text(encoding="utf-8")
