"""Measure labelled trays: what is proposed on them with its measures and its true kind, and which marks are there."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import cv2
import numpy as np
import pandas as pd
from joblib import Parallel, delayed
from numpy.typing import NDArray

from scorer.fruit.find import Fruit
from scorer.kinds import NOT_A_MARK
from scorer.marks.measure import MEASURES
from scorer.marks.propose import Discriminant
from scorer.photo import open_photo
from scorer.score_tables import KINDS
from scorer.training.labelled import LabelledTray, TrayReader
from scorer.training.site_look import LOOK_COLUMNS, fruit_look, tray_look
from scorer.tray import LocatedTray, locate, measure_proposals

Labels = NDArray[np.int32]
Mask16 = NDArray[np.uint16]

MARK_SHARE, CLEAN_SHARE = 0.35, 0.08
"""Share of a proposal's pixels that are truly marked: it is a mark from the first on, and none up to the second."""
FAINTEST_DELTA_E: Final = 5.0
UNKNOWN: Final = ""
"""Kind of a proposal that nobody said anything of, or that lies half on a mark."""
PROPOSED_SHARE: Final = 0.5
"""Share of a mark's pixels that must be proposed for it to be found; as the accuracy benchmark counts."""
PROPOSAL_COLUMNS: Final = ("kind", "true_label", "fruit", "tray", "who")
FRUIT_COLUMNS: Final = ("tray", "who", "fruit", "visible_area_mm2", "length_mm", "width_mm", "whole", *LOOK_COLUMNS)
MARK_COLUMNS: Final = ("tray", "who", "fruit", "true_label", "kind", "area_mm2", "contrast_delta_e", "proposed")


@dataclass(frozen=True)
class MeasuredTrays:
    """Labelled trays as a detector sees them, and as they truly are.

    Parameters
    ----------
    proposals : one row per proposal: MEASURES, kind (one of CLASSES, or UNKNOWN), true_label (of the mark it lies on,
        0 for none), fruit (its number as found), tray and who (labelled it).
    marks : one row per labelled mark on a fruit that was found: MARK_COLUMNS; ``proposed`` says whether proposals
        cover most of it. ``area_mm2`` is what is seen of it.
    fruit : one row per fruit that was found: FRUIT_COLUMNS; sizes, colours and the light's cast are missing without
        a card, and ``whole`` says whether all its marks are labelled.
    """

    proposals: pd.DataFrame
    marks: pd.DataFrame
    fruit: pd.DataFrame

    @property
    def known(self) -> pd.DataFrame:
        """Proposals of which it is known what they are."""
        return self.proposals[self.proposals["kind"] != UNKNOWN].reset_index(drop=True)

    def of_trays(self, trays: Collection[str]) -> MeasuredTrays:
        """Only these trays."""
        return self._where(lambda table: table["tray"].isin(list(trays)))

    def of_fruit(self, fruit: Collection[tuple[str, int]]) -> MeasuredTrays:
        """Only these fruit, by tray and number."""
        wanted = pd.MultiIndex.from_tuples(list(fruit))
        return self._where(lambda table: pd.MultiIndex.from_frame(table[["tray", "fruit"]]).isin(wanted))

    def _where(self, wanted: Callable[[pd.DataFrame], Any]) -> MeasuredTrays:
        tables = (self.proposals, self.marks, self.fruit)
        return MeasuredTrays(*(table[wanted(table)].reset_index(drop=True) for table in tables))


def measure_trays(
    trays: Sequence[TrayReader], discriminants: Sequence[Discriminant], jobs: int = 1
) -> list[MeasuredTrays]:
    """Labelled trays as each of some detectors sees them; each tray is opened and its fruit found once.

    Parameters
    ----------
    jobs : worker processes; they do not change what comes out.
    """
    found = Parallel(n_jobs=jobs)(delayed(_measure_tray)(tray, discriminants) for tray in trays)
    return [together([of_tray[i] for of_tray in found]) for i in range(len(discriminants))]


def true_fractions(measured: MeasuredTrays) -> NDArray[np.float64]:
    """Share of its visible skin that labelled marks cover, of each fruit with a scale whose marks are all labelled."""
    key = ["tray", "who", "fruit"]
    fruit = measured.fruit[measured.fruit["whole"].astype(bool) & measured.fruit["visible_area_mm2"].notna()]
    brown = measured.marks.groupby(key)["area_mm2"].sum()
    area = brown.reindex(pd.MultiIndex.from_frame(fruit[key])).fillna(0.0).to_numpy(float)
    return np.asarray(np.minimum(area / fruit["visible_area_mm2"].to_numpy(float), 1.0))


def together(parts: Sequence[MeasuredTrays]) -> MeasuredTrays:
    """Trays with different names, or fruit of one, as one set."""
    return MeasuredTrays(
        _stacked([part.proposals for part in parts], (*MEASURES, *PROPOSAL_COLUMNS)),
        _stacked([part.marks for part in parts], MARK_COLUMNS),
        _stacked([part.fruit for part in parts], FRUIT_COLUMNS),
    )


def _stacked(tables: Sequence[pd.DataFrame], columns: Sequence[str]) -> pd.DataFrame:
    filled = [table for table in tables if len(table)]
    return pd.concat(filled, ignore_index=True) if filled else pd.DataFrame(columns=list(columns))


def _measure_tray(read: TrayReader, discriminants: Sequence[Discriminant]) -> list[MeasuredTrays]:
    cv2.setNumThreads(1)
    truth = read()
    tray = locate(open_photo(truth.photo))
    size = (tray.labels.shape[1], tray.labels.shape[0])
    true_marks = cv2.resize(truth.mark_mask, size, interpolation=cv2.INTER_NEAREST_EXACT)
    fruit = [one for one in tray.fruit if truth.is_one_fruit(tray.labels == one.number)]
    look = tray_look(tray)
    found = [
        together([_measure_fruit(tray, one, truth, true_marks[one.window], discriminant) for one in fruit])
        for discriminant in discriminants
    ]
    return [replace(each, fruit=each.fruit.assign(**look)) for each in found]


def _measure_fruit(
    tray: LocatedTray, fruit: Fruit, truth: LabelledTray, true_marks: Mask16, discriminant: Discriminant
) -> MeasuredTrays:
    labels, table = measure_proposals(tray, fruit, discriminant)
    here = np.where(fruit.inside, true_marks, 0)
    named = [_true_kind(true_marks[labels == i], truth) for i in range(1, len(table) + 1)]
    about: dict[str, Any] = {"fruit": fruit.number, "tray": truth.tray, "who": truth.who}
    kinds: dict[str, Any] = {
        "kind": [kind or UNKNOWN for kind, _ in named],
        "true_label": [label for _, label in named],
    }
    proposals = table.assign(**kinds, **about)
    marks = [
        about | _mark(truth, int(label), here == label, labels > 0, fruit)
        for label in np.unique(here[here > 0])
        if int(label) in truth.marks
    ]
    scaled = tray.pose is not None
    sizes = {
        "visible_area_mm2": fruit.skin.visible_area_mm2 if scaled else float("nan"),
        "length_mm": fruit.solid.length_mm if scaled else float("nan"),
        "width_mm": fruit.solid.width_mm if scaled else float("nan"),
        "whole": truth.whole,
        **fruit_look(tray, fruit),
    }
    return MeasuredTrays(
        proposals,
        pd.DataFrame(marks, columns=list(MARK_COLUMNS)),
        pd.DataFrame([about | sizes], columns=list(FRUIT_COLUMNS)),
    )


def _mark(
    truth: LabelledTray, label: int, at: NDArray[np.bool_], proposed: NDArray[np.bool_], fruit: Fruit
) -> dict[str, object]:
    mark = truth.marks[label]
    return {
        "true_label": label,
        "kind": mark.kind,
        "area_mm2": float(fruit.skin.area_mm2[at].sum()),
        "contrast_delta_e": mark.contrast_delta_e,
        "proposed": bool(proposed[at].mean() >= PROPOSED_SHARE),
    }


def _true_kind(labels_under: Mask16, truth: LabelledTray) -> tuple[str | None, int]:
    """What a proposal truly is, from the true mark labels under its pixels; None where it is neither one nor other."""
    marked = labels_under[labels_under > 0]
    share = len(marked) / len(labels_under)
    if share <= CLEAN_SHARE:
        return (NOT_A_MARK if truth.whole else None), 0
    label = int(np.bincount(marked).argmax())
    mark = truth.marks.get(label)
    if share < MARK_SHARE or mark is None or mark.kind not in KINDS or mark.contrast_delta_e < FAINTEST_DELTA_E:
        return None, label
    return mark.kind, label
