"""Start: what each page is for, for whoever comes for the first time."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import streamlit as st

from app.visit import Visit
from scorer.language import message
from scorer.records.photos import find_photos

TITLE = message("From the tray to the crew")
ICON = ":material/home:"


def draw(visit: Visit, pages: Mapping[str, Sequence[tuple[Any, str]]]) -> None:
    """Draw the page.

    Parameters
    ----------
    pages : of the visitor, section by section, each with what it is for.
    """
    words = visit.words
    if visit.desk.settings.sample:
        st.info(
            words.text(
                "This is an invented season to try things on: crews, bins and fruit are made up, and all is gone when "
                "the pages are closed."
            ),
            icon=":material/science:",
        )
    elif find_photos(visit.person, visit.desk.engine, most=1).empty:
        st.info(
            words.text(
                "No photo is in the records yet. Print card and tags, put a sample on a tray, and hand in a photo; or "
                "start with --sample to look around first."
            ),
            icon=":material/flag:",
        )
    for section, mine in pages.items():
        st.header(section)
        for page, purpose in mine:
            with st.container(border=True):
                st.page_link(page)
                st.markdown(words.text(purpose))
