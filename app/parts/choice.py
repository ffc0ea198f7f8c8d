"""Choose one of a few at a tap: the questions of a page, or what of it is shown."""

from __future__ import annotations

from collections.abc import Mapping

import streamlit as st

from app.words import Words


def choose_one(words: Words, label: str, options: Mapping[str, str], *, key: str, label_in_sight: bool = False) -> str:
    """The name of the option that is chosen: the first one until another is tapped, and never none.

    Parameters
    ----------
    label : what is chosen, in the visitor's language; read out by screen readers even where it is not in sight.
    options : names and their source texts.
    key : of the choice among those of all pages.
    label_in_sight : whether the label stands above the options.
    """
    return st.segmented_control(
        label,
        list(options),
        default=next(iter(options)),
        required=True,
        key=key,
        format_func=lambda name: words.text(options[name]),
        label_visibility="visible" if label_in_sight else "collapsed",
    )
