"""Read scores back as the tables that scoring handed over, a few hundred photos at a time."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any
from zoneinfo import ZoneInfo

import pandas as pd
from sqlalchemy import Engine, Select, func, select
from sqlalchemy.orm import Session

from scorer.hold_time.clock import site_time, zone_of
from scorer.records.database import in_words
from scorer.records.tables import Bin, Block, Crew, FittedModel, Fruit, Mark, Photo, Score, Site, Tray
from scorer.score_tables import FRUIT_COLUMNS, MARK_COLUMNS, empty_marks, fruit_table, photo_table

PHOTOS_AT_ONCE = 200


@dataclass(frozen=True)
class ScoreTables:
    """Tables of some photos, with the columns that scoring gives.

    Parameters
    ----------
    photo, fruit, marks : see ``scorer.score_tables``.
    """

    photo: pd.DataFrame
    fruit: pd.DataFrame
    marks: pd.DataFrame


def scores_of(engine: Engine, *, model_sha256: str | None = None) -> Iterator[ScoreTables]:
    """Every photo's score, in the order the photos were taken, a few hundred at a time.

    Parameters
    ----------
    model_sha256 : the model whose scores are wanted; None takes each photo's newest score.

    Raises
    ------
    RecordsError : the records cannot be read.
    """
    with in_words(engine), Session(engine.execution_options(reads=True)) as session:
        numbers = session.scalars(_wanted(model_sha256)).all()
        for start in range(0, len(numbers), PHOTOS_AT_ONCE):
            yield _read(session, numbers[start : start + PHOTOS_AT_ONCE])
            session.expunge_all()  # else the session would hold the whole season


def score_of_photo(engine: Engine, sha256: str, model_sha256: str) -> ScoreTables:
    """The score that one model gave one photo; empty tables where there is none."""
    wanted = _wanted(model_sha256).where(Photo.sha256 == sha256)
    with in_words(engine), Session(engine.execution_options(reads=True)) as session:
        return _read(session, session.scalars(wanted).all())


def newest_scores_of(engine: Engine, sha256: str) -> ScoreTables:
    """The newest score of one photo; empty tables where there is none."""
    with in_words(engine), Session(engine.execution_options(reads=True)) as session:
        return _read(session, session.scalars(_wanted(None).where(Photo.sha256 == sha256)).all())


def about_photos(*more: Any) -> Select[Any]:
    """Select of what is known of photos and of what they show, under the names of the tables of scores; times in UTC.

    ``more`` goes before it; whoever asks for more joins its tables to ``Photo``.
    """
    return (
        select(
            *more,
            Photo.name.label("photo"),
            Photo.sha256,
            Photo.side,
            Photo.taken_at,
            Photo.hours_since_picking,
            Photo.hold,
            Tray.name.label("tray"),
            Bin.name.label("bin"),
            Bin.picked_at,
            Bin.method,
            Bin.cultivar,
            Crew.name.label("crew"),
            Block.name.label("block"),
        )
        .select_from(Photo)
        .outerjoin(Tray, Photo.tray_id == Tray.id)
        .outerjoin(Bin, Tray.bin_id == Bin.id)
        .outerjoin(Crew, Bin.crew_id == Crew.id)
        .outerjoin(Block, Bin.block_id == Block.id)
    )


def _wanted(model_sha256: str | None) -> Select[int]:
    scores = select(Score.id).join(Photo).join(FittedModel)
    if model_sha256 is not None:
        scores = scores.where(FittedModel.sha256 == model_sha256)
    else:
        newest = select(func.max(Score.scored_at)).where(Score.photo_id == Photo.id).correlate(Photo).scalar_subquery()
        scores = scores.where(Score.scored_at == newest)
    return scores.order_by(Photo.taken_at.asc().nulls_last(), Photo.sha256)


def _read(session: Session, numbers: Sequence[int]) -> ScoreTables:
    photos = session.execute(
        about_photos(Score, Site.zone)
        .join(Score, Score.photo_id == Photo.id)
        .join(Site, Photo.site_id == Site.id)
        .where(Score.id.in_(numbers))
    ).all()
    by_number = {row.Score.id: row for row in photos}
    ordered = [by_number[number] for number in numbers]
    fruit = session.scalars(select(Fruit).where(Fruit.score_id.in_(numbers))).all()
    marks = session.scalars(select(Mark).join(Fruit).where(Fruit.score_id.in_(numbers))).all()
    place = {number: i for i, number in enumerate(numbers)}
    fruit = sorted(fruit, key=lambda one: (place[one.score_id], one.number))
    owner = {one.id: one for one in fruit}
    marks = sorted(marks, key=lambda one: (place[owner[one.fruit_id].score_id], one.number))
    return ScoreTables(
        photo_table([_photo_row(row) for row in ordered]),
        fruit_table([_fruit_row(one, by_number[one.score_id]) for one in fruit]),
        _marks_table([(mark, owner[mark.fruit_id], by_number[owner[mark.fruit_id].score_id]) for mark in marks]),
    )


def _photo_row(row: Any) -> dict[str, Any]:
    zone = zone_of(row.zone)
    score = row.Score
    return {
        "photo": row.photo,
        "sha256": row.sha256,
        "taken_at": _local(row.taken_at, zone),
        "crew": row.crew,
        "bin": row.bin,
        "picked_at": _local(row.picked_at, zone),
        "method": row.method,
        "side": row.side,
        "card_found": score.card_found,
        "mm_per_px": score.mm_per_px,
        "camera_height_mm": score.camera_height_mm,
        "colour_residual": score.colour_residual,
        "focus": score.focus,
        "verdict": score.verdict,
        "reasons": score.reasons or "",
        "fruit": score.fruit,
        "seconds": score.seconds,
        "tray": row.tray or None,
        "block": row.block,
        "cultivar": row.cultivar,
        "hours_since_picking": row.hours_since_picking,
        "hold": row.hold,
    }


def _fruit_row(fruit: Fruit, photo: Any) -> dict[str, Any]:
    about = {"photo": photo.photo, "crew": photo.crew, "bin": photo.bin, "fruit": fruit.number}
    about["class"] = fruit.class_name
    return about | {name: getattr(fruit, name) for name in FRUIT_COLUMNS if name not in about}


def _marks_table(marks: Sequence[tuple[Mark, Fruit, Any]]) -> pd.DataFrame:
    if not marks:
        return empty_marks()
    rows = []
    for mark, fruit, photo in marks:
        rows.append(
            {
                "photo": photo.photo,
                "fruit": fruit.number,
                "mark": mark.number,
                "kind": mark.kind,
                "probability": mark.probability,
                "area_mm2": mark.area_mm2,
                "length_mm": mark.length_mm,
                "width_mm": mark.width_mm,
                "because": mark.because,
            }
            | mark.measures
        )
    table = pd.DataFrame(rows)
    floats = [name for name in table.columns if name not in (*MARK_COLUMNS[:4], "because")]
    return table.astype(dict.fromkeys(floats, "float64") | dict.fromkeys(("photo", "kind"), "str"))


def _local(moment: Any, zone: ZoneInfo) -> Any:
    return site_time(moment, zone) if moment is not None else None
