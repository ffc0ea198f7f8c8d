"""Models: which ones scored the season, what each was fitted on and how good it was found to be."""

from __future__ import annotations

import json

import streamlit as st

from app.parts.plain import plain
from app.visit import Visit
from scorer.access.roles import Right
from scorer.kinds import load_model
from scorer.language import message
from scorer.records.inventory import models_used

TITLE = message("Models")
ICON = ":material/neurology:"
ADDRESS = "models"
RIGHT = Right.TRAIN
PURPOSE = message("Which models scored the season, and how good each was found to be.")


def draw(visit: Visit) -> None:
    """Draw the page."""
    visit.person.must(RIGHT)
    words = visit.words
    model = load_model(visit.desk.settings.model_folder)
    st.markdown(f"**{words.text('In use')}**: `{model.sha256[:12]}`")
    used = models_used(visit.desk.engine)
    if used.empty:
        st.info(words.text("No model has scored a photo yet."))
    for row in used.to_dict("records"):
        first = words.moment(visit.at_the_site(row["first_used_at"]))
        scores = words.language.counted("{count} score", "{count} scores", row["scores"])
        decisions = words.language.counted("{count} decision", "{count} decisions", row["decisions"])
        st.markdown(f"- `{row['model'][:12]}` · {words.text('since {when}', when=first)} · {scores} · {decisions}")
    st.header(words.text("Card of the model in use"))
    for name, value in model.card.items():
        if isinstance(value, str | int | float):
            shown = words.number(value, decimals=2) if isinstance(value, float) else words.told(str(value))
            st.markdown(f"**{plain(words.text(name.replace('_', ' ')))}**: {plain(shown)}")
    with st.expander(words.text("The whole card")):
        st.code(json.dumps(dict(model.card), ensure_ascii=False, indent=1), language=None, wrap_lines=True)
