"""Where a look teaches most: the fruit to label next, and labels that are likely errors."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd
import streamlit as st

from app.parts.plain import plain
from app.parts.saying import in_words
from app.parts.tray_links import look_at_tray
from app.visit import Visit
from scorer.access.roles import Right
from scorer.labels.labels import Labels
from scorer.labels.photos_there import PhotoThere, photos_in_store
from scorer.language import message
from scorer.model_shelf.doubtful_proposals import doubtful_proposals
from scorer.model_shelf.site_model import Wishes, shipped_base, site_trays
from scorer.model_shelf.which_next import which_next
from scorer.records.photos import find_photos

MOST_SHOWN = 20
_NEXT, _DOUBTED = "fruit_to_label", "labels_doubted"
_LOOKING = message("Looking at the photos; that takes some seconds for each")


def fruit_to_label(visit: Visit, labels: Labels) -> None:
    """The fruit that the model in use is least sure of, each with a way to its tray."""
    visit.person.must(Right.TRAIN)
    words = visit.words
    st.caption(
        words.text(
            "The model in use is least sure of these, so a word on their marks teaches most; at most four of a tray."
        )
    )
    number = st.number_input(words.text("Newest photos to look through"), 1, 200, 10, 5, key="next_photos", width=320)
    if st.button(words.text("Find fruit to label"), type="primary", key="find_next"):
        newest = find_photos(visit.person, visit.desk.engine, most=int(number))
        photos = photos_in_store(visit.desk.engine, visit.desk.store.photo_path, known=set(newest["sha256"]))
        with st.spinner(words.text(_LOOKING)):
            found = which_next(visit.desk.shelf, labels, photos, MOST_SHOWN)
        st.session_state[_NEXT] = _called(found, photos)
    listed = st.session_state.get(_NEXT)
    if listed is None:
        return
    if listed.empty:
        st.info(words.text("No fruit is left to label on these photos."))
    for row in listed.to_dict("records"):
        between = words.text("between {kinds}", kinds=_kinds(visit, row["between"]))
        _row(visit, row, between)


def doubtful_labels(visit: Visit, labels: Labels) -> None:
    """Labels that a model doubts which had not learned from their trays, each with a way to its tray."""
    visit.person.must(Right.TRAIN)
    words = visit.words
    st.header(words.text("Labels that are likely errors"))
    st.caption(words.text("For a second look. Nothing is left out of what is learned from."))
    if st.button(words.text("Find doubtful labels; it takes minutes"), key="find_doubted"):
        newest = labels.newest()
        tables = (newest.photos, newest.outlines, newest.verdicts, newest.named)
        known = {str(sha256) for table in tables for sha256 in table["sha256"]}
        photos = photos_in_store(visit.desk.engine, visit.desk.store.photo_path, known=known)
        with st.spinner(words.text(_LOOKING)):
            base = shipped_base()
            found = doubtful_proposals(site_trays(newest, photos, base, None, Wishes()), base)
        st.session_state[_DOUBTED] = _called(found.head(MOST_SHOWN), photos)
    doubted = st.session_state.get(_DOUBTED)
    if doubted is None:
        return
    if doubted.empty:
        st.success(words.text("No label is doubted."), icon=":material/task_alt:")
    for row in doubted.to_dict("records"):
        said = words.text(
            "{who} said {label}; likelier is {suggested}",
            who=row["who"],
            label=in_words(words, row["label"]),
            suggested=in_words(words, str(row["suggested"])),
        )
        _row(visit, row, said)


def _called(rows: pd.DataFrame, photos: Mapping[str, PhotoThere]) -> pd.DataFrame:
    """Rows with what their photos are called."""
    return rows.assign(photo=[photos[sha256].name if sha256 in photos else sha256[:12] for sha256 in rows["tray"]])


def _kinds(visit: Visit, between: str) -> str:
    """The two kinds that a mark stands between, which the library gives with a comma."""
    return ", ".join(in_words(visit.words, kind) for kind in between.split(", "))


def _row(visit: Visit, row: Mapping[object, object], said: str) -> None:
    with st.container(border=True, horizontal=True, vertical_alignment="center"):
        fruit = visit.words.text("Fruit {number}", number=row["fruit"])
        st.markdown(f"**{plain(str(row['photo']))}**, {fruit}  \n{plain(said)}")
        if visit.desk.store.photo_path(str(row["tray"])) is not None:
            look_at_tray(visit, str(row["tray"]))
