"""What people say of marks and fruit, and what models say, in the page's language."""

from __future__ import annotations

from typing import Final

from app.words import NOT_KNOWN, Words
from scorer.advice.kind_words import MARK_WORDS
from scorer.agreement.kappa import ALL_KINDS
from scorer.kinds import NOT_A_MARK
from scorer.labels.said_of_items import DOWNGRADED, SOUND
from scorer.language import message
from scorer.records.tables import WHOLE_FRUIT
from scorer.records.words_in_force import NOT_A_MARK as SAID_NOT_A_MARK

_WORDS: Final = {
    **MARK_WORDS,
    NOT_A_MARK: message("Not a mark"),
    SAID_NOT_A_MARK: message("Not a mark"),
    DOWNGRADED: message("Downgraded"),
    SOUND: message("Not downgraded"),
    WHOLE_FRUIT: message("Fruit"),
    ALL_KINDS: ALL_KINDS,
}


def in_words(words: Words, said: str) -> str:
    """A kind, a verdict, all kinds, or which mark or fruit of a photo; what is not known stays as it is."""
    return words.text(_WORDS[said]) if said in _WORDS else words.told(said.replace("_", " "))


def interval_of(words: Words, low: float | None, high: float | None, decimals: int = 2) -> str:
    """Both ends of an interval of plain numbers."""
    ends = [words.number(end, decimals=decimals) for end in (low, high)]
    return NOT_KNOWN if NOT_KNOWN in ends else words.text("{low} to {high}", low=ends[0], high=ends[1])
