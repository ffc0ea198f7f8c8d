"""How far a model's probability of being a mark holds on trays that it was not fitted on."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import pairwise

import numpy as np
import pandas as pd

from scorer.kinds import CLASSES, MarkModel, class_probabilities
from scorer.marks.measure import MEASURES
from scorer.model_shelf.figures import RELIABILITY_EDGES, calibration_of
from scorer.training.measured import MeasuredTrays


def calibration_lines(tried: Mapping[str, Sequence[tuple[MarkModel, MeasuredTrays]]]) -> Iterator[str]:
    """Brier score and reliability of models on trays that they have not seen, by what the models are called.

    Each column is a span of the probability said; a cell holds the mean said and the share that truly are marks.
    """
    spans = [f"{low:g}-{high:g}" for low, high in pairwise(RELIABILITY_EDGES)]
    yield "probability of a mark         Brier (of the share)  " + "".join(f"{span:>13}" for span in spans)
    for called, fits in tried.items():
        known = [unseen.known for _, unseen in fits]
        said = [_probabilities(model, table) for (model, _), table in zip(fits, known, strict=True)]
        held = calibration_of(pd.concat(known), pd.concat(said))
        cells = dict.fromkeys(range(len(spans)), "-")
        for span in held["reliability"]:
            place = int(np.searchsorted(RELIABILITY_EDGES, span["said"], side="right")) - 1
            cells[min(place, len(spans) - 1)] = f"{span['said']:.2f} {span['true']:.2f}"
        scores = f"{held['brier']:.3f} ({held['brier_of_the_share']:.3f})"
        yield f"{called:30}{scores:22}" + "".join(f"{cell:>13}" for cell in cells.values())


def _probabilities(model: MarkModel, known: pd.DataFrame) -> pd.DataFrame:
    return pd.DataFrame(class_probabilities(known[list(MEASURES)].to_numpy(float), model), columns=list(CLASSES))
