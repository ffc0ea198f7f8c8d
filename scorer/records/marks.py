"""Read the marks of some crews with their measures, fast: of each photo's newest score."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd
from sqlalchemy import Engine, func, select

from scorer.records.database import in_words
from scorer.records.tables import Bin, Crew, Fruit, Mark, Photo, Score, Tray

ABOUT_MARK = ("photo", "sha256", "fruit", "mark", "kind", "probability", "area_mm2", "length_mm", "width_mm")


def marks_of_crews(engine: Engine, crews: Sequence[str]) -> pd.DataFrame:
    """One row per mark with the columns ABOUT_MARK and those of its measures, as they were scored.

    Raises
    ------
    RecordsError : the records cannot be read.
    """
    newest = (
        select(Score.photo_id, func.max(Score.scored_at).label("scored_at")).group_by(Score.photo_id).subquery("newest")
    )
    wanted = (
        select(
            Photo.name.label("photo"),
            Photo.sha256,
            Fruit.number.label("fruit"),
            Mark.number.label("mark"),
            Mark.kind,
            Mark.probability,
            Mark.area_mm2,
            Mark.length_mm,
            Mark.width_mm,
            Mark.measures,
        )
        .join(Fruit, Mark.fruit_id == Fruit.id)
        .join(Score, Fruit.score_id == Score.id)
        .join(newest, (newest.c.photo_id == Score.photo_id) & (newest.c.scored_at == Score.scored_at))
        .join(Photo, Score.photo_id == Photo.id)
        .join(Tray, Photo.tray_id == Tray.id)
        .join(Bin, Tray.bin_id == Bin.id)
        .join(Crew, Bin.crew_id == Crew.id)
        .where(Crew.name.in_(list(crews)))
        .order_by(Photo.taken_at, Photo.sha256, Mark.number)
    )
    with in_words(engine), engine.connect().execution_options(reads=True) as connection:
        rows = connection.execute(wanted).all()
    table = pd.DataFrame([row[:-1] for row in rows], columns=list(ABOUT_MARK))
    measures = pd.DataFrame([row[-1] for row in rows])
    return table.join(measures[[name for name in measures.columns if name not in table.columns]])
