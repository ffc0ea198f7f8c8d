"""Whether a batch's look has moved from what the model learned from: measure by measure, and in one sentence.

A model learns from many sheds' light, skins and phones, and one batch has those of one day: where it is merely narrower
than what was learned, measures have moved, too, though the model has seen all of it. Such a warning costs a look at
20 marks.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from sqlalchemy import Engine

from scorer.access.roles import Person, Right
from scorer.errors import RecordsError
from scorer.look_drift import sentences
from scorer.look_drift.batch_look import BatchLook, marks_of_batch, newest_batches
from scorer.look_drift.brown_row import BROWN, brown_row, mean_of_quantiles
from scorer.look_drift.measure_row import LEVEL, MeasureRow, measure_row
from scorer.look_drift.reference import Reference, reference_of
from scorer.marks.measure import MEASURES
from scorer.records.database import name_of
from scorer.score_tables import KINDS

Floats = NDArray[np.float64]

DRIFT_DTYPES: Final = {
    "measure": "str",
    "psi": "float64",
    "psi_by_chance": "float64",
    "p": "float64",
    "moved": "bool",
    "usual_before": "float64",
    "usual_now": "float64",
}
LEAST_MARKS: Final = 30
LEAST_PHOTOS: Final = 5
LEAST_OF_KIND: Final = 10
"""Training marks of a kind that a batch's marks of it are held against at the least; these three are our own choice."""
_HASH_SIGNS: Final = 12


@dataclass(frozen=True)
class LookDrift:
    """What is to be said of a batch's look.

    Parameters
    ----------
    table : one row per measure, the most moved first, with the columns DRIFT_DTYPES; without rows where nothing can be
        told. ``p`` is adjusted for all measures (Holm 1979, Scandinavian Journal of Statistics 6: 65-70). A measure
        has ``moved`` where its index is above 0.25 and above what chance gives, and its p below 0.01. The row
        ``brown_fraction`` is of fruit, not of marks, and never makes a warning.
    warning : one sentence where the look has moved, else "".
    notes : sentences that go with it; the first says why there is no warning, where there is none.
    marks, photos : of the batch that were looked at.
    """

    table: pd.DataFrame
    warning: str
    notes: tuple[str, ...]
    marks: int
    photos: int


def drift_of_batch(person: Person, engine: Engine, folder: Path, batch: int | None = None) -> LookDrift:
    """Hold a batch of the records against what a model has learned from.

    Parameters
    ----------
    folder : the model's.
    batch : its number; None takes the newest that scored any photo.

    Raises
    ------
    AccessError : the person may not see how records and models are.
    RecordsError : there is no such batch, or the records cannot be read.
    ModelError : the model, or what it has learned from, cannot be read.
    """
    person.must(Right.SEE_RECORDS)
    reference = reference_of(folder)
    if batch is None:
        batch = next(iter(newest_batches(engine, newest=1)), None)
        if batch is None:
            raise RecordsError(f"{name_of(engine)} holds no scored photo; score some with --records first.")
    look = marks_of_batch(engine, batch)
    if reference is None:
        return LookDrift(_table(()), "", (sentences.NO_REFERENCE,), 0, 0)
    return look_drift(reference, look)


def look_drift(reference: Reference, look: BatchLook) -> LookDrift:
    """Hold the look of a batch against what a model has learned from.

    Marks whose kind is ``unsure`` are left out, and those of kinds of which the model has learned from fewer than
    LEAST_OF_KIND marks.
    """
    counts = reference.marks["kind"].value_counts()
    learned = set(counts[counts >= LEAST_OF_KIND].index)
    named = look.marks[look.marks["kind"].isin(KINDS)]
    marks = named[named["kind"].isin(learned)]
    photos = int(marks["photo"].nunique())
    notes = tuple(_notes(reference, look, sorted(set(named["kind"]) - learned)))
    if len(marks) < LEAST_MARKS or photos < LEAST_PHOTOS:
        few = sentences.too_few_sentence(len(marks), photos, LEAST_MARKS, LEAST_PHOTOS)
        return LookDrift(_table(()), "", (few, *notes), len(marks), photos)
    before, now = _numbered(reference.marks), _numbered(marks)
    rows = [measure_row(measure, before, now) for measure in MEASURES]
    if reference.brown_fractions is not None:
        rows.append(brown_row(reference.brown_fractions, reference.fruit, look.fruit))
    table = _table(rows)
    of_marks = table[table["measure"] != BROWN]
    moved, total = of_marks.loc[of_marks["moved"], "measure"].tolist(), int(of_marks["psi"].notna().sum())
    warning = sentences.moved_sentence(moved, total) if moved else ""
    said = () if moved else (sentences.alike_sentence(total),)
    return LookDrift(table, warning, (*said, *notes, *_of_brown(table, reference, look)), len(marks), photos)


def _numbered(marks: pd.DataFrame) -> pd.DataFrame:
    """The same marks with numbers for kinds and photos, which pandas groups by faster than by words."""
    return marks.assign(kind=marks["kind"].map(KINDS.index), photo=pd.factorize(marks["photo"])[0])


def _table(rows: Sequence[MeasureRow]) -> pd.DataFrame:
    """Rows in the order of how far they moved, with p adjusted for those that have one."""
    p = np.array([row.p for row in rows], dtype=np.float64)
    known = np.isfinite(p)
    if known.any():
        p[known] = adjusted(p[known])
    table = pd.DataFrame(
        {
            "measure": [row.measure for row in rows],
            "psi": [row.psi for row in rows],
            "psi_by_chance": [row.psi_by_chance for row in rows],
            "p": p,
            "moved": [row.beyond_chance and of_row < LEVEL for row, of_row in zip(rows, p, strict=True)],
            "usual_before": [row.usual_before for row in rows],
            "usual_now": [row.usual_now for row in rows],
        }
    ).astype(DRIFT_DTYPES)
    return table.sort_values(["moved", "psi"], ascending=False, kind="stable", ignore_index=True)


def adjusted(p: Floats) -> Floats:
    """Values p (N,) adjusted for their number: the smallest times N, the next times N - 1, never falling (Holm)."""
    order = np.argsort(p, kind="stable")
    rising = np.maximum.accumulate(p[order] * np.arange(len(p), 0, -1))
    held = np.empty(len(p))
    held[order] = np.minimum(rising, 1)
    return held


def _notes(reference: Reference, look: BatchLook, unlearned: Sequence[str]) -> Iterator[str]:
    if look.model_sha256 != reference.model_sha256:
        yield sentences.other_model_sentence(look.model_sha256[:_HASH_SIGNS])
    if unlearned:
        yield sentences.kinds_left_out_sentence(unlearned)


def _of_brown(table: pd.DataFrame, reference: Reference, look: BatchLook) -> Iterator[str]:
    if reference.brown_fractions is not None and table.loc[table["measure"] == BROWN, "moved"].any():
        mean = float(look.fruit["brown_fraction"].mean())
        more = mean > mean_of_quantiles(reference.brown_fractions)
        yield sentences.MORE_BROWN if more else sentences.LESS_BROWN
