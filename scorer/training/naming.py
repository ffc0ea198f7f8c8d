"""Fit the model that names proposals by their measures, on labelled trays held apart by tray."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from sklearn.calibration import CalibratedClassifierCV
from sklearn.ensemble import HistGradientBoostingClassifier
from sklearn.frozen import FrozenEstimator
from sklearn.model_selection import GroupKFold, cross_val_predict

from scorer.kinds import CLASSES, NOT_A_MARK
from scorer.marks.measure import MEASURES
from scorer.score_tables import KINDS

FOLDS: Final = 5
ROUNDS: Final = 160
"""Trees for each class."""
CLEAN_PER_TRAY = 20.0
MARK_FROM: Final = 0.3
"""Probability from which a proposal counts as a mark, from what errors cost.

The goals allow 0.05 false marks per fruit and 8 % of the marks to be missed, which at about one mark to four fruit is
0.02 per fruit: a missed mark weighs 2.5 times a false one, and the limit is 1 / (1 + 2.5), rounded. It holds where
look-alikes are about as rare as the weights below make them; on trays as full of them as the simulated ones it lets
through more false marks than that.
"""


def fit_naming(table: pd.DataFrame, seed: int) -> tuple[CalibratedClassifierCV, pd.DataFrame]:
    """Fit the calibrated classifier; returns it and the out-of-fold probabilities (columns CLASSES) by tray."""
    measures, kinds = table[list(MEASURES)].to_numpy(float), table["kind"].to_numpy(str)
    weights = proposal_weights(table)
    held_out = cross_val_predict(
        forest_classifier(seed),
        measures,
        kinds,
        groups=table["tray"],
        cv=GroupKFold(FOLDS),
        method="predict_proba",
        params={"sample_weight": weights},
    )
    order = sorted(CLASSES)
    fitted = forest_classifier(seed).fit(measures, kinds, sample_weight=weights)
    # temperature from held-out predictions: the fitted model's own training scores are too sure of themselves
    calibrated = CalibratedClassifierCV(FrozenEstimator(fitted), method="temperature").fit(measures, kinds)
    temperature = _temperature(held_out, kinds, order)
    calibrated.calibrated_classifiers_[0].calibrators[0].beta_ = 1 / temperature
    scaled = held_out ** (1 / temperature)
    scaled /= scaled.sum(axis=1, keepdims=True)
    return calibrated, pd.DataFrame(scaled, columns=order, index=table.index)[list(CLASSES)]


def choose_sure_from(table: pd.DataFrame, held_out: pd.DataFrame, mark_from: float) -> float:
    """Limit of sureness under which a kind is not named: where naming would be wrong every other time, at least 0.4."""
    marked = (1 - held_out[NOT_A_MARK] >= mark_from) & (table["kind"] != NOT_A_MARK)
    of_kinds = held_out.loc[marked, list(KINDS)].to_numpy()
    share = of_kinds.max(axis=1) / np.maximum(of_kinds.sum(axis=1), 1e-9)
    right = np.array(KINDS)[of_kinds.argmax(axis=1)] == table.loc[marked, "kind"].to_numpy()
    for limit in np.arange(0.65, 0.39, -0.01):
        near = np.abs(share - limit) < 0.06
        if near.sum() >= 15 and right[near].mean() <= 0.5:
            return float(limit)
    return 0.4


def proposal_weights(table: pd.DataFrame) -> NDArray[np.float64]:
    """Weight per proposal: a tray whose natural mottling fills it with false proposals must not outweigh the others."""
    clean = (table["kind"] == NOT_A_MARK).to_numpy()
    on_tray = table.groupby("tray")["kind"].transform(lambda kinds: (kinds == NOT_A_MARK).sum()).to_numpy(float)
    return np.where(clean, np.minimum(1.0, CLEAN_PER_TRAY / np.maximum(on_tray, 1)), 1.0)


def forest_classifier(seed: int, rounds: int = ROUNDS) -> HistGradientBoostingClassifier:
    """The forest of small trees that names marks, not yet fitted; small enough for ``scorer.forest`` to walk."""
    return HistGradientBoostingClassifier(
        learning_rate=0.06,
        max_iter=rounds,
        max_leaf_nodes=10,
        min_samples_leaf=12,
        l2_regularization=1.0,
        max_features=0.4,
        early_stopping=False,
        random_state=seed,
    )


def _temperature(held_out: NDArray[Any], kinds: NDArray[np.str_], order: list[str]) -> float:
    """Temperature that makes held-out probabilities most likely (Guo et al. 2017, section 4.2)."""
    truth = np.array([order.index(kind) for kind in kinds])
    logs = np.log(np.clip(held_out, 1e-9, 1))
    candidates = np.exp(np.linspace(-0.7, 1.2, 60))

    def loss(temperature: float) -> float:
        z = logs / temperature
        return float(np.mean(np.logaddexp.reduce(z, axis=1) - z[np.arange(len(z)), truth]))

    return float(min(candidates, key=loss))
