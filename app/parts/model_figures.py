"""What a model's card says of it: where it comes from, how good it was found to be, and the whole card to read."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

import pandas as pd
import streamlit as st

from app.parts.plain import plain
from app.parts.saying import in_words, interval_of
from app.words import Words
from scorer.charts.reliability import said_against_true
from scorer.language import message
from scorer.model_card import card_text
from scorer.model_shelf.card_figures import (
    KIND_FIGURES,
    compared_with_shipped,
    is_found_worse,
    kind_figures,
    reliability,
    whole_figures,
)

_ABOUT: Final = {
    "made_on": message("made on"),
    "trained_on": message("trained on"),
    "trays": message("trays"),
    "limits_of_use": message("limits of use"),
}
_FIGURES: Final = {
    "f1": message("F1"),
    "precision": message("precision"),
    "recall": message("recall"),
    "verdicts_right": message("verdicts that are right"),
    "verdicts_that_differ": message("verdicts that differ"),
    "brown_error_mm2": message("error of a fruit's brown area, mm²"),
}
_HEADING: Final = "##"
"""Put before the card's own headings, which would be the page's."""


def about_model(words: Words, card: Mapping[str, Any]) -> None:
    """Where a model comes from, and what it must not be used for."""
    for name, label in _ABOUT.items():
        if name in card:
            st.markdown(f"**{plain(words.text(label))}**: {plain(words.told(str(card[name])))}")


def model_figures(words: Words, card: Mapping[str, Any]) -> None:
    """How good a model was found to be on labels that it had not seen."""
    said = compared_with_shipped(card)
    if said:
        show = st.warning if is_found_worse(card) else st.info
        show(plain(words.told(said)))
    whole, kinds, points = whole_figures(card), kind_figures(card), reliability(card)
    if whole.empty and kinds.empty and points.empty:
        st.caption(words.text("The card holds no figures on this shed's own labels."))
        return
    st.caption(
        words.text("Each figure is of trays that the model had not learned from, with its 95 % interval over trays.")
    )
    if not whole.empty:
        _whole(words, whole)
    if not kinds.empty:
        _kinds(words, kinds)
    if not points.empty:
        _reliability(words, points)


def whole_card(words: Words, card: Mapping[str, Any]) -> None:
    """The whole card, folded in."""
    with st.expander(words.text("The whole card"), icon=":material/article:"):
        lines = card_text(card).replace("$", r"\$").replace(":", r"\:").splitlines()
        shown = "\n".join(f"{_HEADING}{line}" if line.startswith("#") else line for line in lines)
        st.download_button(
            words.text("Card (Markdown)"), card_text(card), "card.md", "text/markdown", on_click="ignore"
        )
        st.markdown(shown)


def _whole(words: Words, figures: pd.DataFrame) -> None:
    models = {False: words.text("This model"), True: words.text("The shipped model")}
    rows = [
        {
            words.text("Figure"): plain(words.text(_FIGURES[row["figure"]])),
            words.text("Model"): models[row["of_shipped"]],
            words.text("Value"): words.number(row["value"], decimals=3),
            words.text("Interval"): interval_of(words, row["low"], row["high"], 3),
        }
        for row in figures.to_dict("records")
    ]
    st.table(pd.DataFrame(rows).set_index(words.text("Figure")))


def _kinds(words: Words, kinds: pd.DataFrame) -> None:
    st.markdown(f"**{words.text('Kinds of marks')}**")
    rows = []
    for row in kinds.to_dict("records"):
        figures = {
            words.text(_FIGURES[name]): f"{words.number(row[f'{name}_value'], decimals=2)} "
            f"({interval_of(words, row[f'{name}_low'], row[f'{name}_high'])})"
            for name in KIND_FIGURES
        }
        counted = {words.text("Marks"): words.number(row["n"])}
        rows.append({words.text("Kind"): in_words(words, row["kind"])} | counted | figures)
    st.table(pd.DataFrame(rows).set_index(words.text("Kind")))


def _reliability(words: Words, points: pd.DataFrame) -> None:
    st.markdown(f"**{words.text('Whether its probabilities hold')}**")
    st.caption(
        words.text(
            "A point is of marks that the model found about as probable, with their number. On the dashed line it says "
            "what is true; below it, it is too sure."
        )
    )
    told = ", ".join(
        words.text("said {said}, true {true}", said=words.percent(said), true=words.percent(true))
        for said, true in zip(points["said"], points["true"], strict=True)
    )
    st.altair_chart(said_against_true(points, words.text), theme=None, alt=told)
