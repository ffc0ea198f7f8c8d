"""Limits and prices: the shed's own tables edited in place, checked before they count, with who, when, why and back."""

from __future__ import annotations

from typing import Any

import pandas as pd
import streamlit as st

from app.parts.choice import choose_one
from app.parts.plain import plain
from app.visit import Visit
from scorer.access.roles import Right
from scorer.crews.prices import Prices, load_prices
from scorer.errors import ScorerError
from scorer.language import message
from scorer.tables_in_place.edit import (
    Editable,
    as_frames,
    begin_own,
    changed,
    history,
    path_of,
    redo,
    tables_there,
    undo,
)
from scorer.tables_in_place.names import LIMITS, PRICES, TableName
from scorer.tables_in_place.versions import BEGUN

TITLE = message("Limits and prices")
ICON = ":material/table_edit:"
ADDRESS = "limits-and-prices"
RIGHT = Right.EDIT_TABLES
PURPOSE = message("The shed's own limits and prices, changed in place and checked before they count.")

_SUBJECTS = {LIMITS: message("Limits"), PRICES: message("Prices")}
_PARTS = {
    "about": message("What the table is"),
    "known": message("How its values are known"),
    "sizes": message("Sizes by mass"),
    "classes": message("Classes, the best first"),
    "areas": message("Marked area up to which a fruit is in a class"),
    "wounds": message("Open wounds from this length on are out of every class"),
    "money": message("Currency and carton"),
    "grades": message("Grades and what a carton brings"),
    "cartons": message("Cartons of each crew"),
}


def prices_choice(visit: Visit) -> Prices | None:
    """The prices that the visitor wants to reckon with; None where the shed has none of its own."""
    words = visit.words
    folder = visit.desk.tables_folder
    there = tables_there(visit.person, folder)
    own = there[(there["subject"] == PRICES) & there["own"] & (there["trouble"] == "")]
    if own.empty:
        return None
    name = st.selectbox(words.text("Prices"), list(own["name"]), key="prices", width=320)
    return load_prices(path_of(folder, TableName(PRICES, name)))


def draw(visit: Visit) -> None:
    """Draw the page."""
    visit.person.must(RIGHT)
    words = visit.words
    there = tables_there(visit.person, visit.desk.tables_folder)
    subject = choose_one(words, words.text("About"), _SUBJECTS, key="subject")
    names = list(there.loc[there["subject"] == subject, "name"])
    labels = dict(zip(there["name"], there["label"], strict=True))
    name = st.selectbox(words.text("Table"), names, format_func=lambda one: labels[one] or one, key=f"table_{subject}")
    which = TableName(subject, name)
    try:
        table = as_frames(visit.person, visit.desk.tables_folder, which)
    except ScorerError as refusal:
        st.error(plain(words.told(str(refusal))))
        _steps(visit, which)
        return
    if not table.own:
        st.info(words.text("This table came with scorer and is never changed. Begin one of your own as its copy."))
    _begin(visit, which)
    _edit(visit, table)
    if table.own:
        _steps(visit, which, table)


def _begin(visit: Visit, which: TableName) -> None:
    words = visit.words
    with st.expander(words.text("Begin a table of your own"), icon=":material/content_copy:"):
        name = st.text_input(words.text("Its name: small letters, digits, - and _"), key="new_table", max_chars=40)
        if st.button(words.text("Copy it under this name"), disabled=not name.strip(), key="begin_table"):
            begin_own(visit.person, visit.desk.tables_folder, which, name.strip())
            st.session_state[f"table_{which.subject}"] = name.strip()
            st.rerun()


def _edit(visit: Visit, table: Editable) -> None:
    words = visit.words
    edited = {}
    for part, frame in table.frames.items():
        if frame.empty and not table.own:
            continue
        st.markdown(f"**{words.text(_PARTS[part])}**")
        key = f"edit_{table.which.subject}_{table.which.name}_{part}_{table.version}"
        edited[part] = st.data_editor(
            frame,
            key=key,
            num_rows="dynamic" if table.own and part not in ("about", "known", "money") else "fixed",
            disabled=not table.own,
            hide_index=True,
            column_config=_columns(visit, frame),
        )
    if not table.own:
        return
    why = st.text_input(words.text("Why is it changed?"), key="why_changed", max_chars=200)
    if st.button(words.text("Check and keep"), type="primary", key="keep_table"):
        version = changed(
            visit.person, visit.desk.tables_folder, table.which, {**table.frames, **edited}, why, basis=table.version
        )
        st.toast(words.text("Kept as version {version}.", version=version), icon=":material/check:")
        st.rerun()


def _columns(visit: Visit, frame: pd.DataFrame) -> dict[str, Any]:
    """Columns under the words of the page, units in brackets."""
    units = {"_g": "g", "_mm": "mm", "_cm2": "cm²"}
    config = {}
    for column in frame.columns:
        stem, unit = column, ""
        for ending, sign in units.items():
            if column.endswith(ending):
                stem, unit = column.removesuffix(ending), f" ({sign})"
        config[column] = st.column_config.Column(f"{visit.words.text(stem.replace('_', ' '))}{unit}")
    return config


def _steps(visit: Visit, which: TableName, table: Editable | None = None) -> None:
    """What was changed before, and the ways back and forth."""
    words, folder = visit.words, visit.desk.tables_folder
    past = history(visit.person, folder, which)
    basis = int(past["version"].iloc[0])
    back, forth = st.columns(2)
    can_undo = table is None or table.can_undo
    if back.button(words.text("Take the last change back"), disabled=not can_undo, icon=":material/undo:", key="undo"):
        undo(visit.person, folder, which, basis=basis)
        st.rerun()
    can_redo = table is not None and table.can_redo
    if forth.button(words.text("Put it again"), disabled=not can_redo, icon=":material/redo:", key="redo"):
        redo(visit.person, folder, which, basis=basis)
        st.rerun()
    with st.expander(words.text("Who changed what, and why"), icon=":material/history:"):
        for row in past.to_dict("records"):
            when = words.moment(visit.at_the_site(row["at"].to_pydatetime()))
            why = words.told(row["why"]) if row["did"] == BEGUN else row["why"]  # the one is ours, the other theirs
            st.markdown(
                f"**{row['version']}** · {when} · {plain(row['who'])} · {words.text(row['did'])}: "
                f"{plain(why)}  \n{plain(words.told(row['differences']))}"
            )
