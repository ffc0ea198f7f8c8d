"""Fit a shipped model to a site's labels: thresholds of the detector, names of marks, and when to say neither.

Every choice is made on trays that the fit in question has not seen, by what errors cost; and everything starts from the
shipped model, which a few labels correct and cannot overthrow.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from sklearn.pipeline import Pipeline

from scorer.errors import LabelsError
from scorer.kinds import NOT_A_MARK, MarkModel
from scorer.lean import Lean
from scorer.marks.measure import MEASURES
from scorer.marks.propose import discriminant_from
from scorer.score_tables import KINDS
from scorer.training.calibrated import CalibratedByTray
from scorer.training.measured import FAINTEST_DELTA_E, MeasuredTrays
from scorer.training.naming import MARK_FROM, proposal_weights
from scorer.training.opinion import OpinionAndMeasures
from scorer.training.prior_logistic import PriorLogistic
from scorer.training.thresholds import AS_SHIPPED, Thresholds, moved

Float64 = NDArray[np.float64]

OPINION_SD: Final = 0.3
"""How far the weight of the shipped model's opinion of a kind may move from 1, and of other kinds from 0."""
MEASURE_SD: Final = 0.1
"""Weight that a measure one spread from usual may get, in log-odds; 0.1 is a tenth of what doubles or halves them."""
START_SD: Final = 1.0
"""How far the odds of a kind as a whole may move: by a factor of 2.7, and seldom of 7."""
MISSED_COST: Final = 1 / MARK_FROM - 1
"""What a missed mark costs, against a false one."""
FEWEST_TRAYS: Final = 3
FEWEST_MARKS: Final = 3
LEAST_TO_CHOOSE: Final = 30
"""Named marks from which the limit of sureness is chosen anew; with fewer, the shipped one stays."""


@dataclass(frozen=True)
class SiteFit:
    """A shipped model as fitted to a site.

    Parameters
    ----------
    thresholds : of the detector.
    classifier : the Pipeline of opinion and logistic regression, calibrated by tray.
    lean : the same as scoring takes it.
    mark_from, sure_from : limits of naming, see ``scorer.kinds.MarkModel``.
    measured : the labelled trays as the detector with these thresholds sees them, with marks named on pages.
    held_out : (proposals of ``measured``, classes of the forest) each from a fit that had not seen its tray.
    costs : of each choice of thresholds, per fruit, held out.
    """

    thresholds: Thresholds
    classifier: CalibratedByTray
    lean: Lean
    mark_from: float
    sure_from: float
    measured: MeasuredTrays
    held_out: pd.DataFrame
    costs: Mapping[Thresholds, float]


def fit_site(
    seen_by: Mapping[Thresholds, MeasuredTrays],
    base: MarkModel,
    *,
    named: pd.DataFrame | None = None,
    wanted_error: float | None = None,
) -> SiteFit:
    """Fit a model to labelled trays.

    Parameters
    ----------
    seen_by : the same trays as the base's detector sees them with each choice of thresholds; the first is its own.
    base : the model to start from.
    named : marks named on pages, as ``scorer.training.site_trays.named_marks`` gives them.
    wanted_error : share of named marks that may have the wrong kind; None keeps the base's limit.

    Raises
    ------
    LabelsError : the labels are too few, on too few trays, or name no marks.
    """
    must_teach(next(iter(seen_by.values())), named)
    fits = {thresholds: _fit_names(_with(measured, named), base) for thresholds, measured in seen_by.items()}
    costs = {thresholds: _cost(*fit) for thresholds, fit in fits.items()}
    chosen = min(costs, key=lambda thresholds: (costs[thresholds], thresholds != AS_SHIPPED))
    measured, classifier = fits[chosen]
    held_out = pd.DataFrame(classifier.held_out_, columns=list(base.forest.classes), index=measured.proposals.index)
    return SiteFit(
        thresholds=chosen,
        classifier=classifier,
        lean=lean_of(classifier, len(base.forest.classes)),
        mark_from=base.mark_from,
        sure_from=sure_for(measured.proposals, held_out, base, wanted_error),
        measured=measured,
        held_out=held_out,
        costs=costs,
    )


def must_teach(measured: MeasuredTrays, named: pd.DataFrame | None = None) -> None:
    """Let labels through that something can be learned from.

    Raises
    ------
    LabelsError : they are on too few trays, name too few marks, or nothing but marks.
    """
    table = _with(measured, named).proposals
    trays, marks = table["tray"].nunique(), int((table["kind"] != NOT_A_MARK).sum())
    if trays < FEWEST_TRAYS:
        raise LabelsError(
            f"The labels are on {trays} {'tray' if trays == 1 else 'trays'}; label fruit on at least {FEWEST_TRAYS}, "
            "for a model is tried on trays that it has not learned from."
        )
    if marks < FEWEST_MARKS:
        raise LabelsError(
            f"The labels name {marks or 'no'} {'mark' if marks == 1 else 'marks'} that the detector sees; label at "
            f"least {FEWEST_MARKS}, and begin with the trays that `scorer train next` lists."
        )


def classifier_from(base: MarkModel) -> CalibratedByTray:
    """A classifier that says what the base says until it is fitted: the base's opinion, weighed by a regression."""
    classes = list(base.forest.classes)
    unmoved = np.hstack([np.eye(len(classes)), np.zeros((len(classes), len(MEASURES)))])
    spread = np.concatenate([np.full(len(classes), OPINION_SD), np.full(len(MEASURES), MEASURE_SD)])
    return CalibratedByTray(
        Pipeline(
            [
                ("opinion", OpinionAndMeasures(base.forest, base.usual, base.spread)),
                ("names", PriorLogistic(classes, prior_mean=unmoved, prior_sd=spread, intercept_sd=START_SD)),
            ]
        )
    )


def site_model(base: MarkModel, detector: Any, fit: SiteFit) -> MarkModel:
    """The base as fitted to a site, ready to score; ``detector`` is the base's, as scikit-learn fitted it."""
    own = moved(detector, fit.thresholds)
    return replace(
        base,
        discriminant=discriminant_from(np.asarray(own.coef_), np.asarray(own.intercept_)),
        lean=fit.lean,
        mark_from=fit.mark_from,
        sure_from=fit.sure_from,
    )


def lean_of(classifier: CalibratedByTray, classes: int) -> Lean:
    """A fitted classifier as scoring takes it, its sharpness multiplied in."""
    opinion, names = classifier.estimator_.named_steps["opinion"], classifier.estimator_.named_steps["names"]
    weights = classifier.sharpness_ * names.coef_
    return Lean(
        of_opinion=weights[:, :classes],
        of_measures=weights[:, classes:],
        start=classifier.sharpness_ * names.intercept_,
        usual=opinion.usual_,
        spread=opinion.spread_,
    )


def sure_for(proposals: pd.DataFrame, held_out: pd.DataFrame, base: MarkModel, wanted_error: float | None) -> float:
    """Smallest limit of sureness at which no more than the wanted share of named marks has the wrong kind, held out.

    Without a wanted error, or with fewer than LEAST_TO_CHOOSE marks, it is the base's. If no limit is enough, it is the
    one just above all that were wrong.
    """
    of_kinds = held_out[list(KINDS)].to_numpy(float)
    marked = ((1 - held_out[NOT_A_MARK] >= base.mark_from) & (proposals["kind"] != NOT_A_MARK)).to_numpy()
    if wanted_error is None or marked.sum() < LEAST_TO_CHOOSE:
        return base.sure_from
    share = (of_kinds.max(axis=1) / np.maximum(of_kinds.sum(axis=1), 1e-9))[marked]
    wrong = np.array(KINDS)[of_kinds.argmax(axis=1)][marked] != proposals["kind"].to_numpy(str)[marked]
    order = np.argsort(-share, kind="stable")
    errors = np.cumsum(wrong[order]) / np.arange(1, len(order) + 1)
    enough = np.flatnonzero(errors <= wanted_error)
    if not len(enough):
        return float(min(np.nextafter(share[order][0], 1), 1.0))
    return float(share[order][enough[-1]])


def _fit_names(measured: MeasuredTrays, base: MarkModel) -> tuple[MeasuredTrays, CalibratedByTray]:
    table = measured.proposals
    fitted = classifier_from(base).fit(
        table[list(MEASURES)].to_numpy(float),
        table["kind"].to_numpy(str),
        groups=table["tray"].to_numpy(str),
        sample_weight=weights_of(table),
    )
    return measured, fitted


def weights_of(table: pd.DataFrame) -> Float64:
    """Weight (N,) of each proposal; what several people said of one fruit weighs together as one person's word."""
    people = table.groupby(["tray", "fruit"])["who"].transform("nunique").to_numpy(float)
    return np.asarray(proposal_weights(table) / people)


def _cost(measured: MeasuredTrays, classifier: CalibratedByTray) -> float:
    """What errors would cost per fruit, held out, if a proposal were called a mark as often as it is held for one."""
    table = measured.proposals
    is_mark = 1 - classifier.held_out_[:, list(classifier.classes_).index(NOT_A_MARK)]
    truly = (table["kind"] != NOT_A_MARK).to_numpy()
    found = table[["tray", "who", "true_label"]].assign(chance=is_mark)[truly]
    best = found.groupby(["tray", "who", "true_label"])["chance"].max()
    marks = measured.marks[measured.marks["contrast_delta_e"] >= FAINTEST_DELTA_E]
    chances = best.reindex(pd.MultiIndex.from_frame(marks[["tray", "who", "true_label"]])).fillna(0.0)
    return float((MISSED_COST * (1 - chances).sum() + is_mark[~truly].sum()) / max(len(measured.fruit), 1))


def _with(measured: MeasuredTrays, named: pd.DataFrame | None) -> MeasuredTrays:
    if named is None or named.empty:
        return measured
    parts = [part for part in (measured.proposals, named.assign(true_label=0)) if len(part)]
    return MeasuredTrays(pd.concat(parts, ignore_index=True), measured.marks, measured.fruit)
