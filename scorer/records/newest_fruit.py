"""Find one fruit of a photo's newest score: the one that a word is said of."""

from __future__ import annotations

from typing import Any

from sqlalchemy import ColumnElement, Connection, ScalarSelect, func, select

from scorer.errors import RecordsError
from scorer.records.tables import Fruit, Photo, Score


def newest_fruit(connection: Connection, photo: ColumnElement[bool], called: str, number: int) -> Any:
    """The fruit's id and downgraded (as scored), and mm_per_px of its photo.

    Parameters
    ----------
    photo : which one, as a condition on ``Photo``.
    called : the photo, in messages.
    number : of the fruit on it.

    Raises
    ------
    RecordsError : there is no such fruit, or several photos are called so.
    """
    found = connection.execute(
        select(Fruit.id, Fruit.downgraded, Score.mm_per_px)
        .join(Score, Fruit.score_id == Score.id)
        .join(Photo, Score.photo_id == Photo.id)
        .where(photo, Fruit.number == number, Score.scored_at == newest_scored_at())
    ).all()
    if not found:
        raise RecordsError(
            f"{called}, fruit {number} is not in the records; nothing was kept. Take the list of fruit anew."
        )
    if len(found) > 1:
        raise RecordsError(
            f"The records hold {len(found)} photos named {called}; nothing was kept. Give one another name."
        )
    return found[0]


def newest_scored_at() -> ScalarSelect[Any]:
    """When the photo of the query around this was scored last."""
    return select(func.max(Score.scored_at)).where(Score.photo_id == Photo.id).correlate(Photo).scalar_subquery()


def named(who: str) -> str:
    """The name of who says something, bare of blanks.

    Raises
    ------
    RecordsError : nobody is named.
    """
    if not who.strip():
        raise RecordsError("Nobody is named who looked at the fruit; say who did.")
    return who.strip()
