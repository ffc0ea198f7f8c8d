"""Where only fruit verdicts are there: a model that is the shipped one but for how sure it must be of a mark."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from scorer.kinds import NOT_A_MARK, MarkModel, name_marks
from scorer.limits import Limits
from scorer.marks.measure import MEASURES
from scorer.training.measured import MeasuredTrays
from scorer.training.verdict_fit import VerdictFit, fit_to_verdicts
from scorer.verdict import judge_fruit

_KEY = ["tray", "fruit"]


def fit_verdicts(verdicts: pd.DataFrame, measured: MeasuredTrays, model: MarkModel, limits: Limits) -> VerdictFit:
    """Choose the limit of a model at which it judges fruit most like people did.

    Parameters
    ----------
    verdicts : tray, fruit (its number as scored) and downgraded; verdicts on fruit that were not found are left out.
    measured : the photos as the model's detector sees them.
    limits : table by which marks make a verdict.

    Raises
    ------
    LabelsError : see ``fit_to_verdicts``.
    """
    fruit = measured.fruit.drop_duplicates(_KEY).set_index(_KEY)
    found = pd.MultiIndex.from_frame(verdicts[_KEY]).isin(fruit.index)
    labelled = verdicts[found].reset_index(drop=True)
    proposals = measured.proposals.drop(columns="kind")

    def judge(limit: float) -> Sequence[bool]:
        said = _downgraded(proposals, fruit, replace(model, mark_from=limit), limits)
        return tuple(said.reindex(pd.MultiIndex.from_frame(labelled[_KEY])).to_numpy(bool))

    return fit_to_verdicts(labelled[["tray", "downgraded"]], judge, model.mark_from)


def _downgraded(proposals: pd.DataFrame, fruit: pd.DataFrame, model: MarkModel, limits: Limits) -> pd.Series[Any]:
    """Whether each fruit (tray, fruit) would be downgraded."""
    named = proposals.assign(kind=name_marks(proposals[list(MEASURES)], model)["kind"].to_numpy())
    marks = named[named["kind"] != NOT_A_MARK]
    of_fruit: dict[Any, pd.DataFrame] = dict(iter(marks.groupby(_KEY)))
    none = marks.iloc[:0]
    judged = {
        key: judge_fruit(
            of_fruit.get(key, none)[["kind", "area_mm2", "length_mm"]],
            visible_area_mm2=_known(sizes["visible_area_mm2"]),
            length_mm=_known(sizes["length_mm"]),
            width_mm=_known(sizes["width_mm"]),
            limits=limits,
        ).downgraded
        for key, sizes in fruit.to_dict("index").items()
    }
    return pd.Series(judged, dtype=bool)


def _known(value: float) -> float | None:
    return None if np.isnan(value) else float(value)
