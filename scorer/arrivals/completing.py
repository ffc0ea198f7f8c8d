"""Say once, for all photos of a delivery, what their tags did not tell: crew, bin, time of picking, method.

What is said lies beside the delivery and holds for photos that are still to be scored as well. What a tag told stands.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

from sqlalchemy import Engine, select

from scorer.access.roles import Person, Right
from scorer.arrivals.deliveries import Delivery, Item, items_of
from scorer.arrivals.lock import lock_held
from scorer.arrivals.outcomes import TELLABLE, PhotoOutcome, State, outcome_from_score, outcome_of, write_outcome
from scorer.arrivals.whole_files import read_json, write_json
from scorer.errors import ArrivalError
from scorer.hold_time.clock import zone_of
from scorer.manifest import TIME_COLUMNS
from scorer.records.database import in_words
from scorer.records.keep import OpenImport, refresh_photo
from scorer.records.photos import name_of_its_own
from scorer.records.scores import score_of_photo
from scorer.records.tables import FittedModel, Photo, Score, Site
from scorer.tag import LONGEST_FIELD, Tag, clean_field

_SAID, _LOCK = "said.json", "said.lock"


def complete(person: Person, engine: Engine, delivery: Delivery, said: Tag) -> int:
    """Say what tags did not tell, for all photos of a delivery, scored or not.

    Said again, it takes the place of what was said before; fields that are None say nothing.

    Parameters
    ----------
    engine : the records.
    delivery : its photos.
    said : what no tag told.

    Returns
    -------
    How many photos that are scored already took something from it.

    Raises
    ------
    AccessError : the person may not hand in photos.
    ArrivalError : a field is too long.
    RecordsError, OutputError : it cannot be written.
    """
    person.must(Right.HAND_IN)
    given = _given(said)
    with lock_held(delivery.folder / _LOCK):
        given = _said_before(delivery.folder) | given
        write_json(delivery.folder / _SAID, {name: _text(value) for name, value in given.items()})
        return sum(_complete(engine, item, given) for item in items_of(delivery))


def complete_one(engine: Engine, item: Item) -> None:
    """Let what was said of its delivery hold for a photo that was just scored; raises as `complete` does."""
    folder = item.folder.parent
    if not (folder / _SAID).exists():
        return
    with lock_held(folder / _LOCK):
        _complete(engine, item, _said_before(folder))


def _given(said: Tag) -> dict[str, Any]:
    """Fields that say something, as tags have them."""
    given = {name: getattr(said, name) for name in TELLABLE}
    given |= {name: clean_field(value) for name, value in given.items() if isinstance(value, str)}
    for name, value in given.items():
        if isinstance(value, str) and len(value) > LONGEST_FIELD:
            raise ArrivalError(f"The {name} is longer than {LONGEST_FIELD} characters; shorten it.")
    return {name: value for name, value in given.items() if value is not None}


def _text(value: str | datetime) -> str:
    return value.isoformat() if isinstance(value, datetime) else value


def _said_before(folder: Path) -> dict[str, Any]:
    said = read_json(folder / _SAID) or {}
    return {name: datetime.fromisoformat(text) if name in TIME_COLUMNS else text for name, text in said.items()}


def _complete(engine: Engine, item: Item, given: dict[str, Any]) -> bool:
    """Whether the photo took something."""
    outcome = outcome_of(item)
    taken = {name: value for name, value in given.items() if name not in outcome.told}
    if outcome.state is not State.DONE or all(getattr(outcome, name) == value for name, value in taken.items()):
        return False
    batch = _batch_of(engine, item.sha256)
    if batch is None:  # its score was removed since
        return False
    name = name_of_its_own(engine, item.shown, item.sha256)
    refresh_photo(batch, item.sha256, name, Tag(**taken))
    write_outcome(item, _again(engine, item, batch, outcome))
    return True


def _again(engine: Engine, item: Item, batch: OpenImport, before: PhotoOutcome) -> PhotoOutcome:
    photo = score_of_photo(engine, item.sha256, batch.model_sha256).photo
    now = outcome_from_score(item, photo, before.marks or 0, known=before.known)
    return replace(now, told=before.told)


def _batch_of(engine: Engine, sha256: str) -> OpenImport | None:
    """The batch in which a photo was scored last."""
    wanted = (
        select(Score.import_id, Photo.site_id, Site.zone, Score.model_id, FittedModel.sha256)
        .add_columns(Score.software, Score.limits)
        .select_from(Score)
        .join(Photo, Score.photo_id == Photo.id)
        .join(Site, Photo.site_id == Site.id)
        .join(FittedModel, Score.model_id == FittedModel.id)
        .where(Photo.sha256 == sha256)
        .order_by(Score.scored_at.desc(), Score.id.desc())
        .limit(1)
    )
    with in_words(engine), engine.connect().execution_options(reads=True) as connection:
        row = connection.execute(wanted).one_or_none()
    if row is None:
        return None
    number, site_id, zone, model_id, model_sha256, software, limits = row
    return OpenImport(engine, number, site_id, zone_of(zone), model_id, model_sha256, software, limits)
