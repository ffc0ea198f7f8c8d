"""The look of a batch, from the records: its marks with their measures, and how brown its fruit are."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import pandas as pd
from sqlalchemy import Connection, Engine, Select, func, select

from scorer.errors import RecordsError
from scorer.marks.measure import MEASURES, SIZES
from scorer.records.database import in_words, name_of
from scorer.records.tables import FittedModel, Fruit, Import, Mark, Photo, Score

MOST_PHOTOS: Final = 300
"""Newest photos of a batch that are looked at: more say no more, and a page would wait for them."""
_USED = ("good", "usable")


@dataclass(frozen=True)
class BatchLook:
    """What a batch's photos look like to scoring. Photos to be taken again are left out: they say why themselves.

    Parameters
    ----------
    batch : its number in the records.
    model_sha256 : of the model that scored it.
    marks : one row per mark: MEASURES (float64, missing where the model took no such measure), kind (as scored), photo
        (SHA-256).
    fruit : one row per fruit: brown_fraction (float64, 0 to 1), photo (SHA-256).
    """

    batch: int
    model_sha256: str
    marks: pd.DataFrame
    fruit: pd.DataFrame


def marks_of_batch(engine: Engine, batch: int) -> BatchLook:
    """The look of the newest MOST_PHOTOS photos of a batch, as scored; what people said of marks changes nothing here.

    Raises
    ------
    RecordsError : there is no such batch, or the records cannot be read.
    """
    with in_words(engine), engine.connect().execution_options(reads=True) as connection:
        model = connection.scalar(
            select(FittedModel.sha256).join(Import, Import.model_id == FittedModel.id).where(Import.id == batch)
        )
        if model is None:
            raise RecordsError(
                f"{name_of(engine)} holds no batch {batch}; `scorer records list` shows the newest batches."
            )
        return BatchLook(batch, str(model), _marks(connection, batch), _fruit(connection, batch))


def looks_of_newest_batches(engine: Engine, *, newest: int = 20) -> list[BatchLook]:
    """The looks of the newest batches that scored any photo, newest first.

    Raises
    ------
    RecordsError : the records cannot be read.
    """
    return [marks_of_batch(engine, batch) for batch in newest_batches(engine, newest=newest)]


def newest_batches(engine: Engine, *, newest: int = 20) -> list[int]:
    """Numbers of the newest batches that scored any photo, newest first.

    Raises
    ------
    RecordsError : the records cannot be read.
    """
    wanted = select(Score.import_id).group_by(Score.import_id).having(func.count() > 0)
    with in_words(engine), engine.connect().execution_options(reads=True) as connection:
        return [int(one) for one in connection.scalars(wanted.order_by(Score.import_id.desc()).limit(newest))]


def _marks(connection: Connection, batch: int) -> pd.DataFrame:
    sizes = [getattr(Mark, name) for name in SIZES]  # they stand in columns of their own, not among the measures
    columns: Select[*tuple[Any, ...]] = select(Photo.sha256, Mark.kind, Mark.measures, *sizes)
    joined = _of_batch(columns.join(Fruit, Mark.fruit_id == Fruit.id), batch)
    rows = connection.execute(joined.order_by(Photo.sha256, Mark.number)).all()
    measured = [{**(row[2] or {}), **dict(zip(SIZES, row[3:], strict=True))} for row in rows]
    table = pd.DataFrame(measured).reindex(columns=list(MEASURES), index=range(len(rows))).astype("float64")
    return table.assign(kind=[row[1] for row in rows], photo=[row[0] for row in rows])


def _fruit(connection: Connection, batch: int) -> pd.DataFrame:
    columns: Select[*tuple[Any, ...]] = select(Fruit.brown_fraction, Photo.sha256)
    found = connection.execute(_of_batch(columns, batch).order_by(Photo.sha256, Fruit.number))
    rows = [tuple(row) for row in found]
    return pd.DataFrame(rows, columns=["brown_fraction", "photo"]).astype({"brown_fraction": "float64"})


def _of_batch(wanted: Select[*tuple[Any, ...]], batch: int) -> Select[*tuple[Any, ...]]:
    newest = select(Score.id).where(Score.import_id == batch, Score.verdict.in_(_USED)).order_by(Score.id.desc())
    joined = wanted.join(Score, Fruit.score_id == Score.id).join(Photo, Score.photo_id == Photo.id)
    return joined.where(Score.id.in_(newest.limit(MOST_PHOTOS)))
