"""Labels from what people said on the pages: on marks that were scored, of marks that were missed, and of fruit."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Final

import pandas as pd
from sqlalchemy import Connection, Engine, select

from scorer.labels.labels import Labels, label_table
from scorer.records.checks import BY_EYE, DOWNGRADED
from scorer.records.database import in_words
from scorer.records.tables import Decision, FittedModel, Fruit, Mark, Photo, Score
from scorer.records.words_in_force import words_not_taken_back

SAID_IN_RECORDS: Final = "records"
"""The source of labels that are in no file: words on the pages, and lists of fruit checked by eye."""


def labels_of_words(engine: Engine) -> Labels:
    """All words on marks and fruit as labels, but those taken back, on the scores of whatever model.

    Of several words on one mark all are given, not only the one that counts: two people's words stay two, and a person
    can be held against themselves. ``Labels.newest`` leaves each person's last. Nobody says on a page that they looked
    at a whole photo, so that ``photos`` is empty.

    Raises
    ------
    RecordsError : the records cannot be read.
    """
    with in_words(engine), engine.connect().execution_options(reads=True) as connection:
        words = words_not_taken_back(connection)
        about = _about_fruit(connection)
        marks = _marks(connection)
        verdicts = list(_verdicts(connection, about))
    on_scored = words["mark_id"].notna()
    named = [
        _said(word, about) | marks[int(word["mark_id"])] | {"model": about[word["fruit_id"]]["model"]}
        for word in words[on_scored].to_dict("records")
    ]
    missed = [_missed(word, about) for word in words[~on_scored].to_dict("records")]
    return Labels(
        label_table("photos"),
        label_table("outlines", missed),
        label_table("verdicts", verdicts),
        label_table("named", named),
    )


def _about_fruit(connection: Connection) -> dict[int, dict[str, Any]]:
    """Photo, number and model of each fruit that anything was said of, by the fruit's number in the records."""
    wanted = (
        select(Fruit.id, Photo.sha256, Fruit.number, FittedModel.sha256.label("model"))
        .join(Score, Fruit.score_id == Score.id)
        .join(Photo, Score.photo_id == Photo.id)
        .join(FittedModel, Score.model_id == FittedModel.id)
        .where(Fruit.id.in_(select(Decision.fruit_id)))
    )
    return {
        row.id: {"sha256": row.sha256, "fruit": row.number, "model": row.model} for row in connection.execute(wanted)
    }


def _marks(connection: Connection) -> dict[int, dict[str, Any]]:
    """Number and measures of each mark that anything was said of, by its number in the records."""
    sizes = (Mark.area_mm2, Mark.length_mm, Mark.width_mm)
    wanted = select(Mark.id, Mark.number, Mark.measures, *sizes).where(Mark.id.in_(select(Decision.mark_id)))
    return {
        row.id: {
            "mark": row.number,
            "measures": row.measures | {"area_mm2": row.area_mm2, "length_mm": row.length_mm, "width_mm": row.width_mm},
        }
        for row in connection.execute(wanted)
    }


def _verdicts(connection: Connection, about: dict[int, dict[str, Any]]) -> Iterator[dict[str, Any]]:
    wanted = select(Decision.fruit_id, Decision.said_now, Decision.who, Decision.decided_at)
    wanted = wanted.where(Decision.field == BY_EYE).order_by(Decision.decided_at, Decision.id)
    for row in connection.execute(wanted):
        of = about[row.fruit_id]
        yield {
            "sha256": of["sha256"],
            "fruit": of["fruit"],
            "downgraded": row.said_now == DOWNGRADED,
            "who": row.who,
            "said_at": row.decided_at,
            "source": SAID_IN_RECORDS,
        }


def _said(word: dict[Any, Any], about: dict[int, dict[str, Any]]) -> dict[str, Any]:
    of = about[word["fruit_id"]]
    return {
        "sha256": of["sha256"],
        "fruit": of["fruit"],
        "kind": word["said_now"],
        "who": word["who"],
        "said_at": pd.Timestamp(word["decided_at"]),
        "source": SAID_IN_RECORDS,
    }


def _missed(word: dict[Any, Any], about: dict[int, dict[str, Any]]) -> dict[str, Any]:
    flat = [float(value) for point in word["outline"]["polygon_px"] for value in point]
    return _said(word, about) | {"polygons_px": [flat]}
