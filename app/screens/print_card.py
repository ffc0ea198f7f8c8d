"""Print the reference card and the bins' tags."""

from __future__ import annotations

import tempfile
from datetime import datetime
from pathlib import Path

import streamlit as st

from app.parts.plain import plain
from app.visit import Visit
from scorer.access.roles import Right
from scorer.language import message
from scorer.manifest import read_tag_list
from scorer.printing import print_card, print_tags
from scorer.tag import Tag, clean_field

TITLE = message("Card and tags")
ICON = ":material/qr_code_2:"
ADDRESS = "card-and-tags"
RIGHT = Right.PLAN
PURPOSE = message("The reference card and the bins' tags, to print.")

_LARGEST_LIST_MB = 2


def draw(visit: Visit) -> None:
    """Draw the page."""
    visit.person.must(RIGHT)
    words = visit.words
    paper = st.segmented_control(words.text("Paper"), ["A4", "Letter"], default="A4", required=True, key="paper")
    st.header(words.text("Reference card"))
    st.caption(words.text("Print it at 100 % on matt paper and check its bar with a ruler: 100 mm must be 100 mm."))
    with tempfile.TemporaryDirectory() as folder:
        card = Path(folder) / "card.pdf"
        print_card(card, paper=paper)
        st.download_button(
            words.text("Reference card (PDF)"), card.read_bytes(), "card.pdf", "application/pdf", on_click="ignore"
        )
    st.header(words.text("Tags for bins"))
    tags = _from_list(visit) or _typed(visit)
    if tags:
        with tempfile.TemporaryDirectory() as folder:
            sheet = Path(folder) / "tags.pdf"
            for note in print_tags(tags, sheet, paper=paper):
                st.warning(plain(words.told(note)))
            st.download_button(
                words.language.counted("{count} tag (PDF)", "{count} tags (PDF)", len(tags)),
                sheet.read_bytes(),
                "tags.pdf",
                "application/pdf",
                type="primary",
                on_click="ignore",
            )


def _typed(visit: Visit) -> list[Tag]:
    words = visit.words
    left, right = st.columns(2)
    crew = left.text_input(words.text("Crew"), key="tag_crew")
    bins = right.text_input(words.text("Bins, with commas between"), placeholder="T014, T015", key="tag_bins")
    day = left.date_input(words.text("Day of picking"), value=None, key="tag_day")
    hour = right.time_input(words.text("Hour of picking"), value=None, key="tag_hour")
    method = left.text_input(words.text("Way of picking"), placeholder="hand_snap", key="tag_method")
    side = right.text_input(words.text("Side that lies up"), placeholder="a", key="tag_side")
    names = [clean_field(name) for name in bins.split(",") if name.strip()]
    if not crew.strip() and not names:
        st.info(words.text("Name a crew or a bin, or give a list, and the tags can be printed."))
        return []
    picked_at = datetime.combine(day, hour) if day and hour else None
    whose, how, up = (clean_field(text) or None for text in (crew, method, side))
    return [Tag(crew=whose, bin=name, picked_at=picked_at, method=how, side=up) for name in names or [None]]


def _from_list(visit: Visit) -> list[Tag]:
    words = visit.words
    given = st.file_uploader(
        words.text("A list of bins as CSV: crew, bin, picked_at, method, side"),
        "csv",
        key="tag_list",
        max_upload_size=_LARGEST_LIST_MB,
    )
    if given is None:
        return []
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "list.csv"
        path.write_bytes(given.getvalue())
        return list(read_tag_list(path))
