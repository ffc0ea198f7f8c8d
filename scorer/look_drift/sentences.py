"""What is said of a batch's look: a warning, or why there is none."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from scorer.language import message

MOST_NAMED: Final = 3
"""Measures that a warning names; the table has them all."""
BROWN_WORDS: Final = message("brown share of a fruit")
NO_REFERENCE: Final = message(
    "This model keeps nothing of what it has learned from, so nobody can tell whether a batch looks like it. "
    "Fit the model anew with this version of scorer."
)
"""What is said of a model that there is no reference of."""
MORE_BROWN: Final = message(
    "Fruit of this batch have more brown skin than those that the model has learned from. "
    "That may be the fruit themselves, so it is no warning."
)
LESS_BROWN: Final = message(
    "Fruit of this batch have less brown skin than those that the model has learned from. "
    "That may be the fruit themselves, so it is no warning."
)


def measure_in_words(measure: str) -> str:
    """A measure's name as the pages show it, to be translated there."""
    return BROWN_WORDS if measure == "brown_fraction" else measure.replace("_", " ")


def moved_sentence(moved: Sequence[str], total: int) -> str:
    """The warning.

    Parameters
    ----------
    moved : measures, those that moved most first; at least one.
    total : measures that were looked at.
    """
    named = ", ".join(measure_in_words(measure) for measure in moved[:MOST_NAMED])
    return (
        f"Photos of this batch look unlike what the model has learned from, in {len(moved)} of {total} measures, "
        f"most of all {named}. Check 20 marks by eye, label some, and fit a model to them by `scorer train`."
    )


def alike_sentence(total: int) -> str:
    """That nothing moved."""
    return f"Photos of this batch look like what the model has learned from, in all {total} measures."


def too_few_sentence(marks: int, photos: int, least_marks: int, least_photos: int) -> str:
    """That a batch is too small to tell."""
    return (
        f"There are {marks} marks of known kind on {photos} photos, too few to tell whether the look has moved; "
        f"that takes {least_marks} marks on {least_photos} photos."
    )


def kinds_left_out_sentence(kinds: Sequence[str]) -> str:
    """That some kinds are not looked at."""
    words = ", ".join(kind.replace("_", " ") for kind in kinds)
    return f"The model has learned from too few marks of some kinds to hold others against them: {words}."


def other_model_sentence(model: str) -> str:
    """That the marks are another model's."""
    return f"This batch was scored by another model, {model}, which finds and names marks in its own way."
