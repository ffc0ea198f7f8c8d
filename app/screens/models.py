"""Models: which there are, how good each was found to be, which is in use, and to change that and back."""

from __future__ import annotations

import pandas as pd
import streamlit as st

from app.parts.look_warning import look_warning
from app.parts.model_figures import about_model, model_figures, whole_card
from app.parts.plain import plain
from app.parts.season_again import season_again
from app.visit import Visit
from scorer.access.roles import Right
from scorer.errors import ScorerError
from scorer.language import message
from scorer.model_shelf.history import history_of, in_use, promote, rollback, step_in_use
from scorer.model_shelf.shelf import SHIPPED, KeptModel, kept_models
from scorer.records.inventory import models_used

TITLE = message("Models")
ICON = ":material/neurology:"
ADDRESS = "models"
RIGHT = Right.TRAIN
PURPOSE = message("Which models there are, how good each was found to be, and which of them scores photos.")

_SHIPPED = message("the model that comes with scorer")
_LONGEST_REASON = 200


def draw(visit: Visit) -> None:
    """Draw the page."""
    visit.person.must(RIGHT)
    words = visit.words
    kept = kept_models(visit.desk.shelf)
    used = _in_use(visit, kept)
    sound = _is_sound(visit)
    if sound:
        look_warning(visit)
    _scored_by(visit, kept)
    st.header(words.text("Models that are there"))
    _list(visit, kept, used)
    whole = [model for model in kept if not model.trouble]
    names = [model.name for model in whole]
    name = st.selectbox(
        words.text("Model"),
        names,
        index=names.index(used) if used in names else 0,
        key="model",
        format_func=lambda one: _name(visit, one),
        width=480,
    )
    chosen = next(model for model in whole if model.name == name)
    st.header(words.text("Card of the model"))
    about_model(words, chosen.card)
    model_figures(words, chosen.card)
    whole_card(words, chosen.card)
    if visit.person.may(Right.PROMOTE):
        _change(visit, chosen, used)
    _history(visit)
    if sound and visit.person.may(Right.PROMOTE) and visit.desk.settings.model_folder is None:
        season_again(visit, used)


def _in_use(visit: Visit, kept: list[KeptModel]) -> str:
    """Name of the model in use."""
    words, shelf = visit.words, visit.desk.shelf
    step = step_in_use(shelf)
    used = step.name if step else SHIPPED
    sha256 = next((model.sha256 for model in kept if model.name == used), "")
    st.markdown(f"**{words.text('In use')}**: {plain(_name(visit, used))} `{sha256[:12]}`")
    if visit.desk.settings.model_folder is not None:
        st.info(
            words.text(
                "These pages were started with a model of their own, {name}, which scores photos until they are "
                "started without.",
                name=plain(visit.desk.settings.model_folder.name),
            )
        )
    return used


def _is_sound(visit: Visit) -> bool:
    """Whether the model in use can be used, and a word on why if it cannot."""
    try:
        in_use(visit.desk.shelf)
    except ScorerError as refusal:
        st.error(plain(visit.words.told(str(refusal))), icon=":material/report:")
        return False
    return True


def _name(visit: Visit, name: str) -> str:
    return visit.words.text(_SHIPPED) if name == SHIPPED else name


def _scored_by(visit: Visit, kept: list[KeptModel]) -> None:
    words = visit.words
    names = {model.sha256: _name(visit, model.name) for model in kept if model.sha256}
    used = models_used(visit.desk.engine)
    if used.empty:
        st.info(words.text("No model has scored a photo yet."))
    for row in used.to_dict("records"):
        first = words.moment(visit.at_the_site(row["first_used_at"]))
        scores = words.language.counted("{count} score", "{count} scores", row["scores"])
        decisions = words.language.counted("{count} decision", "{count} decisions", row["decisions"])
        name = plain(names.get(row["model"], words.text("a model that is not here")))
        since = words.text("since {when}", when=first)
        st.markdown(f"- {name} `{row['model'][:12]}` · {since} · {scores} · {decisions}")


def _list(visit: Visit, kept: list[KeptModel], used: str) -> None:
    words = visit.words
    rows = [
        {
            words.text("Model"): plain(_name(visit, model.name)),
            words.text("Made on"): plain(model.made_on),
            words.text("Trained on"): plain(words.told(str(model.card.get("trained_on", "")))),
            words.text("State"): _state(visit, model, used),
        }
        for model in kept
    ]
    st.table(pd.DataFrame(rows).set_index(words.text("Model")))
    for model in kept:
        if model.trouble:
            st.warning(plain(words.told(model.trouble)))
    if used not in {model.name for model in kept}:
        said = words.text(
            "{name} is to be used, but is not there any more; restore its folder or roll back.", name=used
        )
        st.error(plain(said))


def _state(visit: Visit, model: KeptModel, used: str) -> str:
    if model.trouble:
        return visit.words.text("cannot be loaded")
    return visit.words.text("in use") if model.name == used else visit.words.text("not in use")


def _change(visit: Visit, chosen: KeptModel, used: str) -> None:
    """Put the chosen model to use, or take the one in use back."""
    words, shelf = visit.words, visit.desk.shelf
    st.header(words.text("Change the model in use"))
    st.caption(
        words.text(
            "It scores photos that are handed in from then on. Scores made before stay, and name the model they are of."
        )
    )
    why = st.text_input(words.text("Why?"), key="why_model", max_chars=_LONGEST_REASON)
    forth, back = st.columns(2)
    name = plain(_name(visit, chosen.name))
    label = words.text("Put {name} to use", name=name)
    if forth.button(label, type="primary", disabled=chosen.name == used, key="promote", width="stretch"):
        promote(visit.person, shelf, chosen.name, why)
        st.toast(words.text("{name} is in use from now on.", name=name), icon=":material/check:")
        st.rerun()
    nothing = step_in_use(shelf) is None
    label = words.text("Back to the model before")
    if back.button(label, disabled=nothing, icon=":material/undo:", key="rollback", width="stretch"):
        step = rollback(visit.person, shelf, why)
        st.session_state.pop("model", None)
        st.toast(words.text("{name} is in use again.", name=plain(_name(visit, step.name))), icon=":material/check:")
        st.rerun()


def _history(visit: Visit) -> None:
    words = visit.words
    steps = history_of(visit.desk.shelf)
    with st.expander(words.text("Who changed the model, and why"), icon=":material/history:"):
        if steps.empty:
            st.caption(words.text("Nobody yet: the model that comes with scorer was in use all the time."))
        for row in steps.to_dict("records"):
            when = words.moment(visit.at_the_site(row["at"].to_pydatetime()))
            name = plain(_name(visit, row["name"]))
            st.markdown(
                f"**{row['number']}** · {when} · {plain(row['who'])} · {words.text(row['did'])}: {name}  \n"
                f"{plain(row['why'])}"
            )
            if row["comparison"]:
                st.caption(plain(words.told(row["comparison"])))
