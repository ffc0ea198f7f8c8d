"""Fit a model on the labels, in the background: what is wished for, how it is getting on, and what came out."""

from __future__ import annotations

from typing import Final

import streamlit as st

from app.parts.plain import plain
from app.visit import Visit
from scorer.fitting_process import DIED, FINISHED, REFUSED, RUNNING, STOPPED, Fitting, start, state, stop
from scorer.language import message
from scorer.model_shelf.site_model import DRAWN_TRAYS, Wishes

_LOOK_AGAIN_S: Final = 2.0
_STATES: Final = {
    RUNNING: message("{name} is being fitted for {who}, since {when}."),
    FINISHED: message("{name} is fitted, and lies on the page Models; it is not in use yet."),
    REFUSED: message("{name} was not fitted."),
    STOPPED: message("The fitting of {name} was stopped; nothing of it was kept."),
    DIED: message("The process that fitted {name} died; nothing of it was kept. Begin it again."),
}


def fit_a_model(visit: Visit) -> None:
    """Draw the wishes, and how the newest fit is getting on."""
    words, records = visit.words, visit.desk.settings.records_url
    now = state(visit.person, records)
    running = now is not None and now.state == RUNNING
    st.caption(
        words.text(
            "A model is fitted on all labels, starting from the shipped one, and tried on trays that it has not seen. "
            "That takes minutes; the page may be left meanwhile. It learns from trays "
            "drawn to look like yours as well, so that a few labels go further."
        )
    )
    with st.form("fit_model", border=True):
        name = st.text_input(words.text("Name of the model"), key="fit_name", max_chars=40, disabled=running)
        wanted = st.number_input(
            words.text("Named marks that may have the wrong kind, %; empty keeps the shipped limit"),
            0.5,
            50.0,
            None,
            0.5,
            key="fit_error",
            disabled=running,
        )
        thresholds = st.checkbox(
            words.text("Fit the detector's thresholds too, for skin that it sees little on; takes longer"),
            key="fit_thresholds",
            disabled=running,
        )
        drawn = st.number_input(
            words.text("Trays to draw that look like yours; each takes seconds, 0 draws none"),
            0,
            400,
            DRAWN_TRAYS,
            20,
            key="fit_drawn",
            disabled=running,
        )
        if st.form_submit_button(words.text("Fit the model"), type="primary", disabled=running):
            wishes = Wishes(
                wanted_error=None if wanted is None else wanted / 100,
                thresholds=thresholds,
                limits=visit.desk.settings.limits,
                drawn_trays=drawn,
            )
            start(visit.person, records, name, wishes)
            st.rerun()
    if now is not None:
        st.fragment(_progress, run_every=_LOOK_AGAIN_S if running else None)(visit, was_running=running)


def _progress(visit: Visit, *, was_running: bool) -> None:
    """How the newest fit is getting on, looked up anew every other second while it runs."""
    words, records = visit.words, visit.desk.settings.records_url
    now = state(visit.person, records)
    if now is None:
        return
    if was_running and now.state != RUNNING:
        st.rerun()  # the wishes are open again
    _said(visit, now)
    if now.state == RUNNING and st.button(words.text("Stop it"), key="stop_fit", icon=":material/stop:"):
        with st.spinner(words.text("Stopping")):
            stop(visit.person, records)
        st.rerun()
    if now.lines:
        with st.expander(words.text("What it said"), icon=":material/terminal:"):
            st.code("\n".join(now.lines), language=None, wrap_lines=True)


def _said(visit: Visit, now: Fitting) -> None:
    words = visit.words
    when = words.moment(visit.at_the_site(now.began_at))
    sentence = words.text(_STATES[now.state], name=plain(now.name), who=plain(now.who), when=when)
    show = {RUNNING: st.info, FINISHED: st.success, STOPPED: st.info}.get(now.state, st.warning)
    show(sentence)
    if now.said:
        st.markdown(plain(words.told(now.said)))
