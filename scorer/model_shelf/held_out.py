"""Try a fit on trays that it has not learned from: fitted anew without them, thresholds and limits and all."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import pandas as pd
from sklearn.model_selection import GroupKFold

from scorer.errors import LabelsError
from scorer.model_shelf.compare import Judged
from scorer.model_shelf.judged import judge_trays
from scorer.training.labelled import TrayReader
from scorer.training.measured import MeasuredTrays
from scorer.training.site_fit import Base, fit_site
from scorer.training.thresholds import Thresholds
from scorer.tray import DEFAULT_LIMITS

FOLDS: Final = 5


@dataclass(frozen=True)
class SiteTrays:
    """A site's labelled trays, to be fitted on and judged.

    Parameters
    ----------
    readers : (tray, reader) of each tray and person.
    seen_by : the same as the base's detector sees them with each choice of thresholds.
    named : marks named on pages; None for none.
    groups : what is kept on one side of a fold, by tray, such as its crew and day; trays without one are their own.
    """

    readers: Sequence[tuple[str, TrayReader]]
    seen_by: Mapping[Thresholds, MeasuredTrays]
    named: pd.DataFrame | None
    groups: Mapping[str, str]

    def without(self, trays: set[str]) -> tuple[dict[Thresholds, MeasuredTrays], pd.DataFrame | None]:
        """What is left to learn from without some trays."""
        left = {
            thresholds: measured.of_trays(set(measured.fruit["tray"]) - trays)
            for thresholds, measured in self.seen_by.items()
        }
        named = None if self.named is None else self.named[~self.named["tray"].isin(trays)].reset_index(drop=True)
        return left, named


def judge_held_out(
    trays: SiteTrays,
    base: Base,
    *,
    wanted_error: float | None = None,
    limits: str = DEFAULT_LIMITS,
    seed: int = 0,
    jobs: int = 1,
    on_done: Callable[[str], None] = lambda fold: None,
) -> tuple[Judged, Judged]:
    """What the base and a fit say of each labelled tray, the fit never having seen it.

    Raises
    ------
    LabelsError : without a fold's trays too little is left to learn from.
    """
    names = sorted({tray for tray, _ in trays.readers})
    groups = [trays.groups.get(tray, tray) for tray in names]
    count = min(FOLDS, len(set(groups)))
    if count < 2:
        raise LabelsError("All labelled trays are of one crew and day; label trays of another, to try the fit on.")
    old: list[Judged] = []
    new: list[Judged] = []
    for number, (_, unseen) in enumerate(GroupKFold(count).split(names, groups=groups), start=1):
        held = {names[place] for place in unseen}
        left, named = trays.without(held)
        fit = fit_site(left, base, named=named, wanted_error=wanted_error, seed=seed, jobs=jobs)
        readers = [reader for tray, reader in trays.readers if tray in held]
        for all_said, said in zip(
            (old, new), judge_trays(readers, [base.model, fit.model], limits=limits, jobs=jobs), strict=True
        ):
            all_said.append(said)
        on_done(f"fold {number} of {count}")
    return _together(old), _together(new)


def _together(parts: Sequence[Judged]) -> Judged:
    return replace(
        parts[0],
        fruit=pd.concat([part.fruit for part in parts], ignore_index=True),
        marks=pd.concat([part.marks for part in parts], ignore_index=True),
        left_out=tuple(text for part in parts for text in part.left_out),
    )
