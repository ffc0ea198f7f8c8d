"""How the records and the photo store are: room on the disk, photos that wait or lack, bins without crew, the audit."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Final

import pandas as pd
from sqlalchemy import ColumnElement, Connection, Engine, Select, and_, case, exists, func, or_, select
from sqlalchemy.orm import aliased

from scorer.access.roles import Person, Right
from scorer.hold_time.clock import SETTLED_FROM_H, site_time, zone_of
from scorer.records.audit import audit_records
from scorer.records.database import in_words
from scorer.records.scoring_trouble import noted_trouble
from scorer.records.tables import Base, Bin, Crew, Decision, Fruit, Photo, Score, Site, Tray
from scorer.score_tables import BETWEEN, EARLY, SETTLED

WAITING_COLUMNS: Final = ("photo", "bin", "crew", "side", "taken_at", "settles_at", "due", "settled_since")
RETAKE_COLUMNS: Final = ("photo", "bin", "crew", "side", "taken_at", "verdict", "reasons")
CREWLESS_COLUMNS: Final = ("bin", "picked_at", "photos")
FILES_LOOKED_AT: Final = 3000
"""Files of the store that the mean size is taken from: its folders are filled as if by lot, so some stand for all."""
STILL_SHOWN: Final = timedelta(days=7)
"""For so long before the last photo, early photos are told that a settled one has followed; our own choice."""

_USED: Final = ("good", "usable")
_TIME: Final = "datetime64[us]"
_GB: Final = 1e9


@dataclass(frozen=True)
class Health:
    """How a season's records and photo store are.

    Parameters
    ----------
    free_bytes : room on the store's disk.
    photo_bytes : what a photo takes up in the store on the average, with its masks and pictures; None before the first.
    photos, fruit, decisions : how many the records hold; fruit of all scores.
    last_photo, last_photo_at : the photo taken last, and when by the site's clock; None before the first.
    last_score_at : when the last score was made, in UTC.
    waiting : photos taken before marks had settled, WAITING_COLUMNS, those that are due longest first: all that nothing
        settled has followed, and those of the last week that it has. Times by the site's clock; ``due`` is
        whether the second photo can be taken, ``settled_since`` whether one was.
    retakes : photos to be taken again of whose side no later photo is any better, RETAKE_COLUMNS, newest first.
    crewless : bins whose crew nobody named, CREWLESS_COLUMNS, newest first.
    binless : photos of which nobody knows what they show.
    scoring_trouble : why photos that are handed in are not scored at the moment, in a sentence; "" while they are.
    """

    free_bytes: int
    photo_bytes: float | None
    photos: int
    fruit: int
    decisions: int
    last_photo: str | None
    last_photo_at: datetime | None
    last_score_at: datetime | None
    waiting: pd.DataFrame
    retakes: pd.DataFrame
    crewless: pd.DataFrame
    binless: int
    scoring_trouble: str = ""

    @property
    def photos_fit(self) -> int | None:
        """How many more photos the disk has room for; None before the first photo."""
        return int(self.free_bytes / self.photo_bytes) if self.photo_bytes else None

    @property
    def sentences(self) -> tuple[str, ...]:
        """All of it in words, what asks for a deed first."""
        return tuple(sentence for sentence in (*_deeds(self), *_state(self)) if sentence)


def health_of(person: Person, engine: Engine, store_folder: Path, *, now: datetime | None = None) -> Health:
    """Look at records and store, without going through every row; ``audit_in_words`` does that.

    Parameters
    ----------
    store_folder : the photo store's; need not be there yet.
    now : the moment that photos are due by, with a zone; None takes this computer's clock.

    Raises
    ------
    AccessError : the person may not see it.
    RecordsError : the records cannot be read.
    """
    person.must(Right.SEE_RECORDS)
    with in_words(engine), engine.connect().execution_options(reads=True) as connection:
        last = connection.execute(_last_photo()).first()
        return Health(
            free_bytes=_free_bytes(store_folder),
            photo_bytes=_photo_bytes(store_folder),
            photos=_count(connection, Photo),
            fruit=_count(connection, Fruit),
            decisions=_count(connection, Decision),
            last_photo=last.name if last else None,
            last_photo_at=_local(last.taken_at, last.zone) if last else None,
            last_score_at=connection.scalar(select(func.max(Score.scored_at))),
            waiting=_waiting(connection, now or datetime.now(UTC), last.taken_at if last else None),
            retakes=_retakes(connection),
            crewless=_crewless(connection),
            binless=connection.scalar(select(func.count(Photo.id)).where(Photo.tray_id.is_(None))) or 0,
            scoring_trouble=noted_trouble(engine.url),
        )


def audit_in_words(person: Person, engine: Engine) -> tuple[str, ...]:
    """Go through all rows; sentences on what is wrong with them, none where they are sound.

    Raises
    ------
    AccessError : the person may not see it.
    RecordsError : the records cannot be read at all.
    """
    person.must(Right.SEE_RECORDS)
    return tuple(audit_records(engine))


def _deeds(health: Health) -> Iterator[str]:
    yield health.scoring_trouble
    open_ones = health.waiting[~health.waiting["settled_since"]]
    due = int(open_ones["due"].sum())
    if due:
        yield f"{_some(due, 'tray has', 'trays have')} been held for 48 h and can be photographed again."
    if len(open_ones) > due:
        following = open_ones.loc[~open_ones["due"], "settles_at"].min()
        next_one = f"; the next is ready at {following:%Y-%m-%d %H:%M}" if not pd.isna(following) else ""
        yield f"{_some(len(open_ones) - due, 'early photo waits', 'early photos wait')} for the second day{next_one}."
    if len(health.retakes):
        yield f"{_some(len(health.retakes), 'photo is', 'photos are')} to be taken again."
    if len(health.crewless):
        yield f"{_some(len(health.crewless), 'bin has', 'bins have')} no crew, so their fruit count for nobody."
    if health.binless:
        yield f"{_some(health.binless, 'photo is', 'photos are')} of no known bin; say by a manifest what they show."


def _state(health: Health) -> Iterator[str]:
    room = f"{health.free_bytes / _GB:.1f} GB are free on the disk of the photos"
    yield f"{room}, which is about {health.photos_fit} photos." if health.photos_fit is not None else f"{room}."
    counts = _some(health.photos, "photo", "photos"), f"{health.fruit} fruit"
    yield f"The records hold {', '.join(counts)} and {_some(health.decisions, 'decision', 'decisions')}."
    if health.last_photo_at is not None:
        yield f"The last photo, {health.last_photo}, was taken at {health.last_photo_at:%Y-%m-%d %H:%M}."
    if health.last_score_at is not None:
        yield f"The last score was made at {health.last_score_at:%Y-%m-%d %H:%M} UTC."


def _some(number: int, one: str, many: str) -> str:
    return f"{number} {one if number == 1 else many}"


def _last_photo() -> Select[str, datetime | None, str]:
    wanted = select(Photo.name, Photo.taken_at, Site.zone).join(Site, Photo.site_id == Site.id)
    return wanted.where(Photo.taken_at.is_not(None)).order_by(Photo.taken_at.desc(), Photo.id.desc()).limit(1)


def _count(connection: Connection, table: type[Base]) -> int:
    return connection.scalar(select(func.count()).select_from(table)) or 0


def _waiting(connection: Connection, now: datetime, last_at: datetime | None) -> pd.DataFrame:
    settled_since = _followed(settled=True)
    wanted = _photos(settled_since.label("settled_since")).where(Photo.hold.in_((EARLY, BETWEEN)))
    if last_at is not None:
        wanted = wanted.where(or_(~settled_since, Photo.taken_at >= last_at - STILL_SHOWN))
    rows = []
    for row in connection.execute(wanted.order_by(Bin.picked_at, Photo.name)):
        settles_at = row.picked_at + timedelta(hours=SETTLED_FROM_H) if row.picked_at else None
        due = settles_at is not None and settles_at <= now
        rows.append((*_about(row), _local(settles_at, row.zone), due, bool(row.settled_since)))
    times = dict.fromkeys(("taken_at", "settles_at"), _TIME)
    return pd.DataFrame(rows, columns=list(WAITING_COLUMNS)).astype({**times, "due": bool, "settled_since": bool})


def _retakes(connection: Connection) -> pd.DataFrame:
    wanted = _photos().where(Score.verdict.not_in(_USED), ~_followed(settled=False))
    found = connection.execute(wanted.order_by(Photo.taken_at.desc().nulls_last(), Photo.id.desc()))
    rows = [(*_about(row), row.verdict, row.reasons or "") for row in found]
    return pd.DataFrame(rows, columns=list(RETAKE_COLUMNS)).astype({"taken_at": _TIME})


def _crewless(connection: Connection) -> pd.DataFrame:
    wanted = (
        select(Bin.name, Bin.picked_at, Site.zone, func.count(Photo.id))
        .join(Tray, Tray.bin_id == Bin.id)
        .join(Photo, Photo.tray_id == Tray.id)
        .join(Site, Bin.site_id == Site.id)
        .where(Bin.crew_id.is_(None))
        .group_by(Bin.id, Bin.name, Bin.picked_at, Site.zone)
        .order_by(Bin.picked_at.desc().nulls_last(), Bin.name)
    )
    rows = [(name, _local(picked_at, zone), photos) for name, picked_at, zone, photos in connection.execute(wanted)]
    return pd.DataFrame(rows, columns=list(CREWLESS_COLUMNS)).astype({"picked_at": _TIME})


def _photos(*more: ColumnElement[Any]) -> Select[Any]:
    """Photos with their newest score and what they show; times in UTC."""
    wanted: Select[Any] = select(
        Photo.name,
        Photo.side,
        Photo.taken_at,
        Score.verdict,
        Score.reasons,
        Bin.name.label("bin"),
        Bin.picked_at,
        Crew.name.label("crew"),
        Site.zone,
        *more,
    )
    return (
        wanted.select_from(Photo)
        .join(Score, and_(Score.photo_id == Photo.id, _is_newest(Score)))
        .join(Site, Photo.site_id == Site.id)
        .outerjoin(Tray, Photo.tray_id == Tray.id)
        .outerjoin(Bin, Tray.bin_id == Bin.id)
        .outerjoin(Crew, Bin.crew_id == Crew.id)
    )


def _followed(*, settled: bool) -> ColumnElement[bool]:
    """Whether a later photo that can be used shows the same side of the same tray; of unknown times, one kept later.

    A tray is told by bin, crew and time of picking, for a tag that says more of the bin makes another row of it.
    """
    photo, score, tray, bin_ = aliased(Photo), aliased(Score), aliased(Tray), aliased(Bin)
    known = and_(photo.taken_at.is_not(None), Photo.taken_at.is_not(None))
    followed = (
        select(photo.id)
        .join(score, and_(score.photo_id == photo.id, _is_newest(score)))
        .join(tray, photo.tray_id == tray.id)
        .join(bin_, tray.bin_id == bin_.id)
        .where(
            bin_.name == Bin.name,
            bin_.site_id == Bin.site_id,
            bin_.picked_at.is_not_distinct_from(Bin.picked_at),
            bin_.crew_id.is_not_distinct_from(Bin.crew_id),
            tray.name == Tray.name,
            func.lower(func.coalesce(photo.side, "")) == func.lower(func.coalesce(Photo.side, "")),
            score.verdict.in_(_USED),
            case((known, photo.taken_at > Photo.taken_at), else_=photo.id > Photo.id),
        )
        .correlate(Photo, Tray, Bin)
    )
    return exists(followed.where(photo.hold == SETTLED) if settled else followed)


def _is_newest(score: type[Score]) -> ColumnElement[bool]:
    other = aliased(Score)
    newest = select(func.max(other.scored_at)).where(other.photo_id == score.photo_id)
    return score.scored_at == newest.correlate(score).scalar_subquery()


def _about(row: Any) -> tuple[Any, ...]:
    return row.name, row.bin, row.crew, row.side, _local(row.taken_at, row.zone)


def _local(moment: datetime | None, zone: str) -> datetime | None:
    return site_time(moment, zone_of(zone)) if moment else None


def _free_bytes(folder: Path) -> int:
    there = next(path for path in (folder.absolute(), *folder.absolute().parents) if path.exists())
    return shutil.disk_usage(there).free


def _photo_bytes(folder: Path) -> float | None:
    """Mean size of all that the store keeps of a photo, from whole folders of it until enough files were looked at."""
    taken, photos, files = 0, set(), 0
    for place in sorted(folder.glob("??")):
        if files >= FILES_LOOKED_AT:
            break
        for file in os.scandir(place):
            taken += file.stat().st_size
            photos.add(file.name.partition(".")[0])
            files += 1
    return taken / len(photos) if photos else None
