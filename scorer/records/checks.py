"""What officers say of fruit that they checked by eye: kept beside the score, as decisions that nobody changes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Final

import pandas as pd
from sqlalchemy import ColumnElement, Connection, Engine, insert

from scorer.access.roles import Person, Right
from scorer.errors import RecordsError
from scorer.records.database import in_words
from scorer.records.newest_fruit import named, newest_fruit
from scorer.records.tables import Decision, Photo

BY_EYE: Final = "verdict"
DOWNGRADED, SOUND = "downgraded", "not downgraded"
"""The two words of a verdict by eye. It is kept too where it confirms the score: agreement is what tells how far the
score can be trusted."""


@dataclass(frozen=True)
class _Check:
    """A word by eye: ``photo`` is a condition on ``Photo``, ``called`` what messages call it."""

    photo: ColumnElement[bool]
    called: str
    fruit: int
    downgraded: bool
    chance: float | None


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
    said = [
        _Check(
            photo=Photo.name == str(row["photo"]),
            called=str(row["photo"]),
            fruit=int(row["fruit"]),
            downgraded=bool(row["downgraded"]),
            chance=None if pd.isna(row["chance"]) else float(row["chance"]),
        )
        for row in checks.to_dict("records")
    ]
    _keep(engine, said, who)
    return len(said)


def say_fruit(
    person: Person, engine: Engine, sha256: str, fruit: int, downgraded: bool, chance: float | None = None
) -> None:
    """Keep what somebody said of one fruit looked at by eye.

    Parameters
    ----------
    sha256 : of the photo.
    fruit : its number on the photo.
    downgraded : what they saw.
    chance : with which the fruit was drawn for checking (``scorer.second_look.fruit_to_check``), above 0 to 1; None
        where nobody drew.

    Raises
    ------
    AccessError : they may not say what a fruit is.
    RecordsError : as for ``keep_checks``.
    """
    person.must(Right.SAY)
    check = _Check(Photo.sha256 == sha256, f"The photo {sha256[:12]}", fruit, downgraded, chance)
    _keep(engine, [check], person.name)


def _keep(engine: Engine, said: Sequence[_Check], who: str) -> None:
    name = named(who)
    with in_words(engine), engine.begin() as connection:
        now = datetime.now(UTC)
        rows = [_decision(connection, check) | {"who": name, "decided_at": now} for check in said]
        if rows:
            connection.execute(insert(Decision), rows)


def _decision(connection: Connection, check: _Check) -> dict[str, Any]:
    if check.chance is not None and not 0 < check.chance <= 1:
        raise RecordsError(
            f"{check.called}, fruit {check.fruit}: the chance {check.chance:g} must lie above 0 and up to 1."
        )
    fruit = newest_fruit(connection, check.photo, check.called, check.fruit)
    said, scored = (DOWNGRADED if word else SOUND for word in (check.downgraded, fruit.downgraded))
    return {
        "fruit_id": fruit.id,
        "field": BY_EYE,
        "said_before": scored if scored != said else None,
        "said_now": said,
        "chance": check.chance,
    }
