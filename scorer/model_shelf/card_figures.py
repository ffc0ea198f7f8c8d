"""The figures on a model's card as tables: by kind, of verdicts and brown area, and how far its probabilities hold.

A card may come from another version of scorer, so whatever is not there, or is no number, is missing in the tables.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

import pandas as pd

from scorer.model_shelf.compare import WORSE
from scorer.score_tables import KINDS

HELD_OUT, OF_SHIPPED = "figures_held_out", "figures_of_the_shipped_model"
KIND_FIGURES: Final = ("f1", "precision", "recall")
WHOLE_FIGURES: Final = ("verdicts_right", "brown_error_mm2", "verdicts_that_differ")
INTERVAL_COLUMNS: Final = ("value", "low", "high")
FIGURE_DTYPES: Final = {"figure": "str", "of_shipped": "bool", **dict.fromkeys(INTERVAL_COLUMNS, "float64")}
KIND_DTYPES: Final = {
    "kind": "str",
    "n": "Int64",
    **{f"{name}_{column}": "float64" for name in KIND_FIGURES for column in INTERVAL_COLUMNS},
}
RELIABILITY_DTYPES: Final = {"said": "float64", "true": "float64", "n": "int64"}


def kind_figures(card: Mapping[str, Any]) -> pd.DataFrame:
    """F1, precision and recall of each kind, held out, each with its 95 % interval: KIND_DTYPES; 0 to 1."""
    by_kind = _mapping(_mapping(card.get(HELD_OUT)).get("per_kind"))
    rows = []
    for kind in KINDS:
        own = _mapping(by_kind.get(kind))
        if own:
            figures = {
                f"{name}_{column}": value
                for name in KIND_FIGURES
                for column, value in zip(INTERVAL_COLUMNS, _figure(own.get(name)), strict=True)
            }
            rows.append({"kind": kind, "n": own["n"] if _is_count(own.get("n")) else None} | figures)
    return pd.DataFrame(rows, columns=list(KIND_DTYPES)).astype(KIND_DTYPES)


def whole_figures(card: Mapping[str, Any]) -> pd.DataFrame:
    """Figures over all kinds, held out, and beside them those of the shipped model on the same labels: FIGURE_DTYPES.

    ``verdicts_right`` and ``verdicts_that_differ`` are shares of fruit (0 to 1), ``brown_error_mm2`` the mean error of
    a fruit's brown area.
    """
    rows = [
        (name, of_shipped, *_figure(_mapping(card.get(entry)).get(name)))
        for name in WHOLE_FIGURES
        for of_shipped, entry in ((False, HELD_OUT), (True, OF_SHIPPED))
        if name in _mapping(card.get(entry))
    ]
    return pd.DataFrame(rows, columns=list(FIGURE_DTYPES)).astype(FIGURE_DTYPES)


def reliability(card: Mapping[str, Any]) -> pd.DataFrame:
    """How often proposals are marks that were given about the same probability of being one: RELIABILITY_DTYPES.

    ``said`` is their mean probability, ``true`` the share that are marks, ``n`` their number.
    """
    rows = _mapping(card.get(HELD_OUT)).get("reliability")
    whole = [
        row
        for row in (rows if isinstance(rows, list) else [])
        if isinstance(row, Mapping)
        and _is_share(row.get("said"))
        and _is_share(row.get("true"))
        and _is_count(row.get("n"))
    ]
    return pd.DataFrame(whole, columns=list(RELIABILITY_DTYPES)).astype(RELIABILITY_DTYPES)


def compared_with_shipped(card: Mapping[str, Any]) -> str:
    """The sentence that compares the model with the shipped one, held out; "" where the card has none."""
    said = _mapping(card.get("compared")).get("sentence")
    return said if isinstance(said, str) else ""


def is_found_worse(card: Mapping[str, Any]) -> bool:
    """Whether that comparison calls the model worse."""
    return bool(_mapping(card.get("compared")).get("verdict") == WORSE)


def _mapping(value: object) -> Mapping[str, Any]:
    return value if isinstance(value, Mapping) else {}


def _figure(value: object) -> tuple[float | None, ...]:
    """A figure and the ends of its interval; a bare number has no interval."""
    if isinstance(value, Mapping):
        return tuple(value[name] if _is_number(value.get(name)) else None for name in INTERVAL_COLUMNS)
    return (float(value) if isinstance(value, int | float) and _is_number(value) else None, None, None)


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _is_share(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and 0 <= value <= 1


def _is_count(value: object) -> bool:
    return isinstance(value, int) and not isinstance(value, bool) and value >= 0
