"""Read a season's fruit as one table, fast: the newest score of each photo, with what officers said of fruit and marks.

A season is read in parts, so that those of a few photos can be exchanged without reading the others again.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd
from sqlalchemy import Connection, Engine, Select, func, select

from scorer.fruit_rows import FRUIT_ROW_DTYPES
from scorer.records.checks import BY_EYE, DOWNGRADED
from scorer.records.database import in_words
from scorer.records.scores import about_photos
from scorer.records.tables import Decision, Fruit, Mark, Photo, Score, Site
from scorer.records.words_in_force import JUDGED_DTYPES, columns_of, judged_as_said
from scorer.score_tables import KINDS, UNSURE

_KINDS: Final = (*KINDS, UNSURE)
_OF_FRUIT: Final = ("fruit", "verdict", "downgraded", "brown_fraction", *_KINDS)
_OF_CHECK: Final = ("checked_downgraded", "check_chance")
_OF_PHOTO: Final = tuple(name for name in FRUIT_ROW_DTYPES if name not in (*_OF_FRUIT, *_OF_CHECK, "scored_downgraded"))


@dataclass(frozen=True)
class SeasonParts:
    """Fruit of some photos, or of all, before they are laid together.

    Parameters
    ----------
    photo : one row per photo: photo_id, score_id (its newest score's) and what the rows of its fruit share.
    fruit : one row per fruit: fruit_id, score_id and what was scored.
    checks : the newest word by eye on each fruit that has one: fruit_id, checked_downgraded, check_chance.
    judged : fruit judged by their marks as said (``scorer.records.words_in_force.JUDGED_DTYPES``).
    """

    photo: pd.DataFrame
    fruit: pd.DataFrame
    checks: pd.DataFrame
    judged: pd.DataFrame


def season_fruit(engine: Engine, *, as_said: bool = True) -> pd.DataFrame:
    """One row per fruit with the columns of ``scorer.fruit_rows.FRUIT_ROW_DTYPES``, by time, photo and number.

    Where several people looked at a fruit, the newest word counts; all of them stay in the records.

    Parameters
    ----------
    as_said : whether a fruit on whose marks somebody said otherwise is judged by the marks as said; else all is as it
        was scored. Figures that weigh the score against checks by eye want it so: an officer who checks a fruit puts
        its marks right as well, and a score that was put right only where somebody looked would seem better than it is.

    Raises
    ------
    RecordsError : the records cannot be read.
    """
    with in_words(engine), engine.connect().execution_options(reads=True) as connection:
        return laid_together(read_parts(connection), as_said=as_said)


def read_parts(connection: Connection, photo_ids: Sequence[int] | None = None) -> SeasonParts:
    """Read some photos by their numbers, or all."""
    fruit = _read(connection, _fruit(photo_ids), ("fruit_id", "score_id", *_OF_FRUIT[:4]))
    marks = _read(connection, _marks(photo_ids), ("fruit_id", "kind"))
    fruit = fruit.astype({"fruit_id": "int64", "score_id": "int64"} | _types(_OF_FRUIT[:4]))
    place = pd.Index(fruit["fruit_id"]).get_indexer(pd.Index(marks["fruit_id"].astype("int64")))
    borne = pd.DataFrame(np.zeros((len(fruit), len(_KINDS)), bool), columns=list(_KINDS))
    for kind in _KINDS:
        borne[kind] = np.bincount(place[(marks["kind"] == kind).to_numpy() & (place >= 0)], minlength=len(fruit)) > 0
    return SeasonParts(
        _photos(connection, photo_ids),
        pd.concat([fruit, borne], axis=1),
        _checks(connection, photo_ids),
        judged_as_said(connection, photo_ids),
    )


def laid_together(parts: SeasonParts, *, as_said: bool = True) -> pd.DataFrame:
    """The rows of ``season_fruit`` from their parts."""
    photo = parts.photo.sort_values(["taken_at", "photo", "photo_id"], kind="stable")
    of_photo = pd.Index(photo["score_id"]).get_indexer(pd.Index(parts.fruit["score_id"]))
    order = np.lexsort((parts.fruit["fruit"].to_numpy(), of_photo))
    order = order[of_photo[order] >= 0]  # a photo that was scored while this was read comes with the next reading
    fruit = parts.fruit.take(order).reset_index(drop=True)
    scored = fruit["downgraded"]
    if as_said:
        fruit = _overlaid(fruit, parts.judged)
    photos = photo.take(of_photo[order]).reset_index(drop=True)
    columns = {name: photos[name] for name in _OF_PHOTO} | {name: fruit[name] for name in _OF_FRUIT}
    columns["scored_downgraded"] = scored
    columns |= _said_by_eye(fruit["fruit_id"], parts.checks)
    return pd.DataFrame({name: columns[name] for name in FRUIT_ROW_DTYPES})


def _overlaid(fruit: pd.DataFrame, judged: pd.DataFrame) -> pd.DataFrame:
    place, found = _places(fruit["fruit_id"], judged["fruit_id"])
    if not len(place):
        return fruit
    changed = {}
    for name in JUDGED_DTYPES:
        values = fruit[name].array.copy()
        values[place] = judged[name].array[found]
        changed[name] = values
    return fruit.assign(**changed)


def _said_by_eye(fruit_id: pd.Series[int], checks: pd.DataFrame) -> dict[str, Any]:
    place, found = _places(fruit_id, checks["fruit_id"])
    word = pd.arrays.BooleanArray(np.zeros(len(fruit_id), bool), np.ones(len(fruit_id), bool))  # all missing
    chance = np.full(len(fruit_id), np.nan)
    word[place] = checks["checked_downgraded"].array[found]
    chance[place] = checks["check_chance"].to_numpy()[found]
    return {"checked_downgraded": pd.Series(word), "check_chance": pd.Series(chance)}


def _places(fruit_id: pd.Series[int], wanted: pd.Series[int]) -> tuple[Any, Any]:
    """Places among the fruit of those wanted, and the places of these among the wanted."""
    place = pd.Index(fruit_id).get_indexer(pd.Index(wanted))
    return place[place >= 0], np.flatnonzero(place >= 0)


def _of_newest(wanted: Select[*tuple[Any, ...]], photo_ids: Sequence[int] | None) -> Select[*tuple[Any, ...]]:
    newest = select(Score.photo_id, func.max(Score.scored_at).label("scored_at")).group_by(Score.photo_id)
    if photo_ids is not None:
        newest = newest.where(Score.photo_id.in_(photo_ids))
        wanted = wanted.where(Score.photo_id.in_(photo_ids))
    by_photo = newest.subquery("newest")
    return wanted.join(by_photo, (by_photo.c.photo_id == Score.photo_id) & (by_photo.c.scored_at == Score.scored_at))


def _fruit(photo_ids: Sequence[int] | None) -> Select[*tuple[Any, ...]]:
    fruit = select(Fruit.id, Fruit.score_id, Fruit.number, Fruit.verdict, Fruit.downgraded, Fruit.brown_fraction).join(
        Score, Fruit.score_id == Score.id
    )
    return _of_newest(fruit, photo_ids)


def _marks(photo_ids: Sequence[int] | None) -> Select[*tuple[Any, ...]]:
    """Kinds by fruit. Of all photos they are read without looking whose they are, for that is faster by far."""
    marks = select(Mark.fruit_id, Mark.kind)
    if photo_ids is None:
        return marks
    return marks.join(Fruit, Mark.fruit_id == Fruit.id).join(Score).where(Score.photo_id.in_(photo_ids))


def _photos(connection: Connection, photo_ids: Sequence[int] | None) -> pd.DataFrame:
    about = about_photos(
        Photo.id.label("photo_id"), Score.id.label("score_id"), Score.verdict.label("photo_verdict"), Site.zone
    )
    wanted = _of_newest(about.join(Score, Score.photo_id == Photo.id).join(Site, Photo.site_id == Site.id), photo_ids)
    photo = _at_the_site(_read(connection, wanted, [column.name for column in wanted.selected_columns]))
    ids = {"photo_id": "int64", "score_id": "int64"}
    return photo[[*ids, *_OF_PHOTO]].astype(ids | _types(_OF_PHOTO))


def _checks(connection: Connection, photo_ids: Sequence[int] | None) -> pd.DataFrame:
    said = (
        select(Decision.fruit_id, Decision.said_now, Decision.chance)
        .where(Decision.field == BY_EYE)
        .order_by(Decision.decided_at, Decision.id)
    )
    if photo_ids is not None:
        said = said.join(Fruit, Decision.fruit_id == Fruit.id).join(Score).where(Score.photo_id.in_(photo_ids))
    newest = _read(connection, said, ("fruit_id", "said_now", "chance")).drop_duplicates("fruit_id", keep="last")
    return pd.DataFrame(
        {
            "fruit_id": newest["fruit_id"].astype("int64"),
            "checked_downgraded": (newest["said_now"] == DOWNGRADED).astype("boolean"),
            "check_chance": newest["chance"].astype("float64"),
        }
    ).reset_index(drop=True)


def _read(connection: Connection, wanted: Select[*tuple[Any, ...]], names: Sequence[str]) -> pd.DataFrame:
    return columns_of(connection.execute(wanted).all(), names)


def _types(names: Sequence[str]) -> dict[str, str]:
    return {name: FRUIT_ROW_DTYPES[name] for name in names}


def _at_the_site(photo: pd.DataFrame) -> pd.DataFrame:
    """The same photos, times by the clock of their site instead of UTC."""
    local: dict[str, pd.Series[Any]] = {}
    for name in ("picked_at", "taken_at"):
        moments = pd.to_datetime(photo[name], utc=True)
        by_zone = [
            moments[photo["zone"] == zone].dt.tz_convert(zone).dt.tz_localize(None) for zone in photo["zone"].unique()
        ]
        local[name] = pd.concat(by_zone) if by_zone else moments.dt.tz_localize(None)
    return photo.assign(**local, tray=photo["tray"].replace("", None))
