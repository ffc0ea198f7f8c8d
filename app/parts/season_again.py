"""Score the season again by the model in use: what that would do, how far it is, and an end to it."""

from __future__ import annotations

from typing import Final

import streamlit as st

from app.parts.plain import plain
from app.visit import Visit
from scorer.access.roles import Right
from scorer.arrivals.rescoring import (
    RescoringAhead,
    RescoringState,
    ask_for_rescoring,
    rescoring_ahead,
    rescoring_state,
    stop_rescoring,
)

_LOOK_AGAIN_S: Final = 2.0
_MOST_FAILED: Final = 10


def season_again(visit: Visit, model_in_use: str) -> None:
    """Draw it for somebody who may put models to use.

    Parameters
    ----------
    model_in_use : what tells it from all others, by which figures are kept.
    """
    words, desk = visit.words, visit.desk
    st.header(words.text("Score the season again"))
    now = rescoring_state(visit.person, desk.settings.inbox_folder)
    goes_on = now is not None and now.goes_on
    if now is not None:
        st.fragment(_progress, run_every=_LOOK_AGAIN_S if goes_on else None)(visit, went_on=goes_on)
    if not goes_on:
        visit.person.must(Right.PROMOTE)
        _offer(visit, _ahead(visit, model_in_use, desk.season.stamp))


@st.cache_resource(show_spinner=False, max_entries=2)
def _ahead(_visit: Visit, model_in_use: str, stamp: object) -> RescoringAhead:
    """Counted once for each state of the season."""
    desk = _visit.desk
    return rescoring_ahead(_visit.person, desk.engine, desk.store, desk.shelf)


def _offer(visit: Visit, ahead: RescoringAhead) -> None:
    words = visit.words
    st.caption(
        words.text(
            "The scores that photos have now stay in the records, but figures go by the newest one. It is done while "
            "no new photo waits; each takes some seconds."
        )
    )
    lines = (
        words.language.counted(
            "{count} photo is not scored by the model in use.",
            "{count} photos are not scored by the model in use.",
            ahead.photos,
        ),
        words.language.counted(
            "{count} more is left out, for people have said something of it.",
            "{count} more are left out, for people have said something of them.",
            ahead.spoken_of,
        ),
        words.language.counted(
            "{count} cannot be scored again, for it is not kept here.",
            "{count} cannot be scored again, for they are not kept here.",
            ahead.not_kept,
        ),
    )
    counts = (ahead.photos, ahead.spoken_of, ahead.not_kept)
    shown = [line for place, (line, count) in enumerate(zip(lines, counts, strict=True)) if count or not place]
    st.markdown("\n".join(f"- {plain(line)}" for line in shown))
    also = st.checkbox(
        words.text("Also those that people have said something of; their words stay, but count no more"),
        key="also_spoken_of",
        disabled=not ahead.spoken_of,
    )
    nothing = not ahead.photos and not (also and ahead.spoken_of)
    if st.button(words.text("Score them again"), key="rescore", disabled=nothing, icon=":material/restart_alt:"):
        ask_for_rescoring(visit.person, visit.desk.settings.inbox_folder, also_spoken_of=also)
        st.rerun()


def _progress(visit: Visit, *, went_on: bool) -> None:
    """How far it is, looked up anew every other second while it goes on."""
    words, inbox = visit.words, visit.desk.settings.inbox_folder
    now = rescoring_state(visit.person, inbox)
    if now is None:
        return
    if went_on and not now.goes_on:
        st.rerun()  # it can be asked for again
    _said(visit, now)
    if now.goes_on and st.button(words.text("Stop it"), key="stop_rescoring", icon=":material/stop:"):
        stop_rescoring(visit.person, inbox)
        st.rerun()
    for sentence in list(now.failed.values())[:_MOST_FAILED]:
        st.markdown(f"- {plain(words.told(sentence))}")


def _said(visit: Visit, now: RescoringState) -> None:
    words = visit.words
    about = {"who": plain(now.asked_by), "when": words.moment(visit.at_the_site(now.asked_at))}
    if now.finished:
        done = words.language.counted("{count} photo was scored again", "{count} photos were scored again", now.done)
        st.success(words.text("{done}, as {who} asked on {when}.", done=done, **about), icon=":material/task_alt:")
    elif now.stopped_by is not None:
        st.info(words.text("{who} stopped it; what was scored again stays.", who=plain(now.stopped_by)))
    elif now.of:
        said = words.text("{done} of {all} scored again", done=now.done, all=now.of)
        st.progress(now.done / now.of, said)
    else:
        st.info(words.text("Asked for by {who} on {when}; it begins when no new photo waits.", **about))
