"""Fit a shipped model to a site's labels: thresholds of the detector, names of marks, and when to say neither.

Every choice is made on trays that the fit in question has not seen, by what errors cost; and the names are learned from
the site's marks together with those that the shipped model learned from, and those on trays that are drawn to look like
the site's, so that a few labels correct it and cannot overthrow it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
import pandas as pd
from joblib import Parallel, delayed
from numpy.typing import NDArray
from sklearn.pipeline import Pipeline

from scorer.errors import LabelsError
from scorer.kinds import NOT_A_MARK, MarkModel, model_of
from scorer.marks.measure import MEASURES
from scorer.score_tables import KINDS
from scorer.training.calibrated import CalibratedByTray, as_shipped
from scorer.training.measured import FAINTEST_DELTA_E, MeasuredTrays
from scorer.training.naming import MARK_FROM, ROUNDS
from scorer.training.prior_forest import LearnedBefore, PriorForest
from scorer.training.thresholds import Thresholds, moved

Float64 = NDArray[np.float64]

MISSED_COST: Final = 1 / MARK_FROM - 1
"""What a missed mark costs, against a false one."""
FEWEST_TRAYS: Final = 3
FEWEST_MARKS: Final = 3
LEAST_TO_CHOOSE: Final = 30
"""Named marks from which the limit of sureness is chosen anew; with fewer, the shipped one stays."""
FOLDS: Final = 3
OWN_TIMES: Final = 20
DRAWN_TIMES: Final = 10
"""How many proposals that the shipped model learned from one of the site counts for, and one of a tray drawn to look
like the site's. Found on a look that the learning curve is not measured on: with less, a few labels bring less."""
_MARK_KEY: Final = ["tray", "who", "true_label"]


@dataclass(frozen=True)
class Base:
    """The model to start from.

    Parameters
    ----------
    model : as it scores.
    detector : as scikit-learn fitted it.
    before : what its names were learned from.
    rounds : trees for each class of a forest that goes on learning from there.
    own_times : proposals learned before that one of the site counts for.
    """

    model: MarkModel
    detector: Any
    before: LearnedBefore
    rounds: int = ROUNDS
    own_times: int = OWN_TIMES

    def having_seen(self, drawn: MeasuredTrays) -> Base:
        """The same model to start from, with what is to be learned from drawn trays."""
        rows, kinds = drawn.known[list(MEASURES)].to_numpy(float), drawn.known["kind"].to_numpy(str)
        return replace(self, before=self.before.and_of(rows, kinds, DRAWN_TIMES))


@dataclass(frozen=True)
class SiteFit:
    """A model as fitted to a site.

    Parameters
    ----------
    thresholds : of the detector.
    detector, classifier : as scikit-learn fitted them, to be kept.
    mark_from, sure_from, usual : see ``scorer.kinds.MarkModel``.
    learned_from : the site's proposals that it was fitted on.
    held_out : (those proposals, classes) probabilities of each, from a fit that had not seen its tray.
    costs : of each choice of thresholds, per tray, held out.
    """

    thresholds: Thresholds
    detector: Any
    classifier: Any
    mark_from: float
    sure_from: float
    usual: Float64
    learned_from: pd.DataFrame
    held_out: pd.DataFrame
    costs: Mapping[Thresholds, float]

    @property
    def model(self) -> MarkModel:
        """The model ready to score; it is known by nothing until it is kept."""
        usual = dict(zip(MEASURES, self.usual.tolist(), strict=True))
        card = {"mark_from": self.mark_from, "sure_from": self.sure_from, "usual": usual}
        return model_of(self.detector, self.classifier, card, "", "the fit")


def fit_site(
    seen_by: Mapping[Thresholds, MeasuredTrays],
    base: Base,
    *,
    named: pd.DataFrame | None = None,
    wanted_error: float | None = None,
    seed: int = 0,
    jobs: int = 1,
) -> SiteFit:
    """Fit a model to labelled trays.

    Parameters
    ----------
    seen_by : the same trays as the base's detector sees them with each choice of thresholds; the first is its own.
    named : marks named on pages, as ``scorer.training.site_trays.named_marks`` gives them.
    wanted_error : share of named marks that may have the wrong kind; None keeps the base's limit.
    seed : decides every draw.
    jobs : fits at once; they do not change what comes out.

    Raises
    ------
    LabelsError : the labels are too few, on too few trays, or name no marks.
    """
    must_teach(next(iter(seen_by.values())), named)
    tables = {thresholds: _table(measured, named) for thresholds, measured in seen_by.items()}
    fitted = Parallel(n_jobs=jobs)(delayed(_fit_names)(table, base, seed) for table in tables.values())
    fits = dict(zip(seen_by, fitted, strict=True))
    costs = {thresholds: costs_of(seen_by[thresholds], tables[thresholds], fits[thresholds]) for thresholds in fits}
    chosen = cheapest(costs)
    classifier, table = fits[chosen], tables[chosen]
    held_out = pd.DataFrame(classifier.held_out_, columns=list(classifier.classes_), index=table.index)
    return SiteFit(
        thresholds=chosen,
        detector=moved(base.detector, chosen),
        classifier=as_shipped(classifier),
        mark_from=base.model.mark_from,
        sure_from=sure_for(table, held_out, base.model, wanted_error),
        usual=base.model.usual,
        learned_from=table,
        held_out=held_out,
        costs={thresholds: float(of_trays.mean()) for thresholds, of_trays in costs.items()},
    )


def must_teach(measured: MeasuredTrays, named: pd.DataFrame | None = None) -> None:
    """Let labels through that something can be learned from.

    Raises
    ------
    LabelsError : they are on too few trays, name too few marks, or nothing but marks.
    """
    table = _table(measured, named)
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
    if marks == len(table):
        raise LabelsError(
            "The labels name nothing that is not a mark, so nothing can be learned of look-alikes; say of some scored "
            "marks that they are none, or outline all marks of whole photos."
        )


def costs_of(measured: MeasuredTrays, table: pd.DataFrame, classifier: CalibratedByTray) -> pd.Series[float]:
    """What errors would cost on each tray, held out, if proposals were called marks as often as they are held for one.

    Parameters
    ----------
    table : the proposals that the classifier was fitted on, in their order.
    """
    is_mark = 1 - classifier.held_out_[:, list(classifier.classes_).index(NOT_A_MARK)]
    truly = (table["kind"] != NOT_A_MARK).to_numpy()
    best = table[_MARK_KEY].assign(chance=is_mark)[truly].groupby(_MARK_KEY)["chance"].max()
    marks = measured.marks[measured.marks["contrast_delta_e"] >= FAINTEST_DELTA_E]
    missed = 1 - best.reindex(pd.MultiIndex.from_frame(marks[_MARK_KEY])).fillna(0.0).to_numpy()
    of_missed = pd.Series(MISSED_COST * missed).groupby(marks["tray"].to_numpy()).sum()
    of_false = pd.Series(is_mark[~truly]).groupby(table.loc[~truly, "tray"].to_numpy()).sum()
    return of_missed.add(of_false, fill_value=0.0).reindex(sorted(set(measured.fruit["tray"])), fill_value=0.0)


def cheapest(costs: Mapping[Thresholds, pd.Series[float]]) -> Thresholds:
    """The thresholds that errors cost least with; others than the first only where they save more than chance might.

    What they save must be more than its standard error over the trays, so that a few trays do not move what many set.
    """
    first, *others = costs
    bound = {first: 0.0}
    for thresholds in others:
        saved = costs[first] - costs[thresholds]
        bound[thresholds] = float(saved.mean() - saved.std(ddof=1) / np.sqrt(len(saved)))
    return max(bound, key=lambda thresholds: bound[thresholds])


def sure_for(table: pd.DataFrame, held_out: pd.DataFrame, base: MarkModel, wanted_error: float | None) -> float:
    """Smallest limit of sureness at which no more than the wanted share of named marks has the wrong kind, held out.

    Without a wanted error, or with fewer than LEAST_TO_CHOOSE marks, it is the base's. If no limit is enough, it is the
    one just above all that were wrong.
    """
    of_kinds = held_out[list(KINDS)].to_numpy(float)
    marked = ((1 - held_out[NOT_A_MARK] >= base.mark_from) & (table["kind"] != NOT_A_MARK)).to_numpy()
    if wanted_error is None or marked.sum() < LEAST_TO_CHOOSE:
        return base.sure_from
    share = (of_kinds.max(axis=1) / np.maximum(of_kinds.sum(axis=1), 1e-9))[marked]
    wrong = np.array(KINDS)[of_kinds.argmax(axis=1)][marked] != table["kind"].to_numpy(str)[marked]
    order = np.argsort(-share, kind="stable")
    errors = np.cumsum(wrong[order]) / np.arange(1, len(order) + 1)
    enough = np.flatnonzero(errors <= wanted_error)
    if not len(enough):
        return float(min(np.nextafter(share[order][0], 1), 1.0))
    return float(share[order][enough[-1]])


def weights_of(table: pd.DataFrame) -> Float64:
    """Weight (N,) of each proposal; what several people said of one fruit weighs together as one person's word.

    Look-alikes weigh as much as marks, unlike in the shipped model's training: the site's own trays tell how common
    they are.
    """
    return np.asarray(1 / table.groupby(["tray", "fruit"])["who"].transform("nunique").to_numpy(float))


def _fit_names(table: pd.DataFrame, base: Base, seed: int) -> CalibratedByTray:
    names = Pipeline([("names", PriorForest(base.before, seed, base.rounds, base.own_times))])
    return CalibratedByTray(names, FOLDS).fit(
        table[list(MEASURES)].to_numpy(float),
        table["kind"].to_numpy(str),
        groups=table["tray"].to_numpy(str),
        sample_weight=weights_of(table),
    )


def _table(measured: MeasuredTrays, named: pd.DataFrame | None) -> pd.DataFrame:
    parts = [measured.known] + ([] if named is None else [named.assign(true_label=0)])
    filled = [part for part in parts if len(part)]
    return pd.concat(filled, ignore_index=True) if filled else measured.known
