"""Health of the records: what asks for a deed, early photos that wait, retakes outstanding, room on the disk."""

from __future__ import annotations

from collections.abc import Hashable
from typing import Any

import pandas as pd
import streamlit as st

from app.parts.look_warning import look_warning
from app.parts.plain import plain
from app.visit import Visit
from scorer.access.roles import Right
from scorer.health import audit_in_words, health_of
from scorer.language import message

TITLE = message("Health of the records")
ICON = ":material/monitor_heart:"
ADDRESS = "health"
RIGHT = Right.SEE_RECORDS
PURPOSE = message("What waits for its second day, what is to be taken again, and how much room is left.")


def draw(visit: Visit) -> None:
    """Draw the page."""
    visit.person.must(RIGHT)
    words = visit.words
    health = health_of(visit.person, visit.desk.engine, visit.desk.settings.store_folder)
    for sentence in health.sentences:
        st.markdown(f"- {plain(words.told(sentence))}")
    look_warning(visit)
    _list(visit, words.text("Early photos that wait for their second day"), health.waiting, "settles_at")
    _list(visit, words.text("Photos to be taken again"), health.retakes, "taken_at")
    _list(visit, words.text("Bins that nobody named a crew for"), health.crewless, "picked_at")
    st.header(words.text("Look over every row"))
    st.caption(words.text("Goes through the whole season and says what is wrong with it; takes a while."))
    if st.button(words.text("Look it over"), key="audit", icon=":material/fact_check:"):
        with st.spinner(words.text("Looking")):
            found = audit_in_words(visit.person, visit.desk.engine)
        for sentence in found:
            st.warning(plain(words.told(sentence)))
        if not found:
            st.success(words.text("Nothing is wrong with the records."), icon=":material/task_alt:")


def _list(visit: Visit, title: str, rows: pd.DataFrame, moment: str) -> None:
    words = visit.words
    st.header(title)
    if rows.empty:
        st.caption(words.text("None."))
        return
    about = [name for name in ("photo", "bin", "crew", "side") if name in rows.columns]
    shown = rows[about].fillna("").rename(columns=lambda name: words.text(name.capitalize()))
    shown[words.text("When")] = [words.moment(when) for when in rows[moment]]
    if "settled_since" in rows.columns:
        shown[words.text("State")] = [_state(visit, row) for row in rows.to_dict("records")]
    if "reasons" in rows.columns:
        shown[words.text("Why")] = [words.told(str(reasons or "")) for reasons in rows["reasons"]]
    st.dataframe(shown, hide_index=True, height="content" if len(shown) < 12 else 420)


def _state(visit: Visit, row: dict[Hashable, Any]) -> str:
    if row["settled_since"]:
        return visit.words.text("photographed again since")
    return visit.words.text("ready now") if row["due"] else visit.words.text("still waiting")
