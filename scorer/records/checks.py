"""What officers say of fruit that they checked by eye: kept beside the score, as decisions that nobody changes."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any, Final

import pandas as pd
from sqlalchemy import Connection, Engine, func, insert, select

from scorer.errors import RecordsError
from scorer.records.database import in_words
from scorer.records.tables import Decision, Fruit, Photo, Score

BY_EYE: Final = "verdict"
DOWNGRADED, SOUND = "downgraded", "not downgraded"
"""The two words of a verdict by eye. It is kept too where it confirms the score: agreement is what tells how far the
score can be trusted."""


def keep_checks(engine: Engine, checks: pd.DataFrame, *, who: str) -> int:
    """Keep what somebody said of fruit looked at by eye: all of it, or nothing.

    Parameters
    ----------
    checks : one row per fruit: photo (name as in the tables), fruit (its number), downgraded (yes or no), chance (with
        which it was drawn for checking, above 0 to 1; missing where nobody drew).
    who : who looked.

    Returns
    -------
    How many words were kept.

    Raises
    ------
    RecordsError : a photo or fruit is not in the records or a photo's name is there twice, a chance is out of range,
        nobody is named, or the records cannot be written.
    """
    if not who.strip():
        raise RecordsError("Nobody is named who looked at the fruit; say who did.")
    now = datetime.now(UTC)
    with in_words(engine), engine.begin() as connection:
        rows = [
            _decision(connection, check) | {"who": who.strip(), "decided_at": now}
            for check in checks.to_dict("records")
        ]
        if rows:
            connection.execute(insert(Decision), rows)
    return len(rows)


def _decision(connection: Connection, check: dict[Any, Any]) -> dict[str, Any]:
    photo, number, chance = str(check["photo"]), int(check["fruit"]), check["chance"]
    if not pd.isna(chance) and not 0 < chance <= 1:
        raise RecordsError(f"{photo}, fruit {number}: the chance {chance:g} must lie above 0 and up to 1.")
    newest = select(func.max(Score.scored_at)).where(Score.photo_id == Photo.id).correlate(Photo).scalar_subquery()
    found = connection.execute(
        select(Fruit.id, Fruit.downgraded)
        .join(Score, Fruit.score_id == Score.id)
        .join(Photo, Score.photo_id == Photo.id)
        .where(Photo.name == photo, Fruit.number == number, Score.scored_at == newest)
    ).all()
    if not found:
        raise RecordsError(
            f"{photo}, fruit {number} is not in the records; nothing was kept. Take the list of fruit anew."
        )
    if len(found) > 1:
        raise RecordsError(
            f"The records hold {len(found)} photos named {photo}; nothing was kept. Give one another name."
        )
    (fruit,) = found
    said, scored = (DOWNGRADED if word else SOUND for word in (check["downgraded"], fruit.downgraded))
    return {
        "fruit_id": fruit.id,
        "field": BY_EYE,
        "said_before": scored if scored != said else None,
        "said_now": said,
        "chance": None if pd.isna(chance) else float(chance),
    }
