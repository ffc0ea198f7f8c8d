"""How often a batch is warned of as unlike what the shipped model has seen: of the training set's look, and of others.

Batches are drawn from simulated trays that the model was not fitted on. Those of the training set's look each hold many
floors, lights and skins, as the training set does; a warning of them is a false one.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from scorer.kinds import NOT_A_MARK, MarkModel, name_marks
from scorer.look_drift.batch_look import BatchLook
from scorer.look_drift.drift import look_drift
from scorer.look_drift.reference import Reference
from scorer.training.measured import MeasuredTrays

SIZES = (10, 20, 40)
BATCHES = 40
DRIFT_HEAD = (
    f"{'look of the batches':44}{'trays':>6}{'batches':>9}{'too few':>9}{'warned':>8}  what moved most, most often"
)


def drift_lines(look: str, trays: MeasuredTrays, model: MarkModel, reference: Reference) -> Iterator[str]:
    """One line for each size of batch: how many are warned of, told of as too few, and let pass."""
    said = name_marks(trays.proposals, model)["kind"]
    marks = trays.proposals.assign(kind=said, photo=trays.proposals["tray"])[said != NOT_A_MARK]
    fruit = pd.DataFrame({"brown_fraction": pd.Series(dtype=float), "photo": pd.Series(dtype=str)})
    names = sorted(set(trays.fruit["tray"]))
    for size in SIZES:
        rng = np.random.default_rng(size)
        drawn = [set(rng.permutation(names)[:size]) for _ in range(BATCHES)]
        looks = [BatchLook(1, model.sha256, marks[marks["photo"].isin(own)], fruit) for own in drawn]
        told = [look_drift(reference, each) for each in looks]
        few = sum(each.table.empty for each in told)
        warned = sum(bool(each.warning) for each in told)
        first = pd.Series([each.table["measure"].iloc[0] for each in told if each.warning], dtype=str)
        most = first.mode().iloc[0] if len(first) else "-"
        yield f"{look:44}{size:6}{BATCHES:9}{few:9}{warned:8}  {most}"
