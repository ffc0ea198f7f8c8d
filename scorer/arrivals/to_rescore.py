"""Which photos of the records a model has not scored yet, although their photo is kept and could be scored."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from sqlalchemy import ColumnElement, Engine, Select, exists, select
from sqlalchemy.orm import aliased

from scorer.arrivals.store import PhotoStore
from scorer.hold_time.clock import site_time, zone_of
from scorer.manifest import TAG_COLUMNS, TIME_COLUMNS
from scorer.records.database import in_words
from scorer.records.newest_fruit import newest_scored_at
from scorer.records.scores import about_photos
from scorer.records.tables import Decision, FittedModel, Fruit, Photo, Score, Site
from scorer.tag import Tag


@dataclass(frozen=True)
class KnownPhoto:
    """A photo that the records know.

    Parameters
    ----------
    sha256, name : as the records know it; the store keeps other bytes, without the place where it was taken.
    site, zone : whose it is, and the site's time zone.
    limits : table that its newest score was judged by.
    tag : what the records know of what it shows, which may be more than its own tag says.
    """

    sha256: str
    name: str
    site: str
    zone: str
    limits: str
    tag: Tag


@dataclass(frozen=True)
class ToRescore:
    """Photos for a model to score.

    Parameters
    ----------
    photos : in the order they were taken.
    left_out : how many were left out because somebody has said something of their newest score.
    not_kept : how many the photo store does not have.
    """

    photos: tuple[KnownPhoto, ...]
    left_out: int
    not_kept: int


def photos_to_rescore(
    engine: Engine,
    store: PhotoStore,
    model_sha256: str,
    *,
    also_spoken_of: bool = False,
    only: str | None = None,
) -> ToRescore:
    """Photos that are kept and that a model has not scored.

    What people say belongs to the score it was said of and counts no more beside a newer one. So photos are left out
    of whose newest score somebody has said something that was not taken back, unless they are asked for too.

    Parameters
    ----------
    also_spoken_of : whether to ask for them too.
    only : the one photo with this SHA-256, if it still is one of them; None for all.

    Raises
    ------
    RecordsError : the records cannot be read.
    """
    with in_words(engine), engine.connect().execution_options(reads=True) as connection:
        wanted = _scored_photos().where(Score.verdict != "refused", ~_is_scored_by(model_sha256))
        rows = connection.execute(wanted if only is None else wanted.where(Photo.sha256 == only)).all()
    kept = [row for row in rows if store.photo_path(row.sha256) is not None]
    taken = [row for row in kept if also_spoken_of or not row.spoken_of]
    return ToRescore(tuple(map(_known, taken)), len(kept) - len(taken), len(rows) - len(kept))


def known_photo(engine: Engine, sha256: str) -> KnownPhoto | None:
    """A photo that was scored; None where the records do not know it (any more). Raises RecordsError as above."""
    with in_words(engine), engine.connect().execution_options(reads=True) as connection:
        row = connection.execute(_scored_photos().where(Photo.sha256 == sha256)).first()
    return None if row is None else _known(row)


def models_of_scores(engine: Engine, sha256: str) -> list[str]:
    """SHA-256 of the models that scored a photo, that of the newest score first. Raises RecordsError as above."""
    wanted = select(FittedModel.sha256).join(Score, Score.model_id == FittedModel.id)
    wanted = wanted.join(Photo, Score.photo_id == Photo.id).where(Photo.sha256 == sha256)
    with in_words(engine), engine.connect().execution_options(reads=True) as connection:
        return list(connection.scalars(wanted.order_by(Score.scored_at.desc(), Score.id.desc())))


def _is_scored_by(model_sha256: str) -> ColumnElement[bool]:
    other = aliased(Score)
    by_model = select(other.id).join(FittedModel, other.model_id == FittedModel.id)
    return exists(by_model.where(other.photo_id == Photo.id, FittedModel.sha256 == model_sha256).correlate(Photo))


def _scored_photos() -> Select[Any]:
    """Photos with their newest score and whether somebody spoke of it, in the order they were taken."""
    return (
        about_photos(Site.name.label("site"), Site.zone, Score.limits, _is_spoken_of().label("spoken_of"))
        .join(Site, Photo.site_id == Site.id)
        .join(Score, (Score.photo_id == Photo.id) & (Score.scored_at == newest_scored_at()))
        .order_by(Photo.taken_at.asc().nulls_last(), Photo.sha256)
    )


def _is_spoken_of() -> ColumnElement[bool]:
    """Whether something was said of the score that was not taken back."""
    later = aliased(Decision)
    taken_back = exists(select(later.id).where(later.about_id == Decision.id).correlate(Decision))
    words = select(Decision.id).join(Fruit, Decision.fruit_id == Fruit.id)
    words = words.where(Fruit.score_id == Score.id, Decision.about_id.is_(None), ~taken_back)
    return exists(words.correlate(Score))


def _known(row: Any) -> KnownPhoto:
    zone = zone_of(row.zone)
    told: dict[str, Any] = {name: getattr(row, name) or None for name in TAG_COLUMNS}
    told |= {name: site_time(told[name], zone) for name in TIME_COLUMNS if told[name] is not None}
    return KnownPhoto(row.sha256, row.photo, row.site, row.zone, row.limits, Tag(**told))
