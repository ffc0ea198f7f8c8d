"""The fruit of one photo as people's words on its marks have them, each with the reason that goes with its verdict."""

from __future__ import annotations

from typing import Any

import pandas as pd
from sqlalchemy import Engine, select

from scorer.access.roles import Person
from scorer.limits import Limits
from scorer.records.database import in_words
from scorer.records.mark_words import marks_as_said
from scorer.records.newest_fruit import newest_scored_at
from scorer.records.scores import newest_scores_of
from scorer.records.tables import Fruit, Photo, Score
from scorer.records.words_in_force import judged_as_said, limits_by_name
from scorer.verdict import judge_fruit


def fruit_as_said(person: Person, engine: Engine, sha256: str) -> pd.DataFrame:
    """A photo's fruit by its newest score, judged anew where people said otherwise of their marks.

    Also where verdict and brown share stay what they were, the reason may be another: it names the kinds of marks.

    Returns
    -------
    One row per fruit with the columns ``scorer.score_tables.FRUIT_COLUMNS``. Of fruit whose marks are said to be
    others, verdict, downgraded and brown_fraction are those of ``scorer.records.words_in_force.judged_as_said``, with
    the reason for them; it is empty where the limit table cannot be loaded any more. All else is as scored.

    Raises
    ------
    AccessError : they may not look at trays.
    RecordsError : the records cannot be read.
    """
    left = marks_as_said(person, engine, sha256)
    scored = newest_scores_of(engine, sha256).fruit.reset_index(drop=True)
    newest = (
        select(Fruit.id, Fruit.number, Score.photo_id, Score.limits)
        .join(Score, Fruit.score_id == Score.id)
        .join(Photo, Score.photo_id == Photo.id)
        .where(Photo.sha256 == sha256, Score.scored_at == newest_scored_at())
    )
    with in_words(engine), engine.connect().execution_options(reads=True) as connection:
        found = {one.id: one for one in connection.execute(newest)}
        judged = judged_as_said(connection, sorted({one.photo_id for one in found.values()}))
    limits = limits_by_name({one.limits for one in found.values()})
    for row in judged[judged["fruit_id"].isin(list(found))].to_dict("records"):
        of = found[row["fruit_id"]]
        place = scored.index[scored["fruit"] == of.number][0]
        for name in ("verdict", "downgraded", "brown_fraction"):
            scored.loc[place, name] = row[name]
        scored.loc[place, "reason"] = _reason(scored.loc[place], left[left["fruit"] == of.number], limits[of.limits])
    return scored


def _reason(fruit: pd.Series[Any], marks: pd.DataFrame, limits: Limits | None) -> str:
    if limits is None:
        return ""
    sizes = {name: fruit[name] for name in ("visible_area_mm2", "length_mm", "width_mm")}
    return judge_fruit(marks, limits=limits, **sizes).reason
