"""Write scores into the records: each photo in one transaction, and the same photo twice as one.

A photo is known by its bytes. Scored again by the same model it adds nothing; moved or renamed it keeps its scores
under the new name; where a manifest now says more of it, that is noted. A new model's score stands beside the old one.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from difflib import get_close_matches
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
from sqlalchemy import Connection, Engine, insert, select, update
from sqlalchemy.dialects import postgresql, sqlite

from scorer.errors import ClockError, RecordsError
from scorer.hold_time.clock import hold_time, moment_of, site_time, zone_of
from scorer.manifest import TAG_COLUMNS
from scorer.records.database import in_words
from scorer.records.scores import about_photos
from scorer.records.tables import (
    Base,
    Bin,
    Block,
    Crew,
    FittedModel,
    Fruit,
    Import,
    Mark,
    Photo,
    Score,
    Site,
    Tray,
)
from scorer.score_tables import MARK_COLUMNS
from scorer.tag import Tag

DEFAULT_SITE = "shed"
UNNUMBERED = ""
"""What a tray is called where neither tag nor manifest numbers it: a bin's only sample."""


@dataclass(frozen=True)
class OpenImport:
    """A batch that is being recorded.

    Parameters
    ----------
    engine : the records.
    number : of the import.
    site_id, zone : the site and its time zone.
    model_id, model_sha256 : the fitted model that scores the batch.
    software : version of scorer.
    limits : name of the limit table that fruit are judged by.
    """

    engine: Engine
    number: int
    site_id: int
    zone: ZoneInfo
    model_id: int
    model_sha256: str
    software: str
    limits: str


def open_import(
    engine: Engine,
    *,
    source: str,
    model_sha256: str,
    model_card: Mapping[str, Any],
    software: str,
    limits: str,
    zone: str | None = None,
    zone_if_new: str = "UTC",
    site: str = DEFAULT_SITE,
) -> OpenImport:
    """Begin a batch.

    Parameters
    ----------
    source : the folders and files that the photos come from, in words.
    model_sha256, model_card : the fitted model that scores them.
    software : version of scorer.
    limits : name of the limit table.
    zone : time zone of the site; must be the one it is kept in, where it is known. None takes that one.
    zone_if_new : time zone of a site that is new, where ``zone`` is None.
    site : the packing shed.

    Raises
    ------
    RecordsError : the records cannot be written, or the site is kept in another time zone.
    ClockError : there is no such time zone.
    """
    zone_of(zone or zone_if_new)
    with in_words(engine), engine.begin() as connection:
        site_id = _id_of(connection, Site, {"name": site}, {"zone": zone or zone_if_new})
        kept_in = connection.execute(select(Site.zone).where(Site.id == site_id)).scalar_one()
        if zone is not None and kept_in != zone:
            raise RecordsError(
                f"The site {site} is kept in the time zone {kept_in}, not {zone}; "
                "leave --zone out, or give another site by --site."
            )
        model_id = _id_of(
            connection,
            FittedModel,
            {"sha256": model_sha256},
            {"card": dict(model_card), "first_used_at": datetime.now(UTC)},
        )
        number = connection.execute(
            insert(Import).returning(Import.id),
            {
                "source": source,
                "software": software,
                "model_id": model_id,
                "started_at": datetime.now(UTC),
                "scored": 0,
                "known": 0,
                "refused": 0,
            },
        ).scalar_one()
    return OpenImport(engine, number, site_id, zone_of(kept_in), model_id, model_sha256, software, limits)


def close_import(batch: OpenImport, *, scored: int, known: int, refused: int) -> None:
    """End a batch, with what became of its photos."""
    figures = {"scored": scored, "known": known, "refused": refused, "finished_at": datetime.now(UTC)}
    with in_words(batch.engine), batch.engine.begin() as connection:
        connection.execute(update(Import).where(Import.id == batch.number).values(figures))


def is_scored(batch: OpenImport, sha256: str) -> bool:
    """Whether the batch's model has scored a photo of these bytes already."""
    wanted = select(Score.id).join(Photo).where(Photo.sha256 == sha256, Score.model_id == batch.model_id)
    with in_words(batch.engine), batch.engine.connect().execution_options(reads=True) as connection:
        return connection.scalar(wanted) is not None


def unknown_crews(batch: OpenImport, crews: Iterable[str]) -> list[str]:
    """Sentences on crews that the site's records do not know yet, for a crew written in two ways counts as two.

    Says nothing while the records know no crew at all.
    """
    with in_words(batch.engine), batch.engine.connect().execution_options(reads=True) as connection:
        known = set(connection.scalars(select(Crew.name).where(Crew.site_id == batch.site_id)))
    sentences = []
    for crew in sorted(set(crews) - known) if known else ():
        near = get_close_matches(crew, known, n=1)
        meant = f"if {near[0]} is meant, correct the manifest" if near else "if that is a mistake, correct the manifest"
        sentences.append(f"The crew {crew} is new to the records; {meant} and score again.")
    return sentences


def keep_score(batch: OpenImport, photo: pd.DataFrame, fruit: pd.DataFrame, marks: pd.DataFrame) -> bool:
    """Record one photo's score, whole or not at all.

    Parameters
    ----------
    photo, fruit, marks : as scoring gives them; ``photo`` has one row.

    Returns
    -------
    Whether it is new: not where the same bytes were scored by the same model before.

    Raises
    ------
    RecordsError : the photo's bytes are not known, or the records cannot be written.
    """
    (row,) = _rows(photo)
    if not row["sha256"]:
        raise RecordsError(f"{row['photo']} has no bytes to know it by, so it is not recorded.")
    with in_words(batch.engine), batch.engine.begin() as connection:
        photo_id = _keep_photo(connection, batch, row)
        score_id = _insert_once(connection, Score, _score_values(batch, photo_id, row))
        if score_id is None:
            return False
        _keep_fruit(connection, score_id, fruit, marks)
    return True


def keep_score_again(
    batch: OpenImport, sha256: str, photo: pd.DataFrame, fruit: pd.DataFrame, marks: pd.DataFrame
) -> bool:
    """Record what the batch's model says of a photo that the records know; what they know of the photo itself stays.

    Parameters
    ----------
    sha256 : by which the records know it; the bytes that were scored may be other ones, as those of the photo store.
    photo, fruit, marks : as scoring gives them; ``photo`` has one row.

    Returns
    -------
    Whether it is new, as for ``keep_score``.

    Raises
    ------
    RecordsError : the records do not know the photo, or cannot be written.
    """
    (row,) = _rows(photo)
    with in_words(batch.engine), batch.engine.begin() as connection:
        photo_id = connection.scalar(select(Photo.id).where(Photo.sha256 == sha256))
        if photo_id is None:
            raise RecordsError(f"{row['photo']} is not in the records any more, so its new score is not recorded.")
        score_id = _insert_once(connection, Score, _score_values(batch, photo_id, row))
        if score_id is None:
            return False
        _keep_fruit(connection, score_id, fruit, marks)
    return True


def refresh_photo(batch: OpenImport, sha256: str, name: str, said: Tag | None) -> None:
    """Note where a known photo lies now, and what a manifest says of it that the records do not."""
    with in_words(batch.engine), batch.engine.begin() as connection:
        row = _tag_row(connection, batch, sha256)
        given = {name: value for name in TAG_COLUMNS if (value := getattr(said or Tag(), name)) is not None}
        merged = row | given | {"photo": name}
        if any(merged[time] != row[time] for time in ("taken_at", "picked_at")):
            held = hold_time(merged["picked_at"], merged["taken_at"], batch.zone)
            merged |= {"hours_since_picking": held.hours, "hold": held.hold}
        if merged != row:
            _keep_photo(connection, batch, merged)


def _tag_row(connection: Connection, batch: OpenImport, sha256: str) -> dict[str, Any]:
    """What the records hold of a photo, under the names of the tables of scores; times as the site's clock had them."""
    found = connection.execute(about_photos().where(Photo.sha256 == sha256)).one()
    row = dict(found._mapping)
    row["tray"] = row["tray"] or None
    for name in ("taken_at", "picked_at"):
        row[name] = site_time(row[name], batch.zone) if row[name] else None
    return row


def _keep_photo(connection: Connection, batch: OpenImport, row: Mapping[str, Any]) -> int:
    values = {
        "name": row["photo"],
        "site_id": batch.site_id,
        "tray_id": _tray_id(connection, batch, row),
        "side": row["side"],
        "taken_at": _moment(row["taken_at"], batch.zone),
        "hours_since_picking": row["hours_since_picking"],
        "hold": row["hold"],
    }
    photo_id = _id_of(connection, Photo, {"sha256": row["sha256"]}, values)
    connection.execute(update(Photo).where(Photo.id == photo_id).values(values))
    return photo_id


def _tray_id(connection: Connection, batch: OpenImport, row: Mapping[str, Any]) -> int | None:
    """The tray that a photo shows; None where nothing is known of what lies on it."""
    told = [row[name] for name in ("crew", "bin", "picked_at", "method", "block", "cultivar")]
    if not any(value is not None for value in told):
        return None
    picked_at = _moment(row["picked_at"], batch.zone)
    owners = {
        f"{name}_id": _id_of(connection, table, {"site_id": batch.site_id, "name": row[name]}) if row[name] else None
        for name, table in (("crew", Crew), ("block", Block))
    }
    lot = json.dumps([str(value) if value is not None else None for value in told], ensure_ascii=False)
    about = {"name": row["bin"], "cultivar": row["cultivar"], "method": row["method"], "picked_at": picked_at}
    bin_id = _id_of(connection, Bin, {"site_id": batch.site_id, "lot": lot}, about | owners)
    return _id_of(connection, Tray, {"bin_id": bin_id, "name": row["tray"] or UNNUMBERED})


def _moment(local: datetime | None, zone: ZoneInfo) -> datetime | None:
    try:
        return moment_of(local, zone) if local is not None else None
    except ClockError:
        return None  # the photo's reasons say so already


def _score_values(batch: OpenImport, photo_id: int, row: Mapping[str, Any]) -> dict[str, Any]:
    names = ("card_found", "mm_per_px", "camera_height_mm", "colour_residual", "focus", "verdict", "reasons", "fruit")
    return {name: row[name] for name in (*names, "seconds")} | {
        "photo_id": photo_id,
        "model_id": batch.model_id,
        "import_id": batch.number,
        "software": batch.software,
        "limits": batch.limits,
        "scored_at": datetime.now(UTC),
    }


def _keep_fruit(connection: Connection, score_id: int, fruit: pd.DataFrame, marks: pd.DataFrame) -> None:
    if fruit.empty:
        return
    left_out = ("photo", "crew", "bin", "fruit", "class")
    rows = [
        {name: value for name, value in row.items() if name not in left_out}
        | {"score_id": score_id, "number": row["fruit"], "class_name": row["class"]}
        for row in _rows(fruit)
    ]
    returned = connection.scalars(insert(Fruit).returning(Fruit.id, sort_by_parameter_order=True), rows)
    ids = dict(zip(fruit["fruit"].tolist(), returned.all(), strict=True))
    if marks.empty:
        return
    own = ("kind", "probability", "area_mm2", "length_mm", "width_mm")
    connection.execute(
        insert(Mark),
        [
            {name: row[name] for name in own}
            | {
                "fruit_id": ids[row["fruit"]],
                "number": row["mark"],
                "because": row.get("because"),
                "measures": {n: v for n, v in row.items() if n not in (*MARK_COLUMNS, "because")},
            }
            for row in _rows(marks)
        ],
    )


def _id_of(
    connection: Connection, table: type[Base], key: Mapping[str, Any], more: Mapping[str, Any] | None = None
) -> int:
    """Number of the row with this key; a new row, with what more there is, where there is none yet."""
    primary = table.__table__.c["id"]
    wanted = select(primary).where(*(table.__table__.c[name] == value for name, value in key.items()))
    found = connection.scalar(wanted)
    if found is None:
        found = _insert_once(connection, table, {**key, **(more or {})})
    if found is None:  # another process was quicker
        found = connection.execute(wanted).scalar_one()
    return int(found)


def _insert_once(connection: Connection, table: type[Base], values: Mapping[str, Any]) -> int | None:
    """Insert a row and give its number; None where its key is there already."""
    dialect = postgresql if connection.dialect.name == "postgresql" else sqlite
    statement = dialect.insert(table).values(dict(values)).on_conflict_do_nothing().returning(table.__table__.c["id"])
    number = connection.execute(statement).scalar()
    return None if number is None else int(number)


def _rows(table: pd.DataFrame) -> list[dict[str, Any]]:
    """Rows of plain Python values; what is missing is None. By columns, for pandas is slow at giving rows."""
    names = [str(name) for name in table.columns]
    columns = [[_plain_value(value) for value in table[name].tolist()] for name in table.columns]
    return [dict(zip(names, values, strict=True)) for values in zip(*columns, strict=True)]


def _plain_value(value: Any) -> Any:
    if value is None or value is pd.NaT or value is pd.NA:
        return None
    if isinstance(value, (float, np.floating)):
        return float(value) if np.isfinite(value) else None
    if isinstance(value, np.generic):
        return value.item()
    if isinstance(value, pd.Timestamp):
        return value.to_pydatetime()
    return value
