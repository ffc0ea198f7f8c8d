"""How far people agree in their labels, and where they differ, with pictures."""

from __future__ import annotations

import tempfile
from functools import partial
from pathlib import Path

import pandas as pd
import streamlit as st

from app.parts.plain import plain
from app.parts.saying import in_words, interval_of
from app.visit import Visit
from scorer.access.roles import Right
from scorer.agreement.disagreement_folder import Told, write_disagreements
from scorer.agreement.disagreements import disagreements
from scorer.agreement.kappa import NOTHING_AGAIN, agreement_table, same_person_again
from scorer.labels.labels import Labels
from scorer.labels.photos_there import photos_in_store
from scorer.labels.said_of_items import kinds_said, verdicts_said
from scorer.labels.scored_outlines import ScoredMasks
from scorer.language import message

MOST_PICTURES = 20
AGAIN_AFTER_DAYS = 7

_ABOUT = {"marks": message("Marks"), "verdicts": message("Verdicts on fruit")}


def label_agreement(visit: Visit, labels: Labels) -> None:
    """Draw both."""
    visit.person.must(Right.TRAIN)
    words = visit.words
    st.caption(
        words.text(
            "Kappa is agreement beyond chance: 1 is complete, 0 is what chance gives. The interval holds the truth 95 "
            "times of 100."
        )
    )
    masks = visit.desk.store
    said = _said(labels, masks, labels.sha256)
    for what, table in said.items():
        st.header(words.text(_ABOUT[what]))
        if table.empty:
            st.caption(words.text("Nobody has said anything of these."))
            continue
        between, again = _agreement(table, what, labels.sha256)
        _table(visit, between)
        if not again.empty:
            st.markdown(f"**{words.text('The same person a week later')}**")
            _table(visit, again)
    _differing(visit, labels, said, masks)


@st.cache_resource(show_spinner=False, max_entries=2)
def _said(_labels: Labels, _masks: ScoredMasks, of: str) -> dict[str, pd.DataFrame]:
    """What people said of marks and of fruit; worked out once for the same labels, for masks are opened for it."""
    return {"marks": kinds_said(_labels, _masks), "verdicts": verdicts_said(_labels)}


@st.cache_resource(show_spinner=False, max_entries=4)
def _agreement(_said: pd.DataFrame, what: str, of: str) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Between people, and of each with themselves; worked out once for the same labels."""
    again = same_person_again(_said, AGAIN_AFTER_DAYS)
    return agreement_table(_said), again[again["note"] != NOTHING_AGAIN]


def _table(visit: Visit, figures: pd.DataFrame) -> None:
    words = visit.words
    rows = [
        {
            words.text("Kind"): in_words(words, row["of"]),
            words.text("People"): plain(row["people"]),
            words.text("Kappa"): words.number(row["kappa"], decimals=2),
            words.text("Interval"): interval_of(words, row["low"], row["high"]),
            words.text("Judged by all"): words.number(row["items"]),
        }
        for row in figures.to_dict("records")
    ]
    st.table(pd.DataFrame(rows).set_index(words.text("Kind")))
    noted = figures[figures["note"] != ""]
    for people, note in noted[["people", "note"]].drop_duplicates().itertuples(index=False):
        of = noted.loc[(noted["people"] == people) & (noted["note"] == note), "of"]
        kinds = ", ".join(in_words(words, kind) for kind in of)
        st.markdown(f"- {plain(kinds)} ({plain(people)}): {plain(words.told(note))}")


def _differing(visit: Visit, labels: Labels, said: dict[str, pd.DataFrame], masks: ScoredMasks) -> None:
    words = visit.words
    number = sum(disagreements(table)["item"].nunique() for table in said.values() if not table.empty)
    st.header(words.text("Where people differ"))
    if not number:
        st.caption(words.text("There is nothing that people differ on."))
        return
    st.markdown(
        words.language.counted(
            "People differ on {count} mark or fruit.", "People differ on {count} marks or fruit.", number
        )
    )
    if not st.button(words.text("Show pictures of them"), key="draw_differing", icon=":material/compare:"):
        return
    desk = visit.desk
    shown = {sha256 for table in said.values() for sha256 in table["sha256"]}
    photos = photos_in_store(desk.engine, desk.store.photo_path, known=shown)
    names = {sha256: photo.name for sha256, photo in photos.items()}
    told = Told(tuple(said.values()), labels, photos, masks, names, partial(in_words, words))
    with st.spinner(words.text("Drawing")), tempfile.TemporaryDirectory() as folder:
        place = Path(folder) / "differing"
        index = write_disagreements(told, place, most=MOST_PICTURES, on_done=_pass)
        for item, own in index.groupby("item", sort=False):
            spoken = "; ".join(f"{row['who']}: {in_words(words, str(row['said']))}" for row in own.to_dict("records"))
            st.markdown(f"**{plain(str(item))}**  \n{plain(spoken)}")
            picture = str(own["picture"].iloc[0])
            if picture:
                st.image((place / picture).read_bytes(), alt=f"{item}, {spoken}")
            else:
                st.caption(words.text("The photo itself is not kept here."))


def _pass(_: str) -> None:
    """Nothing more is said of each picture."""
