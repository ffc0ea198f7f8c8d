"""The words of the pages in the visitor's language, and numbers with their units."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Final

import pandas as pd
import streamlit as st

from scorer.errors import LanguageError
from scorer.language import SOURCE_LANGUAGE, Language, available_languages, load_language

LANGUAGE_NAMES: Final = {"en": "English", "es": "Español"}
NOT_KNOWN: Final = "–"
_CHOSEN: Final = "language"


@dataclass(frozen=True)
class Words:
    """What a page says.

    Parameters
    ----------
    language : that it says it in.
    """

    language: Language

    def text(self, message: str, /, **values: object) -> str:
        """Translate a source text; see ``Language.text``."""
        return self.language.text(message, **values)

    def told(self, sentence: str) -> str:
        """Translate a sentence that the library put together, as far as the catalogue knows its pattern."""
        return self.language.told(sentence)

    def percent(self, share: float | None) -> str:
        """A share of 0 to 1 in percent, with a decimal below ten."""
        if share is None or pd.isna(share):
            return NOT_KNOWN
        return self.language.percent(share, 1 if share < 0.1 else 0)

    def interval(self, low: float, high: float) -> str:
        """Both ends of an interval of shares."""
        if pd.isna(low) or pd.isna(high):
            return NOT_KNOWN
        return self.text("{low} to {high}", low=self.percent(low), high=self.percent(high))

    def points(self, difference: float) -> str:
        """A difference of two shares in percentage points, with its sign."""
        if pd.isna(difference):
            return NOT_KNOWN
        sign = "+" if difference > 0 else "−" if difference < 0 else ""
        return f"{sign}{self.language.number(abs(100 * difference), 1)}"

    def number(self, value: float | None, unit: str = "", decimals: int = 0) -> str:
        """A number with its unit."""
        if value is None or pd.isna(value):
            return NOT_KNOWN
        return f"{self.language.number(value, decimals)} {unit}".rstrip()

    def moment(self, moment: datetime | None) -> str:
        """A day and time by the site's clock."""
        if moment is None or pd.isna(moment):
            return NOT_KNOWN
        return f"{self.language.day(moment.date())}, {self.language.clock(moment.time())}"


def chosen_words() -> Words:
    """The words in the language that the visitor chose, or else that their browser asks for."""
    return Words(load_language(st.session_state.get(_CHOSEN) or _asked_for()))


def language_choice() -> None:
    """Let the visitor choose a language."""
    codes = [code for code in available_languages() if code in LANGUAGE_NAMES]
    st.session_state.setdefault(_CHOSEN, _asked_for())
    st.segmented_control("Language / Idioma", codes, key=_CHOSEN, required=True, format_func=LANGUAGE_NAMES.__getitem__)


def _asked_for() -> str:
    try:
        asked = (st.context.locale or SOURCE_LANGUAGE).replace("-", "_").split("_")[0].lower()
        return asked if asked in LANGUAGE_NAMES and load_language(asked) else SOURCE_LANGUAGE
    except LanguageError:
        return SOURCE_LANGUAGE
