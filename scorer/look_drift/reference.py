"""What a model has learned from, as its folder keeps it: the measures of its training marks, and its brown fruit."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from scorer.errors import ModelError
from scorer.kinds import CARD_FILE, CLASSES, NOT_A_MARK, load_model, name_marks
from scorer.marks.measure import MEASURES
from scorer.score_tables import UNSURE
from scorer.training.model_folder import BROWN_QUANTILES, TRAINING_FILE, learned_from

Floats = NDArray[np.float64]

BROWN_FRACTIONS: Final = "brown_fractions"
"""The card's entry with the brown fractions of the training fruit."""
BROWN_LEVELS: Final = np.array(BROWN_QUANTILES)
"""The quantiles of which that entry gives the brown fractions."""


@dataclass(frozen=True)
class Reference:
    """What a batch's look is held against.

    Parameters
    ----------
    marks : one row per training proposal that the model itself takes for a mark of a kind: MEASURES (float64), kind
        (one of KINDS, as the model says) and photo (the training tray).
    brown_fractions : (21,) brown fractions of the training fruit at BROWN_LEVELS, rising; None where the card has none.
    fruit : training fruit, as the card counts them; without that, those with anything proposed on them.
    model_sha256 : the model's, as scores name it.
    """

    marks: pd.DataFrame
    brown_fractions: Floats | None
    fruit: int
    model_sha256: str


def reference_of(folder: Path) -> Reference | None:
    """What the model in a folder has learned from; None where it keeps none of it.

    Training marks are named by the model anew, and only those that it takes for marks count. A batch holds just such
    marks: those that the model misses are not in it, and what it takes wrongly for a cut is. Held against people's
    kinds, every model would seem to meet another look, the more so the worse it is.

    Raises
    ------
    ModelError : the folder's model cannot be loaded, or what it has learned from cannot be read.
    """
    if not (folder / TRAINING_FILE).exists():
        return None
    model = load_model(folder)
    table = _training(folder)
    said = name_marks(table[list(MEASURES)], model)["kind"].to_numpy()
    named = ~np.isin(said, (NOT_A_MARK, UNSURE))
    marks = table.loc[named, list(MEASURES)].assign(kind=said[named], photo=table.loc[named, "tray"])
    return Reference(
        marks=marks.reset_index(drop=True),
        brown_fractions=_brown_fractions(folder, model.card),
        fruit=_fruit(model.card, table),
        model_sha256=model.sha256,
    )


def _training(folder: Path) -> pd.DataFrame:
    try:
        table = learned_from(folder)
        known = table["kind"].isin(CLASSES) & table["tray"].notna() & table["fruit"].notna()
    except (KeyError, TypeError, ValueError) as error:  # columns are missing, or hold words where numbers are due
        raise ModelError(
            f"{folder.name}: {TRAINING_FILE} is not a table of training marks ({type(error).__name__}); restore it."
        ) from error
    if not known.all():
        raise ModelError(f"{folder.name}: {TRAINING_FILE} has rows without a known kind, tray or fruit; restore it.")
    return table


def _fruit(card: dict[str, Any], table: pd.DataFrame) -> int:
    said = card.get("fruit")
    return said if isinstance(said, int) and said > 0 else len(table[["tray", "fruit"]].drop_duplicates())


def _brown_fractions(folder: Path, card: dict[str, Any]) -> Floats | None:
    said = card.get(BROWN_FRACTIONS)
    if said is None or said == []:
        return None
    try:
        fractions = np.array(said, dtype=np.float64)
    except (ValueError, TypeError):
        fractions = np.empty(0)
    # NaN compares as false, so it is refused as well
    if fractions.shape != BROWN_LEVELS.shape or not ((np.diff(fractions) >= 0).all() and fractions[0] >= 0):
        raise ModelError(
            f"{folder.name}: {BROWN_FRACTIONS} of {CARD_FILE} are not 21 rising fractions "
            f"({json.dumps(said)[:40]}); restore the card."
        )
    return fractions
