"""How easily the mark detector proposes: its odds of dark and of rubbed skin against clean skin, moved as a whole.

To add to the odds is to lower the threshold from which a place is proposed. On skin or in light that the detector has
not seen, its odds may be off for a whole tray; a step along a short list mends that, and a few labels can choose it.
"""

from __future__ import annotations

from copy import deepcopy
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from scorer.marks.propose import SKIN_CLASSES


@dataclass(frozen=True)
class Thresholds:
    """What is added to the log-odds of dark and of rubbed skin against clean skin."""

    dark: float
    rubbed: float


AS_SHIPPED: Final = Thresholds(0.0, 0.0)
CHOICES: Final = (AS_SHIPPED, Thresholds(-1.0, -1.0), Thresholds(0.0, 1.5), Thresholds(0.0, 3.0))
"""Rubs are the faintest marks, so theirs is the threshold that skin of another colour moves most."""


def moved(detector: Any, thresholds: Thresholds) -> Any:
    """A copy of a fitted detector (scikit-learn, classes SKIN_CLASSES) with other thresholds."""
    added = {"dark": thresholds.dark, "rubbed": thresholds.rubbed}
    other = deepcopy(detector)
    other.intercept_ = np.asarray(detector.intercept_, float) + [added.get(name, 0.0) for name in SKIN_CLASSES]
    return other
