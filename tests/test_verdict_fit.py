"""The limit fitted to verdicts: found where it is, and kept as shipped where a few trays cannot tell."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from scorer.errors import LabelsError
from scorer.training.verdict_fit import fit_to_verdicts

SHIPPED = 0.3


def season(trays: int, *, best: float, noise: float, seed: int = 0) -> tuple[pd.DataFrame, np.ndarray]:
    """Fruit that people downgrade where the model is surer than ``best``, but for a share of slips."""
    rng = np.random.default_rng(seed)
    sure = rng.random(trays * 10)
    downgraded = (sure >= best) ^ (rng.random(len(sure)) < noise)
    return pd.DataFrame({"tray": np.repeat([f"t{i}" for i in range(trays)], 10), "downgraded": downgraded}), sure


def test_the_limit_at_which_people_downgrade_is_found() -> None:
    labelled, sure = season(40, best=0.6, noise=0.05)
    fit = fit_to_verdicts(labelled, lambda limit: list(sure >= limit), SHIPPED)
    assert fit.mark_from == 0.6
    assert fit.errors[1] == pytest.approx(0.05, abs=0.03)
    assert fit.errors[0] == pytest.approx(0.05 + 0.3 * 0.9, abs=0.06)  # between 0.3 and 0.6 all but the slips differ
    assert (fit.fruit, fit.trays) == (400, 40)


@pytest.mark.parametrize("seed", range(5))
def test_where_people_agree_with_the_shipped_limit_it_stays(seed: int) -> None:
    labelled, sure = season(8, best=SHIPPED, noise=0.15, seed=seed)
    assert fit_to_verdicts(labelled, lambda limit: list(sure >= limit), SHIPPED).mark_from == SHIPPED


def test_too_few_trays_and_one_sided_verdicts_are_refused_in_words() -> None:
    labelled, sure = season(2, best=0.5, noise=0.0)
    with pytest.raises(LabelsError, match="The verdicts are on 2 trays; give verdicts of fruit on at least 3"):
        fit_to_verdicts(labelled, lambda limit: list(sure >= limit), SHIPPED)
    labelled, sure = season(6, best=0.5, noise=0.0)
    with pytest.raises(LabelsError, match="Of 60 verdicts 0 say downgraded; give at least 3 of each"):
        fit_to_verdicts(labelled.assign(downgraded=False), lambda limit: list(sure >= limit), SHIPPED)
