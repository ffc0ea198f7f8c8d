"""Find photos in the records: the newest ones, those of a crew or a bin, or those of given names."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import Any, Final

import pandas as pd
from sqlalchemy import Connection, Engine, func, select

from scorer.access.roles import Person, Right
from scorer.hold_time.clock import site_time, zone_of
from scorer.records.database import in_words
from scorer.records.newest_fruit import newest_scored_at
from scorer.records.tables import Bin, Crew, Fruit, Photo, Score, Site, Tray
from scorer.records.words_in_force import judged_as_said

PHOTO_COLUMNS: Final = (
    "sha256",
    "photo",
    "crew",
    "bin",
    "side",
    "taken_at",
    "hold",
    "verdict",
    "reasons",
    "fruit",
    "downgraded",
)


def find_photos(
    person: Person,
    engine: Engine,
    *,
    text: str = "",
    crew: str | None = None,
    names: Sequence[str] | None = None,
    sha256: str | None = None,
    most: int = 50,
) -> pd.DataFrame:
    """Photos with their newest score, the latest taken first, with the columns PHOTO_COLUMNS.

    ``downgraded`` counts fruit by their marks as people said they are, as crew figures do.

    Parameters
    ----------
    text : part of the photo's or the bin's name, in small or large letters.
    crew : whose photos.
    names : photos of exactly these names.
    sha256 : the one photo with these bytes.
    most : how many at most.

    Raises
    ------
    AccessError : the person may not look at trays.
    RecordsError : the records cannot be read.
    """
    person.must(Right.SEE_TRAYS)
    wanted = _photos().order_by(Photo.taken_at.desc(), Photo.id.desc()).limit(most)
    if text.strip():
        pattern = f"%{_literal(text.strip().lower())}%"
        wanted = wanted.where(
            func.lower(Photo.name).like(pattern, escape="\\") | func.lower(Bin.name).like(pattern, escape="\\")
        )
    if crew is not None:
        wanted = wanted.where(Crew.name == crew)
    if names is not None:
        wanted = wanted.where(Photo.name.in_(list(names)[:most]))
    if sha256 is not None:
        wanted = wanted.where(Photo.sha256 == sha256)
    with in_words(engine), engine.connect().execution_options(reads=True) as connection:
        rows = [dict(row._mapping) for row in connection.execute(wanted)]
        downgraded = _downgraded(connection, [row["photo_id"] for row in rows])
    for row in rows:
        row["downgraded"] = downgraded[row["photo_id"]]
        zone = zone_of(row.pop("zone"))
        row["taken_at"] = site_time(row["taken_at"], zone) if row["taken_at"] else None
    return pd.DataFrame(rows, columns=list(PHOTO_COLUMNS)).astype({"fruit": "int64", "downgraded": "int64"})


def name_of_its_own(engine: Engine, name: str, sha256: str) -> str:
    """What a photo is to be called: its name, or where another has that already, as phones do, one with its hash.

    Figures and lists go by a photo's name, so that two photos of one name would be taken for one.

    Raises
    ------
    RecordsError : the records cannot be read.
    """
    taken = select(Photo.id).where(Photo.name == name, Photo.sha256 != sha256).limit(1)
    with in_words(engine), engine.connect().execution_options(reads=True) as connection:
        if connection.scalar(taken) is None:
            return name
    stem, dot, ending = name.rpartition(".")
    return f"{stem if dot else name}_{sha256[:8]}{dot}{ending if dot else ''}"


def _photos() -> Any:
    return (
        select(
            Photo.id.label("photo_id"),
            Photo.sha256,
            Photo.name.label("photo"),
            Crew.name.label("crew"),
            Bin.name.label("bin"),
            Photo.side,
            Photo.taken_at,
            Photo.hold,
            Score.verdict,
            Score.reasons,
            Score.fruit,
            Site.zone,
        )
        .join(Score, (Score.photo_id == Photo.id) & (Score.scored_at == newest_scored_at()))
        .join(Site, Photo.site_id == Site.id)
        .outerjoin(Tray, Photo.tray_id == Tray.id)
        .outerjoin(Bin, Tray.bin_id == Bin.id)
        .outerjoin(Crew, Bin.crew_id == Crew.id)
    )


def _downgraded(connection: Connection, photo_ids: Sequence[int]) -> Counter[int]:
    """How many fruit of each photo are downgraded, by the photo's number."""
    wanted = (
        select(Fruit.id, Score.photo_id, Fruit.downgraded)
        .join(Score, Fruit.score_id == Score.id)
        .join(Photo, Score.photo_id == Photo.id)
        .where(Photo.id.in_(photo_ids), Score.scored_at == newest_scored_at())
    )
    judged = judged_as_said(connection, photo_ids)
    said = dict(zip(judged["fruit_id"], judged["downgraded"], strict=True))
    return Counter(photo for fruit, photo, scored in connection.execute(wanted) if said.get(fruit, scored))


def _literal(text: str) -> str:
    """Text with nothing in it that LIKE takes for a pattern."""
    return text.replace("\\", "\\\\").replace("%", "\\%").replace("_", "\\_")
