"""Whether the newest photos look like those that the model in use has learned from."""

from __future__ import annotations

from pathlib import Path

import streamlit as st

from app.parts.plain import plain
from app.visit import Visit
from scorer.errors import ScorerError
from scorer.look_drift.batch_look import newest_batches
from scorer.look_drift.drift import LookDrift, drift_of_batch
from scorer.model_shelf.history import in_use
from scorer.resources import models_folder


def look_warning(visit: Visit) -> None:
    """Say it in a sentence; a warning where the look has moved, and nothing where no photo is scored."""
    words, desk = visit.words, visit.desk
    newest = newest_batches(desk.engine, newest=1)
    if not newest:
        return
    try:
        folder = desk.settings.model_folder or in_use(desk.shelf) or models_folder() / "marks"
        found = _drift(visit, folder, newest[0], desk.season.stamp)
    except ScorerError as refusal:
        st.warning(plain(words.told(str(refusal))))
        return
    if found.warning:
        st.warning(plain(words.told(found.warning)), icon=":material/visibility:")
    for note in found.notes:
        st.caption(plain(words.told(note)))


@st.cache_resource(show_spinner=False, max_entries=2)
def _drift(_visit: Visit, folder: Path, batch: int, stamp: object) -> LookDrift:
    """Worked out once for each state of the season: what the model has learned from is named by it anew."""
    return drift_of_batch(_visit.person, _visit.desk.engine, folder, batch)
