"""Labels: which there are, more from a file, how far people agree, what to label next, and a model fitted on them."""

from __future__ import annotations

from datetime import datetime, time
from zoneinfo import ZoneInfo

import streamlit as st

from app.parts.choice import choose_one
from app.parts.label_agreement import label_agreement
from app.parts.label_next import doubtful_labels, fruit_to_label
from app.parts.model_fitting import fit_a_model
from app.parts.plain import plain
from app.parts.saying import in_words
from app.visit import Visit
from scorer.access.roles import Right
from scorer.labels.counts import counts_by_kind, counts_by_person
from scorer.labels.keep import labels_of
from scorer.labels.labels import Labels
from scorer.labels.take_in import COCO_ENDING, LIST_ENDING, take_in
from scorer.language import message

TITLE = message("Labels")
ICON = ":material/label:"
ADDRESS = "labels"
RIGHT = Right.TRAIN
PURPOSE = message("What people said of marks and fruit, how far they agree, and models fitted on it.")

LARGEST_MB = 50
_PARTS = {
    "there": message("What there is"),
    "take": message("Take in a file"),
    "agree": message("Agreement"),
    "next": message("Label next"),
    "fit": message("Fit a model"),
}
_TAKEN = "labels_taken"


def draw(visit: Visit) -> None:
    """Draw the page."""
    visit.person.must(RIGHT)
    words = visit.words
    part = choose_one(words, words.text("What of the labels"), _PARTS, key="labels_part")
    if part == "take":
        _take_in(visit)
        return
    if part == "fit":
        fit_a_model(visit)
        return
    labels = labels_of(visit.desk.engine)
    match part:
        case "next":
            fruit_to_label(visit, labels)
            doubtful_labels(visit, labels)
        case "there":
            _there(visit, labels)
        case "agree":
            if _some(visit, labels):
                label_agreement(visit, labels)


def _some(visit: Visit, labels: Labels) -> bool:
    """Whether there are any labels, and a word on what to do if there are none."""
    if len(labels):
        return True
    st.info(
        visit.words.text(
            "Nobody has labelled anything yet: say what marks are on Look at a tray, or take in a file of labels."
        )
    )
    return False


def _there(visit: Visit, labels: Labels) -> None:
    words = visit.words
    if not _some(visit, labels):
        return
    st.caption(words.text("Each person's last word on a thing counts once; two people's words on it stay two."))
    columns = {
        "who": words.text("Person"),
        "photos": words.text("Photos looked at whole"),
        "outlines": words.text("Outlines"),
        "verdicts": words.text("Verdicts on fruit"),
        "words": words.text("Words on scored marks"),
    }
    people = counts_by_person(labels)
    st.table(people.assign(who=people["who"].map(plain)).rename(columns=columns).set_index(columns["who"]))
    kinds = counts_by_kind(labels)
    if not kinds.empty:
        columns["kind"] = words.text("Kind")
        kinds = kinds.assign(kind=[in_words(words, kind) for kind in kinds["kind"]])
        st.table(kinds.rename(columns=columns).set_index(columns["kind"]))


def _take_in(visit: Visit) -> None:
    words = visit.words
    st.caption(
        words.text(
            "A COCO file of any annotation program (.json) or a list of fruit verdicts (.csv). Its photos must have "
            "been handed in here. Nothing is kept of a file that is wrong, and the same file twice adds nothing."
        )
    )
    for sentence in st.session_state.pop(_TAKEN, []):
        st.success(plain(words.told(sentence)), icon=":material/task_alt:")
    with st.form("take_in", border=True, clear_on_submit=True):
        sent = st.file_uploader(
            words.text("File of labels"),
            [COCO_ENDING.lstrip("."), LIST_ENDING.lstrip(".")],
            key="label_file",
            max_upload_size=LARGEST_MB,
        )
        who = st.text_input(words.text("Who labelled, if the file does not tell"), key="labelled_by", max_chars=100)
        day = st.date_input(words.text("On which day, if the file does not tell"), value=None, key="labelled_on")
        if not st.form_submit_button(words.text("Take it in"), type="primary"):
            return
    if sent is None:
        st.info(words.text("Choose a file first."))
        return
    zone = ZoneInfo(visit.desk.settings.zone)
    label_file, kept = take_in(
        visit.person,
        visit.desk.engine,
        visit.desk.store.photo_path,
        sent.name,
        sent.getvalue(),
        who=who.strip() or None,
        said_at=datetime.combine(day, time(), zone) if day else None,
        zone=zone,
    )
    if kept.known:
        said = words.text("This file is known already; nothing was added.")
    else:
        said = words.text(
            "Kept: {photos} photos looked at whole, {outlines} outlines, {verdicts} verdicts.",
            photos=kept.photos,
            outlines=kept.outlines,
            verdicts=kept.verdicts,
        )
    st.session_state[_TAKEN] = [said, *label_file.notes]
    st.rerun()
