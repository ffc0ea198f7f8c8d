"""Crew sheets: one page for a crew, with its share in plain words and two things to look at, to print or to send."""

from __future__ import annotations

import tempfile
from pathlib import Path

import streamlit as st

from app.desk import counted
from app.parts.plain import plain
from app.visit import Visit
from app.words import LANGUAGE_NAMES
from scorer.access.roles import Right
from scorer.advice.crew_sheet import print_crew_sheets
from scorer.advice.practice_table import load_practices
from scorer.advice.season_sheets import sheets_of_season
from scorer.language import available_languages, load_language, message
from scorer.limits import load_limits

TITLE = message("Crew sheets")
ICON = ":material/description:"
ADDRESS = "crew-sheets"
RIGHT = Right.PRINT_SHEETS
PURPOSE = message("One page for a crew: its share in plain words and two things to look at tomorrow.")


def draw(visit: Visit) -> None:
    """Draw the page."""
    visit.person.must(RIGHT)
    words = visit.words
    season = counted(visit.desk, any_hold=False)
    if season.fruit.empty:
        st.info(words.text("No fruit count yet: hand in photos of trays, 48 h or more after picking."))
        return
    st.caption(words.text("For coaching, together with the crew. The sheet names no picker and cannot carry pay."))
    there = sorted(season.fruit["crew"].unique())
    crews = st.multiselect(words.text("Crews"), there, default=there[:1], key="sheet_crews")
    codes = [code for code in available_languages() if code in LANGUAGE_NAMES]
    code = st.segmented_control(
        words.text("Language of the sheet"),
        codes,
        default=words.language.code.split("_")[0],
        required=True,
        format_func=LANGUAGE_NAMES.__getitem__,
        key="sheet_language",
    )
    paper = st.segmented_control(words.text("Paper"), ["A4", "Letter"], default="A4", required=True, key="sheet_paper")
    if not crews:
        st.info(words.text("Choose a crew."))
        return
    if st.button(words.text("Make the sheets"), type="primary", key="make_sheets"):
        with st.spinner(words.text("Cutting example pictures from the crew's own photos")):
            data, notes = _sheets(visit, crews, code, paper)
        for note in notes:
            st.caption(plain(words.told(note)))
        st.download_button(
            words.text("Crew sheets (PDF)"),
            data,
            "crew_sheets.pdf",
            "application/pdf",
            type="primary",
            on_click="ignore",
        )


def _sheets(visit: Visit, crews: list[str], code: str, paper: str) -> tuple[bytes, tuple[str, ...]]:
    sheets = sheets_of_season(
        visit.person,
        visit.desk.engine,
        counted(visit.desk, any_hold=False).fruit,
        visit.desk.store,
        crews=crews,
        language=load_language(code),
        limits=load_limits(visit.desk.settings.limits),
        practices=load_practices(None),
    )
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "sheets.pdf"
        notes = print_crew_sheets(sheets, path, paper=paper)
        return path.read_bytes(), tuple(notes)
