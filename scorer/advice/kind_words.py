"""The kinds of marks in the trade's words, as source texts for the catalogues."""

from __future__ import annotations

from typing import Final

from scorer.language import message
from scorer.score_tables import UNSURE

KIND_WORDS: Final = {
    "sap_burn": message("sap burn"),
    "abrasion": message("abrasion"),
    "cut": message("cuts"),
    "stem_puncture": message("stem punctures"),
    "crease": message("creases"),
    UNSURE: message("marks that nobody could name"),
}
"""What a kind of damage is called within a sentence."""

MARK_WORDS: Final = {
    "sap_burn": message("Sap burn"),
    "abrasion": message("Abrasion"),
    "cut": message("Cut"),
    "stem_puncture": message("Stem puncture"),
    "crease": message("Crease"),
    UNSURE: message("Unnamed mark"),
}
"""What stands under the picture of one mark."""
