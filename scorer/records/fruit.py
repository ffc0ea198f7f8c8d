"""Read a season's fruit as one table, fast: the newest score of each photo, with what officers said of the fruit."""

from __future__ import annotations

from typing import Any

import pandas as pd
from sqlalchemy import Engine, func, select

from scorer.fruit_rows import fruit_rows
from scorer.records.checks import BY_EYE, DOWNGRADED
from scorer.records.database import in_words
from scorer.records.scores import about_photos
from scorer.records.tables import Decision, Fruit, Mark, Photo, Score, Site


def season_fruit(engine: Engine) -> pd.DataFrame:
    """One row per fruit with the columns of ``scorer.fruit_rows.FRUIT_ROW_DTYPES``.

    Where several people looked at a fruit, the newest word counts; all of them stay in the records.

    Raises
    ------
    RecordsError : the records cannot be read.
    """
    newest = (
        select(Score.photo_id, func.max(Score.scored_at).label("scored_at")).group_by(Score.photo_id).subquery("newest")
    )

    def of_newest(wanted: Any) -> Any:
        return wanted.join(newest, (newest.c.photo_id == Score.photo_id) & (newest.c.scored_at == Score.scored_at))

    about = about_photos(Score.id.label("score_id"), Score.verdict.label("photo_verdict"), Site.zone)
    photos = of_newest(about.join(Score, Score.photo_id == Photo.id).join(Site, Photo.site_id == Site.id))
    fruit = of_newest(
        select(
            Fruit.id.label("fruit_id"),
            Fruit.score_id,
            Fruit.number.label("fruit"),
            Fruit.verdict,
            Fruit.downgraded,
            Fruit.brown_fraction,
        ).join(Score, Fruit.score_id == Score.id)
    )
    kinds = of_newest(select(Mark.fruit_id, Mark.kind).distinct().join(Fruit, Mark.fruit_id == Fruit.id).join(Score))
    checks = (
        select(Decision.fruit_id, Decision.said_now, Decision.chance)
        .where(Decision.field == BY_EYE)
        .order_by(Decision.decided_at, Decision.id)
    )
    with in_words(engine), engine.connect().execution_options(reads=True) as connection:
        photo, rows, kind, check = (
            pd.DataFrame(connection.execute(wanted).all(), columns=[column.name for column in wanted.selected_columns])
            for wanted in (photos, fruit, kinds, checks)
        )
    borne = pd.crosstab(kind["fruit_id"], kind["kind"]).astype(bool).reset_index()
    latest = check.drop_duplicates("fruit_id", keep="last")
    said = pd.DataFrame(
        {
            "fruit_id": latest["fruit_id"],
            "checked_downgraded": (latest["said_now"] == DOWNGRADED).astype("boolean"),
            "check_chance": latest["chance"].astype("float64"),
        }
    )
    rows = rows.merge(_at_the_site(photo), on="score_id", how="left")
    rows = rows.merge(borne, on="fruit_id", how="left").merge(said, on="fruit_id", how="left")
    return fruit_rows(rows.sort_values(["taken_at", "photo", "fruit"], kind="stable"))


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
