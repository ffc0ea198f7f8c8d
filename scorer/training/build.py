"""Fit detector and kinds on labelled trays and keep them with their card, ready to be loaded by ``scorer.kinds``."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import sklearn
from sklearn.metrics import confusion_matrix, precision_recall_fscore_support

from scorer.kinds import CLASSES, NOT_A_MARK
from scorer.marks.contrast import CONTRASTS
from scorer.marks.measure import MEASURES
from scorer.marks.propose import discriminant_from
from scorer.score_tables import KINDS
from scorer.training.detector import fit_detector, sample_pixels
from scorer.training.labelled import read_labelled
from scorer.training.measured import measure_trays, true_fractions
from scorer.training.model_folder import brown_quantiles, keep_model, thinned, usual_of
from scorer.training.naming import MARK_FROM, choose_sure_from, fit_naming

LIMITS_OF_USE = (
    "Fitted on simulated trays only: rendered fruit are not real fruit. Check by eye before a figure about people's "
    "work rests on it. One side of each fruit is seen. Marks under 10 mm2, on the rim, or fainter than about 8 Delta E "
    "against the skin are often missed. Names say what a mark looks like, not what caused it."
)


def build_model(photos: Sequence[Path], folder: Path, *, seed: int, jobs: int, source: str) -> dict[str, Any]:
    """Fit on labelled photos, write detector, kinds and card into ``folder``, and return the card.

    Parameters
    ----------
    photos : labelled photos (``photos`` beside ``truth``).
    folder : made if missing; its files are replaced.
    seed : decides every draw, so that the same photos give the same model.
    jobs : worker processes.
    source : where the photos come from, for the card.
    """
    trays = [partial(read_labelled, photo) for photo in photos]
    contrasts, classes = sample_pixels(trays, seed, jobs)
    detector = fit_detector(contrasts, classes)
    discriminant = discriminant_from(np.asarray(detector.coef_), np.asarray(detector.intercept_))
    measured = measure_trays(trays, [discriminant], jobs)[0]
    table = measured.known
    classifier, held_out = fit_naming(table, seed)
    card = {
        "name": "marks on simulated mangoes",
        "made_on": date.today().isoformat(),
        "trained_on": source,
        "trays": len(photos),
        "proposals": len(table),
        "proposals_by_kind": {k: int((table["kind"] == k).sum()) for k in CLASSES},
        "seed": seed,
        "scikit_learn": sklearn.__version__,
        "mark_from": MARK_FROM,
        "sure_from": choose_sure_from(table, held_out, MARK_FROM),
        "figures_held_out_by_tray": _figures(table, held_out, MARK_FROM),
        "limits_of_use": LIMITS_OF_USE,
        "contrasts": list(CONTRASTS),
        "measures": list(MEASURES),
        "usual": usual_of(table),
        "brown_fractions": brown_quantiles(true_fractions(measured)),
    }
    return keep_model(folder, detector, classifier, card, thinned(table))


def _figures(table: pd.DataFrame, held_out: pd.DataFrame, mark_from: float) -> dict[str, Any]:
    """Precision, recall and F1 per class and the confusion of proposals, each tray unseen by its judge."""
    p = held_out[list(CLASSES)].to_numpy()
    said = np.array(CLASSES, dtype=object)[p[:, : len(KINDS)].argmax(axis=1)]
    said[1 - p[:, CLASSES.index(NOT_A_MARK)] < mark_from] = NOT_A_MARK
    said = said.astype(str)
    true = table["kind"].to_numpy(str)
    precision, recall, f1, count = precision_recall_fscore_support(true, said, labels=list(CLASSES), zero_division=0)
    return {
        "per_class": {
            name: {
                "precision": round(float(a), 3),
                "recall": round(float(b), 3),
                "f1": round(float(c), 3),
                "n": int(n),
            }
            for name, a, b, c, n in zip(CLASSES, precision, recall, f1, count, strict=True)
        },
        "confusion_rows_true_columns_said": confusion_matrix(true, said, labels=list(CLASSES)).tolist(),
    }
