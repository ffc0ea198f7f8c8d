"""What the records hold, by model and by batch; and removing scores that are no longer wanted."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd
from sqlalchemy import Engine, Select, delete, func, select

from scorer.errors import RecordsError
from scorer.records.database import in_words
from scorer.records.tables import Bin, Decision, FittedModel, Fruit, Import, Photo, Score, Tray

SHORTEST_PREFIX = 6


@dataclass(frozen=True)
class Pruned:
    """What was removed, or would be.

    Parameters
    ----------
    scores : removed.
    decided : scores kept because a person has decided something on them.
    photos : photos without any score, removed with the trays and bins that are empty without them.
    """

    scores: int
    decided: int
    photos: int


def models_used(engine: Engine) -> pd.DataFrame:
    """One row per model, oldest first: model (its hash), software, first_used_at, scores, decisions."""
    scores = func.count(func.distinct(Score.id))
    wanted = (
        select(
            FittedModel.sha256.label("model"),
            func.max(Score.software).label("software"),
            FittedModel.first_used_at,
            scores.label("scores"),
            func.count(func.distinct(Decision.id)).label("decisions"),
        )
        .outerjoin(Score, Score.model_id == FittedModel.id)
        .outerjoin(Fruit, Fruit.score_id == Score.id)
        .outerjoin(Decision, Decision.fruit_id == Fruit.id)
        .group_by(FittedModel.id, FittedModel.sha256, FittedModel.first_used_at)
        .order_by(FittedModel.first_used_at, FittedModel.sha256)
    )
    return _table(engine, wanted)


def batches(engine: Engine, *, newest: int = 20) -> pd.DataFrame:
    """The newest batches, newest first: batch, source, started_at, finished_at, scored, known, refused."""
    wanted = select(
        Import.id.label("batch"),
        Import.source,
        Import.started_at,
        Import.finished_at,
        Import.scored,
        Import.known,
        Import.refused,
    ).order_by(Import.id.desc())
    return _table(engine, wanted.limit(newest))


def model_named(engine: Engine, start: str) -> str:
    """Whole hash of the model whose hash begins so.

    Raises
    ------
    RecordsError : none does, or several do.
    """
    known = [str(model) for model in models_used(engine)["model"]]
    found = [model for model in known if len(start) >= SHORTEST_PREFIX and model.startswith(start.lower())]
    if len(found) != 1:
        raise RecordsError(
            f"{len(found)} models of the records begin with {start}; give at least {SHORTEST_PREFIX} signs of one of: "
            f"{', '.join(model[:12] for model in known) or 'none'}."
        )
    return found[0]


def prune(engine: Engine, *, model_sha256: str | None = None, remove: bool = False) -> Pruned:
    """Remove scores, whole: all of one model, or those that a newer score of the same photo has taken the place of.

    Scores on which a person has decided something stay. Photos that have no score at all go as well.

    Parameters
    ----------
    model_sha256 : the model whose scores go; None takes those that a newer score stands beside.
    remove : whether to remove; else only counts.
    """
    with in_words(engine), engine.begin() as connection:
        newer = select(func.max(Score.scored_at)).where(Score.photo_id == Photo.id).correlate(Photo).scalar_subquery()
        unwanted = select(Score.id).join(Photo)
        if model_sha256 is None:
            unwanted = unwanted.where(Score.scored_at < newer)
        else:
            unwanted = unwanted.join(FittedModel).where(FittedModel.sha256 == model_sha256)
        decided = select(Fruit.score_id).join(Decision, Decision.fruit_id == Fruit.id)
        going = unwanted.where(Score.id.not_in(decided))
        scores = connection.scalar(select(func.count()).select_from(going.subquery())) or 0
        kept = connection.scalar(select(func.count()).select_from(unwanted.subquery())) or 0
        left = select(Score.photo_id).where(Score.id.not_in(going))
        bare = select(Photo.id).where(Photo.id.not_in(left))
        photos = connection.scalar(select(func.count()).select_from(bare.subquery())) or 0
        if remove:
            connection.execute(delete(Score).where(Score.id.in_(going)))
            connection.execute(delete(Photo).where(Photo.id.not_in(select(Score.photo_id))))
            used = select(Photo.tray_id).where(Photo.tray_id.is_not(None))
            connection.execute(delete(Tray).where(Tray.id.not_in(used)))
            connection.execute(delete(Bin).where(Bin.id.not_in(select(Tray.bin_id))))
    return Pruned(scores, kept - scores, photos)


def _table(engine: Engine, wanted: Select[*tuple[object, ...]]) -> pd.DataFrame:
    with in_words(engine), engine.connect().execution_options(reads=True) as connection:
        found = connection.execute(wanted)
        return pd.DataFrame([tuple(row) for row in found], columns=list(found.keys()))
