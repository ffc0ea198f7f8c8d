"""Figures of one model on labelled trays for its card, each with a 95 % interval from trays drawn again.

Fruit of one tray are alike, so whole trays are drawn (percentile bootstrap; Efron and Tibshirani 1993, An Introduction
to the Bootstrap, chapter 13).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from sklearn.metrics import brier_score_loss

from scorer.kinds import CLASSES, NOT_A_MARK
from scorer.model_shelf.compare import Judged
from scorer.score_tables import KINDS, UNSURE

Floats = NDArray[np.float64]

RESAMPLES: Final = 1999
RELIABILITY_EDGES: Final = (0.0, 0.1, 0.2, 0.4, 0.6, 0.8, 0.9, 1.0)


def figures_of(judged: Judged, *, crews: Mapping[str, str] | None = None, seed: int = 1) -> dict[str, Any]:
    """All figures that the labels can tell.

    Parameters
    ----------
    judged : what the model says of labelled fruit.
    crews : the crew of a tray, by tray; gives each crew's share of downgraded fruit, as labelled and as said.

    Returns
    -------
    ``per_kind`` (precision, recall, f1 and n of each kind), ``confusion_rows_true_columns_said``, ``verdicts_right``,
    ``brown_error_mm2`` (mean size per fruit) and ``crew_shares``; a figure is {value, low, high}.
    """
    found: dict[str, Any] = {}
    if len(judged.marks):
        found["per_kind"] = {kind: _of_kind(judged.marks, kind, seed) for kind in KINDS}
        found["confusion_rows_true_columns_said"] = _confusion(judged.marks)
    told = judged.fruit[judged.fruit["true_downgraded"].notna()]
    if len(told):
        right = told["said_downgraded"].to_numpy(bool) == told["true_downgraded"].to_numpy(bool)
        found["verdicts_right"] = _mean_with_interval(told["tray"], right.astype(float), seed)
        if crews:
            found["crew_shares"] = _crew_shares(told, crews, seed)
    areas = judged.fruit[judged.fruit[["true_brown_mm2", "said_brown_mm2"]].notna().all(axis=1)]
    if len(areas):
        error = (areas["said_brown_mm2"] - areas["true_brown_mm2"]).abs().to_numpy(float)
        found["brown_error_mm2"] = _mean_with_interval(areas["tray"], error, seed)
    return found


def calibration_of(learned_from: pd.DataFrame, held_out: pd.DataFrame) -> dict[str, Any]:
    """How far the probability of being a mark holds, each proposal judged by a fit that had not seen its tray.

    Parameters
    ----------
    learned_from, held_out : see ``scorer.training.site_fit.SiteFit``.

    Returns
    -------
    ``brier`` (Brier 1950, Monthly Weather Review 78: 1-3; that of always saying the share of marks is beside it as
    ``brier_of_the_share``) and ``reliability``: rows of said (mean probability), true (share of marks) and n.
    """
    truly = (learned_from["kind"] != NOT_A_MARK).to_numpy()
    said = np.clip(1 - held_out[NOT_A_MARK].to_numpy(float), 0, 1)
    place = np.clip(np.searchsorted(RELIABILITY_EDGES, said, side="right") - 1, 0, len(RELIABILITY_EDGES) - 2)
    return {
        "brier": round(float(brier_score_loss(truly, said)), 4),
        "brier_of_the_share": round(float(truly.mean() * (1 - truly.mean())), 4),
        "reliability": [
            {
                "said": round(float(said[place == each].mean()), 3),
                "true": round(float(truly[place == each].mean()), 3),
                "n": int((place == each).sum()),
            }
            for each in range(len(RELIABILITY_EDGES) - 1)
            if (place == each).any()
        ],
    }


def _of_kind(marks: pd.DataFrame, kind: str, seed: int) -> dict[str, Any]:
    true, said = (marks[column].to_numpy() == kind for column in ("true_kind", "said_kind"))
    counts = _sums(marks["tray"], np.column_stack([true, said, true & said]).astype(float))
    return {
        "precision": _interval(counts, lambda sums: _ratio(sums[..., 2], sums[..., 1]), seed),
        "recall": _interval(counts, lambda sums: _ratio(sums[..., 2], sums[..., 0]), seed),
        "f1": _interval(counts, lambda sums: _ratio(2 * sums[..., 2], sums[..., 0] + sums[..., 1]), seed),
        "n": int(true.sum()),
    }


def _confusion(marks: pd.DataFrame) -> list[list[int]]:
    """Rows as CLASSES; columns as CLASSES and then ``unsure``."""
    columns = [*CLASSES, UNSURE]
    table = pd.crosstab(marks["true_kind"], marks["said_kind"]).reindex(index=CLASSES, columns=columns, fill_value=0)
    return [[int(each) for each in row] for row in table.to_numpy()]


def _crew_shares(told: pd.DataFrame, crews: Mapping[str, str], seed: int) -> dict[str, Any]:
    of_crew = told.assign(crew=told["tray"].map(dict(crews))).dropna(subset="crew")
    return {
        str(crew): {
            "labelled": _mean_with_interval(own["tray"], own["true_downgraded"].to_numpy(float), seed),
            "said": _mean_with_interval(own["tray"], own["said_downgraded"].to_numpy(float), seed),
            "n": len(own),
        }
        for crew, own in of_crew.groupby("crew")
    }


def _mean_with_interval(trays: pd.Series[Any], values: Floats, seed: int) -> dict[str, float | None]:
    sums = _sums(trays, np.column_stack([values, np.ones(len(values))]))
    return _interval(sums, lambda drawn: _ratio(drawn[..., 0], drawn[..., 1]), seed)


def _sums(trays: pd.Series[Any], values: Floats) -> Floats:
    """Sums (trays, K) of values (N, K)."""
    return pd.DataFrame(values).groupby(trays.to_numpy()).sum().to_numpy(float)


def _ratio(part: Floats, whole: Floats) -> Floats:
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(part / whole)


def _interval(sums: Floats, figure: Callable[[Floats], Floats], seed: int) -> dict[str, float | None]:
    """A figure of sums over trays, and its interval; None where it does not exist, as precision without any said."""
    value = float(figure(sums.sum(axis=0)))
    drawn = np.random.default_rng(seed).integers(0, len(sums), (RESAMPLES, len(sums)))
    values = figure(sums[drawn].sum(axis=1))
    values = values[np.isfinite(values)]
    low, high = np.quantile(values, [0.025, 0.975]) if len(values) else (np.nan, np.nan)
    return {
        name: round(float(each), 4) if np.isfinite(each) else None
        for name, each in zip(("value", "low", "high"), (value, low, high), strict=True)
    }
