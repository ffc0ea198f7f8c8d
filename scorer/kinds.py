"""Name each proposed mark from its measures: a kind with its probability, ``unsure``, or not a mark at all.

A small fitted model does the naming; no pixels go in, only the measures of ``scorer.marks.measure``. Why a mark got
its name can be asked: each measure is put back, in turn, to what is usual, and those whose loss costs the name most
are what drove it.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any, Final

import numpy as np
import pandas as pd
import skops.io
from numpy.typing import NDArray

from scorer.errors import ModelError
from scorer.forest import Forest, OneUsual, forest_from, one_usual
from scorer.marks.contrast import CONTRASTS
from scorer.marks.measure import MEASURES
from scorer.marks.propose import Discriminant, discriminant_from
from scorer.resources import models_folder
from scorer.score_tables import KINDS, UNSURE

Float64 = NDArray[np.float64]

NOT_A_MARK: Final = "not_a_mark"
CLASSES: Final = (*KINDS, NOT_A_MARK)
DETECTOR_FILE, KINDS_FILE, CARD_FILE = "detector.skops", "kinds.skops", "card.json"
LIMITS_COUNT: Final = "limits_count"
"""Entry of a card by which a model with other limits is another model; cards of before it have none."""
TRUSTED_TYPES: Final = frozenset(
    {
        "sklearn.calibration._CalibratedClassifier",
        "sklearn.calibration._TemperatureScaling",
        "sklearn.ensemble._hist_gradient_boosting.predictor.TreePredictor",
        "sklearn._loss.loss.HalfMultinomialLoss",
        "sklearn._loss.link.MultinomialLogit",
        "sklearn._loss.link.Interval",
        "sklearn.ensemble._hist_gradient_boosting.binning._BinMapper",
        "sklearn.frozen._frozen.FrozenEstimator",
        "numpy.dtype",
    }
)
"""Types beyond the loader's own that a shipped model may hold; any other type in the file is refused."""
DRIVERS_SHOWN = 4


@dataclass(frozen=True)
class MarkModel:
    """What was fitted to find and name marks.

    Parameters
    ----------
    discriminant : proposes marks from contrast maps.
    forest, one_usual : name a mark by its MEASURES, and with each measure in turn put back to what is usual.
    mark_from : smallest probability of being a mark at all to be counted as one.
    sure_from : smallest probability of a kind, given a mark, to be named rather than ``unsure``.
    usual : (len(MEASURES),) median of each measure over the training marks.
    card : the model's card: training data, date, figures, limits of use.
    sha256 : of both files together, and where the card says so of the limits as well.
    """

    discriminant: Discriminant
    forest: Forest
    one_usual: OneUsual
    mark_from: float
    sure_from: float
    usual: Float64
    card: dict[str, Any]
    sha256: str


@lru_cache(maxsize=4)
def load_model(folder: Path | None = None) -> MarkModel:
    """Load the fitted model kept in a folder; without one, the shipped model.

    Raises
    ------
    ModelError : a file is missing, does not match the card's hash, holds types that are not trusted, or was fitted
        for other measures than these.
    """
    folder = folder or models_folder() / "marks"
    try:
        card = json.loads((folder / CARD_FILE).read_text(encoding="utf-8"))
        detector_bytes = (folder / DETECTOR_FILE).read_bytes()
        kinds_bytes = (folder / KINDS_FILE).read_bytes()
    except FileNotFoundError as error:
        raise ModelError(
            f"{folder.name}: {Path(error.filename).name} is missing; restore the folder or run `scorer rebuild model`."
        ) from error
    except (OSError, ValueError) as error:
        raise ModelError(f"{folder.name}: the model's card cannot be read ({error}).") from error
    for name, content in ((DETECTOR_FILE, detector_bytes), (KINDS_FILE, kinds_bytes)):
        if hashlib.sha256(content).hexdigest() != card.get("files", {}).get(name):
            raise ModelError(f"{folder.name}: {name} is not the file that its card describes; restore both together.")
    if card.get("measures") != list(MEASURES) or card.get("contrasts") != list(CONTRASTS):
        raise ModelError(
            f"{folder.name}: the model was fitted for other measures than this version of scorer takes; "
            "run `scorer rebuild model`."
        )
    detector, classifier = (_load(content, folder) for content in (detector_bytes, kinds_bytes))
    limits = json.dumps([card["mark_from"], card["sure_from"]]) if card.get(LIMITS_COUNT) else ""
    sha256 = hashlib.sha256(detector_bytes + kinds_bytes + limits.encode("ascii")).hexdigest()
    return model_of(detector, classifier, card, sha256, folder.name)


def model_of(detector: Any, classifier: Any, card: dict[str, Any], sha256: str, name: str) -> MarkModel:
    """A model ready to score from what scikit-learn fitted.

    Parameters
    ----------
    detector : logistic regression over ``quadratic_terms``.
    classifier : gradient-boosted trees, calibrated by a temperature.
    card : with ``usual``, ``mark_from`` and ``sure_from`` at least.
    sha256, name : by which the model is known, and is called in refusals.

    Raises
    ------
    ModelError : the classifier is of another sort.
    """
    usual = np.array([card["usual"][measure] for measure in MEASURES])
    forest = _forest(classifier, name)
    return MarkModel(
        discriminant=discriminant_from(np.asarray(detector.coef_), np.asarray(detector.intercept_)),
        forest=forest,
        one_usual=one_usual(forest, usual),
        mark_from=float(card["mark_from"]),
        sure_from=float(card["sure_from"]),
        usual=usual,
        card=card,
        sha256=sha256,
    )


def load_parts(folder: Path | None = None) -> tuple[Any, Any]:
    """Detector and classifier of a model as scikit-learn fitted them, checked as ``load_model`` does.

    Raises
    ------
    ModelError : see ``load_model``.
    """
    load_model(folder)
    folder = folder or models_folder() / "marks"
    detector, classifier = (_load((folder / name).read_bytes(), folder) for name in (DETECTOR_FILE, KINDS_FILE))
    return detector, classifier


def _load(content: bytes, folder: Path) -> Any:
    try:
        foreign = set(skops.io.get_untrusted_types(data=content)) - TRUSTED_TYPES
        if foreign:
            raise ModelError(
                f"{folder.name}: the model holds types that are not trusted ({', '.join(sorted(foreign))}); "
                "use a model made by this version of scorer."
            )
        return skops.io.loads(content, trusted=sorted(TRUSTED_TYPES))
    except ModelError:
        raise
    except Exception as error:  # a damaged archive can fail in any way inside the loader
        raise ModelError(f"{folder.name}: the model cannot be read ({error}); restore the folder.") from error


def _forest(classifier: Any, name: str) -> Forest:
    try:
        return forest_from(classifier)
    except (AttributeError, TypeError, ValueError) as error:  # a classifier of another sort
        raise ModelError(
            f"{name}: the model that names marks is not one that this version of scorer uses ({error}); "
            "run `scorer rebuild model`."
        ) from error


def name_marks(measures: pd.DataFrame, model: MarkModel) -> pd.DataFrame:
    """Name every proposal.

    Parameters
    ----------
    measures : one row per proposal with the columns MEASURES.

    Returns
    -------
    Same index; ``kind`` (a kind, ``unsure`` or ``not_a_mark``), ``probability`` (of that kind among kinds, times that
    of being a mark; for ``unsure`` of being a mark) and one column ``p_<class>`` per class.
    """
    columns = [f"p_{name}" for name in CLASSES]
    if measures.empty:
        return pd.DataFrame(
            {"kind": pd.Series(dtype=str), "probability": pd.Series(dtype=float)}
            | {name: pd.Series(dtype=float) for name in columns}
        )
    p = class_probabilities(measures[list(MEASURES)].to_numpy(float), model)
    marked = 1 - p[:, CLASSES.index(NOT_A_MARK)]
    of_kinds = p[:, : len(KINDS)]
    best = of_kinds.argmax(axis=1)
    p_best = of_kinds[np.arange(len(p)), best]
    share = p_best / np.maximum(marked, 1e-9)
    kind = np.array(KINDS, dtype=object)[best]
    kind[share < model.sure_from] = UNSURE
    kind[marked < model.mark_from] = NOT_A_MARK
    probability = np.where(kind == UNSURE, marked, np.where(kind == NOT_A_MARK, 1 - marked, p_best))
    named = pd.DataFrame(p, columns=columns, index=measures.index)
    named.insert(0, "probability", probability)
    named.insert(0, "kind", kind.astype(str))
    return named


def class_probabilities(measures: Float64, model: MarkModel) -> Float64:
    """Probabilities (N, len(CLASSES)) in the order of CLASSES, from measures (N, len(MEASURES))."""
    return model.forest.probabilities(measures)[:, _in_order(model)]


def _in_order(model: MarkModel) -> list[int]:
    return [model.forest.classes.index(name) for name in CLASSES]


def driving_measures(measures: pd.DataFrame, named: pd.DataFrame, model: MarkModel) -> list[tuple[str, ...]]:
    """For each mark, the few measures that drove its name, strongest first.

    ``named`` is what ``name_marks`` said of the same rows. A measure's weight is how much the logarithm of the name's
    probability falls when the measure alone is set to what is usual among marks.
    """
    if measures.empty:
        return []
    before = named[[f"p_{name}" for name in CLASSES]].to_numpy(float)
    after = model.one_usual.probabilities(measures[list(MEASURES)].to_numpy(float))[..., _in_order(model)]
    drivers = []
    for i, kind in enumerate(named["kind"]):
        target = CLASSES.index(kind) if kind in CLASSES else int(before[i, : len(KINDS)].argmax())
        fall = np.log(before[i, target] + 1e-6) - np.log(after[i, :, target] + 1e-6)
        strongest = np.argsort(-fall)[:DRIVERS_SHOWN]
        drivers.append(tuple(MEASURES[j] for j in strongest if fall[j] > 0.01))
    return drivers
